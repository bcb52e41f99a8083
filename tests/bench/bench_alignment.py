"""Alignment against other methods on the same frames, whose truth is known.

    python tests/bench/bench_alignment.py
    python tests/bench/bench_alignment.py drawn [SEED ...]
    python tests/bench/bench_alignment.py nozzles FOLDER [SEED ...]

Prints RMS and largest error in px, and milliseconds of processor time for each frame, for twinlapse,
whole-frame phase correlation, enhanced correlation (ECC) and ffmpeg's two stabilisers; on photographs from
scikit-image over a grid of places, and on the rehearsal of the sample job at the foot of the print (wide) and
at the nozzle. A stabiliser gives pictures and no figures, so where their content lies is read off them by ECC
inside a mask of what is held.

With `drawn` it prints how twinlapse does on every set of drawn_frames.py, whose truth and pictures come from
code of their own: RMS and largest error in px of the frames that are shown, how many of them are off by more
than half a pixel and how many of those with a confidence above one half, and how many are hidden.

With `nozzles` the same is told of the nozzles in a folder of photographs, laid before rooms and prints that
are new in every frame (drawn_nozzles.py), held by `hold = "surroundings"`; the last figure is what they
shake by.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import imageio_ffmpeg
import numpy as np
from skimage import data

from twinlapse.errors import FrameError
from twinlapse.film.report import shift_rows
from twinlapse.frames.job import Job
from twinlapse.frames.sequence import FrameFile, read_sequence
from twinlapse.imaging.decode import read_picture
from twinlapse.imaging.rigid_body import find_rigid
from twinlapse.imaging.transforms import motion_of
from twinlapse.job_folder import prepare
from twinlapse.rehearsal import rehearse
from twinlapse.rehearsal.truth import residual_px
from twinlapse.rig import read_rig
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.stabilise import track_camera

SAMPLE = Path(__file__).parents[2] / "sample_jobs" / "seedling_pot"
SPEC = importlib.util.spec_from_file_location("truth", Path(__file__).parents[1] / "film" / "conftest.py")
assert SPEC is not None and SPEC.loader is not None
truth = importlib.util.module_from_spec(SPEC)
sys.modules["truth"] = truth
SPEC.loader.exec_module(truth)

DRAWN = importlib.util.spec_from_file_location("drawn_frames", Path(__file__).parent / "drawn_frames.py")
assert DRAWN is not None and DRAWN.loader is not None
drawn_frames = importlib.util.module_from_spec(DRAWN)
sys.modules["drawn_frames"] = drawn_frames
DRAWN.loader.exec_module(drawn_frames)

NOZZLES = importlib.util.spec_from_file_location("drawn_nozzles", Path(__file__).parent / "drawn_nozzles.py")
assert NOZZLES is not None and NOZZLES.loader is not None
drawn_nozzles = importlib.util.module_from_spec(NOZZLES)
sys.modules["drawn_nozzles"] = drawn_nozzles
NOZZLES.loader.exec_module(drawn_nozzles)

Grey = np.ndarray
COUNT = 24


@dataclass(frozen=True)
class Case:
    """Frames numbered without a gap, what of them is held, and the judge of maps to them."""

    title: str
    files: tuple[FrameFile, ...]
    held: np.ndarray  # (height, width) bool
    judge: Callable[[np.ndarray], np.ndarray]  # maps (n, 2, 3) -> errors (n, ..., 2) px
    points: np.ndarray  # (k, 2) px where pictures of a stabiliser are judged

    def greys(self) -> list[Grey]:
        """Read the frames as luma."""
        return [cv2.imread(str(file.path), cv2.IMREAD_GRAYSCALE) for file in self.files]


def photographs(folder: Path, name: str, scene: np.ndarray, size: tuple[int, int], **how: object) -> Case:
    """Frames of a photograph under shifts, turns, flicker and a growing print."""
    some = truth.make_truth(folder, scene, size, COUNT, **how)
    held = ~some.covered
    held[:60], held[-60:], held[:, :60], held[:, -60:] = False, False, False, False
    grid = np.stack(np.meshgrid(np.linspace(0.1, 0.9, 5) * size[0], np.linspace(0.1, 0.9, 5) * size[1]), -1)
    return Case(name, some.files, held, some.errors, grid.reshape(-1, 2))


def rehearsal(folder: Path) -> list[Case]:
    """The sample job at every fourth layer, whole frames only."""
    rig = read_rig(SAMPLE / "rig.toml")
    rig = replace(rig, cameras=tuple(replace(camera, every={"layers": 4}) for camera in rig.cameras))
    job = Job(folder / "pot")
    prepare(SAMPLE / "pot.gcode", rig, job)
    known = rehearse(job.filmed, rig, job).truth
    return [_rehearsed(folder, job, camera, known) for camera in ("wide", "nozzle")]


def _rehearsed(folder: Path, job: Job, camera: str, known: Any) -> Case:
    good, files = [], []
    (folder / f"whole-{camera}").mkdir()
    for file in read_sequence(job.folder / "frames" / camera, camera).files:
        try:
            read_picture(file.path)
        except FrameError:
            continue
        good.append(file.shot)
        path = folder / f"whole-{camera}" / f"{len(good):06d}.jpg"
        shutil.copy(file.path, path)
        files.append(FrameFile(path=path, shot=len(good)))
    body = "print" if camera == "wide" else "surroundings"
    pictures = [cv2.imread(str(file.path), cv2.IMREAD_GRAYSCALE) for file in files]
    size = (pictures[0].shape[1], pictures[0].shape[0])

    def judge(maps: np.ndarray) -> np.ndarray:
        ways = [motion_of(matrix, size, 1.0) for matrix in maps]
        rows = [(shot, way.dx_px, way.dy_px, way.angle_deg) for shot, way in zip(good, ways, strict=True)]
        return residual_px(rows, known, camera, body)[1]

    at = np.array([getattr(known.frames[camera][0], body).at_px])
    return Case(
        f"rehearsed {camera} {size[0]}x{size[1]}", tuple(files), _held(pictures, camera, at[0]), judge, at
    )


def _held(pictures: list[Grey], camera: str, at: np.ndarray) -> np.ndarray:
    """The nozzle in its own picture, or the bed around the print as far as it does not change."""
    if camera == "nozzle":
        places = np.linspace(0, len(pictures) - 1, 10).round().astype(int)
        rigid = find_rigid([pictures[len(pictures) // 2], *(pictures[place] for place in places)])
        assert rigid is not None
        return rigid.outline > 0
    held = np.std([cv2.GaussianBlur(picture, (0, 0), 2) for picture in pictures], axis=0) < 6
    x, y = at.astype(int)
    near = np.zeros_like(held)
    near[y - 120 : y + 120, x - 200 : x + 200] = True
    return held & near


def by_phase(pictures: list[Grey], _: np.ndarray) -> np.ndarray:
    """One phase correlation of the whole frame."""
    first = pictures[len(pictures) // 2].astype(np.float32)
    maps = []
    for picture in pictures:
        (dx, dy), _response = cv2.phaseCorrelate(first, picture.astype(np.float32))
        maps.append([[1, 0, dx], [0, 1, dy]])
    return np.array(maps, dtype=float)


def by_ecc(pictures: list[Grey], mask: np.ndarray | None) -> np.ndarray:
    """Enhanced correlation with shift and rotation."""
    first = pictures[len(pictures) // 2]
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 80, 1e-5)
    inside = None if mask is None else mask.astype(np.uint8) * 255
    maps = []
    for picture in pictures:
        found = np.eye(2, 3, dtype=np.float32)
        try:
            _, found = cv2.findTransformECC(first, picture, found, cv2.MOTION_EUCLIDEAN, stop, inside, 5)
        except cv2.error:  # it did not converge: nothing is moved
            found = np.eye(2, 3, dtype=np.float32)
        maps.append(found)
    return np.array(maps, dtype=float)


def stabilised(some: Case, filters: list[str]) -> list[Grey]:
    """Run the frames through ffmpeg's filters, the last of which delivers."""
    folder = some.files[0].path.parent
    with tempfile.TemporaryDirectory() as out:
        for number, words in enumerate(filters):
            last = number == len(filters) - 1
            target = [str(Path(out) / "%06d.png")] if last else ["-f", "null", "-"]
            subprocess.run(
                [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", "-i", str(folder / "%06d.jpg"), "-vf",
                 words, *target],
                check=True, cwd=out, capture_output=True,
            )  # fmt: skip
        return [cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in sorted(Path(out).glob("*.png"))]


