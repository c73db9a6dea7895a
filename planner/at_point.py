"""The answer for one point of a site that nobody had tried: the whole card of a mount, at any height.

A card is a :class:`planner.job.SiteResult` of one mount, so whoever draws mounts draws it. It is judged beside the
places that were decided on: where the plan asks for the fewest sensors, the point passes when some layout as good
as the best one uses it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from planner.decide import Decision
from planner.job import Prepared, SiteResult, judge, relays_of, see, spread_at, water_bias, without_choice
from planner.ledger import PlanError
from planner.mounts import Holder, Mounts, Support
from planner.reach.cable import CableRun
from planner.reach.layouts import Question
from planner.reach.repeaters import Relays, fed_by
from planner.reach.study import cables_of
from planner.site import Floats, Site
from planner.siting import siting
from planner.sun.losses import day_of_sun
from planner.sun.spread import LightSpread

SPOT = "the spot"  # id of the mount that a card is of
FARTHEST_M = 2000.0  # from the site's outline: beyond it nothing was read that would shade
HIGHEST_M = 500.0


@dataclass(frozen=True)
class Yardstick:
    """What a point is held against: the repeaters and the question of the places that were decided on."""

    repeaters: Relays
    sharing: Question | None


def yardstick(prepared: Prepared, decided: SiteResult) -> Yardstick:
    """From a site and what was decided on it."""
    found = relays_of(prepared.scene, decided.mounts, decided.rain, decided.reach)
    return Yardstick(found, decided.decision.sharing)


def height_beneath(site: Site, xy: Floats) -> tuple[float, str]:
    """Height in metres above the ground of the highest roof under a (2,) point, and whose it is; 0 and "" in the
    open."""
    under = shapely.STRtree(site.buildings.shapes).query(shapely.Point(xy), "intersects")
    if not len(under):
        return 0.0, ""
    top = int(under[np.argmax(site.buildings.top_m[under])])
    rise = float(site.buildings.top_m[top] - site.ground_at(np.asarray(xy, float)))
    return max(0.0, rise), site.buildings.names[top]


def usual_height_m(prepared: Prepared, xy: Floats) -> float:
    """Metres above ground at which a sensor would stand at a (2,) point: a mast above the roof, or on a post."""
    plan = prepared.scene.plan
    roof_m, name = height_beneath(prepared.scene.site, xy)
    return roof_m + plan.sensor.mast_m if name else plan.mounts.ground_post_m


def mount_at(site: Site, xy: Floats, height_m: float) -> Mounts:
    """One mount at a (2,) point of the frame, its head `height_m` above the ground beneath; held by the building
    there, if any.

    Raises PlanError for a place too far from the site to be judged, or a height that no mount has.
    """
    at = np.asarray(xy, float)
    if not np.isfinite(at).all() or shapely.distance(site.outline, shapely.Point(at)) > FARTHEST_M:
        raise PlanError("the point", "it is too far from the site", "Click on the site or close to it")
    if not 0.0 < height_m <= HIGHEST_M:
        raise PlanError("height", f"{height_m:g} m is no height of a sensor", "Give a height above the ground")
    holder = Holder(height_beneath(site, at)[1])
    xyz = np.append(at, site.ground_at(at) + height_m)[None]
    return Mounts(
        (SPOT,),
        (Support.NAMED,),
        (holder,),
        xyz,
        np.array([height_m]),
        np.full(1, np.nan),
        np.full(1, -1, np.int64),
    )


def point_card(prepared: Prepared, beside: Yardstick, xy: Floats, height_m: float) -> SiteResult:
    """All that is quick to know of one point.

    Parameters
    ----------
    prepared
        The site as it stands.
    beside
        What was decided on it, or on the site before it was changed.
    xy
        (2,) metres in the site's frame.
    height_m
        Of the sensor's head above the ground beneath.

    Returns
    -------
    SiteResult
        Of one mount, row 0, whose id is `SPOT`: sun path and horizon, light by month, who takes it, rain, links
        (cables where the sensor has one), classes, requirements and score. Nothing is chosen in it, and it has no
        layout. Its spread and, for a radio, its cables are :func:`closely`.

    Raises
    ------
    PlanError
        The place is too far from the site to be judged, or the height is none of a mount.
    """
    scene = without_choice(prepared.scene)
    seen = see(scene, mount_at(scene.site, xy, height_m))
    fed = fed_by(scene.radio, scene.plan, seen.mounts, seen.reached, beside.repeaters)
    decision = judge(scene, seen, fed, beside.sharing)
    day = day_of_sun(
        scene.site, seen.mounts.xyz[0], scene.table, scene.season, scene.shade, time_zone=scene.plan.time_zone
    )
    return SiteResult(
        plan=scene.plan,
        site=scene.site,
        mounts=seen.mounts,
        sun_table=scene.table,
        sun=seen.sun,
        rain=seen.rain,
        reach=seen.reached,
        climate=prepared.climate,
        zone=prepared.zone,
        season=scene.season,
        season_basis=prepared.season_basis,
        decision=_unchosen(decision),
        climate_picture=None,
        notices=(),
        losses={0: day},
        water=water_bias(prepared, seen.sun),
        siting=siting(scene.site, seen.mounts.xyz, seen.sun, seen.rain, scene.season),
    )


def _unchosen(decision: Decision) -> Decision:
    return replace(decision, chosen=-1, overridden=False, runners_up=(), nearest=-1)


def closely(prepared: Prepared, card: SiteResult) -> tuple[SiteResult, tuple[CableRun | None, ...]]:
    """What of a point takes longer than a reader waits for.

    Parameters
    ----------
    prepared
        The site as it stands.
    card
        Of the point, from :func:`point_card`.

    Returns
    -------
    card, runs : SiteResult, tuple
        The card with its spread, and a cable to each controller, None where there is no way.
    """
    scene = prepared.scene
    spread: LightSpread = spread_at(scene, card.mounts, [0])[0]
    runs: tuple[CableRun | None, ...] = ()
    if card.reach.runs is not None:
        runs = card.reach.runs[0]
    elif len(scene.site.controllers):
        runs = cables_of(scene.site, scene.plan, card.mounts, [0])[0][0]
    return replace(card, light_spread={0: spread}), runs
