"""The lines by which a camera is aimed: edges of bed and build volume, a grid, the horizon."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from twinlapse.arrays import Float
from twinlapse.optics.lens import inside
from twinlapse.optics.pose import Place, Pose, see, volume_corners
from twinlapse.records import ArrayRecord
from twinlapse.rig.camera import Lens
from twinlapse.rig.printer import Printer

__all__ = ["AimLine", "LineKind", "aim_lines", "near_tip", "visible_runs"]

LineKind = Literal["volume", "grid", "outline", "horizon"]
_NEAR_MM = 150.0  # a camera this near to the tip gets a finer grid around it
_NEAR_STEP_MM, _FAR_STEP_MM = 10.0, 50.0
_AROUND_MM = 30.0  # that the fine grid reaches from the tip
_HORIZON_MM = 1e6  # from the camera: as good as endless
_POINTS = 60  # of a straight line: a wide lens bends it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class AimLine(ArrayRecord):
    """One line over a picture."""

    kind: LineKind
    pixels: Float  # (n, 2), NaN where the camera cannot see it


def near_tip(pose: Pose, nozzle_mm: Place) -> bool:
    """Return whether the bed's lines are drawn finely around the tip, else coarsely over the whole bed."""
    return float(np.linalg.norm(pose.place_mm - np.array(nozzle_mm))) < _NEAR_MM


def aim_lines(pose: Pose, lens: Lens, printer: Printer, nozzle_mm: Place) -> list[AimLine]:
    """Return the lines that a camera should see from a pose, in the order in which they are drawn.

    Parameters
    ----------
    pose : Pose
        In G-code coordinates.
    lens : Lens
        Of the upright picture.
    printer : Printer
    nozzle_mm : (x, y, z)
        Where the nozzle stands.
    """
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    step, z = _FAR_STEP_MM, 0.0
    volume: list[Float] = []
    if near_tip(pose, nozzle_mm):
        step, z = _NEAR_STEP_MM, nozzle_mm[2]
        x0, x1 = nozzle_mm[0] - _AROUND_MM, nozzle_mm[0] + _AROUND_MM
        y0, y1 = nozzle_mm[1] - _AROUND_MM, nozzle_mm[1] + _AROUND_MM
    elif printer.kinematics != "bed-moves-z":  # there the print sinks below the bed's place
        bed, top = np.split(volume_corners(printer), 2)
        volume = [
            _straight(*pair)
            for pair in (*zip(bed, top, strict=True), *zip(top, np.roll(top, -1, 0), strict=True))
        ]
    lines = [_straight((x, y0, z), (x, y1, z)) for x in np.arange(x0, x1 + 1e-6, step)]
    lines += [_straight((x0, y, z), (x1, y, z)) for y in np.arange(y0, y1 + 1e-6, step)]
    corners = [(x0, y0, z), (x1, y0, z), (x1, y1, z), (x0, y1, z), (x0, y0, z)]
    outline = [_straight(a, b) for a, b in pairwise(corners)]
    turn = np.linspace(0, 2 * np.pi, 721)
    far = pose.place_mm + _HORIZON_MM * np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    return [
        *(AimLine(kind="volume", pixels=see(line, pose, lens)) for line in volume),
        *(AimLine(kind="grid", pixels=see(line, pose, lens)) for line in lines),
        *(AimLine(kind="outline", pixels=see(line, pose, lens)) for line in outline),
        AimLine(kind="horizon", pixels=see(far, pose, lens)),
    ]


def visible_runs(pixels: Float, lens: Lens) -> Iterator[Float]:
    """Yield the pieces (n, 2) of a line that lie in the picture, each of two points or more."""
    shown = np.concatenate([[False], inside(pixels, lens), [False]])
    edges = np.flatnonzero(shown[1:] != shown[:-1])
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        if end - first > 1:
            yield pixels[first:end]


def _straight(a: Place | Float, b: Place | Float) -> Float:
    share = np.linspace(0, 1, _POINTS)[:, None]
    return np.asarray(np.array(a) + share * (np.array(b) - np.array(a)))
