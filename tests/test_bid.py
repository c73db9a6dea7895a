"""Bills added up, and the spread of their total by links that may fail: by hand, by all outcomes, by integrals."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import binom, multivariate_normal, norm
from test_show_links import studied

from planner.bid import (
    SiteBid,
    added,
    added_by,
    contract_bid,
    from_told,
    poisson_binomial,
    remedy,
    site_bid,
    told,
)
from planner.job import SiteResult
from planner.mounts import Support
from planner.plan import Plan
from planner.reach.bill import Bill, Item, Line, place_prices, posts_of, radio_bill
from planner.reach.layouts import cheapest
from planner.reach.repeaters import no_relays, sharing
from planner.show.say import bill as said


@pytest.fixture(scope="module")
def linked() -> SiteResult:
    return studied(link="radio")


def bid(name: str, *held: float, price: float = 460.0, shared: float = 0.0, sensors: int = 1) -> SiteBid:
    lines = (Line(Item.SENSOR, sensors, 400.0), Line(Item.RECEIVER, max(len(held) - sensors, 0) or 1, 120.0))
    return SiteBid(name, Bill(lines), held, (shared,) * len(held), Item.SENSOR, price)


def test_two_sites_by_hand() -> None:
    """A link of 90 % and one of 80 %, $460 a failure: 0.72 for nothing, 0.9 x 0.2 + 0.1 x 0.8 = 0.26 for one, 0.02
    for both; 0.1 + 0.2 sites fail."""
    found = added([bid("east", 0.9), bid("west", 0.8)])
    assert found.cost.tolist() == [0.0, 460.0, 920.0]
    assert found.probability == pytest.approx([0.72, 0.26, 0.02], abs=1e-12)
    assert found.mean == pytest.approx(0.26 * 460 + 0.02 * 920)
    assert (found.failing, found.sites) == pytest.approx((0.3, 0.3))
    assert found.none_fails == pytest.approx(0.72)
    assert [found.within(p) for p in (0.5, 0.72, 0.73, 0.98, 0.99, 1.0)] == [0.0, 0.0, 460.0, 460.0, 920.0, 920.0]
    assert not found.shared


@pytest.mark.parametrize("seed", range(4))
def test_the_spread_is_that_of_all_outcomes(seed: int) -> None:
    """Ten links at four sites, two prices: each of 1,024 outcomes with its probability and cost."""
    draw = np.random.default_rng(seed)
    p, price, site = draw.uniform(0.5, 1, 10), draw.choice([370.0, 460.0], 10), draw.integers(0, 4, 10)
    found = added_by(p, np.zeros(10), price, site)
    outcomes: dict[float, float] = {}
    sites = 0.0
    for fails in product((False, True), repeat=10):
        gone = np.array(fails)
        chance = float(np.where(gone, 1 - p, p).prod())
        outcomes[float(price[gone].sum())] = outcomes.get(float(price[gone].sum()), 0.0) + chance
        sites += chance * len(set(site[gone]))
    assert dict(zip(found.cost.tolist(), found.probability.tolist(), strict=True)) == pytest.approx(outcomes)
    assert found.sites == pytest.approx(sites)
    assert found.mean == pytest.approx(float((1 - p) @ price))


def test_many_links_of_one_chance_are_a_binomial() -> None:
    for n in (1, 2, 3, 17, 1000):
        assert poisson_binomial(np.full(n, 0.07)) == pytest.approx(binom.pmf(np.arange(n + 1), n, 0.07), abs=1e-12)
    assert poisson_binomial(np.empty(0)).tolist() == [1.0]


def test_a_common_error_makes_links_fail_together() -> None:
    """Both fail where both margins, a bivariate normal, are below zero: by scipy's integral of it."""
    p, shared = np.array([0.9, 0.8]), np.array([0.7, 0.4])
    found = added_by(p, shared, np.full(2, 460.0), np.array([0, 1]))
    together = float(np.sqrt(shared.prod()))
    both = multivariate_normal(cov=[[1, together], [together, 1]]).cdf(norm.ppf(1 - p))
    assert found.probability[2] == pytest.approx(both, abs=2e-5)
    assert found.mean == pytest.approx(0.3 * 460, abs=0.01)  # each by itself fails as often as without
    assert found.probability[2] > 2 * added_by(p, np.zeros(2), np.full(2, 460.0), np.array([0, 1])).probability[2]
    assert found.sites == pytest.approx(0.3, abs=1e-4)
    z = (norm.ppf(p) - np.sqrt(shared)) / np.sqrt(1 - shared)
    assert found.sites_if_off == pytest.approx(float(norm.cdf(-z).sum()))
    assert found.shared


