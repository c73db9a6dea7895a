"""A result in words and numbers with units, once, for the map, the sheet and the tables alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.climate.answer import SiteClimate, ZoneResult, ZoneTable
from planner.decide import weighed
from planner.mounts import compass
from planner.rain import HEAT_RADII_M, windward
from planner.reach import needs
from planner.show.links import cable_sentence, decibels, letter, link_view, served_elsewhere
from planner.show.verdicts import PART_NAMES, REQUIREMENT_NAMES, SUPPORT_NAMES, VERDICT_NAMES, ruled_out
from planner.sun.losses import day_said, loss_said
from planner.units import MONTHS, Units, eto, length, odds, percent, rain, temperature

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
    return VERDICT_NAMES[decision.verdict(row)]


def coordinates(longitude_deg: float, latitude_deg: float) -> str:
    """'33.123456, -111.654321': latitude first, as phones and navigation take it."""
    return f"{latitude_deg:.6f}, {(longitude_deg + 180.0) % 360.0 - 180.0:.6f}"


def facing(result: SiteResult, row: int) -> str:
    """'faces south', or '' for poles and posts."""
    degrees = float(result.mounts.facing_deg[row])
    return f"faces {compass(degrees)}" if np.isfinite(degrees) else ""


def place(result: SiteResult, row: int) -> str:
    """'Parapet of Library, south edge' as far as the mount's own words go."""
    mounts = result.mounts
    kind, on = SUPPORT_NAMES[mounts.support[row]], mounts.on[row]
    return f"{kind[:1].upper()}{kind[1:]}: {on}" if on else kind.capitalize()


def _give_or_take(result: SiteResult, row: int, month: int) -> str:
    """' ± 0.4 points' where the light's spread was worked out; nothing where it was not."""
    found = result.light_spread.get(row)
    return "" if found is None else spread_said(100 * float(found.light_share[month]), " points")


def _hours_give_or_take(result: SiteResult, row: int, month: int) -> str:
    found = result.light_spread.get(row)
    return "" if found is None else spread_said(float(found.direct_h[month]), " h")


def spread_said(spread: float, unit: str) -> str:
    """' ± 0.4 points'; ' ± under 0.1 points' where it would round to nothing, which no number is sure to."""
    return f" ± {spread:.1f}{unit}" if spread >= 0.05 else f" ± under 0.1{unit}"


def mount_numbers(result: SiteResult, row: int) -> list[Number]:
    """The numbers that decide, for one mount."""
    plan, units, sun, wet = result.plan, result.plan.units, result.sun, result.rain
    dark = worst_month(sun.light_share[row], result.season)
    brief = worst_month(sun.direct_h[row], result.season)
    numbers = [
        Number(
            f"Light kept in {MONTHS[dark]}, the worst irrigation month",
            percent(sun.light_share[row, dark]) + _give_or_take(result, row, dark),
            f"of the open sky's {'energy' if plan.sun.weather else 'clear-sky energy'}, beam and diffuse; "
            f"asked: {plan.requirements.min_light_share:.0%}",
        ),
        Number(
            f"Direct sun on a clear day in {MONTHS[brief]}",
            f"{sun.direct_h[row, brief]:.1f} h" + _hours_give_or_take(result, row, brief),
            f"the open sky gives {sun.open_direct_h[brief]:.1f} h; "
            f"asked: {plan.requirements.min_direct_h_day:.1f} h, or nine tenths of what the open sky gives",
        ),
        Number(
            "Steepest obstacle for rain",
            _steepest(result, row),
            f"WMO-No. 8 precipitation class {int(wet.wmo_class[row])}, obstacles only; "
            f"asked: {plan.requirements.max_rain_angle_deg:.0f}° or less",
        ),
        Number(
            "Height to reach",
            length(float(result.mounts.height_m[row]), units, 1),
            "sensor's head above the ground beneath; "
            f"asked: {length(plan.requirements.max_height_m, units)} or less",
        ),
    ]
    if len(result.site.controllers):
        numbers.append(_farthest(result, row))
    if plan.climate.rain_from_deg is not None:
        steep, _ = windward(wet, plan.climate.rain_from_deg)
        numbers.append(
            Number(
                "Steepest where wind-driven rain comes from",
                f"{steep[row]:.0f}°",
                f"45° to either side of the {compass(plan.climate.rain_from_deg)}; "
                f"asked: {plan.requirements.max_windward_angle_deg:.4g}° or less",
            )
        )
    if np.isfinite(wet.drip_m[row]):
        numbers.append(
            Number("Nearest eave above it", length(float(wet.drip_m[row]), units, 1), wet.drip_name[row])
        )
    if np.isfinite(wet.wall_m[row]):
        near = float(wet.wall_m[row])
        numbers.append(
            Number(
                "Nearest wall that rises above it",
                length(near, units, int(near < 10)),
                f"{wet.wall_name[row]}: it may reflect sun and give off heat",
            )
        )
    numbers.append(_built(result, row))
    numbers += water(result, row)
    for what, metres, names in (
        ("Nearest spray", wet.spray_m, wet.spray_name),
        ("Nearest exhaust or heat", wet.heat_m, wet.heat_name),
    ):
        if np.isfinite(metres[row]):
            near = float(metres[row])
            numbers.append(Number(what, length(near, units, int(near < 10)), names[row]))
    return numbers


