"""How a file retracts around a shot, read off its own moves."""

from __future__ import annotations

import numpy as np

from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.inject.blocks import RetractionStyle
from twinlapse.inject.move_writer import INCH_MM

__all__ = ["MOST_BELOW_MM", "NEAR_ROWS", "style_at"]

NEAR_ROWS = 5000  # looked at around a shot for its longest feed; common practice, no source
MOST_BELOW_MM = 0.1  # a spiral rises by less than this over a wipe; common practice, no source


def style_at(toolpath: Toolpath, row: int, wipe_mm: float = 0.0) -> RetractionStyle:
    """Return how the file retracts around a row.

    Parameters
    ----------
    toolpath : Toolpath
    row : int
        The last before the shot.
    wipe_mm : float
        How far back along the path just printed a wipe begins; 0 for none.
    """
    return RetractionStyle(e_per_mm=_e_per_mm(toolpath, row), wipe_mm=_wipe_path(toolpath, row, wipe_mm))


def _e_per_mm(toolpath: Toolpath, row: int) -> float | None:
    """Return the E words for a millimetre of filament; of volumes it is read off the longest feed around."""
    if row < 1 or not toolpath.mode[row] & Mode.VOLUMETRIC:
        return 1 / INCH_MM if row >= 0 and toolpath.mode[row] & Mode.INCH else 1.0
    units = Mode.INCH | Mode.VOLUMETRIC
    first, stop = max(1, row - NEAR_ROWS), min(len(toolpath), row + NEAR_ROWS)
    here = slice(first, stop)
    same = (toolpath.mode[here] & units == toolpath.mode[row] & units) & (toolpath.kind[here] <= Kind.WIPE)
    fed = np.where(same, np.abs(toolpath.e_mm[here]), 0.0)
    best = int(np.argmax(fed))
    if fed[best] <= 0:
        return None
    step = toolpath.e_word[first + best] - toolpath.e_word[first + best - 1]
    return float(abs(step) / fed[best])


def _wipe_path(toolpath: Toolpath, row: int, wipe_mm: float) -> tuple[tuple[float, float], ...]:
    """Return the last `wipe_mm` of the path just printed, as points towards the shot."""
    places: list[tuple[float, float]] = []
    left = wipe_mm
    home_z = float(toolpath.z_mm[row])
    while left > 0 and row > 0 and toolpath.kind[row] in (Kind.EXTRUDE, Kind.MODE):
        length = float(toolpath.length_mm[row])
        if length > 0:
            below = home_z - float(toolpath.z_mm[row - 1])
            if toolpath.mode[row] & Mode.ARC or not -1e-6 <= below <= MOST_BELOW_MM:
                break
            share = min(left / length, 1.0)
            x, y = (
                float(column[row] + (column[row - 1] - column[row]) * share)
                for column in (toolpath.x_mm, toolpath.y_mm)
            )
            places.append((round(x, 3), round(y, 3)) if share < 1 else (x, y))
            left -= length
        row -= 1
    return tuple(reversed(places))
