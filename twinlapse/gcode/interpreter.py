"""The firmware's part: modal state, moves, arcs, filament. One compiled pass, one row a command.

State lives in two small arrays, ``n`` (integers) and ``f`` (floats), so that a pass can stop at any line and
go on with the next piece of the file. The rules of each firmware are in docs/reading.md.
"""

from __future__ import annotations

from math import pi, sqrt
from typing import Any

from twinlapse.gcode.tokenizer import (
    BYTE,
    CODE,
    FIRST,
    FLAGS,
    HAS,
    LETTER,
    LETTER_G,
    LETTER_M,
    LETTER_NONE,
    LINE,
    NOTES,
    STATE,
    VALUE,
    WORDS,
    Bytes,
    count_odd,
    read_command,
)  # fmt: skip
from twinlapse.gcode.toolpath import Kind, Mode
from twinlapse.jit import kernel, part_of_kernel

__all__ = [
    "AFTER_TOOL",
    "ARC_CLOCKWISE",
    "ARC_COUNTER",
    "AREA",
    "BIT_A",
    "BIT_B",
    "BIT_D",
    "BIT_E",
    "BIT_F",
    "BIT_I",
    "BIT_J",
    "BIT_K",
    "BIT_P",
    "BIT_R",
    "BIT_S",
    "BIT_T",
    "BIT_U",
    "BIT_X",
    "CROWDED",
    "DIALECT",
    "ELSEWHERE",
    "EVENTS",
    "EVENT_ARC",
    "EVENT_DWELL",
    "EVENT_LETTERS",
    "EVENT_SHIFT",
    "EVENT_WIDTH",
    "EXTRUDING",
    "E_BIT",
    "E_DECLARED",
    "E_IMPLAUSIBLE",
    "E_LAST",
    "E_OWN",
    "E_SOURCE",
    "FEED",
    "FOR_ABSOLUTE",
    "FOR_RELATIVE",
    "FULL",
    "G_ABSOLUTE",
    "G_DWELL",
    "G_HOME",
    "G_HOME_MAXIMUM",
    "G_HOME_MINIMUM",
    "G_INCH",
    "G_MACHINE_PLACE",
    "G_MM",
    "G_PARK",
    "G_PLANE_XY",
    "G_PLANE_YZ",
    "G_PRIME",
    "G_RELATIVE",
    "G_RESET_ORIGIN",
    "G_RESTORE",
    "G_RETRACT",
    "G_SET_ORIGIN",
    "HEATED",
    "HOMED_AXES",
    "INCHES",
    "KLIPPER",
    "K_DWELL",
    "K_EXTRUDE",
    "K_FW_PRIME",
    "K_FW_RETRACT",
    "K_HOME",
    "K_MODE",
    "K_NONE",
    "K_ORIGIN",
    "K_PRIME",
    "K_RETRACT",
    "K_TOOL",
    "K_TRAVEL",
    "K_WIPE",
    "LINEAR",
    "LONG_E",
    "MACHINE_PLACE",
    "MACRO",
    "MARLIN",
    "MODE",
    "MOST_FED",
    "MOST_IN_LINE",
    "MOTION",
    "M_ARC",
    "M_CALL_MACRO",
    "M_EXTRUDER_OFF",
    "M_EXTRUDER_ON",
    "M_E_ABSOLUTE",
    "M_E_RELATIVE",
    "M_FILAMENT_SIZE",
    "M_FW",
    "M_HEAT_BED",
    "M_HEAT_CHAMBER",
    "M_HEAT_NOZZLE",
    "M_HOMED",
    "M_INCH",
    "M_REL",
    "M_REL_E",
    "M_RUNNING",
    "M_SPINDLE",
    "M_SPINDLE_COUNTER",
    "M_TOOL",
    "M_TOOL_CHANGE",
    "M_VOLUME",
    "N_A",
    "N_E",
    "N_FLOATS",
    "N_INTEGERS",
    "N_U",
    "OFFSET",
    "OK",
    "OUT_WIDTH",
    "PLANE",
    "RAPID",
    "REPRAPFIRMWARE",
    "ROWS",
    "ROWS_BEFORE",
    "RULE",
    "RULE_E_APART",
    "RULE_FORCES_E",
    "RULE_SETS_E",
    "SETTINGS",
    "SHIFT_X",
    "SHIFT_Y",
    "SHIFT_Z",
    "SOURCE_MOTION",
    "SOURCE_NONE",
    "SOURCE_WORD",
    "SPINDLE",
    "STATUS",
    "TOOL",
    "TOOLS",
    "TOOLS_OWN_E",
    "TO_X",
    "TO_Y",
    "TO_Z",
    "UNIT",
    "VOLUMETRIC",
    "WORD_A",
    "WORD_B",
    "WORD_D",
    "WORD_F",
    "WORD_I",
    "WORD_P",
    "WORD_R",
    "WORD_S",
    "WORD_T",
    "WORD_X",
    "E",
    "X",
    "Y",
    "Z",
    "change_tool",
    "feed_e",
    "home",
    "judge_e",
    "move",
    "note_arc",
    "put_dwell",
    "put_mode",
    "put_row",
    "put_setting",
    "put_shift",
    "run_command",
    "run_g",
    "run_lines",
    "run_m",
    "set_distance_mode",
    "set_e_mode",
    "set_origin",
    "set_unit",
    "set_volumetric",
    "take_up_tool",
]

