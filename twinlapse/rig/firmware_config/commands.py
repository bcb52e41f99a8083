"""Settings that Marlin and RepRapFirmware write as commands."""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["ACCELERATIONS", "SPEEDS", "commands_of", "values_of"]

_COMMAND = re.compile(r"(?:echo:)?\s*(?:N\d+\s*)?(M\d+)\b\s*([^;]*)")
_WORD = re.compile(r"([A-Z])\s*(-?\d+(?:\.\d+)?)")
# command, letter -> key of the rig
ACCELERATIONS = {
    ("M201", "X"): "limits.x_mm_s2",
    ("M201", "Y"): "limits.y_mm_s2",
    ("M201", "Z"): "accel_z_mm_s2",
    ("M201", "E"): "limits.e_mm_s2",
    ("M204", "P"): "accel_mm_s2",
    ("M204", "T"): "limits.travel_mm_s2",
    ("M207", "S"): "retract_mm",
}
SPEEDS = {("M203", letter): f"limits.{letter.lower()}_mm_s" for letter in "XYZE"}


def commands_of(text: str) -> Iterator[tuple[str, dict[str, float]]]:
    """Yield the M commands of a text with their words, in order."""
    for line in text.splitlines():
        if found := _COMMAND.match(line):
            yield found[1], {letter: float(value) for letter, value in _WORD.findall(found[2])}


def values_of(text: str, keys: dict[tuple[str, str], str], factors: dict[str, float]) -> dict[str, float]:
    """Return the values under the rig's keys; ``factors`` is by command, 1 where it has none."""
    values = {}
    for command, words in commands_of(text):
        for letter, value in words.items():
            if key := keys.get((command, letter)):
                values[key] = round(value * factors.get(command, 1.0), 6)
    return values
