"""Recorded runs of a print, drawn by code of their own: the second judge of pairing.

Nothing here comes from the package: an own reader of G-code, an own planner (instantaneous speed change
per axis at corners, its own accelerations), own pictures. A run has two cameras: one on the frame that
sees the whole machine (`wide`) and one that rides beside the nozzle (`nozzle`), each with its own clock,
start and faults. Every picture knows when it was exposed by the machine's clock, and the run knows when
the machine stood at each stop, so a frame is right when it was exposed while the machine stood at its
stop.

Pictures are 160 x 90 arrays as a 640 x 360 recording gives them when it is shrunk by four, with what
H.264 does to them: blocks that change little stay as they were, and a keyframe refreshes all of them.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

Array = np.ndarray[Any, Any]

WIDTH, HEIGHT = 160, 90
ACCEL_MM_S2, ACCEL_Z_MM_S2 = 1150.0, 90.0  # not what the rig file says: a machine's own settings differ
CORNER_MM_S = np.array([7.0, 7.0, 0.4, 4.0])  # speed change per axis that is made at once
HEATING_S = 140.0  # the machine waits so long where the file waits for heat
BLOCK_PX, HELD, KEYFRAME = 4, 1.2, 60  # H.264: side of a block, change below which it is not sent, distance
_WORD = re.compile(r"([A-Z])\s*([-+]?\d*\.?\d+)")
_CUE = re.compile(r"twinlapse cue (\d+)\.(\d+)")


@dataclass(frozen=True, kw_only=True)
class Troubles:
    """What makes a run hard to read; the defaults are a clean one."""

    clock: tuple[float, float] = (1.0, 1.0)  # seconds of the recording for one of the machine's
    start_s: tuple[float, float] = (-30.0, -12.0)  # of each recording after the machine's start
    longer_s: tuple[float, float] = (8.0, 20.0)  # each records so long after the end
    pauses: tuple[tuple[float, int], ...] = ()  # length in s, pieces between which something twitches
    skips: float = 0.0  # share of the stops at which the machine does not stand
    strays: float = 0.0  # standstills elsewhere, for each stop
    drops: float = 0.0  # share of the pictures that are not there
    rate_hz: tuple[float, float] = (5.0, 5.0)  # slowest and fastest; between them it wanders
    hunting: float = 0.0  # share of the time in which the exposure swings
    noise: float = 0.7  # grey levels of a shrunk picture
    people: int = 0  # crossings of the wide picture
    visits_s: float = 0.0  # and a person who stays in it so long
    hidden: bool = False  # the wide camera does not see the head
    blind: bool = False  # the wide camera sees nothing that moves
    ends_at: float = 1.0  # share of the print at which it is aborted
    close_s: float | None = None  # they begin so long before the first stop and end so long after the last
    slips: float = 0.0  # share of the pictures that a recorder of constant rate loses without a gap in time


@dataclass(frozen=True, kw_only=True)
class Course:
    """Where the machine is, by its own clock, and when it stands at which stop."""

    time_s: Array  # (k,) rising
    place_mm: Array  # (k, 3)
    layer: Array  # (k,)
    stops: dict[tuple[int, int], tuple[float, float]]

    @property
    def end_s(self) -> float:
        return float(self.time_s[-1])


def read_moves(gcode: Path) -> list[tuple[str, Any]]:
    """Return moves (x, y, z, e, feed), waits, cues and layers of a file in order."""
    events: list[tuple[str, Any]] = []
    place, relative, relative_e, feed = np.zeros(4), False, False, 1500.0
    for line in gcode.read_text(encoding="latin-1").splitlines():
        cue = _CUE.search(line)
        if cue and not line.startswith(";"):
            events.append(("cue", (int(cue[1]), int(cue[2]))))
            continue
        if line.startswith(";LAYER:"):
            events.append(("layer", int(line[7:])))
            continue
        words = line.split(";")[0].strip()
        if not words:
            continue
        code = words.split()[0]
        given = {letter: float(number) for letter, number in _WORD.findall(words[len(code) :])}
        if code in ("G0", "G1"):
            feed = given.get("F", feed)
            target = place.copy()
            for axis, letter in enumerate("XYZE"):
                if letter in given:
                    adds = relative_e if letter == "E" else relative
                    target[axis] = given[letter] + (place[axis] if adds else 0.0)
            if np.any(target != place):
                events.append(("move", (target.copy(), feed / 60)))
            place = target
        elif code == "G4":
            events.append(("wait", given.get("P", 0.0) / 1000 + given.get("S", 0.0)))
        elif code == "G28":
            place = np.array([0.0, 0.0, 0.0, place[3]])
            events.append(("move", (place.copy(), 40.0)))
            events.append(("rest", 0.0))
        elif code == "G92":
            for axis, letter in enumerate("XYZE"):
                if letter in given:
                    place[axis] = given[letter]
            events.append(("set", place.copy()))
        elif code in ("M109", "M190"):
            events.append(("wait", HEATING_S))
        elif code == "M400":
            events.append(("rest", 0.0))
        elif code in ("G90", "G91"):
            relative = relative_e = code == "G91"
        elif code in ("M82", "M83"):
            relative_e = code == "M83"
    return events


def course_of(events: list[tuple[str, Any]]) -> Course:
    """Run the moves on a machine: trapezoids with speed limits at corners, per axis."""
    time_s, places, layers, stops = [0.0], [np.zeros(3)], [0], {}
    now, layer, place = 0.0, 0, np.zeros(4)
    queue: list[tuple[Array, Array, float]] = []
    waits: list[tuple[str, Any]] = [*events, ("rest", 0.0)]
    cue: tuple[int, int] | None = None
    for kind, value in waits:
        if kind == "move":
            queue.append((place, value[0], value[1]))
            place = value[0]
            continue
        if kind == "layer":
            layer = value
            continue
        if kind == "set":
            now = _run(queue, now, layer, time_s, places, layers)
            place = value
            continue
        now = _run(queue, now, layer, time_s, places, layers)
        if kind == "cue":
            cue = value
        elif kind == "wait":
            if cue is not None:
                stops[cue] = (time_s[-1], now + value)  # since it came to stand
                cue = None
            now += value
        if now > time_s[-1]:
            time_s.append(now)
            places.append(places[-1])
            layers.append(layer)
    course = Course(time_s=np.array(time_s), place_mm=np.array(places), layer=np.array(layers), stops=stops)
    return replace(course, stops={key: _grown(course, span) for key, span in stops.items()})


def _grown(course: Course, span: tuple[float, float]) -> tuple[float, float]:
    """Return a wait with all the rest around it in which nothing moves."""
    first, last = (int(k) for k in np.searchsorted(course.time_s, (span[0] + 1e-6, span[1] - 1e-6)))
    while first > 0 and np.array_equal(course.place_mm[first - 1], course.place_mm[last]):
        first -= 1
    while last + 1 < len(course.time_s) and np.array_equal(course.place_mm[last + 1], course.place_mm[last]):
        last += 1
    return float(course.time_s[first]), float(course.time_s[last])


def _run(queue: list[tuple[Array, Array, float]], now: float, layer: int, time_s: list[float],
         places: list[Array], layers: list[int]) -> float:  # fmt: skip
    """Empty the queue from rest to rest; return when the last move ends."""
    if not queue:
        return now
    delta = np.array([there - here for here, there, _ in queue])
    length = np.linalg.norm(delta[:, :3], axis=1)
    length = np.where(length > 1e-6, length, np.abs(delta[:, 3]))
    ways = delta / np.maximum(length, 1e-9)[:, None]
    speed = np.array([feed for _, _, feed in queue])
    accel = np.where(np.abs(ways[:, 2]) > 0.5, ACCEL_Z_MM_S2, ACCEL_MM_S2)
    speed = np.where(np.abs(ways[:, 2]) > 0.5, np.minimum(speed, 10.0), speed)
    turn = np.abs(np.diff(ways, axis=0))
    corner = np.min(np.where(turn > 1e-6, CORNER_MM_S / np.maximum(turn, 1e-6), 1e6), axis=1, initial=1e6)
    entry = np.concatenate([[0.0], np.minimum(np.minimum(speed[1:], speed[:-1]), corner), [0.0]])
    for k in range(len(queue)):
        entry[k + 1] = min(entry[k + 1], np.sqrt(entry[k] ** 2 + 2 * accel[k] * length[k]))
    for k in range(len(queue) - 1, -1, -1):
        entry[k] = min(entry[k], np.sqrt(entry[k + 1] ** 2 + 2 * accel[k] * length[k]))
    first, last = entry[:-1], entry[1:]
    peak = np.minimum(speed, np.sqrt(accel * length + (first**2 + last**2) / 2))
    peak = np.maximum(peak, np.maximum(np.maximum(first, last), 1e-3))
    up, down = (peak - first) / accel, (peak - last) / accel
    cruise = np.maximum(0.0, length - (first + peak) / 2 * up - (last + peak) / 2 * down) / peak
    for k, (here, there, _) in enumerate(queue):
        reach = [(first[k] + peak[k]) / 2 * up[k], length[k] - (last[k] + peak[k]) / 2 * down[k], length[k]]
        when = np.cumsum([up[k], cruise[k], down[k]])
        for t, s in zip(when, reach, strict=True):
            share = 0.0 if length[k] < 1e-9 else min(1.0, max(0.0, s / length[k]))
            time_s.append(now + float(t))
            places.append((here + share * (there - here))[:3])
            layers.append(layer)
        now += float(when[-1])
    queue.clear()
    return now


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One recorded picture."""

    stamp_s: float  # by the recording's clock
    real_s: float  # exposed, by the machine's


