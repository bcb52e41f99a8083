"""Read a sliced file, piece by piece, into a toolpath."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from twinlapse.errors import FileProblemError
from twinlapse.files import require_file
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.dialect import (
    HEAD_BYTES,
    check_firmware,
    guess_firmware,
    refuse_binary,
    refuse_no_print,
)
from twinlapse.gcode.oddities import oddity_notices
from twinlapse.gcode.settings import Settings, settings_of
from twinlapse.gcode.toolpath import Kind, Note, Notice, Toolpath
from twinlapse.gcode.words import as_bytes

PIECE_BYTES = 4_194_304
_SPARSE_ROOM = 16_384
_TYPES = (
    np.int32, np.int64, np.uint8, np.uint16, np.uint8, np.float64, np.float64, np.float64, np.float64, np.float64,
    np.float32, np.float32, np.float32, np.float32,
)  # fmt: skip
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumptions:
    """How the file is taken where it does not say; a pass that speaks against one is made again."""

    rule: int  # what G90 and G91 do to E
    seconds: int  # 0 Marlin, 1 RepRapFirmware, 2 Klipper: units of M203 and G4
    start_relative: bool = False  # E words are distances from the first line on
    start_declared: bool = False  # and nobody shall doubt it
    own_e: bool = False  # every tool has an E position of its own
    letter: int = 4  # the extruder's: E, or A (0), U (20)


@dataclass(slots=True)
class Pass:
    """One pass over the file: the interpreter's state and what it has written so far."""

    assumed: Assumptions
    n: Any = None
    f: Any = None
    tools: Any = None
    columns: tuple[Any, ...] = ()
    sparse: dict[str, list[Any]] = field(default_factory=dict)
    buffers: tuple[Any, ...] = ()
    texts: list[Note] = field(default_factory=list)
    sha256: str = ""
    size: int = 0


def read_toolpath(path: Path, *, firmware: str | None = None, progress: Progress | None = None) -> Toolpath:
    """Read a sliced file.

    Parameters
    ----------
    path : Path
        The file.
    firmware : str, optional
        ``marlin``, ``klipper`` or ``reprapfirmware``: whose rules say what the lines mean. When it is left out,
        the file's own words decide, and a notice says so.
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
    """
    path = Path(path)
    head = _read_head(path)
    refuse_binary(path, head)
    notices: list[Notice] = []
    guessed = guess_firmware(head)
    used = check_firmware(firmware) if firmware else guessed or "marlin"
    if firmware is None:
        notices.append(Notice(line=1, code="firmware-guessed", text=_guess_text(guessed)))
    done, said = _passes(path, _first_assumptions(used), progress)
    _refuse_empty(path, head, done)
    return _toolpath(path, used, done, [*notices, *said])


def _guess_text(guessed: str | None) -> str:
    if guessed is None:
        return "the file names no firmware; read by Marlin's rules"
    return f"read by the rules of {guessed}, which the file's own words speak of"


def _read_head(path: Path) -> bytes:
    require_file(path, "G-code file")
    try:
        with path.open("rb") as file:
            return file.read(HEAD_BYTES)
    except OSError as error:
        raise FileProblemError(f"cannot read it ({error.strerror})", path=path) from None


def _first_assumptions(firmware: str) -> Assumptions:
    if firmware == "marlin":
        return Assumptions(rule=machine.RULE_SETS_E, seconds=0)
    return Assumptions(rule=machine.RULE_E_APART, seconds=1 if firmware == "reprapfirmware" else 2)


def _passes(path: Path, assumed: Assumptions, progress: Progress | None) -> tuple[Pass, list[Notice]]:
    """Read the file under assumptions until none of them is contradicted; each is given up once at most."""
    said: list[Notice] = []
    while True:
        done = _one_pass(path, assumed, progress)
        status, line = int(done.n[machine.STATUS]), int(done.n[machine.LINE])
        if status == machine.E_IMPLAUSIBLE:
            assumed, notice = _other_e_mode(done, line)
        elif status == machine.TOOLS_OWN_E:
            assumed = replace(assumed, own_e=True)
            notice = Notice(line=line, code="tools-own-e", text="each tool has an E position of its own")
        elif other := _other_letter(done):
            letter = "AU"[other == 20]
            assumed = replace(assumed, letter=other)
            notice = Notice(line=1, code="e-letter", text=f"the extruder's letter is {letter}")
        else:
            if notice_or_none := _undeclared(done):
                said.append(notice_or_none)
            return done, said
        said.append(notice)


