"""One mount in words and numbers with units: sunlight, rain, height, surroundings, what would help."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planner.decide import Verdict, weighed
from planner.mounts import Support
from planner.rain import HEAT_RADII_M, windward
from planner.reach.wire import sensor_cable
from planner.show.layout import alternates, layout
from planner.show.say import verdict
from planner.show.say.figures import Fact as Fact
from planner.show.say.figures import Number as Number
from planner.show.say.figures import decibels
from planner.site import compass
from planner.sun.water import Assumed
from planner.units import MONTH_NAMES, fixed, length, odds, sunlight

if TYPE_CHECKING:
    from planner.job import SiteResult

Floats = NDArray[np.float64]


def worst_month(monthly: Floats, season: Floats | NDArray[np.bool_]) -> int:
    """Month (0 to 11) with the least of `monthly` (12,) among irrigation months, all months if there is none."""
    among = np.flatnonzero(season) if np.any(season) else np.arange(12)
    return int(among[np.argmin(np.asarray(monthly)[among])])


def status_said(result: SiteResult, row: int) -> str:
    """'chosen', 'in the layout', 'alternate 1', 'meets every requirement' or 'ruled out'."""
    found = result.decision.verdict(row)
    if found is not Verdict.CHOSEN and any(place.row == row for place in layout(result)):
        return "in the layout"
    if found is Verdict.RUNNER_UP:
        return f"{verdict.VERDICT_NAMES[found]} {alternates(result).index(row) + 1}"
    return verdict.VERDICT_NAMES[found]


def coordinates(longitude_deg: float, latitude_deg: float) -> str:
    """'33.123456, -111.654321': latitude first, as phones and navigation take it."""
    return f"{latitude_deg:.6f}, {(longitude_deg + 180.0) % 360.0 - 180.0:.6f}"


def facing(result: SiteResult, row: int) -> str:
    """'faces south', or '' for poles and posts."""
    degrees = float(result.mounts.facing_deg[row])
    return f"faces {compass(degrees)}" if np.isfinite(degrees) else ""


def place(result: SiteResult, row: int) -> str:
    """'Parapet: Library, south edge' or 'Parapet' alone."""
    mounts = result.mounts
    kind, on = verdict.SUPPORT_NAMES[mounts.support[row]], verdict.fixed_to(mounts, row)
    return f"{kind[:1].upper()}{kind[1:]}: {on}" if on else kind.capitalize()


def height(result: SiteResult, row: int) -> str:
    """'17.8 ft', above the ground beneath."""
    return length(float(result.mounts.height_m[row]), result.plan.units, 1)


def setback(result: SiteResult, row: int) -> str:
    """How far from the roof edge or wall the mast stands, for mounts on a building."""
    settings, units, kind = result.plan.mounts, result.plan.units, result.mounts.support[row]
    mast = length(result.plan.sensor.mast_m, units, 1)
    if kind in (Support.PARAPET, Support.EAVE):
        return f"{length(settings.setback_m, units, 1)} inside the roof edge, sensor {mast} above it"
    if kind is Support.WALL:
        drop = length(settings.wall_drop_m, units, 1)
        return f"{length(settings.wall_offset_m, units, 1)} off the wall, sensor {drop} below its top"
    return f"sensor {mast} above its top" if kind is Support.POLE else ""


def give_or_take(spread: float, unit: str) -> str:
    """' ± 0.4 points'; ' ± 0.1 points' where it would round to nothing, which no number is sure to."""
    return f" ± {max(spread, 0.1):.1f}{unit}"


def mount_numbers(result: SiteResult, row: int) -> list[Number]:
    """The numbers that decide, for one mount, and what stands around it."""
    return [*_decisive(result, row), *_around(result, row)]


def _decisive(result: SiteResult, row: int) -> list[Number]:
    plan, units, sun, wet = result.plan, result.plan.units, result.sun, result.rain
    asked = plan.requirements
    dark = worst_month(sun.light_share[row], result.season)
    brief = worst_month(sun.direct_h[row], result.season)
    spread = result.light_spread.get(row)
    numbers = [
        Number(
            Fact.SUNLIGHT,
            f"Sunlight received, {MONTH_NAMES[dark]}",
            sunlight(float(sun.light_share[row, dark]))
            + (give_or_take(100 * float(spread.light_share[dark]), " points") if spread else ""),
            "share of the open sky's "
            f"{'energy' if plan.sun.weather else 'clear-sky energy'} in the worst irrigation month, beam and "
            "diffuse; "
            f"required: {asked.min_light_share:.0%}",
        ),
        Number(
            Fact.DIRECT_SUN,
            f"Direct sun on a clear day, {MONTH_NAMES[brief]}",
            f"{sun.direct_h[row, brief]:.1f} h"
            + (give_or_take(float(spread.direct_h[brief]), " h") if spread else ""),
            f"the open sky gives {sun.open_direct_h[brief]:.1f} h; required: {asked.min_direct_h_day:.1f} h, "
            "or nine tenths of what the open sky gives",
        ),
        Number(
            Fact.OBSTRUCTION,
            "Tallest obstruction",
            tallest(result, row),
            f"degrees above the horizon; WMO-No. 8 precipitation class {int(wet.wmo_class[row])} by obstructions "
            f"alone; required: {asked.max_rain_angle_deg:.0f}° or less",
        ),
        Number(
            Fact.HEIGHT,
            "Sensor height",
            height(result, row),
            f"above the ground beneath; required: {length(asked.max_height_m, units, 1)} or less",
        ),
    ]
    if len(result.site.controllers):
        numbers.append(_farthest(result, row))
    if plan.climate.rain_from_deg is not None:
        steep, _ = windward(wet, plan.climate.rain_from_deg)
        numbers.append(
            Number(
                Fact.WINDWARD,
                "Tallest obstruction toward wind-driven rain",
                f"{steep[row]:.0f}°",
                f"45° to either side of {compass(plan.climate.rain_from_deg)}; "
                f"required: {asked.max_windward_angle_deg:.4g}° or less",
            )
        )
    return numbers


def _around(result: SiteResult, row: int) -> list[Number]:
    units, wet = result.plan.units, result.rain
    numbers = []
    if np.isfinite(wet.drip_m[row]):
        numbers.append(
            Number(Fact.EAVE, "Nearest eave above it", length(float(wet.drip_m[row]), units, 1), wet.drip_name[row])
        )
    if np.isfinite(wet.wall_m[row]):
        numbers.append(
            Number(
                Fact.WALL,
                "Nearest wall that rises above it",
                _near(float(wet.wall_m[row]), result),
                f"{wet.wall_name[row]}: it may reflect sun and give off heat",
            )
        )
    numbers.append(_built(result, row))
    numbers += eto_error(result, row)
    for fact, what, metres, names in (
        (Fact.SPRAY, "Nearest spray", wet.spray_m, wet.spray_name),
        (Fact.HEAT, "Nearest exhaust or heat", wet.heat_m, wet.heat_name),
    ):
        if np.isfinite(metres[row]):
            numbers.append(Number(fact, what, _near(float(metres[row]), result), names[row]))
    return numbers


def _near(metres: float, result: SiteResult) -> str:
    return length(metres, result.plan.units, int(metres < 10))


def by_fact(numbers: Iterable[Number]) -> dict[Fact | None, Number]:
    return {number.fact: number for number in numbers}


ASSUMED = {
    Assumed.RADIATION: "radiation from the daily temperature range (FAO-56 eq. 50), krs 0.16 to 0.19",
    Assumed.RANGE_AND_RADIATION: "daily temperature range from ETo (FAO-56 eq. 52), radiation from the range (eq. "
    "50), krs 0.16 to 0.19",
    Assumed.DEW_POINT: "dew point at the minimum temperature (eq. 48) or 3 K below",
    Assumed.WIND: "wind 2 m/s at 2 m, from 1 to 3",
}


def eto_error(result: SiteResult, row: int) -> list[Number]:
    """How far off the reported ETo is in the irrigation month where it is farthest; nothing where not known."""
    bias = result.water
    if bias is None:
        return []
    among = np.flatnonzero(np.asarray(result.season, bool) & np.isfinite(bias.percent[row]))
    if not len(among):
        return []
    month = int(among[np.argmin(bias.percent[row, among])])
    percent, low, high = (float(v[row, month]) for v in (bias.percent, bias.low_percent, bias.high_percent))
    alone = float(bias.by_sun_percent[row, month])
    worst = "worst case: " if alone <= low else ""
    ends = f" ({signed(low)} to {signed(high)}%)" if signed(low) != signed(high) else ""
    assumed = f"; assumed: {'; '.join(ASSUMED[what] for what in bias.assumed)}" if bias.assumed else ""
    return [
        Number(
            Fact.ETO_ERROR,
            f"Expected ETo error, {MONTH_NAMES[month]}",
            f"{signed(percent)}%{ends}" if low <= -0.05 else "under 0.1%",
            f"estimate against the open site, FAO-56 with less sun; {worst}a sensor that uses sunlight alone, "
            f"{signed(alone)}%{assumed}",
        )
    ]


def signed(value: float) -> str:
    """'+1.2' or '−1.2', with a real minus; '0.0' has no sign."""
    said = fixed(value, 1)
    return said if said.startswith("−") or said == "0.0" else f"+{said}"


def _built(result: SiteResult, row: int) -> Number:
    """Share of the ground around that is roof or heat source, in the circles of WMO-No. 8's temperature classes."""
    share = dict(zip(HEAT_RADII_M, result.rain.heat_share[row], strict=True))
    units = result.plan.units
    return Number(
        Fact.BUILT,
        f"Roofs and heat sources within {length(10.0, units)}",
        f"{share[10.0]:.0%}",
        f"of the area; within {length(30.0, units)} {share[30.0]:.0%}, within {length(100.0, units)} "
        f"{share[100.0]:.0%}. They warm and dry the air; paving is not counted",
    )


