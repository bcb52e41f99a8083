"""The firmware's part: modal state, moves, arcs, filament. One compiled pass, one row a command.

State lives in two small arrays, ``n`` (integers) and ``f`` (floats), so that a pass can stop at any line and go
on with the next piece of the file. Rules by firmware are in docs/reading.md.
"""

from __future__ import annotations

from math import atan2, cos, hypot, pi, sin, sqrt
from typing import Any

import numpy as np

from twinlapse.gcode.toolpath import Kind, Mode, Setting
from twinlapse.gcode.words import Bytes, end_of_line, end_of_text, is_worth_keeping, read_number
from twinlapse.kernels import kernel

# n: places of the integers
LINE, BYTE, ROWS, SETS, ARCS, SHIFTS, NOTES, MODE, TOOL, MOTION, PLANE = range(11)
RULE, E_BIT, E_DECLARED, E_SOURCE, E_OWN, E_WORDS, E_DOWN, AFTER_TOOL, STATUS, EXTRUDING = range(11, 21)
N_E, N_A, N_U, HEATED, IN_LINE, NO_UNIT_SWITCH, HOMED_AXES, SECONDS_ONLY = range(21, 29)
ODD = 29  # from here on, pairs: how often, first line
N_INTEGERS = 96
# f: places of the floats
X, Y, Z, SHIFT_X, SHIFT_Y, SHIFT_Z, E, E_LAST, FEED, UNIT, AREA = range(11)
N_FLOATS = 16

# what G90 and G91 do to E
RULE_E_APART, RULE_SETS_E, RULE_FORCES_E = range(3)
# who said how E words are meant
SOURCE_NONE, SOURCE_WORD, SOURCE_MOTION = range(3)
# why a pass must be made again with another assumption
OK, E_IMPLAUSIBLE, TOOLS_OWN_E, FULL = range(4)

# oddities, counted
(
    GLUED, PLACEHOLDER, STRAY, BAD_ARC, BAD_CHECKSUM, CROWDED, INCHES, VOLUMETRIC, UNHEARD_OFFSET, LONG_E, O_WORD,
    SPINDLE, PAUSED, MACRO,
) = range(14)  # fmt: skip

LETTER_G, LETTER_M, LETTER_T, LETTER_NONE = 71, 77, 84, 0
_BIT = [1 << k for k in range(26)]
BIT_A, BIT_D, BIT_E, BIT_F, BIT_I, BIT_J, BIT_K, BIT_L = (_BIT[k] for k in (0, 3, 4, 5, 8, 9, 10, 11))
BIT_P, BIT_R, BIT_S, BIT_T, BIT_U, BIT_X, BIT_Y, BIT_Z = (_BIT[k] for k in (15, 17, 18, 19, 20, 23, 24, 25))
AXES = BIT_X | BIT_Y | BIT_Z
MOST_IN_LINE = 64  # commands in one line

K_TRAVEL, K_EXTRUDE, K_RETRACT, K_PRIME, K_WIPE = (int(k) for k in list(Kind)[:5])
K_FW_RETRACT, K_FW_PRIME, K_HOME, K_DWELL, K_TOOL, K_ORIGIN, K_MODE = (int(k) for k in list(Kind)[5:])
M_REL, M_REL_E, M_INCH, M_FW, M_HOMED, M_ARC, M_VOLUME = (int(m) for m in Mode)
S_PRINT, S_TRAVEL, S_RETRACT = int(Setting.PRINT_ACCEL), int(Setting.TRAVEL_ACCEL), int(Setting.RETRACT_ACCEL)
S_MAX_ACCEL, S_MAX_FEED, S_JERK = int(Setting.MAX_ACCEL_X), int(Setting.MAX_FEED_X), int(Setting.JERK_X)
S_JUNCTION, S_SPEED, S_FLOW = int(Setting.JUNCTION_DEVIATION), int(Setting.SPEED_FACTOR), int(Setting.FLOW)
S_HEAT, S_PAUSE = int(Setting.HEAT_WAIT), int(Setting.PAUSE)
S_RETRACT_LENGTH, S_RETRACT_SPEED = int(Setting.RETRACT_LENGTH), int(Setting.RETRACT_SPEED)

