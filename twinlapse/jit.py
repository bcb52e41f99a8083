"""Wrappers around numba.njit; without numba the functions run as plain Python."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any, TypeVar, cast

__all__ = ["hot_part_of_kernel", "kernel", "part_of_kernel", "part_of_picture_kernel", "picture_kernel"]

F = TypeVar("F", bound=Callable[..., Any])

try:
    import numba

    COMPILED = True
except ImportError:  # no wheel for this platform: the same code runs uncompiled
    COMPILED = False
    warnings.warn(
        "numba is not installed: reading and planning run uncompiled, about 100 times as slow",
        RuntimeWarning,
        stacklevel=2,
    )


def kernel(function: F) -> F:
    """Compile a loop over numpy columns; the source stays ordinary Python.

    The compiled machine code is cached beside the source, so only the first run on a machine pays for it.
    ``kernel(f).py_func`` is the uncompiled function where numba is there.
    """
    if not COMPILED:
        return function
    return cast(F, numba.njit(cache=True, nogil=True)(function))


def part_of_kernel(function: F) -> F:
    """Compile a loop that only kernels call, without the CPython wrapper: half the compile time.

    Where numba is there, Python reaches it as ``part_of_kernel(f).py_func``.
    """
    if not COMPILED:
        return function
    bare: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    return cast(F, numba.njit(cache=True, nogil=True, **bare)(function))


_FREE = {"contract", "arcp", "reassoc", "nsz"}  # not nnan: pictures mark what is not there by NaN


def picture_kernel(function: F) -> F:
    """Compile a loop over pixels: divisions are not checked, and sums may be done in another order."""
    if not COMPILED:
        return function
    loose: dict[str, Any] = {"fastmath": _FREE, "error_model": "numpy"}
    return cast(F, numba.njit(cache=True, nogil=True, **loose)(function))


def part_of_picture_kernel(function: F) -> F:
    """Compile a loop that only picture kernels call; see `part_of_kernel`."""
    if not COMPILED:
        return function
    loose: dict[str, Any] = {"fastmath": _FREE, "error_model": "numpy"}
    bare: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    return cast(F, numba.njit(cache=True, nogil=True, **loose, **bare)(function))


def hot_part_of_kernel(function: F) -> F:
    """Compile the innermost part of a loop into each place that calls it.

    A call counts the owners of every array that it passes; for what runs a million times a second that costs
    more than the work.
    """
    if not COMPILED:
        return function
    bare: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}
    return cast(F, numba.njit(cache=True, nogil=True, inline="always", **bare)(function))
