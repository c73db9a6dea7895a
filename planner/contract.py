"""Many sites at once: the climate and the zone of each, and what to look at first.

Sites are independent; they are read in batches so that memory stays bounded and a person sees progress. Nothing is
written here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields

import numpy as np
import shapely

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult
from planner.climate.builtin import BASIS as TEMPERATURE_ONLY
from planner.climate.zones import zone_sites, zone_table
from planner.layers.build import read_contract_sites
from planner.layers.frame import Shapes
from planner.layers.monthly import QUANTITIES, read_climate
from planner.layers.picture import read_climate_picture
from planner.ledger import Ledger, Notice
from planner.plan import Plan, PlanFile
from planner.site import Bools, Floats

BATCH = 5000
NEAR_EDGE = 0.3  # a runner-up this likely makes the zone a close call
APART_SD = 2.0  # two ways disagree when they are further apart than this many of their joint standard deviations

EDGE, DISAGREE, GAP, BUILTIN, NO_ZONE = (
    "near a band's edge",
    "ways disagree",
    "layer gap",
    "built-in only",
    "in no zone",
)


@dataclass(frozen=True)
class Rejected:
    """A feature that is no usable site, and why."""

    name: str
    why: str


@dataclass(frozen=True)
class ContractResult:
    """The zones of a contract, one row a site (n).

    longitude_deg, latitude_deg: (n,) a point in each site. shapes: (n,) EPSG:4326. elevation_m: (n,), NaN where
    unknown. rejected: sites left out. climate_picture: peak-month ETo around them, for the map.
    flags: (n,) what to look at first, may be empty:

    * "near a band's edge": the runner-up's probability is 0.3 and more
    * "ways disagree": ETo and temperature are more than two of their joint standard deviations apart
    * "layer gap": a layer has no value at the site itself
    * "built-in only": the plan gives no layer that ETo can come from
    * "in no zone": the peak month's ETo lies in no band of the table
    """

    plan: Plan
    names: tuple[str, ...]
    longitude_deg: Floats
    latitude_deg: Floats
    shapes: Shapes
    elevation_m: Floats
    climate: SiteClimate
    zone: ZoneResult
    flags: tuple[tuple[str, ...], ...]
    rejected: tuple[Rejected, ...]
    climate_picture: ClimatePicture | None
    notices: tuple[Notice, ...]


def run_contract(
    plan: PlanFile, ledger: Ledger, progress: Callable[[int, int], None] | None = None
) -> ContractResult:
    """The zone of every site of a contract.

    progress: called with (done, total) after each batch. Raises PlanError or DataError where the sites, the zone
    table or a layer cannot be used at all; a single site that a layer does not cover never stops the rest.
    """
    table = zone_table(plan, ledger)
    sites = read_contract_sites(plan, ledger)
    shapes = np.empty(len(sites), object)
    shapes[:] = sites.shapes
    elevation_m = np.asarray(sites.elevation_m, np.float64)
    lonlat = shapely.get_coordinates(shapely.point_on_surface(shapes))
    total = len(shapes)
    parts: list[SiteClimate] = []
    found: list[Notice] = []
    for start in range(0, max(total, 1), BATCH):
        rows = slice(start, start + BATCH)
        batch_ledger = Ledger()
        parts.append(
            read_climate(plan, shapes[rows], elevation_m[rows], batch_ledger, names=sites.names[rows], strict=False)
        )
        found.extend(batch_ledger)
        if progress is not None:
            progress(min(start + BATCH, total), total)
    for notice in _merged(found):
        ledger.add(notice.kind, notice.where, notice.what, notice.features)
    climate = _joined(parts)
    zone = zone_sites(climate, lonlat[:, 1], table, plan.plan.climate.description, plan.plan.units)
    return ContractResult(
        plan=plan.plan,
        names=tuple(sites.names),
        longitude_deg=lonlat[:, 0],
        latitude_deg=lonlat[:, 1],
        shapes=shapes,
        elevation_m=elevation_m,
        climate=climate,
        zone=zone,
        flags=site_flags(plan.plan, climate, zone),
        rejected=tuple(Rejected(name, why) for name, why in sites.rejected),
        climate_picture=read_climate_picture(plan, lonlat[:, 0], lonlat[:, 1], ledger) if total else None,
        notices=tuple(ledger),
    )


def site_flags(plan: Plan, climate: SiteClimate, zone: ZoneResult) -> tuple[tuple[str, ...], ...]:
    """What to look at first at each of n sites; see :class:`ContractResult`."""
    estimated = np.array([basis == TEMPERATURE_ONLY for basis in climate.basis], bool)
    layers = [name for name in QUANTITIES if getattr(plan.climate, name) is not None]
    gap = np.zeros(len(estimated), bool)
    if layers and climate.away_km is not None:
        gap = np.asarray(climate.away_km > 0)
    raised = {
        EDGE: zone.p_runner_up >= NEAR_EDGE,
        DISAGREE: _apart(zone),
        GAP: gap,
        BUILTIN: estimated & ~gap,
        NO_ZONE: zone.zone < 0,
    }
    return tuple(tuple(name for name, rows in raised.items() if rows[k]) for k in range(len(estimated)))


def _apart(zone: ZoneResult) -> Bools:
    apart = np.zeros(len(zone.zone), bool)
    # the description is for orientation only: its table reads low for a peak month nearly everywhere
    for way in zone.ways[:2]:
        joint = np.hypot(way.spread_mm_day, zone.spread_mm_day)
        gap = np.abs(way.peak_eto_mm_day - zone.peak_eto_mm_day)
        apart |= np.nan_to_num(gap, nan=0.0) > APART_SD * np.nan_to_num(joint, nan=np.inf)
    return apart


def _merged(notices: Iterable[Notice]) -> list[Notice]:
    """Notices of all batches: those that say the same of different sites become one."""
    features: dict[tuple[object, ...], dict[str, None]] = {}
    first: dict[tuple[object, ...], Notice] = {}
    for notice in notices:
        key = (notice.kind, notice.where, notice.what)
        first.setdefault(key, notice)
        features.setdefault(key, {}).update(dict.fromkeys(notice.features))
    return [Notice(n.kind, n.where, n.what, tuple(features[key])) for key, n in first.items()]


def _joined(parts: list[SiteClimate]) -> SiteClimate:
    """Batches as one, field by field: arrays and tuples are laid end to end."""

    def join(name: str) -> object:
        values = [getattr(part, name) for part in parts]
        if any(value is None for value in values):
            return None
        if isinstance(values[0], tuple):
            return tuple(item for value in values for item in value)
        return np.concatenate(values)

    return SiteClimate(**{field.name: join(field.name) for field in fields(SiteClimate)})  # type: ignore[arg-type]
