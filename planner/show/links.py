"""How each controller is reached, for people: words, the side view of a link, coverage, fewest sensors, cables."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from markupsafe import Markup

from planner.reach.cable import SURFACES, CableRun
from planner.reach.layouts import Layout
from planner.reach.link import GRADES, Grade, beyond, grade
from planner.reach.profile import BUILDING
from planner.reach.radio import rated_m
from planner.reach.view import LinkView
from planner.show import palette
from planner.show.lonlat import Floats, from_lonlat, geojson
from planner.show.pictures import _even_rows, _png, _svg, _text
from planner.show.verdicts import SUPPORT_NAMES
from planner.units import Units, length, odds

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.reach.study import Choice

SAME_PLACE_M = 6.0  # marks nearer to one another than this cover each other at a site's usual scale

SAID = {  # what a grade asks for
    Grade.NONE: "No link",
    Grade.DOUBTFUL: "Doubtful",
    Grade.LIKELY: "Likely: test it before fixing",
    Grade.DEPENDABLE: "Dependable",
}


def price(value: float, currency: str) -> str:
    """'$1,250', to three figures where it is a sum of guesses."""
    digits = max(len(f"{value:.0f}") - 3, 0)
    return f"{currency}{round(value, -digits):,.0f}"


def letter(row: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    row += 1
    while row:
        row, rest = divmod(row - 1, 26)
        text = chr(65 + rest) + text
    return text


def decibels(value: float, spread: float) -> str:
    """'12 ± 7 dB', with a true minus sign."""
    return f"{value:.0f} ± {spread:.0f} dB".replace("-", "−")


# --- one link in words ------------------------------------------------------------------------------------------


def link_sentence(result: SiteResult, view: LinkView) -> str:
    """Grade, what stands in the way, and by which way the link gets past it."""
    at = (view.mount, view.controller)
    out = [SAID[Grade(int(result.reach.grade[at]))]]
    if result.reach.distance_m[at] > result.reach.usable_m:
        out[0] = f"B{beyond(result.reach)[1:]}"
    return "; ".join([*out, *view.said]) + "."


def change_sentence(view: LinkView) -> str:
    """The one change that would help most, or ''."""
    c = view.change
    if c is None:
        return ""
    ending = "" if c.grade >= Grade.LIKELY else ", which is not enough"
    return f"What would help most: {c.what} (+{c.gain_db:.0f} dB, holds with {odds(c.probability)}{ending})."


def loss_sentence(result: SiteResult, view: LinkView) -> str:
    """'72 dB free space + 12 dB past what stands in the way = 84 dB of 104 dB allowed, 6 dB kept in hand.'"""
    at, radio = (view.mount, view.controller), result.reach.radio
    parts = " + ".join(f"{db:.0f} dB {name}" for name, db in view.losses)
    total = float(result.reach.links.loss_db[at])
    bare = float(result.reach.links.bare_margin_db[at] - result.reach.links.margin_db[at])
    leafless = f" {bare:.0f} dB better when the crowns are bare." if bare >= 1 else ""
    return (
        f"{parts} = {total:.0f} dB, of {radio.allowed_db:.0f} dB allowed less {radio.fade_db:.0f} dB kept in hand."
        f"{leafless}"
    )


# --- the side view ----------------------------------------------------------------------------------------------

WIDE, TALL, SIDE_L, SIDE_R, SIDE_T, SIDE_B = 440, 170, 42, 12, 16, 22


def side_view(view: LinkView, units: Units, names: tuple[str, str]) -> Markup:
    """The link from the side: ground, roofs, crowns, the line of sight and the first Fresnel zone round it.

    Heights are drawn larger than lengths, by the factor that the picture names.
    """
    share = np.linspace(0.0, 1.0, 81)
    line = view.head_m + share * (view.receiver_m - view.head_m)
    space = float(np.hypot(view.plan_m, view.head_m - view.receiver_m))
    radius = np.sqrt(view.wavelength_m * space * share * (1 - share))
    ground = view.ground[np.isfinite(view.ground[:, 1])]
    if not len(ground):
        ground = np.array(
            [[0.0, min(view.head_m, view.receiver_m)], [view.plan_m, min(view.head_m, view.receiver_m)]]
        )
    # a long line has more samples of the ground than the picture has points
    ground = ground[np.unique(np.linspace(0, len(ground) - 1, 160).astype(int))]
    high = max([view.head_m, *(p.top_m for p in view.pieces), float((line + radius).max())])
    low = float(ground[:, 1].min()) - 0.5
    high += 0.06 * (high - low)
    long = max(view.plan_m, 1.0)
    inner_w, inner_h = WIDE - SIDE_L - SIDE_R, TALL - SIDE_T - SIDE_B

    def x(at: float) -> float:
        return SIDE_L + at / long * inner_w

    def y(z: float) -> float:
        return SIDE_T + (high - max(z, low)) / (high - low) * inner_h

    out = [f'<rect x="{SIDE_L}" y="{SIDE_T}" width="{inner_w}" height="{inner_h}" fill="{palette.SKY}"/>']
    zone = [(x(s * long), y(z + r)) for s, z, r in zip(share, line, radius, strict=True)]
    zone += [(x(s * long), y(z - r)) for s, z, r in zip(share[::-1], line[::-1], radius[::-1], strict=True)]
    out.append(f'<path d="{_path(zone)}Z" fill="{palette.FRESNEL}" fill-opacity="0.75"/>')
    for p in view.pieces:
        left, right = x(p.start_m), max(x(p.stop_m), x(p.start_m) + 1.5)
        top, foot = y(p.top_m), y(max(p.base_m, low))
        if p.kind == BUILDING:
            fill = palette.HORIZON if p.in_the_way else palette.STONE[1]
            out.append(
                f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{max(foot - top, 0):.1f}" '
                f'fill="{fill}" fill-opacity="0.9"/>'
            )
        else:
            out.append(
                f'<ellipse cx="{(left + right) / 2:.1f}" cy="{(top + foot) / 2:.1f}" rx="{(right - left) / 2:.1f}" '
                f'ry="{abs(foot - top) / 2:.1f}" fill="{palette.VEIL}" fill-opacity="0.75"/>'
            )
    earth = [(x(a), y(z)) for a, z in ground]
    base = TALL - SIDE_B
    out.append(
        f'<path d="{_path(earth)}L{earth[-1][0]:.1f},{base}L{earth[0][0]:.1f},{base}Z" fill="{palette.STONE[2]}" '
        f'stroke="{palette.HORIZON}" stroke-width="0.8"/>'
    )
    ends = (x(0.0), y(view.head_m), x(long), y(view.receiver_m))
    out.append(
        '<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" '.format(*ends)
        + f'stroke="{palette.INK}" stroke-width="1.4" stroke-dasharray="5 3"/>'
        f'<circle cx="{ends[0]:.1f}" cy="{ends[1]:.1f}" r="4.5" fill="{palette.MARK}" stroke="#fff"/>'
        f'<rect x="{ends[2] - 4:.1f}" y="{ends[3] - 4:.1f}" width="8" height="8" '
        f'fill="{palette.INK}" stroke="#fff"/>'
    )
    taken: list[tuple[float, float]] = []
    for p in sorted((p for p in view.pieces if p.in_the_way), key=lambda p: p.start_m - p.stop_m):
        middle, half = (x(p.start_m) + x(p.stop_m)) / 2, 3.1 * len(p.name[:22])
        middle = min(max(middle, SIDE_L + half), WIDE - SIDE_R - half)
        if all(middle + half < a or middle - half > b for a, b in taken):
            label = p.name if len(p.name) <= 22 else p.name[:21] + "…"
            out.append(_text(middle, max(y(p.top_m) - 4, 11), label, size=11, halo=True))
            taken.append((middle - half, middle + half))
    for z in (low + 0.5, high):
        out.append(_text(SIDE_L - 4, y(z) + 4, length(z - low - 0.5, units), anchor="end", size=11))
    out.append(_text(SIDE_L, TALL - 6, "sensor", anchor="start", size=11.5))
    out.append(_text(WIDE - SIDE_R, TALL - 6, "controller", anchor="end", size=11.5))
    stretch = (inner_h / (high - low)) / (inner_w / long)
    drawn = f"; heights × {stretch:.0f}" if stretch >= 1.5 else ""
    out.append(_text(WIDE / 2, TALL - 6, f"{length(view.plan_m, units)} on plan{drawn}", size=11.5))
    alt = f"Side view from {names[0]} to {names[1]}, {length(view.plan_m, units)}: {'; '.join(view.said)}."
    return _svg(WIDE, TALL, "".join(out), alt, "side-view")


def _path(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{px:.1f},{py:.1f}" for px, py in points)


SIDE_KEY = (
    "Broken line: line of sight. Pale band: first Fresnel zone, which should be six tenths clear. Dark blocks: "
    "buildings that the line goes through; light: roofs beneath it; green: crowns."
)


# --- what the panel and the sheet say ---------------------------------------------------------------------------


def link_view(result: SiteResult, row: int, controller: int) -> dict[str, Any]:
    """Margin, odds, words and side view of one link; empty words where it was not looked at closely."""
    study, links = result.reach_study, result.reach.links
    at = (row, controller)
    out: dict[str, Any] = {
        "margin": decibels(float(links.margin_db[at]), float(links.spread_db[at])),
        "holds": odds(float(links.probability[at])),
        "grade": GRADES[Grade(int(result.reach.grade[at]))],
        "change": "",
        "losses": "",
        "picture": "",
        "need": "",
        "elsewhere": served_elsewhere(result, row, controller),
    }
    if study is not None and row in study.views and study.views[row]:
        view = study.views[row][controller]
        names = (result.mounts.ids[row], result.site.controllers.names[controller])
        out |= {
            "need": link_sentence(result, view),
            "change": change_sentence(view),
            "losses": loss_sentence(result, view),
            "picture": side_view(view, result.plan.units, names),
        }
    return out


def served_elsewhere(result: SiteResult, row: int, controller: int) -> str:
    """Id of the sensor or repeater that serves a controller in the plan of fewest, where that is not `row`."""
    layouts = result.reach_study.layouts if result.reach_study is not None else None
    if layouts is None or layouts.best is None or row not in layouts.best.mounts:
        return ""
    by = max(int(layouts.best.served_by[controller]), int(layouts.best.by_repeater[controller]))
    return result.mounts.ids[by] if by >= 0 and by != row else ""


def served(result: SiteResult, service: Layout) -> list[dict[str, Any]]:
    """Each sensor and repeater of a plan, with the controllers that it serves."""
    out = []
    for kind, rows, by in (
        ("sensor", service.mounts, service.served_by),
        ("repeater", service.repeaters, service.by_repeater),
    ):
        for row in rows:
            whom = [letter(int(k)) for k in np.flatnonzero(by == row)]
            idle = "feeds a repeater" if kind == "sensor" and service.repeaters else "none of them"
            out.append(
                {
                    "row": int(row),
                    "kind": kind,
                    "id": result.mounts.ids[row],
                    "on": result.mounts.on[row],
                    "support": SUPPORT_NAMES[result.mounts.support[row]],
                    "height": length(float(result.mounts.height_m[row]), result.plan.units, 1),
                    "serves": ", ".join(whom) if whom else idle,
                    "chosen": row == result.decision.chosen,
                }
            )
    return sorted(out, key=lambda place: not place["chosen"])


def plan_view(result: SiteResult) -> dict[str, Any] | None:
    """The plan of fewest sensors, what stands beside it, and what it cannot serve; None where there is none."""
    study = result.reach_study
    if study is None or study.layouts is None or study.layouts.best is None:
        return None
    p, shown, cabled = study.layouts, study.layouts.best, result.reach.runs is not None
    names, ids, sign = result.site.controllers.names, result.mounts.ids, result.plan.prices.currency
    m, among = len(names), int(shown.served.sum())
    asked = f"{result.reach.asked:.0%}"

    def places(service: Layout) -> str:
        """Ids; which of them is a repeater, where some are."""
        kinds = (" (sensor)", " (repeater)") if service.repeaters else ("", "")
        return ", ".join(
            ids[k] + kind
            for rows, kind in zip((service.mounts, service.repeaters), kinds, strict=True)
            for k in rows
        )

    def named(rows: Any) -> str:
        return ", ".join(names[int(k)] for k in rows)

    lines = []
    held = "a cable short enough" if cabled else asked
    for rows, why in (
        (p.beyond, f"No place that meets the other requirements reaches {{}} with {held}"),
        (np.setdiff1d(p.left_out, p.beyond), "No plan serves all: {} left out"),
    ):
        if len(rows):
            lines.append(f"{why.format(named(rows))}: a place nearer to it, or another way to reach it, is needed.")
    freely = ""
    if p.freely is not None:
        freely = (
            f"Without {ids[study.row]}: {places(p.freely)}{_for(p.freely.price, sign)} for "
            f"{int(p.freely.served.sum())} of {_controllers(m)}."
        )
        lines.append(freely)
    if p.elsewhere is not None:
        lines.append(f"If none of these places is to be had: {places(p.elsewhere)}{_for(p.elsewhere.price, sign)}.")
    else:
        whom = "as many" if len(p.left_out) else "every controller" if m > 1 else "the controller"
        lines.append(f"No other set of places, 30 m and more from these, serves {whom}.")
    if p.fewer is not None:
        less = (
            f"One sensor{' or repeater' if shown.repeaters or p.fewer.repeaters else ''} less ({places(p.fewer)})"
        )
        saved = shown.price - p.fewer.price
        money = f"saves {price(saved, sign)}" if saved > 0 else f"costs {price(-saved, sign)} more" if saved else ""
        left = named(np.setdiff1d(np.flatnonzero(~p.fewer.served), p.left_out))
        if left:
            lines.append(f"{less} {f'{money} and ' if money else ''}leaves out {left}.")
        elif p.freely is None:
            lines.append(f"{less} {f'{money} and ' if money else ''}still serves as many.")
    if p.spare >= 0:
        lines.append(
            f"With one sensor more, at {ids[p.spare]}{_for(p.spare_price, sign)}, {p.spare_count} of "
            f"{_controllers(m)} {'have' if p.spare_count != 1 else 'has'} a second link."
        )
    lines += _chained(result, shown)
    hint = ""
    if result.decision.chosen < 0 and result.plan.requirements.reach == "every" and among == m:
        hint = (
            "No one place reaches every controller as asked; these places together do: with "
            'requirements.reach = "fewest" they would pass.'
        )
        lines.append(hint)
    if cabled:
        lines.append(_cables_of_plan(result, shown))
    elif on_top := _on_top(result, shown):
        lines.append(on_top)
    count, more = len(shown.mounts), len(shown.repeaters)
    with_repeaters = f" and {more} repeater{'s' if more != 1 else ''}" if more else ""
    whom = "the controller" if m == 1 else f"{among} of {_controllers(m)}"
    how = "each cable short enough" if cabled else f"{'its' if m == 1 else 'each'} link holding with {asked}"
    about = f": about {price(shown.price, sign)}{_not_held(result, shown)}" if shown.price else ""
    return {
        "title": "Fewest sensors that serve "
        + ("the controller" if m == 1 else "every controller" if among == m else f"{among} of {_controllers(m)}"),
        "head": f"{count} sensor{'s' if count != 1 else ''}{with_repeaters} for {whom}, {how}{about}.",
        "rows": served(result, shown),
        "lines": lines,
        "freely": freely,
        "hint": hint,
        "complete": among == m,
    }


def extras(result: SiteResult, shown: Layout) -> dict[str, float]:
    """What a plan takes besides its sensors (each with one receiver) and repeaters: counts and prices.

    The optimiser minimises the price without it.
    """
    prices, study = result.plan.prices, result.reach_study
    if result.reach.runs is not None or study is None:
        return {"further_receivers": 0, "further_receivers_price": 0.0, "link_tests": 0, "link_tests_price": 0.0}
    receivers = max(int(shown.served.sum()) - len(shown.mounts), 0)
    tests = int((grade(study.held_with[shown.served], result.reach.asked) < Grade.DEPENDABLE).sum())
    return {
        "further_receivers": receivers,
        "further_receivers_price": receivers * prices.receiver,
        "link_tests": tests,
        "link_tests_price": tests * prices.link_test,
    }


def _not_held(result: SiteResult, shown: Layout) -> str:
    """What the price of a plan does not hold: ' without the cables'."""
    if result.reach.runs is not None:
        return " without the cables"
    more = extras(result, shown)
    left = ["further receivers"] * bool(more["further_receivers"]) + ["link tests"] * bool(more["link_tests"])
    return f" without {' and '.join(left)}" if left else ""


def _on_top(result: SiteResult, shown: Layout) -> str:
    """'On top: 3 further receivers, $360; 2 links to test, $120.'"""
    more, sign = extras(result, shown), result.plan.prices.currency
    receivers, tests = more["further_receivers"], more["link_tests"]
    said = [
        f"{receivers} further receiver{'s' if receivers != 1 else ''}{_at(more['further_receivers_price'], sign)}"
    ] * bool(receivers)
    said += [f"{tests} link{'s' if tests != 1 else ''} to test{_at(more['link_tests_price'], sign)}"] * bool(tests)
    return f"Each sensor comes with one receiver. On top: {'; '.join(said)}." if said else ""


def _at(value: float, sign: str) -> str:
    return f", {price(value, sign)}" if value > 0 else ""


def _chained(result: SiteResult, shown: Layout) -> list[str]:
    """Through each repeater of a plan, the controllers and the probability that both hops hold."""
    assert result.reach_study is not None
    held, names = result.reach_study.held_with, result.site.controllers.names
    out = []
    for row in shown.repeaters:
        whom = [f"{names[k]} {odds(float(held[k]))}" for k in np.flatnonzero(shown.by_repeater == row)]
        if whom:
            out.append(
                f"Through the repeater at {result.mounts.ids[row]}, both hops together hold: {', '.join(whom)}."
            )
    return out


def _for(value: float, sign: str) -> str:
    """' for $400'; nothing where it costs nothing."""
    return f" for {price(value, sign)}" if value > 0 else ""


def _controllers(count: int) -> str:
    return f"{count} controller{'s' if count != 1 else ''}"


def _cables_of_plan(result: SiteResult, shown: Layout) -> str:
    """What the cables of a plan cost, each from the sensor of the plan with the least of it."""
    runs = result.reach.runs
    assert runs is not None
    laid = [runs[row][k] for k, row in enumerate(shown.served_by) if row >= 0]
    total = sum(run.price for run in laid if run is not None)
    metres = sum(run.length_m for run in laid if run is not None)
    return (
        f"Its cables: {length(metres, result.plan.units)}, about {price(total, result.plan.prices.currency)} with "
        "laying. The plan has the fewest sensors; one with more of them and less cable may be cheaper."
    )


def cable_view(result: SiteResult) -> dict[str, Any] | None:
    """Radio beside cable for each controller of the mount that was studied."""
    study, units, sign = result.reach_study, result.plan.units, result.plan.prices.currency
    if study is None or not study.choices:
        return None
    rows = [
        _cable_row(result, k, study.cables[k], study.choices[k], units, sign) for k in range(len(study.choices))
    ]
    sensor, cabled = result.plan.sensor, result.plan.sensor.link == "cable"
    cell = f" Routes are sought on cells of {length(study.cable_cell_m, units, 1)}." if study.cable_cell_m else ""
    far = rated_m(sensor)
    rated = f"rated {length(far, units)}" if far == far else "its powers"
    other = (
        " The sensor has a cable; whether a radio sensor would do instead is reckoned from the radio keys of "
        f"[sensor], {rated}, asked {result.reach.asked:.0%}."
        if cabled
        else ""
    )
    return {
        "rows": rows,
        "title": "Cable, or a radio sensor instead" if cabled else "Radio or cable",
        "heads": ("A radio sensor", "Cable", "Take") if cabled else ("Radio", "Cable", "Take"),
        "basis": "Prices are the plan file's ([prices]); put your own. "
        f"{'' if cabled else 'One receiver comes with the sensor, for the nearest controller that it serves. '}"
        f"{length(sensor.cable_supplied_m, units)} of cable are supplied; up to "
        f"{length(sensor.cable_longest_m, units)} with {sensor.cable_conductor}. Lengths hold "
        f"{result.plan.cable.slack_share:.0%} of slack and the drops at both ends. Routes keep out of places with "
        f"heat or without access; of buried services they know nothing.{cell}{other}",
    }


def _cable_row(
    result: SiteResult, k: int, run: CableRun | None, choice: Choice, units: Units, sign: str
) -> dict[str, Any]:
    cabled = choice.radio_price is None
    if choice.radio_price is None:
        radio = "would do" if choice.radio_ok else "would not do"
    else:
        included = price(choice.radio_price, sign) if choice.radio_price else "with the sensor"
        radio = included if choice.radio_ok else "not as asked"
    out = {
        "letter": letter(k),
        "name": result.site.controllers.names[k],
        "radio": radio,
        "use": {"radio": "Radio", "cable": "Cable", "": "No cable" if cabled else "Neither"}[choice.use],
        "why": "",
        "cable": "no route",
        "length": "",
        "surfaces": "",
        "wire": "",
    }
    if run is not None:
        kinds = [
            f"{length(float(v), units)} {name}" for v, name in zip(run.surface_m, SURFACES, strict=True) if v >= 0.5
        ]
        kinds.append(f"{length(run.vertical_m, units)} up and down")
        if run.kind == "shortest":
            kinds.append("by the shortest route, for the cheapest would be too long")
        out |= {
            "cable": price(run.price, sign) if choice.cable_ok else "too long",
            "length": length(run.length_m, units),
            "surfaces": ", ".join(kinds),
            "wire": wire_sentence(run),
        }
    long = "no route for a cable" if run is None else "the cable would be too long"
    if cabled and choice.use == "cable":
        out["why"] = "short enough" + ("; a radio sensor instead would reach it too" if choice.radio_ok else "")
    elif cabled:
        out["why"] = f"{long}: " + (
            "a radio sensor instead would reach it" if choice.radio_ok else "a sensor nearer to it"
        )
    elif choice.use == "":
        out["why"] = "a repeater, a sensor nearer to it, or a radio with more range"
    elif choice.use == "radio" and choice.cable_ok:
        out["why"] = "the cheaper, and holds as asked"
    elif choice.use == "cable" and choice.radio_ok:
        out["why"] = "the cheaper"
    elif choice.use == "cable":
        out["why"] = "the radio link does not hold as asked"
    else:
        out["why"] = long
    assert result.reach_study is not None
    if choice.use != "radio" and (other := served_elsewhere(result, result.reach_study.row, k)):
        out["why"] += f"; with the fewest sensors, {other} serves it"
    return out


def cable_sentence(run: CableRun | None) -> str:
    """What route a controller's cable takes, and whether its wire is thick enough."""
    if run is None:
        return "No route for a cable: what is barred shuts it off."
    return f"By the {run.kind} route. {wire_sentence(run)}"


