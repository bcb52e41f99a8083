"""Read a firmware's configuration: Klipper's file, Marlin's report, RepRapFirmware's config.g."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from twinlapse.errors import RigError
from twinlapse.files import read_text
from twinlapse.rig.printer import Firmware

__all__ = ["FirmwareConfig", "included", "read_firmware_config"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirmwareConfig:
    """What a configuration says, under the rig's own keys and units."""

    firmware: Firmware
    values: dict[str, float]  # key below [printer], such as "limits.z_mm_s" -> value
    sections: frozenset[str] | None  # sections of the configuration; None where the firmware has none
    notes: tuple[str, ...] = ()  # what was passed over


def read_firmware_config(path: Path) -> FirmwareConfig:
    """Return what a configuration says.

    Parameters
    ----------
    path : Path
        Klipper's configuration file (docs/Config_Reference.md), the text that Marlin answers to M503 and
        M115, or RepRapFirmware's config.g. Files that it includes are read inside its own folder only.

    Raises
    ------
    FileProblemError
        The file cannot be read.
    RigError
        It is none of the three.
    """
    from twinlapse.rig.firmware_config import klipper, marlin, reprapfirmware

    text = read_text(path, "firmware configuration")
    if re.search(r"(?m)^\[printer\]", text) or re.search(r"(?m)^\[include .+\]", text):
        return klipper.read(path, text)
    if re.search(r"(?m)^(?:echo:|FIRMWARE_NAME:|Cap:|\s*;?\s*M503)", text) and "M203" in text:
        return marlin.read(text)
    if re.search(r"(?m)^\s*M(?:566|906|584|950|569)\b", text):
        return reprapfirmware.read(path, text)
    if re.search(r"(?m)^\s*M20[1345]\b", text):
        return marlin.read(text)
    raise RigError(
        "this is no configuration of Klipper, no report of Marlin (M503) and no config.g of RepRapFirmware",
        "name the configuration: printer.cfg, the answer to M503, or config.g",
        path=path,
    )


def included(path: Path, folder: Path) -> Path | None:
    """Return a file that a configuration includes, None when it is outside the configuration's folder."""
    real = path.resolve()
    return real if real.is_relative_to(folder.resolve()) and real.is_file() else None
