"""Reference evapotranspiration by the hour: the ASCE standardized short reference, and the FAO-56 form.

Hours stand on the last axis, in order of time; a year closes on itself (the hour before the first is the last).
Energy is MJ/m2/hour, vapour pressure kPa, temperature degrees C, wind m/s at 2 m, ETo mm/hour.

Sources: Allen et al. (2005), The ASCE standardized reference evapotranspiration equation, ASCE-EWRI; its
coefficients as two open programs that cite it carry them (refet, pyfao56). FAO-56 (Allen et al. 1998), p. 47 to 55
and 74; equation numbers are FAO-56's unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import maximum_filter1d

from planner.climate.builtin import GROUND_SAID, ground_elevation_m
from planner.climate.eto import (
    SOLAR_CONSTANT_MJ_M2_MIN,
    ZERO_C_IN_K,
    MonthlyInputs,
    air_pressure_kpa,
    clear_sky_radiation,
    declination_rad,
    inverse_distance,
    net_shortwave,
    penman_monteith,
    psychrometric_constant_kpa_c,
    saturation_vapour_pressure_kpa,
    slope_kpa_c,
    sunset_hour_angle_rad,
    wind_at_2m_m_s,
)
from planner.ledger import DataError, Kind, Ledger
from planner.months import MONTH_DAYS
from planner.plan import Climate
from planner.readings import Station, StationYear
from planner.site import Bools, Floats, Ints
from planner.units import MONTHS

HourlyReference = Literal["ASCE short", "FAO-56"]

LOW_SUN_RAD = 0.3  # below it Rs/Rso says little of the clouds (ASCE-EWRI; from memory)
LEAST_WHOLE_DAYS = 20  # of a month, for its mean to count

_CN = 37.0  # both forms, day and night; FAO-56 eq. 53
_CD: dict[HourlyReference, tuple[float, float]] = {"ASCE short": (0.24, 0.96), "FAO-56": (0.34, 0.34)}  # day, night
_SOIL_SHARE = (0.1, 0.5)  # of the net radiation, day and night; eq. 45 and 46
_STEFAN_BOLTZMANN: dict[HourlyReference, float] = {"ASCE short": 2.042e-10, "FAO-56": 2.043e-10}  # MJ/K4/m2/hour
_ASCE_SLOPE = 2503.0 / (4098.0 * 0.6108)  # ASCE rounds the slope's two constants to one


@dataclass(frozen=True)
class HourlyWeather:
    """A year of weather at a station by the hour, as evaporation takes it, (8760,) each, NaN where unknown.

    start_utc_h: hour of the common year, in UTC, at which each row begins, in order of time by the file's clock.
    radiation_mj_m2_h: on the level. wind_2m_m_s: at 2 m. elevation_m: NaN where the file does not say.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    start_utc_h: Floats
    t_c: Floats
    vapour_pressure_kpa: Floats
    radiation_mj_m2_h: Floats
    wind_2m_m_s: Floats


def hourly_weather(year: StationYear, wind_height_m: float) -> HourlyWeather:
    """A station's year as its file has it, with its humidity as vapour pressure and its wind brought to 2 m.

    wind_height_m: at which the wind was measured, which none of the formats states.
    """
    saturated = saturation_vapour_pressure_kpa(year.t_c)
    if year.dew_point_c is not None:
        vapour = saturation_vapour_pressure_kpa(year.dew_point_c)
    elif year.humidity_percent is not None:
        vapour = saturated * year.humidity_percent / 100.0
    else:
        raise ValueError("a station's year has neither dew point nor relative humidity")
    return HourlyWeather(
        name=year.name,
        latitude_deg=year.latitude_deg,
        longitude_deg=year.longitude_deg,
        elevation_m=year.elevation_m,
        start_utc_h=year.start_utc_h,
        t_c=year.t_c,
        vapour_pressure_kpa=np.minimum(vapour, saturated),
        radiation_mj_m2_h=year.radiation_mj_m2_h,
        wind_2m_m_s=wind_at_2m_m_s(year.wind_m_s, wind_height_m),
    )


# --- the sun ---------------------------------------------------------------------------------------------------


def seasonal_correction_h(day_of_year: ArrayLike) -> Floats:
    """Equation of time, hours. Eq. 32 and 33, p. 48."""
    b = 2.0 * np.pi * (np.asarray(day_of_year, np.float64) - 81.0) / 364.0
    return np.asarray(0.1645 * np.sin(2.0 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b), np.float64)


def hour_angle_rad(longitude_deg: ArrayLike, day_of_year: ArrayLike, utc_h: ArrayLike) -> Floats:
    """Hour angle of the sun, -pi to pi, 0 at solar noon, east longitudes positive. Eq. 31, p. 48."""
    solar = np.asarray(utc_h, np.float64) + np.asarray(longitude_deg) / 15.0 + seasonal_correction_h(day_of_year)
    return np.asarray((np.pi / 12.0 * (solar - 12.0) + np.pi) % (2.0 * np.pi) - np.pi, np.float64)


