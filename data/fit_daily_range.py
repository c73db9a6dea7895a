"""Fit the daily temperature range that the built-in ETo estimate needs, and say how far off the estimate is.

    pip install --no-deps aquacrop==3.1.0 accim-samples==0.8.2
    python data/fit_daily_range.py FOLDER      (the open data: montana_normals/ and stations/)

Writes nothing; the numbers it prints stand in planner/climate/builtin.py. Points, with ETo by Penman-Monteith:

* gridMET 1991-2020 over Montana (mt-climate-office/mt-normals): a cell every 2 degrees of longitude or so
* AZMET Maricopa, Arizona, published daily ETo 2003-2020 (kthorp/pyfao56)
* daily station files of aquacrop: Brussels, six English counties, Champion (Nebraska), Cordoba (Argentina),
  Hyderabad (India), Tunis; the files hold no coordinates, so those of the place are used
* typical years of pvlib (Greensboro, Miami, Sand Point) and of accim-samples (Seville, Sydney, London, Aberdeen,
  Chapeco, Palmas, Ahmedabad, Shimla): monthly Penman-Monteith from their hourly weather

Temperature and rain are the built-in layer's own, as in use. A region is left out whole, so that its neighbours
do not help it; regions count alike. Months count by their ETo over the peak's, as the peak is what is wanted.
"""

from __future__ import annotations

import sys
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

from planner.climate import builtin, zones
from planner.climate.eto import (
    MonthlyInputs,
    hargreaves_samani,
    monthly_eto,
    monthly_extraterrestrial_radiation,
    saturation_vapour_pressure_kpa,
    wind_at_2m_m_s,
)
from planner.units import MONTHS

Array = NDArray[np.float64]

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
    """A place with known ETo; t_min_c, t_max_c, eto_mm_day: (12,)."""

    name: str
    region: str
    latitude_deg: float
    longitude_deg: float
    t_min_c: Array
    t_max_c: Array
    eto_mm_day: Array


def montana(folder: Path) -> list[Point]:
    def stack(key: str) -> Array:
        layers = []
        for month in MONTHS:
            with rasterio.open(folder / "montana_normals" / f"{key}_{month.lower()}.tif") as layer:
                layers.append(layer.read(1).astype(float))
        return np.stack(layers)

    pet, low, high = stack("pet"), stack("tmmn") - 273.15, stack("tmmx") - 273.15
    points = []
    with rasterio.open(folder / "montana_normals" / "pet_jul.tif") as layer:
        grid = layer.transform
    for row in range(14, pet.shape[1], 28):
        for col in range(24, pet.shape[2], 48):
            if np.isfinite(pet[:, row, col]).all():
                lon, lat = rasterio.transform.xy(grid, row, col)
                at = (slice(None), row, col)
                points.append(Point(f"cell {row} {col}", "Montana", lat, lon, low[at], high[at], pet[at]))
    return points


def maricopa(folder: Path) -> Point:
    days = pd.read_csv(folder / "stations" / "AZMET_Maricopa_daily_2003_2020.csv")
    month = pd.to_datetime((days["Year"] * 1000 + days["DOY"]).astype(str), format="%Y%j").dt.month
    m = days.groupby(month)[["Tmin", "Tmax", "ETref"]].mean().to_numpy().T
    return Point("Maricopa", "Arizona", 33.069, -111.972, *m)


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
    return Point(name, region, lat, lon, m["low"][:, 0], m["high"][:, 0], eto[:, 0])


def typical_years() -> list[Point]:
    points = []
    folder = files("accim") / "sample_files" / "jupyter_notebooks"
    for name, region in EPW.items():
        hours, about = pvlib.iotools.read_epw(str(folder / name))
        place = (about["latitude"], about["longitude"], about["altitude"])
        points.append(typical_year(hours, Path(name).stem, region, *place))
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


