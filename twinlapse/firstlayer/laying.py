"""How well a layer is laid: what the lines look like across and along, region by region.

Lines that lie well show a groove between neighbours, all along, in the direction of the toolpath. Across the
lines of a region the map is averaged to one profile, a pitch wide; its first harmonic is the groove. With too
little material the bed shows in the groove, which the filament's score says. A nozzle too low pushes filament
up at the sides of lines, in pieces: along a line the light changes over a millimetre or so, each line in its
own way. A line keeps its cross-section: too low it lies wider, too high narrower, which the outline of the
print says (`outer_width`), and by how much.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import cv2
import numpy as np

from twinlapse.arrays import Bool, Float, Float32, Picture
from twinlapse.firstlayer.canvas import Canvas
from twinlapse.firstlayer.components import grown
from twinlapse.firstlayer.expected import Lines, drawn
from twinlapse.firstlayer.line_profiles import (
    ALONG_STEP_MM,
    LINE_WAYS,
    OFFSETS,
    all_in,
    profile_places,
    read_at,
)
from twinlapse.firstlayer.linear_light import light_of
from twinlapse.firstlayer.outer_width import OuterWidth, outer_width

__all__ = [
    "ALARM_SHARE",
    "BARE_GROOVE",
    "BARE_HUE",
    "BLURRED",
    "CELL_SIDE_MM",
    "CLEAR_BED_MM",
    "CREST_MM",
    "DARKEST",
    "FEWEST_PROFILES",
    "GOOD_DIRECTION",
    "GOOD_GROOVE",
    "MIRRORED",
    "NARROW",
    "OTHER_HUE",
    "OTHER_SHADE",
    "PLOUGHED",
    "RIDGES",
    "RIDGES_OF_GROOVE",
    "SOME_RIDGES",
    "THIN",
    "TOUCHING",
    "WEAK_GROOVE",
    "WIDE",
    "Laid",
    "Laying",
    "Region",
    "laying_of",
    "surely_thin",
]

Laid = Literal["good", "thin", "too high", "too squished", "ridges", "too high or too low", "not known"]

CELL_SIDE_MM = 6.0  # of a region
FEWEST_PROFILES = 40  # in a region
CLEAR_BED_MM = 0.8  # from the lines: what is bed
# share of the filament's light that the groove lacks: 0.1 to 0.3 on most regions of sound rehearsed and drawn
# layers, 0.5 and more with 60 % of the material
THIN = 0.42
# of three photographs of real layers the good one had a groove of 12.9 % and its direction in 0.95 of it, the
# one laid too high 1.9 % and 0.74, the squished one 2.5 % and 0.21; sound layers drawn by a second renderer
# go down to 2.8 %. Drawn squished lines keep their direction: only the outline tells them from those too high
GOOD_GROOVE, WEAK_GROOVE = 3.0, 2.0
GOOD_DIRECTION = 0.5
# CIE L*: so dark the noise is as large as a groove; a photograph of a black bed looked well laid
DARKEST = 4.0
BLURRED = 0.25  # of a pitch, of the outline, one standard deviation: four fifths of the groove are gone
# outermost lines, of the width that is asked for: sound drawn layers 0.97 to 1.28, those with the nozzle
# 0.05 mm of 0.2 too low 1.38 and more, with 80 % of the material 0.75 to 1
WIDE, TOUCHING, NARROW = 1.36, 1.0, 0.85
PLOUGHED = 1.1  # a rough layer of narrower lines was drawn with the nozzle too high
# light along lines over 0.3 to 1 mm, % of the lightness, and of the groove: sound layers 0.14 to 1.0
# and up to 0.05, drawn ridges of 0.1 mm 0.6 to 5.5 and from 0.12
RIDGES, RIDGES_OF_GROOVE = 0.45, 0.12
SOME_RIDGES = 0.25  # of the regions of a squished layer: it has ridges
# of the regions, above which a layer is thin or has ridges: drawn sound black lines under a strong lamp
# 0.42 thin, with 60 % of the material 0.85 and more
ALARM_SHARE = 0.5
CREST_MM = 0.3  # less wide than a line: its middle
# of a thin layer that looks like its bed on the whole, CIE Lab: rehearsed dark filament on a dark bed, well
# laid, is 28 off its bed by shade, 0.4 by hue, and a groove of it lacks 0.59 of its light
OTHER_HUE, OTHER_SHADE, BARE_GROOVE = 12.0, 20.0, 0.75
# share of the distance of filament and bed that is hue, above which hue tells them: drawn pairs have 0.4 and
# more, or up to 0.03
_HUE_TELLS = 0.2
# share of the filament's hue that a groove lacks: drawn sound layers under a strong lamp 0.19 at most, on
# the whole 0.14; with 60 % of the material 0.3 to 0.7 on the whole, where the light says "thin"
BARE_HUE = 0.22
# on the scale 0 bed to 1 filament: no mixture of the two is brighter than both; the lamp's mirror is
_BRIGHTER_THAN_BED, _BRIGHTER_THAN_FILAMENT = -0.2, 1.5
# of the regions: backs of lines are so bright that outermost ones look narrow. Drawn black on grey under a
# strong lamp 0.31 and 0.33, with 60 % of the material 0.07
MIRRORED = 0.25
_RIPPLE_MM = (0.3, 1.0)  # standard deviations of the two means whose difference it is
_STEP_DOWN_MM = 0.02  # a careful step where no amount is known; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A region of one direction of lines, and how it is laid."""

    at_mm: tuple[float, float]
    direction_deg: float  # of its lines, 0 to 180
    groove: float  # % of the lightness, peak to peak
    coherence: float  # share of the groove that runs with the toolpath, 0 to 1
    bare: float  # share of the filament's score that the groove lacks
    ripple: float  # % of the lightness along the lines over about a millimetre, one standard deviation
    laid: Laid
    mirrored: bool = False  # its lines mirror the lamp so that their light tells little


