"""Even light: how bright each picture is against the others, channel by channel, in linear light.

Only a gain is ever applied, the thing that exposure and white balance change; the picture's contrast in
linear light stays what the camera saw. The gain is read off the parts that stay the same from picture to
picture, so that a growing print does not drag it.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Grey, Picture
from twinlapse.imaging.light_kernels import mean_pixels
from twinlapse.imaging.tone_curve import ToneCurve, lit_codes, whole_codes
from twinlapse.jit import Kernel

__all__ = [
    "ACROSS",
    "DOWN",
    "FOREIGN",
    "HIGH",
    "LARGE_PART",
    "LOW",
    "MOST_GAIN",
    "NEAR_CLIPPING",
    "SAME_LIGHT",
    "SURE_OF_LIGHT",
    "Blocks",
    "Level",
    "Mode",
    "Relight",
    "SmallPicture",
    "blocks_of",
    "brightness",
    "changing_foot",
    "common_level",
    "gains",
    "light_blocks",
    "likeness",
    "middle_of",
    "relight",
    "relit_codes",
    "small_picture",
    "steady_weights",
    "to_linear",
    "to_srgb",
    "tone_of",
]

Blocks = NDArray[np.float32]
Mode = Literal["constant", "flicker", "off"]

ACROSS, DOWN = 40, 30  # blocks of the raster on which light is compared
LOW, HIGH = 0.01, 0.80  # linear light outside of which a block is too dark or too near clipping
MOST_GAIN = 4.0  # two stops (common practice, no source): beyond, a picture is mostly noise
FOREIGN = 4.0  # usual differences from the usual light, beyond which a picture shows something else
LARGE_PART = 0.25  # of the change of the part that changes most, from which on another may be the print
SAME_LIGHT = 0.3  # of a logarithm: a block that differs by more from the others shows something else
SURE_OF_LIGHT = 0.2  # confidence below which a picture's light is not known
NEAR_CLIPPING = 248  # mean code of a few pixels above which some of them are clipped


def to_linear(code: NDArray[np.floating] | NDArray[np.uint8]) -> NDArray[np.float64]:
    """Return linear light 0 to 1 of sRGB codes 0 to 255 (IEC 61966-2-1)."""
    value = np.asarray(code, dtype=np.float64) / 255
    return np.asarray(np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4))


def to_srgb(light: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return sRGB codes 0 to 255, not rounded, of linear light; light above 1 is clipped."""
    value = np.clip(light, 0, 1)
    curve = np.where(value <= 0.0031308, value * 12.92, 1.055 * value ** (1 / 2.4) - 0.055)
    return np.asarray(255 * curve)


_STEPS = 16  # of a code, at which tables of light stand


def light_blocks(picture: Picture) -> Blocks:
    """Return the mean linear light of each block of a picture, (DOWN, ACROSS, 3).

    Parameters
    ----------
    picture : ndarray of shape (height, width, 3), uint8 sRGB

    Notes
    -----
    A block of which more than a twentieth is near clipping is NaN: it tells nothing of the light.
    """
    return blocks_of(small_picture(picture))


@dataclass(frozen=True, slots=True, eq=False)
class SmallPicture:
    """A picture at some 4 x 4 pixels a block, by which its light is judged."""

    codes: NDArray[np.float32]  # (height, width, 3) with fractions
    matrix: Float | None = None  # (2, 3) from the reference to this picture, pixels of the small ones

    def laid(self, values: Any) -> Any:
        """Return values of its pixels where those of the reference are."""
        if self.matrix is None:
            return values
        size = (self.codes.shape[1], self.codes.shape[0])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(values, self.matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)


