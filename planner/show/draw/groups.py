"""What is on the map of one site: groups of features, marks and images, from the lowest to the highest."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from planner.climate.answer import ClimatePicture
from planner.mounts import Support
from planner.reach.link import Grade
from planner.show.draw import palette
from planner.show.draw.rasters import (
    climate_overlay,
    climate_range,
    coverage_overlay,
    hillshade,
    light_overlay,
    light_range,
    standing_overlay,
)
from planner.show.layout import Kind, alternates, layout, proposed, serving
from planner.show.lonlat import Floats, from_lonlat, geojson, geometry
from planner.show.say import layout as layouts
from planner.show.say import links as say_links
from planner.show.say import mount as say
from planner.show.say import shade, verdict
from planner.show.say.compare import points
from planner.show.say.figures import decibels, letter, listed, price
from planner.site import KeepOut, Site
from planner.units import MONTH_NAMES, MONTHS, Units, eto, length, odds

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.reach.cable import CableRun

CANDIDATE_LABELS = (
    "Score",
    "Sunlight received, worst irrigation month",
    "Least direct sun a day, irrigation months",
    "Tallest obstruction",
    "Sensor height",
    "Weakest link, or longest cable",
)
CANDIDATE_FACTS = (say.Fact.SUNLIGHT, say.Fact.DIRECT_SUN, say.Fact.OBSTRUCTION, say.Fact.HEIGHT, say.Fact.REACH)
KEEP_OUTS = {
    KeepOut.SPRAY: ("Spray reach", palette.SPRAY, "lines", None),
    KeepOut.HEAT: ("Exhaust and other heat", palette.HEAT, "dots", "1 4"),
    KeepOut.NO_ACCESS: ("No access", palette.NO_ACCESS, "cross", "7 4"),
}


def _feature(shape: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geojson(shape), "properties": properties}


def _collection(features: Iterable[dict[str, Any]]) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features)}


def groups(result: SiteResult, degrees: Callable[[Floats], Floats]) -> list[dict[str, Any]]:
    """Groups of the map from the lowest to the highest; each is one switch in the key."""
    site, units = result.site, result.plan.units
    found = [
        _relief(site, degrees),
        climate_group(result.climate_picture, units),
        _light(result, degrees),
        _outline(site, degrees),
        _buildings(site, degrees, units),
        *(_keep_outs(site, kind, degrees) for kind in KEEP_OUTS),
        *_trees(site, degrees, units),
        _shown(site, degrees),
        coverage_group(result, degrees),
        cable_group(result, degrees),
        links_group(result, degrees),
        _ruled_out(result, degrees),
        _candidates(result, degrees),
        _controllers(result, degrees),
        _named(result, degrees),
        _alternates(result, degrees),
        _places(result, degrees),
    ]
    return [group for group in found if group is not None]


def _relief(site: Site, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    if site.terrain is None:
        return None
    west, south, east, north = site.outline.bounds
    spare = max(0.9 * max(east - west, north - south), 200.0)
    rows, cols = site.terrain.values.shape
    left, top, cell = site.terrain.left_m, site.terrain.top_m, site.terrain.cell_m
    box = (
        max(west - spare, left),
        max(south - spare, top - rows * cell),
        min(east + spare, left + cols * cell),
        min(north + spare, top),
    )
    if box[0] >= box[2] or box[1] >= box[3]:
        return None
    relief = hillshade(site.terrain, box, degrees, from_lonlat(site.crs))
    if relief is None:
        return None
    return {
        "id": "relief",
        "name": "Relief, light from the northwest",
        "on": True,
        "image": relief.uri,
        "opacity": 1.0,
        "bounds": relief.bounds,
        "key": {"fillColor": "#b9b4a8", "color": palette.QUIET, "weight": 0},
    }


def climate_group(picture: ClimatePicture | None, units: Units, *, ground: bool = False) -> dict[str, Any] | None:
    """The climate layer as a group: off until the reader asks for it, or (`ground`) what all the rest stands on."""
    if picture is None:
        return None
    drawn = climate_overlay(picture)
    return {
        "id": "climate",
        "name": f"Peak-month reference ETo, {picture.source}",
        "on": ground,
        "image": drawn.uri,
        "opacity": 0.45 if ground else 0.72,
        "bounds": drawn.bounds,
        "key": {"fillColor": palette.DRY[3], "color": palette.INK, "weight": 0.5},
        "ramp": climate_ramp(picture, units),
    }


def _light(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Light over the whole site, where the plan asked for it; off until the reader does."""
    if result.light is None:
        return None
    grid, season, to_metres = result.light, result.season, from_lonlat(result.site.crs)
    drawn = light_overlay(grid, season, degrees, to_metres)
    months = [light_overlay(grid, season, degrees, to_metres, month=m).uri for m in range(12)]
    low, high = light_range(grid)
    units = result.plan.units
    ground, roof = length(grid.ground_m, units), length(grid.roof_m, units, 1)
    return {
        "id": "light",
        "name": f"Sunlight received by month: {ground} above ground, {roof} above roofs",
        "on": False,
        "image": drawn.uri,
        "ask": "Month",
        "steps": [
            {"name": "worst irrigation month", "image": ""},
            *({"name": name, "image": uri} for name, uri in zip(MONTH_NAMES, months, strict=True)),
        ],
        "opacity": 0.9,
        "bounds": drawn.bounds,
        "key": {"fillColor": palette.SHADE[2], "color": palette.INK, "weight": 0.5},
        "ramp": {"colors": list(palette.SHADE), "low": f"{high:.0%}", "high": f"{low:.0%}"},
    }


