"""Prices, decibels, letters: how small things are written; and what a number with its label is."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from planner.units import fixed


class Fact(StrEnum):
    """What a number of a mount is about; tables and sheets pick their rows by it."""

    SUNLIGHT = "sunlight"
    DIRECT_SUN = "direct sun"
    OBSTRUCTION = "obstruction"
    HEIGHT = "height"
    REACH = "reach"
    WINDWARD = "windward"
    EAVE = "eave"
    WALL = "wall"
    BUILT = "built"
    ETO_ERROR = "ETo error"
    SPRAY = "spray"
    HEAT = "heat"


@dataclass(frozen=True)
class Number:
    """One number as a person reads it: what it is about, its label, its value with the unit, what it rests on."""

    fact: Fact | None
    label: str
    value: str
    basis: str = ""


def price(value: float, currency: str) -> str:
    """'$1,250', to three figures where it is a sum of guesses."""
    digits = max(len(f"{value:.0f}") - 3, 0)
    return f"{currency}{round(value, -digits) + 0.0:,.0f}"


def decibels(value: float, spread: float) -> str:
    """'12 ± 7 dB', with a true minus sign."""
    return f"{fixed(value)} ± {fixed(spread)} dB"


def letter(row: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    row += 1
    while row:
        row, rest = divmod(row - 1, 26)
        text = chr(65 + rest) + text
    return text


def plural(count: int, one: str, many: str = "") -> str:
    """'1 sensor', '2 sensors'."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def listed(items: list[str]) -> str:
    """'A', 'A and B', 'A, B and C'."""
    return " and ".join([", ".join(items[:-1]), items[-1]]) if len(items) > 1 else "".join(items)


def article(number: str) -> str:
    """'an 86%', 'a 90%', 'an over 99%': a number with its article."""
    vowel = number[:1] == "8" or number[:2] in ("11", "18") or number.startswith(("over", "under"))
    return f"{'an' if vowel else 'a'} {number}"
