"""The printer and its cameras: what they are, how they are written down, where they look."""

from twinlapse.rig.camera import Camera, Lens
from twinlapse.rig.kinematics import shift_axes
from twinlapse.rig.model import CueSettings, PlanSettings, Rig
from twinlapse.rig.printer import Cornering, KeepOut, Printer, Toolhead
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
