"""Whose controller is whose: points of one file for all sites of a contract, each joined to its site.

By an attribute that names the site, else by place: inside one outline, or nearest to one within a stated distance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import shapely
from pyproj import CRS

from planner.layers.build import Given, read_contract_sites
from planner.layers.columns import text
from planner.layers.disagree import say_ages
from planner.layers.frame import WGS84, local_frame, project, project_shapes
from planner.layers.nearby import ROWS, StandIn, read_stand_in
from planner.layers.standing import ATTRIBUTES, NAMED_ATTRIBUTES, settle_units
from planner.layers.vector import Layer, anchors, count_features, read_vector, stand_in
from planner.ledger import DataError, Kind, Ledger, PlanError
from planner.pieces import Pieces
from planner.plan import NamedMount, PlanFile
from planner.site import Bools, ContractSites, Floats, Ints, Shapes

OWNED = {"controllers": ATTRIBUTES["controllers"], "named": NAMED_ATTRIBUTES}  # layers whose points are one site's
M_PER_DEG = 110_000.0  # of latitude, and of longitude at the equator; rather too few


@dataclass(frozen=True)
class Shared:
    """What all sites of a contract share, read once.

    layers: by name, each with the row number in the file of sites (n,) that its points belong to, 0 for none.
    named: the plan's `[[mounts.named]]`, with the same numbers. stand_ins: of layers without an index, by key.
    """

    layers: Mapping[str, tuple[Layer, Ints]] = field(default_factory=dict)
    named: tuple[tuple[NamedMount, int], ...] = ()
    stand_ins: Mapping[str, StandIn] = field(default_factory=dict)

    def given(self, outline: Layer) -> Given:
        """What one site is given: its own points, and where the rest is to be looked for."""
        row = int(outline.rows[0])
        return Given(
            outline,
            {name: layer.take(of == row) for name, (layer, of) in self.layers.items()},
            tuple(mount for mount, of in self.named if of == row),
            self.stand_ins,
        )


def own_plan(plan_file: PlanFile, given: Given, elevation_m: float) -> PlanFile:
    """The plan as it would be written for one site of a contract alone.

    Parameters
    ----------
    plan_file
        Of the contract.
    given
        What the contract has read for this site.
    elevation_m
        NaN where nothing is said of it.

    Returns
    -------
    PlanFile
        Of one site.
    """
    plan = plan_file.plan
    climate = plan.climate.model_copy(update={"daily": None})
    if np.isfinite(elevation_m):
        climate = climate.model_copy(update={"elevation_m": float(elevation_m)})
    mounts = plan.mounts.model_copy(update={"named": given.named})
    return replace(
        plan_file,
        plan=plan.model_copy(update={"contract": None, "climate": climate, "mounts": mounts}),
    )


def read_near(plan_file: PlanFile) -> tuple[str, ...]:
    """Names of the plan's layers of which only what lies near a site is read."""
    layers = plan_file.plan.layers
    return tuple(n for n in ATTRIBUTES if n not in OWNED and layers is not None and getattr(layers, n) is not None)


def keep_stand_in(plan_file: PlanFile, name: str, folder: Pieces, ledger: Ledger) -> str | None:
    """Keep one layer as a stand-in in the folder of unfinished work.

    Parameters
    ----------
    plan_file
        Of a contract with `[layers]`.
    name
        Of the layer, such as "buildings".
    folder
        Where it is kept; what lies there whole is not made again.
    ledger
        Told what was repaired, once for all sites.

    Returns
    -------
    str or None
        The stand-in's path; None where the layer has an index of its own.

    Raises
    ------
    PlanError, DataError
        The layer is not there, or holds what cannot be used.
    OutputError
        The stand-in cannot be written.
    """
    section, path = getattr(plan_file.plan.layers, name), folder.path(f"layer-{name}", ".gpkg")
    kept = stand_in(plan_file, f"layers.{name}", section, ATTRIBUTES[name], ledger, path)
    return str(path) if kept else None


