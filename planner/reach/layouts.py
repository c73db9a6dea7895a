"""The fewest sensors that serve every controller: an exact choice of mounts, and of repeaters where allowed.

    most   controllers served; then
    least  bill: sensors, each with one receiver; further receivers; repeaters; tests of links, or cables; then
    fewest sensors and repeaters; then the better mounts
    so that a controller counts as served where an open mount's or repeater's link to it holds as asked,
            a repeater is open only where an open mount's link to it holds as asked,
            at most so many repeaters are open

each line solved to the end by HiGHS (scipy.optimize.milp) and then held. What nothing reaches is left out, and the
rest is served.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack

from planner.ledger import PlannerError
from planner.reach.bill import Bill, Item, Line
from planner.site import Bools, Floats, Ints

PENNY = 1e-6  # prices this near to one another are the same


@dataclass(frozen=True)
class Question:
    """What may be chosen (n mounts, r repeaters) and what it reaches (m controllers).

    holds: (n, m) the mount's link to the controller holds as asked. price: (n,). preference: (n,) 0 to 1, the
    higher the better among equals. relay: (r, m) the repeater's link to the controller holds; feed: (n, r) the
    mount's link to the repeater holds. repeater_price: (r,) of each; most_repeaters: open at once.
    receiver_price: of one more than come with the mounts. link_price (n, m), relay_price (r, m): what a controller
    costs that is served so: a cable, or tests of links that are not sure; of one price a test, `tests_price`, or 0
    where the links are cables.
    """

    holds: Bools
    price: Floats
    preference: Floats
    relay: Bools
    feed: Bools
    repeater_price: Floats
    most_repeaters: int
    receiver_price: float
    link_price: Floats
    relay_price: Floats
    tests_price: float

    @cached_property
    def in_kinds(self) -> tuple[Question, Ints, Layout]:
        """The question without cables and tests, with one row for all that reach the same at one price; (r,) the
        kind of each repeater; and the cheapest layout of those. Worked out once."""
        few, kind = _kinds(self)
        return few, kind, cheapest(few)


@dataclass(frozen=True)
class Layout:
    """Mounts and repeaters to open (rows), the price (as it was chosen by), and what serves each controller.

    served_by: (m,) row of the mount, or -1; by_repeater: (m,) row of the repeater, or -1; both -1: not served.
    """

    mounts: tuple[int, ...]
    repeaters: tuple[int, ...]
    price: float
    served_by: Ints
    by_repeater: Ints
    bill: Bill = field(default_factory=Bill)

    @property
    def served(self) -> Bools:
        return np.asarray((self.served_by >= 0) | (self.by_repeater >= 0))

    @property
    def places(self) -> int:
        return len(self.mounts) + len(self.repeaters)


@dataclass(frozen=True)
class Repeating:
    """The repeaters (r) of a question: `relay` (r, m), `feed` (n, r), the price of each (r,) or of all, how many
    may be open, and what a controller costs that is served so (r, m), nothing unless given."""

    relay: Bools
    feed: Bools
    price: Floats | float
    most: int
    link_price: Floats | None = None


def question(
    holds: Bools,
    price: Floats | float,
    preference: Floats | None = None,
    repeating: Repeating | None = None,
    *,
    receiver_price: float = 0.0,
    link_price: Floats | None = None,
    tests_price: float = 0.0,
) -> Question:
    """A question with the parts that are not given left empty."""
    holds = np.asarray(holds, bool)
    n, m = holds.shape
    by = repeating if repeating is not None else Repeating(np.zeros((0, m), bool), np.zeros((n, 0), bool), 0.0, 0)
    relay = np.asarray(by.relay, bool)
    return Question(
        holds,
        np.broadcast_to(np.asarray(price, float), (n,)).copy(),
        np.zeros(n) if preference is None else np.nan_to_num(np.asarray(preference, float)),
        relay,
        np.asarray(by.feed, bool),
        np.broadcast_to(np.asarray(by.price, float), (len(relay),)).copy(),
        by.most,
        receiver_price,
        np.zeros((n, m)) if link_price is None else np.asarray(link_price, float),
        np.zeros(relay.shape) if by.link_price is None else np.asarray(by.link_price, float),
        tests_price,
    )


def cheapest(
    q: Question,
    without: Ints | None = None,
    keep: int | None = None,
    places: int | None = None,
    without_repeaters: Ints | None = None,
) -> Layout:
    """The cheapest layout of those that serve the most controllers, and of these one with the fewest places.

    without, without_repeaters: rows that may not be used; keep: row of a mount that must be; places: most of them.
    """
    n, m = q.holds.shape
    r = len(q.relay) if q.most_repeaters else 0
    if not m or not (n + r):
        return _layout(q, np.empty(0, np.int64), np.empty(0, np.int64))
    # open mounts, open repeaters, controllers left out, receivers to buy, prices at which a controller is served
    of, prices, wants = _prices(q, r)
    opened, width = n + r, n + r + m + 1 + len(of)
    low, high = np.zeros(width), np.ones(width)
    high[opened + m] = m
    if without is not None:
        high[np.asarray(without, np.int64)] = 0.0
    if r and without_repeaters is not None:
        high[n + np.asarray(without_repeaters, np.int64)] = 0.0
    if keep is not None:
        low[keep] = 1.0
    idle = csr_array((m, 1 + len(of)))
    rules = [
        LinearConstraint(
            hstack([csr_array(q.holds.T.astype(float)), csr_array(q.relay[:r].T.astype(float)), _eye(m), idle]),
            lb=1.0,
        )
    ]
    if len(of):
        # each controller that is not left out takes one price, and that wants a mount or repeater of it open
        takes = csr_array((np.ones(len(of)), (of, np.arange(len(of)))), shape=(m, len(of)))
        rules.append(LinearConstraint(hstack([csr_array((m, opened)), _eye(m), csr_array((m, 1)), takes]), lb=1.0))
        rules.append(LinearConstraint(hstack([wants, csr_array((len(of), m + 1)), -_eye(len(of))]), lb=0.0))
    # a receiver for each controller that is served, one of them with each sensor
    rules.append(LinearConstraint(_row(width, 0, n) + _row(width, opened, opened + m + 1), lb=float(m)))
    if r:
        feed = hstack([csr_array(q.feed.T.astype(float)), -_eye(r), csr_array((r, m + 1 + len(of)))])
        rules.append(LinearConstraint(feed, lb=0.0))
        rules.append(LinearConstraint(_row(width, n, opened), ub=float(q.most_repeaters)))
    if places is not None:
        rules.append(LinearConstraint(_row(width, 0, opened), ub=float(places)))
    whole = np.concatenate([np.ones(opened + m), np.zeros(1 + len(of))])  # the rest follows from these
    # no layout needs more places than controllers, so that all preferences together are never worth one
    better = q.preference / (2.0 * max(float(q.preference.max(initial=0.0)), 1e-9) * (m + 2))
    rest = np.zeros(1 + len(of))
    for costs in (
        [np.zeros(opened), np.ones(m), rest],
        [q.price, q.repeater_price[:r], np.zeros(m), np.array([q.receiver_price]), prices],
        [1.0 - better, np.ones(r), np.zeros(m), rest],
    ):
        cost = np.concatenate(costs)
        x = _least(cost, rules, low, high, whole)
        rules.append(LinearConstraint(csr_array(cost[None, :]), ub=float(cost @ x) + PENNY))
    return _layout(q, np.flatnonzero(x[:n] > 0.5), np.flatnonzero(x[n:opened] > 0.5))


def _prices(q: Question, r: int) -> tuple[Ints, Floats, csr_array]:
    """The prices at which each controller can be served: (k,) controller, (k,) price, (k, n + r) what gives it.

    Empty where it does not matter by which link a controller is served.
    """
    holds = np.vstack([q.holds, q.relay[:r]])
    price = np.vstack([q.link_price, q.relay_price[:r]])
    if not price.any():
        return np.empty(0, np.int64), np.empty(0), csr_array((0, len(holds)))
    of, prices, rows = [], [], []
    for j in range(holds.shape[1]):
        for value in np.unique(price[holds[:, j], j]):
            of.append(j)
            prices.append(float(value))
            rows.append(holds[:, j] & (price[:, j] == value))
    wants = csr_array(np.array(rows, float).reshape(-1, len(holds)))
    return np.array(of, np.int64), np.array(prices), wants


def _least(cost: Floats, rules: list[LinearConstraint], low: Floats, high: Floats, whole: Floats) -> Floats:
    """The choice that costs least; whole: (k,) 1 for what is chosen or not, 0 for what follows from the choice."""
    found = milp(
        cost,
        constraints=rules,
        integrality=whole,
        bounds=Bounds(low, high),
        options={"mip_rel_gap": 0.0},
    )
    if found.x is None:
        raise PlannerError("fewest sensors", f"HiGHS gave up: {found.message}", "Ask for fewer candidates")
    return np.asarray(np.where(whole > 0, np.round(found.x), found.x), np.float64)


def fits(q: Question, holds: Bools, feed: Bools, price: Floats | float) -> Bools:
    """Mounts that a layout can use which is as good as a question's best one.

    As good: it serves as many controllers at no higher price and from no more places. Cables and tests of links are
    not counted: how well a mount's links hold, and how long its cables are, is for the score to weigh and not for
    this to rule out.

    Parameters
    ----------
    q
        The question.
    holds, feed
        (k, m) and (k, r) what the mounts reach, q's own or others.
    price
        (k,) or one for all.

    Returns
    -------
    ndarray of bool, shape (k,)

    Raises
    ------
    PlannerError
        The solver gave up.
    """
    q, kind, best = q.in_kinds
    holds, feed = np.asarray(holds, bool), np.asarray(feed, bool)
    out = np.zeros(len(holds), bool)
    if not best.served.any():
        return out
    each = np.broadcast_to(np.asarray(price, float), (len(holds),))
    fed = np.zeros((len(holds), len(q.relay)), bool)
    np.logical_or.at(fed.T, kind, feed.T)
    # mounts that reach the same at the same price stand or fall together
    alike, of = np.unique(np.column_stack([holds, fed, each]), axis=0, return_inverse=True)
    for k in range(len(alike)):
        row = int(np.flatnonzero(of.ravel() == k)[0])
        if not holds[row].any() and not fed[row].any():
            continue
        one_more = replace(
            q,
            holds=np.vstack([q.holds, holds[row]]),
            price=np.append(q.price, each[row]),
            preference=np.append(q.preference, 0.0),
            feed=np.vstack([q.feed, fed[row]]),
            link_price=np.zeros((len(q.holds) + 1, q.holds.shape[1])),
        )
        out[of.ravel() == k] = not _worse(cheapest(one_more, keep=len(q.holds)), best)
    return out


def _worse(one: Layout, than: Layout) -> bool:
    """It serves fewer, or costs more, or takes more places."""
    if one.served.sum() != than.served.sum():
        return bool(one.served.sum() < than.served.sum())
    if abs(one.price - than.price) > 2 * PENNY:
        return one.price > than.price
    return one.places > than.places


def _kinds(q: Question) -> tuple[Question, Ints]:
    """The question without cables and tests, with one row for all that reach the same; (r,) the kind of each
    repeater."""
    priced = np.column_stack([q.relay, q.repeater_price])
    _, one, kind = np.unique(priced, axis=0, return_index=True, return_inverse=True)
    kinds, kind = q.relay[one], kind.ravel().astype(np.int64)
    feed = np.zeros((len(q.holds), len(kinds)), bool)
    np.logical_or.at(feed.T, kind, q.feed.T)
    _, first = np.unique(np.column_stack([q.holds, feed, q.price]), axis=0, return_index=True)
    few = replace(
        q,
        holds=q.holds[first],
        price=q.price[first],
        preference=q.preference[first],
        relay=kinds,
        feed=feed[first],
        repeater_price=q.repeater_price[one],
        link_price=np.zeros((len(first), q.holds.shape[1])),
        relay_price=np.zeros(kinds.shape),
    )
    return few, kind


def _eye(k: int) -> csr_array:
    return csr_array((np.ones(k), (np.arange(k), np.arange(k))), shape=(k, k))


def _row(width: int, start: int, stop: int) -> csr_array:
    return csr_array(
        (np.ones(stop - start), (np.zeros(stop - start, int), np.arange(start, stop))), shape=(1, width)
    )


def _layout(q: Question, mounts: Ints, repeaters: Ints) -> Layout:
    """A choice with each controller given to the cheapest of its links, of equals a mount's, and with its bill."""
    m = q.holds.shape[1]
    by = np.full(m, -1, np.int64)
    relayed = np.full(m, -1, np.int64)
    for j in range(m):
        direct = mounts[q.holds[mounts, j]]
        through = repeaters[q.relay[repeaters, j]] if len(repeaters) else repeaters
        offers = [(float(q.link_price[k, j]), 0, int(k)) for k in direct]
        offers += [(float(q.relay_price[k, j]), 1, int(k)) for k in through]
        if offers:
            _, hops, row = min(offers)
            (relayed if hops else by)[j] = row
    bill = _bill(q, mounts, repeaters, by, relayed)
    return Layout(tuple(map(int, mounts)), tuple(map(int, repeaters)), bill.total, by, relayed, bill)