@dataclass(frozen=True, slots=True, kw_only=True)
class Laying:
    """How a layer is laid as a whole."""

    regions: tuple[Region, ...]
    laid: Laid
    share: float  # of the regions that are laid so
    outer: OuterWidth | None = None  # of its outermost lines
    off_mm: float | None = None  # by which the nozzle is too high; less than 0: too low; None: not told
    material: float | None = None  # share that lies there if the nozzle's height is right; None: not told

    @property
    def advice(self) -> str:
        """What to do about it, empty where nothing."""
        if self.laid in ("good", "not known"):
            return ""
        if self.laid == "too high or too low":
            return "the grooves between lines are weak, and the outline does not tell which: look yourself"
        if self.laid in ("too squished", "ridges"):
            return f"the nozzle looks too low: raise the first layer by {self._amount}"
        if self.laid == "thin":
            lack = f" ({1 - self.material:.0%} too little)" if self.material is not None else ""
            return (
                f"too little material: check flow, filament and nozzle{lack}; or, if they are right, the "
                f"nozzle is too high: lower the first layer by {self._amount}"
            )
        lack = (
            f"; or about {1 - self.material:.0%} of the material lacks" if self.material is not None else ""
        )
        return f"the nozzle looks too high: lower the first layer by {self._amount}{lack}"

    @property
    def _amount(self) -> str:
        if self.off_mm is None or self.outer is None:
            return f"{_STEP_DOWN_MM:g} mm and look again: the pictures do not tell by how much"
        return (
            f"about {abs(self.off_mm):.2f} mm (the outermost lines lie {self.outer.width_mm:.2f} mm wide, "
            f"{self.outer.asked_mm:.2f} are asked for)"
        )


