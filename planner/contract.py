"""Many sites at once: the climate and the zone of each, and what to look at first.

Sites are independent: a contract is zoned whole, or part by part. Nothing is read or written here.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.climate.answer import Basis, ClimatePicture, SiteClimate, ZoneResult, ZoneTable
from planner.climate.best import NO_SUMMER_C
from planner.climate.spreads import ESTIMATE_SHARED
from planner.climate.zones import APART_SD, zone_of, zone_sites
from planner.found import SiteFound
from planner.ledger import DataError, Notice
from planner.notebook import Drawn
from planner.plan import Origin, Plan
from planner.readings import QUANTITIES
from planner.records import compared
from planner.site import Bools, ContractSites, Floats, Ints, Rejected, Shapes, inner_points

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

NEAR_EDGE = 0.3  # a runner-up this likely makes the zone a close call
STEEP_M = 150.0  # 1 K: a site this far above or below its cell is not what the cell is
COMMON_SHARE, COMMON_SITES = 0.5, 4  # a flag on more than half of so many sites sets none of them apart
COAST_SHARE = 0.99  # less of a site on known cells: it reaches over the layer's edge


class Flag(StrEnum):
    """What to look at first at a site; the words for people are made where results are shown."""

    NEAR_EDGE = "near_edge"  # the runner-up's probability is 0.3 and more
    SEVERAL_ZONES = "several_zones"  # the ETo layer's cells under the site peak in different zones
    LAYER_EDGE = "layer_edge"  # part of the site lies on unknown cells
    LAYER_GAP = "layer_gap"  # a layer has no value at the site itself
    STEEP = "steep"  # the site is 150 m and more above or below its cell
    ELEVATION_DECIDES = "elevation_decides"  # without the lapse to the site's elevation its zone would be another
    LAYERS_DISAGREE = "layers_disagree"  # ETo layer and ETo from weather layers: over two joint deviations
    WAYS_DISAGREE = "ways_disagree"  # so are two of the three ways to the zone
    BUILT_IN_ONLY = "built_in_only"  # the plan gives no layer that ETo can come from
    NO_ZONE = "no_zone"  # the peak month's ETo lies in no band of the table
    OPEN_SEA = "open_sea"  # an estimate from the built-in layer, with no land near
    AXES_EXCHANGED = "axes_exchanged"  # so is this one, and longitude and latitude exchanged are on land
    ELSEWHERE = "elsewhere"  # far from its country or all other sites, and there with a sign or the axes changed
    COLD = "cold"  # the hottest month's mean is under 10 degrees C


@compared
@dataclass(frozen=True)
class ContractResult(Drawn):
    """The zones of a contract, one row a site (n).

    longitude_deg, latitude_deg: (n,) a point in each site. shapes: (n,) EPSG:4326. elevation_m: (n,), NaN where
    unknown. rejected: sites left out. climate_picture: peak-month ETo around them, for the map.
    flags: (n,) what to look at first, may be empty. rows: (n,) numbers of the sites in the file, from 1; own: the
    file's own columns by name, Arrow arrays (n,). found: (n,) mount, links and price of each, where the plan names
    layers; else empty.
    """

    plan: Plan
    names: tuple[str, ...]
    longitude_deg: Floats
    latitude_deg: Floats
    shapes: Shapes
    elevation_m: Floats
    climate: SiteClimate
    zone: ZoneResult
    flags: tuple[tuple[Flag, ...], ...]
    rejected: tuple[Rejected, ...]
    climate_picture: ClimatePicture | None
    notices: tuple[Notice, ...]
    rows: Ints | None = None
    own: Mapping[str, Any] = field(default_factory=dict)
    found: tuple[SiteFound, ...] = ()
    origin: Origin | None = field(default=None, compare=False, repr=False)

    def sites_table(self) -> GeoDataFrame:
        """Every site with its zone.

        Returns
        -------
        geopandas.GeoDataFrame
            One row a site, in the order of the file, geometry in EPSG:4326: `name`, `zone` (label, missing where
            the ETo lies in none), `probability`, `runner_up` (label), `peak_month` (1 to 12, 0 where unknown),
            `peak_eto_mm_day` with its standard deviation `spread_mm_day`, `elevation_m`, `flags` (codes, space
            between), `row` (its number in the file, from 1), and the file's own columns, one whose name is taken
            with `_given` after it.
        """
        import geopandas

        zone = self.zone
        labels = (*zone.table.labels, None)  # -1: none
        table = geopandas.GeoDataFrame(
            {
                "name": list(self.names),
                "zone": [labels[k] for k in zone.zone],
                "probability": zone.p_zone,
                "runner_up": [labels[k] for k in zone.runner_up],
                "peak_month": zone.peak_month + 1,
                "peak_eto_mm_day": zone.peak_eto_mm_day,
                "spread_mm_day": zone.spread_mm_day,
                "elevation_m": self.elevation_m,
                "flags": [" ".join(flags) for flags in self.flags],
            },
            geometry=list(self.shapes),
            crs="EPSG:4326",
        )
        if self.rows is not None:
            table["row"] = self.rows
        for name, given in own_names(self.own, table.columns).items():
            table[given] = self.own[name].to_pandas()
        return table


def own_names(own: Iterable[str], taken: Iterable[str]) -> dict[str, str]:
    """What a file's own columns are called beside ours.

    Parameters
    ----------
    own
        Names of the file's columns.
    taken
        Names of ours. Upper and lower case are alike, as they are in a GeoPackage.

    Returns
    -------
    dict
        Each own name, with `_given` after it where it is taken.

    Examples
    --------
    >>> own_names(["Zone", "zone_given", "owner"], ["zone"])
    {'Zone': 'Zone_given_2', 'zone_given': 'zone_given', 'owner': 'owner'}
    """
    own, used = list(own), {name.lower() for name in taken}
    named = {}
    for name in own:
        if name.lower() not in used:
            named[name] = name
            used.add(name.lower())
    for name in own:
        if name not in named:
            endings = ("_given", *(f"_given_{k}" for k in range(2, len(own) + 3)))
            named[name] = next(name + ending for ending in endings if (name + ending).lower() not in used)
            used.add(named[name].lower())
    return {name: named[name] for name in own}


def zones_of(
    plan: Plan,
    sites: ContractSites,
    climate: SiteClimate,
    table: ZoneTable,
    rejected: tuple[Rejected, ...] = (),
    notices: tuple[Notice, ...] = (),
    picture: ClimatePicture | None = None,
    found: tuple[SiteFound, ...] = (),
) -> ContractResult:
    """The zone of each of n sites whose climate is known, and what to look at first.

    Parameters
    ----------
    plan
        Of the contract.
    sites
        n of them; n may be 0.
    climate
        Of each.
    table
        The zones.
    rejected, notices
        What was left out and noticed as the sites were read.
    picture
        The climate around them, for a map.
    found
        (n,) what else was found at each; the latitude of a site with a mount is its own, as `site` has it.

    Returns
    -------
    ContractResult
        One row a site.
    """
    shapes = np.empty(len(sites), object)
    shapes[:] = sites.shapes
    lonlat = inner_points(shapes)
    own = [one.latitude_deg for one in found] if found else [None] * len(sites)
    latitude_deg = np.array([y if z is None else z for y, z in zip(lonlat[:, 1], own, strict=True)], float)
    zone = zone_sites(climate, latitude_deg, table, plan.climate.description)
    return ContractResult(
        plan=plan,
        names=sites.names,
        longitude_deg=lonlat[:, 0],
        latitude_deg=lonlat[:, 1],
        shapes=shapes,
        elevation_m=np.asarray(sites.elevation_m, np.float64),
        climate=climate,
        zone=zone,
        flags=site_flags(plan, climate, zone, sites.elsewhere),
        rejected=rejected,
        climate_picture=picture,
        notices=notices,
        rows=sites.rows,
        own=sites.own,
        found=found,
    )


def none_usable(rejected: Sequence[Rejected]) -> DataError:
    """The error for a file without one usable site.

    Parameters
    ----------
    rejected
        All of its sites, with their reasons.

    Returns
    -------
    DataError
        To be raised; with the first three reasons.
    """
    reasons = list(dict.fromkeys(r.why for r in rejected))
    return DataError(
        "contract.sites",
        "none of its features is a usable site" + (f": {'; '.join(reasons[:3])}" if reasons else ""),
        "Check the export, and the CRS",
    )


def site_flags(
    plan: Plan, climate: SiteClimate, zone: ZoneResult, elsewhere: Bools | None = None
) -> tuple[tuple[Flag, ...], ...]:
    """What to look at first at each of n sites; see :class:`Flag`. elsewhere: (n,) as of the sites."""
    n = len(zone.zone)
    estimated = np.array([basis == Basis.BUILT_IN for basis in climate.basis], bool)
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
        # NaN in a part of the sites none of which was moved
        moved = np.isfinite(climate.unlapsed_peak_mm_day)
        lapsed = moved & (zone.used == 0) & (zones(climate.unlapsed_peak_mm_day) != zone.holds_value)
    if climate.computed_peak_mm_day is not None and climate.computed_spread_mm_day is not None:
        joint = np.hypot(climate.computed_spread_mm_day, climate.spread_mm_day)
        gap_mm = np.abs(climate.computed_peak_mm_day - climate.eto_mm_day.max(axis=1, initial=0.0))
        apart = np.nan_to_num(gap_mm, nan=0.0) > APART_SD * np.nan_to_num(joint, nan=np.inf)
    named = np.any([way.zone >= 0 for way in zone.ways], axis=0)
    raised: dict[Flag, Bools] = {
        Flag.NEAR_EDGE: zone.p_runner_up >= NEAR_EDGE,
        Flag.SEVERAL_ZONES: several,
        Flag.LAYER_EDGE: none if share is None else np.asarray((share < COAST_SHARE) & (share > 0)),
        Flag.LAYER_GAP: gap,
        Flag.STEEP: none if above is None else np.abs(np.nan_to_num(above)) >= STEEP_M,
        Flag.ELEVATION_DECIDES: lapsed,
        Flag.LAYERS_DISAGREE: apart,
        Flag.WAYS_DISAGREE: (zone.used >= 0) & ~zone.agreement & named,
        Flag.BUILT_IN_ONLY: estimated & ~gap,
        Flag.NO_ZONE: zone.zone < 0,
        Flag.OPEN_SEA: none if climate.at_sea is None else np.asarray(climate.at_sea, bool),
        Flag.AXES_EXCHANGED: none if climate.axes_exchanged is None else np.asarray(climate.axes_exchanged, bool),
        Flag.ELSEWHERE: none if elsewhere is None else elsewhere,
        Flag.COLD: np.asarray(climate.t_mean_c.max(axis=1, initial=-np.inf) < NO_SUMMER_C),
    }
    bits = sum((rows.astype(np.int64) << k for k, rows in enumerate(raised.values())), np.zeros(n, np.int64))
    kinds, place = np.unique(bits, return_inverse=True)
    said = np.empty(len(kinds), object)
    for row, kind in enumerate(kinds):
        said[row] = tuple(flag for k, flag in enumerate(raised) if kind >> k & 1)
    return tuple(said[place])


def common_flags(counts: Mapping[Flag, int], sites: int) -> tuple[Flag, ...]:
    """Of flags counted over a contract's sites, those to be said once of them all."""
    return tuple(flag for flag in Flag if sites >= COMMON_SITES and counts.get(flag, 0) > COMMON_SHARE * sites)


