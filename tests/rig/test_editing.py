"""A rig file edited in place: the keys set, everything else as it was."""

from __future__ import annotations

import pytest

from twinlapse.errors import RigError
from twinlapse.rig.editing import with_camera_keys
from twinlapse.rig.template import read_back, rig_text


def test_keys_are_set_and_comments_stay() -> None:
    text = rig_text({})
    edited = with_camera_keys(text, 1, {"place_mm": (20.0, -18.5, 24.25), "roll_deg": 1.5})
    camera = read_back(edited).cameras[1]
    assert camera.place_mm == (20.0, -18.5, 24.25)
    assert camera.roll_deg == 1.5
    assert read_back(edited).cameras[0] == read_back(text).cameras[0]
    gone = set(text.splitlines()) - set(edited.splitlines())
    assert len(gone) == 1
    assert "# position of its lens" in edited


def test_a_file_that_cannot_be_edited_by_lines_is_left_to_its_author() -> None:
    printer = "printer = { bed_mm = [200, 200], height_mm = 200 }\n"
    odd = printer + 'camera = [{ name = "eye", mount = "toolhead" }]\n'
    with pytest.raises(RigError, match="line by line") as caught:
        with_camera_keys(odd, 0, {"roll_deg": 2.0})
    assert "roll_deg = 2.0" in caught.value.hint
    text = rig_text({}).replace("place_mm = [0, -28, 34]", "place_mm = [\n 0, -28, 34]")
    with pytest.raises(RigError, match="line by line"):
        with_camera_keys(text, 1, {"place_mm": (1.0, 2.0, 3.0)})