def laying_of(
    colours: Picture, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool, height_mm: float = 0.0
) -> Laying:
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
    height_mm : float
        Of the layer; 0: unknown, so that no amount is told.
    """
    regions = _regions(colours, lines, canvas, wanted, seen)
    outer = None
    if sum(region.mirrored for region in regions) < MIRRORED * max(1, len(regions)):
        outer = outer_width(colours, lines, canvas, wanted, seen)
    else:  # the rim of the lamp's mirror is as bright as bed between lines
        regions = [
            replace(region, laid="not known") if region.laid == "thin" else region for region in regions
        ]
    laying = _whole([replace(region, laid=_with_outline(region.laid, outer)) for region in regions])
    if outer is None or not outer.told:
        return replace(laying, outer=outer)
    off_mm: float | None = height_mm * (1 / outer.share - 1)  # the cross-section stays: w h = w' h'
    fits = laying.laid in ("thin", "too high") and outer.share < 1
    fits |= laying.laid in ("too squished", "ridges") and outer.share > 1
    if not (height_mm and fits):
        off_mm = None
    return replace(
        laying,
        outer=outer,
        off_mm=None if off_mm is None else round(off_mm, 3),
        material=round(outer.share, 2) if fits and outer.share < 1 else None,
    )


def surely_thin(
    laying: Laying, colours: Picture, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool
) -> bool:
    """Return whether a layer lacks material though on the whole filament and bed look alike.

    The dark sides of dark lines look like a dark bed, so that the groove must lack nearly all of the
    filament's light; a bed of another hue is no shade.
    """
    if laying.laid != "thin" or laying.share < 0.6:
        return False
    hue = cv2.cvtColor(colours.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    crest = drawn(lines, canvas, -CREST_MM) & seen
    bed = ~grown(wanted, CLEAR_BED_MM / canvas.step_mm) & seen
    if min(crest.sum(), bed.sum()) < 200:
        return False
    apart = np.median(hue[crest], axis=0) - np.median(hue[bed], axis=0)
    bare = float(np.median([region.bare for region in laying.regions]))
    return float(np.hypot(*apart[1:])) >= OTHER_HUE or (bare >= BARE_GROOVE and abs(apart[0]) >= OTHER_SHADE)


def _with_outline(laid: Laid, outer: OuterWidth | None) -> Laid:
    """Return how a region is laid, given how wide the outermost lines of the layer are."""
    if laid == "ridges" and outer is not None and outer.told and outer.share < PLOUGHED:
        return "too high or too low"  # a nozzle that ploughs leaves no narrow lines
    if laid in ("not known", "ridges") or outer is None:
        return laid
    if outer.blur_mm > BLURRED * outer.asked_mm and laid in ("good", "too high or too low"):
        return "not known"
    if not outer.told:
        return laid
    if outer.share >= WIDE:
        return "too squished"
    if laid == "thin":
        return (
            "thin" if outer.share < TOUCHING else "good"
        )  # what looks like bed is glare beside a dark groove
    return "too high" if outer.share <= NARROW and laid != "too squished" else laid


def _regions(colours: Picture, lines: Lines, canvas: Canvas, wanted: Bool, seen: Bool) -> list[Region]:
    places, normal, width, direction = profile_places(lines)
    if not len(places):
        return []
    at = places[:, None] + normal[:, None] * (OFFSETS[None, :, None] * width[:, None, None])
    ends = places[:, None] + normal[:, None] * (np.array([-1.2, 1.2])[None, :, None] * width[:, None, None])
    good = all_in(wanted & seen, canvas, ends) & all_in(wanted & seen, canvas, at[:, ::4])
    if not good.any():
        return []
    light = read_at(_lightness(colours), canvas, at)
    ripple = _ripple(light, good, places, normal)[good]
    covered, dark = _covered(colours, wanted, seen, canvas)
    filament = read_at(covered, canvas, at[good])
    light, places, direction = light[good], places[good], direction[good]
    cell = np.floor(places / CELL_SIDE_MM).astype(np.int64)
    kinds, which = np.unique(np.column_stack([cell, direction]), axis=0, return_inverse=True)
    which = which.ravel()
    return [
        _region(places[own], kinds[k, 2], light[own], filament[own], ripple[own], dark)
        for k, own in ((k, which == k) for k in range(len(kinds)))
        if own.sum() >= FEWEST_PROFILES
    ]


def _ripple(light: Float, good: Bool, places: Float, normal: Float) -> Float:
    """Return how the light (n, offsets) changes along each line over about a millimetre; NaN near its ends.

    What all of a line's width has in common is light, and left out.
    """
    step = np.hypot(*np.diff(places, axis=0).T)
    parted = (step > 2.1 * ALONG_STEP_MM) | ((normal[1:] * normal[:-1]).sum(axis=1) < 0.9)
    chain = np.concatenate([[0], np.cumsum(parted)])
    apart = math.ceil(3 * _RIPPLE_MM[1] / ALONG_STEP_MM) + 1  # so far a mean reaches
    row = np.arange(len(light)) + apart * chain
    sheet = np.zeros((int(row[-1]) + 1, len(OFFSETS) + 1), np.float32)
    sheet[row[good], :-1], sheet[row[good], -1] = light[good], 1.0
    means = []
    for reach_mm in _RIPPLE_MM:
        size = 2 * math.ceil(3 * reach_mm / ALONG_STEP_MM) + 1
        soft = cv2.GaussianBlur(
            sheet, (1, size), sigmaX=0, sigmaY=reach_mm / ALONG_STEP_MM, borderType=cv2.BORDER_CONSTANT
        )[row]
        means.append(soft[:, :-1] / np.maximum(soft[:, -1:], 1e-6))
        known = soft[:, -1] > 0.9
    rest = means[0] - means[1]
    rest -= rest.mean(axis=1, keepdims=True)
    return np.where(known[:, None], rest, np.nan)


def _region(
    places: Float, direction: int, light: Float, filament: Float, ripple: Float, dark: bool
) -> Region:
    wave = np.exp(2j * math.pi * OFFSETS)
    mean = light.mean(axis=0)
    level = max(float(mean.mean()), 1.0)
    groove = 2 * abs(complex((mean * wave).mean()))
    own = 2 * float(np.abs((light * wave).mean(axis=1)).mean())
    noise = 2 * float((light - mean).std()) / math.sqrt(len(OFFSETS) * 2)
    coherence = groove / max(own - 0.5 * noise, groove, 1e-6)
    profile = filament[..., 0].mean(axis=0)
    mirrored = False
    swing = complex((profile * wave).mean())
    bare = 4 * abs(swing) / max(float(profile.max()), 0.3)
    if np.isfinite(filament[0, 0, 1]):
        hue = filament[..., 1].mean(axis=0)
        of_hue = (complex((hue * wave).mean()) / max(abs(swing), 1e-9) * swing.conjugate()).real
        of_hue *= 4 / max(float(hue.max()), 0.3)
        if bare > THIN and of_hue < BARE_HUE:  # the groove lacks light, not filament
            bare, mirrored = max(of_hue, 0.0), True
    mirrored |= profile.min() < _BRIGHTER_THAN_BED if dark else profile.max() > _BRIGHTER_THAN_FILAMENT
    known = ripple[np.isfinite(ripple[:, 0])]
    rough = 100 * float(known.std()) / level if len(known) >= FEWEST_PROFILES else 0.0
    share = 100 * 2 * groove / level
    laid: Laid = "good"
    if level < DARKEST:
        laid = "not known"
    elif bare > THIN:
        laid = "not known" if mirrored else "thin"
    elif rough >= max(RIDGES, RIDGES_OF_GROOVE * share):
        laid = "ridges"
    elif share < GOOD_GROOVE and coherence < GOOD_DIRECTION:
        laid = "too squished"
    elif share < WEAK_GROOVE:
        laid = "too high or too low"
    middle = places.mean(axis=0)
    return Region(
        at_mm=(round(float(middle[0]), 1), round(float(middle[1]), 1)),
        direction_deg=180.0 / LINE_WAYS * int(direction),
        groove=round(share, 1),
        coherence=round(min(coherence, 1.0), 2),
        bare=round(bare, 3),
        ripple=round(rough, 2),
        laid=laid,
        mirrored=bool(mirrored),
    )


def _whole(regions: Sequence[Region]) -> Laying:
    if not regions:
        return Laying(regions=(), laid="not known", share=0.0)
    said: list[Laid] = [region.laid for region in regions]
    laid = max(sorted(set(said)), key=said.count)
    if laid == "too squished" and said.count("ridges") >= SOME_RIDGES * len(said):
        laid = "ridges"
    # an alarm is of most of the layer: the lamp's mirror alone makes some regions look so
    alarming = {"thin": ("thin",), "ridges": ("ridges", "too squished")}.get(laid, said)
    if sum(word in alarming for word in said) <= ALARM_SHARE * len(said):
        laid = "not known"
    return Laying(regions=tuple(regions), laid=laid, share=said.count(laid) / len(said))


def _lightness(colours: Picture) -> Float32:
    return np.asarray(cv2.cvtColor(colours.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)[..., 0], np.float32)


def _covered(colours: Picture, wanted: Bool, seen: Bool, canvas: Canvas) -> tuple[Float32, bool]:
    """Return how much of each pixel's light is that of filament and not of the bed; and if that is darker.

    Light adds up linearly where a pixel shows both. Filament is as bright as the brighter half of the print.

    Returns
    -------
    covered : ndarray of shape (h, w, 2)
        0 to 1, by all that the two differ in, and by hue alone, which a white lamp that the lines mirror
        does not change; NaN where they do not differ in hue.
    darker : bool
    """
    light = light_of(colours)
    inside, outside = wanted & seen, ~grown(wanted, CLEAR_BED_MM / canvas.step_mm) & seen
    if min(inside.sum(), outside.sum()) < 200:
        return np.ones((*canvas.shape, 2), np.float32), False
    grey = light.mean(axis=2)
    bed = np.median(light[outside], axis=0)
    off = np.abs(grey - float(bed.mean()))
    crest = inside & (off > np.median(off[inside]))
    way = np.median(light[crest], axis=0) - bed
    hue = way - way.mean()
    shares = [(light - bed) @ some / max(float(some @ some), 1e-6) for some in (way, hue)]
    if np.linalg.norm(hue) < _HUE_TELLS * np.linalg.norm(way):
        shares[1] = np.full(canvas.shape, np.nan)
    return np.asarray(np.dstack(shares), np.float32), bool(way.mean() < 0)
