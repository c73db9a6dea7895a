"""From a plan to a :class:`~planner.site.Site`, or to the sites of a contract."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import ParamSpec, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner.layers import columns, disagree, relief, standing
from planner.layers.frame import (
    WGS84,
    Frame,
    apart_m,
    cut_at_antimeridian,
    project,
    project_shapes,
    unwrapped,
)
from planner.layers.nearby import Near, StandIn
from planner.layers.outline import outline_of, pick_site, right_way_round
from planner.layers.own import own_columns, own_values
from planner.layers.source import label, locate, on_earth, place
from planner.layers.standing import NAMED_ATTRIBUTES, NAMED_WITHIN_M
from planner.layers.vector import Layer, count_features, may_land, read_attributes, read_vector, repaired
from planner.ledger import DataError, Kind, Ledger, PlanError, PlannerError
from planner.plan import ContractSites as ContractLayer
from planner.plan import Layers, NamedMount, PlanFile, VectorLayer
from planner.site import (
    NO_GROUNDS,
    SURROUNDINGS_M,
    ContractSites,
    Crowns,
    Floats,
    Heights,
    KeepOuts,
    Prisms,
    Rejected,
    Site,
    ground_at,
    joined_crowns,
    no_crowns,
    no_places,
    no_prisms,
)
from planner.units import distance

WIDEST_SITE_DEG = 2.0  # of a contract's site: about 200 km, eight cells of the built-in climate
# Standard time and the sun are seldom two hours apart; a little over three in the west of China (from memory).
CLOCK_OFF_H, CLOCK_MOST_H = 2.0, 3.5

P = ParamSpec("P")
T = TypeVar("T")


class Faults(list[PlannerError]):
    """Errors so far. The first stops the work, unless `keep` collects them all."""

    def __init__(self, keep: bool) -> None:
        super().__init__()
        self.keep = keep

    def attempt(self, work: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T | None:
        """What `work` gives; None, and the fault kept, where it cannot."""
        try:
            return work(*args, **kwargs)
        except PlannerError as fault:
            if not self.keep:
                raise
            self.append(fault)
            return None


@dataclass(frozen=True)
class Given:
    """What a contract has read already for one of its sites.

    outline: the site's own feature. whole: layers of which each feature belongs to one site, by name, those of this
    site alone; the rest is read as far as it lies near. named: those of the plan's `[[mounts.named]]` that are this
    site's. stand_ins: of layers without an index, by the plan's key.
    """

    outline: Layer
    whole: Mapping[str, Layer] = field(default_factory=dict)
    named: tuple[NamedMount, ...] = ()
    stand_ins: Mapping[str, StandIn] = field(default_factory=dict)


def read_site(plan_file: PlanFile, ledger: Ledger, given: Given | None = None) -> Site:
    """Everything that `[layers]` names, as one site in its local frame.

    Parameters
    ----------
    plan_file
        The plan.
    ledger
        Told what was repaired, assumed or left out.
    given
        Of a contract: what it has read already. A layer may then have nothing near this site, and exchanged axes of
        its outline are not looked for in other layers.

    Returns
    -------
    Site
        Metres east, north and up; grid north is true north at its origin.

    Raises
    ------
    PlanError
        The plan names no layers, or a file, column or CRS that is not there.
    DataError
        A file holds what cannot be used.
    """
    site = read_site_keeping(plan_file, ledger, Faults(keep=False), given)
    assert site is not None  # without `keep` the first fault was raised
    return site


def named_xy(plan_file: PlanFile, site: Site) -> Floats:
    """Places of the plan's `[[mounts.named]]` in the site's frame.

    Parameters
    ----------
    plan_file
        The plan; each place has a CRS of its own there.
    site
        Whose frame is meant.

    Returns
    -------
    ndarray
        (k, 2) metres east and north.

    Raises
    ------
    PlanError
        A place is farther than NAMED_WITHIN_M from the site, or its CRS is none of places on the earth.
    """
    found = []
    for k, mount in enumerate(plan_file.plan.mounts.named):
        where = f"{plan_file.path}: mounts.named.{k} ({mount.name})"
        try:
            crs = CRS.from_user_input(mount.crs)
            known = on_earth(crs)
        except Exception:
            known = False
        if not known:
            raise PlanError(where, f"'{mount.crs}' is not a CRS of places on the earth", "Write it as EPSG:4326")
        lonlat = project(np.array([mount.x, mount.y]), crs, WGS84)
        away = _away_m(lonlat, site)
        if not away <= NAMED_WITHIN_M:
            turned = _away_m(project(np.array([mount.y, mount.x]), crs, WGS84), site)
            at = f"{distance(away, plan_file.plan.units)} from the site" if np.isfinite(away) else "off the earth"
            raise PlanError(
                where,
                f"x = {mount.x:g}, y = {mount.y:g} by {label(crs)} is {at}",
                "x and y are in the wrong order: x is the longitude or easting"
                if turned <= NAMED_WITHIN_M
                else "Check x, y and crs",
            )
        found.append(project(lonlat, WGS84, site.crs))
    return np.array(found, float).reshape(-1, 2)


def with_named(plan_file: PlanFile, site: Site, ledger: Ledger, layer: Layer | None = None) -> PlanFile:
    """The plan with the points of `[layers.named]` among its `[[mounts.named]]`.

    Parameters
    ----------
    plan_file
        The plan.
    site
        In whose frame the places are written.
    ledger
        Told what was assumed.
    layer
        The points of this site, where they are read already; `[layers.named]` is then taken out of the plan.

    Returns
    -------
    PlanFile
        The same one where the plan names no such layer.

    Raises
    ------
    PlanError
        Two named places share a name, or the layer's file is not there.
    DataError
        A point is far off, or has no height.
    """
    layers = plan_file.plan.layers
    section = None if layers is None else layers.named
    if layers is None or section is None:
        return plan_file
    if layer is None:
        layer = read_vector(plan_file, "layers.named", section, NAMED_ATTRIBUTES, ledger)
    else:
        layers = layers.model_copy(update={"named": None})
    frame = Frame(site.crs, site.latitude_deg, site.longitude_deg)
    found = standing.named(layer, section, plan_file, frame, site.outline, ledger) if len(layer) else []
    mounts = plan_file.plan.mounts
    names = [point.name for point in (*mounts.named, *found)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise PlanError(
            f"{plan_file.path}: layers.named",
            f"two named places are called '{twice[0]}'",
            "Give each a name of its own",
        )
    mounts = mounts.model_copy(update={"named": (*mounts.named, *found)})
    return replace(plan_file, plan=plan_file.plan.model_copy(update={"mounts": mounts, "layers": layers}))


def _away_m(lonlat: Floats, site: Site) -> float:
    if not np.isfinite(lonlat).all() or abs(lonlat[1]) > 90:
        return float("inf")
    centre = np.array([site.longitude_deg, site.latitude_deg])
    if apart_m(lonlat, centre) > 10 * NAMED_WITHIN_M:
        return float(apart_m(lonlat, centre))
    return float(shapely.distance(shapely.Point(project(lonlat, WGS84, site.crs)), site.outline))


def _layers(plan_file: PlanFile) -> Layers:
    if plan_file.plan.layers is None:
        if plan_file.plan.contract is not None:
            raise PlanError(
                f"{plan_file.path}: layers",
                "the plan names a contract and no layers of one site",
                "Run `noonmark contract` on it, or give it [layers.site]",
            )
        raise PlanError(
            f"{plan_file.path}: layers",
            "the plan names no layers",
            "Give it at least [layers.site], or a [contract]",
        )
    return plan_file.plan.layers


def read_site_keeping(
    plan_file: PlanFile, ledger: Ledger, faults: Faults, given: Given | None = None
) -> Site | None:
    """As :func:`read_site`, with all faults kept.

    Parameters
    ----------
    plan_file, ledger, given
        As there.
    faults
        Takes what is wrong; where it does not keep, the first is raised.

    Returns
    -------
    Site or None
        Without what is at fault; None where there is not even an outline.
    """
    ledger.units = plan_file.plan.units
    layers = faults.attempt(_layers, plan_file)
    if layers is None:
        return None
    site = given.outline if given is not None else faults.attempt(pick_site, plan_file, layers, ledger)
    raw = _read_vectors(plan_file, layers, ledger, faults, given)
    if site is not None and given is None:
        site = faults.attempt(right_way_round, plan_file, layers, site, list(raw.values()), ledger)
    framed = faults.attempt(outline_of, site, ledger) if site is not None else None
    if framed is None:
        _locate_rasters(plan_file, layers, faults)
        return None
    frame, outline = framed
    faults.attempt(_check_time_zone, plan_file, frame, ledger)
    terrains, surfaces, canopies = _read_rasters(plan_file, layers, frame, outline, faults, ledger)
    terrain, terrain_far = (*terrains, None, None)[:2]

    def stood(name: str, nothing: T, work: Callable[..., T], *more: object) -> T:
        """What a layer holds, in the site's frame; `nothing` where there is no such layer, or it is at fault."""
        section, layer = getattr(layers, name), raw.get(name)
        if layer is not None:
            layer = faults.attempt(standing.lay_out, section, layer, frame, outline, ledger)
        if layer is None:
            return nothing
        return faults.attempt(work, layer, section, *more, ledger) or nothing

    none = np.empty(0, bool)
    known = _known(layers, surfaces)
    buildings, pitched, mountable, assumed = stood(
        "buildings", (no_prisms(), none, none, none), standing.buildings, terrain, known
    )
    crowns, crown_prisms, crown_evergreen = stood(
        "trees", (no_crowns(), no_prisms(), none), standing.trees, terrain, known, buildings
    )
    told = disagree.Told(buildings, assumed, crowns, terrain, known)
    apart = faults.attempt(disagree.of_site, plan_file, raw.get("buildings"), outline, told, ledger) or ()
    if layers.surface_shades and surfaces:
        relief.say_stood_in(len(crowns) + len(crown_prisms), len(canopies) > 0, ledger)
    else:
        canopies = canopies or _shown(layers, surfaces, terrains, buildings, ledger)
        surfaces = ()
        canopies, crowns = _each_tree_once(layers, canopies, crowns, crown_prisms, buildings, terrain, ledger)
    surface, surface_far = (*surfaces, None, None)[:2]
    canopy, canopy_far = (*canopies, None, None)[:2]
    controllers = stood("controllers", no_places(), standing.controllers, terrain, buildings)
    poles = stood("poles", no_places(), standing.poles, terrain)
    keep_outs = stood("keep_outs", KeepOuts((), (), ()), standing.keep_outs)
    grounds = stood("grounds", NO_GROUNDS, standing.grounds)
    if given is None:  # of a contract it is said once
        faults.attempt(disagree.say_ages, plan_file, ledger)
    _say_absent(layers, surface is not None or canopy is not None, ledger)
    return Site(
        name=site.names[0] if site is not None and layers.site.name is not None else plan_file.plan.title,
        crs=frame.crs,
        latitude_deg=frame.latitude_deg,
        longitude_deg=frame.longitude_deg,
        elevation_m=float(ground_at(terrain, np.zeros(2))) if terrain is not None else float("nan"),
        outline=outline,
        buildings=buildings,
        pitched=pitched,
        mountable=mountable,
        crowns=crowns,
        crown_prisms=crown_prisms,
        crown_evergreen=crown_evergreen,
        terrain=terrain,
        surface=surface,
        canopy=canopy,
        canopy_evergreen=_evergreen(layers),
        controllers=controllers,
        poles=poles,
        keep_outs=keep_outs,
        terrain_far=terrain_far,
        surface_far=surface_far,
        canopy_far=canopy_far,
        grounds=grounds,
        height_assumed=assumed,
        apart=apart,
    )