def tallest(result: SiteResult, row: int) -> str:
    """'Gymnasium, 8° in the northwest', 'none' or what hangs over it."""
    wet = result.rain
    if wet.covered[row]:
        return f"{wet.cover_name[row]} hangs over it"
    if not np.isfinite(wet.steepest_azimuth_deg[row]) or wet.steepest_deg[row] < 0.5:
        return "none"
    return f"{wet.steepest_deg[row]:.0f}° in the {compass(float(wet.steepest_azimuth_deg[row]))}"


def _farthest(result: SiteResult, row: int) -> Number:
    """The weakest of the links that this mount is there for."""
    units, reach, sensor = result.plan.units, result.reach, result.plan.sensor
    margins = result.room[row]
    served = int((margins >= 0).sum())
    among, _ = weighed(margins, result.plan.requirements.reach)
    weak = int(among[np.argmin(margins[among])])
    alone = "reached" if served else "not reached"
    of_all = f"{served} of {len(margins)} controllers reached" if len(margins) > 1 else f"controller {alone}"
    name = result.site.controllers.names[weak]
    if reach.runs is not None:
        run = reach.runs[row][weak]
        return Number(
            Fact.REACH,
            f"Longest cable, {of_all}",
            "no route" if run is None else length(run.length_m, units),
            f"to {name}, along its route, to buy; longest allowed: {length(sensor_cable(sensor).longest_m, units)}",
        )
    return Number(
        Fact.REACH,
        f"Weakest link, {of_all}",
        f"{odds(float(reach.links.probability[row, weak]))} chance",
        f"{name}, {length(float(reach.distance_m[row, weak]), units)} away: margin "
        f"{margin_said(result, row, weak)}; required: {reach.asked:.0%} chance of a good link",
    )