@dataclass(frozen=True, kw_only=True)
class Run:
    """A printed and recorded run."""

    course: Course
    troubles: Troubles
    cameras: dict[str, list[Frame]]
    people: list[tuple[float, float, int]] = field(default_factory=list)  # from, to, way
    seed: int = 0

    def due(self, camera: str) -> set[tuple[int, int]]:
        """Return the stops at which the machine stood while a camera recorded."""
        frames = self.cameras[camera]
        first, last = frames[0].real_s, frames[-1].real_s
        return {key for key, (a, b) in self.course.stops.items() if first < a + 0.5 and last > b - 0.5}

    def right(self, key: tuple[int, int], real_s: float) -> bool:
        """Whether a picture was exposed while the machine stood at a stop."""
        span = self.course.stops.get(key)
        return span is not None and span[0] <= real_s <= span[1]


def run_of(gcode: Path, troubles: Troubles, seed: int) -> Run:
    """Print a written file on the imagined machine, with troubles, and record it."""
    dice = np.random.default_rng([seed, 22])
    course = _troubled(course_of(read_moves(gcode)), troubles, dice)
    cameras = {}
    for place, name in enumerate(("wide", "nozzle")):
        begin = troubles.start_s[place]
        end = course.end_s + troubles.longer_s[place]
        if troubles.close_s is not None:
            begin = min(a for a, _ in course.stops.values()) - troubles.close_s
            end = max(b for _, b in course.stops.values()) + troubles.close_s
        times = _exposures(begin, end, troubles, dice)
        if troubles.slips:
            times = times[dice.random(len(times)) >= troubles.slips]
            stamps = np.arange(len(times)) / troubles.rate_hz[1]
        else:
            stamps = times - times[0] + dice.normal(0, 0.004, len(times))
        stamps = np.maximum.accumulate(np.maximum(0.0, stamps * troubles.clock[place]))  # as files have them
        kept = dice.random(len(times)) >= troubles.drops
        kept[0] = True
        cameras[name] = [
            Frame(stamp_s=float(s), real_s=float(t)) for s, t in zip(stamps[kept], times[kept], strict=True)
        ]
    people = []
    for _ in range(troubles.people):
        a = float(dice.uniform(0, course.end_s))
        people.append((a, a + float(dice.uniform(4, 25)), int(dice.integers(0, 2))))
    if troubles.visits_s:
        a = float(dice.uniform(0.2, 0.7) * course.end_s)
        people.append((a, a + troubles.visits_s, 2))
    return Run(course=course, troubles=troubles, cameras=cameras, people=people, seed=seed)


