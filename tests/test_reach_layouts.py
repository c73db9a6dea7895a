"""The fewest sensors, against trying everything."""

import itertools
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.plan import Plan
from planner.reach import layouts as solver
from planner.reach.bill import Item, Line, hops_to_test
from planner.reach.layouts import Repeating, cheapest, fits, layouts, question
from planner.reach.repeaters import no_relays, sharing


def in_a_cheapest_layout(q):
    """(n,) mounts that some layout as good as the best uses; all False where nothing is served."""
    return fits(q, q.holds, q.feed, q.price)


def try_everything(q):
    """The best (left out, price, places) of all sets of mounts and repeaters, and the mounts that such sets use."""
    n, r = len(q.holds), len(q.relay) if q.most_repeaters else 0
    best, used = (np.inf, np.inf, np.inf), set()
    for x in itertools.product([False, True], repeat=n):
        for y in itertools.product([False, True], repeat=r):
            mounts, repeaters = np.array(x, bool), np.array(y, bool)
            if repeaters.sum() > q.most_repeaters:
                continue
            served = q.holds[mounts].any(axis=0)
            if r:
                if (repeaters & ~q.feed[mounts].any(axis=0)).any():
                    continue
                served = served | q.relay[repeaters].any(axis=0)
            price = q.price[mounts].sum() + q.repeater_price[: len(y)][repeaters].sum()
            price += q.receiver_price * max(int(served.sum()) - int(mounts.sum()), 0)
            for j in np.flatnonzero(served):
                offers = [q.link_price[i, j] for i in np.flatnonzero(mounts & q.holds[:, j])]
                if r:
                    offers += [q.relay_price[k, j] for k in np.flatnonzero(repeaters & q.relay[:r, j])]
                price += min(offers)
            this = (int((~served).sum()), round(price, 6), int(mounts.sum() + repeaters.sum()))
            if this < best:
                best, used = this, set()
            if this == best:
                used |= set(np.flatnonzero(mounts))
    return best, used


def some_question(seed, prices=(1, 6), repeater_price=150.0, receiver_price=0.0, tests=0.0):
    rng = np.random.default_rng(seed)
    n, m, r = rng.integers(1, 8), rng.integers(1, 6), rng.integers(0, 4)
    return question(
        rng.random((n, m)) < 0.35,
        100.0 * rng.integers(*prices, n),
        rng.random(n),
        Repeating(
            rng.random((r, m)) < 0.4,
            rng.random((n, r)) < 0.4,
            repeater_price + 80.0 * rng.integers(0, 2, r),  # some with a new post
            int(rng.integers(0, 3)),
            2 * tests * rng.integers(0, 2, (r, m)),
        ),
        receiver_price=receiver_price,
        link_price=tests * rng.integers(0, 2, (n, m)),
        tests_price=tests,
    )


@given(st.integers(0, 10**6), st.booleans())
@settings(max_examples=40, deadline=None)
def test_cheapest_is_the_cheapest(seed, free):
    """Most served, then least price, then fewest places; with repeaters too, and where nothing costs anything."""
    q = some_question(seed, (0, 1), 0.0) if free else some_question(seed)
    (left_out, price, places), used = try_everything(q)
    found = cheapest(q)
    assert int((~found.served).sum()) == left_out
    assert found.price == pytest.approx(price)
    assert found.places == places
    for j in np.flatnonzero(found.served):
        if found.served_by[j] >= 0:
            assert q.holds[found.served_by[j], j]
            assert found.served_by[j] in found.mounts
        else:
            assert q.relay[found.by_repeater[j], j]
            assert found.by_repeater[j] in found.repeaters
    for r in found.repeaters:
        assert q.feed[list(found.mounts), r].any()
    assert set(found.mounts) <= used
    assert set(np.flatnonzero(in_a_cheapest_layout(q))) == used


@given(st.integers(0, 10**6))
@settings(max_examples=30, deadline=None)
def test_another_mount_fits_where_a_plan_with_it_is_as_good(seed):
    """Against trying everything: the question with the other added, and every plan that uses it."""
    q, rng = some_question(seed), np.random.default_rng(seed + 1)
    holds, feed = rng.random((3, q.holds.shape[1])) < 0.5, rng.random((3, len(q.relay))) < 0.5
    best, _ = try_everything(q)
    told = fits(q, holds, feed, 200.0)
    for k in range(3):
        more = question(
            np.vstack([q.holds, holds[k]]),
            np.append(q.price, 200.0),
            None,
            Repeating(q.relay, np.vstack([q.feed, feed[k]]), q.repeater_price, q.most_repeaters),
        )
        kept = cheapest(more, keep=len(q.holds))
        least = (int((~kept.served).sum()), kept.price, kept.places)
        useful = holds[k].any() or (bool(q.most_repeaters) and bool((feed[k] & q.relay.any(axis=1)).any()))
        assert told[k] == (least <= best and best[0] < q.holds.shape[1] and useful)


