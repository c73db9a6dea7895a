"""The field sheet: a page for each place of the layout, for the person on the ladder and what the office wants
back.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup, escape

from planner.show.draw import palette
from planner.show.draw.page import PAGES, sealed, styles
from planner.show.draw.views import climate_view, mount_view
from planner.show.layout import Kind, Place, layout
from planner.show.lonlat import Floats, to_lonlat
from planner.show.say import layout as layouts
from planner.show.say import links as say_links
from planner.show.say import mount as say
from planner.show.say import sheet as words
from planner.show.say.assumed import NO_OBSTACLES, NO_OBSTACLES_MORE, to_measure
from planner.show.say.bill import sheet_bill
from planner.show.say.cautions import DEFER, cautions
from planner.show.say.figures import listed
from planner.show.say.pages import afterwards
from planner.show.say.verdict import none_meets
from planner.show.say.zone import ZoneWords
from planner.show.sheets import ControllerPart, Fact, Sheet, ZonePart
from planner.units import M_PER_FT, MONTHS, Units, length

if TYPE_CHECKING:
    from planner.job import SiteResult

SHEET_FACTS = (
    say.Fact.SUNLIGHT,
    say.Fact.DIRECT_SUN,
    say.Fact.OBSTRUCTION,
    say.Fact.REACH,
    say.Fact.WINDWARD,
    say.Fact.EAVE,
    say.Fact.ETO_ERROR,
    say.Fact.SPRAY,
    say.Fact.HEAT,
)
FULL_CONTROLLERS = 3  # as many rows, and what they say, fill the page
MOST_CONTROLLERS = 6  # that one page has room for; where there are more, all are listed on the next


def sheet_page(result: SiteResult, there: Sequence[Sheet] | None = None) -> bytes:
    """`sheet.html`: prints on one page of A4 or Letter for each sensor and repeater; a list of the controllers
    follows where a page has no room for all. there: the sheets, where they were made already."""
    page = PAGES.get_template("sheet.html").render(
        style=styles("page.css", "sheet.css"),
        sheets=sheets(result) if there is None else there,
        month_names=MONTHS,
        afterwards=afterwards(result.plan),
    )
    return sealed(page)


def sheets(result: SiteResult) -> tuple[Sheet, ...]:
    """A sheet for each sensor and repeater of the layout; one that says why where there is none."""
    places = layout(result)
    common = _common(result)
    if not places:
        return (Sheet(**common | _no_place(result)),)
    degrees = to_lonlat(result.site.crs)
    return tuple(Sheet(**common | _place(result, n, places, degrees)) for n in range(len(places)))


def _common(result: SiteResult) -> dict[str, Any]:
    """What stands on each sheet of a site."""
    climate = climate_view(result)
    zone: ZoneWords = climate["zone"]
    return {
        "title": result.plan.outputs.title or result.plan.title,
        "site": result.site.name,
        "zone": ZonePart(
            zone.label,
            f"{zone.answer[:1].upper()}{zone.answer[1:]}",
            f"{zone.named}, {zone.chance}" if zone.find else zone.chance,
            words.peak_said(zone),
            zone.find,
            words.next_said(zone),
            climate["season"],
            tuple("?" if p is None else str(p) for p in climate["percent"]),
            tuple(climate["season_flags"]),
        ),
        "cautions": tuple(
            Fact(f"{c.title}.", words.caution_said(c)) for c in cautions(result.plan.country, result.plan.units)
        ),
        "defer": DEFER,
        "words": dict(words.HEADINGS),
    }


def _place(
    result: SiteResult, number: int, places: Sequence[Place], degrees: Callable[[Floats], Floats]
) -> dict[str, Any]:
    """What the sheet of one place says."""
    place, row = places[number], places[number].row
    mount = mount_view(result, row, degrees)
    numbers = say.by_fact(mount["numbers"])
    sensor, tied = place.kind is Kind.SENSOR, bool(_ties(result, row))
    kind, cabled = str(place.kind), result.reach.runs is not None
    controllers = _controllers(result, say_links.controllers_from(result, place), place.sign, "", True)
    there = [(p.sign, p.kind, p.id, p.on) for p in layouts.places(result)]
    facts = (
        Fact("Support", words.support_said(mount["support"], mount["facing"], mount["setback"])),
        Fact(f"{kind[:1].upper()}{kind[1:]} height", words.height_said(mount["height"])),
        Fact("Latitude, longitude", words.datum_said(mount["coordinates"]), mount["geo"]),
        Fact("Layout", words.layout_said(there)),
    )
    named = words.named_although(mount["ruled_out"]) if mount["ruled_out"] and sensor else ""
    second = mount_view(result, place.alternate, degrees)["coordinates"] if place.alternate >= 0 else ""
    alternate = layouts.alternate_said(result, place)
    bill = sheet_bill(result) if number == 0 else ()
    picture_said = (mount["sentence"], *mount["sources"][:2], words.lines_said(mount["clock"]))
    return {
        "what": words.what(place.sign, number + 1, len(places), kind),
        "sign": place.sign,
        "kind": kind,
        "mount": mount["id"],
        "head": words.head(place.sign, mount["id"]),
        "on": mount["on"],
        "facts": tuple(fact for fact in facts if fact.value),
        "warnings": tuple(filter(None, (_obstacles(result), named))),
        "lead": "",
        "numbers": tuple(Fact(numbers[f].label, numbers[f].value) for f in SHEET_FACTS if f in numbers and sensor),
        "alternate": words.alternate_said(alternate, second) if alternate else "",
        "drawing": str(site_drawing(result, row)),
        "drawing_said": words.drawing_said(tied),
        "picture": str(mount["picture"]) if sensor else "",
        "picture_said": picture_said if sensor else (),
        "nearest": "",
        "proposed": "",
        "controllers": controllers,
        "bill": bill,
        "checks": tuple(filter(None, (to_measure(result, row), *words.checks(sensor, cabled)))),
        "blanks": words.blanks(tied),
        "full": len(controllers.rows) >= FULL_CONTROLLERS or len(places) > 1 or len(bill) > 1,
    }


def _no_place(result: SiteResult) -> dict[str, Any]:
    """What the sheet says where no mount meets every requirement: why, and what comes closest."""
    return {
        "what": words.WITHOUT_A_MOUNT,
        "sign": "",
        "kind": "",
        "mount": "",
        "head": none_meets(result),
        "on": "",
        "facts": (),
        "warnings": tuple(filter(None, (_obstacles(result),))),
        "lead": words.NOTHING_TO_MOUNT,
        "numbers": tuple(
            Fact(f"{n.label[:1].upper()}{n.label[1:]}", n.value) for n in say.requirement_counts(result)
        ),
        "alternate": "",
        "drawing": "",
        "drawing_said": "",
        "picture": "",
        "picture_said": (),
        "nearest": (nearest := say.nearest_said(result)),
        "proposed": _proposed(result) if nearest else "",
        "controllers": _controllers(result, say_links.controllers(result), "", words.CLOSEST, False),
        "bill": (),
        "checks": (),
        "blanks": (),
        "full": False,
    }


def _obstacles(result: SiteResult) -> str:
    return "" if result.site.obstacles_known else f"{NO_OBSTACLES} {NO_OBSTACLES_MORE}"


def _controllers(
    result: SiteResult, rows: Sequence[say_links.ControllerRow], sign: str, title: str, write: bool
) -> ControllerPart:
    """The controllers that fit on a page, the worst first when not all do, and then all for the next page."""
    cabled = result.reach.runs is not None

    def cells(c: say_links.ControllerRow) -> tuple[str, ...]:
        return f"{c.letter} · {c.name}", c.distance, c.cable if cabled else f"{c.margin}, {c.chance}", c.need

    few, left = list(rows), 0
    if len(rows) > MOST_CONTROLLERS:
        few = sorted(rows, key=lambda row: float(result.room[row.row, row.controller]))[: MOST_CONTROLLERS - 1]
        left = len(rows) - len(few)
    return ControllerPart(
        title,
        words.columns(cabled, write),
        tuple(map(cells, few)),
        words.more_said(left),
        words.every_said(sign, len(rows)) if left else "",
        tuple(map(cells, rows)) if left else (),
        write,
    )


def _proposed(result: SiteResult) -> str:
    """Places that together would serve what no one mount can; '' where there are none."""
    there = layouts.places(result)
    if not there:
        return ""
    said = listed([f"{p.id} ({p.kind}, {p.on}; {p.serves})" for p in there])
    hint = layouts.sharing_hint(result)
    return f"Places that meet every other requirement could share the controllers: {said}. {hint}".rstrip()


# --- the drawing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Tie:
    """A distance from a corner of a building to the mount, measured level."""

    corner: tuple[float, float]
    distance_m: float


def _beside(result: SiteResult, row: int) -> int:
    """The building that carries a mount, else the nearest one; -1 where there is none."""
    building, shapes = int(result.mounts.building[row]), result.site.buildings.shapes
    if building >= 0 or not shapes:
        return building
    return int(np.argmin([shape.distance(shapely.Point(result.mounts.xyz[row, :2])) for shape in shapes]))


def _ties(result: SiteResult, row: int) -> tuple[Tie, ...]:
    """Corners to measure one mount from."""
    building = _beside(result, row)
    return ties(result.site.buildings.shapes[building], result.mounts.xyz[row, :2]) if building >= 0 else ()


def ties(shape: Any, mount_xy: Floats) -> tuple[Tie, ...]:
    """The two corners to measure from: the ends of the straight wall that is nearest to the mount.

    shape: footprint (polygon or multi-polygon, metres); bends of less than 5 cm are no corners. None where that
    wall is a piece of a round one: nobody finds its ends.
    """
    best: tuple[float, Tie, Tie] | None = None
    point = shapely.Point(mount_xy)
    for part in shapely.get_parts(shape):
        for ring in (part.exterior, *part.interiors):
            xy = np.asarray(_corners(ring).coords)[:, :2]
            for a, b in pairwise(xy):
                away = float(shapely.LineString([a, b]).distance(point))
                if best is None or away < best[0] - 1e-9:
                    first, second = (
                        Tie((float(c[0]), float(c[1])), float(np.hypot(*(c - mount_xy)))) for c in (a, b)
                    )
                    best = away, first, second
    assert best is not None, "a footprint has edges"
    wall_m = np.hypot(*np.subtract(best[1].corner, best[2].corner))
    return best[1:] if wall_m >= SHORTEST_WALL_M else ()


def _corners(ring: Any) -> Any:
    """A ring without the vertices that lie on straight walls, begun at a real corner."""
    simple = shapely.LinearRing(ring.coords).simplify(0.05)
    xy = np.asarray(simple.coords)[:-1, :2]
    # simplify keeps the ring's first vertex, be it a corner or not: start it elsewhere and simplify again
    return shapely.LinearRing(np.roll(xy, -1, axis=0)).simplify(0.05) if len(xy) > 3 else simple


SHORTEST_WALL_M = 2.5
SIDE = 300  # of the drawing, in its own units
EDGE = 34


def site_drawing(result: SiteResult, row: int) -> Markup:
    """The mount on its building (or beside the nearest one), north up, with distances to two corners."""
    site, units = result.site, result.plan.units
    xy = np.asarray(result.mounts.xyz[row, :2], float)
    building = _beside(result, row)
    shown = [shapely.Point(xy).buffer(4.0)]
    if building >= 0:
        shown.append(site.buildings.shapes[building])
    west, south, east, north = shapely.union_all(shown).bounds
    scale = (SIDE - 2 * EDGE) / max(east - west, north - south)
    off_x = (SIDE - scale * (east - west)) / 2
    off_y = (SIDE - scale * (north - south)) / 2

    def at(p: Sequence[float] | Floats) -> tuple[float, float]:
        return off_x + (p[0] - west) * scale, SIDE - off_y - (p[1] - south) * scale

    frame = shapely.box(west - off_x / scale, south - off_y / scale, east + off_x / scale, north + off_y / scale)
    out = [
        _footprint(shape, at, "#eeebe3" if k != building else "#ddd6c6", 1 if k != building else 2)
        for k, shape in enumerate(site.buildings.shapes)
        if shape.intersects(frame)
    ]
    x, y = at(xy)
    label = "the mount"
    if building >= 0:
        label = f"the mount at {site.buildings.names[building]}"
        for tie, name in zip(_ties(result, row), "PQ", strict=False):
            out.append(_tie(at(tie.corner), (x, y), name, length(tie.distance_m, units, 1)))
    out.append(
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="#fff" stroke="{palette.INK}" stroke-width="1"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="none" stroke="{palette.MARK}" stroke-width="3"/>'
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.6" fill="{palette.MARK}"/>'
    )
    out.append(_north() + _scale_bar(scale, units))
    alt = f"{label[:1].upper()}{label[1:]}, seen from above, north up, with distances to two corners."
    return Markup(
        f'<svg class="drawing" viewBox="0 0 {SIDE} {SIDE}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(alt)}</title>"
        f'<clipPath id="edge-{row}"><rect width="{SIDE}" height="{SIDE}"/></clipPath>'
        f'<g clip-path="url(#edge-{row})">{"".join(out)}</g></svg>'
    )


def _footprint(shape: Any, at: Callable[[Sequence[float]], tuple[float, float]], fill: str, weight: float) -> str:
    rings = [ring for part in shapely.get_parts(shape) for ring in (part.exterior, *part.interiors)]
    path = "".join("M" + "L".join("{:.1f},{:.1f}".format(*at(p)) for p in ring.coords) + "Z" for ring in rings)
    return f'<path d="{path}" fill="{fill}" fill-rule="evenodd" stroke="{palette.QUIET}" stroke-width="{weight}"/>'


def _tie(corner: tuple[float, float], mount: tuple[float, float], name: str, text: str) -> str:
    """A measured line from a corner, its length written beside the corner's letter in the margin."""
    (cx, cy), (mx, my) = corner, mount
    # away from the mount, so that the words never lie on the line
    gone = max(float(np.hypot(cx - mx, cy - my)), 1e-6)
    ux, uy = (cx - mx) / gone, (cy - my) / gone
    tx = min(max(cx + ux * 22, 32), SIDE - 32)
    ty = min(max(cy + uy * 16 + 4, 14), SIDE - 22)
    half = 3.4 * len(f"{name} {text}")
    if abs(tx - cx) < half + 4 and abs(ty - 4 - cy) < 10:  # near the edge they would lie on the corner itself
        ty = cy + 18 if uy > 0 else cy - 9
    return (
        f'<line x1="{cx:.1f}" y1="{cy:.1f}" x2="{mx:.1f}" y2="{my:.1f}" stroke="{palette.INK}" stroke-width="1.2" '
        f'stroke-dasharray="5 3"/><circle cx="{cx:.1f}" cy="{cy:.1f}" r="3.2" fill="{palette.INK}"/>'
        f'<text x="{tx:.1f}" y="{ty:.1f}" text-anchor="middle" font-size="12.5" font-weight="600" '
        f'fill="{palette.INK}" stroke="#f4f1ea" stroke-width="4" paint-order="stroke" stroke-linejoin="round">'
        f"{escape(f'{name} {text}')}</text>"
    )


def _north() -> str:
    return (
        f'<g transform="translate({SIDE - 16},24)"><path d="M0,-16L6,4L0,0L-6,4Z" fill="{palette.INK}"/>'
        f'<text y="17" text-anchor="middle" font-size="12" font-weight="600" fill="{palette.INK}">N</text></g>'
    )


def _scale_bar(scale: float, units: Units) -> str:
    """A bar of a round length, about a quarter of the drawing."""
    unit_m = M_PER_FT if units == "us" else 1.0
    most = SIDE * 0.3 / scale / unit_m
    steps = [f * 10.0**p for p in range(-1, 5) for f in (1, 2, 5)]
    long = max((s for s in steps if s <= most), default=steps[0])
    wide = long * unit_m * scale
    digits = 0 if long >= 1 else 1
    return (
        f'<g transform="translate(10,{SIDE - 10})"><path d="M0,-5V0H{wide:.1f}V-5" fill="none" '
        f'stroke="{palette.INK}" stroke-width="1.4"/><text x="{wide + 6:.1f}" y="1" font-size="11.5" '
        f'fill="{palette.INK}" stroke="#fff" stroke-width="3" paint-order="stroke">'
        f"{length(long * unit_m, units, digits)}</text></g>"
    )