def test_a_common_error_widens_the_total_of_many_sites() -> None:
    """Of 400 sites with one link of 90 % each: 40 fail on the mean, give or take 6 where they fail by themselves,
    and nine times in ten fewer than 48; with an error common to all, half the variance, far more."""
    apart, common = (added([bid(str(k), 0.9, shared=rho) for k in range(400)]) for rho in (0.0, 0.5))
    assert apart.mean == pytest.approx(common.mean, rel=1e-4) == pytest.approx(40 * 460, rel=1e-4)
    assert apart.within(0.9) == 460 * binom.ppf(0.9, 400, 0.1)
    # the share that fails of very many links (Vasicek 1987): its quantile in closed form
    vasicek = norm.cdf((norm.ppf(0.1) + np.sqrt(0.5) * norm.ppf(0.9)) / np.sqrt(0.5))
    assert common.within(0.9) / 460 == pytest.approx(400 * vasicek, rel=0.03)


def test_sure_links_and_no_links_add_nothing() -> None:
    assert added([bid("one", 1.0, 1.0)]).within(0.999) == 0.0
    empty = added([SiteBid("zone only", None), SiteBid("cable", Bill((Line(Item.SENSOR, 1, 400.0),)))])
    assert (empty.cost.tolist(), empty.probability.tolist(), empty.sites) == ([0.0], [1.0], 0.0)
    assert added([]).within(0.9) == 0.0
    free = added([bid("free", 0.5, price=0.0)])
    assert (free.within(0.99), free.sites) == (0.0, pytest.approx(0.5))


def test_prices_with_no_common_step_are_rounded_by_a_quarter_of_a_percent_at_most() -> None:
    prices = np.array([399.99, 123.45, 307.0])
    found = added_by(np.full(3, 0.5), np.zeros(3), prices, np.arange(3))
    assert found.mean == pytest.approx(prices.sum() / 2, rel=0.0025)
    assert found.cost[-1] == pytest.approx(prices.sum(), rel=0.0025)


def test_the_remedy_is_the_cheapest_that_the_plan_allows() -> None:
    """A sensor and one test, $460; a repeater and two, $370, where the plan allows one more than there are."""
    plan = studied_plan(repeaters=1)
    assert remedy(plan, 0) == (Item.REPEATER, 250 + 2 * 60)
    assert remedy(plan, 1) == (Item.SENSOR, 400 + 60)
    assert remedy(studied_plan(repeaters=0), 0) == (Item.SENSOR, 460)
    dear = plan.model_copy(update={"prices": plan.prices.model_copy(update={"repeater": 900.0})})
    assert remedy(dear, 0) == (Item.SENSOR, 460)


def studied_plan(repeaters: int) -> Plan:
    plan = Plan()
    return plan.model_copy(update={"reach": plan.reach.model_copy(update={"repeaters": repeaters})})


def test_a_sites_bid_is_its_bill_and_its_links(linked: SiteResult) -> None:
    found = site_bid(linked)
    assert found.bill == said.bill(linked)
    assert linked.reach_study is not None
    held = linked.reach_study.held_with
    assert found.held_with == tuple(held[np.isfinite(held)])
    assert len(found.held_with) == 2
    # the common part is what the radio allows, of which all links of the site know as little
    spread = linked.reach.links.spread_db
    by = linked.reach_study.layouts.best.served_by  # type: ignore[union-attr]
    for k, share in enumerate(found.shared):
        assert 0 < share <= 1
        assert share == pytest.approx((linked.reach.radio.allowed_spread_db / spread[by[k], k]) ** 2)


