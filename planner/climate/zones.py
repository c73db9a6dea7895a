"""From a site's climate to its zone: zone tables, the three ways to a zone, and how sure each is.

A zone table is a list of bands of peak-month ETo. The user's is a CSV typed from the controller's manual; ours is
neutral: equal bands of 1 mm/day, named by their lower bound. The peak month is the month of the highest mean daily
ETo, not of the highest monthly total, which favours months of 31 days.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from planner.climate import kernels
from planner.climate.answer import (
    Basis,
    FromDescription,
    FromEto,
    FromTemperature,
    OneWay,
    SiteClimate,
    Way,
    ZoneResult,
    ZoneTable,
)
from planner.climate.eto import monthly_daylight_hours
from planner.climate.spreads import DESCRIPTION_WAY_MM_DAY, HOTTEST_MONTH_C, TEMPERATURE_WAY_MM_DAY
from planner.ledger import DataError, Kind, Ledger, PlanError
from planner.months import MONTH_DAYS
from planner.readings import ZoneRows
from planner.site import Bools, Floats, Ints
from planner.units import MM_PER_IN

if TYPE_CHECKING:
    from planner.plan import EtoUnit

# What the two weaker ways are off by for a peak month, from data/fit_eto_estimate.py (80 places in 43 regions).
# Blaney-Criddle counts the long days of high latitudes too fully; Table 2 gives averages, which are far under the
# peak where climates are temperate and humid.
BLANEY_CRIDDLE_TO_DEG = 35.0  # of latitude: nearer to the equator it is taken as published
BLANEY_CRIDDLE_MM_DAY_10_DEG = -1.00
TABLE_2_TEMPERATE_HUMID_MM_DAY = 1.59

_MEAN_MONTH_DAYS = 365.0 / 12.0
_TO_MM_DAY: dict[EtoUnit, float] = {
    "mm/day": 1.0,
    "mm/month": 1.0 / _MEAN_MONTH_DAYS,
    "in/day": MM_PER_IN,
    "in/month": MM_PER_IN / _MEAN_MONTH_DAYS,
}
# Bounds typed as 0.15-0.19, 0.20-0.24 leave gaps of one last digit; those are closed at their middle.
_ROUNDING_GAP_MM_DAY = 0.011 * MM_PER_IN
APART_SD = 2.0  # two ways disagree when further apart than this many of their joint standard deviations


# --- zone tables -----------------------------------------------------------------------------------------


def equal_bands(first_mm_day: int = 1, last_mm_day: int = 12) -> ZoneTable:
    """Our neutral table: bands of 1 mm/day, open at both ends; 'band 6' is 6 up to 7 mm/day.

    Parameters
    ----------
    first_mm_day, last_mm_day
        Lower edges of the second band and of the last.

    Returns
    -------
    ZoneTable
        The highest ETo last.
    """
    edges = np.concatenate([[-np.inf], np.arange(first_mm_day, last_mm_day + 1), [np.inf]])
    names = range(first_mm_day - 1, last_mm_day + 1)
    unknown = np.full(len(names), np.nan)
    return ZoneTable(
        labels=tuple(f"band {k}" for k in names),
        low_mm_day=edges[:-1],
        high_mm_day=edges[1:],
        t_low_c=unknown,
        t_high_c=unknown,
        description=("",) * len(names),
        source="",
        neutral=True,
    )


def zone_table(found: ZoneRows, unit: EtoUnit, ledger: Ledger) -> ZoneTable:
    """A user's table of zones: columns label, low, high, optionally peak, t_low_c, t_high_c, description.

    An empty `low` or `high` is an open end. Rows may be in any order; overlapping bands are refused; gaps of a
    hundredth of an inch a day are closed, wider ones left, and both reported. `/month` units are turned into days
    by a month of 30.4 days.

    Parameters
    ----------
    found
        The rows as the file has them.
    unit
        Of low, high and peak.
    ledger
        Told of gaps between bands.

    Returns
    -------
    ZoneTable
        mm/day, in order.

    Raises
    ------
    DataError
        It names the row that is wrong.
    """
    where, rows = found.where, list(found.rows)
    labels = [row["label"] for row in rows]
    for label in labels:
        if not label:
            raise DataError(where, "a row has no label", "Give every zone its label")
        if labels.count(label) > 1:
            raise DataError(f"{where}: zone '{label}'", "the label occurs twice", "Give each zone one row")
    factor = _TO_MM_DAY[unit]
    low = np.array([_number(where, row, "low", -np.inf) for row in rows]) * factor
    high = np.array([_number(where, row, "high", np.inf) for row in rows]) * factor
    peak = np.array([_number(where, row, "peak", np.nan) for row in rows]) * factor
    t_low = np.array([_number(where, row, "t_low_c", np.nan) for row in rows])
    t_high = np.array([_number(where, row, "t_high_c", np.nan) for row in rows])
    for k, label in enumerate(labels):
        if np.isinf(low[k]) and np.isinf(high[k]):
            raise DataError(
                f"{where}: line {found.lines[k]}, zone '{label}'",
                "it has neither low nor high, so that every place would be in it",
                "Give it one of the two at least; is the file cut?",
            )
        if not low[k] < high[k]:
            raise DataError(f"{where}: zone '{label}'", "low is not below high", "Exchange them, or mend the row")
        if peak[k] < max(low[k], 0.01) or peak[k] > high[k]:
            raise DataError(
                f"{where}: zone '{label}'",
                "its peak lies outside its own band",
                "Mend the row, or leave the peak empty: the band's middle stands in",
            )
        if np.isnan(t_low[k]) != np.isnan(t_high[k]) or t_low[k] >= t_high[k]:
            raise DataError(
                f"{where}: zone '{label}'",
                "t_low_c and t_high_c must both be given, the lower first",
                "Mend the row, or leave both empty",
            )
    finite = np.concatenate([low, high])[np.isfinite(np.concatenate([low, high]))]
    if not 1.5 <= finite.max() <= 25.0:
        raise DataError(
            where,
            f"the highest bound is {finite.max() / factor:g} {unit}, which no zone's peak month can have",
            f"Set [zone] unit to the table's own: {', '.join(_TO_MM_DAY)}",
        )

    order = np.argsort(low, kind="stable")
    low, high, t_low, t_high, peak = low[order], high[order], t_low[order], t_high[order], peak[order]
    rows, labels = [rows[k] for k in order], [labels[k] for k in order]
    for k in range(len(rows) - 1):
        gap, pair = low[k + 1] - high[k], f"'{labels[k]}' and '{labels[k + 1]}'"
        ends, begins = high[k] / factor, low[k + 1] / factor
        if gap < -1e-9:
            raise DataError(
                where,
                f"the bands of {pair} overlap: {begins:g} to {min(ends, high[k + 1] / factor):g} {unit} is in both",
                "A peak-month ETo may belong to one zone only",
            )
        if gap <= 1e-9:
            continue
        if gap <= _ROUNDING_GAP_MM_DAY:
            low[k + 1] = high[k] = (low[k + 1] + high[k]) / 2.0
            ledger.add(
                Kind.REPAIRED,
                where,
                f"the gap between {pair}, {ends:g} to {begins:g} {unit}, was closed at its middle, "
                f"{(ends + begins) / 2.0:g}",
            )
        else:
            ledger.add(Kind.CHECK, where, f"no zone between {pair}: {ends:g} to {begins:g} {unit}")
    if unit.endswith("/month"):
        ledger.add(Kind.ASSUMED, where, f"{unit} turned into days by a month of 30.4 days")
    return ZoneTable(
        labels=tuple(labels),
        low_mm_day=low,
        high_mm_day=high,
        t_low_c=t_low,
        t_high_c=t_high,
        description=tuple(row["description"] for row in rows),
        source=f"{found.name}, as given ({unit})",
        given_peak_mm_day=peak if np.isfinite(peak).any() else None,
    )


def _number(where: str, row: Mapping[str, str], column: str, empty: float) -> float:
    text = row[column]
    if not text:
        return empty
    try:
        value = float(text)
    except ValueError:
        raise DataError(
            f"{where}: zone '{row['label']}'",
            f"{column} is '{text}', not a number",
            "Write numbers with a decimal point and no unit; leave an open end empty",
        ) from None
    if not np.isfinite(value):
        raise DataError(
            f"{where}: zone '{row['label']}'",
            f"{column} is '{text}', which is no bound",
            "Write a number; leave an open end empty",
        )
    return value


# --- bands and probabilities -----------------------------------------------------------------------------


def zone_of(value: Floats, low: Floats, high: Floats) -> Ints:
    """The band [low, high) that holds each value.

    Parameters
    ----------
    value
        (n,).
    low, high
        (k,) edges of the bands. Bands that overlap, as temperature ranges may, give the one whose middle is
        nearest.

    Returns
    -------
    ndarray of int, shape (n,)
        Row of the band; -1 where none holds the value or it is NaN.
    """
    middle = (np.clip(low, -1e3, 1e3) + np.clip(high, -1e3, 1e3)) / 2.0
    found: Ints = kernels.band_of(*(np.asarray(v, np.float64) for v in (value, low, high, middle)))
    return found


def band_probability(value: Floats, spread: Floats, low: Floats, high: Floats) -> Floats:
    """(n, k) share of a normal spread about each value that lies in each band; 0 where the value is NaN."""
    # bands share their edges: each is looked up once
    edges, place = np.unique(np.concatenate([low, high]), return_inverse=True)
    v, s = np.asarray(value, np.float64), np.broadcast_to(np.asarray(spread, np.float64), np.shape(value))
    place = place.astype(np.int64)
    found: Floats = kernels.normal_bands(v, np.ascontiguousarray(s), edges, place[: len(low)], place[len(low) :])
    return found


# --- the three ways --------------------------------------------------------------------------------------


def blaney_criddle_mm_day(t_mean_c: Floats, latitude_deg: ArrayLike) -> Floats:
    """(n, 12) ETo from mean temperature and day length, ETo = p (0.46 T + 8), mm/day; 0 in frost below -17 C.

    p: daily share of the year's daylight hours, in %, from day lengths by FAO-56 eq. 34. The relation is that of
    Brouwer and Heibloem (1986), FAO Irrigation Water Management Training Manual 3, chapter 3. The manual itself
    was not at hand; independent programs that cite it agree on the formula.
    """
    latitude = np.asarray(latitude_deg, np.float64)
    hours = monthly_daylight_hours(latitude)
    year = (hours * MONTH_DAYS.reshape(-1, *[1] * latitude.ndim)).sum(axis=0)
    share = 100.0 * hours / year
    return np.asarray(np.maximum(share.T * (0.46 * t_mean_c + 8.0), 0.0), np.float64)


# FAO-56 Table 2, p. 8: mm/day at mean daily temperatures of about 10, 20 and above 30 degrees C.
TABLE_2_TEMPERATURES_C = np.array([10.0, 20.0, 30.0])
TABLE_2_MM_DAY: dict[tuple[str, str], tuple[tuple[float, float], ...]] = {
    ("tropics", "humid"): ((2, 3), (3, 5), (5, 7)),
    ("tropics", "arid"): ((2, 4), (4, 6), (6, 8)),
    ("temperate", "humid"): ((1, 2), (2, 4), (4, 7)),
    ("temperate", "arid"): ((1, 3), (4, 7), (6, 9)),
}


def table_2_range_mm_day(region: str, moisture: str, t_mean_c: Floats) -> tuple[Floats, Floats]:
    """Lower and upper ETo of FAO-56 Table 2 (p. 8), straight between its temperatures, held beyond them.

    region: "tropics" (and subtropics) or "temperate"; moisture: "humid" (and sub-humid) or "arid" (and semi-arid).
    FAO gives the table for orientation, not for direct use.
    """
    rows = np.array(TABLE_2_MM_DAY[region, moisture])
    low, high = (np.interp(t_mean_c, TABLE_2_TEMPERATURES_C, rows[:, k]) for k in (0, 1))
    return low, high


def is_tropical(t_mean_c: Floats, latitude_deg: ArrayLike) -> Bools:
    """(n,) between the tropics (23.5 degrees), or coldest month 18 degrees C and more, Koeppen's bound of A."""
    inside = np.abs(np.asarray(latitude_deg, np.float64)) < 23.5
    return np.asarray(inside | (t_mean_c.min(axis=1) >= 18.0), np.bool_)