def _exposures(begin: float, end: float, troubles: Troubles, dice: np.random.Generator) -> Array:
    slow, fast = troubles.rate_hz
    if slow == fast:
        return np.arange(begin, end, 1 / fast)
    times, now, level = [], begin, 0.5
    while now < end:
        times.append(now)
        level = min(1.0, max(0.0, level + dice.normal(0, 0.05)))
        now += 1 / (slow + (fast - slow) * level)
    return np.array(times)


def _troubled(course: Course, troubles: Troubles, dice: np.random.Generator) -> Course:
    """Let the machine wait, skip stops, and stop early."""
    keys = list(course.stops)
    skipped = [key for key in keys if dice.random() < troubles.skips]
    edits: list[tuple[float, float, int]] = []  # at, added (or left out when negative), pieces
    for key in skipped:
        a, b = course.stops[key]
        edits.append((a, -(b - a), 1))
    first = min(a for a, _ in course.stops.values())
    for _ in range(round(troubles.strays * len(keys))):
        edits.append((_between(course, dice, first), float(dice.uniform(0.6, 3.0)), 1))
    for length_s, pieces in troubles.pauses:
        edits.append((_between(course, dice, first), length_s, pieces))
    edits.sort()
    time_s, place, layer = list(course.time_s), list(course.place_mm), list(course.layer)
    out_t, out_p, out_l, shift, at = [], [], [], 0.0, 0
    for when, add, pieces in edits:
        while at < len(time_s) and time_s[at] <= when + 1e-9:
            out_t.append(time_s[at] + shift)
            out_p.append(place[at])
            out_l.append(layer[at])
            at += 1
        here = np.array([np.interp(when, course.time_s, course.place_mm[:, axis]) for axis in range(3)])
        if add < 0:
            while at < len(time_s) and time_s[at] < when - add - 1e-9:
                at += 1
            out_t.append(when + shift)
            out_p.append(here)
            out_l.append(out_l[-1])
            shift += add
            continue
        out_t.append(when + shift)
        out_p.append(here)
        out_l.append(out_l[-1])
        for piece in range(pieces):
            shift += add / pieces
            out_t.append(when + shift)
            out_p.append(here)
            out_l.append(out_l[-1])
            if piece < pieces - 1:  # somebody pushes the head, and it comes back
                for move, took in ((6.0, 0.25), (0.0, 0.25)):
                    shift += took
                    out_t.append(when + shift)
                    out_p.append(here + np.array([move, 0.4 * move, 0.0]))
                    out_l.append(out_l[-1])
    out_t += [t + shift for t in time_s[at:]]
    out_p += place[at:]
    out_l += layer[at:]

    def moved(when: float) -> float:
        return when + sum(add + (pieces - 1) * 0.5 for at, add, pieces in edits if at < when - 1e-9)

    stops = {}
    for key, (a, b) in course.stops.items():
        if key not in skipped:
            stops[key] = (moved(a), moved(a) + b - a)
    new = Course(time_s=np.array(out_t), place_mm=np.array(out_p), layer=np.array(out_l), stops=stops)
    if troubles.ends_at < 1.0:
        last = troubles.ends_at * new.end_s
        keep = new.time_s <= last
        # it goes nowhere any more, and the recordings run on
        new = Course(time_s=np.append(new.time_s[keep], last),
                     layer=np.append(new.layer[keep], new.layer[keep][-1]),
                     place_mm=np.vstack([new.place_mm[keep], new.place_mm[keep][-1:]]),
                     stops={key: span for key, span in stops.items() if span[1] <= last})  # fmt: skip
    return new


