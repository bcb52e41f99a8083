"""Memory that a thread keeps for its pictures: to get it anew costs as much as much that is done to them."""

from __future__ import annotations

import threading
from collections.abc import Hashable

import numpy as np

from twinlapse.arrays import Picture

__all__ = ["room"]

_OF_THREAD = threading.local()


def room(use: Hashable, shape: tuple[int, ...]) -> Picture:
    """Return this thread's memory for one use; what was left in it from the last time is overwritten."""
    rooms: dict[Hashable, Picture] = _OF_THREAD.__dict__.setdefault("rooms", {})
    if use not in rooms or rooms[use].shape != shape:
        rooms[use] = np.empty(shape, np.uint8)
    return rooms[use]
