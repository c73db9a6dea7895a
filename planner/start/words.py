"""Names of files, layers and columns taken apart, accents and camel case put aside."""

from __future__ import annotations

import re
import unicodedata

_LETTERS = {"ß": "ss", "æ": "ae", "ø": "o", "œ": "oe", "ł": "l", "đ": "d"}


def plain(name: str) -> str:
    """Small letters without accents: 'Höhe' to 'hohe'."""
    text = "".join(_LETTERS.get(c, c) for c in name.lower())
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def words(name: str) -> tuple[str, ...]:
    """The words of a name.

    >>> words("TreeHeight_ft"), words("building:levels"), words("HGT_AGL2")
    (('tree', 'height', 'ft'), ('building', 'levels'), ('hgt', 'agl'))
    """
    apart = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return tuple(re.findall(r"[a-z]+", plain(apart)))


def run_together(name: str) -> str:
    """All letters of a name in one: 'HEIGHT_ROOF' to 'heightroof'."""
    return "".join(words(name))


def each(text: str) -> frozenset[str]:
    """The words of a list written with spaces between."""
    return frozenset(text.split())
