"""The height map of the print as it grows, with the head that has to pass over it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Toolpath
from twinlapse.gcode.segments import segment_chunks
from twinlapse.plan.clearance import height_map_kernels
from twinlapse.rig import KeepOut, Printer

__all__ = ["BORDER_MM", "MARGIN_MM", "BedPlace", "Ground", "crosses", "discs_of", "has_gantry", "inside_bed"]

MARGIN_MM = 0.5  # air around every part of the head; common practice, no source
BORDER_MM = 30.0  # printed beyond the bed's edge is still remembered: skirts, prime lines, a wrong bed size

BedPlace = tuple[float, float]


@dataclass(slots=True)
class Ground:
    """Heights of what is printed up to a row; it only grows."""

    toolpath: Toolpath
    printer: Printer
    top: NDArray[Any] = field(init=False)
    by_x: NDArray[Any] = field(init=False)  # greatest height of each column of `top`
    by_y: NDArray[Any] = field(init=False)  # and of each row
    highest_mm: float = field(init=False, default=0.0)
    row: int = field(init=False, default=0)  # the first row not in the map yet
    left_mm: float = field(init=False)
    front_mm: float = field(init=False)
    radius_mm: NDArray[np.float64] = field(init=False)
    drop_mm: NDArray[np.float64] = field(init=False)

    def __post_init__(self) -> None:
        (x0, x1), (y0, y1) = self.printer.x_range_mm, self.printer.y_range_mm
        self.left_mm, self.front_mm = x0 - BORDER_MM, y0 - BORDER_MM
        cells = [
            math.ceil((b - a + 2 * BORDER_MM) / height_map_kernels.CELL_MM) for a, b in ((x0, x1), (y0, y1))
        ]
        self.top = np.full(cells, height_map_kernels.EMPTY, np.float32)
        self.by_x, self.by_y = (np.full(count, height_map_kernels.EMPTY, np.float32) for count in cells)
        self.radius_mm, self.drop_mm = discs_of(self.printer)

    def advance(self, row: int) -> None:
        """Lay all rows up to and with `row`."""
        path = self.toolpath
        if row + 1 > self.row:
            for chunk in segment_chunks(path, self.row, row + 1):
                laid = height_map_kernels.lay_segments(
                    self.top, self.by_x, self.by_y, chunk.first_mm, chunk.last_mm, self.left_mm, self.front_mm
                )  # fmt: skip
                self.highest_mm = max(self.highest_mm, float(laid))
            self.row = row + 1

    def needed_z(self, start: BedPlace, end: BedPlace, enough_mm: float = -math.inf) -> float:
        """Return the least height of the nozzle for a straight path between two places.

        Where `enough_mm` is enough, the print is looked at no closer and some lower height is returned.
        Keep-outs count as printed boxes; one without a height cannot be passed at all.
        """
        return max(self.printed_z(start, end, enough_mm), self.kept_out_z(start, end))

    def printed_z(self, start: BedPlace, end: BedPlace, enough_mm: float = -math.inf) -> float:
        """Return what the print alone asks for."""
        if self.highest_mm <= 0 or self.highest_mm + MARGIN_MM <= enough_mm:
            return 0.0
        found = height_map_kernels.needed_height(
            self.top, self.by_x, self.by_y, *start, *end, self.radius_mm, self.drop_mm,
            has_gantry(self.printer), self.left_mm, self.front_mm, enough_mm - MARGIN_MM,
        )  # fmt: skip
        return max(float(found) + MARGIN_MM, 0.0) if found > enough_mm - MARGIN_MM else 0.0

    def kept_out_z(self, start: BedPlace, end: BedPlace) -> float:
        """Return what the keep-outs alone ask for."""
        through = [box.z_mm for box in self.printer.keep_out if crosses(box, start, end)]
        return max(through) + MARGIN_MM if through else 0.0


def discs_of(printer: Printer) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return radius and underside above the tip of nozzle, head and gantry, margins included."""
    head = printer.toolhead
    wider = MARGIN_MM + height_map_kernels.CELL_MM * math.sqrt(0.5)
    radius = [head.nozzle_radius_mm, head.radius_mm]
    drop = [0.0, head.nozzle_length_mm]
    if has_gantry(printer):
        radius.append(head.radius_mm)
        drop.append(head.gantry_mm)
    return np.array(radius) + wider, np.array(drop)


def has_gantry(printer: Printer) -> bool:
    """Return whether a beam along X carries the head."""
    return printer.kinematics != "bed-fixed" and printer.toolhead.gantry_mm > 0


def crosses(box: KeepOut, start: BedPlace, end: BedPlace, margin_mm: float = MARGIN_MM) -> bool:
    """Return whether a straight path comes nearer to a keep-out than the margin, seen from above."""
    enter, leave = 0.0, 1.0
    for k, (low, high) in enumerate((box.x_mm, box.y_mm)):
        low, high = low - margin_mm, high + margin_mm
        way = end[k] - start[k]
        if abs(way) < 1e-12:
            if not low <= start[k] <= high:
                return False
            continue
        a, b = (low - start[k]) / way, (high - start[k]) / way
        enter, leave = max(enter, min(a, b)), min(leave, max(a, b))
    return enter <= leave


def inside_bed(printer: Printer, place: BedPlace, margin_mm: float = 0.0) -> bool:
    """Return whether the nozzle can stand at a place."""
    (x0, x1), (y0, y1) = printer.x_range_mm, printer.y_range_mm
    if printer.bed_shape == "round":
        away = math.hypot(place[0] - (x0 + x1) / 2, place[1] - (y0 + y1) / 2)
        return away <= min(printer.bed_mm) / 2 - margin_mm + 1e-9
    return (
        x0 + margin_mm - 1e-9 <= place[0] <= x1 - margin_mm + 1e-9
        and y0 + margin_mm - 1e-9 <= place[1] <= y1 - margin_mm + 1e-9
    )
