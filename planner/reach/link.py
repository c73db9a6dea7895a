"""Links: the margin of every mount and controller with its spread, the probability that it holds, a grade.

margin = what the radio allows - what is kept in hand for fading - what the path takes

The path takes free space, and on top the larger of the flat ground's two-ray excess and the diffraction over or
round what stands in the way; then foliage, then the walls round a receiver indoors. The spread is that of the
estimate, not of the weather: a normal distribution round the margin, its parts added as squares.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from functools import cached_property

import numpy as np
import shapely

from planner.plan import Plan
from planner.reach import radio as physics
from planner.reach.cable import Runs, every_cable
from planner.reach.diffraction import Obstruction, diffract
from planner.reach.radio import Radio, radio, rated_m, usable_m
from planner.reach.scene import Scene, scene
from planner.records import compared
from planner.site import Bools, Floats, Ints, Site

FULL_ROOM_DB = 20.0  # beyond what is asked; more margin than that buys nothing: common practice, no source
DEPENDABLE = 0.5  # of the way from the asked probability to certainty
HOPELESS_DB = 25.0  # what lacks more than that is no link, and how much more is not reckoned
LOWEST_M = 0.3  # antennas lower than this are reckoned at this height over the ground


class Grade(IntEnum):
    """How far a link can be leaned on, by the probability that it holds."""

    NONE = 0  # more likely not than so
    DOUBTFUL = 1  # below what is asked
    LIKELY = 2  # as asked
    DEPENDABLE = 3  # halfway from what is asked to certainty, and more


@compared
@dataclass(frozen=True)
class Links:
    """Links of any shape, decibels unless the name says otherwise.

    ground_db: what the two-ray law over flat ground adds to free space; diffraction_db: past what stands in the
    way, by all ways together; `way` carries most (OVER, LEFT, RIGHT seen from the mount, THROUGH: each wall by
    P.2109);
    obstacle_db: the larger of the two, which counts. foliage_db: crowns in leaf, foliage_bare_db the same
    leafless. entry_db: walls round a receiver indoors. margin_db may be negative; spread_db its standard
    deviation towards zero, the side that decides; probability that the link holds.
    clearance: least height of the line over buildings and ground in radii of the first Fresnel zone.
    ridge_db, ridge_clearance: diffraction and clearance over the ground (or the surface model) alone.
    crossed: buildings that the straight line goes through; walls: walls and roofs of these, two for each wing.
    canopy_m: metres inside the crowns of a canopy layer; unknown_m: metres over ground that no layer knows.
    """

    distance_m: Floats
    free_space_db: Floats
    ground_db: Floats
    diffraction_db: Floats
    way: Ints
    foliage_db: Floats
    foliage_bare_db: Floats
    entry_db: Floats
    margin_db: Floats
    spread_db: Floats
    probability: Floats
    clearance: Floats
    ridge_db: Floats
    ridge_clearance: Floats
    crossed: Ints
    walls: Ints
    canopy_m: Floats
    unknown_m: Floats

    @property
    def obstacle_db(self) -> Floats:
        return np.asarray(np.maximum(self.ground_db, self.diffraction_db))

    @property
    def loss_db(self) -> Floats:
        return np.asarray(self.free_space_db + self.obstacle_db + self.foliage_db + self.entry_db)

    @property
    def bare_margin_db(self) -> Floats:
        """The margin when deciduous crowns are leafless."""
        return np.asarray(self.margin_db + self.foliage_db - self.foliage_bare_db)

    def reshape(self, *shape: int) -> Links:
        return Links(**{name: getattr(self, name).reshape(*shape) for name in self.__dataclass_fields__})


@dataclass(frozen=True)
class Receivers:
    """The far ends of n links.

    xyz (n, 3) in the frame; height_m (n,) above the ground there. inside (n,): row of the building that a receiver
    indoors is in, -1 for none: the walls round it are reckoned by entry loss and not as an obstacle, another wing
    in the way as any building. indoors (n,): receivers behind walls, even where no footprint holds them.
    extra_loss_db (n,): on top of that, as the plan's layers say.
    """

    xyz: Floats
    height_m: Floats
    inside: Ints
    indoors: Bools
    extra_loss_db: Floats


def outdoors(xyz: Floats, height_m: Floats) -> Receivers:
    """Receivers (n, 3) in the open, (n,) metres above the ground."""
    n = len(xyz)
    return Receivers(xyz, height_m, np.full(n, -1, np.int64), np.zeros(n, bool), np.zeros(n))


def links(s: Scene, xyz: Floats, height_m: Floats, to: Receivers, r: Radio) -> Links:
    """Links from (n, 3) heads, (n,) metres above the ground, to as many receivers, each to its own."""
    a, b = (np.asarray(p, float).reshape(-1, 3) for p in (xyz, to.xyz))
    offset = b - a
    plan_m = np.hypot(offset[:, 0], offset[:, 1])
    distance = np.maximum(np.sqrt((offset**2).sum(axis=1)), 0.1)
    free = physics.free_space_db(distance, r.f_mhz)
    most_db = np.maximum(r.allowed_db - free, 0.0) + HOPELESS_DB
    met = diffract(s, a, b, r.wavelength_m, to.inside, r.building_db, most_db)
    # over a valley the ground that reflects lies deeper than the ground beneath either end
    up_a, up_b = (
        np.maximum(np.asarray(h, float), LOWEST_M) + np.maximum(sunk, 0.0)
        for h, sunk in ((height_m, met.sunk_a_m), (to.height_m, met.sunk_b_m))
    )
    ground = np.asarray(physics.open_field_db(distance, up_a, up_b, r.f_mhz) - free)
    foliage = physics.foliage_db(met.crown_m, r.f_mhz)
    bare = foliage * _leafless(met.crown_m, met.crown_evergreen_m)
    rise = np.degrees(np.arctan2(np.abs(offset[:, 2]), np.maximum(plan_m, 1e-9)))
    steeper_db = physics.entry_db(0.5, r.f_mhz, r.building, rise) - physics.entry_db(0.5, r.f_mhz, r.building)
    entry = np.where(to.indoors, r.entry_db + steeper_db, 0.0) + to.extra_loss_db
    obstacle = np.maximum(ground, met.past_db)
    margin_db = r.allowed_db - r.fade_db - (free + obstacle + foliage + entry)
    walls = np.where(to.indoors, r.entry_spread_db, 0.0)
    spread = _spread(met, margin_db, obstacle, ground, foliage, walls, r)
    return Links(
        distance,
        free,
        ground,
        met.past_db,
        met.way,
        foliage,
        bare,
        entry,
        margin_db,
        spread,
        physics.normal_below(margin_db / spread),
        met.clearance,
        met.ridge_db,
        met.ridge_clearance,
        met.crossed,
        met.walls,
        met.canopy_m,
        met.unknown_m,
    )


def _spread(
    met: Obstruction,
    margin_db: Floats,
    obstacle_db: Floats,
    ground_db: Floats,
    foliage_db: Floats,
    entry_spread_db: Floats,
    r: Radio,
) -> Floats:
    """Standard deviation of the margin, decibels: no obstacle more, and no higher one, makes a link likelier by it.

    What stands in the way brings a spread of its own, all of it from a roof that touches the line and a little
    more. A link that holds by the reckoning is as likely as the surer of two accounts says, each of which only
    falls with an obstacle: without the ways through walls, whose spread is the largest there is, or with all ways
    and that spread. One that does not hold is judged by what obstacles might have taken of it: a single edge of
    that size, crowns of that size.
    """
    room_db = margin_db + obstacle_db
    leaves = physics.FOLIAGE_SPREAD * np.minimum(foliage_db, np.maximum(margin_db + foliage_db, 0.0))
    own = np.sqrt(physics.CLEAR_SPREAD_DB**2 + r.allowed_spread_db**2 + leaves**2 + entry_spread_db**2)
    beyond = np.hypot(own, _roofs_spread_db(np.maximum(room_db - ground_db, 0.0), 1))

    outside_db = room_db - np.maximum(ground_db, met.outside_db)
    outside = np.hypot(own, _roofs_spread_db(met.outside_db, met.edges))
    walled = r.building_spread_db * np.sqrt(np.clip(met.past_db / r.building_db, 0.0, met.walls))
    every = np.hypot(own, np.maximum(_roofs_spread_db(met.past_db, met.edges), walled))
    held = outside_db > 0.0
    surer = np.minimum(every, outside * margin_db / np.where(held, outside_db, 1.0))
    return np.asarray(np.where(margin_db < 0.0, beyond, np.where(held, surer, every)))


def _roofs_spread_db(loss_db: Floats, edges: Ints | int) -> Floats:
    """Spread of a loss over so many edges, or round them."""
    stated = np.asarray(physics.EDGES_SPREAD_DB)
    whole = np.hypot(physics.BLOCKED_SPREAD_DB, stated[np.clip(edges, 1, len(stated)) - 1])
    return np.asarray(whole * np.clip(loss_db / physics.BLOCKED_DB, 0.0, 1.0))


def _leafless(depth_m: Floats, evergreen_m: Floats) -> Floats:
    """Share of the loss in leaf that is left when the deciduous part of the depth is bare."""
    ever = evergreen_m / np.maximum(depth_m, 1e-9)
    return np.asarray(ever + (1.0 - ever) * physics.LEAFLESS)


def grade(
    probability: Floats | float, asked: float, distance_m: Floats | float = 0.0, usable_m: float = np.inf
) -> Ints:
    """Grade of each probability, against the one that the plan asks for; at best doubtful beyond `usable_m`."""
    sure = asked + DEPENDABLE * (1.0 - asked)
    marks = np.digitize(np.asarray(probability, float), [min(0.5, asked), asked, sure])
    most = np.where(np.asarray(distance_m) > usable_m, Grade.DOUBTFUL, Grade.DEPENDABLE)
    return np.asarray(np.minimum(marks, most), np.int64)


# --- every mount and controller ---------------------------------------------------------------------------------


@compared
@dataclass(frozen=True)
class ReachResult:
    """One row a mount, one column a controller (n, m).

    distance_m: straight, in space. range_share: distance over the rated open-field range, NaN where powers stand
    in for it; range_used: the share that may be used. usable_m: that range, infinite where none is rated.
    crossed: number of buildings that the straight line passes through. links: the radio links.
    radio: what the sensor's radio allows. asked: probability that a link must have.
    surface: a surface model stands for ground, buildings and crowns.
    runs: where the link is a cable, the cable of each mount (n) to each controller (m) along its route, None where
    there is no way; None for a radio sensor. cable_cell_m: of the grid on which these were sought, but for the
    mounts in `fine` (rows), sought again on cells of fine_cell_m.
    untold (m,): receivers below ground for whose soil, slab or lid no loss is named: these links are likely at
    best.
    """

    distance_m: Floats
    range_share: Floats
    crossed: Ints
    links: Links
    radio: Radio
    asked: float
    surface: bool
    runs: Runs | None
    cable_cell_m: float
    range_used: float
    usable_m: float
    fine: tuple[int, ...] = ()
    fine_cell_m: float = 0.0
    untold: Bools = field(default_factory=lambda: np.zeros(1, bool))

    @property
    def grade(self) -> Ints:
        found = grade(self.links.probability, self.asked, self.distance_m, self.usable_m)
        return np.asarray(np.where(self.untold, np.minimum(found, Grade.LIKELY), found), np.int64)

    @cached_property
    def room(self) -> Floats:
        """(n, m) room that is left: 0 at the limit, 1 at the best there can be, negative where out of reach.

        Of a radio link :attr:`radio_room`; of a cable the share of the longest run that is left over, along the
        route; minus infinity where there is no way. Worked out once.
        """
        if self.runs is None:
            return self.radio_room
        over = [[-np.inf if run is None else run.room for run in row] for row in self.runs]
        return np.array(over, float).reshape(self.distance_m.shape)

    @cached_property
    def radio_room(self) -> Floats:
        """(n, m) the room of the radio links, whatever the sensor is wired by: decibels beyond those that the asked
        probability takes, over FULL_ROOM_DB; never more than the usable range allows."""
        beyond = self.links.margin_db - physics.asked_z(self.asked) * self.links.spread_db
        room = np.minimum(beyond / FULL_ROOM_DB, 1.0)
        left = 1.0 - self.distance_m / self.usable_m
        return np.asarray(np.where(left < 0.0, np.minimum(room, left), room))

    @property
    def cable_m(self) -> Floats:
        """(n, m) cable to buy along its route; infinite where there is no way, NaN for a radio sensor."""
        if self.runs is None:
            return np.full(self.distance_m.shape, np.nan)
        long = [[np.inf if run is None else run.length_m for run in row] for row in self.runs]
        return np.array(long, float).reshape(self.distance_m.shape)


def reach(site: Site, xyz: Floats, height_m: Floats, plan: Plan, s: Scene | None = None) -> ReachResult:
    """Links from n mounts to the site's m controllers, and the cables where the plan's sensor has one.

    Parameters
    ----------
    site
        In its local frame.
    xyz
        (n, 3) heads, metres.
    height_m
        (n,) of the heads above the ground.
    plan
        Its sensor, how links are reckoned, and prices, by which cables are routed.
    s
        The site's scene, where it is laid out already.

    Returns
    -------
    ReachResult
        One row a mount, one column a controller.
    """
    sensor, range_used = plan.sensor, plan.requirements.max_range_share
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    there = site.controllers.xyz
    n, m = len(xyz), len(there)
    r = radio(sensor, plan.reach)
    each = Receivers(
        np.tile(there, (n, 1)),
        np.tile(controller_height_m(site), n),
        np.tile(holding(site), n),
        np.tile(np.asarray(site.controllers.indoors, bool), n),
        np.tile(site.controllers.extra_loss_db, n),
    )
    found = links(
        s if s is not None else scene(site),
        np.repeat(xyz, m, axis=0),
        np.repeat(np.asarray(height_m, float), m),
        each,
        r,
    ).reshape(n, m)
    distance = np.sqrt(((there[None, :, :] - xyz[:, None, :]) ** 2).sum(axis=2))
    runs, cell_m = None, 0.0
    if sensor.link == "cable":
        runs, cell_m = every_cable(site, xyz, height_m, wired_height_m(site), sensor, plan.cable, plan.prices)
    return ReachResult(
        distance,
        distance / rated_m(sensor),
        found.crossed,
        found,
        r,
        plan.reach.probability,
        site.surface is not None,
        runs,
        cell_m,
        range_used,
        usable_m(sensor, range_used),
        untold=(site.controllers.depth_m > 0) & (site.controllers.extra_loss_db == 0),
    )


def controller_height_m(site: Site) -> Floats:
    """(m,) height of each controller above its ground."""
    there = site.controllers.xyz
    return np.asarray(there[:, 2] - site.ground_at(there[:, :2]))


def wired_height_m(site: Site) -> Floats:
    """(m,) height at which a cable ends at each controller, negative below the ground."""
    depth = site.controllers.depth_m
    return np.where(depth > 0, -depth, controller_height_m(site))


def holding(site: Site) -> Ints:
    """(m,) row of the building that each controller indoors is in, the first of several, -1 for none."""
    there = site.controllers
    none = len(site.buildings)
    rows = np.full(len(there), none, np.int64)
    indoors = np.flatnonzero(there.indoors)
    near, row = shapely.STRtree(site.buildings.shapes).query(
        shapely.points(there.xyz[indoors, :2]), predicate="intersects"
    )
    np.minimum.at(rows, indoors[near], row)
    return np.where(rows < none, rows, -1)
