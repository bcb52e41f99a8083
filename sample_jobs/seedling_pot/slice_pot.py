#!/usr/bin/env python3
"""Write ``pot.gcode``: the garden club's seedling pot, a fluted cone with a floor, drain hole and rim.

The pot is described by one radius for every angle and height, so that its paths can be written down directly:
walls are that outline moved inward, the floor is lines cut at it, the core of the wall is a zigzag between
two outlines. Run ``python slice_pot.py pot.gcode``; it needs nothing but Python.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

CENTER_MM = (110.0, 110.0)
HEIGHT_MM = 42.0
LAYER_MM = 0.3
LINE_MM = 0.45  # width of a printed line
FILAMENT_MM = 1.75
WALL_MM = 3.2  # from the outline to the inner face
FLOOR_LAYERS = 5
HOLE_MM = 4.0  # radius of the drain hole
POINTS = 80  # on one turn of an outline
RETRACT_MM, RETRACT_MM_S = 1.0, 35.0
WALL_MM_S, CORE_MM_S, FIRST_MM_S, TRAVEL_MM_S = 35.0, 50.0, 20.0, 150.0

Point = tuple[float, float]


def outline_radius_mm(angle: float, z_mm: float) -> float:
    """Return the pot's outer radius at an angle (radians) and a height."""
    cone = 21.0 + 9.5 * z_mm / HEIGHT_MM
    fade = min(1.0, max(0.0, (35.0 - z_mm) / 5.0)) * min(1.0, z_mm / 4.0)
    flutes = 0.75 * fade * math.cos(12 * (angle + 0.012 * z_mm))
    rim = 1.8 * min(1.0, max(0.0, (z_mm - 34.0) / 2.5))
    return cone + flutes + rim


def ring(z_mm: float, inset_mm: float, points: int = POINTS, start: float = 0.0) -> list[Point]:
    """Return the closed outline moved inward, beginning and ending at angle `start`."""
    angles = [start + 2 * math.pi * i / points for i in range(points + 1)]
    return [_polar(angle, outline_radius_mm(angle, z_mm) - inset_mm) for angle in angles]


def hole_ring(outset_mm: float) -> list[Point]:
    """Return the drain hole's outline moved outward into the floor."""
    return [_polar(-2 * math.pi * i / 32, HOLE_MM + outset_mm) for i in range(33)]


def zigzag(z_mm: float, inner_mm: float, outer_mm: float, phase: float) -> list[Point]:
    """Return the wall's core: a path that swings between two insets once round the pot."""
    points = []
    for i in range(2 * POINTS + 1):
        angle = phase + math.pi * i / POINTS
        points.append(_polar(angle, outline_radius_mm(angle, z_mm) - (outer_mm if i % 2 else inner_mm)))
    return points


def floor_lines(z_mm: float, inset_mm: float, slope: float) -> Iterator[tuple[Point, Point]]:
    """Yield the floor's lines at an angle, cut at the wall and at the drain hole, there and back."""
    reach = 40.0
    step = 0.1
    flip = False
    for k in range(int(-reach / LINE_MM), int(reach / LINE_MM) + 1):
        offset = k * LINE_MM
        inside: list[float] = []
        runs: list[tuple[float, float]] = []
        for i in range(int(2 * reach / step) + 1):
            t = -reach + i * step
            x, y = (
                t * math.cos(slope) - offset * math.sin(slope),
                t * math.sin(slope) + offset * math.cos(slope),
            )
            radius = math.hypot(x, y)
            if HOLE_MM + 1.5 * LINE_MM < radius < outline_radius_mm(math.atan2(y, x), z_mm) - inset_mm:
                inside.append(t)
            elif inside:
                runs.append((inside[0], inside[-1]))
                inside = []
        for a, b in reversed(runs) if flip else runs:
            if b - a > LINE_MM:
                first, last = (b, a) if flip else (a, b)
                yield _along(first, offset, slope), _along(last, offset, slope)
        flip = not flip


class Writer:
    """Writes moves with absolute E, and retracts before long travels."""

    def __init__(self, out: TextIO) -> None:
        self.out = out
        self.place: Point = (0.0, 0.0)
        self.e_mm = 0.0
        self.retracted = False
        self.feed_mm_s = 0.0

    def line(self, text: str) -> None:
        """Write a line as it is."""
        self.out.write(text + "\n")

    def travel(self, to: Point) -> None:
        """Travel to a point without extruding."""
        if math.dist(self.place, to) < 0.05:
            return
        if math.dist(self.place, to) > 2.0:
            self.retract()
        self.out.write(f"G0 X{to[0]:.3f} Y{to[1]:.3f}{self._feed(TRAVEL_MM_S)}\n")
        self.place = to

    def path(self, points: list[Point], speed_mm_s: float) -> None:
        """Travel to the first point and extrude a line through the rest."""
        self.travel(points[0])
        self.prime()
        for point in points[1:]:
            self.e_mm += filament_mm(math.dist(self.place, point))
            self.out.write(f"G1 X{point[0]:.3f} Y{point[1]:.3f} E{self.e_mm:.5f}{self._feed(speed_mm_s)}\n")
            self.place = point

    def retract(self) -> None:
        """Retract the filament."""
        if not self.retracted:
            self.out.write(f"G1 E{self.e_mm - RETRACT_MM:.5f}{self._feed(RETRACT_MM_S)}\n")
            self.retracted = True

    def prime(self) -> None:
        """Undo the retraction."""
        if self.retracted:
            self.out.write(f"G1 E{self.e_mm:.5f}{self._feed(RETRACT_MM_S)}\n")
            self.retracted = False

    def _feed(self, speed_mm_s: float) -> str:
        if speed_mm_s == self.feed_mm_s:
            return ""
        self.feed_mm_s = speed_mm_s
        return f" F{speed_mm_s * 60:.0f}"


