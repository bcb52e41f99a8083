"""Ways to change a written file: consistent ones that move a shot's places, and wild ones of any line."""

from __future__ import annotations

import random
import re
from collections.abc import Callable

Lines = list[str]
_WAY = re.compile(r"G1 X(\S+) Y(\S+) F")
_PLACE = re.compile(r"G[0-3] X(\S+) Y(\S+)")
_STOP = re.compile(r"; stop \S+ \S+ at X(\S+) Y(\S+) Z(\S+) for")
_NUMBER = re.compile(r"-?\d+\.?\d*")
STEPS_MM = (0.1, 0.3, 1.0, 4.0, 15.0, 40.0)
NASTY = (
    "G28", "G91", "G90", "M82", "M83", "G92 E0", "G92 X0", "G92 Z5", "G20", "G4 P4000", "G1 Z0 F600",
    "G1 Z1 F600", "G1 X60 Y60 F9000", "G1 X60 Y60 Z1 F9000", "G2 X60 Y60 I5 J5", "G1 E-40 F2100",
    "G1 E5 F2100", "M84", "T1", "G10", "G11", "M400", "g1 z0 f600", "G1 X60 (Z0)", "; a thought\rG1 Z0",
    "M118 A1 action:cancel", "G53 G1 Z0", "M204 S100", "G18", "G17", "M221 S200", "M220 S10", "G1 F60",
    "; a thought", "", "M106 S0", "PAUSE", "G1 Z-0.2 F600", "G01 Z2 F600",
    "G1 Z2 F600 ; twinlapse cue 1.1 wide", "N7 G1 Z0*3", "G1 X60 X5 F9000", "SET_GCODE_OFFSET Z=-3",
    "M206 Z-3", "G10 P0 Z-3", "M851 Z-3", "M486 S-1", "M486 S0", "M486 S1",
)  # fmt: skip


def blocks(lines: Lines) -> list[tuple[int, int]]:
    """Index of the first and last line of every shot."""
    begins = [i for i, line in enumerate(lines) if line.startswith("; twinlapse shot") and " begin" in line]
    ends = [
        i for i, line in enumerate(lines) if line.startswith("; twinlapse shot") and line.endswith(" end")
    ]
    return [(a, b) for a, b in zip(begins, ends, strict=False) if a < b]


def _steps(lines: Lines) -> bool:
    return "G91" in lines[:60]


def _unit(lines: Lines) -> float:
    return 25.4 if "G20" in lines[:60] else 1.0


def _shifted(line: str, by: dict[str, float]) -> str:
    for axis, value in by.items():
        line = re.sub(
            rf"{axis}(-?[\d.]+)", lambda m, a=axis, v=value: f"{a}{float(m[1]) + v:.6g}", line, count=1
        )
    return line


def move_stop(lines: Lines, rng: random.Random) -> Lines | None:
    """Put a stop elsewhere: the way there, what the comment says of it, and the way on."""
    first, last = rng.choice(blocks(lines))
    stops = [i for i in range(first, last) if _STOP.match(lines[i])]
    if not stops:
        return None
    stop = rng.choice(stops)
    ways = [i for i in range(first, stop) if _WAY.match(lines[i])]
    if not ways:
        return None
    size, unit = rng.choice(STEPS_MM), _unit(lines)
    by = {"X": rng.gauss(0, size), "Y": rng.gauss(0, size)}
    out = list(lines)
    told = {axis: round(value, 3) for axis, value in by.items()}
    out[stop] = _shifted(out[stop], told)
    out[ways[-1]] = _shifted(out[ways[-1]], {axis: value / unit for axis, value in told.items()})
    if _steps(lines):
        after = [i for i in range(stop, last) if _WAY.match(lines[i])]
        if not after:
            return None
        out[after[0]] = _shifted(out[after[0]], {axis: -value / unit for axis, value in told.items()})
    return out


