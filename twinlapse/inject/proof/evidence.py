"""Everything the checks look at, gathered once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Toolpath
from twinlapse.inject.proof.cutting import Cutting
from twinlapse.inject.proof.outside import Outside
from twinlapse.inject.proof.report import Fault
from twinlapse.rig.model import Rig

Rows = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Both files as columns, the written one cut at its fences."""

    original: Toolpath
    written: Toolpath
    cutting: Cutting
    outside: Outside
    facts: Mapping[str, str]  # of the header
    rig: Rig
    first: Rows  # (n,) of each block: its first row in the written file
    stop: Rows  # (n,) and the row after its last
    at: Rows  # (n,) the row of the original before which it stands

    @property
    def rows(self) -> Rows:
        """Rows of the written file that stand in blocks."""
        spans = [np.arange(a, b) for a, b in zip(self.first.tolist(), self.stop.tolist(), strict=True)]
        return np.concatenate(spans) if spans else np.empty(0, np.int64)

    @property
    def owner(self) -> Rows:
        """Index of the block of each of `rows`."""
        return np.repeat(np.arange(len(self.first)), self.stop - self.first)

    def line(self, row: int) -> int:
        """Return the line of a row of the written file."""
        return int(self.written.line[min(row, len(self.written) - 1)])

    def name(self, block: int) -> str:
        """Return what a person calls a block."""
        return self.cutting.blocks[block].name


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMoves:
    """The rows of all blocks, each with where it starts."""

    row: Rows  # in the written file
    block: Rows
    kind: NDArray[np.uint8]
    start_mm: NDArray[np.float64]  # (n, 3)
    end_mm: NDArray[np.float64]  # (n, 3)
    home_mm: NDArray[np.float64]  # (n, 3) where its block was entered

    @property
    def flat(self) -> NDArray[np.bool_]:
        """Rows that move along X or Y."""
        return np.asarray(np.any(np.abs(self.end_mm[:, :2] - self.start_mm[:, :2]) > 1e-9, axis=1))

    @property
    def upright(self) -> NDArray[np.bool_]:
        """Rows that move along Z alone."""
        return ~self.flat & (np.abs(self.end_mm[:, 2] - self.start_mm[:, 2]) > 1e-9)


def block_rows(cutting: Cutting, written: Toolpath) -> tuple[Rows, Rows, Rows]:
    """Return first row, row after the last, and the original's row at every block."""
    blocks = cutting.blocks
    first = np.searchsorted(written.byte, [block.start for block in blocks], "left").astype(np.int64)
    stop = np.searchsorted(written.byte, [block.stop for block in blocks], "left").astype(np.int64)
    lengths = stop - first
    return first, stop, first - (np.cumsum(lengths) - lengths)


def moves_of(evidence: Evidence) -> BlockMoves:
    """Return the rows of all blocks with where each starts."""
    path, rows, owner = evidence.written, evidence.rows, evidence.owner
    return BlockMoves(
        row=rows,
        block=owner,
        kind=path.kind[rows],
        start_mm=_places(path, rows - 1),
        end_mm=_places(path, rows),
        home_mm=_places(path, evidence.first[owner] - 1),
    )


def _places(path: Toolpath, rows: Rows) -> NDArray[np.float64]:
    safe = np.maximum(rows, 0)
    places = np.column_stack([path.x_mm[safe], path.y_mm[safe], path.z_mm[safe]])
    places[rows < 0] = 0.0
    return places


def moves_fault(evidence: Evidence, moves: BlockMoves, k: int | np.intp, what: str) -> Fault:
    """Return the fault of a move of a block."""
    return Fault(evidence.line(int(moves.row[k])), f"{evidence.name(int(moves.block[k]))} {what}")
