"""Compile loops with numba: loaded only where no machine code of a loop is kept.

Loops are compiled without reference counts: they get their arrays from outside and make none. Where
`machine_code` keeps them, by numba's own passes as far as plain loops need them; what kernels call becomes
machine code inside them alone: a sixth less to wait for the first time.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Any

import numba
from llvmlite import binding as llvm
from llvmlite import ir
from numba.core import cgutils, types
from numba.core.codegen import AOTCodeLibrary
from numba.core.compiler import CompilerBase
from numba.core.compiler_machinery import PassManager, register_pass
from numba.core.typed_passes import (
    AnnotateTypes,
    IRLegalization,
    NativeLowering,
    NoPythonBackend,
    NopythonTypeInference,
    PreLowerStripPhis,
)
from numba.core.untyped_passes import (
    FixupArgs,
    GenericRewrites,
    IRProcessing,
    ReconstructSSA,
    TranslateByteCode,
)
from numba.np.arrayobj import populate_array

from twinlapse.machine_code import ARRAY_PLACES, ENTRY, MachineCode

__all__ = [
    "LoopCompiler",
    "LoopLibrary",
    "Lowering",
    "PartCompiler",
    "PartLibrary",
    "dispatcher_of",
    "machine_code_of",
    "undefined_names",
]

# numba's declarations leave out options, or are none
_njit: Any = numba.njit
_typeof: Any = numba.typeof
_populate: Any = populate_array
_unpacked: Any = cgutils.unpack_tuple
_passes: Any = PassManager
_lower: Any = NativeLowering.run_pass
_registered: Any = register_pass(mutates_CFG=True, analysis_only=False)  # type: ignore[no-untyped-call]
_WORD, _REAL, _POINTER = ir.IntType(64), ir.DoubleType(), ir.IntType(8).as_pointer()


class LoopLibrary(AOTCodeLibrary):
    """The code of a loop, to be emitted, not to be run where it was made."""

    def _finalize_final_module(self) -> None:
        self._finalized = True


class PartLibrary(LoopLibrary):
    """The code of a part of kernels: it is optimised where it is linked into them."""

    def _optimize_functions(self, ll_module: Any) -> None:
        ll_module.data_layout = self._codegen._data_layout

    def _optimize_final_module(self) -> None:
        pass


@_registered
class Lowering(NativeLowering):
    """Write the code of a loop into a library, without making machine code of it."""

    _name = "lowering of loops"

    def run_pass(self, state: Any) -> bool:
        """Lower a loop; the lock of the compiler is held."""
        context = state.targetctx
        state.library = state.pipeline.library(context.codegen(), state.func_id.func_qualname)
        state.flags.no_compile = True
        _lower(self, state)
        key: Any = [].append  # by which callers know it: a builtin function, never called
        context.insert_user_function(key, state.cr.fndesc, [state.library])
        state.cr = state.cr._replace(cfunc=key)
        state.library._ensure_finalized()
        return True


class LoopCompiler(CompilerBase):
    """Compiles a kernel: no closures, literals, inlining or parallel arrays."""

    library: type[LoopLibrary] = LoopLibrary

    def define_pipelines(self) -> list[Any]:
        """Return the passes in their order."""
        passes = _passes("loops")
        for one in (
            TranslateByteCode, FixupArgs, IRProcessing, GenericRewrites, ReconstructSSA,
            NopythonTypeInference, PreLowerStripPhis, IRLegalization, AnnotateTypes, Lowering,
            NoPythonBackend,
        ):  # fmt: skip
            passes.add_pass(one, one.__name__)
        passes.finalize()
        return [passes]


class PartCompiler(LoopCompiler):
    """Compiles what kernels call."""

    library = PartLibrary


def dispatcher_of(function: Callable[..., Any], options: dict[str, Any]) -> Any:
    """Return numba's own object for a function."""
    dispatcher = _njit(nogil=True, no_cfunc_wrapper=True, _nrt=False, **options)(function)
    _compile_once(dispatcher)
    return dispatcher


def _compile_once(dispatcher: Any) -> None:
    """Have calls from other kernels take literal numbers by their type: one version does for all of them."""
    plain = dispatcher.get_call_template

    def get_call_template(args: Any, kws: Any) -> Any:
        unliteral: Any = types.unliteral
        return plain(
            tuple(unliteral(one) for one in args), {name: unliteral(one) for name, one in kws.items()}
        )

    dispatcher.get_call_template = get_call_template


def machine_code_of(dispatcher: Any, arguments: tuple[Any, ...]) -> MachineCode:
    """Return the machine code of a loop for arguments like the given ones."""
    signature = tuple(_typeof(argument) for argument in arguments)
    dispatcher.compile(signature)
    compiled = dispatcher.overloads[signature]
    loop = compiled.library.emit_native_object()
    needs = undefined_names(loop)
    if any(name.startswith(("NRT_", "numba_", "Py")) for name in needs):
        raise TypeError(
            f"{dispatcher.py_func.__qualname__} makes objects: a kernel gets its arrays from outside"
        )
    returned = compiled.fndesc.restype
    several = isinstance(returned, types.BaseTuple)
    values = () if returned == types.none else tuple(returned) if several else (returned,)
    return MachineCode(
        objects=(loop, _entry(compiled)),
        result="".join(_letter(one) for one in values),
        several=several,
        needs=tuple(needs),
    )


