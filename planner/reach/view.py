"""One link in full: what it meets, each loss, what a side view needs, and the one change that would help most."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import shapely

from planner.mounts import Mounts
from planner.reach.diffraction import IN_IT, NEAR_M, standing
from planner.reach.link import Grade, ReachResult, Receivers, controller_height_m, grade, holding, links
from planner.reach.profile import BUILDING, CROWN, Line, Profiles, trace
from planner.reach.scene import Scene
from planner.site import Bools, Floats, Ints, Site

RAISE_M = (1.0, 2.0, 3.0)  # a longer mast: more than that wants guys
LIFT_M = 1.5  # a receiver that much higher on its wall is still in reach of a step ladder
MOVE_M = 30.0  # along the same eave, parapet or wall
STAND_OFF_M = 0.3  # a receiver outside the wall
WORTH_DB = 1.0  # a change that brings less is not worth the ladder
AS_GOOD_DB = 1.5  # of two changes this near to one another the easier one is said


class Takes(StrEnum):
    """What takes a link's decibels; of GROUND_FLAT, GROUND, SURFACE and OBSTACLES the one that counts."""

    FREE_SPACE = "free_space"
    GROUND_FLAT = "ground_flat"
    GROUND = "ground"
    SURFACE = "surface"
    OBSTACLES = "obstacles"
    FOLIAGE = "foliage"
    ENTRY = "entry"


class Remedy(StrEnum):
    """What may be changed about a link."""

    RECEIVER_OUTSIDE = "receiver_outside"
    SENSOR_ALONG = "sensor_along"
    SENSOR_HIGHER = "sensor_higher"
    RECEIVER_HIGHER = "receiver_higher"


@dataclass(frozen=True)
class Piece:
    """Something on the line: metres from the mount on plan, and heights in the frame.

    wing: another part of the building that the receiver is in.
    """

    name: str
    kind: int
    start_m: float
    stop_m: float
    base_m: float
    top_m: float
    in_the_way: bool
    wing: bool = False


@dataclass(frozen=True)
class Change:
    """One change: by how much (0 where that is no matter), to which mount (-1: none); what it gains, and the
    probability and grade that the link has then."""

    remedy: Remedy
    by_m: float
    to: int
    gain_db: float
    probability: float
    grade: Grade


@dataclass(frozen=True)
class LinkView:
    """The link from one mount to one controller.

    losses: (what, dB) in the order of the path's sum. plan_m: length on plan; head_m, receiver_m: heights of both
    ends in the frame. ground: (k, 2) metres along and height. pieces: what the line meets, in order.
    change: None where the link is dependable as it is, or nothing tried gains a decibel.
    """

    mount: int
    controller: int
    losses: tuple[tuple[Takes, float], ...]
    plan_m: float
    head_m: float
    receiver_m: float
    ground: Floats
    pieces: tuple[Piece, ...]
    wavelength_m: float
    indoors: bool
    change: Change | None

    @property
    def met(self) -> tuple[Piece, ...]:
        """Buildings and crowns in the way, each name once."""
        first: dict[tuple[str, bool], Piece] = {}
        for piece in self.pieces:
            if piece.in_the_way:
                first.setdefault((piece.name, piece.wing), piece)
        return tuple(first.values())


def views(
    site: Site,
    s: Scene,
    mounts: Mounts,
    reached: ReachResult,
    rows: Sequence[int],
    usable: Bools,
    highest_m: float = np.inf,
) -> dict[int, tuple[LinkView, ...]]:
    """Every link of some mounts, by mount.

    usable: (n,) mounts that the sensor may be moved to; highest_m: head above ground that can be serviced.
    """
    m = len(site.controllers)
    if not m:
        return dict.fromkeys(rows, ())
    inside = holding(site)
    out = {}
    for row in rows:
        a = np.broadcast_to(mounts.xyz[row], (m, 3))
        met = trace(s, a, site.controllers.xyz)
        changes = _changes(site, s, mounts, reached, row, usable, inside, highest_m)
        out[row] = tuple(_view(site, met, mounts, reached, row, k, int(inside[k]), changes[k]) for k in range(m))
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
) -> LinkView:
    head, there = mounts.xyz[row], site.controllers.xyz[k]
    plan_m = float(np.hypot(*(there - head)[:2]))
    space_m = float(np.sqrt(((there - head) ** 2).sum()))
    share = plan_m / max(space_m, 1e-9)
    line = Line(*map(float, (*head, *(there - head), plan_m, space_m)))
    pieces = []
    for i in range(met.first[k], met.first[k + 1]):
        kind, of, wing = int(met.kind[i]), int(met.row[i]), False
        start, stop = float(met.enter_m[i]) * share, float(met.leave_m[i]) * share
        if kind == BUILDING:
            name, base, top = site.buildings.names[of], site.buildings.base_m[of], site.buildings.top_m[of]
            u, w = float(met.enter_m[i]) / space_m, float(met.leave_m[i]) / space_m
            stands = standing(base, top, u, w, line, of == inside)
            blocks = plan_m >= NEAR_M and stands == IN_IT
            wing = bool(blocks and of == inside)
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
        pieces.append(Piece(name, kind, start, stop, float(base), float(top), bool(blocks), wing))
    steps = met.ground_m[met.ground_first[k] : met.ground_first[k + 1]]
    ground = np.column_stack([np.linspace(0.0, plan_m, len(steps)), steps])
    found, at = reached.links, (row, k)
    obstacle = Takes.GROUND_FLAT
    if found.diffraction_db[at] >= found.ground_db[at]:
        # most of it from the ground, or from roofs and buildings
        ridge = not found.crossed[at] and found.ridge_db[at] >= 0.5 * found.diffraction_db[at]
        over = Takes.SURFACE if reached.surface else Takes.GROUND
        obstacle = over if ridge else Takes.OBSTACLES
    losses = (
        (Takes.FREE_SPACE, float(found.free_space_db[at])),
        (obstacle, float(found.obstacle_db[at])),
        (Takes.FOLIAGE, float(found.foliage_db[at])),
        (Takes.ENTRY, float(found.entry_db[at])),
    )
    return LinkView(
        row,
        k,
        tuple((what, db) for what, db in losses if db >= 0.05),
        plan_m,
        float(head[2]),
        float(there[2]),
        ground,
        tuple(pieces),
        reached.radio.wavelength_m,
        bool(site.controllers.indoors[k]),
        change,
    )


