"""What a contract's sites cost together, and how sure that is: bills added up, and what links that fail would add.

A link holds or it does not. One that fails takes the cheapest remedy that the plan prices, so that the total is the
bill plus a random number of remedies. Nothing is read, written or said here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.special import ndtr, ndtri

from planner.plan import Plan
from planner.reach.bill import Bill, Item, Line, posts_of, radio_bill
from planner.records import compared
from planner.site import Floats, Ints

if TYPE_CHECKING:
    from planner.job import SiteResult

WIDE_SD = 5.0  # the common error is followed this far to either side; beyond lie 6e-7 of it
STEP_SD = 0.05  # in steps of this
NOISE = 1e-14  # probabilities under this are what Fourier transforms leave of nothing
SURE = 1e-9  # probabilities nearer to 0 and 1 than this count as these


# --- what one site brings ---------------------------------------------------------------------------------------


@compared
@dataclass(frozen=True)
class SiteBid:
    """What one site brings to a bid.

    bill: None where no mount was chosen, so that nothing is priced. held_with: (k,) probability with which each
    controller that a radio link serves is served; shared: (k,) share of that link's variance, in decibels, which
    is the same error at all sites: what the radio allows. remedy: what is bought where a link fails, remedy_price
    with its tests; None and 0 where no link may fail.
    """

    name: str
    bill: Bill | None
    held_with: tuple[float, ...] = ()
    shared: tuple[float, ...] = ()
    remedy: Item | None = None
    remedy_price: float = 0.0


def site_bid(result: SiteResult) -> SiteBid:
    """The bid of one site.

    Parameters
    ----------
    result
        What was found there.

    Returns
    -------
    SiteBid
        Its layout's bill, and the radio links that serve with it.
    """
    name, chosen, study = result.site.name, result.decision.chosen, result.reach_study
    if chosen < 0:
        return SiteBid(name, None)
    best = study.layouts.best if study is not None and study.layouts is not None else None
    if study is None or best is None or chosen not in best.mounts:
        nobody, posts = np.empty(0, np.int64), posts_of(result.mounts, [chosen])
        return SiteBid(name, radio_bill(result.plan.prices, 1, 0, nobody, nobody, 0, posts))
    # where nothing is asked of links, nothing is missing
    bill = best.bill if result.plan.requirements.reach != "off" else replace(best.bill, unreached=())
    served = np.flatnonzero(np.isfinite(study.held_with))
    if not len(served):
        return SiteBid(name, bill)
    links, radio = result.reach.links, result.reach.radio
    rows = np.where(best.served_by >= 0, best.served_by, best.by_repeater)[served]
    shared = np.minimum((radio.allowed_spread_db / links.spread_db[rows, served]) ** 2, 1.0)
    item, price = remedy(result.plan, len(best.repeaters))
    return SiteBid(
        name,
        bill,
        tuple(map(float, study.held_with[served])),
        tuple(map(float, shared)),
        item,
        price,
    )


def remedy(plan: Plan, repeaters: int) -> tuple[Item, float]:
    """What is bought where a link fails, and its price: one more sensor with the test of its link, or a repeater
    with the tests of its two hops where that is cheaper and the plan allows one more than the layout's."""
    prices = plan.prices
    sensor = prices.sensor + prices.link_test
    repeater = prices.repeater + 2 * prices.link_test
    if plan.reach.repeaters > repeaters and repeater < sensor:
        return Item.REPEATER, repeater
    return Item.SENSOR, sensor


def told(bid: SiteBid) -> dict[str, Any]:
    """A site's bid as JSON holds it; :func:`from_told` reads it again."""
    return asdict(bid)


def from_told(found: Mapping[str, Any]) -> SiteBid:
    """A site's bid from what was kept of it.

    Parameters
    ----------
    found
        What :func:`told` made of it.

    Returns
    -------
    SiteBid
        The same as before.
    """

    def lines(some: Iterable[Mapping[str, Any]]) -> tuple[Line, ...]:
        return tuple(Line(**{**one, "item": Item(one["item"])}) for one in some)

    bill = found["bill"]
    return SiteBid(
        found["name"],
        None
        if bill is None
        else Bill(
            lines(bill["lines"]), lines(bill["if_allowed"]), tuple(bill["unreached"]), lines(bill["unpriced"])
        ),
        tuple(found["held_with"]),
        tuple(found["shared"]),
        None if found["remedy"] is None else Item(found["remedy"]),
        found["remedy_price"],
    )