def _locate_rasters(plan_file: PlanFile, layers: Layers, faults: Faults) -> None:
    """Without an outline there is no place for rasters: they can only be looked for."""
    for name in ("terrain", "surface", "canopy"):
        section = getattr(layers, name)
        if section is not None:
            faults.attempt(locate, plan_file, f"layers.{name}.path", section.path)


def _read_rasters(
    plan_file: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, faults: Faults, ledger: Ledger
) -> tuple[relief.Rasters, relief.Rasters, relief.Rasters]:
    """Terrain, surface model and canopy, near and far; nothing of what is not there, or at fault."""
    terrains = faults.attempt(relief.read_terrain, plan_file, layers, frame, outline, ledger) or ()
    surfaces = faults.attempt(relief.read_surface, plan_file, layers, frame, outline, ledger) or ()
    surfaces = faults.attempt(relief.on_terrain, surfaces, terrains, layers.surface, ledger) or ()
    canopies = faults.attempt(relief.read_canopy, plan_file, layers, frame, outline, ledger) or ()
    return terrains, surfaces, canopies


def _each_tree_once(
    layers: Layers,
    canopies: relief.Rasters,
    crowns: Crowns,
    crown_prisms: Prisms,
    buildings: Prisms,
    terrain: Heights | None,
    ledger: Ledger,
) -> tuple[relief.Rasters, Crowns]:
    """The canopy without the trees that are given, or its trees found and joined to those."""
    canopies = relief.each_tree_once(canopies, crowns, crown_prisms, ledger)
    if not canopies or layers.canopy is None or layers.canopy.use != "trees":
        return canopies, crowns
    found, canopies = relief.trees_in(canopies, layers.canopy, terrain, buildings, ledger)
    return canopies, joined_crowns(crowns, found)


