"""Frozen records that hold arrays: compared by value without raising, and shown in a line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import numpy as np

T = TypeVar("T")
LONGEST = 60  # characters of one value in a record's line


def compared(record: type[T]) -> type[T]:
    """Class decorator, over `@dataclass(frozen=True)`: equality by :func:`same`, a short repr, no hash.

    Parameters
    ----------
    record
        The class, which is changed.

    Returns
    -------
    type
        The class itself.
    """
    record.__eq__ = lambda self, other: same(self, other) if type(self) is type(other) else NotImplemented  # type: ignore[method-assign]
    record.__repr__ = brief  # type: ignore[method-assign]
    record.__hash__ = None  # type: ignore[assignment]
    return record


def same(one: Any, other: Any) -> bool:
    """Whether two values are alike through records, mappings and arrays; an unknown number is like another."""
    if one is other:
        return True
    if isinstance(one, np.ndarray) or isinstance(other, np.ndarray):
        return _same_arrays(np.asarray(one), np.asarray(other))
    if isinstance(one, Sequence) and isinstance(other, Sequence) and not isinstance(one, str):
        return len(one) == len(other) and all(map(same, one, other))
    if type(one) is not type(other):
        return bool(one == other)
    if is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one) if f.compare)
    if isinstance(one, Mapping):
        return one.keys() == other.keys() and all(same(value, other[key]) for key, value in one.items())
    return bool(one == other or (one != one and other != other))


def _same_arrays(one: np.ndarray, other: np.ndarray) -> bool:
    if one.shape != other.shape:
        return False
    if one.dtype.kind in "fc" and other.dtype.kind in "fc":
        return bool(np.array_equal(one, other, equal_nan=True))
    if one.dtype == object or other.dtype == object:
        return all(map(same, one.ravel().tolist(), other.ravel().tolist()))
    return bool(np.array_equal(one, other))


def brief(record: Any) -> str:
    """A record in a line: arrays by type and shape, long values by their count."""
    shown = ", ".join(f"{f.name}={_brief(getattr(record, f.name))}" for f in fields(record))
    return f"{type(record).__name__}({shown})"


def _brief(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"<{value.dtype} {'x'.join(map(str, value.shape))}>"
    if is_dataclass(value) or hasattr(value, "model_dump"):
        return f"<{type(value).__name__}>"
    short = repr(value) if not isinstance(value, tuple | list | Mapping) or len(value) < 8 else ""
    if short and len(short) <= LONGEST:
        return short
    return f"<{type(value).__name__} of {len(value)}>" if hasattr(value, "__len__") else f"<{type(value).__name__}>"
