"""All that is worked out once the mount is decided: links in full, coverage, fewest sensors, cables, and which."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from planner.mounts import Mounts
from planner.plan import Plan
from planner.reach.bill import Bill, cable_bill, hops_to_test, place_prices, posts_of, radio_bill
from planner.reach.cable import CableRun, Runs, cables, ground
from planner.reach.coverage import Coverage, coverage
from planner.reach.layouts import Layout, Layouts, layouts
from planner.reach.link import Grade, ReachResult, wired_height_m
from planner.reach.repeaters import APART_M, Relays, no_relays, sharing
from planner.reach.scene import Scene, scene
from planner.reach.view import LinkView, views
from planner.records import compared
from planner.site import Bools, Floats, Ints, Site


@dataclass(frozen=True)
class Choice:
    """Radio or cable for one controller.

    radio_price: a receiver, but for the first controller, whose receiver comes with the sensor, and a test of the
    link where it is not dependable; None where the sensor is cabled, for
    then a radio would be another sensor. cable_price: None where there is no route. radio_ok, cable_ok: it meets
    what is asked. use: "radio", "cable" or "" where neither does; a cabled sensor is never "radio".
    """

    radio_price: float | None
    radio_ok: bool
    cable_price: float | None
    cable_ok: bool
    use: str


@dataclass(frozen=True)
class Judged:
    """What is asked of n mounts that were judged.

    row: the mount that was chosen, or the one nearest to passing; runners_up: others with a card. usable: (n,)
    mounts that a layout may use; preference: (n,) 0 to 1, how good they are otherwise. keep: the layout must use
    `row`. passing: (n,) mounts that a tip may name, `usable` unless given.
    """

    row: int
    runners_up: Sequence[int]
    usable: Bools
    preference: Floats
    keep: bool = True
    passing: Bools | None = None


@compared
@dataclass(frozen=True)
class ReachStudy:
    """What was worked out for the chosen mount, or the one nearest to passing, and the runners-up.

    reached: what was given, with the layout's cables on fine cells. row: the mount that
    coverage, cables and choices are for, -1 for none. views: links in full, by mount.
    coverage: None where the link is a cable. cables, choices: by controller; cable_cell_m: of the grid on which
    the routes were sought. layouts: the fewest sensors, None where no mount meets every requirement but reach.
    held_with: (m,) probability with which the layout's radio links serve each controller, both hops of a repeater's
    together; NaN where it is not served, or by a cable. fed_by: of each repeater of the layout, the row of the
    sensor that feeds it best.
    """

    reached: ReachResult
    row: int
    views: dict[int, tuple[LinkView, ...]]
    coverage: Coverage | None
    cables: tuple[CableRun | None, ...]
    cable_cell_m: float
    choices: tuple[Choice, ...]
    layouts: Layouts | None
    held_with: Floats = field(default_factory=lambda: np.empty(0))
    fed_by: Mapping[int, int] = field(default_factory=dict)
    covered_from: tuple[int, ...] = ()


def study(
    site: Site,
    plan: Plan,
    mounts: Mounts,
    reached: ReachResult,
    judged: Judged,
    relays: Relays | None = None,
    s: Scene | None = None,
) -> ReachStudy:
    """All that is worked out once the mounts are judged.

    Parameters
    ----------
    site, plan
        The site in its frame, and the plan.
    mounts, reached
        All mounts (n), and their links.
    judged
        What was decided of them.
    relays
        Repeaters that may be used; none unless given.
    s
        The site's scene, where it is laid out already.

    Returns
    -------
    ReachStudy
        Views of links, coverage, cables and layouts, of the mounts that get a card.
    """
    m, row, keep = len(site.controllers), judged.row, judged.keep
    if row < 0 or not m:
        return ReachStudy(reached, row, {}, None, (), 0.0, (), None)
    s = s if s is not None else scene(site)
    some = relays if relays is not None else no_relays(len(mounts), m)
    if reached.runs is not None:
        reached = finer(site, plan, mounts, reached, [row])
    with ThreadPoolExecutor(1) as beside:  # routes are sought outside Python's lock
        wired = beside.submit(_wired, site, plan, mounts, reached, row)
        reached, found, held_with, feed = _shared(site, plan, mounts, reached, judged, some)
        seen: dict[int, tuple[LinkView, ...]] = {}
        covered: Coverage | None = None
        covered_from: tuple[int, ...] = (row,)  # the chosen mount and its partners
        if plan.sensor.link == "radio":
            best = found.best if found is not None and keep else None
            if best is not None and row in best.mounts:
                covered_from = tuple(dict.fromkeys((row, *best.mounts)))
            covered = _covered(site, plan, mounts, reached, covered_from, s)
            partners = (*best.mounts, *best.repeaters) if best is not None else ()
            highest_m = plan.requirements.max_height_m
            rows = list(dict.fromkeys((row, *partners, *judged.runners_up)))
            movable = judged.usable if judged.passing is None else judged.passing
            seen = views(site, s, mounts, reached, rows, movable, highest_m)
        runs, cell_m = wired.result()
    first = _first_served(found, reached, row)
    choices = tuple(_choice(reached, plan, row, k, runs[k], k == first) for k in range(m))
    return ReachStudy(reached, row, seen, covered, runs, cell_m, choices, found, held_with, feed, covered_from)


def _wired(
    site: Site, plan: Plan, mounts: Mounts, reached: ReachResult, row: int
) -> tuple[tuple[CableRun | None, ...], float]:
    """Cables from one mount to every controller, and the cells on which they were sought."""
    if reached.runs is not None:
        return reached.runs[row], reached.fine_cell_m or reached.cable_cell_m
    found, cell_m = cables_of(site, plan, mounts, [row])
    return found[0], cell_m


def _shared(
    site: Site, plan: Plan, mounts: Mounts, reached: ReachResult, judged: Judged, some: Relays
) -> tuple[ReachResult, Layouts | None, Floats, dict[int, int]]:
    """Who shares the controllers with the mount: `reached`, `layouts`, `held_with` and `fed_by` of the study."""
    m, row, usable = len(site.controllers), judged.row, judged.usable
    open_rows = np.flatnonzero(usable)
    if not len(open_rows):
        return reached, None, np.full(m, np.nan), {}
    kept = int(np.searchsorted(open_rows, row)) if judged.keep and usable[row] else None
    # partners are chosen by their links too
    links_too = (judged.preference + np.clip(reached.room, 0.0, 1.0).mean(axis=1)) / 2.0
    question = sharing(plan, reached, some, open_rows, links_too, place_prices(plan.prices, mounts))
    found = layouts(question, mounts.xyz[open_rows, :2], APART_M, kept, some.xyz[:, :2])
    if found.best is not None:
        reached = finer(site, plan, mounts, reached, open_rows[list(found.best.mounts)])
    found = _renumbered(found, open_rows, some, reached, row)
    held_with = _held_with(found.best, some, reached)
    if found.best is None:
        return reached, found, held_with, {}
    best = replace(found.best, bill=_bill(plan, mounts, reached, found.best, held_with))
    return reached, replace(found, best=best), held_with, feeders(best, some)


def _covered(
    site: Site, plan: Plan, mounts: Mounts, reached: ReachResult, rows: Sequence[int], s: Scene
) -> Coverage:
    """From some mounts together, for receivers as high as the plan's controllers."""
    section = plan.layers.controllers if plan.layers else None
    return coverage(
        site,
        s,
        mounts.xyz[list(rows)],
        mounts.height_m[list(rows)],
        reached,
        cell_m=plan.reach.coverage_cell_m,
        receiver_m=section.height_m if section else 1.5,
    )