def _shown(
    layers: Layers, surfaces: relief.Rasters, terrains: relief.Rasters, buildings: Prisms, ledger: Ledger
) -> relief.Rasters:
    """The trees that the surface model shows, where no layer gives any."""
    section = layers.surface
    none_given = layers.trees is None and layers.canopy is None
    if section is None or section.leaf == "none" or not surfaces or not none_given or not layers.ground_is_known:
        return ()
    return relief.leaves_shown(surfaces, terrains, section, buildings, ledger)


def _evergreen(layers: Layers) -> bool:
    """Whether leaves that stand in cells are kept all year."""
    told = layers.surface if layers.canopy is None else layers.canopy
    return told is not None and told.leaf == "evergreen"


def _known(layers: Layers, surfaces: Sequence[Heights]) -> standing.Surfaces:
    """What the surface models tell of things without a height."""
    if layers.surface is None:
        return standing.Surfaces(surfaces)
    return standing.Surfaces(surfaces, layers.surface.above == "ground", layers.surface.percentile)


def _read_vectors(
    plan_file: PlanFile, layers: Layers, ledger: Ledger, faults: Faults, given: Given | None
) -> dict[str, Layer]:
    """The layers of what stands on a site, by name, each in its own CRS; of a contract's site what lies near it."""
    near = None
    if given is not None:
        near = Near(*outline_of(given.outline, Ledger()), SURROUNDINGS_M, given.stand_ins)
    found: dict[str, Layer] = {}
    for name, attributes in standing.ATTRIBUTES.items():
        section = getattr(layers, name)
        if section is None:
            continue
        layer = given.whole.get(name) if given is not None else None
        if layer is None:
            layer = faults.attempt(_read_near, plan_file, f"layers.{name}", section, attributes, ledger, near)
        if layer is None:
            continue
        faults.attempt(standing.settle_units, plan_file, section, layer, ledger)
        if given is None or len(layer):
            found[name] = layer
        else:
            ledger.add(Kind.ASSUMED, layer.where, "nothing of it lies near this site")
    return found


