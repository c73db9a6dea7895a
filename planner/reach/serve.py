"""The fewest sensors that serve every controller: an exact choice of mounts, and of repeaters where allowed.

    least  sum price(i) x(i) + price(repeater) sum y(r)
    so that every controller j has an open mount or repeater whose link to it holds as asked,
            a repeater is open only where an open mount's link to it holds as asked,
            at most so many repeaters are open

solved to the end by HiGHS (scipy.optimize.milp). Among plans of one price the better mounts are taken: their
score weighs so little that it never outweighs a price.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array, hstack

from planner.ledger import PlannerError
from planner.site import Bools, Floats, Ints

TIE = 1e-4  # of the least price: what the best score is worth, so that prices always decide first


@dataclass(frozen=True)
class Question:
    """What may be chosen (n mounts, r repeaters) and what it reaches (m controllers).

    holds: (n, m) the mount's link to the controller holds as asked. price: (n,). preference: (n,) 0 to 1, the
    higher the better among equals. relay: (r, m) the repeater's link to the controller holds; feed: (n, r) the
    mount's link to the repeater holds. repeater_price: of each; most_repeaters: open at once.
    """

    holds: Bools
    price: Floats
    preference: Floats
    relay: Bools
    feed: Bools
    repeater_price: float = 0.0
    most_repeaters: int = 0


@dataclass(frozen=True)
class Service:
    """One plan: mounts and repeaters to open (rows), its price, and what each controller is served by.

    served_by: (m,) row of the mount, or -1; by_repeater: (m,) row of the repeater, or -1; both -1: not served.
    """

    mounts: tuple[int, ...]
    repeaters: tuple[int, ...]
    price: float
    served_by: Ints
    by_repeater: Ints

    @property
    def served(self) -> Bools:
        return np.asarray((self.served_by >= 0) | (self.by_repeater >= 0))


def question(
    holds: Bools,
    price: Floats | float,
    preference: Floats | None = None,
    relay: Bools | None = None,
    feed: Bools | None = None,
    repeater_price: float = 0.0,
    most_repeaters: int = 0,
) -> Question:
    """A question with the parts that are not given left empty."""
    holds = np.asarray(holds, bool)
    n, m = holds.shape
    return Question(
        holds,
        np.broadcast_to(np.asarray(price, float), (n,)).copy(),
        np.zeros(n) if preference is None else np.nan_to_num(np.asarray(preference, float)),
        np.zeros((0, m), bool) if relay is None else np.asarray(relay, bool),
        np.zeros((n, 0), bool) if feed is None else np.asarray(feed, bool),
        repeater_price,
        most_repeaters,
    )


def cheapest(q: Question, without: Ints | None = None) -> Service | None:
    """The cheapest plan that serves every controller; None where there is none.

    without: rows of mounts that may not be used.
    """
    return _solve(q, without, None)


def most_served(q: Question, sensors: int, without: Ints | None = None) -> Service:
    """The plan of at most so many sensors that serves the most controllers, and among these the cheapest."""
    found = _solve(q, without, sensors)
    assert found is not None, "serving nobody is always possible"
    return found


def in_a_cheapest_plan(q: Question) -> Bools:
    """(n,) mounts that some plan of the least price uses; all False where no plan serves every controller."""
    n = len(q.holds)
    best = cheapest(q)
    out = np.zeros(n, bool)
    if best is None:
        return out
    # mounts that reach the same controllers at the same price stand or fall together
    alike, of = np.unique(np.column_stack([q.holds, q.price]), axis=0, return_inverse=True)
    for k in range(len(alike)):
        row = int(np.flatnonzero(of.ravel() == k)[0])
        rest = ~q.holds[row]
        if not q.holds[row].any():
            continue
        others = cheapest(question(q.holds[:, rest], q.price))
        if others is not None and others.price + q.price[row] <= best.price + 1e-6:
            out[of.ravel() == k] = True
    return out


def _solve(q: Question, without: Ints | None, sensors: int | None) -> Service | None:
    """Variables: n mounts, r repeaters, and m controllers left out (only where `sensors` bounds the mounts)."""
    n, m = q.holds.shape
    r = len(q.relay) if q.most_repeaters else 0
    if not m:
        return Service((), (), 0.0, np.empty(0, np.int64), np.empty(0, np.int64))
    least = float(min([*q.price, q.repeater_price if r else np.inf, np.inf]) or 1.0)
    least = least if np.isfinite(least) and least > 0 else 1.0
    cost = q.price - TIE * least * q.preference / max(n, 1)
    left_out = (float(q.price.sum()) + q.repeater_price * r + 1.0) * np.ones(m)
    high = np.ones(n + r + m)
    if sensors is None:
        high[n + r :] = 0.0
    if without is not None:
        high[np.asarray(without, np.int64)] = 0.0
    rules = [
        # every controller has a mount, a repeater, or is left out
        LinearConstraint(
            hstack([csr_array(q.holds.T.astype(float)), csr_array(q.relay[:r].T.astype(float)), _eye(m)]), lb=1.0
        )
    ]
    if r:
        # an open repeater is fed by an open mount
        feed = hstack([csr_array(q.feed.T.astype(float)), -_eye(r), csr_array((r, m))])
        rules.append(LinearConstraint(feed, lb=0.0))
        rules.append(LinearConstraint(_row(n + r + m, n, n + r), ub=float(q.most_repeaters)))
    if sensors is not None:
        rules.append(LinearConstraint(_row(n + r + m, 0, n), ub=float(sensors)))
    found = milp(
        np.concatenate([cost, np.full(r, q.repeater_price), left_out]),
        constraints=rules,
        integrality=np.ones(n + r + m),
        bounds=Bounds(0.0, high),
        options={"mip_rel_gap": 0.0},
    )
    if found.status == 2:  # infeasible: some controller is beyond every mount
        return None
    if found.x is None:
        raise PlannerError("fewest sensors", f"HiGHS gave up: {found.message}", "Ask for fewer candidates")
    x = found.x > 0.5
    mounts, repeaters = np.flatnonzero(x[:n]), np.flatnonzero(x[n : n + r])
    return _plan(q, mounts, repeaters)


def _eye(k: int) -> csr_array:
    return csr_array((np.ones(k), (np.arange(k), np.arange(k))), shape=(k, k))


def _row(width: int, start: int, stop: int) -> csr_array:
    return csr_array(
        (np.ones(stop - start), (np.zeros(stop - start, int), np.arange(start, stop))), shape=(1, width)
    )


def _plan(q: Question, mounts: Ints, repeaters: Ints) -> Service:
    """A choice with each controller given to the first of its mounts, else to a repeater."""
    m = q.holds.shape[1]
    by = np.full(m, -1, np.int64)
    relayed = np.full(m, -1, np.int64)
    for j in range(m):
        direct = mounts[q.holds[mounts, j]]
        if len(direct):
            by[j] = direct[0]
        elif len(repeaters) and q.relay[repeaters, j].any():
            relayed[j] = repeaters[q.relay[repeaters, j]][0]
    price = float(q.price[mounts].sum() + q.repeater_price * len(repeaters))
    return Service(tuple(map(int, mounts)), tuple(map(int, repeaters)), price, by, relayed)


@dataclass(frozen=True)
class Plans:
    """The cheapest plan, and what stands beside it.

    best: None where no plan serves every controller; then `partial` serves the most. elsewhere: the cheapest that
    uses no mount near one of the best plan's. fewer: the most that one sensor less serves; None for one sensor.
    spare: row of the mount that, added to the best plan, gives the most controllers a second link; -1 where it
    gives none; spare_price, spare_count: what it costs, and how many controllers have a second link
    then. unserved: controllers that no candidate reaches.
    """

    best: Service | None
    elsewhere: Service | None
    fewer: Service | None
    partial: Service | None
    spare: int
    spare_price: float
    spare_count: int
    unserved: Ints


def plans(q: Question, xy: Floats, apart_m: float) -> Plans:
    """Solve a question and what stands beside its answer; xy (n, 2): where the mounts are."""
    reached = q.holds.any(axis=0) | (q.relay.any(axis=0) if q.most_repeaters and len(q.relay) else False)
    unserved = np.flatnonzero(~reached)
    best = cheapest(q)
    if best is None:
        return Plans(None, None, None, most_served(q, len(q.holds)), -1, 0.0, 0, unserved)
    near = np.zeros(len(xy), bool)
    for k in best.mounts:
        near |= np.hypot(*(xy - xy[k]).T) < apart_m
    fewer = most_served(q, len(best.mounts) - 1) if len(best.mounts) > 1 else None
    # a second link from another place than the first
    twice = q.holds[list(best.mounts)].sum(axis=0)
    links = np.minimum(twice[None, :] + (q.holds & ~near[:, None]), 2).sum(axis=1) - np.minimum(twice, 2).sum()
    spare = int(np.argmax(links + 0.5 * q.preference / max(q.preference.max(), 1e-9)))
    gain = int(links[spare])
    count = int((twice + q.holds[spare] >= 2).sum())
    return Plans(
        best,
        cheapest(q, np.flatnonzero(near)),
        fewer,
        None,
        spare if gain else -1,
        float(q.price[spare]) if gain else 0.0,
        count if gain else 0,
        unserved,
    )
