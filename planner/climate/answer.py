"""What the climate room answers for each site."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property, partial
from typing import Any

import numpy as np

from planner.records import compared
from planner.site import Bools, Floats, Ints


class Basis(StrEnum):
    """What a site's ETo rests on, the least sure first."""

    BUILT_IN = "built-in estimate"
    HARGREAVES = "Hargreaves from layers"
    PENMAN = "Penman-Monteith from layers"
    HOURS = "ASCE hours of a weather file"
    LAYER = "ETo layer"
    NONE = "none"  # nothing speaks of the site, and the plan forbids the estimate


class Way(StrEnum):
    """The ways to a zone, in order of trust."""

    ETO = "eto"
    TEMPERATURE = "temperature"
    DESCRIPTION = "description"


@compared
@dataclass(frozen=True)
class SiteClimate:
    """Monthly climate of sites, one row a site (n), months January first; NaN where unknown.

    eto_mm_day (n, 12): mean daily reference ETo. spread_mm_day (n,): standard deviation of the peak month's.
    basis (n,): "ETo layer", "ASCE hours of a weather file", "Penman-Monteith from layers", "Hargreaves from
    layers", "built-in estimate", or "none" where ETo is unknown because the plan forbids the estimate.
    t_mean_c, rain_mm (n, 12): mean temperature, the month's rain. source (n,): where each row came from, in
    words. away_km (n,): how far the farthest cell is that stands in for a site on unknown cells of a layer: 0 where
    none had to, inf where a layer has nothing near; None where there is no layer. known_share (n,): least share of
    the site's area on known cells of a layer.
    above_m (n,): how far the site stands above the cell that its temperature comes from, NaN where either is
    unknown; temperature and ETo are lapsed by it. unlapsed_peak_mm_day (n,): the peak month's ETo without that.
    cells_peak_mm_day (n, 2): lowest and highest peak-month ETo among the cells of an ETo layer under the site.
    at_sea (n,): no file of the plan speaks, and there is no land near (small islands count as sea).
    axes_exchanged (n,): of those, the ones that lie on land with longitude and latitude exchanged.
    computed_peak_mm_day, computed_spread_mm_day (n,): of ETo computed from weather layers, where the plan gives
    an ETo layer too. yearly_peak_mm_day (years,): each year's peak-month ETo at a station named in the plan.
    """

    eto_mm_day: Floats
    spread_mm_day: Floats
    basis: tuple[Basis, ...]
    t_mean_c: Floats
    rain_mm: Floats
    source: tuple[str, ...]
    away_km: Floats | None = None
    known_share: Floats | None = None
    above_m: Floats | None = None
    unlapsed_peak_mm_day: Floats | None = None
    cells_peak_mm_day: Floats | None = None
    computed_peak_mm_day: Floats | None = None
    computed_spread_mm_day: Floats | None = None
    yearly_peak_mm_day: Floats | None = None
    at_sea: Bools | None = None
    axes_exchanged: Bools | None = None


@compared
@dataclass(frozen=True)
class ZoneTable:
    """Zones by peak-month ETo, driest last: labels (k,), low and high (k,) mm/day (ends may be infinite).

    t_low_c, t_high_c (k,): hottest-month mean temperature, NaN where the table has none.
    description (k,): words, may be empty. source: the file it comes from, with its unit; "" for our own.
    given_peak_mm_day (k,): the peak-month ETo that the controller assumes in the zone, NaN where the table does
    not say. neutral: our own table, whose labels are no controller's.
    """

    labels: tuple[str, ...]
    low_mm_day: Floats
    high_mm_day: Floats
    t_low_c: Floats
    t_high_c: Floats
    description: tuple[str, ...]
    source: str
    given_peak_mm_day: Floats | None = None
    neutral: bool = False

    @property
    def peak_mm_day(self) -> Floats:
        """(k,) the zone's own peak: as given, else the band's middle; an open band is as wide as its neighbour."""
        low, high = self.low_mm_day.copy(), self.high_mm_day.copy()
        width = np.where(np.isfinite(high - low), high - low, 1.0)
        if len(low) > 1:
            width[0] = width[1] if not np.isfinite(low[0]) else width[0]
            width[-1] = width[-2] if not np.isfinite(high[-1]) else width[-1]
        low, high = np.where(np.isfinite(low), low, high - width), np.where(np.isfinite(high), high, low + width)
        middle = np.maximum((low + high) / 2.0, 0.1)
        given = self.given_peak_mm_day
        return middle if given is None else np.where(np.isfinite(given), given, middle)


