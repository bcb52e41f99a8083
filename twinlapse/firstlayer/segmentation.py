"""Filament and bed told apart: an even light, the toolpath laid onto the picture, every pixel scored.

Where lines should lie and where none should, the picture itself shows what filament and bed look like. A
linear discriminant (Fisher 1936) of these two sets scores every pixel, 0 bed and 1 filament.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Float32
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import Mask, grown, moved, shrunk
from twinlapse.firstlayer.linear_light import codes_of, light_of

__all__ = [
    "FURTHEST_MM",
    "LEAST_APART",
    "LEVEL_MM",
    "LIGHT_MM",
    "ODD",
    "ODD_SCORE",
    "SLACK_MM",
    "TEXTURE_MM",
    "Parted",
    "features_of",
    "part",
    "sure_of",
]

_BLUR_MM = 0.12  # of the picture before it is judged
SLACK_MM = 0.2  # a line may lie beside its place by this much; common practice, no source
ODD = 0.05  # share of each material's pixels that may be something else
TEXTURE_MM = 0.5
LIGHT_MM = 5.0  # the lamps' light changes over more than this
LEVEL_MM = 2.5  # over which the score's level is taken
ODD_SCORE = 0.35  # a pixel further off the level is something else
# of the light of the bed beside it: drawn gaps at the rim of a print, on a rough bed, 1.1 at most on the
# whole, black lines that mirror a lamp 1.2 and more; what is nearly white cannot show how much brighter it is
_GRAIN, _BRIGHTER, _CLIPPED = 1.4, 1.15, 0.9
_NEAR_BED_MM = 1.5
# of full scale: drawn black lines at 1 mirrored the lamp beside bed of 0.87 to 0.97; a gap looks so as well
_NEARLY_FULL, _FULL = 0.85, 0.97
_LEAST_BED = 1e-3  # share of bed around a pixel, from which its light is known
# times the usual light of filament and bed, above which it is the lamp's: of what is bright by itself, 0.67
# and more, nothing is
_LAMP = 1.5
LEAST_APART = 0.4  # of the levels of filament and bed
FURTHEST_MM = 1.5  # the whole map may stand off the toolpath by this much: an error of the camera's pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Parted:
    """The picture of a layer, its two materials told apart."""

    wanted: Mask  # where lines should lie, moved onto the picture
    offset_px: tuple[int, int]  # by which it was moved
    score: Float32  # 0 bed to 1 filament
    separability: float  # distance of filament and bed in their spread
    contrast: float  # distance of filament and bed in CIE Lab (CIE 1976)
    lightness: Float32  # 0 to 100, as an even light would show it
    # light over the most that bare bed can have there; 0 far from the bed; infinite at full scale beside
    # bed that nearly is, where that is not told
    over_bed: Float32
    over_both: Float32  # light of its darkest colour over the most that filament and bed usually have


def part(
    colours: NDArray[np.uint8],
    wanted: Mask,
    seen: Mask,
    canvas: Canvas,
    *,
    furthest_mm: float = FURTHEST_MM,
    more: Float32 | None = None,
) -> Parted:
    """Lay what is wanted onto the picture, by `furthest_mm` at most, and score every pixel.

    `more` (h, w, channels) are further features, such as the difference from the bare bed.
    """
    coarse = (0, 0)
    if furthest_mm > FURTHEST_MM / 5:  # within that the finer step finds its way
        coarse = _offset(features_of(colours, canvas), wanted, seen, canvas)
    wanted = moved(wanted, coarse)
    light = light_of(colours)
    features = features_of(_evened(light, wanted, seen, canvas), canvas)
    if more is not None:
        features = np.asarray(np.dstack([features, more]), np.float32)
    fine = (0, 0)
    if furthest_mm > 0:
        fine = _settled(_score(features, wanted, seen, canvas)[0], wanted, seen, canvas)
        wanted = moved(wanted, fine)
    score, _ = _score(features, wanted, seen, canvas)
    score, separability = _levelled(score, wanted, seen, canvas)
    materials = sure_of(wanted, seen, canvas)
    return Parted(
        wanted=wanted,
        offset_px=(coarse[0] + fine[0], coarse[1] + fine[1]),
        score=score,
        separability=separability,
        contrast=_contrast(features, materials),
        lightness=np.ascontiguousarray(features[..., 0]),
        over_bed=_over_bed(light, materials, canvas),
        over_both=_over_both(light, materials),
    )


def sure_of(wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[Mask, Mask]:
    """Return where filament surely lies and where surely the bed is bare, well off the outline."""
    slack = SLACK_MM / canvas.step_mm
    return shrunk(wanted, slack) & seen, ~grown(wanted, 2.5 * slack) & seen


def _evened(light: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> Float32:
    """Return the colours of a picture's light as an even light would show them, 0 to 255.

    Filament and bed each have a mean brightness; by what share a wide neighbourhood is off that, is light.
    """
    grey = light.mean(axis=2)
    share = np.zeros(canvas.shape, np.float32)
    for material in (wanted & seen, ~wanted & seen):
        if material.any():
            share[material] = grey[material] / max(float(np.median(grey[material])), 1e-4)
    sigma = LIGHT_MM / canvas.step_mm / 4  # on every fourth pixel: what is wide needs no more
    thin = (slice(None, None, 4), slice(None, None, 4))
    known = cv2.GaussianBlur(seen[thin].astype(np.float32), (0, 0), sigma)
    near = cv2.GaussianBlur(np.clip(share, 0, 3)[thin], (0, 0), sigma)
    local = np.asarray(near / np.maximum(known, 1e-3), np.float32)
    whole = cv2.resize(local, (canvas.width, canvas.height), interpolation=cv2.INTER_LINEAR)
    flat = light / np.clip(whole, 0.2, 5)[..., None]
    return np.asarray(255 * codes_of(np.clip(flat, 0, 1.5)), np.float32)


def features_of(colours: NDArray[np.uint8] | Float32, canvas: Canvas) -> Float32:
    """Return lightness, two colours and roughness of a map, (h, w, 4)."""
    lab = cv2.cvtColor(np.minimum(colours.astype(np.float32) / 255, 1), cv2.COLOR_RGB2LAB)
    smooth = cv2.GaussianBlur(lab, (0, 0), _BLUR_MM / canvas.step_mm)
    # what is rough and what is smooth: a textured sheet, drawn lines
    rough = np.abs(lab[..., 0] - cv2.GaussianBlur(lab[..., 0], (0, 0), 2.0))
    rough = np.sqrt(cv2.GaussianBlur(rough, (0, 0), TEXTURE_MM / canvas.step_mm))
    return np.asarray(np.dstack([smooth, rough]), np.float32)


def _offset(features: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[int, int]:
    """Return the shift in pixels (x, y) of the toolpath that parts the two materials best."""
    reach = round(FURTHEST_MM / canvas.step_mm)
    best, at = -1.0, (0, 0)
    step = max(1, reach // 5)
    spans = [(0, 0, reach, step), (None, None, step, 1)]
    for x0, y0, span, stride in spans:
        centre = (at[0] if x0 is None else 0, at[1] if y0 is None else 0)
        for dx in range(-span, span + 1, stride):
            for dy in range(-span, span + 1, stride):
                here = (centre[0] + dx, centre[1] + dy)
                parted = _parted(features, moved(wanted, here), seen)
                if parted > best + 1e-6:
                    best, at = parted, here
    return at


def _settled(score: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[int, int]:
    """Return the small shift in pixels that lays the outline of the toolpath on the outline of the print.

    What lies just inside the outline against what lies just outside: a line that is missing there says
    nothing, so that it does not draw the outline toward itself.
    """
    rim = SLACK_MM / canvas.step_mm
    inner, outer = wanted & ~shrunk(wanted, rim), grown(wanted, rim) & ~wanted
    light = np.where(seen, np.clip(score, 0, 1), 0.5).astype(np.float32)
    reach = math.ceil(FURTHEST_MM / 5 / canvas.step_mm)
    best, at = -math.inf, (0, 0)
    for dx in range(-reach, reach + 1):
        for dy in range(-reach, reach + 1):
            inside, outside = moved(inner, (dx, dy)), moved(outer, (dx, dy))
            value = float(light[inside].mean() - light[outside].mean()) if outside.any() else 0.0
            value -= 1e-4 * (dx * dx + dy * dy)  # of equals the nearest
            if value > best:
                best, at = value, (dx, dy)
    return at


def _parted(features: Float32, wanted: Mask, seen: Mask) -> float:
    """Return the distance of the two sets in their common spread (Mahalanobis), on every third pixel."""
    thin = (slice(None, None, 3), slice(None, None, 3))
    inside, outside = (wanted & seen)[thin], (~wanted & seen)[thin]
    if inside.sum() < 20 or outside.sum() < 20:
        return 0.0
    return _fisher(features[thin][inside], features[thin][outside])[1]


def _fisher(inside: Float32, outside: Float32) -> tuple[Float, float, float, float]:
    """Return direction, distance in spreads, and both means along the direction."""
    a, b = inside.astype(np.float64), outside.astype(np.float64)
    spread = (np.cov(a.T) * len(a) + np.cov(b.T) * len(b)) / (len(a) + len(b)) + 1e-3 * np.eye(a.shape[1])
    apart = a.mean(axis=0) - b.mean(axis=0)
    way = np.linalg.solve(spread, apart)
    return (
        way,
        math.sqrt(max(0.0, float(apart @ way))),
        float(a.mean(axis=0) @ way),
        float(b.mean(axis=0) @ way),
    )


def _score(features: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[Float32, float]:
    """Return the score of every pixel and how well the two materials part, defects themselves left out."""
    sure_in, sure_out = sure_of(wanted, seen, canvas)
    if sure_in.sum() < 50:
        sure_in = wanted & seen
    if sure_out.sum() < 50:
        return np.zeros(wanted.shape, np.float32), 0.0
    score = np.zeros(wanted.shape, np.float32)
    for turn in range(3):
        # the worst of each set may be a defect; to leave out more would flatter the distance
        keep_in = sure_in & (score > np.quantile(score[sure_in], ODD)) if turn else sure_in
        keep_out = sure_out & (score < np.quantile(score[sure_out], 1 - ODD)) if turn else sure_out
        if min(keep_in.sum(), keep_out.sum()) < 50:
            return score, 0.0
        way, apart, high, low = _fisher(features[keep_in], features[keep_out])
        score = ((features @ way - low) / max(high - low, 1e-9)).astype(np.float32)
    return score, apart


def _levelled(score: Float32, wanted: Mask, seen: Mask, canvas: Canvas) -> tuple[Float32, float]:
    """Return the score by what filament and bed look like around each pixel, and how far they are apart.

    A lamp that is mirrored by the lines, or light that falls off, adds to the score over some millimetres;
    what is wrong with a line is smaller. The distance is in the spread that is left, of both materials.
    """
    sure = sure_of(wanted, seen, canvas)
    if min(part.sum() for part in sure) < 50:
        return score, 0.0
    levels, spreads = [], []
    for part, usual in zip(sure, (1.0, 0.0), strict=True):
        level = np.full(canvas.shape, usual, np.float32)
        for _ in range(2):  # what is far off is a defect and no light
            known = part & (np.abs(score - level) < ODD_SCORE)
            level = _around(score, known, usual, canvas)
        levels.append(level)
        off = np.abs(score - level)[part]
        spreads.append(float(np.sqrt(np.mean(np.square(off[off <= np.quantile(off, 1 - ODD)])))))
    apart = np.maximum(levels[0] - levels[1], LEAST_APART)
    even = np.asarray((score - levels[1]) / apart, np.float32)
    return even, math.sqrt(2.0) / max(math.hypot(*spreads), 1e-6)


def _over_bed(light: Float32, materials: tuple[Mask, Mask], canvas: Canvas) -> Float32:
    """Return the light of each pixel over the most that bare bed can have there; 0 far from the bed.

    In the map a narrow gap is a mixture with the filament beside it, so it may be as bright as filament is.
    """
    light = np.asarray(light.mean(axis=2), np.float32)
    filament, bed = materials[0], materials[1].astype(np.float32)
    sigma = _NEAR_BED_MM / canvas.step_mm
    weight = cv2.GaussianBlur(bed, (0, 0), sigma)
    near = cv2.GaussianBlur(light * bed, (0, 0), sigma) / np.maximum(weight, 1e-3)
    most = np.minimum(_GRAIN * near, np.maximum(_CLIPPED, _BRIGHTER * near))
    most = np.maximum(most, np.median(light[filament]) if filament.any() else 0.0)
    over = np.where(weight > 0.02, light / np.maximum(most, 1e-3), 0)
    untold = (weight > _LEAST_BED) & (near > _NEARLY_FULL) & (light > _FULL)
    return np.asarray(np.where(untold, np.inf, over), np.float32)


def _over_both(light: Float32, materials: tuple[Mask, Mask]) -> Float32:
    """Return the light of each pixel's darkest colour over the most that filament and bed usually have.

    A white lamp that is mirrored adds to every colour; coloured filament in a good light has a dark one.
    """
    usual = max(float(np.median(light[some].mean(axis=1))) if some.any() else 0.0 for some in materials)
    return np.asarray(light.min(axis=2) / max(_LAMP * usual, 1e-3), np.float32)


def _contrast(features: Float32, materials: tuple[Mask, Mask]) -> float:
    inside, outside = materials
    if min(inside.sum(), outside.sum()) < 50:
        return 0.0
    apart = np.median(features[inside], axis=0) - np.median(features[outside], axis=0)
    return float(np.linalg.norm(apart[:3]))


def _around(score: Float32, known: Mask, usual: float, canvas: Canvas) -> Float32:
    """Return the mean score of what is known around each pixel; far from it the usual one."""
    sigma = LEVEL_MM / canvas.step_mm / 4
    thin = (slice(None, None, 4), slice(None, None, 4))
    weight = cv2.GaussianBlur(known[thin].astype(np.float32), (0, 0), sigma)
    total = cv2.GaussianBlur(np.where(known, score, 0)[thin].astype(np.float32), (0, 0), sigma)
    level = (total + 0.02 * usual) / (weight + 0.02)
    return np.asarray(
        cv2.resize(level, (canvas.width, canvas.height), interpolation=cv2.INTER_LINEAR), np.float32
    )
