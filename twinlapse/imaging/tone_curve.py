"""A camera's tone curve, estimated from what stays the same while the light changes; gains that respect it.

Light that grows by a factor adds the same amount to the logarithm of light everywhere. A curve under which
dark, middle and bright pixels of a film do not agree on that amount is not the camera's. The logarithm of
light is taken for sRGB's and a broken line on top of it, whose knots are found by linear least squares
(so Debevec and Malik 1997 find the whole curve): toes, shoulders and knees come out alike. Any power of the
light serves as well as the light itself here, so no exponent is estimated.
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture

__all__ = [
    "CELL_CODES",
    "EVEN",
    "FIRMNESS",
    "KNEE",
    "KNOTS",
    "LEAST_CHANGE",
    "LOWEST_KNEE",
    "MOST_ASTRAY",
    "MOST_PICTURES",
    "ROUNDED",
    "ROUNDS",
    "SRGB_POWER",
    "STIFFNESS",
    "TOP_SHOWN",
    "WHITE",
    "ToneCurve",
    "find_tone_curve",
    "lit_codes",
    "whole_codes",
]

SRGB_POWER = 2.4  # IEC 61966-2-1
# codes at which the line has its knots: closer where a code is a large step of light, and towards white
KNOTS = np.array([0, 5, 10, 16, 23, 32, 44, 60, 80, 105, 130, 155, 175, 190, 205, 220, 235, 255]) / 255
CELL_CODES = 3.0  # pixels whose usual codes differ by less are taken together
ROUNDS, MOST_PICTURES = 6, 40
STIFFNESS, FIRMNESS = 0.0006, 1e-4  # weight of bends, and of the line itself, against a good cell's log light
LEAST_CHANGE = 0.01  # of the light, RMS over the film: less tells no curve
ROUNDED = 0.12 / 255  # what codes of 8 bits and JPEG leave of the mean of many pixels, RMS
EVEN = 0.0008  # of the light, RMS: a curve must explain more in pictures that it was not made by
# of a good cell's log light, RMS: a knee of half the slope, met by changes of a stop, leaves 0.07
MOST_ASTRAY = 0.1
LOWEST_KNEE, KNEE = 0.5, 0.95  # from here on a gain above one bends towards white instead of clipping
TOP_SHOWN = 252 / 255  # where a picture's brightest are shown that a gain would bring to white: the encoder
# moves them by some codes more, and white begins at 254
WHITE = 0.97  # from here on a gain below one lets white be white: what is clipped has no light to be divided
_LEAST_PIXELS, _LEAST_CELLS, _LEAST_PICTURES = 4, 8, 8
_DARK, _CLIPPED = 2 / 255, 249 / 255  # mean codes of a cell beyond which some pixels are clipped


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """The logarithm of light as a function of the code 0 to 1, up to its scale."""

    above: tuple[float, ...] = (0.0,) * len(KNOTS)  # of sRGB's logarithm of light, at KNOTS

    @property
    def is_srgb(self) -> bool:
        """True for the curve that every picture is taken to have until it is known better."""
        return not any(self.above)

    def log_light(self, code: NDArray[np.floating]) -> Float:
        """Return the logarithm of light of codes 0 to 1; beyond them the line goes straight on."""
        code = np.asarray(code, np.float64)
        return _srgb_log(code) + (_hats(code) @ self.above if not self.is_srgb else 0.0)

    def code(self, log_light: Float) -> Float:
        """Return the codes of logarithms of light, the other way round."""
        return np.interp(log_light, _light_of_codes(self), _FINE)

    def rises(self) -> bool:
        """True where more light is a higher code everywhere."""
        return bool(np.diff(self.log_light(np.linspace(0, 1, 256))).min() > 0)


def find_tone_curve(codes: NDArray[np.floating]) -> ToneCurve:
    """Return the curve under which p pixels of n pictures agree best on each picture's light.

    Parameters
    ----------
    codes : ndarray of shape (n, p, 3)
        Codes 0 to 1 of pixels that mostly stay the same; NaN where one cannot be read.
    """
    if len(codes) < _LEAST_PICTURES:
        return ToneCurve()
    cells = _cells(codes[np.linspace(0, len(codes) - 1, min(len(codes), MOST_PICTURES)).astype(int)])
    cells = _that_follow(cells)
    if len(cells.weight) < _LEAST_CELLS:
        return ToneCurve()
    standard, light = _unexplained(cells, ToneCurve())
    change = float(np.sqrt((light**2).mean()))
    if change < LEAST_CHANGE or standard < EVEN:
        return ToneCurve()
    even, odd = cells.of_pictures(slice(0, None, 2)), cells.of_pictures(slice(1, None, 2))
    if not (_is_better(_fitted(even), odd) and _is_better(_fitted(odd), even)):
        return ToneCurve()
    best = _fitted(cells)
    return best if best.rises() else ToneCurve()


def _is_better(curve: ToneCurve, cells: _Cells) -> bool:
    """Whether a curve explains what sRGB's does not, in pictures that it was not made by."""
    standard, light = _unexplained(cells, ToneCurve())
    least, own = _unexplained(cells, curve)
    # the scale of the light is free: what is left counts against the change that is seen in it
    least *= float(np.sqrt((light**2).sum() / max(float((own**2).sum()), 1e-12)))
    return standard**2 - least**2 > EVEN**2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cells:
    """b cells of pixels of one channel that are alike, in n pictures."""

    code: Float  # (n, b) mean
    trust: Float  # (n, b) 0 where some pixels may be clipped
    weight: Float  # (b,) one over the variance of the log light, the heaviest cell's is 1
    of_channel: Float  # (3, b) 1 for the channel of the cell

    def of_pictures(self, some: slice) -> _Cells:
        """Return the same cells in some of the pictures."""
        return replace(self, code=self.code[some], trust=self.trust[some])


