"""Light that codes of a picture stand for: blur and mixtures add up in light, not in codes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["GAMMA", "codes_of", "light_of"]

GAMMA = 2.2  # near enough to sRGB (IEC 61966-2-1) where only ratios of light are asked; common practice


def light_of(codes: NDArray[Any]) -> NDArray[Any]:
    """Return the linear light, 0 to 1, of codes 0 to 255: bytes as 32-bit floats, others as they are."""
    return np.asarray((codes / np.float32(255)) ** GAMMA)


def codes_of(light: NDArray[Any]) -> NDArray[Any]:
    """Return codes over 255 of linear light that is not negative."""
    return np.asarray(light ** (1 / GAMMA))
