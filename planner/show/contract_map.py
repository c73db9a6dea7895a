"""The map of a contract: every site coloured by its zone, with a list to search beside it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup

from planner.show import palette, words
from planner.show.lonlat import DECIMALS, geojson
from planner.show.map import climate_group, credits, notices_view
from planner.show.page import PAGES, OfflineMap, page_bytes
from planner.show.pictures import zone_colour
from planner.units import MM_PER_IN, MONTHS

if TYPE_CHECKING:
    from planner.contract import ContractResult

LABELS = (
    "Zone to set",
    "Band",
    "Probability",
    "Runner-up",
    "Peak-month ETo",
    "Rests on",
)
SHAPE_TOLERANCE_DEG = 2e-5  # about 2 m: outlines are for finding a site, not for measuring it


def contract_page(result: ContractResult) -> bytes:
    """`map.html` of a contract."""
    return page_bytes(contract_map(result))


def contract_map(result: ContractResult) -> OfflineMap:
    """The map as a folium object, to which layers of one's own may be added before it is saved."""
    lon, lat = np.asarray(result.longitude_deg), np.asarray(result.latitude_deg)
    some = len(lon) > 0
    west, east = (float(lon.min()), float(lon.max())) if some else (-10.0, 10.0)
    south, north = (float(lat.min()), float(lat.max())) if some else (-10.0, 10.0)
    units = result.plan.units
    picture = result.climate_picture
    groups = [climate_group(picture, units), _shapes(result), _unknown(result), _points(result)]
    data = {
        "units": units,
        "months": MONTHS,
        "etoUnit": "in/day" if units == "us" else "mm/day",
        # a single site still gets some country around it
        "bounds": [[south - 0.02, west - 0.02], [north + 0.02, east + 0.02]],
        "closeZoom": 12,
        "dotZoom": 7,
        "groups": [g for g in groups if g is not None],
        "credits": credits(result.climate.source, picture),
    }
    title = result.plan.outputs.title or result.plan.title
    return OfflineMap(title, ((south + north) / 2, (west + east) / 2), data, _panel(result, title))


# --- what is on the map -----------------------------------------------------------------------------------------


def _card(result: ContractResult, site: int) -> dict[str, Any]:
    units = result.plan.units
    told = words.zone_words(result.climate, result.zone, site, units)
    factor, digits = (1 / MM_PER_IN, 2) if units == "us" else (1.0, 1)
    flags = result.flags[site]
    return {
        "t": result.names[site],
        "s": "; ".join(flags) if flags else "",
        "v": [
            told.label,
            told.band,
            told.p,
            f"{told.runner_up}, {told.p_runner_up}" if told.p_runner_up else "",
            f"{told.peak} in {told.peak_month}",
            told.basis,
        ],
        "bars": [
            f"{float(v) * factor:.{digits}f}" if np.isfinite(v) else None for v in result.climate.eto_mm_day[site]
        ],
        "n": f"Mean daily ETo by month, {'in/day' if units == 'us' else 'mm/day'}. {told.agreement}",
    }


def _point(result: ContractResult, site: int, **properties: Any) -> dict[str, Any]:
    at = [round(float(result.longitude_deg[site]), DECIMALS), round(float(result.latitude_deg[site]), DECIMALS)]
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": at},
        "properties": {"k": f"site-{site}", "c": _card(result, site), **properties},
    }


def _colours(result: ContractResult) -> list[str]:
    """A colour for each row of the zone table, the whole ramp spent on the zones that occur."""
    found = np.asarray(result.zone.zone)
    found = found[found >= 0]
    low, high = (int(found.min()), int(found.max())) if found.size else (0, 0)
    return [zone_colour(min(max(k, low), high) - low, high - low + 1) for k in range(len(result.zone.table.labels))]


def _points(result: ContractResult) -> dict[str, Any] | None:
    zone, table = np.asarray(result.zone.zone), result.zone.table
    rows = np.flatnonzero(zone >= 0)
    if not rows.size:
        return None
    style = {"color": palette.INK, "weight": 1.3, "fillOpacity": 1}
    colours = _colours(result)
    classes = [
        {
            "shape": "dot",
            "size": 6,
            **style,
            "fillColor": colours[k],
            "name": f"{table.labels[k]}: {words.band(table, int(k), result.plan.units)}",
        }
        for k in np.unique(zone[rows])
    ]
    return {
        "id": "sites",
        "name": f"Sites by climate zone ({rows.size})",
        "on": True,
        "style": style | {"radius": 7},
        "labels": list(LABELS),
        "features": {
            "type": "FeatureCollection",
            "features": [_point(result, int(k), f=colours[int(zone[k])]) for k in rows],
        },
        "key": {"shape": "dot", "size": 6, **style, "fillColor": colours[int(zone[rows[0]])]},
        "classes": classes,
    }


def _unknown(result: ContractResult) -> dict[str, Any] | None:
    rows = np.flatnonzero(np.asarray(result.zone.zone) < 0)
    if not rows.size:
        return None
    style = {"color": palette.INK, "weight": 1.6, "dashArray": "3 2", "fillColor": "#ffffff", "fillOpacity": 0.9}
    return {
        "id": "no-zone",
        "name": f"No zone found ({rows.size})",
        "on": True,
        "style": style | {"radius": 7},
        "labels": list(LABELS),
        "features": {"type": "FeatureCollection", "features": [_point(result, int(k)) for k in rows]},
        "key": {"shape": "dot", "size": 6, **style},
    }


def _shapes(result: ContractResult) -> dict[str, Any] | None:
    shapes = [s for s in result.shapes if s is not None and s.geom_type in ("Polygon", "MultiPolygon")]
    if not shapes:
        return None
    style = {"color": palette.INK, "weight": 1.2, "fillColor": palette.CARD, "fillOpacity": 0.35}
    return {
        "id": "outlines",
        "name": "Site boundaries",
        "on": True,
        "style": style | {"interactive": False},
        "features": {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "geometry": geojson(shapely.simplify(shape, SHAPE_TOLERANCE_DEG)),
                    "properties": {},
                }
                for shape in shapes
            ],
        },
        "key": style,
    }


# --- the panel beside it ----------------------------------------------------------------------------------------


def _panel(result: ContractResult, title: str) -> Markup:
    zone, table, units = result.zone, result.zone.table, result.plan.units
    rows = np.asarray(zone.zone)
    colours = _colours(result)
    flags = sorted({flag for some in result.flags for flag in some})
    sites = [
        {
            "row": k,
            "name": result.names[k],
            "zone": words.zone_label(zone, int(rows[k])),
            "colour": colours[int(rows[k])] if rows[k] >= 0 else palette.CARD,
            "p": f"{float(zone.p_zone[k]):.0%}" if rows[k] >= 0 else "",
            "flags": result.flags[k],
            "flag_rows": json.dumps([flags.index(f) for f in result.flags[k]]),
        }
        for k in range(len(result.names))
    ]
    zones = [
        {
            "label": table.labels[k],
            "colour": colours[k],
            "band": words.band(table, k, units),
            "sites": int((rows == k).sum()),
        }
        for k in range(len(table.labels))
        if (rows == k).any()
    ]
    return Markup(
        PAGES.get_template("contract.html").render(
            title=title,
            sites=sites,
            zones=zones,
            flags=[(k, flag, sum(flag in some for some in result.flags)) for k, flag in enumerate(flags)],
            table_source=table.source,
            rejected=result.rejected,
            notices=notices_view(result.notices),
            credits=credits(result.climate.source, result.climate_picture),
        )
    )