def _cells(codes: NDArray[np.floating]) -> _Cells:
    """Return the cells of p pixels (n, p, 3).

    A mean over pixels of one code has fractions of a code. Pixels that do not go with the others of their
    cell show something that passes, grows or moves.
    """
    means, weights, channels = [], [], []
    for channel in range(3):
        seen = np.isfinite(codes[..., channel]).all(axis=0)
        own = np.ascontiguousarray(codes[:, seen, channel].T)
        usual = np.median(own, axis=1)
        order = np.argsort(usual, kind="stable")
        own, usual = own[order], usual[order]
        ends = np.searchsorted(usual, np.arange(0, 257, CELL_CODES) / 255)
        for start, stop in itertools.pairwise(ends.tolist()):
            if stop - start < _LEAST_PIXELS:
                continue
            moved = own[start:stop] - usual[start:stop, None]
            off = np.sqrt(((moved - np.median(moved, axis=0)) ** 2).mean(axis=1))
            steady = own[start:stop][off <= max(2 * float(np.quantile(off, 0.25)), 1 / 255)]
            noise = float(np.median(steady.std(axis=0))) / len(steady) ** 0.5
            slope = float(np.diff(_srgb_log(usual[start] + np.array([0, 0.01])))[0]) / 0.01
            means.append(steady.mean(axis=0, dtype=np.float64))
            weights.append(1 / (slope**2 * (noise**2 + ROUNDED**2)))
            channels.append(channel)
    code = np.stack(means, axis=1) if means else np.zeros((len(codes), 0))
    weight = np.array(weights) / max(weights, default=1.0)
    return _Cells(
        code=code,
        trust=((code > _DARK) & (code < _CLIPPED)) * weight,
        weight=weight,
        of_channel=(np.arange(3)[:, None] == np.array(channels)).astype(np.float64),
    )


