"""What to buy for the layout, line by line, with one total."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from planner.reach.link import Grade, grade
from planner.show.layout import Kind, Place, layout, proposed, serving
from planner.show.say.figures import letter, listed, plural, price
from planner.units import length

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.reach.cable import CableRun


class Buy(StrEnum):
    SENSOR = "sensor"
    REPEATER = "repeater"
    RECEIVER = "receiver"
    TEST = "link test"
    CABLE = "cable"


@dataclass(frozen=True)
class Item:
    """One line of the bill: what it is, how many, and what they cost together."""

    kind: Buy
    what: str
    count: int
    price: float


@dataclass(frozen=True)
class Bill:
    """items: in the total. if_allowed: cables longer than the longest allowed, which the manufacturer must agree
    to; not in the total. unreached: letters of controllers for which nothing is on the bill."""

    items: tuple[Item, ...]
    if_allowed: tuple[Item, ...]
    unreached: tuple[str, ...]
    currency: str

    @property
    def total(self) -> float:
        return sum(item.price for item in self.items)

    def said(self, value: float) -> str:
        return price(value, self.currency)


def bill(result: SiteResult) -> Bill | None:
    """The bill of the layout, or of the places proposed where no one mount meets every requirement; None where
    there is nothing to install."""
    places = layout(result) or proposed(result)
    if not places:
        return None
    prices, cabled = result.plan.prices, result.reach.runs is not None
    sensors = [p for p in places if p.kind is Kind.SENSOR]
    repeaters = [p for p in places if p.kind is Kind.REPEATER]
    by = serving(result)
    items = [
        Item(
            Buy.SENSOR,
            plural(len(sensors), "sensor") + ("" if cabled else ", with one receiver each"),
            len(sensors),
            len(sensors) * prices.sensor,
        )
    ]
    if repeaters:
        items.append(
            Item(Buy.REPEATER, plural(len(repeaters), "repeater"), len(repeaters), len(repeaters) * prices.repeater)
        )
    allowed: list[Item] = []
    if cabled:
        items += [_cable(result, k, run) for k, run in _runs(result, places) if run is not None and by[k] >= 0]
        allowed = [_cable(result, k, run) for k, run in _runs(result, places) if run is not None and by[k] < 0]
        missing = [k for k, run in _runs(result, places) if run is None]
    else:
        if receivers := max(int((by >= 0).sum()) - len(sensors), 0):
            items.append(
                Item(Buy.RECEIVER, plural(receivers, "more receiver"), receivers, receivers * prices.receiver)
            )
        if tests := int(links_to_test(result).sum()):
            items.append(Item(Buy.TEST, plural(tests, "link test"), tests, tests * prices.link_test))
        judged = result.reach_study is not None and result.plan.requirements.reach != "off"
        missing = [int(k) for k in np.flatnonzero(by < 0)] if judged else []
    return Bill(tuple(items), tuple(allowed), tuple(letter(k) for k in missing), prices.currency)


def links_to_test(result: SiteResult) -> np.ndarray:
    """(m,) how many hops to test for each controller before mounting: none of a dependable link, two through a
    repeater."""
    study, by = result.reach_study, serving(result)
    if study is None or result.reach.runs is not None:
        return np.zeros(len(by), np.int64)
    held = np.nan_to_num(np.asarray(study.held_with, float), nan=1.0)
    unsure = (by >= 0) & (grade(held, result.reach.asked) < Grade.DEPENDABLE)
    through = np.zeros(len(by), bool)
    for place in layout(result) or proposed(result):
        if place.kind is Kind.REPEATER:
            through[list(place.serves)] = True
    return np.where(unsure, np.where(through, 2, 1), 0)


def _runs(result: SiteResult, places: tuple[Place, ...]) -> list[tuple[int, CableRun | None]]:
    """Each controller's cable, from the place that serves it, else the cheapest from any place."""
    runs, by = result.reach.runs, serving(result)
    assert runs is not None
    out: list[tuple[int, CableRun | None]] = []
    for k, row in enumerate(by):
        offers = [runs[row][k]] if row >= 0 else [runs[p.row][k] for p in places]
        there = [run for run in offers if run is not None]
        out.append((k, min(there, key=lambda run: run.price) if there else None))
    return out


def _cable(result: SiteResult, k: int, run: CableRun) -> Item:
    return Item(Buy.CABLE, f"cable to {letter(k)}, {length(run.length_m, result.plan.units)}, laid", 1, run.price)


def bill_sentence(found: Bill) -> str:
    """'2 sensors, with one receiver each, 3 more receivers and 1 link test: about $1,220.'"""
    cables = [item for item in found.items if item.kind is Buy.CABLE]
    said = [item.what for item in found.items if item.kind is not Buy.CABLE]
    said += [cables[0].what] if len(cables) == 1 else [f"{len(cables)} cables, laid"] * bool(cables)
    text = f"{listed(said)}: about {found.said(found.total)}."
    if found.if_allowed:
        more = sum(item.price for item in found.if_allowed)
        whom = listed([item.what for item in found.if_allowed])
        text += f" Too long unless the manufacturer allows it: {whom}, {found.said(more)} more."
    if found.unreached:
        text += f" Nothing is priced for {listed(list(found.unreached))}, which no place reaches."
    return text
