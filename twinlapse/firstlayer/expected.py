"""What the toolpath says should lie on the bed: the lines of a layer with their widths."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import FrameError
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.gcode import Kind, Layers, Mode, Toolpath
from twinlapse.gcode.arcs import arc_points
from twinlapse.rig import Printer

FINE_BITS = 4  # cv2 draws to a sixteenth of a pixel
ARC_STEP_RAD = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """The extruded lines of a layer, n pieces in the order of printing."""

    first_mm: Float  # (n, 2)
    last_mm: Float  # (n, 2)
    width_mm: Float  # (n,)
    file_line: NDArray[np.int64]  # (n,) 1-based line of the sliced file

    def __len__(self) -> int:
        return len(self.width_mm)

    @property
    def length_mm(self) -> Float:
        """Length of each piece, (n,)."""
        return np.asarray(np.hypot(*(self.last_mm - self.first_mm).T))


def lines_of(toolpath: Toolpath, layers: Layers, layer: int, printer: Printer) -> Lines:
    """Return the lines of a layer.

    A line of height h and width w has the cross-section (w - h) h + pi h^2 / 4, a rectangle with round sides;
    the filament fed gives the area.

    Raises
    ------
    FrameError
        when the file has no such layer or it lays nothing.
    """
    if not 0 <= layer < len(layers):
        raise FrameError(f"there is no layer {layer + 1}", f"the file has {len(layers)} layers")
    rows = np.arange(int(layers.first_row[layer]), int(layers.first_row[layer + 1]))
    rows = rows[(toolpath.kind[rows] == Kind.EXTRUDE) & (toolpath.length_mm[rows] > 1e-3) & (rows > 0)]
    if not len(rows):
        raise FrameError(f"layer {layer + 1} lays no material", "choose another layer")
    height = max(float(layers.height_mm[layer]), 0.05)
    area = toolpath.e_mm[rows] * math.pi * printer.filament_mm**2 / 4 / toolpath.length_mm[rows]
    width = np.clip(
        area / height + height * (1 - math.pi / 4), 0.5 * printer.nozzle_mm, 3 * printer.nozzle_mm
    )
    place = np.column_stack([toolpath.x_mm, toolpath.y_mm, toolpath.z_mm])
    pieces = [(place[rows - 1, :2], place[rows, :2], width, toolpath.line[rows])]
    curved = (toolpath.mode[rows] & Mode.ARC) != 0
    if curved.any():
        pieces = [tuple(column[~curved] for column in pieces[0])]
        pieces += [_arc(toolpath, int(r), float(w)) for r, w in zip(rows[curved], width[curved], strict=True)]
    first, last, wide, line = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return Lines(first_mm=first, last_mm=last, width_mm=wide, file_line=line.astype(np.int64))


def _arc(toolpath: Toolpath, row: int, width: float) -> tuple[Float, Float, Float, NDArray[np.int32]]:
    arc = toolpath.arc[int(np.searchsorted(toolpath.arc_row, row))]
    start, end = (np.array([toolpath.x_mm[r], toolpath.y_mm[r], toolpath.z_mm[r]]) for r in (row - 1, row))
    count = max(1, math.ceil(abs(float(arc[2])) / ARC_STEP_RAD))
    points = np.vstack([start, arc_points(arc, start, end, count)])[:, :2]
    return points[:-1], points[1:], np.full(count, width), np.full(count, toolpath.line[row])


def drawn(lines: Lines, canvas: Canvas, grow_mm: float = 0.0) -> NDArray[np.bool_]:
    """Return where lines lie, (height, width); each line is widened by `grow_mm` in all."""
    ink = np.zeros(canvas.shape, np.uint8)
    a, b = canvas.to_px(lines.first_mm), canvas.to_px(lines.last_mm)
    # every pixel that the outline touches is filled: half a pixel more, which closes seams between neighbours
    half = np.maximum((lines.width_mm + grow_mm) / 2 / canvas.step_mm, 0.25)
    way = b - a
    unit = way / np.maximum(np.hypot(*way.T), 1e-9)[:, None]
    side = np.column_stack([-unit[:, 1], unit[:, 0]]) * half[:, None]
    scale = 1 << FINE_BITS
    boxes = np.stack([a + side, b + side, b - side, a - side], axis=1)
    for box, end, start, radius in zip(boxes, b, a, half, strict=True):
        cv2.fillConvexPoly(ink, np.round(box * scale).astype(np.int32), 1, cv2.LINE_8, FINE_BITS)
        for x, y in (start, end):
            at = (round(float(x) * scale), round(float(y) * scale))
            cv2.circle(ink, at, round(float(radius) * scale), 1, cv2.FILLED, cv2.LINE_8, FINE_BITS)
    return ink.astype(np.bool_)
