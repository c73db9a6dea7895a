"""Sites with a lost minus, or with their coordinates exchanged.

Told by the country that the table or the plan names, and by where the other sites lie.

119.36, 35.27 is a place in China as good as any; only what else is known of the contract says that California was
meant. Nothing is changed: who made the table knows.
"""

from __future__ import annotations

import re
import unicodedata
import zoneinfo
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from functools import cache
from importlib.resources import files
from pathlib import Path

import numpy as np

from planner.layers.columns import text
from planner.layers.frame import apart_m
from planner.ledger import Kind, Ledger
from planner.plan import PlanFile
from planner.site import Bools, ContractSites, Floats, inner_points

# no place of a country is much farther from the nearest of its time zones' cities: 1,700 km in the United States,
# 2,000 in India, with Kolkata alone, 2,150 in China
WITHIN_KM = 2250.0
CELL_DEG = 2.0  # a site with no other within this, or twice this, lies apart from all
MOST = 0.8  # of a column's values, that it be one of countries


class Slip(StrEnum):
    """What of a place was changed by mistake."""

    LONGITUDE = "longitude's sign"
    LATITUDE = "latitude's sign"
    ORDER = "order of the two"


_TODO = {
    Slip.LONGITUDE: "Longitudes west of Greenwich are negative (-119.36), those east of it are not",
    Slip.LATITUDE: "Latitudes south of the equator are negative (-33.9), those north of it are not",
    Slip.ORDER: "Put longitude (or easting) first",
}


def slips(x: float, y: float) -> dict[Slip, tuple[float, float]]:
    """Places (longitude, latitude) that may have been meant by one, each by the slip that made it another."""
    meant = {Slip.LONGITUDE: (-x, y), Slip.LATITUDE: (x, -y), Slip.ORDER: (y, x)}
    return {slip: spot for slip, spot in meant.items() if abs(spot[1]) <= 90}


# --- by the country that is named -------------------------------------------------------------------------------


@cache
def _table(name: str) -> tuple[tuple[str, ...], ...]:
    """Rows of one of the tables that come with the time zones (IANA, in the public domain); none where the system
    and Python have none."""
    for folder in (files("tzdata").joinpath("zoneinfo"),) if _has_tzdata() else ():
        return _rows(folder.joinpath(name).read_text(encoding="utf-8"))
    for place in zoneinfo.TZPATH:
        if (path := Path(place) / name).is_file():
            return _rows(path.read_text(encoding="utf-8"))
    return ()


def _has_tzdata() -> bool:
    try:
        return files("tzdata").joinpath("zoneinfo", "zone.tab").is_file()
    except ModuleNotFoundError:
        return False


def _rows(content: str) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(line.split("\t")) for line in content.splitlines() if line and not line.startswith("#"))


# territories whose sites a table may well count to the country itself
_OF_THE_US = ("PR", "VI", "GU", "AS", "MP")


@cache
def country_places() -> Mapping[str, Floats]:
    """By ISO 3166's two letters: (k, 2) longitude and latitude of a city in each of the country's time zones."""
    found: dict[str, list[tuple[float, float]]] = {}
    for code, at, *_ in _table("zone.tab"):
        if spot := re.fullmatch(r"([+-]\d{4}(?:\d\d)?)([+-]\d{5}(?:\d\d)?)", at):
            found.setdefault(code, []).append((_degrees(spot[2], 3), _degrees(spot[1], 2)))
    for code in _OF_THE_US:
        if code in found:
            found["US"] += found[code]
    return {code: np.array(places) for code, places in found.items()}


def _degrees(said: str, digits: int) -> float:
    """Degrees of ISO 6709's ±DDMM[SS] or ±DDDMM[SS].

    >>> _degrees("-1181434", 3)
    -118.24277777777777
    """
    sign, said = (-1 if said[0] == "-" else 1), said[1:].ljust(digits + 4, "0")
    return sign * (int(said[:digits]) + int(said[digits : digits + 2]) / 60 + int(said[digits + 2 :]) / 3600)