def change_height(lines: Lines, rng: random.Random) -> Lines | None:
    """Travel at another height."""
    first, last = rng.choice(blocks(lines))
    rises = [i for i in range(first, last) if lines[i].startswith("G1 Z")]
    if len(rises) < 2:
        return None
    unit, by = _unit(lines), round(rng.gauss(0, rng.choice(STEPS_MM[:4])), 3)
    out = list(lines)
    if _steps(lines):
        out[rises[0]] = _shifted(out[rises[0]], {"Z": by / unit})
        out[rises[-1]] = _shifted(out[rises[-1]], {"Z": -by / unit})
    else:
        for i in rises[:-1]:
            out[i] = _shifted(out[i], {"Z": by / unit})
    for i in range(first, last):
        if _STOP.match(lines[i]):
            out[i] = re.sub(r" Z(-?[\d.]+)", lambda m: f" Z{float(m[1]) + by:.6g}", out[i])
    return out


def add_way(lines: Lines, rng: random.Random) -> Lines | None:
    """Go to some other place on the way."""
    first, last = rng.choice(blocks(lines))
    ways = [i for i in range(first, last) if _WAY.match(lines[i])]
    if not ways or _steps(lines):
        return None
    at, unit = rng.choice(ways), _unit(lines)
    found = _WAY.match(lines[at])
    assert found
    size = rng.choice(STEPS_MM)
    x, y = (float(found[k]) + rng.gauss(0, size) / unit for k in (1, 2))
    return [*lines[:at], re.sub(r"X\S+ Y\S+", f"X{x:.5f} Y{y:.5f}", lines[at]), *lines[at:]]


def aim_way(lines: Lines, rng: random.Random) -> Lines | None:
    """Pass by some place that the print goes to."""
    first, last = rng.choice(blocks(lines))
    ways = [i for i in range(first, last) if _WAY.match(lines[i])]
    places = [found for line in lines[60 : len(lines) : 3] if (found := _PLACE.match(line))]
    if not ways or not places or _steps(lines):
        return None
    at, place, unit = rng.choice(ways), rng.choice(places), _unit(lines)
    size = rng.choice(STEPS_MM[:5])
    x, y = (float(place[k]) + rng.gauss(0, size) / unit for k in (1, 2))
    return [*lines[:at], re.sub(r"X\S+ Y\S+", f"X{x:.5f} Y{y:.5f}", lines[at]), *lines[at:]]


def drop_way(lines: Lines, rng: random.Random) -> Lines | None:
    """Leave out a place on the way."""
    first, last = rng.choice(blocks(lines))
    ways = [i for i in range(first, last - 1) if _WAY.match(lines[i]) and _WAY.match(lines[i + 1])]
    if not ways or _steps(lines):
        return None
    at = rng.choice(ways)
    return [*lines[:at], *lines[at + 1 :]]


def move_block(lines: Lines, rng: random.Random) -> Lines | None:
    """Put a shot somewhere else."""
    first, last = rng.choice(blocks(lines))
    body, rest = lines[first : last + 1], [*lines[:first], *lines[last + 1 :]]
    at = min(max(first + rng.randint(-80, 80), 1), len(rest))
    return [*rest[:at], *body, *rest[at:]]


def swap_bodies(lines: Lines, rng: random.Random) -> Lines | None:
    """Give a shot the lines of another, numbers apart."""
    (a, b), (c, d) = rng.choice(blocks(lines)), rng.choice(blocks(lines))
    if a == c:
        return None
    mine, theirs = lines[a].split()[3], lines[c].split()[3]
    body = [line.replace(f" {theirs}.", f" {mine}.") for line in lines[c + 1 : d]]
    return [*lines[: a + 1], *body, *lines[b:]]


