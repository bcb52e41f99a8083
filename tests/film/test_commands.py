"""``render``, ``film-sheet`` and ``render-all`` as a user meets them."""

from __future__ import annotations

import json
import os
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image, ImageSequence

from twinlapse.cli.root import cli
from twinlapse.errors import TwinlapseError
from twinlapse.shots import Plan, Shot, Stop, write_plan

RIG = """
[printer]
bed_mm = [220, 220]
height_mm = 250
[film]
shape = "320x180"
last_s = 0
[[camera]]
name = "wide"
mount = "frame"
every = "layer"
[[camera]]
name = "nozzle"
mount = "toolhead"
every = "layer"
rotate_deg = 90
"""


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def fails(*words: object) -> str:
    result = run(*words)
    assert isinstance(result.exception, TwinlapseError) or result.exit_code == 2, result.output
    return str(result.exception) if isinstance(result.exception, TwinlapseError) else result.output


def size_of(path: Path) -> tuple[int, int]:
    with Image.open(path) as picture:
        return picture.size


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten shots of two cameras; shot 4 of the wide one is missing."""
    folder = tmp_path_factory.mktemp("jobs") / "pot"
    rng = np.random.default_rng(9)
    for camera, size in {"wide": (320, 180), "nozzle": (120, 160)}.items():
        (folder / "frames" / camera).mkdir(parents=True)
        scene = cv2.resize(rng.integers(40, 200, (12, 16, 3)).astype(np.uint8), size)
        for shot in range(1, 11):
            view = scene.copy()
            cv2.rectangle(view, (60, 150 - 9 * shot), (90, 150), (40, 80, 200), -1)
            if (camera, shot) != ("wide", 4):
                cv2.imwrite(str(folder / "frames" / camera / f"{shot:06d}.png"), view)
    stop = Stop(cameras=("wide", "nozzle"), x_mm=0, y_mm=0, z_mm=0, dwell_s=1, stance="clear")
    shots = tuple(
        Shot(
            number=n, after_line=n, byte=0, layer=n - 1, z_mm=0.3 * n, at_s=60.0 * n, cost_s=5.0,
            retract="none", retract_mm=0.0, retract_mm_s=0.0, lift_mm=0.0, stops=(stop,),
        )
        for n in range(1, 11)
    )  # fmt: skip
    plan = Plan(original_sha256="", rig={}, shots=shots, print_s=660, cost_s=50, film_s=1, layer_count=10)
    write_plan(folder / "plan.json", plan)
    (folder / "rig.toml").write_text(RIG)
    return folder


def test_a_job_becomes_a_film_with_all_that_goes_with_it(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    result = run(
        "render", job, "-o", out, "--json", "--title", "Seedling pot", "--title-s", 1, "--end-s", 1,
        "--layout", "near-far", "--overlay", "all", "--poster", tmp_path / "p.png",
        "--contact", tmp_path / "c.jpg", "--aligned", tmp_path / "aligned",
        "--drawing", tmp_path / "plot.svg",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["frame_count"] == 30 + 10 + 30 and told["held_count"] == 1
    assert told["missing"] == {"wide": [4], "nozzle": []} and "wide: no frame of shot 4" in result.stderr
    assert len(told["shifts"]["wide"]) == 9 and len(told["gain"]["nozzle"]) == 10
    assert json.loads((tmp_path / "film.mp4.json").read_text()) == told
    with av.open(str(out)) as film:
        assert film.metadata["title"] == "Seedling pot"
        names = [chapter["metadata"]["title"] for chapter in film.chapters()]
        assert names[0] == "First layer"
        assert sum(1 for _ in film.decode(video=0)) == 70
    assert size_of(tmp_path / "p.png") == (320, 180)
    assert size_of(tmp_path / "c.jpg")[0] == 1600
    assert len(list((tmp_path / "aligned" / "wide").iterdir())) == 9
    assert (tmp_path / "plot.svg").read_text().startswith("<?xml")


@pytest.mark.parametrize("suffix", ["gif", "webp"])
def test_small_kinds_have_exact_delays(job: Path, tmp_path: Path, suffix: str) -> None:
    out = tmp_path / f"film.{suffix}"
    assert run("render", job, "-o", out, "--length-s", 2, "-q").exit_code == 0
    with Image.open(out) as film:
        assert len(list(ImageSequence.Iterator(film))) > 3
        film.load()
        assert film.info["duration"] % 80 == 0 and film.info["loop"] == 0


def test_a_preview_is_short_to_make_and_as_long_to_see(job: Path, tmp_path: Path) -> None:
    result = run("render", job, "-o", tmp_path / "film.mp4", "--preview", "--json")
    told = json.loads(result.stdout)
    assert told["frame_count"] == 4 and told["fps"] == 10 and told["length_s"] == pytest.approx(0.4)


def test_a_sheet_shows_both_cameras(job: Path, tmp_path: Path) -> None:
    result = run("film-sheet", job, "-o", tmp_path / "sheet.png", "--json")
    assert result.exit_code == 0, result.output
    assert size_of(tmp_path / "sheet.png")[0] == 1600
    assert json.loads(result.stdout)["dropped"] == []


def test_many_jobs_are_made_once_and_a_bad_one_stops_nobody(job: Path, tmp_path: Path) -> None:
    bad = job.parent / "bad" / "frames" / "wide"
    bad.mkdir(parents=True)
    (bad / "000001.jpg").write_bytes(b"")
    first = run("render-all", job.parent, "--json")
    assert first.exit_code == 1
    states = {Path(row["job"]).name: row["state"] for row in json.loads(first.stdout)["films"]}
    assert states == {"bad": "failed", "pot": "made"}
    second = json.loads(run("render-all", job.parent, "--json").stdout)
    assert {row["state"] for row in second["films"]} == {"failed", "there"}


def test_bad_input_is_said_in_one_line(job: Path, tmp_path: Path) -> None:
    out = tmp_path / "film.mp4"
    assert "no such job folder" in fails("render", tmp_path / "none", "-o", out)
    assert "name a job folder" in fails("render", "-o", out)
    assert "write --frames wide=wide" in fails("render", "--frames", "wide", "-o", out)
    assert "no folder with frames" in fails("render", "--frames", f"wide={tmp_path}/none", "-o", out)
    assert "no film that can be written" in fails("render", job, "-o", tmp_path / "film.avi")
    assert "is no shape" in fails("render", job, "-o", out, "--shape", "7:3")
    assert 'did you mean "side"' in fails("render", job, "-o", out, "--layout", "sid")
    assert "its folder does not exist" in fails("render", job, "-o", tmp_path / "no" / "film.mp4")
    assert "its name must end in" in fails("render", job, "-o", out, "--drawing", tmp_path / "plot.txt")
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG.replace("last_s", "lasts_s"))
    told = fails("render", job, "-o", out, "--rig", rig)
    assert "rig.toml:7" in told and 'did you mean "last_s"' in told
    rig.write_text(RIG + "film = { crop = [0, 0, 2, 1] }\n")
    assert "no part of a picture" in fails("render", job, "-o", out, "--rig", rig)
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


def test_any_two_piles_become_a_film(job: Path, tmp_path: Path) -> None:
    """Portrait pictures, a camera that changed its size on the way, and one that is no picture at all."""
    rng = np.random.default_rng(4)
    for camera, size in {"tall": (180, 320), "wide": (320, 180)}.items():
        (tmp_path / camera).mkdir()
        scene = cv2.resize(rng.integers(40, 200, (12, 16, 3)).astype(np.uint8), size)
        for place in range(1, 9):
            own = cv2.resize(scene, (640, 360)) if camera == "wide" and place > 5 else scene
            cv2.imwrite(str(tmp_path / camera / f"pic-{place}.jpg"), own)
    cv2.imwrite(str(tmp_path / "wide" / "pic-9.jpg"), np.zeros((200, 200, 3), np.uint8))
    out = tmp_path / "film.mp4"
    result = run(
        "render",
        "--frames",
        f"tall={tmp_path}/tall",
        "--frames",
        f"wide={tmp_path}/wide",
        "-o",
        out,
        "--json",
    )
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert len(told["dropped"]) == 1 and "another shape" in told["dropped"][0]
    assert told["paired"].startswith("evenly")
    said = fails("render", "--frames", f"a={tmp_path}/tall", "--frames", f"a={tmp_path}/wide", "-o", out)
    assert "given twice" in said


def test_what_a_killed_render_left_is_swept(job: Path, tmp_path: Path) -> None:
    dead = 2**22 - 3  # beyond what a process is numbered by default
    for name in (f".film.mp4.{dead}.part.mp4", f".film.mp4.{dead}.x1y2.part"):
        (tmp_path / name).write_bytes(b"half")
    mine = tmp_path / f".film.mp4.{os.getpid()}.x.part"
    mine.write_bytes(b"of a live process")
    assert run("render", job, "-o", tmp_path / "film.mp4", "-q").exit_code == 0
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == [mine.name]


def test_shots_are_kept_and_dropped_by_hand(job: Path, tmp_path: Path) -> None:
    told = json.loads(run("render", job, "-o", tmp_path / "film.mp4", "--drop", "wide:2,3", "--json").stdout)
    assert [row.endswith("dropped") for row in told["hidden"]] == [True, True] and told["held_count"] == 3
    assert "is not a list of shots" in fails("render", job, "-o", tmp_path / "film.mp4", "--keep", "x")
    assert "no camera" in fails("render", job, "-o", tmp_path / "film.mp4", "--drop", "near:2")
