"""The built-in estimate of ETo and the spreads of what is found from less: where places say what is true."""

from __future__ import annotations

import importlib.util
import re
import sys
from importlib.resources import files
from itertools import combinations
from pathlib import Path

import numpy as np
import pvlib
import pytest
import rasterio
from numpy.testing import assert_allclose

from planner.climate import builtin, zones
from planner.climate.answer import SiteClimate, ZoneTable
from planner.climate.best import eto_from_weather
from planner.climate.eto import MonthlyInputs, Step, monthly_eto, monthly_extraterrestrial_radiation
from planner.climate.spreads import (
    ESTIMATE_SHARE,
    SPREAD_MM_DAY,
    estimate_spread_mm_day,
    penman_monteith_spread_mm_day,
)
from planner.months import MONTH_DAYS
from planner.plan import Climate
from planner.show.say.zone import way_said, zone_words
from planner.units import MM_PER_IN, MONTHS

# CIMIS Reference Evapotranspiration Zones (California DWR and UC Davis, 1999): the peak month's in/day, each a
# whole 0.01 in/day. Which zone a town lies in is from memory. No place in California is in the fit.
CALIFORNIA = {
    "El Centro, zone 18": (32.79, -115.56, 0.32),
    "Blythe, zone 18": (33.60, -114.60, 0.32),
    "Five Points, zone 16": (36.34, -120.11, 0.30),
    "Bakersfield, zone 15": (35.37, -119.02, 0.28),
    "Davis, zone 14": (38.54, -121.74, 0.28),
    "Fresno, zone 12": (36.75, -119.77, 0.26),
    "Alturas, zone 10": (41.48, -120.54, 0.26),
    "Riverside, zone 9": (33.95, -117.40, 0.24),
}


