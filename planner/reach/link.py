"""Links: the margin of every mount and controller with its spread, the probability that it holds, a grade.

margin = what the radio allows - what is kept in hand for fading - what the path takes

The path takes free space, and on top the larger of the flat ground's two-ray excess and the diffraction over or
round what stands in the way; then foliage, then the walls round a receiver indoors. The spread is that of the
estimate, not of the weather: a normal distribution round the margin, its parts added as squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import shapely

from planner import plan
from planner.reach import radio as physics
from planner.reach.profile import Scene, diffract, scene
from planner.reach.radio import Radio, radio
from planner.site import Bools, Floats, Ints, Site
from planner.units import Units, length

FULL_ROOM_DB = 20.0  # beyond what is asked; more margin than that buys nothing: common practice, no source
DEPENDABLE = 0.5  # of the way from the asked probability to certainty
LOWEST_M = 0.3  # antennas lower than this are reckoned at this height over the ground


class Grade(IntEnum):
    """How far a link can be leaned on, by the probability that it holds."""

    NONE = 0  # more likely not than so
    DOUBTFUL = 1  # below what is asked
    LIKELY = 2  # as asked
    DEPENDABLE = 3  # halfway from what is asked to certainty, and more


GRADES = {
    Grade.NONE: "no link",
    Grade.DOUBTFUL: "doubtful",
    Grade.LIKELY: "likely",
    Grade.DEPENDABLE: "dependable",
}
OVER, LEFT, RIGHT, THROUGH = 0, 1, 2, 3  # the way a link takes past what stands in it; OVER also where nothing does
WAYS = ("over the top", "round the left", "round the right", "through the walls")


@dataclass(frozen=True)
class Links:
    """Links of any shape, decibels unless the name says otherwise.

    ground_db: what the two-ray law over flat ground adds to free space; diffraction_db: past what stands in the
    way, by the best `way` (OVER, LEFT, RIGHT seen from the mount, THROUGH: in and out of each building by P.2109);
    obstacle_db: the larger of the two, which counts. foliage_db: crowns in leaf, foliage_bare_db the same
    leafless. entry_db: walls round a receiver indoors. margin_db may be negative; spread_db its standard
    deviation; probability that the link holds.
    clearance: least height of the line over buildings and ground in radii of the first Fresnel zone.
    crossed: buildings that the straight line goes through.
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
    crossed: Ints

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


def links(
    s: Scene, a: Floats, a_height_m: Floats, b: Floats, b_height_m: Floats, inside: Ints, indoors: Bools, r: Radio
) -> Links:
    """Links from (n, 3) heads a to (n, 3) receivers b, each so high above its ground (n,).

    inside: (n,) row of the building that a receiver indoors is in, -1 for none: its walls are reckoned by entry
    loss and not as an obstacle. indoors: (n,) receivers behind walls, even where no footprint holds them.
    """
    a, b = (np.asarray(p, float).reshape(-1, 3) for p in (a, b))
    offset = b - a
    plan_m = np.hypot(offset[:, 0], offset[:, 1])
    distance = np.maximum(np.sqrt((offset**2).sum(axis=1)), 0.1)
    met = diffract(s, a, b, r.wavelength_m, inside)
    free = physics.free_space_db(distance, r.f_mhz)
    low_a, low_b = (np.maximum(np.asarray(h, float), LOWEST_M) for h in (a_height_m, b_height_m))
    ground = np.asarray(physics.open_field_db(distance, low_a, low_b, r.f_mhz) - free)
    walls = 2 * met.crossed  # in and out
    through = np.where(walls > 0, met.rest_db + walls * r.building_db, np.inf)
    ways = np.column_stack([met.over_db, met.left_db, met.right_db, through])
    way = np.argmin(ways, axis=1).astype(np.int64)
    diffraction = ways[np.arange(len(ways)), way]
    crowns, wood = physics.foliage_db(met.crown_m, r.f_mhz), physics.woodland_db(met.wood_m, r.f_mhz)
    foliage = crowns + wood
    bare = crowns * _leafless(met.crown_m, met.crown_evergreen_m) + wood * _leafless(
        met.wood_m, met.wood_evergreen_m
    )
    rise = np.degrees(np.arctan2(np.abs(offset[:, 2]), np.maximum(plan_m, 1e-9))) if r.entry_rises else 0.0
    entry = np.where(indoors, r.entry_db + 0.212 * rise, 0.0)  # P.2109's rise with elevation, on its main part
    loss = free + np.maximum(ground, diffraction) + foliage + entry
    # the diffraction's own spread comes in with the diffraction: all of it from a knife edge at grazing, 6 dB
    past = physics.BLOCKED_SPREAD_DB * np.clip(diffraction / 6.0, 0.0, 1.0)
    past = np.where(way == THROUGH, r.building_spread_db * np.sqrt(walls), past)
    spread = np.sqrt(
        physics.CLEAR_SPREAD_DB**2
        + past**2
        + (physics.FOLIAGE_SPREAD * foliage) ** 2
        + np.where(indoors, r.entry_spread_db, 0.0) ** 2
    )
    margin_db = r.allowed_db - r.fade_db - loss
    return Links(
        distance,
        free,
        ground,
        diffraction,
        way,
        foliage,
        bare,
        entry,
        margin_db,
        spread,
        physics.normal_below(margin_db / spread),
        met.clearance,
        met.crossed,
    )


def _leafless(depth_m: Floats, evergreen_m: Floats) -> Floats:
    """Share of the loss in leaf that is left when the deciduous part of the depth is bare."""
    ever = evergreen_m / np.maximum(depth_m, 1e-9)
    return np.asarray(ever + (1.0 - ever) * physics.LEAFLESS)