def _bill(q: Question, mounts: Ints, repeaters: Ints, by: Ints, relayed: Ints) -> Bill:
    served = np.flatnonzero((by >= 0) | (relayed >= 0))
    lines = [
        *_at_each_price(Item.SENSOR, q.price[mounts]),
        Line(Item.RECEIVER, max(len(served) - len(mounts), 0), q.receiver_price),
        *_at_each_price(Item.REPEATER, q.repeater_price[repeaters]),
    ]
    spent = [float(q.link_price[by[j], j] if by[j] >= 0 else q.relay_price[relayed[j], j]) for j in served]
    if q.tests_price > 0:
        lines.append(Line(Item.LINK_TEST, round(sum(spent) / q.tests_price), q.tests_price))
    else:
        lines += [Line(Item.CABLE, 1, price, int(j)) for price, j in zip(spent, served, strict=True)]
    return Bill(tuple(line for line in lines if line.quantity and line.unit_price))


def _at_each_price(item: Item, prices: Floats) -> list[Line]:
    return [Line(item, int((prices == p).sum()), float(p)) for p in np.unique(prices)]


@dataclass(frozen=True)
class Layouts:
    """The cheapest layout, and what stands beside it.

    best: that layout, None where nothing can be served. freely: a better one that does without the mount that had
    to be kept, where there is one. elsewhere: the cheapest that uses no place near one of the best one's and serves
    as many. fewer: the most that one place less serves; None for one place. spare: row of the mount that, added
    to the best layout, gives the most controllers a second link; -1 where it gives none; spare_price, spare_count:
    what it costs with its cables or tests, and how many controllers have a second link then (through a repeater
    too). left_out: controllers that the best layout does not serve; beyond: those of them that no candidate
    reaches.
    """

    best: Layout | None
    freely: Layout | None
    elsewhere: Layout | None
    fewer: Layout | None
    spare: int
    spare_price: float
    spare_count: int
    left_out: Ints
    beyond: Ints


