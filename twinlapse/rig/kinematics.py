"""Which axes shift the print in a camera's picture: the property that decides where the machine must stand.

G-code moves the nozzle relative to the bed. The machine splits each axis between bed and head, and a camera
rides with the frame, the head, the X gantry or the bed. The print shifts in a picture along every axis that
moves the bed without the camera or the camera without the bed; those must stand at the same place at every
shot, the others are free.
"""

from __future__ import annotations

from twinlapse.rig.camera import Mount
from twinlapse.rig.printer import Kinematics

__all__ = ["SHIFT_AXES", "shift_axes"]

_NONE: frozenset[str] = frozenset()

# On a bed-moving Cartesian the X gantry climbs with Z while the bed slides along Y. On a machine with a
# sinking bed the gantry's rails stay at their height and only the bed's Z shifts the print. A delta has none.
SHIFT_AXES: dict[tuple[Mount, Kinematics], frozenset[str] | None] = {
    ("frame", "bed-moves-y"): frozenset("y"),
    ("frame", "bed-moves-z"): frozenset("z"),
    ("frame", "bed-fixed"): _NONE,
    ("toolhead", "bed-moves-y"): frozenset("xyz"),
    ("toolhead", "bed-moves-z"): frozenset("xyz"),
    ("toolhead", "bed-fixed"): frozenset("xyz"),
    ("gantry", "bed-moves-y"): frozenset("yz"),
    ("gantry", "bed-moves-z"): frozenset("z"),
    ("gantry", "bed-fixed"): None,
    ("bed", "bed-moves-y"): _NONE,
    ("bed", "bed-moves-z"): _NONE,
    ("bed", "bed-fixed"): _NONE,
}


def shift_axes(kinematics: Kinematics, mount: Mount) -> frozenset[str]:
    """Return the axes ("x", "y", "z") along which the print shifts in the picture of a camera on `mount`.

    Raises
    ------
    ValueError
        for a gantry camera on a machine with a fixed bed, which has no gantry.
    """
    axes = SHIFT_AXES[mount, kinematics]
    if axes is None:
        raise ValueError("a machine with a fixed bed has no X gantry to carry a camera")
    return axes
