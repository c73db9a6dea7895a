"""Many sites at once: the climate and the zone of each, and what to look at first.

Sites are independent. They are taken in parts, a range of rows of the file each, so that memory stays bounded by
the part; :mod:`planner.batches` writes one file a part, here or on a cluster. Nothing is written here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult, ZoneTable
from planner.climate.best import NO_SUMMER_C
from planner.climate.builtin import BASIS as TEMPERATURE_ONLY
from planner.climate.zones import APART_SD, zone_of, zone_sites
from planner.layers.build import count_contract_sites, read_contract_sites
from planner.layers.frame import Shapes
from planner.ledger import DataError, Kind, Ledger, Notice, PlannerError
from planner.local_climate import climate_at, picture_around, table_of
from planner.plan import Plan, PlanFile
from planner.readings import QUANTITIES
from planner.site import Bools, ContractSites, Floats, Ints, inner_points

PART = 200_000  # sites at a time: a million then go through in 1.2 GB (measured), and layers are read five times
NEAR_EDGE = 0.3  # a runner-up this likely makes the zone a close call
STEEP_M = 150.0  # 1 K: a site this far above or below its cell is not what the cell is
COAST_SHARE = 0.99  # less of a site on known cells: it reaches over the layer's edge

FLAGS = (
    "near a band's edge",
    "area over several zones",
    "coast or edge of a layer",
    "layer gap",
    "steep ground",
    "elevation changes the zone",
    "layers disagree",
    "ways disagree",
    "built-in only",
    "in no zone",
    "open sea",
    "no summer to speak of",
)
EDGE, SEVERAL, COAST, GAP, STEEP, LAPSED, LAYERS, DISAGREE, BUILTIN, NO_ZONE, SEA, COLD = FLAGS


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
    * "area over several zones": the ETo layer's cells under the site peak in different zones
    * "coast or edge of a layer": part of the site lies on unknown cells
    * "layer gap": a layer has no value at the site itself
    * "steep ground": the site is 150 m and more above or below its cell
    * "elevation changes the zone": without the lapse to the site's elevation its zone would be another
    * "layers disagree": the ETo layer and ETo computed from the weather layers are more than two of their joint
      standard deviations apart
    * "ways disagree": so are two of the three ways to the zone
    * "built-in only": the plan gives no layer that ETo can come from
    * "in no zone": the peak month's ETo lies in no band of the table
    * "open sea": an estimate from the built-in layer, with no land near
    * "no summer to speak of": the hottest month's mean is under 10 degrees C
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


@dataclass(frozen=True)
class ContractFiles:
    """What was written: count of sites, sites by zone label, with a flag and by flag, left out; notices, files."""

    count: int
    zones: dict[str, int]
    flagged: int
    flags: dict[str, int]
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]
    files: tuple[Path, ...]


def run_contract(
    plan: PlanFile, ledger: Ledger, progress: Callable[[int, int], None] | None = None
) -> ContractResult:
    """The zone of every site of a contract, in memory.

    progress: called with (done, total) after each part. Raises PlanError or DataError where the sites, the zone
    table or a layer cannot be used at all; a single site never stops the rest.
    """
    table = table_of(plan, ledger)
    total = count_contract_sites(plan)
    parts: list[ContractResult] = []
    for first, end in part_rows(total):
        parts.append(contract_part(plan, table, first, end))
        if progress is not None:
            progress(end, total)
    if not any(part.names for part in parts):
        raise none_usable(part.rejected for part in parts)
    ledger.take(merged(n for part in parts for n in part.notices))
    lon = np.concatenate([part.longitude_deg for part in parts])
    lat = np.concatenate([part.latitude_deg for part in parts])
    picture = picture_around(plan, lon, lat, ledger)
    climate = _joined([part.climate for part in parts])
    zone = zone_sites(climate, lat, table, plan.plan.climate.description, plan.plan.units)
    return ContractResult(
        plan=plan.plan,
        names=tuple(name for part in parts for name in part.names),
        longitude_deg=lon,
        latitude_deg=lat,
        shapes=np.concatenate([part.shapes for part in parts]),
        elevation_m=np.concatenate([part.elevation_m for part in parts]),
        climate=climate,
        zone=zone,
        flags=tuple(flags for part in parts for flags in part.flags),
        rejected=tuple(r for part in parts for r in part.rejected),
        climate_picture=picture,
        notices=tuple(ledger),
    )


def part_rows(total: int, size: int | None = None) -> list[tuple[int, int]]:
    """First row and end of each part of a file of `total` rows; one empty part of an empty file."""
    size = PART if size is None else size
    return [(first, min(first + size, total)) for first in range(0, max(total, 1), size)]


def contract_part(plan: PlanFile, table: ZoneTable, first: int, end: int) -> ContractResult:
    """The zones of the sites in rows `first` up to `end` of the file; the part may be without any usable site."""
    ledger = Ledger()
    try:
        sites = read_contract_sites(plan, ledger, (first, end))
    except DataError as fault:
        if first == 0 and count_contract_sites(plan) <= end:
            raise
        # of one part of many, unlike of a whole file, this stops nothing
        sites = ContractSites((), (), np.empty(0), ((f"rows {first + 1} to {end}", f"{fault.what}. {fault.todo}"),))
    shapes = np.empty(len(sites), object)
    shapes[:] = sites.shapes
    kept, climate, lost = _climate(plan, shapes, np.asarray(sites.elevation_m, np.float64), sites.names, ledger)
    if plan.plan.climate.daily is not None:
        ledger.add(Kind.SKIPPED, "climate.daily", "years at one station tell of one site, not of a contract's")
        climate = replace(climate, yearly_peak_mm_day=None)
    lonlat = inner_points(shapes[kept])
    zone = zone_sites(climate, lonlat[:, 1], table, plan.plan.climate.description, plan.plan.units)
    return ContractResult(
        plan=plan.plan,
        names=sites.names if len(kept) == len(sites) else tuple(sites.names[k] for k in kept),
        longitude_deg=lonlat[:, 0],
        latitude_deg=lonlat[:, 1],
        shapes=shapes[kept],
        elevation_m=np.asarray(sites.elevation_m, np.float64)[kept],
        climate=climate,
        zone=zone,
        flags=site_flags(plan.plan, climate, zone),
        rejected=(*(Rejected(name, why) for name, why in sites.rejected), *lost),
        climate_picture=None,
        notices=tuple(ledger),
    )


def _climate(
    plan: PlanFile, shapes: Shapes, elevation_m: Floats, names: Sequence[str], ledger: Ledger
) -> tuple[Ints, SiteClimate, tuple[Rejected, ...]]:
    """Rows that have a climate, their climate, and those that no reader could take.

    What a layer's file has wrong stops everything. A fault that nobody foresaw is narrowed down to the site that
    brings it, by halves, and the rest goes on.
    """

    def attempt(rows: Ints) -> Iterator[tuple[Ints, SiteClimate] | Rejected]:
        try:
            found = climate_at(
                plan, shapes[rows], elevation_m[rows], ledger, names=[names[k] for k in rows], strict=False
            )
            yield rows, found
        except PlannerError:
            raise
        except Exception as fault:
            if len(rows) == 1:
                name = names[int(rows[0])]
                why = f"its climate could not be worked out: {fault or type(fault).__name__}"
                ledger.add(Kind.SKIPPED, "contract.sites", why, [name])
                yield Rejected(name, why)
                return
            if not len(rows):
                raise
            for half in np.array_split(rows, 2):
                yield from attempt(half)

    found = list(attempt(np.arange(len(shapes))))
    good = [item for item in found if not isinstance(item, Rejected)]
    lost = tuple(item for item in found if isinstance(item, Rejected))
    if not good:
        none = np.empty(0, np.int64)
        return none, climate_at(plan, shapes[:0], elevation_m[:0], Ledger(), names=(), strict=False), lost
    return np.concatenate([rows for rows, _ in good]), _joined([climate for _, climate in good]), lost


def none_usable(rejected: Iterable[Sequence[Rejected]]) -> DataError:
    """The error for a file without one usable site."""
    reasons = list(dict.fromkeys(r.why for some in rejected for r in some))
    return DataError(
        "contract.sites",
        "none of its features is a usable site" + (f": {'; '.join(reasons[:3])}" if reasons else ""),
        "Check the export, and the CRS",
    )


def site_flags(plan: Plan, climate: SiteClimate, zone: ZoneResult) -> tuple[tuple[str, ...], ...]:
    """What to look at first at each of n sites; see :class:`ContractResult`."""
    n = len(zone.zone)
    estimated = np.array([basis == TEMPERATURE_ONLY for basis in climate.basis], bool)
    layers = [name for name in QUANTITIES if getattr(plan.climate, name) is not None]
    gap = np.zeros(n, bool)
    if layers and climate.away_km is not None:
        gap = np.asarray(climate.away_km > 0)
    none = np.zeros(n, bool)
    table, share, above = zone.table, climate.known_share, climate.above_m

    def zones(peaks: Floats) -> Ints:
        return zone_of(peaks, table.low_mm_day, table.high_mm_day)

    several, lapsed, apart = none, none, none
    if climate.cells_peak_mm_day is not None:
        low, high = climate.cells_peak_mm_day.T
        several = np.isfinite(low) & (zones(low) != zones(high))
    if climate.unlapsed_peak_mm_day is not None:
        lapsed = (zone.used == 0) & (zones(climate.unlapsed_peak_mm_day) != zone.zone)
    if climate.computed_peak_mm_day is not None and climate.computed_spread_mm_day is not None:
        joint = np.hypot(climate.computed_spread_mm_day, climate.spread_mm_day)
        gap_mm = np.abs(climate.computed_peak_mm_day - climate.eto_mm_day.max(axis=1, initial=0.0))
        apart = np.nan_to_num(gap_mm, nan=0.0) > APART_SD * np.nan_to_num(joint, nan=np.inf)
    raised: dict[str, Bools] = {
        EDGE: zone.p_runner_up >= NEAR_EDGE,
        SEVERAL: several,
        COAST: none if share is None else np.asarray((share < COAST_SHARE) & (share > 0)),
        GAP: gap,
        STEEP: none if above is None else np.abs(np.nan_to_num(above)) >= STEEP_M,
        LAPSED: lapsed,
        LAYERS: apart,
        DISAGREE: (zone.used >= 0) & ~zone.agreement & np.any([way.zone >= 0 for way in zone.ways], axis=0),
        BUILTIN: estimated & ~gap,
        NO_ZONE: zone.zone < 0,
        SEA: none if climate.at_sea is None else np.asarray(climate.at_sea),
        COLD: np.asarray(climate.t_mean_c.max(axis=1, initial=-np.inf) < NO_SUMMER_C),
    }
    bits = sum((rows.astype(np.int64) << k for k, rows in enumerate(raised.values())), np.zeros(n, np.int64))
    kinds, place = np.unique(bits, return_inverse=True)
    said = np.empty(len(kinds), object)
    for row, kind in enumerate(kinds):
        said[row] = tuple(name for k, name in enumerate(FLAGS) if kind >> k & 1)
    return tuple(said[place])


def merged(notices: Iterable[Notice]) -> list[Notice]:
    """Notices of all parts: those that say the same of different sites become one."""
    features: dict[tuple[object, ...], dict[str, None]] = {}
    first: dict[tuple[object, ...], Notice] = {}
    more: Counter[tuple[object, ...]] = Counter()
    for notice in notices:
        key = (notice.kind, notice.where, notice.what)
        first.setdefault(key, notice)
        features.setdefault(key, {}).update(dict.fromkeys(notice.features))
        more[key] += notice.more
    return [replace(n, features=tuple(features[key]), more=more[key]) for key, n in first.items()]


def _joined(parts: list[SiteClimate]) -> SiteClimate:
    """Parts as one, field by field: arrays and tuples are laid end to end."""

    def join(name: str) -> object:
        values = [getattr(part, name) for part in parts]
        if name == "yearly_peak_mm_day" or len(values) == 1:
            return values[0]
        if all(value is None for value in values):
            return None
        if isinstance(values[0], tuple):
            return tuple(item for value in values for item in value)
        unknown = [np.full((len(part.basis), *_shape(values)), np.nan) for part in parts]
        return np.concatenate([u if value is None else value for value, u in zip(values, unknown, strict=True)])

    return SiteClimate(**{field.name: join(field.name) for field in fields(SiteClimate)})  # type: ignore[arg-type]


def _shape(values: Sequence[Floats | None]) -> tuple[int, ...]:
    return next(value.shape[1:] for value in values if value is not None)
