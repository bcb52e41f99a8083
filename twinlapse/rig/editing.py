"""Setting keys of a table in a rig file without touching anything else in it, comments included."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from twinlapse.errors import RigError
from twinlapse.rig.key_positions import key_lines
from twinlapse.rig.reader import rig_from_mapping

__all__ = ["Values", "with_camera_keys", "with_table_keys"]

_DOTTED = re.compile(r"^\s*[A-Za-z0-9_-]+\.")  # an inner table's key, written in the outer one
_KEPT_COMMENT = re.compile(r"\s+#[^\"'\]]*$")


Values = Mapping[str, tuple[float, ...] | float]


def with_camera_keys(text: str, index: int, values: Values) -> str:
    """Return the text of a rig file with keys of its camera `index` (from 0) set; see `with_table_keys`."""
    return with_table_keys(text, ("camera", str(index)), values)


def with_table_keys(text: str, base: tuple[str, ...], values: Values) -> str:
    """Return the text of a rig file with keys of one of its tables set to numbers.

    Parameters
    ----------
    text : str
    base : tuple of str
        The table: ``("printer",)``, or ``("camera", "0")`` for the first camera.
    values : mapping
        A key of a table within it is written with a dot: ``lens.across_deg``.

    Raises
    ------
    RigError
        when the file is written in a way that cannot be edited line by line: its author must do it.
    """
    lines = text.splitlines()
    for key, value in reversed(list(values.items())):  # each new one goes in above the last
        places = key_lines("\n".join(lines))
        written = f"{key} = {_number(value)}"
        *inner, name = key.split(".")
        table = (*base, *inner)
        at = places.get((*table, name))
        if at is not None or table in places:
            written = f"{name if at is None or not _DOTTED.match(lines[at - 1]) else key} = {_number(value)}"
        if at is not None:
            comment = _KEPT_COMMENT.search(lines[at - 1])
            lines[at - 1] = written + (comment[0] if comment else "")
        elif table in places:
            lines.insert(places[table], written)
        elif base in places:
            lines.insert(places[base], written)
        else:
            break
    edited = "\n".join(lines) + "\n"
    if not _is_the_same_but(text, edited, base, values):
        listed = ", ".join(f"{key} = {_number(value)}" for key, value in values.items())
        raise RigError("this rig file cannot be edited line by line", f"write into the {base[0]}: {listed}")
    return edited


def _is_the_same_but(text: str, edited: str, base: tuple[str, ...], values: Values) -> bool:
    try:
        before, after = tomllib.loads(text), tomllib.loads(edited)
        rig_from_mapping(after)
    except (tomllib.TOMLDecodeError, RigError):
        return False
    for key, value in values.items():
        wanted = [round(v, 6) for v in value] if isinstance(value, tuple) else round(value, 6)
        *tables, name = key.split(".")
        old, new = _inside(before, base), _inside(after, base)
        for table in tables:
            old, new = old.setdefault(table, {}), new.get(table, {})
        if new.pop(name, None) != wanted:
            return False
        old.pop(name, None)
    return bool(before == after)


def _inside(values: Any, base: tuple[str, ...]) -> Any:
    for name in base:
        values = values[int(name)] if isinstance(values, list) else values[name]
    return values


def _number(value: tuple[float, ...] | float) -> str:
    if isinstance(value, tuple):
        return "[" + ", ".join(_number(item) for item in value) + "]"
    return repr(round(float(value), 6))