def told(errors: np.ndarray) -> tuple[float, float]:
    """RMS and largest of errors, any fixed offset taken out."""
    errors = errors - errors.mean(axis=0)
    return float(np.sqrt((errors**2).mean())), float(np.abs(errors).max())


def left(some: Case, maps: np.ndarray) -> tuple[float, float]:
    """RMS and largest error of maps from the reference to each frame."""
    return told(some.judge(maps))


def left_in(some: Case, pictures: list[Grey]) -> tuple[float, float]:
    """The same of pictures that a stabiliser delivered, by how their held parts lie."""
    maps = by_ecc(pictures, some.held)
    return told(np.array([some.points @ part[:, :2].T + part[:, 2] for part in maps]))


def by_twinlapse(some: Case) -> np.ndarray:
    """What the film does to the frames."""
    track = track_camera("c", some.files, CameraFilming(), cache=False)
    assert len(shift_rows(track)) == len(some.files)
    return np.array([motion.matrix for motion in track.motions])


METHODS: dict[str, Callable[[Case], tuple[float, float]]] = {
    "nothing": lambda some: left(some, np.repeat(np.eye(3)[None, :2], len(some.files), axis=0)),
    "twinlapse": lambda some: left(some, by_twinlapse(some)),
    "phase correlation, whole frame": lambda some: left(some, by_phase(some.greys(), some.held)),
    "ECC, shift and rotation": lambda some: left(some, by_ecc(some.greys(), None)),
    "the same, told what is held": lambda some: left(some, by_ecc(some.greys(), some.held)),
    "ffmpeg vidstab, tripod": lambda some: left_in(
        some, stabilised(some, ["vidstabdetect=tripod=1", "vidstabtransform=tripod=1:interpol=bicubic"])
    ),
    "ffmpeg deshake": lambda some: left_in(some, stabilised(some, ["deshake"])),
}