# --- the spread of a total --------------------------------------------------------------------------------------


@compared
@dataclass(frozen=True)
class Added:
    """What failing links add to a total.

    cost: (k,) rising amounts, probability: (k,) of each. failing: expected number of links that fail; sites:
    expected number of sites with any, sites_if_off: the same if the error that all sites share is one standard
    deviation to the bad side. shared: there is such an error.
    """

    cost: Floats
    probability: Floats
    failing: float
    sites: float
    sites_if_off: float
    shared: bool

    @property
    def mean(self) -> float:
        return float(self.cost @ self.probability)

    @property
    def none_fails(self) -> float:
        return float(self.probability[self.cost == 0.0].sum())

    def within(self, chance: float) -> float:
        """The least amount that is not exceeded with this chance."""
        reached = np.cumsum(self.probability) >= chance - SURE
        return float(self.cost[np.argmax(reached)] if reached.any() else self.cost[-1])


def added(bids: Sequence[SiteBid]) -> Added:
    """What failing links add to the total.

    Parameters
    ----------
    bids
        Of some sites, one or many.

    Returns
    -------
    Added
        Amounts with their probabilities.
    """
    k = [len(bid.held_with) for bid in bids]
    return added_by(
        np.concatenate([*(np.asarray(bid.held_with, float) for bid in bids), np.empty(0)]),
        np.concatenate([*(np.asarray(bid.shared, float) for bid in bids), np.empty(0)]),
        np.repeat([bid.remedy_price for bid in bids], k),
        np.repeat(np.arange(len(bids)), k),
    )


def added_by(held_with: Floats, shared: Floats, price: Floats, site: Any) -> Added:
    """What n links add that fail, each its price, to the total of their sites.

    held_with: (n,) probability that each holds; shared: (n,) share of its variance that is one error common to all
    (rho: given that error z, in standard deviations, the link holds with Phi((Phi^-1(p) + sqrt(rho) z) / sqrt(1 -
    rho)), the normal model with one factor); the rest goes wrong independently. price: (n,); site: (n,) number of
    the site. Exact but for the steps of z (and of prices that have no common step): for each, the number of
    failures among links of one price is a Poisson-binomial variable, and those of several prices are added.
    """
    p = np.clip(np.asarray(held_with, float), SURE, 1.0 - SURE)
    rho = np.clip(np.asarray(shared, float), 0.0, 1.0 - SURE)
    any_shared = bool((rho > SURE).any())
    z = np.arange(-WIDE_SD, WIDE_SD + STEP_SD / 2, STEP_SD) if any_shared else np.zeros(1)
    weight = np.exp(-0.5 * z**2)
    weight /= weight.sum()
    of = np.unique(np.asarray(site), return_inverse=True)[1].ravel()
    step, units, classes = _steps(np.asarray(price, float))
    chance, sites = np.zeros(int(sum(len(rows) * unit for rows, unit in zip(classes, units, strict=True))) + 1), 0.0
    for given, share in zip(z, weight, strict=True):
        fails = _failing(p, rho, given)
        first, some = 0, np.ones(1)
        for rows, unit in zip(classes, units, strict=True):
            counted = poisson_binomial(fails[rows])
            low, high = np.flatnonzero(counted > NOISE)[[0, -1]]
            spaced = np.zeros((high - low) * unit + 1)
            spaced[::unit] = counted[low : high + 1]
            first, some = first + low * unit, spaced if len(some) == 1 else _convolved(some, spaced)
        chance[first : first + len(some)] += share * np.maximum(some, 0.0)
        sites += share * _sites_with_any(fails, of)
    there = np.flatnonzero(chance > NOISE)
    cost, chance = np.asarray(there * step, np.float64), chance[there]
    return Added(
        cost,
        chance / chance.sum(),
        float((1.0 - p).sum()),
        float(sites),
        _sites_with_any(_failing(p, rho, -1.0), of) if any_shared else float(sites),
        any_shared,
    )


def _convolved(one: Floats, other: Floats) -> Floats:
    """As `scipy.signal.fftconvolve`, whose module takes half a second to load."""
    size = len(one) + len(other) - 1
    padded = next_fast_len(size, True)
    return np.asarray(irfft(rfft(one, padded) * rfft(other, padded), padded)[:size])


