"""Which frames of a camera are not fit to be shown, and why: black, washed out, lights off, blurred, covered.

Each frame is judged against its neighbours in time, so that night, an open door or a dim corner, which last,
are shown as they are. A reason that would hide more than a third of the frames is no reason: it is how this
camera sees.
"""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Bool, Float
from twinlapse.tracking.measurements import Looks
from twinlapse.tracking.trajectory import apart_from_neighbours

__all__ = [
    "BLACK_CODE",
    "BLURRED_SHARE",
    "BRIGHT_RATIO",
    "COVERED_SHARE",
    "DARK_RATIO",
    "ENDS",
    "FLAT_CODES",
    "MOST_HIDDEN",
    "WASHED_SHARE",
    "unfit",
]

# limits, common practice without a source, tried on the frames of tests/bench/drawn_frames.py
BLACK_CODE, FLAT_CODES = 10.0, 3.0  # mean and spread of codes below which there is no picture
WASHED_SHARE = 0.35  # more pixels at white than the neighbours have, share of the picture
DARK_RATIO = 0.4  # mean code over the neighbours': a lamp that was off
BRIGHT_RATIO = 1.5  # the same, for a picture too bright to be evened
BLURRED_SHARE = 0.006  # way while it was exposed over the width: 8 px of 1280
COVERED_SHARE = 0.35  # fewer steady blocks look like themselves than in the neighbours
ENDS = 4  # frames at either end that are not judged to be covered
MOST_HIDDEN = 0.34  # share of the frames


def unfit(looks: Looks) -> list[str]:
    """Return for each frame why it should not be shown, "" where it should."""
    reasons = [""] * len(looks.faults)
    good = np.flatnonzero(looks.faults == "")
    if len(good) < 5:
        return reasons
    mean, spread, white = looks.tone[good, :3].T
    seen = (mean >= BLACK_CODE) & (spread >= FLAT_CODES)
    judged: list[tuple[str, Bool]] = [
        ("black or blank", ~seen),
        ("washed out", _washed(mean, spread, white, seen)),
        ("the light was off", _darker(mean, seen)),
        (
            "something is in the way",
            _inside(_covered(looks.alike[good], seen)),
        ),
        ("blurred by motion", _blurred(looks.blur[good], float(looks.size[0]))),
    ]
    for reason, found in judged:
        if found.mean() <= MOST_HIDDEN:
            for place in good[found]:
                reasons[place] = reasons[place] or reason
    return reasons


def _washed(mean: Float, spread: Float, white: Float, seen: Bool) -> Bool:
    """Far more at white than the neighbours, or far brighter and with less contrast than they."""
    glaring = apart_from_neighbours(white, seen, signed=True) > WASHED_SHARE
    brighter = apart_from_neighbours(np.log(np.maximum(mean, 1.0)), seen, signed=True) > np.log(BRIGHT_RATIO)
    paler = apart_from_neighbours(spread, seen, signed=True) < 0
    return np.asarray(glaring | (brighter & paler))


def _darker(mean: Float, seen: Bool) -> Bool:
    logs = np.log(np.maximum(mean, 1.0))
    return np.asarray(apart_from_neighbours(logs, seen, signed=True) < np.log(DARK_RATIO))


def _covered(alike: Float, seen: Bool) -> Bool:
    return np.asarray(apart_from_neighbours(alike, seen, signed=True) < -COVERED_SHARE)


def _inside(found: Bool) -> Bool:
    """Leave out the ends of the film: a print that begins has nothing before it to be judged by."""
    found = found.copy()
    found[:ENDS], found[len(found) - ENDS :] = False, False
    return found


def _blurred(blur: Float, width_px: float) -> Bool:
    limit = max(BLURRED_SHARE * width_px, 1.5 * float(np.median(blur)))
    return np.asarray(blur > limit)
