"""From what was seen in a camera's frames to what is done to them: motion taken out, light made even."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Bool, Float, Picture, Progress
from twinlapse.frames.sequence import FrameFile
from twinlapse.imaging.certainty import by_height, certainty, expected_error
from twinlapse.imaging.decode import fitted, read_picture
from twinlapse.imaging.leaning import lean_by_evidence
from twinlapse.imaging.light import SURE_OF_LIGHT, Relight, gains, relight
from twinlapse.imaging.plain_parts import left_over
from twinlapse.imaging.resampling import resample
from twinlapse.imaging.tone_curve import ToneCurve
from twinlapse.imaging.transforms import (
    USUAL_SCALE,
    USUAL_TURN,
    Motion,
    fit_maps,
    motion_of,
    still,
    way_of,
)
from twinlapse.rig.film_settings import CameraFilming
from twinlapse.tracking.fitness import unfit
from twinlapse.tracking.held_body import held_body, nearness, of_the_print, shares, standing
from twinlapse.tracking.link_references import tied
from twinlapse.tracking.measure import look_at
from twinlapse.tracking.measurements import Looks
from twinlapse.tracking.trajectory import (
    BEND_FLOOR,
    CERTAIN,
    corners_of,
    doubted,
    from_neighbours,
    usual_bends,
)

__all__ = [
    "BLUR_DOUBTED",
    "CLEAR",
    "FEW_SURE",
    "HARDLY_CLEAR",
    "LEAST_MOVED",
    "MOST_APART",
    "SAME_PX",
    "UNKNOWN",
    "Track",
    "track_camera",
]

SAME_PX = 0.08  # a print that moves less against its surroundings is one body with them
_MOSTLY = 0.6  # share of the frames in which the print must be seen to be held
LEAST_MOVED = 0.5  # of the print's way, by which a tile moves at least that speaks for it
MOST_APART = 0.02  # a print does not move further against its surroundings, share of the picture's width
UNKNOWN = 0.2  # confidence at most of a frame in which a print that moves is not found
CLEAR, HARDLY_CLEAR = 0.9, 0.6  # weight of the print's tiles over that in the clearest frames
FEW_SURE = 0.2  # share of frames sure of their motion below which nothing is held at all
BLUR_DOUBTED = 0.006  # way while it was exposed, over the width, that makes a motion less sure by a third


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """What is done to one camera's n frames."""

    camera: str
    files: tuple[FrameFile, ...]
    size: tuple[int, int]  # of the camera's pictures
    faults: tuple[str, ...]  # (n,) why a frame cannot be used, "" where it can
    motions: tuple[Motion, ...]  # (n,) as applied
    gain: Float  # (n, 3) as applied
    foot_px: tuple[float, float]  # where the print stands; the middle of a rigid body that is held instead
    riding: bool = False  # a nozzle stands in the picture: the camera rides with it, whatever is held
    curve: ToneCurve = field(default_factory=ToneCurve)  # of the camera
    plain: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))  # (b,) blocks, and
    left: NDArray[np.int8] = field(default_factory=lambda: np.zeros((0, 0, 3), np.int8))  # (n, b, 3) of them
    top_codes: tuple[float, ...] = ()  # (n,) code that a thousandth of the pixels pass
    white: Float = field(default_factory=lambda: np.zeros((0, 3)))  # (n, 3) codes at which white is shown
    hidden: tuple[str, ...] = ()  # (n,) why a frame that can be read is not shown, "" where it is
    borrowed: tuple[bool, ...] = ()  # (n,) the motion is the neighbours': the frame's own is not known

    def picture(self, place: int, room: Picture | None = None) -> Picture:
        """Return the picture of frame `place` as it came, at the camera's usual size; `room` as in decode."""
        picture = read_picture(self.files[place].path, room=room)
        same = fitted(picture, self.size)
        return picture if same is None else same

    def steadied(self, picture: Picture, place: int, *, fine: bool = False) -> Picture:
        """Return the whole picture of frame `place` as it will be shown: steady and evenly lit."""
        laid = resample(picture, self.motions[place].matrix, self.size, fine=fine)
        return relight(laid, self.light(place))

    def light(self, place: int) -> Relight:
        """Return how the light of frame `place` is evened."""
        gain = np.asarray(self.gain[place], np.float64)
        top = self.top_codes[place] if self.top_codes else None
        left = left_over(self.left[place], self.plain) if len(self.plain) else None
        white = self.white[place] if len(self.white) else None
        return Relight(gain=gain, curve=self.curve, top_code=top, white=white, left=left)

    def usable(self) -> set[Path]:
        """Return the files that are shown; where none is fit to be, all that can be read."""
        good = {file.path for file, fault in zip(self.files, self.faults, strict=True) if not fault}
        fit = {file.path for file, why in zip(self.files, self.hidden, strict=False) if not why} & good
        return fit if fit or not self.hidden else good

    def chosen(self, keep: Collection[int], drop: Collection[int]) -> Track:
        """Return the track with shots shown or hidden as the maker wants, whatever speaks against it."""
        hidden = []
        for file, why in zip(self.files, self.hidden or ("",) * len(self.files), strict=True):
            hidden.append("dropped" if file.shot in drop else "" if file.shot in keep else why)
        return replace(self, hidden=tuple(hidden))


