"""Everything the checks look at, gathered once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Toolpath
from twinlapse.inject.proof.arc_reading import OwnArcs
from twinlapse.inject.proof.block_rows import BlockRows, Rows
from twinlapse.inject.proof.fences import FencedFile
from twinlapse.inject.proof.outside_lines import ObjectsAround
from twinlapse.inject.proof.report import Fault
from twinlapse.rig.model import Rig

__all__ = ["BlockMoves", "Evidence", "moves_fault", "moves_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """The original as columns, the written file split at its marker comments, and the rows of its blocks."""

    original: Toolpath
    arcs: OwnArcs  # of the original
    block_rows: BlockRows
    fenced: FencedFile
    facts: Mapping[str, str]  # of the header
    rig: Rig
    tool_offset_mm: tuple[float, float]  # the greatest along X and Y that the file sets, 0 when it sets none
    objects: ObjectsAround  # that can be cancelled

    @property
    def holds(self) -> frozenset[str]:
        """Numbers of the shots that may wait for a person: the rig asks for it, and the header names them."""
        return frozenset(self.facts.get("hold", "").split()) if self.rig.plan.hold else frozenset()

    def asked_s(self, cameras: tuple[str, ...]) -> tuple[float, float]:
        """Return how long the rig asks the machine to settle before a cue of these cameras, and to stand."""
        asked = [camera for camera in self.rig.cameras if camera.name in cameras]
        settle_s = max((camera.settle_s for camera in asked), default=0.0)
        return settle_s, max((camera.dwell_s for camera in asked), default=0.0)

    def line(self, row: int) -> int:
        """Return the line, in the written file, of a row of the blocks."""
        return int(self.block_rows.path.line[row])

    def name(self, block: int) -> str:
        """Return what a person calls a block."""
        return self.fenced.blocks[block].name


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockMoves:
    """The rows of all blocks, each with where it starts."""

    row: Rows  # of the blocks' toolpath
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


def moves_of(block_rows: BlockRows) -> BlockMoves:
    """Return the rows of all blocks with where each starts."""
    rows, owner, path = block_rows.rows, block_rows.owner, block_rows.path
    places = np.column_stack([path.x_mm, path.y_mm, path.z_mm])
    return BlockMoves(
        row=rows,
        block=owner,
        kind=path.kind[rows],
        start_mm=places[rows - 1],
        end_mm=places[rows],
        home_mm=places[block_rows.first[owner] - 1],
    )


def moves_fault(evidence: Evidence, moves: BlockMoves, k: int | np.intp, what: str) -> Fault:
    """Return the fault of a move of a block."""
    return Fault(evidence.line(int(moves.row[k])), f"{evidence.name(int(moves.block[k]))} {what}")