# as people write them, beside ISO 3166's codes and names
_ALSO = {
    **dict.fromkeys(("usa", "u s", "u s a", "united states of america", "america"), "US"),
    **dict.fromkeys(("uk", "united kingdom", "great britain", "england", "scotland", "wales"), "GB"),
    **{"mex": "MX", "can": "CA", "canada": "CA", "aus": "AU", "nzl": "NZ", "deutschland": "DE", "espana": "ES"},
    **{"italia": "IT", "brasil": "BR", "nederland": "NL", "the netherlands": "NL", "holland": "NL"},
}
# the Postal Service's codes of states; from memory
_OF_STATES = """
    AL AK AZ AR CA CO CT DE DC FL GA HI ID IL IN IA KS KY LA ME MD MA MI MN MS MO MT NE NV NH NJ NM NY NC ND OH OK
    OR PA RI SC SD TN TX UT VT VA WA WV WI WY PR
"""
_STATES = frozenset(_OF_STATES.split())
_COUNTRY = re.compile(r"countr|\bnation\b|\bpays\b|\bpais\b|\bpaese\b|\bland\b")
_STATE = re.compile(r"\bstate\b|\bst\b")


@cache
def _codes() -> Mapping[str, str]:
    named = {_worded(name): code for code, name in ((row[0], row[1]) for row in _table("iso3166.tab"))}
    return {**{code.lower(): code for code in country_places()}, **named, **_ALSO}


def _worded(name: str) -> str:
    """Small letters without accents, a space between words.

    >>> _worded("CountryCode"), _worded("Cote d'Ivoire"), _worded("U.S.A.")
    ('country code', 'cote d ivoire', 'u s a')
    """
    apart = unicodedata.normalize("NFKD", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)).lower()
    return " ".join(re.findall(r"[a-z]+", re.sub(r"[^\x00-\x7f]", "", apart)))


def countries_said(own: Mapping[str, Sequence[object]], n: int) -> list[str]:
    """What a table's own columns say of where its rows lie.

    Parameters
    ----------
    own
        Columns (n,) by name.
    n
        Rows.

    Returns
    -------
    list of str
        (n,) two letters of ISO 3166, "" where nothing is said: by a column of countries, else of states of the
        United States.

    Examples
    --------
    >>> countries_said({"Country": ["USA", "Mexico", "", "usa", "US", "Canada"]}, 6)
    ['US', 'MX', '', 'US', 'US', 'CA']
    >>> countries_said({"St": ["CA", "TX"], "land use": ["park", "school"]}, 2)
    ['US', 'US']
    """
    for pattern, read in ((_COUNTRY, _country), (_STATE, _country_of_state)):
        for name, values in own.items():
            if not pattern.search(_worded(name)):
                continue
            there = [text(value) for value in values]
            said = [read(word) if word else "" for word in there]
            if any(said) and sum(map(bool, said)) >= MOST * sum(map(bool, there)):
                return said
    return [""] * n


def _country(word: str) -> str:
    return _codes().get(_worded(word), "")


def _country_of_state(word: str) -> str:
    return "US" if word.upper() in _STATES else ""


def _of_plan(plan_file: PlanFile) -> str:
    plan = plan_file.plan
    if plan.country is not None:
        return plan.country
    return next((row[0] for row in _table("zone.tab") if row[2] == plan.time_zone), "")


