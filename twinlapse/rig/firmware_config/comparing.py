"""A rig against the machine's own configuration."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from twinlapse.rig.editing import with_table_keys
from twinlapse.rig.firmware_config.reading import FirmwareConfig
from twinlapse.rig.limits import idle_timeout_s
from twinlapse.rig.model import Rig

__all__ = ["Difference", "differences", "idle_faults", "missing_sections", "with_limits"]

_SAME = 1e-4  # share: reports are rounded


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A key of the rig that the machine says otherwise."""

    key: str  # below [printer]
    rig: float | str | None  # None: the rig does not say
    machine: float | str

    @property
    def text(self) -> str:
        """One line for a person."""
        said = "is not set" if self.rig is None else f"is {_plain(self.rig)}"
        return f"printer.{self.key} {said}, the machine says {_plain(self.machine)}"


def differences(rig: Rig, config: FirmwareConfig) -> list[Difference]:
    """Return the keys whose values differ, the firmware first."""
    found = []
    if rig.printer.firmware != config.firmware:
        found.append(Difference(key="firmware", rig=rig.printer.firmware, machine=config.firmware))
    for key, value in sorted(config.values.items()):
        own = _value_at(rig.printer, key)
        if own is None or not math.isclose(own, value, rel_tol=_SAME):
            found.append(Difference(key=key, rig=own, machine=value))
    return found


def missing_sections(rig: Rig, config: FirmwareConfig, needed: Iterable[str] = ()) -> list[str]:
    """Return a sentence for each section that is not there and that the rig or a file needs.

    Parameters
    ----------
    rig : Rig
    config : FirmwareConfig
    needed : iterable of str
        What the lines of a file need, as `twinlapse.gcode.acceptance` names it.
    """
    if config.sections is None or config.firmware != "klipper":
        return []
    wanted = {
        "[respond]": "cues by M118" if rig.cue.kind == "host" else "",
        "[display_status]": "cues by M117" if rig.cue.kind == "display" else "",
        "[pause_resume]": "hold in [plan]" if rig.plan.hold else "",
    }
    for name in needed:
        if name.startswith("["):
            wanted[name] = wanted.get(name) or "lines of the file"
    return [
        f"{name} is not in the configuration, and {why} need it"
        for name, why in sorted(wanted.items())
        if why and name.strip("[]") not in config.sections
    ]


def idle_faults(rig: Rig, config: FirmwareConfig) -> list[str]:
    """Return a sentence for each wait of the rig that outlasts the machine's own limit of standing.

    Marlin releases its motors while a G4 runs for longer (MarlinCore.cpp, `manage_inactivity`); Klipper
    counts a G4 as motion, RepRapFirmware's motors keep their place.
    """
    if rig.printer.firmware != "marlin":
        return []
    least_s = config.values.get("limits.idle_timeout_s", idle_timeout_s(rig.printer.limits, "marlin"))
    return [
        f'camera "{camera.name}" waits {camera.settle_s + camera.dwell_s:g} s, and the motors are released '
        f"after {least_s:g} s"
        for camera in rig.cameras
        if max(camera.settle_s, camera.dwell_s) >= least_s
    ]


def with_limits(text: str, rig: Rig, found: Iterable[Difference]) -> tuple[str, list[Difference]]:
    """Return a rig file's text with the machine's values in it, and what has to be written by hand.

    Raises
    ------
    RigError
        when the file is written in a way that cannot be edited line by line.
    """
    ours: dict[str, float] = {}
    by_hand = []
    for difference in found:
        other_rule = difference.key.startswith("cornering.") and difference.rig is None
        if isinstance(difference.machine, str) or (other_rule and "cornering" in rig.raw.get("printer", {})):
            by_hand.append(difference)
        else:
            ours[difference.key] = difference.machine
    return (with_table_keys(text, ("printer",), ours) if ours else text), by_hand


def _value_at(printer: Any, key: str) -> float | None:
    value = printer
    for name in key.split("."):
        value = getattr(value, name)
    return None if value is None else float(value)


def _plain(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