def is_arid(t_mean_c: Floats, rain_mm: Floats, latitude_deg: ArrayLike) -> Bools:
    """(n,) Koeppen's dry climates: the year's rain in mm under 20 T + 280, 140 or 0 (T the year's mean).

    280 where 70 % and more of the rain falls in the warmer half of the year, 0 where 30 % and less does. From
    memory of Koeppen-Geiger as usually printed; not checked against a source.
    """
    april_to_september = np.isin(np.arange(12), np.arange(3, 9))
    warm_half = april_to_september == (np.asarray(latitude_deg) >= 0)[:, None]
    year = rain_mm.sum(axis=1)
    warm = np.where(warm_half, rain_mm, 0.0).sum(axis=1)
    extra = np.where(warm >= 0.7 * year, 280.0, np.where(warm <= 0.3 * year, 0.0, 140.0))
    return np.asarray(year < 20.0 * t_mean_c.mean(axis=1) + extra)


def read_description(words: str) -> tuple[str, str]:
    """('tropics' or 'temperate', 'humid' or 'arid') from a plan's words; raises PlanError where unclear."""
    text = words.lower()
    regions = [name for name, root in (("tropics", "tropic"), ("temperate", "temperate")) if root in text]
    moistures = [name for name in ("humid", "arid") if name in text]
    match regions, moistures:
        case [region], [moisture]:
            return region, moisture
    raise PlanError(
        "climate.description",
        f"'{words}' does not name one region and one moisture",
        "Write `tropics` or `temperate`, then `humid` or `arid`",
    )


