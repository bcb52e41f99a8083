"""A changed file, read in stretches: where it is said to do what the original does, it does."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from twinlapse.gcode import Toolpath, read_toolpath, reading_states, tokenizer
from twinlapse.gcode import interpreter as machine
from twinlapse.gcode.changed_reader import Stretch, pass_stretches

FIRMWARES = ("marlin", "klipper", "reprapfirmware")
COLUMNS = (
    "kind", "mode", "tool", "x_mm", "y_mm", "z_mm", "e_mm", "e_word", "feed_mm_s", "length_mm",
    "retracted_mm", "dwell_s",
)  # fmt: skip
# settings that a change leaves behind, and the accelerations by them, are not of the state: the proof has
# a check of its own for them
SUMS = {"e_mm": 1e-6, "e_word": 1e-6, "retracted_mm": 1e-6}  # all others to the last bit
# what leaves something behind, or does not; "/" stands for a line end
SAID = """
; a note |  | M117 a pot | M400 | G4 P500 | G0 | G1 | G2 | G3 | G2 | G3 I1 | G90 | G91 | G20 | G21 | G17
| G18 | G53 | G92 E0 | G92 E3 | G92 X5 | G92 Y5 | G92 Z1 | G92.1 | G10 | G11 | G28 X | G28 Y Z | M82 | M83
| M101 | M103 | M200 D1.75 | M200 D2 | M200 D0 | M204 S500 | M204 P700 | M204 T800 | M220 S50 | M207 S2 | T0
| T1 | M109 S200 | SET_VELOCITY_LIMIT ACCEL=300 | X10 | G1 Y31 | G1 Y31 X50 | G1 X31 Y32 | G1 X31 E.4
| G1 Z9 | G1 F1234 | G1 X50 Y50 Z5 E7 F3000 | G1 X1 Y1/G1 X50 Y50 | G91/G1 Z1/G1 Z-1/G90 | G1 E0.5
| G1 E-0.8 | G1 E-0.8/G1 E0.8 | G1 E-0.1/G1 E0.1 | G91/G1 E.3/G1 E-.3/G90 | M83/G1 E.3/G1 E-.3/M82
| G1 E-4/G92 E0 | G91/G1 E.00000003/G90 | M83/G1 E.00000003/M82
"""
LEAKS = tuple(leak.strip().replace("/", "\n") for leak in SAID.split("|"))


def program(pick: random.Random) -> list[str]:
    """Write a print in which the same things are said in many ways."""
    lines = [
        "; a pot for seedlings",
        "M109 S200",
        pick.choice(("G28", "G28 X")),
        "G21",
        "G90",
        pick.choice(("M82", "M83", "; none")),
    ]
    lines += ["G1 X20 Y20 Z5 F3000", "G1 X50 Y50 E1.5"]
    relative = lines[5] == "M83"
    e = 0.0 if relative else 2.0
    for _ in range(pick.randrange(60, 160)):
        e += 0.0 if relative else pick.choice((0.05, 0.4, 0.31, 0.0))
        word = f"E{pick.choice((0.05, 0.4, 0.31)) if relative else e:.5f}"
        x, y = pick.randrange(10, 90), pick.randrange(10, 90)
        said = (
            *2 * (f"G1 X{x} Y{y} {word}",), f"G1 X{x} Y{y} {word} F{pick.randrange(600, 6000)}",
            f"G0 X{x}.5 Y{y}", f"X{x} Y{y} I5 J2", f"Y{y}", f"G2 X{x} Y{y} I5 J2 {word}", f"G1 Z{x / 9:.2f}",
            "; a note", "M106 S90", "G4 P20", f"M204 S{x * 20}", "G92 E0" if relative else "M400",
            pick.choice(LEAKS),
        )  # fmt: skip
        lines.append(pick.choice(said))
        if lines[-1] == "G92 E0":
            e = 0.0
    return lines


def read_changed(
    pick: random.Random, folder: Path, firmware: str, leak: str
) -> tuple[bool, int, Toolpath, Toolpath, slice, int] | None:
    """Read a program with something put in, by one stretch and whole."""
    lines = program(pick)
    at = pick.randrange(8, len(lines))
    text = "\n".join(lines) + "\n"
    place = len("\n".join(lines[:at]) + "\n")
    original, changed = folder / "original.gcode", folder / "changed.gcode"
    original.write_bytes(text.encode())
    put = f"{leak}\n"
    changed.write_bytes((text[:place] + put + text[place:]).encode())
    path = read_toolpath(original, firmware=firmware)
    states = path.states
    if states is None or not len(states):
        return None
    usable = np.flatnonzero((states.row > 0) & ~np.isin(states.row, path.setting_row))
    before = [k for k in usable if states.byte[k] <= place]
    behind = [k for k in usable if states.byte[k] > place]
    if not before or not behind:
        return None
    begin, end = pick.choice(before), pick.choice((behind[0], pick.choice(behind)))
    stretch = Stretch(
        begin=int(begin),
        end=int(end),
        start=int(states.byte[begin]),
        stop=int(states.byte[end]) + len(put),
        lines=0,
    )
    counts: list[int] = []
    same = pass_stretches(changed, [stretch], path, lambda piece: counts.append(len(piece)))
    read = slice(int(states.row[begin]), int(states.row[end]))
    extra = sum(counts) - 1 - (read.stop - read.start)  # the row before the stretch is handed over as well
    return same, extra, path, read_toolpath(changed, firmware=firmware), read, at


def check(same: bool, extra: int, path: Toolpath, changed: Toolpath, read: slice, hint: object) -> None:
    """If it is said to be the same, every row outside the stretch is."""
    if not same:
        return
    assert len(changed) == len(path) + extra, hint
    for name in COLUMNS:
        for mine, theirs in (
            (slice(0, read.start), slice(0, read.start)),
            (slice(read.stop, None), slice(read.stop + extra, None)),
        ):
            a, b = getattr(path, name)[mine], getattr(changed, name)[theirs]
            np.testing.assert_allclose(a, b, rtol=0, atol=SUMS.get(name, 0.0), err_msg=f"{name} {hint}")


def try_leaks(folder: Path, seed: int, count: int) -> tuple[int, int]:
    """Return how many changes were said to leave nothing behind, and how many to leave something."""
    pick, said = random.Random(seed), [0, 0]
    for _ in range(count):
        leak = "\n".join(pick.choices(LEAKS, k=pick.choice((1, 1, 2))))
        found = read_changed(pick, folder, pick.choice(FIRMWARES), leak)
        if found is not None:
            same, extra, path, changed, read, at = found
            check(same, extra, path, changed, read, (seed, leak, at))
            said[not same] += 1
    return said[0], said[1]


@pytest.fixture(autouse=True)
def many_states(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take states every few lines: the programs here are short."""
    monkeypatch.setattr(reading_states, "LEAST_BYTES", 60)
    monkeypatch.setattr(reading_states, "MOST_STATES", 10**9)


