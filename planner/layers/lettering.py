"""Heights that stand as texts in a drawing: "24'", "EL 24 FT" or "2F" in or beside the outline of a building.

What a text says is kept as it is written, in columns by which a plan may name it; a bare length may also be a
dimension, and an elevation no height: the plan, not the reader, decides.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from planner.layers.columns import length_m, number
from planner.site import Ints, Shapes

HEIGHT, ELEVATION, STOREYS = "HeightText", "ElevationText", "StoreysText"
COLUMNS = (HEIGHT, ELEVATION, STOREYS)
MOST_STOREYS = 60

_OF = r"(?:(?:bldg|building|roof|eave|parapet|wall|top|top\s+of\s+(?:roof|wall|parapet))\b\.?\s*)?"
_HIGH = re.compile(rf"{_OF}(?:height|hgt|ht|h)\b\.?\s*[:=]?\s*|{_OF}(?=\d)", re.IGNORECASE)
_HIGH_AFTER = re.compile(r"\s*\(?\b(?:high|tall|height|hgt|ht|agl)\b\.?\)?$", re.IGNORECASE)
_ELEVATION = re.compile(rf"{_OF}(?:el|elev|elevation)\b\.?\s*[:=]?\s*\+?\s*", re.IGNORECASE)
_FLOORS = r"(?:f|fl|flr|floors?|sty|stor(?:y|ey|ies|eys)|levels?)"
_STOREYS = re.compile(rf"(\d{{1,2}})\s*-?\s*{_FLOORS}\b\.?", re.IGNORECASE)


@dataclass(frozen=True)
class Said:
    """One line of a text.

    column: HEIGHT, ELEVATION or STOREYS, '' for a name. value: a number, maybe with its unit. worded: whether a
    word of the line tells what it is, so that it is no dimension.
    """

    column: str
    value: str
    worded: bool = True


def said(line: str) -> Said:
    """What a line of a text says.

    Parameters
    ----------
    line
        As it stands in the drawing.

    Returns
    -------
    Said
        Of a line that is no height, itself as a name.

    Examples
    --------
    >>> said("40'-6\\"").column, said("Bldg. Ht.: 24 ft").value, said("EL +324.5'").column, said("2-STORY").value
    ('HeightText', '24 ft', 'ElevationText', '2')
    >>> said("Room 24").column, said("24").column, said("Hall 2F").column
    ('', '', '')
    """
    line = " ".join(line.split())
    found = _STOREYS.fullmatch(line)
    if found and 1 <= int(found[1]) <= MOST_STOREYS:
        return Said(STOREYS, found[1])
    lead = _ELEVATION.match(line)
    if lead and _is_size(line[lead.end() :]):
        return Said(ELEVATION, line[lead.end() :])
    lead = _HIGH.match(line)
    rest = line[lead.end() :] if lead else line
    bare = _HIGH_AFTER.sub("", rest)
    worded = bool(lead and lead.group()) or bare != rest
    if length_m(bare) is not None or (worded and _is_size(bare)):
        return Said(HEIGHT, bare, worded)
    return Said("", line)


def _is_size(word: str) -> bool:
    size = number(word)
    return length_m(word) is not None or (size is not None and bool(np.isfinite(size)))


def name_in(text: str) -> str:
    """The lines of a text that say no height, as one; '' where all do."""
    return " ".join(one.value for one in map(said, text.splitlines()) if not one.column)


def columns_of(shapes: Shapes, spots: Shapes, texts: Sequence[str], within: float) -> dict[str, list[str | None]]:
    """The heights that texts give polygons.

    Parameters
    ----------
    shapes
        (n,) of which the polygons may have one.
    spots, texts
        (k,) points of the texts, and what they say.
    within
        How far a text that says in words what it is may stand beside its polygon, in the drawing's unit. One that
        does not may be a dimension there, and counts inside alone.

    Returns
    -------
    dict
        Columns (n,) by name, those in which anything stands; several values have a semicolon between.
    """
    lines = [(k, one) for k, text in enumerate(texts) for one in map(said, text.splitlines()) if one.column]
    areas = np.flatnonzero(np.isin(shapely.get_type_id(shapes), (3, 6)))
    if not lines or not len(areas):
        return {}
    owner = _owners(shapes[areas], spots, within)
    found: dict[str, list[dict[str, None]]] = {}
    for k, one in lines:
        area, inside = owner.get(k, (-1, False))
        if area >= 0 and (inside or one.worded):
            rows = found.setdefault(one.column, [{} for _ in shapes])
            rows[areas[area]][one.value] = None
    return {column: [";".join(values) or None for values in found[column]] for column in COLUMNS if column in found}


def _owners(areas: Shapes, spots: Shapes, within: float) -> Mapping[int, tuple[int, bool]]:
    """Of each text the polygon that it is of, and whether it lies in it: the smallest that holds it, else the
    nearest."""
    of, area = shapely.STRtree(areas).query(spots, predicate="dwithin", distance=within)
    away, size = shapely.distance(spots[of], areas[area]), shapely.area(areas[area])
    order: Ints = np.lexsort((size, away))
    owner: dict[int, tuple[int, bool]] = {}
    for k in order.tolist():
        owner.setdefault(int(of[k]), (int(area[k]), bool(away[k] == 0)))
    return owner
