"""The sky's own light: how much of it a mount sees, how it is spread, and what real clouds make of the year.

Sky view is the share of an even sky's light that reaches the level sensor. Along one azimuth the light between two
elevations is the difference of their sine squared, so an azimuth with a horizon h, and crowns that let a share T
through between a and b, has in closed form::

      T2 |  (sin^2 b - sin^2 a) T   counts          zenith
     ----+----------------------- b                   |
      T1 |                                            |    .-- b
     ----+----------------------- a                   |  (   )-- a
         |  cos^2 h all told                          o____|__|_ h

A clear sky is brighter round the sun than elsewhere. The part that an anisotropic model puts there is lost and kept
with the beam; the rest is even.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pandas as pd
import pvlib

from planner.compiled import kernel, maker
from planner.months import MONTH_DAYS
from planner.readings import HOURS, Weather
from planner.site import Floats, Ints
from planner.sun.path import YEAR, SunTable

Sky = Literal["isotropic", "hay-davies", "perez"]

_MID_MONTH = np.cumsum(MONTH_DAYS) - MONTH_DAYS // 2  # day of the year


# --- how much of it is seen ------------------------------------------------------------------------------------


def sky_view(horizon: Floats, look: Ints, low: Floats, high: Floats, passed: Floats) -> float:
    """Share of an even sky's light on the level, over even azimuths all round; exact in elevation.

    horizon: (k,) tangent of the opaque horizon. look, low, high, passed: (m,) veils in any order: azimuth row,
    tangents of their lower and upper edge (-inf and inf allowed), and the share they let through (0: opaque, a
    hanging roof). Veils that overlap multiply.

    Closed forms: 1 - (1 - T)(sin^2 b - sin^2 a) for one veil all round; cos^2 h for a basin.

        >>> h = np.full(8, np.tan(np.radians(30.0)))
        >>> none = np.empty(0)
        >>> round(sky_view(h, none.astype(np.int64), none, none, none), 6)
        0.75
    """
    order = np.argsort(look, kind="stable")
    count = np.bincount(look, minlength=len(horizon)).astype(np.int64)
    shares = _sky_view(
        np.asarray(horizon, float), count, *(np.asarray(v, float)[order] for v in (low, high, passed))
    )
    return float(shares.mean())


@kernel
def _sky_view(horizon, count, low, high, passed):  # type: ignore[no-untyped-def]
    share = np.empty(len(horizon))
    cut = np.empty(2 * max(1, count.max()) + 2) if len(count) else np.empty(2)
    first = 0
    for k in range(len(horizon)):
        end = first + count[k]
        share[k] = open_share(horizon[k], low[first:end], high[first:end], passed[first:end], cut)
        first = end
    return share


@maker
def open_share(horizon, low, high, passed, cut):  # type: ignore[no-untyped-def]
    """Light of one azimuth on the level, over that of an open sky.

    horizon: tangent of the opaque. low, high, passed: (m,) its veils. cut: room for 2 m + 2 numbers.
    """
    floor = sine_squared(horizon)
    m = len(low)
    cut[0], cut[1] = floor, 1.0
    for i in range(m):
        cut[2 + 2 * i] = max(floor, sine_squared(low[i]))
        cut[3 + 2 * i] = max(floor, sine_squared(high[i]))
    edges = _ordered(cut, 2 + 2 * m)
    total = 0.0
    for e in range(len(edges) - 1):
        band = edges[e + 1] - edges[e]
        if band <= 0.0:
            continue
        middle = (edges[e] + edges[e + 1]) / 2.0
        for i in range(m):
            if cut[2 + 2 * i] < middle < cut[3 + 2 * i]:
                band *= passed[i]
        total += band
    return total


@maker
def _ordered(values, count):  # type: ignore[no-untyped-def]
    """The first of some values, smallest first; they are few, and Numba's own sorting takes a second to compile."""
    out = np.empty(count)
    for k in range(count):
        value, place = values[k], k
        while place > 0 and out[place - 1] > value:
            out[place] = out[place - 1]
            place -= 1
        out[place] = value
    return out


@kernel(inline="always")
def sine_squared(tangent):  # type: ignore[no-untyped-def]
    """Of an elevation, from its tangent; 0 below the level, 1 for infinity."""
    if tangent <= 0.0:
        return 0.0
    return 1.0 - 1.0 / (1.0 + tangent * tangent)


# --- how it is spread --------------------------------------------------------------------------------------------