def track_camera(
    camera: str,
    files: Sequence[FrameFile],
    filming: CameraFilming,
    progress: Progress | None = None,
    *,
    cache: bool = True,
    pool: Executor | None = None,
) -> Track:
    """Measure all frames of a camera and decide what is done to them.

    Raises
    ------
    FrameError
        when none of the frames can be read.
    """
    looks, found = _held(look_at(camera, files, filming, progress, cache=cache, pool=pool), filming)
    size = (int(looks.size[0]), int(looks.size[1]))
    if _scene_is_lost(looks, found, filming):
        again = look_at(camera, files, filming, progress, cache=cache, pool=pool, hold_scene=False)
        looks, found = _held(again, filming)
    motions, hidden, borrowed = _shown(looks, found, size, filming)
    return Track(
        camera=camera,
        files=tuple(files),
        size=size,
        faults=tuple(str(fault) for fault in looks.faults),
        motions=tuple(motions),
        gain=_gain(looks, filming),
        plain=looks.plain if filming.light != "off" else looks.plain[:0],
        left=looks.left * (looks.ratio_sure > SURE_OF_LIGHT)[:, None, None],
        foot_px=_foot(looks),
        riding=bool(looks.body_sure.any()),
        curve=ToneCurve(tuple(looks.curve.tolist())),
        top_codes=tuple(looks.tone[:, 3].tolist()),
        white=looks.white,
        hidden=tuple(hidden),
        borrowed=tuple(borrowed),
    )


def _scene_is_lost(looks: Looks, motions: Sequence[Motion], filming: CameraFilming) -> bool:
    """Whether what is behind a rigid body was to be held, and hardly any frame tells how it moved.

    A few pictures spoke for it when the tiles were chosen, and tiles that are chosen for a few agree on those
    even where nothing lasts. All frames are the second judge; the body itself is then what is held.
    """
    good = looks.faults == ""
    if filming.hold != "auto" or not looks.scene or not good.any():
        return False
    sure = np.array([motion.confidence >= CERTAIN for motion in motions])
    body = looks.body_sure >= CERTAIN
    return bool(sure[good].mean() < _MOSTLY <= body[good].mean())


def _shown(
    looks: Looks, motions: list[Motion], size: tuple[int, int], filming: CameraFilming
) -> tuple[list[Motion], list[str], list[bool]]:
    """Return the motions with those of unsure frames taken from their neighbours, and what is hidden and why.

    A frame whose motion neither itself nor its neighbours tell is hidden: unmoved it would jump by all that
    it shook. Where hardly any frame is sure there is nothing to jump against, and all are shown as they are.
    """
    hidden = unfit(looks)
    borrowed = [False] * len(motions)
    good = looks.faults == ""
    sure = np.array([motion.confidence >= CERTAIN for motion in motions]) & good
    if filming.hold == "off" or not good.any() or sure[good].mean() < FEW_SURE:
        # unsure all the same, and named
        unsure = [filming.hold != "off" and bool(one) for one in good & ~sure]
        return motions, hidden, unsure
    fit = good & np.array([not why for why in hidden])
    found = from_neighbours(motions, fit, size)
    known = np.flatnonzero(sure & fit) if (sure & fit).any() else np.flatnonzero(sure)
    for place in np.flatnonzero(good & ~sure).tolist():
        nearest = int(known[np.abs(known - place).argmin()])
        # what is hidden is moved, too: it may be shown all the same by the maker's own choice
        near = motion_of(motions[nearest].matrix, size, motions[place].confidence)
        motions[place] = found.get(place, near)
        borrowed[place] = True
        if place not in found:
            hidden[place] = hidden[place] or "its motion is not known"
    return motions, hidden, borrowed


