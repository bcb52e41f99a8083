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

from twinlapse.arrays import Bool, Float, Int
from twinlapse.pairing.motion_signal import MotionSignal, best_cut
from twinlapse.records import ArrayRecord

__all__ = [
    "MOST_RATE",
    "ClockTie",
    "followed_tie",
    "level_signal",
    "offset_tie",
    "same_clock",
    "tie_by_motion",
    "without_slow_change",
]

MOST_RATE = 0.03  # by which two clocks may differ: 2 % is more than any oscillator, 3 % leaves room
_COARSE_S, _FINE_S = 1.0, 0.1
_BINS = 64  # of the histogram that parts still from moving
_LEVEL_S = 120.0  # slower changes of a signal are light and growth, not motion
_OVERLAP = 0.3  # of the shorter recording, at least
# A true peak came to 9.7 to 25 standard deviations of all offsets, the next one to 0.2 to 0.45 of it; two
# runs that have nothing in common to 2.7 to 5.6, and 0.69 to 0.86 (20 pairs drawn in tests/pairing).
_CLEAR, _SECOND = 7.5, 0.57
_PEAK_S = 5.0  # about the peak
_WINDOW_S = 60.0  # of the local offsets; a window holds two stops and more
_OVERLAPPING = 4  # windows in which each sample is
_REACH_S = 12.0  # that a recorder which loses pictures may wander about a straight line
_TILT = 80  # steps that a line may be tilted over all windows: peaks over the rates are broad
# So much more correlation must a bent way have than a straight one: even clocks came to 1.002 to 1.010, a
# recorder that loses 3 % of its pictures to 1.21.
_BENDS = 1.05
# Standard deviations of a window's peak, where chance of 250 offsets brings 3; steps that are the same peak.
_CLEAR_WINDOW, _SAME_STEPS = 5.0, 3
_MOST_CLEAR = 0.25  # share of clear windows without which no bend is believed; such a recorder came to 0.43
_STIFF = (
    0.33  # log-likelihood of a step of 0.1 s between windows: three pictures lost in a quarter of a minute
)
_WANDER_S = 0.6  # that such a recorder's clock may be off where nothing clear is seen


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockTie:
    """The clock of one recording by that of another, as a line of pieces."""

    here_s: Float  # (k,) rising
    there_s: Float  # (k,) rising
    rate: float  # seconds there for one here
    off_s: Float | None = None  # (k,) how much it may be off there; None: nowhere
    source: str = "motion"  # "stamps": from the times in the names of files; "course": from an alignment

    def there(self, time_s: Float) -> Float:
        """Return times there of times here; beyond both ends the clocks run on at their rate."""
        near = np.clip(time_s, self.here_s[0], self.here_s[-1])
        return np.asarray(np.interp(near, self.here_s, self.there_s) + self.rate * (time_s - near))

    def slack_s(self, time_s: Float) -> Float:
        """Return how much the tie may be off at times here."""
        if self.off_s is None:
            return np.zeros(len(time_s))
        return np.asarray(np.interp(time_s, self.here_s, self.off_s))

    def reversed(self) -> ClockTie:
        """Return the same, looked at from there."""
        return ClockTie(
            here_s=self.there_s, there_s=self.here_s, rate=1 / self.rate, off_s=self.off_s, source=self.source
        )


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
    return followed_tie(level_signal(here, _FINE_S), level_signal(there, _FINE_S), rate, offset_s)


def followed_tie(here: Float, there: Float, rate: float, offset_s: float) -> ClockTie:
    """Return a tie in pieces, given one for the whole.

    Parameters
    ----------
    here, there : ndarrays
        Signals in steps of 0.1 s.
    rate : float
        Seconds there for one here.
    offset_s : float
        Time there when it is 0 here.
    """
    windows = _windows(here, there, rate, offset_s)
    line, straight = _line(windows)
    way = _smooth_way(windows)
    along = float(windows.heights[np.arange(len(way)), way + windows.reach].sum())
    clear = windows.clear_at(way)
    if along < _BENDS * straight or clear.mean() < _MOST_CLEAR:
        ends_s = np.array([0.0, max(1.0, len(here) * _FINE_S)])
        lag_s = np.polyval(line, ends_s)
        return ClockTie(here_s=ends_s, there_s=offset_s + rate * ends_s + lag_s, rate=rate + float(line[0]))
    there_s = np.maximum.accumulate(offset_s + rate * windows.middle_s + way * _FINE_S * rate)
    return ClockTie(
        here_s=windows.middle_s,
        there_s=there_s,
        rate=float(np.polyfit(windows.middle_s, there_s, 1)[0]),
        off_s=np.where(clear, 0.0, _WANDER_S),
    )


