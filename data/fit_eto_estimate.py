"""Fit the built-in estimate of ETo, and every spread of a value found from less; print how good they are.

    pip install --no-deps aquacrop==3.1.0 accim-samples==0.8.2
    python data/fit_eto_estimate.py FOLDER [TABLE]

FOLDER: the open data (montana_normals/ and stations/). TABLE: a CSV of more places, with the columns place, region,
latitude_deg, longitude_deg, peak_eto_mm_day, eto_1 to eto_12 (mm/day) and, where known, tmin_1 to tmax_12 (C).
Writes nothing; the numbers it prints stand in planner/climate/builtin.py, spreads.py and zones.py. Points of the
folder and the packages, with ETo by Penman-Monteith:

* gridMET 1991-2020 over Montana (mt-climate-office/mt-normals): a cell every 2 degrees of longitude or so
* AZMET Maricopa, Arizona, published daily ETo 2003-2020 (kthorp/pyfao56)
* daily station files of aquacrop: Brussels, six English counties, Champion (Nebraska), Cordoba (Argentina),
  Hyderabad (India), Tunis; the files hold no coordinates, so those of the place are used
* typical years of pvlib (Greensboro, Miami, Sand Point) and of accim-samples (Seville, Sydney, London, Aberdeen,
  Chapeco, Palmas, Ahmedabad, Shimla): monthly Penman-Monteith from their hourly weather

Temperature, rain, sun and the difference of two analyses are the built-in layers' own, temperature lapsed to the
ground at the place, as in use where a site's own elevation is not known. A
region is left out whole, so that its neighbours do not help it; regions count alike, and points of one region alike
within it. Months count by their ETo over the peak's, as the peak is what is wanted.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass
from importlib.resources import files
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import rasterio
import rasterio.transform
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import binom, norm

from planner.climate import builtin, spreads, zones
from planner.climate.eto import (
    Method,
    MonthlyInputs,
    monthly_eto,
    monthly_extraterrestrial_radiation,
    saturation_vapour_pressure_kpa,
    vapour_pressure_from_dew_point_kpa,
    vapour_pressure_from_rh_kpa,
    wind_at_2m_m_s,
)
from planner.units import MONTHS

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
Model = tuple[str, ...]

DIFFERENCE = "GLDAS less ERA5"
BY_RANGE: Model = ("1", "ln moisture", "ln (1 + elevation / 100 m)", DIFFERENCE)
BY_SUN: Model = ("1", "ln season's moisture", "ln (1 + elevation / 100 m)", DIFFERENCE)
MOST_TERMS = len(BY_RANGE) - 1

DAILY = {  # aquacrop's name: region, latitude, longitude
    "brussels": ("Belgium", 50.80, 4.36),
    "cambridge": ("Great Britain", 52.2, 0.12),
    "lincolnshire": ("Great Britain", 53.1, -0.3),
    "norfolk": ("Great Britain", 52.67, 1.0),
    "north_yorks": ("Great Britain", 54.2, -1.4),
    "northumberland": ("Great Britain", 55.2, -2.0),
    "suffolk": ("Great Britain", 52.2, 1.0),
    "champion": ("Nebraska", 40.4, -101.73),
    "cordoba": ("Argentina", -31.4, -64.2),
    "hyderabad": ("Deccan", 17.4, 78.5),
    "tunis": ("Tunisia", 36.8, 10.2),
}
EPW = {  # file in accim-samples: region
    "example_apmv_setpoints_paper/Seville.epw": "Andalusia",
    "full_example_IBPSA/Current_GC07_Chapeco.epw": "southern Brazil",
    "full_example_IBPSA/Current_GC20_Palmas.epw": "northern Brazil",
    "parametric_and_optimisation_examples/Sydney.epw": "New South Wales",
    "rename_epw_files/GBR_Aberdeen.Dyce.030910_IWEC.epw": "Great Britain",
    "rename_epw_files/GBR_London.Gatwick.037760_IWEC.epw": "Great Britain",
    "research_paper_case_study_v0-7-3/Current_Ahmedabad-hour.epw": "Gujarat",
    "research_paper_case_study_v0-7-3/Current_Shimla-hour.epw": "Himachal",
}


@dataclass(frozen=True)
class Point:
    """A place with known ETo; t_min_c, t_max_c, eto_mm_day: (12,), temperatures NaN where unknown.

    weather: radiation (MJ/m2/day), vapour pressure (kPa) and wind at 2 m (m/s), (12,) each, where all are known.
    """

    name: str
    region: str
    latitude_deg: float
    longitude_deg: float
    t_min_c: Array
    t_max_c: Array
    eto_mm_day: Array
    weather: tuple[Array, Array, Array] | None = None


def montana(folder: Path) -> list[Point]:
    def stack(key: str) -> Array:
        layers = []
        for month in MONTHS:
            with rasterio.open(folder / "montana_normals" / f"{key}_{month.lower()}.tif") as layer:
                layers.append(layer.read(1).astype(float))
        return np.stack(layers)

    pet, low, high = stack("pet"), stack("tmmn") - 273.15, stack("tmmx") - 273.15
    sun = stack("srad") * 0.0864
    vapour = vapour_pressure_from_rh_kpa(low, high, stack("rmax"), stack("rmin"))
    wind = wind_at_2m_m_s(stack("vs"), 10.0)
    points = []
    with rasterio.open(folder / "montana_normals" / "pet_jul.tif") as layer:
        grid = layer.transform
    for row in range(14, pet.shape[1], 28):
        for col in range(24, pet.shape[2], 48):
            if np.isfinite(pet[:, row, col]).all():
                lon, lat = rasterio.transform.xy(grid, row, col)
                at = (slice(None), row, col)
                weather = (sun[at], vapour[at], wind[at])
                points.append(Point(f"cell {row} {col}", "Montana", lat, lon, low[at], high[at], pet[at], weather))
    return points


def maricopa(folder: Path) -> Point:
    days = pd.read_csv(folder / "stations" / "AZMET_Maricopa_daily_2003_2020.csv")
    month = pd.to_datetime((days["Year"] * 1000 + days["DOY"]).astype(str), format="%Y%j").dt.month
    days = days.assign(ea=vapour_pressure_from_dew_point_kpa(days["Tdew"]))
    m = days.groupby(month)[["Tmin", "Tmax", "ETref", "Srad", "ea", "Wndsp"]].mean().to_numpy().T
    weather = (m[3], m[4], wind_at_2m_m_s(m[5], 3.0))
    return Point("Maricopa", "Arizona", 33.069, -111.972, m[0], m[1], m[2], weather)


def daily_stations() -> list[Point]:
    points = []
    for name, (region, lat, lon) in DAILY.items():
        days = pd.read_csv(str(files("aquacrop") / "data" / f"{name}_climate.txt"), sep=r"\s+")
        m = days.groupby("Month").mean().to_numpy().T
        points.append(Point(name, region, lat, lon, m[-4], m[-3], m[-1]))
    return points


def typical_year(hours: pd.DataFrame, name: str, region: str, lat: float, lon: float, z_m: float) -> Point:
    """hours: ghi (W/m2), temp_air (degrees C), relative_humidity (%), wind_speed (m/s at 10 m)."""
    hours = hours.assign(ea=saturation_vapour_pressure_kpa(hours["temp_air"]) * hours["relative_humidity"] / 100)
    months = [hours.index.month, hours.index.day]
    days = hours.groupby(months).agg(
        low=("temp_air", "min"),
        high=("temp_air", "max"),
        sun=("ghi", "sum"),
        ea=("ea", "mean"),
        wind=("wind_speed", "mean"),
    )
    m = {key: column.to_numpy()[:, None] for key, column in days.groupby(level=0).mean().items()}
    weather = MonthlyInputs(m["low"], m["high"], m["sun"] * 0.0036, m["ea"], wind_at_2m_m_s(m["wind"], 10.0))
    eto, _ = monthly_eto(weather, np.array([lat]), np.array([z_m]))
    known = (weather.radiation_mj_m2_day, weather.vapour_pressure_kpa, weather.wind_2m_m_s)
    assert all(v is not None for v in known)
    rest = tuple(v[:, 0] for v in known if v is not None)
    return Point(name, region, lat, lon, m["low"][:, 0], m["high"][:, 0], eto[:, 0], rest)  # type: ignore[arg-type]


def typical_years() -> list[Point]:
    points = []
    folder = files("accim") / "sample_files" / "jupyter_notebooks"
    for name, region in EPW.items():
        hours, about = pvlib.iotools.read_epw(str(folder / name))
        place = (about["latitude"], about["longitude"], about["altitude"])
        points.append(typical_year(hours, Path(name).stem, region, *place))
    return [*points, *pvlib_years()]


def pvlib_years() -> list[Point]:
    points = []
    data = files("pvlib") / "data"
    for name, region in (("723170TYA.CSV", "North Carolina"), ("703165TY.csv", "Alaska")):
        hours, about = pvlib.iotools.read_tmy3(str(data / name), coerce_year=2001, map_variables=True)
        place = (about["latitude"], about["longitude"], about["altitude"])
        points.append(typical_year(hours, about["Name"], region, *place))
    hours, about = pvlib.iotools.read_tmy2(str(data / "12839.tm2"))
    hours = hours.rename(columns={"GHI": "ghi", "RHum": "relative_humidity"})
    hours = hours.assign(temp_air=hours["DryBulb"] / 10, wind_speed=hours["Wspd"] / 10)
    place = (about["latitude"], about["longitude"], about["altitude"])
    return [*points, typical_year(hours, "Miami", "Florida", *place)]


def more_places(table: Path) -> list[Point]:
    rows = pd.read_csv(table)

    def months(key: str) -> Array:
        return rows[[f"{key}_{month}" for month in range(1, 13)]].to_numpy(float)

    eto, low, high = months("eto"), months("tmin"), months("tmax")
    about = zip(rows["place"], rows["region"], rows["latitude_deg"], rows["longitude_deg"], strict=True)
    return [Point(*told, low[k], high[k], eto[k]) for k, told in enumerate(about)]


class Places:
    """Points as arrays, one row a point, with the built-in layers' temperature, rain, sun and elevation there."""

    def __init__(self, points: list[Point]) -> None:
        self.lat = np.array([p.latitude_deg for p in points])
        longitude = [p.longitude_deg for p in points]
        self.eto = np.stack([p.eto_mm_day for p in points])
        self.peak = self.eto.max(1)
        self.t_min, self.t_max = (np.stack([getattr(p, k) for p in points]) for k in ("t_min_c", "t_max_c"))
        self.region = np.array([p.region for p in points])
        self.regions = sorted(set(self.region))
        self.t, self.rain = builtin.builtin_normals(longitude, self.lat)
        self.elevation_m = builtin.ground_elevation_m(longitude, self.lat)
        rise = self.elevation_m - builtin.builtin_elevation_m(longitude, self.lat)
        self.t = self.t - builtin.LAPSE_K_PER_M * rise[:, None]
        most = builtin.MOST_DIFFERENCE_K
        self.difference_k = np.clip(builtin.gldas_less_era5_k(longitude, self.lat), -most, most)
        self.power = builtin.evaporating_power_mm_day(self.t, self.lat)
        self.radiation = builtin.builtin_radiation_mj_m2_day(longitude, self.lat)
        self.clearness = self.radiation / np.maximum(monthly_extraterrestrial_radiation(self.lat).T, 0.1)
        month = self.eto.argmax(1)
        self.peak_wind_m_s = np.array(
            [np.nan if p.weather is None else p.weather[2][m] for p, m in zip(points, month, strict=True)]
        )
        self.weight = np.array([1.0 / np.sum(self.region == r) for r in self.region])

    def alike(self, values: Array, rows: Rows | None = None) -> float:
        """Mean over regions of the mean in each."""
        weight = self.weight if rows is None else self.weight * rows
        return float(np.sum(weight * values) / weight.sum())

    def rmse(self, errors: Array) -> float:
        return float(np.sqrt(self.alike(errors**2)))

    def groups(self) -> dict[str, Rows]:
        far, wet = np.abs(self.lat), self.rain.sum(1)
        return {
            "within 23.5 degrees of the equator": far < 23.5,
            "23.5 to 45 degrees": (far >= 23.5) & (far <= 45),
            "poleward of 45 degrees": far > 45,
            "under 100 m": self.elevation_m < 100,
            "over 1000 m": self.elevation_m > 1000,
            "under 500 mm of rain a year": wet < 500,
            "over 1000 mm of rain a year": wet > 1000,
        }


