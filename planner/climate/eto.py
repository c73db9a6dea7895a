"""Reference evapotranspiration after FAO-56, in plain NumPy; whole years run through the loops of `kernels.py`.

Every function takes numbers or arrays and broadcasts. Months stand on the first axis, January first, sites on
the second: (12, n). Energy is MJ/m2/day, vapour pressure kPa, temperature degrees C, wind m/s, ETo mm/day.

Source, unless a line says otherwise: Allen, Pereira, Raes, Smith (1998), Crop evapotranspiration, FAO
Irrigation and Drainage Paper 56; equation and page numbers are the printed ones. The ASCE forms: Allen et al.
(2005), The ASCE standardized reference evapotranspiration equation, ASCE-EWRI.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from planner.climate import kernels
from planner.months import MONTH_DAYS
from planner.site import Floats, Ints

_MONTH_STARTS = np.concatenate([[0], np.cumsum(MONTH_DAYS)])

MM_PER_MJ_M2 = 0.408  # 1 / latent heat 2.45 MJ/kg; eq. 20, p. 44, and Table 3, p. 45
SOLAR_CONSTANT_MJ_M2_MIN = 0.0820  # p. 46
STEFAN_BOLTZMANN = 4.903e-9  # MJ/K4/m2/day, p. 52
ZERO_C_IN_K = 273.16  # as FAO-56 prints it, p. 33
ALBEDO = 0.23  # the reference grass, p. 51
DEFAULT_WIND_2M_M_S = 2.0  # p. 63: the mean over 2000 stations
LEAST_WIND_2M_M_S = 0.5  # p. 63: buoyancy of the warm surface keeps the air moving
KRS_INTERIOR = 0.16  # eq. 50, p. 60
KRS_COAST = 0.19  # eq. 50, p. 60

Method = Literal["auto", "penman-monteith", "hargreaves"]
Reference = Literal["FAO-56", "ASCE short", "ASCE tall"]


def _floats(value: ArrayLike) -> Floats:
    return np.asarray(value, np.float64)


# --- air -------------------------------------------------------------------------------------------------


def air_pressure_kpa(elevation_m: ArrayLike) -> Floats:
    """Mean air pressure at an elevation. Eq. 7, p. 31."""
    return 101.3 * ((293.0 - 0.0065 * _floats(elevation_m)) / 293.0) ** 5.26


def psychrometric_constant_kpa_c(pressure_kpa: ArrayLike) -> Floats:
    """Psychrometric constant. Eq. 8, p. 32."""
    return 0.665e-3 * _floats(pressure_kpa)


def saturation_vapour_pressure_kpa(temperature_c: ArrayLike) -> Floats:
    """Saturation vapour pressure over water. Eq. 11, p. 36; it is eq. 14, p. 37 when given the dew point."""
    t = _floats(temperature_c)
    return _floats(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def mean_saturation_vapour_pressure_kpa(t_min_c: ArrayLike, t_max_c: ArrayLike) -> Floats:
    """Saturation vapour pressure of a day or month: the mean at its two extremes. Eq. 12, p. 36."""
    return (saturation_vapour_pressure_kpa(t_min_c) + saturation_vapour_pressure_kpa(t_max_c)) / 2.0


def slope_kpa_c(temperature_c: ArrayLike) -> Floats:
    """Slope of the saturation vapour pressure curve. Eq. 13, p. 37."""
    t = _floats(temperature_c)
    return 4098.0 * saturation_vapour_pressure_kpa(t) / (t + 237.3) ** 2


def vapour_pressure_from_dew_point_kpa(dew_point_c: ArrayLike) -> Floats:
    """Actual vapour pressure from the dew point. Eq. 14, p. 37; of the minimum, eq. 48, p. 58."""
    return saturation_vapour_pressure_kpa(dew_point_c)


def dew_point_c(vapour_pressure_kpa: ArrayLike) -> Floats:
    """Dew point from the actual vapour pressure: eq. 14 turned round."""
    x = np.log(_floats(vapour_pressure_kpa) / 0.6108)
    return _floats(237.3 * x / (17.27 - x))


def vapour_pressure_from_rh_kpa(
    t_min_c: ArrayLike, t_max_c: ArrayLike, rh_max_percent: ArrayLike, rh_min_percent: ArrayLike
) -> Floats:
    """Actual vapour pressure from both extremes of relative humidity. Eq. 17, p. 38."""
    at_dawn = saturation_vapour_pressure_kpa(t_min_c) * _floats(rh_max_percent)
    at_noon = saturation_vapour_pressure_kpa(t_max_c) * _floats(rh_min_percent)
    return (at_dawn + at_noon) / 200.0


def vapour_pressure_from_rh_max_kpa(t_min_c: ArrayLike, rh_max_percent: ArrayLike) -> Floats:
    """Actual vapour pressure from the maximum relative humidity alone. Eq. 18, p. 39."""
    return saturation_vapour_pressure_kpa(t_min_c) * _floats(rh_max_percent) / 100.0


def vapour_pressure_from_rh_mean_kpa(t_min_c: ArrayLike, t_max_c: ArrayLike, rh_mean_percent: ArrayLike) -> Floats:
    """Actual vapour pressure from the mean relative humidity, the weakest way. Eq. 19, p. 39."""
    return mean_saturation_vapour_pressure_kpa(t_min_c, t_max_c) * _floats(rh_mean_percent) / 100.0


def wind_at_2m_m_s(wind_m_s: ArrayLike, height_m: ArrayLike) -> Floats:
    """Wind at 2 m from wind at another height over short grass. Eq. 47, p. 56; holds above about 0.1 m."""
    return _floats(wind_m_s) * 4.87 / np.log(67.8 * _floats(height_m) - 5.42)


# --- sun -------------------------------------------------------------------------------------------------


def inverse_distance(day_of_year: ArrayLike) -> Floats:
    """Inverse relative distance of the earth from the sun. Eq. 23, p. 46."""
    return _floats(1.0 + 0.033 * np.cos(2.0 * np.pi / 365.0 * _floats(day_of_year)))


def declination_rad(day_of_year: ArrayLike) -> Floats:
    """Declination of the sun. Eq. 24, p. 46."""
    return _floats(0.409 * np.sin(2.0 * np.pi / 365.0 * _floats(day_of_year) - 1.39))


def sunset_hour_angle_rad(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Sunset hour angle: pi where the sun does not set, 0 where it does not rise. Eq. 25, p. 46."""
    cosine = -np.tan(np.radians(_floats(latitude_deg))) * np.tan(declination_rad(day_of_year))
    return _floats(np.arccos(np.clip(cosine, -1.0, 1.0)))


