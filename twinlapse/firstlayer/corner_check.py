"""The corners of the print over the layers that were looked over, from the frames of a job folder."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from twinlapse.firstlayer.corner_monitor import CornerMonitor, monitor_corners
from twinlapse.firstlayer.corner_strip import Strip, strip_of
from twinlapse.firstlayer.mosaic import SurveyFrame
from twinlapse.firstlayer.reading import at_size, layers_below, survey_camera, survey_frames, survey_layers
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.frames.job import Job
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.optics.pose import in_picture, pose_in_bed, see
from twinlapse.optics.upright import upright_camera
from twinlapse.optics.window import RISE_MM, window_of
from twinlapse.plan.where.corner_visits import joined_to, watched_corners
from twinlapse.plan.where.survey_grid import layer_ends
from twinlapse.records import ArrayRecord
from twinlapse.rig import Camera, Printer, rig_from_mapping
from twinlapse.shots import CORNER, SURVEY, read_plan

__all__ = ["CornerCheck", "check_corners", "watch_corners"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CornerCheck(ArrayRecord):
    """The outermost corners over the layers that were looked over."""

    layers: tuple[int, ...]  # from 0, one a picture of each strip
    strips: tuple[Strip, ...]
    watches: tuple[CornerMonitor, ...]  # of the strips, in their order


def check_corners(job: Job) -> CornerCheck | None:
    """Return what the outermost corners of the print did over the layers looked over so far.

    Layers count that were surveyed or whose corners were visited; None before frames of a second one are in.

    Raises
    ------
    JobError
        when the plan names no camera of its rig.
    FrameError
        when the frames have not the shape of the camera's lens.
    """
    plan = read_plan(job.plan)
    planned = survey_layers(plan, (SURVEY, CORNER))
    if len(planned) < 2:
        return None
    rig = rig_from_mapping(plan.rig)
    camera = survey_camera(rig, plan)
    shown = {layer: survey_frames(job, plan, camera, layer, (SURVEY, CORNER))[:2] for layer in planned}
    shown = {layer: (frames, top_mm) for layer, (frames, top_mm) in shown.items() if frames}
    if len(shown) < 2:
        return None
    camera = at_size(upright_camera(camera), next(iter(shown.values()))[0][0])
    toolpath = read_toolpath(job.original)
    return watch_corners(shown, toolpath, find_layers(toolpath), camera, rig.printer, planned[-1])


def watch_corners(
    shown: Mapping[int, tuple[Sequence[SurveyFrame], float]],
    toolpath: Toolpath,
    layers: Layers,
    camera: Camera,
    printer: Printer,
    highest: int,
) -> CornerCheck | None:
    """Return what the corners of the print did in the pictures of each layer; None where they show none.

    Parameters
    ----------
    shown : mapping of layer to (frames, top_mm)
        Two layers at least, the lowest first.
    toolpath, layers
    camera : Camera
        As it takes its upright pictures.
    printer
    highest : int
        The layer whose outline tells where corners are: the highest that the plan looks at.
    """
    corners = watched_corners(toolpath, layers, highest)
    if not corners:
        return CornerCheck(layers=tuple(shown), strips=(), watches=())
    middle = window_of(camera, printer, RISE_MM).middle_mm
    standing = _standing(toolpath, layers, max(shown), printer)
    strips = []
    for corner in corners:
        best = [_best_of(*each, corner, middle, camera, printer) for each in shown.values()]
        if best[0] is not None:  # else there is nothing to compare with
            strips.append(strip_of(corner, best, camera, printer, standing))
    if not strips:
        return None
    return CornerCheck(layers=tuple(shown), strips=tuple(strips), watches=tuple(monitor_corners(strips)))


def _standing(toolpath: Toolpath, layers: Layers, highest: int, printer: Printer) -> list[LowerLayer]:
    """Return the layers up to one, the lowest first and without what only lies beside the print."""
    foot, *rest = layers_below(toolpath, layers, highest + 1, printer)
    above = layer_ends(toolpath, layers, highest)
    some = joined_to(foot.lines.first_mm, foot.lines.last_mm, above)
    return [replace(foot, lines=foot.lines.some(some)) if some.any() else foot, *rest]


def _best_of(
    frames: Sequence[SurveyFrame],
    top_mm: float,
    corner: tuple[float, float],
    middle: tuple[float, float],
    camera: Camera,
    printer: Printer,
) -> tuple[SurveyFrame, float] | None:
    """Return the frame that shows a corner nearest to the middle of its best part, if one shows it."""
    best = min(frames, key=lambda frame: _aside(frame, corner, middle))
    around = np.array([[corner[0] + x, corner[1] + y, top_mm] for x in (-2, 2) for y in (-2, 2)])
    at = see(around, pose_in_bed(camera, printer, best.nozzle_mm), camera.lens)
    return (best, top_mm) if in_picture(at, camera.lens, 1.0).all() else None


def _aside(frame: SurveyFrame, corner: tuple[float, float], middle: tuple[float, float]) -> float:
    """Return how far a corner is from the middle of what a frame shows best."""
    return math.hypot(*(c - n - m for c, n, m in zip(corner, frame.nozzle_mm, middle, strict=False)))