def test_the_best_layout_is_sought_once_for_a_question_and_among_kinds(monkeypatch):
    """A page asks about one spot after another: four kinds of mount among forty, and each is one column."""
    reach, asked = np.eye(4, dtype=bool), []
    q = question(np.repeat(reach, 10, axis=0), 100.0)
    least = solver._least
    monkeypatch.setattr(solver, "_least", lambda cost, *rest: (asked.append(len(cost)), least(cost, *rest))[1])
    none = np.zeros((1, 0), bool)
    assert fits(q, reach[:1], none, 100.0).all()
    first = len(asked)
    assert max(asked) <= 4 + 1 + 4 + 1  # the kinds, the mount asked about, controllers left out, receivers to buy
    assert not fits(q, reach[:1], none, 101.0).any()
    assert len(asked) - first == first // 2  # with the mount alone


@given(st.integers(0, 10**6), st.sampled_from([0.0, 60.0, 300.0]), st.sampled_from([0.0, 40.0]))
@settings(max_examples=80, deadline=None)
def test_the_whole_bill_is_the_least(seed, receiver_price, tests):
    """Against trying everything: sensors, further receivers, repeaters, and tests of the links that are used."""
    q = some_question(seed, receiver_price=receiver_price, tests=tests)
    (left_out, price, places), _ = try_everything(q)
    found = cheapest(q)
    assert int((~found.served).sum()) == left_out
    assert found.price == pytest.approx(price)
    assert found.bill.total == pytest.approx(found.price)
    assert found.places == places
    more = max(int(found.served.sum()) - len(found.mounts), 0)
    assert found.bill.quantity(Item.RECEIVER) == (more if receiver_price else 0)


def test_the_receiver_that_comes_with_a_sensor_counts():
    """A repeater for 300 and a receiver for 120 cost more than a second sensor for 400, which brings a receiver."""
    parts = (400.0, None, Repeating([[0, 1]], [[True], [False]], 300.0, 1))
    holds = np.array([[1, 0], [0, 1]], bool)
    assert cheapest(question(holds, *parts)).repeaters == (0,)
    found = cheapest(question(holds, *parts, receiver_price=120.0))
    assert (found.mounts, found.repeaters, found.price) == ((0, 1), (), 800.0)
    assert found.bill.lines == (Line(Item.SENSOR, 2, 400.0),)


def test_a_chain_of_two_hops_is_two_tests():
    q = question(
        np.array([[1, 0]], bool),
        400.0,
        None,
        Repeating([[0, 1]], [[True]], 100.0, 1, [[0.0, 120.0]]),
        receiver_price=120.0,
        link_price=[[0.0, 0.0]],
        tests_price=60.0,
    )
    found = cheapest(q)
    assert [(line.item, line.quantity) for line in found.bill.lines] == [
        (Item.SENSOR, 1), (Item.RECEIVER, 1), (Item.REPEATER, 1), (Item.LINK_TEST, 2)
    ]  # fmt: skip
    assert found.price == 400 + 120 + 100 + 120


def test_the_question_holds_a_test_for_each_hop_that_is_less_than_dependable():
    """At 90% asked a link is dependable from 95%; a chain by the product of its hops, from the mount that feeds it
    best: 0.97 x 0.99 = 0.960 is, 0.97 x 0.95 = 0.92 is not."""
    plan = Plan(prices={"link_test": 60.0, "repeater": 100.0}, reach={"repeaters": 1})
    reached = SimpleNamespace(
        runs=None,
        asked=0.9,
        grade=np.array([[2, 3], [3, 1]]),
        room=np.array([[0.2, 0.5], [0.6, -0.1]]),
        untold=np.zeros(2, bool),
    )
    some = replace(
        no_relays(2, 2),
        rows=np.array([1]),
        relay=np.array([[True, True]]),
        feed=np.array([[True], [True]]),
        relay_odds=np.array([[0.99, 0.95]]),
        feed_odds=np.array([[0.90], [0.97]]),
        on_ground=np.array([False]),
    )
    q = sharing(plan, reached, some, np.array([0, 1]))
    assert q.link_price.tolist() == [[60.0, 0.0], [0.0, 60.0]]
    assert q.relay_price.tolist() == [[0.0, 120.0]]
    assert q.repeater_price.tolist() == [100.0]
    posted = plan.model_copy(update={"prices": plan.prices.model_copy(update={"post": 80.0})})
    for ground, price in ((False, 100.0), (True, 180.0)):  # a new post is part of what a repeater costs
        there = replace(some, on_ground=np.array([ground]))
        assert sharing(posted, reached, there, np.array([0, 1])).repeater_price.tolist() == [price]


