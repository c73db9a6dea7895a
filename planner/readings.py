"""What is read of climate before anyone judges it: quantities and units, layers at sites, a year by the hour.

The layers make these records; the sun, the climate and the rest take them. Nothing here knows files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.months import MONTH_DAYS
from planner.site import Bools, Floats
from planner.units import MM_PER_IN

HOURS = 8760  # a common year


# --- layers of months --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Quantity:
    """What a layer holds: to its inner unit, and the range that a month's mean can have there.

    units: name to (factor, offset), value * factor + offset; totals of a month are divided by its days.
    low, high: of any month. peak_low, peak_high: of the highest month of a site.
    """

    name: str
    inner: str
    units: dict[str, tuple[float, float]]
    low: float
    high: float
    peak_low: float
    peak_high: float

    def convert(self, values: Floats, unit: str) -> Floats:
        """(n, 12) from the file's unit to the inner one."""
        factor, offset = self.units[unit]
        month = MONTH_DAYS if "/month" in unit and "/day" in self.inner else 1.0
        if ("/day" in unit or "/s" in unit) and "/month" in self.inner:
            month = 1.0 / MONTH_DAYS
        return np.asarray((values * factor + offset) / month, np.float64)

    def plausible(self, values: Floats) -> bool:
        """Whether known values (n, 12), in the inner unit, can be what they are said to be."""
        rows = values[np.isfinite(values).all(axis=1)]
        if not len(rows):
            return True
        top = np.median(rows.max(axis=1))
        return bool(rows.min() >= self.low and rows.max() <= self.high and self.peak_low <= top <= self.peak_high)


