"""`loop`: the mark of a function that is compiled to machine code, once for each shape of arguments, and kept on disk.

The compiler is loaded only when something has yet to be compiled; what has been is loaded as an object file in about a
millisecond. See `docs/decisions/0008-compiled-loops.md`.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any, ParamSpec, TypeVar, overload

import numpy as np

from kerfmark.kernels.native import ArrayKind, Kind, NotNative, build_object, load_object, machine_name
from kerfmark.settings import compiled_dir

__all__ = ["Loop", "kinds_of_text", "loop", "text_of_kind"]

P = ParamSpec("P")
R = TypeVar("R")
SCALARS = {
    int: "q",
    float: "d",
    bool: "?",
    np.float64: "d",
    np.int64: "q",
    np.int32: "q",
    np.bool_: "?",
    np.float32: "d",
}  # a narrower number is widened: one loop for each, not four
LAYOUT_AND_WRITEABLE = 0x403  # bits of `ndarray.flags.num`: rows together, columns together, writeable
LONGEST_S = 60.0
"""How long one loop can take to compile on a busy machine."""
_lock = threading.RLock()


@overload
def loop(function: Callable[P, R]) -> Callable[P, R]: ...
@overload
def loop(**options: Any) -> Callable[[Callable[P, R]], Callable[P, R]]: ...
def loop(function: Callable[P, R] | None = None, **options: Any) -> Any:
    """Compile `function` to machine code; options are the compiler's (`inline="always"`, `fastmath=True`).

    A loop takes arrays, whole numbers, fractions and truth values by position, and gives back arrays, numbers, a tuple of
    them or nothing. It runs without the interpreter's lock. Loops may call loops.

    Examples
    --------
    >>> @loop
    ... def total(values):
    ...     out = 0.0
    ...     for value in values:
    ...         out += value
    ...     return out
    >>> total(np.array([1.0, 2.5]))
    3.5
    """
    if function is None:
        return lambda marked: Loop(marked, options)
    return Loop(function, {})


class Loop:
    """A function and its machine code by shape of arguments."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any]) -> None:
        functools.update_wrapper(self, function)
        self.py_func = function
        self._options = options
        self._ready: dict[tuple[Any, ...], Callable[..., Any]] = {}

    def __call__(self, *arguments: Any) -> Any:
        """Run the machine code for arguments of these shapes."""
        shapes = tuple([_shape(a) for a in arguments])
        ready = self._ready.get(shapes)
        if ready is None:
            ready = self._made_ready(shapes)
        try:
            return ready(*arguments)
        except NotNative:
            return self.compiler(*arguments)  # fails again, and says in words how

    def bound(self, *arguments: Any) -> Callable[[], Any]:
        """A call with these very arguments, to be made again and again: what their arrays hold by then is what counts.

        For loops of microseconds, where looking at twenty arguments would cost more than the work. Not for two threads
        at once: results share a place.
        """
        ready = self._ready.get(shapes := tuple([_shape(a) for a in arguments])) or self._made_ready(shapes)
        bind = getattr(ready, "bound", None)
        if bind is None:
            return lambda: ready(*arguments)
        again = bind(*arguments)

        def call() -> Any:
            try:
                return again()
            except NotNative:
                return self.compiler(*arguments)

        return call

    @functools.cached_property
    def compiler(self) -> Any:
        """The function as the compiler knows it; loads the compiler."""
        from numba import njit

        return njit(nogil=True, **self._options)(self.py_func)

    @property
    def _numba_type_(self) -> Any:
        """What the compiler sees when another loop calls this one."""
        return self.compiler._numba_type_

    def __reduce__(self) -> str:
        return str(self.py_func.__qualname__)

    @functools.cached_property
    def content(self) -> bytes:
        """A digest of everything the machine code depends on in the source: this function and all it calls or names."""
        return _content(self)

    def _made_ready(self, shapes: tuple[Any, ...]) -> Callable[..., Any]:
        with _lock:
            if shapes not in self._ready:
                self._ready[shapes] = self.make(tuple(_kind(shape) for shape in shapes))
            return self._ready[shapes]

    def make(self, kinds: tuple[Kind, ...]) -> Callable[..., Any]:
        """The machine code for kinds of arguments: kept, or compiled and kept, once for all processes that ask together."""
        kept = self._kept(kinds)
        if kept is not None:
            return kept
        with _alone(self._file(kinds)):
            return self._kept(kinds) or self._compiled(kinds)

    def _file(self, kinds: tuple[Kind, ...]) -> Path:
        digest = hashlib.sha256(self.content + repr(kinds).encode() + machine_name().encode()).hexdigest()
        return compiled_dir() / f"{self.__name__}-{digest[:24]}.loop"  # type: ignore[attr-defined]

    def _kept(self, kinds: tuple[Kind, ...]) -> Callable[..., Any] | None:
        try:
            data = self._file(kinds).read_bytes()
            size = int.from_bytes(data[:4], "little")
            head = json.loads(data[4 : 4 + size])
            code = data[4 + size :]
            if hashlib.sha256(code).hexdigest() != head["sha256"]:
                return None
            return load_object(code, head["symbol"], kinds, _kinds_of_text(head["gives"]))
        except (OSError, ValueError, KeyError, NotNative):
            return None

    def _compiled(self, kinds: tuple[Kind, ...]) -> Callable[..., Any]:
        signature = tuple(_compiler_type(kind) for kind in kinds)
        compiler = self.compiler
        compiler.compile(signature)
        made = compiler.overloads[signature]
        try:
            gives = _gives(made.signature.return_type)
            symbol = made.fndesc.llvm_func_name
            code = build_object(compiler.inspect_llvm(signature), symbol, kinds)
            ready = load_object(code, symbol, kinds, gives)
        except NotNative:
            return compiler
        head = {"symbol": symbol, "gives": _text_of_kinds(gives), "sha256": hashlib.sha256(code).hexdigest()}
        head["of"] = [self.py_func.__module__, self.py_func.__qualname__, [text_of_kind(kind) for kind in kinds]]
        _keep(self._file(kinds), json.dumps(head).encode(), code)
        return ready