def extraterrestrial_radiation(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Radiation on the level at the top of the air, MJ/m2/day. Eq. 21, p. 46."""
    phi, delta = np.radians(_floats(latitude_deg)), declination_rad(day_of_year)
    omega = sunset_hour_angle_rad(latitude_deg, day_of_year)
    scale = 24.0 * 60.0 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * inverse_distance(day_of_year)
    geometry = omega * np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.sin(omega)
    return _floats(scale * geometry)


def month_means_of_the_sun(latitude_deg: ArrayLike) -> tuple[Floats, Floats]:
    """(12, ...) means over all days of each month: extraterrestrial radiation, MJ/m2/day, and day length, hours.

    FAO-56 p. 47 takes day 15 for the month, and gives its error as under 1 % but for winters at high latitudes;
    it is up to 3 % at 50 degrees. The mean of eq. 21 (and of eq. 34) over the month's days has no such error.
    """
    latitude = _floats(latitude_deg)
    # sites and grids share latitudes; a day's sun is worked out once for each
    distinct, place = _shared(latitude.ravel())
    radiation, hours = kernels.month_means_of_the_sun(distinct, _MONTH_STARTS)
    shape = (12, *latitude.shape)
    return _floats(radiation[:, place]).reshape(shape), _floats(hours[:, place]).reshape(shape)


def monthly_extraterrestrial_radiation(latitude_deg: ArrayLike) -> Floats:
    """(12, ...) mean over all days of each month, MJ/m2/day."""
    return month_means_of_the_sun(latitude_deg)[0]


def monthly_daylight_hours(latitude_deg: ArrayLike) -> Floats:
    """(12, ...) mean over all days of each month, hours a day."""
    return month_means_of_the_sun(latitude_deg)[1]


# --- radiation at the ground -----------------------------------------------------------------------------


def radiation_from_temperature_range(
    t_min_c: ArrayLike, t_max_c: ArrayLike, extraterrestrial: ArrayLike, krs: ArrayLike = KRS_INTERIOR
) -> Floats:
    """Solar radiation from the daily temperature range. Eq. 50, p. 60.

    Parameters
    ----------
    t_min_c, t_max_c
        Of the day, or of a month's mean day.
    extraterrestrial
        Ra, at the top of the air.
    krs
        0.16 inland, 0.19 at a coast.

    Returns
    -------
    ndarray
        In the unit of `extraterrestrial`.
    """
    span = np.maximum(_floats(t_max_c) - _floats(t_min_c), 0.0)
    return _floats(krs) * np.sqrt(span) * _floats(extraterrestrial)


def clear_sky_radiation(extraterrestrial: ArrayLike, elevation_m: ArrayLike) -> Floats:
    """Solar radiation under a clear sky, Rso. Eq. 37, p. 51."""
    return (0.75 + 2e-5 * _floats(elevation_m)) * _floats(extraterrestrial)


def net_shortwave(radiation: ArrayLike) -> Floats:
    """Solar radiation kept by the reference grass. Eq. 38, p. 51."""
    return (1.0 - ALBEDO) * _floats(radiation)


def net_longwave(
    t_min_c: ArrayLike,
    t_max_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    radiation: ArrayLike,
    clear_sky: ArrayLike,
    *,
    stefan_boltzmann: float = STEFAN_BOLTZMANN,
    least_cloud_factor: float = -np.inf,
) -> Floats:
    """Heat radiated away. Eq. 39, p. 52, with Rs/Rso held to 1 as printed there.

    Under a sun that does not rise Rs/Rso is 0/0; it is then taken as 0.6 (FAO-56 names 0.4 to 0.8 for nights;
    from memory, p. 75). It matters only where ETo is next to nothing.

    Parameters
    ----------
    t_min_c, t_max_c
        Of the day, or of a month's mean day.
    vapour_pressure_kpa
        Actual, ea.
    radiation, clear_sky
        Rs and Rso, in one unit.
    stefan_boltzmann
        Per day, MJ/(K4 m2 day), unless given for another span.
    least_cloud_factor
        The factor of Rs/Rso is held at this and above: ASCE-EWRI's 0.05 where it is asked for.

    Returns
    -------
    ndarray
        MJ/m2/day, or of the span of `stefan_boltzmann`.
    """
    kelvin4 = ((_floats(t_max_c) + ZERO_C_IN_K) ** 4 + (_floats(t_min_c) + ZERO_C_IN_K) ** 4) / 2.0
    rs, rso = np.broadcast_arrays(_floats(radiation), _floats(clear_sky))
    ratio = np.divide(rs, rso, out=np.full(rs.shape, 0.6), where=~(rso < 0.1))
    cloud = np.maximum(1.35 * np.minimum(ratio, 1.0) - 0.35, least_cloud_factor)
    humid = 0.34 - 0.14 * np.sqrt(_floats(vapour_pressure_kpa))
    return _floats(stefan_boltzmann * kelvin4 * humid * cloud)


def monthly_soil_heat(t_mean_c: ArrayLike) -> Floats:
    """(12, ...) soil heat flux of a mean year's months, MJ/m2/day. Eq. 43, p. 54; December meets January."""
    t = _floats(t_mean_c)
    return 0.07 * (np.roll(t, -1, axis=0) - np.roll(t, 1, axis=0))


# --- evapotranspiration ----------------------------------------------------------------------------------


def penman_monteith(
    net_radiation: ArrayLike,
    soil_heat: ArrayLike,
    t_mean_c: ArrayLike,
    wind_2m_m_s: ArrayLike,
    saturation_kpa: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    psychrometric_kpa_c: ArrayLike,
    *,
    numerator: float = 900.0,
    denominator: ArrayLike = 0.34,
    slope: ArrayLike | None = None,
) -> Floats:
    """Reference evapotranspiration. FAO Penman-Monteith, eq. 6, p. 65.

    Parameters
    ----------
    net_radiation, soil_heat
        Rn and G, MJ/m2/day.
    t_mean_c
        Of the air.
    wind_2m_m_s
        2 m above ground.
    saturation_kpa, vapour_pressure_kpa
        es and ea.
    psychrometric_kpa_c
        Gamma.
    numerator, denominator
        900 and 0.34 for the FAO-56 and ASCE short reference, 1600 and 0.38 for the ASCE tall one (ASCE-EWRI 2005,
        Table 1); hours have their own (`hours.py`).
    slope
        Of the saturation curve, eq. 13 unless given.

    Returns
    -------
    ndarray
        mm/day.
    """
    t, u2, gamma = _floats(t_mean_c), _floats(wind_2m_m_s), _floats(psychrometric_kpa_c)
    delta = slope_kpa_c(t) if slope is None else _floats(slope)
    deficit = _floats(saturation_kpa) - _floats(vapour_pressure_kpa)
    sun = MM_PER_MJ_M2 * delta * (_floats(net_radiation) - _floats(soil_heat))
    air = gamma * numerator / (t + 273.0) * u2 * deficit
    return (sun + air) / (delta + gamma * (1.0 + _floats(denominator) * u2))


def hargreaves_samani(t_min_c: ArrayLike, t_max_c: ArrayLike, extraterrestrial: ArrayLike) -> Floats:
    """ETo from temperature alone, mm/day. Eq. 52, p. 64; `extraterrestrial` in MJ/m2/day, made mm here.

    Reads low in wind above 3 m/s and high in humid air (p. 64). Never below zero.
    """
    low, high = _floats(t_min_c), _floats(t_max_c)
    span = np.sqrt(np.maximum(high - low, 0.0))
    warm = np.maximum((low + high) / 2.0 + 17.8, 0.0)
    return 0.0023 * warm * span * MM_PER_MJ_M2 * _floats(extraterrestrial)


def daily_eto(
    t_min_c: ArrayLike,
    t_max_c: ArrayLike,
    vapour_pressure_kpa: ArrayLike,
    radiation: ArrayLike,
    wind_2m_m_s: ArrayLike,
    latitude_deg: ArrayLike,
    elevation_m: ArrayLike,
    day_of_year: ArrayLike,
    reference: Reference = "FAO-56",
) -> Floats:
    """Reference ET of days from measured weather, mm/day; soil heat flux is zero (eq. 42, p. 54).

    reference: "FAO-56" (example 18, p. 72), or the ASCE-EWRI 2005 daily forms: short 900 and 0.34, tall 1600
    and 0.38, Stefan-Boltzmann 4.901e-9, cloud factor at least 0.05.
    """
    sigma, least = (STEFAN_BOLTZMANN, -np.inf) if reference == "FAO-56" else (4.901e-9, 0.05)
    ra = extraterrestrial_radiation(latitude_deg, day_of_year)
    rso = clear_sky_radiation(ra, elevation_m)
    rnl = net_longwave(
        t_min_c,
        t_max_c,
        vapour_pressure_kpa,
        radiation,
        rso,
        stefan_boltzmann=sigma,
        least_cloud_factor=least,
    )
    return penman_monteith(
        net_shortwave(radiation) - rnl,
        0.0,
        (_floats(t_min_c) + _floats(t_max_c)) / 2.0,
        wind_2m_m_s,
        mean_saturation_vapour_pressure_kpa(t_min_c, t_max_c),
        vapour_pressure_kpa,
        psychrometric_constant_kpa_c(air_pressure_kpa(elevation_m)),
        numerator=1600.0 if reference == "ASCE tall" else 900.0,
        denominator=0.38 if reference == "ASCE tall" else 0.34,
    )


class Step(StrEnum):
    """What was done to find ETo, as an ETo layer's own history and the notices quote it."""

    HARGREAVES = "Hargreaves-Samani from temperature alone (FAO-56 eq. 52)"
    WIND_NOT_USED = "wind alone is not used"
    PENMAN = "Penman-Monteith (FAO-56 eq. 6), soil heat flux by eq. 43"
    RADIATION_FROM_RANGE = "radiation from the daily temperature range (eq. 50), held to the clear sky's"
    DEW_POINT_FROM_TMIN = "dew point taken as the minimum temperature (eq. 48), too humid in dry climates"
    WIND_TAKEN = "wind taken as 2 m/s at 2 m (p. 63)"
    WIND_HELD = "wind held to at least 0.5 m/s (p. 63)"


@dataclass(frozen=True)
class MonthlyInputs:
    """Mean months of n sites, (12, n) each; None where a quantity is not known.

    t_min_c, t_max_c: mean daily extremes. radiation_mj_m2_day: solar. wind_2m_m_s: at 2 m.
    """

    t_min_c: Floats
    t_max_c: Floats
    radiation_mj_m2_day: Floats | None = None
    vapour_pressure_kpa: Floats | None = None
    wind_2m_m_s: Floats | None = None


def monthly_eto(
    inputs: MonthlyInputs,
    latitude_deg: ArrayLike,
    elevation_m: ArrayLike,
    method: Method = "auto",
    krs: ArrayLike = KRS_INTERIOR,
    *,
    compiled: bool = True,
) -> tuple[Floats, tuple[Step, ...]]:
    """Mean daily ETo of the months, (12, n) mm/day, and what was done where a quantity is missing.

    latitude_deg, elevation_m: (n,). method: "auto" takes Penman-Monteith where radiation or humidity is given, else
    Hargreaves-Samani, as FAO-56 chapter 3 (p. 58 to 65) allows: with neither it is nearer (spreads.py). krs: of eq.
    50, used only where there is no radiation. compiled: False takes the plain form below, slower and the same to
    1e-9. NaN in, NaN out. ETo is never below zero: a polar night's dew is not counted.
    """
    rs, ea, u2 = inputs.radiation_mj_m2_day, inputs.vapour_pressure_kpa, inputs.wind_2m_m_s
    if method == "auto":
        method = "hargreaves" if rs is None and ea is None else "penman-monteith"
    if method == "hargreaves":
        steps = [Step.HARGREAVES]
        if u2 is not None:
            steps.append(Step.WIND_NOT_USED)
    else:
        steps = [Step.PENMAN]
        if rs is None:
            steps.append(Step.RADIATION_FROM_RANGE)
        if ea is None:
            steps.append(Step.DEW_POINT_FROM_TMIN)
        if u2 is None:
            steps.append(Step.WIND_TAKEN)
        elif np.any(u2 < LEAST_WIND_2M_M_S):
            steps.append(Step.WIND_HELD)
    form = _compiled_months if compiled else _plain_months
    return form(inputs, _floats(latitude_deg), _floats(elevation_m), method, _floats(krs)), tuple(steps)


def _plain_months(
    inputs: MonthlyInputs, latitude_deg: Floats, elevation_m: Floats, method: Method, krs: Floats
) -> Floats:
    low, high = _floats(inputs.t_min_c), _floats(inputs.t_max_c)
    ra = monthly_extraterrestrial_radiation(latitude_deg)
    if method == "hargreaves":
        return hargreaves_samani(low, high, ra)
    rs, ea, u2 = inputs.radiation_mj_m2_day, inputs.vapour_pressure_kpa, inputs.wind_2m_m_s
    rso = clear_sky_radiation(ra, elevation_m)
    rs = np.minimum(radiation_from_temperature_range(low, high, ra, krs), rso) if rs is None else rs
    ea = vapour_pressure_from_dew_point_kpa(low) if ea is None else ea
    u2 = np.full(low.shape, DEFAULT_WIND_2M_M_S) if u2 is None else np.maximum(u2, LEAST_WIND_2M_M_S)
    t_mean = (low + high) / 2.0
    eto = penman_monteith(
        net_shortwave(rs) - net_longwave(low, high, ea, rs, rso),
        monthly_soil_heat(t_mean),
        t_mean,
        u2,
        mean_saturation_vapour_pressure_kpa(low, high),
        ea,
        psychrometric_constant_kpa_c(air_pressure_kpa(elevation_m)),
    )
    return np.maximum(eto, 0.0)


_UNKNOWN = np.empty((0, 0))


def _shared(latitude_deg: Floats) -> tuple[Floats, Ints]:
    """Latitudes with those that repeat taken once, and the place of each; the rows of a grid need no sorting."""
    first = np.flatnonzero(np.diff(latitude_deg, prepend=np.nan))
    if len(first) > len(latitude_deg) / 4:
        distinct, place = np.unique(latitude_deg, return_inverse=True)
        return distinct, place
    return latitude_deg[first], np.repeat(np.arange(len(first)), np.diff(first, append=len(latitude_deg)))


def _compiled_months(
    inputs: MonthlyInputs, latitude_deg: Floats, elevation_m: Floats, method: Method, krs: Floats
) -> Floats:
    shape = np.shape(inputs.t_min_c)

    def one_form(values: ArrayLike, shape: tuple[int, ...]) -> Floats:
        """Of this shape, in one piece and writable: a kernel is compiled anew for every other form."""
        given = _floats(values)
        return np.require(given if given.shape == shape else np.broadcast_to(given, shape), None, ("C", "W"))

    def flat(values: ArrayLike) -> Floats:
        return one_form(values, shape).reshape(12, -1)

    def each(values: Floats) -> Floats:
        return one_form(values, shape[1:]).ravel()

    low, high = flat(inputs.t_min_c), flat(inputs.t_max_c)
    distinct, row = _shared(each(latitude_deg))
    sun = np.ascontiguousarray(monthly_extraterrestrial_radiation(distinct))
    if method == "hargreaves":
        return _floats(kernels.hargreaves_months(low, high, sun, row)).reshape(shape)
    rs, ea, u2 = (
        _UNKNOWN if values is None else flat(values)
        for values in (inputs.radiation_mj_m2_day, inputs.vapour_pressure_kpa, inputs.wind_2m_m_s)
    )
    eto = kernels.penman_monteith_months(low, high, rs, ea, u2, sun, row, each(elevation_m), each(krs))
    return _floats(eto).reshape(shape)
