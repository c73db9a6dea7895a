"""What stands on the site: buildings, trees, controllers, poles and keep-outs, from layers to arrays.

Heights in the frame come from the ground beneath: a building's top is the mean ground under its footprint plus
its height, and its foot lies far below, so that no light passes under a building on a slope.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.layers import columns
from planner.layers.columns import Within
from planner.layers.frame import Frame
from planner.layers.vector import Layer, in_frame
from planner.layers.vocabulary import LEAVES, ROOFS, leaf_of
from planner.ledger import DataError, Kind, Ledger
from planner.plan import (
    BuildingsLayer,
    ControllersLayer,
    GroundsLayer,
    KeepOutsLayer,
    NamedLayer,
    NamedMount,
    PlanFile,
    PolesLayer,
    TreesLayer,
)
from planner.site import (
    FOOT_BELOW_M,
    Bools,
    Cover,
    Crowns,
    Floats,
    Grounds,
    Heights,
    KeepOut,
    KeepOuts,
    Places,
    Prisms,
    Shapes,
    ground_at,
    ground_under,
    no_crowns,
    no_prisms,
    prisms,
)
from planner.units import M_PER_FT

HIGHEST_BUILDING_M = 500.0
MOST_CORNERS = 400  # of a crown
PLAINER_M = (0.05, 0.1, 0.2, 0.4, 0.8)  # how far an outline may move to have fewer corners
LOWEST_TREE_M = 2.0  # what a surface model shows below this is no tree
HIGHEST_TREE_M = 130.0  # the tallest known tree stands 116 m: common knowledge, no source
WIDEST_CROWN_M = 60.0
HIGHEST_POLE_M = 60.0
LOWEST_BUILDING_M = 2.0  # what a surface model shows below this is no building
DEEPEST_M = 100.0  # of a controller: a slip of the unit, or of the column, beyond that
ABOVE_PIT_M = 0.3  # where a signal to a receiver below ground comes down
MOST_EXTRA_DB = 150.0
NAMED_WITHIN_M = 5000.0

# Which keys of each section name an attribute.
ATTRIBUTES: dict[str, tuple[str, ...]] = {
    "buildings": (
        "name",
        "height",
        "roof_height",
        "top",
        "ground",
        "storeys",
        "base",
        "roof",
        "mountable",
        "built",
    ),
    "trees": ("name", "height", "crown_width", "crown_radius", "crown_base", "leaf", "species"),
    "controllers": ("name", "indoors", "height", "depth", "storey", "extra_loss", "site"),
    "poles": ("name", "height"),
    "keep_outs": ("name", "kind"),
    "grounds": ("name", "kind"),
}
NAMED_ATTRIBUTES = ("name", "height", "support", "site")

Section = BuildingsLayer | TreesLayer | ControllersLayer | PolesLayer | KeepOutsLayer | GroundsLayer


def lay_out(section: Section, layer: Layer, frame: Frame, outline: BaseGeometry, ledger: Ledger) -> Layer:
    """A layer in the site's frame, near and valid, of the kind that its section needs."""
    quiet = Ledger()
    if isinstance(section, BuildingsLayer):
        return in_frame(
            layer,
            frame,
            outline,
            "polygons",
            ledger,
            heights_m=lambda part: _or_default(_building_heights(part, section, quiet), section.default_height_m),
            # parts of one building may stand on each other
            apart_by=[a for a in (section.base, section.height) if a] if section.base else [],
        )
    if isinstance(section, TreesLayer):
        return in_frame(
            layer,
            frame,
            outline,
            "points or polygons",
            ledger,
            heights_m=lambda part: _or_default(_tree_heights(part, section, quiet), section.default_height_m),
        )
    if isinstance(section, KeepOutsLayer | GroundsLayer):
        return in_frame(layer, frame, outline, "any", ledger, apart_by=[section.kind] if section.kind else [])
    # two controllers may share one cabinet
    named = [section.name] if section.name else []
    every_one = isinstance(section, ControllersLayer)
    return in_frame(layer, frame, outline, "points", ledger, apart_by=named, every_one=every_one)