_LONG_E_MM = 200.0  # Marlin's EXTRUDE_MAXLENGTH: no firmware lets one move feed more by default
_ENOUGH = 64  # E words before the way they are meant is judged
_OWN_E_MM = 10.0


@kernel
def count_odd(n: Any, what: int) -> None:
    """Count an oddity and keep the line of the first one."""
    k = ODD + 2 * what
    n[k] += 1
    if n[k] == 1:
        n[k + 1] = n[LINE]


@kernel
def put_row(
    cols: Any, n: Any, f: Any, tools: Any, kind: int, e_mm: float, length: float, dwell: float
) -> None:
    """Write the state after a command as the next row."""
    line, byte, kinds, mode, tool, x, y, z, e, e_word, feed, lengths, retracted, dwells = cols
    r = n[ROWS]
    line[r] = n[LINE]
    byte[r] = n[BYTE]
    kinds[r] = kind
    mode[r] = n[MODE]
    tool[r] = n[TOOL]
    x[r] = f[X]
    y[r] = f[Y]
    z[r] = f[Z]
    e[r] = e_mm
    e_word[r] = f[E]
    feed[r] = f[FEED]
    lengths[r] = length
    retracted[r] = tools[n[TOOL], 1] - tools[n[TOOL], 0]
    dwells[r] = dwell
    n[ROWS] = r + 1


@kernel
def put_setting(sets: Any, n: Any, kind: int, value: float) -> None:
    """Write a setting that holds from the next row on."""
    k = n[SETS]
    sets[k, 0] = n[ROWS]
    sets[k, 1] = kind
    sets[k, 2] = value
    n[SETS] = k + 1


@kernel
def arc_sweep(ax: float, ay: float, bx: float, by: float, clockwise: bool) -> float:
    """Return the signed angle from the spoke a to the spoke b; a full turn when they are the same."""
    angle = atan2(ax * by - ay * bx, ax * bx + ay * by)
    if clockwise:
        return angle - 2 * pi if angle > -1e-9 else angle
    return angle + 2 * pi if angle < 1e-9 else angle


@kernel
def arc_centre(
    dx: float, dy: float, words: Any, has: int, plane: int, clockwise: bool, unit: float
) -> tuple[float, float, bool]:
    """Return the centre as an offset from the start, in I J K or R form, and whether there is one."""
    if has & BIT_R:
        radius = words[17] * unit
        chord = hypot(dx, dy)
        if chord == 0.0 or radius == 0.0:
            return 0.0, 0.0, False
        inside = radius * radius - chord * chord / 4
        if inside < -1e-3 * radius * radius:
            return 0.0, 0.0, False
        height = sqrt(max(inside, 0.0)) / chord
        if clockwise == (radius > 0):
            height = -height
        return dx / 2 - height * dy, dy / 2 + height * dx, True
    first = 8 if plane == 0 else (10 if plane == 1 else 9)
    second = 9 if plane == 0 else (8 if plane == 1 else 10)
    i = words[first] * unit if has & (1 << first) else 0.0
    j = words[second] * unit if has & (1 << second) else 0.0
    return i, j, i != 0.0 or j != 0.0


@kernel
def go_arc(f: Any, target: Any, words: Any, has: int, n: Any, arcs: Any, clockwise: bool) -> float:
    """Return the length of an arc from the place in `f` to `target` and note its centre and sweep."""
    plane = n[PLANE]
    a = X if plane == 0 else (Z if plane == 1 else Y)
    b = Y if plane == 0 else (X if plane == 1 else Z)
    c = 3 - a - b
    da, db, dc = target[a] - f[a], target[b] - f[b], target[c] - f[c]
    i, j, found = arc_centre(da, db, words, has, plane, clockwise, f[UNIT])
    radius = hypot(i, j)
    if not found or abs(hypot(da - i, db - j) - radius) > max(0.5, 0.01 * radius):
        count_odd(n, BAD_ARC)
        return sqrt(da * da + db * db + dc * dc)
    sweep = arc_sweep(-i, -j, da - i, db - j, clockwise)
    if has & BIT_P and not has & BIT_R and 1 < words[15] < 10000:
        sweep += (words[15] - 1) * (-2 * pi if clockwise else 2 * pi)
    k = n[ARCS]
    arcs[k, 0] = n[ROWS]
    arcs[k, 1] = f[a] + i
    arcs[k, 2] = f[b] + j
    arcs[k, 3] = sweep
    arcs[k, 4] = plane
    n[ARCS] = k + 1
    n[MODE] |= M_ARC
    return hypot(sweep * radius, dc)


