"""The printer and its cameras: what they are, how they are written down, where they look."""

from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.model import (
    Camera,
    Cornering,
    CueSettings,
    KeepOut,
    Lens,
    PlanSettings,
    Printer,
    Rig,
    Toolhead,
)
from twinlapse.rig.reader import read_rig, rig_from_mapping

__all__ = [
    "Camera",
    "Cornering",
    "CueSettings",
    "KeepOut",
    "Lens",
    "PlanSettings",
    "Printer",
    "Rig",
    "Toolhead",
    "read_rig",
    "rig_from_mapping",
    "shift_axes",
]