def settle_units(plan_file: PlanFile, section: Section, layer: Layer, ledger: Ledger) -> None:
    """Say which unit of a layer's heights is assumed; PlanError where a column's name contradicts it."""
    if isinstance(section, BuildingsLayer | TreesLayer | PolesLayer):
        stated, height = "height_unit" in section.model_fields_set, section.height
        if isinstance(section, BuildingsLayer):
            height = height or section.top
        columns.settle_unit(layer, height, "height_unit", section.height_unit, stated, str(plan_file.path), ledger)
    if isinstance(section, ControllersLayer):
        stated = "height_unit" in section.model_fields_set
        for attribute in (section.height, section.depth):
            columns.settle_unit(
                layer, attribute, "height_unit", section.height_unit, stated, str(plan_file.path), ledger
            )


def _or_default(values: Floats, default: float) -> Floats:
    return np.where(np.isnan(values), default, values)


def _building_heights(layer: Layer, section: BuildingsLayer, ledger: Ledger) -> Floats:
    return columns.numbers(
        layer,
        section.height,
        "height",
        Within(0.0, HIGHEST_BUILDING_M, low_counts=False),
        ledger,
        _building_unit(section),
    )


def _heights_from_tops(layer: Layer, section: BuildingsLayer, ground_m: Floats | None, ledger: Ledger) -> Floats:
    """Heights (n,): elevation of the roof edge less that of the ground, the layer's own, else the terrain's."""

    def elevations(attribute: str | None, what: str) -> Floats:
        return columns.numbers(layer, attribute, what, Within(-500.0, 9000.0), ledger, _building_unit(section))

    top, ground = elevations(section.top, "top"), elevations(section.ground, "ground")
    if ground_m is not None:
        ground = np.where(np.isnan(ground), ground_m, ground)
    elif section.ground is None:
        raise DataError(
            layer.where,
            f"'{section.top}' is an elevation, and nothing says how high the ground is",
            "Name layers.terrain, or the column with the ground's elevation as layers.buildings.ground",
        )
    height = top - ground
    bad = (height <= 0) | (height > HIGHEST_BUILDING_M)
    if bad.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"'{section.top}' is not above the ground, or too far above it; treated as missing",
            _names(layer, bad),
        )
    return np.where(bad, np.nan, height)


LOW_BUILDING_M = 12.0  # hardly a site has no building under it: common practice, no source
FEWEST = 3  # buildings that tell anything
UNITS_APART = 0.3  # of the logarithm of 3.28 by which heights may differ otherwise: from 2.4 to 4.4 times


def _say_if_elevations(
    layer: Layer, section: BuildingsLayer, height_m: Floats, ground_m: Floats, ledger: Ledger
) -> None:
    """Say so where heights look like the elevations of roofs: only less the ground beneath them are they usual."""
    known = np.isfinite(height_m)
    above = (height_m - ground_m)[known]
    if known.sum() < FEWEST or np.percentile(height_m[known], 10) <= LOW_BUILDING_M:
        return
    usual = (above >= LOWEST_BUILDING_M) & (above <= HIGHEST_BUILDING_M)
    if usual.mean() >= 0.9 and np.percentile(above, 10) <= LOW_BUILDING_M:
        low, high = ledger.length(float(above.min())), ledger.length(float(above.max()))
        ledger.add(
            Kind.CHECK,
            layer.where,
            f"'{section.height}' may be the elevation of the roof, not its height: no building is low, and less "
            f"the ground beneath them they are {low} to {high} high. If so, name the column as `top`",
        )


def _without_roof(layer: Layer, section: BuildingsLayer, height_m: Floats, ledger: Ledger) -> Floats:
    """Heights (n,) of the roof edge, where the layer's heights include the roof."""
    roof = columns.numbers(
        layer, section.roof_height, "roof height", Within(0.0, HIGHEST_BUILDING_M), ledger, _building_unit(section)
    )
    higher = roof >= height_m
    if higher.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"'{section.roof_height}' is as high as the building; not subtracted",
            _names(layer, higher),
        )
    lowered = (roof > 0) & ~higher
    if lowered.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"'{section.height}' includes the roof: '{section.roof_height}' subtracted, so that it ends at the "
            "roof edge; what rises above the edge shades nothing",
            _names(layer, lowered),
        )
    return np.where(lowered, height_m - np.nan_to_num(roof), height_m)


def _building_unit(section: BuildingsLayer) -> float:
    return {"m": 1.0, "ft": M_PER_FT, "storeys": section.storey_height_m}[section.height_unit]


@dataclass(frozen=True)
class Surfaces:
    """What a surface model gives footprints without a height: its rasters, fine first, in the datum of the terrain;
    whether they are known to stand on ground without one; and the percentile within a footprint that is taken."""

    rasters: Sequence[Heights] = ()
    above_ground: bool = False
    percentile: float = 75.0