def water(result: SiteResult, row: int) -> list[Number]:
    """How far off the reported ETo is in the irrigation month where it is farthest; nothing where not known."""
    bias = result.water
    if bias is None:
        return []
    among = np.flatnonzero(np.asarray(result.season, bool) & np.isfinite(bias.percent[row]))
    if not len(among):
        return []
    month = int(among[np.argmin(bias.percent[row, among])])
    percent_, spread = float(bias.percent[row, month]), float(bias.spread_percent[row, month])
    return [
        Number(
            f"ETo it would report in {MONTHS[month]}",
            f"{_signed(percent_)}{spread_said(spread, '%')}" if abs(percent_) >= 0.05 else "under 0.1% off",
            "estimate, against the open site, FAO-56 with less sun; a sensor that goes by the sun alone: "
            f"{_signed(float(bias.by_sun_percent[row, month]))}%",
        )
    ]


def _signed(value: float) -> str:
    """'+1.2' or '−1.2', with a real minus."""
    return f"{value:+.1f}".replace("-", "−")


def _built(result: SiteResult, row: int) -> Number:
    """Share of the ground around that is roof or heat source, in the circles of WMO-No. 8's temperature classes."""
    share = dict(zip(HEAT_RADII_M, result.rain.heat_share[row], strict=True))
    units = result.plan.units
    return Number(
        f"Roofs and heat sources within {length(10.0, units)}",
        f"{share[10.0]:.0%}",
        f"of the circle on plan; within {length(30.0, units)} {share[30.0]:.0%}, within {length(100.0, units)} "
        f"{share[100.0]:.0%}. They warm and dry the air; paving is not counted",
    )


def _steepest(result: SiteResult, row: int) -> str:
    wet = result.rain
    if wet.covered[row]:
        return f"{wet.cover_name[row]} hangs over it"
    if not np.isfinite(wet.steepest_azimuth_deg[row]) or wet.steepest_deg[row] < 0.5:
        return "none stands above it"
    where = compass(float(wet.steepest_azimuth_deg[row]))
    return f"{wet.steepest_deg[row]:.0f}° in the {where}"


def _farthest(result: SiteResult, row: int) -> Number:
    units, reach, sensor = result.plan.units, result.reach, result.plan.sensor
    room = margins(result)[row]
    served = int((room >= 0).sum())
    # where others may serve the rest, the weakest of those that this one serves
    among, _ = weighed(room, result.plan.requirements.reach)
    weak = int(among[np.argmin(room[among])])
    alone = "reached" if served else "not reached"
    of_all = f"{served} of {len(room)} controllers reached" if len(room) > 1 else alone
    if reach.runs is not None:
        run, name = reach.runs[row][weak], result.site.controllers.names[weak]
        return Number(
            f"Longest cable, {of_all}",
            "no route" if run is None else length(run.length_m, units),
            f"to {name}, along its route, to buy; allowed: {length(sensor.cable_longest_m, units)}",
        )
    return Number(
        f"Weakest link, {of_all}",
        link_margin(result, row, weak),
        f"{result.site.controllers.names[weak]}, {length(float(reach.distance_m[row, weak]), units)} away: holds "
        f"with {odds(float(reach.links.probability[row, weak]))}; asked: {reach.asked:.0%}",
    )