def undefined_names(elf: bytes) -> list[str]:
    """Return the symbols that a 64-bit ELF object takes from elsewhere (System V ABI, object files)."""
    (at,) = struct.unpack_from("<Q", elf, 0x28)
    size, count = struct.unpack_from("<HH", elf, 0x3A)
    sections = [struct.unpack_from("<IIQQQQII", elf, at + k * size) for k in range(count)]
    found = []
    for _, kind, _, _, start, length, names, _ in sections:
        if kind == 2:  # symbols, 24 bytes each; the first is none
            for k in range(start + 24, start + length, 24):
                name, _, _, section = struct.unpack_from("<IBBH", elf, k)
                if section == 0:
                    place = sections[names][4] + name
                    found.append(elf[place : elf.index(b"\0", place)].decode())
    return sorted(found)


def _letter(value: Any) -> str:
    if value == types.boolean:
        return "?"
    if isinstance(value, types.Integer):
        return "q"
    if isinstance(value, types.Float):
        return "d"
    raise TypeError(f"a loop cannot return {value}")


def _entry(compiled: Any) -> bytes:
    """Return a function that takes arrays as objects and numbers as words, and calls the loop.

    Its first arguments are where to put the results, a word each, and where to put the place of an exception.
    """
    context, described = compiled.target_context, compiled.fndesc
    module = context.create_module("entry")
    loop = context.declare_function(module, described)
    kinds = [_kind(one) for one in described.argtypes]
    pointers = [_WORD.as_pointer(), _POINTER.as_pointer()]
    entry = ir.Function(module, ir.FunctionType(ir.IntType(32), [*pointers, *kinds]), ENTRY)
    builder = ir.IRBuilder(entry.append_basic_block("entry"))
    results, raised, *given = entry.args
    values = [_value(context, builder, *one) for one in zip(described.argtypes, given, strict=True)]
    status, returned = context.call_conv.call_function(
        builder, loop, described.restype, described.argtypes, values
    )
    builder.store(builder.bitcast(status.excinfoptr, _POINTER), raised)
    for k, word in enumerate(_words(builder, described.restype, returned)):
        place = builder.gep(results, [ir.Constant(_WORD, k)])
        builder.store(word, builder.bitcast(place, word.type.as_pointer()))
    builder.ret(status.code)
    return bytes(context.codegen()._tm.emit_object(llvm.parse_assembly(str(module))))


def _kind(argument: Any) -> Any:
    if isinstance(argument, types.Array):
        return _POINTER
    return _REAL if isinstance(argument, types.Float) else _WORD


def _value(context: Any, builder: Any, kind: Any, given: Any) -> Any:
    """Return an argument as the loop takes it."""
    if isinstance(kind, types.Array):
        return _array(context, builder, kind, given)
    if isinstance(kind, types.Float):
        return builder.fptrunc(given, ir.FloatType()) if kind.bitwidth == 32 else given
    if kind == types.boolean:
        return builder.icmp_signed("!=", given, ir.Constant(_WORD, 0))
    return builder.trunc(given, ir.IntType(kind.bitwidth)) if kind.bitwidth < 64 else given


def _array(context: Any, builder: Any, kind: Any, given: Any) -> Any:
    data, dimensions, strides = (_field(builder, given, place) for place in ARRAY_PLACES)
    shapes, steps = (
        [builder.load(_at(builder, place, 8 * k, _WORD)) for k in range(kind.ndim)]
        for place in (dimensions, strides)
    )
    array = context.make_array(kind)(context, builder)
    _populate(
        array,
        data=builder.bitcast(data, array.data.type),
        shape=shapes,
        strides=steps,
        itemsize=context.get_abi_sizeof(context.get_data_type(kind.dtype)),
        meminfo=None,
    )
    return array._getvalue()


def _field(builder: Any, given: Any, place: int) -> Any:
    return builder.load(_at(builder, given, place, _POINTER))


def _at(builder: Any, start: Any, place: int, kind: Any) -> Any:
    return builder.bitcast(builder.gep(start, [ir.Constant(_WORD, place)]), kind.as_pointer())


def _words(builder: Any, kind: Any, returned: Any) -> list[Any]:
    """Return what the loop returns, each number as wide as a word."""
    if kind == types.none:
        return []
    if isinstance(kind, types.BaseTuple):
        kinds: Any = kind
        return [
            _word(builder, one, value) for one, value in zip(kinds, _unpacked(builder, returned), strict=True)
        ]
    return [_word(builder, kind, returned)]


def _word(builder: Any, kind: Any, value: Any) -> Any:
    if isinstance(kind, types.Float):
        return builder.fpext(value, _REAL) if kind.bitwidth == 32 else value
    if kind == types.boolean or not kind.signed:
        return builder.zext(value, _WORD) if value.type.width < 64 else value
    return builder.sext(value, _WORD) if value.type.width < 64 else value