@kernel
def judge_e(n: Any, f: Any, word: float) -> None:
    """Doubt an E mode that nobody declared when the E words of moves speak against it."""
    if n[E_SOURCE] == SOURCE_WORD:
        return
    n[E_WORDS] += 1
    if word < f[E_LAST]:
        n[E_DOWN] += 1
    f[E_LAST] = word
    if n[E_WORDS] >= _ENOUGH:
        if n[MODE] & M_REL_E:
            if n[E_DOWN] == 0 and word > 10.0 and not n[MODE] & M_REL:
                n[STATUS] = E_IMPLAUSIBLE
        elif n[E_DOWN] * 4 > n[E_WORDS]:
            n[STATUS] = E_IMPLAUSIBLE
        n[E_WORDS] = 0
        n[E_DOWN] = 0


@kernel
def feed_e(n: Any, f: Any, tools: Any, word: float, moves: bool) -> float:
    """Take an E word and return the filament it feeds, in mm."""
    if n[MODE] & M_REL_E:
        delta = word
        f[E] += word
    else:
        if n[AFTER_TOOL] and n[E_OWN] == 0:
            own = abs(word - tools[n[TOOL], 2])
            if own < _OWN_E_MM and abs(word - f[E]) > _OWN_E_MM + 2 * own:
                n[STATUS] = TOOLS_OWN_E
        delta = word - f[E]
        f[E] = word
    n[AFTER_TOOL] = 0
    if moves:
        judge_e(n, f, word)
    fed = delta * f[UNIT] / f[AREA]
    if abs(fed) > _LONG_E_MM:
        count_odd(n, LONG_E)
        if not moves and n[E_SOURCE] == SOURCE_MOTION:
            n[STATUS] = E_IMPLAUSIBLE
    return fed


@kernel
def feed_filament(tools: Any, tool: int, fed: float) -> None:
    """Move a tool's filament; the furthest it has been is kept apart, the rest is retraction."""
    tools[tool, 0] += fed
    if tools[tool, 0] > tools[tool, 1]:
        tools[tool, 1] = tools[tool, 0]


@kernel
def move(
    code: int, words: Any, has: int, n: Any, f: Any, tools: Any, cols: Any, arcs: Any, target: Any
) -> None:
    """Carry out G0 to G3, or the words of a line without a command."""
    unit = f[UNIT]
    n[MOTION] = code
    if has & BIT_F:
        f[FEED] = words[5] * unit / 60.0
    for axis in range(3):
        target[axis] = f[axis]
        if has & (BIT_X << axis):
            value = words[23 + axis] * unit
            target[axis] = f[axis] + value if n[MODE] & M_REL else value - f[SHIFT_X + axis]
    flat = target[0] != f[X] or target[1] != f[Y]
    moves = flat or target[2] != f[Z]
    length = 0.0
    if code >= 20 and (moves or has & (BIT_I | BIT_J | BIT_K)):
        length = go_arc(f, target, words, has, n, arcs, code == 20)
        moves = length > 0.0
        flat = moves
    elif moves:
        dx, dy, dz = target[0] - f[X], target[1] - f[Y], target[2] - f[Z]
        length = sqrt(dx * dx + dy * dy + dz * dz)
    fed = 0.0
    if has & (1 << n[E_BIT]):
        fed = feed_e(n, f, tools, words[n[E_BIT]], flat)
        n[N_E] += 1
    elif has & (BIT_A | BIT_U):
        n[N_A] += 1 if has & BIT_A else 0
        n[N_U] += 1 if has & BIT_U else 0
    feed_filament(tools, n[TOOL], fed)
    f[X], f[Y], f[Z] = target[0], target[1], target[2]
    kind = K_TRAVEL
    if fed > 0.0:
        kind = K_EXTRUDE if moves else K_PRIME
    elif fed < 0.0:
        kind = K_WIPE if moves else K_RETRACT
    elif moves and n[EXTRUDING]:
        kind = K_EXTRUDE
    put_row(cols, n, f, tools, kind, fed, length, 0.0)
    n[MODE] &= ~M_ARC


