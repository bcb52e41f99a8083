"""How wide the outermost lines lie: from the outline of the print against the bed.

A blur moves the middle of an edge nowhere (light adds up linearly), so that the outline says how wide the
outermost line is where blur makes single lines wider. A map that is a little too large says so too; that is
told apart by the grooves, which lie a known distance from each other: across a layer they run out of step
with the toolpath. Where bed shows between the outermost line and the next, the groove there is the reference
and the map's size does not matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Int, Picture
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.expected import Lines
from twinlapse.firstlayer.line_profiles import LINE_WAYS, OFFSETS, all_in, profile_places, read_at
from twinlapse.firstlayer.linear_light import light_of

__all__ = ["MOST_ERROR", "OuterWidth", "outer_width"]

_ACROSS_MM: Float = np.arange(-1.05, 1.6, 0.05)  # of a profile, outward from the middle of the outermost line
_BED_MM = 1.1  # from there on it is bed
_PIECE_MM = 6.0  # of outline that is averaged
_FEWEST, _FEWEST_PIECES = 8, 5  # profiles in a piece, pieces
_DEEP = 0.2  # of the step from bed to filament: a groove that shows where it is
_CELL_MM = 4.0  # in which the grooves' phase is taken
_SIZES: Float = np.arange(-0.035, 0.03501, 0.00025)  # by which the map may be too large
_STEADY = 0.85  # share of the grooves that are in step at the right size
_ALONE = 0.6  # of that, at most, at another size
_SIZE_KNOWN, _SIZE_UNKNOWN = 0.0007, 0.02  # one standard deviation
_STRETCH, _SHIFT_MM = 0.004, 0.3  # of the map, one standard deviation
# of the place of an edge, one standard deviation: what relief, the sides of lines and the lamp do to it
_EDGE_MM = 0.018
# of the asked width: where the outline is blurred by more, the next line shines into a gap beside it
_MOST_BLUR = 0.22
MOST_ERROR = 0.13  # of the width: what is less sure is not told


@dataclass(frozen=True, slots=True, kw_only=True)
class OuterWidth:
    """Width of the outermost lines."""

    width_mm: float
    error_mm: float  # one standard deviation
    asked_mm: float  # by the toolpath
    blur_mm: float  # of the outline, one standard deviation

    @property
    def told(self) -> bool:
        """Whether it is sure enough to be said."""
        sharp = self.blur_mm <= _MOST_BLUR * self.asked_mm
        return sharp and self.error_mm <= MOST_ERROR * self.width_mm

    @property
    def share(self) -> float:
        """Of the width that the toolpath asks for."""
        return self.width_mm / self.asked_mm


@dataclass(frozen=True, slots=True)
class _Piece:
    """A piece of outline: where its edge lies beside the middle of its line."""

    at_mm: Float  # (2,)
    normal: Float  # (2,) outward
    edge_mm: float
    groove_mm: float  # of the edge beside the groove, less half a pitch
    depth: float  # of the groove, 1: as the bed
    blur_mm: float


def outer_width(
    colours: Picture, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool
) -> OuterWidth | None:
    """Return how wide the outermost lines lie, None where the map does not show it.

    Parameters
    ----------
    colours : ndarray of shape (h, w, 3)
        The map.
    lines : Lines
    canvas : Canvas
        On the toolpath.
    wanted, seen : ndarray of bool
        Where lines should lie; what the map shows.
    """
    light = light_of(colours)
    places, normal, pitch, bins = profile_places(lines)
    if not len(places):
        return None
    at, out, apart, asked = _outermost(places, normal, pitch, canvas, wanted, seen)
    pieces = _pieces(light, canvas, at, out, apart)
    if len(pieces) < _FEWEST_PIECES:
        return None
    size = _size(light.mean(axis=2), canvas, wanted & seen, places, normal, pitch, bins)
    edge, error = _edge(pieces, (0.0, _SIZE_UNKNOWN))
    known, less = _edge(pieces, size)
    if abs(known - edge) < 3 * error:  # else the grooves are in step by chance
        edge, error = known, less
    return OuterWidth(
        width_mm=round(2 * edge, 3),
        error_mm=round(2 * error, 3),
        asked_mm=round(float(np.median(asked)), 3),
        blur_mm=round(float(np.median([piece.blur_mm for piece in pieces])), 3),
    )


def _outermost(
    places: Float, normal: Float, pitch: Float, canvas: Canvas, wanted: Bool, seen: Bool
) -> tuple[Float, Float, Float, Float]:
    """Return places on lines with bed on one side, the way there, how far the next line is, and widths."""
    found = []
    for sign in (1.0, -1.0):
        way = sign * normal
        beyond = pitch[:, None] / 2 + np.array([0.25, 0.6, 1.0, 1.4])
        within = pitch[:, None] * np.array([0.0, 0.5, 1.0, 1.5])
        outer = all_in(~wanted & seen, canvas, places[:, None] + way[:, None] * beyond[..., None])
        inner = all_in(wanted & seen, canvas, places[:, None] - way[:, None] * within[..., None])
        own = outer & inner
        found.append((places[own], way[own], pitch[own]))
    at, way, width = (np.concatenate(column) for column in zip(*found, strict=True))
    if not len(at):
        return at, way, width, width
    which = _nearest(places, at - way * width[:, None], canvas)
    rest = at - places[which]
    apart = (rest * way).sum(axis=1)
    aside = np.hypot(*(rest - apart[:, None] * way).T)
    beside = np.abs((normal[which] * way).sum(axis=1)) > 0.95
    own = beside & (aside < 0.3) & (np.abs(apart / width - 1) < 0.3)
    return at[own], way[own], apart[own], width[own]


def _nearest(places: Float, asked: Float, canvas: Canvas) -> Int:
    """Return for each asked point on the canvas the place nearest to its pixel."""
    free = np.full(canvas.shape, 255, np.uint8)
    x, y = np.clip(
        np.rint(canvas.to_px(places)).astype(np.int64).T, 0, [[canvas.width - 1], [canvas.height - 1]]
    )
    free[y, x] = 0
    _, labels = cv2.distanceTransformWithLabels(free, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    place_of = np.zeros(labels.max() + 1, np.int64)
    place_of[labels[y, x]] = np.arange(len(places))
    x, y = np.clip(
        np.rint(canvas.to_px(asked)).astype(np.int64).T, 0, [[canvas.width - 1], [canvas.height - 1]]
    )
    return np.asarray(place_of[labels[y, x]])


def _pieces(light: Float32, canvas: Canvas, at: Float, way: Float, apart: Float) -> list[_Piece]:
    """Return the outline piece by piece."""
    if not len(at):
        return []
    shown = read_at(light, canvas, at[:, None] + way[:, None] * _ACROSS_MM[None, :, None])
    turn = np.round(np.arctan2(way[:, 1], way[:, 0]) / (math.pi / 4)).astype(np.int64) % 8
    key = np.column_stack([np.floor(at / _PIECE_MM).astype(np.int64), turn])
    _, which = np.unique(key, axis=0, return_inverse=True)
    which = which.ravel()
    pieces = []
    for k in range(which.max() + 1):
        own = which == k
        if own.sum() < _FEWEST:
            continue
        profile = np.median(shown[own], axis=0)
        piece = _piece(profile, at[own].mean(axis=0), way[own].mean(axis=0), float(np.median(apart[own])))
        if piece is not None:
            pieces.append(piece)
    return pieces


def _piece(profile: Float, at: Float, way: Float, apart: float) -> _Piece | None:
    x = _ACROSS_MM
    crest, bed = profile[np.abs(x) < 0.12].mean(axis=0), np.median(profile[x > _BED_MM], axis=0)
    step = crest - bed
    if float(np.linalg.norm(step)) < 0.02:  # of full light
        return None
    share = (profile - bed) @ step / float(step @ step)
    half, high, low = (_falls_to(share, level) for level in (0.5, 0.84, 0.16))
    inside = np.linspace(-apart, 0.0, 19)
    dip = np.interp(inside, x, share)
    dip = np.interp(inside, [-apart, 0.0], [dip[0], dip[-1]]) - dip
    depth = float(dip.max())
    weight = np.clip(dip - 0.5 * depth, 0, None)
    middle = float((weight * inside).sum() / max(float(weight.sum()), 1e-9))
    if not (math.isfinite(half) and math.isfinite(low)):
        return None
    return _Piece(at, way, half, half - middle - apart / 2, depth, (low - high) / 2)


def _falls_to(share: Float, level: float) -> float:
    """Return how far outward of the line's middle a profile falls to a level, mm; NaN: nowhere."""
    x = _ACROSS_MM
    start = int(np.argmax(np.where(np.abs(x) < 0.12, share, -np.inf)))
    under = np.flatnonzero(share[start:] < level * share[start])
    if not len(under) or under[0] == 0:
        return math.nan
    k = start + int(under[0])
    before, after = float(share[k - 1]), float(share[k])
    return float(x[k - 1] + (x[k] - x[k - 1]) * (before - level * share[start]) / (before - after))