def wire_sentence(run: CableRun) -> str:
    """The electrical check in words."""
    w = run.wire
    if run.supplied:
        return "The supplied cable is long enough."
    volts = f", {w.drop_v:.2f} V lost" if w.drop_v else ""
    said = f"{w.wire.name}: {w.loop_ohm:.1f} ohm of loop{volts}"
    if w.ok:
        return f"{said}, within {w.allowed}."
    if w.over_longest:
        return f"{said}. Longer than the {w.over_longest} allowed, whatever the conductor."
    if w.instead is None:
        return f"{said}, over {w.allowed}; no conductor here is thick enough."
    if w.ask_maker:
        return f"{said}, over {w.allowed}. {w.instead.name} would have no more, but only if the maker agrees."
    return f"{said}, over {w.allowed}: take {w.instead.name}."


# --- on the map -------------------------------------------------------------------------------------------------


def coverage_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Grade of a receiver anywhere on the site, from the chosen mount; off until the reader asks."""
    study = result.reach_study
    if study is None or study.coverage is None:
        return None
    cover = study.coverage
    grid = cover.margin_db
    rows, cols = cover.grade.shape
    east, south = grid.left_m + cols * grid.cell_m, grid.top_m - rows * grid.cell_m
    corners = degrees(np.array([[x, y] for x in (grid.left_m, east) for y in (south, grid.top_m)]))
    (lon0, lat0), (lon1, lat1) = corners.min(axis=0), corners.max(axis=0)
    wide, tall = min(2 * cols, 700), min(2 * rows, 700)
    lon, lat = np.meshgrid(lon0 + (np.arange(wide) + 0.5) / wide * (lon1 - lon0), _even_rows(lat0, lat1, tall))
    xy = from_lonlat(result.site.crs)(np.column_stack([lon.ravel(), lat.ravel()]))
    col = np.floor((xy[:, 0] - grid.left_m) / grid.cell_m).astype(int)
    row = np.floor((grid.top_m - xy[:, 1]) / grid.cell_m).astype(int)
    inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    grade = np.where(inside, cover.grade[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)], -1)
    colours = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in palette.LINK], np.uint8)
    pixels = np.dstack(
        [colours[np.clip(grade, 0, 3)].reshape(tall, wide, 3), np.where(grade >= 0, 255, 0).reshape(tall, wide)]
    ).astype(np.uint8)
    up = length(cover.receiver_m, result.plan.units, 1)
    return {
        "id": "coverage",
        "name": f"Radio coverage, receivers outdoors {up} up",
        "on": False,
        "image": _png(pixels),
        "opacity": 0.7,
        "bounds": [[float(lat0), float(lon0)], [float(lat1), float(lon1)]],
        "key": {"fillColor": palette.LINK[2], "color": palette.INK, "weight": 0.5},
        "classes": [
            {
                "fillColor": palette.LINK[g],
                "color": palette.INK,
                "weight": 0.5,
                "name": _grade_name(result, Grade(g)),
            }
            for g in sorted(GRADES, reverse=True)
        ],
    }


def _grade_name(result: SiteResult, g: Grade) -> str:
    asked = result.reach.asked
    sure = asked + 0.5 * (1 - asked)
    ranges = {
        Grade.DEPENDABLE: f"{sure:.0%} and more",
        Grade.LIKELY: f"{asked:.0%} to {sure:.0%}",
        Grade.DOUBTFUL: f"{min(0.5, asked):.0%} to {asked:.0%}, or beyond the range that may be used",
        Grade.NONE: f"less than {min(0.5, asked):.0%}",
    }
    return f"{GRADES[g].capitalize()}: holds with {ranges[g]}"


def cable_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """Cable routes from the chosen mount; on where the link is a cable."""
    study = result.reach_study
    if study is None:
        return None
    features = []
    for k, run in enumerate(study.cables):
        if run is None:
            continue
        card = {
            "t": f"Cable to {letter(k)} · {result.site.controllers.names[k]}, by the {run.kind} route",
            "v": [length(run.length_m, result.plan.units), price(run.price, result.plan.prices.currency)],
            "n": wire_sentence(run),
        }
        line = shapely.linestrings(degrees(run.xy))
        features.append({"type": "Feature", "geometry": geojson(line), "properties": {"c": card}})
    if not features:
        return None
    style = {"color": palette.CABLE, "weight": 2.4, "dashArray": "1 4", "opacity": 0.95}
    return {
        "id": "cables",
        "name": f"Cable routes, {' or '.join(sorted({run.kind for run in study.cables if run is not None}))}",
        "on": result.plan.sensor.link == "cable",
        "bounds": _bounds(features),
        "style": style,
        "labels": ["Cable to buy, with slack and drops", "Cable and laying"],
        "features": {"type": "FeatureCollection", "features": features},
        "key": {"shape": "line", **style},
    }


def _bounds(features: list[dict[str, Any]]) -> list[list[float]]:
    west, south, east, north = shapely.total_bounds([shapely.geometry.shape(f["geometry"]) for f in features])
    return [[float(south), float(west)], [float(north), float(east)]]


def covered(result: SiteResult, xyz: Floats) -> bool:
    """The chosen sensor's mark would hide one here."""
    row = result.decision.chosen
    return row >= 0 and float(np.hypot(*(result.mounts.xyz[row] - xyz)[:2])) < SAME_PLACE_M