def _between(course: Course, dice: np.random.Generator, first: float) -> float:
    """Return a moment at which the machine prints, not within a second of a stop."""
    while True:
        when = float(dice.uniform(first, course.end_s - 5))
        if all(not a - 1.0 < when < b + 1.0 for a, b in course.stops.values()):
            return when


class Painter:
    """Draws what a camera sees, as grey levels before light and noise."""

    def __init__(self, run: Run, camera: str) -> None:
        dice = np.random.default_rng([7, len(camera), run.seed])
        self.run, self.camera = run, camera
        smooth = np.kron(dice.uniform(60, 150, (18, 32)), np.ones((5, 5)))
        self.ground = smooth + dice.normal(0, 6, (HEIGHT, WIDTH))
        self.bed = np.kron(dice.uniform(70, 140, (15, 30)), np.ones((2, 2)))
        self.head = np.kron(dice.uniform(20, 220, (8, 8)), np.ones((3, 3)))
        self.layers = [np.kron(dice.uniform(50, 190, (110, 110)), np.ones((4, 4))) for _ in range(5)]

    def draw(self, real_s: float) -> Array:
        course = self.run.course
        x, y, z = (float(np.interp(real_s, course.time_s, course.place_mm[:, axis])) for axis in range(3))
        if self.camera == "nozzle":
            k = min(len(course.layer) - 1, int(np.searchsorted(course.time_s, real_s)))
            texture = self.layers[int(course.layer[k]) % 5]
            # eight pixels a mm: the print runs under the nozzle
            u, v = int(8 * x) % (texture.shape[1] - WIDTH), int(8 * y) % (texture.shape[0] - HEIGHT)
            canvas = texture[v : v + HEIGHT, u : u + WIDTH].copy()
            rise = int(min(20, max(0.0, z) * 0.2))
            canvas[30 - rise // 2 : 55, 70:92] = self.layers[0][
                : 25 + rise // 2, :22
            ]  # the nozzle, always there
            return canvas
        canvas = self.ground.copy()
        if not self.run.troubles.blind:
            v = int(42 - 0.11 * y)
            canvas[v : v + 30, 40:100] = self.bed[: HEIGHT - v]
            height = int(0.25 * z)
            canvas[v + 10 - height : v + 22, 62:78] = 175
            if not self.run.troubles.hidden:
                u, w = int(32 + 0.42 * x), int(36 - 0.27 * z)
                canvas[max(0, w - 20) : w + 4, u : u + 24] = self.head[-(w + 4 - max(0, w - 20)) :, :]
        for a, b, way in self.run.people:
            if a <= real_s <= b:
                share = (real_s - a) / (b - a)
                if way == 2:
                    left = int(20 + 25 * np.sin(0.35 * real_s) + 6 * np.sin(2.1 * real_s))
                else:
                    left = int((1 - share if way else share) * (WIDTH + 40) - 40)
                bob = int(2 * np.sin(6 * real_s))
                canvas[max(0, 8 + bob) :, max(0, left) : max(0, left + 34)] = 38
                canvas[34 + bob : 50 + bob, max(0, left + 4) : max(0, left + 16)] = 90
        return canvas


