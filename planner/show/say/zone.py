"""The climate zone in words: what to set, how sure it is, what else it could be, what a wrong one costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.climate.answer import (
    FromDescription,
    FromEto,
    FromTemperature,
    OneWay,
    SiteClimate,
    Way,
    ZoneResult,
    ZoneTable,
)
from planner.show.say.figures import Number, listed
from planner.units import MM_PER_IN, MONTH_NAMES, Units, eto, fixed, rain, temperature

if TYPE_CHECKING:
    from planner.contract import SharedError

Floats = NDArray[np.float64]


WAY_NAMES = {
    Way.ETO: "peak-month ETo",
    Way.TEMPERATURE: "hottest month's temperature",
    Way.DESCRIPTION: "description of the climate",
}


def band(table: ZoneTable, row: int, units: Units) -> str:
    """'5.0 to 6.0 mm/day', with open ends in words."""
    low, high = float(table.low_mm_day[row]), float(table.high_mm_day[row])
    if not np.isfinite(high):
        return f"{eto(low, units)} or more" if np.isfinite(low) else "any ETo"
    if not np.isfinite(low) or low <= 0:
        return f"less than {eto(high, units)}"
    return f"{eto(low, units).split()[0]} to {eto(high, units)}"


def peak_said(table: ZoneTable, row: int, value_mm_day: float, units: Units) -> str:
    """Peak-month ETo with as many digits as keep it inside the zone's band, as the band is written.

    5.97 mm/day in the band from 5.0 to 6.0 is not '6.0 mm/day'.
    """
    if row < 0:
        return eto(value_mm_day, units)
    per, unit, digits = (MM_PER_IN, "in/day", 3) if units == "us" else (1.0, "mm/day", 1)
    low, high = float(table.low_mm_day[row]) / per, float(table.high_mm_day[row]) / per
    value = value_mm_day / per
    more = digits
    while (
        more < digits + 3
        and low <= value < high
        and not round(low, digits) <= round(value, more) < round(high, digits)
    ):
        more += 1
    return f"{fixed(value, more)} {unit}"


def table_said(table: ZoneTable, units: Units) -> str:
    """Where a zone table comes from."""
    if table.neutral:
        return f"neutral table: equal bands of {eto(1.0, units)} of peak-month reference ETo"
    return table.source


def way_said(climate: SiteClimate, way: OneWay, site: int, units: Units) -> str:
    """How one way found its zone."""
    found = way.found
    if isinstance(found, FromEto):
        return _eto_said(climate, way, found, site, units)
    if isinstance(found, FromTemperature):
        return _temperature_said(found, site, units)
    return _description_said(found, site, units)


def _eto_said(climate: SiteClimate, way: OneWay, found: FromEto, site: int, units: Units) -> str:
    month = int(found.month[site])
    if month < 0:
        return "ETo is not known in every month"
    value = eto(float(way.peak_eto_mm_day[site]), units)
    return f"{month_name(month)} has the highest daily ETo, {value} ({climate.basis[site]})"


def _temperature_said(found: FromTemperature, site: int, units: Units) -> str:
    month, less = int(found.month[site]), float(found.less_mm_day[site])
    if month < 0:
        return "temperature is not known in every month"
    how = "the table's own temperature ranges" if found.by_range else "ETo = p (0.46 T + 8), Blaney-Criddle"
    hottest = temperature(float(found.hottest_c[site]), units)
    said = f"{month_name(month)} is the hottest month, {hottest} on average; {how}"
    return said if found.by_range or less < 0.05 else f"{said}, less {eto(less, units)} at this latitude"


def _description_said(found: FromDescription, site: int, units: Units) -> str:
    if not found.known[site]:
        return "temperature or rain is not known in every month"
    region = "tropics and subtropics" if found.tropical[site] else "temperate"
    wet = "arid to semi-arid" if found.arid[site] else "humid to sub-humid"
    origin = "as the plan says" if found.given else "read off temperature and rain"
    more = float(found.added_mm_day[site])
    peak = f" (an average: {eto(more, units)} added for a peak month)" if more else ""
    return (
        f"{region}, {wet} ({origin}), hottest month {temperature(float(found.hottest_c[site]), units)}: "
        f"FAO-56 Table 2{peak}, orientation only, as FAO says"
    )


def month_name(month: int) -> str:
    return MONTH_NAMES[month] if month >= 0 else "a month not known"


def zone_label(zone: ZoneResult, row: int) -> str:
    return zone.table.labels[row] if row >= 0 else "none"


@dataclass(frozen=True)
class WayWords:
    """One way to the zone, in words."""

    name: str
    zone: str
    value: str
    said: str
    used: bool


@dataclass(frozen=True)
class ZoneWords:
    """The zone of one site, in words.

    label: as the table has it; named: with the table's name where it is ours, not the controller's. answer: what to
    set, by its range where the label is ours; find: says so, '' where the label is the controller's own. more: how
    sure it is, and what it rests on. chance, runner_up_chance: '78% chance'. peak:
    the ETo alone, spread: its standard deviation, '' where not known, peak_spread: both.
    """

    label: str
    named: str
    answer: str
    find: str
    more: str
    band: str
    chance: str
    runner_up: str
    runner_up_chance: str
    peak_month: str
    peak: str
    peak_spread: str
    spread: str
    basis: str
    source: str
    table_source: str
    agreement: str
    ways: tuple[WayWords, ...]
    probability: Floats
    wrong_zone: str


def zone_words(climate: SiteClimate, zone: ZoneResult, site: int, units: Units) -> ZoneWords:
    """Words for row `site` of a zone result."""
    row, second, used = int(zone.zone[site]), int(zone.runner_up[site]), int(zone.used[site])
    value, spread = float(zone.peak_eto_mm_day[site]), float(zone.spread_mm_day[site])
    ways = tuple(
        WayWords(
            WAY_NAMES[way.way],
            zone_label(zone, int(way.zone[site])),
            plus_minus(float(way.peak_eto_mm_day[site]), float(way.spread_mm_day[site]), units),
            way_said(climate, way, site, units),
            k == used,
        )
        for k, way in enumerate(zone.ways)
    )
    known = 0 <= used < len(zone.ways)
    label, peak = zone_label(zone, row), peak_said(zone.table, row, value, units)
    neutral = zone.table.neutral and row >= 0
    chance = f"{float(zone.p_zone[site]):.0%} chance" if row >= 0 else "0% chance"
    next_chance = f"{float(zone.p_runner_up[site]):.0%} chance" if second >= 0 else ""
    likely = f"{chance}; next likeliest {zone_label(zone, second)}, {next_chance}." if next_chance else f"{chance}."
    within = band(zone.table, row, units) if row >= 0 else "no band of the table"
    about = f", give or take {eto(spread, units, 1)}" if np.isfinite(spread) else ""
    month = month_name(int(zone.peak_month[site]))
    return ZoneWords(
        label=label,
        named=f"{label} of our neutral table" if neutral else label,
        answer=f"the zone whose range contains {peak}" if neutral else label,
        find=f"{_upper(label)} is our label, not your controller's." if neutral else "",
        more=f"That is the ETo of {month}, the peak month{about}. In our neutral table it is {label} ({within}): "
        f"{likely} The label is ours, not your controller's."
        if neutral
        else f"{_upper(likely)} Band {within}; ETo peaks in {month} at {peak}{about}.",
        band=within,
        chance=chance,
        runner_up=zone_label(zone, second),
        runner_up_chance=next_chance,
        peak_month=month,
        peak=peak if np.isfinite(value) else "not known",
        peak_spread=_with_spread(peak, spread, units) if np.isfinite(value) else "not known",
        spread=eto(spread, units, 1) if np.isfinite(spread) else "",
        basis=climate.basis[site],
        source=climate.source[site],
        table_source=table_said(zone.table, units),
        agreement=" ".join(filter(None, (_not_in_its_band(zone, site, units), _agreement(zone, ways, site)))),
        ways=ways,
        probability=zone.ways[used].probability[site] if known else np.zeros(len(zone.table.labels)),
        wrong_zone=_wrong_zone(zone, site),
    )


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _agreement(zone: ZoneResult, ways: tuple[WayWords, ...], site: int) -> str:
    speaking = sum(int(way.zone[site]) >= 0 for way in zone.ways)
    if speaking < 2:
        return "Only one way to the zone could be used."
    if not zone.agreement[site]:
        return "The ways to the zone do not agree: use the first, and check it against a local source."
    same = speaking if zone.same_zone is None else int(zone.same_zone[site])
    if same == speaking:
        return f"All {speaking} ways name the same zone."
    names = "names" if same == 1 else "name"
    return f"The {speaking} ways agree within their spreads; {same} of them {names} this zone."


def _not_in_its_band(zone: ZoneResult, site: int, units: Units) -> str:
    """Why the zone named is not the one whose band holds the value, '' where it is."""
    row, holds = int(zone.zone[site]), int(zone.holds_value[site])
    if row == holds:
        return ""
    chance = zone.ways[int(zone.used[site])].probability[site, holds]
    value = peak_said(zone.table, holds, float(zone.peak_eto_mm_day[site]), units)
    held, named = zone_label(zone, holds), zone_label(zone, row)
    return f"{value} itself lies in {held} ({chance:.0%} chance); {named} is more likely because its band is wider."


def _wrong_zone(zone: ZoneResult, site: int) -> str:
    """What a wrong zone costs, and how the years vary, in a sentence or two; '' where neither is known."""
    row, labels, said = int(zone.zone[site]), zone.table.labels, []
    if zone.shown_percent is not None and np.isfinite(zone.shown_percent[site, 1]):
        shown = [
            f"{labels[row + step]} {zone.shown_percent[site, 1 + step]:.0f}%"
            for step in (-1, 0, 1)
            if np.isfinite(zone.shown_percent[site, 1 + step])
        ]
        said.append(
            f"Peak ETo over each zone's own peak: {listed(shown)}. A zone with lower ETo overwaters; a zone with "
            "higher ETo underwaters."
        )
    if zone.years_in_zone is not None:
        same, years = zone.years_in_zone
        said.append(f"At the station in the plan, {same} of {years} years peak in this zone.")
    return " ".join(said)


def shared_said(
    found: SharedError | None, zones: Mapping[str, int], sites: int, table: ZoneTable, units: Units
) -> str:
    """What a common error of the built-in estimate would make of a contract's totals (zones: sites by label); ''
    where the sites do not rest on it."""
    if found is None:
        return ""
    who = f"All {sites:,} sites rest" if found.sites == sites else f"{found.sites:,} of the {sites:,} sites rest"
    moved = []
    for label, low, high in zip(table.labels, found.lower.tolist(), found.higher.tolist(), strict=True):
        least, most = min(low, high, zones.get(label, 0)), max(low, high, zones.get(label, 0))
        if most:
            moved.append(f"{label} {least:,} to {most:,}" if least < most else f"{label} {least:,}")
    return (
        f"{who} on the same built-in estimate: they may all be off the same way. If all are off by "
        f"{eto(found.mm_day, units)}, up or down, the totals are {listed(moved)}."
    )


def plus_minus(value_mm_day: float, spread_mm_day: float, units: Units) -> str:
    """'0.304 ± 0.014 in/day'."""
    if not np.isfinite(value_mm_day):
        return "not known"
    return _with_spread(eto(value_mm_day, units), spread_mm_day, units)


def _with_spread(value: str, spread_mm_day: float, units: Units) -> str:
    number, unit = value.split()
    return f"{number} ± {eto(spread_mm_day, units, 1).split()[0]} {unit}" if np.isfinite(spread_mm_day) else value


def hottest_and_rain(climate: SiteClimate, site: int, units: Units) -> list[Number]:
    """Hottest month and the year's rain, where known."""
    out = []
    mean, wet = climate.t_mean_c[site], climate.rain_mm[site]
    if np.isfinite(mean).all():
        hot = int(np.argmax(mean))
        said = f"{MONTH_NAMES[hot]}, {temperature(float(mean[hot]), units)}"
        out.append(Number(None, "Hottest month", said, "average temperature"))
    if np.isfinite(wet).all():
        out.append(Number(None, "Rain in a year", rain(float(wet.sum()), units)))
    return out