@dataclass(frozen=True)
class _Trial:
    """A controller's link changed: how, and where its ends are then; inside: row of the receiver's building."""

    controller: int
    remedy: Remedy
    by_m: float
    to: int
    head: Floats
    receiver: Floats
    inside: int
    indoors: bool


def _trials(
    site: Site, mounts: Mounts, row: int, usable: Bools, inside: Ints, highest_m: float
) -> Iterator[_Trial]:
    """What may be changed about each controller's link, the easiest first."""
    head = mounts.xyz[row]
    near = _along_the_same(mounts, row, usable)
    for k, there in enumerate(site.controllers.xyz):
        indoors, of = bool(site.controllers.indoors[k]), int(inside[k])
        outside = _outside(site, of, there, head) if indoors else None
        if outside is not None:
            yield _Trial(k, Remedy.RECEIVER_OUTSIDE, 0.0, -1, head, outside, -1, False)
        for other in near:
            beside = mounts.xyz[other]
            yield _Trial(
                k, Remedy.SENSOR_ALONG, float(np.hypot(*(beside - head)[:2])), other, beside, there, of, indoors
            )
        for more in RAISE_M:
            if mounts.height_m[row] + more <= highest_m:
                higher = head + np.array([0.0, 0.0, more])
                yield _Trial(k, Remedy.SENSOR_HIGHER, more, -1, higher, there, of, indoors)
        if site.controllers.depth_m[k] <= 0:
            lifted = there + np.array([0.0, 0.0, LIFT_M])
            yield _Trial(k, Remedy.RECEIVER_HIGHER, LIFT_M, -1, head, lifted, of, indoors)


def _changes(
    site: Site,
    s: Scene,
    mounts: Mounts,
    reached: ReachResult,
    row: int,
    usable: Bools,
    inside: Ints,
    highest_m: float,
) -> list[Change | None]:
    """For each controller the change that helps most, the easier one where two are as good."""
    at = site.controllers
    best: list[Change | None] = [None] * len(at)
    trials = list(_trials(site, mounts, row, usable, inside, highest_m))
    if not trials:
        return best
    of = np.array([t.controller for t in trials])
    heads, receivers = (np.array([getattr(t, end) for t in trials]) for end in ("head", "receiver"))
    indoors = np.array([t.indoors for t in trials])
    tried = links(
        s,
        heads,
        heads[:, 2] - site.ground_at(heads[:, :2]),
        Receivers(
            receivers,
            controller_height_m(site)[of] + receivers[:, 2] - at.xyz[of, 2],
            np.array([t.inside for t in trials], np.int64),
            indoors,
            # what a plan says of a place indoors holds there alone
            np.where(indoors == at.indoors[of], at.extra_loss_db[of], 0.0),
        ),
        reached.radio,
    )
    for k in range(len(at)):
        rows = np.flatnonzero(of == k)
        if reached.grade[row, k] == Grade.DEPENDABLE or not len(rows):
            continue
        gain = tried.margin_db[rows] - reached.links.margin_db[row, k]
        pick = rows[np.flatnonzero(gain >= gain.max() - AS_GOOD_DB)[0]]
        won = float(tried.margin_db[pick] - reached.links.margin_db[row, k])
        if won >= WORTH_DB:
            p = float(tried.probability[pick])
            mark = Grade(int(grade(p, reached.asked, float(tried.distance_m[pick]), reached.usable_m)))
            best[k] = Change(trials[pick].remedy, trials[pick].by_m, trials[pick].to, won, p, mark)
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