def _that_follow(cells: _Cells) -> _Cells:
    """Leave out cells that show something else in some pictures, as those that a growing print comes to hide.

    Whatever the curve, the code of a cell goes with the light: nearly in proportion, on a logarithm of
    sRGB's. One cell of a few pixels that does not would outweigh all that tells the curve.
    """
    logs = _srgb_log(cells.code)
    logs = logs - np.median(logs, axis=0)
    follows = np.zeros(len(cells.weight), np.bool_)
    for own in cells.of_channel[cells.of_channel.any(axis=1)] > 0:
        light = np.median(logs[:, own], axis=1, keepdims=True)
        trust = cells.trust[:, own]
        size = np.maximum((trust * light**2).sum(axis=0), 1e-12)
        off = logs[:, own] - light * (trust * light * logs[:, own]).sum(axis=0) / size
        # against the noise of a good cell, as everywhere: a dark one is off by much that means nothing
        follows[own] = np.sqrt((trust * off**2).mean(axis=0)) < MOST_ASTRAY
    return replace(
        cells,
        code=cells.code[:, follows],
        trust=cells.trust[:, follows],
        weight=cells.weight[follows],
        of_channel=cells.of_channel[:, follows],
    )


def _unexplained(cells: _Cells, curve: ToneCurve) -> tuple[float, Float]:
    """Return how much cells disagree, RMS of log light, and the light of each picture, (n, 3)."""
    left, light = _without_effects(cells, curve.log_light(cells.code)[..., None], cells.trust)
    return float(np.sqrt((cells.trust * left[..., 0] ** 2).sum() / cells.trust.sum())), light[..., 0]


def _without_effects(cells: _Cells, values: Float, trust: Float, sweeps: int = 4) -> tuple[Float, Float]:
    """Take a level of each cell and one of each picture and channel out of values (n, b, k).

    Returns what is left, and the levels of the pictures (n, 3, k).
    """
    left, weight = values.copy(), trust[..., None]
    light = np.zeros((len(values), 3, values.shape[-1]))
    per_cell = np.maximum(weight.sum(axis=0), 1e-12)
    per_picture = np.maximum(cells.of_channel @ weight, 1e-12)
    for _ in range(sweeps):
        left -= (weight * left).sum(axis=0) / per_cell
        step = (cells.of_channel @ (weight * left)) / per_picture
        light += step
        left -= cells.of_channel.T @ step
    return left, light


def _fitted(cells: _Cells) -> ToneCurve:
    """Return the curve by least squares over what the codes are off, cells that disagree silenced.

    The line's knots are weighted by the codes that are to be expected, not by those that were seen: the
    noise of dark ones would flatten the curve.
    """
    trust, above = cells.trust, np.zeros(len(KNOTS))
    _, light = _unexplained(cells, ToneCurve())
    for turn in range(ROUNDS):
        curve = ToneCurve(tuple(above.tolist()))
        logs = curve.log_light(cells.code)
        left, _ = _without_effects(cells, logs[..., None], trust)
        expected = curve.code(logs - left[..., 0])
        slope = (curve.log_light(expected + 1e-3) - curve.log_light(expected - 1e-3)) / 2e-3
        off = slope * (cells.code - expected)
        left, levels = _without_effects(
            cells, np.concatenate([off[..., None], _hats(expected)], axis=-1), trust
        )
        # a line that takes all of sRGB's change back would leave nothing: the light keeps its size
        size = np.einsum("ncj,nc->j", levels[..., 1:], light) / max(float((light**2).sum()), 1e-12)
        flat, root = left.reshape(-1, left.shape[-1]), np.sqrt(trust).reshape(-1, 1)
        rows = np.concatenate([flat[:, 1:] * root, STIFFNESS * _BENDS, FIRMNESS * np.eye(len(KNOTS))])
        aims = np.concatenate([-flat[:, 0] * root[:, 0], -STIFFNESS * (_BENDS @ above), -FIRMNESS * above])
        square = rows.T @ rows + 1e6 * np.outer(size, size)
        above = above + np.linalg.solve(square, rows.T @ aims)
        if turn < ROUNDS // 2:
            continue  # until the curve is near, what disagrees is the curve
        error = np.abs(left[..., 0]) * np.sqrt(cells.trust)
        usual = max(1.4826 * float(np.median(error[cells.trust > 0])), 1e-9)
        trust = cells.trust * np.clip(1 - (error / (6 * usual)) ** 2, 0, None) ** 2
    return ToneCurve(tuple(above.tolist()))


