"""Weather files of a year by the hour: EPW, TMY3 and PVGIS CSV, read by pvlib.

The sun's room takes their light, the climate's their temperature, humidity, wind and global radiation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import ArrayLike

from planner.layers.frame import apart_m
from planner.layers.source import locate, place
from planner.ledger import DataError, Kind, Ledger
from planner.plan import PlanFile
from planner.readings import HOURS, Station, StationYear, Weather
from planner.site import Floats, Site

FAR_KM = 25.0  # beyond it the reader is told how far the station is
MOST_MISSING = 0.02  # share of the hours
HIGHEST_W_M2 = 1500.0  # above the sun at the top of the air (1413 W/m2 in January); files write 9999 for unknown
_MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
_LIGHT = {"dni": "direct normal radiation", "dhi": "diffuse horizontal radiation"}
FILLED_H = 3  # gaps of this many hours are bridged by a straight line
_MJ_PER_WH = 0.0036
# column: words, and the range outside which a file means "unknown" (99.9, 999, 9999)
_WEATHER = {
    "temp_air": ("temperature", -70.0, 60.0),
    "ghi": ("global radiation", 0.0, HIGHEST_W_M2),
    "wind_speed": ("wind", 0.0, 60.0),
    "temp_dew": ("dew point", -80.0, 40.0),
    "relative_humidity": ("relative humidity", 0.5, 110.0),
}


def site_weather(plan_file: PlanFile, site: Site, ledger: Ledger) -> Weather | None:
    """The weather file that the plan names in `sun.weather`.

    Parameters
    ----------
    plan_file
        The plan.
    site
        Whose place the file is to be near.
    ledger
        Told whose weather it is.

    Returns
    -------
    Weather or None
        A year by the hour; None where the plan names none.

    Raises
    ------
    PlanError
        There is no such file.
    DataError
        As :func:`read_weather`.
    """
    sun = plan_file.plan.sun
    if sun.weather is None:
        return None
    path = locate(plan_file, "sun.weather", sun.weather)
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
    found = _read(path, where)
    missing = [words for key, words in _LIGHT.items() if key not in found.data]
    if missing:
        raise DataError(where, f"it has no {' and no '.join(missing)}", "Give a file with both")
    away_km = float(_away_km(found, longitude_deg, latitude_deg))
    if away_km > within_km:
        raise _too_far(where, found, away_km, "sun.weather_within_km", within_km, ledger)
    if away_km > FAR_KM:
        ledger.add(
            Kind.CHECK,
            where,
            f"the clouds are those of {found.name}, {ledger.distance(1000 * away_km)} from the site",
        )
    start_utc_h, data = _hours(found, where)
    light = [_known(data[key], words, where, ledger) for key, words in _LIGHT.items()]
    return Weather(found.name, found.latitude_deg, found.longitude_deg, start_utc_h, *light)


# --- the weather of a reference surface ----------------------------------------------------------------------


def station_at(
    plan_file: PlanFile, lonlat: Floats, ledger: Ledger, *, strict: bool, names: Sequence[str]
) -> Station | None:
    """The year of the weather file that the plan names in `climate.weather`; None where it names none.

    lonlat: (n, 2) of the sites. strict: a site too far from the station is an error; otherwise it is listed.
    Raises PlanError or DataError as :func:`read_hours`.
    """
    section = plan_file.plan.climate
    if section.weather is None:
        return None
    path = locate(plan_file, "climate.weather", section.weather)
    where = f"climate.weather ({path.name})"
    hours = read_hours(path, where, ledger)
    away_km = _away_km(hours, lonlat[:, 0], lonlat[:, 1])
    far = away_km > section.weather_within_km
    if strict and far.any():
        far_km, within_km = float(away_km.max()), section.weather_within_km
        raise _too_far(where, hours, far_km, "climate.weather_within_km", within_km, ledger)
    if far.any():
        ledger.add(
            Kind.CHECK,
            where,
            f"its station ({hours.name}) is more than {section.weather_within_km:g} km away (weather_within_km): "
            "the next best source stands in, if there is one",
            [names[int(k)] for k in np.flatnonzero(far)],
        )
    some = np.flatnonzero((away_km > FAR_KM) & ~far)
    if len(some):
        at = ledger.distance(1000 * float(away_km[some].max()))
        ledger.add(
            Kind.CHECK,
            where,
            f"the weather is that of {hours.name}, up to {at} away",
            [names[int(k)] for k in some],
        )
    return Station(where, hours, np.where(far, np.inf, away_km))


def read_hours(path: Path, where: str, ledger: Ledger) -> StationYear:
    """Temperature, humidity, global radiation and wind of a weather file.

    Humidity is taken from the dew point, else, where the file has none or no hour knows it, from relative humidity.
    What a file gives of a moment is taken for the hour. Gaps of up to 3 hours are bridged, longer ones stay NaN.
    Raises DataError where the file cannot be read, is of another kind, or lacks a column or hours.
    """
    found = _read(path, where)
    humidity = next((key for key in ("temp_dew", "relative_humidity") if _any_known(found.data, key)), "temp_dew")
    wanted = ("temp_air", "ghi", "wind_speed", humidity)
    missing = [_WEATHER[key][0] for key in wanted if key not in found.data]
    if missing:
        raise DataError(
            where, f"it has no {' and no '.join(missing)}", "Give a file with temperature, humidity, wind and sun"
        )
    start_utc_h, data = _hours(found, where)
    t, radiation, wind, humid = (_bridged(data[key], *_WEATHER[key], where, ledger) for key in wanted)
    return StationYear(
        name=found.name,
        latitude_deg=found.latitude_deg,
        longitude_deg=found.longitude_deg,
        elevation_m=found.elevation_m,
        start_utc_h=start_utc_h,
        t_c=t,
        dew_point_c=humid if humidity == "temp_dew" else None,
        humidity_percent=humid if humidity != "temp_dew" else None,
        radiation_mj_m2_h=radiation * _MJ_PER_WH,
        wind_m_s=wind,
    )


def _any_known(data: pd.DataFrame, key: str) -> bool:
    """Whether any hour has it; a column of 99.9 is none."""
    _, low, high = _WEATHER[key]
    return key in data and bool(pd.to_numeric(data[key], errors="coerce").between(low, high).any())


def _bridged(column: pd.Series, words: str, low: float, high: float, where: str, ledger: Ledger) -> Floats:
    values = pd.to_numeric(column, errors="coerce").reset_index(drop=True).astype(float)
    values = values.where((values >= low) & (values <= high))
    unknown = values.isna()
    if unknown.all():
        raise DataError(where, f"no hour has a {words}", "Give a file that has it")
    length = unknown.groupby((unknown != unknown.shift()).cumsum()).transform("size")
    short = unknown & (length <= FILLED_H)
    values = values.where(~short, values.interpolate(limit_area="inside"))
    left = int(values.isna().sum())
    if short.any():
        ledger.add(
            Kind.ASSUMED, where, f"{int(unknown.sum()) - left} hours have no {words}: bridged in a straight line"
        )
    if left:
        ledger.add(Kind.SKIPPED, where, f"{left} hours have no {words}: their days count for nothing")
    return np.asarray(values, float)


# --- the file ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Found:
    """A file as it stands: rows of `data` by the time they name, and how long before (-) that time they begin."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    begins_h: float
    data: pd.DataFrame


