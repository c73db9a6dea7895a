"""Attributes as people write them, turned into names, numbers, yes or no, and known kinds.

Each function takes one attribute of a :class:`Layer` and says in the ledger what it could not use.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from planner.layers.source import sentence
from planner.ledger import DataError, Kind, Ledger, PlanError, nearest
from planner.site import Bools, Floats
from planner.units import M_PER_FT

if TYPE_CHECKING:
    from planner.layers.vector import Layer

YES = frozenset(["yes", "y", "true", "t", "1", "on", "x", "ja", "oui", "si", "sí", "sim"])
NO = frozenset(["no", "n", "false", "f", "0", "off", "nein", "non", "não", "nao"])

# One decimal sign, comma or point; a comma with exactly three digits after it could be a thousands sign.
PLAIN = re.compile(r"[+-]?(\d+([.]\d*)?|[.]\d+|\d+,(\d{1,2}|\d{4,})|\d*,(?!\d{3}$)\d+)([eE][+-]?\d+)?")


def text(value: object) -> str:
    """One attribute value as text.

    Parameters
    ----------
    value
        Of any type.

    Returns
    -------
    str
        Trimmed; '' for a missing one, '12' for 12.0.
    """
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        value = int(value)
    return str(value).strip()


def number(value: object) -> float | None:
    """A plain number.

    Parameters
    ----------
    value
        One attribute value.

    Returns
    -------
    float or None
        NaN for a missing value, None for anything that is no number.

    Examples
    --------
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


# tokens of a column's name that say its unit
_SAYS = {
    **dict.fromkeys(("ft", "feet", "foot"), "ft"),
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), "m"),
    **dict.fromkeys(("storeys", "storey", "stories", "story", "levels", "floors", "etages"), "storeys"),
}


def unit_said(attribute: str) -> str | None:
    """The unit that a column's name tells ("m", "ft", "storeys"); None where it tells none, or two.

    >>> unit_said("HEIGHT_FT"), unit_said("building:levels"), unit_said("heightM"), unit_said("height")
    ('ft', 'storeys', 'm', None)
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", attribute)
    said = {_SAYS[word] for word in re.split(r"[^a-z]+", apart.lower()) if word in _SAYS}
    return said.pop() if len(said) == 1 else None


_NUMBER = r"(\d+(?:[.,]\d{1,2}|[.]\d+)?)"
_INCH = rf'{_NUMBER}\s*(?:"|”|″|in\b\.?|inch(?:es)?\b)'
_INCHES = re.compile(_INCH)
_FEET = re.compile(rf"{_NUMBER}\s*(?:'|’|′|ft\b\.?|foot\b|feet\b)\s*(?:-?\s*{_INCH})?")
_METRES = re.compile(rf"{_NUMBER}\s*(?:m\b\.?|met(?:er|re)s?\b)")


def length_m(text_: str) -> float | None:
    """A length written with its unit, in metres.

    Parameters
    ----------
    text_
        As people write it.

    Returns
    -------
    float or None
        Metres; None for anything else.

    Examples
    --------
    >>> length_m("12 m"), round(length_m("28.5'"), 4), round(length_m("7 ft 4 in"), 4), length_m("12")
    (12.0, 8.6868, 2.2352, None)
    """
    word = text_.strip().lower()
    for pattern, factors in ((_METRES, (1.0,)), (_FEET, (M_PER_FT, M_PER_FT / 12)), (_INCHES, (M_PER_FT / 12,))):
        found = pattern.fullmatch(word)
        if found:
            return sum(
                float(said.replace(",", ".")) * factor
                for said, factor in zip(found.groups(), factors, strict=True)
                if said is not None
            )
    return None


_ABOUT = re.compile(r"\s*(?:~|≈|circa\b|about\b|approx\b\.?|ca\b\.?|c\.)\s*", re.IGNORECASE)
_RANGE = re.compile(r"([\d.,]+)\s*(\D*?)\s*[-–—]\s*([\d.,]+)\s*(\D*)")
RANGE, SEVERAL, ABOUT = (
    "is a range: its upper end is taken",
    "has several values: the highest is taken",
    "is an approximate value: taken as it stands",
)


def likely(value: object) -> tuple[str, str] | None:
    """The one number, maybe with a unit, that a vague text stands for, and what is assumed with it.

    Parameters
    ----------
    value
        One attribute value.

    Returns
    -------
    tuple of str or None
        The number as text, and RANGE, SEVERAL or ABOUT; None where the text is not vague, or cannot be told.

    Examples
    --------
    >>> likely("10-15 m"), likely("3;4")
    (('15 m', 'is a range: its upper end is taken'), ('4', 'has several values: the highest is taken'))
    >>> likely("~8"), likely("15-10"), likely("8")
    (('8', 'is an approximate value: taken as it stands'), None, None)
    """
    word = text(value)
    if ";" in word:
        each = [part.strip() for part in word.split(";")]
        read = [(_bare(part), part) for part in each]
        known = [(size, part) for size, part in read if size is not None]
        # of one kind: a length with its unit is not more or less than a bare number
        alike = len({number(part) is None for _, part in known}) == 1
        return (max(known)[1], SEVERAL) if len(known) == len(each) and alike else None
    about = _ABOUT.match(word)
    if about:
        word = word[about.end() :]
        deeper = likely(word)
        return deeper or ((word, ABOUT) if _bare(word) is not None else None)
    found = _RANGE.fullmatch(word)
    if found is None:
        return None
    low, unit, high, high_unit = found.groups()
    ends = number(low), number(high)
    if ends[0] is None or ends[1] is None or not ends[0] < ends[1] or unit not in ("", high_unit):
        return None
    word = f"{high} {high_unit}".strip()
    return (word, RANGE) if _bare(word) is not None else None


def _bare(word: str) -> float | None:
    """A number, or a length with its unit in metres; None for anything else, and for nothing."""
    size = number(word)
    if size is None:
        size = length_m(word)
    return None if size is None or np.isnan(size) else size


# columns by which OpenStreetMap's features are known there, and what stands before the number
_OSM_IDS = {"@id": "", "osm_way_id": "way/", "osm_id": "OSM "}


def id_columns(there: Iterable[str]) -> list[str]:
    """Of a layer's columns those that tell its features apart where they have no name."""
    return [column for column in there if column in _OSM_IDS]