def test_a_site_without_a_mount_is_named_and_not_priced(linked: SiteResult) -> None:
    none = replace(linked, decision=replace(linked.decision, chosen=-1))
    assert site_bid(none) == SiteBid(linked.site.name, None)
    whole = contract_bid([site_bid(none), site_bid(linked)])
    assert whole.not_priced == (linked.site.name,)
    assert whole.sites == 1
    assert whole.total == pytest.approx(said.bill(linked).total)  # type: ignore[union-attr]


def test_a_cabled_site_has_no_links_to_fail_and_its_conductors_on_the_bill() -> None:
    result = studied(link="cable", cable_longest_m=60.0, cable_supplied_m=5.0, cable_conductor="18 AWG")
    found = site_bid(result)
    assert (found.held_with, found.remedy) == ((), None)
    runs = result.reach.runs
    assert runs is not None
    assert found.bill is not None
    cables = [line for line in found.bill.lines if line.item is Item.CABLE]
    assert [line.conductor for line in cables] == ["18 AWG", "18 AWG"]
    (one,) = (line for line in contract_bid([found, found]).lines if line.item is Item.CABLE)
    assert one.quantity == 4
    assert one.length_m == pytest.approx(2 * sum(line.length_m for line in cables))
    assert one.price == pytest.approx(2 * sum(line.price for line in cables))


def test_bills_add_up_by_item_and_price() -> None:
    bids = [bid("a", 0.9), bid("b", 0.95, 0.99, 0.99), bid("c", sensors=2)]
    whole = contract_bid(bids)
    assert [(line.item, line.quantity, line.unit_price) for line in whole.lines] == [
        (Item.SENSOR, 4, 400.0),
        (Item.RECEIVER, 4, 120.0),
    ]
    assert whole.total == sum(one.bill.total for one in bids if one.bill is not None)


def test_posts_and_visits_are_counted_and_priced_where_the_plan_has_prices() -> None:
    """Unpriced they are named apart; priced they are in the total: one visit, and one more to test links."""
    plain, served = Plan().prices, np.array([0, 1])
    priced = plain.model_copy(update={"visit": 150.0, "post": 80.0})
    for prices, hops, posts in product((plain, priced), ([0, 0], [0, 2]), (0, 3)):
        found = radio_bill(prices, 1, 0, served, np.array(hops), 2, posts)
        work = {line.item: line.quantity for line in (*found.lines, *found.unpriced)}
        assert work.get(Item.POST, 0) == posts
        assert work[Item.VISIT] == 1 + any(hops)
        paid = 400 + 120 + 60 * sum(hops) + (prices is priced) * (150 * (1 + any(hops)) + 80 * posts)
        assert found.total == paid
        assert bool(found.unpriced) == (prices is plain)


def test_a_post_is_part_of_what_a_place_costs(linked: SiteResult) -> None:
    """Of two places that serve alike the cheaper one is taken: without the post."""
    support = (Support.GROUND, *linked.mounts.support[1:])
    mounts = replace(linked.mounts, support=support)
    prices = linked.plan.prices.model_copy(update={"post": 80.0})
    each = place_prices(prices, mounts)
    assert each.tolist() == [480.0, *[400.0] * (len(mounts) - 1)]
    assert posts_of(mounts, [0, 1, 2]) == 1
    nobody = no_relays(len(mounts), 2)
    asked = sharing(linked.plan, linked.reach, nobody, np.array([0, 3]), price=each)
    assert asked.price.tolist() == [480.0, 400.0]
    alike = replace(asked, holds=np.ones((2, 2), bool), preference=np.array([1.0, 0.0]))
    assert cheapest(alike).mounts == (1,)
    assert cheapest(replace(alike, price=np.full(2, 400.0))).mounts == (0,)


def test_a_bid_is_kept_as_json(linked: SiteResult) -> None:
    for one in (site_bid(linked), SiteBid("none", None), bid("b", 0.9)):
        assert from_told(json.loads(json.dumps(told(one)))) == one
