"""Collect the rows of the blocks, each block after the row that precedes it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, Toolpath
from twinlapse.inject.proof.fences import Fenced

__all__ = ["ROW_COLUMNS", "BlockRowCollector", "BlockRows", "Rows", "resting"]

Rows = NDArray[np.int64]
ROW_COLUMNS = (
    "line", "byte", "kind", "mode", "tool", "x_mm", "y_mm", "z_mm", "e_mm", "e_word", "feed_mm_s",
    "length_mm", "retracted_mm", "dwell_s", "accel_mm_s2",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRows:
    """A small toolpath: for each block the row that precedes it, then the rows of the block."""

    path: Toolpath
    first: Rows  # (n,) of each block: its first row in `path`; the row before is what it was entered with
    stop: Rows  # (n,) and the row after its last
    at: Rows  # (n,) the row of the original before which it stands, as far as that has rows
    settings: NDArray[np.float64]  # (m, 4) all settings of the file: block or -1, kind, value, line
    moved_origins: tuple[int, ...]  # lines in blocks that shift an axis

    @property
    def rows(self) -> Rows:
        """Rows of `path` that are of blocks."""
        spans = [np.arange(a, b) for a, b in zip(self.first.tolist(), self.stop.tolist(), strict=True)]
        return np.concatenate(spans) if spans else np.empty(0, np.int64)

    @property
    def owner(self) -> Rows:
        """Index of the block of each of `rows`."""
        return np.repeat(np.arange(len(self.first)), self.stop - self.first)


class BlockRowCollector:
    """Gathers the rows of blocks while pieces of the written file pass by."""

    def __init__(self, blocks: list[Fenced]) -> None:
        self._start = np.array([block.start for block in blocks], np.int64)
        self._stop = np.array([block.stop for block in blocks], np.int64)
        self._first = np.zeros(len(blocks), np.int64)  # rows of the whole written file
        self._last = np.zeros(len(blocks), np.int64)
        self._seen = 0  # rows passed by
        self._byte = 0  # of the first row to come, at least
        self._done = 0  # blocks that begin in pieces passed by
        self._kept: dict[str, list[Any]] = {name: [] for name in ROW_COLUMNS}
        self._rows: list[Rows] = []
        self._before: dict[str, Any] | None = None
        self._settings: list[NDArray[np.float64]] = []
        self._origins: list[int] = []

    def piece(self, path: Toolpath) -> NDArray[np.bool_]:
        """Take the next rows of the written file; return which of them belong to blocks."""
        begin = np.searchsorted(path.byte, self._start, "left")
        end = np.searchsorted(path.byte, self._stop, "left")
        inside = np.zeros(len(path) + 1, np.int64)
        here = end > begin
        np.add.at(inside, begin[here], 1)
        np.add.at(inside, end[here], -1)
        mask = np.cumsum(inside[:-1]) > 0
        last_byte = int(path.byte[-1]) if len(path) else self._byte
        begun = (self._start > self._byte) | (self._seen == 0)
        fresh = begun & (self._start <= last_byte)
        self._first[fresh] = self._seen + begin[fresh]
        self._last[here] = self._seen + end[here]
        empty = fresh & ~here
        self._last[empty] = self._first[empty]
        self._keep(path, mask, begin[fresh] - 1)
        self._keep_tables(path, mask)
        if len(path):
            self._before = {name: getattr(path, name)[-1:].copy() for name in ROW_COLUMNS}
        self._seen += len(path)
        self._byte = last_byte
        return mask

    def _keep(self, path: Toolpath, mask: NDArray[np.bool_], before: Rows) -> None:
        chosen = np.union1d(np.flatnonzero(mask), before[before >= 0]).astype(np.int64)
        if (before < 0).any():
            for name, values in self._kept.items():
                values.append(self._before[name] if self._before else np.zeros(1, getattr(path, name).dtype))
            self._rows.append(np.array([self._seen - 1]))
        for name, values in self._kept.items():
            values.append(getattr(path, name)[chosen])
        self._rows.append(self._seen + chosen)

    def _keep_tables(self, path: Toolpath, mask: NDArray[np.bool_]) -> None:
        rows = np.minimum(path.setting_row, len(path) - 1)
        self._settings.append(
            np.column_stack(
                [self._seen + path.setting_row, path.setting_kind, path.setting_value, path.line[rows]]
            ).astype(float)
            if len(rows)
            else np.empty((0, 4))
        )
        moved = path.shift_row[path.shift_row < len(path)]
        self._origins.extend(path.line[moved[mask[moved]]].tolist())

    @property
    def is_empty(self) -> bool:
        """Whether no row at all has passed by."""
        return self._seen == 0

    def finish(self, like: Toolpath) -> BlockRows:
        """Return the blocks; `like` gives what is common to the file."""
        unbegun = self._start > self._byte
        self._first[unbegun] = self._last[unbegun] = self._seen
        rows = np.concatenate([*self._rows, np.empty(0, np.int64)]).astype(np.int64)
        rows, chosen = np.unique(rows, return_index=True)
        columns = {name: np.concatenate(values)[chosen] for name, values in self._kept.items()}
        table = np.concatenate([*self._settings, np.empty((0, 4))])
        first = np.searchsorted(rows, self._first)
        stop = np.searchsorted(rows, self._last)
        lengths = self._last - self._first
        path = _small(like, columns, np.searchsorted(rows, table[:, 0]), table)
        table[:, 0] = self._block_of(table[:, 0])
        return BlockRows(
            path=path,
            first=first.astype(np.int64),
            stop=stop.astype(np.int64),
            at=np.minimum(self._first - (np.cumsum(lengths) - lengths), len(like)),
            settings=table,
            moved_origins=tuple(self._origins),
        )

    def _block_of(self, rows: NDArray[np.float64]) -> NDArray[np.float64]:
        if not len(self._first):
            return np.full(len(rows), -1.0)
        block = np.searchsorted(self._first, rows, "right") - 1
        inside = (block >= 0) & (rows < self._last[np.maximum(block, 0)])
        return np.where(inside, block, -1).astype(float)


def _small(
    like: Toolpath, columns: dict[str, Any], setting_row: Rows, table: NDArray[np.float64]
) -> Toolpath:
    """Return a toolpath of the rows alone; the rows before blocks neither move nor feed."""
    standard = {
        field.name: field.default_factory()
        for field in fields(Toolpath)
        if field.init and callable(field.default_factory) and field.name not in columns
    }
    return replace(
        like,
        **columns,
        **{
            **standard,
            "shift_row": np.empty(0, np.int64),
            "shift_mm": np.empty((0, 3)),
            "setting_row": setting_row.astype(np.int64),
            "setting_kind": table[:, 1].astype(np.uint8),
            "setting_value": table[:, 2].copy(),
            "notes": (),
            "warnings": (),
        },
    ).read_only()


def resting(block_rows: BlockRows) -> Toolpath:
    """Return the rows with those before blocks turned into rest, for timing the blocks alone."""
    path = block_rows.path
    still = np.ones(len(path), bool)
    still[block_rows.rows] = False
    kind, length, fed, dwell = path.kind.copy(), path.length_mm.copy(), path.e_mm.copy(), path.dwell_s.copy()
    kind[still], length[still], fed[still], dwell[still] = Kind.MODE, 0.0, 0.0, 0.0
    return replace(path, kind=kind, length_mm=length, e_mm=fed, dwell_s=dwell).read_only()