def _steps(price: Floats) -> tuple[float, list[int], list[Ints]]:
    """A step of money, how many of them each price above 0 is, and the rows of each price.

    Prices are whole multiples of the step; where that would be under half a percent of the least, they are rounded
    to it.
    """
    cents = np.round(price * 100.0).astype(np.int64)
    each = np.unique(cents[cents > 0])
    if not len(each):
        return 1.0, [], []
    step = max(float(np.gcd.reduce(each)), float(each[0]) / 200.0)
    units = [round(one / step) for one in each.tolist()]
    return step / 100.0, units, [np.flatnonzero(cents == one) for one in each]


def _failing(p: Floats, rho: Floats, z: float) -> Floats:
    """Probabilities that links fail, given the common error."""
    return np.asarray(ndtr(-(ndtri(p) + np.sqrt(rho) * z) / np.sqrt(1.0 - rho)))


def _sites_with_any(fails: Floats, of: Any) -> float:
    """Expected number of sites at which any link fails."""
    whole = np.bincount(of, np.log1p(-np.minimum(fails, 1.0 - NOISE)))
    return float(-np.expm1(whole).sum())


def poisson_binomial(chance: Floats) -> Floats:
    """(n + 1,) probabilities that 0 to n of independent events happen, of n with their chances.

    The events' two-point distributions are folded pair by pair, by Fourier transforms.
    """
    n = len(chance)
    rows = np.stack([1.0 - chance, chance], axis=1) if n else np.ones((1, 1))
    while len(rows) > 1:
        if len(rows) % 2:
            rows = np.vstack([rows, np.eye(1, rows.shape[1])])
        size = 2 * rows.shape[1] - 1
        padded = next_fast_len(size, real=True)
        spectrum = rfft(rows, padded, axis=1)
        rows = np.maximum(irfft(spectrum[::2] * spectrum[1::2], padded, axis=1)[:, :size], 0.0)
    return np.asarray(rows[0, : n + 1])


# --- bills added up ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Bid:
    """The bid of a contract.

    lines: of all sites together, one for each item, conductor and price of one (cables are one line for each
    conductor, priced together). if_allowed: the same of cables that are too long unless the maker agrees; not in
    the total. unpriced: what is needed and has no price. sites: how many are in the total. not_priced: names of
    sites where no mount was chosen. unreached: sites, and their controllers, that nothing on the bill reaches.
    added: what failing links may add.
    """

    lines: tuple[Line, ...]
    if_allowed: tuple[Line, ...]
    unpriced: tuple[Line, ...]
    sites: int
    not_priced: tuple[str, ...]
    unreached: tuple[tuple[str, tuple[int, ...]], ...]
    added: Added

    @property
    def total(self) -> float:
        return sum(line.price for line in self.lines)


def contract_bid(bids: Sequence[SiteBid]) -> Bid:
    """The sites' bills added up.

    Parameters
    ----------
    bids
        One a site.

    Returns
    -------
    Bid
        With the spread of the total.
    """
    priced = [(bid.name, bid.bill) for bid in bids if bid.bill is not None]
    return Bid(
        summed(line for _, bill in priced for line in bill.lines),
        summed(line for _, bill in priced for line in bill.if_allowed),
        summed(line for _, bill in priced for line in bill.unpriced),
        len(priced),
        tuple(bid.name for bid in bids if bid.bill is None),
        tuple((name, bill.unreached) for name, bill in priced if bill.unreached),
        added(bids),
    )


def summed(lines: Iterable[Line]) -> tuple[Line, ...]:
    """Lines of one kind and price as one, in the order of the items; cables by their conductor."""
    found: dict[tuple[Item, str, float], list[Line]] = {}
    for line in lines:
        unit = 0.0 if line.item is Item.CABLE else line.unit_price
        found.setdefault((line.item, line.conductor, unit), []).append(line)
    order = list(Item)
    out = []
    for (item, conductor, _), some in sorted(found.items(), key=lambda one: (order.index(one[0][0]), *one[0][1:])):
        count = sum(line.quantity for line in some)
        price, long_m = sum(line.price for line in some), sum(line.length_m for line in some)
        unit = price / count if item is Item.CABLE else some[0].unit_price
        out.append(Line(item, count, unit, -1, long_m, conductor))
    return tuple(out)