# the columns of FAO-56 Table 2, by its own words
_TABLE_2_WORDS = {"cool": 10.0, "moderate": 20.0, "warm": 30.0}
_DEGREES = re.compile(r"(-?\d+(?:[.,]\d+)?)\s*°?\s*([cf])\b", re.IGNORECASE)


def read_hottest_c(words: str) -> float:
    """The hottest month's mean temperature that a description names, in degrees C; NaN where it names none.

    >>> read_hottest_c("temperate arid, 86 F"), read_hottest_c("tropics humid cool"), read_hottest_c("arid")
    (30.0, 10.0, nan)
    """
    if found := _DEGREES.search(words):
        said = float(found[1].replace(",", "."))
        return said if found[2].lower() == "c" else (said - 32) / 1.8
    named = [value for word, value in _TABLE_2_WORDS.items() if re.search(rf"\b{word}\b", words, re.IGNORECASE)]
    return named[0] if len(named) == 1 else float("nan")


def zone_of_words(description: str, table: ZoneTable) -> ZoneResult:
    """The zone of a place of which nothing is known but a description: the third way alone speaks.

    Parameters
    ----------
    description
        Region and moisture in FAO-56 Table 2's words, and how hot it gets: "temperate arid, 27 C" or "... warm".
    table
        The zones to choose from.

    Returns
    -------
    ZoneResult
        Of one row, without a peak month.

    Raises
    ------
    PlanError
        The description does not name one region, one moisture and one temperature.
    """
    read_description(description)
    if not np.isfinite(read_hottest_c(description)):
        raise PlanError(
            "climate.description",
            f"'{description}' does not say how hot it gets",
            "Add the hottest month's mean temperature (`27 C`, `81 F`), or `cool`, `moderate` or `warm`",
        )
    nothing = np.full((1, 12), np.nan)
    climate = SiteClimate(nothing, nothing[:, 0], (Basis.BUILT_IN,), nothing, nothing, ("the description alone",))
    return zone_sites(climate, nothing[:, 0], table, description)


