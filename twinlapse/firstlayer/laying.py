"""How well a layer is laid: what the lines look like across, region by region.

Lines that lie well show a groove between neighbours, all along, in the direction of the toolpath. Across the
lines of a region the map is averaged to one profile, a pitch wide; its first harmonic is the groove. Laid too
high, lines are round and the groove is weak; squished, they run together and the groove is broken. With too
little material the bed shows in the groove, which the filament's score says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import grown
from twinlapse.firstlayer.expected import Lines

__all__ = [
    "ADVICE",
    "ALONG_STEP_MM",
    "CELL_SIDE_MM",
    "CLEAR_BED_MM",
    "DARKEST",
    "FEWEST_PROFILES",
    "GOOD_DIRECTION",
    "GOOD_GROOVE",
    "OFFSETS",
    "THIN",
    "Laid",
    "Laying",
    "Region",
    "laying_of",
]

Laid = Literal["good", "thin", "too high", "too squished", "not known"]

CELL_SIDE_MM = 6.0  # of a region
ALONG_STEP_MM = 0.3  # between profiles along a line
OFFSETS = 9  # samples of a profile
_DIRECTIONS = 6  # bins of 30 degrees
FEWEST_PROFILES = 40  # in a region
CLEAR_BED_MM = 0.8  # from the lines: what is bed
# share of the filament's light that the groove lacks: 0.1 to 0.3 on most regions of sound rehearsed and drawn
# layers, 0.5 and more with 60 % of the material
THIN = 0.42
# of three photographs of real layers the good one had a groove of 12.9 % and its direction in 0.95 of it, the
# one laid too high 1.9 % and 0.74, the squished one 2.5 % and 0.21; sound layers drawn by a second renderer
# go down to 4 %
GOOD_GROOVE = 3.0
GOOD_DIRECTION = 0.5
DARKEST = (
    4.0  # CIE L*: so dark the noise is as large as a groove; a photograph of a black bed looked well laid
)
ADVICE: dict[Laid, str] = {
    "good": "",
    "thin": "too little material: check flow, filament and nozzle, or lower the first layer",
    "too high": "the nozzle looks too high: lower the first layer by 0.02 mm and look again: "
    "the pictures do not tell by how much",
    "too squished": "the nozzle looks too low: raise the first layer by 0.02 mm and look again: "
    "the pictures do not tell by how much",
    "not known": "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A region of one direction of lines, and how it is laid."""

    at_mm: tuple[float, float]
    direction_deg: float  # of its lines, 0 to 180
    groove: float  # % of the lightness, peak to peak
    coherence: float  # share of the groove that runs with the toolpath, 0 to 1
    bare: float  # share of the filament's score that the groove lacks
    ripple: float  # % of the lightness along the lines, one standard deviation
    laid: Laid


@dataclass(frozen=True, slots=True, kw_only=True)
class Laying:
    """How a layer is laid as a whole."""

    regions: tuple[Region, ...]
    laid: Laid
    share: float  # of the regions that are laid so

    @property
    def advice(self) -> str:
        """What to do about it, empty where nothing."""
        return ADVICE[self.laid]


