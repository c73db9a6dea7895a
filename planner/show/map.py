"""The map of one site, with the decision told in order beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup

from planner.climate.answer import ClimatePicture
from planner.climate.builtin import ATTRIBUTION, SOURCE
from planner.ledger import Notice
from planner.reach.radio import basis
from planner.show import palette, verdicts, words
from planner.show.links import (
    SIDE_KEY,
    cable_group,
    cable_view,
    coverage_group,
    covered,
    letter,
    partner_group,
    plan_view,
)
from planner.show.lonlat import Floats, from_lonlat, geojson, geometry, to_lonlat
from planner.show.page import PAGES, OfflineMap, page_bytes
from planner.show.pictures import (
    climate_overlay,
    climate_range,
    eto_bars,
    hillshade,
    light_overlay,
    light_range,
    rain_rose,
    sun_picture,
    zone_bar,
)
from planner.site import KeepOut, Site
from planner.units import MONTHS, Units, eto, length, months

if TYPE_CHECKING:
    from planner.job import SiteResult

CANDIDATE_LABELS = (
    "Score",
    "Light kept, worst irrigation month",
    "Least direct sun a day, irrigation months",
    "Steepest obstacle for rain",
    "Height to reach",
    "Weakest link, or longest cable",
)
KEEP_OUTS = {
    KeepOut.SPRAY: ("Spray reach", palette.SPRAY, "lines", None),
    KeepOut.HEAT: ("Exhaust and other heat", palette.HEAT, "dots", "1 4"),
    KeepOut.NO_ACCESS: ("No access", palette.NO_ACCESS, "cross", "7 4"),
}


def site_page(result: SiteResult) -> bytes:
    """`map.html` of one site."""
    return page_bytes(site_map(result))


def site_map(result: SiteResult) -> OfflineMap:
    """The map as a folium object, to which layers of one's own may be added before it is saved."""
    site = result.site
    degrees = to_lonlat(site.crs, unbroken=True)
    west, south, east, north = geometry(_extent(result), degrees).bounds
    data = {
        "units": result.plan.units,
        "bounds": [[south, west], [north, east]],
        "closeZoom": 18,
        "dotZoom": 18,
        "groups": [g for g in _groups(result, degrees) if g is not None],
        "credits": credits(result.climate.source, result.climate_picture),
    }
    return OfflineMap(_title(result), ((south + north) / 2, (west + east) / 2), data, _panel(result, degrees))


def _title(result: SiteResult) -> str:
    return result.plan.outputs.title or result.plan.title


def _extent(result: SiteResult) -> Any:
    """What the map opens on: the site, and any controller or mount that lies outside it."""
    return shapely.union_all(
        [
            result.site.outline,
            *shapely.points(result.site.controllers.xyz[:, :2]),
            *shapely.points(result.mounts.xyz[:, :2]),
        ]
    ).envelope


def credits(sources: Iterable[str], picture: ClimatePicture | None) -> list[str]:
    """What the map must say of its data and parts: the built-in climate's terms where it was used, and Leaflet."""
    asked = picture.attribution if picture is not None else ""
    if not asked and any(SOURCE in source for source in sources):
        asked = ATTRIBUTION
    return [*([asked] if asked else []), "Drawn with Leaflet 1.9.4."]


# --- what is on the map -----------------------------------------------------------------------------------------


def _feature(shape: Any, **properties: Any) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geojson(shape), "properties": properties}


def _collection(features: Iterable[dict[str, Any]]) -> dict[str, Any]:
    return {"type": "FeatureCollection", "features": list(features)}


