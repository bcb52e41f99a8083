"""The printer and its cameras: what they are, how they are written down, where they look."""

from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.model import Camera, Corner, Cue, Head, KeepOut, Lens, PlanSettings, Printer, Rig
from twinlapse.rig.reader import read_rig, rig_from_mapping

__all__ = [
    "Camera",
    "Corner",
    "Cue",
    "Head",
    "KeepOut",
    "Lens",
    "PlanSettings",
    "Printer",
    "Rig",
    "read_rig",
    "rig_from_mapping",
    "shift_axes",
]