def small_picture(picture: Picture, matrix: Float | None = None) -> SmallPicture:
    """Return a picture made small.

    Parameters
    ----------
    picture : ndarray of shape (height, width, 3), uint8
    matrix : ndarray of shape (2, 3), optional
        From the reference to this picture: blocks are those of the reference, so that an edge that jitters
        from one block into the next is not taken for a change of light.
    """
    height, width, _ = picture.shape
    step = max(1, min(width // (4 * ACROSS), height // (4 * DOWN)))
    # not rounded: a plain dark part would be rounded alike, and by percents of its light
    codes: Any = np.empty((height // step, width // step, 3), np.float32)
    if isinstance(mean_pixels, Kernel) and height % step == 0 == width % step:
        mean_pixels(picture.reshape(height, -1), np.empty(3 * width, np.int32), codes)
    else:
        size = (width // step, height // step)
        codes = cv2.resize(picture.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    if matrix is not None:
        # a pixel of the small picture is the middle of `step` pixels of the large one
        offset = (step - 1) / 2
        shift = (matrix[:, :2] @ np.full(2, offset) + matrix[:, 2] - offset) / step
        matrix = np.hstack([matrix[:, :2], shift[:, None]])
    return SmallPicture(np.asarray(codes, np.float32), matrix)


def blocks_of(small: SmallPicture, curve: ToneCurve | None = None) -> Blocks:
    """Return the mean light of each block of a small picture, by a curve up to a factor and a power."""
    # light is laid and not codes: softening, which differs from picture to picture, leaves its mean
    table = _light_table(curve or ToneCurve())
    light = small.laid(table[np.rint(small.codes * _STEPS).astype(np.uint16)])
    red, green, blue = cv2.split(small.codes)
    clipped = small.laid((cv2.max(cv2.max(red, green), blue) > NEAR_CLIPPING).astype(np.float32))
    blocks = cv2.resize(light, (ACROSS, DOWN), interpolation=cv2.INTER_AREA)
    blocks[cv2.resize(clipped, (ACROSS, DOWN), interpolation=cv2.INTER_AREA) > 0.05] = np.nan
    return np.asarray(blocks, dtype=np.float32)


@functools.lru_cache(maxsize=8)
def _light_table(curve: ToneCurve) -> NDArray[np.float32]:
    code = np.arange(255 * _STEPS + 1) / _STEPS
    light = to_linear(code) if curve.is_srgb else np.exp(curve.log_light(code / 255))
    return np.asarray(light, np.float32)


def _changes(blocks: Blocks) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Return how far off its usual light each block of each picture is, and which blocks can be judged.

    Off is a logarithm, (m, DOWN, ACROSS, 3), with what all blocks of a picture share taken out. A picture
    that is mostly clipped or black tells nothing and is passed over; a block that is in any other is not
    judged.
    """
    # no comparison holds for NaN
    told = ((blocks > LOW) & (blocks < np.inf)).all(axis=-1).mean(axis=(1, 2)) > 0.5
    sample = blocks[told] if told.any() else blocks
    # along time first: that is how they lie in memory
    usable = np.isfinite(sample).all(axis=0).all(axis=-1)
    filled = np.where(np.isfinite(sample), sample, np.float32(1))
    usable &= (filled.min(axis=0).min(axis=-1) > LOW) & (filled.max(axis=0).max(axis=-1) < HIGH)
    logs = np.log(np.maximum(filled, np.float32(1e-3)))
    logs -= middle_of(logs, 0)
    if usable.any():
        logs -= middle_of(logs[:, usable], 1)[:, None, None]
    return logs, np.asarray(usable)


def middle_of(values: NDArray[Any], axis: int) -> NDArray[Any]:
    """Return the upper median along an axis, NaN left out."""
    count = np.isfinite(values).sum(axis=axis, keepdims=True)
    # NaN are sorted to the end
    return np.take_along_axis(np.sort(values, axis=axis), count // 2, axis=axis).squeeze(axis)


def steady_weights(blocks: Blocks) -> Float:
    """Return how far each block of a series stays the same, (DOWN, ACROSS): 0 for those that change.

    The common change of all blocks is taken out first; what is left over time tells the print and whatever
    passes by from the steady parts.
    """
    logs, usable = _changes(blocks)
    change = np.sqrt((logs**2).mean(axis=0).mean(axis=-1)).astype(np.float64)
    if not usable.any():
        return np.zeros(blocks.shape[1:3])
    level = float(np.quantile(change[usable], 0.2))
    weight = 1 / (1 + (change / max(2.5 * level, 1e-4)) ** 4)
    return np.asarray(np.where(usable, weight, 0.0))


def changing_foot(blocks: Blocks) -> tuple[float, float]:
    """Return the foot of what changes most over a series, as shares of width and height.

    A print grows upwards and the beam that climbs with it is above its bed, so the foot is the lower end of
    the lowest large part that changes. Edges of what parks a hair off are narrow and left out where anything
    broader changes. Something new is something new: how much brighter it is than what it hides does not
    count, or a print would be seen only where it stands before the dark. Pictures of something else are
    passed over.
    """
    off = np.sqrt((_changes(blocks)[0].astype(np.float64) ** 2).mean(axis=-1))
    all_over = np.median(off, axis=(1, 2))
    off = off[all_over <= FOREIGN * np.median(all_over)]
    change = np.sqrt((np.minimum(off, SAME_LIGHT) ** 2).mean(axis=0))
    great = (change > 0.4 * float(np.quantile(change, 0.98))).astype(np.uint8)
    broad = cv2.morphologyEx(great, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, part = cv2.connectedComponents(broad if broad.any() else great, connectivity=4)
    if count < 2:
        return 0.5, 0.5
    weight = np.bincount(part.ravel(), weights=change.ravel())[1:]
    large = 1 + np.flatnonzero(weight >= LARGE_PART * weight.max())
    feet = [_foot(np.where(part == number, change, 0.0)) for number in large.tolist()]
    x, y = max(feet, key=lambda foot: foot[1])
    return x / change.shape[1], y / change.shape[0]


def _foot(change: Float) -> tuple[float, float]:
    """Return the lower end of a part that changes, and the middle of its lower quarter, in blocks."""
    down = change.sum(axis=1).cumsum() / change.sum()
    first, last = int(np.searchsorted(down, 0.03)), int(np.searchsorted(down, 0.97))
    across = change[round(last - (last - first) / 4) :].sum(axis=0).cumsum()
    return float(np.searchsorted(across, 0.5 * across[-1])) + 0.5, last + 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What the light of pictures is compared with: b blocks that stay the same, and how bright they are."""

    inside: NDArray[np.bool_]  # (DOWN, ACROSS), b of them
    light: NDArray[np.float32]  # (b, 3)
    pull: Float  # (3, b) how much each counts


def common_level(sample: Blocks, lit: Float) -> Level:
    """Return the level of a film.

    Parameters
    ----------
    sample : ndarray of shape (m, DOWN, ACROSS, 3)
        Of pictures spread over it.
    lit : ndarray of shape (DOWN, ACROSS)
        0 to 1, where the light may be read off.
    """
    weights = steady_weights(sample) * lit if len(sample) else np.zeros(lit.shape)
    inside = weights > 0.05
    light = middle_of(sample[:, inside], 0) if inside.any() else np.ones((0, 3), np.float32)
    # bright parts are what the eye sees flicker
    return Level(inside=inside, light=light, pull=(weights[inside][:, None] * light).T)


def brightness(blocks: Blocks, level: Level) -> tuple[Float, Float]:
    """Return the light of n pictures against the common level.

    Returns
    -------
    ratio : ndarray of shape (n, 3)
        Light over the median picture's, per channel.
    confidence : ndarray of shape (n,)
        1 where the blocks agree within a thousandth, falling to 0 where they do not.
    """
    if not level.inside.any() or not len(blocks):
        return np.ones((len(blocks), 3)), np.zeros(len(blocks))
    logs = np.log(np.maximum(blocks[:, level.inside], np.float32(1e-6)) / level.light).swapaxes(1, 2)
    return _common_gain(np.ascontiguousarray(logs), level.pull)


@dataclass(frozen=True, slots=True, kw_only=True)
class Relight:
    """How the light of one picture is evened."""

    gain: Float  # (3,) factor of the light of each channel
    curve: ToneCurve = field(default_factory=ToneCurve)
    top_code: float | None = None  # that a thousandth of the pixels pass; None: white is not taken care of
    white: Float | None = None  # (3,) codes at which white is shown where the gain lowers it; None: 255
    left: Blocks | None = None  # (DOWN, ACROSS, 3) codes by which it is too high then, see `PlainParts`


def relight(picture: Picture, how: Relight) -> Picture:
    """Return the picture with its light changed."""
    if np.abs(how.gain - 1).max() < 5e-4:
        return picture
    return np.asarray(cv2.LUT(picture, whole_codes(relit_codes(how)).reshape(1, 256, 3)), dtype=np.uint8)


def relit_codes(how: Relight) -> Float:
    """Return what becomes of each code of each channel, 0 to 255 with fractions, (256, 3)."""
    return lit_codes(how.gain, how.curve, how.top_code, how.white)


def likeness(blocks: Blocks, level: Level) -> Float:
    """Return which share of the steady blocks of n pictures looks like itself, (n,), in any light."""
    if not level.inside.any() or not len(blocks):
        return np.ones(len(blocks))
    logs = np.log(np.maximum(blocks[:, level.inside], np.float32(1e-4)) / level.light).mean(axis=2)
    off = np.abs(logs - middle_of(logs, 1)[:, None])
    seen = np.isfinite(logs)
    same = seen & (np.where(seen, off, np.inf) < SAME_LIGHT)
    return np.asarray(same.mean(axis=1), np.float64)


def tone_of(picture: Picture, grey: Grey) -> tuple[float, float, float, float]:
    """Return mean and spread of a picture's luma, its share at white, what a thousandth of channels pass."""
    count = np.bincount(grey[::4, ::4].ravel(), minlength=256)
    total, code = int(count.sum()), np.arange(256)
    mean = float(count @ code) / total
    spread = float(np.sqrt(count @ (code - mean) ** 2 / total))
    red, green, blue = np.moveaxis(picture[::4, ::4], -1, 0)
    most = np.bincount(np.maximum(np.maximum(red, green), blue).ravel(), minlength=256)
    top = np.searchsorted(np.cumsum(most), total - 1 - total // 1000, side="right")
    return mean, spread, float(count[NEAR_CLIPPING:].sum()) / total, float(top)


def _common_gain(logs: NDArray[np.float32], weight: Float) -> tuple[Float, Float]:
    """Return what most blocks of each picture (n, 3, b) agree on (Tukey's biweight), and how well."""
    off = logs - middle_of(logs, 2)[..., None]
    spread = np.maximum(1.4826 * middle_of(np.abs(off), 2), 1e-4)
    pull = weight * np.clip(1 - (off / (4.685 * spread)[..., None]) ** 2, 0, None) ** 2
    seen = np.isfinite(logs)
    pull[~seen] = 0
    total = pull.sum(axis=2)
    ratio = np.exp((pull * np.where(seen, logs, 0)).sum(axis=2) / np.maximum(total, 1e-12))
    known = (total > 0).all(axis=1)
    error = spread.max(axis=1) / np.maximum(1, seen.sum(axis=2).min(axis=1)) ** 0.5
    return np.where(known[:, None], ratio, 1.0), np.where(known, 1 / (1 + (error / 0.004) ** 2), 0.0)


def gains(ratio: Float, confidence: Float, mode: Mode) -> Float:
    """Return the gain in linear light for each picture and channel, (n, 3).

    ``constant`` brings every picture to the common level; ``flicker`` to a smooth curve through its
    neighbours, so that daylight may rise and fall. A picture whose light could not be read takes its
    neighbours' place on the curve, and is left alone under ``constant``.
    """
    sure = confidence > SURE_OF_LIGHT
    if mode == "off" or not sure.any():
        return np.ones_like(ratio)
    logs = np.log(ratio)
    target = np.zeros_like(logs) if mode == "constant" else _smooth(logs, sure)
    gain = np.exp(target - logs)
    gain[~sure] = 1.0
    return np.clip(gain, 1 / MOST_GAIN, MOST_GAIN)


def _smooth(logs: Float, sure: NDArray[np.bool_], reach: float = 8.0) -> Float:
    """Local straight line through the neighbours, weights Gaussian in time, outliers silenced twice.

    Only where `sure` is it of use: what lies beyond all sure neighbours has no curve.
    """
    away = np.arange(-round(4 * reach), round(4 * reach) + 1)
    near = np.exp(-((away / reach) ** 2) / 2)
    curve = np.zeros_like(logs)
    for channel, values in enumerate(logs.T):
        trust = sure.astype(np.float64)
        for _ in range(3):
            total, first, second = (_around(trust, near * away**power) for power in range(3))
            total = np.maximum(total, 1e-9)
            mean, tilt = (_around(trust * values, near * away**power) / total for power in range(2))
            middle = first / total
            slope = (tilt - middle * mean) / np.maximum(second / total - middle**2, 1e-9)
            curve[:, channel] = mean - slope * middle
            error = np.abs(values - curve[:, channel])
            trust = sure / (1 + (error / max(2 * float(np.median(error[sure])), 1e-4)) ** 2)
    return curve


def _around(values: Float, weights: Float) -> Float:
    """Return the weighted sum of the neighbours of each value; the weights begin as far before as after."""
    return np.convolve(values, weights[::-1])[len(weights) // 2 :][: len(values)]
