"""RepRapFirmware's config.g (G-code dictionary: M201, M203, M204, M205, M207, M566, M84, M906, M98)."""

from __future__ import annotations

import re
from pathlib import Path

from twinlapse.files import read_text
from twinlapse.rig.firmware_config.commands import ACCELERATIONS, SPEEDS, commands_of, values_of
from twinlapse.rig.firmware_config.reading import FirmwareConfig, included

__all__ = ["read"]

_CALL = re.compile(r'(?mi)^[ \t]*M98[ \t]+P"([^"]+)"')
_KEYS = {
    **ACCELERATIONS,
    **SPEEDS,
    ("M205", "X"): "cornering.jerk_mm_s",
    ("M566", "X"): "cornering.jerk_mm_s",
    ("M566", "Z"): "limits.z_jerk_mm_s",
    ("M207", "F"): "retract_mm_s",
    ("M84", "S"): "limits.idle_timeout_s",
}
_PER_MINUTE = {"M203": 1 / 60, "M566": 1 / 60}
_MOST_FILES = 20  # macros that call macros; common practice, no source


def read(path: Path, text: str) -> FirmwareConfig:
    """Return what a config.g says, the macros that it runs from its own folder counted in."""
    notes: list[str] = []
    whole = _with_macros(path, text, notes)
    values = values_of(whole, _KEYS, _PER_MINUTE)
    if "retract_mm_s" in values:  # M207 F is per minute, S is a length
        values["retract_mm_s"] = round(values["retract_mm_s"] / 60, 6)
    for command, words in commands_of(whole):
        if command == "M906" and words.get("I") == 0:
            notes.append("M906 I0: motors that stand lose their place; hold in [plan] must not be used")
    return FirmwareConfig(firmware="reprapfirmware", values=values, sections=None, notes=tuple(notes))


def _with_macros(path: Path, text: str, notes: list[str]) -> str:
    whole, seen = [text], [path.resolve()]
    for part in whole:
        for name in _CALL.findall(part):
            found = included(path.parent / name.removeprefix("/sys/").lstrip("/"), path.parent)
            if found is None:
                notes.append(f'M98 P"{name}" is outside the configuration\'s folder, or not there: not read')
            elif found not in seen and len(seen) < _MOST_FILES:
                seen.append(found)
                whole.append(read_text(found, "macro"))
    return "\n".join(whole)