def test_of_two_repeaters_that_serve_alike_the_one_without_a_post_is_taken():
    """And where the post makes the repeater dearer than a second sensor, there are two sensors."""
    holds = np.array([[1, 0], [0, 1]], bool)

    def chosen(*prices):
        repeating = Repeating([[0, 1], [0, 1]], [[True, True], [False, False]], np.array(prices), 1)
        best = cheapest(question(holds, 400.0, None, repeating))
        return best.mounts, best.repeaters, best.price

    assert chosen(380.0, 300.0) == ((0,), (1,), 700.0)
    assert chosen(300.0, 380.0) == ((0,), (0,), 700.0)
    assert chosen(460.0, 460.0) == ((0, 1), (), 800.0)


def test_hops_are_tested_where_they_are_not_sure():
    """A mount's link is one test, a repeater's chain two; none of a dependable link, or where nothing serves."""
    served_by, by_repeater = np.array([0, 0, -1, -1, -1]), np.array([-1, -1, 3, 3, -1])
    held_with = np.array([0.91, 0.99, 0.91, 0.99, np.nan])
    assert hops_to_test(served_by, by_repeater, held_with, 0.9).tolist() == [1, 0, 2, 0, 0]


def test_cables_are_on_the_bill_and_the_cheaper_pair_is_taken():
    """Two sensors are needed; of those that reach, the pair with less cable, each controller by its cheaper one."""
    holds = np.array([[1, 1, 0], [0, 0, 1], [0, 1, 1]], bool)
    cable = np.array([[100.0, 900.0, 0], [0, 0, 50.0], [0, 200.0, 300.0]])
    found = cheapest(question(holds, 400.0, link_price=cable))
    assert found.mounts == (0, 2)
    assert found.served_by.tolist() == [0, 2, 2]
    assert found.price == 800 + 100 + 200 + 300
    assert [line.controller for line in found.bill.lines if line.item is Item.CABLE] == [0, 1, 2]


def test_where_sensors_cost_nothing_few_are_taken():
    """Ten places that each reach all: one of them, not ten."""
    q = question(np.ones((10, 3), bool), 0.0)
    assert cheapest(q).places == 1
    assert in_a_cheapest_layout(q).all()
    pair = question(np.array([[1, 1, 0], [0, 0, 1], [1, 0, 0], [0, 1, 0]], bool), 0.0)
    assert cheapest(pair).mounts == (0, 1)
    assert in_a_cheapest_layout(pair).tolist() == [True, True, False, False]


def test_what_a_repeater_makes_the_cheapest():
    """A sensor and a repeater for 650 beat two sensors for 800: only the sensor that feeds it is in that plan."""
    q = question(
        np.array([[1, 0], [0, 1], [1, 0]], bool),
        400.0,
        None,
        Repeating([[0, 1]], [[True], [False], [False]], 250.0, 1),
    )
    found = cheapest(q)
    assert (found.mounts, found.repeaters, found.price) == ((0,), (0,), 650.0)
    assert in_a_cheapest_layout(q).tolist() == [True, False, False]


def test_the_better_mount_among_equals_and_price_before_preference():
    holds = np.ones((3, 2), bool)
    assert cheapest(question(holds, 100.0, np.array([0.2, 0.9, 0.5]))).mounts == (1,)
    assert cheapest(question(holds, np.array([99.0, 100.0, 100.0]), np.array([0.0, 1.0, 1.0]))).mounts == (0,)