# n: places of the integers; ROWS counts those in the table, ROWS_BEFORE those taken out of it earlier
ROWS, EVENTS, MODE, TOOL, MOTION, PLANE, RULE, DIALECT, E_BIT, E_DECLARED = range(STATE, STATE + 10)
E_SOURCE, E_OWN, FOR_RELATIVE, FOR_ABSOLUTE, AFTER_TOOL, STATUS, EXTRUDING, HOMED_AXES = range(
    STATE + 10, STATE + 18
)
N_E, N_A, N_U, HEATED, MACHINE_PLACE, ROWS_BEFORE = range(STATE + 18, STATE + 24)
N_INTEGERS = STATE + 24
# f: places of the floats, after the words of the command and its number (see `words`)
X, Y, Z, SHIFT_X, SHIFT_Y, SHIFT_Z, TO_X, TO_Y, TO_Z, E, E_LAST, FEED, UNIT, AREA = range(WORDS, WORDS + 14)
TOOLS = WORDS + 14  # of each tool: filament fed so far, the furthest it has been fed, logical E when put away
N_FLOATS = TOOLS + 3 * 256

# what G90 and G91 do to E: nothing; set it; make it relative while they are
RULE_E_APART, RULE_SETS_E, RULE_FORCES_E = range(3)
MARLIN, REPRAPFIRMWARE, KLIPPER = range(3)
# who said how E words are meant
SOURCE_NONE, SOURCE_WORD, SOURCE_MOTION = range(3)
# why a pass stopped
OK, E_IMPLAUSIBLE, TOOLS_OWN_E, FULL = range(4)

# the table that is filled: the columns of a toolpath, each contiguous
OUT_WIDTH = 13
# an event: the row from which it holds, what it is, then its numbers. A shift has x, y, z; a dwell its
# seconds; an arc the plane, the sense (1 counter-clockwise), I, J, K, R and P; a setting is known by ten
# times its M number and has the unit, the letters that are there, and the words of EVENT_LETTERS
EVENT_SHIFT, EVENT_ARC, EVENT_DWELL = 1, 2, 3
EVENT_LETTERS = "SPTRXYZEJF"
EVENT_WIDTH = 4 + len(EVENT_LETTERS)
_EVENT_PLACES = tuple(ord(letter) - 65 for letter in EVENT_LETTERS)

