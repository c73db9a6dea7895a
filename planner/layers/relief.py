"""Terrain, surface model and canopy of a site: fine around it, coarser farther out, and what they leave unsaid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import shapely
from affine import Affine
from rasterio.features import geometry_mask, rasterize
from shapely.geometry.base import BaseGeometry

from planner.gaps import runs, unknown_from
from planner.ground import OWN_CELLS, cell_error_deg, centres
from planner.layers.found_trees import WIDEST_CELL_M, find_trees
from planner.layers.frame import Frame
from planner.layers.raster import Around, Taken, read_heights
from planner.layers.standing import HIGHEST_TREE_M, WIDEST_CROWN_M
from planner.ledger import DataError, Kind, Ledger
from planner.plan import CanopyLayer, Layers, PlanFile, SurfaceLayer
from planner.site import SURROUNDINGS_M, Crowns, Heights, Prisms, compass, ground_at, no_crowns

FINE_M = (
    300.0  # to which surface model and canopy are read as fine as they are: a 30 m tree there is 5.7 degrees high
)
JUDGED_CELLS = 1000  # across the part of a raster by which joining is judged
RUNS_SAID = 4  # ranges of directions without heights that are told one by one

Rasters = tuple[Heights, ...]  # of one layer: fine first, then coarser and wider; none where there is no layer


def read_terrain(
    plan_file: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, ledger: Ledger
) -> Rasters:
    """Ground, fine as far as features are kept, and to the horizon. Raises PlanError or DataError."""
    section = layers.terrain
    if section is None:
        return ()

    def read(reach_m: float, said: Ledger) -> Heights:
        return read_heights(plan_file, "layers.terrain", section, Around(frame, outline, reach_m), said)

    reach_m = 1000 * plan_file.plan.sun.terrain_km
    # the buildings around stand on ground too, however short the horizon is searched
    read_m = max(reach_m, FINE_M)
    found = _near_and_far(read, "layers.terrain", (SURROUNDINGS_M, read_m), "sharp ridges", ledger)
    _say_gaps(
        found,
        outline,
        reach_m,
        "layers.terrain",
        f"short of sun.terrain_km ({ledger.distance(reach_m)}): hills there shade nothing, and the ± beside the "
        "light holds what hills like those around would take. Where it is the sea, give it height 0",
        ledger,
    )
    return found


def read_surface(
    plan_file: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, ledger: Ledger
) -> Rasters:
    """The surface model as far as footprints are kept. Raises PlanError or DataError."""
    section = layers.surface
    if section is None:
        return ()
    obstacles = layers.surface_shades

    def read(reach_m: float, said: Ledger) -> Heights:
        around = Around(frame, outline, reach_m)
        return read_heights(
            plan_file, "layers.surface", section, around, said, Taken(steps=obstacles, zeros_count=True)
        )

    found = _near_and_far(read, "layers.surface", (FINE_M, SURROUNDINGS_M), "narrow tops", ledger)
    if obstacles:
        _needs_ground(layers)
        _say_sharpness(found[0], ledger)
        _say_gaps(
            found,
            outline,
            SURROUNDINGS_M,
            "layers.surface",
            "and stands in for footprints and trees: what is there shades nothing, and the ± beside the light "
            "holds what things like those around would take",
            ledger,
        )
    return found


def read_canopy(
    plan_file: PlanFile, layers: Layers, frame: Frame, outline: BaseGeometry, ledger: Ledger
) -> Rasters:
    """Vegetation's height above ground, as far as footprints are kept. Raises PlanError or DataError."""
    section = layers.canopy
    if section is None:
        return ()
    # canopy layers often say "unknown" where nothing grows
    taken = Taken(low_m=0.0, high_m=HIGHEST_TREE_M, gaps_are=0.0, steps=True)

    def read(reach_m: float, said: Ledger) -> Heights:
        return read_heights(plan_file, "layers.canopy", section, Around(frame, outline, reach_m), said, taken)

    found = _near_and_far(read, "layers.canopy", (FINE_M, SURROUNDINGS_M), "narrow tops", ledger)
    _say_leaf_cells("layers.canopy", found[0], ledger)
    return found


# What a surface model shows from here on, outside the footprints, is a tree: above hedges and cars; common
# practice, no source.
SHOWN_M = 3.0


