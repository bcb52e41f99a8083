"""Seconds at every move."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twinlapse.records import ArrayRecord

__all__ = ["Timeline"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Timeline(ArrayRecord):
    """Time along a toolpath of n rows."""

    end_s: NDArray[np.float64]  # (n,) since the first row, heating not counted
    print_s: float  # end of the last row
    waits_s: float  # dwells among them
