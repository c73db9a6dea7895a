"""The sun's path over the year, as one table that all mounts of a site share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pvlib

from planner.records import compared
from planner.site import Floats, Ints

YEAR = 2025  # a common year; the sun's path shifts by under half a degree from year to year


@compared
@dataclass(frozen=True)
class SunTable:
    """Steps with the sun up (n,), a whole year of them.

    azimuth_deg: clockwise from north. elevation_deg: apparent (with refraction). month: 0 to 11.
    hours_per_day: (n,) hours that a step stands for in a mean day of its month.
    beam_wh_m2, diffuse_wh_m2: (n,) clear-sky energy on the level that a step adds to a mean day of its month.
    solar_hour: (n,) true solar time, 0 to 24.
    """

    azimuth_deg: Floats
    elevation_deg: Floats
    month: Ints
    hours_per_day: Floats
    beam_wh_m2: Floats
    diffuse_wh_m2: Floats
    solar_hour: Floats

    def monthly(self, weights: Floats) -> Floats:
        """(12,) sums of (n,) weights by month."""
        return np.bincount(self.month, weights=weights, minlength=12).astype(np.float64)


def sun_table(
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float = 0.0,
    step_minutes: int = 10,
    day_step: int = 1,
) -> SunTable:
    """Sun positions and clear-sky light through a year.

    Days are local days (mean solar time of the longitude), so that months are whole wherever the site is. The sun
    is a point: its half degree of width is not resolved.

    Parameters
    ----------
    latitude_deg, longitude_deg, elevation_m
        Of the site.
    step_minutes
        Between positions.
    day_step
        1 takes every day.

    Returns
    -------
    SunTable
        Rows with the sun up.

    References
    ----------
    Position: pvlib's SPA (Reda and Andreas 2004). Clear sky: Ineichen and Perez (2002) with the monthly Linke
    turbidity that pvlib ships.
    """
    days = _sampled_days(day_step)
    minutes = np.arange(step_minutes / 2, 24 * 60, step_minutes)
    local = (days.to_numpy()[:, None] + (minutes * 60e9).astype("timedelta64[ns]")[None, :]).ravel()
    offset = np.timedelta64(round(longitude_deg / 15 * 3600e9), "ns")
    times = pd.DatetimeIndex(local - offset).tz_localize("UTC")
    where = pvlib.location.Location(latitude_deg, longitude_deg, altitude=elevation_m)
    position = where.get_solarposition(times)
    up = position["apparent_elevation"].to_numpy() > 0
    sky = where.get_clearsky(times[up], model="ineichen", solar_position=position[up])
    month = pd.DatetimeIndex(local).month.to_numpy()[up].astype(np.int64) - 1
    sampled = np.bincount(days.month.to_numpy() - 1, minlength=12)
    hours = step_minutes / 60 / sampled[month]
    elevation = position["apparent_elevation"].to_numpy()[up]
    mean_solar = np.tile(minutes / 60, len(days))[up]
    return SunTable(
        azimuth_deg=position["azimuth"].to_numpy()[up],
        elevation_deg=elevation,
        month=month,
        hours_per_day=hours,
        beam_wh_m2=sky["dni"].to_numpy() * np.sin(np.radians(elevation)) * hours,
        diffuse_wh_m2=sky["dhi"].to_numpy() * hours,
        solar_hour=(mean_solar + position["equation_of_time"].to_numpy()[up] / 60) % 24,
    )


def _sampled_days(day_step: int) -> pd.DatetimeIndex:
    """Days in the middle of equal parts of each month, about `day_step` long, so that no month leans early."""
    days = []
    for first in pd.date_range(f"{YEAR}-01-01", periods=12, freq="MS"):
        parts = max(1, round(first.days_in_month / day_step))
        days.append(first + pd.to_timedelta((np.arange(parts) + 0.5) * first.days_in_month // parts, unit="D"))
    return days[0].append(days[1:])