def spread_sky(sun: SunTable, sky: Sky) -> SunTable:
    """The table with the light that stands round the sun moved from the diffuse part to the beam. Totals do not
    change.

    Parameters
    ----------
    sun
        The sun's year.
    sky
        isotropic: as it is. hay-davies: the share round the sun is the beam over the beam at the top of the air.
        perez: pvlib's all-sites coefficients; its horizon band stands at the level, where a level sensor sees
        nothing of it, so what it brightens stays in the even part. Both treat the light round the sun as if it came
        from the sun's own point.

    Returns
    -------
    SunTable

    References
    ----------
    Hay and Davies (1980); Perez et al. (1990).
    """
    if sky == "isotropic" or not len(sun.month):
        return sun
    elevation = np.asarray(sun.elevation_deg)
    dni = sun.beam_wh_m2 / (np.sin(np.radians(elevation)) * sun.hours_per_day)
    dhi = sun.diffuse_wh_m2 / sun.hours_per_day
    # the day within its month is not in the table: the distance of the sun moves by 0.3 % in half a month
    at_top = np.asarray(pvlib.irradiance.get_extra_radiation(_MID_MONTH), float)[sun.month]
    where = {"solar_zenith": 90.0 - elevation, "solar_azimuth": sun.azimuth_deg}
    level = {"surface_tilt": 0.0, "surface_azimuth": 180.0}
    if sky == "hay-davies":
        parts = pvlib.irradiance.haydavies(
            **level, dhi=dhi, dni=dni, dni_extra=at_top, **where, return_components=True
        )
    else:
        mass = pvlib.atmosphere.get_relative_airmass(90.0 - elevation)
        parts = pvlib.irradiance.perez(
            **level, dhi=dhi, dni=dni, dni_extra=at_top, **where, airmass=mass, return_components=True
        )
    near = np.nan_to_num(np.asarray(parts["poa_circumsolar"], float)) * sun.hours_per_day
    near = np.clip(near, 0.0, sun.diffuse_wh_m2)
    return replace(sun, beam_wh_m2=sun.beam_wh_m2 + near, diffuse_wh_m2=sun.diffuse_wh_m2 - near)


# --- what clouds make of it --------------------------------------------------------------------------------------


def sun_table_from_weather(
    weather: Weather, latitude_deg: float, longitude_deg: float, step_minutes: int = 10
) -> SunTable:
    """Sun positions at the site, with the light that a weather file's year gave; every day of it.

    Each hour is cut into steps. The hour's beam is taken as even over the part of it with the sun up, and so is its
    diffuse light: hourly sums are kept, but for hours whose sun never rises above the level at the site. The clouds
    are the station's; the sun's position is the site's own.

    Parameters
    ----------
    weather
        A year by the hour.
    latitude_deg, longitude_deg
        Of the site.
    step_minutes
        About.

    Returns
    -------
    SunTable
    """
    parts = max(1, round(60 / step_minutes))
    within = (np.arange(parts) + 0.5) / parts
    # in the order of the site's own days
    order = np.argsort((weather.start_utc_h + longitude_deg / 15.0) % HOURS)
    dni, dhi = weather.dni_wh_m2[order], weather.dhi_wh_m2[order]
    hour = (weather.start_utc_h[order, None] + within).ravel()
    times = pd.DatetimeIndex(
        np.datetime64(f"{YEAR}-01-01") + np.round(hour % HOURS * 3600e3).astype("timedelta64[ms]"), tz="UTC"
    )
    position = pvlib.solarposition.get_solarposition(times, latitude_deg, longitude_deg)
    elevation = position["apparent_elevation"].to_numpy()
    up = elevation > 0
    owner = np.repeat(np.arange(HOURS), parts)[up]
    steps_up = np.bincount(owner, minlength=HOURS)[owner]
    local = (hour[up] + longitude_deg / 15.0) % HOURS
    month = np.searchsorted(np.cumsum(MONTH_DAYS), local / 24.0, side="right")
    days = MONTH_DAYS[month]
    equation_min = position["equation_of_time"].to_numpy()[up]
    return SunTable(
        azimuth_deg=position["azimuth"].to_numpy()[up],
        elevation_deg=elevation[up],
        month=month.astype(np.int64),
        hours_per_day=1.0 / parts / days,
        beam_wh_m2=dni[owner] / steps_up * np.sin(np.radians(elevation[up])) / days,
        diffuse_wh_m2=dhi[owner] / steps_up / days,
        solar_hour=(local % 24.0 + equation_min / 60.0) % 24.0,
    )