def _other_e_mode(done: Pass, line: int) -> tuple[Assumptions, Notice]:
    assumed = done.assumed
    if int(done.n[machine.E_SOURCE]) == machine.SOURCE_MOTION and assumed.rule == machine.RULE_SETS_E:
        text = (
            "E words do not follow G90 and G91 in this file; only M82 and M83 were taken to set them absolute"
        )
        return replace(assumed, rule=machine.RULE_FORCES_E), Notice(
            line=line, code="e-mode-inferred", text=text
        )
    relative = not done.n[machine.MODE] & machine.M_REL_E
    rule = machine.RULE_FORCES_E if assumed.rule == machine.RULE_SETS_E else assumed.rule
    text = f"no M82 or M83 says so, but E words are {'distances (relative)' if relative else 'positions (absolute)'}"
    return (
        replace(assumed, rule=rule, start_relative=bool(relative), start_declared=True),
        Notice(line=line, code="e-mode-inferred", text=text),
    )


def _other_letter(done: Pass) -> int | None:
    """Return the place in the alphabet of the letter that feeds, when it is not E."""
    n = done.n
    if done.assumed.letter != 4 or n[machine.N_E] or not n[machine.HEATED]:
        return None
    if n[machine.N_A] == 0 and n[machine.N_U] == 0:
        return None
    return 0 if n[machine.N_A] >= n[machine.N_U] else 20


def _undeclared(done: Pass) -> Notice | None:
    if int(done.n[machine.E_SOURCE]) != machine.SOURCE_NONE or done.assumed.start_declared:
        return None
    return Notice(
        line=1, code="e-mode-undeclared", text="neither M82 nor M83 is there; E words were read as absolute"
    )


def _new_pass(assumed: Assumptions) -> Pass:
    state = Pass(assumed)
    state.n = np.zeros(machine.N_INTEGERS, np.int64)
    state.f = np.zeros(machine.N_FLOATS)
    state.tools = np.zeros((256, 3))
    state.f[machine.UNIT] = 1.0
    state.f[machine.AREA] = 1.0
    state.n[machine.MOTION] = 10
    state.n[machine.RULE] = assumed.rule
    state.n[machine.E_BIT] = assumed.letter
    state.n[machine.E_OWN] = assumed.own_e
    state.n[machine.SECONDS_ONLY] = assumed.seconds
    state.n[machine.E_DECLARED] = assumed.start_relative
    if assumed.start_relative:
        state.n[machine.MODE] |= machine.M_REL_E
    if assumed.start_declared:
        state.n[machine.E_SOURCE] = machine.SOURCE_WORD
    state.sparse = {name: [] for name in ("sets", "arcs", "shifts")}
    state.buffers = (
        np.zeros((_SPARSE_ROOM, 3)),
        np.zeros((_SPARSE_ROOM, 5)),
        np.zeros((_SPARSE_ROOM, 4)),
        np.zeros((_SPARSE_ROOM, 6), np.int64),
    )
    return state


def _one_pass(path: Path, assumed: Assumptions, progress: Progress | None) -> Pass:
    state = _new_pass(assumed)
    total = max(path.stat().st_size, 1)
    digest = hashlib.sha256()
    rest = b""
    base = 0
    try:
        with path.open("rb") as file, ThreadPoolExecutor(1) as hasher:
            hashed: Future[None] | None = None
            while piece := file.read(PIECE_BYTES):
                if hashed is not None:
                    hashed.result()
                hashed = hasher.submit(digest.update, piece)
                state.size += len(piece)
                cut = piece.rfind(b"\n") + 1
                if cut:
                    whole = rest + piece[:cut] if rest else piece[:cut]
                    rest = piece[cut:]
                    _run_piece(state, whole, base, total)
                    base += len(whole)
                    if state.n[machine.STATUS] != machine.OK:
                        return state
                else:
                    rest += piece
                if progress is not None:
                    progress(min(state.size / total, 1.0))
            if rest:
                _run_piece(state, rest, base, total)
    except OSError as error:
        raise FileProblemError(f"cannot read it ({error.strerror})", path=path) from None
    state.sha256 = digest.hexdigest()
    return state


