"""Reading rig.toml: every fault names file, line, key and hint."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twinlapse.errors import FileProblemError, RigError
from twinlapse.rig import read_rig, rig_from_mapping

SOUND = """\
[printer]
bed_mm = [220, 200]
height_mm = 250
kinematics = "bed-moves-y"

[[camera]]
name = "wide"
mount = "frame"

[[camera]]
name = "nozzle"
mount = "toolhead"
lens = { width_px = 640 }
"""

# what is replaced, by what, line of the fault, word in what is wrong, word in the hint
FAULTS = [
    ("bed_mm = [220, 200]", "bed_mn = [220, 200]", 2, "printer.bed_mn", "bed_mm"),
    ("bed_mm = [220, 200]\n", "", 1, "printer.bed_mm: it is missing", "bed_mm ="),
    ("bed_mm = [220, 200]", "bed_mm = [220]", 2, "not a list of 2 numbers", "2 numbers"),
    ("bed_mm = [220, 200]", "bed_mm = [220, 0]", 2, "too small", "above 0"),
    ("bed_mm = [220, 200]", "bed_mm = [220, true]", 2, "not a list of 2 numbers", "2 numbers"),
    ("height_mm = 250", 'height_mm = "tall"', 3, "is not a number", "a number"),
    ("height_mm = 250", "height_mm = -3", 3, "too small", "above 0"),
    ("height_mm = 250", "height_mm = nan", 3, "is not a number", "a number"),
    ('"bed-moves-y"', '"bed-moves-x"', 4, "not known", "bed-moves-"),
    ('kinematics = "bed-moves-y"', "travel_mm_s = 99999", 4, "out of range", "at most 2000"),
    ('kinematics = "bed-moves-y"', "cornering = { jerk = 8 }", 4, "no such key", "jerk_mm_s"),
    ('kinematics = "bed-moves-y"', "cornering = { }", 4, "it is empty", "one of"),
    (
        'kinematics = "bed-moves-y"',
        "cornering = { jerk_mm_s = 8, square_corner_mm_s = 5 }",
        4,
        "exclude each other",
        "keep one",
    ),
    (
        'kinematics = "bed-moves-y"',
        "toolhead = { nozzle_radius_mm = 90 }",
        4,
        "wider than the toolhead",
        "less than",
    ),
    ('kinematics = "bed-moves-y"', "keep_out = [{ x_mm = [9, 3], y_mm = [0, 1] }]", 4, "is empty", "smaller"),
    ('kinematics = "bed-moves-y"', 'keep_out = "left"', 4, "not a list of tables", "[[printer.keep_out]]"),
    ('kinematics = "bed-moves-y"', "toolhead = 30", 4, "is not a table", "[printer.toolhead]"),
    ('name = "wide"', 'name = "the wide one"', 7, "cannot be a name", "letters"),
    ('name = "wide"', 'name = "nozzle"', 11, "taken by another", "name of its own"),
    ('name = "wide"', 'name = "Nozzle"', 11, "taken by another", "capitals"),
    ('name = "wide"', 'name = "con"', 7, "cannot be a name", "Windows"),
    ('name = "wide"', "name = 3", 7, "is not text", "quotes"),
    ('mount = "frame"', 'mount = "roof"', 8, "not known", "frame"),
    ('mount = "frame"', 'mount = "frame"\nstanse = "clear"', 9, "no such key", "stance"),
    ('mount = "frame"', 'mount = "frame"\nstance = "hide"', 9, "not known", "clear"),
    ('mount = "frame"', 'mount = "frame"\nevery = "second"', 9, "no schedule", "layers"),
    ('mount = "frame"', 'mount = "frame"\nevery = { layers = 1.5 }', 9, "whole number", "layers"),
    ('mount = "frame"', 'mount = "frame"\nmirror = "yes"', 9, "neither true nor false", "true"),
    ('mount = "frame"', 'mount = "frame"\nrotate_deg = 45', 9, "not known", "90"),
    ('mount = "frame"', 'mount = "frame"\nplace_mm = [1, 2]', 9, "3 numbers", "3 numbers"),
    ('mount = "frame"', 'mount = "frame"\nbody_mm = [0, 5]', 9, "too small", "above 0"),
    (
        'mount = "frame"',
        'mount = "frame"\nplace_mm = [1, 2, 3]\nlook_mm = [1, 2, 3]',
        10,
        "own place",
        "a point",
    ),
    (
        'mount = "frame"',
        'mount = "frame"\npark_mm = [300, 10]',
        9,
        "park_mm: [300, 10] is outside the bed",
        "on the",
    ),
    ('kinematics = "bed-moves-y"', 'kinematics = "CoreXY"', 4, "'CoreXY' is not known", '"bed-moves-z"'),
    ('mount = "frame"', 'mount = "frame"\nsource = "/dev/video0"', 9, "what kind of source", "v4l2:"),
    ("height_mm = 250", 'height_mm = "C:\\Users"', 3, "a backslash in quotes", "'single quotes'"),
    ("{ width_px = 640 }", "{ width_px = 640.5 }", 13, "not a whole number", "whole"),
    ("{ width_px = 640 }", "{ across_deg = 190 }", 13, "less than 180", "fisheye"),
    ("{ width_px = 640 }", '{ distortion = ["a"] }', 13, "not a list of numbers", "brackets"),
    ("{ width_px = 640 }", "{ focus = 30 }", 13, "no such key", "focus_mm"),
    ("[printer]", "[printers]", None, "no [printer] section", "bed_mm"),
    ("height_mm = 250", "height_mm = 250 mm", 3, "not TOML", "numbers have no unit"),
]


@pytest.mark.parametrize(("old", "new", "line", "what", "hint"), FAULTS)
def test_a_fault_names_line_key_and_mend(
    tmp_path: Path, old: str, new: str, line: int | None, what: str, hint: str
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(SOUND.replace(old, new, 1))
    with pytest.raises(RigError) as caught:
        read_rig(path)
    assert caught.value.line == line
    assert what in caught.value.what
    assert hint in caught.value.hint
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_sound_file_and_its_defaults(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(SOUND)
    rig = read_rig(path)
    assert rig.printer.bed_mm == (220.0, 200.0)
    assert [camera.stance for camera in rig.cameras] == ["clear", "over"]
    assert rig.camera("nozzle") is rig.cameras[1]
    assert rig.camera("attic") is None
    assert rig_from_mapping(rig.raw) == rig  # a plan carries the file as read


def test_no_camera_and_no_gantry() -> None:
    printer = {"bed_mm": [200, 200], "height_mm": 200}
    with pytest.raises(RigError, match="no camera"):
        rig_from_mapping({"printer": printer})
    fixed = {**printer, "kinematics": "bed-fixed"}
    with pytest.raises(RigError, match="no X gantry"):
        rig_from_mapping({"printer": fixed, "camera": [{"name": "eye", "mount": "gantry"}]})


@pytest.mark.parametrize("data", [b"", b"\xff\xfe\x00", None])
def test_files_that_are_no_text(tmp_path: Path, data: bytes | None) -> None:
    path = tmp_path / "rig.toml"
    if data is None:
        path.mkdir()
    else:
        path.write_bytes(data)
    with pytest.raises(FileProblemError):
        read_rig(path)


@settings(derandomize=True, max_examples=150, deadline=None)
@given(
    st.sampled_from(
        ["bed_mm", "height_mm", "kinematics", "toolhead", "cornering", "keep_out", "nozzle_mm", "origin"]
    ),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers(-(10**6), 10**6) | st.text(max_size=6),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=2),
        max_leaves=4,
    ),
)
def test_whatever_is_written_there_is_one_clear_error_or_a_rig(key: str, value: object) -> None:
    printer = {"bed_mm": [200, 200], "height_mm": 200, key: value}
    try:
        rig_from_mapping({"printer": printer, "camera": [{"name": "eye", "mount": "frame"}]})
    except RigError as error:
        assert error.what and error.hint and "\n" not in str(error)


def test_a_camera_with_a_schedule_can_be_a_key(tmp_path: Path) -> None:
    more = 'mount = "frame"\nevery = { layers = 5 }\nfirst_layers = { layers = 3, s = 10 }'
    text = SOUND.replace('mount = "frame"', more)
    (tmp_path / "rig.toml").write_text(text)
    camera = read_rig(tmp_path / "rig.toml").cameras[0]
    assert camera.every == {"layers": 5} and {camera: 1}[camera] == 1
