"""A result in words and numbers with units, once, for the map, the sheet and the tables alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.climate.answer import SiteClimate, ZoneResult, ZoneTable
from planner.mounts import compass
from planner.reach import margin, needs
from planner.units import MONTHS, Units, eto, length, percent, rain, temperature

if TYPE_CHECKING:
    from planner.job import SiteResult

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Number:
    """One number as a person reads it: what it is, its value with the unit, and what it rests on."""

    label: str
    value: str
    basis: str = ""


@dataclass(frozen=True)
class Caution:
    title: str
    text: str
    source: str = ""


# --- the mount --------------------------------------------------------------------------------------------------


def worst_month(monthly: Floats, season: Floats | NDArray[np.bool_]) -> int:
    """Month (0 to 11) with the least of `monthly` (12,) among irrigation months, all months if there is none."""
    among = np.flatnonzero(season) if np.any(season) else np.arange(12)
    return int(among[np.argmin(np.asarray(monthly)[among])])


def status(result: SiteResult, row: int) -> str:
    """'chosen', 'runner-up 1', 'passes' or 'shut out'."""
    decision = result.decision
    if row == decision.chosen:
        return "chosen"
    if row in decision.runners_up:
        return f"runner-up {decision.runners_up.index(row) + 1}"
    return "shut out" if decision.shut_by[row] else "passes"


def coordinates(longitude_deg: float, latitude_deg: float) -> str:
    """'33.123456, -111.654321': latitude first, as phones and navigation take it."""
    return f"{latitude_deg:.6f}, {longitude_deg:.6f}"


def facing(result: SiteResult, row: int) -> str:
    """'faces south', or '' for poles and posts."""
    degrees = float(result.mounts.facing_deg[row])
    return f"faces {compass(degrees)}" if np.isfinite(degrees) else ""


def place(result: SiteResult, row: int) -> str:
    """'Parapet of Library, south edge' as far as the mount's own words go."""
    mounts = result.mounts
    kind, on = str(mounts.support[row]), mounts.on[row]
    return f"{kind[:1].upper()}{kind[1:]}: {on}" if on else kind.capitalize()


def mount_numbers(result: SiteResult, row: int) -> list[Number]:
    """The numbers that decide, for one mount."""
    plan, units, sun, wet = result.plan, result.plan.units, result.sun, result.rain
    dark = worst_month(sun.light_share[row], result.season)
    brief = worst_month(sun.direct_h[row], result.season)
    numbers = [
        Number(
            f"Light kept in {MONTHS[dark]}, the worst irrigation month",
            percent(sun.light_share[row, dark]),
            f"of the open sky's clear-sky energy, beam and diffuse; asked: {plan.gates.light_share:.0%}",
        ),
        Number(
            f"Direct sun on a clear day in {MONTHS[brief]}",
            f"{sun.direct_h[row, brief]:.1f} h",
            f"the open sky gives {sun.open_direct_h[brief]:.1f} h; asked: {plan.gates.direct_h_day:.1f} h, "
            "or nine tenths of what the open sky gives",
        ),
        Number(
            "Steepest obstacle for rain",
            _steepest(result, row),
            f"WMO-No. 8 precipitation class {int(wet.wmo_class[row])}, obstacles only; "
            f"asked: {plan.gates.rain_angle_deg:.0f}° or less",
        ),
        Number(
            "Height to reach",
            length(float(result.mounts.height_m[row]), units, 1),
            f"sensor's head above the ground beneath; asked: {length(plan.gates.height_m, units)} or less",
        ),
    ]
    if len(result.site.controllers):
        numbers.append(_farthest(result, row))
    for what, metres, names in (
        ("Nearest spray", wet.spray_m, wet.spray_name),
        ("Nearest exhaust or heat", wet.heat_m, wet.heat_name),
    ):
        if np.isfinite(metres[row]):
            near = float(metres[row])
            numbers.append(Number(what, length(near, units, int(near < 10)), names[row]))
    return numbers


def _steepest(result: SiteResult, row: int) -> str:
    wet = result.rain
    if wet.covered[row]:
        return "covered overhead"
    if not np.isfinite(wet.steepest_azimuth_deg[row]) or wet.steepest_deg[row] < 0.5:
        return "none stands above it"
    where = compass(float(wet.steepest_azimuth_deg[row]))
    return f"{wet.steepest_deg[row]:.0f}° in the {where}"


