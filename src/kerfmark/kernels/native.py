"""Machine code kept on disk and called as it is: what lets a command start without loading the compiler.

`kernels.compiled` decides what to compile; this file turns the compiler's listing of one loop into an object file,
loads object files into this process, and calls what is in them. See `docs/decisions/0008-compiled-loops.md`.
"""

from __future__ import annotations

import ctypes
import functools
import platform
import re
import struct
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib import metadata
from typing import Any

import llvmlite.binding as llvm
import numpy as np

__all__ = ["ArrayKind", "Kind", "NotNative", "build_object", "load_object", "machine", "machine_name"]

#: A scalar argument or result, by its letter in `struct`: q whole number, d fraction, ? truth.
ScalarKind = str


@dataclass(frozen=True, slots=True)
class ArrayKind:
    """What must be known of an array to compile for it: type, dimensions, layout (C, F or A for any), writeable or not."""

    dtype: str
    ndim: int
    layout: str
    readonly: bool


Kind = ArrayKind | ScalarKind

# Loops that allocate ask this runtime; its block begins with a count of holders and keeps the data's address at byte 24,
# which is what the compiler's own listing reads. Renamed, so that it never meets the compiler's runtime.
RUNTIME = """
declare noalias ptr @malloc(i64)
declare void @free(ptr)

define noalias ptr @loop_MemInfo_alloc_aligned(i64 %size, i32 %align) {
  %wide = zext i32 %align to i64
  %head = add i64 %wide, 64
  %all = add i64 %size, %head
  %block = call ptr @malloc(i64 %all)
  %none = icmp eq ptr %block, null
  br i1 %none, label %out, label %fill
fill:
  %start = ptrtoint ptr %block to i64
  %past = add i64 %start, %head
  %less = sub i64 0, %wide
  %at = and i64 %past, %less
  %data = inttoptr i64 %at to ptr
  %slot = getelementptr i8, ptr %block, i64 24
  store i64 1, ptr %block, align 8
  store ptr %data, ptr %slot, align 8
  br label %out
out:
  ret ptr %block
}

define noalias ptr @loop_MemInfo_alloc(i64 %size) {
  %block = call ptr @loop_MemInfo_alloc_aligned(i64 %size, i32 32)
  ret ptr %block
}

define void @loop_MemInfo_call_dtor(ptr %block) {
  call void @free(ptr %block)
  ret void
}

declare ptr @realloc(ptr, i64)

define noalias ptr @loop_Allocate(i64 %size) {
  %block = call ptr @malloc(i64 %size)
  ret ptr %block
}

define ptr @loop_Reallocate(ptr %block, i64 %size) {
  %moved = call ptr @realloc(ptr %block, i64 %size)
  ret ptr %moved
}

define void @loop_Free(ptr %block) {
  call void @free(ptr %block)
  ret void
}

define void @loop_release(ptr %block) {
  %before = atomicrmw sub ptr %block, i64 1 acq_rel
  %last = icmp eq i64 %before, 1
  br i1 %last, label %end, label %out
end:
  call void @free(ptr %block)
  br label %out
out:
  ret void
}
"""
#: Raised when an object file of an older program would be read wrongly.
FORM = 2
SUPPLIED = {
    "loop_MemInfo_alloc",
    "loop_MemInfo_alloc_aligned",
    "loop_MemInfo_call_dtor",
    "loop_Allocate",
    "loop_Reallocate",
    "loop_Free",
}
#: In a listing, the function that would put a failure's words together: it needs Python, and nobody here asks for the words.
WORDS_OF_A_FAILURE = re.compile(r"^define [^\n]*(@__excinfo_unwrap_args\w+)\(.*?^}$", re.MULTILINE | re.DOTALL)
PASSED_AS = {"q": ["i64"], "d": ["double"], "?": ["i8", "i1"]}
ENTER = ".enter"
#: Where numpy's array object keeps the address of its data, of its shape and of its strides; its C interface promises them.
DATA_AT, SHAPE_AT, STRIDES_AT = 16, 32, 40


class NotNative(Exception):  # noqa: N818 - not a failure: such a loop is called through the compiler
    """A loop that needs more than plain machine code; it is called through the compiler."""


class _Machine:
    """The one place in a process where object files are loaded. Made at the first loop called."""

    def __init__(self) -> None:
        llvm.initialize_native_target()
        llvm.initialize_native_asmprinter()
        name, features = llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()
        self.cpu = f"{name} {features}"
        self.target = llvm.Target.from_default_triple().create_target_machine(
            cpu=name, features=features, opt=3, jit=True
        )
        runtime = llvm.parse_assembly(RUNTIME)
        runtime.triple = self.target.triple
        self.engine = llvm.create_mcjit_compiler(runtime, self.target)
        self.engine.finalize_object()
        self.release = ctypes.CFUNCTYPE(None, ctypes.c_void_p)(self.engine.get_function_address("loop_release"))
        self.arrays_as_expected = _arrays_as_expected()