def keep_stand_ins(plan_file: PlanFile, folder: Pieces, ledger: Ledger) -> dict[str, str]:
    """Keep each layer without an index as a stand-in.

    Parameters
    ----------
    plan_file, folder, ledger
        As :func:`keep_stand_in` takes them.

    Returns
    -------
    dict
        Paths by the plan's key, such as "layers.buildings".

    Raises
    ------
    PlanError, DataError, OutputError
        As there.
    """
    kept = {f"layers.{name}": keep_stand_in(plan_file, name, folder, ledger) for name in read_near(plan_file)}
    return {key: path for key, path in kept.items() if path is not None}


def read_through(plan_file: PlanFile, name: str, ledger: Ledger) -> None:
    """Read all of a layer, a part at a time, for what there is to say of it.

    Parameters
    ----------
    plan_file
        Of a contract with `[layers]`.
    name
        Of the layer, such as "buildings".
    ledger
        Told what would be repaired, assumed or left out.

    Raises
    ------
    PlanError, DataError
        The layer is not there, or holds what cannot be used.
    """
    section, key = getattr(plan_file.plan.layers, name), f"layers.{name}"
    total = count_features(plan_file, key, section)
    for first in range(0, max(total, 1), ROWS):
        part = read_vector(
            plan_file, key, section, ATTRIBUTES[name], ledger, rows=(first, min(first + ROWS, total))
        )
        settle_units(plan_file, section, part, ledger)


def shared(plan_file: PlanFile, stand_ins: Mapping[str, str], ledger: Ledger) -> Shared:
    """Controllers and named places of all sites, each joined to its site.

    Parameters
    ----------
    plan_file
        Of a contract.
    stand_ins
        Paths, as :func:`keep_stand_ins` gives them.
    ledger
        Told which points belong to no site.

    Returns
    -------
    Shared
        What each site is given of it.

    Raises
    ------
    PlanError
        The plan names a column or a CRS that is not there.
    DataError
        A file holds what cannot be used, or a name that several sites have.
    """
    plan = plan_file.plan
    say_ages(plan_file, ledger)
    sections = {name: getattr(plan.layers, name) for name in OWNED if getattr(plan.layers, name) is not None}
    found: dict[str, tuple[Layer, Ints]] = {}
    named: tuple[tuple[NamedMount, int], ...] = ()
    if sections or plan.mounts.named:
        sites = read_contract_sites(plan_file, Ledger())
        for name, section in sections.items():
            layer = read_vector(plan_file, f"layers.{name}", section, OWNED[name], ledger)
            if section.site is not None:
                of = _by_attribute(plan_file, layer, section.site, sites, ledger)
            else:
                of = _by_place(plan_file, layer.where, layer.names, anchors(layer), sites, ledger)
            found[name] = (layer, of)
        if plan.mounts.named:
            at = np.array([_lonlat(plan_file, k, mount) for k, mount in enumerate(plan.mounts.named)])
            names = [mount.name for mount in plan.mounts.named]
            of = _by_place(plan_file, "mounts.named", names, at, sites, ledger)
            named = tuple(zip(plan.mounts.named, map(int, of), strict=True))
    return Shared(found, named, {key: read_stand_in(Path(path)) for key, path in stand_ins.items()})


def _lonlat(plan_file: PlanFile, k: int, mount: NamedMount) -> Floats:
    try:
        crs = CRS.from_user_input(mount.crs)
    except Exception:
        raise PlanError(
            f"{plan_file.path}: mounts.named.{k} ({mount.name})",
            f"'{mount.crs}' is not a CRS of places on the earth",
            "Write it as EPSG:4326",
        ) from None
    return project(np.array([mount.x, mount.y]), crs, WGS84)