def _bill(plan: Plan, mounts: Mounts, reached: ReachResult, best: Layout, held_with: Floats) -> Bill:
    """What to buy for a layout as it is shown: with its controllers' own links, and cables on fine cells."""
    posts = posts_of(mounts, (*best.mounts, *best.repeaters))
    if reached.runs is not None:
        return cable_bill(plan.prices, best.mounts, reached.runs, best.served_by, posts)
    hops = hops_to_test(best.served_by, best.by_repeater, held_with, reached.asked, reached.untold)
    served = np.flatnonzero(best.served)
    return radio_bill(plan.prices, len(best.mounts), len(best.repeaters), served, hops, len(hops), posts)


def feeders(best: Layout, some: Relays) -> dict[int, int]:
    """For each repeater of a layout, by its row, the row of the sensor that feeds it best."""
    mounts = np.array(best.mounts, np.int64)
    columns = {row: int(np.flatnonzero(some.rows == row)[0]) for row in best.repeaters}
    return {row: int(mounts[np.argmax(some.feed_odds[mounts, k])]) for row, k in columns.items()}


def _first_served(found: Layouts | None, reached: ReachResult, row: int) -> int:
    """The controller that takes the receiver sold with the sensor: the nearest that it serves; -1 for none."""
    serves = reached.radio_room[row] >= 0
    if found is not None and found.best is not None and (found.best.served_by == row).any():
        serves &= found.best.served_by == row
    return int(np.argmin(np.where(serves, reached.distance_m[row], np.inf))) if serves.any() else -1


def cables_of(site: Site, plan: Plan, mounts: Mounts, rows: Sequence[int]) -> tuple[Runs, float]:
    """Cables from some mounts to every controller, on the plan's own cells, or larger ones where the site is too
    large.

    Parameters
    ----------
    site, plan
        The site in its frame; prices, sensor and cells.
    mounts
        All of them.
    rows
        Those that get cables.

    Returns
    -------
    runs : tuple
        A row for each of `rows`, a cable or None for each controller.
    cell_m : float
        Of the grid.
    """
    there, up = site.controllers.xyz[:, :2], wired_height_m(site)
    grid = ground(site, plan.prices, plan.cable.cell_m, np.vstack([mounts.xyz[rows, :2], there]))
    wires = (plan.sensor, plan.cable, plan.prices)
    return tuple(
        tuple(cables(grid, mounts.xyz[k, :2], float(mounts.height_m[k]), there, up, *wires)) for k in rows
    ), grid.cell_m


