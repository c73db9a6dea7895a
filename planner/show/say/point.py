"""What the page that answers says: of a point, of what was changed, and before and after."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from planner.changes import Brought, Building, Change, Controller, Keys, Tree
from planner.reach.cable import CableRun
from planner.show.say import brought, verdict
from planner.show.say import links as say_links
from planner.show.say import mount as say
from planner.show.say.figures import letter, price
from planner.show.say.mount import Fact, by_fact
from planner.site import Site
from planner.units import M_PER_FT, MONTHS, Units, length, odds

if TYPE_CHECKING:
    from planner.job import SiteResult


class Compared(NamedTuple):
    """One number of a point, before the changes and now; `same` where they read alike."""

    label: str
    before: str
    now: str
    same: bool


def where(card: SiteResult) -> str:
    """'On Library' or 'On open ground'."""
    building = card.mounts.holder[0].name
    return f"At {building}" if building else "On open ground"


def verdict_said(card: SiteResult) -> str:
    """Whether the point would do, and why."""
    why_not = verdict.ruled_out(card, 0)
    return f"Ruled out: {why_not}." if why_not else verdict.reason(card, 0)


def headline(card: SiteResult) -> str:
    """Whether a point meets every requirement, with its score; `card` is a result of that point alone."""
    score = float(card.decision.score[0])
    return f"Meets every requirement: {score:.0f} of 100" if np.isfinite(score) else "Ruled out"


def months_table(card: SiteResult) -> list[dict[str, Any]]:
    """Sunlight received and direct sun by month, for the bars and for those who read them."""
    return [
        {
            "month": MONTHS[m],
            "share": float(card.sun.light_share[0, m]),
            "light": f"{int(1000 * card.sun.light_share[0, m]) / 10:.1f}",  # cut, not rounded: never too good
            "hours": f"{card.sun.direct_h[0, m]:.1f}",
            "season": bool(card.season[m]),
        }
        for m in range(12)
    ]


def links_rows(card: SiteResult) -> list[say_links.ControllerRow]:
    """Each controller from the point."""
    return say_links.controllers_of(card, 0)


def compared(before: SiteResult, now: SiteResult) -> list[Compared]:
    """What the changes do to a point.

    Parameters
    ----------
    before, now
        Results of that point alone.

    Returns
    -------
    list of Compared
        The numbers that decide, and each link.
    """
    one, other = by_fact(say.mount_numbers(before, 0)), by_fact(say.mount_numbers(now, 0))
    wanted = (Fact.SUNLIGHT, Fact.DIRECT_SUN, Fact.OBSTRUCTION, Fact.HEIGHT, Fact.WALL)
    rows = [("Score", say.score(before, 0), say.score(now, 0))]
    for fact in wanted:
        if fact in one or fact in other:
            label = (other.get(fact) or one[fact]).label
            rows.append(
                (
                    label,
                    one[fact].value if fact in one else "none",
                    other[fact].value if fact in other else "none",
                )
            )
    if before.reach.runs is None and now.reach.runs is None:
        first = before.site.controllers.names
        for k, name in enumerate(now.site.controllers.names):
            was = _chance(before, first.index(name)) if name in first else "none"
            rows.append((f"Link to {letter(k)} · {name}", was, _chance(now, k)))
    return [Compared(label, was, is_, was == is_) for label, was, is_ in rows]


def _chance(card: SiteResult, k: int) -> str:
    return f"{odds(float(card.reach.links.probability[0, k]))} chance"


def cables_said(card: SiteResult, runs: Sequence[CableRun | None]) -> list[tuple[str, str, str]]:
    """The cables of a point.

    Parameters
    ----------
    card
        A result of that point alone.
    runs
        (m,) the way to each controller, None where there is none.

    Returns
    -------
    list of tuple
        Controller; length and price; the way, in words.
    """
    units, sign = card.plan.units, card.plan.prices.currency
    rows = []
    for k, run in enumerate(runs):
        name = f"{letter(k)} · {card.site.controllers.names[k]}"
        if run is None:
            rows.append((name, "no route", say_links.cable_sentence(None, units)))
        else:
            told = f"{say_links.surfaces(run, units)}. {say_links.cable_sentence(run, units)}"
            rows.append((name, f"{length(run.length_m, units)}, about {price(run.price, sign)}", told))
    return rows


def spread_said(card: SiteResult) -> list[say.Number]:
    """The two numbers of sun with how sure they are."""
    found = by_fact(say.mount_numbers(card, 0))
    return [found[Fact.SUNLIGHT], found[Fact.DIRECT_SUN]]


def change_said(change: Change, site: Site, units: Units) -> str:
    """One change in words.

    Parameters
    ----------
    change
        What a designer tries.
    site
        With the layers that it is made on, and no other change.
    units
        In which lengths are said.

    Returns
    -------
    str
        A phrase.
    """
    if isinstance(change, Brought):
        return brought.change_said(change)
    if isinstance(change, Building):
        return f"Planned building: {change.name}, roof edge {length(change.height_m, units)} up"
    if isinstance(change, Tree):
        name = (*site.crowns.names, *site.crown_prisms.names)[change.row]
        if change.times <= 0:
            return f"Tree {name} removed"
        return f"Tree {name} as it is" if change.times == 1 else f"Tree {name} {change.times:g} times as high"
    if isinstance(change, Controller):
        return f"{letter(change.row)} · {site.controllers.names[change.row]} moved"
    assert isinstance(change, Keys)
    return "Plan file: " + ", ".join(
        f"{key} = {'default' if value is None else _as_written(value)}" for key, value in change.values
    )


def _as_written(value: object) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def decided_said(before: SiteResult, now: SiteResult) -> list[Compared]:
    """The decision before the changes and with them.

    Parameters
    ----------
    before, now
        Results of the whole site.

    Returns
    -------
    list of Compared
        Layout, first place, zone, and how many mounts pass.
    """
    from planner.show.say import layout as layouts

    def told(result: SiteResult) -> tuple[str, str]:
        if result.decision.chosen < 0:
            return verdict.none_meets(result), "none"
        row = result.decision.chosen
        return layouts.headline(result), f"{verdict.fixed_to(result.mounts, row)}: {say.score(result, row)}"

    (head, first), (head_now, first_now) = told(before), told(now)
    passing = [f"{len(result.decision.order)} of {len(result.mounts)}" for result in (before, now)]
    zones = [f"{one.zone.table.labels[int(one.zone.zone[0])]}" for one in (before, now)]
    rows = [
        ("Layout", head, head_now),
        ("First place", first, first_now),
        ("Climate zone", *zones),
        ("Mounts that meet every requirement", *passing),
    ]
    return [Compared(label, was, is_, was == is_) for label, was, is_ in rows]


class Entry(NamedTuple):
    """A box of the form: dotted key as it would be written, what it is, its value, unit, choices (or none)."""

    key: str
    label: str
    value: float | str
    unit: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    share: bool = False


REACH_WORDS = (
    ("every", "one sensor for all controllers"),
    ("fewest", "the fewest sensors that serve all"),
    ("any", "any controller"),
    ("off", "not judged"),
)


NEUTRAL = ("", "the neutral table of equal bands")


def entries(result: SiteResult, tables: Mapping[str, str] | None = None) -> list[tuple[str, list[Entry]]]:
    """The keys that may be tried on the page, with the values of the plan.

    Parameters
    ----------
    result
        The site.
    tables
        Zone tables that lie beside the plan, as the plan would name them, and the unit of each.

    Returns
    -------
    list of tuple
        A heading, and its keys.
    """
    plan, units = result.plan, result.plan.units
    foot, unit = (M_PER_FT, "ft") if units == "us" else (1.0, "m")

    def metres(key: str, label: str, value: float) -> Entry:
        return Entry(f"{key}_{unit}", label, float(f"{value / foot:.6g}"), unit)

    asked, weights = plan.requirements, plan.weights
    choices = (NEUTRAL, *((name, f"{name}, in {of}") for name, of in (tables or {}).items()))
    zones = [("Climate zone", [Entry("zone.table", "Zone table", plan.zone.table or "", choices=choices)])]
    return [
        (
            "Radio",
            [
                metres("sensor.rated_range", "Rated range in the open", plan.sensor.rated_range_m),
                Entry("sensor.radio_band_mhz", "Frequency", plan.sensor.radio_band_mhz, "MHz"),
            ],
        ),
        (
            "Requirements",
            [
                Entry("requirements.min_light_share", "Sunlight received, at least", asked.min_light_share, "of 1"),
                Entry("requirements.min_direct_h_day", "Direct sun a day, at least", asked.min_direct_h_day, "h"),
                Entry(
                    "requirements.max_rain_angle_deg", "Tallest obstruction, at most", asked.max_rain_angle_deg, "°"
                ),
                metres("requirements.max_height", "Sensor height, at most", asked.max_height_m),
                metres("requirements.min_heat_margin", "From heat, at least", asked.min_heat_margin_m),
                metres("requirements.min_spray_margin", "From spray, at least", asked.min_spray_margin_m),
                Entry("requirements.reach", "Controllers to reach", asked.reach, choices=REACH_WORDS),
            ],
        ),
        (
            "Weights of the score",
            [
                Entry("weights.light", "Sunlight received", weights.light),
                Entry("weights.rain", "Open to rain", weights.rain),
                Entry("weights.reach", "Links to the controllers", weights.reach),
                Entry("weights.access", "Easy to get to", weights.access),
            ],
        ),
        *(zones if tables else []),
    ]


saved_said = brought.saved_said

SAVED_HEAD = "Changed on screen from {name}: {changes}"
