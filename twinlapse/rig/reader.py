"""``rig.toml`` to records; every fault is named with its key, its line and a hint."""

from __future__ import annotations

import re
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
from twinlapse.rig.printer import Pair
from twinlapse.rig.schema import read_record
from twinlapse.rig.standing_times import with_standing_times
from twinlapse.rig.toml_fields import Table

__all__ = ["looks_like_gcode", "read_rig", "rig_from_mapping", "without_secrets"]

_GCODE = re.compile(r"[GM]\d{1,3}(?: [A-Z]-?[\d.]+)*\s*(?:;.*)?$")


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
        what, hint, line = _toml_fault(str(error), text)
        raise RigError(what, hint, path=path, line=line) from None
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
        # folders are named after them: for Windows and macOS names that differ in case alone are one
        if any(camera.name.casefold() == other.name.casefold() for other in rig.cameras[:index]):
            table.fail(
                "name",
                f'"{camera.name}" is taken by another camera',
                "give each camera a name of its own, not only in capitals",
            )
        if SHIFT_AXES[camera.mount, rig.printer.kinematics] is None:
            table.fail(
                "mount", "a machine with a fixed bed has no X gantry", 'write "frame", "toolhead" or "bed"'
            )
        if camera.park_mm is not None:
            _check_park(camera.park_mm, rig, table)
    timed = with_standing_times(rig, list(values["camera"]))
    return replace(timed, raw=without_secrets(values))


def _check_park(place_mm: Pair, rig: Rig, table: Table) -> None:
    """Refuse a parking place that the nozzle must not go to; a print in its way is judged by the plan."""
    x, y = place_mm
    printer = rig.printer
    ranges = (printer.x_range_mm, printer.y_range_mm)
    if not all(low <= value <= high for value, (low, high) in zip(place_mm, ranges, strict=True)):
        table.fail("park_mm", f"[{x:g}, {y:g}] is outside the bed", "name a place on the bed")
    for box in printer.keep_out:
        if box.x_mm[0] <= x <= box.x_mm[1] and box.y_mm[0] <= y <= box.y_mm[1]:
            table.fail(
                "park_mm", f"[{x:g}, {y:g}] is in a keep-out", "name a place outside all keep_out boxes"
            )


def without_secrets(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return a rig document fit for a plan: addresses without logins and queries, no addresses of alarms.

    A plan is copied, sent and read by others; the rig's own file keeps what it holds.
    """
    made = dict(values)
    made["camera"] = [_public_camera(camera) for camera in values.get("camera", [])]
    capture = values.get("capture")
    if isinstance(capture, Mapping):
        made["capture"] = {key: value for key, value in capture.items() if key != "alarm"}
    return made


def _public_camera(camera: Any) -> Any:
    if not isinstance(camera, Mapping) or not isinstance(camera.get("source"), str):
        return camera
    return {**camera, "source": _public_address(camera["source"])}


def _public_address(source: str) -> str:
    kind, mark, rest = source.partition("://")
    if not mark:
        return source
    host, slash, path = rest.partition("/")
    return f"{kind}://{host.rpartition('@')[2]}{slash}{path.partition('?')[0]}"


# what tomllib says -> what is wrong, and what to do
_BACKSLASH = ("a backslash in quotes begins a special character", "write / in paths, or use 'single quotes'")
_TOML_FAULTS = {
    "Invalid hex value": _BACKSLASH,
    "Unescaped '\\'": _BACKSLASH,
    "Cannot overwrite a value": ("this key is written twice", "keep one of the two"),
    "Cannot declare": ("this section is written twice", "keep one; several cameras are [[camera]]"),
    "Expected newline or end of document": (
        "something follows the value",
        'quote text: "text"; numbers have no unit',
    ),
    "Invalid value": ("this is no TOML value", 'quote text: "text"; numbers have no unit'),
    "Expected '=' after a key": ("there is no = after the key", "write: key = value"),
    "Unterminated string": ("a quote is missing", 'write text between two quotes: "text"'),
    "Illegal character '\\n'": ("a quote is missing", 'write text between two quotes: "text"'),
    "Unclosed": ("a bracket is not closed", "close it with ] or }"),
}


def _toml_fault(message: str, text: str) -> tuple[str, str, int]:
    """Return what is wrong, what to do and the line, from tomllib's "what (at line n, column m)"."""
    said, _, place = message.partition(" (at ")
    digits = "".join(c if c.isdigit() else " " for c in place).split()
    line = int(digits[0]) if digits else max(1, len(text.splitlines()))
    if looks_like_gcode(text):
        return (
            "this is G-code, not a rig file",
            "name the sliced file first and the rig file with --rig",
            line,
        )
    for start, (what, hint) in _TOML_FAULTS.items():
        if said.startswith(start):
            return f"this is not TOML: {what}", hint, line
    return f"this is not TOML: {said}", "'twinlapse rig new' writes a file to start from", line


def looks_like_gcode(text: str) -> bool:
    """Return whether a text has the commands of a sliced file among its first lines."""
    return sum(bool(_GCODE.match(line)) for line in text.splitlines()[:50]) >= 2
