"""Pass the rows of a file by, piece by piece: for readers that need each row once and keep few of them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
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
from twinlapse.gcode.settings import Settings
from twinlapse.gcode.toolpath import Toolpath

__all__ = ["Take", "pass_toolpath"]

Take = Callable[[Toolpath], None]
_ROWS = ("shift_row", "setting_row", "arc_row")


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
    carried: dict[int, float] = {}
    stay = 0
    with ThreadPoolExecutor(1) as helper, ThreadPoolExecutor(1) as taker:
        taken = taker.submit(lambda: None)
        recording = RowBuffer(assumed, max(path.stat().st_size, 1), helper)
        for fresh, whole in file_pieces(path):
            recording.run(whole, len(fresh))
            if recording.n[machine.STATUS] != machine.OK:
                break
            piece = _piece(path, firmware, recording, stay, carried)
            taken.result()
            if len(piece):
                taken = taker.submit(take, piece)
            stay = recording.forget()
            if progress is not None:
                progress(min(recording.size / recording.expected_size, 1.0))
        taken.result()
    return recording.n


def _piece(path: Path, firmware: str, recording: RowBuffer, stay: int, carried: dict[int, float]) -> Toolpath:
    """Return the rows recorded of late as a toolpath; `carried` is what the file has set before them."""
    whole = gathered(path, firmware, recording, [])
    settings = Settings(
        row=np.concatenate([np.zeros(len(carried), np.int64), whole.setting_row]),
        kind=np.concatenate([np.array(list(carried), np.uint8), whole.setting_kind]),
        value=np.concatenate([np.array(list(carried.values())), whole.setting_value]),
    )
    carried.update(zip(whole.setting_kind.tolist(), whole.setting_value.tolist(), strict=True))
    changed: dict[str, Any] = {name: getattr(whole, name) - stay for name in _ROWS}
    changed["accel_mm_s2"] = settings.acceleration(whole.kind)
    for name in (*recording.columns(), "dwell_s", "accel_mm_s2"):
        changed[name] = changed.get(name, getattr(whole, name))[stay:]
    return replace(whole, **changed)
