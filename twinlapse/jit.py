"""Wrappers around numba.njit; without numba the functions run as plain Python.

Machine code is kept in the user's cache folder, in a folder named by a hash of all kernel sources and of
the compiler: when one of them changes nothing old is run, and where nothing can be written nothing is
kept. Each kernel is compiled once: a whole number that stands in a call is taken for a number like any
other.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import shutil
import sys
import tempfile
import warnings
from collections.abc import Callable
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar, cast

from twinlapse import compile_notice

__all__ = [
    "KERNEL_MODULES",
    "cache_folder",
    "kernel",
    "part_of_kernel",
    "part_of_picture_kernel",
    "picture_kernel",
    "source_key",
]

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

# every module whose functions are compiled: machine code holds what was compiled into it from the others
KERNEL_MODULES = (
    "gcode/constant_z_runs.py",
    "gcode/interpreter.py",
    "gcode/segment_kernels.py",
    "gcode/tokenizer.py",
    "inject/proof/arc_reading.py",
    "inject/proof/firmware_reading.py",
    "inject/proof/printed_heights.py",
    "jit.py",
    "motion/lookahead.py",
    "pairing/alignment_kernels.py",
    "plan/clearance/height_map_kernels.py",
    "rehearsal/render_kernels.py",
)
_KEPT_FOLDERS = 4  # caches of other versions that stay beside the own one


def kernel(function: F) -> F:
    """Compile a loop over numpy columns; the source stays ordinary Python.

    ``kernel(f).py_func`` is the uncompiled function where numba is there.
    """
    return _compiled(function, no_cfunc_wrapper=True)


def part_of_kernel(function: F) -> F:
    """Compile a loop without CPython wrappers (half the compile time): it is callable from kernels only.

    Where numba is there, Python reaches it as ``part_of_kernel(f).py_func``.
    """
    return _compiled(function, **_INNER)


_FREE = {"contract", "arcp", "reassoc", "nsz"}  # not nnan: pictures mark what is not there by NaN
_LOOSE: dict[str, Any] = {"fastmath": _FREE, "error_model": "numpy"}
_INNER: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def picture_kernel(function: F) -> F:
    """Compile a loop over pixels: divisions are not checked, and sums may be done in another order."""
    return _compiled(function, no_cfunc_wrapper=True, **_LOOSE)


def part_of_picture_kernel(function: F) -> F:
    """Compile a loop that only picture kernels call; see `part_of_kernel`."""
    return _compiled(function, **_LOOSE, **_INNER)


def _compiled(function: F, **options: Any) -> F:
    if not COMPILED:
        return function
    dispatcher = numba.njit(nogil=True, **options)(function)
    _compile_once(dispatcher)
    _keep(dispatcher)
    return cast(F, dispatcher)


def _compile_once(dispatcher: Any) -> None:
    """Have calls from other kernels take literal numbers by their type: one version does for all of them."""
    plain = dispatcher.get_call_template

    def get_call_template(args: Any, kws: Any) -> Any:
        unliteral: Any = numba.types.unliteral
        return plain(
            tuple(unliteral(one) for one in args), {name: unliteral(one) for name, one in kws.items()}
        )

    dispatcher.get_call_template = get_call_template


def _keep(dispatcher: Any) -> None:
    folder = cache_folder()
    try:
        if folder is None:
            dispatcher._cache = _unkept()
        else:
            dispatcher._cache = _kept(dispatcher.py_func, folder)
    except (AttributeError, ImportError, RuntimeError, TypeError):
        pass  # a compiler whose insides are others: nothing is kept, all else works


@cache
def cache_folder() -> Path | None:
    """Return the folder that holds the machine code of these sources; None where nothing can be written.

    ``NUMBA_CACHE_DIR`` takes the place of the user's cache folder.
    """
    for base in _bases():
        folder = base / source_key()
        with contextlib.suppress(OSError):
            new = not folder.is_dir()
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                pass
            if new:
                _forget_old(base, folder)
            return folder
    return None


def _bases() -> list[Path]:
    if given := os.environ.get("NUMBA_CACHE_DIR"):
        return [Path(given)]
    try:
        home = Path.home()
    except RuntimeError:  # a user without a home
        return []
    if sys.platform == "win32":
        place = Path(os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local")
    elif sys.platform == "darwin":
        place = home / "Library" / "Caches"
    else:
        place = Path(os.environ.get("XDG_CACHE_HOME") or home / ".cache")  # XDG Base Directory Specification
    return [place / "twinlapse" / "kernels"] if place.is_absolute() else []


def source_key(root: Path = Path(__file__).parent) -> str:
    """Return the hash of all kernel sources and of what compiles them."""
    content = hashlib.sha256()
    for name in KERNEL_MODULES:
        content.update(name.encode() + b"\0")
        with contextlib.suppress(OSError):
            content.update((root / name).read_bytes())
    versions = (numba.__version__ if COMPILED else "", sys.version, platform.machine())
    content.update(repr(versions).encode())
    return content.hexdigest()[:20]


def _forget_old(base: Path, own: Path) -> None:
    """Remove the caches of versions that were longest unused."""
    others = [path for path in base.iterdir() if path.is_dir() and path != own and len(path.name) == 20]
    others.sort(key=lambda path: path.stat().st_mtime, reverse=True)
    for path in others[_KEPT_FOLDERS:]:
        shutil.rmtree(path, ignore_errors=True)


def _kept(function: Callable[..., Any], folder: Path) -> Any:
    """Return numba's own cache of a function, in a folder of ours."""
    caching: Any = import_module("numba.core.caching")

    class Locator(caching._CacheLocator):  # type: ignore[misc]
        def __init__(self, py_func: Any, py_file: str) -> None:
            self._line = py_func.__code__.co_firstlineno

        def get_cache_path(self) -> str:
            return str(folder)

        def get_source_stamp(self) -> str:
            return folder.name

        def get_disambiguator(self) -> str:
            return str(self._line)

        @classmethod
        def from_function(cls, py_func: Any, py_file: str) -> Any:
            return cls(py_func, py_file)

    class Implementation(caching.CompileResultCacheImpl):  # type: ignore[misc]
        _locator_classes = (Locator,)

    class Cache(caching.FunctionCache):  # type: ignore[misc]
        _impl_class = Implementation

        def load_overload(self, signature: Any, target_context: Any) -> Any:
            found = None
            with contextlib.suppress(Exception):  # a damaged file is as good as none
                found = super().load_overload(signature, target_context)
            if found is None:
                compile_notice.give(kept=True)
            return found

        def save_overload(self, signature: Any, data: Any) -> None:
            with contextlib.suppress(OSError):  # a full disk: it is compiled again next time
                super().save_overload(signature, data)

    return Cache(function)


def _unkept() -> Any:
    caching: Any = import_module("numba.core.caching")

    class Cache(caching.NullCache):  # type: ignore[misc]
        def load_overload(self, signature: Any, target_context: Any) -> None:
            compile_notice.give(kept=False)

    return Cache()