def buildings(
    layer: Layer, section: BuildingsLayer, terrain: Heights | None, surfaces: Surfaces, ledger: Ledger
) -> tuple[Prisms, Bools, Bools, Bools]:
    """Prisms; (n,) which roofs are pitched, which may carry a sensor, and whose height is assumed."""
    mean_ground, low_ground = ground_under(terrain, layer.shapes)
    if section.top is not None:
        height = _heights_from_tops(layer, section, None if terrain is None else mean_ground, ledger)
    else:
        height = _building_heights(layer, section, ledger)
        if terrain is not None:
            _say_if_elevations(layer, section, height, mean_ground, ledger)
        height = _without_roof(layer, section, height, ledger)
    if section.height_unit == "storeys" and section.height is not None:
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"heights are stories of {ledger.length(section.storey_height_m)} (storey_height_m)",
        )
    _say_if_units_differ(layer, height, terrain, surfaces, ledger)
    height = _heights_from_surface(layer, height, terrain, surfaces, ledger)  # measured, before counted
    height = _heights_from_stories(layer, section, height, ledger)
    missing = np.isnan(height)
    if missing.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"no height: {ledger.length(section.default_height_m)} taken (default_height_m)",
            _names(layer, missing),
        )
        height = np.where(missing, section.default_height_m, height)

    base = columns.numbers(
        layer, section.base, "base", Within(0.0, HIGHEST_BUILDING_M), ledger, _building_unit(section)
    )
    upside_down = base >= height
    if upside_down.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"'{section.base}' is not below the height; taken as standing on the ground",
            _names(layer, upside_down),
        )
    hangs = (base > 0) & ~upside_down
    base_m = np.where(hangs, mean_ground + np.nan_to_num(base), low_ground - FOOT_BELOW_M)

    roofs = (
        columns.kinds(layer, section.roof, ("flat", "pitched"), "flat", ledger, ROOFS)
        if section.roof is not None
        else ("flat",) * len(layer)
    )
    if section.height is not None and section.roof_height is None and "pitched" in roofs:
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"'{section.height}' of pitched roofs is taken to end at the eave; if it includes the roof, name the "
            "roof's own height as `roof_height`",
        )
    allowed = columns.flags(layer, section.mountable, "mountable", "taken as yes", ledger)
    return (
        prisms(list(layer.shapes), base_m, mean_ground + height, layer.names),
        np.array([roof == "pitched" for roof in roofs], bool),
        np.array([flag is not False for flag in allowed], bool),
        missing,
    )


def _heights_from_stories(layer: Layer, section: BuildingsLayer, height: Floats, ledger: Ledger) -> Floats:
    """Missing heights (n,) from the number of stories."""
    if section.storeys is None:
        return height
    stories = columns.numbers(
        layer, section.storeys, "stories", Within(0.0, 200.0, "stories", low_counts=False), ledger
    )
    found = np.isnan(height) & np.isfinite(stories)
    if found.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"no height: '{section.storeys}' taken, stories of {ledger.length(section.storey_height_m)} "
            "(storey_height_m)",
            [f"{layer.names[k]}: {stories[k]:g}" for k in np.flatnonzero(found)],
        )
    return np.where(found, stories * section.storey_height_m, height)


def _names(layer: Layer, mask: Bools) -> list[str]:
    return [layer.names[k] for k in np.flatnonzero(mask)]


def _heights_from_surface(
    layer: Layer, height: Floats, terrain: Heights | None, surfaces: Surfaces, ledger: Ledger
) -> Floats:
    """Missing heights as a percentile of surface less terrain within the footprint, where both are known."""
    missing = np.isnan(height)
    if not surfaces.rasters or not missing.any():
        return height
    if terrain is None and not surfaces.above_ground:
        ledger.add(
            Kind.CHECK, layer.where, "a surface model without terrain gives no heights: name layers.terrain too"
        )
        return height
    height = np.where(missing, by_surface(layer.shapes, missing, terrain, surfaces), height)
    found = missing & ~np.isnan(height)
    low = found & (np.nan_to_num(height) < LOWEST_BUILDING_M)
    high = found & (np.nan_to_num(height) > HIGHEST_BUILDING_M)
    if (low | high).any():
        ledger.add(
            Kind.CHECK,
            layer.where,
            f"the surface model shows no building of {ledger.length(LOWEST_BUILDING_M)} to "
            f"{ledger.length(HIGHEST_BUILDING_M)} there: not used; if the building is gone, take it out of "
            "the layer",
            _names(layer, low | high),
        )
        height[low | high] = np.nan
    good = missing & ~np.isnan(height)
    if good.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"{good.sum()} of {len(layer)} footprints have no height that can be used, and take that of the "
            f"surface model ({surfaces.percentile:g}th percentile above the ground within the footprint)",
            [f"{layer.names[k]}: {ledger.length(height[k])}" for k in np.flatnonzero(good)],
        )
    return height


