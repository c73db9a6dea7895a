"""What the climate room answers for each site."""

from __future__ import annotations

from dataclasses import dataclass

from planner.site import Bools, Floats, Ints


@dataclass(frozen=True)
class SiteClimate:
    """Monthly climate of sites, one row a site (n), months January first; NaN where unknown.

    eto_mm_day (n, 12): mean daily reference ETo. spread_mm_day (n,): standard deviation of the peak month's.
    basis (n,): "ETo layer", "Penman-Monteith from layers", "Hargreaves from layers", "temperature only".
    t_mean_c, rain_mm (n, 12): mean temperature, the month's rain. source (n,): where each row came from, in
    words. away_km (n,): how far the farthest cell is that stands in for a site on unknown cells of a layer: 0 where
    none had to, inf where a layer has nothing near; None where there is no layer.
    """

    eto_mm_day: Floats
    spread_mm_day: Floats
    basis: tuple[str, ...]
    t_mean_c: Floats
    rain_mm: Floats
    source: tuple[str, ...]
    away_km: Floats | None = None


@dataclass(frozen=True)
class ZoneTable:
    """Zones by peak-month ETo, driest last: labels (k,), low and high (k,) mm/day (ends may be infinite).

    t_low_c, t_high_c (k,): hottest-month mean temperature, NaN where the table has none.
    description (k,): words, may be empty. source: where the table comes from.
    """

    labels: tuple[str, ...]
    low_mm_day: Floats
    high_mm_day: Floats
    t_low_c: Floats
    t_high_c: Floats
    description: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class OneWay:
    """One way to the zone, for n sites: value, spread, zone row (-1: none), its probability, and words.

    name: "peak-month ETo", "hottest month's temperature" or "description of the climate".
    peak_eto_mm_day, spread_mm_day (n,): what this way says of the peak month's ETo.
    zone (n,): row of the zone table, -1 where the value lies in no band. probability (n, k). said (n,): one
    sentence on how it was found.
    """

    name: str
    peak_eto_mm_day: Floats
    spread_mm_day: Floats
    zone: Ints
    probability: Floats
    said: tuple[str, ...]


@dataclass(frozen=True)
class ZoneResult:
    """The zone of n sites.

    peak_month (n,): 0 to 11, the month of the highest daily ETo. zone, runner_up (n,): rows of the table
    (-1: none). p_zone, p_runner_up (n,). ways: in order of trust; used (n,): which of them decided.
    agreement (n,): True where all the ways that speak name the same zone. monthly_percent (n, 12): each
    month's ETo over the peak month's.
    """

    table: ZoneTable
    peak_month: Ints
    peak_eto_mm_day: Floats
    spread_mm_day: Floats
    zone: Ints
    runner_up: Ints
    p_zone: Floats
    p_runner_up: Floats
    ways: tuple[OneWay, ...]
    used: Ints
    agreement: Bools
    monthly_percent: Floats


@dataclass(frozen=True)
class ClimatePicture:
    """Peak-month ETo around the site or the sites, for an image on the map.

    values: (rows, cols) mm/day on an even grid of longitude and latitude, row 0 northernmost, NaN where unknown.
    west_deg, south_deg, east_deg, north_deg: outer edges of the grid. source: where it comes from, in words.
    attribution: text that the data's terms ask to be shown, "" where none.
    """

    values: Floats
    west_deg: float
    south_deg: float
    east_deg: float
    north_deg: float
    source: str
    attribution: str = ""
