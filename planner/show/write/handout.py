"""The plan's places for phones, map programs and spreadsheets: KML, GPX, GeoJSON, and a workbook of the bill.

The sensors and repeaters to install, the controllers, and the cables. GPX is 1.1 (Topografix), KML 2.2 (OGC
12-007r2), GeoJSON RFC 7946: longitude and latitude in WGS 84.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np
import pandas

from planner.reach.bill import Line
from planner.show.draw import palette
from planner.show.layout import layout, proposed, serving
from planner.show.lonlat import DECIMALS, to_lonlat
from planner.show.say import bill as bills
from planner.show.say import layout as layouts
from planner.show.say.figures import letter
from planner.show.write import schema
from planner.show.write.formats import csv_bytes, xlsx_bytes

if TYPE_CHECKING:
    from planner.job import SiteResult

COLOURS = {"sensor": palette.MARK, "repeater": palette.CABLE, "controller": palette.SEASON, "cable": palette.CABLE}


@dataclass(frozen=True)
class Item:
    """One thing to find on site. kind: sensor, repeater, controller or cable. at: (1, 2) longitude and latitude of
    a point, (n, 2) of a line. told: further properties for programs."""

    kind: str
    name: str
    said: str
    at: Any
    told: dict[str, Any]


def items(result: SiteResult) -> list[Item]:
    """Sensors, repeaters, controllers, cables; empty where no place is chosen or proposed."""
    return [*_places(result), *_controllers(result), *_cables(result)]


def _places(result: SiteResult) -> Iterator[Item]:
    at = to_lonlat(result.site.crs)(result.mounts.xyz) if len(result.mounts) else np.empty((0, 2))
    whose = {place.row: place for place in layout(result) or proposed(result)}
    for words in layouts.places(result):
        told = {
            "id": words.id,
            "height_above_ground_m": round(float(result.mounts.height_m[words.row]), 2),
            "serves": [result.site.controllers.names[k] for k in whose[words.row].serves],
        }
        yield Item(words.kind, f"{words.sign} {words.id}", layouts.place_sentence(words), at[[words.row]], told)


def _controllers(result: SiteResult) -> Iterator[Item]:
    controllers, by = result.site.controllers, serving(result)
    at = to_lonlat(result.site.crs)(controllers.xyz) if len(controllers) else np.empty((0, 2))
    for k, name in enumerate(controllers.names):
        place = result.mounts.ids[by[k]] if by[k] >= 0 else None
        told = {"id": letter(k), "served_by": place}
        yield Item("controller", f"{letter(k)} {name}", layouts.controller_sentence(place), at[[k]], told)


def _cables(result: SiteResult) -> Iterator[Item]:
    runs, by, degrees = result.reach.runs, serving(result), to_lonlat(result.site.crs)
    if runs is None:
        return
    for k, row in enumerate(by):
        run = runs[int(row)][k] if row >= 0 else None
        if run is not None:
            told = {"id": letter(k), "cable_to_buy_m": round(float(run.length_m), 1)}
            said = layouts.cable_sentence(result.mounts.ids[row], letter(k))
            yield Item("cable", layouts.cable_name(letter(k)), said, degrees(run.xy), told)


# --- formats ----------------------------------------------------------------------------------------------------


def geojson(result: SiteResult) -> bytes:
    """GeoJSON: one feature an item, with `kind`, `name`, `said` and what programs want."""

    def feature(item: Item) -> dict[str, Any]:
        at = np.round(item.at, DECIMALS).tolist()
        shape = (
            {"type": "Point", "coordinates": at[0]} if len(at) == 1 else {"type": "LineString", "coordinates": at}
        )
        told = {"kind": item.kind, "name": item.name, "said": item.said, **item.told}
        return {"type": "Feature", "geometry": shape, "properties": told}

    found = {"type": "FeatureCollection", "features": [feature(item) for item in items(result)]}
    return (json.dumps(found, ensure_ascii=False, indent=1) + "\n").encode()


def gpx(result: SiteResult) -> bytes:
    """GPX 1.1: a waypoint for each place and controller, a route for each cable."""
    root = ET.Element(
        "gpx", {"version": "1.1", "creator": "noonmark", "xmlns": "http://www.topografix.com/GPX/1/1"}
    )
    found = items(result)
    for item in found:  # waypoints stand before routes
        if len(item.at) == 1:
            _texts(ET.SubElement(root, "wpt", _lat_lon(item.at[0])), name=item.name, desc=item.said)
    for item in found:
        if len(item.at) > 1:
            route = ET.SubElement(root, "rte")
            _texts(route, name=item.name, desc=item.said)
            for at in item.at:
                ET.SubElement(route, "rtept", _lat_lon(at))
    return _document(root)


def kml(result: SiteResult) -> bytes:
    """KML 2.2: a named, coloured placemark for each item, with one sentence."""
    root = ET.Element("kml", {"xmlns": "http://www.opengis.net/kml/2.2"})
    document = ET.SubElement(root, "Document")
    _texts(document, name=result.plan.outputs.title or result.plan.title)
    found = items(result)
    for kind in dict.fromkeys(item.kind for item in found):
        style = ET.SubElement(document, "Style", {"id": kind})
        colour = "ff" + "".join(COLOURS[kind][i : i + 2] for i in (5, 3, 1))  # alpha, blue, green, red
        _texts(ET.SubElement(style, "IconStyle"), color=colour)
        _texts(ET.SubElement(style, "LineStyle"), color=colour, width="3")
    for item in found:
        mark = ET.SubElement(document, "Placemark")
        _texts(mark, name=item.name, description=item.said, styleUrl=f"#{item.kind}")
        shape = ET.SubElement(mark, "Point" if len(item.at) == 1 else "LineString")
        _texts(shape, coordinates=" ".join(f"{x:.{DECIMALS}f},{y:.{DECIMALS}f}" for x, y in item.at))
    return _document(root)


def _lat_lon(at: Any) -> dict[str, str]:
    return {"lat": f"{at[1]:.{DECIMALS}f}", "lon": f"{at[0]:.{DECIMALS}f}"}


def _texts(parent: ET.Element, **texts: str) -> None:
    for name, text in texts.items():
        # XML 1.0 has no place for most control characters
        ET.SubElement(parent, name).text = "".join(c for c in text if c in "\t\n" or c >= " ")


def _document(root: ET.Element) -> bytes:
    ET.indent(root, " ")
    return bytes(ET.tostring(root, encoding="utf-8", xml_declaration=True)) + b"\n"


# --- the bill ---------------------------------------------------------------------------------------------------


def bill_rows(result: SiteResult) -> pandas.DataFrame | None:
    """The bill, one row a line, quantity x unit price; None where there is nothing to install.

    `in_total` tells what the total holds: a cable that is too long unless the manufacturer allows it is not in it,
    and what no place reaches stands with nothing.
    """
    found = bills.bill(result)
    if found is None:
        return None

    def row(line: Line, inside: bool) -> dict[str, Any]:
        said = bills.said(result, line)
        return {
            "item": str(line.item),
            "what": said if inside else bills.if_allowed_said(said),
            "quantity": line.quantity,
            "unit_price": round(line.unit_price, 2),
            "price": round(line.price, 2),
            "in_total": inside,
        }

    rows = [row(line, True) for line in found.lines] + [row(line, False) for line in found.if_allowed]
    rows.append({"item": "total", "what": bills.total_said(result), "price": round(found.total, 2)})
    for line in found.unpriced:
        what = bills.unpriced_said(bills.said(result, line))
        rows.append({"item": str(line.item), "what": what, "quantity": line.quantity, "in_total": False})
    for k in found.unreached:
        rows.append({"item": "open", "what": bills.unreached_said(k)})
    names = schema.names(schema.BILL)
    return schema.table(schema.BILL, {name: [told.get(name) for told in rows] for name in names})


def bill_csv(result: SiteResult) -> bytes | None:
    rows = bill_rows(result)
    return csv_bytes(rows) if rows is not None else None


def bill_xlsx(result: SiteResult) -> bytes | None:
    """Workbook with the sheets `bill`, `places` and `controllers`; None where there is nothing to install."""
    from planner.show.write.tables import controller_rows, layout_rows

    rows = bill_rows(result)
    if rows is None:
        return None
    sheets = {"bill": rows, "places": layout_rows(result)}
    if len(result.site.controllers):
        told = controller_rows(result)
        there = [c.name for c in schema.CONTROLLERS if any(c.name in row for row in told)]
        sheets["controllers"] = schema.table(
            schema.CONTROLLERS, {name: [row.get(name) for row in told] for name in there}
        )
    return xlsx_bytes(sheets)
