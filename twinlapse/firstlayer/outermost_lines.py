"""Outermost lines that are missing: a camera that the print calibrates lays any outline onto the toolpath.

Such a map shows nothing missing. Yet it is stretched: the ends of the neighbouring lines reach beyond it, and
slits that the file leaves lie up to a line's width beside their places. Each straight side is therefore tried
with its outermost line and without it: both masks are laid onto the score around the side, each by an affine
map of its own (Levenberg and Marquardt's method), so that it matters little how the camera was solved. The
line is missing where the mask without it leaves less unexplained.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Int
from twinlapse.firstlayer.canvas import Canvas, canvas_over
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.outline_residual import MOST_GROWN_MM
from twinlapse.firstlayer.picture_ground import BlurredMask, blurred_mask

__all__ = [
    "LEAST_GAIN",
    "LEAST_GAIN_MM2",
    "MOST_LEFT",
    "SHORTEST_SIDE_MM",
    "Side",
    "Tried",
    "missing_lines",
    "sides_of",
    "tried_sides",
]

SHORTEST_SIDE_MM = 4.0  # of a side
_MOST_OF = 0.8  # of a line that has bed on one side and print on the other; of a side that is seen
_ALIKE = 0.998  # cosine of the angle between lines of one side
_BESIDE_MM, _APART_MM = 0.1, 1.0  # lines of one side: beside each other, and from end to end
_INWARD_MM, _OUTWARD_MM, _ASIDE_MM = 12.0, 1.5, 2.0  # from the side: what is laid onto each other
_ROOM_MM = 2.0  # around that, for what is moved
# mm, one standard deviation: shift, stretch at the rim of what is looked at, growth of lines; for a line's
# width that is missing on one side to be taken up
_SPREADS: Float = np.array([0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.1])
_NOISE, _ALIKE_PX = 0.15, 25.0  # of the score, one standard deviation; so many pixels err alike
_MOST_STEPS = 12
_FINE = 3  # parts of a pixel's side that are drawn by themselves
_USUAL_BLUR_MM = 0.2  # where the map does not show its own
# what the mask without the line must explain more, as a share of what it would if the line were missing: that
# is 1 of missing lines and -1 of others; drawn ones were 0.4 to 2.2 and -1.8 to -0.25
LEAST_GAIN = 0.15
# mean square that the toolpath may leave unexplained: drawn sides 0.001 to 0.008, with 80 % of the material,
# where bed shows between all lines and whole sides were accused, 0.03
MOST_LEFT = 0.015
LEAST_GAIN_MM2 = 0.06  # what it would explain more at least: else the picture cannot tell


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """A straight side of the print."""

    which: Int  # its outermost lines
    first_mm: Float  # (2,)
    last_mm: Float  # (2,)
    out: Float  # (2,) outward
    width_mm: float

    def beside(self, places: Float) -> tuple[Float, Float]:
        """Return how far places (..., 2) lie along the side from its first end, and outward of it, mm."""
        off = places - self.first_mm
        return np.asarray(off @ self._way), np.asarray(off @ self.out)

    @property
    def length_mm(self) -> float:
        """From end to end."""
        return float(np.hypot(*(self.last_mm - self.first_mm)))

    @property
    def _way(self) -> Float:
        return np.asarray((self.last_mm - self.first_mm) / self.length_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """A side, tried with its outermost line and without it; squares of the score, summed over the map."""

    side: Side
    gain_mm2: float  # by which the mask without the line leaves less unexplained
    if_missing_mm2: float  # the same, were the picture the mask without the line

    @property
    def missing(self) -> bool:
        """Whether the line is missing."""
        return self.if_missing_mm2 >= LEAST_GAIN_MM2 and self.gain_mm2 >= LEAST_GAIN * self.if_missing_mm2


def missing_lines(
    score: Float32, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool, blur_mm: float
) -> Int:
    """Return which outermost lines of straight sides are missing; see `tried_sides`."""
    tried = tried_sides(score, lines, canvas, wanted, seen, blur_mm)
    return np.concatenate([np.zeros(0, np.int64), *(each.side.which for each in tried if each.missing)])


def tried_sides(
    score: Float32, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool, blur_mm: float
) -> list[Tried]:
    """Return the straight sides that are seen, each tried with its outermost line and without it.

    Parameters
    ----------
    score : ndarray of shape (h, w)
        0 bed to 1 filament.
    lines : Lines
    canvas : Canvas
        The map's, on the toolpath.
    wanted, seen : ndarray of bool
        Where lines should lie; what the map shows.
    blur_mm : float
        Of the outline in the map, one standard deviation; NaN: not known.
    """
    blur_mm = blur_mm if math.isfinite(blur_mm) else _USUAL_BLUR_MM
    value = np.clip(score, 0, 1)
    tried = []
    for side in sides_of(lines, canvas, wanted):
        window = _window(side, canvas)
        if window is None:
            continue
        rows, columns = window
        places = canvas.to_mm(
            np.stack(np.meshgrid(np.arange(canvas.width)[columns], np.arange(canvas.height)[rows]), axis=-1)
        )
        along, outward = side.beside(places)
        near = (along > -_ASIDE_MM) & (along < side.length_mm + _ASIDE_MM)
        near &= (outward < _OUTWARD_MM) & (outward > -_INWARD_MM)
        rim = near & (np.abs(outward) < side.width_mm)
        known = near & seen[rows, columns]
        if (known & rim).sum() < _MOST_OF * rim.sum():
            continue
        here = places[known]
        local = canvas_over(places.min(axis=(0, 1)), places.max(axis=(0, 1)), canvas.step_mm, _ROOM_MM)
        rest = np.ones(len(lines), np.bool_)
        rest[side.which] = False
        masks = [_covered(some, local, blur_mm) for some in (lines, lines.some(rest))]
        fit, shown = _Fit(here, side), value[rows, columns][known]
        with_it = fit.left(shown, masks[0], 0.0)
        if with_it > MOST_LEFT * len(here):
            continue
        gain, if_missing = (
            with_it - fit.left(shown, masks[1], 1.0),
            fit.left(masks[1].at(here)[0], masks[0], -1.0),
        )
        pixel_mm2 = canvas.step_mm**2
        tried.append(Tried(side=side, gain_mm2=gain * pixel_mm2, if_missing_mm2=if_missing * pixel_mm2))
    return tried


def sides_of(lines: Lines, canvas: Canvas, wanted: Bool) -> list[Side]:
    """Return the straight sides of a layer: lines with bed on one side and more print on the other."""
    which, out = _outermost(lines, canvas, wanted)
    return list(_joined(lines, which, out))


def _outermost(lines: Lines, canvas: Canvas, wanted: Bool) -> tuple[Int, Float]:
    """Return the lines with bed on one side, and the way there, (n, 2)."""
    way = lines.last_mm - lines.first_mm
    unit = way / np.maximum(lines.length_mm, 1e-9)[:, None]
    along = lines.first_mm[:, None] + np.linspace(0.1, 0.9, 5)[:, None] * way[:, None]
    which, outs = [], []
    for sign in (1.0, -1.0):
        out = sign * np.column_stack([-unit[:, 1], unit[:, 0]])
        beyond = lines.width_mm[:, None] / 2 + np.array([0.25, 0.6, 1.0])
        bed = ~_at(wanted, canvas, along[:, :, None] + (beyond[..., None] * out[:, None])[:, None]).any(
            axis=2
        )
        print_within = _at(wanted, canvas, along - (lines.width_mm[:, None] * out)[:, None])
        own = np.flatnonzero((bed & print_within).mean(axis=1) >= _MOST_OF)
        which.append(own)
        outs.append(out[own])
    return np.concatenate(which), np.concatenate(outs)


def _at(mask: Bool, canvas: Canvas, places: Float) -> Bool:
    x, y = np.moveaxis(np.rint(canvas.to_px(places)).astype(np.int64), -1, 0)
    return np.asarray(mask[np.clip(y, 0, canvas.height - 1), np.clip(x, 0, canvas.width - 1)])


def _joined(lines: Lines, which: Int, out: Float) -> Iterator[Side]:
    """Yield sides: a seam, or a file that cuts lines into pieces, parts none."""
    free = np.ones(len(which), np.bool_)
    for start in np.argsort(-lines.length_mm[which], kind="stable"):
        if not free[start]:
            continue
        facing, origin = out[start], lines.first_mm[which[start]]
        ends = np.stack([lines.first_mm[which], lines.last_mm[which]], axis=1) - origin
        alike = free & (out @ facing > _ALIKE) & (np.abs(ends @ facing).max(axis=1) < _BESIDE_MM)
        way = np.array([-facing[1], facing[0]])
        spans = np.sort(ends @ way, axis=1)
        low, high = spans[start]
        own = np.zeros_like(free)
        own[start], more = True, True
        while more:
            own |= alike & (spans[:, 0] < high + _APART_MM) & (spans[:, 1] > low - _APART_MM)
            before, (low, high) = (low, high), (spans[own, 0].min(), spans[own, 1].max())
            more = before != (low, high)
        free &= ~own
        if high - low >= SHORTEST_SIDE_MM:
            yield Side(
                which=which[own],
                first_mm=origin + low * way,
                last_mm=origin + high * way,
                out=facing,
                width_mm=float(np.median(lines.width_mm[which[own]])),
            )


def _window(side: Side, canvas: Canvas) -> tuple[slice, slice] | None:
    """Return the rows and columns of a map around a side; None: it is not on the map."""
    way = (side.last_mm - side.first_mm) / side.length_mm
    corners = [
        end + aside * way + off * side.out
        for end, aside in ((side.first_mm, -_ASIDE_MM), (side.last_mm, _ASIDE_MM))
        for off in (_OUTWARD_MM, -_INWARD_MM)
    ]
    pixels = canvas.to_px(np.array(corners))
    size = np.array([canvas.width, canvas.height])
    low = np.clip(np.floor(pixels.min(axis=0)), 0, size).astype(np.int64)
    high = np.clip(np.ceil(pixels.max(axis=0)) + 1, 0, size).astype(np.int64)
    if (high <= low).any():
        return None
    return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))


def _covered(lines: Lines, canvas: Canvas, blur_mm: float) -> BlurredMask:
    """Return the share of each pixel that lines cover, blurred."""
    fine = replace(
        canvas, step_mm=canvas.step_mm / _FINE, width=canvas.width * _FINE, height=canvas.height * _FINE
    )
    ink = 255 * drawn(lines, fine).view(np.uint8)
    covered = cv2.resize(ink, (canvas.width, canvas.height), interpolation=cv2.INTER_AREA)
    return blurred_mask(np.asarray(covered / np.float32(255), np.float32), canvas, blur_mm)


class _Fit:
    """Masks laid onto scores at places (n, 2) around a side."""

    def __init__(self, places: Float, side: Side) -> None:
        self.places = places
        middle = (places.min(axis=0) + places.max(axis=0)) / 2
        self.reach_mm = float(np.hypot(*(places - middle).T).max())
        self.base = (places - middle) / self.reach_mm
        # a print without its outermost line, laid onto the outline of the whole one: its width at the side,
        # nothing as far inward as is looked
        slope = side.width_mm / _INWARD_MM
        self.narrower: Float = np.zeros(7)
        self.narrower[:2] = -(side.width_mm + slope * float((middle - side.first_mm) @ side.out)) * side.out
        self.narrower[2:6] = -(slope * self.reach_mm * np.outer(side.out, side.out)).ravel()

    def left(self, value: Float32, mask: BlurredMask, narrower: float) -> float:
        """Return the square of what a mask leaves of a score (n,), summed, laid onto it as well as may be.

        The better counts of two starts: the map as it is, and so many times that of a narrower print.
        """
        starts = [np.zeros(7), narrower * self.narrower] if narrower else [np.zeros(7)]
        return min(self._left(value, mask, start) for start in starts)

    def _left(self, value: Float32, mask: BlurredMask, start: Float) -> float:
        hold = (_NOISE / _SPREADS) ** 2 * _ALIKE_PX
        damp = 1e-3
        now: Float = start
        move: Float = np.zeros(7)
        cost = left = math.inf
        square, pull = np.eye(7), np.zeros(7)
        for _ in range(_MOST_STEPS):
            tried = now + move
            tried[6] = np.clip(tried[6], -MOST_GROWN_MM, MOST_GROWN_MM)
            shown, sx, sy = mask.at(self.places + tried[:2] + self.base @ tried[2:6].reshape(2, 2).T)
            steep = np.hypot(sx, sy)
            rest = value - np.clip(shown + tried[6] * steep, 0, 1)
            whole = float(np.square(rest).sum() + hold @ tried**2)
            if whole < cost:
                gained, cost, now, damp = cost - whole, whole, tried, damp / 5
                left = float(np.square(rest).sum())
                if gained < 1e-3 * cost:
                    break
                x, y = self.base.T
                steps = np.column_stack([sx, sy, sx * x, sx * y, sy * x, sy * y, steep])
                square, pull = steps.T @ steps + np.diag(hold), steps.T @ rest - hold * now
            else:
                damp *= 10
            move = np.asarray(np.linalg.solve(square + damp * np.diag(np.diag(square)), pull), np.float64)
        return left
