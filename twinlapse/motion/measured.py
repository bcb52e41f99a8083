"""What a print's own cue times say of the machine: the cost of a stop, and how fast it really travels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from twinlapse.arrays import Float
from twinlapse.errors import TwinlapseError

__all__ = ["MeasuredTiming", "fit_timing"]

_FEWEST = 10  # intervals, of which most must be ordinary; common practice, no source
_ROUNDS = 20  # more than it takes to settle; no source
_OUTLIER = 4.0  # robust standard deviations: a pause, heating; common practice, no source
_MAD = 1.4826  # of a median of absolute deviations to a standard deviation, of normal errors
_LEAST_S = 0.02  # of a spread: the scheduling of a busy host; no source
_STOP_S, _FACTOR = (0.0, 5.0), (0.7, 1.5)  # beyond them something else was measured; no source


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredTiming:
    """The machine's own figures."""

    stop_s: float  # what a stop adds beyond its moves and waits
    travel_factor: float  # measured over calculated time of what moves
    spread_s: float  # robust standard deviation of an interval about them
    intervals: int  # from cue to cue, of which
    left_out: int  # were no ordinary ones


def fit_timing(moving_s: Float, waiting_s: Float, measured_s: Float) -> MeasuredTiming:
    """Return the figures that explain the times from each cue to the next.

    Least squares of measured - waiting = factor x moving + stop, over the intervals that are not far off;
    those are found again in each round (iteratively reweighted, weights 0 and 1).

    Parameters
    ----------
    moving_s, waiting_s : ndarray of shape (n,)
        Calculated, from one cue to the next: what moves, and the dwells.
    measured_s : ndarray of shape (n,)

    Raises
    ------
    TwinlapseError
        when there are too few intervals, or they say nothing that a machine could be.
    """
    if len(measured_s) < _FEWEST:
        raise TwinlapseError(
            f"{len(measured_s)} intervals between cues are too few", f"film a print with {_FEWEST + 1} shots"
        )
    rest = measured_s - waiting_s
    ratio = np.median(rest / np.maximum(moving_s, 1e-3))
    kept = np.abs(rest - ratio * moving_s) <= np.maximum(1.0, 0.2 * moving_s)
    factor, stop_s, spread_s = 1.0, 0.0, 0.0
    for _ in range(_ROUNDS):
        if kept.sum() < _FEWEST // 2:
            break
        table = np.column_stack([moving_s[kept], np.ones(int(kept.sum()))])
        (factor, stop_s), *_ = np.linalg.lstsq(table, rest[kept], rcond=None)
        away = rest - factor * moving_s - stop_s
        spread_s = max(_LEAST_S, _MAD * float(np.median(np.abs(away[kept]))))
        again = np.abs(away) <= _OUTLIER * spread_s
        if (again == kept).all():
            break
        kept = again
    ordinary = kept.sum() >= max(_FEWEST // 2, len(measured_s) // 2)
    possible = _STOP_S[0] - 0.1 <= stop_s <= _STOP_S[1] and _FACTOR[0] <= factor <= _FACTOR[1]
    if not (ordinary and possible):
        raise TwinlapseError(
            f"the times of the cues fit no machine (stop {stop_s:.2f} s, factor {factor:.2f})",
            "measure on a print that was not paused, with the rig that it was written for",
        )
    return MeasuredTiming(
        stop_s=round(max(0.0, float(stop_s)), 3),
        travel_factor=round(float(factor), 4),
        spread_s=round(spread_s, 3),
        intervals=len(measured_s),
        left_out=int(len(measured_s) - kept.sum()),
    )