def by_surface(shapes: Shapes, wanted: Bools, terrain: Heights | None, surfaces: Surfaces) -> Floats:
    """Heights (n,) of some footprints by a surface model, NaN for others and where it does not know."""
    height = np.full(len(shapes), np.nan)
    for surface in surfaces.rasters:  # the coarser one for what is too far for the finer one
        for k in np.flatnonzero(wanted & np.isnan(height)):
            spots, top = _cells_in(surface, shapes[k])
            above = top - ground_at(terrain, spots)
            known = above[~np.isnan(above)]
            # half of the footprint must be known
            if len(known) and len(known) * surface.cell_m**2 >= shapes[k].area / 2:
                height[k] = np.percentile(known, surfaces.percentile)
    return height


MOST_COMPARED = 20  # footprints tell a wrong unit


def _say_if_units_differ(
    layer: Layer, height: Floats, terrain: Heights | None, surfaces: Surfaces, ledger: Ledger
) -> None:
    """Say so where the surface model shows buildings some three times as high as their column says, or a third."""
    known = np.flatnonzero(np.isfinite(height))[:MOST_COMPARED]
    if len(known) < FEWEST or not surfaces.rasters or (terrain is None and not surfaces.above_ground):
        return
    seen = by_surface(layer.shapes, np.isin(np.arange(len(layer)), known), terrain, surfaces)[known]
    both = seen > LOWEST_BUILDING_M
    if both.sum() < FEWEST:
        return
    times = float(np.median(seen[both] / height[known][both]))
    feet = 1 / M_PER_FT
    if abs(np.log(times / feet)) < UNITS_APART or abs(np.log(times * feet)) < UNITS_APART:
        ledger.add(
            Kind.CHECK,
            layer.where,
            f"the surface model shows these buildings {times:.2g} times as high as their heights say: one of the "
            "two is in feet and read as meters. Mend the height_unit of layers.surface and layers.terrain, or of "
            "layers.buildings",
        )


def _cells_in(heights: Heights, shape: BaseGeometry) -> tuple[Floats, Floats]:
    """Centres (n, 2), values (n,) of the cells whose centre lies in a shape; of a point inside where none does."""
    rows, cols = heights.values.shape
    left, bottom, right, top = shape.bounds
    c0, c1 = np.clip(np.floor((np.array([left, right]) - heights.left_m) / heights.cell_m), 0, cols).astype(int)
    r0, r1 = np.clip(np.floor((heights.top_m - np.array([top, bottom])) / heights.cell_m), 0, rows).astype(int)
    col, row = np.meshgrid(np.arange(c0, min(c1 + 1, cols)), np.arange(r0, min(r1 + 1, rows)))
    x = heights.left_m + (col + 0.5) * heights.cell_m
    y = heights.top_m - (row + 0.5) * heights.cell_m
    inside = shapely.contains_xy(shape, x, y)
    if not inside.any():
        spot = np.array([shape.representative_point().coords[0]])
        return spot, heights.at(spot)
    return np.column_stack([x[inside], y[inside]]), heights.values[row[inside], col[inside]]


def _tree_heights(layer: Layer, section: TreesLayer, ledger: Ledger) -> Floats:
    return columns.numbers(
        layer,
        section.height,
        "height",
        Within(0.0, HIGHEST_TREE_M, low_counts=False),
        ledger,
        columns.factor_of(section.height_unit),
    )


# what inventories write where a species would stand, in a place without a tree; seen in those of many cities
_NO_TREE = re.compile(
    r"\b(vacant|vacancy|stump|no tree|removed|unplanted|empty (?:site|pit|space|well)|planting (?:site|space)|"
    r"unsuitable site)\b",
    re.IGNORECASE,
)
BESIDE_TREE_M = 3.0  # how far from its trunk a tree's top is looked for: inventories stand off by as much


