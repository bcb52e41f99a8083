"""Machine code of compiled loops: kept in files, linked and called without loading the compiler.

The compiler takes longer to load than a small print takes to read. What it has made of a loop is kept as two
ELF objects, the loop and an entry to it, which take numpy arrays as they lie in memory (`PyArrayObject` of
numpy's C interface: data, dimensions and strides at fixed places). Only where that interface holds is
anything kept this way; see `is_possible`.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import pickle
import struct
import sys
import sysconfig
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

__all__ = [
    "ARRAY_PLACES",
    "ENTRY",
    "MachineCode",
    "example_of",
    "file_name",
    "is_possible",
    "link",
    "load",
    "store",
    "type_code",
]

ENTRY = "twinlapse_entry"
# bytes from the head of an array object: data, dimensions, strides
# (numpy/ndarraytypes.h, PyArrayObject_fields)
ARRAY_PLACES = (16, 32, 40)
_MAGIC = b"twinlapse machine code 1\n"
_RESULTS: dict[str, Callable[[int], Any]] = {
    "q": int,
    "?": bool,
    "d": lambda word: struct.unpack("d", struct.pack("q", word))[0],
}
_linked: list[Any] = []  # engines, whose memory holds the code


class _Whole:
    """Takes numpy's whole numbers, which ctypes does not."""

    @staticmethod
    def from_param(value: Any) -> ctypes.c_int64:
        return ctypes.c_int64(int(value))


class _Real:
    @staticmethod
    def from_param(value: Any) -> ctypes.c_double:
        return ctypes.c_double(float(value))


