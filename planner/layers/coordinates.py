"""Which columns of a table hold coordinates, told by their names and values; and tables of places as text."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.degrees import degrees
from planner.layers.rows import figure, separator
from planner.ledger import DataError
from planner.site import Floats

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
    """Columns of longitude (or easting) and latitude (or northing). degrees: whether they can be degrees."""

    x: str
    y: str
    degrees: bool


def coordinate_columns(names: Sequence[str], values: Sequence[Sequence[object]]) -> Coordinates | None:
    """The columns that hold coordinates; None where there are none, or several that might.

    values: by column, alike with `names`.

    >>> coordinate_columns(["Site", "Lat", "Long"], [["a"], ["33.4"], ["-112.1"]])
    Coordinates(x='Long', y='Lat', degrees=True)
    """
    named = _named(names)
    if named is None:
        return None
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


def _word(name: str) -> str:
    return re.sub(r"[^a-z]", "", name.lower())


def coordinate(value: object) -> float | None:
    """A number as exports write it, or degrees with minutes, seconds or a letter; NaN or None for nothing."""
    if value is None:
        return None
    plain = figure(str(value))
    return degrees(str(value)) if plain is None else plain


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
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip()]
    if not lines:
        raise DataError(where, "there is nothing in it", "Give a CSV with columns name, latitude, longitude")
    rows = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=separator(lines))]
    head, body = rows[0], rows[1:]
    width = len(head)
    short = next((k for k, row in enumerate(rows, 1) if len(row) != width), None)
    if short is not None:
        raise DataError(
            f"{where}, line {short}",
            f"it has {len(rows[short - 1])} columns, the first line {width}",
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
    first = len(rows) - len(body) + 1
    for k, row in enumerate(body):
        xy[k] = [
            _degrees(row[column], f"{where}, line {first + k}", most) for column, most in ((lon, 180), (lat, 90))
        ]
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