# words of a command by their letter
WORD_A, WORD_B, WORD_D, WORD_F, WORD_I = (ord(letter) - 65 for letter in "ABDFI")
WORD_P, WORD_R, WORD_S, WORD_T, WORD_X = (ord(letter) - 65 for letter in "PRSTX")
# commands by ten times their number
RAPID, LINEAR, ARC_CLOCKWISE, ARC_COUNTER = 0, 10, 20, 30
G_DWELL, G_RETRACT, G_PRIME, G_PLANE_XY, G_PLANE_YZ, G_INCH, G_MM = 40, 100, 110, 170, 190, 200, 210
G_PARK, G_HOME, G_MACHINE_PLACE, G_RESTORE, G_ABSOLUTE, G_RELATIVE = 270, 280, 530, 610, 900, 910
G_SET_ORIGIN, G_RESET_ORIGIN, G_HOME_MINIMUM, G_HOME_MAXIMUM = 920, 921, 1610, 1620
M_SPINDLE, M_SPINDLE_COUNTER, M_E_ABSOLUTE, M_E_RELATIVE, M_CALL_MACRO = 30, 40, 820, 830, 980
M_EXTRUDER_ON, M_EXTRUDER_OFF, M_HEAT_NOZZLE, M_HEAT_BED, M_HEAT_CHAMBER = 1010, 1030, 1040, 1400, 1410
M_TOOL, M_TOOL_CHANGE, M_FILAMENT_SIZE = 1080, 1350, 2000
# M0, M1, M25, M109, M116, M190, M191, M201, M203, M204, M205, M207, M220, M221, M226, M566, M600, M601
SETTINGS = (
    0, 10, 250, 1090, 1160, 1900, 1910, 2010, 2030, 2040, 2050, 2070, 2200, 2210, 2260, 5660, 6000, 6010,
)  # fmt: skip

# oddities, after those of `words`
CROWDED, INCHES, VOLUMETRIC, OFFSET, LONG_E, SPINDLE, MACRO, ELSEWHERE = range(5, 13)

_BIT = [1 << k for k in range(26)]
BIT_A, BIT_B, BIT_D, BIT_E, BIT_F = _BIT[0], _BIT[1], _BIT[3], _BIT[4], _BIT[5]
BIT_I, BIT_J, BIT_K, BIT_P, BIT_R = _BIT[8], _BIT[9], _BIT[10], _BIT[15], _BIT[17]
BIT_S, BIT_T, BIT_U, BIT_X = _BIT[18], _BIT[19], _BIT[20], _BIT[23]
_AXES = _BIT[23] | _BIT[24] | _BIT[25]
MOST_IN_LINE = 64  # commands that are read in one line

K_TRAVEL, K_EXTRUDE, K_RETRACT, K_PRIME, K_WIPE = (int(k) for k in list(Kind)[:5])
K_FW_RETRACT, K_FW_PRIME, K_HOME, K_DWELL, K_TOOL, K_ORIGIN, K_MODE = (int(k) for k in list(Kind)[5:])
K_NONE = -1
M_REL, M_REL_E, M_INCH, M_FW, M_HOMED, M_ARC, M_VOLUME, M_RUNNING = (int(m) for m in Mode)

_STILL_MM = 1e-9  # sums of relative moves differ by less
_LONG_E_MM = 200.0  # Marlin's EXTRUDE_MAXLENGTH: longer feeds in one move are refused by default
MOST_FED = 1.5  # mm of filament a mm of path: no nozzle prints more
_ENOUGH = 8  # E words that speak for one meaning before it is judged
_MEMORY = 256  # and after which judging begins anew
_OWN_E_MM = 10.0


@part_of_kernel
def put_row(out: Any, n: Any, f: Any, kind: int, fed: float, length: float) -> None:
    """Write the state after a command as the next row."""
    r = n[ROWS]
    out[0, r], out[1, r], out[2, r], out[3, r], out[4, r] = n[LINE], n[BYTE], kind, n[MODE], n[TOOL]
    out[5, r], out[6, r], out[7, r] = f[X], f[Y], f[Z]
    out[8, r], out[9, r], out[10, r], out[11, r] = fed, f[E], f[FEED], length
    out[12, r] = f[TOOLS + 3 * n[TOOL] + 1] - f[TOOLS + 3 * n[TOOL]]
    n[ROWS] += 1


@part_of_kernel
def put_shift(events: Any, n: Any, f: Any) -> None:
    """Write the shift of the axes that holds from the next row on."""
    event = events[n[EVENTS]]
    event[0], event[1] = n[ROWS_BEFORE] + n[ROWS], EVENT_SHIFT
    event[2], event[3], event[4] = f[SHIFT_X], f[SHIFT_Y], f[SHIFT_Z]
    n[EVENTS] += 1