class Estimate:
    """Least squares of ETo = formula times terms; each region from the others.

    formula: (n, 12) mm/day. clip: the least and the most that the terms may add up to.
    """

    def __init__(self, places: Places, formula: Array, clip: tuple[float, float]) -> None:
        self.places = p = places
        self.formula, self.clip = formula, clip
        like, far, high = np.ones_like(p.t), np.abs(p.lat)[:, None], np.maximum(p.elevation_m, 0.0)[:, None]
        year, wet = p.t.mean(1, keepdims=True), p.rain.sum(1, keepdims=True)
        self.terms = {
            "1": like,
            "ln moisture": np.log(builtin.moisture(p.rain, p.power)),
            "ln season's moisture": np.log(builtin.moisture(builtin.season_rain_mm(p.rain), p.power)),
            "ln (1 + elevation / 100 m)": np.log1p(high / builtin.ELEVATION_SCALE_M) * like,
            "elevation": high * like / 1000,
            "distance from the equator": far * like / 30,
            "poleward of 40 degrees": np.maximum(far - 40, 0) * like / 10,
            "T": p.t / 10,
            "T less the year's": (p.t - year) / 10,
            "T, hottest less coldest": np.ptp(p.t, axis=1, keepdims=True) * like / 10,
            "root rain": np.sqrt(p.rain) / 10,
            "ln (1 + rain)": np.log1p(p.rain) / 3,
            "ln year's rain": np.log(wet + 50) * like - 6.5,
            "ln year's moisture": np.log((wet + 60) / (30.4 * np.maximum(p.power, 0.1).sum(1, keepdims=True)))
            * like,
            "clearness": p.clearness,
            DIFFERENCE: p.difference_k[:, None] * like,
        }
        others = [term for term in self.terms if term != "1"]
        self.models = [("1", *some) for k in range(4) for some in combinations(others, k)]

    def _sums(self, model: Model) -> tuple[Array, Array, Array]:
        """Terms (points, 12, k), and by region the sums of the normal equations."""
        p = self.places
        weight = np.sqrt(p.weight)[:, None] * p.eto / p.peak[:, None]
        terms = np.stack([self.terms[k] for k in model], -1)
        a, b = terms * (self.formula * weight)[:, :, None], p.eto * weight
        rows = [p.region == region for region in p.regions]
        square = np.stack([np.einsum("nmi,nmj->ij", a[r], a[r]) for r in rows])
        return terms, square, np.stack([np.einsum("nmi,nm->i", a[r], b[r]) for r in rows])

    def coefficients(self, model: Model) -> Array:
        _, square, side = self._sums(model)
        return np.linalg.solve(square.sum(0), side.sum(0))

    def left_out(self, model: Model) -> Array:
        """(regions, points, 12) the estimate without the region of the point, and without that of the row.

        In a row whose region is the point's own, only that one is left out.
        """
        p = self.places
        terms, square, side = self._sums(model)
        whole, rest = square.sum(0), side.sum(0)
        # of each pair of regions both are taken off; of a region with itself one
        off = square[:, None] + square[None]
        off_side = side[:, None] + side[None]
        one = np.arange(len(p.regions))
        off[one, one], off_side[one, one] = square, side
        c = np.linalg.solve(whole - off, (rest - off_side)[..., None])[..., 0]
        at = np.searchsorted(p.regions, p.region)
        factor = np.einsum("nmk,rnk->rnm", terms, c[:, at])
        return np.asarray(self.formula * np.clip(factor, *self.clip))

    def nested(self, most: int) -> tuple[Array, Model, int]:
        """(points, 12) the estimate of up to `most` terms where the terms too are chosen without the region, which
        is what choosing among many really gives; the terms chosen most often, and how often."""
        p, picks = self.places, Counter[Model]()
        models = [model for model in self.models if len(model) <= most + 1]
        tried = [self.left_out(model) for model in models]
        wrong = [(found.max(-1) - p.peak) ** 2 for found in tried]
        out = np.empty_like(p.eto)
        for i, region in enumerate(p.regions):
            others, own = p.region != region, p.region == region
            best = int(np.argmin([p.alike(squares[i], others) for squares in wrong]))
            picks[models[best]] += 1
            out[own] = tried[best][i, own]
        return out, *picks.most_common(1)[0]