def _shape(value: Any) -> Any:
    """What tells one kind of argument from another, as quickly as can be."""
    if isinstance(value, np.ndarray):
        return value.dtype.str, value.ndim, value.flags.num & LAYOUT_AND_WRITEABLE
    return type(value)


def _kind(shape: Any) -> Kind:
    if isinstance(shape, tuple):
        dtype, ndim, flags = shape
        layout = "C" if flags & 1 else "F" if flags & 2 else "A"
        return ArrayKind(dtype, ndim, layout, not flags & 0x400)
    try:
        return SCALARS[shape]
    except KeyError:
        raise TypeError(f"a loop takes arrays and plain numbers, not {shape.__name__}") from None


def _compiler_type(kind: Kind) -> Any:
    from numba import from_dtype, types

    if isinstance(kind, ArrayKind):
        array: Any = types.Array
        return array(from_dtype(np.dtype(kind.dtype)), kind.ndim, kind.layout, readonly=kind.readonly)
    return {"q": types.int64, "d": types.float64, "?": types.boolean}[kind]


def _gives(kind: Any) -> tuple[Kind, ...] | Kind | None:
    """What comes back, in our words.

    Raises
    ------
    NotNative
        If it is neither an array, a wide number, nothing, nor a flat tuple of those.
    """
    from numba import types

    if isinstance(kind, types.NoneType):
        return None
    if kind == types.boolean:
        return "?"  # alone; how one lies among others is the compiler's own business
    if isinstance(kind, types.BaseTuple):
        parts: Any = kind
        return tuple(_given(part) for part in parts)
    return _given(kind)


def _given(kind: Any) -> Kind:
    from numba import types
    from numba.np.numpy_support import as_dtype

    if isinstance(kind, types.Array):
        return ArrayKind(as_dtype(kind.dtype).str, kind.ndim, kind.layout, False)
    if kind == types.int64:
        return "q"
    if kind == types.float64:
        return "d"
    raise NotNative(str(kind))


def _text_of_kinds(gives: tuple[Kind, ...] | Kind | None) -> Any:
    if isinstance(gives, tuple):
        return [_text_of_kinds(kind) for kind in gives]
    return {"array": [gives.dtype, gives.ndim]} if isinstance(gives, ArrayKind) else gives


