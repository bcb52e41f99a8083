"""What the toolpath says should lie on the bed: the lines of a layer with their widths."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import FrameError
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import SHORTEST_MM, layer_segments, line_sizes
from twinlapse.rig import Printer

__all__ = ["FINE_BITS", "Lines", "drawn", "lines_of"]

FINE_BITS = 4  # cv2 draws to a sixteenth of a pixel


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

    def some(self, which: NDArray[np.bool_]) -> Lines:
        """Return some of the lines."""
        return Lines(
            first_mm=self.first_mm[which],
            last_mm=self.last_mm[which],
            width_mm=self.width_mm[which],
            file_line=self.file_line[which],
        )


def lines_of(toolpath: Toolpath, layers: Layers, layer: int, printer: Printer) -> Lines:
    """Return the lines of a layer.

    Widths are those of `twinlapse.gcode.segments.line_sizes`.

    Raises
    ------
    FrameError
        when the file has no such layer or it lays nothing.
    """
    if not 0 <= layer < len(layers):
        raise FrameError(f"there is no layer {layer + 1}", f"the file has {len(layers)} layers")
    segments = layer_segments(toolpath, layers, layer)
    long = segments.length_mm > SHORTEST_MM
    if not long.any():
        raise FrameError(f"layer {layer + 1} lays no material", "choose another layer")
    rows = segments.row[long]
    width, _ = line_sizes(
        toolpath, layers, rows, filament_mm=printer.filament_mm, nozzle_mm=printer.nozzle_mm
    )
    return Lines(
        first_mm=segments.first_mm[long, :2],
        last_mm=segments.last_mm[long, :2],
        width_mm=width,
        file_line=toolpath.line[rows].astype(np.int64),
    )


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