def _read(path: Path, where: str) -> _Found:
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
    lat, lon = found.latitude_deg, found.longitude_deg
    if not (abs(lat) <= 90 and abs(lon) <= 360):
        raise DataError(where, f"it names no place on earth (latitude {lat:g}, longitude {lon:g})", "Mend its head")
    return found


def _away_km(station: _Found | StationYear, longitude_deg: ArrayLike, latitude_deg: ArrayLike) -> Floats:
    """(n,) how far places are from a station."""
    here = np.stack([np.asarray(longitude_deg, float), np.asarray(latitude_deg, float)], axis=-1)
    return np.asarray(apart_m(here, np.array([station.longitude_deg, station.latitude_deg])) / 1000.0, float)


def _too_far(
    where: str, station: _Found | StationYear, away_km: float, key: str, within_km: float, ledger: Ledger
) -> DataError:
    at = place(np.array([station.longitude_deg, station.latitude_deg]))
    return DataError(
        where,
        f"its station ({station.name}, {at}) is {ledger.distance(1000 * away_km)} from the site",
        f"Take a nearer one, or allow more with {key} (now {within_km:g})",
    )


def _hours(found: _Found, where: str) -> tuple[Floats, pd.DataFrame]:
    """(8760,) hour of the common year at which each row begins, UTC, and the rows, without February 29."""
    label = pd.DatetimeIndex(found.data.index)
    if label.hasnans:
        raise DataError(where, f"{int(label.isna().sum())} of its hours have no date", "Fetch it anew")
    kept = ~((label.month == 2) & (label.day == 29))
    label, data = label[kept], found.data[kept]
    hour = 24 * (_MONTH_STARTS[label.month - 1] + label.day - 1) + label.hour
    if len(data) != HOURS or len(np.unique(hour)) != HOURS:
        raise DataError(
            where,
            f"it has {len(data)} hours, {len(np.unique(hour))} of them different; a year has {HOURS}",
            "Give a file of one whole year by the hour",
        )
    start = hour + label.minute / 60 + found.begins_h - label[0].utcoffset().total_seconds() / 3600
    return np.asarray(start, float), data


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
    return _Found(
        meta["city"].strip() or path.stem, meta["latitude"], meta["longitude"], _metres(meta["altitude"]), 0.0, data
    )


def _tmy3(path: Path) -> _Found:
    data, meta = pvlib.iotools.read_tmy3(StringIO(_text(path)), map_variables=True)
    name = meta["Name"].strip(' "') or path.stem
    return _Found(name, meta["latitude"], meta["longitude"], _metres(meta["altitude"]), -1.0, data)


def _pvgis(path: Path) -> _Found:
    data, meta = pvlib.iotools.read_pvgis_tmy(str(path), pvgis_format="csv")
    head = meta["inputs"]
    middle_h = head.get("irradiance time offset", 0.0)
    high = _metres(head.get("elevation"))
    return _Found("PVGIS typical year", head["latitude"], head["longitude"], high, middle_h - 0.5, data)


def _metres(said: object) -> float:
    try:
        high = float(str(said))
    except ValueError:
        return float("nan")
    return high if -430.0 <= high <= 6000.0 else float("nan")


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