def _kinds_of_text(text: Any) -> tuple[Kind, ...] | Kind | None:
    if isinstance(text, list):
        return tuple(_kinds_of_text(part) for part in text)  # type: ignore[misc]
    if isinstance(text, dict):
        dtype, ndim = text["array"]
        return ArrayKind(str(dtype), int(ndim), "A", False)
    return None if text is None else str(text)


def text_of_kind(kind: Kind) -> Any:
    """A kind of argument as it stands in a list or in the head of a kept loop."""
    return [kind.dtype, kind.ndim, kind.layout, kind.readonly] if isinstance(kind, ArrayKind) else kind


def kinds_of_text(text: Any) -> Kind:
    """The kind of argument that `text_of_kind` wrote."""
    return text if isinstance(text, str) else ArrayKind(str(text[0]), int(text[1]), str(text[2]), bool(text[3]))


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Held by one process at a time: the others wait, for what it makes is what they want.

    Not for longer than a loop can take to compile, nor for a process that has ended; then two make the same thing, which is
    no harm.
    """
    claim, mine = path.with_suffix(".making"), False
    until = time.monotonic() + LONGEST_S
    while time.monotonic() < until and not mine:
        try:
            claim.parent.mkdir(parents=True, exist_ok=True)
            with claim.open("x", encoding="ascii") as file:
                file.write(str(os.getpid()))
            mine = True
        except FileExistsError:
            if not _alive(claim):
                break
            time.sleep(0.02)
        except OSError:
            break
    try:
        yield
    finally:
        if mine or (claim.exists() and not _alive(claim)):
            with contextlib.suppress(OSError):
                claim.unlink(missing_ok=True)


def _alive(claim: Path) -> bool:
    """Whether the process that made a claim still runs; a claim that cannot be read yet counts as alive while it is new."""
    try:
        pid = claim.read_text(encoding="ascii")
        if not pid:
            return time.time() - claim.stat().st_mtime < LONGEST_S
        os.kill(int(pid), 0)
    except (ProcessLookupError, ValueError):
        return False
    except OSError:
        return True  # another user's process, or given up just now: to be asked for again
    return True


def _keep(path: Path, head: bytes, code: bytes) -> None:
    """Written whole or not at all; a folder that cannot be written to costs the time to compile again, nothing else."""
    half = path.with_suffix(f".{os.getpid()}.half")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half.write_bytes(len(head).to_bytes(4, "little") + head + code)
        half.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            half.unlink(missing_ok=True)


def _content(loop_: Loop, seen: set[int] | None = None) -> bytes:
    seen = set() if seen is None else seen
    options = sorted((k, sorted(v) if isinstance(v, set) else v) for k, v in loop_._options.items())
    digest = hashlib.sha256(repr(options).encode())
    function = loop_.py_func
    assert isinstance(function, FunctionType)
    seen.add(id(loop_))
    _add_code(digest, function.__code__)
    names = dict(function.__globals__)
    cells = zip(function.__code__.co_freevars, function.__closure__ or (), strict=True)
    names.update((name, cell.cell_contents) for name, cell in cells)
    for name in sorted(_named(function.__code__)):
        value = names.get(name)
        if isinstance(value, Loop):
            digest.update(name.encode() + (b"" if id(value) in seen else _content(value, seen)))
        elif isinstance(value, int | float | bool | str | tuple | np.generic):
            digest.update(f"{name}={value!r}".encode())
        elif isinstance(value, np.ndarray):
            digest.update(f"{name}={value.dtype.str}{value.shape}".encode() + value.tobytes())
    return digest.digest()


def _named(code: CodeType) -> set[str]:
    inner = (c for c in code.co_consts if isinstance(c, CodeType))
    return {*code.co_names, *code.co_freevars}.union(*(_named(c) for c in inner))


def _add_code(digest: Any, code: CodeType) -> None:
    digest.update(code.co_code + repr((code.co_names, code.co_varnames, code.co_freevars)).encode())
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            _add_code(digest, constant)
        else:
            digest.update(repr(constant).encode())