def _that_grow(layer: Layer, section: TreesLayer, ledger: Ledger) -> Layer:
    """The layer without planting sites and stumps, which inventories list among the trees."""
    if section.species is None:
        return layer
    none = [bool(_NO_TREE.search(columns.text(value))) for value in layer.table[section.species]]
    return layer.without(np.array(none, bool), f"no tree stands there, by '{section.species}'", ledger)


def _tree_heights_by_surface(
    layer: Layer, height: Floats, terrain: Heights | None, surfaces: Surfaces, buildings: Prisms, ledger: Ledger
) -> Floats:
    """Missing heights of single trees as the highest that a surface model shows beside the trunk, off buildings."""
    missing = np.isnan(height) & (shapely.get_type_id(layer.shapes) == 0)
    if not missing.any() or not surfaces.rasters or (terrain is None and not surfaces.above_ground):
        return height
    height, footprints = height.copy(), np.asarray(buildings.shapes, object)
    near = shapely.STRtree(footprints)
    for k in np.flatnonzero(missing):
        around = layer.shapes[k].buffer(BESIDE_TREE_M)
        around = around.difference(shapely.union_all(footprints[near.query(around, "intersects")]))
        if around.is_empty:
            continue
        for surface in surfaces.rasters:
            spots, top = _cells_in(surface, around)
            above = top - ground_at(terrain, spots)
            if np.isfinite(above).any():
                height[k] = np.nanmax(above)
                break
    height[missing & ~((height >= LOWEST_TREE_M) & (height <= HIGHEST_TREE_M))] = np.nan
    found = missing & ~np.isnan(height)
    if found.any():
        low, high = (ledger.length(float(v)) for v in (height[found].min(), height[found].max()))
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"{found.sum()} of {len(layer)} trees have no height that can be used, and take the highest of the "
            f"surface model within {ledger.length(BESIDE_TREE_M)} of the trunk, off buildings: {low} to {high}",
        )
    return height


def trees(
    layer: Layer,
    section: TreesLayer,
    terrain: Heights | None,
    surfaces: Surfaces,
    buildings: Prisms,
    ledger: Ledger,
) -> tuple[Crowns, Prisms, Bools]:
    """Points as ellipsoid crowns, polygons as prisms of leaves, and which of the prisms are evergreen.

    surfaces, buildings: what tells how high trees without a height are.
    """
    layer = _that_grow(layer, section, ledger)
    unit = columns.factor_of(section.height_unit)
    points = shapely.get_type_id(layer.shapes) == 0
    height = _tree_heights(layer, section, ledger)
    height = _tree_heights_by_surface(layer, height, terrain, surfaces, buildings, ledger)
    height = _given(layer, height, section.default_height_m, "height", ledger)
    radius = section.crown_radius is not None
    width = (2.0 if radius else 1.0) * columns.numbers(
        layer,
        section.crown_radius if radius else section.crown_width,
        "crown radius" if radius else "crown width",
        Within(0.0, WIDEST_CROWN_M / 2 if radius else WIDEST_CROWN_M, low_counts=False),
        ledger,
        unit,
    )
    if points.any():
        width[points] = _given(
            layer.take(points), width[points], section.default_crown_width_m, "crown width", ledger
        )
    base = columns.numbers(layer, section.crown_base, "crown base", Within(0.0, HIGHEST_TREE_M), ledger, unit)
    odd = base >= height
    if odd.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"'{section.crown_base}' is not below the tree's top; missing",
            _names(layer, odd),
        )
    unknown = np.isnan(base) | odd
    base = np.where(unknown, height / 4, base)
    if unknown.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            "no height of the crown's underside: a quarter of the tree's height taken",
            _names(layer, unknown),
        )
    leaf = _leaves(layer, section, ledger)
    evergreen = np.array([word == "evergreen" for word in leaf], bool)

    shapes = layer.shapes
    if section.years_ahead > 0:
        height, width, shapes = _grown(section, height, width, shapes)
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"{section.years_ahead:g} years of growth added: {ledger.length(section.height_growth_m_year)} of "
            f"height and {ledger.length(section.crown_growth_m_year)} of crown a year (years_ahead)",
        )

    crowns, crown_prisms = no_crowns(), no_prisms()
    if points.any():
        xy = shapely.get_coordinates(shapes[points])
        middle = ground_at(terrain, xy) + (base + height)[points] / 2
        crowns = Crowns(
            layer.take(points).names,
            np.column_stack([xy, middle]),
            width[points] / 2,
            (height - base)[points] / 2,
            evergreen[points],
        )
    if (~points).any():
        crown_shapes = _plainer(layer.take(~points), shapes[~points], ledger)
        ground, _ = ground_under(terrain, crown_shapes)
        crown_prisms = prisms(
            list(crown_shapes), ground + base[~points], ground + height[~points], layer.take(~points).names
        )
    return crowns, crown_prisms, evergreen[~points]


