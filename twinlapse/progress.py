"""Progress of work made of several parts."""

from __future__ import annotations

from twinlapse.arrays import Progress

__all__ = ["part_of"]


def part_of(progress: Progress | None, start: float, stop: float) -> Progress | None:
    """Return a callback for the part of a piece of work that lasts from `start` to `stop` of it, 0 to 1.

    >>> shares = []
    >>> part_of(shares.append, 0.2, 0.6)(0.5)
    >>> [round(share, 3) for share in shares]
    [0.4]
    """
    if progress is None:
        return None
    return lambda share: progress(start + (stop - start) * share)