def test_what_stands_beside_the_best_plan():
    """Four controllers; 0 and 1 are the best pair, 2 and 3 the pair elsewhere, 0 alone serves three."""
    holds = np.array([[1, 1, 1, 0], [0, 0, 0, 1], [1, 1, 0, 0], [0, 0, 1, 1]], bool)
    xy = np.array([[0, 0], [100, 0], [0, 100], [100, 100]], float)
    found = layouts(question(holds, 400.0, np.array([1.0, 1.0, 0.0, 0.0])), xy, 30.0)
    assert set(found.best.mounts) == {0, 1}
    assert set(found.elsewhere.mounts) == {2, 3}
    assert found.fewer.mounts == (0,)
    assert found.fewer.served.sum() == 3
    assert found.spare in (2, 3)
    assert (found.spare_count, found.spare_price) == (2, 400.0)
    # its cables are paid for: of the controllers that have none twice yet
    cables = np.array([[1, 1, 1, 0], [0, 0, 0, 1], [900, 700, 0, 0], [0, 0, 900, 700]], float)
    wired = layouts(question(holds, 400.0, np.array([1.0, 1.0, 0.0, 0.0]), link_price=cables), xy, 30.0)
    assert (wired.spare_count, wired.spare_price) == (2, 400.0 + 900 + 700)
    assert found.left_out.size == 0


def test_second_links_through_a_repeater_count():
    """Controller 1 has the first sensor and the repeater; the spare gives controllers 0 and 2 their second."""
    q = question(
        np.array([[1, 1, 0], [1, 0, 1]], bool), 400.0, None, Repeating([[0, 1, 1]], [[True], [False]], 100.0, 1)
    )
    found = layouts(q, np.array([[0.0, 0], [100, 0]]), 30.0, keep=0)
    assert (found.best.mounts, found.best.repeaters) == ((0,), (0,))
    assert (found.spare, found.spare_count) == (1, 3)


def test_the_next_plan_stands_clear_of_the_repeater_too():
    """Repeater 1 stands beside repeater 0: it is no way out where that place is not to be had."""
    q = question(
        np.array([[1, 0], [1, 0]], bool),
        400.0,
        None,
        Repeating([[0, 1], [0, 1]], [[True, True], [True, True]], 100.0, 1),
    )
    xy = np.array([[0.0, 0], [100, 0]])
    beside = layouts(q, xy, 30.0, relay_xy=np.array([[50.0, 50], [60, 50]]))
    assert beside.best.repeaters == (0,)
    assert beside.elsewhere is None
    apart = layouts(q, xy, 30.0, relay_xy=np.array([[50.0, 50], [50, -50]]))
    assert apart.elsewhere.repeaters == (1,)
    # one place less than a sensor and a repeater
    assert (apart.fewer.places, apart.fewer.served.sum()) == (1, 1)


def test_a_plan_keeps_the_mount_it_is_sold_with():
    """Mount 2 is dearer company; the plan keeps it, and the better one without it stands beside."""
    holds = np.array([[1, 1, 1], [1, 0, 0], [1, 0, 0]], bool)
    found = layouts(question(holds, 400.0), np.array([[0.0, 0], [50, 0], [100, 0]]), 30.0, keep=2)
    assert set(found.best.mounts) == {0, 2}
    assert found.freely.mounts == (0,)
    assert layouts(question(holds, 400.0), np.zeros((3, 2)), 30.0, keep=0).freely is None


def test_a_controller_beyond_everything():
    """It is left out and named, and the others are served."""
    holds = np.array([[1, 0, 0], [0, 1, 0], [0, 1, 0]], bool)
    found = layouts(question(holds, 400.0), np.zeros((3, 2)), 30.0)
    assert found.best.served.tolist() == [True, True, False]
    assert found.left_out.tolist() == found.beyond.tolist() == [2]
    assert in_a_cheapest_layout(question(holds, 400.0)).all()
    none = layouts(question(np.zeros((2, 1), bool), 400.0), np.zeros((2, 2)), 30.0)
    assert none.best is None
    assert not in_a_cheapest_layout(question(np.zeros((2, 1), bool), 400.0)).any()


def test_so_many_sensors_serve_the_most():
    rng = np.random.default_rng(5)
    for _ in range(20):
        holds = rng.random((7, 6)) < 0.3
        for k in (1, 2, 3):
            most = max(holds[list(pick)].any(axis=0).sum() for pick in itertools.combinations(range(7), k))
            assert cheapest(question(holds, 100.0), places=k).served.sum() == most


def test_nothing_to_serve_and_nothing_to_serve_it_with():
    assert cheapest(question(np.zeros((3, 0), bool), 1.0)).mounts == ()
    assert not cheapest(question(np.zeros((0, 2), bool), 1.0)).served.any()