def _held(seen: Looks, filming: CameraFilming) -> tuple[Looks, list[Motion]]:
    """Return what was seen as if from the first reference, and the motion of every frame."""
    held, alone = held_body(seen, filming.model)
    looks = tied(seen, filming.model, held)
    return looks, _motions(looks, held, alone, filming)


def _motions(looks: Looks, held: Bool, alone: float, filming: CameraFilming) -> list[Motion]:
    """Return the motion of every frame of what is to be held.

    The surroundings give the whole map. The print may move against them, as a bed that parks a hair off does;
    that is one more shift, read off the tiles around its foot. To a camera that rides with the nozzle that
    is its surroundings, and all behind it is the print.
    """
    good, size = np.flatnonzero(looks.faults == ""), (int(looks.size[0]), int(looks.size[1]))
    if _riding(looks, filming):
        return _body(looks, size)
    if filming.hold == "off" or not len(looks.centres) or not len(good):
        return [still(size) for _ in looks.faults]
    motions = _surroundings(looks, good, held, alone, filming)
    told = np.mean([motions[place].confidence >= CERTAIN for place in good])
    if told < _MOSTLY and np.mean(looks.body_sure[good] >= CERTAIN) > told:
        return _body(looks, size)  # what is behind the nozzle seemed to stay, but does not in most frames
    if filming.hold == "surroundings":
        return motions
    extra, sure, certain, apart_px = _print_against(looks, good, motions)
    if filming.hold == "auto" and (apart_px < SAME_PX or sure.mean() < _MOSTLY):
        return motions  # one body, or too little to tell: the surroundings know best
    if sure.mean() < _MOSTLY:
        certain = np.maximum(certain, CERTAIN)  # seen in few frames: the others stay with their surroundings
    for place, way, own in zip(good, extra * sure[:, None], certain.tolist(), strict=True):
        matrix = motions[place].matrix.copy()
        matrix[:, 2] += way
        # as sure as the less sure of the two
        motions[place] = motion_of(matrix, size, min(motions[place].confidence, own))
    return motions


def _riding(looks: Looks, filming: CameraFilming) -> bool:
    """Whether the nozzle is what is held: asked for, or nothing behind it can be."""
    wanted = filming.hold == "surroundings" or not bool(looks.scene)
    return filming.hold != "off" and wanted and bool(looks.body_sure.any())


def _foot(looks: Looks) -> tuple[float, float]:
    x, y = looks.foot
    if not looks.scene and looks.lit.any():
        rows, columns = np.nonzero(looks.lit)
        x, y = (columns.mean() + 0.5) / looks.lit.shape[1], (rows.mean() + 0.5) / looks.lit.shape[0]
        x, y = x * looks.size[0], y * looks.size[1]
    return float(x), float(y)


def _body(looks: Looks, size: tuple[int, int]) -> list[Motion]:
    """Return the motion of every frame by a rigid body in the picture."""
    return [
        motion_of(matrix, size, float(sure)) if sure >= CERTAIN else still(size, float(sure))
        for matrix, sure in zip(looks.body, looks.body_sure, strict=True)
    ]