@compared
@dataclass(frozen=True)
class FromEto:
    """How the first way found its value: month (n,) of the highest daily ETo, -1 where a month is unknown."""

    month: Ints


@compared
@dataclass(frozen=True)
class FromTemperature:
    """How the second did: month (n,), the hottest, -1 where one is unknown; hottest_c (n,) its mean temperature.

    by_range: by the table's own ranges of temperature, else by Blaney-Criddle, less (n,) mm/day at high latitudes.
    """

    month: Ints
    hottest_c: Floats
    by_range: bool
    less_mm_day: Floats


@compared
@dataclass(frozen=True)
class FromDescription:
    """How the third did. known (n,): there is temperature and rain to go by; tropical, arid (n,): the description,
    given: by the plan, else read off temperature and rain. hottest_c (n,): the hottest month's mean.

    added_mm_day (n,): to make a peak month of an average.
    """

    known: Bools
    tropical: Bools
    arid: Bools
    given: bool
    hottest_c: Floats
    added_mm_day: Floats


@compared
@dataclass(frozen=True)
class OneWay:
    """One way to the zone, for n sites: value, spread, zone row (-1: none), its probability, and how it was found.

    peak_eto_mm_day, spread_mm_day (n,): what this way says of the peak month's ETo.
    zone (n,): row of the zone table, -1 where the value lies in no band. odds: gives `probability` (n, k) of every
    zone, worked out when it is first asked for.
    """

    way: Way
    peak_eto_mm_day: Floats
    spread_mm_day: Floats
    zone: Ints
    odds: Callable[[], Floats] = field(compare=False)
    found: FromEto | FromTemperature | FromDescription

    @cached_property
    def probability(self) -> Floats:
        return self.odds()

    def __reduce__(self) -> tuple[Any, ...]:
        """Pickled with what is worked out on demand: the functions that do so cannot travel."""
        known = partial(np.asarray, self.probability)
        return OneWay, (self.way, self.peak_eto_mm_day, self.spread_mm_day, self.zone, known, self.found)


@compared
@dataclass(frozen=True)
class ZoneResult:
    """The zone of n sites.

    peak_month (n,): 0 to 11, the month of the highest daily ETo. zone, runner_up (n,): rows of the table, the
    likeliest and the next (-1: none). holds_value (n,): row of the band that the value itself lies in; another than
    `zone` where a wider band beside it is likelier. p_zone, p_runner_up (n,). ways: in order of trust; used (n,):
    which of them decided. agreement (n,): True where the ways that speak differ by no more than two of their joint
    standard deviations from the one that decided, and one of them names a zone. same_zone (n,): how many ways name
    the zone.
    monthly_percent (n, 12): each month's ETo over the peak month's. shown_percent (n, 3): what a controller shows
    in the peak month when set to the next zone of lower ETo, to the zone, and to the next of higher: peak-month ETo
    over that zone's own peak. The lower zone waters more, the higher less. NaN where there is no such zone.
    years_in_zone: how many years of the plan's station peak in the first site's zone, and of how many.
    """

    table: ZoneTable
    peak_month: Ints
    peak_eto_mm_day: Floats
    spread_mm_day: Floats
    zone: Ints
    holds_value: Ints
    runner_up: Ints
    p_zone: Floats
    p_runner_up: Floats
    ways: tuple[OneWay, ...]
    used: Ints
    agreement: Bools
    monthly_percent: Floats
    same_zone: Ints | None = None
    shown_percent: Floats | None = None
    years_in_zone: tuple[int, int] | None = None


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