@part_of_kernel
def put_dwell(events: Any, n: Any, f: Any) -> None:
    """Write the seconds of G4: P in milliseconds, S in seconds where the firmware knows it."""
    seconds = f[WORD_P] / 1000.0 if n[HAS] & BIT_P else 0.0
    if n[HAS] & BIT_S and n[DIALECT] != KLIPPER:
        seconds = f[WORD_S]
    event = events[n[EVENTS]]
    event[0], event[1], event[2] = n[ROWS_BEFORE] + n[ROWS], EVENT_DWELL, max(seconds, 0.0)
    n[EVENTS] += 1


@part_of_kernel
def put_setting(events: Any, n: Any, f: Any) -> None:
    """Write an M command with its words, for `settings` to make sense of."""
    event = events[n[EVENTS]]
    event[0], event[1], event[2], event[3] = n[ROWS_BEFORE] + n[ROWS], n[CODE], f[UNIT], n[HAS]
    k = 4
    for place in _EVENT_PLACES:
        event[k] = f[place]
        k += 1
    n[EVENTS] += 1


@part_of_kernel
def note_arc(n: Any, f: Any, events: Any, clockwise: bool) -> None:
    """Write the words of an arc, for `arcs` to make sense of."""
    has = n[HAS]
    event = events[n[EVENTS]]
    event[0], event[1], event[2] = n[ROWS_BEFORE] + n[ROWS], EVENT_ARC, n[PLANE]
    event[3] = -1.0 if clockwise else 1.0
    for k in range(3):
        event[4 + k] = f[WORD_I + k] * f[UNIT] if has & (BIT_I << k) else 0.0
    event[7] = f[WORD_R] * f[UNIT] if has & BIT_R else 0.0
    event[8] = f[WORD_P] if has & BIT_P else 1.0
    n[EVENTS] += 1
    n[MODE] |= M_ARC


@part_of_kernel
def judge_e(n: Any, f: Any, word: float, length: float) -> None:
    """Weigh whether the E word of a move is a distance or a position, and doubt a mode that nobody declared.

    The one that feeds a plausible length forward is right; moves for which both or neither do say nothing.
    """
    most = MOST_FED * length * f[AREA] / f[UNIT]
    far = 0.0 < word <= most
    near = 0.0 < word - f[E_LAST] <= most
    if far and not near:
        n[FOR_RELATIVE] += 1
    elif near and not far:
        n[FOR_ABSOLUTE] += 1
    heard = n[FOR_RELATIVE] + n[FOR_ABSOLUTE]
    against = n[FOR_ABSOLUTE] if n[MODE] & M_REL_E else n[FOR_RELATIVE]
    if against >= _ENOUGH and against > 0.7 * heard:
        n[STATUS] = E_IMPLAUSIBLE
    if heard >= _MEMORY:
        n[FOR_RELATIVE] = n[FOR_ABSOLUTE] = 0


@part_of_kernel
def feed_e(n: Any, f: Any, word: float, length: float) -> float:
    """Take the E word of a move of some length in the plane and return the filament it feeds, in mm."""
    if n[MODE] & M_REL_E:
        delta = word
        f[E] += word
    else:
        if n[AFTER_TOOL] and n[E_OWN] == 0:
            own = abs(word - f[TOOLS + 3 * n[TOOL] + 2])
            if own < _OWN_E_MM and abs(word - f[E]) > _OWN_E_MM + 2 * own:
                n[STATUS] = TOOLS_OWN_E
        delta = word - f[E]
        f[E] = word
    n[AFTER_TOOL] = 0
    if length > 0.0 and n[E_SOURCE] != SOURCE_WORD and not n[MODE] & M_REL:
        judge_e(n, f, word, length)
    f[E_LAST] = word
    fed = delta * f[UNIT] / f[AREA]
    if abs(fed) > _LONG_E_MM:
        count_odd(n, LONG_E)
        if length == 0.0 and n[E_SOURCE] == SOURCE_MOTION:
            n[STATUS] = E_IMPLAUSIBLE
    f[TOOLS + 3 * n[TOOL]] += fed
    if f[TOOLS + 3 * n[TOOL]] > f[TOOLS + 3 * n[TOOL] + 1]:
        f[TOOLS + 3 * n[TOOL] + 1] = f[TOOLS + 3 * n[TOOL]]
    return float(fed)


