"""``rig.toml`` to records; every fault is named with its key, its line and a hint."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from twinlapse.errors import RigError
from twinlapse.files import read_text
from twinlapse.rig.key_positions import key_lines
from twinlapse.rig.kinematics import SHIFT_AXES
from twinlapse.rig.model import Rig
from twinlapse.rig.schema import read_record
from twinlapse.rig.toml_fields import Table


def read_rig(path: Path) -> Rig:
    """Read a rig file.

    Raises
    ------
    RigError
        with file, line, key and hint.
    """
    text = read_text(path, "rig file")
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, line = _toml_fault(str(error), text)
        raise RigError(f"this is not TOML: {what}", "see docs/rig.md", path=path, line=line) from None
    return rig_from_mapping(values, path=path, text=text)


def rig_from_mapping(values: Mapping[str, Any], *, path: Path | None = None, text: str = "") -> Rig:
    """Return the rig that a TOML document, or the ``rig`` field of a plan, describes."""
    if "printer" not in values:
        raise RigError(
            "there is no [printer] section", "add one with at least bed_mm and height_mm", path=path
        )
    lines = key_lines(text)
    rig = cast(Rig, read_record(Rig, Table({**values, "camera": values.get("camera", [])}, (), path, lines)))
    if not rig.cameras:
        raise RigError("there is no camera", "add a [[camera]] section with name and mount", path=path)
    for index, camera in enumerate(rig.cameras):
        table = Table({}, ("camera", str(index)), path, lines)
        if any(camera.name == other.name for other in rig.cameras[:index]):
            table.fail(
                "name", f'"{camera.name}" is taken by another camera', "give each camera a name of its own"
            )
        if SHIFT_AXES[camera.mount, rig.printer.kinematics] is None:
            table.fail(
                "mount", "a machine with a fixed bed has no X gantry", 'write "frame", "toolhead" or "bed"'
            )
    return replace(rig, raw=values)


def _toml_fault(message: str, text: str) -> tuple[str, int]:
    """Split tomllib's "what (at line n, column m)"."""
    what, _, place = message.partition(" (at ")
    digits = "".join(c if c.isdigit() else " " for c in place).split()
    return what, int(digits[0]) if digits else max(1, len(text.splitlines()))
