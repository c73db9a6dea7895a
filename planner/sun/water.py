"""What shade does to the water: the ETo that a sensor in it would report, against that of the open site.

A sensor that keeps a share s of the sun reads s Rs where the open site has Rs; its temperature, humidity and wind
are the site's. In FAO-56 Penman-Monteith (eq. 6) only net radiation changes, so the loss is closed::

    lost = 0.408 D (dRns - dRnl) / (D + g (1 + 0.34 u2))     D: slope of vapour pressure, g: psychrometric
    dRns = 0.77 (1 - s) Rs                                     (eq. 38)
    dRnl = Rnl(Rs) - Rnl(s Rs)                                 (eq. 39: less sun reads as more cloud)

The second line takes back a third to a half of the first in summer, and all of it in some winters, as eq. 39 has
it; where the longwave loss is that of the open sky instead, the loss is the first line alone. How a given sensor
turns sunlight into ET is its maker's secret. So both forms are in the range, and beside it stands the worst end, a
sensor whose ET goes with the sun alone: s - 1. Where eq. 39 takes back more than the first line, nothing is lost:
less sun never reports more.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike

from planner.climate import eto
from planner.climate.eto import MonthlyInputs
from planner.records import compared
from planner.site import Floats

LEAST_ETO_MM_DAY = 0.3  # under this nothing is watered, and a per cent of it says nothing
LEAST_CLOUD_FACTOR = 0.05  # ASCE-EWRI 2005, bound of the cloudiness function (from memory)
# What stands in for what is not known, the middle first. Wind: FAO-56 Table 4, light to moderate, 1 to 3 m/s, and
# p. 63. Dew point below the minimum temperature: eq. 48, and 2 to 3 K lower in dry climates (p. 58). Radiation by
# eq. 50: krs of the interior and of a coast.
WINDS_2M_M_S = (2.0, 1.0, 3.0)
DRYNESS_K = (0.0, 3.0)
KRS = (eto.KRS_INTERIOR, eto.KRS_COAST)


class Assumed(StrEnum):
    """What stands in for weather that is not known."""

    RADIATION = "radiation"  # from the daily range of temperature
    RANGE_AND_RADIATION = "range_and_radiation"  # the range from ETo, radiation from the range
    DEW_POINT = "dew_point"
    WIND = "wind"


@compared
@dataclass(frozen=True)
class WaterBias:
    """Change of the ETo reported at n mounts over that of the open site, per cent, months January first.

    percent: (n, 12), below zero where the sensor under-waters, never above it; NaN in months with next to no ETo or
    no climate. low_percent, high_percent: (n, 12) its range over the cases of what is not known. by_sun_percent:
    (n, 12) for a sensor whose ET goes with the sun alone, as a rule the worst end. open_mm_day: (12,) ETo of the
    open site that percent is of. assumed: what stood in for what was not known.
    """

    percent: Floats
    low_percent: Floats
    high_percent: Floats
    by_sun_percent: Floats
    open_mm_day: Floats
    assumed: tuple[Assumed, ...]


def eto_bias(
    light_share: Floats,
    climate: MonthlyInputs,
    latitude_deg: float,
    elevation_m: float,
) -> WaterBias:
    """How far the ETo reported at mounts is off, from a site's monthly weather.

    The longwave loss is taken once from the sensor's own reading and, for the range, once from the open sky's.

    Parameters
    ----------
    light_share
        (n, 12) of the open sky's light.
    climate
        (12,) or (12, 1) arrays; radiation, humidity and wind may be None, and are then varied.
    latitude_deg, elevation_m
        Of the site.

    Returns
    -------
    WaterBias
        Percent (n, 12), with its range and what was assumed.

    Raises
    ------
    ValueError
        A quantity has not twelve months.
    """
    low, high = _twelve(climate.t_min_c), _twelve(climate.t_max_c)
    rs, ea, u2 = (
        None if v is None else _twelve(v)
        for v in (climate.radiation_mj_m2_day, climate.vapour_pressure_kpa, climate.wind_2m_m_s)
    )
    ra = _top_of_air(latitude_deg)
    rso = eto.clear_sky_radiation(ra, elevation_m)
    missing = {Assumed.RADIATION: rs is None, Assumed.DEW_POINT: ea is None, Assumed.WIND: u2 is None}
    t_mean = (low + high) / 2.0
    gamma = eto.psychrometric_constant_kpa_c(eto.air_pressure_kpa(elevation_m))

    def cases() -> Iterator[tuple[Floats, Floats]]:
        for wind, dry, krs, own in itertools.product(
            WINDS_2M_M_S if u2 is None else (u2,),
            DRYNESS_K if ea is None else (None,),
            KRS if rs is None else (None,),
            (True, False),
        ):
            air = np.maximum(np.broadcast_to(np.asarray(wind, float), 12), eto.LEAST_WIND_2M_M_S)
            damp = ea if dry is None else eto.vapour_pressure_from_dew_point_kpa(low - dry)
            sun = rs if krs is None else np.minimum(eto.radiation_from_temperature_range(low, high, ra, krs), rso)
            assert damp is not None  # given, or made here
            assert sun is not None
            open_eto = eto.penman_monteith(
                eto.net_shortwave(sun) - _longwave(low, high, damp, sun, rso),
                eto.monthly_soil_heat(t_mean),
                t_mean,
                air,
                eto.mean_saturation_vapour_pressure_kpa(low, high),
                damp,
                gamma,
            )
            yield open_eto, eto_lost_mm_day(light_share, low, high, damp, air, sun, rso, gamma, own_longwave=own)

    return _bias(light_share, cases(), tuple(what for what, so in missing.items() if so))


def eto_bias_from_eto(
    light_share: Floats,
    eto_mm_day: ArrayLike,
    t_mean_c: ArrayLike,
    latitude_deg: float,
    elevation_m: float,
) -> WaterBias:
    """The same where only ETo and mean temperature are known, by the derivative of ETo with the sun.

    The daily range follows from ETo by Hargreaves-Samani (eq. 52), radiation from the range (eq. 50), the dew point
    from the minimum temperature (eq. 48): each varied for the range, as is the wind. The loss is over the ETo
    given.

    Parameters
    ----------
    light_share
        (n, 12) of the open sky's light.
    eto_mm_day, t_mean_c
        (12,).
    latitude_deg, elevation_m
        Of the site.

    Returns
    -------
    WaterBias
        Percent (n, 12), with its range and what was assumed.

    Raises
    ------
    ValueError
        A quantity has not twelve months.

    References
    ----------
    FAO-56.
    """
    open_eto, t_mean = _twelve(eto_mm_day), _twelve(t_mean_c)
    ra = _top_of_air(latitude_deg)
    rso = eto.clear_sky_radiation(ra, elevation_m)
    gamma = eto.psychrometric_constant_kpa_c(eto.air_pressure_kpa(elevation_m))
    power = 0.0023 * np.maximum(t_mean + 17.8, 1.0) * eto.MM_PER_MJ_M2 * np.maximum(ra, 0.1)
    root = np.clip(open_eto / power, 1.5, 5.2)  # of the daily range: 2 to 27 K, as months have them
    low, high = t_mean - root**2 / 2, t_mean + root**2 / 2

    def cases() -> Iterator[tuple[Floats, Floats]]:
        for wind, dry, krs, own in itertools.product(WINDS_2M_M_S, DRYNESS_K, KRS, (True, False)):
            sun = np.minimum(eto.radiation_from_temperature_range(low, high, ra, krs), rso)
            damp = eto.vapour_pressure_from_dew_point_kpa(low - dry)
            yield open_eto, eto_lost_mm_day(light_share, low, high, damp, wind, sun, rso, gamma, own_longwave=own)

    return _bias(light_share, cases(), (Assumed.RANGE_AND_RADIATION, Assumed.DEW_POINT, Assumed.WIND))


def eto_lost_mm_day(
    light_share: Floats,
    t_min_c: Floats,
    t_max_c: Floats,
    vapour_pressure_kpa: Floats,
    wind_2m_m_s: ArrayLike,
    radiation_mj_m2_day: Floats,
    clear_sky_mj_m2_day: Floats,
    psychrometric_kpa_c: ArrayLike,
    *,
    own_longwave: bool = True,
) -> Floats:
    """(n, 12) ETo that the sensor does not report, mm/day, at (n, 12) shares of the light.

    own_longwave: the longwave loss is computed from the sensor's own radiation (less sun reads as cloud); False:
    from the open sky's, so that only shortwave is lost. Linear in the share (dETo/dRs of eq. 6) while the reading
    stays above 0.3 of the clear sky's.
    """
    share = np.atleast_2d(np.asarray(light_share, float))
    kept = share * radiation_mj_m2_day
    lost = eto.net_shortwave(radiation_mj_m2_day - kept)
    if own_longwave:
        air = (t_min_c, t_max_c, vapour_pressure_kpa)
        lost = lost - (
            _longwave(*air, radiation_mj_m2_day, clear_sky_mj_m2_day) - _longwave(*air, kept, clear_sky_mj_m2_day)
        )
    delta = eto.slope_kpa_c((t_min_c + t_max_c) / 2.0)
    gamma = np.asarray(psychrometric_kpa_c, float)
    return np.asarray(
        eto.MM_PER_MJ_M2 * delta * lost / (delta + gamma * (1.0 + 0.34 * np.asarray(wind_2m_m_s, float)))
    )


def _bias(light_share: Floats, cases: Iterable[tuple[Floats, Floats]], assumed: tuple[Assumed, ...]) -> WaterBias:
    """From the open site's ETo and what is lost, case by case; the first is the middle one."""
    share = np.atleast_2d(np.asarray(light_share, float))
    totals, losses = zip(*cases, strict=True)
    open_eto = np.maximum(totals[0], 0.0)
    # a report is never below zero, and less sun never reports more
    kept = [
        1.0 - np.clip(lost / np.maximum(total, 1e-9), 0.0, 1.0) for total, lost in zip(totals, losses, strict=True)
    ]
    percent = 100.0 * (np.stack(kept) - 1.0)
    said = open_eto >= LEAST_ETO_MM_DAY
    return WaterBias(
        np.where(said, percent[0], np.nan),
        np.where(said, percent.min(axis=0), np.nan),
        np.where(said, percent.max(axis=0), np.nan),
        np.where(said, 100.0 * (share - 1.0), np.nan),
        open_eto,
        assumed,
    )


def _longwave(low: Floats, high: Floats, ea: Floats, rs: Floats, rso: Floats) -> Floats:
    return eto.net_longwave(low, high, ea, rs, rso, least_cloud_factor=LEAST_CLOUD_FACTOR)


def _top_of_air(latitude_deg: float) -> Floats:
    return eto.monthly_extraterrestrial_radiation(np.array([latitude_deg]))[:, 0]


def _twelve(values: ArrayLike) -> Floats:
    out = np.asarray(values, float).reshape(-1)
    if out.shape != (12,):
        raise ValueError(f"twelve months are needed, not {np.shape(values)}")
    return out