def _read_near(
    plan_file: PlanFile,
    key: str,
    section: VectorLayer,
    attributes: tuple[str, ...],
    ledger: Ledger,
    near: Near | None,
) -> Layer:
    """One layer; of a box empty where all that was read stands in its corners, farther than counts."""
    layer = read_vector(plan_file, key, section, attributes, ledger, near=near)
    if near is None or not len(layer) or may_land(layer, near.frame, near.outline):
        return layer
    return layer.take(np.zeros(len(layer), bool))


def _check_time_zone(plan_file: PlanFile, frame: Frame, ledger: Ledger) -> None:
    """A time zone of another part of the earth would put every hour of sun wrong."""
    name = plan_file.plan.time_zone
    if name is None:
        return
    # standard time, on either half of the earth
    east_h = min(
        ZoneInfo(name).utcoffset(datetime(2023, month, 15)).total_seconds() / 3600  # type: ignore[union-attr]
        for month in (1, 7)
    )
    ahead_h = (east_h - frame.longitude_deg / 15 + 12) % 24 - 12
    if abs(ahead_h) <= CLOCK_OFF_H:
        return
    what = f"noon by the clock of {name} is {abs(ahead_h):.1f} h {'before' if ahead_h > 0 else 'after'} the sun's"
    if abs(ahead_h) > CLOCK_MOST_H:
        raise PlanError(
            f"{plan_file.path}: time_zone",
            f"{what} at the site ({place(np.array([frame.longitude_deg, frame.latitude_deg]))}), more than "
            "anywhere on the earth",
            "Name the site's own time zone, or leave it out for true solar time",
        )
    ledger.add(Kind.CHECK, "time_zone", f"{what} here: hours of sun are wrong if the site keeps another clock")