def _groups(result: SiteResult, degrees: Callable[[Floats], Floats]) -> list[dict[str, Any] | None]:
    """Groups of the map from the lowest to the highest; each is one switch in the key."""
    site, units = result.site, result.plan.units
    return [
        _relief(site, degrees),
        climate_group(result.climate_picture, units),
        _light(result, degrees),
        _outline(site, degrees),
        _buildings(site, degrees, units),
        *(_keep_outs(site, kind, degrees) for kind in KEEP_OUTS),
        *_trees(site, degrees, units),
        coverage_group(result, degrees),
        cable_group(result, degrees),
        _lines(result, degrees),
        _shut_out(result, degrees),
        _candidates(result, degrees),
        _controllers(result, degrees),
        partner_group(result, degrees),
        _runners_up(result, degrees),
        _chosen(result, degrees),
    ]


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
    shade = hillshade(site.terrain, box, degrees, from_lonlat(site.crs))
    if shade is None:
        return None
    return {
        "id": "relief",
        "name": "Relief, light from the north-west",
        "on": True,
        "image": shade.uri,
        "opacity": 1.0,
        "bounds": [[shade.south_deg, shade.west_deg], [shade.north_deg, shade.east_deg]],
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
        "bounds": [[drawn.south_deg, drawn.west_deg], [drawn.north_deg, drawn.east_deg]],
        "key": {"fillColor": palette.DRY[3], "color": palette.INK, "weight": 0.5},
        "ramp": climate_ramp(picture, units),
    }