def leaves_shown(
    surfaces: Rasters, terrains: Rasters, section: SurfaceLayer, buildings: Prisms, ledger: Ledger
) -> Rasters:
    """Heights above ground of what a surface model shows beside the footprints, where no layer gives trees.

    terrains: none where the surface's heights are above ground. What no footprint holds is taken for leaves, also
    where it is a building.
    """
    terrain, far = (*terrains, None, None)[:2]

    def above(surface: Heights) -> Heights:
        high = surface.values - ground_at(terrain, centres(surface), far)
        leafy = np.where(high >= SHOWN_M, np.minimum(high, HIGHEST_TREE_M), 0.0)  # unknown is none
        return _without_roofs(replace(surface, values=leafy), terrain, buildings)

    found = tuple(above(surface) for surface in surfaces)
    if not any((one.values > 0).any() for one in found):
        return ()
    rim = ledger.length(RIM_CELLS * found[0].cell_m)
    ledger.add(
        Kind.ASSUMED,
        "layers.surface",
        f"no trees are given: what it shows of {ledger.length(SHOWN_M)} and more, over {rim} from any footprint, "
        f'is taken as {section.leaf} trees, also a building that no footprint holds. leaf = "none" leaves all out',
    )
    _say_leaf_cells("layers.surface", found[0], ledger)
    return found


def _near_and_far(
    read: Callable[[float, Ledger], Heights], where: str, reach_m: tuple[float, float], lower: str, ledger: Ledger
) -> Rasters:
    """The raster to the farther of two distances; and to the nearer one, where it can be read finer there."""
    near_m, far_m = reach_m
    of_far, of_near = Ledger(ledger.units), Ledger(ledger.units)
    far = read(far_m, of_far)
    near = read(near_m, of_near) if far_m > near_m else far
    if far.cell_m <= 1.5 * near.cell_m:
        ledger.take(of_far)
        return (far,)
    ledger.take(of_near)
    lost_m = joined_away_m(near, far.cell_m, steps=where != "layers.terrain")
    known = (
        f", up to {ledger.length(lost_m)} judged by those around the site: "
        f"{np.degrees(np.arctan(lost_m / near_m)):.1f} degrees at {ledger.length(near_m)}, less farther off"
        if np.isfinite(lost_m)
        else ""
    )
    ledger.add(
        Kind.ASSUMED,
        where,
        f"cells of {ledger.length(near.cell_m)} to {ledger.length(near_m)} beyond the site, joined into cells of "
        f"{ledger.length(far.cell_m)} from there on: {lower} stand lower by what is joined{known}",
    )
    return near, far


