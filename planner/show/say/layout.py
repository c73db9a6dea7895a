"""The layout in words: what to install, whom each place serves, and what stands beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planner.reach.layouts import Layout
from planner.reach.repeaters import APART_M
from planner.show.layout import Kind, Place, layout, proposed, serving
from planner.show.say.assumed import NO_OBSTACLES
from planner.show.say.bill import links_to_test
from planner.show.say.figures import article, letter, listed, plural, price
from planner.show.say.mount import height
from planner.show.say.verdict import SUPPORT_NAMES, fixed_to
from planner.units import length, odds

if TYPE_CHECKING:
    from planner.job import SiteResult


@dataclass(frozen=True)
class PlaceWords:
    """One place of the layout: sign (S1), kind, id, where it is, and whom it serves."""

    row: int
    sign: str
    kind: str
    id: str
    on: str
    support: str
    height: str
    serves: str
    serves_letters: tuple[str, ...]
    alternate: int
    alternate_said: str


def places(result: SiteResult) -> list[PlaceWords]:
    """Each place of the layout, or of what is proposed where no one mount meets every requirement."""
    return [_place(result, place) for place in layout(result) or proposed(result)]


def _place(result: SiteResult, place: Place) -> PlaceWords:
    letters = tuple(letter(k) for k in place.serves)
    if letters:
        serves = f"serves {listed(list(letters))}"
    elif place.kind is Kind.SENSOR and any(p.fed_by == place.row for p in layout(result) or proposed(result)):
        serves = "feeds a repeater"
    else:
        serves = "serves no controller" if result.reach_study is not None else ""
    mounts = result.mounts
    return PlaceWords(
        place.row,
        place.sign,
        str(place.kind),
        mounts.ids[place.row],
        fixed_to(mounts, place.row),
        SUPPORT_NAMES[mounts.support[place.row]],
        height(result, place.row),
        serves,
        letters,
        place.alternate,
        alternate_said(result, place),
    )


def place_sentence(words: PlaceWords) -> str:
    """'Sensor on Hall, east wall (wall top), 19 ft above ground; serves A.'"""
    whom = f"; {words.serves}" if words.serves else ""
    return f"{words.kind.capitalize()} on {words.on} ({words.support}), {words.height} above ground{whom}."


def controller_sentence(served_by: str | None) -> str:
    return f"Controller. Served by {served_by or 'no place of the plan'}."


def cable_name(to: str) -> str:
    return f"cable to {to}"


def cable_sentence(start: str, to: str) -> str:
    return f"Cable from {start} to controller {to}. Have utilities marked before digging."


def alternate_said(result: SiteResult, place: Place) -> str:
    """What may take the place's part with every controller still served; '' where that is not asked."""
    if place.alternate < 0:
        return (
            ""
            if not place.serves
            else f"No other place, {length(APART_M, result.plan.units)} or more away, serves the same controllers."
        )
    row, mounts = place.alternate, result.mounts
    whom = f"; it serves {listed([letter(k) for k in place.serves])} too" if place.serves else ""
    support = SUPPORT_NAMES[mounts.support[row]]
    return f"{mounts.ids[row]}, {fixed_to(mounts, row)} ({support}), sensor height {height(result, row)}{whom}."


def headline(result: SiteResult) -> str:
    """'2 sensors serve all 5 controllers.'; and that no obstacles are known, where none are."""
    return _headline(result) + ("" if result.site.obstacles_known else f" {NO_OBSTACLES}")


def _headline(result: SiteResult) -> str:
    there = layout(result)
    kinds = _count(there)
    m, served = len(result.site.controllers), int((serving(result) >= 0).sum())
    if not m or result.plan.requirements.reach == "off" or result.reach_study is None:
        return f"{kinds} to mount."
    verb = "serves" if len(there) == 1 else "serve"
    whom = "the controller" if m == 1 else f"all {m} controllers" if served == m else f"{served} of {m} controllers"
    if not served:
        return f"{kinds}, and no controller is reached."
    lost = [letter(int(k)) for k in np.flatnonzero(serving(result) < 0)]
    missing = f"; {listed(lost)} {'is' if len(lost) == 1 else 'are'} not served" if lost else ""
    return f"{kinds} {verb} {whom}{missing}."


def _count(there: tuple[Place, ...]) -> str:
    sensors = sum(p.kind is Kind.SENSOR for p in there)
    repeaters = len(there) - sensors
    return plural(sensors, "sensor") + (f" and {plural(repeaters, 'repeater')}" if repeaters else "")