def estimates(p: Places) -> tuple[Estimate, Estimate]:
    """Hargreaves-Samani by the root of the daily range, and the radiation formula by a factor."""
    root = (builtin.LEAST_ROOT_RANGE, builtin.MOST_ROOT_RANGE)
    factor = (builtin.LEAST_SUN_FACTOR, builtin.MOST_SUN_FACTOR)
    by_sun = builtin.radiation_formula_mm_day(p.t, p.radiation)
    return Estimate(p, p.power, root), Estimate(p, by_sun, factor)


def say_estimate(p: Places) -> None:
    """The estimate, its spread as a share of itself, and both tried on regions left out."""
    by_range, by_sun = estimates(p)
    at = np.searchsorted(p.regions, p.region)

    def own(peaks: Array) -> Array:
        return np.asarray(peaks[at, np.arange(len(at))])

    picked: list[Array] = []
    for title, fit, chosen, names in (
        ("Hargreaves-Samani, root of the daily range", by_range, BY_RANGE, "ROOT_"),
        ("radiation formula, factor", by_sun, BY_SUN, "SUN_"),
    ):
        print(title)
        for k in range(1, len(chosen) + 1):
            error = own(fit.left_out(chosen[:k]).max(-1)) - p.peak
            print(f"  {' + '.join(chosen[:k]):56s} each region from the others: RMSE {p.rmse(error):.3f}")
        print(f"  terms chosen among {len(fit.terms) - 1} without the region that they are tried on:")
        for most in (1, 2, 3):
            found, model, times = fit.nested(most)
            print(
                f"    up to {most}: RMSE {p.rmse(found.max(-1) - p.peak):.3f}; "
                f"{times} times of {len(p.regions)} {' + '.join(model)}"
            )
            if most == MOST_TERMS:
                picked.append(found)
        found_c = zip(("A", "MOISTURE", "ELEVATION", "DIFFERENCE"), fit.coefficients(chosen), strict=True)
        print("  " + ", ".join(f"{names}{name} = {c:.3f}" for name, c in found_c))

    peaks = ((by_range.left_out(BY_RANGE) + by_sun.left_out(BY_SUN)) / 2).max(-1)
    peak = own(peaks)
    error = peak - p.peak
    alone = own(by_range.left_out(BY_RANGE).max(-1)) - p.peak
    nested = np.mean(picked, axis=0).max(-1) - p.peak
    print(f"the mean of the two, up to {MOST_TERMS} terms of each so chosen: RMSE {p.rmse(nested):.3f}")
    say_by_chance(p)
    print("the mean of the two, with the terms named above:")
    print(
        f"RMSE {p.rmse(error):.3f}, mean error {p.alike(error):+.2f}; "
        f"points counted alike RMSE {np.sqrt(np.mean(error**2)):.2f}"
    )
    draws = np.random.default_rng(12).integers(0, len(p.regions), (4000, len(p.regions)))
    better = np.array([(alone**2 - error**2)[at == k].mean() for k in range(len(p.regions))])
    print(
        f"nearer than Hargreaves-Samani alone in {(better[draws].mean(1) > 0).mean():.0%} of 4000 draws of regions"
    )
    print(f"ESTIMATE_SHARE = {np.sqrt(p.alike((error / peak) ** 2)):.3f}: RMSE over the estimate")

    # the share too without the region it is tried on
    spread = np.empty_like(peak)
    for i, region in enumerate(p.regions):
        others = p.region != region
        share = np.sqrt(p.alike(((peaks[i] - p.peak) / peaks[i]) ** 2, others))
        spread[~others] = np.maximum(share * peak[~others], spreads.SPREAD_MM_DAY["layer"])
    within = (np.abs(error) < spread).astype(float)
    print(f"one standard deviation holds {p.alike(within):.2f} of regions left out, {within.mean():.2f} of points;")
    two = (np.abs(error) < 2 * spread).astype(float)
    print(f"two hold {p.alike(two):.2f} and {two.mean():.2f}")
    say_groups(p, error, within)
    say_zones(p, peak, spread)
    chosen_peak, chosen_spread = nested + p.peak, np.empty_like(peak)
    for region in p.regions:
        others = p.region != region
        share = np.sqrt(p.alike((nested / chosen_peak) ** 2, others))
        chosen_spread[~others] = np.maximum(share * chosen_peak[~others], spreads.SPREAD_MM_DAY["layer"])
    ours, usual, _ = brier_scores(p, chosen_peak, chosen_spread)
    less = 1 - p.alike(ours) / p.alike(usual)
    print(f"where the terms too are chosen without the region: Brier score {p.alike(ours):.3f}, {less:.0%} less")
    say_wind(p, error)
    within_region = np.array([error[at == k].var(ddof=1) for k in range(len(p.regions)) if (at == k).sum() > 1])
    print(f"of the error's variance a region's places share {1 - within_region.mean() / p.rmse(error) ** 2:.2f}")
    for k, region in enumerate(p.regions):
        print(
            f"  {region:16s} {(at == k).sum():3d} points, ETo {p.peak[at == k].mean():.2f}, "
            f"error {error[at == k].mean():+.2f}"
        )


