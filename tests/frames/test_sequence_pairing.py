"""Frames in order and together: natural names, numbers of shots, gaps, different counts."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from twinlapse.errors import FrameError
from twinlapse.frames.grouping import pair, rule_for
from twinlapse.frames.job import Job
from twinlapse.frames.sequence import (
    FrameFile,
    FrameSequence,
    job_sequences,
    natural_key,
    read_sequence,
)
from twinlapse.shots import Plan, Shot, Stop


def put(folder: Path, *names: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"x")
    return folder


def sequence(camera: str, *shots: int) -> FrameSequence:
    files = tuple(FrameFile(path=Path(f"{camera}/{shot:06d}.jpg"), shot=shot) for shot in shots)
    return FrameSequence(camera=camera, files=files, numbered=True)


def plan(shots: dict[int, tuple[str, ...]]) -> Plan:
    made = tuple(
        Shot(
            number=number, after_line=number, byte=0, layer=number - 1, z_mm=0.2 * number, at_s=float(number),
            cost_s=1.0, retract="none", retract_mm=0.0, retract_mm_s=0.0, lift_mm=0.0,
            stops=(Stop(cameras=cameras, x_mm=0, y_mm=0, z_mm=0, dwell_s=1, stance="clear"),),
        )
        for number, cameras in shots.items()
    )  # fmt: skip
    return Plan(
        original_sha256="", rig={}, shots=made, print_s=10, cost_s=len(made), film_s=1, layer_count=len(made)
    )


def test_names_are_sorted_as_a_person_counts(tmp_path: Path) -> None:
    put(tmp_path, "shot10.jpg", "shot9.PNG", "Shot11.tiff", "notes.txt", ".shot1.jpg", "shot12.jpg.part")
    read = read_sequence(tmp_path, "wide")
    assert [file.path.name for file in read.files] == ["shot9.PNG", "shot10.jpg", "Shot11.tiff"]
    assert [file.shot for file in read.files] == [1, 2, 3]
    assert not read.numbered


def test_numbers_are_shots_and_repeats_are_kept(tmp_path: Path) -> None:
    put(tmp_path, "000002.jpg", "000010.jpg", "000002-2.jpg")
    read = read_sequence(tmp_path, "wide")
    assert read.numbered
    assert [(file.shot, file.repeat) for file in read.files] == [(2, 1), (2, 2), (10, 1)]


@given(st.lists(st.integers(0, 10**6), min_size=2, max_size=8, unique=True))
@settings(derandomize=True, max_examples=60)
def test_natural_order_is_numeric_order(numbers: list[int]) -> None:
    names = [f"cam{number}.jpg" for number in numbers]
    assert sorted(names, key=natural_key) == [f"cam{number}.jpg" for number in sorted(numbers)]


def test_empty_and_missing_folders_are_said(tmp_path: Path) -> None:
    with pytest.raises(FrameError, match="no folder"):
        read_sequence(tmp_path / "none", "wide")
    with pytest.raises(FrameError, match="no picture"):
        read_sequence(put(tmp_path / "bare", "a.txt"), "wide")
    with pytest.raises(FrameError, match="no frames yet"):
        job_sequences(Job(tmp_path))


def test_a_job_gives_its_cameras(tmp_path: Path) -> None:
    put(tmp_path / "frames" / "wide", "000001.jpg")
    put(tmp_path / "frames" / "nozzle", "000001.jpg", "000002.jpg")
    put(tmp_path / "frames" / "empty")
    assert {name: len(some) for name, some in job_sequences(Job(tmp_path)).items()} == {
        "nozzle": 2,
        "wide": 1,
    }


def test_with_a_plan_every_shot_is_a_moment() -> None:
    sources = {"wide": sequence("wide", 1, 3), "nozzle": sequence("nozzle", 1, 2, 3)}
    slots = pair(sources, plan({1: ("wide", "nozzle"), 2: ("nozzle",), 3: ("wide", "nozzle"), 4: ("wide",)}))
    assert [slot.shot for slot in slots] == [1, 2, 3, 4]
    assert [sorted(slot.frames) for slot in slots] == [["nozzle", "wide"], ["nozzle"], ["nozzle", "wide"], []]
    assert slots[1].due == {"nozzle"}  # the wide camera was not asked: nothing is missing
    assert slots[3].due == {"wide"}


def test_a_second_stop_stands_in_only_for_a_missing_first() -> None:
    files = (
        FrameFile(path=Path("1.jpg"), shot=1),
        FrameFile(path=Path("1-2.jpg"), shot=1, repeat=2),
        FrameFile(path=Path("2-2.jpg"), shot=2, repeat=2),
    )
    slots = pair({"wide": FrameSequence(camera="wide", files=files, numbered=True)}, None)
    assert [slot.frames["wide"].path.name for slot in slots] == ["1.jpg", "2-2.jpg"]


def test_numbered_folders_meet_by_number() -> None:
    slots = pair({"a": sequence("a", 1, 2, 4, 5), "b": sequence("b", 1, 2, 3, 4, 5)})
    assert [slot.shot for slot in slots] == [1, 2, 3, 4, 5]
    assert "a" not in slots[2].frames and slots[2].due == {"a", "b"}


def test_strangers_are_spread_evenly() -> None:
    def unnumbered(camera: str, count: int) -> FrameSequence:
        made = sequence(camera, *range(1, count + 1))
        return FrameSequence(camera=camera, files=made.files, numbered=False)

    slots = pair({"a": unnumbered("a", 9), "b": unnumbered("b", 3)})
    assert [slot.frames["b"].shot for slot in slots] == [1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert [slot.frames["a"].shot for slot in slots] == list(range(1, 10))
    with pytest.raises(FrameError, match="no numbers"):
        pair({"a": unnumbered("a", 2)}, rule="shot")


def timed(folder: Path, camera: str, times: list[float], *, exif: bool) -> FrameSequence:
    """Pictures whose names are no numbers, with times in their EXIF or of their files."""
    (folder / camera).mkdir()
    files = []
    for place, moment in enumerate(times, 1):
        path = folder / camera / f"shot-{place}.jpg"
        image = Image.new("RGB", (16, 16))
        tags = Image.Exif()
        if exif:
            tags.get_ifd(0x8769)[0x9003] = time.strftime("%Y:%m:%d %H:%M:%S", time.gmtime(moment))
        image.save(path, exif=tags)
        os.utime(path, (1e9 + (0 if exif else moment),) * 2)
        files.append(FrameFile(path=path, shot=place))
    return FrameSequence(camera=camera, files=tuple(files), numbered=False)


@pytest.mark.parametrize("exif", [True, False])
def test_pictures_meet_by_the_time_they_were_taken(tmp_path: Path, exif: bool) -> None:
    wide = timed(tmp_path, "wide", [1e6 + 10 * n for n in range(12)], exif=exif)
    near = timed(tmp_path, "near", [1e6 + 42 + 20 * n for n in range(4)], exif=exif)
    sources = {"wide": wide, "near": near}
    assert rule_for(sources) == ("exif" if exif else "file")
    slots = pair(sources)
    assert [slot.frames["near"].shot for slot in slots] == [1, 1, 1, 1, 1, 1, 2, 2, 3, 3, 4, 4]
    late = timed(tmp_path, "late", [9e6 + n for n in range(4)], exif=exif)
    assert rule_for({"wide": wide, "late": late}) == "evenly"  # another day: times tell nothing
