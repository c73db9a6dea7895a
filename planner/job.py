"""One site from plan to result: the rooms called in order. No files are written here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult
from planner.climate.zones import zone_sites, zone_table
from planner.decide import Decision, decide
from planner.layers import lonlat_shapes, named_xy, read_site
from planner.layers.monthly import read_climate
from planner.layers.picture import read_climate_picture
from planner.ledger import Kind, Ledger, Notice
from planner.mounts import Mounts, find_mounts
from planner.plan import Plan, PlanFile
from planner.rain import RainResult, rain_and_surroundings
from planner.reach import ReachResult, reach
from planner.season import season_months
from planner.site import Bools, Site
from planner.sun import SunResult, SunTable, sun_table, year_of_light

Progress = Callable[[str, int, int], None]  # (what is being done, done, total)


@dataclass(frozen=True)
class SiteResult:
    """Everything that was found for one site; `show` draws it, and nothing more is computed there.

    season: (12,) months that irrigation runs; season_said: how that was found, one sentence.
    climate_picture: peak-month ETo around the site, for the map.
    """

    plan: Plan
    site: Site
    mounts: Mounts
    sun_table: SunTable
    sun: SunResult
    rain: RainResult
    reach: ReachResult
    climate: SiteClimate
    zone: ZoneResult
    season: Bools
    season_said: str
    decision: Decision
    climate_picture: ClimatePicture | None
    notices: tuple[Notice, ...]


def run_site(source: PlanFile, ledger: Ledger, progress: Progress | None = None) -> SiteResult:
    """Decide one site.

    Raises PlanError or DataError, saying where and what to do, when the input cannot be used.
    """
    plan = source.plan
    tell = progress or (lambda what, done, total: None)
    tell("reading layers", 0, 1)
    site = read_site(source, ledger)
    tell("climate", 0, 1)
    climate, zone = _climate(source, site, ledger)
    season, season_said = season_months(
        plan.season.months, climate.eto_mm_day[0], climate.rain_mm[0], climate.t_mean_c[0]
    )
    mounts = find_mounts(site, plan.mounts, plan.sensor.mast_m, named_xy(source, site))
    if not len(mounts):
        ledger.add(
            Kind.CHECK,
            "mounts",
            "there is nothing to mount on inside the site: no building, pole or named point; "
            "mounts.ground_spacing_m tries new posts on open ground",
        )
    table = sun_table(
        site.latitude_deg,
        site.longitude_deg,
        max(0.0, np.nan_to_num(site.elevation_m)),
        plan.sun.step_minutes,
        plan.sun.day_step,
    )
    sun = year_of_light(
        site,
        mounts.xyz,
        table,
        terrain_reach_m=plan.sun.terrain_km * 1000,
        progress=lambda done, total: tell("sun and shade", done, total),
    )
    rain = rain_and_surroundings(site, mounts.xyz)
    reached = reach(site, mounts.xyz, mounts.height_m, plan.sensor.rated_range_m)
    decision = decide(plan, mounts, sun, rain, reached, season)
    picture = read_climate_picture(source, np.array([site.longitude_deg]), np.array([site.latitude_deg]), ledger)
    return SiteResult(
        plan,
        site,
        mounts,
        table,
        sun,
        rain,
        reached,
        climate,
        zone,
        season,
        season_said,
        decision,
        picture,
        tuple(ledger),
    )


def _climate(source: PlanFile, site: Site, ledger: Ledger) -> tuple[SiteClimate, ZoneResult]:
    plan = source.plan
    given = plan.climate.elevation_m
    elevation_m = np.array([given if given is not None else site.elevation_m])
    climate = read_climate(source, lonlat_shapes([site.outline], site.crs), elevation_m, ledger, names=[site.name])
    table = zone_table(source, ledger)
    return climate, zone_sites(climate, np.array([site.latitude_deg]), table, plan.climate.description, plan.units)