def _bends() -> Float:
    """Return what makes of a line's values at KNOTS the changes of its slope at the inner ones."""
    bends, widths = np.zeros((len(KNOTS) - 2, len(KNOTS))), np.diff(KNOTS)
    for row, (before, after) in enumerate(itertools.pairwise(widths)):
        bends[row, row : row + 3] = 1 / before, -1 / before - 1 / after, 1 / after
    return bends


_BENDS = _bends()


def _srgb_log(code: NDArray[np.floating]) -> Float:
    """Return the logarithm of light of sRGB codes 0 to 1, some way beyond both, too."""
    toe = np.log(np.maximum(code, 1e-4) / 12.92)
    power = SRGB_POWER * np.log((np.maximum(code, 0) + 0.055) / 1.055)
    return np.asarray(np.where(code <= 0.04045, toe, power), np.float64)


def _hats(code: NDArray[np.floating]) -> Float:
    """Return the share of each of KNOTS in the broken line at some codes, (..., knots)."""
    place = np.clip(np.searchsorted(KNOTS, code, side="right") - 1, 0, len(KNOTS) - 2)
    share = (code - KNOTS[place]) / (KNOTS[place + 1] - KNOTS[place])
    hats = np.zeros((*np.shape(code), len(KNOTS)))
    np.put_along_axis(hats, place[..., None], (1 - share)[..., None], axis=-1)
    np.put_along_axis(hats, place[..., None] + 1, share[..., None], axis=-1)
    return hats


_FINE = np.linspace(-0.02, 1.3, 2641)


@functools.lru_cache(maxsize=8)
def _light_of_codes(curve: ToneCurve) -> Float:
    return curve.log_light(_FINE)


@functools.lru_cache(maxsize=8)
def _light_of_bytes(curve: ToneCurve) -> Float:
    return curve.log_light(np.arange(256) / 255)


def lit_codes(
    gain: NDArray[np.floating],
    curve: ToneCurve,
    top_code: float | None,
    white: NDArray[np.floating] | None = None,
) -> Float:
    """Return what becomes of each code of each channel under a gain (3,) of the light, 0 to 255, (256, 3).

    `top_code` is what a thousandth of the picture's pixels pass, 0 to 255: up to there nothing is pushed to
    white that was below it, and white stays white, or becomes `white` (3,) where a gain would make it darker.
    With None codes are clipped.
    """
    code = np.arange(256) / 255
    lit = curve.code(_light_of_bytes(curve)[:, None] + np.log(np.asarray(gain, np.float64)))
    if top_code is not None:
        for channel in range(3):
            stays = 1.0 if white is None else float(white[channel]) / 255
            lit[:, channel] = _guarded(lit[:, channel], code, top_code / 255, stays)
    return np.clip(lit, 0, 1) * 255


def whole_codes(codes: Float) -> Picture:
    """Return codes (256, 3) rounded to whole ones.

    Rounding errors are carried from code to code: near a gain of 1 dozens of neighbouring codes would else be
    rounded the same way, and the picture's mean would be off by as much as the flicker that is to go.
    """
    whole = np.rint(np.cumsum(codes, axis=0))
    return np.asarray(np.clip(np.diff(whole, axis=0, prepend=0), 0, 255), np.uint8)


def _guarded(lit: Float, code: Float, top: float, white: float) -> Float:
    brightest = float(np.interp(top, code, lit))
    near = np.clip((code - WHITE) / (1 - WHITE), 0, 1) ** 2
    # what is brighter before any gain stays there, the less the more it would be lifted
    shown = max(TOP_SHOWN, 2 * top - brightest)
    if brightest > shown and lit[-1] > 1:
        knee = float(np.clip(1 - 2 * (brightest - shown), LOWEST_KNEE, KNEE))
        over = np.maximum(lit - knee, 0)
        # a hyperbola: as steep as the gain at the knee, and through the brightest where they are shown
        bent = knee + over / (1 + over * (1 / (shown - knee) - 1 / (brightest - knee)))
        lit, white = np.where(lit > knee, bent, lit), 1.0
    return np.asarray(lit + max(white - float(lit[-1]), 0.0) * near)
