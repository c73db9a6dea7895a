"""Weather files of a year by the hour: EPW, TMY3 and PVGIS CSV, read by pvlib."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib

from planner.layers.frame import apart_m
from planner.layers.source import distance, locate, place
from planner.ledger import DataError, Kind, Ledger
from planner.plan import PlanFile
from planner.site import Floats, Site
from planner.sun.sky import HOURS, Weather

FAR_KM = 25.0  # beyond it the reader is told how far the station is
MOST_MISSING = 0.02  # share of the hours
HIGHEST_W_M2 = 1500.0  # above the sun at the top of the air (1413 W/m2 in January); files write 9999 for unknown
_MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
_NAMES = {"dni": "direct normal radiation", "dhi": "diffuse horizontal radiation"}


def site_weather(plan: PlanFile, site: Site, ledger: Ledger) -> Weather | None:
    """The weather file that the plan names in `sun.weather`; None where it names none.

    Raises PlanError where there is no such file, else as :func:`read_weather`.
    """
    sun = plan.plan.sun
    if sun.weather is None:
        return None
    path = locate(plan, "sun.weather", sun.weather)
    return read_weather(path, site.latitude_deg, site.longitude_deg, ledger, within_km=sun.weather_within_km)


def read_weather(
    path: Path, latitude_deg: float, longitude_deg: float, ledger: Ledger, *, within_km: float = 100.0
) -> Weather:
    """The sunlight of a weather file, for a site.

    Raises DataError where the file cannot be read, is of another kind, lacks a column or hours, or stands farther
    than `within_km` from the site.

    Hours: EPW's end at the hour named, TMY3's too; PVGIS's values are of the moment named (and of the offset stated
    in the file), taken as the middle of an hour. Days of February 29 are left out.
    """
    where = f"sun.weather ({path.name})"
    if not path.is_file():
        raise DataError(where, "there is no such file", "Check the path")
    read = _reader(path, where)
    try:
        found = read(path)
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as fault:  # pvlib's own, for odd files
        said = str(fault).splitlines()[0].rstrip(".") if str(fault) else type(fault).__name__
        raise DataError(
            where, f"the weather file cannot be read: {said}", "Fetch it anew; a year by the hour is needed"
        ) from None
    name, lat, lon, data = found.name, found.latitude_deg, found.longitude_deg, found.data
    missing = [words for key, words in _NAMES.items() if key not in data]
    if missing:
        raise DataError(where, f"it has no {' and no '.join(missing)}", "Give a file with both")
    if not (abs(lat) <= 90 and abs(lon) <= 360):
        raise DataError(where, f"it names no place on earth (latitude {lat:g}, longitude {lon:g})", "Mend its head")
    away_km = float(apart_m(np.array([lon, lat]), np.array([longitude_deg, latitude_deg]))) / 1000
    if away_km > within_km:
        raise DataError(
            where,
            f"its station ({name}, {place(np.array([lon, lat]))}) is {distance(1000 * away_km)} from the site",
            f"Take a nearer one, or allow more with sun.weather_within_km (now {within_km:g})",
        )
    if away_km > FAR_KM:
        ledger.add(Kind.CHECK, where, f"the clouds are those of {name}, {distance(1000 * away_km)} from the site")
    label = pd.DatetimeIndex(data.index)
    kept = ~((label.month == 2) & (label.day == 29))
    label, data = label[kept], data[kept]
    hour = 24 * (_MONTH_STARTS[label.month - 1] + label.day - 1) + label.hour
    if len(data) != HOURS or len(np.unique(hour)) != HOURS:
        raise DataError(
            where,
            f"it has {len(data)} hours, {len(np.unique(hour))} of them different; a year has {HOURS}",
            "Give a file of one whole year by the hour",
        )
    start_utc_h = hour + label.minute / 60 + found.begins_h - label[0].utcoffset().total_seconds() / 3600
    light = [_known(data[key], words, where, ledger) for key, words in _NAMES.items()]
    return Weather(name, lat, lon, np.asarray(start_utc_h, float), *light)


@dataclass(frozen=True)
class _Found:
    """A file as it stands: rows of `data` by the time they name, and how long before (-) that time they begin."""

    name: str
    latitude_deg: float
    longitude_deg: float
    begins_h: float
    data: pd.DataFrame


def _reader(path: Path, where: str) -> Callable[[Path], _Found]:
    try:
        head = [*_text(path).splitlines()[:2], "", ""]
    except OSError as fault:
        raise DataError(where, f"the file cannot be opened: {fault.strerror}", "Check its rights") from None
    if head[0].startswith("LOCATION,"):
        return _epw
    if head[0].startswith("Latitude (decimal degrees)"):
        return _pvgis
    if "Date (MM/DD/YYYY)" in head[1]:
        return _tmy3
    raise DataError(
        where, "this is neither EPW nor TMY3 nor a PVGIS typical year in CSV", "Give one of these three"
    )


def _text(path: Path) -> str:
    """Names of stations are often written in Latin-1."""
    raw = path.read_bytes()
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _epw(path: Path) -> _Found:
    # pvlib names an hour by its beginning
    data, meta = pvlib.iotools.read_epw(StringIO(_text(path)))
    return _Found(meta["city"].strip() or path.stem, meta["latitude"], meta["longitude"], 0.0, data)


def _tmy3(path: Path) -> _Found:
    data, meta = pvlib.iotools.read_tmy3(StringIO(_text(path)), map_variables=True)
    return _Found(meta["Name"].strip(' "') or path.stem, meta["latitude"], meta["longitude"], -1.0, data)


def _pvgis(path: Path) -> _Found:
    data, meta = pvlib.iotools.read_pvgis_tmy(str(path), pvgis_format="csv")
    head = meta["inputs"]
    middle_h = head.get("irradiance time offset", 0.0)
    return _Found("PVGIS typical year", head["latitude"], head["longitude"], middle_h - 0.5, data)


def _known(column: pd.Series, words: str, where: str, ledger: Ledger) -> Floats:
    """Light by the hour, 0 where the file does not know it."""
    values = pd.to_numeric(column, errors="coerce").to_numpy(float)
    unknown = ~((values >= 0) & (values <= HIGHEST_W_M2))
    if unknown.mean() > MOST_MISSING:
        raise DataError(
            where, f"{int(unknown.sum())} hours have no {words}", "Give a file without gaps (or mend them in it)"
        )
    if unknown.any():
        ledger.add(Kind.SKIPPED, where, f"{int(unknown.sum())} hours have no {words}: they count for nothing")
    return np.where(unknown, 0.0, values)