def zone_sites(
    climate: SiteClimate,
    latitude_deg: ArrayLike,
    table: ZoneTable,
    description: str | None = None,
) -> ZoneResult:
    """The zone of n sites by all three ways; the first way that speaks decides, and its likeliest zone is named.

    Parameters
    ----------
    climate
        Of the sites. One whose ETo is unknown in any month has no peak month.
    latitude_deg
        (n,).
    table
        The zones to choose from.
    description
        The plan's words for every site, None to read them off the climate.

    Returns
    -------
    ZoneResult
        One row a site: the zone of each way, the one that decides, and the odds of each zone.

    Raises
    ------
    PlanError
        The description does not name one region and one moisture.
    """
    n, latitude = len(climate.eto_mm_day), np.asarray(latitude_deg, np.float64)
    peak_month, peak = _highest(climate.eto_mm_day)
    ways = (
        _by_eto(climate, table, peak_month, peak),
        _by_temperature(climate, latitude, table),
        _by_description(climate, latitude, table, description),
    )
    zones = np.stack([way.zone for way in ways])
    values = np.stack([way.peak_eto_mm_day for way in ways])
    speaks = np.isfinite(values)
    used = np.where(speaks.any(axis=0), speaks.argmax(axis=0), -1).astype(np.int64)
    at = (np.maximum(used, 0), np.arange(n))
    probability = ways[0].probability.copy()
    for k, way in enumerate(ways[1:], 1):
        rows = used == k
        if rows.any():
            probability[rows] = way.probability[rows]
    # a value that lies in a narrow band may more likely belong in the wide one beside it
    holds = zones[at]
    zone = np.where(holds >= 0, probability.argmax(axis=1), -1)
    zones[at] = zone
    others = probability.copy()
    others[np.flatnonzero(zone >= 0), zone[zone >= 0]] = -np.inf
    second = others.argmax(axis=1)
    p_second = others[np.arange(n), second]
    # under half a percent no second zone is worth naming
    runner_up = np.where(p_second >= 0.005, second, -1).astype(np.int64)
    return ZoneResult(
        table=table,
        peak_month=peak_month,
        peak_eto_mm_day=values[at],
        spread_mm_day=np.stack([way.spread_mm_day for way in ways])[at],
        zone=zone,
        holds_value=holds,
        runner_up=runner_up,
        p_zone=np.where(zone >= 0, probability[np.arange(n), zone], 0.0),
        p_runner_up=np.where(runner_up >= 0, p_second, 0.0),
        ways=ways,
        used=used,
        # values alike that lie in no band agree on nothing that a controller could be set to
        agreement=_agreement(values, np.stack([way.spread_mm_day for way in ways]), used)
        & (zones >= 0).any(axis=0),
        monthly_percent=100.0 * climate.eto_mm_day / np.where(peak > 0, peak, np.nan)[:, None],
        same_zone=((zones == zone) & (zone >= 0)).sum(axis=0).astype(np.int64),
        shown_percent=_shown_percent(values[at], zone, table),
        years_in_zone=_years_in_zone(climate, zone, table),
    )


