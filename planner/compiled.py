"""How kernels are compiled: one decorator with one set of options; and how threads share them.

Numba takes half a second to load, and is loaded when something is compiled: what comes to no loop does without.
"""

from __future__ import annotations

import functools
import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal, TypeVar, cast, overload

__all__ = ["in_threads", "inner", "kernel", "maker", "plain", "tasks", "threads"]

R = TypeVar("R")

TASKS = 8  # a thread, where the caller does not say: so many that none waits long for the last


@overload
def kernel(function: Callable[..., R]) -> Callable[..., R]: ...
@overload
def kernel(*, inline: Literal["never", "always"] = ...) -> Callable[[Callable[..., R]], Callable[..., R]]: ...
def kernel(function: Callable[..., Any] | None = None, **options: Any) -> Any:
    """Compile a function on its first call.

    Division follows NumPy (by zero it gives inf or nan, and does not raise), and other threads may run meanwhile:
    :func:`in_threads` shares a loop among them. Numba's own parallel loops take far longer to compile, and
    its simplest threading layer ends the process when two threads enter at once.
    """
    if function is None:
        return functools.partial(kernel, **options)
    return _Late(function, _OPTIONS | options, on_disk=True)


def inner(function: Callable[..., R]) -> Callable[..., R]:
    """Compile a function that kernels alone call: it has no way in from Python and no files, and is kept inside the
    kernels that call it. Both cost more to make than many a small function itself.

    It makes no array, calls nothing that gives one, and gives none: so it need not count who holds those that it is
    handed, which in loops over records of many arrays costs more than the work. One that does is a :func:`maker`.
    """
    return cast("Callable[..., R]", _Late(function, _OPTIONS | _INNER | {"_nrt": False}, on_disk=False))


def maker(function: Callable[..., R]) -> Callable[..., R]:
    """Compile a function that kernels alone call, and that makes arrays, or gives some."""
    return cast("Callable[..., R]", _Late(function, _OPTIONS | _INNER | {"_nrt": True}, on_disk=False))


# no_cfunc_wrapper: nobody calls a kernel by its address
_OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}
_INNER: dict[str, Any] = {"no_cpython_wrapper": True}


class _Late:
    """A function, and from the first call on what Numba makes of it; Numba takes it for its own dispatcher."""

    def __init__(self, function: Callable[..., Any], options: dict[str, Any], *, on_disk: bool) -> None:
        functools.update_wrapper(self, function)
        self.py_func, self._options, self._on_disk = function, options, on_disk

    def __call__(self, *given: Any) -> Any:
        return self._made(*given)

    @functools.cached_property
    def _made(self) -> Any:
        from planner.kept import dispatcher

        with _making:  # two threads would each make their own
            return vars(self).get("_made") or dispatcher(self.py_func, self._options, self._on_disk)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__"):  # asked for by those who look what kind of object this is
            raise AttributeError(name)
        return getattr(self._made, name)


_making = threading.RLock()


def plain(made: Callable[..., R]) -> Callable[..., R]:
    """The function as it is written, for work so little that Numba would take longer to load."""
    return cast("Callable[..., R]", cast(Any, made).py_func)


def threads() -> int:
    """How many threads may work at once.

    Returns
    -------
    int
        NUMBA_NUM_THREADS, else the cores that this process may use.
    """
    asked = os.environ.get("NUMBA_NUM_THREADS", "")
    if asked.isdecimal() and int(asked) > 0:
        return int(asked)
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def tasks(total: int, most: int | None = None) -> list[slice]:
    """0..total in runs of at most `most`, and at least one for each thread; unless given, TASKS for each thread."""
    share = max(1, -(-total // (threads() if most else TASKS * threads())))
    step = min(share, most or share)
    return [slice(k, min(k + step, total)) for k in range(0, total, step)]


def in_threads(work: Callable[[slice], object], total: int, most: int | None = None) -> None:
    """Call a function for each of :func:`tasks`, in all threads; compiled code lets go of Python's lock.

    Parameters
    ----------
    work
        Takes the slice that it is to do; what it raises is raised here.
    total
        How many there are to do.
    most
        Of one slice.
    """
    runs = tasks(total, most)
    if len(runs) < 2 or threads() < 2:
        for run in runs:
            work(run)
        return
    with ThreadPoolExecutor(threads()) as pool:
        for _ in pool.map(work, runs):
            pass
