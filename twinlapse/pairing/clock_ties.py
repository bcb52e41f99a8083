"""The clock of one recording by that of another, from what both saw move.

Two cameras that watch one machine see it stand and move at the same moments. The cross-correlation of
their motion signals has one high peak, at the offset of their clocks. It is found for the whole run
first, over a grid of clock rates, then followed through the run.

References: C. H. Knapp and G. C. Carter, The generalized correlation method for estimation of time delay,
IEEE Trans. ASSP 24 (1976).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.pairing.clock_wander import BLOCK, REACH, STEP_S, Wander, wander_of
from twinlapse.pairing.motion_signal import MotionSignal, best_cut

__all__ = [
    "MOST_RATE",
    "ClockTie",
    "level_signal",
    "offset_tie",
    "same_clock",
    "tie_by_motion",
    "wandering_tie",
    "without_slow_change",
]

MOST_RATE = (
    0.05  # by which two clocks may differ: an oscillator by far less, one that loses pictures by these
)
_COARSE_S = 1.0
_BINS = 64  # of the histogram that parts still from moving
_LEVEL_S = 120.0  # slower changes of a signal are light and growth, not motion
_OVERLAP = 0.3  # of the shorter recording, at least
# A true peak came to 9.7 to 25 standard deviations of all offsets, the next one to 0.2 to 0.45 of it; two
# runs that have nothing in common to 2.7 to 5.6, and 0.69 to 0.86 (20 pairs drawn in tests/pairing).
_CLEAR, _SECOND = 7.5, 0.57
_PEAK_S = 5.0  # about the peak
_SIDE_S = 30.0  # over which samples resemble each other, at most
_LEAST_ALIKE, _MOST_ALIKE = 0.2, 0.9  # correlation of what two cameras see


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
    x, y = level_signal(here, STEP_S), level_signal(there, STEP_S)
    return wandering_tie(wander_of(_evidence(x, y, *found)), *found)


def wandering_tie(wander: Wander, rate: float, offset_s: float, source: str = "motion") -> ClockTie:
    """Return the tie of a clock that wanders about a line.

    Parameters
    ----------
    rate : float
        Seconds there for one here.
    offset_s : float
        Time there when it is 0 here.
    """
    there_s = np.maximum.accumulate(offset_s + rate * (wander.time_s + wander.lag_s))
    return ClockTie(
        here_s=wander.time_s,
        there_s=there_s,
        rate=rate * (1 + wander.tilt),
        off_s=wander.off_s,
        source=source,
    )


def _evidence(here: Float, there: Float, rate: float, offset_s: float) -> Float:
    """Return the log-likelihood ratios of lags, as `wander_of` takes them.

    They compare Gaussian samples that are correlated with such that are not. Samples that resemble their
    neighbours count for less (M. S. Bartlett, On the theoretical specification and sampling properties of
    autocorrelated time-series, J. R. Statist. Soc. Suppl. 8, 1946).

    Parameters
    ----------
    here, there : ndarrays
        Signals of unit variance in steps of 0.1 s.
    """
    grid = np.arange(-REACH, len(here) + REACH) * rate + offset_s / STEP_S
    on_here = np.interp(grid, np.arange(len(there)), there, left=0.0, right=0.0)
    blocks = max(1, len(here) // BLOCK)
    x = here[: blocks * BLOCK]
    product, power = np.empty((blocks, 2 * REACH + 1)), np.empty((blocks, 2 * REACH + 1))
    for lag in range(2 * REACH + 1):
        y = on_here[lag : lag + len(x)]
        product[:, lag] = (x * y).reshape(blocks, -1).sum(axis=1)
        power[:, lag] = (y * y).reshape(blocks, -1).sum(axis=1)
    alike = float(product.sum(axis=0).max()) / max(1e-9, float((x * x).sum()))
    alike = float(np.clip(alike, _LEAST_ALIKE, _MOST_ALIKE))
    ratio: Float = (alike * product - 0.5 * alike**2 * power) / (1 - alike**2)
    return ratio * _independent(here, there)


def _independent(here: Float, there: Float) -> float:
    """Return for how many independent samples one counts."""
    sides, own = round(_SIDE_S / STEP_S), []
    for signal in (here, there):
        size = 1 << int(np.ceil(np.log2(2 * len(signal))))
        alike = np.fft.irfft(np.abs(np.fft.rfft(signal, size)) ** 2)[1 : sides + 1]
        own.append(alike / max(1e-9, float((signal**2).sum())))
    return 1.0 / max(1.0, 1.0 + 2.0 * float((own[0] * own[1]).sum()))


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