def partner_group(result: SiteResult, degrees: Callable[[Floats], Floats]) -> dict[str, Any] | None:
    """The other sensors (and repeaters) of the plan of fewest."""
    view = plan_view(result)
    others = [r for r in view["rows"] if not r["chosen"]] if view is not None else []
    if not others:
        return None
    at = degrees(result.mounts.xyz[[r["row"] for r in others]])
    marks = []
    for n, (r, place) in enumerate(zip(others, at, strict=True), start=2):
        sign = "R" if r["kind"] == "repeater" else f"S{n if result.decision.chosen >= 0 else n - 1}"
        card = {
            "t": f"{r['id']} · {r['on']}",
            "s": f"{r['kind'].capitalize()} of the plan with the fewest, {r['support']}",
            "v": [r["serves"], r["height"]],
        }
        marks.append(
            {
                "at": [round(float(place[1]), 7), round(float(place[0]), 7)],
                "kind": "partner",
                "text": sign,
                "k": f"partner-{r['row']}",
                "beside": "",
                "c": card,
                "under": covered(result, result.mounts.xyz[r["row"]]),
            }
        )
    return {
        "id": "partners",
        "name": f"{'Further s' if result.decision.chosen >= 0 else 'S'}ensors"
        f"{' and repeaters' if any(r['kind'] == 'repeater' for r in others) else ''} of the plan with the fewest",
        "on": True,
        "labels": ["Serves controllers", "Height to reach"],
        "marks": marks,
        "key": {"mark": "partner", "text": marks[0]["text"]},
    }
