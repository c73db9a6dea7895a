"""Every site of a contract decided as `site` decides one: what is kept of each, small enough for thousands.

A :class:`SiteFound` is codes and numbers; JSON holds it (:func:`told`, :func:`from_told`). Nothing is drawn here,
written or put into words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from planner import bid as bids
from planner.bid import SiteBid, site_bid
from planner.job import SiteResult
from planner.layers import project
from planner.records import compared

WGS84 = "EPSG:4326"


class Outcome(StrEnum):
    """What became of one site."""

    CHOSEN = "chosen"  # a mount meets every requirement, or the plan chose one
    NONE_PASSES = "none_passes"  # none does; `place` is the one nearest to passing
    NO_CANDIDATE = "no_candidate"  # there is nothing to mount on
    ZONE_ONLY = "zone_only"  # a layer cannot be used at this site: it has its zone, and `why`


@compared
@dataclass(frozen=True)
class FoundPlace:
    """The chosen mount of a site, or the one nearest to passing.

    id, support, fixed_to, facing_deg (None where it faces nowhere): as in the site's own tables. longitude_deg,
    latitude_deg: WGS 84. height_m: above ground. score: 0 to 100, None where it is ruled out. light_share: of the
    open sky's, in the irrigation month that receives least (light_month, 0 to 11), light_sd its standard deviation.
    direct_h_day: hours of direct sun in the month that falls shortest (direct_month). lacking: codes of the
    requirements that it misses. height_assumed: no layer tells the height of the building that it stands on.
    """

    id: str
    support: str
    fixed_to: str
    longitude_deg: float
    latitude_deg: float
    height_m: float
    facing_deg: float | None
    score: float | None
    light_share: float
    light_month: int
    light_sd: float | None
    direct_h_day: float
    direct_month: int
    lacking: tuple[str, ...] = ()
    height_assumed: bool = False


@compared
@dataclass(frozen=True)
class SiteFound:
    """What one site of a contract gave.

    row: its number in the file of sites, from 1. why: the reason where it is not decided, else "". place: None
    where there is none. candidates, passing: mounts tried, and those that meet every requirement. controllers:
    how many the site has; served: how many of them the layout serves; held_with: probability with which each of
    these is served by radio (none by cable). sensors, repeaters: of the layout; price: the bill's total, None where
    nothing is priced. bid: the bill's lines, and the links that may fail.
    """

    row: int
    name: str
    outcome: Outcome
    why: str = ""
    place: FoundPlace | None = None
    candidates: int = 0
    passing: int = 0
    controllers: int = 0
    served: int = 0
    held_with: tuple[float, ...] = ()
    sensors: int = 0
    repeaters: int = 0
    price: float | None = None
    bid: SiteBid | None = None


def site_found(result: SiteResult, row: int, name: str) -> SiteFound:
    """What is kept of a site's result; row, name: of the site in the contract's file."""
    decision, study = result.decision, result.reach_study
    at = decision.chosen if decision.chosen >= 0 else decision.nearest
    outcome = Outcome.NO_CANDIDATE if at < 0 else Outcome.NONE_PASSES
    if decision.chosen >= 0:
        outcome = Outcome.CHOSEN
    best = study.layouts.best if study is not None and study.layouts is not None else None
    if decision.chosen < 0 or (best is not None and decision.chosen not in best.mounts):
        best = None
    held = study.held_with if study is not None and best is not None else np.empty(0)
    return SiteFound(
        row,
        name,
        outcome,
        place=_place(result, at) if at >= 0 else None,
        candidates=len(result.mounts),
        passing=sum(decision.passing),
        controllers=len(result.site.controllers),
        served=int(best.served.sum()) if best is not None else 0,
        held_with=tuple(float(p) for p in held if np.isfinite(p)),
        sensors=len(best.mounts) if best is not None else int(decision.chosen >= 0),
        repeaters=len(best.repeaters) if best is not None else 0,
        price=float(best.bill.total) if best is not None else None,
        bid=replace(site_bid(result), name=name),
    )


def _place(result: SiteResult, k: int) -> FoundPlace:
    mounts, decision, site = result.mounts, result.decision, result.site
    longitude, latitude = project(mounts.xyz[k, :2], site.crs, WGS84)
    month, short = int(decision.worst_month[k]), int(decision.short_month[k])
    spread, building = result.light_spread.get(k), int(mounts.building[k])
    score, facing = float(decision.score[k]), float(mounts.facing_deg[k])
    return FoundPlace(
        id=mounts.ids[k],
        support=str(mounts.support[k]),
        fixed_to=mounts.holder[k].name,
        longitude_deg=float(longitude),
        latitude_deg=float(latitude),
        height_m=float(mounts.height_m[k]),
        facing_deg=facing if np.isfinite(facing) else None,
        score=score if np.isfinite(score) else None,
        light_share=float(result.sun.light_share[k, month]),
        light_month=month,
        light_sd=float(spread.light_share[month]) if spread is not None else None,
        direct_h_day=float(result.sun.direct_h[k, short]),
        direct_month=short,
        lacking=tuple(str(one.requirement) for one in decision.shortfalls[k]),
        height_assumed=bool(building >= 0 and len(site.height_assumed) and site.height_assumed[building]),
    )


def told(found: SiteFound) -> dict[str, Any]:
    """As JSON holds it; :func:`from_told` reads it again."""
    return asdict(found)


def from_told(kept: Mapping[str, Any]) -> SiteFound:
    """A site's record from what :func:`told` made of it."""
    place = kept["place"]
    if place is not None:
        place = FoundPlace(**{**place, "lacking": tuple(place["lacking"])})
    bid = None if kept["bid"] is None else bids.from_told(kept["bid"])
    tuples = {"held_with": tuple(kept["held_with"]), "bid": bid}
    return SiteFound(**{**kept, "outcome": Outcome(kept["outcome"]), "place": place, **tuples})