@part_of_kernel
def take_up_tool(n: Any, f: Any, tool: int) -> None:
    """Change the tool; with E positions of their own, each tool's is taken up where it was left."""
    if tool == n[TOOL]:
        return
    f[TOOLS + 3 * n[TOOL] + 2] = f[E]
    n[TOOL] = tool
    n[AFTER_TOOL] = 1
    if n[E_OWN]:
        f[E] = f[TOOLS + 3 * tool + 2]


@part_of_kernel
def move(code: int, n: Any, f: Any, out: Any, events: Any) -> None:
    """Carry out G0 to G3, or the words of a line without a command."""
    n[MOTION] = code
    has, mode, unit = n[HAS], n[MODE], f[UNIT]
    if has & BIT_F and f[WORD_F] > 0.0:
        f[FEED] = f[WORD_F] * unit / 60.0
    for axis in range(3):
        place = f[X + axis]
        if has & (BIT_X << axis):
            value = f[WORD_X + axis] * unit
            if n[MACHINE_PLACE]:
                place = value
            elif mode & M_REL:
                place += value
            else:
                place = value - f[SHIFT_X + axis]
        f[TO_X + axis] = place
    dx, dy, dz = f[TO_X] - f[X], f[TO_Y] - f[Y], f[TO_Z] - f[Z]
    flat = abs(dx) > _STILL_MM or abs(dy) > _STILL_MM
    moves = flat or abs(dz) > _STILL_MM
    length = 0.0
    if code >= ARC_CLOCKWISE and (moves or n[HAS] & (BIT_I | BIT_J | BIT_K)):
        note_arc(n, f, events, code == ARC_CLOCKWISE)
        moves = flat = True
    elif moves:
        length = sqrt(dx * dx + dy * dy + dz * dz)
    fed = 0.0
    letter = n[E_BIT]
    if letter == WORD_A and has & BIT_B:
        letter = WORD_B
    if letter <= WORD_B and has & (1 << letter) and letter != n[TOOL]:
        take_up_tool(n, f, letter)  # the letter names the tool: A the first, B the second
    if has & (1 << letter):
        fed = feed_e(n, f, f[letter], length if flat and code <= LINEAR else 0.0)
        n[N_E] += 1
    if has & (BIT_A | BIT_B | BIT_U):
        n[N_U if has & BIT_U else N_A] += 1
    f[X], f[Y], f[Z] = f[TO_X], f[TO_Y], f[TO_Z]
    kind = K_TRAVEL
    if fed > 0.0:
        kind = K_EXTRUDE if moves else K_PRIME
    elif fed < 0.0:
        kind = K_WIPE if moves else K_RETRACT
    elif moves and n[EXTRUDING]:
        kind = K_EXTRUDE
    put_row(out, n, f, kind, fed, length)
    n[MODE] &= ~M_ARC


@part_of_kernel
def set_origin(n: Any, f: Any, events: Any) -> None:
    """Carry out G92: give the place a new name; G92.1 takes every shift back."""
    has = n[HAS]
    letter = n[E_BIT]
    if letter == WORD_A:
        letter = min(n[TOOL], WORD_B)
        other = WORD_B - letter
        if has & (1 << other):
            f[TOOLS + 3 * other + 2] = f[other]
    named = has & (1 << letter)
    bare = has & (_AXES | (1 << letter)) == 0
    everything = bare and n[DIALECT] == KLIPPER and n[CODE] == G_SET_ORIGIN
    for axis in range(3):
        if n[CODE] != G_SET_ORIGIN:
            f[SHIFT_X + axis] = 0.0
        elif has & (BIT_X << axis):
            f[SHIFT_X + axis] = f[WORD_X + axis] * f[UNIT] - f[X + axis]
        elif everything:
            f[SHIFT_X + axis] = -f[X + axis]
    if n[CODE] == G_SET_ORIGIN and (named or everything):
        f[E] = f[letter] if named else 0.0
        f[E_LAST] = f[E]
        n[AFTER_TOOL] = 0
    if n[CODE] != G_SET_ORIGIN or has & _AXES or everything:
        put_shift(events, n, f)