def margin_said(result: SiteResult, row: int, controller: int) -> str:
    """'12 ± 7 dB'."""
    links = result.reach.links
    return decibels(float(links.margin_db[row, controller]), float(links.spread_db[row, controller]))


def nearest_said(result: SiteResult) -> str:
    """What the links shown are, where they are not those of a layout; '' where they are."""
    study = result.reach_study
    if result.decision.chosen >= 0 or study is None or study.row < 0:
        return ""
    row = study.row
    return (
        f"No mount meets every requirement. These links are from {result.mounts.ids[row]} "
        f"({place(result, row)}), the mount that comes closest; it is ruled out: {verdict.ruled_out(result, row)}."
    )


# --- score and requirements -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Part:
    """One part of a mount's score: 0 to 1, and the weight it carries."""

    label: str
    value: str
    weight: str


def score_parts(result: SiteResult, row: int) -> list[Part]:
    weights = result.plan.weights.model_dump()
    total = sum(weights.values())
    return [
        Part(
            verdict.PART_NAMES[part],
            f"{result.decision.part_scores[row, k]:.2f}",
            f"{weights[part] / total:.0%}" if part in weights else "",
        )
        for k, part in enumerate(result.decision.parts)
    ]


def score(result: SiteResult, row: int) -> str:
    value = float(result.decision.score[row])
    return f"{value:.0f} of 100" if np.isfinite(value) else "none: ruled out"


