"""Names of the array types and callbacks that every room uses; shapes and units stand at each use."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bool", "Float", "Float32", "Grey", "Int", "Picture", "Progress"]

Bool = NDArray[np.bool_]
Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
Int = NDArray[np.int64]
Picture = NDArray[np.uint8]  # (height, width, 3) RGB, or (height, width) where a function says so
Grey = NDArray[np.uint8]  # (height, width)

Progress = Callable[[float], None]  # called with the share that is done, 0 to 1
