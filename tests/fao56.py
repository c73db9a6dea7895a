"""Equations of FAO-56 that its worked examples need and the planner does not; pages are the printed ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner.climate.eto import saturation_vapour_pressure_kpa, sunset_hour_angle_rad
from planner.site import Floats


def _floats(value: ArrayLike) -> Floats:
    return np.asarray(value, np.float64)


def vapour_pressure_from_wet_bulb_kpa(
    dry_c: ArrayLike, wet_c: ArrayLike, pressure_kpa: ArrayLike, psychrometer: float = 0.000662
) -> Floats:
    """Actual vapour pressure from a psychrometer. Eq. 15 and 16, p. 38.

    psychrometer: 0.000662 aspirated at about 5 m/s, 0.000800 naturally ventilated at about 1 m/s, 0.001200
    indoors.
    """
    gamma = psychrometer * _floats(pressure_kpa)
    return saturation_vapour_pressure_kpa(wet_c) - gamma * (_floats(dry_c) - _floats(wet_c))


def daylight_hours(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Longest possible sunshine, hours a day. Eq. 34, p. 48."""
    return _floats(24.0 / np.pi * sunset_hour_angle_rad(latitude_deg, day_of_year))


def radiation_from_sunshine(sunshine_h: ArrayLike, daylight_h: ArrayLike, extraterrestrial: ArrayLike) -> Floats:
    """Solar radiation from hours of bright sunshine. Eq. 35, p. 50, with a 0.25 and b 0.50."""
    return (0.25 + 0.50 * _floats(sunshine_h) / _floats(daylight_h)) * _floats(extraterrestrial)


def soil_heat_from_last_month(t_mean_c: ArrayLike, t_mean_before_c: ArrayLike) -> Floats:
    """Soil heat flux of a month whose next month is unknown, MJ/m2/day. Eq. 44, p. 54."""
    return 0.14 * (_floats(t_mean_c) - _floats(t_mean_before_c))
