"""What is printed: every extruding move as a bead with a width, a height and a place."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32, Int
from twinlapse.gcode import Toolpath, find_layers
from twinlapse.gcode.segments import SHORTEST_MM, line_sizes, segments_of

__all__ = ["LONGEST_MM", "PRESSED", "Beads", "beads_of", "with_strings"]

LONGEST_MM = 6.0  # longer beads are cut, so that a bent lens bends them too
_STRING_MM = (3.0, 60.0)  # shortest and longest travel move that leaves a thread
_STRING_PARTS, _STRING_UP_MM, _STRING_HALF_MM = 6, 0.25, 0.05
PRESSED = 1.10  # a pressed line is painted this much wider than its share, and its round ends as much longer


@dataclass(frozen=True, slots=True, kw_only=True)
class Beads:
    """Columns of n beads in the order of printing.

    ``first_mm`` and ``last_mm`` are the ends of a bead's middle line, in G-code coordinates.
    """

    first_mm: Float32  # (n, 3)
    last_mm: Float32  # (n, 3)
    half_width_mm: Float32  # (n,)
    half_height_mm: Float32  # (n,)
    row: NDArray[np.int64]  # (n,) of the toolpath, ascending

    def __len__(self) -> int:
        return len(self.row)


def beads_of(path: Toolpath, filament_mm: float, nozzle_mm: float) -> Beads:
    """Return the beads of a toolpath.

    Parameters
    ----------
    path : Toolpath
    filament_mm : float
        Diameter of the filament.
    nozzle_mm : float
        Diameter of the nozzle; `twinlapse.gcode.segments.line_sizes` says what follows from both.
    """
    layers = find_layers(path)
    segments = segments_of(path)
    long = segments.length_mm > SHORTEST_MM
    rows, first, last = segments.row[long], segments.first_mm[long], segments.last_mm[long]
    width, height = line_sizes(path, layers, rows, filament_mm=filament_mm, nozzle_mm=nozzle_mm)
    first, last, cut = _cut(first, last)
    middle = -0.5 * height[cut]
    first[:, 2] += middle
    last[:, 2] += middle
    return Beads(
        first_mm=first.astype(np.float32),
        last_mm=last.astype(np.float32),
        half_width_mm=(0.5 * width[cut]).astype(np.float32),
        half_height_mm=(0.5 * height[cut]).astype(np.float32),
        row=rows[cut],
    )


def with_strings(beads: Beads, share: float, dice: np.random.Generator) -> Beads:
    """Return the beads with threads along some of the travel moves between them.

    A thread hangs from the end of one line to the start of the next of the same layer, as oozing filament is
    drawn out; it is laid together with the line that follows.
    """
    way = beads.first_mm[1:] - beads.last_mm[:-1]
    far = np.hypot(way[:, 0], way[:, 1])
    travels = np.flatnonzero((far > _STRING_MM[0]) & (far < _STRING_MM[1]) & (np.abs(way[:, 2]) < 0.01))
    travels = travels[dice.random(len(travels)) < share]
    if not len(travels):
        return beads
    steps = np.linspace(0, 1, _STRING_PARTS + 1)
    sag = np.zeros((len(steps), 3))
    sag[:, 2] = _STRING_UP_MM * np.sin(math.pi * steps)  # it clings to the nozzle that goes on
    lines = beads.last_mm[travels, None] + steps[:, None] * way[travels, None] + sag
    first, last = lines[:, :-1].reshape(-1, 3), lines[:, 1:].reshape(-1, 3)
    count = len(first)
    row = np.repeat(beads.row[travels + 1], _STRING_PARTS)
    at = np.repeat(travels + 1, _STRING_PARTS)
    thin = np.full(count, _STRING_HALF_MM, np.float32)
    return Beads(
        first_mm=np.insert(beads.first_mm, at, first, axis=0).astype(np.float32),
        last_mm=np.insert(beads.last_mm, at, last, axis=0).astype(np.float32),
        half_width_mm=np.insert(beads.half_width_mm, at, thin).astype(np.float32),
        half_height_mm=np.insert(beads.half_height_mm, at, thin).astype(np.float32),
        row=np.insert(beads.row, at, row),
    )


def _cut(first: Float, last: Float) -> tuple[Float, Float, Int]:
    """Cut long beads into equal parts; also say which bead each part came from."""
    length = np.linalg.norm(last - first, axis=1)
    parts = np.maximum(1, np.ceil(length / LONGEST_MM)).astype(np.int64)
    cut = np.repeat(np.arange(len(parts)), parts)
    part = np.arange(len(cut)) - np.repeat(np.cumsum(parts) - parts, parts)
    step = (last - first)[cut] / parts[cut, None]
    begin = first[cut] + step * part[:, None]
    return begin, begin + step, cut