def _say_absent(layers: Layers, shown: bool, ledger: Ledger) -> None:
    """shown: a raster shows trees, or all that stands."""
    none_shades = "" if layers.surface_shades else "none shades, and "
    for name, what in (
        ("buildings", f"no buildings are given: {none_shades}none carries a mount"),
        ("trees", "" if shown else "no trees are given: none shades"),
        ("terrain", "no terrain is given: the ground is taken as flat, and hills shade nothing"),
        ("controllers", "no controllers are given: reach is not judged"),
        ("keep_outs", "no keep-outs are given: spray, heat and places without access are not judged"),
    ):
        if what and getattr(layers, name) is None:
            ledger.add(Kind.ASSUMED, f"layers.{name}", what)


def count_contract_sites(plan_file: PlanFile) -> int:
    """Rows of the file of sites, usable or not.

    Parameters
    ----------
    plan_file
        Of a contract.

    Returns
    -------
    int
        Of those that `contract.sites.where` picks.

    Raises
    ------
    PlanError
        The plan names no contract, or its file is not there.
    DataError
        The file cannot be read.
    """
    return count_features(plan_file, "contract.sites", _contract_section(plan_file))


def read_contract_sites(plan_file: PlanFile, ledger: Ledger, rows: tuple[int, int] | None = None) -> ContractSites:
    """The sites that `[contract]` names, each with one climate.

    Parameters
    ----------
    plan_file
        Of a contract.
    ledger
        Told what was repaired, and which sites were left out.
    rows
        The first row of the file, from 0, and the one after the last; all of them unless given.

    Returns
    -------
    ContractSites
        The good ones, in EPSG:4326, with their own columns; bad ones with their reason.

    Raises
    ------
    PlanError
        The plan names no contract, or its file or a column is not there.
    DataError
        The file cannot be read, or none of its sites can be used.
    """
    section, key = _contract_section(plan_file), "contract.sites"
    layer = read_vector(plan_file, key, section, ("name", "elevation"), ledger, rows=rows, whole=True)
    # repaired while whole, cut at the antimeridian after
    lonlat = replace(layer, crs=WGS84, shapes=unwrapped(project_shapes(layer.shapes, layer.crs, WGS84)))
    left, bottom, right, top = shapely.bounds(lonlat.shapes).T
    wide = np.maximum(right - left, top - bottom) > WIDEST_SITE_DEG
    lonlat = lonlat.without(
        wide, f"more than {WIDEST_SITE_DEG:g} degrees wide: no site has one climate there", ledger
    )
    if not len(lonlat):
        raise DataError(layer.where, "every one of its sites is too wide to be one", "Check the layer and its CRS")
    lonlat = repaired(lonlat, "points or polygons", ledger, least_area=1e-12)
    _say_repeated(lonlat, ledger)
    stated = "elevation_unit" in section.model_fields_set
    columns.settle_unit(
        layer, section.elevation, "elevation_unit", section.elevation_unit, stated, str(plan_file.path), ledger
    )
    elevation = columns.numbers(
        lonlat,
        section.elevation,
        "elevation",
        columns.Within(-430.0, 6000.0),
        ledger,
        columns.factor_of(section.elevation_unit),
    )
    return ContractSites(
        lonlat.names,
        tuple(cut_at_antimeridian(lonlat.shapes)),
        elevation,
        tuple(replace(one, own=own_values(dict(one.own))) for one in lonlat.left_out),
        lonlat.rows,
        own_columns(lonlat),
    )


