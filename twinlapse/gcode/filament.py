"""Filament that becomes print, without what is retracted and primed again."""

from __future__ import annotations

import numpy as np

from twinlapse.arrays import Float
from twinlapse.gcode.toolpath import Kind, Toolpath

__all__ = ["fresh_filament"]


def fresh_filament(path: Toolpath) -> Float:
    """Return for each row the filament that is fed for the first time.

    What a prime or a move feeds after a retraction counts only beyond what was retracted, so that the sum
    is the length that leaves the spool.

    Returns
    -------
    ndarray of shape (n,), mm
    """
    fresh = np.diff(path.retracted_mm.astype(np.float64), prepend=0.0)
    fresh += path.e_mm
    fresh[path.kind == Kind.TOOL] = 0.0  # the column changes to another tool's retraction
    return fresh