class Fit:
    """Least squares of ETo on the terms of the root of the daily range, and its errors on regions left out."""

    def __init__(self, points: list[Point]) -> None:
        self.lat = np.array([p.latitude_deg for p in points])
        self.eto = np.stack([p.eto_mm_day for p in points])
        self.region = np.array([p.region for p in points])
        self.regions = sorted(set(self.region))
        t, rain = builtin.builtin_normals([p.longitude_deg for p in points], self.lat)
        self.t, self.rain = t, rain
        self.t_known = np.stack([(p.t_min_c + p.t_max_c) / 2 for p in points])
        self.power = builtin.evaporating_power_mm_day(t, self.lat)
        year, like = t.mean(1, keepdims=True), np.ones_like(t)
        self.terms = {
            "1": like,
            "ln moisture": np.log(builtin.moisture(t, rain, self.lat)),
            "T": t / 10,
            "T less the year's": (t - year) / 10,
            "root rain": np.sqrt(rain) / 10,
            "ln (1 + rain)": np.log1p(rain) / 3,
            "ln year's rain": np.log(rain.sum(1, keepdims=True) + 50) * like - 6.5,
            "T, hottest less coldest": np.ptp(t, axis=1, keepdims=True) * like / 10,
            "latitude": np.abs(self.lat)[:, None] / 30 * like,
        }
        self.models = [
            ("1", *others)
            for k in range(4)
            for others in combinations([term for term in self.terms if term != "1"], k)
        ]

    def coefficients(self, model: tuple[str, ...], rows: NDArray[np.bool_]) -> Array:
        share = np.array([1 / np.sqrt(np.sum(self.region[rows] == r)) for r in self.region[rows]])[:, None]
        weight = share * self.eto[rows] / self.eto[rows].max(1, keepdims=True)
        a = np.stack([self.terms[k][rows] * self.power[rows] * weight for k in model], -1)
        return np.linalg.lstsq(a.reshape(-1, len(model)), (self.eto[rows] * weight).ravel())[0]

    def peak_errors(self, model: tuple[str, ...], left_out: NDArray[np.bool_], given: Array) -> Array:
        """Error of the peak month's ETo at the rows left out, from the rows given."""
        c = self.coefficients(model, given)
        root = np.stack([self.terms[k][left_out] for k in model], -1) @ c
        root = np.clip(root, builtin.LEAST_ROOT_RANGE, builtin.MOST_ROOT_RANGE)
        return (root * self.power[left_out]).max(1) - self.eto[left_out].max(1)

    def by_region(self, model: tuple[str, ...], regions: list[str]) -> dict[str, Array]:
        errors = {}
        for region in regions:
            out = self.region == region
            errors[region] = self.peak_errors(model, out, np.isin(self.region, regions) & ~out)
        return errors

    def rmse(self, model: tuple[str, ...], regions: list[str]) -> float:
        return _rms([_rms(e) for e in self.by_region(model, regions).values()])

    def nested_rmse(self) -> tuple[float, list[tuple[str, ...]]]:
        """RMSE when the model too is chosen without the region: what choosing among many really gives."""
        errors, picks = [], []
        for region in self.regions:
            others = [r for r in self.regions if r != region]
            picks.append(min(self.models, key=lambda model: self.rmse(model, others)))
            out = self.region == region
            errors.append(_rms(self.peak_errors(picks[-1], out, ~out)))
        return _rms(errors), picks

    def by_regions_rms(self, errors: Array) -> float:
        return _rms([_rms(errors[self.region == region]) for region in self.regions])

    def weaker_ways(self) -> tuple[Array, Array]:
        """Errors of the peak month's ETo by Blaney-Criddle at the hottest month, and by FAO-56 Table 2."""
        hottest = self.t.argmax(1)
        blaney = zones.blaney_criddle_mm_day(self.t, self.lat)[np.arange(len(hottest)), hottest]
        tropical = zones.is_tropical(self.t, self.lat)
        arid = zones.is_arid(self.t, self.rain, self.lat)
        table = [
            np.mean(zones.table_2_range_mm_day("tropics" if tr else "temperate", "arid" if ar else "humid", t))
            for tr, ar, t in zip(tropical, arid, self.t.max(1), strict=True)
        ]
        return blaney - self.eto.max(1), np.array(table) - self.eto.max(1)


def _rms(values: object) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    if len(sys.argv) != 2:
        raise SystemExit(__doc__)
    folder = Path(sys.argv[1])
    points = [*montana(folder), maricopa(folder), *daily_stations(), *typical_years()]
    fit = Fit(points)
    print(f"{len(points)} points in {len(fit.regions)} regions; errors are of the peak month's ETo, mm/day")
    for model in [("1",), ("1", "ln moisture")]:
        print(f"{' + '.join(model):40s} each region from the others: RMSE {fit.rmse(model, fit.regions):.3f}")
    best = sorted(fit.models, key=lambda model: fit.rmse(model, fit.regions))[0]
    print(f"best of {len(fit.models)}: {' + '.join(best)}, RMSE {fit.rmse(best, fit.regions):.3f}; but")
    nested, picks = fit.nested_rmse()
    print(f"  chosen without the region it is tried on: RMSE {nested:.3f}, {len(set(picks))} different choices")

    chosen = ("1", "ln moisture")
    a, b = fit.coefficients(chosen, np.ones(len(points), bool))
    print(f"RANGE_A = {a:.3f}, RANGE_B = {-b:.3f}, SPREAD_MM_DAY = {fit.rmse(chosen, fit.regions):.2f}")
    errors = fit.by_region(chosen, fit.regions)
    sites = np.concatenate(list(errors.values()))
    print(f"points counted alike: RMSE {_rms(sites):.2f}, worst {sites[np.argmax(np.abs(sites))]:+.2f}")
    own = [
        hargreaves_samani(p.t_min_c, p.t_max_c, monthly_extraterrestrial_radiation(p.latitude_deg)).max()
        - p.eto_mm_day.max()
        for p in points
    ]
    print(
        f"with each point's own daily range and temperature, eq. 52: RMSE {fit.by_regions_rms(np.array(own)):.2f}"
    )
    for name, wrong in zip(("Blaney-Criddle", "FAO-56 Table 2"), fit.weaker_ways(), strict=True):
        bias = np.mean([wrong[fit.region == region].mean() for region in fit.regions])
        print(f"{name}: RMSE {fit.by_regions_rms(wrong):.2f}, mean error {bias:+.2f}")
    hotter = fit.t.max(1) - fit.t_known.max(1)
    print(f"hottest month, layer less station: RMSE {fit.by_regions_rms(hotter):.2f} K")
    for region, error in errors.items():
        known = fit.eto[fit.region == region].max(1).mean()
        print(f"  {region:16s} {len(error):3d} points, ETo {known:.2f}, error {error.mean():+.2f}")


if __name__ == "__main__":
    main()
