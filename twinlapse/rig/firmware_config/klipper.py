"""Klipper's configuration file (docs/Config_Reference.md)."""

from __future__ import annotations

import re
from pathlib import Path

from twinlapse.files import read_text
from twinlapse.rig.firmware_config.reading import FirmwareConfig, included
from twinlapse.rig.limits import Limits, idle_timeout_s
from twinlapse.rig.printer import SQUARE_CORNER_MM_S

__all__ = ["Sections", "read"]

Sections = dict[str, dict[str, str]]
_HEADER = re.compile(r"\[([^\]]+)\]")
_OPTION = re.compile(r"([A-Za-z0-9_]+)\s*[:=]\s*(.*)")
_COMMENT = re.compile(r"(?:^|\s)[#;].*$")
_SAVED = "#*#"  # lines that the firmware itself has written at the end (SAVE_CONFIG)
_MOST_FILES = 100  # includes of includes; common practice, no source
# section, option -> key of the rig
_KEYS = {
    ("printer", "max_velocity"): "limits.speed_mm_s",
    ("printer", "max_accel"): "accel_mm_s2",
    ("printer", "max_z_velocity"): "limits.z_mm_s",
    ("printer", "max_z_accel"): "accel_z_mm_s2",
    ("printer", "square_corner_velocity"): "cornering.square_corner_mm_s",
    ("printer", "minimum_cruise_ratio"): "limits.min_cruise_ratio",
    ("extruder", "max_extrude_only_velocity"): "limits.e_mm_s",
    ("extruder", "max_extrude_only_accel"): "limits.e_mm_s2",
    ("extruder", "instantaneous_corner_velocity"): "limits.e_corner_mm_s",
    ("extruder", "nozzle_diameter"): "nozzle_mm",
    ("extruder", "filament_diameter"): "filament_mm",
    ("firmware_retraction", "retract_length"): "retract_mm",
    ("firmware_retraction", "retract_speed"): "retract_mm_s",
    ("idle_timeout", "timeout"): "limits.idle_timeout_s",
}


def read(path: Path, text: str) -> FirmwareConfig:
    """Return what a configuration says, its includes and what SAVE_CONFIG wrote counted in."""
    sections: Sections = {}
    notes: list[str] = []
    _parse(text, path, path.parent, sections, notes, [path.resolve()])
    values = {}
    for (section, option), key in _KEYS.items():
        said = sections.get(section, {}).get(option)
        if said is None:
            continue
        try:
            values[key] = float(said)
        except ValueError:
            notes.append(f"[{section}] {option} = {said!r} is no number")
    accel = values.get("accel_mm_s2")
    if accel is not None:
        values.setdefault("accel_z_mm_s2", accel)  # Config_Reference.md: the default is max_accel
        old = sections.get("printer", {}).get("max_accel_to_decel")  # until 20240313, Config_Changes.md
        if old is not None and "limits.min_cruise_ratio" not in values:
            values["limits.min_cruise_ratio"] = max(0.0, 1.0 - float(old) / accel)
    values.setdefault("cornering.square_corner_mm_s", SQUARE_CORNER_MM_S)
    values.setdefault("limits.idle_timeout_s", idle_timeout_s(Limits(), "klipper"))
    if "limits.speed_mm_s" in values:
        values.setdefault("limits.z_mm_s", values["limits.speed_mm_s"])
    return FirmwareConfig(firmware="klipper", values=values, sections=frozenset(sections), notes=tuple(notes))


def _parse(
    text: str, path: Path, folder: Path, sections: Sections, notes: list[str], read_files: list[Path]
) -> None:
    section = ""
    for raw in text.splitlines():
        line = raw[len(_SAVED) :].strip() if raw.startswith(_SAVED) else raw
        if raw[:1].isspace() and not raw.startswith(_SAVED):
            continue  # a value that goes on: G-code of a macro, lists
        line = _COMMENT.sub("", line).strip()
        if header := _HEADER.match(line):
            section = header[1].strip()
            if section.startswith("include "):
                _include(path.parent, section[8:].strip(), folder, sections, notes, read_files)
            else:
                sections.setdefault(section, {})
        elif section and (option := _OPTION.match(line)):
            sections.setdefault(section, {})[option[1].lower()] = option[2].strip()


def _include(
    here: Path, pattern: str, folder: Path, sections: Sections, notes: list[str], read_files: list[Path]
) -> None:
    if Path(pattern).is_absolute():
        notes.append(f"[include {pattern}] is outside the configuration's folder and was not read")
        return
    for found in sorted(here.glob(pattern)) or [here / pattern]:
        inner = included(found, folder)
        if inner is None:
            notes.append(f"[include {pattern}] is outside the configuration's folder, or not there: not read")
        elif inner not in read_files and len(read_files) < _MOST_FILES:
            read_files.append(inner)
            _parse(read_text(inner, "included file"), inner, folder, sections, notes, read_files)
