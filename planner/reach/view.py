"""One link in full: what it meets by name, each loss, a side view, and the one change that would help most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from planner.mounts import Mounts
from planner.reach.diffraction import IN_IT, NEAR_M, standing
from planner.reach.link import Grade, ReachResult, controller_height_m, grade, holding, links, on_the_way
from planner.reach.profile import BUILDING, CROWN, Line, Profiles, trace
from planner.reach.scene import Scene
from planner.site import Bools, Floats, Ints, Site
from planner.units import Units, length

RAISE_M = (1.0, 2.0, 3.0)  # a longer mast: more than that wants guys
LIFT_M = 1.5  # a receiver that much higher on its wall is still in reach of a step ladder
MOVE_M = 30.0  # along the same eave, parapet or wall
STAND_OFF_M = 0.3  # a receiver outside the wall
WORTH_DB = 1.0  # a change that brings less is not worth the ladder
AS_GOOD_DB = 1.5  # of two changes this near to one another the easier one is said


@dataclass(frozen=True)
class Piece:
    """Something on the line: metres from the mount on plan, and heights in the frame."""

    name: str
    kind: int
    start_m: float
    stop_m: float
    base_m: float
    top_m: float
    in_the_way: bool


@dataclass(frozen=True)
class Change:
    """One change, in words; what it gains, and the probability and grade that the link has then."""

    what: str
    gain_db: float
    probability: float
    grade: int


@dataclass(frozen=True)
class LinkView:
    """The link from one mount to one controller.

    met: names of the buildings and crowns in the way, in order; said: what takes decibels, in words; losses: (what,
    dB) in the order of the path's sum. plan_m: length on plan; head_m, receiver_m: heights of both ends in the
    frame. ground: (k, 2) metres along and height.
    change: None where the link is dependable as it is, or nothing tried gains a decibel.
    """

    mount: int
    controller: int
    met: tuple[str, ...]
    said: tuple[str, ...]
    losses: tuple[tuple[str, float], ...]
    plan_m: float
    head_m: float
    receiver_m: float
    ground: Floats
    pieces: tuple[Piece, ...]
    wavelength_m: float
    indoors: bool
    change: Change | None


def views(
    site: Site,
    s: Scene,
    mounts: Mounts,
    reached: ReachResult,
    rows: Sequence[int],
    usable: Bools,
    units: Units,
    highest_m: float = np.inf,
) -> dict[int, tuple[LinkView, ...]]:
    """Every link of some mounts, by mount.

    usable: (n,) mounts that the sensor may be moved to; highest_m: head above ground that can be serviced.
    """
    m = len(site.controllers)
    if not m:
        return dict.fromkeys(rows, ())
    up, inside = controller_height_m(site), holding(site)
    out = {}
    for row in rows:
        a = np.broadcast_to(mounts.xyz[row], (m, 3))
        met = trace(s, a, site.controllers.xyz)
        changes = _changes(site, s, mounts, reached, row, usable, up, inside, units, highest_m)
        out[row] = tuple(
            _view(site, met, mounts, reached, row, k, int(inside[k]), changes[k], units) for k in range(m)
        )
    return out


def _view(
    site: Site,
    met: Profiles,
    mounts: Mounts,
    reached: ReachResult,
    row: int,
    k: int,
    inside: int,
    change: Change | None,
    units: Units,
) -> LinkView:
    head, there = mounts.xyz[row], site.controllers.xyz[k]
    plan_m = float(np.hypot(*(there - head)[:2]))
    space_m = float(np.sqrt(((there - head) ** 2).sum()))
    share = plan_m / max(space_m, 1e-9)
    line = Line(*map(float, (*head, *(there - head), plan_m, space_m)))
    pieces = []
    for i in range(met.first[k], met.first[k + 1]):
        kind, of = int(met.kind[i]), int(met.row[i])
        start, stop = float(met.enter_m[i]) * share, float(met.leave_m[i]) * share
        if kind == BUILDING:
            name, base, top = site.buildings.names[of], site.buildings.base_m[of], site.buildings.top_m[of]
            u, w = float(met.enter_m[i]) / space_m, float(met.leave_m[i]) / space_m
            stands = standing(base, top, u, w, line, of == inside)
            blocks = plan_m >= NEAR_M and stands == IN_IT
            if blocks and of == inside:
                name = f"{name} (another wing)"
        elif kind == CROWN:
            c = site.crowns
            name, base, top = (
                c.names[of],
                c.centre[of, 2] - c.half_height_m[of],
                c.centre[of, 2] + c.half_height_m[of],
            )
            blocks = True
        else:
            p = site.crown_prisms
            name, base, top = p.names[of], p.base_m[of], p.top_m[of]
            blocks = True
        pieces.append(Piece(name, kind, start, stop, float(base), float(top), bool(blocks)))
    names = dict.fromkeys(p.name for p in pieces if p.in_the_way)
    steps = met.ground_m[met.ground_first[k] : met.ground_first[k + 1]]
    ground = np.column_stack([np.linspace(0.0, plan_m, len(steps)), steps])
    found, at = reached.links, (row, k)
    obstacle = "over flat ground"
    if found.diffraction_db[at] >= found.ground_db[at]:
        # most of it from the ground, or from roofs and buildings
        ridge = not found.crossed[at] and found.ridge_db[at] >= 0.5 * found.diffraction_db[at]
        over = "over what the surface model shows" if reached.surface else "over the ground"
        obstacle = over if ridge else "past what is in the way"
    blocks, crowns = (
        _few(list(dict.fromkeys(p.name for p in pieces if p.in_the_way and (p.kind == BUILDING) == built)))
        for built in (True, False)
    )
    indoors = bool(site.controllers.indoors[k])
    said = on_the_way(found, at, indoors, reached.surface, units, blocks, crowns)
    losses = [
        ("free space", float(found.free_space_db[at])),
        (obstacle, float(found.obstacle_db[at])),
        ("tree canopies in leaf", float(found.foliage_db[at])),
        ("walls around the receiver", float(found.entry_db[at])),
    ]
    return LinkView(
        row,
        k,
        tuple(names),
        tuple(said),
        tuple((name, db) for name, db in losses if db >= 0.05),
        plan_m,
        float(head[2]),
        float(there[2]),
        ground,
        tuple(pieces),
        reached.radio.wavelength_m,
        indoors,
        change,
    )


def _few(names: list[str]) -> str:
    if len(names) <= 2:
        return " and ".join(names)
    return f"{names[0]}, {names[1]} and {len(names) - 2} more"


def _changes(
    site: Site,
    s: Scene,
    mounts: Mounts,
    reached: ReachResult,
    row: int,
    usable: Bools,
    up: Floats,
    inside: Ints,
    units: Units,
    highest_m: float,
) -> list[Change | None]:
    """For each controller the change that helps most, the easier one where two are as good."""
    m = len(site.controllers)
    told: list[tuple[int, str]] = []
    a, ha, b, hb, hold, within, extra = [], [], [], [], [], [], []

    def attempt(k: int, words: str, head: Floats, receiver: Floats, inside_of: int, indoors: bool) -> None:
        told.append((k, words))
        a.append(head)
        ha.append(float(head[2] - site.ground_at(head[:2])))
        b.append(receiver)
        hb.append(float(up[k] + receiver[2] - site.controllers.xyz[k, 2]))
        hold.append(inside_of)
        within.append(indoors)
        extra.append(float(stated[k]) if indoors == site.controllers.indoors[k] else 0.0)

    head, stated = mounts.xyz[row], site.controllers.extra_loss_db
    near = _along_the_same(mounts, row, usable)
    for k in range(m):
        there, indoors, of = site.controllers.xyz[k], bool(site.controllers.indoors[k]), int(inside[k])
        if indoors:
            outside = _outside(site, of, there, head)
            if outside is not None:
                attempt(k, "put the receiver on the outer wall that faces the mount", head, outside, -1, False)
        for other in near:
            far = length(float(np.hypot(*(mounts.xyz[other] - head)[:2])), units)
            attempt(
                k, f"move the sensor {far} along, to {mounts.ids[other]}", mounts.xyz[other], there, of, indoors
            )
        for more in RAISE_M:
            if mounts.height_m[row] + more > highest_m:
                break
            higher = head + np.array([0.0, 0.0, more])
            attempt(k, f"raise the sensor by {length(more, units)}", higher, there, of, indoors)
        if site.controllers.depth_m[k] > 0:
            continue
        lifted = there + np.array([0.0, 0.0, LIFT_M])
        attempt(k, f"raise the receiver by {length(LIFT_M, units)}", head, lifted, of, indoors)
    tried = links(
        s,
        np.array(a),
        np.array(ha),
        np.array(b),
        np.array(hb),
        np.array(hold, np.int64),
        np.array(within),
        reached.radio,
        np.array(extra),
    )
    best: list[Change | None] = [None] * m
    of_controller = np.array([k for k, _ in told])
    for k in range(m):
        if reached.grade[row, k] == Grade.DEPENDABLE:
            continue
        rows = np.flatnonzero(of_controller == k)
        gain = tried.margin_db[rows] - reached.links.margin_db[row, k]
        pick = rows[np.flatnonzero(gain >= gain.max() - AS_GOOD_DB)[0]]
        won = float(tried.margin_db[pick] - reached.links.margin_db[row, k])
        if won >= WORTH_DB:
            p = float(tried.probability[pick])
            mark = int(grade(p, reached.asked, float(tried.distance_m[pick]), reached.usable_m))
            best[k] = Change(told[pick][1], won, p, mark)
    return best


def _along_the_same(mounts: Mounts, row: int, usable: Bools) -> list[int]:
    """Other candidates on the same building and kind of support, near and usable."""
    if mounts.building[row] < 0:
        return []
    away = np.hypot(*(mounts.xyz - mounts.xyz[row])[:, :2].T)
    same = (mounts.building == mounts.building[row]) & usable & (away > 0.1) & (away <= MOVE_M)
    return [int(k) for k in np.flatnonzero(same) if mounts.support[k] == mounts.support[row]]


def _outside(site: Site, building: int, there: Floats, head: Floats) -> Floats | None:
    """The place outside a building's wall where the line from a receiver indoors to the head leaves it."""
    if building < 0:
        return None
    shape = site.buildings.shapes[building]
    out = shapely.LineString([there[:2], head[:2]]).difference(shape)
    if out.is_empty:  # the mount stands on the same building: the wall nearest to the receiver
        ring = shape.boundary
        near = np.asarray(ring.interpolate(ring.project(shapely.Point(there[:2]))).coords)[0]
        away = near - there[:2]
        xy = near + STAND_OFF_M * away / max(float(np.hypot(*away)), 1e-9)
    else:
        first = shapely.get_coordinates(shapely.get_parts(out))[0]
        on = head[:2] - there[:2]
        xy = first + STAND_OFF_M * on / max(float(np.hypot(*on)), 1e-9)
    return np.array([xy[0], xy[1], there[2]])
