"""The machine's own configuration: what its firmware says of limits, time and sections, against the rig."""

from __future__ import annotations

from twinlapse.rig.firmware_config.comparing import (
    Difference,
    differences,
    idle_faults,
    missing_sections,
    with_limits,
)
from twinlapse.rig.firmware_config.reading import FirmwareConfig, read_firmware_config

__all__ = [
    "Difference",
    "FirmwareConfig",
    "differences",
    "idle_faults",
    "missing_sections",
    "read_firmware_config",
    "with_limits",
]