class _Raised(ctypes.Structure):
    """What a loop that raises leaves behind: a pickled exception (numba/core/callconv.py, excinfo_t)."""

    _fields_ = (
        ("data", ctypes.c_void_p),
        ("size", ctypes.c_int32),
        ("arguments", ctypes.c_void_p),
        ("unwrap", ctypes.c_void_p),
        ("allocated", ctypes.c_int32),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineCode:
    """A loop for arguments of certain types."""

    objects: tuple[bytes, ...]  # ELF
    result: str  # one letter a value: q whole, d real, ? truth
    several: bool  # the loop returns a tuple
    needs: tuple[str, ...]  # functions of the C library that it calls


@cache
def is_possible() -> bool:
    """Tell whether arrays of this Python and this numpy lie as the entries expect, and objects are ELF."""
    plain = sys.platform == "linux" and struct.calcsize("P") == 8 and sys.byteorder == "little"
    if not plain or sysconfig.get_config_var("Py_GIL_DISABLED"):
        return False
    probe = np.zeros((5, 7, 3))[:, ::2]
    data, dimensions, strides = (
        ctypes.c_void_p.from_address(id(probe) + place).value or 0 for place in ARRAY_PLACES
    )
    shape, steps = ((ctypes.c_int64 * 3).from_address(place) for place in (dimensions, strides))
    known = (probe.__array_interface__["data"][0], probe.shape, probe.strides)
    return known == (data, tuple(shape), tuple(steps))


def type_code(value: Any) -> str | None:
    """Return a text for the type of an argument; None for one that no entry takes."""
    if isinstance(value, np.ndarray):
        flags = value.flags
        if value.dtype.hasobject or value.dtype.names or not flags.aligned or not value.dtype.isnative:
            return None
        layout = "C" if flags.c_contiguous else "F" if flags.f_contiguous else "A"
        return f"{value.dtype.str[1:]}x{value.ndim}{layout}{'w' if flags.writeable else 'r'}"
    if isinstance(value, bool | int | float | np.bool_ | np.integer | np.floating):
        return np.dtype(type(value)).str[1:]
    return None


def example_of(code: str) -> Any:
    """Return an argument whose type has a code; see `type_code`."""
    kind, _, rest = code.partition("x")
    if not rest:
        return np.zeros((), kind)[()]
    array = np.zeros((4,) * int(rest[:-2]), kind, order="F" if rest[-2] == "F" else "C")
    array = array[::2, ...] if rest[-2] == "A" else array
    array.flags.writeable = rest[-1] == "w"
    return array


def file_name(function: Callable[..., Any], codes: tuple[str, ...], machine: str) -> str:
    """Return the name of the file that keeps a loop for arguments of some types on a machine."""
    known = hashlib.sha256(" ".join((machine, *codes)).encode()).hexdigest()[:16]
    module = function.__module__.rpartition(".")[2]
    return f"{module}.{function.__qualname__}-{function.__code__.co_firstlineno}.{known}.code"


def store(path: Path, code: MachineCode) -> None:
    """Keep machine code in a file, whole or not at all; a full disk keeps none."""
    head = {
        "sizes": [len(one) for one in code.objects],
        "result": code.result,
        "several": code.several,
        "needs": code.needs,
    }
    content = json.dumps(head).encode() + b"\n" + b"".join(code.objects)
    with contextlib.suppress(OSError), tempfile.TemporaryDirectory(dir=path.parent) as folder:
        beside = Path(folder) / path.name
        beside.write_bytes(_MAGIC + hashlib.sha256(content).digest() + content)
        beside.replace(path)


def load(path: Path) -> MachineCode | None:
    """Return the machine code that a file keeps; None when there is none, or a damaged one."""
    try:
        content = path.read_bytes()
    except OSError:
        return None
    start = len(_MAGIC) + 32
    if (
        content[: len(_MAGIC)] != _MAGIC
        or hashlib.sha256(content[start:]).digest() != content[start - 32 : start]
    ):
        return None
    place = content.index(b"\n", start) + 1
    head = json.loads(content[start:place])
    objects = []
    for size in head["sizes"]:
        objects.append(content[place : place + size])
        place += size
    return MachineCode(
        objects=tuple(objects), result=head["result"], several=head["several"], needs=tuple(head["needs"])
    )


def link(code: MachineCode, arguments: tuple[Any, ...]) -> Callable[..., Any] | None:
    """Return a function that runs the code with arguments like the given ones, letting other threads run.

    None when this process lacks a function that the code calls.
    """
    import llvmlite.binding as llvm

    if not _linked:
        llvm.initialize_native_target()
        llvm.initialize_native_asmprinter()
    machine = llvm.Target.from_default_triple().create_target_machine(codemodel="jitdefault", jit=True)
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
    if any(llvm.address_of_symbol(name) is None for name in code.needs):
        return None
    for one in code.objects:
        engine.add_object_file(llvm.ObjectFileRef.from_data(one))
    engine.finalize_object()
    _linked.append(engine)
    types = [_parameter(argument) for argument in arguments]
    entry = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, *types)(
        engine.get_function_address(ENTRY)
    )
    return _caller(entry, code)


def _parameter(argument: Any) -> Any:
    if isinstance(argument, np.ndarray):
        return ctypes.py_object
    if isinstance(argument, bool | int):
        return ctypes.c_int64
    if isinstance(argument, float):
        return ctypes.c_double
    return _Real if isinstance(argument, np.floating) else _Whole


def _caller(entry: Any, code: MachineCode) -> Callable[..., Any]:
    words, results = ctypes.c_int64 * (len(code.result) + 1), [_RESULTS[letter] for letter in code.result]
    pointer, count = ctypes.addressof, len(results)

    def call(*arguments: Any) -> Any:
        out = words()
        place = pointer(out)
        if entry(place, place + 8 * count, *arguments):
            raise _exception(out[count])
        if not count:
            return None
        if code.several:
            return tuple([result(word) for result, word in zip(results, out, strict=False)])
        return results[0](out[0])

    return call


def _exception(place: int) -> BaseException:
    """Return what a loop has raised."""
    if place:
        raised = _Raised.from_address(place)
        if not raised.allocated and raised.data:
            pickled = ctypes.string_at(raised.data, raised.size)  # a constant of the code that was just run
            kind, arguments, _ = pickle.loads(pickled)  # noqa: S301
            found = kind(*(arguments or ()))
            if isinstance(found, BaseException):
                return found
    return RuntimeError("a compiled loop failed")