@compared
@dataclass(frozen=True)
class SharedError:
    """What one error common to all sites of the built-in estimate would make of a contract's totals.

    sites: how many rest on the estimate. mm_day: the common error, one standard deviation, mean of those sites.
    lower, higher (k,): sites whose value lies in each band of the table if those sites' ETo is so much lower, or
    higher. Sites that rest on something else are counted where they are.
    """

    sites: int
    mm_day: float
    lower: Ints
    higher: Ints


def shared_error(
    peak_mm_day: Floats, spread_mm_day: Floats, estimated: Bools, table: ZoneTable
) -> SharedError | None:
    """What the error that all built-in estimates share would move.

    Parameters
    ----------
    peak_mm_day, spread_mm_day
        (n,) known peak-month ETo, and its spread.
    estimated
        (n,) whether both are the built-in estimate's.
    table
        Into whose zones the sites fall.

    Returns
    -------
    SharedError or None
        None where fewer than two are estimated: the error is then nobody else's.
    """
    if estimated.sum() < 2:
        return None
    shared = np.where(estimated, np.sqrt(ESTIMATE_SHARED) * spread_mm_day, 0.0)

    def counts(peak: Floats) -> Ints:
        rows = zone_of(peak, table.low_mm_day, table.high_mm_day)
        return np.asarray(np.bincount(rows[rows >= 0], minlength=len(table.labels)), np.int64)

    return SharedError(
        int(estimated.sum()),
        float(np.nanmean(shared[estimated])),
        counts(np.maximum(peak_mm_day - shared, 0.0)),
        counts(peak_mm_day + shared),
    )