def _agreement(values: Floats, spreads: Floats, used: Ints) -> Bools:
    """(n,) whether all ways (ways, n) that speak lie within APART_SD joint spreads of the deciding one."""
    n = values.shape[1]
    at = (used, np.arange(n))
    apart = np.abs(values - values[at])
    joint = np.hypot(spreads, spreads[at])
    # a way that does not speak is NaN, which compares as false; the deciding one is not apart from itself
    wide = apart > APART_SD * joint
    return np.asarray(~wide.any(axis=0) & (used >= 0))


def _shown_percent(peak_eto: Floats, zone: Ints, table: ZoneTable) -> Floats:
    own = np.concatenate([[np.nan], table.peak_mm_day, [np.nan]])
    around = np.stack([own[zone], own[zone + 1], own[zone + 2]], axis=1)
    shown: Floats = 100.0 * peak_eto[:, None] / around
    shown[zone < 0] = np.nan
    return shown


def _years_in_zone(climate: SiteClimate, zone: Ints, table: ZoneTable) -> tuple[int, int] | None:
    years = climate.yearly_peak_mm_day
    if years is None or not len(zone):
        return None
    rows = zone_of(years, table.low_mm_day, table.high_mm_day)
    return int((rows == zone[0]).sum()), len(years)


def _highest(monthly: Floats) -> tuple[Ints, Floats]:
    """(n,) row of the highest month of (n, 12), and its value; -1 and NaN where a month is unknown."""
    month, value = kernels.largest(np.ascontiguousarray(monthly, np.float64))
    return month, value