def say_groups(p: Places, error: Array, within: Array) -> None:
    """Errors and coverage of kinds of places, each beside what so few regions would give by chance."""
    for name, rows in p.groups().items():
        n = len(regions := sorted(set(p.region[rows])))
        off, held = (
            np.array([v[rows & (p.region == region)].mean() for region in regions]) for v in (error, within)
        )
        few, many = binom.interval(0.9, n, norm.cdf(1) - norm.cdf(-1))
        print(
            f"  {name:36s} {n:2d} regions, {rows.sum()} points, mean error {off.mean():+.2f} "
            f"+- {off.std(ddof=1) / np.sqrt(n):.2f}, too high in {(off > 0).sum()}, "
            f"RMSE {np.sqrt(p.alike(error**2, rows)):.2f}; one holds {held.mean():.2f}, "
            f"and nine times in ten {few / n:.2f} to {many / n:.2f} where it is right"
        )


def say_by_chance(p: Places) -> None:
    """What the difference of the analyses gives, beside that of other regions in its place: would any do?"""
    fits = estimates(p)
    at = np.searchsorted(p.regions, p.region)

    def rmse(by_range: Model, by_sun: Model) -> float:
        both = (fits[0].left_out(by_range) + fits[1].left_out(by_sun)) / 2
        return p.rmse(both[at, np.arange(len(at))].max(-1) - p.peak)

    without, found = rmse(BY_RANGE[:-1], BY_SUN[:-1]), rmse(BY_RANGE, BY_SUN)
    of_region = np.array([p.difference_k[at == k].mean() for k in range(len(p.regions))])
    within = p.difference_k - of_region[at]
    rng, by_chance = np.random.default_rng(12), np.empty(1000)
    for k in range(len(by_chance)):
        dealt = (rng.permutation(of_region)[at] + within)[:, None] * np.ones(12)
        for fit in fits:
            fit.terms[DIFFERENCE] = dealt
        by_chance[k] = rmse(BY_RANGE, BY_SUN)
    print(
        f"without {DIFFERENCE} RMSE {without:.3f}, with it {found:.3f}; with that of other regions in its place "
        f"{np.median(by_chance):.3f}, at best {by_chance.min():.3f} of {len(by_chance)} draws, "
        f"{np.sum(by_chance <= found)} of them as good"
    )