def _leaves(layer: Layer, section: TreesLayer, ledger: Ledger) -> tuple[str, ...]:
    """'evergreen' or 'deciduous' of each tree: as its own column says, else by genus, else the stated default."""
    if section.species is None:
        if section.leaf is not None:
            return columns.kinds(
                layer, section.leaf, ("evergreen", "deciduous"), section.default_leaf, ledger, LEAVES
            )
        ledger.add(Kind.ASSUMED, layer.where, f"no leaf habit: all trees taken as {section.default_leaf}")
        return (section.default_leaf,) * len(layer)
    told = [""] * len(layer)
    if section.leaf is not None:
        told = [
            "" if word == "not said" else word
            for word in columns.kinds(
                layer, section.leaf, ("evergreen", "deciduous", "not said"), "not said", Ledger(), LEAVES
            )
        ]
    species = [columns.text(value) for value in layer.table[section.species]]
    leaf = [word or leaf_of(name) for word, name in zip(told, species, strict=True)]
    by_genus = np.array([not word and bool(found) for word, found in zip(told, leaf, strict=True)], bool)
    unknown = np.array([not found for found in leaf], bool)
    if by_genus.any():
        evergreen = sum(leaf[k] == "evergreen" for k in np.flatnonzero(by_genus))
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"leaf habit by the genus in '{section.species}': {evergreen} evergreen, "
            f"{int(by_genus.sum()) - evergreen} deciduous",
        )
    if unknown.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            f"'{section.species}' does not tell the leaf habit: {section.default_leaf} taken",
            [f"{layer.names[k]}: {species[k]}" for k in np.flatnonzero(unknown)],
        )
    return tuple(found or section.default_leaf for found in leaf)


def _grown(section: TreesLayer, height: Floats, width: Floats, shapes: Shapes) -> tuple[Floats, Floats, Shapes]:
    """Height, width and crown polygons some years on; crowns keep their underside. No taller than trees grow."""
    taller = np.minimum(
        height + section.years_ahead * section.height_growth_m_year, np.maximum(height, HIGHEST_TREE_M)
    )
    more_m = section.years_ahead * section.crown_growth_m_year
    polygons = shapely.get_type_id(shapes) != 0
    wider = shapes.copy()
    wider[polygons] = shapely.buffer(shapes[polygons], more_m / 2)
    return taller, np.minimum(width + more_m, WIDEST_CROWN_M), wider


def _given(layer: Layer, values: Floats, default: float, what: str, ledger: Ledger) -> Floats:
    missing = np.isnan(values)
    if missing.any():
        key = f"default_{what.replace(' ', '_')}_m"
        ledger.add(
            Kind.ASSUMED, layer.where, f"no {what}: {ledger.length(default)} taken ({key})", _names(layer, missing)
        )
    return _or_default(values, default)


def _plainer(layer: Layer, shapes: Shapes, ledger: Ledger) -> Shapes:
    """Crowns with a bearable number of corners: each leaf that a laser drew costs as much as a wall."""
    plain = shapes.copy()
    many = shapely.get_num_coordinates(shapes) > MOST_CORNERS
    for step_m in PLAINER_M:
        still = shapely.get_num_coordinates(plain) > MOST_CORNERS
        plain[still] = shapely.simplify(shapes[still], step_m)
    still = shapely.get_num_coordinates(plain) > MOST_CORNERS
    plain[still] = shapely.simplify(shapely.convex_hull(shapes[still]), PLAINER_M[-1])
    if many.any():
        ledger.add(
            Kind.REPAIRED,
            layer.where,
            f"outlines of more than {MOST_CORNERS} corners drawn with fewer",
            _names(layer, many),
        )
    return plain


def _own_names(layer: Layer, ledger: Ledger) -> tuple[str, ...]:
    """The names, those that come again with a number: whatever is said of a controller is said by its name."""
    seen: Counter[str] = Counter()
    taken, given = set(layer.names), []
    for name in layer.names:
        own, seen[name] = name, seen[name] + 1
        while seen[name] > 1 and (own := f"{name} ({seen[name]})") in taken:
            seen[name] += 1
        taken.add(own)
        given.append(own)
    again = [own for own, name in zip(given, layer.names, strict=True) if own != name]
    if again:
        ledger.add(Kind.REPAIRED, layer.where, "controllers of the same name are told apart by a number", again)
    return tuple(given)


