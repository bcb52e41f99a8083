"""A block may come down before where it left and wipe its way home, on the path just laid alone."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, Toolpath
from twinlapse.inject.proof.evidence import BlockMoves, Evidence

_NEAR_MM = 2e-3  # places are written to a thousandth


def wiping_moves(evidence: Evidence, moves: BlockMoves) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which moves are a permitted wipe, the way down to it included, and which lead above it.

    A way above the path just laid brings the head no nearer to anything than the original has been.
    """
    wipes, above = np.zeros(len(moves.row), bool), np.zeros(len(moves.row), bool)
    longest_mm = evidence.rig.printer.wipe_mm
    if longest_mm <= 0:
        return wipes, above
    low = np.abs(moves.end_mm[:, 2] - moves.home_mm[:, 2]) <= _NEAR_MM
    chain = low & (np.abs(moves.start_mm[:, 2] - moves.home_mm[:, 2]) <= _NEAR_MM) & moves.flat
    length = np.linalg.norm(moves.end_mm - moves.start_mm, axis=1)
    for block in np.unique(moves.block[chain]).tolist():
        mine = np.flatnonzero(chain & (moves.block == block))
        path = _path_before(evidence.original, int(evidence.block_rows.at[block]), longest_mm)
        on_path = all(_distance(path, place[:2]) <= _NEAR_MM for place in moves.start_mm[mine])
        ends_home = np.abs(moves.end_mm[mine[-1]] - moves.home_mm[mine[-1]]).max() <= _NEAR_MM
        if on_path and ends_home and length[mine].sum() <= longest_mm + _NEAR_MM:
            wipes[mine] = True
            wipes[mine[0] - 1] |= bool(moves.upright[mine[0] - 1])
            before = mine[0] - 2
            ends = (moves.start_mm[before, :2], moves.end_mm[before, :2])
            above[before] = all(_distance(path, end) <= _NEAR_MM for end in ends)
    return wipes, above


def _path_before(path: Toolpath, row: int, length_mm: float) -> NDArray[np.float64]:
    """Return the places of the path that ends before a row, from its end backward."""
    places: list[tuple[float, float]] = []
    left = length_mm + _NEAR_MM
    row -= 1
    while row > 0 and left > 0 and path.kind[row] in (Kind.EXTRUDE, Kind.MODE):
        if not places:
            places.append((float(path.x_mm[row]), float(path.y_mm[row])))
        places.append((float(path.x_mm[row - 1]), float(path.y_mm[row - 1])))
        left -= float(path.length_mm[row])
        row -= 1
    return np.array(places).reshape(-1, 2)


def _distance(path: NDArray[np.float64], place: NDArray[np.float64]) -> float:
    """Return how far a place is from a line of straight pieces."""
    if len(path) < 2:
        return float("inf")
    start, way = path[:-1], np.diff(path, axis=0)
    square = np.maximum((way**2).sum(axis=1), 1e-18)
    share = np.clip(((place - start) * way).sum(axis=1) / square, 0.0, 1.0)
    return float(np.linalg.norm(start + share[:, None] * way - place, axis=1).min())
