"""Check wipes: a block may come down early and wipe back, but only along the path just extruded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Bool, Float, Int
from twinlapse.gcode import Kind, Mode, Toolpath
from twinlapse.inject.proof.evidence import BlockMoves, Evidence

__all__ = ["Trails", "trails_of", "wiping_moves"]

_NEAR_MM = 2e-3  # places are written to a thousandth
_RISE_MM = (
    0.1  # a spiral's path lies this far below its end at most, within a wipe; common practice, no source
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trails:
    """Where the original's nozzle was just before each block, at about the height where the block begins."""

    place_mm: Float  # (k, 2) from the block's own beginning backward, block by block
    first: Int  # (blocks + 1,) offsets into `place_mm`

    def of(self, block: int) -> Float:
        """Return the trail of one block."""
        return self.place_mm[self.first[block] : self.first[block + 1]]


def trails_of(evidence: Evidence) -> Trails:
    """Return the trails: as long as a wipe may be, a single place where the rig asks for none."""
    rows = evidence.block_rows
    homes = np.column_stack([rows.path.x_mm, rows.path.y_mm, rows.path.z_mm])[np.maximum(rows.first - 1, 0)]
    longest_mm = evidence.rig.printer.wipe_mm
    pieces = [
        _path_before(evidence.original, int(row), home, longest_mm)
        for row, home in zip(rows.at.tolist(), homes, strict=True)
    ]
    lengths = [len(piece) for piece in pieces]
    return Trails(
        place_mm=np.concatenate([*pieces, np.empty((0, 2))]),
        first=np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64),
    )


def wiping_moves(evidence: Evidence, moves: BlockMoves, trails: Trails) -> Bool:
    """Return which moves are a permitted wipe: at the height of the print, on its trail, ending at home."""
    wipes = np.zeros(len(moves.row), bool)
    longest_mm = evidence.rig.printer.wipe_mm
    if longest_mm <= 0:
        return wipes
    low = np.abs(moves.end_mm[:, 2] - moves.home_mm[:, 2]) <= _NEAR_MM
    chain = low & (np.abs(moves.start_mm[:, 2] - moves.home_mm[:, 2]) <= _NEAR_MM) & moves.flat
    length = np.linalg.norm(moves.end_mm - moves.start_mm, axis=1)
    for block in np.unique(moves.block[chain]).tolist():
        mine = np.flatnonzero(chain & (moves.block == block))
        places = np.vstack([moves.start_mm[mine, :2], moves.end_mm[mine, :2]])
        middles = (moves.start_mm[mine, :2] + moves.end_mm[mine, :2]) / 2
        trail = trails.of(block)
        on_trail = all(_distance(trail, place) <= _NEAR_MM for place in np.vstack([places, middles]))
        ends_home = np.abs(moves.end_mm[mine[-1]] - moves.home_mm[mine[-1]]).max() <= _NEAR_MM
        if on_trail and ends_home and length[mine].sum() <= longest_mm + _NEAR_MM:
            wipes[mine] = True
    return wipes


def _path_before(path: Toolpath, row: int, home: Float, length_mm: float) -> Float:
    """Return the places of the straight path that ends before a row, from its end backward."""
    places = [(float(home[0]), float(home[1]))]
    left = length_mm + _NEAR_MM if length_mm > 0 else 0.0
    row -= 1
    while row > 0 and left > 0 and path.kind[row] in (Kind.EXTRUDE, Kind.MODE):
        rise = float(home[2] - path.z_mm[row - 1])
        if path.mode[row] & Mode.ARC or not -_NEAR_MM <= rise <= _RISE_MM:
            break
        places.append((float(path.x_mm[row - 1]), float(path.y_mm[row - 1])))
        left -= float(path.length_mm[row])
        row -= 1
    return np.array(places)


def _distance(path: Float, place: Float) -> float:
    """Return how far a place is from a line of straight pieces."""
    if len(path) < 2:
        return float(np.linalg.norm(path[0] - place))
    start, way = path[:-1], np.diff(path, axis=0)
    square = np.maximum((way**2).sum(axis=1), 1e-18)
    share = np.clip(((place - start) * way).sum(axis=1) / square, 0.0, 1.0)
    return float(np.linalg.norm(start + share[:, None] * way - place, axis=1).min())