def drawn_row(drawn: Any, hold: str, body: str) -> str:
    """One row of the table of drawn sets: what is left at a body's points when `hold` is asked for."""
    files = read_sequence(drawn.folder, "c").files
    track = track_camera("c", files, CameraFilming(hold=hold), cache=False)
    error = drawn.residuals(np.array([motion.matrix for motion in track.motions]), body)
    sure = np.array([motion.confidence for motion in track.motions])
    shown = np.array([not why and place not in drawn.unusable for place, why in enumerate(track.hidden)])
    off = shown & (error.max(axis=1) > 0.5)
    rms = np.sqrt((error[shown] ** 2).mean() / 2)
    return (
        f"{drawn.title + ', ' + body:62} {rms:7.3f} {error[shown].max():7.2f} {off.sum():6d} "
        f"{(off & (sure > 0.5)).sum():6d} {sum(map(bool, track.hidden)):6d}"
    )


def drawn_table(seeds: list[int], count: int = 60) -> None:
    """Draw every set and print a row for each."""
    print(f"{'':62} {'RMS':>7} {'worst':>7} {'> .5':>6} {'sure':>6} {'hidden':>6}")
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            for key, draw in drawn_frames.every_set(Path(name), count, seed).items():
                some = draw()
                print(drawn_row(some, "surroundings" if key == "bed" else "auto", "surroundings"), flush=True)
                if key == "bed":
                    print(drawn_row(some, "print", "print"), flush=True)


def nozzle_table(photos: Path, seeds: list[int]) -> None:
    """Draw every look at every nozzle and print a row for each."""
    print(f"{'':62} {'RMS':>7} {'worst':>7} {'> .5':>6} {'sure':>6} {'hidden':>6} {'unheld':>7}")
    for seed in seeds:
        with tempfile.TemporaryDirectory() as name:
            for some in drawn_nozzles.every_set(Path(name), photos, COUNT, seed):
                unmoved = some.residuals(np.repeat(np.eye(3)[None, :2], COUNT, axis=0), "nozzle")
                row = drawn_row(some, "surroundings", "nozzle")
                print(f"{row} {np.sqrt((unmoved**2).mean() / 2):7.2f}", flush=True)


def main() -> None:
    """Make frames, run all methods, print the table."""
    if sys.argv[1:2] == ["nozzles"]:
        nozzle_table(Path(sys.argv[2]), [int(seed) for seed in sys.argv[3:]] or [0])
        return
    if sys.argv[1:2] == ["drawn"]:
        drawn_table([int(seed) for seed in sys.argv[2:]] or [0])
        return
    gravel = cv2.cvtColor(data.gravel(), cv2.COLOR_GRAY2RGB)
    with tempfile.TemporaryDirectory() as name:
        cases = [
            photographs(Path(name) / "wide", "photograph 1280x720", data.coffee(), (1280, 720)),
            photographs(Path(name) / "nozzle", "gravel 640x480", gravel, (640, 480), nozzle=True, seed=8),
            *rehearsal(Path(name)),
        ]
        cv2.setNumThreads(1)
        print(f"{'':30}" + "".join(f"{case.title:>28}" for case in cases))
        for title, method in METHODS.items():
            cells = []
            for some in cases:
                start = time.process_time()
                rms, worst = method(some)
                each = (time.process_time() - start) / len(some.files) * 1e3
                cells.append(f"{rms:8.3f} {worst:8.2f} {each:6.0f} ms")
            print(f"{title:30}" + "".join(f"{cell:>28}" for cell in cells), flush=True)


if __name__ == "__main__":
    main()
