"""A machine that prints a file into voxels and drives its toolhead through them: the proof's second judge.

It knows nothing of the package: an own small reader of G-code, voxels of 0.25 mm, the toolhead moved along
every move of a shot in steps of 0.25 mm. The toolhead is open upward, so of each column of voxels only the
topmost filled one can be touched first; columns are kept as the index of that voxel.

Objects that M486 numbers are cancelled one by one, from the beginning; what is printed is taken to be there
all the same.

Sources: NIST RS274/NGC interpreter version 3 (arcs by centre and by radius, planes); the firmwares'
documentation for G90, G91, M82, M83, G92 and M486. Beads are 0.45 mm wide, the nozzle's flat end is 1.2 mm
across: common practice, no source.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np

VOXEL_MM = 0.25
STEP_MM = 0.25
BEAD_MM = 0.45
FLAT_MM = 0.6
# how far the toolhead is shrunk (positive) or grown before it moves: the most that still hits is the depth
DEPTHS_MM = np.round(np.arange(-1.0, 3.01, 0.05), 2)
NOTHING_MM = -9.0  # depth where even a toolhead grown by 1 mm hits nothing
_WORD = re.compile(r"([A-Z])\s*([-+]?(?:\d+\.?\d*|\.\d+))")
_PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}


@dataclass(frozen=True)
class Tool:
    """Toolhead and room of a machine."""

    low: tuple[float, float]
    high: tuple[float, float]
    height_mm: float
    radius_mm: float
    nozzle_radius_mm: float
    nozzle_length_mm: float
    gantry_mm: float  # 0: none
    keep_out: tuple[tuple[float, float, float, float, float], ...] = ()  # x0 x1 y0 y1 z

    def underside(self, r: np.ndarray) -> np.ndarray:
        """Height of the underside above the tip at distances from the axis."""
        cone = (r - FLAT_MM) / (self.nozzle_radius_mm - FLAT_MM) * self.nozzle_length_mm
        under = np.where(r <= self.nozzle_radius_mm, np.maximum(cone, 0.0), self.nozzle_length_mm)
        return np.where(r <= self.radius_mm, under, np.inf)


@dataclass
class Run:
    """What a program does: what it prints in order, and the moves between the marks of each shot."""

    printed: list[tuple[float, ...]] = field(
        default_factory=list
    )  # x0 y0 z0 x1 y1 z1 fed, chords of arcs apart
    rows: list[tuple[float, ...]] = field(default_factory=list)  # x y z fed of every printing move
    shots: list[tuple[int, float, tuple[tuple[float, ...], ...]]] = field(default_factory=list)
    # of each: beads printed before it, height of the last, its moves


class Reader:
    """Reads a program line by line; words of a line are remembered, as attacks change few."""

    def __init__(self, firmware: str) -> None:
        self.firmware = firmware
        self._arcs: dict[Any, list[tuple[float, ...]]] = {}
        self._known: dict[str, tuple[tuple[int, int] | None, dict[str, float]]] = {}

    def run(self, lines: list[str], cancelled: int | None = None) -> Run:
        """Carry a program out; of a cancelled object moves leave X, Y and Z, and nothing is printed."""
        out, current = Run(), -1
        at, shift, e, unit = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0], 0.0, 1.0
        relative, e_relative, plane, laid = False, False, 17, 0.0
        moves: list[tuple[float, ...]] | None = None
        for line in lines:
            if line.startswith("; twinlapse shot"):
                if line.split()[4] == "begin":
                    moves = []
                    out.shots.append((len(out.printed), laid, ()))
                elif moves is not None:
                    out.shots[-1] = (*out.shots[-1][:2], tuple(moves))
                    moves = None
                continue
            command, words = self._words(line)
            if command is None:
                continue
            letter, number = command
            if letter == 1:
                if number in (82, 83):
                    e_relative = number == 83
                elif number == 486:
                    current = int(words.get("S", current))
                continue
            skips = cancelled is not None and current == cancelled
            if number in (0, 1, 2, 3):
                start = tuple(at)
                for k, axis in enumerate("XYZ"):
                    if axis in words and not skips:
                        value = words[axis] * unit
                        at[k] = at[k] + value if relative else value - shift[k]
                fed = 0.0
                if "E" in words:
                    held = e_relative or (relative and self.firmware == "klipper")
                    fed = words["E"] if held else words["E"] - e
                    e = e + words["E"] if held else words["E"]
                places = [tuple(at)]
                if number > 1 and not skips:
                    key = (start, tuple(at), line, plane)
                    if key not in self._arcs:
                        self._arcs[key] = chords(start, tuple(at), words, unit, plane, number == 2)
                    places = self._arcs[key]
                if moves is not None:
                    for place in places:
                        moves.append((*start, *place, fed))
                        start = place
                elif skips:
                    continue
                elif fed > 0 and (start != tuple(at) or len(places) > 1):
                    out.rows.append((*at, fed))
                    for place in places:
                        out.printed.append((*start, *place))
                        start = place
                    laid = at[2]
            elif number in (90, 91):
                relative = number == 91
                if self.firmware == "marlin":
                    e_relative = relative
            elif number in (20, 21):
                unit = 25.4 if number == 20 else 1.0
            elif number in _PLANES:
                plane = number
            elif number == 28:
                at, shift = [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]
            elif number == 92:
                e = words.get("E", e)
                for k, axis in enumerate("XYZ"):
                    if axis in words:
                        shift[k] = words[axis] * unit - at[k]
        return out

    def _words(self, line: str) -> tuple[tuple[int, int] | None, dict[str, float]]:
        known = self._known.get(line)
        if known is None:
            code = line.split(";", 1)[0]
            if self.firmware != "marlin":
                code = code.upper()
            words = _WORD.findall(code)
            command = None
            if (
                words
                and words[0][0] in "GM"
                and code.lstrip().startswith(words[0][0])
                and "M11" not in code[:3]
            ):
                command = ("GM".index(words[0][0]), int(float(words[0][1])))
            known = command, {letter: float(value) for letter, value in words[1:]}
            if len(self._known) < 200_000:
                self._known[line] = known
        return known


def chords(
    start: tuple[float, ...],
    end: tuple[float, ...],
    words: dict[str, float],
    unit: float,
    plane: int,
    clockwise: bool,
) -> list[tuple[float, ...]]:
    """Points along an arc, every 0.5 mm or so."""
    a, b, c = _PLANES[plane]
    p, q = complex(start[a], start[b]), complex(end[a], end[b])
    if p == q and "R" in words:
        return [end]
    if "R" in words:
        r, half = words["R"] * unit, abs(q - p) / 2
        normal = (q - p) / abs(q - p) * 1j * math.sqrt(max(r * r - half * half, 0.0))
        centre = (p + q) / 2 + (normal if (r > 0) != clockwise else -normal)
    else:
        names = "IJK"
        centre = p + unit * complex(words.get(names[a], 0.0), words.get(names[b], 0.0))
    radius, first = abs(p - centre), math.atan2((p - centre).imag, (p - centre).real)
    turn = (math.atan2((q - centre).imag, (q - centre).real) - first) % (2 * math.pi)
    if clockwise:
        turn -= 2 * math.pi
    if abs(turn) < 1e-9 or abs(abs(turn) - 2 * math.pi) < 1e-9:
        turn = -2 * math.pi if clockwise else 2 * math.pi
    count = max(int(abs(turn) * radius / 0.5), 8)
    points = []
    for k in range(1, count + 1):
        place = [0.0, 0.0, 0.0]
        angle = first + turn * k / count
        place[a] = centre.real + radius * math.cos(angle)
        place[b] = centre.imag + radius * math.sin(angle)
        place[c] = start[c] + (end[c] - start[c]) * k / count
        points.append(tuple(place))
    points[-1] = end
    return points


class World:
    """The voxels that are filled by the time of any bead, as the topmost of each column."""

    def __init__(self, printed: list[tuple[float, ...]]) -> None:
        beads = np.array(printed).reshape(-1, 6)
        self.beads = beads
        low = np.minimum(beads[:, :2].min(axis=0), beads[:, 3:5].min(axis=0)) - 1.0
        high = np.maximum(beads[:, :2].max(axis=0), beads[:, 3:5].max(axis=0)) + 1.0
        self.low = low
        self.shape = tuple(int(n) for n in np.ceil((high - low) / VOXEL_MM) + 1)
        reach = int(BEAD_MM / 2 / VOXEL_MM) + 1
        grid = np.arange(-reach, reach + 1) * VOXEL_MM
        gx, gy = np.meshgrid(grid, grid, indexing="ij")
        near = np.hypot(gx, gy) <= BEAD_MM / 2
        self.disc = np.column_stack([gx[near], gy[near]])
        self._tops: dict[int, np.ndarray] = {0: np.full(self.shape, -1, np.int32)}

    def tops(self, count: int) -> np.ndarray:
        """Index of the topmost filled voxel of each column when `count` beads are printed."""
        if count not in self._tops:
            done = max(k for k in self._tops if k <= count)
            grid = self._tops[done].copy()
            for x0, y0, z0, x1, y1, z1 in self.beads[done:count].tolist():
                steps = max(int(math.dist((x0, y0), (x1, y1)) / (VOXEL_MM / 2)), 1)
                t = np.linspace(0.0, 1.0, steps + 1)
                x = (x0 + (x1 - x0) * t)[:, None] + self.disc[:, 0]
                y = (y0 + (y1 - y0) * t)[:, None] + self.disc[:, 1]
                z = np.broadcast_to((z0 + (z1 - z0) * t)[:, None], x.shape)
                i = ((x - self.low[0]) / VOXEL_MM).astype(int)
                j = ((y - self.low[1]) / VOXEL_MM).astype(int)
                # a voxel is filled when its middle is
                np.maximum.at(grid, (i, j), np.floor(z / VOXEL_MM - 0.5 + 1e-6).astype(np.int32))
            self._tops[count] = grid
        return self._tops[count]

    def columns(self, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Middle of each filled column, and the upper face of its topmost voxel's middle, in mm."""
        tops = self.tops(count)
        i, j = np.nonzero(tops >= 0)
        x = self.low[0] + (i + 0.5) * VOXEL_MM
        y = self.low[1] + (j + 0.5) * VOXEL_MM
        return x, y, (tops[i, j] + 0.5) * VOXEL_MM