@kernel
def put_shift(n: Any, f: Any, shifts: Any) -> None:
    """Write the shift of the axes that holds from the next row on."""
    k = n[SHIFTS]
    shifts[k, 0] = n[ROWS]
    for axis in range(3):
        shifts[k, 1 + axis] = f[SHIFT_X + axis]
    n[SHIFTS] = k + 1


@kernel
def set_origin(code: int, words: Any, has: int, n: Any, f: Any, tools: Any, shifts: Any) -> None:
    """Carry out G92: give the place a new name; G92.1 takes every shift back."""
    everything = has & (AXES | (1 << n[E_BIT])) == 0
    changed = False
    for axis in range(3):
        old = f[SHIFT_X + axis]
        if code != 920:
            f[SHIFT_X + axis] = 0.0
        elif has & (BIT_X << axis):
            f[SHIFT_X + axis] = words[23 + axis] * f[UNIT] - f[axis]
        elif everything and n[RULE] == RULE_E_APART:
            f[SHIFT_X + axis] = -f[axis]
        changed = changed or f[SHIFT_X + axis] != old
    if code == 920 and (has & (1 << n[E_BIT]) or (everything and n[RULE] == RULE_E_APART)):
        f[E] = words[n[E_BIT]] if has & (1 << n[E_BIT]) else 0.0
        f[E_LAST] = f[E]
        n[AFTER_TOOL] = 0
    if changed:
        put_shift(n, f, shifts)


@kernel
def home(has: int, n: Any, f: Any, shifts: Any) -> None:
    """Carry out G28: the named axes, or all, stand at zero and have lost their shift."""
    axes = has & AXES
    changed = False
    for axis in range(3):
        if axes == 0 or axes & (BIT_X << axis):
            f[axis] = 0.0
            changed = changed or f[SHIFT_X + axis] != 0.0
            f[SHIFT_X + axis] = 0.0
            n[HOMED_AXES] |= 1 << axis
    if n[HOMED_AXES] == 7:
        n[MODE] |= M_HOMED
    if changed:
        put_shift(n, f, shifts)


@kernel
def set_e_mode(n: Any, relative: bool, source: int) -> None:
    """Say how E words are meant from now on, and start judging them anew."""
    if relative:
        n[MODE] |= M_REL_E
    else:
        n[MODE] &= ~M_REL_E
    n[E_SOURCE] = source
    n[E_WORDS] = 0
    n[E_DOWN] = 0


@kernel
def set_distance_mode(n: Any, relative: bool) -> None:
    """Carry out G90 and G91; what they do to E is the firmware's choice."""
    if relative:
        n[MODE] |= M_REL
    else:
        n[MODE] &= ~M_REL
    if n[RULE] == RULE_SETS_E:
        set_e_mode(n, relative, SOURCE_MOTION if n[E_SOURCE] != SOURCE_NONE or relative else SOURCE_NONE)
    elif n[RULE] == RULE_FORCES_E:
        set_e_mode(n, relative or n[E_DECLARED] != 0, n[E_SOURCE])


@kernel
def set_unit(n: Any, f: Any, inch: bool) -> None:
    """Carry out G20 and G21; the logical E keeps its length and changes its number."""
    unit = 25.4 if inch else 1.0
    f[E] *= f[UNIT] / unit
    f[UNIT] = unit
    if inch:
        n[MODE] |= M_INCH
        count_odd(n, INCHES)
    else:
        n[MODE] &= ~M_INCH


@kernel
def set_limits(sets: Any, n: Any, words: Any, has: int, kind: int, factor: float) -> None:
    """Write the X, Y, Z and E words of a limit as settings."""
    for axis in range(3):
        if has & (BIT_X << axis):
            put_setting(sets, n, kind + axis, words[23 + axis] * factor)
    if has & BIT_E:
        put_setting(sets, n, kind + 3, words[4] * factor)