def requirement_counts(result: SiteResult) -> list[Number]:
    """For each requirement, how many candidates it rules out."""
    return [
        Number(None, verdict.REQUIREMENT_NAMES[requirement], f"{count} of {len(result.mounts)}")
        for requirement, count in result.decision.ruled_out_by().items()
    ]


# --- a longer mast, a step aside --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Raised:
    """A row of the table: so much more mast, the sunlight received in the worst irrigation month, how many
    controllers it reaches, and the score."""

    more: str
    light: str
    held: str
    score: str


def raised(result: SiteResult, row: int) -> list[Raised]:
    """What a longer mast would buy, from none up; empty where it was not tried."""
    tried = result.refined.get(row)
    if tried is None:
        return []
    units = result.plan.units
    return [
        Raised(
            f"+{length(float(more), units, 1)}" if more else "as planned",
            sunlight(float(light)),
            f"{held}",
            f"{score:.0f}" if np.isfinite(score) else "ruled out",
        )
        for more, light, held, score in zip(
            tried.raised_m, tried.raised_light, tried.raised_held, tried.raised_score, strict=True
        )
    ]


def moved(result: SiteResult, row: int) -> str:
    """Where along its edge it would do better, in one sentence; '' where it cannot be moved."""
    tried = result.refined.get(row)
    if tried is None or not len(tried.moved_m):
        return ""
    units, best = result.plan.units, tried.best_move()
    low, high = (length(abs(float(end)), units, 1) for end in (tried.moved_m[0], tried.moved_m[-1]))
    along = f"along its edge, {low} to one side and {high} to the other"

    def where(k: int) -> str:
        step = float(tried.moved_m[k])
        to = compass(tried.moved_to_deg if step > 0 else tried.moved_to_deg + 180.0)
        return f"{length(abs(step), units, 1)} farther {to}" if step else "where it is"

    if not np.isfinite(tried.moved_score).any():
        most = int(np.argmax(tried.moved_light))
        return (
            f"It is ruled out all {along}. It would receive the most sunlight, "
            f"{sunlight(float(tried.moved_light[most]))}, {where(most)}."
        )
    if tried.moved_m[best] == 0:
        return f"No spot {along}, scores half a point more."
    stay = tried.moved_score[np.argmin(np.abs(tried.moved_m))]
    gain = f" (+{tried.moved_score[best] - stay:.1f})" if np.isfinite(stay) else ", where now it is ruled out,"
    there = where(best)
    return (
        f"{there[:1].upper()}{there[1:]} along its edge it would score {tried.moved_score[best]:.0f}{gain} "
        f"and receive {sunlight(float(tried.moved_light[best]))} of the sunlight."
    )


# --- rain -------------------------------------------------------------------------------------------------------


def rain_sentence(result: SiteResult, row: int) -> str:
    """The rain picture in one sentence."""
    wet = result.rain
    if wet.covered[row]:
        return f"It is under {wet.cover_name[row]}: rain does not fall freely on it."
    classes = np.bincount(wet.sector_class[row], minlength=6)
    worst = int(wet.sector_class[row].max())
    if worst == 1:
        high = wet.sector_deg[row].max()
        most = "nothing is in its way" if high < 1 else f"nothing is higher than {high:.0f}°"
        return f"Open to rain on all sides: {most} (WMO-No. 8 precipitation class 1, up to 14°)."
    where = wet.obstacles[wet.sector_obstacle[row, int(wet.sector_deg[row].argmax())]]
    return (
        f"{36 - classes[1]} of 36 sectors of 10° are not fully open; the tallest obstruction is {where}, "
        f"{wet.sector_deg[row].max():.0f}° above the horizon (WMO-No. 8 precipitation class {worst})."
    )
