"""What to buy for the layout, line by line, with one total."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from planner.bid import site_bid
from planner.reach.bill import Bill, Item, Line, cable_bill, hops_to_test, posts_of, radio_bill, wired
from planner.show.layout import Kind, layout, proposed, serving
from planner.show.say.bid import site_spread_said
from planner.show.say.figures import letter, listed, plural, price
from planner.units import length

if TYPE_CHECKING:
    from planner.job import SiteResult


def bill(result: SiteResult) -> Bill | None:
    """The bill of the layout, or of the places proposed where no one mount meets every requirement; None where
    there is nothing to install."""
    places = layout(result) or proposed(result)
    if not places:
        return None
    prices, runs, by = result.plan.prices, result.reach.runs, serving(result)
    posts = posts_of(result.mounts, [p.row for p in places])
    if runs is not None:
        return cable_bill(prices, [p.row for p in places], runs, by, posts)
    sensors = sum(p.kind is Kind.SENSOR for p in places)
    found = radio_bill(
        prices, sensors, len(places) - sensors, np.flatnonzero(by >= 0), links_to_test(result), len(by), posts
    )
    judged = result.reach_study is not None and result.plan.requirements.reach != "off"
    return found if judged else replace(found, unreached=())


def said(result: SiteResult, line: Line) -> str:
    """'2 sensors with one receiver each', 'cable to B, 120 ft, installed'."""
    cabled = result.reach.runs is not None
    if line.item is Item.CABLE:
        assert result.reach.runs is not None
        rows = [p.row for p in layout(result) or proposed(result)]
        run = wired(rows, result.reach.runs, serving(result), line.controller)
        assert run is not None
        return f"cable to {letter(line.controller)}, {length(run.length_m, result.plan.units)}, installed"
    if line.item is Item.POST:
        return plural(line.quantity, "new post")
    if line.item is Item.RECEIVER:
        return plural(line.quantity, "more receiver")
    if line.item is not Item.SENSOR or cabled:
        return plural(line.quantity, str(line.item))
    return f"{plural(line.quantity, 'sensor')} with {'one receiver each' if line.quantity > 1 else 'its receiver'}"


def priced(result: SiteResult, line: Line) -> str:
    """'2 link tests, at $60 each'; a line of one thing, and a cable, as :func:`said`."""
    if line.quantity == 1 or line.item is Item.CABLE:
        return said(result, line)
    return f"{said(result, line)}, at {price(line.unit_price, result.plan.prices.currency)} each"


def if_allowed_said(said: str) -> str:
    return f"{said}: too long unless the manufacturer allows it"


def unpriced_said(said: str) -> str:
    return f"{said}: the plan has no price"


def unreached_said(controller: int) -> str:
    return f"controller {letter(controller)}: no place reaches it; nothing is priced"


def total_said(result: SiteResult) -> str:
    return f"total, {result.plan.prices.currency}"


def links_to_test(result: SiteResult) -> np.ndarray:
    """(m,) how many hops to test for each controller before mounting: none of a dependable link, two through a
    repeater."""
    study, by = result.reach_study, serving(result)
    if study is None or result.reach.runs is not None:
        return np.zeros(len(by), np.int64)
    through = np.full(len(by), -1, np.int64)
    for place in layout(result) or proposed(result):
        if place.kind is Kind.REPEATER:
            through[list(place.serves)] = place.row
    return hops_to_test(by, through, study.held_with, result.reach.asked, result.reach.untold)


@dataclass(frozen=True)
class BillWords:
    """A bill in words: lines and what is priced only if allowed, each with its price; letters of controllers for
    which nothing is priced; notes: what a failing link would add, and what has no price, in sentences."""

    lines: tuple[tuple[str, str], ...]
    if_allowed: tuple[tuple[str, str], ...]
    total: str
    unreached: tuple[str, ...]
    notes: tuple[str, ...] = ()


def bill_words(result: SiteResult) -> BillWords | None:
    """The bill as a table shows it; None where there is nothing to install."""
    found, sign = bill(result), result.plan.prices.currency
    if found is None:
        return None
    lines, allowed = (
        tuple((priced(result, line), price(line.price, sign)) for line in lines)
        for lines in (found.lines, found.if_allowed)
    )
    notes = [site_spread_said(site_bid(result), result.plan)]
    if found.unpriced:
        needed = listed([said(result, line) for line in found.unpriced])
        notes.append(f"Not in the total: {needed}, for which the plan has no price.")
    unreached = tuple(letter(k) for k in found.unreached)
    return BillWords(lines, allowed, price(found.total, sign), unreached, tuple(filter(None, notes)))


def sheet_bill(result: SiteResult) -> tuple[str, ...]:
    """The bill as the field sheet has room for it: lines with the total, then what these leave out."""
    found = bill_words(result)
    if found is None:
        return ()
    lines = "; ".join(f"{what}: {money}" for what, money in found.lines)
    out = [f"{lines}. Total: about {found.total}."]
    if found.if_allowed:
        whom = listed([f"{what}, {money}" for what, money in found.if_allowed])
        out.append(f"Only if the manufacturer allows the length: {whom}.")
    if found.unreached:
        out.append(f"Nothing is priced for {listed(list(found.unreached))}, which no place reaches.")
    return (*out, *found.notes)


def bill_sentence(result: SiteResult) -> str:
    """'2 sensors with one receiver each, 3 more receivers and 1 link test: about $1,220.'; empty for no bill."""
    found = bill(result)
    if found is None:
        return ""
    sign = result.plan.prices.currency
    cables = [line for line in found.lines if line.item is Item.CABLE]
    words = [said(result, line) for line in found.lines if line.item is not Item.CABLE]
    words += [said(result, cables[0])] if len(cables) == 1 else [f"{len(cables)} cables, installed"] * bool(cables)
    text = f"{listed(words)}: about {price(found.total, sign)}."
    if found.if_allowed:
        more = sum(line.price for line in found.if_allowed)
        whom = listed([said(result, line) for line in found.if_allowed])
        text += f" Too long unless the manufacturer allows it: {whom}, {price(more, sign)} more."
    if found.unreached:
        text += f" Nothing is priced for {listed([letter(k) for k in found.unreached])}, which no place reaches."
    return text