def climate_ramp(picture: ClimatePicture, units: Units) -> dict[str, Any]:
    low, high = climate_range(picture)
    colours = [palette.ramp_hex(palette.DRY, float(s)) for s in palette.dryness(np.linspace(low, high, 7))]
    return {"colors": colours, "low": eto(low, units).split()[0], "high": eto(high, units)}


def _outline(site: Site, degrees: Callable[[Floats], Floats]) -> dict[str, Any]:
    style = {"color": palette.OUTLINE, "weight": 2, "dashArray": "10 4 2 4", "fill": False}
    return {
        "id": "outline",
        "name": "Site boundary",
        "on": True,
        "style": style | {"interactive": False},
        "features": _collection([_feature(geometry(site.outline, degrees))]),
        "key": {"shape": "line", **style},
    }


def _buildings(site: Site, degrees: Callable[[Floats], Floats], units: Units) -> dict[str, Any] | None:
    n = len(site.buildings)
    if n == 0:
        return None
    tall = _above_ground(site)
    low, high = float(np.floor(tall.min())), float(np.ceil(tall.max()))
    features = []
    for k in range(n):
        share = (tall[k] - low) / max(high - low, 1e-9)
        card = {
            "t": site.buildings.names[k],
            "v": [
                length(float(tall[k]), units, 1),
                "pitched" if site.pitched[k] else "flat",
                "yes" if site.mountable[k] else "no",
            ],
        }
        features.append(
            _feature(geometry(site.buildings.shapes[k], degrees), f=palette.ramp_hex(palette.STONE, share), c=card)
        )
    return {
        "id": "buildings",
        "name": "Buildings, by height",
        "on": True,
        "style": {"color": "#5d5546", "weight": 1, "fillOpacity": 0.95},
        "labels": ["Roof edge above ground", "Roof", "A sensor may be mounted here"],
        "features": _collection(features),
        "key": {"fillColor": palette.STONE[1], "color": "#5d5546", "weight": 1},
        "ramp": {"colors": list(palette.STONE), "low": length(low, units).split()[0], "high": length(high, units)},
    }


def _above_ground(site: Site) -> Floats:
    """Roof edges (n,) above the ground at each building's middle, for the shades and the cards."""
    middle = np.array([shape.representative_point().coords[0][:2] for shape in site.buildings.shapes])
    return np.asarray(site.buildings.top_m - site.ground_at(middle.reshape(-1, 2)), float)


