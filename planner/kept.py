"""What Numba makes of a kernel, and where that is kept.

It lies in the user's cache folder (below NUMBA_CACHE_DIR where that is set), in a folder of its own for each kernel
and each form of it. Numba's own cache looks at the age of the kernel's file alone: it takes old code where a kernel
in another file, or a constant, was changed, and throws all away when a file was only touched.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import logging
import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, ModuleType
from typing import Any, cast

import numba
import numpy as np
from numba import njit
from numba.core import types
from numba.core.caching import CompileResultCacheImpl, FunctionCache
from numba.core.dispatcher import Dispatcher

from planner.cache import kept_in

__all__ = ["dispatcher"]

TRIED = (0, 68)  # the latest Numba with which `thrift` was tried
UNUSED_DAYS = 60  # after which a compiled form is swept away
WAIT_S = 300.0  # for another process that compiles the same kernel; then it is compiled here as well

_log = logging.getLogger("planner.compiled")  # a line for each kernel that is compiled: who shows progress listens


def _thrift() -> contextlib.AbstractContextManager[None]:
    """Numba is spared its double work where it is one that was tried; a later one compiles as it does by itself."""
    if numba.version_info.short > TRIED:
        return contextlib.nullcontext()
    from planner.thrift import nothing_twice

    return nothing_twice()


def dispatcher(function: Callable[..., Any], options: dict[str, Any], on_disk: bool) -> Any:
    """Numba's dispatcher of a function, for which a number written in the code is as any other of its type.

    Numba compiles f(x, 0) apart from f(x, n), which is dear, and once more while it does not know n's type yet.

    Parameters
    ----------
    function
        To be compiled when it is first called.
    options
        Of `numba.njit`.
    on_disk
        Keep what is compiled for other processes.

    Returns
    -------
    numba.core.dispatcher.Dispatcher
        Called as the function is.

    Raises
    ------
    TypeError
        When it is compiled: it counts no holders of arrays, and gives one.
    """
    made: Any = njit(**options)(function)
    as_given, plain = made.compile, cast(Any, types).unliteral
    kept = _Kept(made)

    def compile_form(signature: Any) -> Any:
        form = tuple(plain(each) for each in signature)
        with _no_search_for_cycles(), _thrift(), kept.turn_ended():
            entry = as_given(form)
        if options.get("_nrt") is False and _handles_arrays(made.overloads[form]):
            raise TypeError(
                f"{function.__module__}.{function.__name__} gives an array or is given one, as only a maker may"
            )
        return entry

    made.compile = compile_form
    if on_disk:
        made._cache = kept
    return made


def _handles_arrays(made: Any) -> bool:
    """Whether a function gives an array, or calls one that does: who does not count holders never lets it go."""
    seen = made.type_annotation
    given = [
        found.return_type
        for call, found in seen.calltypes.items()
        if getattr(call, "op", "") == "call" and isinstance(seen.typemap[call.func.name], types.Dispatcher)
    ]
    return any(map(_holds_array, [made.signature.return_type, *given]))


def _holds_array(kind: Any) -> bool:
    if isinstance(kind, types.BaseTuple):
        return any(map(_holds_array, cast(Any, kind)))
    return isinstance(kind, cast(Any, types).Buffer)


@contextlib.contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Compiling makes millions of small objects; searching them for cycles takes a quarter of its time."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


class _Kept:
    """The compiled forms of one kernel on disk, as Numba's dispatcher asks for them.

    It is opened on the first call, when all that the kernel names is there.
    """

    def __init__(self, compiled: Dispatcher) -> None:
        self._compiled = compiled

    @functools.cached_property
    def _files(self) -> Any:
        root = kept_in()
        if root is None:
            return None
        function = self._compiled.py_func
        folder = root / f"{function.__module__}.{function.__qualname__}" / _fingerprint(self._compiled)
        with contextlib.suppress(OSError):
            os.utime(folder)  # it is in use
        place = _Place(folder, function.__code__.co_filename)
        form = type("_Form", (CompileResultCacheImpl,), {"_locator_classes": [place]})
        return type("_Files", (_Files,), {"_impl_class": form})(function)

    @property
    def cache_path(self) -> Any:
        return self._files and self._files.cache_path

    @functools.cached_property
    def _turn(self) -> Any:
        """Of the process that compiles this kernel; the others wait, and take what it made."""
        from filelock import FileLock

        file = Path(f"{self.cache_path}.lock")
        file.parent.mkdir(parents=True, exist_ok=True)  # which filelock 3.12 does not
        return FileLock(file)

    def load_overload(self, signature: Any, target: Any) -> Any:
        found = self._read(signature, target)
        if found is None and self._files is not None:
            with contextlib.suppress(OSError, RuntimeError):  # waited too long, or a disk without locks: no turns
                self._turn.acquire(timeout=WAIT_S)
                found = self._read(signature, target)
                if found is not None:
                    self._turn.release()
        if found is None:
            _log.info(self._compiled.py_func.__name__)
        return found

    def _read(self, signature: Any, target: Any) -> Any:
        try:
            return self._files and self._files.load_overload(signature, target)
        except Exception:  # cut or damaged, which may show in any way: made again
            shutil.rmtree(str(self.cache_path), ignore_errors=True)
            return None

    def save_overload(self, signature: Any, result: Any) -> None:
        with contextlib.suppress(OSError):  # a full disk: it works from memory
            if self._files is not None:
                _sweep()
                self._files.save_overload(signature, result)

    @contextlib.contextmanager
    def turn_ended(self) -> Iterator[None]:
        """After what is compiled within, or failed to be: other threads wait for their turn, too."""
        try:
            yield
        finally:
            if "_turn" in vars(self):
                self._turn.release()

    def enable(self) -> None: ...
    def disable(self) -> None: ...
    def flush(self) -> None: ...


class _Files(FunctionCache):
    def _index_key(self, signature, codegen):  # type: ignore[no-untyped-def]
        # Numba tells named tuples apart by their class, not by the order of its fields
        own = super()._index_key(signature, codegen)  # type: ignore[no-untyped-call]
        return (*own, repr([_fields(given) for given in signature]))


class _Place:
    """Where the files of a kernel lie: what Numba calls a locator."""

    def __init__(self, folder: Path, source: str) -> None:
        self._folder, self._py_file = folder, source

    def from_function(self, *_: object) -> _Place:
        return self

    def ensure_cache_path(self) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)

    def get_cache_path(self) -> str:
        return str(self._folder)

    def get_source_stamp(self) -> str:
        return ""  # the folder's name says it

    def get_disambiguator(self) -> str:
        return "0"


def _fields(given: Any) -> Any:
    tuples = isinstance(given, types.BaseTuple)
    return getattr(given, "fields", ()), [_fields(one) for one in (given if tuples else ())]


def _fingerprint(compiled: Any) -> str:
    """A hash of all that decides what a kernel compiles to: its code and options, the kernels that it calls, the
    constants that it reads, and Numba's version.
    """
    parts = repr((numba.__version__, *_parts(compiled, set())))
    return hashlib.sha256(parts.encode()).hexdigest()[:32]


def _parts(value: Any, seen: set[int]) -> Iterator[object]:
    if hasattr(value, "targetoptions"):  # a kernel
        if id(value) in seen:
            return
        seen.add(id(value))
        function = value.py_func
        yield function.__qualname__, sorted(value.targetoptions.items()), function.__defaults__
        yield from _code_parts(function.__code__, function.__globals__, seen)
        for cell in function.__closure__ or ():
            yield from _parts(cell.cell_contents, seen)
    elif isinstance(value, int | float | str | bytes | None):
        yield value
    elif isinstance(value, slice):  # a constant from Python 3.14 on
        yield "slice"
        yield from _parts((value.start, value.stop, value.step), seen)
    elif isinstance(value, tuple):
        for one in value:
            yield from _parts(one, seen)
    elif isinstance(value, np.ndarray):
        yield value.dtype.str, value.shape, value.tobytes()
    elif isinstance(value, CodeType):
        yield from _code_parts(value, {}, seen)
    elif isinstance(value, ModuleType):
        yield value.__name__
    elif hasattr(value, "__qualname__"):  # functions and classes
        yield value.__module__, value.__qualname__, getattr(value, "_fields", ())
    else:
        raise TypeError(f"a kernel reads {value!r}, of which it is not known how it would be told from another")


def _code_parts(code: CodeType, named: dict[str, Any], seen: set[int]) -> Iterator[object]:
    yield code.co_code, code.co_names, code.co_varnames
    for constant in code.co_consts:
        yield from _code_parts(constant, named, seen) if isinstance(constant, CodeType) else _parts(constant, seen)
    for name in code.co_names:
        if name in named:
            yield from _parts(named[name], seen)


@functools.cache
def _sweep() -> None:
    """Take away what was not used for long: forms of earlier versions. Once a process, and only if it compiles."""
    root = kept_in()
    old = time.time() - UNUSED_DAYS * 86400
    for folder in root.glob("*/*") if root is not None else ():
        with contextlib.suppress(OSError):
            if folder.stat().st_mtime < old:
                folder.unlink() if folder.is_file() else shutil.rmtree(folder)