def link_margin(result: SiteResult, row: int, controller: int) -> str:
    """'12 ± 7 dB'."""
    links = result.reach.links
    return decibels(float(links.margin_db[row, controller]), float(links.spread_db[row, controller]))


def score_parts(result: SiteResult, row: int) -> list[Number]:
    """The parts of a mount's score: each its share from 0 to 1 and the weight it carries."""
    weights = result.plan.weights.model_dump()
    total = sum(weights.values())
    return [
        Number(
            PART_NAMES[part],
            f"{result.decision.part_scores[row, k]:.2f}",
            f"weight {weights[part] / total:.0%}" if part in weights else "",
        )
        for k, part in enumerate(result.decision.parts)
    ]


def score(result: SiteResult, row: int) -> str:
    value = float(result.decision.score[row])
    return f"{value:.0f} of 100" if np.isfinite(value) else "none: shut out"


def requirement_counts(result: SiteResult) -> list[Number]:
    """For each requirement, how many candidates it shuts out."""
    return [
        Number(REQUIREMENT_NAMES[requirement], f"{count} of {len(result.mounts)}")
        for requirement, count in result.decision.ruled_out_by().items()
    ]


def sun_sentence(result: SiteResult, row: int) -> str:
    """The sun-path picture in one sentence."""
    horizon = np.maximum(result.sun.horizon_deg[row], result.sun.veil_deg[row])
    top = int(np.argmax(horizon))
    dark = worst_month(result.sun.light_share[row], result.season)
    seen = (
        f"{result.rain.cover_name[row]} hangs over it"
        if result.rain.covered[row]
        else f"obstacles stand up to {horizon[top]:.0f}° high, the highest in the {compass(top)}"
        if horizon[top] >= 1
        else "nothing stands higher than 1°"
    )
    kept = percent(result.sun.light_share[row, dark])
    return (
        f"Seen from {result.mounts.ids[row]}, {seen}. "
        f"In {MONTHS[dark]}, the worst irrigation month, it keeps {kept} of the light."
    )


# --- who takes the sun, and what more mast buys ------------------------------------------------------------------

WORTH_SAYING = 0.005  # of the light of its months: less is noise beside what the maps themselves get wrong


def day_sentence(result: SiteResult, row: int) -> str:
    """First and last sun in the month that loses most, '' where it was not looked at."""
    day = result.losses.get(row)
    return day_said(day, day.worst_month) if day else ""


def losses(result: SiteResult, row: int, most: int = 4) -> list[str]:
    """What takes the sun from a mount, the costliest in irrigation months first, and what is left beside these."""
    day = result.losses.get(row)
    if day is None:
        return []
    worth = [loss for loss in day.losses if loss.light_share >= WORTH_SAYING]
    said = [f"{loss_said(loss)}." for loss in worth[:most]]
    more, faint = len(worth) - len(said), len(day.losses) - len(worth)
    if not day.losses:
        return ["Nothing takes the sun from it."]
    if not worth:
        longest = max(day.losses, key=lambda loss: loss.hours_day)
        return [f"Nothing takes as much as {WORTH_SAYING:.1%} of any month's light. Longest: {loss_said(longest)}."]
    if more:
        said.append(f"{more} more, less costly in irrigation months.")
    elif faint:
        said.append(f"All else takes less than {WORTH_SAYING:.1%} each.")
    return said


@dataclass(frozen=True)
class Raised:
    """A row of the table: so much more mast, the light it keeps in the worst irrigation month, how many controllers
    it reaches, and its score."""

    more: str
    light: str
    held: str
    score: str


