"""Runs: stretches of the toolpath that print at one height, or that keep rising. One compiled pass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode.segments import arc_extents
from twinlapse.gcode.toolpath import Kind, Toolpath
from twinlapse.jit import kernel

__all__ = [
    "FALLING",
    "FILAMENT",
    "LENGTH",
    "RISING",
    "ROWS",
    "SAME_Z_MM",
    "START",
    "STOP",
    "X_HIGH",
    "X_LOW",
    "Y_HIGH",
    "Y_LOW",
    "Z_FIRST",
    "Z_HIGH",
    "Z_LAST",
    "Z_LOW",
    "Runs",
    "join_runs",
    "runs_of",
]

SAME_Z_MM = 0.004  # slicers write three digits; a raft's step down is 0.05
_EXTRUDE = int(Kind.EXTRUDE)
# columns of the table of runs
(
    START, STOP, ROWS, Z_FIRST, Z_LAST, Z_LOW, Z_HIGH, FILAMENT, LENGTH, X_LOW, X_HIGH, Y_LOW, Y_HIGH, RISING,
    FALLING,
) = range(15)  # fmt: skip
_WIDTH = 15
_CLIMB_MM = 1e-6  # a printing row that changes Z by more is no flat one


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """Printing rows joined until the nozzle changes its height without printing.

    A flat run that begins to climb while it prints ends there, and a sloped run begins. Given rows cut runs
    as well.
    """

    start: Int  # (m,) first printing row
    stop: Int  # (m,) after the last printing row
    rows: Int  # (m,) printing rows
    z_first_mm: Float
    z_last_mm: Float
    z_low_mm: Float
    z_high_mm: Float
    filament_mm: Float  # new filament, retractions and primes apart
    length_mm: Float
    box_mm: Float  # (m, 4): x low, x high, y low, y high
    rising_mm: Float  # how much of the length goes up
    falling_mm: Float  # and down

    @property
    def sloped(self) -> NDArray[np.bool_]:
        """Runs that change their height while they print, beyond the noise of rounding."""
        return self.z_high_mm - self.z_low_mm > SAME_Z_MM

    def __len__(self) -> int:
        return len(self.start)


@kernel
def join_runs(
    kind: Any, x: Any, y: Any, z: Any, e: Any, retracted: Any, length: Any, cuts: Any, table: Any
) -> int:
    """Fill the table of runs and return how many there are, more than fit included."""
    count = 0
    x0 = y0 = z0 = r0 = level = 0.0
    sloped = False
    cut = 0
    for i in range(len(kind)):
        fresh = e[i] + np.float64(retracted[i]) - r0
        flat = x[i] != x0 or y[i] != y0 or length[i] > abs(z[i] - z0) * 1.0001
        if kind[i] == _EXTRUDE and flat and length[i] > 0:
            dz = z[i] - z0
            climbs = abs(dz) > _CLIMB_MM
            severed = cut < len(cuts) and cuts[cut] <= i
            while cut < len(cuts) and cuts[cut] <= i:
                cut += 1
            if count == 0 or severed or abs(z0 - level) > SAME_Z_MM or (climbs and not sloped):
                count += 1
                sloped = False
                if count <= len(table):
                    t = table[count - 1]
                    t[START], t[Z_FIRST] = i, z0
                    t[Z_LOW], t[X_LOW], t[Y_LOW] = np.inf, min(x[i], x0), min(y[i], y0)
                    t[Z_HIGH], t[X_HIGH], t[Y_HIGH] = -np.inf, max(x[i], x0), max(y[i], y0)
            level = z[i]
            sloped = sloped or climbs
            if count <= len(table):
                t = table[count - 1]
                t[STOP], t[Z_LAST] = i + 1, z[i]
                t[ROWS] += 1
                t[FILAMENT] += fresh
                t[LENGTH] += length[i]
                if climbs:
                    t[RISING if dz > 0 else FALLING] += length[i]
                t[Z_LOW], t[X_LOW], t[Y_LOW] = min(t[Z_LOW], z[i]), min(t[X_LOW], x[i]), min(t[Y_LOW], y[i])
                t[Z_HIGH], t[X_HIGH], t[Y_HIGH] = (
                    max(t[Z_HIGH], z[i]), max(t[X_HIGH], x[i]), max(t[Y_HIGH], y[i]),
                )  # fmt: skip
        x0, y0, z0 = x[i], y[i], z[i]
        r0 = np.float64(retracted[i])
    return count


def runs_of(path: Toolpath, cuts: Int | None = None) -> Runs:
    """Return the runs of a toolpath, cut at given rows as well."""
    edges = np.empty(0, np.int64) if cuts is None else np.sort(cuts)
    room = 4096
    while True:
        table = np.zeros((room, _WIDTH))
        count = join_runs(
            path.kind,
            path.x_mm,
            path.y_mm,
            path.z_mm,
            path.e_mm,
            path.retracted_mm,
            path.length_mm,
            edges,
            table,
        )
        if count <= room:
            return _named(_with_arcs(path, table[:count]))
        room = count


def _with_arcs(path: Toolpath, table: Float) -> Float:
    """Stretch boxes and heights of runs by what their arcs reach beyond their ends."""
    if not len(path.arc_row) or not len(table):
        return table
    rows, low, high = arc_extents(path)
    run = np.searchsorted(table[:, START], rows, "right") - 1
    inside = (run >= 0) & (rows < table[run, STOP])
    for axis, (lowest, highest) in enumerate(((X_LOW, X_HIGH), (Y_LOW, Y_HIGH), (Z_LOW, Z_HIGH))):
        np.minimum.at(table[:, lowest], run[inside], low[inside, axis])
        np.maximum.at(table[:, highest], run[inside], high[inside, axis])
    return table


def _named(table: Float) -> Runs:
    return Runs(
        start=table[:, START].astype(np.int64),
        stop=table[:, STOP].astype(np.int64),
        rows=table[:, ROWS].astype(np.int64),
        z_first_mm=table[:, Z_FIRST],
        z_last_mm=table[:, Z_LAST],
        z_low_mm=table[:, Z_LOW],
        z_high_mm=table[:, Z_HIGH],
        filament_mm=table[:, FILAMENT],
        length_mm=table[:, LENGTH],
        box_mm=table[:, X_LOW : Y_HIGH + 1],
        rising_mm=table[:, RISING],
        falling_mm=table[:, FALLING],
    )