def joined_away_m(fine: Heights, cell_m: float, steps: bool = False) -> float:
    """The most that any cell of `fine` stands above the same raster with its cells joined, metres; NaN if unknown.

    A horizon over joined cells at a distance d is too low by at most this over d, where the raster is as rough as
    here. steps: cells are prisms, else bilinear between their centres. Judged by the `JUDGED_CELLS` squared in the
    middle, less a rim.
    """
    k = int(np.ceil(cell_m / fine.cell_m))
    rows, cols = (min(n, JUDGED_CELLS) // k for n in fine.values.shape)
    if min(rows, cols) < 3:
        return float("nan")
    row, col = (fine.values.shape[0] - rows * k) // 2, (fine.values.shape[1] - cols * k) // 2
    part = replace(
        fine,
        values=fine.values[row : row + rows * k, col : col + cols * k],
        left_m=fine.left_m + col * fine.cell_m,
        top_m=fine.top_m - row * fine.cell_m,
    )
    means = part.values.reshape(rows, k, cols, k).mean(axis=(1, 3))
    joined = replace(part, values=means, cell_m=k * fine.cell_m)
    at = centres(part)
    above = (part.values - (joined.cell_at(at) if steps else joined.at(at)))[k:-k, k:-k]
    above = above[np.isfinite(above)]
    return float(max(above.max(), 0.0)) if len(above) else float("nan")


# A surface model is on or above its ground, but for the noise of both. Where three quarters of it is further under,
# or the lowest hundredth further over, it is another height: common practice, no source.
UNDER_M, OVER_M = 3.0, 10.0


def on_terrain(surfaces: Rasters, terrains: Rasters, section: SurfaceLayer | None, ledger: Ledger) -> Rasters:
    """The surface model as elevations, on the ground that is read beside it.

    Raises DataError where it lies under its ground or above all of it, as heights above ground, another unit or
    another datum do.
    """
    if section is None or not surfaces or not terrains:
        return surfaces
    if section.above == "ground":
        return tuple(replace(s, values=s.values + ground_at(terrains[-1], centres(s))) for s in surfaces)
    fine = surfaces[0]
    above = fine.values - terrains[0].at(centres(fine))
    above = above[np.isfinite(above)]
    if not len(above):
        return surfaces
    if np.percentile(above, 75) < -UNDER_M:
        values = fine.values[np.isfinite(fine.values)]
        level = abs(np.percentile(values, 10)) < 2.0 and values.min() > -UNDER_M
        raise DataError(
            "layers.surface",
            f"most of it lies under the terrain, by {ledger.length(-float(np.median(above)))} in the middle"
            + (
                ": its values look like heights above ground"
                if level
                else ": it has another datum, or another unit"
            ),
            'If they are heights above ground, write above = "ground"; else bring both to one datum and unit',
        )
    if np.percentile(above, 1) > OVER_M:
        raise DataError(
            "layers.surface",
            f"all of it lies above the terrain, by {ledger.length(float(np.percentile(above, 1)))} and more: it "
            "has another datum, or another unit (height_unit)",
            "Bring both to one datum and unit",
        )
    return surfaces


def _needs_ground(layers: Layers) -> None:
    """A surface model's heights are above sea level: without the ground's all of it would stand overhead."""
    if layers.terrain is None and layers.surface is not None and layers.surface.above == "sea level":
        raise DataError(
            "layers.surface",
            "a surface model as obstacles needs the height of the ground beneath it",
            "Name layers.terrain too, from the same survey if you can",
        )


def each_tree_once(canopy: Rasters, crowns: Crowns, grown: Prisms, ledger: Ledger) -> Rasters:
    """The canopy without the cells that crowns of layers.trees touch: these know their shape and leaf habit."""
    shapes = [*shapely.buffer(shapely.points(crowns.centre[:, :2]), crowns.radius_m), *grown.shapes]
    without = tuple(_cleared(heights, shapes) for heights in canopy)
    if any(new is not old for new, old in zip(without, canopy, strict=True)):
        ledger.add(
            Kind.ASSUMED,
            "layers.canopy",
            "left out where layers.trees gives tree canopies, so that each tree shades once",
        )
    return without


ABOVE_ROOF_M = 2.0  # cells within a footprint that are no more than this above the roof are the roof
RIM_CELLS = 2.0  # around a footprint, whose roof spills into the cells that it touches: the raster's own, and ours


def trees_in(
    canopy: Rasters, section: CanopyLayer, terrain: Heights | None, buildings: Prisms, ledger: Ledger
) -> tuple[Crowns, Rasters]:
    """Single trees found in the canopy, and what is left of it as cells: what is farther than its fine part.

    Where its cells are too wide to tell trees apart, none are found and it stays as it is.
    """
    fine = canopy[0]
    if fine.cell_m > WIDEST_CELL_M:
        ledger.add(
            Kind.CHECK,
            "layers.canopy",
            f"no single trees are sought in cells of {ledger.length(fine.cell_m)}, which may hold several: its "
            "cells are taken as leaves",
        )
        return no_crowns(), canopy
    without = _without_roofs(fine, terrain, buildings)
    found = find_trees(without, section.least_tree_m, WIDEST_CROWN_M)
    base_m = found.height_m / 4
    crowns = Crowns(
        tuple(f"found tree {k + 1}" for k in range(len(found))),
        np.column_stack([found.xy, ground_at(terrain, found.xy) + (base_m + found.height_m) / 2]),
        found.width_m / 2,
        (found.height_m - base_m) / 2,
        np.full(len(found), section.leaf == "evergreen"),
    )
    if not len(found):
        ledger.add(Kind.CHECK, "layers.canopy", f"no tree of {ledger.length(section.least_tree_m)} or more in it")
    else:
        low, high = ledger.length(float(found.height_m.min())), ledger.length(float(found.height_m.max()))
        ledger.add(
            Kind.ASSUMED,
            "layers.canopy",
            f"{len(found):,} trees of {low} to {high} found in it by their tops, a quarter of each taken as trunk; "
            f"{found.left_share:.0%} of the canopy is in none of them. Trees that stand apart are seldom missed; "
            "two in ten are where tree canopies have grown together; widths are give or take a fifth, and rather "
            "too wide: look at the trees beside a mount",
        )
    if len(canopy) == 1:
        return crowns, ()
    return crowns, (replace(fine, values=np.zeros_like(fine.values)), *canopy[1:])


def _without_roofs(canopy: Heights, terrain: Heights | None, buildings: Prisms) -> Heights:
    """The canopy without the cells that are roofs, or their rims: models of all that stands are given too."""
    values = canopy.values
    corner = Affine(canopy.cell_m, 0, canopy.left_m, 0, -canopy.cell_m, canopy.top_m)
    if len(buildings):
        middle = shapely.get_coordinates(shapely.centroid(buildings.shapes))
        roof_m = buildings.top_m - ground_at(terrain, middle) + ABOVE_ROOF_M
        low_first = np.argsort(roof_m)  # the higher of two that overlap counts
        highest = rasterize(
            ((shapely.buffer(buildings.shapes[k], RIM_CELLS * canopy.cell_m), roof_m[k]) for k in low_first),
            values.shape,
            0.0,
            transform=corner,
            dtype="float64",
        )
        values = np.where(values <= highest, 0.0, values)
    return replace(canopy, values=values)


def _cleared(canopy: Heights, shapes: Sequence[BaseGeometry]) -> Heights:
    if not shapes:
        return canopy
    corner = Affine(canopy.cell_m, 0, canopy.left_m, 0, -canopy.cell_m, canopy.top_m)
    both = geometry_mask(shapes, canopy.values.shape, corner, all_touched=True, invert=True) & (canopy.values > 0)
    return replace(canopy, values=np.where(both, 0.0, canopy.values)) if both.any() else canopy


def say_stood_in(trees: int, leafy: bool, ledger: Ledger) -> None:
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


def _off(heights: Heights, ledger: Ledger) -> str:
    """How far off the edge of what stands at two distances may be seen."""
    at_m = np.array([10.0, 30.0]) if heights.cell_m < 6.0 else np.array([50.0, 150.0])
    # half a cell by the model itself, half by laying it into the site's frame
    off = [f"{e:.0f}" if e >= 1 else f"{e:.1f}" for e in cell_error_deg(at_m, heights.cell_m, shift_cells=1.0)]
    return (
        f"{ledger.length(at_m[0])} away may stand up to {off[0]} degrees higher or lower than shown, one "
        f"{ledger.length(at_m[1])} away up to {off[1]}"
    )


def _say_sharpness(surface: Heights, ledger: Ledger) -> None:
    ledger.add(
        Kind.CHECK,
        "layers.surface",
        f"obstacles are cells of {ledger.length(surface.cell_m)}: a wall {_off(surface, ledger)}; what begins "
        f"within {ledger.length(OWN_CELLS * surface.cell_m)} of a sensor is taken for what carries it, and does "
        "not shade",
    )


def _say_leaf_cells(where: str, canopy: Heights, ledger: Ledger) -> None:
    ledger.add(
        Kind.CHECK,
        where,
        f"leaves are cells of {ledger.length(canopy.cell_m)}: the edge of a tree {_off(canopy, ledger)}; the cell "
        "that a sensor stands in shades it only where it is higher than the sensor",
    )


def _say_gaps(found: Rasters, outline: BaseGeometry, reach_m: float, where: str, lost: str, ledger: Ledger) -> None:
    """Say in which directions a raster knows nothing, and from how far on."""
    gaps = runs(unknown_from(found, outline.bounds, reach_m))
    if not gaps:
        return
    told = "; ".join(_run(*gap, ledger) for gap in gaps[:RUNS_SAID])
    more = f"; and in {len(gaps) - RUNS_SAID} narrower ranges" if len(gaps) > RUNS_SAID else ""
    what = where.rsplit(".", 1)[1].replace("surface", "surface model")
    ledger.add(Kind.ASSUMED, where, f"the {what} has no heights {told}{more}, from the middle of the site, {lost}")


def _run(first_deg: int, last_deg: int, near_m: float, ledger: Ledger) -> str:
    if (first_deg, last_deg) == (0, 359):
        return f"all round from {ledger.distance(near_m)} on"
    ends = dict.fromkeys((compass(first_deg), compass(last_deg)))
    degrees = f"{first_deg} to {last_deg}" if first_deg != last_deg else f"{first_deg}"
    return f"{' to '.join(ends)} ({degrees} degrees) from {ledger.distance(near_m)} on"
