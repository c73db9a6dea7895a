"""How kernels are compiled: one decorator with one set of options."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, TypeVar, overload

from numba import njit, prange

__all__ = ["kernel", "prange"]

R = TypeVar("R")


@overload
def kernel(function: Callable[..., R]) -> Callable[..., R]: ...
@overload
def kernel(
    *, parallel: bool = ..., inline: Literal["never", "always"] = ...
) -> Callable[[Callable[..., R]], Callable[..., R]]: ...
def kernel(function: Callable[..., Any] | None = None, **options: Any) -> Any:
    """Compile a function on its first call: `@kernel`, or `@kernel(parallel=True)`.

    Division follows NumPy (by zero it gives inf or nan, and does not raise), and other threads may run meanwhile.
    """
    compiled = njit(cache=True, nogil=True, error_model="numpy", **options)
    return compiled(function) if function is not None else compiled
