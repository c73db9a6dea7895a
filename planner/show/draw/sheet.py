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
from planner.show.say.assumed import NO_OBSTACLES, NO_OBSTACLES_MORE, to_measure
from planner.show.say.cautions import DEFER, cautions
from planner.show.say.figures import listed
from planner.show.say.pages import afterwards
from planner.show.say.verdict import none_meets
from planner.units import M_PER_FT, MONTHS, Units, length

if TYPE_CHECKING:
    from planner.job import SiteResult

# Common practice, no source: what an installer looks at before and after mounting an outdoor sensor.
CHECKS = (
    "Support is sound, and the owner agrees to it",
    "Nothing new in the way: trees, signs, equipment, scaffolding",
    "Sky is open to the noon sun; no eave, gutter or spray above or beside",
    "Sensor is level and firm; distances measured as drawn",
    "Each controller gets a signal at its installed location",
    "Zone and irrigation months are set at each controller",
    "Photo of the mount and of the view to the noon sun",
)
REPEATER_CHECKS = (
    "Support is sound, and the owner agrees to it",
    "Power is there, or the repeater has its own",
    "Each controller gets a signal at its installed location",
    "Photo of the mount",
)
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
MOST_CONTROLLERS = 6  # that one page has room for; the rest are on the map and in the tables


def sheet_page(result: SiteResult) -> bytes:
    """`sheet.html`: prints on one page of A4 or Letter for each sensor and repeater."""
    degrees = to_lonlat(result.site.crs)
    places = layout(result)
    page = PAGES.get_template("sheet.html").render(
        style=styles("page.css", "sheet.css"),
        title=result.plan.outputs.title or result.plan.title,
        site=result.site.name,
        no_mount=none_meets(result),
        places=[_place(result, place, degrees) for place in places],
        others=[f"{p.sign} ({p.kind}): {p.id}, {p.on}" for p in layouts.places(result)],
        cabled=result.reach.runs is not None,
        requirements=say.requirement_counts(result),
        nearest=say.nearest_said(result),
        links=_few(result, [] if places else say_links.controllers(result)),
        proposed=_proposed(result) if not places else "",
        obstacles="" if result.site.obstacles_known else f"{NO_OBSTACLES} {NO_OBSTACLES_MORE}",
        climate=climate_view(result),
        months=MONTHS,
        cautions=cautions(result.plan.country, result.plan.units),
        defer=DEFER,
        afterwards=afterwards(result.plan),
    )
    return sealed(page)


def _place(result: SiteResult, place: Place, degrees: Callable[[Floats], Floats]) -> dict[str, Any]:
    """One page of the sheet."""
    mount = mount_view(result, place.row, degrees)
    rows = say_links.controllers_from(result, place)
    facts = say.by_fact(mount["numbers"])
    sensor = place.kind is Kind.SENSOR
    return {
        "sign": place.sign,
        "kind": str(place.kind),
        "mount": mount,
        "numbers": [facts[fact] for fact in SHEET_FACTS if fact in facts] if sensor else [],
        "alternate": layouts.alternate_said(result, place),
        "alternate_at": mount_view(result, place.alternate, degrees)["coordinates"] if place.alternate >= 0 else "",
        "drawing": site_drawing(result, place.row),
        "tied": bool(_ties(result, place.row)),
        "links": _few(result, rows),
        "full": len(rows) >= FULL_CONTROLLERS or len(layout(result)) > 1,
        "checks": [*filter(None, [to_measure(result, place.row)]), *(CHECKS if sensor else REPEATER_CHECKS)],
    }


def _few(result: SiteResult, rows: Sequence[say_links.ControllerRow]) -> dict[str, Any]:
    """The controllers that fit on a page, the worst first when not all do, and how many are left."""
    if len(rows) <= MOST_CONTROLLERS:
        return {"rows": list(rows), "more": 0}
    worst = sorted(rows, key=lambda row: float(result.room[row.row, row.controller]))[: MOST_CONTROLLERS - 1]
    return {"rows": worst, "more": len(rows) - len(worst)}


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
        f'<clipPath id="edge"><rect width="{SIDE}" height="{SIDE}"/></clipPath>'
        f'<g clip-path="url(#edge)">{"".join(out)}</g></svg>'
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
