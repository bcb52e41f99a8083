"""Read a sliced file, piece by piece, into a toolpath."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int, Progress
from twinlapse.errors import FileProblemError
from twinlapse.files import require_file
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode import tokenizer
from twinlapse.gcode.arcs import Arcs, arcs_of
from twinlapse.gcode.assumptions import (
    E_LETTERS,
    Assumptions,
    first_assumptions,
    next_assumptions,
    undeclared,
)
from twinlapse.gcode.diagnostics import oddity_notices
from twinlapse.gcode.dialect import (
    HEAD_BYTES,
    TAIL_BYTES,
    check_firmware,
    guess_firmware,
    refuse_binary,
    refuse_no_print,
)
from twinlapse.gcode.line_features import FeatureScan
from twinlapse.gcode.reading_states import ReadingStates, StateRecorder
from twinlapse.gcode.row_buffer import RowBuffer
from twinlapse.gcode.settings import settings_of
from twinlapse.gcode.toolpath import Kind, Mode, Notice, Toolpath
from twinlapse.memory import check_room

__all__ = ["PIECE_BYTES", "Columns", "file_pieces", "gathered", "read_toolpath"]

PIECE_BYTES = 4_194_304
# what a command that reads a file holds at most, also where it plans, writes and proves (bench_reading)
_BASE_BYTES, _BYTES_A_BYTE = 100e6, 5
_MOSTLY = 0.7  # share of words; common practice, no source
Columns = dict[str, NDArray[Any]]


def read_toolpath(path: Path, *, firmware: str | None = None, progress: Progress | None = None) -> Toolpath:
    """Read a sliced file.

    Parameters
    ----------
    path : Path
        The file.
    firmware : str, optional
        ``marlin``, ``klipper`` or ``reprapfirmware``: whose rules say what the lines mean. When it is left
        out, the file's own words decide, and a notice says so.
    progress : callable, optional
        Takes the share read, 0 to 1.

    Returns
    -------
    Toolpath

    Raises
    ------
    FileProblemError
        The file cannot be read.
    NotAPrintError
        It is no filament print; the text says what it looks like.
    NoRoomError
        It is too large for the memory that is free.
    """
    path = Path(path)
    head, tail = _read_ends(path)
    needed = _BASE_BYTES + _BYTES_A_BYTE * path.stat().st_size
    check_room(needed, f"reading {path.name}", "close other programs, or use another machine")
    refuse_binary(path, head)
    guessed = guess_firmware(head) or guess_firmware(tail)
    used = check_firmware(firmware) if firmware else guessed or "marlin"
    notices = [] if firmware else [Notice(line=1, code="firmware-guessed", text=_guess_text(guessed))]
    recording, said = _until_plausible(path, first_assumptions(used), progress)
    toolpath = gathered(path, used, recording, [*notices, *said])
    _refuse_without_material(toolpath, head, recording)
    return toolpath


def _guess_text(guessed: str | None) -> str:
    if guessed is None:
        return "the file names no firmware; read by Marlin's rules"
    return f"read by the rules of {guessed}, which the file's own words speak of"


def _read_ends(path: Path) -> tuple[bytes, bytes]:
    """Return the beginning and the end of a file: slicers list their settings in one or the other."""
    require_file(path, "G-code file")
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
            file.seek(max(path.stat().st_size - TAIL_BYTES, len(head)))
            return head, file.read(TAIL_BYTES)
    except OSError as error:
        raise FileProblemError(f"cannot read it ({error.strerror})", path=path) from None


def _until_plausible(
    path: Path, assumed: Assumptions, progress: Progress | None
) -> tuple[RowBuffer, list[Notice]]:
    """Read the file under assumptions until it contradicts none; each is given up once at most."""
    said: list[Notice] = []
    while True:
        recording = _record(path, assumed, progress)
        other = next_assumptions(assumed, recording.n)
        if other is None:
            return recording, said + undeclared(assumed, recording.n)
        assumed, notice = other
        said.append(notice)


def _record(path: Path, assumed: Assumptions, progress: Progress | None) -> RowBuffer:
    """Run the interpreter over the whole file, or until it stops because an assumption is wrong."""
    digest, features = hashlib.sha256(), FeatureScan()
    with ThreadPoolExecutor(1) as copier, ThreadPoolExecutor(1) as looker:
        size = max(path.stat().st_size, 1)
        recording = RowBuffer(assumed, size, copier, StateRecorder(size))
        hashed, looked = copier.submit(digest.update, b""), looker.submit(features.take, b"")
        for fresh, whole in file_pieces(path):
            hashed.result()
            looked.result()
            hashed, looked = copier.submit(digest.update, fresh), looker.submit(features.take, whole)
            recording.run(whole, len(fresh))
            if recording.n[machine.STATUS] != machine.OK:
                break
            if progress is not None:
                progress(min(recording.size / recording.expected_size, 1.0))
        looked.result()
    recording.line_features = features.finish()
    recording.sha256 = digest.hexdigest()
    return recording


def file_pieces(path: Path, start: int = 0, stop: int | None = None) -> Iterator[tuple[bytes, bytes]]:
    """Yield what was read from the file, and the whole lines that are complete with it.

    `start` and `stop` are the first bytes of lines.
    """
    rest = b""
    try:
        with path.open("rb") as file:
            file.seek(start)
            left = sys.maxsize if stop is None else stop - start
            while fresh := file.read(min(PIECE_BYTES, left)):
                left -= len(fresh)
                cut = fresh.rfind(b"\n") + 1
                if cut:
                    yield fresh, b"".join((rest, memoryview(fresh)[:cut]))
                    rest = fresh[cut:]
                else:
                    rest += fresh
                    yield fresh, b""
    except OSError as error:
        raise FileProblemError(f"cannot read it ({error.strerror})", path=path) from None
    if rest:
        yield b"", rest


def _refuse_without_material(toolpath: Toolpath, head: bytes, recording: RowBuffer) -> None:
    guessed = toolpath.e_letters != "E" and not recording.n[machine.HEATED]
    if _lays_material(toolpath) and (not guessed or _feeds_as_filament(toolpath)):
        return
    refuse_no_print(
        toolpath.path,
        head,
        moves=int((toolpath.length_mm > 0).sum()),
        spindle=recording.odd(machine.SPINDLE),
        o_words=recording.odd(tokenizer.O_WORD),
        z_places=len(np.unique(toolpath.z_mm)),
    )


def _lays_material(toolpath: Toolpath) -> bool:
    """Tell whether a move across the bed feeds, looking at as few as need be."""
    rows = np.flatnonzero(toolpath.kind == Kind.EXTRUDE)
    for some in np.array_split(rows, max(len(rows) // 65_536, 1)):
        across = toolpath.mode[some] & Mode.ARC != 0
        for column in (toolpath.x_mm, toolpath.y_mm):
            across |= column[some] != np.where(some > 0, column[some - 1], 0.0)
        if across.any():
            return True
    return False


def _feeds_as_filament(toolpath: Toolpath) -> bool:
    """Tell whether most words of a guessed extruder feed forward, and no more than a nozzle can lay.

    A rotary axis has the same letters; it turns to and fro, and by degrees.
    """
    moving = (toolpath.e_mm != 0) & (toolpath.length_mm > 0)
    fed, length = toolpath.e_mm[moving], toolpath.length_mm[moving]
    plausible = (fed > 0) & (fed <= machine.MOST_FED * length)
    return bool(len(fed)) and float(plausible.mean()) > _MOSTLY


def gathered(path: Path, firmware: str, recording: RowBuffer, notices: list[Notice]) -> Toolpath:
    """Return what was recorded as a toolpath."""
    columns = recording.columns()
    notes = recording.notes()
    shift = recording.events(machine.EVENT_SHIFT)
    arcs = _with_arcs(columns, recording.events(machine.EVENT_ARC))
    settings = settings_of(recording.events(), notes, int(recording.n[machine.DIALECT]))
    said = [
        *notices,
        *oddity_notices(recording.n),
        *settings.pauses(columns["line"]),
        *arcs.notices(columns["line"]),
    ]
    return Toolpath(
        path=path,
        sha256=recording.sha256,
        size=recording.size,
        line_count=int(recording.n[tokenizer.LINE]),
        firmware=firmware,
        e_letters=E_LETTERS[int(recording.n[machine.E_BIT])],
        **columns,
        dwell_s=_dwells(recording.events(machine.EVENT_DWELL), len(columns["line"])),
        accel_mm_s2=settings.acceleration(columns["kind"]),
        shift_row=shift[:, 0].astype(np.int64),
        shift_mm=shift[:, 2:5].copy(),
        setting_row=settings.row,
        setting_kind=settings.kind,
        setting_value=settings.value,
        arc_row=arcs.row,
        arc=arcs.table,
        notes=notes,
        warnings=tuple(sorted(said, key=lambda notice: notice.line)),
        line_features=recording.line_features,
        states=_states(recording, firmware),
    ).read_only()


def _states(recording: RowBuffer, firmware: str) -> ReadingStates | None:
    """Return the states, but of a file that had to be read anew, or may have to be when it is changed."""
    plain = recording.assumed == first_assumptions(firmware) and recording.n[machine.N_E]
    return recording.states.finish() if recording.states is not None and plain else None


def _with_arcs(columns: Columns, events: Float) -> Arcs:
    """Work out the arcs and put their lengths and marks into the columns."""
    row = events[:, 0].astype(np.int64)
    place = np.empty((len(row), 2, 3))
    for k, name in enumerate(("x_mm", "y_mm", "z_mm")):
        place[:, 0, k] = np.where(row > 0, columns[name][row - 1], 0.0)
        place[:, 1, k] = columns[name][row]
    arcs = arcs_of(events, place)
    columns["length_mm"][arcs.row] = arcs.length_mm
    chord = np.linalg.norm(place[:, 1] - place[:, 0], axis=1)
    straight = np.isin(row, arcs.straight)
    columns["length_mm"][row[straight]] = chord[straight]
    columns["mode"][row[straight]] &= ~np.uint16(Mode.ARC)
    _stand_still(columns, row[straight & (chord == 0)])
    return arcs


def _stand_still(columns: Columns, rows: Int) -> None:
    """Take arcs that fit no circle and lead nowhere for what they feed."""
    kind = columns["kind"][rows]
    columns["kind"][rows] = np.select(
        [kind == Kind.EXTRUDE, kind == Kind.WIPE], [Kind.PRIME, Kind.RETRACT], kind
    )


def _dwells(events: Float, count: int) -> NDArray[np.float32]:
    seconds = np.zeros(count, np.float32)  # what is not written to costs no memory
    seconds[events[:, 0].astype(np.int64)] = np.minimum(events[:, 2], 1e9)
    return seconds