def _surroundings(
    looks: Looks, good: NDArray[np.int64], held: Bool, alone: float, filming: CameraFilming
) -> list[Motion]:
    """Return the motion of every frame by the tiles of `held`, those at the print's foot silenced."""
    size = (int(looks.size[0]), int(looks.size[1]))
    motions = [still(size) for _ in looks.faults]
    large = np.flatnonzero(looks.coarse)
    centres, shifts = looks.centres[large], looks.shifts[np.ix_(good, large)]
    weights = looks.weights[np.ix_(good, large)] * ((1 - nearness(looks)) * held)[large]
    total = weights.sum(axis=1)
    weights = by_height(weights)
    corners, spoken = corners_of(size), np.minimum(1.0, total / max(0.3 * float(np.median(total)), 1e-9))
    matrices, agree = fit_maps(centres, shifts, weights, filming.model)
    error, carriers = expected_error(centres, shifts, weights, matrices, corners, USUAL_TURN)
    sure = certainty(agree, error, carriers) * spoken
    usual = usual_bends(matrices, sure)
    if usual is not None:
        matrices, agree = fit_maps(centres, shifts, weights, filming.model, usual)
        bent = max(usual.turn, usual.scale)
        error, carriers = expected_error(centres, shifts, weights, matrices, corners, bent)
        sure = certainty(agree, error, carriers) * spoken
    # in a blurred picture tiles are off by what lies in them, which an affine map would follow
    known = (sure >= CERTAIN) & (looks.blur[good] == 0)
    if filming.model == "scale" and known.any():
        matrices[known], _ = lean_by_evidence(
            centres, shifts[known], weights[known], matrices[known], corners
        )
        error, carriers = expected_error(centres, shifts, weights, matrices, corners, USUAL_SCALE)
        sure = np.where(known, certainty(agree, error, carriers) * spoken, sure)
    # another body as large as the one that is held, and blur, make it less sure; the best there is it stays
    blur = looks.blur[good] / (BLUR_DOUBTED * float(size[0]))
    less = sure * (1 + alone) / 2 / (1 + blur**2 / 2)
    sure = doubted(matrices, np.where(sure >= CERTAIN, np.maximum(less, CERTAIN), less), size)
    for place, matrix, confidence in zip(good, matrices, sure.tolist(), strict=True):
        found = confidence >= CERTAIN
        motions[place] = motion_of(matrix, size, confidence) if found else still(size, confidence)
    return motions


def _print_against(
    looks: Looks, good: NDArray[np.int64], motions: Sequence[Motion]
) -> tuple[Float, Bool, Float, float]:
    """Return how far the print moved against its surroundings in each frame, where it is known, how sure.

    The median is taken out: what stays the same in all frames is no motion. It, and the last value, how far
    the print moves in RMS px, are told by frames that show the print's tiles as clearly as most others: small
    tiles of a blurred frame can agree with each other on where the print never was.
    """
    weights = looks.weights[good] * nearness(looks)
    matrices = np.stack([motions[place].matrix for place in good])
    held = np.array([motions[place].confidence >= CERTAIN for place in good])
    ways = way_of(matrices, looks.centres)
    shifts = looks.shifts[good] - ways
    weights = weights * ~standing(shifts, ways, weights * held[:, None])
    weights = weights * of_the_print(looks.centres, shifts, weights, held)
    found, _ = fit_maps(looks.centres, shifts, weights, "shift")
    share = shares(shifts, weights * held[:, None], found[:, :, 2])
    weights = weights * np.where(share > LEAST_MOVED, np.minimum(share, 1.0) ** 2, 0.0)
    shifts = shifts / np.maximum(share, LEAST_MOVED)[:, None]
    found, agree = fit_maps(looks.centres, shifts, weights, "shift")
    total = weights.sum(axis=1)
    extra, sure = found[:, :, 2], (agree >= CERTAIN) & (total > 0.2) & held
    foot = looks.foot[None]
    error, carriers = expected_error(looks.centres, shifts, weights, found, foot, BEND_FLOOR)
    clear = total / max(float(np.quantile(total, 0.9)), 1e-9)
    certain = certainty(agree, error, carriers) * np.minimum(1.0, clear / HARDLY_CLEAR) ** 2
    told = sure & (clear >= CLEAR) & (certain >= 0.5)
    told = told if told.any() else sure
    if told.any():
        extra = extra - np.median(extra[told], axis=0)
        near = np.hypot(*extra.T) < MOST_APART * float(looks.size[0])
        sure, told = sure & near, told & near
    apart_px = float(np.sqrt((extra[told] ** 2).mean())) if told.any() else 0.0
    # what is known is used, however unsure it is of the last half pixel
    certain = np.where(sure, np.maximum(certain, CERTAIN), np.minimum(certain, UNKNOWN))
    return extra, sure, certain, apart_px


def _gain(looks: Looks, filming: CameraFilming) -> Float:
    gain = np.ones((len(looks.faults), 3))
    good = looks.faults == ""
    if filming.light != "off":
        gain[good] = gains(looks.ratio[good], looks.ratio_sure[good], filming.light)
    return gain