def turned(lonlat: Floats, countries: Sequence[str]) -> dict[Slip, list[int]]:
    """Rows (n, 2) that lie far from the country that each names, and in or near it but for one slip.

    Parameters
    ----------
    lonlat
        (n, 2) degrees.
    countries
        (n,) two letters of ISO 3166, "" where none is known.

    Returns
    -------
    dict
        Rows by their slip; one that could be meant in several ways is left out.
    """
    found: dict[Slip, list[int]] = {}
    places, said = country_places(), np.array(list(countries), object)
    for code in sorted(set(countries) & set(places)):
        rows = np.flatnonzero(said == code)
        far = [int(k) for k in rows[_away_km(lonlat[rows], places[code]) > WITHIN_KM]]
        for k in far:
            spots = slips(*lonlat[k]).items()
            meant = [slip for slip, spot in spots if _away_km(np.array([spot]), places[code])[0] <= WITHIN_KM]
            if len(meant) == 1:
                found.setdefault(meant[0], []).append(k)
    return found


def _away_km(lonlat: Floats, places: Floats) -> Floats:
    return np.asarray(np.min([apart_m(lonlat, place) for place in places], axis=0) / 1000.0)


# --- by where the others lie ------------------------------------------------------------------------------------


def astray(lonlat: Floats) -> dict[Slip, list[int]]:
    """Rows (n, 2) that lie far from all others, and near others but for one slip.

    Parameters
    ----------
    lonlat
        (n, 2) degrees.

    Returns
    -------
    dict
        Rows by their slip; one that could be meant in several ways is left out.
    """
    cells, place, counts = np.unique(
        np.floor(lonlat / CELL_DEG).astype(int), axis=0, return_inverse=True, return_counts=True
    )
    count = Counter({(x, y): many for (x, y), many in zip(cells.tolist(), counts.tolist(), strict=True)})
    single = np.flatnonzero(counts[place.ravel()] == 1)

    def around(x: float, y: float) -> int:
        col, row = int(np.floor(x / CELL_DEG)), int(np.floor(y / CELL_DEG))
        return sum(count[col + i, row + j] for i in (-1, 0, 1) for j in (-1, 0, 1))

    found: dict[Slip, list[int]] = {}
    for k in [k for k in single.tolist() if around(*lonlat[k]) == 1]:
        meant = [slip for slip, spot in slips(*lonlat[k]).items() if around(*spot)]
        if len(meant) == 1:
            found.setdefault(meant[0], []).append(k)
    return found


# --- said -------------------------------------------------------------------------------------------------------


def say_signs(plan_file: PlanFile, sites: ContractSites, ledger: Ledger) -> Bools:
    """Tell of sites of a contract that are probably elsewhere than their coordinates say.

    Parameters
    ----------
    plan_file
        Its country, else its time zone, counts where the table names no country.
    sites
        With the file's own columns.
    ledger
        Is told, with the names of the sites and the remedy.

    Returns
    -------
    array of bool
        (n,) which they are.
    """
    elsewhere = np.zeros(len(sites), bool)
    if not len(sites):
        return elsewhere
    where = f"contract.sites ({Path(plan_file.plan.contract.sites.path).name})" if plan_file.plan.contract else ""
    lonlat = inner_points(np.array(sites.shapes, object))
    of_plan = _of_plan(plan_file)
    own = {
        name: column.to_pylist()
        for name, column in sites.own.items()
        if _COUNTRY.search(_worded(name)) or _STATE.search(_worded(name))
    }
    countries = [said or of_plan for said in countries_said(own, len(sites))]
    for slip, rows in turned(lonlat, countries).items():
        elsewhere[rows] = True
        named = " and ".join(sorted({countries[k] for k in rows}))
        what = f"far from {named}, where they are said to be, and there with the {slip} changed"
        _say(where, what, slip, [sites.names[k] for k in rows], ledger)
    rest = np.flatnonzero(~elsewhere)
    for slip, rows in astray(lonlat[rest]).items():
        elsewhere[rest[rows]] = True
        what = f"far from all other sites, and near them with the {slip} changed"
        _say(where, what, slip, [sites.names[rest[k]] for k in rows], ledger)
    return elsewhere


def _say(where: str, what: str, slip: Slip, names: Iterable[str], ledger: Ledger) -> None:
    ledger.add(Kind.CHECK, where, f"{what}. {_TODO[slip]}", list(names))
