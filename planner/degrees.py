"""Latitude and longitude as people type and paste them."""

from __future__ import annotations

import re

_LETTERS = {"n": 1, "e": 1, "s": -1, "w": -1}
_PARTS = re.compile(  # degrees, minutes and maybe seconds, as maps and phones write them
    r"\s*([-\u2212]?\d{1,3})\s*[°º:\s]\s*(\d{1,2}(?:[.]\d*)?)\s*['’′:\s]?\s*"
    r"(?:(\d{1,2}(?:[.]\d*)?)\s*(?:[\"”″]|''|’’)?\s*)?([nsew]?)\s*",
    re.IGNORECASE,
)
_ONE = re.compile(r"\s*([-+\u2212]?\d+(?:[.]\d*)?|[-+\u2212]?[.]\d+)\s*°?\s*([nsew]?)\s*", re.IGNORECASE)

_GAP = re.compile(r"\s*[,;]\s*|(?<=[nsew])|\s+", re.IGNORECASE)


def degrees(text: str) -> float | None:
    """Decimal degrees, or degrees, minutes and seconds; with a letter in place of the sign where people write one.

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
    >>> degrees("33°27'00''S"), degrees("112° 4.2' W"), degrees("-112:04:12"), degrees("33°61'N"), degrees("33 45")
    (-33.45, -112.07, -112.07, None, None)
    """
    word = re.sub(r"(?<=\d),(?=\d)", ".", text, count=1)  # a decimal comma
    found = _ONE.fullmatch(word)
    if found is None:
        return _from_parts(word)
    number, letter = found[1].replace("\u2212", "-"), found[2].lower()
    if letter and number.startswith(("-", "+")):
        return None
    return float(number) * _LETTERS.get(letter, 1)


def _from_parts(text: str) -> float | None:
    found = _PARTS.fullmatch(text)
    if found is None or not re.search(r"[°º:'’′nsew]", text, re.IGNORECASE):  # two bare numbers may be anything
        return None
    whole, minutes, seconds, letter = found[1], float(found[2]), float(found[3] or 0.0), found[4].lower()
    below = whole.startswith(("-", "\u2212"))
    if minutes >= 60 or seconds >= 60 or (letter and below) or (found[3] and "." in found[2]):
        return None
    size = abs(int(whole.replace("\u2212", "-"))) + minutes / 60 + seconds / 3600
    return -size if below or letter in ("s", "w") else size


def lat_lon(text: str) -> tuple[float, float] | None:
    """Latitude and longitude of one place, in that order.

    Parameters
    ----------
    text
        Both, with a comma, a semicolon or a space between. Where letters say which is which, any order does.

    Returns
    -------
    tuple of float, or None
        Decimal degrees; None where it is no place.

    Examples
    --------
    >>> lat_lon("33.45, -112.07"), lat_lon("33.45 -112.07"), lat_lon("112.07W 33.45N"), lat_lon("-112 33")
    ((33.45, -112.07), (33.45, -112.07), (33.45, -112.07), None)
    >>> lat_lon("(33,45; -112,07)"), lat_lon("33°27'00\\"N 112°04'12\\"W"), lat_lon("33.45"), lat_lon("3 rd, 4 th")
    ((33.45, -112.07), (33.45, -112.07), None, None)
    """
    text = text.strip().removeprefix("(").removesuffix(")")
    for gap in _GAP.finditer(text):
        one, other = text[: gap.start()], text[gap.end() :]
        first, second = degrees(one), degrees(other)
        if first is not None and second is not None:
            break
    else:
        return None
    axes = "".join(half.strip()[-1:].lower() for half in (one, other) if half.strip()[-1:].isalpha())
    if len(axes) == 2 and axes[0] in "ew" and axes[1] in "ns":
        first, second = second, first
    elif len(axes) == 1 or (axes and not (axes[0] in "ns" and axes[1] in "ew")):
        return None
    return (first, second) if abs(first) <= 90 and abs(second) <= 180 else None