def brier_scores(p: Places, peak: Array, spread: Array) -> tuple[Array, Array, float]:
    """Brier scores of the zones of the neutral table at each place, of the other regions' frequencies there, and
    the mean score of the frequencies of all regions.

    The score of a place is the sum over all bands of (probability said - whether it is the true one) squared, from
    0 to 2; regions count alike. The climatological forecast says for every place how often each band occurs among
    the places of the other regions: it too is tried where it was not made. The frequencies of the whole sample
    score better, as they have seen each answer.
    """
    table = zones.equal_bands()
    low, high = table.low_mm_day, table.high_mm_day
    odds = zones.band_probability(peak, spread, low, high)
    was = np.equal.outer(zones.zone_of(p.peak, low, high), np.arange(len(table.labels))).astype(float)
    usual = np.empty_like(was)
    for region in p.regions:
        others = p.region != region
        usual[~others] = [p.alike(band, others) for band in was.T]
    seen = 1.0 - sum(p.alike(band) ** 2 for band in was.T)
    return ((odds - was) ** 2).sum(1), ((usual - was) ** 2).sum(1), seen


def say_zones(p: Places, peak: Array, spread: Array) -> None:
    """The zones' Brier score beside that of the frequencies, and what could be had at best."""
    table = zones.equal_bands()
    low, high = table.low_mm_day, table.high_mm_day
    odds = zones.band_probability(peak, spread, low, high)
    true = zones.zone_of(p.peak, low, high)
    ours, climate, seen = brier_scores(p, peak, spread)
    said, usually = p.alike(ours), p.alike(climate)
    print(f"zones of 1 mm/day: Brier score {said:.3f}, of the other regions' frequencies {usually:.3f}")
    print(
        f"  of the frequencies of all regions, that of the place among them, {seen:.3f}: {1 - said / seen:.0%} less"
    )
    at = np.searchsorted(p.regions, p.region)
    by_region = np.array([[v[at == k].mean() for k in range(len(p.regions))] for v in (ours, climate)])
    rng = np.random.default_rng(12)
    draws = by_region[:, rng.integers(0, len(p.regions), (4000, len(p.regions)))].mean(-1)
    less = np.quantile(1 - draws[0] / draws[1], [0.05, 0.95])
    print(
        f"  {1 - said / usually:.0%} less ({less[0]:.0%} to {less[1]:.0%} in nine of ten draws of the regions); "
        f"points counted alike {1 - ours.mean() / climate.mean():.0%}"
    )
    hit = (odds.argmax(1) == true).astype(float)
    print(f"the zone named is said to be right {p.alike(odds.max(1)):.2f}, and is {p.alike(hit):.2f}")

    # were every spread said exactly the error's: truths drawn from the forecast, the errors of a region half shared
    shared = np.sqrt(spreads.ESTIMATE_SHARED) * rng.standard_normal((2000, len(p.regions)))[:, at]
    own = np.sqrt(1 - spreads.ESTIMATE_SHARED) * rng.standard_normal((2000, len(peak)))
    drawn = zones.zone_of((peak + spread * (shared + own)).ravel(), low, high).reshape(2000, -1)
    scores = (odds**2).sum(1) + 1 - 2 * odds[np.arange(len(peak)), drawn]
    exact = scores @ p.weight / p.weight.sum()
    print(
        f"  exactly calibrated, a forecast of these spreads scores {exact.mean():.3f} on the mean, "
        f"{1 - exact.mean() / usually:.0%} less; {exact.std():.3f} is one standard deviation over draws"
    )
    third = usually * 2 / 3
    sd = brentq(lambda sd: calibrated_brier(sd) - third, 0.01, 5.0)
    print(f"  a third less is {third:.3f}, which an exact spread of {sd:.2f} mm/day everywhere scores on the mean")