def _by_attribute(plan_file: PlanFile, layer: Layer, column: str, sites: ContractSites, ledger: Ledger) -> Ints:
    """Row numbers (n,) of the sites that a layer's points name; small and capital letters are alike."""
    section = plan_file.plan.contract.sites if plan_file.plan.contract is not None else None
    key = None if section is None else section.key
    if key is not None and key not in sites.own:
        raise PlanError(
            f"{plan_file.path}: contract.sites.key",
            f"the file of sites has no attribute '{key}'",
            f"It has: {', '.join(sites.own)}",
        )
    words = [text(v) for v in (sites.own[key].to_pylist() if key is not None else sites.names)]
    rows: dict[str, int] = {}
    again = set()
    for word, row in zip(words, sites.rows, strict=True):
        if rows.setdefault(word.casefold(), int(row)) != row:
            again.add(word.casefold())
    asked = [text(v).casefold() for v in layer.table[column]]
    if twice := sorted(again & set(asked)):
        raise DataError(
            layer.where,
            f"'{column}' speaks of '{twice[0]}', and several sites are called so",
            "Give the sites a column of keys of their own, and name it as contract.sites.key",
        )
    of = np.array([rows.get(word, 0) for word in asked], np.int64)
    if not (of > 0).any():
        raise DataError(
            layer.where,
            f"no '{column}' is the {'key' if key else 'name'} of a site",
            "Name the column that holds the site as `site`, or the sites' column of keys as contract.sites.key",
        )
    _say_lost(layer.where, layer.names, of == 0, "names no site of the contract: left out", ledger)
    return of


def _by_place(
    plan_file: PlanFile, where: str, names: Sequence[str], lonlat: Floats, sites: ContractSites, ledger: Ledger
) -> Ints:
    """Row numbers (n,) of the sites at which points (n, 2) lie, 0 for none."""
    contract = plan_file.plan.contract
    within_m = contract.belongs_within_m if contract is not None else 0.0
    shapes = np.empty(len(sites), object)
    shapes[:] = sites.shapes
    of, doubtful = belongs(lonlat, shapes, within_m)
    far = ledger.length(within_m)
    _say_lost(
        where, names, of < 0, f"in no site, nor within {far} of one (contract.belongs_within_m): left out", ledger
    )
    if doubtful.any():
        ledger.add(
            Kind.CHECK,
            where,
            f"in more than one site, or within {far} of several: taken for the nearest, the smallest of those that "
            "hold it; name the site in a column (`site`)",
            [names[int(k)] for k in np.flatnonzero(doubtful)],
        )
    if not len(sites):
        return np.zeros(len(lonlat), np.int64)
    return np.asarray(np.where(of >= 0, sites.rows[of], 0), np.int64)


def belongs(lonlat: Floats, shapes: Shapes, within_m: float) -> tuple[Ints, Bools]:
    """Rows (n,) of the outlines (EPSG:4326) that points (n, 2) belong to, -1 for none; and where others would do.

    One that holds the point, the smallest of several; else the nearest within `within_m`.
    """
    of, doubtful = np.full(len(lonlat), -1, np.int64), np.zeros(len(lonlat), bool)
    known = np.flatnonzero(np.isfinite(lonlat).all(axis=1))
    tree = shapely.STRtree(shapes)
    point, inside = tree.query(shapely.points(lonlat[known]), predicate="within")
    count = np.bincount(point, minlength=len(known))
    of[known[point]] = inside  # of those that lie in one
    for k in np.flatnonzero(count > 1):
        held = inside[point == k]
        of[known[k]] = held[np.argmin(shapely.area(shapes[held]))]
        doubtful[known[k]] = True
    for k in known[count == 0]:
        lon, lat = lonlat[k]
        up = within_m / M_PER_DEG
        across = up / max(np.cos(np.radians(lat)), 0.01)
        near = tree.query(shapely.box(lon - across, lat - up, lon + across, lat + up))
        if not len(near):
            continue
        frame = local_frame(shapely.Point(lon, lat), WGS84)
        gap = shapely.distance(project_shapes(shapes[near], WGS84, frame.crs), shapely.Point(0, 0))
        if gap.min() <= within_m:
            of[k], doubtful[k] = near[np.argmin(gap)], (gap <= within_m).sum() > 1
    return of, doubtful


def _say_lost(where: str, names: Sequence[str], lost: Bools, why: str, ledger: Ledger) -> None:
    if lost.any():
        ledger.add(Kind.SKIPPED, where, why, [names[int(k)] for k in np.flatnonzero(lost)])
