"""The field sheet: one page for the person on the ladder, and what the office wants back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup, escape

from planner.mounts import Support
from planner.show import palette, words
from planner.show.links import plan_view
from planner.show.lonlat import Floats, to_lonlat
from planner.show.map import climate_view, mount_view
from planner.show.page import PAGES, sealed, styles
from planner.units import M_PER_FT, MONTHS, Units, length

if TYPE_CHECKING:
    from planner.job import SiteResult

# Common practice, no source: what a fitter looks at before and after fixing an outdoor sensor.
CHECKS = (
    "Support sound, and the owner agrees to it",
    "Nothing new in the way: trees, signs, plant, scaffolds",
    "Sky open to the noon sun; no eave, gutter or spray above or beside",
    "Head level and firm; distances measured as drawn",
    "Each controller answers from where it hangs",
    "Zone and irrigation months set at each controller",
    "Photo of the mount and of the view to the noon sun",
)


def sheet_page(result: SiteResult) -> bytes:
    """`sheet.html`: prints on one page of A4 or Letter."""
    degrees = to_lonlat(result.site.crs)
    chosen, runners = result.decision.chosen, result.decision.runners_up
    page = PAGES.get_template("sheet.html").render(
        style=styles("page.css", "sheet.css"),
        title=result.plan.outputs.title or result.plan.title,
        site=result.site.name,
        mount=mount_view(result, chosen, degrees) if chosen >= 0 else None,
        plan_b=mount_view(result, runners[0], degrees) if runners else None,
        drawing=plan_drawing(result, chosen) if chosen >= 0 else None,
        setback=_setback(result, chosen) if chosen >= 0 else "",
        controllers=_controllers(result, words.reach_row(result)),
        nearest=words.nearest_said(result),
        fewest=_fewest(result) if chosen < 0 else "",
        link=result.plan.sensor.link,
        full=len(result.site.controllers) >= FULL_CONTROLLERS,
        tied=chosen >= 0 and bool(_ties(result, chosen)),
        partners=_partners(result),
        requirements=words.requirement_counts(result),
        climate=climate_view(result),
        months=MONTHS,
        checks=CHECKS,
        cautions=words.CAUTIONS,
        defer=words.DEFER,
    )
    return sealed(page)


FULL_CONTROLLERS = 3  # as many rows, and what they say, fill the page
MOST_CONTROLLERS = 6  # that one page has room for; the rest are on the map and in the tables


def _controllers(result: SiteResult, row: int) -> dict[str, Any]:
    """The controllers that fit on the sheet, the worst first when not all do; none for row -1."""
    rows = words.controllers(result, row) if row >= 0 else []
    if len(rows) <= MOST_CONTROLLERS:
        return {"rows": rows, "more": 0}
    room = words.margins(result)[row]
    worst = np.argsort(room, kind="stable")[: MOST_CONTROLLERS - 1]
    return {"rows": [rows[k] for k in worst], "more": len(rows) - len(worst)}


def _partners(result: SiteResult) -> str:
    """The other places of the plan with the fewest sensors, and the controllers that they serve."""
    view = plan_view(result)
    others = [r for r in view["rows"] if not r["chosen"]] if view is not None else []
    return "; ".join(f"{r['id']} ({r['kind']}, {r['on']}) for {r['serves']}" for r in others)


def _fewest(result: SiteResult) -> str:
    """The plan with the fewest sensors in words, where no mount heads the sheet; '' where there is none."""
    view = plan_view(result)
    if view is None:
        return ""
    places = "; ".join(f"{r['id']} ({r['kind']}, {r['on']}) for {r['serves']}" for r in view["rows"])
    return (
        f"Shared among places that meet every other requirement: {view['head']} {places}. {view['hint']}".rstrip()
    )


def _setback(result: SiteResult, row: int) -> str:
    """How far from the roof edge or wall the mast stands, for mounts on a building."""
    settings, units, kind = result.plan.mounts, result.plan.units, result.mounts.support[row]
    if kind in (Support.PARAPET, Support.EAVE):
        mast = length(result.plan.sensor.mast_m, units, 1)
        return f"{length(settings.setback_m, units, 1)} inside the roof edge, head {mast} above it"
    if kind is Support.WALL:
        drop = length(settings.wall_drop_m, units, 1)
        return f"{length(settings.wall_offset_m, units, 1)} off the wall, head {drop} under its top"
    if kind is Support.POLE:
        return f"head {length(result.plan.sensor.mast_m, units, 1)} above its top"
    return ""


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


def plan_drawing(result: SiteResult, row: int) -> Markup:
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
    return Markup(
        f'<svg class="drawing" viewBox="0 0 {SIDE} {SIDE}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(f'Plan of {label}, north up, with distances to two corners.')}</title>"
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
