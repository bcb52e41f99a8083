"""What is said while loops are compiled: a person should know why the first command takes so long.

A module of its own, so that a command can ask for it without loading the compiler.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable, Iterator

__all__ = ["EVERY", "FIRST", "ask", "counted", "give"]

FIRST = "compiling loops for this machine; that takes some seconds the first time, a minute on a small board"
EVERY = (
    "compiling loops, which cannot be kept here: every command begins so slowly; let NUMBA_CACHE_DIR name a "
    "folder that can be written"
)
_teller: list[Callable[[str], None]] = []
_counters: list[Callable[[int], None]] = []
_numbers = itertools.count(1)


def ask(tell: Callable[[str], None]) -> None:
    """Have the next notice told; there is one in a process."""
    _teller[:] = [tell]


def give(*, kept: bool) -> None:
    """Tell that something is compiled now, if somebody asked and was not told yet."""
    if _teller:
        _teller.pop()(FIRST if kept else EVERY)
    number = next(_numbers)
    for tell in _counters:
        tell(number)


@contextlib.contextmanager
def counted(tell: Callable[[int], None]) -> Iterator[None]:
    """Have each loop told by its number when its compiling begins, as long as the block lasts."""
    _counters.append(tell)
    try:
        yield
    finally:
        _counters.remove(tell)
