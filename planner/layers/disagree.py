"""Where a site's layers cannot all be true: of different ages, or of one building two things.

Only what is known is judged: a layer's date is the plan's word (`as_of`), or the day on which an image says that it
was taken; the date of a file is that of a download.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from rasterio.errors import RasterioError
from shapely.geometry.base import BaseGeometry

from planner.layers.columns import text
from planner.layers.opening import Trusted, raster
from planner.layers.source import locate
from planner.layers.standing import LOWEST_BUILDING_M, Surfaces, by_surface
from planner.layers.vector import Layer
from planner.ledger import Kind, Ledger, PlannerError
from planner.plan import PlanFile
from planner.site import Apart, Bools, Crowns, Disagreement, Heights, Ints, Prisms, Shapes, ground_under

# All of it common practice, no source: what is worth a look.
OLD_YEARS = 5  # between the oldest and the newest layer
DIFFERS_M, DIFFERS_SHARE = 3.0, 0.4  # a story, and more than roofs and trees over them make
INSIDE_M = 1.0  # how far within a wall a trunk stands that is not there by a drawing's error
OVERLAP = 0.1  # of a footprint that lies on another: the surface model shows the higher one

START = "start_date"  # OpenStreetMap's day on which a feature was finished
_YEAR = re.compile(r"(1[5-9]|20)\d\d(?!\d)")
IMAGES = ("terrain", "surface", "canopy")  # their files may say when they were taken
DATED = ("buildings", "trees", "surface", "canopy", "terrain")
CALLED = {"surface": "surface model"}

SAID = {
    Disagreement.NOT_IN_SURFACE: "the surface model shows nothing as high as a building there, and the layer gives "
    "its height: one of the two is out of date",
    Disagreement.HEIGHTS_DIFFER: "the surface model shows another height than the layer, by a story and more: "
    "measure on site what carries or shades the sensor",
    Disagreement.BUILT_LATER: "built after the surface model: it is not in it",
    Disagreement.TREE_INSIDE: "a tree stands inside it: one of the two is out of date, or lies askew",
}


def year_of(value: Any) -> int | None:
    """The year of a date as columns have it: 2019, '2019-07-04', '2019.0'; None where there is none."""
    found = _YEAR.match(text(value).strip())
    return int(found[0]) if found else None


def layer_years(plan_file: PlanFile) -> dict[str, int]:
    """The years of the plan's layers of which that is known, by the layer's name."""
    layers = plan_file.plan.layers
    found = {}
    for name in DATED:
        section = getattr(layers, name, None)
        if section is None:
            continue
        year = year_of(section.as_of) if section.as_of is not None else _taken(plan_file, name, section.path)
        if year is not None:
            found[name] = year
    return found


def _taken(plan_file: PlanFile, name: str, path: str) -> int | None:
    """The year in which an image was taken, where its file says so (GDAL's metadata domain IMAGERY)."""
    if name not in IMAGES:
        return None
    where = f"layers.{name}"
    try:
        with raster(where, locate(plan_file, f"{where}.path", path), Trusted.by(plan_file)) as source:
            return year_of(source.tags(ns="IMAGERY").get("ACQUISITIONDATETIME", ""))
    except (PlannerError, RasterioError):
        return None  # what ails it is said where its heights are read


def say_ages(plan_file: PlanFile, ledger: Ledger) -> None:
    """Say so where the plan's layers are years apart."""
    sections = {name: getattr(plan_file.plan.layers, name, None) for name in DATED}
    if sum(s is not None and (s.as_of is not None or name in IMAGES) for name, s in sections.items()) < 2:
        return  # nothing to be apart from: no file is opened for it
    years = layer_years(plan_file)
    if not years or max(years.values()) - min(years.values()) < OLD_YEARS:
        return
    each = ", ".join(f"{CALLED.get(name, name)} {year}" for name, year in sorted(years.items(), key=lambda p: p[1]))
    ledger.add(
        Kind.CHECK,
        "layers",
        f"they are years apart ({each}): what was built, felled or planted in between is in some of them only",
    )


@dataclass(frozen=True)
class Told:
    """What a site's layers tell. assumed: (n,) buildings whose height no layer tells."""

    buildings: Prisms
    assumed: Bools
    crowns: Crowns
    terrain: Heights | None
    surfaces: Surfaces


def of_site(
    plan_file: PlanFile, layer: Layer | None, outline: BaseGeometry, told: Told, ledger: Ledger
) -> tuple[Apart, ...]:
    """What a site's layers disagree about, and the ledger is told; layer: of the buildings, as it was read."""
    section = plan_file.plan.layers.buildings if plan_file.plan.layers is not None else None
    if layer is None or section is None:
        return ()
    later = frozenset[str]()
    column = section.built or (START if START in layer.table.columns else None)
    if column is not None and told.surfaces.rasters:
        later = _built_later(layer, column, layer_years(plan_file).get("surface"))
    found = disagreements(outline, told, later)
    for one in found:
        ledger.add(Kind.CHECK, layer.where, SAID[one.what], one.names)
    return found


def _built_later(layer: Layer, column: str, surface_year: int | None) -> frozenset[str]:
    """Names of the buildings that were finished in a later year than the surface model was taken."""
    if surface_year is None:
        return frozenset()
    years = [year_of(value) for value in layer.table[column]]
    return frozenset(
        n for n, year in zip(layer.names, years, strict=True) if year is not None and year > surface_year
    )


def disagreements(outline: BaseGeometry, told: Told, later: frozenset[str] = frozenset()) -> tuple[Apart, ...]:
    """What layers say of buildings on the site that cannot all be true.

    later: names of those built after the surface model.
    """
    every = told.buildings
    there = [k for k, shape in enumerate(every.shapes) if shape.intersects(outline)]
    if not there:
        return ()
    shapes = np.array([every.shapes[k] for k in there], object)
    names = [every.names[k] for k in there]
    found = {Disagreement.BUILT_LATER: np.array([name in later for name in names], bool)}
    found |= _beside_surface(shapes, told, np.array(there), ~found[Disagreement.BUILT_LATER])
    if len(told.crowns):
        trunks = shapely.STRtree(shapely.points(told.crowns.centre[:, :2]))
        holding = trunks.query(shapely.buffer(shapes, -INSIDE_M), predicate="contains")[0]
        found[Disagreement.TREE_INSIDE] = np.isin(np.arange(len(there)), holding)
    return tuple(
        Apart(what, tuple(dict.fromkeys(names[k] for k in np.flatnonzero(found[what]))))
        for what in Disagreement
        if what in found and found[what].any()
    )


def _beside_surface(shapes: Shapes, told: Told, rows: Ints, judged: Bools) -> dict[Disagreement, Bools]:
    """Of some buildings (n, at these rows of all), where the surface model shows none, and where another height."""
    if not told.surfaces.rasters or (told.terrain is None and not told.surfaces.above_ground):
        return {}
    judged = judged & _alone(shapes) & ~told.assumed[rows]
    height = told.buildings.top_m[rows] - ground_under(told.terrain, shapes)[0]
    seen = by_surface(shapes, judged, told.terrain, told.surfaces)
    known = judged & np.isfinite(seen)
    gone = known & (seen < LOWEST_BUILDING_M) & (height >= LOWEST_BUILDING_M + 1.0)
    other = known & ~gone & (np.abs(seen - height) > np.maximum(DIFFERS_M, DIFFERS_SHARE * height))
    return {Disagreement.NOT_IN_SURFACE: gone, Disagreement.HEIGHTS_DIFFER: other}


def _alone(each: Shapes) -> Bools:
    """(n,) footprints of which no tenth lies on another."""
    a, b = shapely.STRtree(each).query(each, predicate="intersects")
    apart = a != b
    shared = shapely.area(shapely.intersection(each[a[apart]], each[b[apart]]))
    out = np.ones(len(each), bool)
    out[a[apart][shared > OVERLAP * shapely.area(each[a[apart]])]] = False
    return out
