"""The columns that all later stages read: one row a move, each row knowing its bytes in the file."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, IntFlag
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Int
from twinlapse.gcode.line_features import FeatureCounts
from twinlapse.records import ArrayRecord

if TYPE_CHECKING:
    from twinlapse.gcode.reading_states import ReadingStates

__all__ = ["Kind", "Layers", "Mode", "Note", "Notice", "Setting", "Toolpath"]


def _no_rows() -> Int:
    return np.empty(0, np.int64)


def _no_kinds() -> NDArray[np.uint8]:
    return np.empty(0, np.uint8)


def _no_values() -> Float:
    return np.empty(0)


def _no_arcs() -> Float:
    return np.empty((0, 4))


class Kind(IntEnum):
    """What a row does."""

    TRAVEL = 0  # moves, feeds nothing
    EXTRUDE = 1  # moves in X, Y or Z and feeds forward
    RETRACT = 2  # feeds backward, standing still
    PRIME = 3  # feeds forward, standing still
    WIPE = 4  # moves while feeding backward
    FW_RETRACT = 5  # G10 without words
    FW_PRIME = 6  # G11
    HOME = 7  # G28, G161, G162
    DWELL = 8  # G4 and waits of known length
    TOOL = 9  # T, M108 T, M135 T
    ORIGIN = 10  # G92
    MODE = 11  # changes modal state or a setting only: G90, M83, M204, a wait for heat, a pause ...


class Mode(IntFlag):
    """Modal state in force after a row."""

    RELATIVE_XYZ = 1  # G91
    RELATIVE_E = 2  # E words are distances, whatever made them so
    INCH = 4  # G20
    FW_RETRACTED = 8  # a G10 is open
    HOMED = 16  # every axis has a known place
    ARC = 32  # this row is a G2 or G3
    VOLUMETRIC = 64  # E words are mm3 (M200)
    EXTRUDER_RUNNING = 128  # between M101 and M103: every move prints


class Setting(IntEnum):
    """What the file sets besides the modal state; values in mm, s, degrees Celsius, shares of 1."""

    PRINT_ACCEL = 0  # M204 P or S, SET_VELOCITY_LIMIT ACCEL
    TRAVEL_ACCEL = 1  # M204 T or S
    RETRACT_ACCEL = 2  # M204 R
    MAX_ACCEL_X = 3  # M201
    MAX_ACCEL_Y = 4
    MAX_ACCEL_Z = 5
    MAX_ACCEL_E = 6
    MAX_FEED_X = 7  # M203
    MAX_FEED_Y = 8
    MAX_FEED_Z = 9
    MAX_FEED_E = 10
    JERK_X = 11  # M205 X, M566: speed change at a corner without slowing down, mm/s
    JERK_Y = 12
    JERK_Z = 13
    JERK_E = 14
    JUNCTION_DEVIATION = 15  # M205 J
    SQUARE_CORNER = 16  # SET_VELOCITY_LIMIT SQUARE_CORNER_VELOCITY
    SPEED_FACTOR = 17  # M220
    FLOW = 18  # M221
    HEAT_WAIT = 19  # M109, M190, M191, M116: the temperature waited for
    PAUSE = 20  # M0, M1, M25, M226, M600: the number of the command
    RETRACT_LENGTH = 21  # M207 S
    RETRACT_SPEED = 22  # M207 F
    MAX_SPEED = 23  # SET_VELOCITY_LIMIT VELOCITY
    MIN_CRUISE_RATIO = 24  # SET_VELOCITY_LIMIT MINIMUM_CRUISE_RATIO


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A comment, or a line that is no plain command, with a word by which layers or objects are marked."""

    line: int  # 1-based
    byte: int  # offset of the first byte of that line
    row: int  # index of the first row that follows it
    text: str
    own_line: bool  # nothing else stands in its line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Toolpath(ArrayRecord):
    """All moves of a sliced file as columns of equal length n, in file order.

    Places are the nozzle's in machine millimetres (G92 shifts taken out), at the *end* of the row; a row
    starts where the row before it ends. ``e_mm`` is the filament fed by the row, signed, flow factors (M221)
    left out.

    An arc is given by its centre in machine millimetres along the two axes of its plane, the angle it sweeps
    in radians (counter-clockwise positive, seen from the positive third axis) and the plane: 0 XY (G17), 1 ZX
    (G18), 2 YZ (G19).
    """

    path: Path
    sha256: str
    size: int  # bytes of the file
    line_count: int
    firmware: str  # "marlin", "klipper", "reprapfirmware": whose rules were used for reading

    e_letters: str = "E"  # the letter of each tool's extruder in turn: "E" for all, "U", or "AB"

    line: NDArray[np.int32]  # 1-based line
    byte: Int  # offset of the first byte of that line
    kind: NDArray[np.uint8]  # Kind
    mode: NDArray[np.uint16]  # Mode after the row
    tool: NDArray[np.uint8]
    x_mm: Float
    y_mm: Float
    z_mm: Float
    e_mm: Float
    e_word: Float  # logical E of the firmware after the row, in the file's own unit
    feed_mm_s: NDArray[np.float32]  # feed rate in force (F word), whatever the machine makes of it
    length_mm: NDArray[np.float32]  # path length in space (along the arc for arcs)
    retracted_mm: NDArray[np.float32]  # filament retracted after the row (open firmware retraction apart)
    dwell_s: NDArray[np.float32]  # of DWELL rows
    accel_mm_s2: NDArray[np.float32]  # commanded by the file for this row; 0 where it says nothing

    # sparse tables: rows at which something changes
    shift_row: Int  # rows at which G92 changed the shift of an axis
    shift_mm: Float  # (len(shift_row), 3): logical minus machine x, y, z from that row on
    setting_row: Int = field(default_factory=_no_rows)  # rows at which the file sets something
    setting_kind: NDArray[np.uint8] = field(default_factory=_no_kinds)  # Setting
    setting_value: Float = field(default_factory=_no_values)
    arc_row: Int = field(default_factory=_no_rows)  # the rows of G2 and G3
    arc: Float = field(default_factory=_no_arcs)  # (len(arc_row), 4): centre a, b; signed sweep; plane
    notes: tuple[Note, ...] = ()
    warnings: tuple[Notice, ...] = ()
    line_features: FeatureCounts | None = None  # what not every firmware takes; None: not looked for
    states: ReadingStates | None = field(default=None, compare=False)  # where reading can go on

    _by_setting: dict[int, tuple[Int, Float]] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )

    def __len__(self) -> int:
        return len(self.kind)

    def read_only(self) -> Self:
        """Make all columns read-only and return self: loops are compiled for columns that are."""
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if isinstance(value, np.ndarray):
                value.flags.writeable = False
        return self

    def by_setting(self) -> dict[int, tuple[Int, Float]]:
        """Return of each kind of setting in the file the rows from which it holds, rising, and its values.

        Sorted once, so that asking what holds at a row costs no look at all settings before it.
        """
        if not self._by_setting and len(self.setting_kind):
            order = np.argsort(self.setting_kind, kind="stable")
            kinds, begins = np.unique(self.setting_kind[order], return_index=True)
            for kind, mine in zip(kinds.tolist(), np.split(order, begins[1:]), strict=True):
                self._by_setting[kind] = self.setting_row[mine], self.setting_value[mine]
        return self._by_setting


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """Something odd in the file that a person should know of."""

    line: int
    code: str  # short, stable, hyphenated: "count-differs"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Layers(ArrayRecord):
    """Layers as n + 1 offsets into the toolpath, in the order of printing.

    Layer i is the rows ``first_row[i]:first_row[i + 1]``; the last offset ends the last layer. Rows before
    ``first_row[0]`` are the start code, prime lines included; rows from ``first_row[n]`` are the end code.
    """

    source: str  # "comments", "geometry" or "turns" (spiral)
    first_row: Int  # (n + 1,)
    first_line: Int  # (n + 1,) 1-based: the line at which the layer begins, its comment included
    z_mm: Float  # (n,) height of the nozzle while it prints the layer; of a turn: at its end
    height_mm: Float  # (n,)
    object: NDArray[np.int32]  # (n,) index of the object printed, 0 where they are not told apart
    raft: NDArray[np.bool_]  # (n,)
    extruded_mm: Float  # (n,) filament fed forward less retractions
    spiral: bool
    sequential: bool  # objects are printed one after the other
    objects: tuple[str, ...]  # names, or "object 1" ...
    warnings: tuple[Notice, ...] = ()

    def __len__(self) -> int:
        return len(self.z_mm)
