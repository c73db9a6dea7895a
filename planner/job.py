"""One site from plan to result: the rooms called in order. No files are written here."""

from __future__ import annotations

from dataclasses import dataclass

from planner.climate.answer import SiteClimate, ZoneResult
from planner.decide import Decision
from planner.ledger import Notice
from planner.mounts import Mounts
from planner.plan import Plan
from planner.rain import RainResult
from planner.reach import ReachResult
from planner.site import Bools, Site
from planner.sun import SunResult, SunTable


@dataclass(frozen=True)
class SiteResult:
    """Everything that was found for one site; `show` draws it, and nothing more is computed there.

    season: (12,) months that irrigation runs; season_said: how that was found, one sentence.
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
    notices: tuple[Notice, ...]