def raised(result: SiteResult, row: int) -> list[Raised]:
    """What another step of mast would buy, from none up; empty where it was not tried."""
    tried = result.refined.get(row)
    if tried is None:
        return []
    units = result.plan.units
    return [
        Raised(
            f"+{length(float(more), units, 1)}" if more else "as planned",
            f"{light:.1%}",
            f"{held}",
            f"{score:.0f}" if np.isfinite(score) else "shut out",
        )
        for more, light, held, score in zip(
            tried.raised_m, tried.raised_light, tried.raised_held, tried.raised_score, strict=True
        )
    ]


def moved(result: SiteResult, row: int) -> str:
    """Where along its edge it would stand better, in one sentence; '' where it cannot be moved."""
    tried = result.refined.get(row)
    if tried is None or not len(tried.moved_m):
        return ""
    units, best = result.plan.units, tried.best_move()
    low, high = (length(abs(float(end)), units, 1) for end in (tried.moved_m[0], tried.moved_m[-1]))
    along = f"along its edge, {low} to one side and {high} to the other"

    def place(k: int) -> str:
        step = float(tried.moved_m[k])
        to = compass(tried.moved_to_deg if step > 0 else tried.moved_to_deg + 180.0)
        return f"{length(abs(step), units, 1)} further {to}" if step else "where it stands"

    if not np.isfinite(tried.moved_score).any():
        most = int(np.argmax(tried.moved_light))
        return f"Shut out all {along}; it would keep most light, {tried.moved_light[most]:.1%}, {place(most)}."
    if tried.moved_m[best] == 0:
        return f"Nowhere {along}, is it better by half a point."
    stay = tried.moved_score[np.argmin(np.abs(tried.moved_m))]
    gain = f" (+{tried.moved_score[best] - stay:.1f})" if np.isfinite(stay) else ", where now it is shut out,"
    return (
        f"{place(best)} along its edge it would score {tried.moved_score[best]:.0f}{gain} "
        f"and keep {tried.moved_light[best]:.1%}."
    )


def siting(result: SiteResult, row: int) -> list[Number]:
    """WMO-No. 8 classes of a mount, and the trade's word for its sun, each with what decided it."""
    found = result.siting
    if found is None:
        return []
    month = MONTHS[int(found.least_month[row])]
    classes = (
        ("Radiation", found.radiation, found.radiation_why),
        ("Sunshine", found.sunshine, found.sunshine_why),
        ("Temperature", found.temperature, found.temperature_why),
        ("Precipitation", found.precipitation, found.precipitation_why),
    )
    return [
        Number(
            "In the trade's words",
            found.sunlight[row],
            f"{found.least_direct_h[row]:.1f} h of direct sun on a clear day in {month}; full sun is six and more",
        ),
        *(Number(label, f"class {int(value[row])}", why[row]) for label, value, why in classes),
    ]


def siting_left_out(result: SiteResult) -> str:
    """What the classes ask for and could not be judged, and which limits are from memory; '' without classes."""
    found = result.siting
    if found is None:
        return ""
    return (
        f"Class 1 is a reference station's, 5 stands for its own spot only. Not judged: "
        f"{'; '.join(found.not_judged)}. Limits from memory: {' and '.join(found.from_memory)}."
    )


def rain_sentence(result: SiteResult, row: int) -> str:
    """The rain picture in one sentence."""
    wet = result.rain
    if wet.covered[row]:
        return f"Under {wet.cover_name[row]}: no rain falls freely on it."
    classes = np.bincount(wet.sector_class[row], minlength=6)
    worst = int(wet.sector_class[row].max())
    if worst == 1:
        high = wet.sector_deg[row].max()
        most = "nothing stands in its way" if high < 1 else f"nothing stands higher than {high:.0f}°"
        return f"Open to rain all round: {most} (WMO-No. 8 precipitation class 1, to 14°)."
    where = wet.obstacles[wet.sector_obstacle[row, int(wet.sector_deg[row].argmax())]]
    return (
        f"{36 - classes[1]} of 36 sectors of 10° are not wholly open; the steepest is {where}, "
        f"{wet.sector_deg[row].max():.0f}° (WMO-No. 8 precipitation class {worst})."
    )


