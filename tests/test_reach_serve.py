"""The fewest sensors, against trying everything."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.reach.serve import cheapest, in_a_cheapest_plan, most_served, plans, question


def try_everything(q):
    """Least price over every set of mounts and repeaters, and the mounts that some set of that price uses."""
    n, r = len(q.holds), len(q.relay) if q.most_repeaters else 0
    best, used = np.inf, set()
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
            price = q.price[mounts].sum() + q.repeater_price * repeaters.sum()
            if served.all() and price <= best + 1e-9:
                used = (
                    used | set(np.flatnonzero(mounts)) if abs(price - best) < 1e-9 else set(np.flatnonzero(mounts))
                )
                best = price
    return best, used


@given(st.integers(0, 10**6))
@settings(max_examples=60, deadline=None)
def test_cheapest_is_the_cheapest(seed):
    rng = np.random.default_rng(seed)
    n, m, r = rng.integers(1, 8), rng.integers(1, 6), rng.integers(0, 4)
    q = question(
        rng.random((n, m)) < 0.35,
        100.0 * rng.integers(1, 6, n),
        rng.random(n),
        rng.random((r, m)) < 0.4,
        rng.random((n, r)) < 0.4,
        150.0,
        int(rng.integers(0, 3)),
    )
    best, used = try_everything(q)
    found = cheapest(q)
    assert (found is None) == np.isinf(best)
    if found is None:
        return
    assert found.price == pytest.approx(best)
    assert found.served.all()
    for j in range(m):
        if found.served_by[j] >= 0:
            assert q.holds[found.served_by[j], j]
            assert found.served_by[j] in found.mounts
        else:
            assert q.relay[found.by_repeater[j], j]
            assert found.by_repeater[j] in found.repeaters
    assert set(found.mounts) <= used
    if not q.most_repeaters or not r:
        assert set(np.flatnonzero(in_a_cheapest_plan(q))) == used


def test_the_better_mount_among_equals_and_price_before_preference():
    holds = np.ones((3, 2), bool)
    assert cheapest(question(holds, 100.0, np.array([0.2, 0.9, 0.5]))).mounts == (1,)
    assert cheapest(question(holds, np.array([99.0, 100.0, 100.0]), np.array([0.0, 1.0, 1.0]))).mounts == (0,)


def test_what_stands_beside_the_best_plan():
    """Four controllers; 0 and 1 are the best pair, 2 and 3 the pair elsewhere, 0 alone serves three."""
    holds = np.array([[1, 1, 1, 0], [0, 0, 0, 1], [1, 1, 0, 0], [0, 0, 1, 1]], bool)
    xy = np.array([[0, 0], [100, 0], [0, 100], [100, 100]], float)
    found = plans(question(holds, 400.0, np.array([1.0, 1.0, 0.0, 0.0])), xy, 30.0)
    assert set(found.best.mounts) == {0, 1}
    assert set(found.elsewhere.mounts) == {2, 3}
    assert found.fewer.mounts == (0,)
    assert found.fewer.served.sum() == 3
    assert found.spare in (2, 3)
    assert (found.spare_count, found.spare_price) == (2, 400.0)
    assert found.partial is None


def test_a_controller_beyond_everything():
    holds = np.array([[1, 0, 0], [0, 1, 0]], bool)
    found = plans(question(holds, 400.0), np.zeros((2, 2)), 30.0)
    assert found.best is None
    assert found.unserved.tolist() == [2]
    assert found.partial.served.tolist() == [True, True, False]
    assert not in_a_cheapest_plan(question(holds, 400.0)).any()


def test_most_served_is_the_most():
    rng = np.random.default_rng(5)
    for _ in range(20):
        holds = rng.random((7, 6)) < 0.3
        for k in (1, 2, 3):
            most = max(holds[list(pick)].any(axis=0).sum() for pick in itertools.combinations(range(7), k))
            assert most_served(question(holds, 100.0), k).served.sum() == most


def test_nothing_to_serve_and_nothing_to_serve_it_with():
    assert cheapest(question(np.zeros((3, 0), bool), 1.0)).mounts == ()
    assert cheapest(question(np.zeros((0, 2), bool), 1.0)) is None
