"""Sharing controllers among sensors and repeaters: where repeaters may stand, and the question put to `serve`."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planner.mounts import Mounts, Support
from planner.plan import Plan
from planner.reach.layouts import Question, Repeating, question
from planner.reach.link import Grade, ReachResult, grade, links, outdoors
from planner.reach.scene import Scene
from planner.site import Bools, Floats, Ints

APART_M = 30.0  # places tried for repeaters stand at least this far from one another


@dataclass(frozen=True)
class Relays:
    """Places for repeaters: rows (r,) of the site's mounts; xyz, height_m of their heads.

    relay: (r, m) the repeater's link to the controller holds, so often that two such hops hold as asked together;
    feed: (n, r) a mount's link to the repeater does. relay_odds, feed_odds: the probabilities. on_ground: (r,) it
    stands on a new post.
    """

    rows: Ints
    xyz: Floats
    height_m: Floats
    relay: Bools
    feed: Bools
    relay_odds: Floats
    feed_odds: Floats
    on_ground: Bools


def hop(asked: float) -> float:
    """What each of two hops must hold with, for both to hold with `asked`: taken to go wrong independently."""
    return float(np.sqrt(asked))


def no_relays(n: int, m: int) -> Relays:
    """No repeater, for n mounts and m controllers."""
    return Relays(
        np.empty(0, np.int64),
        np.empty((0, 3)),
        np.empty(0),
        np.zeros((0, m), bool),
        np.zeros((n, 0), bool),
        np.zeros((0, m)),
        np.zeros((n, 0)),
        np.zeros(0, bool),
    )


def relays(s: Scene, plan: Plan, mounts: Mounts, reached: ReachResult, places: Bools) -> Relays:
    """The repeaters that may be used.

    Parameters
    ----------
    s, plan
        The site's scene, and the plan.
    mounts, reached
        The mounts (n), and their links.
    places
        (n,) mounts that may be got at, whatever their sun: good enough for a repeater.

    Returns
    -------
    Relays
        None where the plan allows none, or the link is a cable.
    """
    n, m = reached.distance_m.shape
    if not plan.reach.repeaters or plan.sensor.link != "radio" or not m:
        return no_relays(n, m)
    holds = replace(reached, asked=hop(reached.asked)).room >= 0
    rows = _thinned(mounts, np.flatnonzero(places & holds.any(axis=1)))
    found = replace(
        no_relays(n, m),
        rows=rows,
        xyz=mounts.xyz[rows],
        height_m=mounts.height_m[rows],
        relay=holds[rows],
        relay_odds=reached.links.probability[rows],
        on_ground=np.array([mounts.support[k] is Support.GROUND for k in rows], bool),
    )
    return fed_by(s, plan, mounts, reached, found)


def fed_by(s: Scene, plan: Plan, mounts: Mounts, reached: ReachResult, some: Relays) -> Relays:
    """The same repeaters, fed by these mounts.

    Parameters
    ----------
    s, plan
        The site's scene, and the plan.
    mounts, reached
        The mounts (n), and their links.
    some
        Repeaters that were found among other mounts.

    Returns
    -------
    Relays
        With `feed` and `feed_odds` (n, r) of these mounts.
    """
    n, r = len(mounts), len(some.rows)
    if not r:
        return no_relays(n, some.relay.shape[1])
    far = np.sqrt(((mounts.xyz[:, None, :] - some.xyz[None, :, :]) ** 2).sum(axis=2))
    a, b = np.nonzero(far <= reached.usable_m)
    between = links(
        s,
        mounts.xyz[a],
        mounts.height_m[a],
        outdoors(some.xyz[b], some.height_m[b]),
        reached.radio,
    )
    odds = np.zeros((n, r))
    odds[a, b] = between.probability
    return replace(some, feed=odds >= hop(reached.asked), feed_odds=odds)


def _thinned(mounts: Mounts, rows: Ints) -> Ints:
    """Places for repeaters: poles first, each APART_M from the others."""
    order = sorted(rows, key=lambda k: mounts.support[k] is not Support.POLE)
    kept: list[int] = []
    for k in order:
        if all(np.hypot(*(mounts.xyz[k] - mounts.xyz[j])[:2]) >= APART_M for j in kept):
            kept.append(int(k))
    return np.array(kept, np.int64)


def sharing(
    plan: Plan,
    reached: ReachResult,
    some: Relays,
    rows: Ints,
    preference: Floats | None = None,
    price: Floats | None = None,
) -> Question:
    """The question of the fewest sensors over some mounts.

    The requirement, the layout that is shown and the trials beside a mount all ask this same one. A link that is
    less than dependable is tested before anything is fixed; through a repeater both hops are.

    Parameters
    ----------
    plan
        Prices, and how many repeaters.
    reached
        Links and cables of all mounts (n).
    some
        Repeaters that may be used.
    rows
        Of the mounts to choose from.
    preference
        (n,) the higher the better; all alike unless given.
    price
        (n,) of a sensor on each mount, a sensor's alone unless given.

    Returns
    -------
    Question
    """
    cabled = reached.runs is not None
    if reached.runs is not None:
        cost = np.array([[0.0 if run is None else run.price for run in reached.runs[k]] for k in rows], float)
    tests = (reached.grade < Grade.DEPENDABLE).astype(float)
    best = some.feed_odds[rows].max(axis=0, initial=0.0)
    unsure = grade(best[:, None] * some.relay_odds, reached.asked) < Grade.DEPENDABLE
    hops = np.where(unsure | reached.untold, 2.0, 0.0)
    return question(
        reached.room[rows] >= 0,
        plan.prices.sensor if price is None else price[rows],
        None if preference is None else preference[rows],
        Repeating(
            some.relay,
            some.feed[rows],
            np.asarray(plan.prices.repeater + plan.prices.post * some.on_ground, np.float64),
            plan.reach.repeaters if len(some.rows) else 0,
            None if cabled else hops * plan.prices.link_test,
        ),
        receiver_price=0.0 if cabled else plan.prices.receiver,
        link_price=cost.reshape(len(rows), -1) if cabled else tests[rows] * plan.prices.link_test,
        tests_price=0.0 if cabled else plan.prices.link_test,
    )