def layouts(
    q: Question, xy: Floats, apart_m: float, keep: int | None = None, relay_xy: Floats | None = None
) -> Layouts:
    """Solve a question and what stands beside its answer.

    xy: (n, 2) where the mounts are, relay_xy: (r, 2) the repeaters; keep: row of a mount that must be used.
    """
    relay_xy = np.full((len(q.relay), 2), np.nan) if relay_xy is None else relay_xy
    m = q.holds.shape[1]
    fed = q.feed.any(axis=0) if q.most_repeaters else np.zeros(len(q.relay), bool)
    beyond = np.flatnonzero(~(q.holds.any(axis=0) | q.relay[fed].any(axis=0)))
    best = cheapest(q, keep=keep)
    if not best.served.any():
        return Layouts(None, None, None, None, -1, 0.0, 0, np.arange(m), beyond)
    free = cheapest(q) if keep is not None else best
    taken = np.vstack([xy[list(best.mounts)], relay_xy[list(best.repeaters)]])

    def by_these(at: Floats) -> Bools:
        away = np.hypot(at[:, None, 0] - taken[None, :, 0], at[:, None, 1] - taken[None, :, 1])
        return np.asarray((away < apart_m).any(axis=1))

    near = by_these(xy)
    barred = np.flatnonzero(by_these(relay_xy))
    elsewhere = cheapest(q, np.flatnonzero(near), without_repeaters=barred)
    fewer = cheapest(q, places=best.places - 1) if best.places > 1 else None
    # a second link from another place than the first
    twice = q.holds[list(best.mounts)].sum(axis=0) + q.relay[list(best.repeaters)].sum(axis=0)
    links = np.minimum(twice[None, :] + (q.holds & ~near[:, None]), 2).sum(axis=1) - np.minimum(twice, 2).sum()
    spare = int(np.argmax(links + 0.5 * q.preference / max(q.preference.max(), 1e-9)))
    gain = int(links[spare])
    count = int((twice + q.holds[spare] >= 2).sum())
    spare_price = q.price[spare] + q.link_price[spare, q.holds[spare] & (twice < 2)].sum()
    return Layouts(
        best,
        free if _worse(best, free) else None,
        elsewhere if elsewhere.served.sum() >= best.served.sum() else None,
        fewer,
        spare if gain else -1,
        float(spare_price) if gain else 0.0,
        count if gain else 0,
        np.flatnonzero(~best.served),
        beyond,
    )