def _arrays_as_expected() -> bool:
    """Whether this interpreter's arrays keep data, shape and strides where they are looked for."""
    probe = np.arange(24.0).reshape(2, 3, 4)[:, ::2, 1:]

    def word(address: int) -> int:
        return ctypes.c_int64.from_address(address).value

    at = id(probe)
    shape, strides = word(at + SHAPE_AT), word(at + STRIDES_AT)
    return (
        object.__basicsize__ == DATA_AT
        and word(at + DATA_AT) == probe.__array_interface__["data"][0]
        and tuple(word(shape + 8 * k) for k in range(3)) == probe.shape
        and tuple(word(strides + 8 * k) for k in range(3)) == probe.strides
    )


_machine: _Machine | None = None


def machine() -> _Machine:
    """The process's one machine."""
    global _machine
    if _machine is None:
        _machine = _Machine()
    return _machine


@functools.cache
def machine_name() -> str:
    """What a kept object file is good for: this processor, this system, this interpreter and compiler."""
    versions = [metadata.version(name) for name in ("numba", "llvmlite")]
    return repr((FORM, machine().cpu, platform.system(), platform.machine(), sys.implementation.cache_tag, versions))


def build_object(listing: str, symbol: str, takes: tuple[Kind, ...]) -> bytes:
    """An object file of the one function `symbol` of a compiler's listing, with what it calls.

    Raises
    ------
    NotNative
        If it needs anything but the mathematics library and memory, or takes arguments in another shape than expected.
    """
    listing = WORDS_OF_A_FAILURE.sub(r"define linkonce_odr ptr \1(ptr %0) {\n  ret ptr null\n}", listing)
    module = llvm.parse_assembly(listing.replace("@NRT_", "@loop_"))
    found = [str(a.type) for a in module.get_function(symbol).arguments]
    _check_arguments(found, takes)
    module.link_in(llvm.parse_assembly(_entrance(symbol, takes, found)))
    for thing in (*module.functions, *module.global_variables):
        if not thing.is_declaration and thing.name != symbol + ENTER:
            thing.linkage = "internal"
    builder = llvm.create_pass_builder(machine().target, llvm.create_pipeline_tuning_options())
    passes = llvm.create_new_module_pass_manager()
    passes.add_global_dead_code_eliminate_pass()
    passes.add_strip_dead_prototype_pass()
    passes.run(module, builder)
    for thing in (*module.functions, *module.global_variables):
        name = thing.name
        if thing.is_declaration and not (name.startswith("llvm.") or name in SUPPLIED or _from_the_process(name)):
            raise NotNative(name)
    return bytes(machine().target.emit_object(module))


def _from_the_process(name: str) -> bool:
    """A function of the C or mathematics library, not of Python or of the compiler."""
    return not re.match(r"_?(Py|numba|NRT|loop_)", name) and bool(llvm.address_of_symbol(name))


def _check_arguments(found: list[str], takes: tuple[Kind, ...]) -> None:
    """The listing must take: where results go, where a failure is named, then each argument in its parts."""
    expected: list[list[str]] = [["ptr"], ["ptr"]]
    for kind in takes:
        if isinstance(kind, ArrayKind):
            expected += [["ptr"], ["ptr"], ["i64"], ["i64"], ["ptr"], *[["i64"]] * (2 * kind.ndim)]
        else:
            expected.append(PASSED_AS[kind])
    if len(found) != len(expected) or any(f not in e for f, e in zip(found, expected, strict=True)):
        raise NotNative(f"arguments {found}")


def _entrance(symbol: str, takes: tuple[Kind, ...], types: list[str]) -> str:
    """A function of three addresses that calls `symbol`: results, failure, and one word for each argument.

    An array's word is the address of the array object itself, out of which data, shape and strides are read here: passing them
    one by one through the interpreter would cost ten times as much.
    """
    lines, passed = [], ["ptr %room", "ptr %failure"]

    def load(name: str, kind: str, base: str, offset: int) -> str:
        lines.append(f"  %{name}.at = getelementptr i8, ptr {base}, i64 {offset}")
        lines.append(f"  %{name} = load {kind}, ptr %{name}.at, align 1")
        return f"%{name}"

    for n, kind in enumerate(takes):
        if not isinstance(kind, ArrayKind):
            passed.append(f"{types[len(passed)]} {load(f'a{n}', types[len(passed)], '%words', 8 * n)}")
            continue
        array = load(f"a{n}", "ptr", "%words", 8 * n)
        data, shape = load(f"d{n}", "ptr", array, DATA_AT), load(f"s{n}", "ptr", array, SHAPE_AT)
        strides = load(f"t{n}", "ptr", array, STRIDES_AT)
        sizes = [load(f"s{n}.{k}", "i64", shape, 8 * k) for k in range(kind.ndim)]
        steps = [load(f"t{n}.{k}", "i64", strides, 8 * k) for k in range(kind.ndim)]
        count = "1"
        for k, size in enumerate(sizes):
            lines.append(f"  %c{n}.{k} = mul i64 {count}, {size}")
            count = f"%c{n}.{k}"
        passed += ["ptr null", "ptr null", f"i64 {count}", f"i64 {np.dtype(kind.dtype).itemsize}", f"ptr {data}"]
        passed += [f"i64 {value}" for value in (*sizes, *steps)]
    body = "\n".join(lines)
    return f"""
declare i32 @{symbol}({", ".join(types)})

define i32 @{symbol}{ENTER}(ptr %room, ptr %failure, ptr %words) {{
{body}
  %status = call i32 @{symbol}({", ".join(passed)})
  ret i32 %status
}}
"""