def test_what_is_said_to_leave_nothing_behind_leaves_nothing(tmp_path: Path) -> None:
    same, other = try_leaks(tmp_path, 1, 120)
    assert same > 20 and other > 20, (same, other)


@pytest.mark.slow
def test_what_is_said_to_leave_nothing_behind_leaves_nothing_of_many(tmp_path: Path) -> None:
    same, other = try_leaks(tmp_path, 2, 20_000)
    assert same > 4000 and other > 4000


def test_a_state_is_another_when_one_part_of_it_is(tmp_path: Path) -> None:
    """Each part that decides over lines to come, one by one; counters and what a command leaves are none."""
    path = tmp_path / "pot.gcode"
    path.write_text("\n".join(program(random.Random(3))))
    states = read_toolpath(path).states
    assert states is not None
    n, f = np.zeros(machine.N_INTEGERS, np.int64), np.zeros(machine.N_FLOATS)
    for k in range(len(states)):
        states.put_back(k, n, f)
        assert states.apart(k, n, f) == (0.0, 0.0)
    decisive = {*range(tokenizer.STATE, machine.N_INTEGERS)} - {
        machine.ROWS, machine.EVENTS, machine.STATUS, machine.N_E, machine.N_A, machine.N_U, machine.HEATED,
        machine.MACHINE_PLACE, machine.ROWS_BEFORE,
    }  # fmt: skip
    for place in range(machine.N_INTEGERS):
        n[place] += 1
        assert (states.apart(k, n, f) is None) == (place in decisive), place
        n[place] -= 1
    ways = {*range(tokenizer.WORDS), machine.TO_X, machine.TO_Y, machine.TO_Z}
    fed, furthest = machine.TOOLS + 3, machine.TOOLS + 4  # of the second tool
    for place in range(machine.N_FLOATS):
        f[place] += 0.5
        apart = states.apart(k, n, f)
        if place in ways:
            assert apart == (0.0, 0.0), place
        elif place == machine.E:
            assert apart == (0.5, 0.0)
        elif place >= machine.TOOLS and (place - machine.TOOLS) % 3 < 2:
            assert apart == (0.0, 0.5), place
        else:
            assert apart is None, place
        f[place] -= 0.5
    f[fed] += 7.0
    f[furthest] += 7.0  # the same is retracted
    assert states.apart(k, n, f) == (0.0, 0.0)