def sun_height_rad(latitude_deg: ArrayLike, day_of_year: ArrayLike, hour_angle: ArrayLike) -> Floats:
    """Height of the sun's middle above the level horizon, without refraction."""
    phi, delta = np.radians(np.asarray(latitude_deg, np.float64)), declination_rad(day_of_year)
    sine = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour_angle)
    return np.asarray(np.arcsin(np.clip(sine, -1.0, 1.0)), np.float64)


def hourly_extraterrestrial_radiation(
    latitude_deg: ArrayLike, day_of_year: ArrayLike, hour_angle: ArrayLike
) -> Floats:
    """Radiation on the level at the top of the air in the hour about `hour_angle`. Eq. 28 to 30, p. 47.

    The hour is cut at sunrise and sunset, as ASCE-EWRI does.
    """
    phi, delta = np.radians(np.asarray(latitude_deg, np.float64)), declination_rad(day_of_year)
    sunset = sunset_hour_angle_rad(latitude_deg, day_of_year)
    middle = np.asarray(hour_angle, np.float64)
    end = np.clip(middle + np.pi / 24.0, -sunset, sunset)
    begin = np.minimum(np.clip(middle - np.pi / 24.0, -sunset, sunset), end)
    geometry = (end - begin) * np.sin(phi) * np.sin(delta)
    geometry = geometry + np.cos(phi) * np.cos(delta) * (np.sin(end) - np.sin(begin))
    scale = 12.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_distance(day_of_year)
    return np.asarray(np.maximum(scale * geometry, 0.0), np.float64)


# --- clouds ----------------------------------------------------------------------------------------------------


def cloud_factors(radiation: Floats, clear_sky: Floats, sun_height: Floats) -> Floats:
    """Cloudiness factor of each hour of a year, 1.35 Rs/Rso - 0.35.

    Held to 0.05 to 1. At night, and while the sun stands under 0.3 rad, the last hour with a higher sun stands in
    (both ASCE-EWRI, from memory). Where the sun does not rise that high, as above 49 degrees of latitude in
    December, the day's hour of the highest sun does (our own rule). 1 where no hour of the year tells.
    """
    highest = maximum_filter1d(sun_height, 25, mode="wrap")
    tells: Bools = np.asarray(
        ((sun_height >= LOW_SUN_RAD) | (sun_height >= highest)) & (clear_sky > 0.0) & np.isfinite(radiation)
    )
    if not tells.any():
        return np.ones(len(radiation))
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.clip(1.35 * np.minimum(radiation / clear_sky, 1.0) - 0.35, 0.05, 1.0)
    last = np.maximum.accumulate(np.where(tells, np.arange(len(tells)), -1))
    last[last < 0] = np.flatnonzero(tells)[-1]  # the year closes on itself
    return np.asarray(factor[last], np.float64)


# --- evapotranspiration ----------------------------------------------------------------------------------------


def hourly_eto(
    t_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    radiation: ArrayLike,
    wind_2m_m_s: ArrayLike,
    cloud_factor: ArrayLike,
    elevation_m: ArrayLike,
    reference: HourlyReference = "ASCE short",
) -> Floats:
    """Reference ET of hours, mm/hour. FAO-56 eq. 53, p. 74; ASCE-EWRI (2005) eq. 1 with its Table 1.

    cloud_factor: 1.35 Rs/Rso - 0.35. It is night where net radiation is negative. NaN in, NaN out; dew is negative.
    """
    t, ea = np.asarray(t_c, np.float64), np.asarray(vapour_pressure_kpa, np.float64)
    longwave = _STEFAN_BOLTZMANN[reference] * (t + ZERO_C_IN_K) ** 4  # eq. 39 of an hour
    longwave = longwave * (0.34 - 0.14 * np.sqrt(ea)) * np.asarray(cloud_factor, np.float64)
    net = net_shortwave(radiation) - longwave
    night = net < 0.0
    by_day, by_night = _CD[reference]
    return penman_monteith(
        net,
        net * np.where(night, _SOIL_SHARE[1], _SOIL_SHARE[0]),
        t,
        wind_2m_m_s,
        saturation_vapour_pressure_kpa(t),
        ea,
        psychrometric_constant_kpa_c(air_pressure_kpa(elevation_m)),
        numerator=_CN,
        denominator=np.where(night, by_night, by_day),
        slope=slope_kpa_c(t) * (_ASCE_SLOPE if reference == "ASCE short" else 1.0),
    )