def names(layer: Layer, attribute: str | None) -> tuple[str, ...]:
    """The attribute's text, of Overture's `names` the primary one; the number in OpenStreetMap, or else the row
    number in the file, where there is none."""
    words: tuple[str, ...] = ("",) * len(layer.rows)
    if attribute is not None:
        column = layer.table[attribute].to_numpy()  # the text itself: a column of Arrow's makes it anew each time
        words = tuple(map(str.strip if set(map(type, column)) == {str} else name_text, column))
        if "{" in "".join(words):  # seldom, and quicker than to look at each
            words = tuple(map(name_text, words))
    if all(words):
        return words
    for known in id_columns(_OSM_IDS):
        if known in layer.table.columns:
            numbers_ = map(text, layer.table[known])
            words = tuple(w or (n and _OSM_IDS[known] + n) for w, n in zip(words, numbers_, strict=True))
    return tuple(word or f"#{row}" for word, row in zip(words, layer.rows, strict=True))


def name_text(value: object) -> str:
    """A name as text; of a record of names, as Overture has them, the primary one.

    Parameters
    ----------
    value
        One attribute value: text, JSON, or a mapping.

    Returns
    -------
    str
        Trimmed; '' where there is none.

    Examples
    --------
    >>> name_text('{"primary": "Town Hall", "common": null}'), name_text({"primary": None}), name_text(" A ")
    ('Town Hall', '', 'A')
    """
    record: object = value
    if isinstance(value, str) and value.lstrip().startswith("{"):
        try:
            record = json.loads(value)
        except ValueError:
            return value.strip()
    if isinstance(record, dict) and "primary" in record:
        return text(record["primary"])
    return text(value)


