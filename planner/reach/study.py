"""All that is worked out once the mount is decided: links in full, coverage, fewest sensors, cables, and which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner import plan
from planner.mounts import Mounts, Support
from planner.reach.cable import CableRun, Ground, cables, ground
from planner.reach.cover import Coverage, coverage
from planner.reach.link import Grade, ReachResult, controller_height_m, links, margin
from planner.reach.profile import Scene, scene
from planner.reach.serve import Plans, Service, plans, question
from planner.reach.view import LinkView, views
from planner.site import Bools, Floats, Ints, Site

APART_M = 30.0  # a plan elsewhere uses no place nearer than this; repeaters are tried this far apart


@dataclass(frozen=True)
class Choice:
    """Radio or cable for one controller.

    radio_price: a receiver, and a test of the link where it is not dependable; cable_price: None where there is
    no route. radio_ok, cable_ok: it meets what is asked. use: "radio", "cable" or "" where neither does.
    """

    radio_price: float
    radio_ok: bool
    cable_price: float | None
    cable_ok: bool
    use: str


@dataclass(frozen=True)
class ReachStudy:
    """What was worked out for the chosen mount and the runners-up.

    views: links in full, by mount. coverage, ground, cables (by controller), choices: of the chosen mount; None
    and empty where none is chosen. plans: the fewest sensors, None where there is nothing to reach or the link is
    a cable; candidates: mounts that pass every gate but reach. repeaters: rows of mounts that were tried as
    places of repeaters.
    """

    views: dict[int, tuple[LinkView, ...]]
    coverage: Coverage | None
    ground: Ground | None
    cables: tuple[CableRun | None, ...]
    choices: tuple[Choice, ...]
    plans: Plans | None
    candidates: Bools
    repeaters: Ints


def study(
    site: Site,
    settings: plan.Plan,
    mounts: Mounts,
    reached: ReachResult,
    chosen: int,
    runners_up: Sequence[int],
    usable: Bools,
    preference: Floats,
    places: Bools,
) -> ReachStudy:
    """usable: (n,) mounts that pass every gate but reach; preference: (n,) 0 to 1, how good they are otherwise.

    places: (n,) mounts that may be got at, whatever their sun: good enough for a repeater.
    """
    m = len(site.controllers)
    s = scene(site)
    rows = [k for k in (chosen, *runners_up) if k >= 0]
    radio_link = settings.sensor.link == "radio"
    seen = views(site, s, mounts, reached, rows, usable, settings.units) if radio_link and m else {}
    receiver_m = settings.layers.controllers.height_m if settings.layers and settings.layers.controllers else 1.5
    covered = grid = None
    runs: tuple[CableRun | None, ...] = ()
    choices: tuple[Choice, ...] = ()
    if chosen >= 0 and m:
        xyz = mounts.xyz[chosen]
        if radio_link:
            covered = coverage(
                site,
                s,
                xyz,
                float(mounts.height_m[chosen]),
                reached.radio,
                cell_m=settings.reach.coverage_cell_m,
                receiver_m=receiver_m,
                asked=reached.asked,
                usable_m=settings.gates.range_used * settings.sensor.rated_range_m,
            )
        there = site.controllers.xyz
        grid = ground(site, settings.prices, settings.cable.cell_m, np.vstack([xyz[:2], there[:, :2]]))
        runs = tuple(
            cables(
                grid,
                xyz[:2],
                float(mounts.height_m[chosen]),
                there[:, :2],
                controller_height_m(site),
                settings.sensor,
                settings.cable,
                settings.prices,
                settings.units,
            )
        )
        choices = tuple(_choice(reached, settings, chosen, k, runs[k]) for k in range(m))
    found, repeaters = None, np.empty(0, np.int64)
    if m and radio_link and usable.any():
        better = np.array(preference, float)
        if chosen >= 0:
            better[chosen] = 3.0  # among plans of one price, one that keeps the chosen mount
        found, repeaters = _fewest(s, settings, mounts, reached, usable, better, places)
    return ReachStudy(seen, covered, grid, runs, choices, found, usable, repeaters)


def _choice(reached: ReachResult, settings: plan.Plan, row: int, k: int, run: CableRun | None) -> Choice:
    p = settings.prices
    room = margin(reached, settings.sensor.model_copy(update={"link": "radio"}), settings.gates.range_used)
    radio_ok = bool(room[row, k] >= 0)
    sure = reached.grade[row, k] == Grade.DEPENDABLE
    radio_price = p.receiver + (0.0 if sure else p.link_test)
    cable_ok = run is not None and run.holds
    offers = [(radio_price, "radio")] * radio_ok
    if run is not None and cable_ok:
        offers.append((run.price, "cable"))
    return Choice(
        radio_price, radio_ok, None if run is None else run.price, cable_ok, min(offers)[1] if offers else ""
    )


def _fewest(
    s: Scene,
    settings: plan.Plan,
    mounts: Mounts,
    reached: ReachResult,
    usable: Bools,
    preference: Floats,
    places: Bools,
) -> tuple[Plans, Ints]:
    """The plans over usable mounts; rows in them are rows of `mounts`."""
    open_rows = np.flatnonzero(usable)
    used = settings.gates.range_used
    holds = margin(reached, settings.sensor, used)[open_rows] >= 0
    most = settings.reach.repeaters
    tried = _thinned(mounts, np.flatnonzero(places)) if most else np.empty(0, np.int64)
    relay = feed = None
    if len(tried):
        relay = margin(reached, settings.sensor, used)[tried] >= 0
        pairs = len(open_rows) * len(tried)
        a, b = np.repeat(open_rows, len(tried)), np.tile(tried, len(open_rows))
        between = links(
            s,
            mounts.xyz[a],
            mounts.height_m[a],
            mounts.xyz[b],
            mounts.height_m[b],
            np.full(pairs, -1, np.int64),
            np.zeros(pairs, bool),
            reached.radio,
        )
        far = between.distance_m > used * settings.sensor.rated_range_m
        feed = ((between.probability >= reached.asked) & ~far).reshape(len(open_rows), len(tried))
    found = plans(
        question(
            holds,
            settings.prices.sensor,
            preference[open_rows],
            relay,
            feed,
            settings.prices.repeater,
            most,
        ),
        mounts.xyz[open_rows, :2],
        APART_M,
    )
    return _renumbered(found, open_rows, tried), tried


def _thinned(mounts: Mounts, rows: Ints) -> Ints:
    """Places for repeaters: poles first, each APART_M from the others."""
    order = sorted(rows, key=lambda k: mounts.support[k] is not Support.POLE)
    kept: list[int] = []
    for k in order:
        if all(np.hypot(*(mounts.xyz[k] - mounts.xyz[j])[:2]) >= APART_M for j in kept):
            kept.append(int(k))
    return np.array(kept, np.int64)


def _renumbered(found: Plans, open_rows: Ints, tried: Ints) -> Plans:
    """Rows of the question as rows of all mounts."""

    def rows(service: Service | None) -> Service | None:
        if service is None:
            return None
        by, relayed = service.served_by, service.by_repeater
        return Service(
            tuple(int(open_rows[k]) for k in service.mounts),
            tuple(int(tried[k]) for k in service.repeaters),
            service.price,
            np.where(by >= 0, open_rows[by], -1),
            np.where(relayed >= 0, tried[relayed], -1) if len(tried) else relayed,
        )

    return replace(
        found,
        best=rows(found.best),
        elsewhere=rows(found.elsewhere),
        fewer=rows(found.fewer),
        partial=rows(found.partial),
        spare=int(open_rows[found.spare]) if found.spare >= 0 else -1,
    )