def laying_of(colours: Picture, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool) -> Laying:
    """Return how a layer is laid.

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
    places, normal, width, direction = _profiled(lines)
    if not len(places):
        return Laying(regions=(), laid="not known", share=0.0)
    steps = np.linspace(-0.5, 0.5, OFFSETS + 1)[:-1] + 0.5 / OFFSETS
    at = places[:, None] + normal[:, None] * (steps[None, :, None] * width[:, None, None])
    ends = places[:, None] + normal[:, None] * (np.array([-1.2, 1.2])[None, :, None] * width[:, None, None])
    good = _all_in(wanted & seen, canvas, ends) & _all_in(wanted & seen, canvas, at[:, ::4])
    at, places, direction = at[good], places[good], direction[good]
    if not len(places):
        return Laying(regions=(), laid="not known", share=0.0)
    light, filament = (
        _read(_lightness(colours), canvas, at),
        _read(_covered(colours, wanted, seen, canvas), canvas, at),
    )
    cell = np.floor(places / CELL_SIDE_MM).astype(np.int64)
    key = np.column_stack([cell, direction])
    kinds, which = np.unique(key, axis=0, return_inverse=True)
    which = which.ravel()
    regions = [
        _region(places[which == k], kinds[k, 2], light[which == k], filament[which == k], steps)
        for k in range(len(kinds))
        if (which == k).sum() >= FEWEST_PROFILES
    ]
    return _whole(regions)


def _region(places: Float, direction: int, light: Float, filament: Float, steps: Float) -> Region:
    wave = np.exp(2j * math.pi * steps)
    mean = light.mean(axis=0)
    level = max(float(mean.mean()), 1.0)
    groove = 2 * abs(complex((mean * wave).mean()))
    own = 2 * float(np.abs((light * wave).mean(axis=1)).mean())
    noise = 2 * float((light - mean).std()) / math.sqrt(len(steps) * 2)
    coherence = groove / max(own - 0.5 * noise, groove, 1e-6)
    profile = filament.mean(axis=0)
    bare = 4 * abs(complex((profile * wave).mean())) / max(float(profile.max()), 0.3)
    crest = light[:, len(steps) // 2]
    ripple = 100 * float(crest.std()) / level
    share = 100 * 2 * groove / level
    laid: Laid = "good"
    if level < DARKEST:
        laid = "not known"
    elif bare > THIN:
        laid = "thin"
    elif share < GOOD_GROOVE:
        laid = "too high" if coherence >= GOOD_DIRECTION else "too squished"
    middle = places.mean(axis=0)
    return Region(
        at_mm=(round(float(middle[0]), 1), round(float(middle[1]), 1)),
        direction_deg=180.0 / _DIRECTIONS * int(direction),
        groove=round(share, 1),
        coherence=round(min(coherence, 1.0), 2),
        bare=round(bare, 3),
        ripple=round(ripple, 1),
        laid=laid,
    )


def _whole(regions: Sequence[Region]) -> Laying:
    if not regions:
        return Laying(regions=(), laid="not known", share=0.0)
    counts = {kind: sum(region.laid == kind for region in regions) for kind in ADVICE}
    laid = max(counts, key=lambda kind: counts[kind])
    return Laying(regions=tuple(regions), laid=laid, share=counts[laid] / len(regions))


def _lightness(colours: Picture) -> Float32:
    return np.asarray(cv2.cvtColor(colours.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[..., 0], np.float32)


def _covered(colours: Picture, wanted: Bool, seen: Bool, canvas: Canvas) -> Float32:
    """Return how much of each pixel's light is that of filament and not of the bed, 0 to 1.

    Light adds up linearly where a pixel shows both. Filament is as bright as the brighter half of the print.
    """
    light = (np.power(colours.astype(np.float32) / 255, 2.2) @ np.eye(3, dtype=np.float32)).astype(np.float32)
    inside, outside = wanted & seen, ~grown(wanted, CLEAR_BED_MM / canvas.step_mm) & seen
    if min(inside.sum(), outside.sum()) < 200:
        return np.ones(canvas.shape, np.float32)
    grey = light.mean(axis=2)
    bed = np.median(light[outside], axis=0)
    off = np.abs(grey - float(bed.mean()))
    crest = inside & (off > np.median(off[inside]))
    way = np.median(light[crest], axis=0) - bed
    return np.asarray((light - bed) @ way / max(float(way @ way), 1e-6), np.float32)


def _profiled(lines: Lines) -> tuple[Float, Float, Float, np.ndarray]:
    """Return places along all lines (n, 2), their normals (n, 2), pitches (n,) and bins of direction (n,)."""
    length = lines.length_mm
    count = np.floor(length / ALONG_STEP_MM).astype(np.int64)
    piece = np.repeat(np.arange(len(lines)), count)
    share = (np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / np.maximum(
        count[piece], 1
    )
    way = lines.last_mm - lines.first_mm
    unit = way / np.maximum(length, 1e-9)[:, None]
    angle = np.arctan2(unit[:, 1], unit[:, 0]) % math.pi
    unit = np.column_stack([np.cos(angle), np.sin(angle)])
    normal = np.column_stack([-unit[:, 1], unit[:, 0]])
    bins = np.round(angle / math.pi * _DIRECTIONS).astype(np.int64) % _DIRECTIONS
    places = lines.first_mm[piece] + share[:, None] * way[piece]
    return places, normal[piece], lines.width_mm[piece], bins[piece]


def _all_in(mask: Bool, canvas: Canvas, places: Float) -> Bool:
    pixels = np.rint(canvas.to_px(places)).astype(np.int64)
    x = np.clip(pixels[..., 0], 0, canvas.width - 1)
    y = np.clip(pixels[..., 1], 0, canvas.height - 1)
    return np.asarray(mask[y, x].all(axis=1))


def _read(picture: Float32, canvas: Canvas, places: Float) -> Float:
    pixels = canvas.to_px(places).astype(np.float32)
    out = [
        cv2.remap(picture, part[..., 0], part[..., 1], cv2.INTER_LINEAR)
        for part in np.array_split(pixels, max(1, -(-len(pixels) // 30000)))
    ]
    return np.concatenate(out).astype(np.float64)