def _by_eto(climate: SiteClimate, table: ZoneTable, month: Ints, value: Floats) -> OneWay:
    return OneWay(
        Way.ETO,
        value,
        climate.spread_mm_day,
        zone_of(value, table.low_mm_day, table.high_mm_day),
        lambda: band_probability(value, climate.spread_mm_day, table.low_mm_day, table.high_mm_day),
        FromEto(month),
    )


def _by_temperature(climate: SiteClimate, latitude: Floats, table: ZoneTable) -> OneWay:
    month, hottest_c = _highest(climate.t_mean_c)
    n = len(month)
    # 0.01 degrees of latitude are a minute of day length at most, and let sites share their sun
    value = blaney_criddle_mm_day(climate.t_mean_c, np.round(latitude, 2))[np.arange(n), month]
    poleward = np.maximum(np.abs(latitude) - BLANEY_CRIDDLE_TO_DEG, 0.0) / 10.0
    less = np.minimum(-BLANEY_CRIDDLE_MM_DAY_10_DEG * poleward, value)
    value = np.where(month >= 0, value - less, np.nan)
    spread = np.full(n, TEMPERATURE_WAY_MM_DAY)
    by_range = bool(np.isfinite(table.t_low_c).any())
    if by_range:
        low, high = np.nan_to_num(table.t_low_c, nan=np.inf), np.nan_to_num(table.t_high_c, nan=np.inf)
        zone = zone_of(hottest_c, low, high)
    else:
        low, high = table.low_mm_day, table.high_mm_day
        zone = zone_of(value, low, high)

    def odds() -> Floats:
        if not by_range:
            return band_probability(value, spread, low, high)
        found = band_probability(hottest_c, np.full(n, HOTTEST_MONTH_C), low, high)
        # ranges may overlap
        return np.asarray(found / np.maximum(found.sum(axis=1, keepdims=True), 1.0), np.float64)

    return OneWay(Way.TEMPERATURE, value, spread, zone, odds, FromTemperature(month, hottest_c, by_range, less))


def _by_description(climate: SiteClimate, latitude: Floats, table: ZoneTable, description: str | None) -> OneWay:
    month, hottest_c = _highest(climate.t_mean_c)
    n = len(month)
    if description is not None:
        region, moisture = read_description(description)
        tropical, arid = np.full(n, region == "tropics"), np.full(n, moisture == "arid")
        hottest_c = np.where(month >= 0, hottest_c, read_hottest_c(description))
        known = np.isfinite(hottest_c)
    else:
        known = (month >= 0) & np.isfinite(climate.rain_mm).all(axis=1)
        tropical = is_tropical(climate.t_mean_c, latitude)
        arid = is_arid(climate.t_mean_c, climate.rain_mm, latitude)
    low, high = np.full(n, np.nan), np.full(n, np.nan)
    for region, moisture in TABLE_2_MM_DAY:
        rows = known & (tropical == (region == "tropics")) & (arid == (moisture == "arid"))
        low[rows], high[rows] = table_2_range_mm_day(region, moisture, hottest_c[rows])
    added = np.where(~tropical & ~arid, TABLE_2_TEMPERATE_HUMID_MM_DAY, 0.0)
    value = (low + high) / 2.0 + added
    # the printed range is itself a spread, and the table misses known places by more
    spread = np.maximum((high - low) / 2.0, DESCRIPTION_WAY_MM_DAY)

    return OneWay(
        Way.DESCRIPTION,
        value,
        spread,
        zone_of(value, table.low_mm_day, table.high_mm_day),
        lambda: band_probability(value, spread, table.low_mm_day, table.high_mm_day),
        FromDescription(known, tropical, arid, description is not None, hottest_c, added),
    )
