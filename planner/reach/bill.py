"""What to buy for a layout: lines with a code, a quantity and a price; words are made of them elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from planner.plan import Prices
from planner.reach.cable import CableRun, Runs
from planner.reach.link import Grade, grade
from planner.site import Floats, Ints


class Item(StrEnum):
    """What a bill may hold."""

    SENSOR = "sensor"  # with its receiver, where it has a radio
    RECEIVER = "receiver"
    REPEATER = "repeater"
    LINK_TEST = "link test"
    CABLE = "cable"


@dataclass(frozen=True)
class Line:
    """One line of a bill; controller: the row of the one that a cable goes to, -1 for all other lines."""

    item: Item
    quantity: int
    unit_price: float
    controller: int = -1

    @property
    def price(self) -> float:
        return self.quantity * self.unit_price


@dataclass(frozen=True)
class Bill:
    """lines: in the total. if_allowed: cables longer than is allowed, which the manufacturer must agree to; not in
    the total. unreached: rows of controllers for which nothing is on the bill."""

    lines: tuple[Line, ...] = ()
    if_allowed: tuple[Line, ...] = ()
    unreached: tuple[int, ...] = ()

    @property
    def total(self) -> float:
        return sum(line.price for line in self.lines)

    def quantity(self, item: Item) -> int:
        return sum(line.quantity for line in self.lines if line.item is item)


def radio_bill(prices: Prices, sensors: int, repeaters: int, served: Ints, hops_to_test: Ints, m: int) -> Bill:
    """Of a layout linked by radio: served, rows of the controllers that it serves, of m; hops_to_test: (m,)."""
    lines = (
        Line(Item.SENSOR, sensors, prices.sensor),
        Line(Item.REPEATER, repeaters, prices.repeater),
        Line(Item.RECEIVER, max(len(served) - sensors, 0), prices.receiver),
        Line(Item.LINK_TEST, int(hops_to_test.sum()), prices.link_test),
    )
    left = np.setdiff1d(np.arange(m), served)
    return Bill(tuple(line for line in lines if line.quantity), (), tuple(map(int, left)))


def hops_to_test(served_by: Ints, by_repeater: Ints, held_with: Floats, asked: float) -> Ints:
    """(m,) hops to test for each controller before mounting: none of a dependable link, two through a repeater."""
    unsure = grade(np.nan_to_num(np.asarray(held_with, float), nan=1.0), asked) < Grade.DEPENDABLE
    hops = np.where(by_repeater >= 0, 2, np.where(served_by >= 0, 1, 0))
    return np.where(unsure, hops, 0)


def cable_bill(prices: Prices, rows: Sequence[int], runs: Runs, served_by: Ints) -> Bill:
    """Of a layout linked by cables: rows of its mounts; served_by: (m,) the mount's row, -1 for none.

    A controller that no cable serves has its cheapest one, too long, priced apart.
    """
    lines = [Line(Item.SENSOR, len(rows), prices.sensor)]
    allowed: list[Line] = []
    left: list[int] = []
    for k in range(len(served_by)):
        run = wired(rows, runs, served_by, k)
        if run is None:
            left.append(k)
        else:
            (lines if served_by[k] >= 0 else allowed).append(Line(Item.CABLE, 1, run.price, k))
    return Bill(tuple(lines), tuple(allowed), tuple(left))


def wired(rows: Sequence[int], runs: Runs, served_by: Ints, k: int) -> CableRun | None:
    """The cable to a controller from the mount that serves it, else the cheapest from any mount of a layout."""
    offers = [runs[row][k] for row in ([int(served_by[k])] if served_by[k] >= 0 else rows)]
    return min((run for run in offers if run is not None), key=lambda run: run.price, default=None)