def finer(site: Site, plan: Plan, mounts: Mounts, reached: ReachResult, rows: Sequence[int] | Ints) -> ReachResult:
    """The same links, with the cables of some mounts on fine cells, where all were sought on coarse ones.

    One search a controller for all mounts is quick only on coarse cells, where there are many controllers; what is
    shown and priced goes by fine ones.

    Parameters
    ----------
    site, plan
        The site in its frame; prices, sensor and cells.
    mounts, reached
        All mounts (n), and their links.
    rows
        Those sought again.

    Returns
    -------
    ReachResult
        `reached` itself where nothing is gained.
    """
    coarse = reached.runs is not None and reached.cable_cell_m > plan.cable.cell_m
    again = [int(k) for k in rows if k not in reached.fine]
    if not coarse or not again:
        return reached
    assert reached.runs is not None
    found, cell_m = cables_of(site, plan, mounts, again)
    better = dict(zip(again, found, strict=True))
    runs = tuple(better.get(k, run) for k, run in enumerate(reached.runs))
    return replace(reached, runs=runs, fine=(*reached.fine, *again), fine_cell_m=cell_m)


def _choice(reached: ReachResult, plan: Plan, row: int, k: int, run: CableRun | None, first: bool) -> Choice:
    """first: its receiver comes with the sensor."""
    p = plan.prices
    radio_ok = bool(reached.radio_room[row, k] >= 0)
    cable_price, cable_ok = (None, False) if run is None else (run.price, run.holds)
    if plan.sensor.link == "cable":
        return Choice(None, radio_ok, cable_price, cable_ok, "cable" if cable_ok else "")
    sure = reached.grade[row, k] == Grade.DEPENDABLE
    radio_price = (0.0 if first else p.receiver) + (0.0 if sure else p.link_test)
    offers = [(radio_price, "radio")] * radio_ok
    if cable_price is not None and cable_ok:
        offers.append((cable_price, "cable"))
    return Choice(radio_price, radio_ok, cable_price, cable_ok, min(offers)[1] if offers else "")


def _renumbered(found: Layouts, open_rows: Ints, some: Relays, reached: ReachResult, row: int) -> Layouts:
    """Rows of the question as rows of all mounts; each controller goes to the open mount with the most room.

    Of equals to `row`; one with a cable stays where its cable is cheapest; a repeater's to the repeater whose two
    hops hold best.
    """

    def rows(service: Layout | None) -> Layout | None:
        if service is None:
            return None
        mounts, repeaters = open_rows[list(service.mounts)], np.array(service.repeaters, np.int64)
        direct, relayed = service.served_by.copy(), service.by_repeater.copy()
        direct[direct >= 0] = open_rows[direct[direct >= 0]]
        order = np.concatenate([mounts[mounts == row], mounts[mounts != row]])
        for k in np.flatnonzero(direct >= 0) if reached.runs is None else ():
            direct[k] = order[np.argmax(reached.room[order, k])]
        chain = _chains(some, mounts, repeaters)
        for k in np.flatnonzero(relayed >= 0):
            relayed[k] = some.rows[repeaters[np.argmax(np.where(some.relay[repeaters, k], chain[:, k], -1.0))]]
        return Layout(
            tuple(map(int, mounts)),
            tuple(map(int, some.rows[repeaters])),
            service.price,
            direct,
            relayed,
            service.bill,
        )

    return replace(
        found,
        best=rows(found.best),
        freely=rows(found.freely),
        elsewhere=rows(found.elsewhere),
        fewer=rows(found.fewer),
        spare=int(open_rows[found.spare]) if found.spare >= 0 else -1,
    )


def _chains(some: Relays, mounts: Ints, repeaters: Ints) -> Floats:
    """(repeaters, m) probability that both hops hold, from the mount that feeds each repeater best."""
    if not len(repeaters) or not len(mounts):
        return np.zeros((len(repeaters), some.relay.shape[1]))
    feed = some.feed_odds[np.ix_(mounts, repeaters)].max(axis=0)
    return np.asarray(feed[:, None] * some.relay_odds[repeaters])


def _held_with(best: Layout | None, some: Relays, reached: ReachResult) -> Floats:
    """(m,) as in `ReachStudy`."""
    m = reached.distance_m.shape[1]
    out = np.full(m, np.nan)
    if best is None or reached.runs is not None:
        return out
    rows = np.array([int(np.flatnonzero(some.rows == k)[0]) for k in best.repeaters], np.int64)
    chain = _chains(some, np.array(best.mounts, np.int64), rows)
    for k in range(m):
        if best.served_by[k] >= 0:
            out[k] = reached.links.probability[best.served_by[k], k]
        elif best.by_repeater[k] >= 0:
            out[k] = chain[best.repeaters.index(int(best.by_repeater[k])), k]
    return out