def pictures(run: Run, camera: str) -> Iterator[tuple[Frame, Array]]:
    """Yield every frame of a recording with its picture, shape (90, 160), uint8."""
    dice = np.random.default_rng([run.seed, 5, len(camera)])
    painter, troubles = Painter(run, camera), run.troubles
    grain = dice.normal(0, 1.0, (16, HEIGHT, WIDTH)) * troubles.noise
    swings = _swings(run, dice)
    shown: Array | None = None
    for number, frame in enumerate(run.cameras[camera]):
        gain = 1.0
        for a, b, period in swings:
            if a <= frame.real_s <= b:
                gain *= 1 + 0.16 * np.sin(2 * np.pi * (frame.real_s - a) / period)
        seen = painter.draw(frame.real_s) * gain
        seen += np.roll(grain[int(dice.integers(16))], int(dice.integers(WIDTH)), axis=1)
        shown = seen if shown is None or number % KEYFRAME == 0 else _coded(shown, seen)
        yield frame, np.clip(np.rint(shown), 0, 255).astype(np.uint8)


def _swings(run: Run, dice: np.random.Generator) -> list[tuple[float, float, float]]:
    share, swings = run.troubles.hunting, []
    now = -600.0
    while share and now < run.course.end_s + 600:
        length = float(dice.uniform(2, 8))
        now += length * (1 / share - 1) * float(dice.uniform(0.3, 1.7))
        swings.append((now, now + length, float(dice.uniform(1.0, 3.0))))
        now += length
    return swings


def _coded(shown: Array, seen: Array) -> Array:
    """Keep the blocks that change little, as H.264 at a low rate does."""
    side = BLOCK_PX
    rows, columns = HEIGHT // side, WIDTH // side
    cut = np.abs(seen - shown)[: rows * side].reshape(rows, side, columns, side).mean(axis=(1, 3))
    sent = np.kron(cut > HELD, np.ones((side, side), bool))
    sent = np.pad(sent, ((0, HEIGHT - rows * side), (0, 0)), mode="edge")
    return np.where(sent, seen, shown)


def as_jpeg(picture: Array, number: int) -> bytes:
    """Return a picture as JPEG with its number in a comment."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=80, comment=f"frame {number}".encode())
    return out.getvalue()


def number_of(data: bytes) -> int:
    """Return the number that `as_jpeg` wrote."""
    return int(data.split(b"frame ", 1)[1].split(b"\xff", 1)[0])