def _light(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Light over the whole site, where the plan asked for it; off until the reader does."""
    if result.light is None:
        return None
    drawn = light_overlay(result.light, result.season, degrees, from_lonlat(result.site.crs))
    low, high = light_range(result.light, result.season)
    units = result.plan.units
    ground, roof = length(result.light.ground_m, units), length(result.light.roof_m, units, 1)
    return {
        "id": "light",
        "name": f"Light kept, worst irrigation month: {ground} above ground, {roof} above roofs",
        "on": False,
        "image": drawn.uri,
        "opacity": 0.9,
        "bounds": [[drawn.south_deg, drawn.west_deg], [drawn.north_deg, drawn.east_deg]],
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
        "labels": ["Roof edge above ground", "Roof", "A sensor may be fixed here"],
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
            "s": f"Crown, {kind}",
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
        "labels": ["Height", "Crown width"],
        "features": _collection(features),
        "key": {"shape": "round", **style, "dashArray": style["dashArray"] or ""},
    }


def _lines(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    row, site = words.reach_row(result), result.site
    if row < 0 or not len(site.controllers):
        return None
    start, ends = degrees(result.mounts.xyz[[row]])[0], degrees(site.controllers.xyz)
    style = {"color": palette.INK, "weight": 1.3, "dashArray": "5 4", "opacity": 0.8}
    return {
        "id": "lines",
        "name": "Straight lines to the controllers",
        "on": True,
        "style": style | {"interactive": False},
        "features": _collection(_feature(shapely.linestrings([start, end])) for end in ends),
        "key": {"shape": "line", **style},
    }


def candidate_card(result: SiteResult, row: int) -> dict[str, Any]:
    """What a click on a candidate shows; values in the order of CANDIDATE_LABELS."""
    numbers = {n.label: n.value for n in words.mount_numbers(result, row)}
    light, direct, steepest, height, *rest = numbers.values()
    dark = words.worst_month(result.sun.light_share[row], result.season)
    brief = words.worst_month(result.sun.direct_h[row], result.season)
    far = rest[0] if len(result.site.controllers) else ""
    shut = verdicts.ruled_out(result, row)
    return {
        "t": f"{result.mounts.ids[row]} · {result.mounts.on[row]}",
        "s": f"{verdicts.SUPPORT_NAMES[result.mounts.support[row]].capitalize()}, {words.status(result, row)}",
        "v": [
            words.score(result, row) if not shut else "",
            f"{light} ({MONTHS[dark]})",
            f"{direct} ({MONTHS[brief]})",
            steepest,
            height,
            far,
        ],
        "n": f"Shut out: {shut}." if shut else verdicts.reason(result, row) if row in _marked(result) else "",
        **_sun_card(result, row),
    }


def _sun_card(result: SiteResult, row: int) -> dict[str, Any]:
    """Who takes the sun, and what more mast buys, for the mounts that were looked at closely."""
    taken, higher = words.losses(result, row, most=2), words.raised(result, row)
    if not taken and not higher:
        return {}
    return {
        "lines": taken,
        "table": {
            "head": ["Mast", "Light kept", "Score"],
            "rows": [[r.more, r.light, r.score] for r in higher],
        },
    }


def _marked(result: SiteResult) -> set[int]:
    return {result.decision.chosen, *result.decision.runners_up}


def _shut_out(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    rows = [k for k, ok in enumerate(result.decision.passing) if not ok and k not in _marked(result)]
    if not rows:
        return None
    at = degrees(result.mounts.xyz)
    style = {"color": "#ffffff", "weight": 0.8, "fillColor": palette.SHUT, "fillOpacity": 0.95}
    return {
        "id": "shut-out",
        "name": f"Shut out ({len(rows)}); a click says why",
        "on": True,
        "style": style | {"radius": 3},
        "labels": list(CANDIDATE_LABELS),
        "features": _collection(_feature(shapely.points(at[k]), c=candidate_card(result, k)) for k in rows),
        "key": {"shape": "dot", "size": 3, **style},
    }


def _candidates(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    rows = [k for k, ok in enumerate(result.decision.passing) if ok and k not in _marked(result)]
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
        "name": f"Meets every requirement ({len(result.decision.order)}, with those below), by score",
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


def _mark(
    at: Floats, kind: str, text: str, key: str, card: dict[str, Any], beside: str = "", under: bool = False
) -> dict[str, Any]:
    """under: hung beneath its place, which the sensor's mark covers."""
    place = [round(float(at[1]), 7), round(float(at[0]), 7)]
    return {"at": place, "kind": kind, "text": text, "k": key, "beside": beside, "c": card, "under": under}


def _controllers(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    site, row = result.site, words.reach_row(result)
    if not len(site.controllers):
        return None
    at = degrees(site.controllers.xyz)
    found = words.controllers(result, row) if row >= 0 else []
    marks = []
    for k, name in enumerate(site.controllers.names):
        card: dict[str, Any] = {"t": name, "s": f"Controller {letter(k)}"}
        if found:
            card |= {
                "v": [found[k].distance, found[k].margin or found[k].cable, found[k].holds],
                "n": found[k].need,
            }
        beside = found[k].distance if found else ""
        under = covered(result, site.controllers.xyz[k])
        marks.append(_mark(at[k], "controller", letter(k), f"controller-{k}", card, beside, under))
    return {
        "id": "controllers",
        "name": "Controllers, distance to the sensor",
        "on": True,
        "labels": [
            "Straight distance",
            "Cable to buy" if result.plan.sensor.link == "cable" else "Margin",
            "Probability that the link holds",
        ],
        "marks": marks,
        "key": {"mark": "controller", "text": "A"},
    }


def _runners_up(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    rows = result.decision.runners_up
    if not rows:
        return None
    at = degrees(result.mounts.xyz)
    return {
        "id": "runners-up",
        "name": "Runners-up",
        "on": True,
        "labels": list(CANDIDATE_LABELS),
        "marks": [
            _mark(at[k], "runner", str(n), f"mount-{k}", candidate_card(result, k) | {"picture": f"sun-{k}"})
            for n, k in enumerate(rows, start=1)
        ],
        "key": {"mark": "runner", "text": "1"},
    }


def _chosen(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    row = result.decision.chosen
    if row < 0:
        return None
    at = degrees(result.mounts.xyz[[row]])[0]
    card = candidate_card(result, row) | {"picture": f"sun-{row}"}
    return {
        "id": "chosen",
        "name": "The sensor goes here",
        "on": True,
        "labels": list(CANDIDATE_LABELS),
        "marks": [_mark(at, "chosen", "", f"mount-{row}", card, "Sensor")],
        "key": {"mark": "chosen"},
    }


# --- the panel beside it ----------------------------------------------------------------------------------------


def mount_picture(result: SiteResult, row: int) -> Markup:
    """The sun-path picture of a mount."""
    return sun_picture(
        result.sun.horizon_deg[row],
        result.sun.veil_deg[row],
        result.sun_table,
        result.season,
        result.site.latitude_deg,
        words.sun_sentence(result, row),
    )


def mount_view(result: SiteResult, row: int, degrees: Callable[[Floats], Floats]) -> dict[str, Any]:
    """What the panel and the sheet say of one mount."""
    at = degrees(result.mounts.xyz[[row]])[0]
    return {
        "row": row,
        "id": result.mounts.ids[row],
        "support": verdicts.SUPPORT_NAMES[result.mounts.support[row]],
        "on": result.mounts.on[row],
        "facing": words.facing(result, row),
        "height": length(float(result.mounts.height_m[row]), result.plan.units, 1),
        "coordinates": words.coordinates(float(at[0]), float(at[1])),
        "latitude": f"{at[1]:.6f}",
        "longitude": f"{at[0]:.6f}",
        "score": words.score(result, row),
        "shut_by": verdicts.ruled_out(result, row),
        "reason": verdicts.reason(result, row),
        "numbers": words.mount_numbers(result, row),
        "parts": words.score_parts(result, row),
        "picture": mount_picture(result, row),
        "sentence": words.sun_sentence(result, row),
        "day": words.day_sentence(result, row),
        "losses": words.losses(result, row),
        "raised": words.raised(result, row),
        "moved": words.moved(result, row),
        "siting": words.siting(result, row),
        "siting_left_out": words.siting_left_out(result),
        "rose": mount_rose(result, row),
        "rain_sentence": words.rain_sentence(result, row),
        "wind": result.plan.climate.rain_from_deg is not None,
    }


def mount_rose(result: SiteResult, row: int) -> Markup:
    """The rain picture of a mount."""
    return rain_rose(
        result.rain.sector_deg[row],
        result.rain.sector_class[row],
        result.plan.requirements.max_rain_angle_deg,
        result.plan.climate.rain_from_deg,
        words.rain_sentence(result, row),
    )


def climate_view(result: SiteResult) -> dict[str, Any]:
    """Zone, season and monthly ETo of the site, for the panel and the sheet."""
    units, zone = result.plan.units, result.zone
    row = int(zone.zone[0])
    told = words.zone_words(result.climate, zone, 0, units)
    spread = float(result.climate.spread_mm_day[0])
    return {
        "zone": told,
        "bar": zone_bar(zone.table.labels, palette.zone_colours(zone.table.peak_mm_day), told.probability, row),
        "bars": eto_bars(result.climate.eto_mm_day[0], result.season, int(zone.peak_month[0]), spread, units),
        "percent": [round(float(p)) if np.isfinite(p) else None for p in zone.monthly_percent[0]],
        "season": months(result.season),
        "season_flags": [bool(s) for s in result.season],
        "season_said": verdicts.season_said(result.season, result.season_basis),
        "facts": words.hottest_and_rain(result.climate, 0, units),
    }


def _inset(result: SiteResult) -> dict[str, Any] | None:
    """The climate layer in small, with the site's place in percent of its width and height."""
    picture = result.climate_picture
    if picture is None:
        return None
    drawn = climate_overlay(picture, most=240)
    wide, tall = drawn.east_deg - drawn.west_deg, drawn.north_deg - drawn.south_deg
    # a small picture spans few degrees, where even rows of latitude and of the map differ by less than a pixel
    return {
        "uri": drawn.uri,
        "left": 100 * (result.site.longitude_deg - drawn.west_deg) / wide,
        "top": 100 * (drawn.north_deg - result.site.latitude_deg) / tall,
        "ramp": climate_ramp(picture, result.plan.units),
        "gradient": ",".join(palette.DRY),
        "source": picture.source,
    }


def notices_view(notices: Sequence[Notice]) -> list[dict[str, str]]:
    """Notices as kind, place, words and the features concerned."""
    return [
        {
            "kind": n.kind.value,
            "where": n.where,
            "what": n.what,
            "features": n.some(12),
        }
        for n in notices
    ]


def _panel(result: SiteResult, degrees: Callable[[Floats], Floats]) -> Markup:
    decision = result.decision
    return Markup(
        PAGES.get_template("panel.html").render(
            title=_title(result),
            site=result.site.name,
            mount=mount_view(result, decision.chosen, degrees) if decision.chosen >= 0 else None,
            overridden=decision.overridden,
            runners=[mount_view(result, k, degrees) for k in decision.runners_up],
            tried=len(result.mounts),
            passing=len(decision.order),
            requirements=words.requirement_counts(result),
            controllers=words.controllers(result, words.reach_row(result)) if words.reach_row(result) >= 0 else [],
            nearest=words.nearest_said(result),
            link=result.plan.sensor.link,
            radio=basis(result.plan.sensor, result.plan.reach, result.plan.units),
            side_key=SIDE_KEY,
            fewest=plan_view(result),
            cables=cable_view(result),
            climate=climate_view(result),
            credits=credits(result.climate.source, result.climate_picture),
            inset=_inset(result),
            notices=notices_view(result.notices),
            cautions=words.CAUTIONS,
            defer=words.DEFER,
        )
    )