def eto_of_hours(weather: HourlyWeather) -> Floats:
    """(8760,) mm/hour, ASCE short reference; the ground's for air pressure where the elevation is unknown."""
    middle = weather.start_utc_h + 0.5
    day = np.floor(middle + weather.longitude_deg / 15.0) // 24 % 365 + 1.0
    angle = hour_angle_rad(weather.longitude_deg, day, middle)
    elevation = weather.elevation_m
    if np.isnan(elevation):
        elevation = float(ground_elevation_m(weather.longitude_deg, weather.latitude_deg)[0])
    clear = clear_sky_radiation(hourly_extraterrestrial_radiation(weather.latitude_deg, day, angle), elevation)
    cloud = cloud_factors(weather.radiation_mj_m2_h, clear, sun_height_rad(weather.latitude_deg, day, angle))
    return hourly_eto(
        weather.t_c,
        weather.vapour_pressure_kpa,
        weather.radiation_mj_m2_h,
        weather.wind_2m_m_s,
        cloud,
        elevation,
    )


def month_means(weather: HourlyWeather, hourly: Floats, longitude_deg: float) -> tuple[Floats, Floats]:
    """Days' sums of an hourly value: (12,) their mean over each month's whole days, and (12,) how many days count.

    Days run from midnight to midnight by the mean sun at `longitude_deg`; one counts when all its hours are known.
    """
    day = _day(weather, longitude_deg)
    known = np.isfinite(hourly)
    whole = np.bincount(day, known, 365) == 24
    return _means_of_days(np.asarray(np.bincount(day, np.where(known, hourly, 0.0), 365), np.float64), whole)


def _day(weather: HourlyWeather, longitude_deg: float) -> Ints:
    return np.asarray(np.floor(weather.start_utc_h + 0.5 + longitude_deg / 15.0) // 24 % 365, np.int64)


def _means_of_days(daily: Floats, counts: Bools) -> tuple[Floats, Floats]:
    """(12,) means of the days (365,) that count, and how many do; NaN where none does."""
    month = np.repeat(np.arange(12), MONTH_DAYS)
    days = np.asarray(np.bincount(month, counts, 12), np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.bincount(month, np.where(counts, daily, 0.0), 12) / days
    return np.asarray(means, np.float64), days


def monthly_inputs(weather: HourlyWeather) -> MonthlyInputs:
    """A year by the hour as months (12,): mean daily extremes of temperature; mean sun, humidity and wind."""
    longitude = weather.longitude_deg
    day = _day(weather, longitude)
    low, high = np.full(365, np.inf), np.full(365, -np.inf)
    np.minimum.at(low, day, weather.t_c)
    np.maximum.at(high, day, weather.t_c)
    whole = np.bincount(day, np.isfinite(weather.t_c), 365) == 24
    return MonthlyInputs(
        _means_of_days(low, whole)[0],
        _means_of_days(high, whole)[0],
        month_means(weather, weather.radiation_mj_m2_h, longitude)[0],
        month_means(weather, weather.vapour_pressure_kpa / 24.0, longitude)[0],
        month_means(weather, weather.wind_2m_m_s / 24.0, longitude)[0],
    )


@dataclass(frozen=True)
class StationMonths:
    """Months of a weather file's station: ETo by the hour (12,) mm/day, mean temperature (12,) degrees C.

    elevation_m: NaN where the file does not say. away_km (n,): how far the sites are, inf beyond the plan's limit.
    """

    name: str
    elevation_m: float
    eto_mm_day: Floats
    t_mean_c: Floats
    away_km: Floats


def station_months(station: Station, section: Climate, ledger: Ledger) -> StationMonths:
    """Months of a station's year. Raises DataError where a month has fewer than 20 whole days."""
    hours = hourly_weather(station.year, section.wind_height_m)
    # the sites are near: the station's days are theirs, to some minutes
    eto, days = month_means(hours, eto_of_hours(hours), hours.longitude_deg)
    t, _ = month_means(hours, hours.t_c / 24.0, hours.longitude_deg)
    if days.min() < LEAST_WHOLE_DAYS:
        raise DataError(
            station.where,
            f"{MONTHS[int(days.argmin())]} has only {int(days.min())} days whose hours are all known",
            f"Give a file without gaps; {LEAST_WHOLE_DAYS} whole days a month are needed",
        )
    if np.isnan(hours.elevation_m):
        ledger.add(Kind.ASSUMED, station.where, f"it names no elevation: {GROUND_SAID} taken for air pressure")
    if "wind_height_m" not in section.model_fields_set:
        at = ledger.length(section.wind_height_m)
        ledger.add(Kind.ASSUMED, station.where, f"its wind is taken as measured at {at} (climate.wind_height_m)")
    return StationMonths(hours.name, hours.elevation_m, np.maximum(eto, 0.0), t, station.away_km)
