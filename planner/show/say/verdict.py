"""Verdicts of `decide` in words: what each requirement, part and support is called, why a mount, and why not."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from planner.decide import Cause, Part, Requirement, Shortfall, Verdict, weighed
from planner.mounts import Mounts, Support
from planner.reach.radio import assumed, rated_m
from planner.season import MARGIN_MM_DAY, WARM_C, SeasonBasis
from planner.show.say.figures import decibels
from planner.site import Floats, Ints, compass
from planner.units import MONTH_NAMES, Units, eto, length, months, odds, sunlight, temperature

if TYPE_CHECKING:
    from planner.job import SiteResult

REQUIREMENT_NAMES = {
    Requirement.ALLOWED_PLACE: "allowed place",
    Requirement.NOTHING_OVERHEAD: "nothing overhead",
    Requirement.CLEAR_OF_SPRAY: "clear of spray",
    Requirement.CLEAR_OF_HEAT: "clear of heat",
    Requirement.SERVICEABLE: "reachable for service",
    Requirement.OPEN_TO_RAIN: "open to rain",
    Requirement.FULL_SUN: "full sun",
    Requirement.LIGHT_KEPT: "sunlight received",
    Requirement.IN_REACH: "links to the controllers",
}
PART_NAMES = {
    Part.LIGHT: "sunlight received",
    Part.RAIN: "open to rain",
    Part.REACH: "links to the controllers",
    Part.ACCESS: "easy to get to",
}
SUPPORT_NAMES = {
    Support.PARAPET: "parapet",
    Support.EAVE: "eave",
    Support.WALL: "wall top",
    Support.POLE: "pole",
    Support.GROUND: "new post",
    Support.NAMED: "named point",
}


VERDICT_NAMES = {
    Verdict.CHOSEN: "chosen",
    Verdict.RUNNER_UP: "alternate",
    Verdict.PASSES: "meets every requirement",
    Verdict.RULED_OUT: "ruled out",
}


def fixed_to(mounts: Mounts, row: int) -> str:
    """'Library, south edge', 'Library, wall on the north side of the courtyard', 'open ground'."""
    kind, holder = mounts.support[row], mounts.holder[row]
    if kind is Support.GROUND:
        return "open ground"
    if kind is Support.NAMED:
        return f"{holder.name}, {holder.as_planned}"
    if kind is Support.POLE:
        return holder.name
    part, facing = "wall" if kind is Support.WALL else "edge", float(mounts.facing_deg[row])
    # an edge of a courtyard faces inward: the one on its north side faces south
    if holder.courtyard:
        return f"{holder.name}, {part} on the {compass(facing + 180.0)} side of the courtyard"
    return f"{holder.name}, {compass(facing)} {part}"


def season_said(flags: Iterable[object], basis: SeasonBasis, units: Units) -> str:
    """How the irrigation months were found, in a sentence without its full stop."""
    rule = (
        f"ETo above effective rain (FAO Training Manual 3) by {eto(MARGIN_MM_DAY, units)} and an average "
        "temperature "
        f"of {temperature(WARM_C, units)} or more"
    )
    if basis is SeasonBasis.PLAN:
        return f"As the plan file says: {months(flags)}"
    if basis is SeasonBasis.NOT_KNOWN:
        return "The climate is not known in every month: all months count"
    if basis is SeasonBasis.HIGHEST_ETO:
        return f"No month has {rule}: {months(flags)}, the month with the highest ETo, stands for the season"
    return f"From the climate, {months(flags)}: {rule}"


def ruled_out(result: SiteResult, row: int) -> str:
    """Every reason why a mount is ruled out, with its numbers; "" where it is not."""
    said = (shortfall_said(result, row, short) for short in result.decision.shortfalls[row])
    return "; ".join(words for words in said if words)


def shortfall_said(result: SiteResult, row: int, short: Shortfall) -> str:
    """Why one requirement rules a mount out; "" where another one has said it."""
    units = result.plan.units
    value, limit, name = short.value, short.limit, short.obstacle
    if short.cause is Cause.COVER:
        return "" if short.requirement is Requirement.OPEN_TO_RAIN else f"{name} hangs over it"
    if short.cause is Cause.NO_ACCESS:
        return f"it is inside {name}, which has no access"
    if short.cause is Cause.DRIP:
        return f"the eave of {name}, {length(value, units, 1)} away, drips on it"
    if short.cause is Cause.SPRAY:
        height = length(float(result.mounts.height_m[row]), units, 1)
        return f"it is {length(value, units, 1)} from the spray of {name}, and only {height} above ground"
    if short.cause is Cause.HEAT:
        return (
            f"it is {length(value, units, 1)} from the heat of {name}; required: {length(limit, units, 1)} or more"
        )
    if short.cause is Cause.HEIGHT:
        return f"sensor height {length(value, units, 1)}; required: {length(limit, units, 1)} or less"
    if short.cause is Cause.STEEP:
        return f"{name or 'an obstruction'} rises {value:.0f}° above the horizon; required: {limit:.0f}° or less"
    if short.cause is Cause.STEEP_WINDWARD:
        return (
            f"{name or 'an obstruction'} rises {value:.0f}° above the horizon where wind-driven rain comes from; "
            f"required: {limit:g}° or less"
        )
    if short.cause is Cause.SHORT_SUN:
        return f"{value:.1f} h of direct sun a day in {MONTH_NAMES[short.month]}; required: {limit:.1f} h or more"
    if short.cause is Cause.DARK:
        month = MONTH_NAMES[short.month]
        return f"it receives {sunlight(value)} of the sunlight in {month}; required: {limit:.0%} or more"
    out = _out_of_reach(result.room[row])
    return f"{out}; no layout with the fewest sensors uses it" if short.cause is Cause.NOT_IN_LAYOUT else out


def _out_of_reach(room: Floats) -> str:
    """'2 of 5 controllers out of reach, 1 of them with no route for a cable'."""
    out, shut, m = int((room < 0).sum()), int(np.isneginf(room).sum()), len(room)
    if m == 1:
        return (
            "no route for a cable to the controller"
            if shut
            else f"the controller is {'out of' if out else 'in'} reach"
        )
    none = (
        ""
        if not shut
        else ", with no route for a cable"
        if shut == out
        else f", {shut} of them with no route for a cable"
    )
    return f"{out} of {m} controllers out of reach{none}"


def range_assumed_m(result: SiteResult) -> float:
    """The radio's range where links are judged by it and the plan leaves it to its default; else NaN."""
    plan = result.plan
    judged = len(result.site.controllers) and plan.requirements.reach != "off" and plan.sensor.link == "radio"
    return rated_m(plan.sensor) if judged and "rated_range_m" in assumed(plan.sensor) else np.nan