def _farthest(result: SiteResult, row: int) -> Number:
    units, reach, sensor = result.plan.units, result.reach, result.plan.sensor
    if sensor.link == "cable":
        far = int(np.argmax(reach.cable_m[row]))
        return Number(
            "Longest cable",
            length(float(reach.cable_m[row, far]), units),
            f"to {result.site.controllers.names[far]}, at least: straight on plan, and down; "
            f"allowed: {length(sensor.cable_longest_m, units)}",
        )
    far = int(np.argmax(reach.distance_m[row]))
    return Number(
        "Farthest controller",
        length(float(reach.distance_m[row, far]), units),
        f"{result.site.controllers.names[far]}: {reach.range_share[row, far]:.0%} of the rated open-field range, "
        f"{length(sensor.rated_range_m, units)}",
    )


def score_parts(result: SiteResult, row: int) -> list[Number]:
    """The parts of a mount's score: each its share from 0 to 1 and the weight it carries."""
    weights = result.plan.weights.model_dump()
    total = sum(weights.values())
    return [
        Number(
            part,
            f"{result.decision.part_scores[row, k]:.2f}",
            f"weight {weights[part] / total:.0%}" if part in weights else "",
        )
        for k, part in enumerate(result.decision.parts)
    ]


def score(result: SiteResult, row: int) -> str:
    value = float(result.decision.score[row])
    return f"{value:.0f} of 100" if np.isfinite(value) else "none: shut out"


def gate_counts(result: SiteResult) -> list[Number]:
    """For each gate, how many candidates it shuts out."""
    failed = (~result.decision.passes).sum(axis=0)
    return [
        Number(gate, f"{int(failed[k])} of {len(result.mounts)}") for k, gate in enumerate(result.decision.gates)
    ]


def sun_sentence(result: SiteResult, row: int) -> str:
    """The sun-path picture in one sentence."""
    horizon = np.maximum(result.sun.horizon_deg[row], result.sun.veil_deg[row])
    top = int(np.argmax(horizon))
    dark = worst_month(result.sun.light_share[row], result.season)
    seen = (
        f"obstacles stand up to {horizon[top]:.0f}° high, the highest in the {compass(top)}"
        if horizon[top] >= 1
        else "nothing stands higher than 1°"
    )
    kept = percent(result.sun.light_share[row, dark])
    return (
        f"Seen from {result.mounts.ids[row]}, {seen}. "
        f"In {MONTHS[dark]}, the worst irrigation month, it keeps {kept} of the light."
    )


# --- controllers ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ControllerRow:
    letter: str
    name: str
    distance: str
    share: str
    need: str
    within: bool


