"""Every site of a contract decided as `site` decides one: from what was read of it to what is kept.

The rooms of one site are called as ever (:mod:`planner.job`); only where its layers come from is another way: what
lies near, out of files for all sites together.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.bid import site_bid
from planner.found import FoundPlace, Outcome, SiteFound, from_told, told
from planner.job import SiteResult, decide_site, prepare
from planner.layers import project, read_site, with_named
from planner.layers.belonging import own_plan
from planner.layers.build import Given
from planner.ledger import Ledger
from planner.plan import PlanFile

__all__ = ["FoundPlace", "Outcome", "SiteFound", "decided", "from_told", "not_decided", "site_found", "told"]

WGS84 = "EPSG:4326"


def decided(plan_file: PlanFile, given: Given, elevation_m: float) -> SiteResult:
    """One site of a contract, as `site` decides it.

    Parameters
    ----------
    plan_file
        Of the contract.
    given
        What the contract has read for this site.
    elevation_m
        What the file of sites says, NaN for nothing: the terrain then tells, as at any site.

    Returns
    -------
    SiteResult
        As of a single site.

    Raises
    ------
    PlanError
        The plan cannot be used at any site.
    DataError
        A layer cannot at this one.
    """
    own = own_plan(plan_file, given, elevation_m)
    ledger = Ledger(own.plan.units)
    site = read_site(own, ledger, given)
    if "named" in given.whole:
        own = with_named(own, site, ledger, given.whole["named"])
    return decide_site(prepare(own, site, ledger), ledger)


def not_decided(row: int, name: str, why: str) -> SiteFound:
    """The record of a site whose layers cannot be used, or that has no outline: its zone still stands.

    Parameters
    ----------
    row, name
        Of the site in the contract's file.
    why
        In words.

    Returns
    -------
    SiteFound
        Without a mount.
    """
    return SiteFound(row, name, Outcome.ZONE_ONLY, why)


def site_found(result: SiteResult, row: int, name: str) -> SiteFound:
    """What is kept of a site's result.

    Parameters
    ----------
    result
        The site.
    row, name
        Of the site in the contract's file.

    Returns
    -------
    SiteFound
        Mount, links and bid, in codes and numbers.
    """
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
        latitude_deg=result.site.latitude_deg,
        apart=tuple((one.what.value, one.names) for one in result.site.apart),
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
