"""Recorded runs of other machines and other cameras, drawn anew: the third judge of pairing.

Nothing is shared with the package nor with `recorded_runs` but the record of a frame. The machine stops at
every corner and speeds up along a cosine; its head is a blower, a slab or a cone; it moves a bed, a gantry
over a sinking bed, or three arms. A wide camera looks from anywhere by a real projection, the other one
rides along. Faults are those of real cameras: autofocus that hunts, lamps that flicker against the
shutter, 25 pictures a second, times that jump, stretches that were never written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from recorded_runs import Frame

Array = np.ndarray[Any, Any]
Key = tuple[int, int]
SIZE = (128, 96)  # width, height
KINDS = ("bed", "corexy", "delta")


@dataclass(frozen=True, kw_only=True)
class Faults:
    """What a run and its cameras suffer from."""

    kind: str = "bed"
    rate_hz: tuple[float, float] = (25.0, 25.0)  # of the two cameras
    flicker: float = 0.0  # share of light that bands of the lamps take
    focus: float = 0.0  # share of the time in which autofocus hunts
    jumps: int = 0  # times that jump on by a few seconds, where the recorder hung or its clock was set
    gaps: int = 0  # stretches of 3 to 40 s that were never written
    noise: float = 1.0
    pauses: int = 0
    shake: float = 0.0  # px by which the wide camera trembles while the machine moves
    low: bool = False  # the wide camera looks along the bed
    ppm: tuple[float, float] = (0.0, 0.0)  # of the clocks
    ends_at: float = 1.0


def faults_of(seed: int) -> Faults:
    """Return random faults."""
    dice = np.random.default_rng([seed, 4711])

    def some(chance: float, low: float, high: float) -> float:
        return float(dice.uniform(low, high)) if dice.random() < chance else 0.0

    return Faults(
        kind=KINDS[int(dice.integers(3))],
        rate_hz=tuple(float(dice.choice([25.0, 10.0, 5.0, 15.0])) for _ in range(2)),  # type: ignore[arg-type]
        flicker=some(0.5, 0.02, 0.12),
        focus=some(0.4, 0.05, 0.3),
        jumps=int(dice.integers(0, 3)) if dice.random() < 0.3 else 0,
        gaps=int(dice.integers(1, 4)) if dice.random() < 0.4 else 0,
        noise=float(dice.uniform(0.5, 3.0)),
        pauses=int(dice.integers(0, 3)),
        shake=some(0.3, 0.1, 0.6),
        low=bool(dice.random() < 0.3),
        ppm=(float(dice.uniform(-3000, 3000)), float(dice.uniform(-3000, 3000))),
        ends_at=float(dice.uniform(0.5, 0.9)) if dice.random() < 0.15 else 1.0,
    )


class OtherRun:
    """A printed and recorded run."""

    def __init__(self, gcode: Path, faults: Faults, seed: int) -> None:
        self.faults, self.seed = faults, seed
        dice = np.random.default_rng([seed, 815])
        self._time_s, self._place, self.stops = _printed(gcode, faults, dice)
        end_s = float(self._time_s[-1])
        self.cameras: dict[str, list[Frame]] = {}
        for place, name in enumerate(("wide", "nozzle")):
            # a player of 25 pictures a second looks at 8 of them, as `pair` does
            rate = faults.rate_hz[place] / np.ceil(faults.rate_hz[place] / 10)
            real = np.arange(-float(dice.uniform(5, 300)), end_s + float(dice.uniform(5, 300)), 1 / rate)
            stamps = (real - real[0]) * (1 + 1e-6 * faults.ppm[place])
            for _ in range(faults.jumps):
                stamps[int(dice.integers(len(real))) :] += float(dice.uniform(0.5, 6.0))
            kept = np.ones(len(real), bool)
            for _ in range(faults.gaps):
                a = float(dice.uniform(0, end_s))
                kept &= (real < a) | (real > a + dice.uniform(3, 40))
            self.cameras[name] = [
                Frame(stamp_s=float(s), real_s=float(t))
                for s, t in zip(stamps[kept], real[kept], strict=True)
            ]

    def due(self, camera: str) -> set[Key]:
        """Return the stops of which there is a picture."""
        real = np.array([frame.real_s for frame in self.cameras[camera]])
        return {key for key, (a, b) in self.stops.items() if ((a < real) & (real < b)).any()}

    def right(self, key: Key, real_s: float) -> bool:
        """Whether a picture was exposed while the machine stood at a stop."""
        span = self.stops.get(key)
        return span is not None and span[0] <= real_s <= span[1]

    def place(self, real_s: float) -> Array:
        return np.array([np.interp(real_s, self._time_s, axis) for axis in self._place.T])

    def pictures(self, camera: str) -> Iterator[tuple[Frame, Array]]:
        """Yield every frame with its picture, shape (96, 128), uint8."""
        dice = np.random.default_rng([self.seed, 3, len(camera)])
        draw = _Wide(self, dice) if camera == "wide" else _Nozzle(self, dice)
        rows = np.arange(SIZE[1])[:, None]
        hunts = _spells(dice, self.faults.focus, float(self._time_s[-1]))
        grain = dice.normal(0, self.faults.noise, (8, SIZE[1], SIZE[0]))
        for frame in self.cameras[camera]:
            view = draw(frame.real_s).astype(np.float32)
            for a, b in hunts:
                if a < frame.real_s < b:
                    view = cv2.GaussianBlur(view, (0, 0), 0.3 + 2.0 * abs(np.sin(2.2 * (frame.real_s - a))))
            if self.faults.flicker:  # 100 Hz lamps against a rolling shutter: bands that wander
                view = view * (1 + self.faults.flicker * np.sin(0.11 * rows + 2 * np.pi * 3.7 * frame.real_s))
            view = view + np.roll(grain[int(dice.integers(8))], int(dice.integers(SIZE[0])), axis=1)
            yield frame, np.clip(np.rint(view), 0, 255).astype(np.uint8)


def _spells(dice: np.random.Generator, share: float, end_s: float) -> list[tuple[float, float]]:
    spells, now = [], -300.0
    while share and now < end_s + 300:
        now += float(dice.exponential(4.0 / share))
        spells.append((now, now + float(dice.uniform(1.5, 6.5))))
    return spells


def _printed(gcode: Path, faults: Faults, dice: np.random.Generator) -> tuple[Array, Array, dict[Key, Any]]:
    """Run a file on a machine that stops at every corner; return times, places, and when it stood."""
    place, feed, relative = np.zeros(3), 20.0, False
    times, places, stops = [0.0], [place.copy()], {}
    cue: Key | None = None
    speed = float(dice.uniform(0.93, 1.0))
    lines = gcode.read_text(encoding="latin-1").splitlines()
    pauses = set(dice.integers(len(lines) // 10, len(lines), faults.pauses).tolist())

    def rest(length_s: float) -> None:
        times.append(times[-1] + length_s)
        places.append(places[-1])

    for number, line in enumerate(lines):
        if number in pauses:
            rest(float(dice.uniform(15, 300)))
        found = re.search(r"cue (\d+)\.(\d+)", line)
        if found and line[0] != ";":
            cue = (int(found[1]), int(found[2]))
        words = line.partition(";")[0].split()
        if not words:
            continue
        given = {word[0]: float(word[1:]) for word in words[1:] if re.fullmatch(r"[XYZEFPS]-?[\d.]+", word)}
        if words[0] in ("G90", "G91"):
            relative = words[0] == "G91"
        elif words[0] == "G4":
            if cue is not None:
                stops[cue] = (times[-1], times[-1] + given.get("P", 0) / 1000 + given.get("S", 0))
                cue = None
            rest(given.get("P", 0) / 1000 + given.get("S", 0))
        elif words[0] in ("M109", "M190"):
            rest(float(dice.uniform(40, 120)))
        elif words[0] in ("G0", "G1", "G28"):
            feed = given.get("F", 60 * feed) / 60
            target = place.copy() if words[0] != "G28" else np.zeros(3)
            for axis, letter in enumerate("XYZ"):
                if letter in given:
                    target[axis] = given[letter] + (place[axis] if relative else 0)
            way = float(np.linalg.norm(target - place))
            if way > 1e-6:
                top = min(feed, 8.0) if abs(target[2] - place[2]) > 0.5 * way else feed
                ramp = min(0.06 * top / 50, way / top)
                length_s = (way / top + 0.3 * ramp) / speed
                share = np.linspace(0, 1, 6)[1:]
                bent = 0.75 * share + 0.25 * (1 - np.cos(np.pi * share)) / 2
                for part, s in zip(share, bent, strict=True):
                    times.append(times[-1] + length_s / 5 + 0 * part)
                    places.append(place + s * (target - place))
            place = target
    time_s, path = np.array(times), np.array(places)
    if faults.ends_at < 1:
        last = int(np.searchsorted(time_s, faults.ends_at * time_s[-1]))
        time_s, path = time_s[:last], path[:last]
    grown = {}
    for key, (a, b) in stops.items():
        if b > time_s[-1]:
            continue
        first = last = int(np.searchsorted(time_s, 0.5 * (a + b)))
        while first > 1 and np.array_equal(path[first - 1], path[last]):
            first -= 1
        while last + 1 < len(path) and np.array_equal(path[last + 1], path[first]):
            last += 1
        grown[key] = (float(time_s[first]), float(time_s[last]))
    return time_s, path, grown


def _cloth(dice: np.random.Generator, size: tuple[int, int], scales: tuple[int, ...]) -> Array:
    total = np.full(size[::-1], 110.0)
    for scale in scales:
        rough = dice.normal(0, 22, (size[1] // scale + 2, size[0] // scale + 2)).astype(np.float32)
        total += cv2.resize(rough, size, interpolation=cv2.INTER_CUBIC)
    return np.clip(total, 5, 250).astype(np.uint8)


class _Wide:
    """A pinhole camera anywhere before the machine."""

    def __init__(self, run: OtherRun, dice: np.random.Generator) -> None:
        self.run, self.dice = run, dice
        self.room, self.bed = _cloth(dice, SIZE, (3, 17)), _cloth(dice, (96, 96), (4, 24))
        turn, height = (
            float(dice.uniform(-0.9, 0.9)),
            float(dice.uniform(15, 60) if run.faults.low else dice.uniform(150, 420)),
        )
        eye = np.array([110 + 430 * np.sin(turn), 110 - 430 * np.cos(turn), height])
        ahead = np.array([110, 110, 40.0]) - eye
        ahead /= np.linalg.norm(ahead)
        right = np.cross(ahead, [0, 0, 1.0])
        right /= np.linalg.norm(right)
        self.eye, self.axes = eye, np.array([right, -np.cross(right, ahead), ahead])
        self.shape = int(dice.integers(3))
        self.dark = int(dice.integers(10, 230))

    def _seen(self, points: Array) -> Array:
        rays = (np.atleast_2d(points) - self.eye) @ self.axes.T
        return 115.0 * rays[:, :2] / rays[:, 2:] + np.array(SIZE) / 2

    def __call__(self, real_s: float) -> Array:
        x, y, z = self.run.place(real_s)
        kind = self.run.faults.kind
        view = self.room.copy()
        slide, sink = (110 - y, 0.0) if kind == "bed" else (0.0, -z if kind == "corexy" else 0.0)
        corners = np.array(
            [[0, slide, sink], [220, slide, sink], [220, 220 + slide, sink], [0, 220 + slide, sink]]
        )
        flat = cv2.getPerspectiveTransform(
            np.array([[0, 95], [95, 95], [95, 0], [0, 0]], np.float32), self._seen(corners).astype(np.float32)
        )
        cv2.warpPerspective(self.bed, flat, SIZE, dst=view, borderMode=cv2.BORDER_TRANSPARENT)
        at = np.array([x, 110.0 if kind == "bed" else y, 0.0 if kind == "corexy" else z])
        if kind == "bed":
            self._line(view, np.array([-20, 110, at[2] + 40]), np.array([240, 110, at[2] + 40]), 70, 3)
        if kind == "corexy":
            self._line(view, np.array([-10, y, 40.0]), np.array([230, y, 40.0]), 160, 2)
        if kind == "delta":
            for foot in ([-60, 20, 0], [280, 20, 0], [110, 330, 0]):
                lift = at[2] + np.sqrt(max(10.0, 330**2 - float(((at - foot)[:2] ** 2).sum())))
                self._line(view, at + np.array([0, 0, 20.0]), np.array([foot[0], foot[1], lift]), 200, 2)
        self._head(view, at)
        if self.run.faults.shake:
            moved = np.abs(self.run.place(real_s + 0.05) - self.run.place(real_s - 0.05)).max() > 0.02
            dx, dy = self.dice.normal(0, self.run.faults.shake, 2) * moved
            view = cv2.warpAffine(
                view, np.array([[1, 0, dx], [0, 1, dy]], np.float32), SIZE, borderMode=cv2.BORDER_REFLECT
            )
        return view

    def _line(self, view: Array, a: Array, b: Array, light: int, width: int) -> None:
        ends = np.rint(16 * self._seen(np.array([a, b]))).astype(int)
        cv2.line(view, ends[0], ends[1], light, width, cv2.LINE_AA, 4)

    def _head(self, view: Array, at: Array) -> None:
        if self.shape == 0:  # a blower: a round housing with a hub
            middle = np.rint(16 * self._seen(at + np.array([0, 0, 30.0]))[0]).astype(int)
            cv2.circle(view, middle, 16 * 9, self.dark, -1, cv2.LINE_AA, 4)
            cv2.circle(view, middle, 16 * 3, 255 - self.dark, -1, cv2.LINE_AA, 4)
        elif self.shape == 1:  # a slab
            box = np.array([[-25, 0, 5], [25, 0, 5], [25, 0, 60], [-25, 0, 60]]) + at
            cv2.fillPoly(view, [np.rint(16 * self._seen(box)).astype(np.int32)], self.dark, cv2.LINE_AA, 4)
        else:  # a cone with a bright ring
            cone = np.array([[0, 0, 0], [16, 0, 35], [-16, 0, 35]]) + at
            cv2.fillPoly(view, [np.rint(16 * self._seen(cone)).astype(np.int32)], self.dark, cv2.LINE_AA, 4)
            self._line(view, at + np.array([-18, 0, 36.0]), at + np.array([18, 0, 36.0]), 235, 3)


class _Nozzle:
    """A camera that rides along: what it looks at runs through the picture."""

    def __init__(self, run: OtherRun, dice: np.random.Generator) -> None:
        self.run = run
        self.ground = _cloth(dice, (700, 700), (5, 30, 90))
        self.turn = float(dice.uniform(0, 2 * np.pi))

    def __call__(self, real_s: float) -> Array:
        x, y, z = self.run.place(real_s)
        c, s = np.cos(self.turn), np.sin(self.turn)
        u, v = 5.0 * (c * x - s * y) % 500 + 100, 5.0 * (s * x + c * y) % 500 + 100
        view = cv2.getRectSubPix(self.ground, SIZE, (float(u), float(v + 0.3 * z)))
        cv2.fillPoly(view, [np.array([[52, 0], [76, 0], [66, 40], [62, 40]], np.int32)], 40, cv2.LINE_AA)
        return view