def at(latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    found = builtin.builtin_climate([longitude_deg], [latitude_deg])
    return float(found.eto_mm_day.max()), float(found.spread_mm_day[0])


@pytest.mark.parametrize("place", CALIFORNIA)
def test_the_estimate_holds_where_the_fit_saw_nothing(place):
    latitude, longitude, known_in_day = CALIFORNIA[place]
    peak, spread = at(latitude, longitude)
    assert abs(peak - known_in_day * MM_PER_IN) < 2 * spread


def test_a_region_is_off_the_same_way_and_by_no_more_than_is_said():
    """California lies on the high side, which one region may: by one of its spreads at most in the mean. Before the
    difference of two analyses was known, the eight were off by 0.88 mm/day."""
    off = [at(lat, lon)[0] - known * MM_PER_IN for lat, lon, known in CALIFORNIA.values()]
    z = np.array(off) / [at(lat, lon)[1] for lat, lon, _ in CALIFORNIA.values()]
    assert 0 < np.mean(z) < 1
    assert np.mean(np.abs(z) < 1) >= 0.4
    assert np.sqrt(np.mean(np.square(off))) < 0.80


def test_the_estimate_in_april_at_bangkok():
    """FAO-56 example 17 (p. 70): 5.72 mm/day in April, at 13.73 N; tropics, 2 m."""
    found = builtin.builtin_climate([100.5], [13.73])
    assert abs(found.eto_mm_day[0, 3] - 5.72) < 2 * found.spread_mm_day[0]


@pytest.mark.open_data
def test_the_estimate_over_montana(open_data):
    """gridMET's July `pet` in every cell (18 of them are in the fit): one spread holds most, two nearly all."""
    with rasterio.open(open_data / "montana_normals" / "pet_jul.tif") as layer:
        pet, grid = layer.read(1), layer.transform
    rows, cols = np.nonzero(np.isfinite(pet))
    lon, lat = rasterio.transform.xy(grid, rows, cols)
    found = builtin.builtin_climate(np.asarray(lon), np.asarray(lat))
    off = np.abs(found.eto_mm_day.max(axis=1) - pet[rows, cols]) / found.spread_mm_day
    assert (off < 1).mean() > 0.64
    assert (off < 2).mean() > 0.95
    assert np.argmax(np.bincount(found.eto_mm_day.argmax(axis=1), minlength=12)) == MONTHS.index("Jul")


def test_extremes_of_the_earth_stay_what_can_be():
    lat, lon = (v.ravel() for v in np.meshgrid(np.arange(-90, 90.1, 1.5), np.arange(-180, 180, 1.5), indexing="ij"))
    found = builtin.builtin_climate(lon, lat)
    peak = found.eto_mm_day.max(axis=1)
    assert np.isfinite(peak).all()
    assert found.eto_mm_day.min() >= 0
    # FAO-56 Table 2 ends at 6 to 9 mm/day as an average above 30 degrees C; the hottest deserts' peak is above it
    assert 9 < peak.max() < 12
    assert peak[np.abs(lat) > 85].max() < 3
    assert (found.spread_mm_day >= SPREAD_MM_DAY["layer"]).all()


def test_elevation_counts_up_to_the_highest_place_of_the_fit_and_not_below_the_sea():
    t, rain, sun = np.full((1, 12), 20.0), np.full((1, 12), 40.0), np.full((1, 12), 20.0)

    def peak(elevation_m: float) -> float:
        at = np.array([40.0]), np.array([elevation_m]), np.array([0.0])
        return float(builtin.eto_estimate_mm_day(t, rain, sun, *at).max())

    rising = [peak(z) for z in (0, 100, 1000, builtin.HIGHEST_M)]
    assert (np.diff(rising) > 0).all()
    assert peak(builtin.HIGHEST_M + 1) == peak(builtin.HIGHEST_M) > peak(builtin.HIGHEST_M - 1)
    assert peak(-1) == peak(0) < peak(1)


def test_the_estimate_is_the_mean_of_two_by_hand():
    """July at 40 N, 20 degrees C, 40 mm after 100 and 160, 20 MJ/m2/day, 100 m. Sun above the air: FAO-56 Table 2.6
    gives 40.0 on 15 July, from memory; the month's mean is computed."""
    t, sun = np.full((1, 12), 20.0), np.full((1, 12), 20.0)
    rain = np.full((1, 12), 40.0)
    rain[0, 4:6] = 160.0, 100.0
    above = 40.0 * 0.408
    power = 0.0023 * 37.8 * above
    for warmer in (0.0, 1.5, -1.5):
        at = np.array([40.0]), np.array([100.0]), np.array([warmer])
        found = builtin.eto_estimate_mm_day(t, rain, sun, *at)[0, 6]
        root = 3.153 - 0.477 * np.log(45 / (30 * power)) + 0.357 * np.log(2) + 0.234 * warmer
        factor = 0.929 - 0.051 * np.log(105 / (30 * power)) + 0.044 * np.log(2) + 0.053 * warmer
        assert found == pytest.approx((power * root + 0.0135 * 37.8 * 20 * 0.408 * factor) / 2, rel=0.01)


def test_a_difference_of_the_analyses_counts_up_to_two_kelvin():
    t, rain, sun = np.full((5, 12), 20.0), np.full((5, 12), 40.0), np.full((5, 12), 20.0)
    warmer = np.array([-9.0, -2.0, 0.0, 2.0, 9.0])
    peak = builtin.eto_estimate_mm_day(t, rain, sun, np.full(5, 40.0), np.full(5, 100.0), warmer).max(axis=1)
    assert peak[0] == peak[1] < peak[2] < peak[3] == peak[4]


@pytest.mark.parametrize(
    ("file", "read", "latitude", "longitude"),
    [
        ("723170TYA.CSV", pvlib.iotools.read_tmy3, 36.10, -79.95),  # Greensboro
        ("12839.tm2", pvlib.iotools.read_tmy2, 25.80, -80.27),  # Miami
    ],
)
def test_the_builtin_sun_beside_typical_years(file, read, latitude, longitude):
    """Radiation of a typical year in pvlib's data. MERRA-2 has too few clouds: the year is some percent too bright;
    no month, which is one of a single year there, is off by 30 percent."""
    path = files("pvlib") / "data" / file
    hours = read(path, map_variables=True)[0] if read is pvlib.iotools.read_tmy3 else read(path)[0]
    watts = hours["ghi" if "ghi" in hours else "GHI"]
    known = watts.groupby(watts.index.month).sum().to_numpy() * 0.0036 / MONTH_DAYS
    off = builtin.builtin_radiation_mj_m2_day([longitude], [latitude])[0] / known - 1
    assert np.abs(off).max() < 0.30
    assert -0.05 < off.mean() < 0.15


def test_the_builtin_sun_is_known_everywhere_and_joins_at_the_antimeridian():
    lat, lon = (v.ravel() for v in np.meshgrid(np.arange(-90, 90.1, 5), np.arange(-180, 180, 7), indexing="ij"))
    sun = builtin.builtin_radiation_mj_m2_day(lon, lat)
    above = monthly_extraterrestrial_radiation(lat).T
    assert ((sun >= 0.1 * above) & (sun <= 0.9 * above)).all()
    west, east = builtin.builtin_radiation_mj_m2_day([-179.999, 179.999], [67.0, 67.0])
    assert_allclose(west, east, rtol=1e-3)
    assert not np.allclose(west, builtin.builtin_radiation_mj_m2_day([170.0], [67.0])[0], rtol=1e-3)


def test_the_difference_of_the_analyses_is_one_of_land_and_joins_at_the_antimeridian():
    """Chukotka's land reaches over it at 67 N. More than a degree off land, and in Antarctica, there is none."""
    west, east = builtin.gldas_less_era5_k([-179.999, 179.999], [67.0, 67.0])
    assert west == pytest.approx(east, abs=0.01)
    assert west != 0
    assert_allclose(builtin.gldas_less_era5_k([-150.0, -30.0, 0.0, 0.0], [0.0, 30.0, -80.0, 90.0]), 0, atol=1e-12)
    assert_allclose(builtin.gldas_less_era5_k([370.0], [45.0]), builtin.gldas_less_era5_k([10.0], [45.0]))


@pytest.mark.parametrize(
    ("latitude", "longitude", "cells_c"),
    [  # T_ambient_mean in pvcz 0.3.0 of the four cells that meet there, in mountains, where they are far from alike
        (46.25, 8.0, (-0.53, 3.77, 0.24, 0.74)),
        (-33.0, -69.5, (-5.05, 4.64, -1.06, 4.57)),
        (31.0, 77.25, (17.17, 14.09, 16.12, 12.54)),
        (-1.0, 36.5, (19.53, 16.92, 16.77, 14.37)),
    ],
)
def test_the_difference_and_era5_add_up_to_gldas(latitude, longitude, cells_c):
    era5 = builtin.builtin_normals([longitude], [latitude])[0].mean()
    assert era5 + builtin.gldas_less_era5_k([longitude], [latitude])[0] == pytest.approx(np.mean(cells_c), abs=0.06)


def test_the_difference_of_the_analyses_says_where_it_is_from():
    with rasterio.open(str(files("planner.climate") / "gldas_less_era5.tif")) as layer:
        assert layer.tags()["attribution"] == f"{builtin.ATTRIBUTION} {builtin.DIFFERENCE_ATTRIBUTION}"
    assert "GLDAS" in builtin.ALL_ATTRIBUTIONS


def test_the_builtin_sun_says_where_it_is_from():
    with rasterio.open(str(files("planner.climate") / "merra2_clearness.tif")) as layer:
        assert layer.tags()["attribution"] == builtin.SUNLIGHT_ATTRIBUTION
    assert "MERRA-2" in builtin.SUNLIGHT_ATTRIBUTION


def test_spread_of_the_estimate_is_a_share_of_it_and_never_less_than_a_layers():
    edge = SPREAD_MM_DAY["layer"] / ESTIMATE_SHARE
    months = np.ones((3, 12))
    months[:, 6] = edge - 0.01, edge + 0.01, 8.0
    assert_allclose(estimate_spread_mm_day(months), [0.35, 0.35 + 0.01 * ESTIMATE_SHARE, 8.0 * ESTIMATE_SHARE])


# --- weather that is missing ------------------------------------------------------------------------------------


def test_what_is_missing_goes_together():
    """More missing is never surer, and pairs are worse than two independent causes would be: their errors share a
    sign (humid places have little sun and weak wind)."""
    one = {q: penman_monteith_spread_mm_day([q]) for q in ("radiation", "humidity", "wind")}
    none = penman_monteith_spread_mm_day([])
    assert none == pytest.approx(np.hypot(0.35, 0.10))
    assert none < min(one.values())
    for pair in (("radiation", "humidity"), ("radiation", "wind")):
        both = penman_monteith_spread_mm_day(pair)
        assert both**2 - none**2 > sum(one[q] ** 2 - none**2 for q in pair)


def test_spreads_of_what_is_missing_are_those_of_four_places(open_data):
    """Maricopa's days (AZMET) and the typical years that pvlib carries (Greensboro, Miami, Sand Point), four of
    the thirty places of the fit, each in a region of its own: Penman-Monteith without some of the weather against
    itself with all of it. The spreads stated, over all thirty, are those within three tenths."""
    path = Path(__file__).parents[1] / "data" / "fit_eto_estimate.py"
    spec = importlib.util.spec_from_file_location("fit_eto_estimate", path)
    assert spec is not None
    assert spec.loader is not None
    fit = sys.modules["fit_eto_estimate"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(fit)
    points = [fit.maricopa(open_data), *fit.pvlib_years()]
    low, high = (np.stack([getattr(q, name) for q in points], 1) for name in ("t_min_c", "t_max_c"))
    known = [np.stack([q.weather[k] for q in points], 1) for k in range(3)]
    latitude, longitude = (
        np.array([getattr(q, f"{name}_deg") for q in points]) for name in ("latitude", "longitude")
    )
    height_m = builtin.builtin_elevation_m(longitude, latitude)
    names, layer = ("radiation", "humidity", "wind"), penman_monteith_spread_mm_day([])

    def peak(missing: tuple[str, ...]) -> np.ndarray:
        weather = [None if name in missing else v for name, v in zip(names, known, strict=True)]
        inputs = MonthlyInputs(low, high, *weather)
        return monthly_eto(inputs, latitude, height_m, "penman-monteith")[0].max(0)

    for count in (1, 2, 3):
        for missing in combinations(names, count):
            found = np.sqrt(np.mean((peak(missing) - peak(())) ** 2))
            stated = np.sqrt(penman_monteith_spread_mm_day(missing) ** 2 - layer**2)
            assert stated == pytest.approx(found, rel=0.3), missing


def test_without_sun_and_humidity_temperature_alone_is_nearer():
    """Hargreaves-Samani 0.79 (72 places) against Penman-Monteith 1.05 with wind alone known (30 places)."""
    low, high, wind = np.full((12, 1), 12.0), np.full((12, 1), 26.0), np.full((12, 1), 3.0)
    weather = {"tmin": low, "tmax": high, "wind": wind}
    eto, steps, spread = eto_from_weather(Climate(), weather, np.array([40.0]), np.array([100.0]))
    plain, _ = monthly_eto(MonthlyInputs(low, high), np.array([40.0]), np.array([100.0]), "hargreaves")
    assert_allclose(eto, plain)
    assert Step.WIND_NOT_USED in steps
    asked = Climate(method="penman-monteith")
    _, steps, forced = eto_from_weather(asked, weather, np.array([40.0]), np.array([100.0]))
    assert steps[0] is Step.PENMAN
    assert forced > spread == pytest.approx(np.hypot(0.79, 0.35))


# --- the weaker ways --------------------------------------------------------------------------------------------


def test_temperature_way_is_less_poleward_of_35_degrees():
    t = np.broadcast_to(15 + 8 * np.cos((np.arange(12) - 6) / 6 * np.pi), (4, 12))
    latitude = np.array([35.0, 36.0, -45.0, 60.0])
    climate = SiteClimate(
        np.full((4, 12), 4.0), np.full(4, 0.4), ("ETo layer",) * 4, t, t * 0 + 50.0, ("made up",) * 4
    )
    way = zones.zone_sites(climate, latitude, zones.equal_bands()).ways[1]
    plain = zones.blaney_criddle_mm_day(t, latitude)[np.arange(4), t.argmax(axis=1)]
    assert_allclose(plain - way.peak_eto_mm_day, [0, 0.1, 1.0, 2.5], atol=1e-9)
    assert "at this latitude" not in way_said(climate, way, 0, "metric")
    assert re.search(r"less 2\.5 mm/day at this latitude", way_said(climate, way, 3, "metric"))


# --- the zone that is named -------------------------------------------------------------------------------------


def bands(*edges: float) -> ZoneTable:
    low, high = np.array(edges[:-1]), np.array(edges[1:])
    unknown = np.full(len(low), np.nan)
    return ZoneTable(tuple("ABCDEF"[: len(low)]), low, high, unknown, unknown, ("",) * len(low), "made up")


def test_the_zone_named_is_the_likeliest_and_the_words_say_why():
    """5.25 +- 0.6 in bands 2 to 5, 5 to 5.4, 5.4 to 9: z of -0.417 and 0.25, so 0.338, 0.260 and 0.401 by the
    normal distribution's table."""
    rates = np.full((2, 12), 3.0)
    rates[:, 6] = 5.25, 4.0
    climate = SiteClimate(
        rates, np.full(2, 0.6), ("ETo layer",) * 2, np.full((2, 12), 20.0), np.full((2, 12), 50.0), ("made up",) * 2
    )
    found = zones.zone_sites(climate, np.array([38.0, 38.0]), bands(2, 5, 5.4, 9))
    odds = found.ways[0].probability
    assert_allclose(odds[0], [0.3385, 0.2603, 0.4013], atol=0.001)
    assert found.zone.tolist() == [2, 0] == odds.argmax(axis=1).tolist()
    assert found.holds_value.tolist() == [1, 0]
    assert_allclose(found.p_zone, odds.max(axis=1))
    assert found.runner_up[0] == 0
    said = zone_words(climate, found, 0, "metric").agreement
    assert "itself lies in B (26% chance); C is more likely because its band is wider" in said
    assert "itself lies in" not in zone_words(climate, found, 1, "metric").agreement


def test_in_equal_bands_the_likeliest_zone_holds_the_value():
    rng = np.random.default_rng(3)
    n = 500
    rates = np.broadcast_to(rng.uniform(0.5, 13.5, n)[:, None], (n, 12))
    climate = SiteClimate(
        rates, rng.uniform(0.1, 1.5, n), ("ETo layer",) * n, rates * 0 + 20.0, rates * 0 + 50.0, ("made up",) * n
    )
    found = zones.zone_sites(climate, np.zeros(n), zones.equal_bands())
    inside = (rates[:, 0] > 2) & (rates[:, 0] < 11)  # the open ends are wider than the rest
    assert (found.zone == found.holds_value)[inside].all()
    assert (found.p_zone >= found.p_runner_up).all()
