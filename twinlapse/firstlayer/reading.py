"""The survey frames of a job folder, and the whole way from there to a judgement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from twinlapse.arrays import Bool
from twinlapse.errors import FrameError, JobError, RigError, TwinlapseError
from twinlapse.firstlayer.background import background_of
from twinlapse.firstlayer.camera_trouble import camera_trouble
from twinlapse.firstlayer.classify import Judgement, judge
from twinlapse.firstlayer.edge_blur import edge_blur, motion_of
from twinlapse.firstlayer.expected import Lines, lines_of
from twinlapse.firstlayer.lens_dirt import clouded_by_dirt, dirt_among
from twinlapse.firstlayer.marks import kept_by_marks, read_marks, tally_of, without_refuted
from twinlapse.firstlayer.mosaic import (
    BESIDE_MM,
    GROOVE,
    LayerPictures,
    Mosaic,
    SurveyFrame,
    build_mosaic,
    stands_up,
)
from twinlapse.firstlayer.nozzle_clump import clump_on
from twinlapse.firstlayer.segmentation import FURTHEST_MM
from twinlapse.firstlayer.self_calibration import (
    FEWEST_PIECES,
    GOOD_MM,
    SelfCalibration,
    calibrate_by_print,
)
from twinlapse.firstlayer.sharp_zone import sharp_zone
from twinlapse.firstlayer.solid import LowerLayer
from twinlapse.frames.job import Job
from twinlapse.gcode import Layers, Toolpath, find_layers, read_toolpath
from twinlapse.imaging.decode import read_picture
from twinlapse.memory import check_room
from twinlapse.optics.gap_view import GapView, gap_view
from twinlapse.optics.upright import upright_camera, upright_picture
from twinlapse.optics.window import detail_mm, window_of
from twinlapse.records import ArrayRecord
from twinlapse.rig import Camera, Printer, Rig, rig_from_mapping
from twinlapse.shots import BARE_BED, CORNER, SURVEY, Plan, Shot, read_plan

__all__ = [
    "SETTLED_MM",
    "STEADY_MM",
    "LayerMap",
    "at_size",
    "bare_bed_frames",
    "layers_below",
    "look_over",
    "map_bytes",
    "map_layer",
    "survey_camera",
    "survey_frames",
    "survey_layers",
    "why_unfit",
]

STEADY_MM = 0.2  # a picture that moved by this much counts half
SETTLED_MM = 0.3  # a calibrated map may stand off the toolpath by this much


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class LayerMap(ArrayRecord):
    """The map of one layer and what was found on it."""

    layer: int  # from 0
    mosaic: Mosaic
    judgement: Judgement
    sharp: Bool | None = None  # (height, width) of the map, where a stop shows it sharp
    calibration: SelfCalibration | None = None  # None: the rig's camera was taken as it is


def survey_layers(plan: Plan, stances: tuple[str, ...] = (SURVEY,)) -> list[int]:
    """Return the layers at which a plan has stops of some stances, from 0."""
    return sorted({shot.layer for shot in plan.shots if any(stop.stance in stances for stop in shot.stops)})


def survey_frames(
    job: Job, plan: Plan, camera: Camera, layer: int, stances: tuple[str, ...] = (SURVEY,)
) -> tuple[list[SurveyFrame], float, list[str]]:
    """Return the survey frames of a layer, the height of its top, and the names of missing frames."""
    shots = [shot for shot in plan.shots if shot.layer == layer]
    return _frames_of(job, shots, camera, stances)


def bare_bed_frames(job: Job, plan: Plan, camera: Camera) -> list[SurveyFrame]:
    """Return the pictures of the bare bed, as far as there are any."""
    return _frames_of(job, plan.shots, camera, (BARE_BED,))[0]


def _frames_of(
    job: Job, shots: Sequence[Shot], camera: Camera, stances: tuple[str, ...]
) -> tuple[list[SurveyFrame], float, list[str]]:
    frames: list[SurveyFrame] = []
    missing: list[str] = []
    top_mm = 0.0
    for shot in shots:
        repeat = 0
        for stop in shot.stops:
            if camera.name not in stop.cameras:
                continue
            repeat += 1
            if stop.stance not in stances:
                continue
            top_mm = shot.z_mm
            path = job.frame(camera.name, shot.number, repeat)
            try:
                picture = upright_picture(read_picture(path), camera)
            except TwinlapseError:
                missing.append(path.name)
                continue
            frames.append(SurveyFrame(picture=picture, nozzle_mm=(stop.x_mm, stop.y_mm, stop.z_mm)))
    return frames, top_mm, missing


def map_bytes(stops: int, picture_px: int) -> float:
    """Return the memory that the map of a layer takes at most, in bytes: two pictures of each stop are held.

    Measured with 640 x 480: 133 MB at 12 stops, 171 at 20, 461 at 54, 607 at 74.
    """
    return 80e6 + stops * (6e6 + 2 * 3 * picture_px)


def map_layer(
    job: Job,
    layer: int | None = None,
    *,
    smallest_mm: float = 0.4,
    progress: Callable[[float], None] | None = None,
) -> tuple[LayerMap, list[str]]:
    """Return the map of a surveyed layer (the first without `layer`), and the frames that were missing.

    Raises
    ------
    JobError
        when the job holds no survey.
    FrameError
        when its frames show nothing of the layer.
    NoRoomError
        when it is too large for the memory that is free.
    """
    plan = read_plan(job.plan)
    rig = rig_from_mapping(plan.rig)
    surveyed = survey_layers(plan)
    if not surveyed:
        raise JobError("its plan holds no survey", "plan one with a survey of layer 1", path=job.folder)
    chosen = surveyed[0] if layer is None else layer
    camera = survey_camera(rig, plan)
    stops = sum(stop.stance == SURVEY for shot in plan.shots if shot.layer == chosen for stop in shot.stops)
    need = map_bytes(stops, camera.lens.width_px * camera.lens.height_px)
    check_room(need, f"the map of layer {chosen + 1}", "make it on another machine")
    frames, top_mm, missing = survey_frames(job, plan, camera, chosen)
    bare = bare_bed_frames(job, plan, camera)
    if not frames:
        what = (
            "its survey frames are missing" if missing else f"its plan holds no survey of layer {chosen + 1}"
        )
        raise JobError(what, "plan a survey and take its pictures first", path=job.folder)
    toolpath = read_toolpath(job.original)
    layers = find_layers(toolpath)
    found = look_over(
        LayerPictures(
            frames=tuple(frames),
            camera=at_size(upright_camera(camera), frames[0]),
            printer=rig.printer,
            top_mm=top_mm,
            height_mm=float(layers.height_mm[chosen]),
            bare=tuple(bare),
        ),
        lines_of(toolpath, layers, chosen, rig.printer),
        below=layers_below(toolpath, layers, chosen, rig.printer),
        smallest_mm=smallest_mm,
        progress=progress,
    )
    kept = kept_by_marks(found.judgement.defects, tally_of(job.folder))
    kept = without_refuted(kept, read_marks(job.folder), chosen)
    return replace(found, layer=chosen, judgement=replace(found.judgement, defects=kept)), missing


def layers_below(toolpath: Toolpath, layers: Layers, layer: int, printer: Printer) -> list[LowerLayer]:
    """Return the layers below one, the lowest first."""
    return [
        LowerLayer(
            lines=lines_of(toolpath, layers, k, printer),
            top_mm=float(layers.z_mm[k]),
            height_mm=float(layers.height_mm[k]),
        )
        for k in range(layer)
        if layers.extruded_mm[k] > 0
    ]


def look_over(
    survey: LayerPictures,
    lines: Lines,
    *,
    below: Sequence[LowerLayer] = (),
    smallest_mm: float = 0.4,
    calibration: SelfCalibration | None = None,
    progress: Callable[[float], None] | None = None,
) -> LayerMap:
    """Return the map of a layer and what is wrong on it: the print calibrates the camera, then it is judged.

    Parameters
    ----------
    survey : LayerPictures
        With the camera as the rig file says.
    lines : Lines
        What should lie there.
    below : sequence of LowerLayer
        The lowest first. They show on the camera's side of the layer, and beside it: a skirt.
    smallest_mm : float
        A gap shorter than this is not reported.
    calibration : SelfCalibration, optional
        The camera as it was solved for before; else it is solved for now.
    """
    # the map lays lines at the height of their grooves: the camera must be solved for that plane
    solved = partial(
        calibrate_by_print,
        survey.frames,
        survey.camera,
        survey.printer,
        survey.top_mm - GROOVE * survey.height_mm,
        height_mm=survey.height_mm,
        below=below,
    )
    whole = survey
    found = calibration or solved(lines=lines, progress=_part(progress, 0.0, 0.6))
    if found.useful:
        survey = replace(survey, camera=found.camera)
    motion, clump = None, None
    if found.trusted:
        motion = motion_of(edge_blur(survey, lines, found.shifts_mm, below))
        clump = clump_on(survey, lines, found.shifts_mm, below)
        steadier = tuple(
            replace(frame, trust=1 / (1 + (way / STEADY_MM) ** 2))
            for frame, way in zip(survey.frames, motion.moved_mm, strict=True)
        )
        survey = replace(survey, frames=steadier)
        survey = replace(survey, clouded=clouded_by_dirt(survey, found, lines, below))
    judged = partial(
        _mapped,
        lines=lines,
        below=below,
        smallest_mm=smallest_mm,
        found=found,
        # a camera that was solved for without a line: the outline would draw the map back onto that line
        furthest_mm=0.0 if calibration else _furthest_mm(found, stands_up(survey, below)),
    )
    mosaic, judgement = judged(survey, progress=_part(progress, 0.6, 1.0))
    if calibration is None and len(judgement.outermost_missing):
        # the camera was laid onto a line that is not there: it is solved for once more without that line
        laid = np.ones(len(lines), np.bool_)
        laid[judgement.outermost_missing] = False
        again = solved(lines=lines.some(laid), progress=None)
        retried = look_over(whole, lines, below=below, smallest_mm=smallest_mm, calibration=again)
        if _told_on(retried.judgement, lines.some(~laid)):
            return retried
    boxes = [defect.box_mm for defect in judgement.defects if defect.kind != "missing object"]
    boxes += judgement.patches
    if found.trusted and boxes:
        clouded = dirt_among(boxes, survey, found, lines, below)
        if clouded.any():
            survey = replace(survey, clouded=clouded if survey.clouded is None else survey.clouded | clouded)
            mosaic, judgement = judged(survey)
    detail = _detail_mm(survey.camera, survey.printer, survey.frames[0].nozzle_mm[2] - survey.top_mm)
    # where filament and bed cannot be told apart, no blur can be read off the map
    outlined = judgement.seen & judgement.can_tell
    shown = (judgement.score, judgement.wanted, outlined, judgement.canvas)
    judgement = replace(
        judgement,
        trouble=camera_trouble(survey, *shown, detail, motion, clump),
        gaps=_gaps_shown(survey, lines),
        # from a level camera a line hides the groove behind it: sound layers looked thin
        laying=None if stands_up(survey) else judgement.laying,
    )
    sharp = sharp_zone(survey, mosaic)
    return LayerMap(layer=0, mosaic=mosaic, judgement=judgement, sharp=sharp, calibration=found)


def _mapped(
    survey: LayerPictures,
    *,
    lines: Lines,
    below: Sequence[LowerLayer],
    smallest_mm: float,
    found: SelfCalibration,
    furthest_mm: float,
    progress: Callable[[float], None] | None = None,
) -> tuple[Mosaic, Judgement]:
    """Return the map by a calibration, and what is wrong on it."""
    placed_mm = found.shifts_mm if found.useful else None
    mosaic = build_mosaic(survey, lines, below=below, placed_mm=placed_mm, progress=progress)
    judgement = judge(
        mosaic,
        lines,
        bare=background_of(survey, mosaic, lines) if survey.bare else None,
        below=below,
        smallest_mm=smallest_mm,
        furthest_mm=furthest_mm,
        unfit=why_unfit(found),
        height_mm=survey.height_mm,
    )
    return mosaic, judgement


def _told_on(judgement: Judgement, missing: Lines) -> bool:
    """Return whether a line is said to be missing where some lines lie."""
    places = (missing.first_mm + missing.last_mm) / 2
    return any(
        bool((np.abs(places - defect.at_mm) <= np.array(defect.box_mm[2:]) / 2 + BESIDE_MM).all(axis=1).any())
        for defect in judgement.defects
        if defect.kind == "missing line"
    )


def _furthest_mm(found: SelfCalibration, solid: bool) -> float:
    """Return by how much the map may be moved onto the toolpath.

    The outline of a print that is seen to stand has several heights: no one shift lays it better than the
    calibration.
    """
    if not found.trusted:
        return FURTHEST_MM
    return 0.0 if solid else SETTLED_MM


def _gaps_shown(survey: LayerPictures, lines: Lines) -> GapView | None:
    way = (lines.last_mm - lines.first_mm) / np.maximum(lines.length_mm, 1e-9)[:, None]
    rise_mm = survey.frames[0].nozzle_mm[2] - survey.top_mm
    return gap_view(
        way,
        lines.length_mm,
        lines.width_mm,
        survey.height_mm,
        camera=survey.camera,
        printer=survey.printer,
        rise_mm=rise_mm,
    )


def _detail_mm(camera: Camera, printer: Printer, rise_mm: float) -> float:
    """Return the smallest thing that a camera shows in the middle of its window, 0 where it has none."""
    try:
        x, y = window_of(camera, printer, rise_mm).middle_mm
    except RigError:
        return 0.0
    return float(np.nan_to_num(detail_mm(np.array([[x, y, -rise_mm]]), camera, printer)[0]))


def why_unfit(found: SelfCalibration) -> str:
    """Return why a map by this calibration is not judged in detail and what to do; empty where it is."""
    if found.trusted:
        return ""
    if found.pieces < FEWEST_PIECES:
        return "the pictures show too little of the print's outline: check the camera's pose with 'rig aim'"
    return (
        f"the outline lies {found.residual_mm:.2f} mm beside the toolpath ({GOOD_MM:g} mm is the most) "
        "even with the camera's place and lens solved for: measure the lens with 'rig lens', aim with "
        "'rig aim', and see that the camera sits tight"
    )


def _part(
    progress: Callable[[float], None] | None, low: float, high: float
) -> Callable[[float], None] | None:
    return None if progress is None else lambda share: progress(low + share * (high - low))


def survey_camera(rig: Rig, plan: Plan) -> Camera:
    """Return the camera that looks the layers over, as it is mounted."""
    looking = [stop for shot in plan.shots for stop in shot.stops if stop.stance in (SURVEY, CORNER)]
    names = {name for stop in looking for name in stop.cameras}
    camera = next((camera for camera in rig.cameras if camera.name in names), None)
    if camera is None:
        raise JobError("the plan's survey names no camera of its rig", "plan it again")
    return camera


def at_size(camera: Camera, frame: SurveyFrame) -> Camera:
    """Return the camera with the lens of its pictures' real size."""
    height, width = frame.picture.shape[:2]
    lens = camera.lens
    if (width, height) == (lens.width_px, lens.height_px):
        return camera
    if abs(width / height - lens.width_px / lens.height_px) > 0.02:
        raise FrameError(
            f"the frames are {width} x {height}, the lens in the rig is {lens.width_px} x {lens.height_px}",
            "write the size of the frames into the rig file",
        )
    scale = width / lens.width_px
    centre = lens.centre_px and (
        (lens.centre_px[0] + 0.5) * scale - 0.5,
        (lens.centre_px[1] + 0.5) * scale - 0.5,
    )
    return replace(camera, lens=replace(lens, width_px=width, height_px=height, centre_px=centre))