def letter(row: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    row += 1
    while row:
        row, rest = divmod(row - 1, 26)
        text = chr(65 + rest) + text
    return text


def controllers(result: SiteResult, row: int) -> list[ControllerRow]:
    """What each controller needs to be reached from mount `row`."""
    units, reach, sensor = result.plan.units, result.reach, result.plan.sensor
    room = margin(reach, sensor, result.plan.gates.range_used)
    cable = sensor.link == "cable"
    rows = []
    for k, name in enumerate(result.site.controllers.names):
        share = reach.cable_m[row, k] / sensor.cable_longest_m if cable else reach.range_share[row, k]
        need = needs(reach, row, k, bool(result.site.controllers.indoors[k]), sensor, units)
        rows.append(
            ControllerRow(
                letter(k),
                name,
                length(float(reach.distance_m[row, k]), units),
                f"{share:.0%}",
                need[:1].upper() + need[1:] + ".",
                bool(room[row, k] >= 0),
            )
        )
    return rows


# --- the zone ---------------------------------------------------------------------------------------------------


def band(table: ZoneTable, row: int, units: Units) -> str:
    """'5.0 to 6.0 mm/day', with open ends in words."""
    low, high = float(table.low_mm_day[row]), float(table.high_mm_day[row])
    if not np.isfinite(high):
        return f"{eto(low, units)} and more" if np.isfinite(low) else "any ETo"
    if not np.isfinite(low) or low <= 0:
        return f"less than {eto(high, units)}"
    return f"{eto(low, units).split()[0]} to {eto(high, units)}"


def month_name(month: int) -> str:
    return MONTHS[month] if month >= 0 else "a month not known"


def zone_label(zone: ZoneResult, row: int) -> str:
    return zone.table.labels[row] if row >= 0 else "none"


@dataclass(frozen=True)
class Way:
    """One way to the zone, in words."""

    name: str
    zone: str
    value: str
    said: str
    used: bool


@dataclass(frozen=True)
class ZoneWords:
    """The zone of one site, in words."""

    label: str
    band: str
    p: str
    runner_up: str
    p_runner_up: str
    peak_month: str
    peak: str
    basis: str
    source: str
    table_source: str
    agreement: str
    ways: tuple[Way, ...]
    probability: Floats


def zone_words(climate: SiteClimate, zone: ZoneResult, site: int, units: Units) -> ZoneWords:
    """Words for row `site` of a zone result."""
    row, second, used = int(zone.zone[site]), int(zone.runner_up[site]), int(zone.used[site])
    ways = tuple(
        Way(
            way.name,
            zone_label(zone, int(way.zone[site])),
            _plus_minus(float(way.peak_eto_mm_day[site]), float(way.spread_mm_day[site]), units),
            way.said[site],
            k == used,
        )
        for k, way in enumerate(zone.ways)
    )
    speaking = sum(w.zone != "none" for w in ways)
    if speaking < 2:
        agreement = "Only one way could be used."
    elif zone.agreement[site]:
        agreement = f"All {speaking} ways name the same zone."
    else:
        agreement = "The ways do not agree: trust the first, and check it against a local source."
    known = 0 <= used < len(zone.ways)
    return ZoneWords(
        zone_label(zone, row),
        band(zone.table, row, units) if row >= 0 else "the value lies in no band of the table",
        f"{float(zone.p_zone[site]):.0%}" if row >= 0 else "0%",
        zone_label(zone, second),
        f"{float(zone.p_runner_up[site]):.0%}" if second >= 0 else "",
        month_name(int(zone.peak_month[site])),
        _plus_minus(float(zone.peak_eto_mm_day[site]), float(zone.spread_mm_day[site]), units),
        climate.basis[site],
        climate.source[site],
        zone.table.source,
        agreement,
        ways,
        zone.ways[used].probability[site] if known else np.zeros(len(zone.table.labels)),
    )


def _plus_minus(value_mm_day: float, spread_mm_day: float, units: Units) -> str:
    if not np.isfinite(value_mm_day):
        return "not known"
    number, unit = eto(value_mm_day, units).split()
    return (
        f"{number} ± {eto(spread_mm_day, units, 1).split()[0]} {unit}"
        if np.isfinite(spread_mm_day)
        else f"{number} {unit}"
    )


def hottest_and_rain(climate: SiteClimate, site: int, units: Units) -> list[Number]:
    """Hottest month and the year's rain, where known."""
    out = []
    mean, wet = climate.t_mean_c[site], climate.rain_mm[site]
    if np.isfinite(mean).all():
        hot = int(np.argmax(mean))
        out.append(
            Number("Hottest month", f"{MONTHS[hot]}, {temperature(float(mean[hot]), units)}", "mean temperature")
        )
    if np.isfinite(wet).all():
        out.append(Number("Rain in a year", rain(float(wet.sum()), units)))
    return out


# --- cautions ---------------------------------------------------------------------------------------------------

DEFER = (
    "Reminders, not instructions: local codes, the site's own rules, the makers' instructions and licensed "
    "practice come first. A plan made from maps does not replace a look at the place."
)

CAUTIONS = (
    Caution(
        "Ladders",
        "Set the foot of a leaning ladder out by a quarter of its working length, let its rails stand 3 ft (0.9 m) "
        "above the landing, and tie it off.",
        "29 CFR 1926.1053(b)",
    ),
    Caution(
        "Roofs and edges",
        "Fall protection from 6 ft (1.8 m) in construction, from 4 ft (1.2 m) in general industry. Ask the owner "
        "for access and anchor points.",
        "29 CFR 1926.501, 1910.28",
    ),
    Caution(
        "Power lines",
        "Look up first. Unless qualified, keep yourself, ladder and mast at least 10 ft (3 m) from overhead lines, "
        "farther above 50 kV.",
        "29 CFR 1910.333(c)",
    ),
    Caution(
        "Digging",
        "Have buried utilities located and marked before any post or trench; in the United States call 811.",
        "common practice, no source",
    ),
    Caution(
        "Wiring",
        "Low-voltage wiring follows the local electrical code, by a licensed person where it asks for one; keep it "
        "apart from mains.",
        "local code",
    ),
    Caution(
        "Lightning and surge",
        "Bonding a mast to the building's earth is licensed work. Never fix anything to a lightning conductor.",
        "local code",
    ),
    Caution(
        "Weather", "Stop in wind, on wet or icy surfaces, and at the first thunder.", "common practice, no source"
    ),
)