@kernel
def run_m(code: int, words: Any, has: int, n: Any, f: Any, sets: Any) -> bool:
    """Carry out an M command; tell whether it changed anything that a row must show."""
    unit = f[UNIT]
    if code == 820 or code == 830:
        n[E_DECLARED] = 1 if code == 830 else 0
        relative = code == 830 or (n[RULE] == RULE_FORCES_E and n[MODE] & M_REL != 0)
        set_e_mode(n, relative, SOURCE_WORD)
    elif code == 2040:
        if has & BIT_S:
            put_setting(sets, n, S_PRINT, words[18] * unit)
            put_setting(sets, n, S_TRAVEL, words[18] * unit)
        if has & BIT_P:
            put_setting(sets, n, S_PRINT, words[15] * unit)
        if has & BIT_T:
            put_setting(sets, n, S_TRAVEL, words[19] * unit)
        if has & BIT_R:
            put_setting(sets, n, S_RETRACT, words[17] * unit)
    elif code == 2010:
        set_limits(sets, n, words, has, S_MAX_ACCEL, unit)
    elif code == 2030:
        per_minute = n[SECONDS_ONLY] != 0  # RepRapFirmware: mm/min
        set_limits(sets, n, words, has, S_MAX_FEED, unit / 60.0 if per_minute else unit)
    elif code == 2050:
        set_limits(sets, n, words, has, S_JERK, unit)
        if has & BIT_J:
            put_setting(sets, n, S_JUNCTION, words[9] * unit)
    elif code == 5660:
        set_limits(sets, n, words, has, S_JERK, unit / 60.0)
    elif code == 2200 and has & BIT_S:
        put_setting(sets, n, S_SPEED, words[18] / 100.0)
    elif code == 2210 and has & BIT_S:
        put_setting(sets, n, S_FLOW, words[18] / 100.0)
    elif code == 2070:
        if has & BIT_S:
            put_setting(sets, n, S_RETRACT_LENGTH, words[18] * unit)
        if has & BIT_F:
            put_setting(sets, n, S_RETRACT_SPEED, words[5] * unit / 60.0)
    elif code == 1090 or code == 1900 or code == 1910 or code == 1160:
        n[HEATED] += 1
        degrees = words[18] if has & BIT_S else (words[17] if has & BIT_R else 0.0)
        put_setting(sets, n, S_HEAT, degrees)
    elif code == 0 or code == 10 or code == 250 or code == 2260 or code == 6000 or code == 6010:
        put_setting(sets, n, S_PAUSE, code / 10.0)
        count_odd(n, PAUSED)
    elif code == 2000:
        on = words[3] if has & BIT_D else 1.75
        if has & BIT_S and words[18] == 0:
            on = 0.0
        f[AREA] = pi / 4 * on * on if on > 0.0 else 1.0
        if on > 0.0:
            n[MODE] |= M_VOLUME
            count_odd(n, VOLUMETRIC)
        else:
            n[MODE] &= ~M_VOLUME
    elif code == 1010 or code == 1030:
        n[EXTRUDING] = 1 if code == 1010 else 0
    else:
        if code == 1040 or code == 1400 or code == 1410:
            n[HEATED] += 1
        elif code == 30 or code == 40:
            count_odd(n, SPINDLE)
        elif code == 980:
            count_odd(n, MACRO)
        return False
    return True


@kernel
def change_tool(value: float, n: Any, f: Any, tools: Any) -> bool:
    """Carry out T; with E positions of their own, each tool's is taken up where it was left."""
    tool = int(value)
    if tool < 0 or tool > 254:
        return False
    if tool != n[TOOL]:
        tools[n[TOOL], 2] = f[E]
        n[TOOL] = tool
        n[AFTER_TOOL] = 1
        if n[E_OWN]:
            f[E] = tools[tool, 2]
    return True


@kernel
def dwell_of(words: Any, has: int, n: Any) -> float:
    """Return the seconds of G4: P in milliseconds, S in seconds where the firmware knows it."""
    seconds = words[15] / 1000.0 if has & BIT_P else 0.0
    if has & BIT_S and n[SECONDS_ONLY] != 2:
        seconds = words[18]
    return max(seconds, 0.0)