def _run_piece(state: Pass, whole: bytes, base: int, total: int) -> None:
    data = as_bytes(whole)
    words = np.zeros(26)
    target = np.zeros(3)
    if not state.columns:
        expected = int(total / len(whole) * whole.count(b"\n") * 1.02) + 4096
        state.columns = tuple(np.empty(expected, kind) for kind in _TYPES)
    pos = 0
    while True:
        sets, arcs, shifts, notes = state.buffers
        pos = machine.run_lines(
            data, pos, len(whole), base, words, state.n, state.f, state.tools, state.columns, sets, arcs, shifts,
            notes, target,
        )  # fmt: skip
        _drain(state, whole)
        if state.n[machine.STATUS] != machine.FULL:
            return
        state.n[machine.STATUS] = machine.OK
        _make_room(state)


def _make_room(state: Pass) -> None:
    rows = int(state.n[machine.ROWS])
    if rows + 4 * machine.MOST_IN_LINE < len(state.columns[0]):
        return
    room = rows + rows // 4 + 8192
    grown = []
    for column in state.columns:
        wider = np.empty(room, column.dtype)
        wider[:rows] = column[:rows]
        grown.append(wider)
    state.columns = tuple(grown)


def _drain(state: Pass, whole: bytes) -> None:
    """Take what the pass has put into its small buffers, and empty them."""
    places = (machine.SETS, machine.ARCS, machine.SHIFTS)
    for name, place, buffer in zip(state.sparse, places, state.buffers, strict=False):
        if state.n[place]:
            state.sparse[name].append(buffer[: state.n[place]].copy())
            state.n[place] = 0
    base = None
    for start, stop, line, row, own, byte in state.buffers[3][: state.n[machine.NOTES]].tolist():
        base = byte
        text = whole[start:stop].decode("utf-8", "replace").strip()
        state.texts.append(Note(line=line, byte=byte, row=row, text=text, own_line=bool(own)))
    state.n[machine.NOTES] = 0


def _refuse_empty(path: Path, head: bytes, done: Pass) -> None:
    rows = int(done.n[machine.ROWS])
    kinds = done.columns[2][:rows]
    if (kinds == Kind.EXTRUDE).any():
        return
    lengths = done.columns[11][:rows]
    odd = machine.ODD
    refuse_no_print(
        path,
        head,
        moves=int((lengths > 0).sum()),
        spindle=int(done.n[odd + 2 * machine.SPINDLE]),
        o_words=int(done.n[odd + 2 * machine.O_WORD]),
        z_places=len(np.unique(done.columns[7][:rows])),
    )


def _toolpath(path: Path, firmware: str, done: Pass, notices: list[Notice]) -> Toolpath:
    rows = int(done.n[machine.ROWS])
    cols = [column[:rows] for column in done.columns]
    settings = settings_of(_joined(done.sparse["sets"], 3), done.texts)
    arcs = _joined(done.sparse["arcs"], 5)
    shifts = _joined(done.sparse["shifts"], 4)
    toolpath = Toolpath(
        path=path, sha256=done.sha256, size=done.size, line_count=int(done.n[machine.LINE]), firmware=firmware,
        line=cols[0], byte=cols[1], kind=cols[2], mode=cols[3], tool=cols[4], x_mm=cols[5], y_mm=cols[6],
        z_mm=cols[7], e_mm=cols[8], e_word=cols[9], feed_mm_s=cols[10], length_mm=cols[11], retracted_mm=cols[12],
        dwell_s=cols[13], accel_mm_s2=settings.acceleration(cols[2]),
        shift_row=shifts[:, 0].astype(np.int64), shift_mm=shifts[:, 1:],
        setting_row=settings.row, setting_kind=settings.kind, setting_value=settings.value,
        arc_row=arcs[:, 0].astype(np.int64), arc=arcs[:, 1:],
        notes=tuple(done.texts),
        warnings=tuple(sorted([*notices, *oddity_notices(done.n)], key=lambda notice: notice.line)),
    )  # fmt: skip
    return _read_only(toolpath)


def _joined(pieces: list[Any], width: int) -> Any:
    return np.concatenate(pieces) if pieces else np.empty((0, width))


def _read_only(toolpath: Toolpath) -> Toolpath:
    for name in Toolpath.__dataclass_fields__:
        value = getattr(toolpath, name)
        if isinstance(value, np.ndarray):
            value.flags.writeable = False
    return toolpath


__all__ = ["Settings", "read_toolpath"]