def merged(notices: Iterable[Notice]) -> list[Notice]:
    """Notices of all parts, without repeating.

    Parameters
    ----------
    notices
        In the order of the parts.

    Returns
    -------
    list of Notice
        Those that say the same of different sites are one, with all their names and the figures of the first.
    """
    features: dict[tuple[object, ...], dict[str, None]] = {}
    first: dict[tuple[object, ...], Notice] = {}
    more: Counter[tuple[object, ...]] = Counter()
    differ: set[tuple[object, ...]] = set()
    for notice in notices:
        own = not notice.where.startswith(
            "layers."
        )  # what is said of a layer at a site is of that site's part of it
        key = (notice.kind, notice.where, notice.what if own else _FIGURES.sub("0", notice.what))
        if first.setdefault(key, notice).what != notice.what:
            differ.add(key)
        features.setdefault(key, {}).update(dict.fromkeys(notice.features))
        more[key] += notice.more
    return [
        replace(n, what=n.what + OTHERS * (key in differ), features=tuple(features[key]), more=more[key])
        for key, n in first.items()
    ]


OTHERS = " (elsewhere other figures)"
_FIGURES = re.compile(r"\d[\d.,]*")


def joined(parts: list[SiteClimate]) -> SiteClimate:
    """Parts as one, field by field: arrays and tuples are laid end to end.

    Parameters
    ----------
    parts
        One or more; where some lack a field, their sites have it as unknown.

    Returns
    -------
    SiteClimate
        Of all their sites, in that order.
    """

    def join(name: str) -> object:
        values = [getattr(part, name) for part in parts]
        if name == "yearly_peak_mm_day" or len(values) == 1:
            return values[0]
        if all(value is None for value in values):
            return None
        if isinstance(values[0], tuple):
            return tuple(item for value in values for item in value)
        nothing = False if _first(values).dtype == bool else np.nan
        unknown = [np.full((len(part.basis), *_first(values).shape[1:]), nothing) for part in parts]
        return np.concatenate([u if value is None else value for value, u in zip(values, unknown, strict=True)])

    return SiteClimate(**{one.name: join(one.name) for one in fields(SiteClimate)})  # type: ignore[arg-type]


def in_order(climate: SiteClimate, rows: Ints) -> SiteClimate:
    """The climate of some sites, in another order.

    Parameters
    ----------
    climate
        Of n sites.
    rows
        (k,) rows of it.

    Returns
    -------
    SiteClimate
        Of k sites.
    """

    def taken(value: Any) -> Any:
        return tuple(value[k] for k in rows.tolist()) if isinstance(value, tuple) else value[rows]

    found = {
        one.name: getattr(climate, one.name) for one in fields(SiteClimate) if one.name != "yearly_peak_mm_day"
    }
    return replace(climate, **{name: taken(value) for name, value in found.items() if value is not None})


def _first(values: Sequence[Floats | None]) -> Floats:
    return next(value for value in values if value is not None)
