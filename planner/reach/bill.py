"""What to buy for a layout: lines with a code, a quantity and a price; words are made of them elsewhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from planner.mounts import Mounts, Support
from planner.plan import Prices
from planner.reach.cable import CableRun, Runs
from planner.reach.link import Grade, grade
from planner.site import Bools, Floats, Ints


class Item(StrEnum):
    """What a bill may hold."""

    SENSOR = "sensor"  # with its receiver, where it has a radio
    RECEIVER = "receiver"
    REPEATER = "repeater"
    LINK_TEST = "link test"
    CABLE = "cable"
    POST = "post"  # a new one, on open ground
    VISIT = "visit"


@dataclass(frozen=True)
class Line:
    """One line of a bill.

    controller: the row of the one that a cable goes to, -1 for all other lines; length_m, conductor: of the cable
    to buy.
    """

    item: Item
    quantity: int
    unit_price: float
    controller: int = -1
    length_m: float = 0.0
    conductor: str = ""

    @property
    def price(self) -> float:
        return self.quantity * self.unit_price


@dataclass(frozen=True)
class Bill:
    """lines: in the total. if_allowed: cables longer than is allowed, which the manufacturer must agree to; not in
    the total. unreached: rows of controllers for which nothing is on the bill. unpriced: what is needed besides,
    for which the plan has no price."""

    lines: tuple[Line, ...] = ()
    if_allowed: tuple[Line, ...] = ()
    unreached: tuple[int, ...] = ()
    unpriced: tuple[Line, ...] = ()

    @property
    def total(self) -> float:
        return sum(line.price for line in self.lines)

    def quantity(self, item: Item) -> int:
        return sum(line.quantity for line in self.lines if line.item is item)


def place_prices(prices: Prices, mounts: Mounts) -> Floats:
    """(n,) what a sensor costs on each mount: on open ground with its post."""
    on_ground = np.array([support is Support.GROUND for support in mounts.support], bool)
    return np.asarray(prices.sensor + prices.post * on_ground)


def posts_of(mounts: Mounts, rows: Iterable[int]) -> int:
    """How many of some places need a new post."""
    return sum(mounts.support[row] is Support.GROUND for row in rows)


def radio_bill(
    prices: Prices, sensors: int, repeaters: int, served: Ints, hops_to_test: Ints, m: int, posts: int = 0
) -> Bill:
    """Of a layout linked by radio.

    Parameters
    ----------
    prices
        The plan's.
    sensors, repeaters
        How many; one receiver comes with each sensor.
    served
        Rows of the controllers that are served.
    hops_to_test
        (m,).
    m
        Controllers in all.
    posts
        How many new ones it needs.

    Returns
    -------
    Bill
    """
    lines = (
        Line(Item.SENSOR, sensors, prices.sensor),
        Line(Item.REPEATER, repeaters, prices.repeater),
        Line(Item.RECEIVER, max(len(served) - sensors, 0), prices.receiver),
        Line(Item.LINK_TEST, int(hops_to_test.sum()), prices.link_test),
    )
    left = np.setdiff1d(np.arange(m), served)
    work, unpriced = _work(prices, posts, 2 if hops_to_test.any() else 1)
    return Bill((*(line for line in lines if line.quantity), *work), (), tuple(map(int, left)), unpriced)


def _work(prices: Prices, posts: int, visits: int) -> tuple[tuple[Line, ...], tuple[Line, ...]]:
    """Posts and visits, those with a price and those without: one visit to mount everything, and one before it
    where links are to be tested (common practice, no source)."""
    lines = [Line(Item.POST, posts, prices.post), Line(Item.VISIT, visits, prices.visit)]
    needed = [line for line in lines if line.quantity]
    return tuple(line for line in needed if line.unit_price), tuple(line for line in needed if not line.unit_price)


def hops_to_test(
    served_by: Ints, by_repeater: Ints, held_with: Floats, asked: float, untold: Bools | bool = False
) -> Ints:
    """Hops to test for each controller before mounting: none of a dependable link, two through a repeater.

    Parameters
    ----------
    served_by, by_repeater
        (m,) row of the mount or repeater that serves, -1 for none.
    held_with
        (m,) probability that all hops hold, NaN where nothing serves.
    asked
        The plan's.
    untold
        (m,) receivers below ground of whose cover nothing is known: no probability makes their links dependable.

    Returns
    -------
    ndarray of int, shape (m,)
    """
    unsure = grade(np.nan_to_num(np.asarray(held_with, float), nan=1.0), asked) < Grade.DEPENDABLE
    unsure |= untold
    hops = np.where(by_repeater >= 0, 2, np.where(served_by >= 0, 1, 0))
    return np.where(unsure, hops, 0)


def cable_bill(prices: Prices, rows: Sequence[int], runs: Runs, served_by: Ints, posts: int = 0) -> Bill:
    """Of a layout linked by cables. A controller that no cable serves has its cheapest one, too long, priced apart.

    Parameters
    ----------
    prices
        The plan's.
    rows
        Of the layout's mounts.
    runs
        Cables from every mount (n) to every controller (m).
    served_by
        (m,) the mount's row, -1 for none.
    posts
        How many new ones it needs.

    Returns
    -------
    Bill
    """
    lines = [Line(Item.SENSOR, len(rows), prices.sensor)]
    allowed: list[Line] = []
    left: list[int] = []
    for k in range(len(served_by)):
        run = wired(rows, runs, served_by, k)
        if run is None:
            left.append(k)
        else:
            wire = run.wire.instead or run.wire.wire
            line = Line(Item.CABLE, 1, run.price, k, run.length_m, wire.name)
            (lines if served_by[k] >= 0 else allowed).append(line)
    work, unpriced = _work(prices, posts, 1)
    return Bill((*lines, *work), tuple(allowed), tuple(left), unpriced)


def wired(rows: Sequence[int], runs: Runs, served_by: Ints, k: int) -> CableRun | None:
    """The cable to a controller from the mount that serves it, else the cheapest from any mount of a layout.

    Parameters
    ----------
    rows
        Of the layout's mounts.
    runs
        Cables from every mount to every controller.
    served_by
        (m,) the mount's row, -1 for none.
    k
        The controller.

    Returns
    -------
    CableRun or None
        None where there is no way from any.
    """
    offers = [runs[row][k] for row in ([int(served_by[k])] if served_by[k] >= 0 else rows)]
    return min((run for run in offers if run is not None), key=lambda run: run.price, default=None)
