"""What one pass of the interpreter has written: growing columns, events and notes."""

from __future__ import annotations

import re
from concurrent.futures import Executor, Future
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode import tokenizer
from twinlapse.gcode.assumptions import Assumptions
from twinlapse.gcode.layer_comments import is_telling
from twinlapse.gcode.line_features import FeatureCounts
from twinlapse.gcode.reading_states import ReadingStates, StateRecorder
from twinlapse.gcode.toolpath import Note

__all__ = ["RowBuffer"]

_ROOM = 12_000  # rows of the tables that the interpreter fills: they stay in the cache; no power of two
# the columns of a toolpath, in the order in which the interpreter writes them
_COLUMNS: dict[str, Any] = {
    "line": np.int32,
    "byte": np.int64,
    "kind": np.uint8,
    "mode": np.uint16,
    "tool": np.uint8,
    "x_mm": np.float64,
    "y_mm": np.float64,
    "z_mm": np.float64,
    "e_mm": np.float64,
    "e_word": np.float64,
    "feed_mm_s": np.float32,
    "length_mm": np.float32,
    "retracted_mm": np.float32,
}

_BLANKS = re.compile(r"[ \t]{2,}")
_LONGEST = 300  # bytes of a comment that are kept


class RowBuffer:
    """The interpreter's state during a pass, and what it has written so far.

    `helper` copies rows beside the interpreter, `states` are taken on the way. Memory that a column has not
    been filled to is reserved and never touched, so it costs nothing.
    """

    def __init__(
        self, assumed: Assumptions, expected_size: int, helper: Executor, states: StateRecorder | None = None
    ) -> None:
        self.assumed = assumed
        self.states = states
        self.n = np.zeros(machine.N_INTEGERS, np.int64)
        self.f = np.zeros(machine.N_FLOATS)
        self.expected_size = expected_size
        self.size = 0
        self.sha256 = ""
        self.line_features: FeatureCounts | None = None
        self._notes: list[tuple[int, int, str, bool]] = []
        self._rows = 0
        self._base = 0
        self._columns: dict[str, NDArray[Any]] = {}
        self._spare: dict[str, NDArray[Any]] = {}  # what `forget` has put aside
        self._events: list[Float] = []
        self._out = np.zeros((machine.OUT_WIDTH, _ROOM))
        self._other = np.zeros((machine.OUT_WIDTH, _ROOM))
        self._helper = helper
        self._copied: Future[None] = helper.submit(lambda: None)
        self._happened = np.zeros((_ROOM, machine.EVENT_WIDTH))
        self._remarks = np.zeros((_ROOM, tokenizer.NOTE_WIDTH), np.int64)
        self._begin(assumed)

    def _begin(self, assumed: Assumptions) -> None:
        self.f[machine.UNIT] = 1.0
        self.f[machine.AREA] = 1.0
        self.n[machine.MOTION] = machine.LINEAR
        self.n[machine.RULE] = assumed.rule
        self.n[machine.DIALECT] = assumed.dialect
        self.n[machine.E_BIT] = assumed.letter
        self.n[machine.E_OWN] = assumed.own_e
        self.n[machine.E_DECLARED] = assumed.relative
        self.n[machine.MODE] = machine.M_REL_E if assumed.relative else 0
        self.n[machine.E_SOURCE] = machine.SOURCE_WORD if assumed.declared else machine.SOURCE_NONE

    def run(self, whole: bytes, read: int) -> None:
        """Carry out whole lines; `read` bytes of the file have been read for them."""
        self.size += read
        if not whole:
            return
        if not whole.endswith(b"\n"):
            whole += b"\n"
        data = tokenizer.as_bytes(whole)
        pos = 0
        while pos < len(whole):
            stop = len(whole) if self.states is None else min(self.states.due - self._base, len(whole))
            pos = machine.run_lines(
                data, pos, stop, self._base, self.n, self.f, self._out, self._happened, self._remarks
            )  # fmt: skip
            if self.n[machine.STATUS] == machine.OK and pos < len(whole):
                assert self.states is not None
                self.states.take(self._base + pos, self._rows + int(self.n[machine.ROWS]), self.n, self.f)
                continue
            self._take(whole)
            if self.n[machine.STATUS] == machine.FULL:
                self.n[machine.STATUS] = machine.OK
            elif self.n[machine.STATUS] != machine.OK:
                return
        self._base += len(whole)

    def go_on(self, states: ReadingStates, k: int, lines: int, byte: int, before: dict[str, Any]) -> None:
        """Go on in a state of another file, whose line stands `lines` further down here, at `byte`.

        ``before`` is the row before it, as it reads here.
        """
        self._copied.result()
        if not self._columns or self._rows + 1 > len(self._columns["line"]):
            self._make_room(self._rows + 1)
        for name, column in self._columns.items():
            column[self._rows] = before[name]
        self._rows += 1
        self.n[machine.ROWS_BEFORE] = self._rows
        states.put_back(k, self.n, self.f)
        self.n[tokenizer.LINE] = states.line[k] + lines
        self._base = byte

    def _take(self, whole: bytes) -> None:
        """Empty the tables that the interpreter has filled; rows are copied while it fills another one."""
        self._copied.result()
        begin, end = self._rows, self._rows + int(self.n[machine.ROWS])
        if not self._columns or end > len(self._columns["line"]):
            self._make_room(end)
        self._copied = self._helper.submit(self._copy, self._out, begin, end)
        self._out, self._other = self._other, self._out
        self._rows = self.n[machine.ROWS_BEFORE] = end
        self._events.append(self._happened[: self.n[machine.EVENTS]].copy())
        for start, stop, line, own, byte in self._remarks[: self.n[tokenizer.NOTES]].tolist():
            text = whole[start : min(stop, start + _LONGEST)].decode("utf-8", "replace").strip()
            text = _BLANKS.sub(" ", text)  # patterns would try every way to share out many blanks
            if is_telling(text):
                self._notes.append((line, byte, text, bool(own)))
        self.n[machine.ROWS] = self.n[machine.EVENTS] = self.n[tokenizer.NOTES] = 0

    def _copy(self, table: Float, begin: int, end: int) -> None:
        for k, column in enumerate(self._columns.values()):
            column[begin:end] = table[k, : end - begin]

    def _make_room(self, needed: int) -> None:
        """Reserve columns for as many rows as the part read so far lets expect."""
        share = max(self.size, 1) / self.expected_size
        room = int(needed * 1.25) if share > 0.5 else int(needed / min(share, 1.0) * 1.05)
        room = min(max(room, needed), needed + self.expected_size // 2) + _ROOM
        for name, kind in _COLUMNS.items():
            wider = np.empty(room, kind)
            if name in self._columns:
                wider[: self._rows] = self._columns[name][: self._rows]
            self._columns[name] = wider

    @property
    def rows(self) -> int:
        """How many rows the columns hold."""
        return self._rows

    def columns(self) -> dict[str, NDArray[Any]]:
        """Return the columns by name, as long as there are rows."""
        self._copied.result()
        if not self._columns:
            self._make_room(0)
        return {name: column[: self._rows] for name, column in self._columns.items()}

    def forget(self) -> int:
        """Forget what was recorded but for the last row, which becomes row 0; return how many rows stay.

        The columns stay as they are until the next time.
        """
        rows = self._rows
        stay = min(rows, 1)
        last = {name: column[rows - stay :] for name, column in self.columns().items()}
        spare = self._spare or {name: np.empty_like(column) for name, column in self._columns.items()}
        self._spare, self._columns = self._columns, spare
        for name, column in self._columns.items():
            column[:stay] = last[name]
        self._rows = self.n[machine.ROWS_BEFORE] = stay
        self._events.clear()
        self._notes.clear()
        return stay

    def notes(self) -> tuple[Note, ...]:
        """Return the comments that say something, each with the first row after it.

        A comment that shares its line with a command stands after that command.
        """
        lines = [line for line, _, _, _ in self._notes]
        rows = np.searchsorted(self.columns()["line"], lines, "right").tolist()
        return tuple(
            Note(line=line, byte=byte, row=row, text=text, own_line=own)
            for row, (line, byte, text, own) in zip(rows, self._notes, strict=True)
        )

    def events(self, *kinds: int) -> Float:
        """Return the events of some kinds; of all that are settings when none is named."""
        table = np.concatenate([np.empty((0, machine.EVENT_WIDTH)), *self._events])
        special = np.isin(table[:, 1], (machine.EVENT_SHIFT, machine.EVENT_ARC, machine.EVENT_DWELL))
        return table[np.isin(table[:, 1], kinds) if kinds else ~special]

    def odd(self, what: int) -> int:
        """Return how often an oddity was seen."""
        return int(self.n[tokenizer.ODD + 2 * what])