def _keep_outs(site: Site, kind: KeepOut, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    name, colour, pattern, dash = KEEP_OUTS[kind]
    rows = [k for k, found in enumerate(site.keep_outs.kinds) if found == kind]
    if not rows:
        return None
    style = {"color": colour, "weight": 1.8, "dashArray": dash, "fillOpacity": 0.7}
    return {
        "id": f"keep-out-{kind.value}",
        "name": name,
        "on": True,
        "style": style,
        "pattern": pattern,
        "labels": [],
        "features": _collection(
            _feature(
                geometry(site.keep_outs.shapes[k], degrees),
                c={"t": site.keep_outs.names[k], "s": f"Keep-out: {name.lower()}"},
            )
            for k in rows
        ),
        "key": {**style, "pattern": pattern, "dashArray": dash or ""},
    }


def _trees(site: Site, degrees: Callable[[Floats], Floats], units: Units) -> list[dict[str, Any] | None]:
    return [_tree_group(site, evergreen, degrees, units) for evergreen in (False, True)]


def _tree_group(
    site: Site, evergreen: bool, degrees: Callable[[Floats], Floats], units: Units
) -> dict[str, Any] | None:
    kind = "evergreen" if evergreen else "deciduous"
    features = []
    crowns = site.crowns
    if len(crowns):
        middles = degrees(crowns.centre)
        top = crowns.centre[:, 2] + crowns.half_height_m - site.ground_at(crowns.centre[:, :2])
        for k in np.flatnonzero(crowns.evergreen == evergreen):
            card = {
                "t": crowns.names[k],
                "s": f"Tree, {kind}",
                "v": [length(float(top[k]), units, 1), length(2 * float(crowns.radius_m[k]), units, 1)],
            }
            features.append(_feature(shapely.points(middles[k]), r=round(float(crowns.radius_m[k]), 2), c=card))
    for k in np.flatnonzero(site.crown_evergreen == evergreen):
        shape = site.crown_prisms.shapes[k]
        ground = float(site.ground_at(np.array(shape.representative_point().coords[0][:2])))
        card = {
            "t": site.crown_prisms.names[k],
            "s": f"Tree canopy, {kind}",
            "v": [length(float(site.crown_prisms.top_m[k]) - ground, units, 1), ""],
        }
        features.append(_feature(geometry(shape, degrees), c=card))
    if not features:
        return None
    colour = palette.EVERGREEN if evergreen else palette.DECIDUOUS
    style = {
        "color": colour,
        "weight": 1.2,
        "dashArray": None if evergreen else "3 2",
        "fillColor": colour,
        "fillOpacity": 0.5 if evergreen else 0.3,
    }
    return {
        "id": f"trees-{kind}",
        "name": f"Trees, {kind}",
        "on": True,
        "style": style,
        "labels": ["Height", "Canopy width"],
        "features": _collection(features),
        "key": {"shape": "round", **style, "dashArray": style["dashArray"] or ""},
    }


def _shown(site: Site, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """The cells of the raster that shades beside, or in place of, what is drawn one by one."""
    raster = site.canopy if site.surface is None else site.surface
    if raster is None:
        return None
    west, south, east, north = site.outline.bounds
    spare = max(0.5 * max(east - west, north - south), 60.0)
    rows, cols = raster.values.shape
    box = (
        max(west - spare, raster.left_m),
        max(south - spare, raster.top_m - rows * raster.cell_m),
        min(east + spare, raster.left_m + cols * raster.cell_m),
        min(north + spare, raster.top_m),
    )
    leaves = site.surface is None
    colour = palette.STONE[3] if not leaves else palette.EVERGREEN if site.canopy_evergreen else palette.DECIDUOUS
    ground = (lambda xy: np.zeros(len(xy))) if leaves else site.ground_at
    drawn = standing_overlay(raster, ground, box, degrees, from_lonlat(site.crs), colour)
    if drawn is None:
        return None
    return {
        "id": "shown",
        "name": "Trees as cells of a raster" if leaves else "What the surface model shows",
        "on": True,
        "image": drawn.uri,
        "opacity": 0.8,
        "bounds": drawn.bounds,
        "key": {"fillColor": colour, "fillOpacity": 0.5, "color": palette.QUIET, "weight": 0},
    }


# --- links, cables, coverage ------------------------------------------------------------------------------------


def links_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """The link that serves each controller, from the place that serves it, and what feeds each repeater."""
    site, by = result.site, serving(result)
    if result.reach.runs is not None or not (by >= 0).any():
        return None
    at, ends = degrees(result.mounts.xyz), degrees(site.controllers.xyz)
    signs = {place.row: place.sign for place in layout(result) or proposed(result)}
    features = []
    for k in np.flatnonzero(by >= 0):
        row, links = int(by[k]), result.reach.links
        margin = decibels(float(links.margin_db[row, k]), float(links.spread_db[row, k]))
        card = {
            "t": f"{signs[row]} to {letter(int(k))} · {site.controllers.names[k]}",
            "v": [
                length(float(result.reach.distance_m[row, k]), result.plan.units),
                f"{odds(float(links.probability[row, k]))} chance of a good link",
                margin,
            ],
            "n": say_links.GRADES[Grade(int(result.reach.grade[row, k]))] + ".",
        }
        features.append(_feature(shapely.linestrings([at[row], ends[k]]), c=card))
    for place in layout(result) or proposed(result):
        if place.fed_by >= 0:
            card = {"t": f"{signs[place.fed_by]} to {place.sign}", "s": "The sensor feeds the repeater", "v": []}
            features.append(_feature(shapely.linestrings([at[place.fed_by], at[place.row]]), c=card))
    style = {"color": palette.INK, "weight": 1.6, "dashArray": "5 4", "opacity": 0.85}
    return {
        "id": "links",
        "name": "Links that serve the controllers",
        "on": True,
        "style": style,
        "labels": ["Straight-line distance", "Grade", "Margin"],
        "features": _collection(features),
        "key": {"shape": "line", **style},
    }


def coverage_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Grade of a receiver anywhere on the site, from the layout; off until the reader asks."""
    study = result.reach_study
    if study is None or study.coverage is None:
        return None
    drawn = coverage_overlay(study.coverage, degrees, from_lonlat(result.site.crs))
    up = length(study.coverage.receiver_m, result.plan.units, 1)
    whence = listed([result.mounts.ids[k] for k in study.covered_from])
    return {
        "id": "coverage",
        "name": f"Radio coverage from {whence}, receivers outdoors {up} up",
        "on": False,
        "image": drawn.uri,
        "opacity": 0.7,
        "bounds": drawn.bounds,
        "key": {"fillColor": palette.LINK[2], "color": palette.INK, "weight": 0.5},
        "classes": [
            {
                "fillColor": palette.LINK[grade],
                "color": palette.INK,
                "weight": 0.5,
                "name": say_links.grade_range(result, grade),
            }
            for grade in sorted(Grade, reverse=True)
        ],
    }


def _cables(result: SiteResult) -> list[tuple[int, int, CableRun]]:
    """Row of the mount, controller and cable: of the layout where the sensor has a cable, else of the first
    place.
    """
    study, runs = result.reach_study, result.reach.runs
    if study is None:
        return []
    if runs is None:
        return [(study.row, k, run) for k, run in enumerate(study.cables) if run is not None]
    by = serving(result)
    rows = np.where(by >= 0, by, study.row)
    found = [(int(row), k, runs[row][k]) for k, row in enumerate(rows)]
    return [(row, k, run) for row, k, run in found if run is not None]


def cable_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Cable routes; on where the link is a cable."""
    units, cables = result.plan.units, _cables(result)
    if not cables:
        return None
    features = []
    for row, k, run in cables:
        card = {
            "t": f"Cable from {result.mounts.ids[row]} to {letter(k)} · {result.site.controllers.names[k]}",
            "s": f"By the {run.kind} route",
            "v": [length(run.length_m, units), price(run.price, result.plan.prices.currency)],
            "n": say_links.wire_sentence(run, units),
        }
        features.append(_feature(shapely.linestrings(degrees(run.xy)), c=card))
    style = {"color": palette.CABLE, "weight": 2.4, "dashArray": "1 4", "opacity": 0.95}
    start = "" if result.reach.runs is not None else f" from {result.mounts.ids[cables[0][0]]}"
    return {
        "id": "cables",
        "name": f"Cable routes{start}",
        "on": result.plan.sensor.link == "cable",
        "bounds": _bounds(features),
        "style": style,
        "labels": ["Cable to buy, with slack and drops", "Cable and laying"],
        "features": _collection(features),
        "key": {"shape": "line", **style},
    }


def _bounds(features: list[dict[str, Any]]) -> list[list[float]]:
    west, south, east, north = shapely.total_bounds([shapely.geometry.shape(f["geometry"]) for f in features])
    return [[float(south), float(west)], [float(north), float(east)]]


# --- candidates -------------------------------------------------------------------------------------------------


def candidate_card(result: SiteResult, row: int) -> dict[str, Any]:
    """What a click on a candidate shows; values in the order of CANDIDATE_LABELS."""
    numbers = say.by_fact(say.mount_numbers(result, row))
    month = {
        say.Fact.SUNLIGHT: say.worst_month(result.sun.light_share[row], result.season),
        say.Fact.DIRECT_SUN: say.worst_month(result.sun.direct_h[row], result.season),
    }
    ruled_out = verdict.ruled_out(result, row)
    values = [
        (numbers[fact].value if fact in numbers else "") + (f" ({MONTHS[month[fact]]})" if fact in month else "")
        for fact in CANDIDATE_FACTS
    ]
    return {
        "t": f"{result.mounts.ids[row]} · {verdict.fixed_to(result.mounts, row)}",
        "s": f"{verdict.SUPPORT_NAMES[result.mounts.support[row]].capitalize()}, {say.status_said(result, row)}",
        "v": [say.score(result, row) if not ruled_out else "", *values],
        "n": f"Ruled out: {ruled_out}."
        if ruled_out
        else verdict.reason(result, row)
        if row in _marked(result)
        else "",
        "p": points(result, row),
        **_sun_card(result, row),
    }


def _sun_card(result: SiteResult, row: int) -> dict[str, Any]:
    """Who shades it, and what a longer mast buys, for the mounts that were looked at closely."""
    taken, higher = shade.sources(result, row, most=2), say.raised(result, row)
    if not taken and not higher:
        return {}
    return {
        "lines": taken,
        "table": {
            "head": ["Mast", "Sunlight", "Reaches", "Score"],
            "rows": [[r.more, r.light, r.held, r.score] for r in higher],
        },
    }


def _marked(result: SiteResult) -> set[int]:
    """Rows that have a mark of their own."""
    return {*_ranked(result), *named_rows(result)}


def _ranked(result: SiteResult) -> set[int]:
    """Rows of the layout and of its alternates."""
    there = layout(result) or proposed(result)
    return {*result.decision.runners_up, *(place.row for place in there)}


def named_rows(result: SiteResult) -> list[int]:
    """Rows of points that the plan file names, but those of the layout and its alternates."""
    ranked = _ranked(result)
    return [k for k, held in enumerate(result.mounts.support) if held is Support.NAMED and k not in ranked]


def _ruled_out(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    marked = _marked(result)
    rows = [k for k, ok in enumerate(result.decision.passing) if not ok and k not in marked]
    if not rows:
        return None
    at = degrees(result.mounts.xyz)
    style = {"color": "#ffffff", "weight": 0.8, "fillColor": palette.RULED_OUT, "fillOpacity": 0.95}
    return {
        "id": "ruled-out",
        "mounts": True,
        "name": f"Ruled out ({len(rows)}): click one to see why",
        "on": True,
        "style": style | {"radius": 3},
        "labels": list(CANDIDATE_LABELS),
        "features": _collection(_feature(shapely.points(at[k]), c=candidate_card(result, k)) for k in rows),
        "key": {"shape": "dot", "size": 3, **style},
    }


def _candidates(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    marked = _marked(result)
    rows = [k for k, ok in enumerate(result.decision.passing) if ok and k not in marked]
    if not rows:
        return None
    at, score = degrees(result.mounts.xyz), result.decision.score
    passing = score[np.isfinite(score)]
    low, high = float(np.floor(passing.min())), float(np.ceil(passing.max()))
    style = {"color": palette.INK, "weight": 1, "fillOpacity": 1}

    def colour(k: int) -> str:
        return palette.ramp_hex(palette.SCORE, (score[k] - low) / max(high - low, 1e-9))

    return {
        "id": "candidates",
        "mounts": True,
        "name": f"Other mounts that meet every requirement ({len(rows)}), by score",
        "on": True,
        "style": style | {"radius": 5},
        "labels": list(CANDIDATE_LABELS),
        # the better ones are drawn last, on top
        "features": _collection(
            _feature(shapely.points(at[k]), f=colour(k), c=candidate_card(result, k))
            for k in sorted(rows, key=lambda k: float(score[k]))
        ),
        "key": {"shape": "dot", "size": 5, **style, "fillColor": palette.SCORE[3]},
        "ramp": {"colors": list(palette.SCORE), "low": f"{low:.0f}", "high": f"{high:.0f} of 100"},
    }


# --- marks ------------------------------------------------------------------------------------------------------


def _mark(at: Floats, kind: str, text: str, key: str, card: dict[str, Any], beside: str = "") -> dict[str, Any]:
    place = [round(float(at[1]), 7), round(float(at[0]), 7)]
    return {"at": place, "kind": kind, "text": text, "k": key, "beside": beside, "c": card}


def _controllers(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    site, cabled = result.site, result.plan.sensor.link == "cable"
    if not len(site.controllers):
        return None
    at = degrees(site.controllers.xyz)
    found = {row.controller: row for row in say_links.controllers(result)}
    marks = []
    for k, name in enumerate(site.controllers.names):
        card: dict[str, Any] = {"t": name, "s": f"Controller {letter(k)}"}
        beside = ""
        if k in found:
            row = found[k]
            by = f"{row.sign} ({row.mount})" if row.sign else "none"
            card |= {"v": [by, row.distance, row.chance, row.margin or row.cable], "n": row.need}
            beside = f"{row.sign}, {row.distance}" if row.sign else "not served"
        marks.append(_mark(at[k], "controller", letter(k), f"controller-{k}", card, beside))
    return {
        "id": "controllers",
        "name": "Controllers, what serves them, how far",
        "on": True,
        "labels": [
            "Served by",
            "Straight-line distance",
            "Chance of a good link",
            "Cable to buy" if cabled else "Margin",
        ],
        "marks": marks,
        "key": {"mark": "controller", "text": "A"},
    }


def _alternates(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    rows = alternates(result)
    if not rows:
        return None
    at = degrees(result.mounts.xyz)
    return {
        "id": "alternates",
        "name": "Alternate locations",
        "on": True,
        "labels": list(CANDIDATE_LABELS),
        "marks": [
            _mark(at[k], "alternate", str(n), f"mount-{k}", candidate_card(result, k) | {"picture": f"sun-{k}"})
            for n, k in enumerate(rows, start=1)
        ],
        "key": {"mark": "alternate", "text": "1"},
    }


def _named(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Points that the plan file names, with their names and verdicts, where no other mark stands for them."""
    rows = named_rows(result)
    if not rows:
        return None
    at, mounts = degrees(result.mounts.xyz), result.mounts
    marks = []
    for k in rows:
        card = candidate_card(result, k)
        if k in result.losses:
            card["picture"] = f"sun-{k}"
        beside = f"{mounts.holder[k].name}: {say.status_said(result, k)}"
        marks.append(_mark(at[k], "named", mounts.ids[k], f"mount-{k}", card, beside))
    return {
        "id": "named",
        "name": "Named in the plan file",
        "on": True,
        "labels": list(CANDIDATE_LABELS),
        "marks": marks,
        "key": {"mark": "named", "text": "N1"},
    }


def _places(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Every sensor and repeater of the layout, each with its card."""
    there = layouts.places(result)
    if not there:
        return None
    at = degrees(result.mounts.xyz[[place.row for place in there]])
    decided = result.decision.chosen >= 0
    marks = []
    for place, where in zip(there, at, strict=True):
        card = candidate_card(result, place.row)
        card["s"] = f"{place.sign}, {place.kind}" + (f"; {place.serves}" if place.serves else "")
        if place.kind == Kind.REPEATER:
            card["n"] = ""  # what rules a sensor out is no matter for a repeater
        if place.row in result.losses:
            card["picture"] = f"sun-{place.row}"
        kind = "sensor" if place.kind == Kind.SENSOR else "repeater"
        beside = {"sensor": "Sensor", "repeater": "Repeater"}[kind] if decided else "Proposed"
        marks.append(_mark(where, kind, place.sign, f"mount-{place.row}", card, beside))
    return {
        "id": "layout",
        "name": "The sensors go here" if len(there) > 1 else "The sensor goes here",
        "on": True,
        "labels": list(CANDIDATE_LABELS),
        # the first is drawn last, on top
        "marks": marks[::-1],
        "key": {"mark": "sensor", "text": "S1"},
    }
