"""A grid of stops by which the nozzle camera sees a whole layer, in a short tour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float
from twinlapse.errors import PlanError
from twinlapse.gcode import Layers, Toolpath
from twinlapse.gcode.segments import layer_segments, line_sizes, points_along
from twinlapse.motion.stream import stop_cost_s
from twinlapse.optics.gap_view import gap_view
from twinlapse.optics.upright import upright_camera
from twinlapse.optics.window import RISE_MM, Window, window_of
from twinlapse.plan.clearance.height_map import crosses
from twinlapse.plan.where.added_stops import bare_bed_shot, lengthened, shot_of, stops_at, with_shots
from twinlapse.plan.where.stop_positions import into_bed
from twinlapse.rig import Camera, Printer, Rig
from twinlapse.shots import BARE_BED, SURVEY, Plan, Stop

__all__ = [
    "OVERLAP",
    "ROUND_MM",
    "SAME_MM",
    "Survey",
    "head_camera",
    "layer_ends",
    "layer_points",
    "plan_survey",
    "reachable",
    "seen_share",
    "with_surveys",
]

OVERLAP = (
    0.3  # of a window with each neighbour: registration wants a quarter (measured), parking errs a little
)
ROUND_MM = 2.0  # seen around the layer as well: blobs and dragged lines lie there
SAME_MM = 1.0  # stops nearer than this show the same: one is enough
_STEP_MM = 0.5  # between points along the layer's lines
_MOST_POINTS = 2e6  # about as many are looked at: a layer of more than a kilometre of line is full


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
    places = [into_bed(printer, place) for place in _ordered(_grid(points, window, overlap))]
    places = reachable(places, points, printer)
    wait = camera.dwell_s if dwell_s is None else dwell_s
    stops = stops_at(places, layers, layer, camera, wait, SURVEY)
    return Survey(
        layer=layer,
        stops=stops,
        window=window,
        seen_share=seen_share(points, places, window),
        cost_s=_cost_s(places, wait + camera.settle_s + stop_cost_s(printer), printer),
    )


def with_surveys(plan: Plan, toolpath: Toolpath, layers: Layers, rig: Rig, wanted: Sequence[int]) -> Plan:
    """Return a plan that also looks over whole layers, each in the shot that follows the layer.

    Parameters
    ----------
    plan, toolpath, layers, rig
    wanted : sequence of int
        Layers, from 0.

    Raises
    ------
    PlanError
        when no camera rides on the head, a layer has no shot, or finished objects may stand in the way.
    """
    camera = head_camera(rig)
    shots, warnings = list(plan.shots), list(plan.warnings)
    bare = bare_bed_shot(shots, toolpath)
    for layer in sorted(set(wanted)):
        at = shot_of(shots, toolpath, layers, layer)
        survey = plan_survey(toolpath, layers, layer, camera, rig.printer)
        shot = lengthened(shots[at], survey.stops, toolpath, rig)
        warnings.append(
            f"survey of layer {layer + 1}: {len(survey.stops)} stops see "
            f"{survey.seen_share:.0%} of its lines, {shot.cost_s - shots[at].cost_s:.0f} s; "
            f"each shows {survey.window.size_mm[0]:.0f} x {survey.window.size_mm[1]:.0f} mm"
            + _hidden_gaps(toolpath, layers, layer, camera, rig.printer)
        )
        shots[at] = shot
        if bare is not None:  # of the lowest layer alone: the bed is the same for all
            stops = tuple(replace(stop, stance=BARE_BED) for stop in survey.stops)
            shots[bare] = lengthened(shots[bare], stops, toolpath, rig)
            warnings.append(f"survey of the bare bed: {len(stops)} stops, {shots[bare].cost_s:.0f} s")
            bare = None
        elif rig.plan.bare_bed and not any(stop.stance == BARE_BED for s in shots for stop in s.stops):
            warnings.append(
                "the bare bed is not photographed: the file has no travel between its last wait for heat and "
                "the first extrusion; marks on the bed may be taken for filament"
            )
    return with_shots(plan, shots, warnings)


def _hidden_gaps(toolpath: Toolpath, layers: Layers, layer: int, camera: Camera, printer: Printer) -> str:
    """Return what gaps a survey of a layer cannot show; empty where it shows all that matter."""
    segments = layer_segments(toolpath, layers, layer)
    way = (segments.last_mm - segments.first_mm)[:, :2]
    length = np.hypot(*way.T)
    wide, tall = line_sizes(
        toolpath, layers, segments.row, filament_mm=printer.filament_mm, nozzle_mm=printer.nozzle_mm
    )
    shown = gap_view(
        way / np.maximum(length, 1e-9)[:, None],
        length,
        wide,
        float(np.median(tall)) if len(tall) else 0.0,
        camera=camera,
        printer=printer,
        rise_mm=RISE_MM,
    )
    return f"; {shown.words}" if shown is not None and not shown.tells else ""


def head_camera(rig: Rig) -> Camera:
    """Return the first camera on the head, as it takes its upright picture.

    Raises
    ------
    PlanError
        when there is none.
    """
    camera = next((camera for camera in rig.cameras if camera.mount == "toolhead"), None)
    if camera is None:
        raise PlanError("a survey needs a camera on the head", 'add one with mount = "toolhead"')
    return upright_camera(camera)


def layer_points(toolpath: Toolpath, layers: Layers, layer: int) -> Float:
    """Return points (n, 2) along all lines of a layer, 0.5 mm apart, further where there are many."""
    segments = layer_segments(toolpath, layers, layer)
    length_mm = float(np.linalg.norm(segments.last_mm - segments.first_mm, axis=1).sum())
    return points_along(segments, max(_STEP_MM, length_mm / _MOST_POINTS))[:, :2]


def layer_ends(toolpath: Toolpath, layers: Layers, layer: int) -> Float:
    """Return where the segments of a layer begin and end, (n, 2)."""
    segments = layer_segments(toolpath, layers, layer)
    return np.concatenate([segments.first_mm, segments.last_mm])[:, :2]


def seen_share(points: Float, places: list[tuple[float, float]], window: Window) -> float:
    """Return the share of points that at least one stop shows."""
    if not len(points):
        return 1.0
    seen = np.zeros(len(points), np.bool_)
    points = points[np.argsort(points[:, 1])]
    for place in places:
        rows, within = _within(points, place, window)
        seen[rows] |= within
    return float(seen.mean())


def _within(points: Float, place: tuple[float, float], window: Window) -> tuple[slice, NDArray[np.bool_]]:
    """Return which of some points, sorted by Y, a stop may show by Y, and which of these it shows."""
    rows = slice(
        int(np.searchsorted(points[:, 1], place[1] + window.y_mm[0], "left")),
        int(np.searchsorted(points[:, 1], place[1] + window.y_mm[1], "right")),
    )
    off_mm = points[rows, 0] - place[0]
    return rows, np.asarray((off_mm >= window.x_mm[0]) & (off_mm <= window.x_mm[1]))


def _grid(points: Float, window: Window, overlap: float) -> list[list[tuple[float, float]]]:
    """Return rows of nozzle places, each place showing something that is printed."""
    if not len(points):
        return []
    low, high = points.min(axis=0) - ROUND_MM, points.max(axis=0) + ROUND_MM
    middles = [_spread(low[i], high[i], window.size_mm[i], overlap) for i in (0, 1)]
    centre = window.middle_mm
    rows = [[(x - centre[0], y - centre[1]) for x in middles[0]] for y in middles[1]]
    points = points[np.argsort(points[:, 1])]
    return [[place for place in row if _within(points, place, window)[1].any()] for row in rows]


def _spread(low: float, high: float, size: float, overlap: float) -> list[float]:
    """Return the middles of windows that cover a range evenly."""
    length = high - low
    if length <= size:
        return [(low + high) / 2]
    count = 1 + math.ceil((length - size) / (size * (1 - overlap)) - 1e-9)
    return [float(v) for v in np.linspace(low + size / 2, high - size / 2, count)]


def reachable(
    places: list[tuple[float, float]], points: Float, printer: Printer
) -> list[tuple[float, float]]:
    """Return the places that are reached over the layer itself without coming near a keep-out."""
    kept: list[tuple[float, float]] = []
    middle = (float(points[:, 0].mean()), float(points[:, 1].mean())) if len(points) else (0.0, 0.0)
    for place in places:
        if any(math.dist(place, other) < SAME_MM for other in kept):
            continue
        ways = [(kept[-1] if kept else middle, place), (place, middle)]
        if not any(crosses(box, a, b) for box in printer.keep_out for a, b in ways):
            kept.append(place)
    return kept


def _ordered(rows: list[list[tuple[float, float]]]) -> list[tuple[float, float]]:
    """Return the places row by row, to and fro."""
    return [place for index, row in enumerate(rows) for place in (row if index % 2 == 0 else row[::-1])]


def _cost_s(places: list[tuple[float, float]], wait_s: float, printer: Printer) -> float:
    """Return seconds for the tour, each path from rest to rest, by the trapezoid's closed form."""
    speed, accel = printer.travel_mm_s, printer.accel_mm_s2
    total = wait_s * len(places)
    for here, there in pairwise(places):
        way = math.dist(here, there)
        whole = way >= speed**2 / accel
        total += way / speed + speed / accel if whole else 2 * math.sqrt(way / accel)
    return total