def calibrated_brier(sd: float, width: float = 1.0) -> float:
    """What a normal forecast of the right spread scores on the mean over bands of one width that may lie anywhere.

    One less the sum of squared probabilities; that sum is the mean of max(0, 1 - |d| / width), d the difference of
    two draws, whose standard deviation is sd times root two.
    """
    two = sd * np.sqrt(2.0)
    edge = width / two
    inside = 2 * norm.cdf(edge) - 1
    return float(1 - inside + 2 * two / width * (norm.pdf(0) - norm.pdf(edge)))


def say_wind(p: Places, error: Array) -> None:
    """What the estimate does not know: the error beside wind, where the places tell it."""
    known = np.isfinite(p.peak_wind_m_s)
    wind, off = p.peak_wind_m_s[known], error[known]
    slope, base = np.polyfit(wind, off, 1)
    left = off - base - slope * wind
    print(
        f"wind at 2 m in the peak month, known at {known.sum()} points: the error falls by {-slope:.2f} mm/day per "
        f"m/s (correlation {np.corrcoef(wind, off)[0, 1]:+.2f}); sd of the errors {off.std():.2f}, of what is left "
        f"{left.std():.2f}"
    )


def say_weaker_ways(p: Places) -> None:
    """Blaney-Criddle and FAO-56 Table 2 with what is taken off or added for a peak month; each region left out."""
    n, far = len(p.peak), np.abs(p.lat)
    blaney = zones.blaney_criddle_mm_day(p.t, p.lat)[np.arange(n), p.t.argmax(1)]
    tropical, arid = zones.is_tropical(p.t, p.lat), zones.is_arid(p.t, p.rain, p.lat)
    table = np.array(
        [
            np.mean(zones.table_2_range_mm_day("tropics" if tr else "temperate", "arid" if ar else "humid", t))
            for tr, ar, t in zip(tropical, arid, p.t.max(1), strict=True)
        ]
    )
    poleward = np.maximum(far - zones.BLANEY_CRIDDLE_TO_DEG, 0.0) / 10
    for name, value, term in (
        ("Blaney-Criddle, per 10 degrees poleward of 35", blaney, poleward),
        ("FAO-56 Table 2, in temperate and humid climates", table, np.where(tropical | arid, 0.0, 1.0)),
    ):
        plain = value - p.peak
        print(f"{name}: as published RMSE {p.rmse(plain):.2f}, mean error {p.alike(plain):+.2f}")

        def added(rows: Rows, plain: Array = plain, term: Array = term) -> float:
            return -p.alike(plain * term, rows) / p.alike(term**2, rows)

        error, spread = np.empty(n), np.empty(n)
        for region in p.regions:
            others = p.region != region
            error[~others] = (plain + added(others) * term)[~others]
            spread[~others] = np.sqrt(p.alike((plain + added(others) * term) ** 2, others))
        within = (np.abs(error) < spread).astype(float)
        print(
            f"  with {added(np.ones(n, bool)):+.2f} mm/day: RMSE {p.rmse(error):.2f}, mean {p.alike(error):+.2f}, "
            f"one standard deviation holds {p.alike(within):.2f} of regions left out"
        )
        for group, rows in list(p.groups().items())[:3]:
            print(
                f"    {group:36s} mean error {p.alike(error, rows):+.2f}, as published {p.alike(plain, rows):+.2f}"
            )
    known = np.isfinite(p.t_min).all(1)
    hotter = np.where(known, p.t.max(1) - ((p.t_min + p.t_max) / 2).max(1), 0.0)
    print(f"hottest month, layer less station: RMSE {np.sqrt(p.alike(hotter**2, known)):.2f} K")