def _edge(pieces: list[_Piece], size: tuple[float, float]) -> tuple[float, float]:
    """Return how far the edge lies from the middle of its line, and one standard deviation, mm.

    Least squares over all pieces, with what else moves edges: a shift of the map, its size, more size along X
    than along Y.
    """
    deep = [piece for piece in pieces if piece.depth > _DEEP]
    local = len(deep) >= max(_FEWEST_PIECES, 0.6 * len(pieces))
    used = deep if local else pieces
    at = np.array([piece.at_mm for piece in used])
    normal = np.array([piece.normal for piece in used])
    off = np.array([piece.groove_mm if local else piece.edge_mm for piece in used])
    reach = (at - at.mean(axis=0)) * normal * (not local)
    base = np.column_stack([np.ones(len(used)), normal, reach @ [1.0, 1.0], reach @ [1.0, -1.0]])
    hold = np.diag([0.0, 1 / _SHIFT_MM, 1 / _SHIFT_MM, 1 / size[1], 1 / _STRETCH])
    aim = np.array([0.0, 0.0, 0.0, size[0], 0.0])
    weight, spread = np.ones(len(used)), 0.1
    for _ in range(4):
        square = (base.T * weight) @ base / spread**2 + hold**2
        solved = np.linalg.solve(square, (base.T * weight) @ off / spread**2 + hold**2 @ aim)
        rest = off - base @ solved
        spread = max(1.4826 * float(np.median(np.abs(rest))), 0.01)
        weight = np.minimum(1.0, 1.5 * spread / np.maximum(np.abs(rest), 1e-9))
    variance = float(np.linalg.inv(square)[0, 0])
    return float(solved[0]), math.sqrt(variance + _EDGE_MM**2)