def grade(probability: Floats | float, asked: float) -> Ints:
    """Grade of each probability, against the one that the plan asks for."""
    sure = asked + DEPENDABLE * (1.0 - asked)
    return np.asarray(np.digitize(np.asarray(probability, float), [min(0.5, asked), asked, sure]), np.int64)


# --- every mount and controller ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReachResult:
    """One row a mount, one column a controller (n, m).

    distance_m: straight, in space. cable_m: along the ground in a straight line, down from the mount and up to
    the controller; a run along walls is longer. range_share: distance over the rated open-field range.
    crossed: number of buildings that the straight line passes through. links: the radio links.
    radio: what the sensor's radio allows. asked: probability that a link must have.
    """

    distance_m: Floats
    cable_m: Floats
    range_share: Floats
    crossed: Ints
    links: Links
    radio: Radio
    asked: float

    @property
    def grade(self) -> Ints:
        return grade(self.links.probability, self.asked)


def reach(
    site: Site, xyz: Floats, height_m: Floats, sensor: plan.Sensor, settings: plan.Reach | None = None
) -> ReachResult:
    """Links from (n, 3) mounts with heads (n,) above ground to the site's m controllers."""
    settings = settings if settings is not None else plan.Reach()
    xyz = np.asarray(xyz, float).reshape(-1, 3)
    there = site.controllers.xyz
    n, m = len(xyz), len(there)
    up = controller_height_m(site)
    r = radio(sensor, settings)
    found = links(
        scene(site),
        np.repeat(xyz, m, axis=0),
        np.repeat(np.asarray(height_m, float), m),
        np.tile(there, (n, 1)),
        np.tile(up, n),
        np.tile(holding(site), n),
        np.tile(np.asarray(site.controllers.indoors, bool), n),
        r,
    ).reshape(n, m)
    offset = there[None, :, :] - xyz[:, None, :]
    plan_m = np.hypot(offset[..., 0], offset[..., 1])
    distance = np.sqrt((offset**2).sum(axis=2))
    return ReachResult(
        distance,
        plan_m + np.asarray(height_m, float)[:, None] + up[None, :],
        distance / sensor.rated_range_m,
        found.crossed,
        found,
        r,
        settings.probability,
    )


def controller_height_m(site: Site) -> Floats:
    """(m,) height of each controller above its ground."""
    there = site.controllers.xyz
    return np.asarray(there[:, 2] - site.ground_at(there[:, :2])) if len(there) else np.empty(0)


def holding(site: Site) -> Ints:
    """(m,) row of the building that each controller indoors is in, -1 for none."""
    there = site.controllers
    rows = np.full(len(there), -1, np.int64)
    indoors = np.flatnonzero(there.indoors)
    if len(indoors) and len(site.buildings):
        near = shapely.STRtree(site.buildings.shapes).query(
            shapely.points(there.xyz[indoors, :2]), predicate="intersects"
        )
        rows[indoors[near[0][::-1]]] = near[1][::-1]
    return rows


def margin(found: ReachResult, sensor: plan.Sensor, range_used: float) -> Floats:
    """(n, m) room that is left: 0 at the limit, 1 at the best there can be, negative where out of reach.

    Radio: decibels beyond those that the asked probability takes, over FULL_ROOM_DB; never more than the rated
    range allows. Cable: share of the allowed length that is left over.
    """
    if sensor.link == "cable":
        return np.asarray(1.0 - found.cable_m / sensor.cable_longest_m)
    beyond = found.links.margin_db - physics.asked_z(found.asked) * found.links.spread_db
    room = np.minimum(beyond / FULL_ROOM_DB, 1.0)
    left = 1.0 - found.range_share / range_used
    return np.asarray(np.where(left < 0.0, np.minimum(room, left), room))


def needs(found: ReachResult, mount: int, controller: int, indoors: bool, sensor: plan.Sensor, units: Units) -> str:
    """What one controller needs to be reached from one mount, in plain words."""
    if sensor.link == "cable":
        run = float(found.cable_m[mount, controller])
        said = f"about {length(run, units)} of cable in a straight line, more along walls"
        if run > sensor.cable_longest_m:
            return f"{said}: over the {length(sensor.cable_longest_m, units)} allowed with {sensor.cable_conductor}"
        if run > sensor.cable_supplied_m:
            return f"{said}: buy {sensor.cable_conductor}; {length(sensor.cable_supplied_m, units)} is supplied"
        return f"{said}: the supplied {length(sensor.cable_supplied_m, units)} is enough"
    crossed, k = int(found.crossed[mount, controller]), (mount, controller)
    met = [f"{crossed} building{'s' if crossed > 1 else ''} in the way"] if crossed else []
    met += ["crowns in the way"] if found.links.foliage_db[k] > 1 else []
    met += ["receiver indoors"] if indoors else []
    if not met:
        met = ["clear line" if found.links.clearance[k] >= 0.6 else "clear line, close to roofs or ground"]
    return f"{verdict(found, mount, controller)}: {', '.join(met)}"


def verdict(found: ReachResult, mount: int, controller: int) -> str:
    """The grade with what to do about it."""
    if found.range_share[mount, controller] > 1.0:
        return "beyond the rated range, a repeater, a second sensor or a cable"
    return (
        "no link, a repeater, a second sensor or a cable",
        "doubtful, change something and test",
        "likely, test before fixing",
        "dependable",
    )[int(found.grade[mount, controller])]
