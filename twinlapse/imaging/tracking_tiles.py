"""What a camera's pictures are measured by: tiles that stay what they are while the print grows.

Large tiles all over the picture tell how the camera shakes. Small ones around the foot of the print tell how
the bed with the print moves, which is another matter on a machine that parks its bed a hair off. Candidates
of both kinds audition on some pictures spread over the film: what changes, what is flat and what follows
the growing rim or the climbing gantry is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Grey, Picture
from twinlapse.imaging.bodies import MOST_BODIES, find_bodies
from twinlapse.imaging.decode import reduced
from twinlapse.imaging.light import changing_foot, light_blocks
from twinlapse.imaging.registration import Reference, Votes, make_reference, measure, measure_near
from twinlapse.imaging.transforms import Model, fit_maps, way_of
from twinlapse.rig.film_settings import Box, CameraFilming

__all__ = [
    "ALONG",
    "CANDIDATES",
    "COARSE_PX",
    "FAR_PX",
    "FINE_PX",
    "LEAST_COARSE_PX",
    "LEAST_PICTURES",
    "MOST_COARSE",
    "MOST_FAR",
    "MOST_FINE",
    "STEP",
    "Gauges",
    "choose_gauges",
]

COARSE_PX, FINE_PX, FAR_PX = 64, 64, 128
LEAST_COARSE_PX = 48
ALONG = 4.0  # large tiles along the short side of a picture, where it is too small for COARSE_PX
STEP = 0.55  # from one large tile to the next, in edges: half of each lies in its neighbour's soft edge
CANDIDATES, MOST_COARSE, MOST_FINE, MOST_FAR = 200, 40, 20, 12
LEAST_PICTURES = 5  # of a sample that tell which tiles belong together
_REACH = 0.2  # half width of the part around the foot in which small tiles lie, share of the width
_HARDLY = 0.05  # mean weight of the votes below which those that agree may do so by chance
_SURE = 0.35  # share of agreeing votes from which on a map is trusted


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauges:
    """The chosen tiles, and how to read them."""

    coarse: Reference  # on pictures reduced by `by * shrink`
    fine: Reference  # on pictures reduced by `by`
    far: Reference  # as `coarse`, of larger tiles: for pictures that moved too far for those
    body: NDArray[np.int64]  # (k,) to which body each of the coarse tiles belongs, as far as the sample tells
    by: int
    shrink: int
    foot: tuple[float, float]  # px of the full picture

    @property
    def centres(self) -> Float:
        """Middles of all tiles, the coarse ones first, (k, 2) px of the full picture."""
        large = _enlarged(self.coarse.centres, self.by * self.shrink)
        return np.concatenate([large, _enlarged(self.fine.centres, self.by)])

    def read(
        self, greys: Sequence[Grey], model: Model
    ) -> tuple[Float, Float, Float, NDArray[np.bool_], Float]:
        """Measure m pictures, reduced by `by`.

        Returns
        -------
        shifts : ndarray of shape (m, k, 2), px of the full picture
        weights : ndarray of shape (m, k)
        matrices : ndarray of shape (m, 2, 3)
            From the reference to each of `greys` by the coarse tiles alone.
        sure : ndarray of shape (m,)
            Whether they agree on it.
        blur : ndarray of shape (m,), px of the full picture
            How far each picture moved while it was exposed.
        """
        coarse, fine, matrices, sure = self._votes(greys, model)
        shifts = [coarse.shifts * (self.by * self.shrink), fine.shifts * self.by]
        weights = np.concatenate([coarse.weights, fine.weights], axis=1)
        blur = np.hypot(*coarse.blur.T) * (self.by * self.shrink)
        return np.concatenate(shifts, axis=1), weights, matrices, sure, blur

    def agreement(self, greys: Sequence[Grey], model: Model) -> Float:
        """Return the weight of the coarse tiles that agree on how each picture, reduced by `by`, moved.

        Each body is asked by itself: where two are alike in size, either may be the one that most follow.
        """
        votes = self._coarse(greys, model)
        total = np.zeros(len(greys))
        for number in np.unique(self.body):
            weights = votes.weights * (self.body == number)
            _, agree = fit_maps(self.coarse.centres, votes.shifts, weights, model)
            total += agree * weights.sum(axis=1)
        return total

    def _coarse(self, greys: Sequence[Grey], model: Model) -> Votes:
        small = [reduced(grey, self.shrink) for grey in greys]
        votes = measure(self.coarse, small, model)
        if not len(self.far) or not len(self.coarse):
            return votes
        _, agree = fit_maps(self.coarse.centres, votes.shifts, votes.weights, model)
        lost = np.flatnonzero((agree <= _SURE) | (votes.weights.mean(axis=1) < _HARDLY))
        if len(lost):
            there = [small[row] for row in lost.tolist()]
            wide = measure(self.far, there, model)
            matrices, known = fit_maps(self.far.centres, wide.shifts, wide.weights, model)
            again = measure(self.coarse, there, model, matrices)
            _, better = fit_maps(self.coarse.centres, again.shifts, again.weights, model)
            some = known > _SURE
            some &= better * again.weights.sum(axis=1) > (agree * votes.weights.sum(axis=1))[lost]
            for new, old in (
                (again.shifts, votes.shifts),
                (again.peaks, votes.peaks),
                (again.kinds, votes.kinds),
                (again.blur, votes.blur),
            ):
                old[lost[some]] = new[some]
        return votes

    def _votes(self, greys: Sequence[Grey], model: Model) -> tuple[Votes, Votes, Float, NDArray[np.bool_]]:
        coarse = self._coarse(greys, model)
        matrices, agree = fit_maps(
            _enlarged(self.coarse.centres, self.shrink), coarse.shifts * self.shrink, coarse.weights, model
        )
        sure = agree > _SURE
        expected = way_of(matrices, self.fine.centres) * sure[:, None, None]
        return coarse, measure_near(self.fine, greys, expected, coarse.blur * self.shrink), matrices, sure


def choose_gauges(
    sample: Sequence[Picture], size: tuple[int, int], by: int, filming: CameraFilming
) -> Gauges:
    """Choose the tiles of a camera.

    Parameters
    ----------
    sample : sequence of ndarray of shape (height, width, 3)
        Pictures spread over the film, reduced by `by`; the first becomes the reference.
    size : (int, int)
        Width and height of the full pictures.
    by : int
    filming : CameraFilming
    """
    greys = [np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), dtype=np.uint8) for picture in sample]
    height, width = greys[0].shape
    shrink = 2 if by == 1 and width >= 900 else 1
    foot = changing_foot(np.stack([light_blocks(picture) for picture in sample]))
    mask = _ignored((width, height), filming)
    small = reduced(greys[0], shrink)
    gauges = Gauges(
        coarse=make_reference(
            small,
            tile_px=_coarse_px(min(small.shape)),
            step=STEP,
            ignore=None if mask is None else mask[::shrink, ::shrink],
            most=CANDIDATES,
        ),
        fine=make_reference(
            greys[0], tile_px=FINE_PX, step=0.5, area=_around(foot, width, height), ignore=mask, most=160
        ),
        far=make_reference(
            small, tile_px=FAR_PX, ignore=None if mask is None else mask[::shrink, ::shrink], most=MOST_FAR
        ),
        body=np.zeros(0, np.int64),
        by=by,
        shrink=shrink,
        foot=(foot[0] * size[0], foot[1] * size[1]),
    )
    return _auditioned(gauges, greys, filming.model)


def _auditioned(gauges: Gauges, greys: Sequence[Grey], model: Model) -> Gauges:
    large, small, _, _ = gauges._votes(greys, model)
    away = np.hypot(*(_enlarged(gauges.fine.centres, gauges.by) - gauges.foot).T)
    near = 0.2 + np.exp(-((away / (0.1 * gauges.by * greys[0].shape[1])) ** 2) / 2)
    everywhere = np.ones(len(gauges.coarse))
    coarse, body = _steadiest(gauges.coarse, large, MOST_COARSE, model, everywhere)
    fine, _ = _steadiest(gauges.fine, small, MOST_FINE, model, near)
    return replace(gauges, coarse=gauges.coarse.keep(coarse), fine=gauges.fine.keep(fine), body=body)


def _steadiest(
    reference: Reference, votes: Votes, most: int, model: Model, favour: Float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the tiles that are found again in most pictures of the sample, and the body of each."""
    weights = votes.weights
    score, label = np.quantile(weights, 0.25, axis=0), np.zeros(len(reference), np.int64)
    if len(weights) >= LEAST_PICTURES:
        label = find_bodies(reference.centres, votes.shifts, weights, model)
        score[label < 0] = 0
    good = np.flatnonzero(score > 0)
    if len(good) < 3:  # everything changes: the best there is, and the frames will say how sure they are
        score = weights.mean(axis=0)
        good = np.flatnonzero(score > 0)
    ranked = good[np.argsort(-(score * favour)[good], kind="stable")]
    # a strip of the machine's frame above a large bed that shows more texture is heard, too
    first = [ranked[label[ranked] == number][: most // MOST_BODIES] for number in range(MOST_BODIES)]
    rest = ranked[~np.isin(ranked, np.concatenate(first))]
    chosen = np.sort(np.concatenate([*first, rest])[:most])
    return chosen, label[chosen]


def _coarse_px(short_px: int) -> int:
    """Return the edge of the large tiles of a picture with a short side of so many pixels."""
    return int(min(COARSE_PX, max(LEAST_COARSE_PX, 16 * round(short_px / ALONG / 16))))


def _around(foot: tuple[float, float], width: int, height: int) -> tuple[int, int, int, int]:
    aside, along = _REACH * width, 0.6 * _REACH * width

    def within(middle: float, half: float, length: int) -> tuple[int, int]:
        """Return a part of a side, moved into the picture where it would leave it."""
        size = min(length, round(2 * half))
        return min(max(0, round(middle - half)), length - size), size

    (x0, across), (y0, down) = within(foot[0] * width, aside, width), within(foot[1] * height, along, height)
    return x0, y0, across, down


def _enlarged(points: Float, by: int) -> Float:
    return np.asarray(points * by + (by - 1) / 2)


def _ignored(size: tuple[int, int], filming: CameraFilming) -> Grey | None:
    if not filming.ignore and filming.region is None:
        return None
    mask = np.zeros((size[1], size[0]), np.uint8)
    if filming.region is not None:
        mask[:] = 1
        mask[_part(filming.region, size)] = 0
    for box in filming.ignore:
        mask[_part(box, size)] = 1
    return mask


def _part(box: Box, size: tuple[int, int]) -> tuple[slice, slice]:
    x, y, width, height = box
    return (
        slice(round(y * size[1]), round((y + height) * size[1])),
        slice(round(x * size[0]), round((x + width) * size[0])),
    )