def load_object(
    code: bytes, symbol: str, takes: tuple[Kind, ...], gives: tuple[Kind, ...] | Kind | None
) -> Callable[..., Any]:
    """A function that calls `symbol` of an object file: arrays and numbers in, a result, a tuple of results or None out.

    The call lets other threads run. A failure inside (no memory, division by zero) raises `NotNative`: the caller repeats
    the call through the compiler, which says what it was.
    """
    if not machine().arrays_as_expected:
        raise NotNative("arrays of another make")
    engine = machine().engine
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    address = engine.get_function_address(symbol + ENTER)
    if not address:
        raise NotNative(symbol)
    entry = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_void_p)(address)
    results = gives if isinstance(gives, tuple) else () if gives is None else (gives,)
    layout = struct.Struct("@" + "".join(_letters(kind) for kind in results) + "0q")
    words = struct.Struct("@" + "".join("q" if isinstance(k, ArrayKind) else "?7x" if k == "?" else k for k in takes))
    is_array = tuple(isinstance(kind, ArrayKind) for kind in takes)
    failure, first, size = layout.size, layout.size + 8, layout.size + 8 + words.size
    alone = not isinstance(gives, tuple)

    def packed(arguments: tuple[Any, ...]) -> Any:
        room = ctypes.create_string_buffer(size)
        words.pack_into(room, first, *[id(a) if array else a for a, array in zip(arguments, is_array, strict=True)])
        return room

    def run(room: Any, at: int) -> Any:
        if entry(at, at + failure, at + first) != 0:
            raise NotNative(symbol)
        if not results:
            return None
        values = _values(layout.unpack_from(room), results)
        return values[0] if alone else tuple(values)

    def call(*arguments: Any) -> Any:
        room = packed(arguments)
        return run(room, ctypes.addressof(room))

    def bound(*arguments: Any) -> Callable[[], Any]:
        room = packed(arguments)
        at = ctypes.addressof(room)

        def again(_held: tuple[Any, ...] = arguments) -> Any:
            return run(room, at)

        return again

    call.bound = bound  # type: ignore[attr-defined]
    return call


def _letters(kind: Kind) -> str:
    return "QQqqQ" + "q" * (2 * kind.ndim) if isinstance(kind, ArrayKind) else kind


def _values(words: tuple[Any, ...], kinds: tuple[Kind, ...]) -> list[Any]:
    values, at = [], 0
    for kind in kinds:
        if isinstance(kind, ArrayKind):
            block, _, _, _, data, *sizes = words[at : at + 5 + 2 * kind.ndim]
            at += 5 + 2 * kind.ndim
            values.append(_array(block, data, tuple(sizes[: kind.ndim]), tuple(sizes[kind.ndim :]), kind))
        else:
            values.append(words[at])
            at += 1
    return values


class _Held:
    """Memory a loop allocated, given back when the array that shows it is no longer used."""

    __slots__ = ("__array_interface__", "_block", "_release")

    def __init__(self, block: int, interface: dict[str, Any]) -> None:
        self._block = block
        self._release = machine().release
        self.__array_interface__ = interface

    def __del__(self) -> None:
        self._release(self._block)


def _array(block: int, data: int, shape: tuple[int, ...], strides: tuple[int, ...], kind: ArrayKind) -> Any:
    interface = {"data": (data, False), "shape": shape, "strides": strides, "typestr": kind.dtype, "version": 3}
    if block == 0:  # a view of what was passed in
        view = np.asarray(_Shown(interface))
        return view.copy()
    return np.asarray(_Held(block, interface))


class _Shown:
    """Memory that belongs to someone else, for as long as it takes to copy it."""

    def __init__(self, interface: dict[str, Any]) -> None:
        self.__array_interface__ = interface