def contract_rows(plan_file: PlanFile, rows: tuple[int, int], why: str) -> tuple[Rejected, ...]:
    """Some rows of the file of sites, none of which can be used.

    Parameters
    ----------
    plan_file
        Of a contract.
    rows
        The first row, from 0, and the one after the last.
    why
        The reason that each is given.

    Returns
    -------
    tuple of Rejected
        One a row, with its own columns.

    Raises
    ------
    PlanError
        The plan names no contract, or its file is not there.
    DataError
        The file cannot be read.
    """
    found = read_attributes(plan_file, "contract.sites", _contract_section(plan_file), rows)
    return tuple(Rejected(name, why, row, own_values(own)) for name, row, own in found)


def read_outlines(plan_file: PlanFile, rows: tuple[int, int]) -> dict[int, Layer]:
    """The features of a contract's sites in some rows, as the file has them.

    Parameters
    ----------
    plan_file
        Of a contract.
    rows
        The first row, from 0, and the one after the last.

    Returns
    -------
    dict
        Each feature as a layer of its own, by its number in the file, from 1. Those that cannot be used are said by
        :func:`read_contract_sites`.

    Raises
    ------
    PlanError
        The plan names no contract, or its file is not there.
    DataError
        The file cannot be read, or has no geometry.
    """
    section = _contract_section(plan_file)
    layer = read_vector(plan_file, "contract.sites", section, ("name",), Ledger(), rows=rows, whole=True)
    each = np.eye(len(layer), dtype=bool)
    return {int(row): layer.take(mask) for row, mask in zip(layer.rows, each, strict=True)}


def _say_repeated(sites: Layer, ledger: Ledger) -> None:
    """Tell of names that come again, and apart of sites that stand in the table again, name and place."""
    twice = {name for name, times in Counter(sites.names).items() if times > 1}
    rows = [k for k, name in enumerate(sites.names) if name in twice]
    alike = Counter((sites.names[k], sites.shapes[k].wkb) for k in rows)
    again = {name for (name, _), times in alike.items() if times > 1}
    others = {name for name, places in Counter(name for name, _ in alike).items() if places > 1}
    for names, what in (
        (others, "several sites have the same name; all are kept"),
        (again, "rows of the same name and place: each is kept, and counts in every total. The same site twice?"),
    ):
        if names:
            ledger.add(Kind.CHECK, sites.where, what, [n for n in dict.fromkeys(sites.names) if n in names])


def _contract_section(plan_file: PlanFile) -> ContractLayer:
    if plan_file.plan.contract is None:
        todo = "Give it [contract.sites]"
        if plan_file.plan.layers is not None:
            todo = "Run `noonmark site` on it, or give it [contract.sites]"
        raise PlanError(f"{plan_file.path}: contract", "the plan names no contract", todo)
    return plan_file.plan.contract.sites