def say_withheld(points: list[Point]) -> None:
    """What Penman-Monteith is off by without one or more of radiation, humidity and wind."""
    for what, some in (
        ("all three", [q for q in points if np.isfinite(q.t_min_c).all()]),
        ("each", [q for q in points if q.weather is not None]),
    ):
        p = Places(some)

        def peaks(weather: list[Array | None], method: Method, p: Places = p) -> Array:
            low, high = p.t_min.T, p.t_max.T
            return np.asarray(
                monthly_eto(MonthlyInputs(low, high, *weather), p.lat, p.elevation_m, method)[0].max(0)
            )

        def say(name: str, error: Array, p: Places = p) -> None:
            within = (np.abs(error) < p.rmse(error)).astype(float)
            print(
                f"  {name:28s} RMSE {p.rmse(error):.2f}, mean error {p.alike(error):+.2f}, "
                f"one standard deviation holds {p.alike(within):.2f}"
            )

        print(f"without {what}, at {len(some)} points in {len(p.regions)} regions")
        none: list[Array | None] = [None, None, None]
        say("Hargreaves-Samani", peaks(none, "hargreaves") - p.peak)
        say("Penman-Monteith", peaks(none, "penman-monteith") - p.peak)
        if what == "all three":
            continue
        whole = [np.stack([q.weather[k] for q in some if q.weather is not None], 1) for k in range(3)]
        best = peaks([*whole], "penman-monteith")
        off: dict[str, Array] = {}
        for k in (1, 2, 3):
            for gone in combinations(("radiation", "humidity", "wind"), k):
                rest = [
                    None if q in gone else v for q, v in zip(("radiation", "humidity", "wind"), whole, strict=True)
                ]
                off[", ".join(gone)] = peaks(rest, "penman-monteith") - best
                say(", ".join(gone), off[", ".join(gone)])
        names = list(off)[:3]
        for one, other in combinations(names, 2):
            r = p.alike(off[one] * off[other]) / (p.rmse(off[one]) * p.rmse(off[other]))
            print(f"  {one} with {other}: mean product of the errors {r:+.2f} of what it could be at most")


def main() -> None:
    if len(sys.argv) not in (2, 3):
        raise SystemExit(__doc__)
    folder = Path(sys.argv[1])
    points = [*montana(folder), maricopa(folder), *daily_stations(), *typical_years()]
    if len(sys.argv) == 2 or not Path(sys.argv[2]).is_file():
        print("No table of more places: what follows is not the fit that stands in the project.")
    else:
        points += more_places(Path(sys.argv[2]))
    places = Places(points)
    print(f"{len(points)} points in {len(places.regions)} regions; errors are of the peak month's ETo, mm/day")
    say_estimate(places)
    say_weaker_ways(places)
    say_withheld(points)


if __name__ == "__main__":
    main()
