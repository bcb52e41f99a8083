"""Any two piles of pictures: by number, EXIF, file time or evenly; phones' formats; films as sources."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from twinlapse.cli.root import cli
from twinlapse.errors import FrameError
from twinlapse.film import FilmOptions, render_film
from twinlapse.film.codecs import codec_for
from twinlapse.film.colour import coded, planes_of
from twinlapse.film.encoder import encoding
from twinlapse.frames.grouping import pair, rule_for, said_of
from twinlapse.frames.sequence import FrameSequence, read_sequence
from twinlapse.imaging.decode import picture_size, read_picture
from twinlapse.rig.film_settings import Filming

START = datetime(2026, 5, 1, 20, 0, 0)
SCENE = np.random.default_rng(4).integers(40, 200, (12, 16, 3)).astype(np.uint8)


def picture(number: int, size: tuple[int, int] = (160, 120)) -> Image.Image:
    view = cv2.resize(SCENE, size)
    cv2.rectangle(view, (70, size[1] - 10 - 3 * number), (95, size[1] - 10), (200, 80, 40), -1)
    return Image.fromarray(view)


def pile(
    folder: Path, names: list[str], *, exif_s: list[float] | None = None, file_s: list[float] | None = None
) -> FrameSequence:
    """Write pictures with times in their EXIF (0x9003 DateTimeOriginal, EXIF 2.32) or of their files."""
    folder.mkdir(parents=True)
    for number, name in enumerate(names):
        exif = Image.Exif()
        if exif_s is not None:
            taken = START + timedelta(seconds=exif_s[number])
            exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
        picture(number).save(folder / name, exif=exif)
        moment = 1.7e9 + (file_s[number] if file_s is not None else 0)
        os.utime(folder / name, (moment, moment))
    return read_sequence(folder, folder.name)


def names(start: str, count: int) -> list[str]:
    return [f"{start}{number}.jpg" for number in range(1, count + 1)]


def test_piles_meet_by_number_by_exif_by_file_time_or_evenly(tmp_path: Path) -> None:
    numbered = {
        "a": pile(tmp_path / "n/a", ["3.jpg", "5.jpg", "7.jpg"]),
        "b": pile(tmp_path / "n/b", ["3.jpg", "4.jpg", "5.jpg", "7.jpg"]),
    }
    assert rule_for(numbered) == "shot"
    assert [len(slot.frames) for slot in pair(numbered)] == [2, 1, 2, 2]
    timed = {
        "a": pile(tmp_path / "e/a", names("IMG_", 4), exif_s=[0, 60, 120, 180]),
        "b": pile(tmp_path / "e/b", names("DSC", 6), exif_s=[2, 33, 64, 95, 126, 170]),
    }
    assert rule_for(timed) == "exif"
    met = [(slot.frames["a"].shot, slot.frames["b"].shot) for slot in pair(timed)]
    assert met == [(1, 1), (2, 2), (2, 3), (3, 4), (3, 5), (4, 6)]  # the nearest, by hand
    filed = {
        "a": pile(tmp_path / "f/a", names("x", 3), file_s=[0, 50, 100]),
        "b": pile(tmp_path / "f/b", names("y", 5), file_s=[0, 20, 45, 80, 99]),
    }
    assert rule_for(filed) == "file"
    assert [slot.frames["a"].shot for slot in pair(filed)] == [1, 1, 2, 3, 3]
    copied = {"a": pile(tmp_path / "c/a", names("x", 2)), "b": pile(tmp_path / "c/b", names("y", 4))}
    assert rule_for(copied) == "evenly"
    assert [slot.frames["a"].shot for slot in pair(copied)] == [1, 1, 2, 2]


def test_what_speaks_against_times_is_said(tmp_path: Path) -> None:
    wide = pile(tmp_path / "wide", names("IMG_", 4), exif_s=[0, 60, 120, 180])
    late = pile(tmp_path / "late", names("DSC", 4), exif_s=[7200, 7260, 7320, 7380])
    assert said_of({"wide": wide, "late": late}).endswith(
        "(the EXIF times hardly overlap: wide 2026-05-01 20:00 to 2026-05-01 20:03, "
        "late 2026-05-01 22:00 to 2026-05-01 22:03; are the clocks set alike?)"
    )
    edited = pile(tmp_path / "edited", names("DSC", 4), exif_s=[1, 61, 121, 181])
    picture(2).save(edited.files[1].path)  # as many programs do, without the EXIF
    assert said_of({"wide": wide, "edited": edited}).endswith("(DSC2.jpg of edited has no EXIF time)")
    swapped = pile(tmp_path / "swapped", names("DSC", 4), exif_s=[1, 121, 61, 181])
    assert "another order than the names" in said_of({"wide": wide, "swapped": swapped})
    without = pile(tmp_path / "without", names("x", 4))
    assert "EXIF" not in said_of({"wide": wide, "without": without})


def test_pictures_that_share_a_reason_share_a_line(tmp_path: Path) -> None:
    pile(tmp_path / "a", names("IMG_", 6))
    for number in (3, 4, 5):
        picture(number, (160, 90)).save(tmp_path / "a" / f"IMG_{number}.jpg")
    (tmp_path / "a" / "IMG_6.heic").write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(64))
    result = run(
        "render", "--frames", f"wide={tmp_path}/a", "-o", tmp_path / "film.mp4", "--shape", "192x108"
    )
    assert result.exit_code == 0
    assert (
        "IMG_3.jpg to IMG_5.jpg (3): it is 160 x 90 and the others are 160 x 120, another shape"
        in result.output
    )
    if "HEIF" not in Image.ID:
        assert "IMG_6.heic: HEIC pictures need a reader: pip install pillow-heif" in result.output


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_the_command_says_how_and_takes_no_camera_twice(tmp_path: Path) -> None:
    pile(tmp_path / "a", names("IMG_", 4), exif_s=[0, 60, 120, 180])
    pile(tmp_path / "b", names("DSC", 6), exif_s=[2, 33, 64, 95, 126, 170])
    out = tmp_path / "film.mp4"
    words = [
        "--frames",
        f"wide={tmp_path}/a",
        "--frames",
        f"near={tmp_path}/b",
        "-o",
        out,
        "--shape",
        "192x108",
    ]
    result = run("render", *words)
    assert result.exit_code == 0 and "brought together by the times in their EXIF" in result.output
    same = run("render", "--frames", f"wide={tmp_path}/a", "--frames", f"near={tmp_path}/b/../a", "-o", out)
    assert same.exit_code == 2 and "are the same pictures" in same.output


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pictures_stand_upright_whatever_their_exif_says(tmp_path: Path, orientation: int) -> None:
    upright = picture(9, (160, 90))
    # how a camera stores it so that the tag brings it upright: Pillow's inverse operations
    back = {2: "FLIP_LEFT_RIGHT", 3: "ROTATE_180", 4: "FLIP_TOP_BOTTOM", 5: "TRANSPOSE", 6: "ROTATE_90",
            7: "TRANSVERSE", 8: "ROTATE_270"}  # fmt: skip
    stored = upright if orientation == 1 else upright.transpose(Image.Transpose[back[orientation]])
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored.save(tmp_path / "p.png", exif=exif)
    assert picture_size(tmp_path / "p.png") == (160, 90)
    assert np.array_equal(read_picture(tmp_path / "p.png"), np.asarray(upright))


def test_heic_is_read_or_its_reader_is_named(tmp_path: Path) -> None:
    heif = pytest.importorskip("pillow_heif", reason="pip install pillow-heif")
    folder = tmp_path / "phone"
    folder.mkdir()
    for number in range(5):
        exif = Image.Exif()
        exif[0x0112] = 6  # the reader turns it by itself: the tag must not turn it again
        heif.from_pillow(picture(number)).save(folder / f"IMG_{number}.heic", quality=90)
    report = render_film(
        {"phone": read_sequence(folder, "phone")}, None,
        FilmOptions(filming=Filming(shape="160x120", last_s=0)), tmp_path / "film.mp4",
    )  # fmt: skip
    assert report.frames == 5 and not report.dropped
    seen = read_picture(folder / "IMG_3.heic").astype(int)
    assert np.abs(seen - np.asarray(picture(3), int)).mean() < 6


def test_without_its_reader_heic_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # the first bytes of any HEIC: a box "ftyp" of brand "heic" (ISO/IEC 14496-12)
    (tmp_path / "a.heic").write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(64))
    opened = [kind for kind in Image.ID if kind not in ("HEIF", "AVIF")]
    monkeypatch.setattr(Image, "ID", opened)
    with pytest.raises(FrameError, match="pip install pillow-heif"):
        read_picture(tmp_path / "a.heic")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # the reader of clips
def test_a_film_for_each_camera(tmp_path: Path) -> None:
    for name, count in (("wide.mp4", 12), ("near.mp4", 8)):
        codec = codec_for(tmp_path / name, Filming())
        with encoding(tmp_path / name, (160, 120), Filming().fps, codec) as pipe:
            for number in range(count):
                pipe.write(planes_of(coded(np.asarray(picture(number)))))
    result = run(
        "render", "--frames", f"wide={tmp_path}/wide.mp4", "--frames", f"near={tmp_path}/near.mp4",
        "-o", tmp_path / "film.mp4", "--shape", "192x108", "--json",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["frame_count"] == 12 + 45 and told["paired"].startswith("evenly")
    with av.open(str(tmp_path / "film.mp4")) as film:
        assert sum(1 for _ in film.decode(video=0)) == 57


@pytest.mark.skipif(os.name != "posix", reason="a signal that cannot be caught")
def test_a_render_that_is_killed_leaves_nothing_that_stays(tmp_path: Path) -> None:
    """Killed for real at several moments; the next render sweeps what it left."""
    pile(tmp_path / "a", [f"{number:06d}.jpg" for number in range(1, 25)])
    out = tmp_path / "out" / "film.mp4"
    out.parent.mkdir()
    words = [sys.executable, "-m", "twinlapse", "render", "--frames", f"wide={tmp_path}/a", "-o", str(out)]
    words += ["--shape", "640x480", "--length-s", "12", "-q"]
    left: set[str] = set()
    for wait_s in (0.0, 0.15, 0.4):
        process = subprocess.Popen(words, stderr=subprocess.DEVNULL)
        until = time.monotonic() + 30
        while process.poll() is None and time.monotonic() < until:
            if any(name.name.startswith(".film") for name in out.parent.iterdir()):
                time.sleep(wait_s)
                break
            time.sleep(0.01)
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGKILL)
        process.wait()
        left |= {path.name for path in out.parent.iterdir() if path.name != "film.mp4"}
    assert left  # the control: a kill does leave something
    time.sleep(0.3)  # an encoder whose pipe has closed ends by itself
    done = subprocess.run([*words, "--json"], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["frame_count"] > 0
    assert sorted(path.name for path in out.parent.iterdir()) == ["film.mp4", "film.mp4.json"]
    assert [path.name for path in (tmp_path / "a").iterdir() if "part" in path.name] == []
