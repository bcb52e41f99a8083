"""The clock of one recording by that of another, from what both saw move.

Two cameras that watch one machine see it stand and move at the same moments. The cross-correlation of
their motion signals has one high peak, at the offset of their clocks. It is found for the whole run
first, over a grid of clock rates, then followed window by window.

References: C. H. Knapp and G. C. Carter, The generalized correlation method for estimation of time delay,
IEEE Trans. ASSP 24 (1976).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.pairing.motion_signal import MotionSignal

__all__ = ["MOST_RATE", "ClockTie", "offset_tie", "same_clock", "tie_by_motion"]

MOST_RATE = 0.03  # by which two clocks may differ: 2 % is more than any oscillator, 3 % leaves room
_COARSE_S, _FINE_S = 1.0, 0.1
_LEVEL_S = 120.0  # slower changes of a signal are light and growth, not motion
_OVERLAP = 0.3  # of the shorter recording, at least
# A true peak came to 9.7 to 25 standard deviations of all offsets, the next one to 0.2 to 0.45 of it; two
# runs that have nothing in common to 2.7 to 5.6, and 0.69 to 0.86 (20 pairs drawn in tests/pairing).
_CLEAR, _SECOND = 7.5, 0.57
_PEAK_S = 5.0  # about the peak
_WINDOW_S, _HOP_S = 60.0, 15.0  # of the local offsets; a window holds two stops and more
_REACH_S = 12.0  # that a recorder which loses pictures may wander about a straight line
_STIFF = 6.0  # how much correlation one step of 0.1 s between windows has to gain


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTie:
    """The clock of one recording by that of another, as a line of pieces."""

    here_s: Float  # (k,) rising
    there_s: Float  # (k,) rising
    rate: float  # seconds there for one here
    source: str = "motion"  # or "stamps": from the times in the names of files

    def there(self, time_s: Float) -> Float:
        """Return times there of times here; beyond both ends the clocks run on at their rate."""
        near = np.clip(time_s, self.here_s[0], self.here_s[-1])
        return np.asarray(np.interp(near, self.here_s, self.there_s) + self.rate * (time_s - near))

    def reversed(self) -> ClockTie:
        """Return the same, looked at from there."""
        return ClockTie(here_s=self.there_s, there_s=self.here_s, rate=1 / self.rate, source=self.source)


def same_clock(length_s: float) -> ClockTie:
    """Return the tie of a recording to itself."""
    ends_s = np.array([0.0, max(1.0, length_s)])
    return ClockTie(here_s=ends_s, there_s=ends_s, rate=1.0)


def offset_tie(offset_s: float, length_s: float) -> ClockTie:
    """Return the tie of two recordings whose files say when they were taken."""
    ends_s = np.array([0.0, max(1.0, length_s)])
    return ClockTie(here_s=ends_s, there_s=ends_s + offset_s, rate=1.0, source="stamps")


def tie_by_motion(here: MotionSignal, there: MotionSignal) -> ClockTie | None:
    """Return the tie of two recordings of one run; None when their motion has too little in common."""
    found = _whole(here, there)
    if found is None:
        return None
    rate, offset_s = found
    x, y = _sampled(here, _FINE_S), _sampled(there, _FINE_S)
    here_s, off_s = _followed(x, y, rate, offset_s)
    there_s = np.maximum.accumulate(offset_s + rate * here_s + off_s)
    if len(here_s) > 2:
        rate = float(np.polyfit(here_s, there_s, 1)[0])
    return ClockTie(here_s=here_s, there_s=there_s, rate=rate)


def _sampled(signal: MotionSignal, step_s: float) -> Float:
    """Return the signal on a grid from time 0: bounded, free of slow change, of unit variance."""
    grid_s = np.arange(0.0, signal.time_s[-1] + step_s, step_s)
    floor = max(0.05, float(np.quantile(signal.motion, 0.05)))
    level = np.log(np.maximum(signal.motion, floor))
    # a person in the picture is no louder than the machine
    level = np.minimum(level, np.quantile(level, 0.9))
    middle_s = 0.5 * (signal.before_s + signal.time_s)
    values: Float = np.interp(grid_s, middle_s, level)
    side = max(1, round(_LEVEL_S / step_s / 2))
    sums = np.cumsum(np.pad(values, (side + 1, side), mode="edge"))
    values -= (sums[2 * side + 1 :] - sums[: -2 * side - 1]) / (2 * side + 1)
    spread = float(values.std())
    normal: Float = values / spread if spread > 1e-9 else values * 0.0
    return normal


def _whole(here: MotionSignal, there: MotionSignal) -> tuple[float, float] | None:
    """Return rate and offset of the highest peak over all rates, None when it is not clear."""
    x, y = _sampled(here, _COARSE_S), _sampled(there, _COARSE_S)
    size = 1 << int(np.ceil(np.log2(len(x) * (1 + MOST_RATE) + len(y) + 1)))
    of_there = np.fft.rfft(y, size)
    step = _COARSE_S / max(60.0, len(x) * _COARSE_S)  # half a sample off at both ends
    rates = 1.0 + step * np.arange(-int(MOST_RATE / step), int(MOST_RATE / step) + 1)
    best: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 0.0)
    for rate in rates:
        stretched = np.interp(np.arange(0.0, len(x) * rate) / rate, np.arange(len(x)), x)
        both = np.fft.irfft(of_there * np.conj(np.fft.rfft(stretched, size)), size)
        lag = np.arange(1 - len(stretched), len(y))
        overlap = np.minimum(len(stretched), len(y) - lag) - np.maximum(0, -lag)
        used = overlap >= _OVERLAP * min(len(stretched), len(y))
        # by the root of what overlaps, chance is as high everywhere
        height = both[lag[used]] / np.sqrt(overlap[used])
        place = int(np.argmax(height))
        if height[place] > best[0]:
            others = np.abs(lag[used] - lag[used][place]) > _PEAK_S / _COARSE_S
            second = float(height[others].max(initial=0.0))
            clear = second < _SECOND * height[place] and height[place] > _CLEAR * height.std()
            best = (float(height[place]), float(clear), float(rate), float(lag[used][place]) * _COARSE_S)
    return (best[2], best[3]) if best[1] else None


def _followed(x: Float, y: Float, rate: float, offset_s: float) -> tuple[Float, Float]:
    """Return window centres by this clock, and by how much the offset is off there."""
    length = min(len(x), round(_WINDOW_S / _FINE_S))
    hop, reach = round(_HOP_S / _FINE_S), round(_REACH_S / _FINE_S)
    # the other signal on this clock, with room for the lags at both ends
    grid = (np.arange(-reach, len(x) + reach) * _FINE_S * rate + offset_s) / _FINE_S
    on_here = np.interp(grid, np.arange(len(y)), y, left=0.0, right=0.0)
    centres, scores = [], []
    for start in range(0, max(1, len(x) - length + 1), hop):
        window = x[start : start + length]
        piece = on_here[start : start + length + 2 * reach]
        size = 1 << int(np.ceil(np.log2(len(piece) + length)))
        both = np.fft.irfft(np.fft.rfft(piece, size) * np.conj(np.fft.rfft(window, size)), size)
        centres.append((start + length / 2) * _FINE_S)
        scores.append(both[: 2 * reach + 1])
    return np.array(centres), _smooth_way(np.array(scores), reach) * _FINE_S * rate


def _smooth_way(scores: Float, reach: int) -> Float:
    """Return the lags (steps, as fractions) of the best way through windows that share most of their time."""
    count, lags = scores.shape
    best, came = scores[0].copy(), np.zeros((count, lags), np.int64)
    for k in range(1, count):
        # distance transform: each lag from the best lag before, less the stiffness times their distance
        value, source = best.copy(), np.arange(lags)
        for one in range(1, lags):
            if value[one - 1] - _STIFF > value[one]:
                value[one], source[one] = value[one - 1] - _STIFF, source[one - 1]
        for one in range(lags - 2, -1, -1):
            if value[one + 1] - _STIFF > value[one]:
                value[one], source[one] = value[one + 1] - _STIFF, source[one + 1]
        best, came[k] = value + scores[k], source
    way = np.empty(count, np.int64)
    way[-1] = int(np.argmax(best))
    for k in range(count - 1, 0, -1):
        way[k - 1] = came[k, way[k]]
    return np.asarray(way - reach, dtype=np.float64)