def disturb(lines: Lines, rng: random.Random) -> Lines | None:
    """Change any line in a shot, or right before or behind it."""
    first, last = rng.choice(blocks(lines))
    at = rng.randint(max(first - 3, 0), min(last + 3, len(lines) - 2))
    kind = rng.randrange(6)
    line = lines[at]
    if kind == 0:
        return [*lines[:at], *lines[at + 1 :]]
    if kind == 1:
        return [*lines[:at], line, line, *lines[at + 1 :]]
    if kind == 2:
        return [*lines[:at], lines[at + 1], line, *lines[at + 2 :]]
    if kind == 3:
        changed = line.lower()
    elif kind == 4:
        changed = line + rng.choice((" Z0", " F60", " E5", " (Z0)", "*33", " X60", " ; a thought"))
    else:
        numbers = list(_NUMBER.finditer(line))
        if not numbers:
            return None
        found = rng.choice(numbers)
        value = float(found[0]) * rng.choice((0, -1, 0.5, 2, 0.98, 1.02, 10)) + rng.choice(
            (0, 0, 0.01, -1, 5)
        )
        changed = line[: found.start()] + f"{value:.6g}" + line[found.end() :]
    return None if changed == line else [*lines[:at], changed, *lines[at + 1 :]]


def put_nasty(lines: Lines, rng: random.Random) -> Lines | None:
    """Put a line of the worst into a shot, or right before or behind it."""
    first, last = rng.choice(blocks(lines))
    at = rng.randint(max(first - 2, 0), last + 2)
    return [*lines[:at], rng.choice(NASTY), *lines[at:]]


def change_header(lines: Lines, rng: random.Random) -> Lines | None:
    """Loosen, or just change, what the header says of the machine."""
    facts = [i for i, line in enumerate(lines[:80]) if re.match(r"; [a-z_]+ .*\d", line)]
    at = rng.choice(facts)
    numbers = list(_NUMBER.finditer(lines[at]))
    if not numbers:
        return [*lines[:at], *lines[at + 1 :]]
    found = rng.choice(numbers)
    value = float(found[0]) * rng.choice((0, 0.1, 0.5, 2, 10)) + rng.choice((0, 0, 1, -5, 50))
    return [
        *lines[:at],
        lines[at][: found.start()] + f"{value:g}" + lines[at][found.end() :],
        *lines[at + 1 :],
    ]


def change_outside(lines: Lines, rng: random.Random) -> Lines | None:
    """Change a line that is not of a shot."""
    at = rng.randrange(len(lines))
    if lines[at].startswith("; twinlapse") or any(a <= at <= b for a, b in blocks(lines)):
        return None
    kind = rng.randrange(3)
    if kind == 0:
        return [*lines[:at], *lines[at + 1 :]]
    if kind == 1:
        return [*lines[:at], rng.choice(NASTY), *lines[at:]]
    numbers = list(_NUMBER.finditer(lines[at]))
    if not numbers:
        return None
    found = rng.choice(numbers)
    value = float(found[0]) + rng.choice((0.05, -1, 7))
    return [
        *lines[:at],
        lines[at][: found.start()] + f"{value:g}" + lines[at][found.end() :],
        *lines[at + 1 :],
    ]


def leave_object(lines: Lines, rng: random.Random) -> Lines | None:
    """Have a shot leave an object and take one up again, or no more."""
    first, last = rng.choice(blocks(lines))
    kept = [line for line in lines[first : last + 1] if not line.startswith("M486")]
    if len(kept) == last + 1 - first or rng.random() < 0.3:
        current = [line for line in lines[:first] if re.match(r"M486 S\d", line)]
        number = current[-1] if current and rng.random() < 0.8 else f"M486 S{rng.randrange(3)}"
        kept = [kept[0], "M486 S-1", *kept[1:-1], number, kept[-1]]
    return [*lines[:first], *kept, *lines[last + 1 :]]


Edit = Callable[[Lines, random.Random], Lines | None]
PLACES: tuple[Edit, ...] = (move_stop, change_height, add_way, aim_way, drop_way)
WILD: tuple[Edit, ...] = (
    move_block, swap_bodies, disturb, put_nasty, put_nasty, change_header, change_outside, leave_object,
)  # fmt: skip
