"""Days of one weather station, and their reference ETo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.climate.eto import (
    LEAST_WIND_2M_M_S,
    clear_sky_radiation,
    daily_eto,
    extraterrestrial_radiation,
    hargreaves_samani,
    saturation_vapour_pressure_kpa,
    vapour_pressure_from_rh_kpa,
    vapour_pressure_from_rh_max_kpa,
    vapour_pressure_from_rh_mean_kpa,
    wind_at_2m_m_s,
)
from planner.readings import Days, DaysMeasured
from planner.site import Floats, Ints


@dataclass(frozen=True)
class StationDays:
    """n days of a station in order, each once; NaN where unknown.

    eto_mm: reference ETo. how: by which each day's was found, "as published", "Penman-Monteith",
    "Hargreaves-Samani" or "" (n,). rain_mm, t_min_c, t_max_c, radiation_mj_m2.
    """

    name: str
    day: Days
    eto_mm: Floats
    how: tuple[str, ...]
    rain_mm: Floats
    t_min_c: Floats
    t_max_c: Floats
    radiation_mj_m2: Floats

    def __len__(self) -> int:
        return len(self.day)


def day_of_year(day: Days) -> Ints:
    """1 to 366."""
    return np.asarray((day - day.astype("datetime64[Y]")).astype(np.int64) + 1, np.int64)


def month_of(day: Days) -> Ints:
    """0 to 11."""
    return np.asarray(day.astype("datetime64[M]").astype(np.int64) % 12, np.int64)


def clearness(days: StationDays, latitude_deg: float, elevation_m: float) -> Floats:
    """Radiation over that of a clear sky, Rs/Rso.

    Parameters
    ----------
    days
        A station's days (n).
    latitude_deg, elevation_m
        Of the station.

    Returns
    -------
    ndarray, shape (n,)
        NaN where the day's radiation is unknown.

    References
    ----------
    FAO-56 eq. 37.
    """
    sky = clear_sky_radiation(extraterrestrial_radiation(latitude_deg, day_of_year(days.day)), elevation_m)
    return np.asarray(days.radiation_mj_m2 / sky, np.float64)


def station_days(found: DaysMeasured, latitude_deg: float, elevation_m: float) -> StationDays:
    """Days in order with their ETo: by Penman-Monteith where a day has all that it takes, else as the file
    publishes it, else by Hargreaves-Samani from temperature alone, else NaN.

    A day that occurs twice keeps its last row. Humidity: from the vapor pressure, the dew point, both extremes of
    relative humidity, its maximum, or its mean, in FAO-56's order of trust.

    Parameters
    ----------
    found
        The days as a file has them.
    latitude_deg, elevation_m
        Of the station.

    Returns
    -------
    StationDays
        One row a day, without repetition.

    References
    ----------
    FAO-56 eq. 6 and 52.
    """
    order = np.argsort(found.day, kind="stable")
    last = order[np.append(np.diff(found.day[order].astype(np.int64)) != 0, True)] if len(order) else order
    day = found.day[last]
    low, high, sun, wind, rain, given = (
        np.asarray(a, np.float64)[last]
        for a in (
            found.t_min_c,
            found.t_max_c,
            found.radiation_mj_m2,
            found.wind_m_s,
            found.rain_mm,
            found.eto_mm,
        )
    )
    vapour = _vapour_kpa(found)[last]
    at_2m = np.maximum(wind_at_2m_m_s(wind, found.wind_height_m), LEAST_WIND_2M_M_S)
    doy = day_of_year(day)
    whole = daily_eto(low, high, vapour, sun, at_2m, latitude_deg, elevation_m, doy)
    plain = hargreaves_samani(low, high, extraterrestrial_radiation(latitude_deg, doy))
    eto = np.where(np.isfinite(whole), whole, np.where(np.isfinite(given), given, plain))
    how = np.where(
        np.isfinite(whole),
        "Penman-Monteith",
        np.where(np.isfinite(given), "as published", np.where(np.isfinite(plain), "Hargreaves-Samani", "")),
    )
    return StationDays(found.name, day, np.maximum(eto, 0.0), tuple(map(str, how)), rain, low, high, sun)


def _vapour_kpa(found: DaysMeasured) -> Floats:
    low, high = np.asarray(found.t_min_c, np.float64), np.asarray(found.t_max_c, np.float64)
    ways = (
        np.asarray(found.vapour_pressure_kpa, np.float64),
        saturation_vapour_pressure_kpa(found.dew_point_c),
        vapour_pressure_from_rh_kpa(low, high, found.rh_max_percent, found.rh_min_percent),
        vapour_pressure_from_rh_max_kpa(low, found.rh_max_percent),
        vapour_pressure_from_rh_mean_kpa(low, high, found.rh_mean_percent),
    )
    best = ways[-1]
    for way in reversed(ways[:-1]):
        best = np.where(np.isfinite(way), way, best)
    return np.asarray(best, np.float64)
