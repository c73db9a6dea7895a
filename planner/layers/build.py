"""From a plan to a :class:`~planner.site.Site`, or to the sites of a contract."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import ParamSpec, TypeVar

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from rasterio.features import geometry_mask
from shapely.geometry.base import BaseGeometry

from planner.ground import cell_error_deg
from planner.layers import columns, parts
from planner.layers.frame import (
    WGS84,
    Frame,
    apart_m,
    cut_at_antimeridian,
    project,
    project_shapes,
    unwrapped,
)
from planner.layers.outline import outline_of, pick_site, right_way_round
from planner.layers.raster import read_heights
from planner.layers.source import distance, label, locate
from planner.layers.vector import SURROUNDINGS_M, Layer, count_features, read_vector, repaired
from planner.ledger import DataError, Kind, Ledger, PlanError, PlannerError
from planner.plan import ContractSites as ContractLayer
from planner.plan import Layers, PlanFile
from planner.site import (
    NO_GROUNDS,
    ContractSites,
    Crowns,
    Floats,
    Heights,
    KeepOuts,
    Prisms,
    Site,
    ground_at,
    no_crowns,
    no_places,
    no_prisms,
)
from planner.units import M_PER_FT

NAMED_WITHIN_M = 5000.0
OBSTACLE_REACH_M = 300.0  # surface and canopy: a 30 m tree at 300 m stands 5.7 degrees high

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


def read_site(plan: PlanFile, ledger: Ledger) -> Site:
    """Everything that `[layers]` names, as one site in its local frame. Raises PlanError or DataError."""
    site = read_site_keeping(plan, ledger, Faults(keep=False))
    assert site is not None  # without `keep` the first fault was raised
    return site


def named_xy(plan: PlanFile, site: Site) -> Floats:
    """(k, 2) places of the plan's `[[mounts.named]]` in the site's frame; PlanError where one is far off."""
    found = []
    for k, mount in enumerate(plan.plan.mounts.named):
        where = f"{plan.path}: mounts.named.{k} ({mount.name})"
        try:
            crs = CRS.from_user_input(mount.crs)
        except Exception:
            raise PlanError(where, f"'{mount.crs}' is not a CRS that PROJ knows", "Write it as EPSG:4326") from None
        lonlat = project(np.array([mount.x, mount.y]), crs, WGS84)
        away = _away_m(lonlat, site)
        if not away <= NAMED_WITHIN_M:
            turned = _away_m(project(np.array([mount.y, mount.x]), crs, WGS84), site)
            at = f"{distance(away)} from the site" if np.isfinite(away) else "off the earth"
            raise PlanError(
                where,
                f"x = {mount.x:g}, y = {mount.y:g} by {label(crs)} is {at}",
                "x and y are in the wrong order: x is the longitude or easting"
                if turned <= NAMED_WITHIN_M
                else "Check x, y and crs",
            )
        found.append(project(lonlat, WGS84, site.crs))
    return np.array(found, float).reshape(-1, 2)


def _away_m(lonlat: Floats, site: Site) -> float:
    if not np.isfinite(lonlat).all() or abs(lonlat[1]) > 90:
        return float("inf")
    centre = np.array([site.longitude_deg, site.latitude_deg])
    if apart_m(lonlat, centre) > 10 * NAMED_WITHIN_M:
        return float(apart_m(lonlat, centre))
    return float(shapely.distance(shapely.Point(project(lonlat, WGS84, site.crs)), site.outline))


def _layers(plan: PlanFile) -> Layers:
    if plan.plan.layers is None:
        if plan.plan.contract is not None:
            raise PlanError(
                f"{plan.path}: layers",
                "the plan names a contract and no layers of one site",
                "Run `noonmark contract` on it, or give it [layers.site]",
            )
        raise PlanError(
            f"{plan.path}: layers", "the plan names no layers", "Give it at least [layers.site], or a [contract]"
        )
    return plan.plan.layers


def read_site_keeping(plan: PlanFile, ledger: Ledger, faults: Faults) -> Site | None:
    """As :func:`read_site`, with the faults in `faults`; None where there is not even an outline."""
    ledger.units = plan.plan.units
    layers = faults.attempt(_layers, plan)
    if layers is None:
        return None
    site = faults.attempt(pick_site, plan, layers, ledger)
    raw: dict[str, Layer] = {}
    for name, attributes in parts.ATTRIBUTES.items():
        section = getattr(layers, name)
        if section is not None:
            layer = faults.attempt(read_vector, plan, f"layers.{name}", section, attributes, ledger)
            if layer is not None:
                raw[name] = layer
    if site is not None:
        site = faults.attempt(right_way_round, plan, layers, site, list(raw.values()), ledger)
    framed = faults.attempt(outline_of, site, ledger) if site is not None else None
    if framed is None:
        # with no place for them, the rest can only be looked for
        for name in ("terrain", "surface", "canopy"):
            section = getattr(layers, name)
            if section is not None:
                faults.attempt(locate, plan, f"layers.{name}.path", section.path)
        return None
    frame, outline = framed
    terrain, terrain_far = _terrain(plan, layers, frame, outline, ledger, faults)
    surface, canopy = _rasters(plan, layers, frame, outline, ledger, faults)

    def laid(name: str) -> Layer | None:
        layer = raw.get(name)
        if layer is None:
            return None
        return faults.attempt(parts.lay_out, getattr(layers, name), layer, frame, outline, ledger)

    nothing = np.empty(0, bool)
    buildings, pitched, mountable = no_prisms(), nothing, nothing
    if layers.buildings is not None and (layer := laid("buildings")) is not None:
        built = faults.attempt(parts.buildings, layer, layers.buildings, terrain, surface, ledger)
        buildings, pitched, mountable = built or (buildings, pitched, mountable)
    crowns, crown_prisms, crown_evergreen = no_crowns(), no_prisms(), nothing
    if layers.trees is not None and (layer := laid("trees")) is not None:
        grown = faults.attempt(parts.trees, layer, layers.trees, terrain, ledger)
        crowns, crown_prisms, crown_evergreen = grown or (crowns, crown_prisms, crown_evergreen)
    stands_in = surface is not None and layers.surface is not None and layers.surface.use == "obstacles"
    if stands_in:
        _say_stood_in(len(crowns) + len(crown_prisms), canopy is not None, ledger)
    elif canopy is not None:
        canopy = _each_tree_once(canopy, crowns, crown_prisms, ledger)
    controllers = poles = no_places()
    if layers.controllers is not None and (layer := laid("controllers")) is not None:
        controllers = (
            faults.attempt(parts.controllers, layer, layers.controllers, terrain, buildings, ledger) or poles
        )
    if layers.poles is not None and (layer := laid("poles")) is not None:
        poles = faults.attempt(parts.poles, layer, layers.poles, terrain, ledger) or poles
    keep_outs = KeepOuts((), (), ())
    if layers.keep_outs is not None and (layer := laid("keep_outs")) is not None:
        keep_outs = faults.attempt(parts.keep_outs, layer, layers.keep_outs, ledger) or keep_outs
    grounds = NO_GROUNDS
    if layers.grounds is not None and (layer := laid("grounds")) is not None:
        grounds = faults.attempt(parts.grounds, layer, layers.grounds, ledger) or grounds

    _say_absent(layers, ledger)
    return Site(
        name=site.names[0] if site is not None and layers.site.name is not None else plan.plan.title,
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
        surface=surface if stands_in else None,
        canopy=canopy,
        canopy_evergreen=layers.canopy is not None and layers.canopy.leaf == "evergreen",
        controllers=controllers,
        poles=poles,
        keep_outs=keep_outs,
        terrain_far=terrain_far,
        grounds=grounds,
    )


def _say_absent(layers: Layers, ledger: Ledger) -> None:
    for name, what in (
        ("buildings", "no buildings are given: none shades, and none carries a mount"),
        ("trees", "no trees are given: none shades" if layers.canopy is None else ""),
        ("terrain", "no terrain is given: the ground is taken as flat, and hills shade nothing"),
        ("controllers", "no controllers are given: reach is not judged"),
        ("keep_outs", "no keep-outs are given: spray, heat and places without access are not judged"),
    ):
        if what and getattr(layers, name) is None:
            ledger.add(Kind.ASSUMED, f"layers.{name}", what)


def _terrain(
    plan: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, ledger: Ledger, faults: Faults
) -> tuple[Heights | None, Heights | None]:
    """Ground, and the same to the horizon in coarser cells where the whole is too much to read as fine as it is."""
    if layers.terrain is None:
        return None, None
    reach_m = 1000 * plan.plan.sun.terrain_km
    # the buildings around stand on ground too, however short the horizon is searched
    least_m = max(reach_m, OBSTACLE_REACH_M)
    of_whole, of_near, section = Ledger(ledger.units), Ledger(ledger.units), layers.terrain

    def within(beyond_m: float, said: Ledger) -> Heights:
        return read_heights(plan, "layers.terrain", section, frame, outline, beyond_m, said)

    whole = faults.attempt(within, least_m, of_whole)
    near = (
        faults.attempt(within, SURROUNDINGS_M, of_near) if whole is not None and least_m > SURROUNDINGS_M else None
    )
    if whole is not None:
        _say_short(whole, outline, reach_m, ledger)
    if whole is None or near is None or whole.cell_m <= 1.5 * near.cell_m:
        ledger.take(of_whole)
        return whole, None
    ledger.take(of_near)
    ledger.add(
        Kind.ASSUMED,
        "layers.terrain",
        f"cells of {ledger.length(near.cell_m)} to {ledger.length(SURROUNDINGS_M)} beyond the site, joined into "
        f"cells of {ledger.length(whole.cell_m)} from there on: sharp ridges stand lower by what is joined",
    )
    return near, whole


def _rasters(
    plan: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, ledger: Ledger, faults: Faults
) -> tuple[Heights | None, Heights | None]:
    """Surface model and canopy."""
    surface = canopy = None
    if layers.surface is not None:
        obstacles = layers.surface.use == "obstacles"
        surface = faults.attempt(
            read_heights,
            plan,
            "layers.surface",
            layers.surface,
            frame,
            outline,
            OBSTACLE_REACH_M,
            ledger,
            steps=obstacles,
        )
        if surface is not None and obstacles:
            _say_sharpness(surface, ledger)
            faults.attempt(_needs_ground, layers)
    if layers.canopy is not None:
        canopy = faults.attempt(
            read_heights,
            plan,
            "layers.canopy",
            layers.canopy,
            frame,
            outline,
            OBSTACLE_REACH_M,
            ledger,
            low_m=0.0,
            high_m=parts.HIGHEST_TREE_M,
            gaps_are=0.0,  # canopy layers often say "unknown" where nothing grows
        )
    return surface, canopy


def _needs_ground(layers: Layers) -> None:
    """A surface model's heights are above sea level: without the ground's all of it would stand overhead."""
    if layers.terrain is None:
        raise DataError(
            "layers.surface",
            "a surface model as obstacles needs the height of the ground beneath it",
            "Name layers.terrain too, from the same survey if you can",
        )


def _say_stood_in(trees: int, leafy: bool, ledger: Ledger) -> None:
    """Trees of a layer that the surface model takes the place of."""
    if trees:
        how = (
            "where layers.canopy shows leaves they let light through, elsewhere they are opaque all year"
            if leafy
            else "opaque all year, for no layers.canopy says where leaves are"
        )
        ledger.add(
            Kind.ASSUMED,
            "layers.trees",
            f"{trees:,} tree{' does' if trees == 1 else 's do'} not shade: the surface model stands in, {how}",
        )


def _each_tree_once(canopy: Heights, crowns: Crowns, grown: Prisms, ledger: Ledger) -> Heights:
    """The canopy without the cells that crowns of layers.trees touch: these know their shape and leaf habit."""
    shapes = [*shapely.buffer(shapely.points(crowns.centre[:, :2]), crowns.radius_m), *grown.shapes]
    if not shapes:
        return canopy
    corner = Affine(canopy.cell_m, 0, canopy.left_m, 0, -canopy.cell_m, canopy.top_m)
    both = geometry_mask(shapes, canopy.values.shape, corner, all_touched=True, invert=True) & (canopy.values > 0)
    if not both.any():
        return canopy
    ledger.add(
        Kind.ASSUMED,
        "layers.canopy",
        "left out where layers.trees gives crowns, so that each tree shades once",
    )
    return replace(canopy, values=np.where(both, 0.0, canopy.values))


def _say_sharpness(surface: Heights, ledger: Ledger) -> None:
    # half a cell by the model itself, half by laying it into the site's frame
    at_m = np.array([10.0, 30.0])
    off = [f"{e:.0f}" if e >= 1 else f"{e:.1f}" for e in cell_error_deg(at_m, surface.cell_m, shift_cells=1.0)]
    ledger.add(
        Kind.CHECK,
        "layers.surface",
        f"obstacles are cells of {ledger.length(surface.cell_m)}: a wall {ledger.length(at_m[0])} away may stand "
        f"up to {off[0]} degrees higher or lower than shown, one {ledger.length(at_m[1])} away up to {off[1]}",
    )


def _say_short(terrain: Heights, outline: BaseGeometry, reach_m: float, ledger: Ledger) -> None:
    rows, cols = terrain.values.shape
    left, bottom, right, top = outline.bounds
    beyond = min(
        left - terrain.left_m,
        terrain.top_m - top,
        terrain.left_m + cols * terrain.cell_m - right,
        bottom - (terrain.top_m - rows * terrain.cell_m),
    )
    if beyond < 0.9 * reach_m:
        ledger.add(
            Kind.ASSUMED,
            "layers.terrain",
            f"the terrain ends {distance(max(beyond, 0.0))} beyond the site on its shortest side, short of "
            f"sun.terrain_km ({reach_m / 1000:g} km): hills beyond it shade nothing",
        )


def count_contract_sites(plan: PlanFile) -> int:
    """Rows of the file of sites, usable or not."""
    return count_features(plan, "contract.sites", _contract_section(plan))


def read_contract_sites(plan: PlanFile, ledger: Ledger, rows: tuple[int, int] | None = None) -> ContractSites:
    """The sites that `[contract]` names, or those in some rows of the file, from the first up to the end.

    A bad site is listed with its reason; a bad file raises an error.
    """
    section, key = _contract_section(plan), "contract.sites"
    xy = (section.x, section.y) if section.x is not None and section.y is not None else None
    layer = read_vector(plan, key, section, ("name", "elevation", "x", "y"), ledger, xy=xy, rows=rows)
    # repaired while whole, cut at the antimeridian after
    lonlat = replace(layer, crs=WGS84, shapes=unwrapped(project_shapes(layer.shapes, layer.crs, WGS84)))
    lonlat = repaired(lonlat, "points or polygons", ledger, least_area=1e-12)
    twice = [n for n in dict.fromkeys(lonlat.names) if lonlat.names.count(n) > 1] if _repeats(lonlat.names) else []
    if twice:
        ledger.add(Kind.CHECK, layer.where, "several sites have the same name; all are kept", twice)
    elevation = columns.numbers(
        lonlat,
        section.elevation,
        "elevation",
        ledger,
        factor=M_PER_FT if section.elevation_unit == "ft" else 1.0,
        low=-430.0,
        high=6000.0,
    )
    return ContractSites(lonlat.names, tuple(cut_at_antimeridian(lonlat.shapes)), elevation, lonlat.left_out)


def _contract_section(plan: PlanFile) -> ContractLayer:
    if plan.plan.contract is None:
        todo = "Give it [contract.sites]"
        if plan.plan.layers is not None:
            todo = "Run `noonmark site` on it, or give it [contract.sites]"
        raise PlanError(f"{plan.path}: contract", "the plan names no contract", todo)
    section = plan.plan.contract.sites
    if (section.x is None) != (section.y is None):
        raise PlanError(
            f"{plan.path}: contract.sites", "only one of x and y is given", "Give both columns, or neither"
        )
    return section


def _repeats(words: Sequence[str]) -> bool:
    return len(set(words)) < len(words)
