"""Which columns of a table hold coordinates, told by their names and values; and tables of places as text."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from planner.degrees import degrees, lat_lon
from planner.layers.columns import number
from planner.layers.rows import figure, separator
from planner.ledger import DataError
from planner.site import Floats, Shapes

# headings in small letters, signs put aside; whole words only, for "latitude" is no "lat"
_X = (
    "lon",
    "long",
    "lng",
    "longitude",
    "x",
    "easting",
    "east",
    "e",
    "xcoord",
    "coordx",
    "pointx",
    "longitud",
    "laengengrad",
)
_Y = ("lat", "latitude", "y", "northing", "north", "n", "ycoord", "coordy", "pointy", "latitud", "breitengrad")
_DEGREES = (
    "lon",
    "long",
    "lng",
    "longitude",
    "longitud",
    "laengengrad",
    "lat",
    "latitude",
    "latitud",
    "breitengrad",
)
# of a heading beside x or y: units, and whose coordinates they are
_BESIDE_AXIS = """
    ft feet foot us usft survey m meter meters metre metres deg degree degrees dd decimal dms wgs gps utm nad epsg
    coord coordinate coordinates point proj projected map site local grid
"""
_BESIDE = frozenset(_BESIDE_AXIS.split())
_OF_BOTH = "lat latlon latlong latlng gps coord coords coordinate coordinates location latitude"
_PAIR = frozenset(_OF_BOTH.split())
_FINE = re.compile(r"[.,]\d{3}.*[.,]\d{3}|[nsew]\W*$", re.IGNORECASE)  # as places are written, and little else
MOST = 0.5  # of a column's values, that it be one of places

_NAME = (
    "name",
    "site",
    "sitename",
    "location",
    "property",
    "place",
    "label",
    "title",
    "address",
    "store",
    "id",
    "nom",
)


@dataclass(frozen=True)
class Coordinates:
    """Columns of longitude (or easting) and latitude (or northing); one and the same where it holds both.

    degrees: whether they can be degrees.
    """

    x: str
    y: str
    degrees: bool


def coordinate_columns(names: Sequence[str], values: Sequence[Sequence[object]]) -> Coordinates | None:
    """The columns that hold coordinates; None where there are none, or several that might.

    values: by column, alike with `names`.

    >>> coordinate_columns(["Site", "Lat", "Long"], [["a"], ["33.4"], ["-112.1"]])
    Coordinates(x='Long', y='Lat', degrees=True)
    >>> coordinate_columns(["Site", "Lat/Long"], [["a"], ["33.4484, -112.0740"]])
    Coordinates(x='Lat/Long', y='Lat/Long', degrees=True)
    """
    named = _named(names) or _lettered(values)
    if named is None:
        both = next((name for name, column in zip(names, values, strict=True) if _hold_both(name, column)), None)
        return None if both is None else Coordinates(both, both, True)
    x, y = named
    found = [_numbers(values[k]) for k in (x, y)]
    if any(not np.isfinite(column).any() for column in found):
        return None
    with np.errstate(invalid="ignore"):
        degrees = all(
            bool((np.abs(column[np.isfinite(column)]) <= most).all())
            for column, most in zip(found, (180.0, 90.0), strict=True)
        )
    return Coordinates(names[x], names[y], degrees)


def _named(names: Sequence[str]) -> tuple[int, int] | None:
    """Which columns are called like x and y."""
    by_word = {_word(name): k for k, name in reversed(list(enumerate(names)))}
    x = next((by_word[word] for word in _X if word in by_word), None)
    y = next((by_word[word] for word in _Y if word in by_word), None)
    return None if x is None or y is None else (x, y)


_UMLAUTS = {ord("ä"): "ae", ord("ö"): "oe", ord("ü"): "ue"}


def _word(name: str) -> str:
    """A heading's letters, without what stands beside its axis.

    >>> _word("easting_ft"), _word("GPS Lat (WGS84)"), _word("Längengrad"), _word("POINT_X"), _word("xCoord")
    ('easting', 'lat', 'laengengrad', 'x', 'xcoord')
    """
    words = re.findall(r"[a-z]+", name.lower().translate(_UMLAUTS))
    return "".join([word for word in words if word not in _BESIDE] or words)


def _lettered(values: Sequence[Sequence[object]]) -> tuple[int, int] | None:
    """The one column of values that end in E or W and the one of those that end in N or S, whatever their names."""
    by_axis: dict[str, list[int]] = {"ew": [], "ns": []}
    for k, column in enumerate(values):
        there = [said for value in column if (said := str(value or "").strip())]
        for axis, found in by_axis.items():
            fit = sum(said[-1].lower() in axis and degrees(said) is not None for said in there)
            if there and fit > MOST * len(there):
                found.append(k)
    x, y = by_axis["ew"], by_axis["ns"]
    return (x[0], y[0]) if len(x) == len(y) == 1 else None


def _hold_both(name: str, column: Sequence[object]) -> bool:
    there = [said for value in column if (said := str(value or "").strip())]
    named = bool(_PAIR & set(re.findall(r"[a-z]+", name.lower())))
    fit = sum(lat_lon(said) is not None and (named or _FINE.search(said) is not None) for said in there)
    return bool(there) and fit > MOST * len(there)


def points(x: Sequence[object], y: Sequence[object], both: str | None = None) -> Shapes:
    """(n,) points of a table's rows, None where there is none.

    Parameters
    ----------
    x, y
        (n,) values as they stand.
    both
        Name of the column where it is one that holds both; longitude comes first where that says so.

    Returns
    -------
    array of shapely points

    Examples
    --------
    >>> points(["33.4, -112.1"], ["33.4, -112.1"], "GPS")[0], points(["112°06'W"], ["33.4"])[0]
    (<POINT (-112.1 33.4)>, <POINT (-112.1 33.4)>)
    """
    if both is None:
        xy = np.column_stack([_numbers(x), _numbers(y)])
    else:
        first = _LONGITUDE_FIRST.search(both.lower()) is not None
        xy = np.array([_both(value, first) for value in x], float).reshape(-1, 2)
    shapes = np.full(len(xy), None, object)
    good = np.isfinite(xy).all(axis=1)
    shapes[good] = shapely.points(xy[good])
    return shapes


_LONGITUDE_FIRST = re.compile(r"lo?ng?[a-z]*\W+lat")


def _both(value: object, longitude_first: bool) -> tuple[float, float]:
    said = str(value or "")
    if longitude_first and not re.search(r"[nsew]", said, re.IGNORECASE):
        halves = re.split(r"\s*[,;]\s*|\s+", said.strip("() "))
        said = ", ".join(reversed(halves)) if len(halves) == 2 else ""
    found = lat_lon(said)
    return (np.nan, np.nan) if found is None else (found[1], found[0])


def coordinate(value: object) -> float | None:
    """A number, also with its thousands apart, or degrees with minutes, seconds or a letter; None for words.

    >>> coordinate("35,271"), coordinate("1,529,841.44"), coordinate("35°15'N"), coordinate("tbd")
    (35.271, 1529841.44, 35.25, None)
    """
    plain = number(value)
    if plain is not None or not isinstance(value, str):
        return plain
    turned = degrees(value)
    return figure(value) if turned is None else turned


def _numbers(values: Sequence[object]) -> Floats:
    read = [coordinate(value) for value in values]
    return np.array([np.nan if number is None else number for number in read], np.float64)


@dataclass(frozen=True)
class PlaceRows:
    """n places of a table: names, and (n,) degrees."""

    names: tuple[str, ...]
    longitude_deg: Floats
    latitude_deg: Floats


def places_in(text: str, where: str = "standard input") -> PlaceRows:
    """Places of a CSV as text: columns of latitude and longitude, and a name where there is one.

    Parameters
    ----------
    text
        Its first line is its heading; without one that names both, two or three columns are taken as (name,)
        latitude, longitude.
    where
        What the text is called in messages.

    Returns
    -------
    PlaceRows
        Degrees, in the text's order.

    Raises
    ------
    DataError
        With the number of the line that cannot be read.
    """
    numbered = [(k, line) for k, line in enumerate(text.lstrip("\ufeff").splitlines(), 1) if line.strip(" \t,;")]
    at, lines = [k for k, _ in numbered], [line for _, line in numbered]
    if not lines:
        raise DataError(where, "there is nothing in it", "Give a CSV with columns name, latitude, longitude")
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator(lines))]
    head, body = rows[0], rows[1:]
    width = len(head)
    short = next((k for k, row in enumerate(rows) if len(row) != width), None)
    if short is not None:
        raise DataError(
            f"{where}, line {at[short]}",
            f"it has {len(rows[short])} columns, the first line {width}",
            "Mend that line",
        )
    if width in (2, 3) and degrees(head[-1]) is not None and degrees(head[-2]) is not None:
        body, lat, lon, name = rows, width - 2, width - 1, (0 if width == 3 else None)
    else:
        named = _named(head)
        if named is None:
            raise DataError(
                where,
                f"no columns of latitude and longitude among: {', '.join(head)}",
                "Call them latitude and longitude, in degrees",
            )
        lon, lat = named
        words = [_word(cell) for cell in head]
        name = next((words.index(word) for word in _NAME if word in words), None)
    if not body:
        raise DataError(where, "there is a heading and no place", "Give one line a place")
    names, xy = [], np.empty((len(body), 2))
    at = at[len(rows) - len(body) :]
    for k, row in enumerate(body):
        xy[k] = [_degrees(row[column], f"{where}, line {at[k]}", most) for column, most in ((lon, 180), (lat, 90))]
        names.append((row[name] if name is not None else "") or f"#{k + 1}")
    return PlaceRows(tuple(names), xy[:, 0], xy[:, 1])


def _degrees(text: str, where: str, most: int) -> float:
    axis = "longitude" if most == 180 else "latitude"
    value = degrees(text)
    if value is None:
        raise DataError(where, f"'{text}' is no {axis}", "Write decimal degrees, for example 33.45 and -112.07")
    if not abs(value) <= most:
        raise DataError(
            where,
            f"{value:g} is no {axis}: it goes from -{most} to {most}",
            "Check whether latitude and longitude are exchanged, or in metres",
        )
    return value
