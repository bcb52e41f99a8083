"""What real nozzle cameras show that an exact one before a clean print does not.

Of the camera: blur of depth, bloom around what is too bright, a colour cast, another lens and place than the
rig says. Of the machine: threads along travel moves, filament that clings to the nozzle, a pebbled sheet.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import cv2
import numpy as np

from twinlapse.arrays import Float32
from twinlapse.optics.lens import focal_px
from twinlapse.optics.pose import looking_of, pose_on_mount
from twinlapse.optics.view import blur_px, sharpness
from twinlapse.rig import Camera, Lens, Printer

__all__ = [
    "HARD",
    "NO_NUISANCES",
    "NUISANCE_NAMES",
    "OPTICS",
    "Nuisances",
    "nuisances_of",
    "spoilt",
    "true_camera",
]

_LEVELS_PX = (0.0, 1.5, 3.0, 6.0, 12.0)  # blurred copies between which each pixel is mixed
_BEHIND_MM = 1500.0  # further away nothing of the machine stands
_WARM = (0.2, 0.0, -0.25)  # how much warmer one window or lamp is than another
_WHITE = 0.85  # linear light from which a pixel blooms
_BLOOM_SHARE = 0.02  # of the picture's width: reach of the bloom


@dataclass(frozen=True, slots=True, kw_only=True)
class Nuisances:
    """How far a camera is from an exact one; the standard is exact."""

    aperture: float = 0.0  # blur of depth: 1 is the lens of the rig, more is a wider one
    soft: float = 0.0  # blur of everything, one standard deviation, share of the picture's width
    bloom: float = 0.0  # share of what is too bright that spreads around
    cast: tuple[float, float, float] = (1.0, 1.0, 1.0)  # gain of red, green, blue
    room: float = 0.0  # linear light of windows and lamps behind the machine
    place_mm: float = 0.0  # the true place is off the rig's by this much in a direction that the seed chooses
    turn_deg: float = 0.0  # and turned by this much
    focal_share: float = 0.0  # and its focal length longer or shorter by this share
    k1: float = 0.0  # and this is added to the first coefficient of distortion
    brighter: float = 1.0  # times the exposure of the camera
    colourful: float = 1.0  # how much stronger than they are the camera's software makes colours
    strings: float = 0.0  # share of the travel moves that leave a thread
    dirty_nozzle: bool = False
    pebbled: bool = False  # the bed is a sheet with a coarse grain
    parking_mm: float | None = None  # parking error of X and Y at each stop; None: that of the faults
    missing_frames: int | None = None  # of each camera, that never come; None: as the faults say


NO_NUISANCES = Nuisances()
OPTICS = Nuisances(
    # matched to photographs from beside nozzles: soft all over and blurred before and behind the tip, dazzled
    # in a tenth of the picture, greenish
    aperture=2.5,
    soft=0.0011,
    bloom=0.5,
    room=9.0,
    cast=(0.85, 1.0, 0.8),
    brighter=1.45,
    colourful=1.1,
)
_SETS: dict[str, Nuisances] = {
    "optics": OPTICS,
    "true-camera": Nuisances(place_mm=1.5, turn_deg=1.5, focal_share=0.05, k1=-0.12),
    "strings": Nuisances(strings=0.15),
    "dirty-nozzle": Nuisances(dirty_nozzle=True),
    "pebbled-sheet": Nuisances(pebbled=True),
}
_FIGURES = {"parking-mm": float, "missing-frames": int, "strings": float}
NUISANCE_NAMES = (*_SETS, "hard", "parking-mm=MM", "missing-frames=COUNT", "strings=SHARE")


def nuisances_of(names: Sequence[str]) -> Nuisances:
    """Return the nuisances of some names together.

    Parameters
    ----------
    names : sequence of str
        Of `NUISANCE_NAMES`: "hard" is all that have no figure; "parking-mm=0.3" sets one.

    Raises
    ------
    ValueError
        for what is none of them, or a figure that is none.
    """
    together = NO_NUISANCES
    for name in names:
        word, sign, figure = name.partition("=")
        if sign and word in _FIGURES:
            try:
                value = _FIGURES[word](figure)
            except ValueError:
                raise ValueError(f"{name!r}: {figure!r} is no number") from None
            if not 0 <= value < (1000 if word == "missing-frames" else 2):
                raise ValueError(f"{name!r}: the number is out of range")
            together = replace(together, **{word.replace("-", "_"): value})
        elif not sign and (name in _SETS or name == "hard"):
            for one in _SETS if name == "hard" else (name,):
                together = _joined(together, _SETS[one])
        else:
            raise ValueError(f"{name!r} is none of {', '.join(NUISANCE_NAMES)}")
    return together


def _joined(one: Nuisances, other: Nuisances) -> Nuisances:
    """Return nuisances with all that another one sets."""
    changed = {
        field.name: getattr(other, field.name)
        for field in fields(Nuisances)
        if getattr(other, field.name) != field.default
    }
    return replace(one, **changed)


HARD = nuisances_of(["hard"])


def true_camera(camera: Camera, printer: Printer, nuisances: Nuisances, seed: int) -> Camera:
    """Return the camera as it really is where the rig describes another."""
    if not (nuisances.place_mm or nuisances.turn_deg or nuisances.focal_share or nuisances.k1):
        return camera
    dice = np.random.default_rng([seed, 71])
    pose = pose_on_mount(camera, printer)
    ways = dice.standard_normal((2, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    angles = np.radians(nuisances.turn_deg) * ways[1]
    off = pose.moved(nuisances.place_mm * ways[0]).turned((angles[0], angles[1], angles[2]))
    place, look, roll = looking_of(off, float(np.linalg.norm(pose.place_mm)) or 40.0)
    focal = focal_px(camera.lens) * (1 + nuisances.focal_share * dice.choice([-1.0, 1.0]))
    half = camera.lens.width_px / 2 / focal
    across = 2 * half if camera.lens.kind == "fisheye" else 2 * math.atan(half)
    bent = list(camera.lens.distortion) or [0.0, 0.0, 0.0, 0.0]
    bent[0] += nuisances.k1
    lens = replace(camera.lens, across_deg=math.degrees(across), distortion=tuple(bent))
    return replace(camera, place_mm=place, look_mm=look, roll_deg=roll, lens=lens)


def spoilt(picture: Float32, depth_mm: Float32, lens: Lens, looked_at_mm: float, how: Nuisances) -> Float32:
    """Return a picture (h, w, 3) in linear light, blurred, with bloom and colour cast."""
    if how.room:
        picture = np.where((depth_mm >= _BEHIND_MM)[..., None], how.room * _windows(depth_mm.shape), picture)
    if how.aperture:
        focus = sharpness(lens, looked_at_mm).focus_mm
        # blur goes with |1 / depth - 1 / focus|: twice the focus gives the scale
        unit = how.aperture * blur_px(lens, focus, 2 * focus) * 2
        off = unit * np.abs(depth_mm - focus) / np.maximum(depth_mm, 1.0)
        picture = _blurred(picture, np.minimum(off / 2, _LEVELS_PX[-1]))  # a disc of d has a spread of d / 4
    if how.soft:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), how.soft * picture.shape[1]), np.float32)
    if how.bloom:
        bright = np.maximum(picture - _WHITE, 0)
        sigma = _BLOOM_SHARE * picture.shape[1]
        picture = picture + np.float32(how.bloom) * cv2.GaussianBlur(bright, (0, 0), sigma)
    if how.brighter != 1.0:
        picture = picture * np.float32(how.brighter)
    if how.colourful != 1.0:
        grey = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)  # IEC 61966-2-1
        picture = np.maximum(grey[..., None] + np.float32(how.colourful) * (picture - grey[..., None]), 0)
    if how.cast != (1.0, 1.0, 1.0):
        picture = picture * np.array(how.cast, np.float32)
    return np.asarray(picture, np.float32)


def _windows(shape: tuple[int, ...]) -> Float32:
    """Return soft bright patches, (h, w, 3), 0 to 1: what a room looks like far out of focus."""
    coarse = np.random.default_rng(72).standard_normal((shape[0] // 16 + 1, shape[1] // 16 + 1, 2))
    soft = cv2.GaussianBlur(coarse.astype(np.float32), (0, 0), 4.0)
    bright, warm = np.moveaxis(soft / soft.std(axis=(0, 1)), -1, 0)
    tint = 1 + np.clip(warm, -2, 2)[..., None] * np.array(_WARM, np.float32)
    patches = np.clip(0.8 + bright / 2, 0.02, 1)[..., None] ** 2 * tint
    return np.asarray(cv2.resize(patches, (shape[1], shape[0])), np.float32)


def _blurred(picture: Float32, off_px: Float32) -> Float32:
    stack = [picture, *(cv2.GaussianBlur(picture, (0, 0), level / 2) for level in _LEVELS_PX[1:])]
    out = picture.copy()
    for k, (low, high) in enumerate(itertools.pairwise(_LEVELS_PX)):
        here = off_px > low
        share = np.clip((off_px - low) / (high - low), 0, 1)[..., None].astype(np.float32)
        out[here] = (stack[k] * (1 - share) + stack[k + 1] * share)[here]
    return out