def filament_mm(length_mm: float) -> float:
    """Return the filament that a line of this length takes: its cross-section by the filament's."""
    return length_mm * LINE_MM * LAYER_MM / (math.pi * FILAMENT_MM**2 / 4)


def write_layer(writer: Writer, index: int, layers: int) -> None:
    """Write one layer of the pot."""
    z_mm = (index + 1) * LAYER_MM
    slow = FIRST_MM_S if index == 0 else None
    writer.line(f"; layer {index + 1}, z {z_mm:.1f}")
    writer.retract()
    writer.line(f"G1 Z{z_mm:.2f} F600")
    writer.feed_mm_s = 10.0
    if index == 1:
        writer.line("M106 S255")
    if index == 0:
        writer.line("; skirt")
        for gap_mm in (-5.0, -5.0 + LINE_MM):
            writer.path(ring(z_mm, gap_mm, start=-2.2), FIRST_MM_S)
    start = -2.2 + 0.02 * index  # the seam walks slowly round the back
    floor = index < FLOOR_LAYERS
    writer.line("; inner wall")
    writer.path(ring(z_mm, 1.5 * LINE_MM, start=start), slow or WALL_MM_S)
    if not floor:
        writer.path(ring(z_mm, WALL_MM, start=start), slow or WALL_MM_S)
    writer.line("; outer wall")
    writer.path(ring(z_mm, 0.5 * LINE_MM, start=start), slow or WALL_MM_S * 0.8)
    if floor:
        writer.path(hole_ring(0.5 * LINE_MM), slow or WALL_MM_S)
        writer.line("; surface")
        for first, last in floor_lines(z_mm, 2.4 * LINE_MM, math.radians(45 if index % 2 else 135)):
            writer.path([first, last], slow or CORE_MM_S)
    else:
        writer.line("; infill")
        shift = start + (math.pi / POINTS) * (index % 2)
        writer.path(zigzag(z_mm, 2.3 * LINE_MM, WALL_MM - 0.8 * LINE_MM, shift), slow or CORE_MM_S)
    if index == layers - 1:
        writer.line("; surface")
        for inset in (2.4, 3.3, 4.2, 5.1):
            writer.path(ring(z_mm, inset * LINE_MM, start=start), slow or CORE_MM_S)


def write_pot(out: TextIO) -> None:
    """Write the whole file."""
    layers = round(HEIGHT_MM / LAYER_MM)
    writer = Writer(out)
    for line in (
        "; seedling pot of the school garden club",
        f"; number of layers: {layers}",
        "G21",
        "G90",
        "M82",
        "M140 S60",
        "M104 S205",
        "G28",
        "G1 Z5 F600",
        "M190 S60",
        "M109 S205",
        "G92 E0",
        "G1 X10 Y8 F9000",
        "G1 Z0.3 F600",
        "G1 X110 Y8 E9 F1200 ; prime line",
        "G92 E0",
        f"G1 E-{RETRACT_MM:.5f} F2100",
        "G1 Z2 F600",
        "M107",
    ):
        writer.line(line)
    writer.retracted = True
    writer.place = (110.0, 8.0)
    for index in range(layers):
        write_layer(writer, index, layers)
    writer.retract()
    for line in (
        "; end of the pot",
        "M107",
        "M104 S0",
        "M140 S0",
        f"G1 Z{HEIGHT_MM + 10:.2f} F600",
        "G1 X5 Y200 F9000",
        "M84",
    ):
        writer.line(line)


def _polar(angle: float, radius: float) -> Point:
    return CENTER_MM[0] + radius * math.cos(angle), CENTER_MM[1] + radius * math.sin(angle)


def _along(t: float, offset: float, slope: float) -> Point:
    x = t * math.cos(slope) - offset * math.sin(slope)
    y = t * math.sin(slope) + offset * math.cos(slope)
    return CENTER_MM[0] + x, CENTER_MM[1] + y


if __name__ == "__main__":
    target = Path(sys.argv[1] if len(sys.argv) > 1 else "pot.gcode")
    with target.open("w", newline="\n") as file:
        write_pot(file)
