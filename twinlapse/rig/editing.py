"""Setting keys of one camera in a rig file without touching anything else in it, comments included."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping

from twinlapse.errors import RigError
from twinlapse.rig.key_positions import key_lines
from twinlapse.rig.reader import rig_from_mapping

_KEPT_COMMENT = re.compile(r"\s+#[^\"'\]]*$")


def with_camera_keys(text: str, index: int, values: Mapping[str, tuple[float, ...] | float]) -> str:
    """Return the text of a rig file with keys of its camera `index` (from 0) set to numbers.

    Raises
    ------
    RigError
        when the file is written in a way that cannot be edited line by line: its author must do it.
    """
    lines = text.splitlines()
    for key, value in reversed(list(values.items())):  # each new one goes in above the last
        places = key_lines("\n".join(lines))
        written = f"{key} = {_number(value)}"
        at = places.get(("camera", str(index), key))
        if at is not None:
            comment = _KEPT_COMMENT.search(lines[at - 1])
            lines[at - 1] = written + (comment[0] if comment else "")
        elif ("camera", str(index)) in places:
            lines.insert(places[("camera", str(index))], written)
        else:
            break
    edited = "\n".join(lines) + "\n"
    if not _is_the_same_but(text, edited, index, values):
        listed = ", ".join(f"{key} = {_number(value)}" for key, value in values.items())
        raise RigError("this rig file cannot be edited line by line", f"write into the camera: {listed}")
    return edited


def _is_the_same_but(
    text: str, edited: str, index: int, values: Mapping[str, tuple[float, ...] | float]
) -> bool:
    try:
        before, after = tomllib.loads(text), tomllib.loads(edited)
        rig_from_mapping(after)
    except (tomllib.TOMLDecodeError, RigError):
        return False
    for key, value in values.items():
        wanted = [round(v, 6) for v in value] if isinstance(value, tuple) else round(value, 6)
        if after["camera"][index].pop(key, None) != wanted:
            return False
        before["camera"][index].pop(key, None)
    return bool(before == after)


def _number(value: tuple[float, ...] | float) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_number(item) for item in value) + "]"
    return repr(round(float(value), 6))
