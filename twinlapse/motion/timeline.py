"""Seconds at every move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.records import ArrayRecord

__all__ = ["RowTimes", "Timeline"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Timeline(ArrayRecord):
    """Time along a toolpath of n rows."""

    end_s: NDArray[np.float64]  # (n,) since the first row, heating not counted
    print_s: float  # end of the last row
    waits_s: float  # dwells among them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RowTimes:
    """How long rows last, and what decides how far off a rest is felt; without distance the rest is unset."""

    seconds: NDArray[np.float64]
    distance: NDArray[np.float32]
    speed2: NDArray[np.float32]  # greatest squared speed, mm2/s2
    accel: NDArray[np.float32]  # the lowest with which the planner looks ahead, mm/s2
