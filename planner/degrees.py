"""Latitude and longitude as people type and paste them."""

from __future__ import annotations

import re

_LETTERS = {"n": 1, "e": 1, "s": -1, "w": -1}
_ONE = re.compile(r"\s*([-+\u2212]?\d+(?:[.]\d*)?|[-+\u2212]?[.]\d+)\s*°?\s*([nsew]?)\s*", re.IGNORECASE)


def degrees(text: str) -> float | None:
    """Decimal degrees, with a letter in place of the sign where people write one.

    Parameters
    ----------
    text
        One number, as typed or pasted.

    Returns
    -------
    float or None
        None for anything else than such a number.

    Examples
    --------
    >>> degrees("33.45"), degrees("112.07 W"), degrees("33.45°N"), degrees("north"), degrees("-33 S")
    (33.45, -112.07, 33.45, None, None)
    """
    found = _ONE.fullmatch(re.sub(r"(?<=\d),(?=\d)", ".", text, count=1))  # a decimal comma
    if found is None:
        return None
    number, letter = found[1].replace("\u2212", "-"), found[2].lower()
    if letter and number.startswith(("-", "+")):
        return None
    return float(number) * _LETTERS.get(letter, 1)


def lat_lon(text: str) -> tuple[float, float] | None:
    """Latitude and longitude of one place, in that order.

    Parameters
    ----------
    text
        Both, with a comma or a space between. Where letters say which is which, any order does.

    Returns
    -------
    tuple of float, or None
        Decimal degrees; None where it is no place.

    Examples
    --------
    >>> lat_lon("33.45, -112.07"), lat_lon("33.45 -112.07"), lat_lon("112.07W 33.45N"), lat_lon("-112 33")
    ((33.45, -112.07), (33.45, -112.07), (33.45, -112.07), None)
    """
    parts = [_ONE.match(text)]
    if parts[0] is None:
        return None
    rest = re.sub(r"^\s*[,;]?\s*", "", text[parts[0].end() :])
    first, second = degrees(parts[0][0]), degrees(rest)
    if first is None or second is None:
        return None
    axes = parts[0][2].lower() + (rest.strip()[-1:].lower() if rest.strip()[-1:].isalpha() else "")
    if len(axes) == 2 and axes[0] in "ew" and axes[1] in "ns":
        first, second = second, first
    elif len(axes) == 1 or (axes and not (axes[0] in "ns" and axes[1] in "ew")):
        return None
    return (first, second) if abs(first) <= 90 and abs(second) <= 180 else None