_TEMPERATURE_UNITS = {"C": (1.0, 0.0), "K": (1.0, -273.15), "F": (5.0 / 9.0, -160.0 / 9.0)}
QUANTITIES = {
    "eto": Quantity(
        "ETo",
        "mm/day",
        {"mm/day": (1.0, 0.0), "mm/month": (1.0, 0.0), "in/day": (MM_PER_IN, 0.0), "in/month": (MM_PER_IN, 0.0)},
        -0.5,
        20.0,
        0.8,
        18.0,
    ),
    "tmin": Quantity("minimum temperature", "C", _TEMPERATURE_UNITS, -60.0, 40.0, -12.0, 36.0),
    "tmax": Quantity("maximum temperature", "C", _TEMPERATURE_UNITS, -55.0, 52.0, 0.0, 50.0),
    "tmean": Quantity("mean temperature", "C", _TEMPERATURE_UNITS, -60.0, 45.0, -6.0, 42.0),
    "dew_point": Quantity("dew point", "C", _TEMPERATURE_UNITS, -65.0, 32.0, -15.0, 30.0),
    "radiation": Quantity(
        "solar radiation",
        "MJ/m2/day",
        {"MJ/m2/day": (1.0, 0.0), "W/m2": (0.0864, 0.0), "kJ/m2/day": (0.001, 0.0)},
        -0.1,
        45.0,
        6.0,
        42.0,
    ),
    "wind": Quantity(
        "wind", "m/s", {"m/s": (1.0, 0.0), "km/h": (1.0 / 3.6, 0.0), "mph": (0.44704, 0.0)}, 0.0, 25.0, 0.3, 15.0
    ),
    "rh_min": Quantity("minimum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "rh_max": Quantity("maximum humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "rh_mean": Quantity("mean humidity", "%", {"%": (1.0, 0.0)}, 0.0, 101.0, 1.5, 101.0),
    "vapour_pressure": Quantity(
        "vapour pressure", "kPa", {"kPa": (1.0, 0.0), "hPa": (0.1, 0.0), "Pa": (0.001, 0.0)}, 0.0, 5.0, 0.25, 4.5
    ),
    "rain": Quantity(
        "rain",
        "mm/month",
        {
            "mm/month": (1.0, 0.0),
            "mm/day": (1.0, 0.0),
            "in/month": (MM_PER_IN, 0.0),
            "kg/m2/s": (86400.0, 0.0),
        },
        0.0,
        4000.0,
        0.0,
        4000.0,
    ),
}


@dataclass(frozen=True)
class AtSites:
    """A layer at n sites: values (n, 12) in the quantity's inner unit, NaN where there are none.

    away_km (n,): 0 where the site's own cells are known, else the distance to the nearest that is; inf where none
    is within reach. outside (n,): beyond the layer. known_share (n,): share of the site's area on known cells.
    peak_range (n, 2): lowest and highest of the highest months of the cells under the site, in the file's own unit.
    spread_mm_day: the standard deviation that the file itself states (an ETo layer made from less), else 0.
    where: plan key and file, for messages.
    """

    values: Floats
    away_km: Floats
    outside: Bools
    known_share: Floats
    peak_range: Floats
    spread_mm_day: float = 0.0
    where: str = ""


# --- a year by the hour ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Weather:
    """Sunlight of a year by the hour, 8760 hours of a 365-day year.

    name: of the station, for people. latitude_deg, longitude_deg: its place. start_utc_h: (8760,) hour of the year
    (UTC) at which each hour begins; may lie outside 0..8760 at the turn of the year. dni_wh_m2: (8760,) of the
    beam, square to it; dhi_wh_m2: (8760,) of the sky on the level.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    start_utc_h: Floats
    dni_wh_m2: Floats
    dhi_wh_m2: Floats


@dataclass(frozen=True)
class StationYear:
    """A station's year by the hour as its file has it, (8760,) each, NaN where unknown.

    start_utc_h: hour of the common year, in UTC, at which each row begins, in order of time by the file's clock.
    dew_point_c, humidity_percent: one of them is None where the file's other one is taken. radiation_mj_m2_h: on
    the level. wind_m_s: at the height at which it was measured. elevation_m: NaN where the file does not say.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    start_utc_h: Floats
    t_c: Floats
    dew_point_c: Floats | None
    humidity_percent: Floats | None
    radiation_mj_m2_h: Floats
    wind_m_s: Floats


@dataclass(frozen=True)
class Station:
    """A station's year as it serves n sites: away_km (n,), inf for those beyond the plan's limit; where: its
    file."""

    where: str
    year: StationYear
    away_km: Floats


# --- all of it, at sites -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Window:
    """An even grid of degrees, row 0 northernmost, with an ETo layer's months in it where the plan names one.

    longitude_deg (cols,), latitude_deg (rows,): middles of the cells. eto_mm_day: (rows, cols, 12), NaN where
    unknown, None without a layer.
    """

    longitude_deg: Floats
    latitude_deg: Floats
    west_deg: float
    south_deg: float
    east_deg: float
    north_deg: float
    eto_mm_day: Floats | None


@dataclass(frozen=True)
class Readings:
    """What the files that `[climate]` names say of n sites.

    plan: the plan file, for messages. names: (n,). lonlat: (n, 2) a point in each, longitude and latitude.
    layers: by the names of QUANTITIES. cell_elevation_m: (n,) of the layers' cells, NaN where unknown, None where
    the plan names no such layer. yearly_peak_mm_day: (years,) each year's highest monthly ETo at the plan's
    station. around: the ETo layer for a picture, where one was asked for.
    """

    plan: str
    names: Sequence[str]
    lonlat: Floats
    layers: Mapping[str, AtSites]
    cell_elevation_m: Floats | None = None
    station: Station | None = None
    yearly_peak_mm_day: Floats | None = None
    around: Window | None = None


# --- tables ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ZoneRows:
    """A zone table as its file has it: one mapping of column to text a row, and the line that each stands on.

    unit: of its bands, where the headings say it.
    """

    where: str
    name: str
    rows: tuple[Mapping[str, str], ...]
    lines: tuple[int, ...]
    unit: str | None = None


# --- days of a station, a station table, a controller's log -------------------------------------------------------

Days = NDArray[np.datetime64]  # of [D]
DAY = np.timedelta64(1, "D")


@dataclass(frozen=True)
class DaysMeasured:
    """What a file gives of n days of a weather station, metric; NaN where it does not.

    eto_mm: reference ETo as the file publishes it. wind_m_s: at wind_height_m. radiation_mj_m2: of the day.
    """

    name: str
    day: Days
    t_min_c: Floats
    t_max_c: Floats
    dew_point_c: Floats
    vapour_pressure_kpa: Floats
    rh_max_percent: Floats
    rh_min_percent: Floats
    rh_mean_percent: Floats
    radiation_mj_m2: Floats
    wind_m_s: Floats
    wind_height_m: float
    rain_mm: Floats
    eto_mm: Floats


@dataclass(frozen=True)
class StationTable:
    """n stations as given; NaN or '' where the table is silent.

    kind: one of `knowledge.KINDS`; plant, soil: names that `knowledge` knows. uniformity, efficiency, depletion:
    shares; a station has one of the first two at most. factor (n,).
    """

    names: tuple[str, ...]
    controllers: tuple[str, ...]
    programmes: tuple[str, ...]
    kind: tuple[str, ...]
    plant: tuple[str, ...]
    soil: tuple[str, ...]
    area_m2: Floats
    flow_l_min: Floats
    rate_mm_h: Floats
    uniformity: Floats
    efficiency: Floats
    factor: Floats
    intake_mm_h: Floats
    slope_percent: Floats
    root_m: Floats
    depletion: Floats
    pipe_mm: Floats

    def __len__(self) -> int:
        return len(self.names)

    def __post_init__(self) -> None:
        both = np.isfinite(self.uniformity) & np.isfinite(self.efficiency)
        if both.any():
            raise ValueError(
                f"station '{self.names[int(both.argmax())]}' has a uniformity and an efficiency: keep one, "
                "for each lengthens the run time for the same uneven water"
            )


@dataclass(frozen=True)
class Log:
    """A controller's log laid on n days without gaps.

    percent (n,): NaN where the day has none. hold: 'rain', 'freeze', 'off' or '' (n,). who, note (n,). written
    (n,): False where the day takes over the last entry. step_percent: the log's resolution.
    """

    day: Days
    percent: Floats
    hold: tuple[str, ...]
    who: tuple[str, ...]
    note: tuple[str, ...]
    written: Bools
    step_percent: float

    def __len__(self) -> int:
        return len(self.day)