class Judge:
    """Compares programs with an original, and says how deep their shots drive the toolhead into anything."""

    def __init__(self, original: list[str], tool: Tool, firmware: str) -> None:
        self.reader = Reader(firmware)
        self.tool = tool
        self.original = self.reader.run(original)
        self.world = World(self.original.printed)
        self.objects = sorted(
            {int(line.split("S")[1]) for line in original if line.startswith("M486 S")} - {-1}
        )
        self._depths: dict[Any, float] = {}

    def judge(self, lines: list[str]) -> tuple[float, bool]:
        """Return the depth of the worst move of all shots in mm, and whether the program prints the same."""
        run = self.reader.run(lines)
        same = len(run.rows) == len(self.original.rows) and bool(
            np.allclose(np.array(run.rows), np.array(self.original.rows), atol=0.02)
        )
        same = same and not any(
            move[6] > 0 and move[:3] != move[3:6] for _, _, moves in run.shots for move in moves
        )
        shots = list(run.shots)
        for number in self.objects:  # cancelled before it begins: it is left where the one before it ended
            moves = [shot[2] for shot in self.reader.run(lines, number).shots]
            shots += [(*shot[:2], made) for shot, made in zip(run.shots, moves, strict=True)]
        return max([self._shot(*shot) for shot in shots], default=NOTHING_MM), same

    def _shot(self, count: int, laid_z: float, moves: tuple[tuple[float, ...], ...]) -> float:
        key = (count, laid_z, moves)
        if key not in self._depths:
            count = min(count, len(self.original.printed))
            self._depths[key] = self._depth(count, laid_z, moves)
        return self._depths[key]

    def _depth(self, count: int, laid_z: float, moves: tuple[tuple[float, ...], ...]) -> float:
        moving = [move for move in moves if move[:3] != move[3:6]]
        if not moving:
            return NOTHING_MM
        home = np.array(moving[0][:3])
        x, y, top = self.world.columns(count)
        # what the original's own toolhead is in where it is left does not count
        away = np.hypot(x - home[0], y - home[1])
        top = np.minimum(top, home[2] + self.tool.underside(away))
        if self.tool.gantry_mm:
            beside = np.abs(y - home[1]) <= self.tool.radius_mm
            top = np.where(beside, np.minimum(top, home[2] + self.tool.gantry_mm), top)
        floor = min(home[2], max(laid_z, 0.1))
        worst = NOTHING_MM
        for move in moving:
            start, end = np.array(move[:3]), np.array(move[3:6])
            worst = max(
                worst, self._room(start, end, home), floor - end[2] if end[2] < floor - 0.01 else worst
            )
            at_home = np.abs(end[:2] - home[:2]).max() < 1e-3 and np.abs(start[:2] - home[:2]).max() < 1e-3
            if at_home and min(start[2], end[2]) >= home[2] - 1e-3:
                continue
            worst = max(worst, self._swept(start, end, x, y, top))
        return worst

    def _room(self, start: np.ndarray, end: np.ndarray, home: np.ndarray) -> float:
        """How far a move leaves the machine or enters a box that is kept out."""
        tool = self.tool
        beyond = max(
            tool.low[0] - end[0], end[0] - tool.high[0], tool.low[1] - end[1], end[1] - tool.high[1],
            end[2] - tool.height_mm, -end[2],
        )  # fmt: skip
        worst = float(beyond) if beyond > 0 and np.abs(end - home).max() > 1e-3 else NOTHING_MM
        count = max(int(np.linalg.norm(end - start) / STEP_MM), 1)
        points = start + (end - start) * np.linspace(0.0, 1.0, count + 1)[:, None]
        for x0, x1, y0, y1, z in tool.keep_out:
            inside = np.minimum.reduce(
                [points[:, 0] - x0, x1 - points[:, 0], points[:, 1] - y0, y1 - points[:, 1], z - points[:, 2]]
            )
            if inside.max() > 0:
                worst = max(worst, float(inside.max()))
        return worst

    def _swept(
        self, start: np.ndarray, end: np.ndarray, x: np.ndarray, y: np.ndarray, top: np.ndarray
    ) -> float:
        """Depth of the toolhead in the columns along a move."""
        tool, low_z = self.tool, min(start[2], end[2])
        reach = tool.radius_mm + 1.5
        high = top > low_z - 1.0
        if not high.any():
            return NOTHING_MM
        worst = NOTHING_MM
        if tool.gantry_mm:
            dy = np.maximum(np.maximum(min(start[1], end[1]) - y, y - max(start[1], end[1])), 0.0)
            over = top - low_z - tool.gantry_mm
            depth = np.minimum(over, tool.radius_mm - dy)
            worst = max(worst, float(depth.max())) if (depth > -1.0).any() else worst
        lo, hi = np.minimum(start, end)[:2] - reach, np.maximum(start, end)[:2] + reach
        near = high & (x > lo[0]) & (x < hi[0]) & (y > lo[1]) & (y < hi[1])
        if not near.any():
            return worst
        x, y, top = x[near].astype(np.float32), y[near].astype(np.float32), top[near]
        count = max(int(np.linalg.norm(end - start) / STEP_MM), 1)
        points = start + (end - start) * np.linspace(0.0, 1.0, count + 1)[:, None]
        level = abs(start[2] - end[2]) < 1e-9
        upright = np.abs(start[:2] - end[:2]).max() < 1e-9
        if upright:
            points = points[np.argmin(points[:, 2])][None]
        if level or upright:
            square = np.full(len(x), np.inf, np.float32)
            for place in points.astype(np.float32):
                np.minimum(square, (x - place[0]) ** 2 + (y - place[1]) ** 2, out=square)
            return max(worst, self._deepest(np.sqrt(square), low_z, top))
        for place in points:
            worst = max(worst, self._deepest(np.hypot(x - place[0], y - place[1]), place[2], top))
        return worst

    def _deepest(self, r: np.ndarray, z: float, top: np.ndarray) -> float:
        """The most by which the toolhead can be shrunk and still hit a column."""
        near = r < self.tool.radius_mm + 1.0
        r, top = r[near], top[near]
        deepest = NOTHING_MM
        for depth in DEPTHS_MM:
            hit = top > z + self.tool.underside(np.maximum(r + depth, 0.0)) + depth
            if not hit.any():
                break
            deepest = float(depth)
            r, top = r[hit], top[hit]
        return deepest
