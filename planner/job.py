"""One site from plan to result: the rooms called in order. No files are written here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult
from planner.climate.zones import read_zone_table, zone_sites
from planner.decide import Decision, decide
from planner.layers import named_xy, project, read_climate, read_climate_picture, read_site
from planner.ledger import Kind, Ledger, Notice
from planner.mounts import Mounts, find_mounts
from planner.plan import Plan, PlanFile, month_flags
from planner.rain import RainResult, rain_and_surroundings
from planner.reach import ReachResult, reach
from planner.season import irrigation_months
from planner.site import Bools, Site
from planner.sun import SunResult, SunTable, sun_table, year_of_light

Progress = Callable[[str, int, int], None]  # (what is being done, done, total)


@dataclass(frozen=True)
class SiteResult:
    """Everything that was found for one site; `show` draws it, and nothing more is computed there.

    season: (12,) months that irrigation runs; season_said: how that was found, one sentence.
    climate_picture: the ETo layer around the site, None where no layer tells.
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
    if plan.season.months:
        season, season_said = np.array(month_flags(plan.season.months)), "given in the plan"
    else:
        season, season_said = irrigation_months(climate.eto_mm_day[0], climate.rain_mm[0], climate.t_mean_c[0])
        if not season.any():
            season = np.ones(12, bool)
            ledger.add(
                Kind.CHECK,
                "season",
                "the climate asks for no irrigation in any month, so mounts are judged over the whole year; "
                "give season.months if irrigation runs",
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
    picture = read_climate_picture(source, site.longitude_deg, site.latitude_deg, ledger)
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
    climate = read_climate(source, [_lonlat(site.outline, site.crs)], elevation_m, ledger)
    table = read_zone_table(source, ledger)
    return climate, zone_sites(climate, np.array([site.latitude_deg]), table, plan.climate.description)


def _lonlat(shape: BaseGeometry, crs: str) -> BaseGeometry:
    return shapely.transform(shape, lambda xy: project(xy, crs, "EPSG:4326"))
