"""Attributes as people write them, turned into names, numbers, yes or no, and known kinds.

Each function takes one attribute of a :class:`Layer` and says in the ledger what it could not use.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from planner.layers.source import sentence
from planner.ledger import DataError, Kind, Ledger, nearest
from planner.site import Bools, Floats

if TYPE_CHECKING:
    from planner.layers.vector import Layer

YES = frozenset(["yes", "y", "true", "t", "1", "on", "x", "ja", "oui", "si", "sí", "sim"])
NO = frozenset(["no", "n", "false", "f", "0", "off", "nein", "non", "não", "nao"])

# One decimal sign, comma or point; a comma with exactly three digits after it could be a thousands sign.
PLAIN = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+|\d+,(\d{1,2}|\d{4,})|\d*,(?!\d{3}$)\d+)([eE][+-]?\d+)?")


def text(value: object) -> str:
    """One attribute value as trimmed text; '' for a missing one, '12' for 12.0."""
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        value = int(value)
    return str(value).strip()


def number(value: object) -> float | None:
    """A plain number, NaN for a missing value, None for anything else.

    >>> number("12,5"), number(" 7 "), number("12.5 m"), number("1,250")
    (12.5, 7.0, None, None)
    """
    if isinstance(value, bool | np.bool_):
        return None
    if isinstance(value, int | float | np.integer | np.floating):
        return float(value)
    word = text(value)
    if word.lower() in ("", "nan", "none", "null", "na", "n/a", "-"):
        return float("nan")
    return float(word.replace(",", ".")) if PLAIN.fullmatch(word) else None


def names(layer: Layer, attribute: str | None) -> tuple[str, ...]:
    """The attribute's text; the row number in the file where there is none."""
    if attribute is None:
        return tuple(f"#{row}" for row in layer.rows)
    column = layer.table[attribute]
    words = tuple(map(str.strip if set(map(type, column)) == {str} else text, column))
    if all(words):
        return words
    return tuple(word or f"#{row}" for word, row in zip(words, layer.rows, strict=True))


def numbers(
    layer: Layer,
    attribute: str | None,
    what: str,
    ledger: Ledger,
    *,
    factor: float = 1.0,
    low: float = -np.inf,
    high: float = np.inf,
    low_counts: bool = True,
) -> Floats:
    """The attribute times `factor` (n,), NaN where missing; what is no number or out of [low, high] is listed.

    low_counts: whether `low` itself is a good value (a height of 0 is none).
    """
    if attribute is None:
        return np.full(len(layer), np.nan)
    column = layer.table[attribute]
    if pd.api.types.is_float_dtype(column.dtype):  # numbers as they stand: no need to look at each
        odd, values = np.zeros(len(layer), bool), column.to_numpy(float) * factor
    else:
        parsed = [number(v) for v in column]
        odd = np.array([p is None for p in parsed], bool)
        values = np.array([np.nan if p is None else p for p in parsed], float) * factor
    with np.errstate(invalid="ignore"):
        absurd = np.isinf(values) | (values > high) | ((values < low) if low_counts else (values <= low))
    if odd.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"{what} '{attribute}' is not a plain number; treated as missing",
            _with_values(layer, attribute, odd),
        )
    if absurd.any():
        bounds = f"{low:g} to {high:g}" if low_counts else f"above {low:g} and up to {high:g}"
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"{what} '{attribute}' is out of range ({bounds} m); treated as missing",
            _with_values(layer, attribute, absurd),
        )
    return np.where(absurd, np.nan, values)


def flags(layer: Layer, attribute: str | None, what: str, default: str, ledger: Ledger) -> list[bool | None]:
    """True, False, or None where the attribute is missing or cannot be read (listed; `default` says what then)."""
    if attribute is None:
        return [None] * len(layer)
    read: list[bool | None] = []
    odd = np.zeros(len(layer), bool)
    for k, value in enumerate(layer.table[attribute]):
        word = text(value).lower().rstrip(".")
        read.append(True if word in YES else False if word in NO else None)
        odd[k] = read[-1] is None and word != ""
    if odd.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"{what} '{attribute}' is neither yes nor no; {default}",
            _with_values(layer, attribute, odd),
        )
    return read


def kinds(
    layer: Layer, attribute: str, known: Sequence[str], default: str | None, ledger: Ledger
) -> tuple[str, ...]:
    """One of the known words for each feature; DataError for another word, or for a missing one without default."""
    found = [re.sub(r"[\s_-]+", "_", text(v).lower()) for v in layer.table[attribute]]
    for word, raw in zip(found, layer.table[attribute], strict=True):
        if word and word not in known:
            of = [n for n, w in zip(layer.names, found, strict=True) if w == word]
            raise DataError(
                f"{layer.where}, {_few(of)}",
                f"'{text(raw)}' in '{attribute}' is not known",
                f"{sentence(nearest(word, known))} (one of: {', '.join(known)})",
            )
    empty = [n for n, w in zip(layer.names, found, strict=True) if not w]
    if empty and default is None:
        raise DataError(
            f"{layer.where}, {_few(empty)}",
            f"'{attribute}' is empty",
            f"Give each feature one of: {', '.join(known)}",
        )
    if empty:
        ledger.add(Kind.ASSUMED, layer.where, f"'{attribute}' is empty: {default} taken", empty)
    return tuple(w or str(default) for w in found)


def _few(words: list[str]) -> str:
    return ", ".join(words[:3]) + (f" and {len(words) - 3} more" if len(words) > 3 else "")


def _with_values(layer: Layer, attribute: str, mask: Bools) -> list[str]:
    values = list(layer.table[attribute])
    return [f"{layer.names[k]}: {text(values[k])}" for k in np.flatnonzero(mask)]
