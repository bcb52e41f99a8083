"""Marlin's answers to M503 (settings) and M115 (what the build can do).

marlinfw.org/docs/gcode/M503.html, M115.html; units are mm and s.
"""

from __future__ import annotations

import re

from twinlapse.rig.firmware_config.commands import ACCELERATIONS, SPEEDS, values_of
from twinlapse.rig.firmware_config.reading import FirmwareConfig

__all__ = ["read"]

_CAPABILITY = re.compile(r"Cap:(\w+):([01])")
# capability (M115) -> the option that lines need (`twinlapse.gcode.acceptance`)
_OPTIONS = {"ARCS": "ARC_SUPPORT", "EMERGENCY_PARSER": "EMERGENCY_PARSER"}
_KEYS = {
    **ACCELERATIONS,
    **SPEEDS,
    ("M204", "R"): "limits.retract_mm_s2",
    ("M205", "J"): "cornering.junction_deviation_mm",
    ("M205", "X"): "cornering.jerk_mm_s",
    ("M205", "Z"): "limits.z_jerk_mm_s",
    ("M207", "F"): "retract_mm_s",
    ("M200", "D"): "filament_mm",
}


def read(text: str) -> FirmwareConfig:
    """Return what a report says."""
    values = values_of(text, _KEYS, {})
    if "retract_mm_s" in values:  # M207 F is per minute
        values["retract_mm_s"] = round(values["retract_mm_s"] / 60, 6)
    if "cornering.junction_deviation_mm" in values:  # X and Y jerk are not used then
        values.pop("cornering.jerk_mm_s", None)
        values.pop("limits.z_jerk_mm_s", None)
    if values.get("filament_mm") == 0:  # M200 D0: not volumetric, and no diameter
        del values["filament_mm"]
    found = _CAPABILITY.findall(text)
    able = frozenset(_OPTIONS.get(name, name) for name, on in found if on == "1")
    return FirmwareConfig(firmware="marlin", values=values, sections=able if found else None)
