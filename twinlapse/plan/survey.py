"""A grid of stops by which the nozzle camera sees a whole layer, in a short tour."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from twinlapse.gcode import Kind, Layers, Toolpath
from twinlapse.plan.standing import into_bed
from twinlapse.plan.targets import Float
from twinlapse.rig import Camera, Printer
from twinlapse.rig.window import Window, window_of
from twinlapse.shots import Stop

STANCE = "survey"
OVERLAP = (
    0.3  # of a window with each neighbour: registration wants a quarter (measured), parking errs a little
)
RISE_MM = 1.0  # of the tip above the layer while it travels and stands
STEP_MM = 0.5  # between points along the layer's lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """The stops over one layer."""

    layer: int
    stops: tuple[Stop, ...]
    window: Window
    seen_share: float  # of the layer's length of line that the stops show
    cost_s: float


def plan_survey(
    toolpath: Toolpath,
    layers: Layers,
    layer: int,
    camera: Camera,
    printer: Printer,
    *,
    overlap: float = OVERLAP,
    dwell_s: float | None = None,
) -> Survey:
    """Return the stops at which a head camera sees all that a layer prints.

    Parameters
    ----------
    toolpath, layers, layer
    camera : Camera
        On the head.
    printer : Printer
    overlap : float
        Share of the window's width that neighbours have in common.
    dwell_s : float, optional
        At each stop; the camera's own where it is left out.

    Raises
    ------
    RigError
        when the camera shows no part of the layer well.
    """
    window = window_of(camera, printer, RISE_MM)
    points = layer_points(toolpath, layers, layer)
    places = _ordered(_grid(points, window, overlap))
    places = [into_bed(printer, place) for place in places]
    z_mm = float(layers.z_mm[layer]) + RISE_MM
    wait = camera.dwell_s if dwell_s is None else dwell_s
    stops = tuple(
        Stop(cameras=(camera.name,), x_mm=x, y_mm=y, z_mm=round(z_mm, 3), dwell_s=wait, stance=STANCE)
        for x, y in places
    )
    return Survey(
        layer=layer,
        stops=stops,
        window=window,
        seen_share=seen_share(points, places, window),
        cost_s=_cost_s(places, wait + camera.settle_s, printer),
    )


def layer_points(toolpath: Toolpath, layers: Layers, layer: int) -> Float:
    """Return points (n, 2) along all lines of a layer, `STEP_MM` apart at most."""
    rows = np.arange(int(layers.first_row[layer]), int(layers.first_row[layer + 1]))
    rows = rows[(toolpath.kind[rows] == Kind.EXTRUDE) & (rows > 0)]
    place = np.column_stack([toolpath.x_mm, toolpath.y_mm])
    first, last = place[rows - 1], place[rows]
    count = np.maximum(1, np.ceil(np.hypot(*(last - first).T) / STEP_MM)).astype(np.int64)
    which = np.repeat(np.arange(len(rows)), count)
    step = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
    share = ((step + 0.5) / count[which])[:, None]
    return np.asarray(first[which] + share * (last[which] - first[which]))


def seen_share(points: Float, places: list[tuple[float, float]], window: Window) -> float:
    """Return the share of points that at least one stop shows."""
    if not len(points):
        return 1.0
    seen = np.zeros(len(points), np.bool_)
    for x, y in places:
        seen |= _within(points, (x, y), window)
    return float(seen.mean())


def _within(points: Float, place: tuple[float, float], window: Window) -> NDArray[np.bool_]:
    off = points - np.array(place)
    return np.asarray(
        (off[:, 0] >= window.x_mm[0])
        & (off[:, 0] <= window.x_mm[1])
        & (off[:, 1] >= window.y_mm[0])
        & (off[:, 1] <= window.y_mm[1])
    )


def _grid(points: Float, window: Window, overlap: float) -> list[list[tuple[float, float]]]:
    """Return rows of nozzle places, each place showing something that is printed."""
    if not len(points):
        return []
    low, high = points.min(axis=0), points.max(axis=0)
    middles = [_spread(low[i], high[i], window.size_mm[i], overlap) for i in (0, 1)]
    centre = window.middle_mm
    rows = [[(x - centre[0], y - centre[1]) for x in middles[0]] for y in middles[1]]
    return [[place for place in row if _within(points, place, window).any()] for row in rows]


def _spread(low: float, high: float, size: float, overlap: float) -> list[float]:
    """Return the middles of windows that cover a range evenly."""
    length = high - low
    if length <= size:
        return [(low + high) / 2]
    count = 1 + math.ceil((length - size) / (size * (1 - overlap)) - 1e-9)
    return [float(v) for v in np.linspace(low + size / 2, high - size / 2, count)]


def _ordered(rows: list[list[tuple[float, float]]]) -> list[tuple[float, float]]:
    """Return the places row by row, to and fro."""
    return [place for index, row in enumerate(rows) for place in (row if index % 2 == 0 else row[::-1])]


def _cost_s(places: list[tuple[float, float]], wait_s: float, printer: Printer) -> float:
    """Return seconds for the tour, each way from rest to rest, by the trapezoid's closed form."""
    speed, accel = printer.travel_mm_s, printer.accel_mm_s2
    total = wait_s * len(places)
    for here, there in pairwise(places):
        way = math.dist(here, there)
        whole = way >= speed**2 / accel
        total += way / speed + speed / accel if whole else 2 * math.sqrt(way / accel)
    return total