def held_sentence(result: SiteResult) -> str:
    """How sure the links are, one by one and all together; '' where there is nothing to say."""
    study = result.reach_study
    served = np.flatnonzero(serving(result) >= 0)
    if study is None or not len(served):
        return ""
    if result.reach.runs is not None:
        names = listed([letter(int(k)) for k in served])
        verb = "cables to {} are" if len(served) > 1 else "cable to {} is"
        return f"The {verb.format(names)} short enough."
    if not len(study.held_with):
        return ""
    held = np.asarray(study.held_with, float)[served]
    least = f"{odds(float(np.nanmin(held)))} chance of a good link"
    if len(served) == 1:
        return f"{least[:1].upper()}{least[1:]}."
    together = odds(float(np.nanprod(held)))
    return (
        f"The weakest link has {article(least)}; if links fail independently, all {len(served)} together have "
        f"{article(together)} chance."
    )


def to_test(result: SiteResult) -> str:
    """'Test before mounting: the link to C.'; '' where every link is dependable."""
    rows = [letter(int(k)) for k in np.flatnonzero(links_to_test(result))]
    return f"Test before mounting: the link{'s' * (len(rows) > 1)} to {listed(rows)}." if rows else ""


def beside(result: SiteResult) -> list[str]:
    """What stands beside the layout: what is out of reach, other sets of places, one place less, one more."""
    study = result.reach_study
    if study is None or study.layouts is None or study.layouts.best is None:
        return []
    p, shown, cabled = study.layouts, study.layouts.best, result.reach.runs is not None
    names, ids, sign = result.site.controllers.names, result.mounts.ids, result.plan.prices.currency
    m = len(names)

    def named(rows: object) -> str:
        return listed([names[int(k)] for k in np.asarray(rows)])

    def these(service: Layout) -> str:
        """Ids; which of them is a repeater, where some are."""
        kinds = (" (sensor)", " (repeater)") if service.repeaters else ("", "")
        return listed(
            [
                ids[k] + kind
                for rows, kind in zip((service.mounts, service.repeaters), kinds, strict=True)
                for k in rows
            ]
        )

    lines = []
    need = "a cable short enough" if cabled else f"a {result.reach.asked:.0%} chance of a good link"
    for rows, why in (
        (p.beyond, f"No place that meets the other requirements reaches {{}} with {need}"),
        (np.setdiff1d(p.left_out, p.beyond), "No layout serves all controllers: {} left out"),
    ):
        if len(rows):
            lines.append(f"{why.format(named(rows))}. Find a place closer to it, or another way to reach it.")
    if p.freely is not None:
        lines.append(
            f"Without {ids[study.row]}: {these(p.freely)}{_for(p.freely.price, sign)}, for "
            f"{int(p.freely.served.sum())} of {plural(m, 'controller')}."
        )
    if p.elsewhere is not None:
        lines.append(f"If none of these places is available: {these(p.elsewhere)}{_for(p.elsewhere.price, sign)}.")
    if p.fewer is not None:
        lines += _fewer(result, p.fewer, shown, named, p.left_out, p.freely is None)
    if p.spare >= 0:
        lines.append(
            f"With one more sensor, at {ids[p.spare]}{_for(p.spare_price, sign)}, {p.spare_count} of "
            f"{plural(m, 'controller')} {'have' if p.spare_count != 1 else 'has'} a second link."
        )
    for row in shown.repeaters:
        whom = [f"{names[k]} {odds(float(study.held_with[k]))}" for k in np.flatnonzero(shown.by_repeater == row)]
        if whom:
            lines.append(f"Chance that both hops through the repeater at {ids[row]} work: {listed(whom)}.")
    if hint := sharing_hint(result):
        lines.append(hint)
    if cabled:
        lines.append("Its price holds the cables: another sensor is taken where it saves more cable than it costs.")
    return lines


def _fewer(result, fewer, shown, named, left_out, said_freely) -> list[str]:  # type: ignore[no-untyped-def]
    ids, sign = result.mounts.ids, result.plan.prices.currency
    gone = [k for k in (*shown.mounts, *shown.repeaters) if k not in (*fewer.mounts, *fewer.repeaters)]
    saved = shown.price - fewer.price
    money = f"{price(saved, sign)} less" if saved > 0 else f"{price(-saved, sign)} more" if saved else "same price"
    lost = np.setdiff1d(np.flatnonzero(~fewer.served), left_out)
    what = (
        f"Without {listed([ids[k] for k in gone])}"
        if len(gone) == 1
        else f"With one fewer place ({listed([ids[k] for k in (*fewer.mounts, *fewer.repeaters)])})"
    )
    if len(lost):
        return [f"{what}: {money}, and {named(lost)} {'is' if len(lost) == 1 else 'are'} not served."]
    return [f"{what}: {money}, and as many controllers served."] if said_freely else []


def _for(value: float, sign: str) -> str:
    """' for $400'; nothing where it costs nothing."""
    return f" for {price(value, sign)}" if value > 0 else ""


def sharing_hint(result: SiteResult) -> str:
    """Where no one place reaches every controller and several together do."""
    by = serving(result)
    if result.decision.chosen >= 0 or result.plan.requirements.reach != "every" or not len(by) or (by < 0).any():
        return ""
    return (
        "No one place reaches every controller as required; these places together do. With "
        'requirements.reach = "fewest" they would pass.'
    )