def none_meets(result: SiteResult) -> str:
    """That none meets every requirement, or there is none; and how many miss only an assumed radio's links."""
    if not len(result.mounts):
        return "There is nothing to mount on"
    none, range_m = "No mount meets every requirement", range_assumed_m(result)
    links_alone = sum(
        bool(shorts) and all(short.requirement is Requirement.IN_REACH for short in shorts)
        for shorts in result.decision.shortfalls
    )
    if not links_alone or not range_m > 0:
        return none
    who = "1 mount misses" if links_alone == 1 else f"{links_alone} mounts miss"
    return f"{none}: {who} only the links, judged by an assumed radio range of {length(range_m, result.plan.units)}"


def most_ruled_out(result: SiteResult) -> str:
    """Which requirement rules out most places, where it is more than half of them; else ""."""
    by, n = result.decision.ruled_out_by(), len(result.mounts)
    worst = max(by, key=lambda requirement: by[requirement])
    return (
        f"The requirement '{REQUIREMENT_NAMES[worst]}' rules out most: {by[worst]} of {n}."
        if 2 * by[worst] > n
        else ""
    )


def reason(result: SiteResult, row: int) -> str:
    """Why this mount, in a sentence that a person can repeat.

    Where the plan chose it against the requirements that comes first, and before it that it reaches nothing.
    """
    return f"{despite(result, row)} {_sentence(result, row)}".lstrip()


def despite(result: SiteResult, row: int) -> str:
    """That the plan file names a mount although it is ruled out, and first that it reaches nothing; '' where it is
    not ruled out.
    """
    why_not = ruled_out(result, row)
    if not why_not:
        return ""
    room = result.room[row]
    nothing = "It reaches no controller. " if result.decision.reach_judged and not (room >= 0).any() else ""
    return f"{nothing}The plan file names {result.mounts.ids[row]} although it is ruled out: {why_not}."


def _sentence(result: SiteResult, k: int) -> str:
    decision, rain, sun, units = result.decision, result.rain, result.sun, result.plan.units
    dark, short, steepest = int(decision.worst_month[k]), int(decision.short_month[k]), rain.steepest_deg[k]
    said = [
        f"it receives {sunlight(sun.light_share[k, dark])} of the open sky's sunlight in {MONTH_NAMES[dark]}, its "
        f"worst irrigation month, and {sun.direct_h[k, short]:.1f} h of direct sun on a clear day in "
        f"{MONTH_NAMES[short]}",
        f"{rain.cover_name[k]} hangs over it"
        if rain.covered[k]
        else f"the tallest obstruction is {rain.steepest_name[k]} in the "
        f"{compass(rain.steepest_azimuth_deg[k])}, {steepest:.0f}° above the horizon"
        if steepest >= 1
        else "nothing rises above it",
        f"sensor height is {length(result.mounts.height_m[k], units, 1)}",
    ]
    if decision.reach_judged:
        said.append(_cable_said(result, k) if result.plan.sensor.link == "cable" else _link_said(result, k))
    return " ".join(f"{clause[:1].upper()}{clause[1:]}." for clause in said)


def _judged_by(result: SiteResult, k: int) -> tuple[Ints, bool]:
    room = result.room[k]
    return weighed(room, result.plan.requirements.reach)


def _of_those(count: int) -> str:
    return f"of the {count} controllers it reaches," if count > 1 else "of the one controller it reaches,"


def _link_said(result: SiteResult, k: int) -> str:
    """The weakest link, in words."""
    among, whole = _judged_by(result, k)
    room = result.room[k]
    weak, links = int(among[room[among].argmin()]), result.reach.links
    which = "the weakest link" if whole else f"{_of_those(len(among))} the weakest link"
    return (
        f"{which}, {length(result.reach.distance_m[k, weak], result.plan.units)} long, has a margin of "
        f"{decibels(float(links.margin_db[k, weak]), float(links.spread_db[k, weak]))}, and its "
        f"chance of working is {odds(links.probability[k, weak])}"
    )


def _cable_said(result: SiteResult, k: int) -> str:
    """The longest cable, in words."""
    among, whole = _judged_by(result, k)
    metres = result.reach.cable_m[k, among]
    if not np.isfinite(metres).all():
        shut = int((~np.isfinite(metres)).sum())
        m = result.reach.distance_m.shape[1]
        return f"no cable route reaches {'the controller' if m == 1 else f'{shut} of {m} controllers'}"
    which = "" if whole else f"{_of_those(len(among))} "
    return f"{which}the longest cable is {length(float(metres.max()), result.plan.units)} along its route"