# --- controllers ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ControllerRow:
    """One controller as a person reads it; margin, holds and the rest are empty where the link is a cable.

    cable: what to buy along the route, "no route", or empty where the link is a radio.
    """

    letter: str
    name: str
    distance: str
    cable: str
    need: str
    within: bool
    margin: str = ""
    holds: str = ""
    elsewhere: str = ""
    change: str = ""
    losses: str = ""
    picture: str = ""


def margins(result: SiteResult) -> Floats:
    """(n, m) margin to each controller: 0 at the limit, negative out of reach."""
    return result.room


def reach_row(result: SiteResult) -> int:
    """The mount whose links are shown: the chosen one, or where none passes the one nearest to passing; -1."""
    if result.decision.chosen >= 0 or result.reach_study is None:
        return result.decision.chosen
    return result.reach_study.row


def nearest_said(result: SiteResult) -> str:
    """What the links shown are, where they are not those of a mount to take; '' where they are."""
    row = reach_row(result)
    if row < 0 or row == result.decision.chosen:
        return ""
    return (
        f"No mount meets every requirement. This is what {result.mounts.ids[row]} ({place(result, row)}), the "
        f"place nearest to passing, would reach; it is shut out: {ruled_out(result, row)}."
    )


def controllers(result: SiteResult, row: int) -> list[ControllerRow]:
    """What each controller needs to be reached from mount `row`."""
    units, reach = result.plan.units, result.reach
    room = margins(result)
    rows = []
    for k, name in enumerate(result.site.controllers.names):
        cable = ""
        more: dict[str, str] = {}
        if reach.runs is not None:
            run = reach.runs[row][k]
            need = cable_sentence(run)
            cable = "no route" if run is None else length(run.length_m, units)
            if other := served_elsewhere(result, row, k):
                need += f" {other} serves it in the plan of fewest sensors."
        else:
            more = link_view(result, row, k)
            more.pop("grade")
            need = more.pop("need")
            if not need:
                need = needs(reach, row, k, bool(result.site.controllers.indoors[k]), units)
                need = need[:1].upper() + need[1:] + "."
            if more["elsewhere"]:
                need += f" {more['elsewhere']} serves it in the plan of fewest sensors."
        rows.append(
            ControllerRow(
                letter(k),
                name,
                length(float(reach.distance_m[row, k]), units),
                cable,
                need,
                bool(room[row, k] >= 0),
                **more,
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
    wrong_zone: str


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
        same = speaking if zone.same_zone is None else int(zone.same_zone[site])
        agreement = (
            f"All {speaking} ways name the same zone."
            if same == speaking
            else f"The {speaking} ways agree within their spreads; {same} of them name this zone."
        )
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
        _wrong_zone(zone, site),
    )


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
            f"In the peak month a controller would show, by the zone set: {', '.join(shown)} (peak ETo over the "
            "zone's own peak). A zone too low waters too much, one too high too little."
        )
    if zone.years_in_zone is not None:
        same, years = zone.years_in_zone
        said.append(f"At the station in the plan, {same} of {years} years peak in this zone.")
    return " ".join(said)


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
        "29 CFR 1926.1053(b), the law in the United States",
    ),
    Caution(
        "Roofs and edges",
        "Fall protection from 6 ft (1.8 m) in construction, from 4 ft (1.2 m) in general industry. Ask the owner "
        "for access and anchor points.",
        "29 CFR 1926.501 and 1910.28, the law in the United States",
    ),
    Caution(
        "Power lines",
        "Look up first. Unless qualified, keep yourself, ladder and mast at least 10 ft (3 m) from overhead lines, "
        "farther above 50 kV.",
        "29 CFR 1910.333(c), the law in the United States",
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
        "Radio",
        "Band, power and duty cycle follow local rules and the device's own approval.",
        "local rules, for example 47 CFR 15",
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
