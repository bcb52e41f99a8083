"""What a shot costs: the seconds of the very moves that its block will make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import ModalState, Setting, Toolpath, state_after
from twinlapse.motion import filament_s, paths_s
from twinlapse.motion.stream import stop_cost_s
from twinlapse.motion.timing import limits_at
from twinlapse.rig import Rig
from twinlapse.shots import Shot, Stop

__all__ = [
    "Here",
    "Point",
    "block_s",
    "here_at",
    "legs_of",
    "retraction_s",
    "settle_s",
    "stop_s",
    "stops_s",
]

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Here:
    """The machine at the place of a shot: where it stands and how fast it may go."""

    state: ModalState
    limits: tuple[int, NDArray[np.float64]]

    @property
    def place_mm(self) -> Point:
        """Where the nozzle is."""
        return (self.state.x_mm, self.state.y_mm, self.state.z_mm)


def here_at(toolpath: Toolpath, rig: Rig, row: int) -> Here:
    """Return what holds after a row."""
    return Here(state=state_after(toolpath, row), limits=limits_at(toolpath, rig.printer, row))


def block_s(shot: Shot, here: Here, rig: Rig) -> float:
    """Return the seconds of a shot's block from rest to rest, waits included.

    The block: retract; up; for each stop the path to it, down or up to its height, wait, settle, cue, dwell,
    back to the height of travel; the return path; down; prime.
    """
    return stops_s(shot, here, rig) + 2 * retraction_s(shot, here, rig)


def stops_s(shot: Shot, here: Here, rig: Rig) -> float:
    """Return the seconds of a block without what it retracts and primes."""
    paths = legs_of(shot, here.place_mm)
    speeds = [_speeds(leg, here, rig) for leg in paths]
    accel_mm_s2 = here.state.travel_accel_mm_s2
    moving_s = paths_s(paths, speeds, rig.printer, accel_mm_s2=accel_mm_s2, limits=here.limits)
    return moving_s + sum(stop_s(stop, rig) for stop in shot.stops)


def legs_of(shot: Shot, home: Point) -> list[list[Point]]:
    """Return the paths between the stops of a shot, each from rest to rest, through all its points."""
    travel = home[2] + shot.lift_mm
    at: Point = home
    legs: list[list[Point]] = []
    for stop in shot.stops:
        leg = [at, (at[0], at[1], travel)]
        leg += [(x, y, travel) for x, y in stop.via_mm]
        at = (stop.x_mm, stop.y_mm, stop.z_mm)
        legs.append([*leg, (at[0], at[1], travel), at])
    if shot.hold_mm is not None:
        x, y = shot.hold_mm
        legs.append([at, (at[0], at[1], travel), (x, y, travel)])
        at = (x, y, travel)
    back = [at, (at[0], at[1], travel), *((x, y, travel) for x, y in shot.back_mm)]
    return [*legs, [*back, (home[0], home[1], travel), home]]


def _speeds(leg: Sequence[Point], here: Here, rig: Rig) -> list[float]:
    """Return the speeds of a path: along Z that of Z, else that of travel."""
    flat, upright = rig.printer.travel_mm_s, rig.printer.travel_z_mm_s
    return [here.state.speed_factor * (upright if a[:2] == b[:2] else flat) for a, b in pairwise(leg)]


def stop_s(stop: Stop, rig: Rig) -> float:
    """Return how long a stop holds the machine: settling, dwell, and what its firmware needs to go on."""
    return settle_s(stop, rig) + stop.dwell_s + stop_cost_s(rig.printer)


def settle_s(stop: Stop, rig: Rig) -> float:
    """Return how long the machine stands before the cue."""
    return max((camera.settle_s for camera in rig.cameras if camera.name in stop.cameras), default=0.0)


def retraction_s(shot: Shot, here: Here, rig: Rig) -> float:
    """Return the seconds of retracting the filament, or of priming it again."""
    if shot.retract not in ("firmware", "own"):
        return 0.0
    limit = here.limits[1]
    if shot.retract == "firmware":
        length, speed = float(limit[Setting.RETRACT_LENGTH]), float(limit[Setting.RETRACT_SPEED])
    else:
        length, speed = shot.retract_mm, shot.retract_mm_s * here.state.speed_factor
    accel = float(limit[Setting.RETRACT_ACCEL])
    accel = accel if np.isfinite(accel) else here.state.travel_accel_mm_s2
    return filament_s(length, speed, rig.printer, accel_mm_s2=accel, limits=here.limits)