def controllers(
    layer: Layer, section: ControllersLayer, terrain: Heights | None, buildings: Prisms, ledger: Ledger
) -> Places:
    """Controllers at their height; indoors as the attribute says, else by whether a building stands over them."""
    xy = shapely.get_coordinates(layer.shapes)
    ground = ground_at(terrain, xy)
    up = _controller_heights(layer, section, ledger)
    said = columns.flags(layer, section.indoors, "indoors", "its place decides", ledger)
    under = np.zeros(len(layer), bool)
    if len(buildings):
        tree = shapely.STRtree(buildings.shapes)
        who, which = tree.query(layer.shapes, predicate="within")
        standing = buildings.base_m[which] <= ground[who]
        under[who[standing]] = True
    below = up < 0
    under |= below
    unsaid = np.array([flag is None for flag in said], bool) & ~below
    found = unsaid & under
    if found.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            "taken as indoors, because the point lies inside a building",
            _names(layer, found),
        )
    indoors = np.where(unsaid, under, np.array([flag is True for flag in said], bool) | below).astype(bool)
    xyz = np.column_stack([xy, ground + np.where(below, ABOVE_PIT_M, up)])
    moved = _hung_outside(xyz, ~indoors & under, buildings)
    if moved.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            "outdoors, but drawn inside a building: taken to hang on the outside of its nearest wall",
            _names(layer, moved),
        )
    extra = columns.numbers(layer, section.extra_loss, "extra loss", Within(0.0, MOST_EXTRA_DB, "dB"), ledger)
    deep = below & np.isnan(extra)
    if deep.any():
        ledger.add(
            Kind.ASSUMED,
            layer.where,
            "below ground: the loss of a building's walls is taken to the ground above it, and nothing for the "
            "soil, slab or lid; name a column of dB as `extra_loss` if more is known, and test the link",
            _names(layer, deep),
        )
    return Places(_own_names(layer, ledger), xyz, indoors, np.where(below, -up, 0.0), np.nan_to_num(extra))


def _controller_heights(layer: Layer, section: ControllersLayer, ledger: Ledger) -> Floats:
    """Heights (n,) above ground, negative below: by depth, else height, else story, else `height_m`."""
    unit = columns.factor_of(section.height_unit)

    def lengths(attribute: str | None, what: str, high: float) -> Floats:
        return columns.numbers(layer, attribute, what, Within(0.0, high), ledger, unit)

    depth = lengths(section.depth, "depth", DEEPEST_M)
    height = lengths(section.height, "height", HIGHEST_BUILDING_M)
    storey = columns.numbers(layer, section.storey, "story", Within(-20.0, 150.0, "stories"), ledger)
    none = (storey != np.round(storey)) & ~np.isnan(storey) | ((storey >= 0) & (storey < section.ground_storey))
    if none.any():
        ledger.add(
            Kind.SKIPPED,
            layer.where,
            f"'{section.storey}' is no story, where the one at ground level is {section.ground_storey} and "
            "basements are -1, -2; treated as missing",
            _names(layer, none),
        )
        storey = np.where(none, np.nan, storey)
    floors = np.where(storey < 0, storey, storey - section.ground_storey)
    # a depth of 0 says no more than that it is not below ground
    ways = np.array(
        [np.where(depth > 0, -depth, np.nan), height, floors * section.storey_height_m + section.height_m]
    )
    twice = (~np.isnan(ways)).sum(axis=0) > 1
    if twice.any():
        ledger.add(
            Kind.CHECK,
            layer.where,
            "its height is said more than once: depth counts before height, and height before story",
            _names(layer, twice),
        )
    up = np.full(len(layer), section.height_m)
    for way in ways[::-1]:
        up = np.where(np.isnan(way), up, way)
    return up