def _size(
    light: Float32, canvas: Canvas, told: Bool, places: Float, normal: Float, pitch: Float, bins: Int
) -> tuple[float, float]:
    """Return by what share the map is too large as its grooves show, and one standard deviation."""
    across = places[:, None] + normal[:, None] * (OFFSETS[None, :, None] * pitch[:, None, None])
    ends = places[:, None] + normal[:, None] * (np.array([-1.2, 1.2])[None, :, None] * pitch[:, None, None])
    good = all_in(told, canvas, ends)
    if not good.any():
        return 0.0, _SIZE_UNKNOWN
    wave = (read_at(light, canvas, across[good]) * np.exp(2j * math.pi * OFFSETS)).mean(axis=1)
    lever = ((places[good] - places[good].mean(axis=0)) * normal[good]).sum(axis=1) / pitch[good]
    key = np.column_stack([np.floor(places[good] / _CELL_MM).astype(np.int64), bins[good]])
    _, which = np.unique(key, axis=0, return_inverse=True)
    which = which.ravel()
    count = np.bincount(which)
    phase = np.bincount(which, wave.real) + 1j * np.bincount(which, wave.imag)
    lever, way = np.bincount(which, lever) / count, np.round(np.bincount(which, bins[good]) / count)
    in_step, whole = np.zeros(len(_SIZES)), 0.0
    for k in range(LINE_WAYS):
        own = (way == k) & (count > 20)
        if own.sum() > 2:
            turned = phase[own] * np.exp(-2j * math.pi * _SIZES[:, None] * lever[own])
            in_step += np.abs(turned.sum(axis=1))
            whole += float(np.abs(phase[own]).sum())
    best = int(in_step.argmax())
    lower = np.flatnonzero(in_step < 0.5 * in_step[best])
    left, right = lower[lower < best], lower[lower > best]
    lobe = slice(left[-1] if len(left) else 0, right[0] if len(right) else len(_SIZES))
    others = np.delete(in_step, np.arange(len(_SIZES))[lobe])
    alone = len(others) > 0 and others.max() < _ALONE * in_step[best]
    if in_step[best] > _STEADY * whole and alone and 0 < best < len(_SIZES) - 1:
        return float(_SIZES[best]), _SIZE_KNOWN
    return 0.0, _SIZE_UNKNOWN
