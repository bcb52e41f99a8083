"""Recordings of a machine that moves and stands: drawn here, so that every standstill is known."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageFilter

from twinlapse.errors import CaptureError
from twinlapse.frames.journal import read_journal
from twinlapse.pairing.extract_frames import look, sharpest
from twinlapse.pairing.recordings import open_recording
from twinlapse.pairing.standstills import find_standstills, measure, motion_between, still_level
from twinlapse.pairing.stop_matching import Standstill, schedule_of
from twinlapse.shots import Plan, write_plan

FPS = 10


class Scene:
    """A head that moves over a bed; it stands during its dwells. Noise, flicker and dropped pictures."""

    def __init__(self, plan: Plan, *, skip: frozenset[int] = frozenset(), seed: int = 3) -> None:
        self.dice = np.random.default_rng(seed)
        schedule = schedule_of(plan)
        self.dwells = {
            shot: (start + 2.0, start + 2.0 + length)
            for (shot, _), start, length in zip(
                schedule.stops, schedule.start_s, schedule.length_s, strict=True
            )
        }
        for shot in skip:
            del self.dwells[shot]
        self.end_s = float(schedule.start_s[-1]) + 12
        rows, columns = np.mgrid[0:120, 0:160]
        self.ground = (90 + 30 * np.sin(rows / 9) * np.cos(columns / 7)).astype(np.float64)
        self.last: np.ndarray[Any, Any] | None = None

    def picture(self, time_s: float, *, shot_mark: bool = True) -> np.ndarray[Any, Any]:
        if self.last is not None and self.dice.random() < 0.1:
            return self.last  # dropped: the one before is seen again
        held = next((shot for shot, (a, b) in self.dwells.items() if a <= time_s < b), None)
        at_s = self.dwells[held][0] if held else time_s
        x, y = 70 + 55 * np.sin(1.3 * at_s), 60 + 30 * np.sin(0.7 * at_s + 1)
        canvas = self.ground.copy()
        canvas[int(y) - 12 : int(y) + 12, max(0, int(x) - 10) : int(x) + 10] = 200
        if held and shot_mark:  # the number of the shot, eight bits at the lower edge
            for bit in range(8):
                canvas[100:116, 10 + 16 * bit : 22 + 16 * bit] = 230 if held >> bit & 1 else 20
        canvas *= 1 + 0.03 * self.dice.standard_normal()  # flicker
        canvas += self.dice.normal(0, 3, canvas.shape)
        self.last = canvas.clip(0, 255).astype(np.uint8)
        return self.last

    def run(self) -> list[tuple[float, np.ndarray[Any, Any]]]:
        return [(k / FPS, self.picture(k / FPS)) for k in range(int(self.end_s * FPS))]


def read_mark(data: bytes) -> int:
    grey = np.asarray(Image.open(io.BytesIO(data)).convert("L").resize((160, 120)))
    return sum(1 << bit for bit in range(8) if grey[102:114, 12 + 16 * bit : 20 + 16 * bit].mean() > 120)


def as_video(scene: Scene, path: Path) -> Path:
    import imageio_ffmpeg

    writer = imageio_ffmpeg.write_frames(
        str(path), (160, 120), pix_fmt_in="gray", fps=FPS, codec="libx264", quality=9
    )
    writer.send(None)
    for _, picture in scene.run():
        writer.send(np.ascontiguousarray(picture))
    writer.close()
    return path


def as_stills(scene: Scene, folder: Path) -> Path:
    folder.mkdir()
    for time_s, picture in scene.run():
        Image.fromarray(picture).save(folder / f"garden-{1_700_000_000 + time_s:.3f}.jpg", quality=92)
    return folder


def test_standstills_are_found_through_noise_flicker_and_dropped_pictures(a_plan: Any) -> None:
    scene = Scene(a_plan(12, dwell_s=1.2, gap_s=6.0))
    found = find_standstills(*measure(scene.run()), shortest_s=0.6)
    expected = list(scene.dwells.values())
    assert len(found) == len(expected)
    for still, (start, end) in zip(found, expected, strict=True):
        assert abs(still.start_s - start) <= 0.35 and abs(still.end_s - end) <= 0.35


def test_light_that_changes_everywhere_is_no_motion() -> None:
    dice = np.random.default_rng(1)
    picture = dice.integers(60, 120, (120, 160)).astype(np.uint8)
    moved = picture.copy()
    moved[40:60, 40:60] = 250
    assert motion_between(picture, picture + 20) < 0.1
    assert motion_between(picture, moved) > 20
    assert find_standstills(np.arange(3.0), np.zeros(3), 0.5) == []
    assert still_level(np.zeros(9)) > 0


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["stills", "video"])
def test_pair_puts_every_frame_at_its_shot(tmp_path: Path, a_plan: Any, kind: str) -> None:
    plan = a_plan(14, dwell_s=1.2, gap_s=7.0)
    uneven = [7.0, 15, 21, 31, 36, 46, 52, 58, 69, 75, 84, 90, 99, 105]
    import dataclasses

    shots = tuple(dataclasses.replace(shot, at_s=at) for shot, at in zip(plan.shots, uneven, strict=True))
    plan = dataclasses.replace(plan, shots=shots)
    scene = Scene(plan, skip=frozenset({5}))
    source = (
        as_video(scene, tmp_path / "night.mp4") if kind == "video" else as_stills(scene, tmp_path / "night")
    )
    write_plan(tmp_path / "plan.json", plan)
    command = [
        sys.executable,
        "-m",
        "twinlapse",
        "pair",
        f"wide={source}",
        "--plan",
        str(tmp_path / "plan.json"),
    ]
    done = subprocess.run([*command, "-o", str(tmp_path / "job"), "--json"], capture_output=True, text=True)
    assert done.returncode == 1, done.stderr  # shot 5 was not found
    told = json.loads(done.stdout)["cameras"]["wide"]
    assert told["missed"] == [[5, 1]]
    files = sorted((tmp_path / "job/frames/wide").iterdir())
    assert [read_mark(path.read_bytes()) for path in files] == [int(path.stem) for path in files]
    assert len(files) == 13
    rows = {row.key.shot: row for row in read_journal(tmp_path / "job/journal.db", plan.original_sha256)}
    assert rows[5].state == "missed" and rows[4].note.startswith("paired by time (")
    if kind == "video":
        return
    again = subprocess.run([*command, "-o", str(tmp_path / "job"), "--json"], capture_output=True, text=True)
    assert json.loads(again.stdout)["cameras"]["wide"]["known"] == 13


def test_the_sharpest_picture_of_a_standstill_is_kept(tmp_path: Path) -> None:
    """Blurred more and less, one broken; pictures at the edge of the standstill are not looked at."""
    noise = np.random.default_rng(4).integers(0, 255, (120, 160), dtype=np.uint8)
    blurs = {0.0: 0, 0.3: 4, 0.6: 1.5, 0.9: 3, 1.2: None, 1.5: 0}  # seconds: sigma
    for time_s, blur in blurs.items():
        path = tmp_path / f"{1_700_000_000_000 + 1000 * time_s:.0f}.jpg"
        Image.fromarray(noise).filter(ImageFilter.GaussianBlur(blur or 0)).save(path, quality=90)
        if blur is None:
            path.write_bytes(path.read_bytes()[:900])
    recording = open_recording(tmp_path)
    kept = sharpest(recording, Standstill(start_s=0.0, end_s=1.5))
    assert kept == (tmp_path / "1700000000600.jpg").read_bytes()
    assert sharpest(recording, Standstill(start_s=1.1, end_s=1.4)) is None


@pytest.mark.parametrize("what", ["missing", "empty folder", "no video"])
def test_what_is_no_recording_is_named(tmp_path: Path, a_plan: Any, what: str) -> None:
    place = tmp_path / "night.mp4"
    if what == "empty folder":
        place.mkdir()
    elif what == "no video":
        place.write_text("minutes of the garden club")
    with pytest.raises(CaptureError, match=r"night\.mp4"):
        look(open_recording(place), schedule_of(a_plan()), lambda share: None)


@pytest.mark.parametrize("camera", ["wide", "nozzle"])
def test_standstills_of_a_rehearsed_print_are_found_and_no_others(camera: str) -> None:
    """Motion measured on the rendered recording of the pot's first eight shots, 11 minutes of both cameras.

    ``rehearsed_motion.npz`` is `measure` of what ``rehearsal.recording.record(filmed, rig, folder, shots=8)``
    makes of the sample job, with its truth: 15 stops, and 7 stands and pauses that are none.
    """
    with np.load(Path(__file__).parent / "data" / "rehearsed_motion.npz") as data:
        time_s, motion = data[f"{camera}_time_s"].astype(float), data[f"{camera}_motion"].astype(float)
        stands, false_count = data[f"{camera}_stands_s"], int(data["false_count"])
    found = find_standstills(time_s, motion, shortest_s=0.5)
    hits = [
        any(still.start_s < end - 0.3 and still.end_s > start + 0.3 for still in found)
        for start, end in stands
    ]
    assert all(hits) and len(hits) == 15
    assert len(found) == len(stands) + false_count