@kernel
def run_g(
    code: int, words: Any, has: int, flags: int, n: Any, f: Any, tools: Any, cols: Any, arcs: Any, shifts: Any,
    target: Any,
) -> None:  # fmt: skip
    """Carry out a G command."""
    if code <= 30 and code % 10 == 0:
        if has:
            move(code, words, has, n, f, tools, cols, arcs, target)
        else:
            n[MOTION] = code
        return
    kind = K_MODE
    dwell = 0.0
    fed = 0.0
    if code == 920 or code == 921:
        set_origin(code, words, has, n, f, tools, shifts)
        kind = K_ORIGIN
    elif code == 280:
        home(has | flags, n, f, shifts)
        kind = K_HOME
    elif code == 100 or code == 110:
        if (has | flags) & ~BIT_S:
            count_odd(n, UNHEARD_OFFSET)
            return
        if code == 100:
            n[MODE] |= M_FW
            kind = K_FW_RETRACT
        else:
            n[MODE] &= ~M_FW
            kind = K_FW_PRIME
    elif code == 40:
        kind = K_DWELL
        dwell = dwell_of(words, has, n)
    elif code == 900 or code == 910:
        set_distance_mode(n, code == 910)
    elif code == 200 or code == 210:
        set_unit(n, f, code == 200)
    elif 170 <= code <= 190:
        n[PLANE] = (code - 170) // 10
    else:
        return
    put_row(cols, n, f, tools, kind, fed, 0.0, dwell)
    if kind == K_MODE and has & AXES:
        move(n[MOTION], words, has, n, f, tools, cols, arcs, target)  # "G90 X10": the motion in force


@kernel
def run_command(
    letter: int, code: int, value: float, words: Any, has: int, flags: int, n: Any, f: Any, tools: Any, cols: Any,
    sets: Any, arcs: Any, shifts: Any, target: Any,
) -> None:  # fmt: skip
    """Carry out one command with its words."""
    n[IN_LINE] += 1
    if n[IN_LINE] > MOST_IN_LINE:
        count_odd(n, CROWDED)
        return
    if letter == LETTER_G:
        run_g(code, words, has, flags, n, f, tools, cols, arcs, shifts, target)
    elif letter == LETTER_NONE:
        if has & (AXES | BIT_F | (1 << n[E_BIT])):
            move(n[MOTION], words, has, n, f, tools, cols, arcs, target)
    elif letter == LETTER_M:
        if run_m(code, words, has, n, f, sets):
            put_row(cols, n, f, tools, K_MODE, 0.0, 0.0, 0.0)
    elif change_tool(value, n, f, tools):
        put_row(cols, n, f, tools, K_TOOL, 0.0, 0.0, 0.0)


@kernel
def is_text_command(code: int) -> bool:
    """Tell whether what follows an M number is text, a file name or an expression."""
    return (
        code == 1170 or code == 1180 or code == 230 or code == 280 or code == 300 or code == 320
        or code == 330 or code == 360 or code == 160 or code == 9280 or code == 4860 or code == 2910
        or code == 8160 or code == 5500 or code == 5510 or code == 5870
    )  # fmt: skip


@kernel
def put_note(notes: Any, n: Any, start: int, stop: int, own: bool) -> None:
    """Write where a comment stands."""
    k = n[NOTES]
    notes[k, 0] = start
    notes[k, 1] = stop
    notes[k, 2] = n[LINE]
    notes[k, 3] = n[ROWS]
    notes[k, 4] = own
    notes[k, 5] = n[BYTE]
    n[NOTES] = k + 1


@kernel
def check_sum(data: Bytes, start: int, star: int, stop: int, n: Any) -> None:
    """Compare the number after ``*`` with the exclusive or of the bytes before it."""
    said, _, found = read_number(data, star + 1, stop)
    total = np.int64(0)
    for i in range(start, star):
        total ^= np.int64(data[i])
    if found and said != total:
        count_odd(n, BAD_CHECKSUM)


