"""Pass the rows of a file by, piece by piece: for readers that need each row once and keep few of them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.arrays import Int
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.assumptions import Assumptions, first_assumptions, next_assumptions
from twinlapse.gcode.dialect import check_firmware
from twinlapse.gcode.reader import file_pieces, gathered
from twinlapse.gcode.row_buffer import RowBuffer
from twinlapse.gcode.settings import Settings, joined
from twinlapse.gcode.toolpath import Toolpath

__all__ = ["PiecesOfRows", "Take", "pass_toolpath"]

Take = Callable[[Toolpath], None]


def pass_toolpath(
    path: Path,
    begin: Callable[[], Take],
    *,
    firmware: str,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Read a file as `read_toolpath` does, and hand over its rows in pieces.

    Parameters
    ----------
    path : Path
    begin : callable
        Returns what takes the pieces, in the order of the file and in a thread of its own. It is called again
        when what the file leaves unsaid was assumed wrongly: the pieces then come anew from the first on.
    firmware : str
    progress : callable, optional
        Takes the share passed, 0 to 1.

    Notes
    -----
    A piece is taken while the next one is read, then its columns are overwritten: copy what is kept.
    ``sha256`` is empty.
    """
    assumed = first_assumptions(check_firmware(firmware))
    while True:
        n = _pass(path, firmware, assumed, begin(), progress)
        other = next_assumptions(assumed, n)
        if other is None:
            return
        assumed = other[0]


def _pass(
    path: Path, firmware: str, assumed: Assumptions, take: Take, progress: Callable[[float], None] | None
) -> Int:
    with ThreadPoolExecutor(1) as helper, ThreadPoolExecutor(1) as taker:
        recording = RowBuffer(assumed, max(path.stat().st_size, 1), helper)
        pieces = PiecesOfRows(path, firmware, recording, take, taker)
        for fresh, whole in file_pieces(path):
            recording.run(whole, len(fresh))
            if recording.n[machine.STATUS] != machine.OK:
                break
            pieces.hand_over()
            if progress is not None:
                progress(min(recording.size / recording.expected_size, 1.0))
        pieces.finish()
    return recording.n


class PiecesOfRows:
    """Hands over what has been recorded, piece by piece, while the next one is recorded."""

    def __init__(self, path: Path, firmware: str, recording: RowBuffer, take: Take, taker: Executor) -> None:
        self._path, self._firmware, self._recording = path, firmware, recording
        self._take, self._taker = take, taker
        self._taken: Future[None] = taker.submit(lambda: None)
        self._stay = 0  # rows of the recording that have been handed over
        self._carried: dict[int, float] = {}  # what the file has set before
        self._unread: list[Settings] = []

    def set_unread(self, settings: Settings) -> None:
        """Take what is set in lines that are not read, by the rows of the recording."""
        self._unread.append(settings)

    def hand_over(self) -> None:
        """Hand over the rows that were recorded since the last time."""
        piece = self._piece()
        self._taken.result()
        if len(piece):
            self._taken = self._taker.submit(self._take, piece)
        self._stay = self._recording.forget()
        self._unread.clear()

    def finish(self) -> None:
        """Wait until the last piece is taken."""
        self._taken.result()

    def _piece(self) -> Toolpath:
        whole = gathered(self._path, self._firmware, self._recording, [])
        own = Settings(row=whole.setting_row, kind=whole.setting_kind, value=whole.setting_value)
        said = joined([*self._unread, own])
        before = Settings(
            row=np.zeros(len(self._carried), np.int64),
            kind=np.array(list(self._carried), np.uint8),
            value=np.array(list(self._carried.values())),
        )
        self._carried.update(zip(said.kind.tolist(), said.value.tolist(), strict=True))
        changed: dict[str, Any] = {
            "setting_row": said.row - self._stay,
            "setting_kind": said.kind,
            "setting_value": said.value,
            "shift_row": whole.shift_row - self._stay,
            "arc_row": whole.arc_row - self._stay,
        }
        changed["accel_mm_s2"] = joined([before, said]).acceleration(whole.kind)
        for name in (*self._recording.columns(), "dwell_s", "accel_mm_s2"):
            changed[name] = changed.get(name, getattr(whole, name))[self._stay :]
        return replace(whole, **changed)