@dataclass(frozen=True)
class Within:
    """The good values of an attribute: from `low` to `high`, in `unit`.

    low_counts: whether `low` itself is a good value (a height of 0 is none). unit: metres are lengths, which may be
    written with a unit of their own ("24 ft", "7'4\"", "12 m").
    """

    low: float
    high: float
    unit: str = "m"
    low_counts: bool = True

    def without(self, values: Floats) -> Bools:
        """(n,) which values are none of them; a missing one is no fault."""
        with np.errstate(invalid="ignore"):
            return (
                np.isinf(values)
                | (values > self.high)
                | ((values < self.low) if self.low_counts else (values <= self.low))
            )

    def __str__(self) -> str:
        least = f"{self.low:g} to" if self.low_counts else f"above {self.low:g} and up to"
        return f"{least} {self.high:g} {self.unit}"


def factor_of(unit: str) -> float:
    """Metres in one "m" or "ft"."""
    return {"m": 1.0, "ft": M_PER_FT}[unit]


def numbers(
    layer: Layer, attribute: str | None, what: str, within: Within, ledger: Ledger, factor: float = 1.0
) -> Floats:
    """The attribute times `factor` (n,), NaN where missing; what is no number, or not `within`, is listed.

    factor: in the unit of `within`; a value written with its own unit is not touched by it. Of a range, or of
    several values, the highest is taken, which is said.
    """
    if attribute is None:
        return np.full(len(layer), np.nan)
    column = layer.table[attribute]
    own: list[int] = []  # rows whose value has its unit written with it
    vague: dict[str, list[int]] = {RANGE: [], SEVERAL: [], ABOUT: []}
    if pd.api.types.is_float_dtype(column.dtype):  # numbers as they stand: no need to look at each
        odd, values = np.zeros(len(layer), bool), column.to_numpy(float) * factor
    else:
        parsed = [number(v) for v in column]
        values = np.array([np.nan if p is None else p for p in parsed], float) * factor
        odd = np.array([p is None for p in parsed], bool)
        for k in np.flatnonzero(odd):
            word, how = likely(column.iloc[k]) or (text(column.iloc[k]), None)
            size, metres = number(word), length_m(word) if within.unit == "m" else None
            if size is not None:
                odd[k], values[k] = False, size * factor
            elif metres is not None:
                odd[k], values[k] = False, metres
                own.append(int(k))
            if how is not None and not odd[k]:
                vague[how].append(int(k))
    absurd = within.without(values)
    for said, rows in (("has its unit written with the value: read with it", own), *vague.items()):
        if rows:
            ledger.add(
                Kind.REPAIRED if rows is own else Kind.ASSUMED,
                layer.where,
                f"{what} '{attribute}' {said}",
                _with_values(layer, attribute, np.isin(np.arange(len(layer)), rows)),
            )
    for faulty, said in ((odd, "is not a plain number"), (absurd, f"is out of range ({within})")):
        if faulty.any():
            ledger.add(
                Kind.SKIPPED,
                layer.where,
                f"{what} '{attribute}' {said}; treated as missing",
                _with_values(layer, attribute, faulty),
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
    layer: Layer,
    attribute: str,
    known: Sequence[str],
    default: str | None,
    ledger: Ledger,
    also: Mapping[str, str] | None = None,
) -> tuple[str, ...]:
    """One of the known words for each feature; DataError for another word, or for a missing one without default.

    also: other words, and the known one that each stands for, "" for none.
    """
    found = [re.sub(r"[\s_-]+", "_", text(v).lower()) for v in layer.table[attribute]]
    found = [(also or {}).get(word, word) for word in found]
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


def settle_unit(
    layer: Layer, attribute: str | None, key: str, unit: str, stated: bool, plan: str, ledger: Ledger
) -> None:
    """Say that a unit is assumed, or refuse one that the column's own name contradicts.

    key: of the unit in the plan; stated: whether the plan gives it. Raises PlanError.
    """
    if attribute is None:
        return
    said = unit_said(attribute)
    if said is not None and said != unit:
        raise PlanError(
            f"{plan}: {layer.key}.{key}",
            f"the name of the column '{attribute}' says {said}, and its unit is taken as {unit}",
            f'Write {key} = "{said}", or, if the name is wrong, rename the column',
        )
    if said is None and not stated:
        ledger.add(Kind.ASSUMED, layer.where, f"'{attribute}' is taken as {_IN_WORDS[unit]}: {key} is not given")


_IN_WORDS = {"m": "meters", "ft": "feet", "storeys": "stories"}