@part_of_kernel
def home(n: Any, f: Any, events: Any) -> None:
    """Carry out G28: the named axes, or all, stand at zero and have lost their shift."""
    axes = (n[HAS] | n[FLAGS]) & _AXES
    changed = False
    for axis in range(3):
        if axes == 0 or axes & (BIT_X << axis):
            f[X + axis] = 0.0
            changed = changed or f[SHIFT_X + axis] != 0.0
            f[SHIFT_X + axis] = 0.0
            n[HOMED_AXES] |= 1 << axis
    if n[HOMED_AXES] == 7:
        n[MODE] |= M_HOMED
    if changed:
        put_shift(events, n, f)


@part_of_kernel
def put_mode(n: Any, bit: int, on: bool) -> None:
    """Set or clear a bit of the mode."""
    if on:
        n[MODE] |= bit
    else:
        n[MODE] &= ~bit


@part_of_kernel
def set_e_mode(n: Any, relative: bool, source: int) -> None:
    """Say how E words are meant from now on, and start judging them anew."""
    put_mode(n, M_REL_E, relative)
    if source != SOURCE_MOTION or n[E_SOURCE] != SOURCE_MOTION:
        n[FOR_RELATIVE] = n[FOR_ABSOLUTE] = 0
    n[E_SOURCE] = source


@part_of_kernel
def set_distance_mode(n: Any, relative: bool) -> None:
    """Carry out G90 and G91; what they do to E is the firmware's choice."""
    put_mode(n, M_REL, relative)
    if n[RULE] == RULE_SETS_E:
        silent = n[E_SOURCE] == SOURCE_NONE and not relative
        set_e_mode(n, relative, SOURCE_NONE if silent else SOURCE_MOTION)
    elif n[RULE] == RULE_FORCES_E:
        set_e_mode(n, relative or n[E_DECLARED] != 0, n[E_SOURCE])


@part_of_kernel
def set_unit(n: Any, f: Any, inch: bool) -> None:
    """Carry out G20 and G21; the logical E keeps its length and changes its number."""
    unit = 25.4 if inch else 1.0
    f[E] *= f[UNIT] / unit
    f[UNIT] = unit
    put_mode(n, M_INCH, inch)
    if inch:
        count_odd(n, INCHES)


@part_of_kernel
def set_volumetric(n: Any, f: Any) -> None:
    """Carry out M200: E words are cubic millimetres of a filament D thick; S0, D0 or a bare D ends it."""
    thick = f[WORD_D] if n[HAS] & BIT_D else 1.75
    on = thick > 0.0 and not (n[FLAGS] & BIT_D) and not (n[HAS] & BIT_S and f[WORD_S] == 0)
    f[AREA] = pi / 4 * thick * thick if on else 1.0
    put_mode(n, M_VOLUME, on)
    if on:
        count_odd(n, VOLUMETRIC)


@part_of_kernel
def run_m(n: Any, f: Any, events: Any) -> int:
    """Carry out an M command; return the kind of row that shows it, or K_NONE."""
    code = n[CODE]
    for known in SETTINGS:
        if code == known:
            put_setting(events, n, f)
            return K_MODE
    if code in (M_E_ABSOLUTE, M_E_RELATIVE):
        n[E_DECLARED] = 1 if code == M_E_RELATIVE else 0
        held = n[RULE] == RULE_FORCES_E and n[MODE] & M_REL != 0
        set_e_mode(n, code == M_E_RELATIVE or held, SOURCE_WORD)
        return K_MODE
    if code == M_FILAMENT_SIZE:
        set_volumetric(n, f)
        return K_MODE
    if code in (M_EXTRUDER_ON, M_EXTRUDER_OFF):
        n[EXTRUDING] = 1 if code == M_EXTRUDER_ON else 0
        put_mode(n, M_RUNNING, code == M_EXTRUDER_ON)
        return K_MODE
    if code in (M_TOOL, M_TOOL_CHANGE):
        return change_tool(n, f, f[WORD_T]) if n[HAS] & BIT_T else K_NONE
    if code in (M_HEAT_NOZZLE, M_HEAT_BED, M_HEAT_CHAMBER):
        n[HEATED] += 1
    elif code in (M_SPINDLE, M_SPINDLE_COUNTER):
        count_odd(n, SPINDLE)
    elif code == M_CALL_MACRO:
        count_odd(n, MACRO)
    return K_NONE


