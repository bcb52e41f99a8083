"""Compiled loops; without numba the functions run as plain Python.

The compiler is loaded only where a loop was never compiled on this machine: what it makes is kept in the
user's cache folder (`machine_code`), in a folder named by a hash of all kernel sources and of the compiler.
When one of them changes nothing old is run, and where nothing can be written nothing is kept. Each kernel is
compiled once: a whole number that stands in a call is taken for a number like any other.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import shutil
import sys
import tempfile
import threading
import warnings
from collections.abc import Callable
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np

from twinlapse import compile_notice, machine_code

__all__ = [
    "COMPILED",
    "KERNEL_MODULES",
    "Kernel",
    "KernelPart",
    "cache_folder",
    "compiler_files",
    "kernel",
    "part_of_kernel",
    "part_of_picture_kernel",
    "picture_kernel",
    "source_key",
]

F = TypeVar("F", bound=Callable[..., Any])


@cache
def compiler_files() -> tuple[Path, ...]:
    """Return the files that say which compiler is installed; none where there is none."""
    found = []
    for name in ("numba", "llvmlite"):
        with contextlib.suppress(ImportError, ValueError):
            spec = find_spec(name)
            if spec is not None and spec.origin is not None:
                found.append(Path(spec.origin).with_name("_version.py"))
    return tuple(found) if len(found) == 2 else ()


COMPILED = bool(compiler_files())
if not COMPILED:  # no wheel for this platform: the same code runs uncompiled
    warnings.warn(
        "numba is not installed: reading and planning run uncompiled, about 100 times as slow",
        RuntimeWarning,
        stacklevel=2,
    )

# every module whose functions are compiled: machine code holds what was compiled into it from the others
KERNEL_MODULES = (
    "film/coding_kernels.py",
    "gcode/constant_z_runs.py",
    "gcode/interpreter.py",
    "gcode/segment_kernels.py",
    "gcode/tokenizer.py",
    "imaging/light_kernels.py",
    "imaging/spectrum_kernels.py",
    "imaging/vote_kernels.py",
    "inject/proof/arc_reading.py",
    "inject/proof/firmware_reading.py",
    "inject/proof/printed_heights.py",
    "jit.py",
    "kernel_compiler.py",
    "machine_code.py",
    "motion/lookahead.py",
    "pairing/alignment_kernels.py",
    "plan/clearance/height_map_kernels.py",
    "plan/when/boundary_kernels.py",
    "rehearsal/render_kernels.py",
)
_KEPT_FOLDERS = 4  # caches of other versions that stay beside the own one


def kernel(function: F) -> F:
    """Compile a loop over numpy columns; the source stays ordinary Python.

    A loop takes arrays and numbers, makes no arrays or lists, and returns numbers. ``kernel(f).py_func`` is
    the uncompiled function where numba is there.
    """
    return cast(F, Kernel(function, {})) if _compiles() else function


def part_of_kernel(function: F) -> F:
    """Compile a loop that only kernels call.

    Where numba is there, Python reaches it as ``part_of_kernel(f).py_func``.
    """
    return cast(F, KernelPart(function, {})) if _compiles() else function


_FREE = {"contract", "arcp", "reassoc", "nsz"}  # not nnan: pictures mark what is not there by NaN
_LOOSE: dict[str, Any] = {"fastmath": _FREE, "error_model": "numpy"}


def picture_kernel(function: F) -> F:
    """Compile a loop over pixels: divisions are not checked, and sums may be done in another order."""
    return cast(F, Kernel(function, _LOOSE)) if _compiles() else function


def part_of_picture_kernel(function: F) -> F:
    """Compile a loop that only picture kernels call; see `part_of_kernel`."""
    return cast(F, KernelPart(function, _LOOSE)) if _compiles() else function


def _compiles() -> bool:
    return COMPILED and os.environ.get("NUMBA_DISABLE_JIT", "0") in ("", "0")


class KernelPart:
    """A function that is compiled into the kernels which call it."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        functools.update_wrapper(cast(Any, self), function)
        self.py_func = function
        self._options = options

    @functools.cached_property
    def dispatcher(self) -> Any:
        """Numba's own object for the function."""
        compiler = import_module("twinlapse.kernel_compiler")
        whole, options = isinstance(self, Kernel), dict(self._options)
        if machine_code.is_possible():
            options["pipeline_class"] = compiler.LoopCompiler if whole else compiler.PartCompiler
        inside = machine_code.is_possible() or not whole
        made = compiler.dispatcher_of(self.py_func, {"no_cpython_wrapper": inside, **options})
        if not machine_code.is_possible():
            _keep(made)
        return made

    @property
    def _numba_type_(self) -> Any:  # by which numba takes it for its own
        return self.dispatcher._numba_type_


_lock = threading.RLock()  # the compiler and the linker are used by one thread at a time
_SEEN = 0x503  # the flags of an array that its type depends on: contiguous, aligned, writeable


class Kernel(KernelPart):
    """A compiled loop: the machine code for its arguments is looked up, linked or made at the first call."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        super().__init__(function, options)
        self._known: dict[tuple[Any, ...], Callable[..., Any]] = {}

    def __call__(self, *arguments: Any) -> Any:
        """Run the loop; other threads go on meanwhile."""
        kinds = tuple(
            [
                (one.dtype.num, one.ndim, one.flags.num & _SEEN) if type(one) is np.ndarray else type(one)
                for one in arguments
            ]
        )
        known = self._known.get(kinds)
        if known is None:
            with _lock:
                known = self._known[kinds] = self._found(arguments)
        return known(*arguments)

    def prepare(self, *arguments: Any) -> None:
        """See that machine code for arguments like these is kept, without running it."""
        with _lock:
            self._found(arguments)

    def _found(self, arguments: tuple[Any, ...]) -> Callable[..., Any]:
        codes = tuple(machine_code.type_code(one) for one in arguments)
        if None in codes or not machine_code.is_possible():
            return cast(Callable[..., Any], self.dispatcher)
        folder = cache_folder()
        name = machine_code.file_name(self.py_func, cast(tuple[str, ...], codes), _processor())
        kept = None if folder is None else machine_code.load(folder / name)
        linked = None if kept is None else machine_code.link(kept, arguments)
        if linked is not None:
            return linked
        compile_notice.give(kept=folder is not None)
        made = import_module("twinlapse.kernel_compiler").machine_code_of(self.dispatcher, arguments)
        if folder is not None:
            machine_code.store(folder / name, made)
        linked = machine_code.link(made, arguments)
        if linked is None:
            raise RuntimeError(f"{self.py_func.__qualname__} calls functions that are nowhere: {made.needs}")
        return linked


@cache
def _processor() -> str:
    """Return for which processor machine code is made: homes may be shared by several machines."""
    import llvmlite.binding as llvm

    return f"{llvm.get_host_cpu_name()} {llvm.get_host_cpu_features().flatten()}"


def _keep(dispatcher: Any) -> None:
    """Keep what is compiled in numba's own way, where `machine_code` cannot."""
    folder = cache_folder()
    # of a compiler whose insides are others nothing is kept, all else works
    with contextlib.suppress(AttributeError, ImportError, RuntimeError, TypeError):
        dispatcher._cache = _unkept() if folder is None else _kept(dispatcher.py_func, folder)


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
    for path in compiler_files():
        with contextlib.suppress(OSError):
            content.update(path.read_bytes())
    content.update(repr((np.__version__, sys.version, platform.machine())).encode())
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