@kernel
def run_line(
    data: Bytes, start: int, stop: int, words: Any, n: Any, f: Any, tools: Any, cols: Any, sets: Any, arcs: Any,
    shifts: Any, notes: Any, target: Any,
) -> int:  # fmt: skip
    """Carry out the line at `start` and return the place after it."""
    letter = LETTER_NONE
    code = 0
    value = 0.0
    has = 0
    flags = 0
    first = True  # nothing but a line number has been read
    noted = False
    n[IN_LINE] = 0
    i = start
    while i < stop:
        c = np.int64(data[i])
        if c == 10:
            break
        if c <= 32:
            i += 1
            continue
        if c == 59 or c == 40:
            end = i + 1
            if c == 59:
                end = end_of_line(data, i, stop)
                if letter != LETTER_NONE or has:
                    run_command(
                        letter, code, value, words, has, flags, n, f, tools, cols, sets, arcs, shifts, target
                    )
                    letter, has, flags = LETTER_NONE, 0, 0
            else:
                while end < stop and data[end] != 41 and data[end] != 10:
                    end += 1
            if not noted and is_worth_keeping(data, i, end):
                put_note(notes, n, i, end, first)
                noted = True
            i = end + 1 if c == 40 and end < stop and data[end] == 41 else end
            continue
        u = c & 0xDF
        if 65 <= u <= 90:
            after = np.int64(data[i + 1]) if i + 1 < stop else 10
            name = 65 <= (after & 0xDF) <= 90 or after == 95
            if first and name:
                i = run_words(data, i, stop, n, notes, noted)
                noted = True
                first = False
                continue
            k = i + 1
            while k < stop and (data[k] == 32 or data[k] == 9):
                k += 1
            number, k, found = read_number(data, k, stop)
            if not found:
                flags |= 1 << (u - 65)
                i += 1
                first = False
                continue
            if u == 78 and first:  # N
                i = k
                continue
            if u == LETTER_G or u == LETTER_M or (u == LETTER_T and first):
                if not first:
                    count_odd(n, GLUED)
                    run_command(
                        letter, code, value, words, has, flags, n, f, tools, cols, sets, arcs, shifts, target
                    )
                letter = u
                value = number
                code = int(abs(number) * 10.0 + 0.5) if abs(number) < 1e6 else 99999990
                has = 0
                flags = 0
                first = False
                if u == LETTER_M and is_text_command(code):
                    letter = LETTER_NONE
                    if not noted and (code == 4860 or is_worth_keeping(data, i, end_of_text(data, i, stop))):
                        put_note(notes, n, i, end_of_text(data, i, stop), True)
                        noted = True
                    i = end_of_text(data, k, stop)
                else:
                    i = k
                continue
            if u == 79 and first:  # O
                count_odd(n, O_WORD)
            words[u - 65] = number
            has |= 1 << (u - 65)
            first = False
            i = k
            continue
        if c == 42:  # *
            check_sum(data, start, i, stop, n)
            i = end_of_text(data, i, stop)
        elif c == 34:  # a text in quotes
            i += 1
            while i < stop and data[i] != 34 and data[i] != 10:
                i += 1
            i = i + 1 if i < stop and data[i] == 34 else i
        elif c == 123 or c == 91:  # { or [
            count_odd(n, PLACEHOLDER)
            while i < stop and data[i] != 125 and data[i] != 93 and data[i] != 10 and data[i] != 59:
                i += 1
            i = i + 1 if i < stop and (data[i] == 125 or data[i] == 93) else i
        elif first and c != 37:  # not a word, and no %
            count_odd(n, STRAY)
            i = end_of_text(data, i, stop)
        else:
            i += 1
    if letter != LETTER_NONE or has:
        run_command(letter, code, value, words, has, flags, n, f, tools, cols, sets, arcs, shifts, target)
    return i + 1


@kernel
def run_words(data: Bytes, start: int, stop: int, n: Any, notes: Any, noted: bool) -> int:
    """Pass over a command made of letters, keeping it when it may mark something."""
    end = end_of_text(data, start, stop)
    count_odd(n, STRAY)
    if not noted and is_worth_keeping(data, start, end):
        put_note(notes, n, start, end, True)
    return end


@kernel
def run_lines(
    data: Bytes, start: int, stop: int, base: int, words: Any, n: Any, f: Any, tools: Any, cols: Any, sets: Any,
    arcs: Any, shifts: Any, notes: Any, target: Any,
) -> int:  # fmt: skip
    """Carry out whole lines until the piece or the space for what they say ends; return the place reached."""
    pos = start
    room = MOST_IN_LINE + 2
    while pos < stop:
        if (
            n[ROWS] + 2 * room > len(cols[0])
            or n[SETS] + 5 * room > len(sets)
            or n[ARCS] + 2 * room > len(arcs)
            or n[SHIFTS] + room > len(shifts)
            or n[NOTES] + 4 > len(notes)
        ):
            n[STATUS] = FULL
            break
        n[LINE] += 1
        n[BYTE] = base + pos
        pos = run_line(data, pos, stop, words, n, f, tools, cols, sets, arcs, shifts, notes, target)
        if n[STATUS] != OK:
            break
    return pos