def _hung_outside(xyz: Floats, drawn_inside: Bools, buildings: Prisms) -> Bools:
    """Bring points outdoors under a roof to the outside of the nearest wall, in place; which were moved."""
    moved = np.zeros(len(xyz), bool)
    tree = shapely.STRtree(buildings.shapes)
    for k in np.flatnonzero(drawn_inside):
        point = shapely.Point(xyz[k, :2])
        for row in tree.query(point, predicate="within"):
            if not buildings.base_m[row] <= xyz[k, 2] < buildings.top_m[row]:
                continue
            wall = shapely.boundary(buildings.shapes[row])
            near = shapely.get_coordinates(wall.interpolate(wall.project(point)))[0]
            away = near - xyz[k, :2]
            far = float(np.hypot(*away))
            if far > 0.0:
                xyz[k, :2] = near + away / far * STAND_OFF_M
                moved[k] = True
    return moved


def poles(layer: Layer, section: PolesLayer, terrain: Heights | None, ledger: Ledger) -> Places:
    """Poles, each by its top."""
    height = columns.numbers(
        layer,
        section.height,
        "height",
        Within(0.0, HIGHEST_POLE_M, low_counts=False),
        ledger,
        columns.factor_of(section.height_unit),
    )
    assumed = np.isnan(height)
    height = _given(layer, height, section.default_height_m, "height", ledger)
    xy = shapely.get_coordinates(layer.shapes)
    xyz = np.column_stack([xy, ground_at(terrain, xy) + height])
    return Places(layer.names, xyz, np.zeros(len(layer), bool), height_assumed=assumed)


def named(
    layer: Layer, section: NamedLayer, plan_file: PlanFile, frame: Frame, outline: BaseGeometry, ledger: Ledger
) -> list[NamedMount]:
    """A layer's points as the plan's own named places, in the site's frame. Raises PlanError or DataError."""
    stated, plan = "height_unit" in section.model_fields_set, str(plan_file.path)
    columns.settle_unit(layer, section.height, "height_unit", section.height_unit, stated, plan, ledger)
    layer = in_frame(layer, frame, outline, "points", ledger, apart_by=[section.name], every_one=True)
    away_m = shapely.distance(layer.shapes, outline)
    far = away_m > NAMED_WITHIN_M
    if far.any():
        raise DataError(
            f"{layer.where}, {_names(layer, far)[0]}",
            f"it is {ledger.distance(float(away_m[far][0]))} from the site",
            "Check its coordinates and the layer's CRS",
        )
    height_m = columns.numbers(
        layer,
        section.height,
        "height",
        Within(0.0, HIGHEST_BUILDING_M),
        ledger,
        columns.factor_of(section.height_unit),
    )
    if section.default_height_m is not None:
        height_m = _given(layer, height_m, section.default_height_m, "height", ledger)
    unknown = np.isnan(height_m)
    if unknown.any():
        raise DataError(
            f"{layer.where}, {_names(layer, unknown)[0]}",
            "it has no height",
            "Give the height of the sensor above ground in a column (layers.named.height), or one for all as "
            "layers.named.default_height_m",
        )
    said = layer.table[section.support] if section.support is not None else [None] * len(layer)
    support = [columns.text(word) or NamedMount.model_fields["support"].default for word in said]
    return [
        NamedMount(name=name, x=x, y=y, crs=frame.crs, height_m=float(up), support=on)
        for name, (x, y), up, on in zip(
            layer.names, shapely.get_coordinates(layer.shapes).tolist(), height_m, support, strict=True
        )
    ]


def keep_outs(layer: Layer, section: KeepOutsLayer, ledger: Ledger) -> KeepOuts:
    """Keep-outs by kind; points and lines are as good as polygons, for margins reach out from them."""
    if section.kind is None:
        words: tuple[str, ...] = (str(section.default_kind),) * len(layer)
    else:
        words = columns.kinds(layer, section.kind, [k.value for k in KeepOut], section.default_kind, ledger)
    return KeepOuts(layer.names, tuple(KeepOut(word) for word in words), tuple(layer.shapes))


STAND_OFF_M = 0.1  # a box on a wall: common practice, no source
COVERS = {
    **dict.fromkeys(("lawn", "planting", "field"), Cover.SOFT),
    **dict.fromkeys(("path", "paving", "parking", "court", "track"), Cover.PAVED),
    "road": Cover.ROAD,
    "conduit": Cover.CONDUIT,
    **dict.fromkeys(("pool", "water", "forbidden"), Cover.BARRED),
}


def grounds(layer: Layer, section: GroundsLayer, ledger: Ledger) -> Grounds:
    """What the ground is covered with, by what it means for a cable."""
    words = columns.kinds(layer, section.kind, list(COVERS), None, ledger)
    return Grounds(layer.names, tuple(COVERS[word] for word in words), tuple(layer.shapes))
