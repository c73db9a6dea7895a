"""The site's own outline: which feature it is, its local frame, and whether its axes are in the right order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from planner.layers.frame import Frame, local_frame, project_shapes
from planner.layers.raster import covers
from planner.layers.source import locate, place, sentence
from planner.layers.vector import Layer, could_be_swapped, lands, read_vector, repaired, swapped
from planner.ledger import DataError, Kind, Ledger, PlanError, PlannerError, nearest
from planner.plan import Layers, PlanFile

WIDEST_M = 20_000.0  # of a site: more is no site, and what lies around it no longer fits into memory
MOST_PARTS = 2000
IRRIGATED_TO_DEG = 72.0  # no irrigated land lies nearer a pole: common practice, no source


def pick_site(plan_file: PlanFile, layers: Layers, ledger: Ledger) -> Layer:
    section = layers.site
    if section.pick is not None and section.name is None:
        raise PlanError(
            f"{plan_file.path}: layers.site.pick",
            "there is a site to pick, and no attribute to look its name up in",
            "Give layers.site.name the attribute with the sites' names",
        )
    layer = read_vector(plan_file, "layers.site", section, ("name",), ledger)
    if section.pick is not None:
        mask = np.array([name.casefold() == section.pick.strip().casefold() for name in layer.names], bool)
        if not mask.any():
            raise PlanError(
                f"{plan_file.path}: layers.site.pick",
                f"{layer.where} has no site named '{section.pick}'",
                sentence(nearest(section.pick, layer.names)),
            )
        return layer.take(mask)
    if len(layer) > 1 and len(set(layer.names)) > 1:
        listed = ", ".join(layer.names[:12]) + (" ..." if len(layer) > 12 else "")
        raise PlanError(
            f"{plan_file.path}: layers.site.pick",
            f"{layer.where} has {len(layer)} features, and the plan does not say which is the site ({listed})",
            "Give layers.site.pick one of these names"
            + ("" if section.name else ", and layers.site.name the attribute that holds it"),
        )
    return layer


def outline_of(layer: Layer, ledger: Ledger) -> tuple[Frame, BaseGeometry]:
    """The frame, and the site's outline in it; the parts of a site of several features are joined."""
    parts = int(shapely.get_num_geometries(layer.shapes).sum())
    if parts > MOST_PARTS:
        raise DataError(
            layer.where,
            f"the site has {parts:,} parts",
            f"A site may have {MOST_PARTS:,}: name one with layers.site.pick",
        )
    frame = local_frame(shapely.geometrycollections(layer.shapes), layer.crs)
    local = replace(
        layer, crs=CRS.from_user_input(frame.crs), shapes=project_shapes(layer.shapes, layer.crs, frame.crs)
    )
    local = repaired(local, "polygons", ledger)
    if len(local) > 1:
        ledger.add(Kind.REPAIRED, layer.where, f"{len(local)} features of one name joined into one site")
    outline = shapely.union_all(local.shapes)
    area = float(outline.area)
    left, bottom, right, top = outline.bounds
    size = f"{ledger.distance(right - left)} by {ledger.distance(top - bottom)}"
    if max(right - left, top - bottom) > WIDEST_M:
        raise DataError(
            layer.where,
            f"the site is {size}",
            f"One site may be {ledger.distance(WIDEST_M)} wide: give its own outline, or run the sites as a "
            "contract",
        )
    if area < 10:
        ledger.add(Kind.CHECK, layer.where, f"the site is {size}: is that right?")
    return frame, outline


def right_way_round(
    plan_file: PlanFile, layers: Layers, site: Layer, others: Sequence[Layer], ledger: Ledger
) -> Layer:
    """The site's layer with x and y in the right order, as far as the other layers can tell.

    A site whose axes are exchanged may lie on land just as well, and then the good layers would look wrong. So the
    others vote: one that lies at the site as it stands settles it. Where none does, the site is turned if a layer
    that can only be read one way (a raster, or a CRS with a limited area), or two layers, lie at the turned site.
    One against one is refused.
    """
    frame, outline = outline_of(site, Ledger())
    turned = replace(site, shapes=swapped(site.shapes))
    if not could_be_swapped(site):
        return site
    if any(lands(layer, frame, outline) for layer in others) or _rasters_at(plan_file, layers, frame):
        return site
    other_frame, other_outline = outline_of(turned, Ledger())
    at_turned = [layer for layer in others if lands(layer, other_frame, other_outline)]
    sure = [layer for layer in at_turned if not could_be_swapped(layer)]
    if sure or len(at_turned) > 1 or _rasters_at(plan_file, layers, other_frame):
        ledger.add(
            Kind.REPAIRED,
            site.where,
            "x and y were in the wrong order: exchanged, because only so does the site lie where other layers do",
        )
        return turned
    as_is = place(np.array([frame.longitude_deg, frame.latitude_deg]))
    as_turned = place(np.array([other_frame.longitude_deg, other_frame.latitude_deg]))
    polar, turned_polar = (abs(f.latitude_deg) > IRRIGATED_TO_DEG for f in (frame, other_frame))
    if at_turned and turned_polar and not polar:
        return site
    if at_turned and not polar:
        raise DataError(
            site.where,
            f"the site is at {as_is}, and {at_turned[0].where} is at {as_turned}: one of the two has x and y in "
            "the wrong order, and the files do not say which",
            "Put longitude (or easting) first in the one that is wrong",
        )
    if polar and not turned_polar:
        raise DataError(
            site.where,
            f"the site is at {as_is}, where nothing is irrigated; with x and y exchanged it is at {as_turned}",
            "Put longitude (or easting) first",
        )
    return site


def _rasters_at(plan_file: PlanFile, layers: Layers, frame: Frame) -> bool:
    for name in ("terrain", "surface", "canopy"):
        section = getattr(layers, name)
        if section is None:
            continue
        try:
            path = locate(plan_file, f"layers.{name}.path", section.path)
        except PlannerError:
            continue  # said when the raster itself is read
        if covers(plan_file, path, section.crs, frame.longitude_deg, frame.latitude_deg):
            return True
    return False