@part_of_kernel
def change_tool(n: Any, f: Any, value: float) -> int:
    """Carry out T, or M108 and M135 with T."""
    if not 0 <= value < 255:
        return K_NONE
    take_up_tool(n, f, int(value))
    return K_TOOL


@part_of_kernel
def run_g(n: Any, f: Any, events: Any) -> int:
    """Carry out a G command that is no move; return the kind of row that shows it, or K_NONE."""
    code = n[CODE]
    if code in (G_SET_ORIGIN, G_RESET_ORIGIN):
        set_origin(n, f, events)
        return K_ORIGIN
    if code in (G_HOME, G_HOME_MINIMUM, G_HOME_MAXIMUM):
        home(n, f, events)
        return K_HOME
    if code == G_DWELL:
        put_dwell(events, n, f)
        return K_DWELL
    if code in (G_RETRACT, G_PRIME):
        if (n[HAS] | n[FLAGS]) & ~BIT_S:
            count_odd(n, OFFSET)
            return K_NONE
        put_mode(n, M_FW, code == G_RETRACT)
        return K_FW_RETRACT if code == G_RETRACT else K_FW_PRIME
    if code == G_MACHINE_PLACE:
        n[MACHINE_PLACE] = 1
        return K_NONE
    if code in (G_ABSOLUTE, G_RELATIVE):
        set_distance_mode(n, code == G_RELATIVE)
    elif code in (G_INCH, G_MM):
        set_unit(n, f, code == G_INCH)
    elif G_PLANE_XY <= code <= G_PLANE_YZ and code % 10 == 0:
        n[PLANE] = (code - G_PLANE_XY) // 10
    else:
        if code in (G_PARK, G_RESTORE):
            count_odd(n, ELSEWHERE)
        return K_NONE
    return K_MODE


@part_of_kernel
def run_command(n: Any, f: Any, out: Any, events: Any) -> None:
    """Carry out one command with its words."""
    letter, code = n[LETTER], n[CODE]
    motion = -1
    kind = K_NONE
    if letter == LETTER_G:
        if code <= ARC_COUNTER and code % 10 == 0:
            n[MOTION] = code
            motion = code if n[HAS] else -1
        else:
            kind = run_g(n, f, events)
            if (kind == K_MODE or code == G_MACHINE_PLACE) and n[HAS] & _AXES:
                motion = n[MOTION]  # "G90 X10": the motion in force takes the words
    elif letter == LETTER_NONE:
        if n[HAS] & (_AXES | BIT_F | (1 << n[E_BIT])):
            motion = n[MOTION]
    elif letter == LETTER_M:
        kind = run_m(n, f, events)
    else:
        kind = change_tool(n, f, f[VALUE])
    if kind != K_NONE:
        put_row(out, n, f, kind, 0.0, 0.0)
    if motion >= 0:
        move(motion, n, f, out, events)


@kernel
def run_lines(
    data: Bytes, start: int, stop: int, base: int, n: Any, f: Any, out: Any,
    events: Any, notes: Any,
) -> int:  # fmt: skip
    """Carry out whole lines until the piece, or the room in a table, ends; return the place reached.

    The last byte of the piece is a line feed.
    """
    pos = start
    rows, happenings, remarks = (
        out.shape[1] - 2 * MOST_IN_LINE,
        len(events) - 2 * MOST_IN_LINE,
        len(notes) - 4,
    )
    while pos < stop:
        if n[ROWS] > rows or n[EVENTS] > happenings or n[NOTES] > remarks:
            n[STATUS] = FULL
            break
        n[LINE] += 1
        n[BYTE] = base + pos
        n[FIRST] = 1
        n[MACHINE_PLACE] = 0
        begin = pos
        commands = 0
        while data[pos] != 10:
            pos = read_command(data, begin, pos, f, n, notes)
            if n[LETTER] != LETTER_NONE or n[HAS]:
                commands += 1
                if commands <= MOST_IN_LINE:
                    run_command(n, f, out, events)
                else:
                    count_odd(n, CROWDED)
        pos += 1
        if n[STATUS] != OK:
            break
    return pos
