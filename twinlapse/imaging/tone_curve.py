"""A camera's tone curve, estimated from what stays the same while the light changes; gains that respect it.

Light that grows by a factor adds the same amount to the logarithm of light everywhere. A curve under which
dark, middle and bright blocks of a film do not agree on that amount is not the camera's. The family is
log(code + toe) + bend * code + shoulder * code**2: with a toe of .055 alone it is sRGB's, with none a plain
power, with .099 BT.709's; the other two make the toes and shoulders of cheap cameras. Any power of the light
serves as well as the light itself here, so no exponent is estimated.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from twinlapse.arrays import Float, Picture

__all__ = [
    "BENDS",
    "BETTER",
    "EVEN",
    "KNEE",
    "LEAST_CHANGE",
    "LOWEST_KNEE",
    "MOST_BLOCKS",
    "MOST_FRAMES",
    "REFINED",
    "SHOULDERS",
    "SRGB_POWER",
    "SRGB_TOE",
    "TOES",
    "WHITE",
    "ToneCurve",
    "find_tone_curve",
    "lit_codes",
]

SRGB_TOE, SRGB_POWER = 0.055, 2.4  # IEC 61966-2-1
TOES = (0.005, 0.02, 0.055, 0.099, 0.16)  # the second to the fourth: power, sRGB, BT.709 (ITU-R BT.709-6)
BENDS = SHOULDERS = tuple(np.linspace(-1.2, 1.2, 7).tolist())
REFINED = (0.2, 0.1, 0.05)  # steps about the best of the grid
LEAST_CHANGE = 0.01  # of the light, RMS over the film: less tells no curve
BETTER = 0.93  # of what sRGB leaves unexplained: another curve must explain more than the rest
EVEN = 0.003  # of the light: blocks that disagree by less, RMS, show no flicker
MOST_BLOCKS, MOST_FRAMES = 48, 32
LOWEST_KNEE, KNEE = 0.5, 0.92  # from here on a gain above one bends towards white instead of clipping
WHITE = 0.97  # from here on a gain below one lets white be white: what is clipped has no light to be divided


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """The logarithm of light as a function of the code 0 to 1, up to its scale."""

    toe: float = SRGB_TOE
    bend: float = 0.0
    shoulder: float = 0.0

    @property
    def is_srgb(self) -> bool:
        """True for the curve that every picture is taken to have until it is known better."""
        return self == ToneCurve()

    def log_light(self, code: NDArray[np.floating]) -> Float:
        """Return the logarithm of light of codes 0 to 1."""
        code = np.asarray(code, np.float64)
        rising = np.log(np.maximum(code, 0) + self.toe) + self.bend * code + self.shoulder * code**2
        return np.asarray(SRGB_POWER * rising)

    def beside(self, toe: float, bend: float, shoulder: float) -> ToneCurve:
        """Return a curve that differs by so much."""
        return ToneCurve(max(self.toe + toe, 0.001), self.bend + bend, self.shoulder + shoulder)

    def rises(self) -> bool:
        """True where more light is a higher code everywhere."""
        code = np.linspace(0, 1, 21)
        slope = 1 / (code + self.toe) + self.bend + 2 * self.shoulder * code
        return bool(slope.min() > 0.15)


def find_tone_curve(codes: Float) -> ToneCurve:
    """Return the curve under which b blocks of n pictures agree best on each picture's light.

    Parameters
    ----------
    codes : ndarray of shape (n, b, 3)
        Mean codes 0 to 1 of blocks that stay the same; NaN where one cannot be read.
    """
    seen = np.isfinite(codes).all(axis=(0, 2))
    codes = codes[:, seen]
    if codes.shape[0] < 8 or codes.shape[1] < 12:
        return ToneCurve()
    order = np.argsort(np.median(codes, axis=0).mean(axis=1))
    some = order[np.linspace(0, len(order) - 1, min(len(order), MOST_BLOCKS)).astype(int)]
    frames = np.linspace(0, len(codes) - 1, min(len(codes), MOST_FRAMES)).astype(int)
    codes = np.ascontiguousarray(codes[np.ix_(frames, some)], np.float64)
    standard, change = _unexplained(codes, ToneCurve())
    if change < LEAST_CHANGE or standard * change < EVEN:
        return ToneCurve()
    found = [
        (_unexplained(codes, curve)[0], curve)
        for curve in (ToneCurve(toe, bend, end) for toe in TOES for bend in BENDS for end in SHOULDERS)
        if curve.rises()
    ]
    for step in REFINED:
        _, best = min(found, key=lambda pair: pair[0])
        near = [
            ToneCurve(
                max(best.toe + 0.1 * toe * step, 0.001), best.bend + bend * step, best.shoulder + end * step
            )
            for toe, bend, end in product((-1, 0, 1), repeat=3)
        ]
        found += [(_unexplained(codes, curve)[0], curve) for curve in near if curve.rises()]
    least, best = min(found, key=lambda pair: pair[0])
    return best if least < BETTER * standard else ToneCurve()


def _unexplained(codes: Float, curve: ToneCurve) -> tuple[float, float]:
    """Return how much blocks disagree over how much the light changes, and that change, RMS of the light."""
    logs = curve.log_light(codes)
    logs -= np.median(logs, axis=0)
    light = np.median(logs, axis=1, keepdims=True)
    left = np.abs(logs - light)
    change = float(np.sqrt((light**2).mean()))
    # what passes by or grows is no error of the curve
    usual = float(np.sqrt((np.minimum(left, 4 * np.median(left)) ** 2).mean()))
    return usual / max(change, 1e-9), change


@functools.lru_cache(maxsize=8)
def _light_of_codes(curve: ToneCurve) -> Float:
    fine = np.linspace(-0.02, 1.3, 2641)
    return curve.log_light(fine)


def lit_codes(gain: NDArray[np.floating], curve: ToneCurve, *, guarded: bool) -> Picture:
    """Return what becomes of each code of each channel under a gain (3,) of the light, (256, 3).

    With `guarded` nothing is pushed to white that was below it, and white stays white. Rounding errors are
    carried from code to code, so that the mean of a picture is right to a hundredth of a code.
    """
    code = np.arange(256) / 255
    fine, light = np.linspace(-0.02, 1.3, 2641), _light_of_codes(curve)
    wanted = curve.log_light(code)[:, None] + np.log(np.asarray(gain, np.float64))
    lit = np.interp(wanted, light, fine)
    if guarded:
        for channel in range(3):
            lit[:, channel] = _guarded(lit[:, channel], code)
    lit = np.clip(lit, 0, 1) * 255
    whole = np.rint(np.cumsum(lit, axis=0))
    return np.asarray(np.clip(np.diff(whole, axis=0, prepend=0), 0, 255), np.uint8)


def _guarded(lit: Float, code: Float) -> Float:
    if lit[-1] > 1:
        knee = float(np.clip(1 - 2 * (lit[-1] - 1), LOWEST_KNEE, KNEE))
        over = np.maximum(lit - knee, 0)
        # a hyperbola: as steep as the gain at the knee, at white where the brightest code is
        bent = knee + over / (1 + over * (1 / (1 - knee) - 1 / (lit[-1] - knee)))
        return np.asarray(np.where(lit > knee, bent, lit))
    near = np.clip((code - WHITE) / (1 - WHITE), 0, 1) ** 2
    return np.asarray(lit + (1 - lit) * near)