def level_signal(signal: MotionSignal, step_s: float) -> Float:
    """Return the signal in steps from time 0: bounded, free of slow change, of unit variance."""
    middle_s = np.arange(0.0, signal.time_s[-1] + step_s, step_s) + 0.5 * step_s
    floor = max(0.05, float(np.quantile(signal.motion, 0.05)))
    level = np.log(np.maximum(signal.motion, floor))
    # a person in the picture is no louder than the machine, be that seldom or nearly always in motion
    level = np.minimum(level, max(float(np.quantile(level, 0.9)), _usual_motion(level)))
    values = without_slow_change(np.interp(middle_s, 0.5 * (signal.before_s + signal.time_s), level), step_s)
    spread = float(values.std())
    normal: Float = values / spread if spread > 1e-9 else values * 0.0
    return normal


def _usual_motion(level: Float) -> float:
    """Return the mean of the higher of the two classes that part the levels best."""
    counts, edges = np.histogram(level, _BINS)
    above = level > edges[int(best_cut(counts.astype(np.float64)) + 0.5)]
    return float(level[above].mean()) if above.any() else float(level.max())


def without_slow_change(values: Float, step_s: float) -> Float:
    """Return signals, shape (..., t), less their means over two minutes."""
    side = max(1, round(_LEVEL_S / step_s / 2))
    ends = [(0, 0)] * (values.ndim - 1)
    sums = np.cumsum(np.pad(values, [*ends, (side + 1, side)], mode="edge"), axis=-1)
    fast: Float = values - (sums[..., 2 * side + 1 :] - sums[..., : -2 * side - 1]) / (2 * side + 1)
    return fast


def _whole(here: MotionSignal, there: MotionSignal) -> tuple[float, float] | None:
    """Return rate and offset of the highest peak over all rates, None when it is not clear."""
    x, y = level_signal(here, _COARSE_S), level_signal(there, _COARSE_S)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class _Windows(ArrayRecord):
    """How high the correlation is in windows of a recording, for lags about an offset."""

    middle_s: Float  # (k,) by this clock
    heights: Float  # (k, 1 + 2 * reach)
    reach: int

    def scaled(self) -> Float:
        """Return the heights in standard deviations of their window."""
        middle = np.median(self.heights, axis=1, keepdims=True)
        spread = 1.48 * np.median(np.abs(self.heights - middle), axis=1, keepdims=True)
        least = 1e-6 * max(1.0, float(np.abs(self.heights).max()))
        return np.asarray((self.heights - middle) / np.maximum(spread, least))

    def clear_at(self, way: Int) -> Bool:
        """Return whether a window's peak is where a way passes, and no chance."""
        near = way[:, None] + self.reach + np.arange(-_SAME_STEPS, _SAME_STEPS + 1)
        near = np.clip(near, 0, 2 * self.reach)
        peak = np.take_along_axis(self.scaled(), near, axis=1).max(axis=1)
        return np.asarray(peak > _CLEAR_WINDOW)


def _windows(here: Float, there: Float, rate: float, offset_s: float) -> _Windows:
    length = min(len(here), round(_WINDOW_S / _FINE_S))
    hop, reach = max(1, length // _OVERLAPPING), round(_REACH_S / _FINE_S)
    # the other signal on this clock, with room for the lags at both ends
    grid = (np.arange(-reach, len(here) + reach) * _FINE_S * rate + offset_s) / _FINE_S
    on_here = np.interp(grid, np.arange(len(there)), there, left=0.0, right=0.0)
    size = 1 << int(np.ceil(np.log2(2 * length + 2 * reach)))
    starts = np.arange(0, max(1, len(here) - length + 1), hop)
    heights = []
    for start in starts:
        piece = np.fft.rfft(on_here[start : start + length + 2 * reach], size)
        both = np.fft.irfft(piece * np.conj(np.fft.rfft(here[start : start + length], size)), size)
        heights.append(both[: 2 * reach + 1])
    middle_s = (starts.astype(np.float64) + length / 2) * _FINE_S
    return _Windows(middle_s=middle_s, heights=np.array(heights), reach=reach)


def _line(windows: _Windows) -> tuple[Float, float]:
    """Return slope and lag (s) of the straight line with the highest correlation, and that correlation."""
    count, lags = windows.heights.shape
    middle_s = windows.middle_s
    centre = np.linspace(-0.5, 0.5, count) if count > 1 else np.zeros(1)
    best, found = -np.inf, (0, 0)
    for steps in range(-_TILT, _TILT + 1):
        tilt = np.round(steps * centre).astype(np.int64)
        total = np.zeros(lags)
        for row, shift in zip(windows.heights, tilt, strict=True):
            total += np.roll(
                row, -shift
            )  # what comes in at the end is of no weight: peaks are near the middle
        place = int(np.argmax(total))
        if total[place] > best:
            best, found = float(total[place]), (steps, place - windows.reach)
    length_s = float(middle_s[-1] - middle_s[0]) if count > 1 else 1.0
    slope = found[0] * _FINE_S / length_s
    return np.array([slope, found[1] * _FINE_S - slope * 0.5 * (middle_s[0] + middle_s[-1])]), best


def _smooth_way(windows: _Windows) -> Int:
    """Return the lags (steps) of the best way through windows that share most of their time."""
    reach = windows.reach
    scores = 0.5 * np.maximum(0.0, windows.scaled()) ** 2 / _OVERLAPPING
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
    return way - reach
