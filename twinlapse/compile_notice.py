"""One line when loops have to be compiled first: a person should know why the first command takes so long.

A module of its own, so that a command can ask for it without loading the compiler.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["EVERY", "FIRST", "ask", "give"]

FIRST = "compiling loops for this machine; that takes some seconds the first time, a minute on a small board"
EVERY = (
    "compiling loops, which cannot be kept here: every command begins so slowly; let NUMBA_CACHE_DIR name a "
    "folder that can be written"
)
_teller: list[Callable[[str], None]] = []


def ask(tell: Callable[[str], None]) -> None:
    """Have the next notice told; there is one in a process."""
    _teller[:] = [tell]


def give(*, kept: bool) -> None:
    """Tell that something is compiled now, if somebody asked and was not told yet."""
    if _teller:
        _teller.pop()(FIRST if kept else EVERY)
