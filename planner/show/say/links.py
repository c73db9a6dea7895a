"""Links and cables in words: what each controller gets, from which place of the layout, and what would help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.copper import Conductor
from planner.reach.cable import CONDUIT, INSIDE, OUTSIDE, PAVED, ROAD, SOFT, WALL, CableRun
from planner.reach.link import Grade, ReachResult
from planner.reach.profile import BUILDING
from planner.reach.radio import by_powers, radio, rated_m
from planner.reach.view import LinkView, Piece, Remedy, Takes
from planner.reach.wire import DropLimit, LoopLimit, sensor_cable
from planner.show.layout import Place, layout, proposed, serving
from planner.show.say.figures import decibels, letter, listed, price
from planner.units import Units, length, odds

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.plan import Plan
    from planner.reach.study import Choice

GRADES = {
    Grade.NONE: "No link",
    Grade.DOUBTFUL: "Doubtful",
    Grade.LIKELY: "Likely: test before mounting",
    Grade.DEPENDABLE: "Dependable",
}
NEXT_STEP = {
    Grade.NONE: "no link, a repeater, a second sensor or a cable",
    Grade.DOUBTFUL: "doubtful, change something and test",
    Grade.LIKELY: "likely, test before mounting",
    Grade.DEPENDABLE: "dependable",
}
CODES = {Grade.NONE: "none", Grade.DOUBTFUL: "doubtful", Grade.LIKELY: "likely", Grade.DEPENDABLE: "dependable"}


WAYS = ("over the top", "round the left", "round the right", "through the walls")  # by `Links.way`
TAKES = {
    Takes.FREE_SPACE: "free space",
    Takes.GROUND_FLAT: "over flat ground",
    Takes.GROUND: "over the ground",
    Takes.SURFACE: "over what the surface model shows",
    Takes.OBSTACLES: "past what is in the way",
    Takes.FOLIAGE: "tree canopies in leaf",
    Takes.ENTRY: "walls around the receiver",
}
SURFACES = {
    WALL: "along walls",
    SOFT: "lawn or soil",
    PAVED: "paving",
    ROAD: "under a road",
    CONDUIT: "in a conduit",
    INSIDE: "inside buildings",
    OUTSIDE: "outside the site",
}
UNTOLD = "receiver below ground, its soil, slab or lid not counted"
SAID_DB = 0.5  # what takes less is not worth a word


def grade_range(result: SiteResult, grade: Grade) -> str:
    """'Likely: 90% to 95% chance of a good link', for the key of the coverage."""
    asked = result.reach.asked
    sure = asked + 0.5 * (1 - asked)
    ranges = {
        Grade.DEPENDABLE: f"{sure:.0%} or more chance of a good link",
        Grade.LIKELY: f"{asked:.0%} to {sure:.0%} chance",
        Grade.DOUBTFUL: f"{min(0.5, asked):.0%} to {asked:.0%} chance, or beyond the range that may be used",
        Grade.NONE: f"less than {min(0.5, asked):.0%} chance",
    }
    return f"{GRADES[grade].split(':')[0]}: {ranges[grade]}"


# --- one link ---------------------------------------------------------------------------------------------------


def link_sentence(result: SiteResult, view: LinkView) -> str:
    """Grade, what is in the way, and by which way the link gets past it."""
    at = (view.mount, view.controller)
    first = GRADES[Grade(int(result.reach.grade[at]))]
    if result.reach.distance_m[at] > result.reach.usable_m:
        far = beyond(result.reach)
        first = f"{far[:1].upper()}{far[1:]}"
    return "; ".join([first, *met_said(result, view)]) + "."


def met_said(result: SiteResult, view: LinkView) -> list[str]:
    """What takes a link's decibels, with the names of what is in the way."""
    built, grown = ([piece_name(p) for p in view.met if (p.kind == BUILDING) == wall] for wall in (True, False))
    at = (view.mount, view.controller)
    return on_the_way(result.reach, at, view.indoors, result.plan.units, _few(built), _few(grown))


def piece_name(piece: Piece) -> str:
    """'Library', or 'Library (another wing)' where the receiver is in the same building."""
    return f"{piece.name} (another wing)" if piece.wing else piece.name


def _few(names: list[str]) -> str:
    names = list(dict.fromkeys(names))
    if len(names) <= 2:
        return " and ".join(names)
    return f"{names[0]}, {names[1]} and {len(names) - 2} more"


def on_the_way(
    reached: ReachResult, at: tuple[int, int], indoors: bool, units: Units, blocks: str = "", crowns: str = ""
) -> list[str]:
    """What takes a link's decibels; "clear line" where nothing does.

    at: mount and controller. blocks, crowns: names of the buildings and crowns in the way, where they are known.
    """
    some = reached.links
    crossed, ridge = int(some.crossed[at]), float(some.ridge_db[at])
    past, foliage, low = (float(v[at]) for v in (some.diffraction_db, some.foliage_db, some.ground_db))
    ground = "what the surface model shows" if reached.surface else "the ground"
    said = []
    if crossed:
        blocks = blocks or (f"{crossed} buildings" if crossed > 1 else "a building")
        said.append(f"{blocks} in the way, {WAYS[int(some.way[at])]}")
    if some.ridge_clearance[at] < 0:
        said.append(f"{ground} stands in the line")
    free = not said
    if foliage >= SAID_DB:
        of_layer = f"{length(float(some.canopy_m[at]), units)} of the canopy layer's trees"
        if not some.canopy_m[at]:
            said.append(f"through {crowns or 'crowns'}")
        else:
            said.append(f"through {crowns} and {of_layer}" if crowns else f"through {of_layer}")
    if free and max(past, low) >= SAID_DB:
        roofs = past - ridge >= SAID_DB
        under = (
            f"roofs and {ground} stand"
            if roofs and ridge >= SAID_DB
            else "roofs stand"
            if roofs
            else f"{ground} stands"
        )
        said.append(
            "in sight, low over the ground" if low >= past else f"in sight, but {under} in the Fresnel zone"
        )
    if some.unknown_m[at] >= 1.0:
        said.append(f"the ground is not known over {length(float(some.unknown_m[at]), units)} of it")
    inside = UNTOLD if np.broadcast_to(reached.untold, some.crossed.shape)[at] else "receiver indoors"
    return (said or ["clear line"]) + [inside] * indoors


def beyond(reached: ReachResult) -> str:
    """What is said of a link longer than may be used."""
    return f"beyond the {reached.range_used:.0%} of the rated range that may be used"


def needs(reached: ReachResult, at: tuple[int, int], indoors: bool, units: Units) -> str:
    """What one controller needs to be reached by radio from one mount (mount, controller), by numbers alone."""
    step = NEXT_STEP[Grade(int(reached.grade[at]))]
    if reached.distance_m[at] > reached.usable_m:
        step = f"{beyond(reached)}, a repeater, a second sensor or a cable"
    return f"{step}: {', '.join(on_the_way(reached, at, indoors, units))}"


def change_sentence(result: SiteResult, view: LinkView) -> str:
    """The one change that would help most, or ''."""
    c = view.change
    if c is None:
        return ""
    by = length(c.by_m, result.plan.units)
    what = {
        Remedy.RECEIVER_OUTSIDE: "put the receiver on the outer wall that faces the mount",
        Remedy.SENSOR_ALONG: f"move the sensor {by} along, to {result.mounts.ids[c.to]}",
        Remedy.SENSOR_HIGHER: f"raise the sensor by {by}",
        Remedy.RECEIVER_HIGHER: f"raise the receiver by {by}",
    }[c.remedy]
    ending = "" if c.grade >= Grade.LIKELY else ", which is not enough"
    chance = f"{odds(c.probability)} chance of a good link{ending}"
    return f"What would help most: {what} (+{c.gain_db:.0f} dB, {chance})."


def loss_sentence(result: SiteResult, view: LinkView) -> str:
    """'72 dB free space + 12 dB past what is in the way = 84 dB of 104 dB allowed, less 6 dB held back.'"""
    at, radio = (view.mount, view.controller), result.reach.radio
    parts = " + ".join(f"{db:.0f} dB {TAKES[what]}" for what, db in view.losses)
    total = float(result.reach.links.loss_db[at])
    bare = float(result.reach.links.bare_margin_db[at] - result.reach.links.margin_db[at])
    leafless = f" {bare:.0f} dB better when the trees are bare." if bare >= 1 else ""
    return (
        f"{parts} = {total:.0f} dB, of {radio.allowed_db:.0f} dB allowed less {radio.fade_db:.0f} dB held back for "
        f"fading.{leafless}"
    )


def radio_basis(plan: Plan) -> str:
    """What the links' numbers rest on: the open-field model or the powers, the fade margin, the walls."""
    sensor, section, units = plan.sensor, plan.reach, plan.units
    found = radio(sensor, section)
    if by_powers(sensor):
        said = (
            f"{sensor.transmit_dbm:g} dBm sent, {sensor.gains_dbi:g} dBi of antennas, "
            f"{sensor.sensitivity_dbm:g} dBm heard"
        )
    else:
        h1, h2 = (length(h, units, 1) for h in (sensor.rated_sensor_height_m, sensor.rated_receiver_height_m))
        said = (
            f"that of {length(sensor.rated_range_m, units)} over flat open ground with antennas {h1} and {h2} up "
            "(free space, or the two-ray law where that is more)"
        )
    walls = f"a {section.building_class.replace('_', ' ')} building's entry loss by ITU-R P.2109"
    if section.wall_material is not None:
        walls += f" and {length(section.wall_thickness_m, units, 1)} of {section.wall_material} by ITU-R P.2040"
    return (
        f"{found.allowed_db:.0f} dB of path loss allowed: {said}; {found.fade_db:g} dB held back for fading. A "
        f"receiver indoors: {walls}, {found.entry_db:.0f} ± {found.entry_spread_db:.0f} dB"
    )


# --- controllers ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ControllerRow:
    """One controller as a person reads it, from the place that serves it in the layout (or the first place).

    row: of that mount. sign: of the place that serves it, '' where none does. served: some place serves it. cable:
    what to buy along the route, 'no route', or '' where the link is a radio. margin, chance and the rest are ''
    where the link is a cable; view: the link in full, None where it was not looked at closely.
    """

    controller: int
    letter: str
    name: str
    row: int
    sign: str
    mount: str
    served: bool
    distance: str
    cable: str
    need: str
    margin: str = ""
    chance: str = ""
    change: str = ""
    losses: str = ""
    view: LinkView | None = None


def shown_row(result: SiteResult) -> int:
    """The mount whose links stand for a controller that no place serves: the first of the layout, or where no mount
    meets every requirement the one nearest to it; -1."""
    if result.decision.chosen >= 0 or result.reach_study is None:
        return result.decision.chosen
    return result.reach_study.row


def controllers(result: SiteResult) -> list[ControllerRow]:
    """What each controller needs, from the place of the layout that serves it; none without a mount to show."""
    first = shown_row(result)
    if first < 0:
        return []
    by = serving(result) if result.decision.chosen >= 0 else np.full(len(result.site.controllers), -1, np.int64)
    signs = {place.row: place.sign for place in layout(result)}
    return [
        _controller(result, k, int(row) if row >= 0 else first, signs.get(int(row), "")) for k, row in enumerate(by)
    ]


def controllers_from(result: SiteResult, place: Place) -> list[ControllerRow]:
    """The controllers that one place of the layout serves."""
    return [_controller(result, k, place.row, place.sign) for k in place.serves]


def controllers_of(result: SiteResult, row: int) -> list[ControllerRow]:
    """Every controller from one mount, whoever serves it."""
    return [_controller(result, k, row, "") for k in range(len(result.site.controllers))]


def _controller(result: SiteResult, k: int, row: int, sign: str) -> ControllerRow:
    units, reach, links = result.plan.units, result.reach, result.reach.links
    cable, need = "", ""
    more: dict[str, Any] = {}
    if reach.runs is not None:
        run = reach.runs[row][k]
        need = cable_sentence(run, units)
        cable = "no route" if run is None else length(run.length_m, units)
    else:
        view = _view(result, row, k)
        more = {
            "margin": decibels(float(links.margin_db[row, k]), float(links.spread_db[row, k])),
            "chance": f"{odds(float(links.probability[row, k]))} chance",
            "view": view,
        }
        if view is not None:
            need = link_sentence(result, view)
            more |= {"change": change_sentence(result, view), "losses": loss_sentence(result, view)}
        else:
            need = needs(reach, (row, k), bool(result.site.controllers.indoors[k]), units)
            need = need[:1].upper() + need[1:] + "."
    return ControllerRow(
        k,
        letter(k),
        result.site.controllers.names[k],
        row,
        sign,
        result.mounts.ids[row],
        bool(sign) or bool(result.room[row, k] >= 0),
        length(float(reach.distance_m[row, k]), units),
        cable,
        need,
        **more,
    )


def _view(result: SiteResult, row: int, k: int) -> LinkView | None:
    study = result.reach_study
    views = study.views.get(row) if study is not None else None
    return views[k] if views else None


# --- cables -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CableRow:
    """Radio beside cable for one controller, in words."""

    letter: str
    name: str
    radio: str
    cable: str
    use: str
    why: str
    length: str = ""
    surfaces: str = ""
    wire: str = ""


@dataclass(frozen=True)
class CableWords:
    title: str
    heads: tuple[str, str, str]
    rows: tuple[CableRow, ...]
    basis: str


def cable_view(result: SiteResult) -> CableWords | None:
    """Radio beside cable for each controller of the mount that was studied."""
    study, units = result.reach_study, result.plan.units
    if study is None or not study.choices:
        return None
    sensor, cabled = result.plan.sensor, result.plan.sensor.link == "cable"
    sheet = sensor_cable(sensor)
    assumed = (
        f" The plan does not say {listed([str(key) for key in sheet.assumed])}: assumed." if sheet.assumed else ""
    )
    cell = f" Routes are found on a grid of {length(study.cable_cell_m, units, 1)}." if study.cable_cell_m else ""
    leaves = any(run is not None and run.surface_m[OUTSIDE] >= 0.5 for run in study.cables)
    owner = " Ground outside the site is priced as a road: ask its owner, or whether another way will do." * leaves
    far = rated_m(sensor)
    rated = f"rated {length(far, units)}" if far == far else "its powers"
    other = (
        " Whether a radio sensor would do instead comes from the radio keys of [sensor], "
        f"{rated}, {result.reach.asked:.0%} chance required."
        if cabled
        else " One receiver comes with each sensor."
    )
    return CableWords(
        title="Cable, or a radio sensor instead" if cabled else "Radio or cable",
        heads=("Radio sensor", "Cable", "Use") if cabled else ("Radio", "Cable", "Use"),
        rows=tuple(_cable_row(result, k, study.cables[k], study.choices[k]) for k in range(len(study.choices))),
        basis=f"All routes start at {result.mounts.ids[study.row]}. Prices come from the plan file ([prices]): "
        f"enter your own.{other} The sensor comes with {length(sheet.supplied_m, units)} of cable; the "
        f"longest allowed is {length(sheet.longest_m, units)} with {conductor_said(sheet.conductor, units)}."
        f"{assumed} Lengths "
        f"include {result.plan.cable.slack_share:.0%} slack and the drops at both ends. Routes avoid heat and "
        f"places without access.{owner} Buried utilities are not considered: call for a locate.{cell}",
    )


def _cable_row(result: SiteResult, k: int, run: CableRun | None, choice: Choice) -> CableRow:
    units, sign = result.plan.units, result.plan.prices.currency
    cabled = choice.radio_price is None
    if choice.radio_price is None:
        radio = "would do" if choice.radio_ok else "would not do"
    else:
        included = price(choice.radio_price, sign) if choice.radio_price else "with the sensor"
        radio = included if choice.radio_ok else "below requirement"
    row = CableRow(
        letter(k),
        result.site.controllers.names[k],
        radio,
        "no route" if run is None else price(run.price, sign) + ("" if choice.cable_ok else " if allowed"),
        {"radio": "Radio", "cable": "Cable", "": "No cable" if cabled else "Neither"}[choice.use],
        _why(result, k, run, choice),
    )
    if run is None:
        return row
    return CableRow(
        **{name: getattr(row, name) for name in ("letter", "name", "radio", "cable", "use", "why")},
        length=length(run.length_m, units),
        surfaces=surfaces(run, units),
        wire=wire_sentence(run, units),
    )


def surfaces(run: CableRun, units: Units) -> str:
    """'435 ft along walls, 184 ft lawn or soil, 23 ft up and down'."""
    kinds = [
        f"{length(float(run.surface_m[k]), units)} {name}"
        for k, name in SURFACES.items()
        if run.surface_m[k] >= 0.5
    ]
    kinds.append(f"{length(run.vertical_m, units)} up and down")
    if run.kind == "shortest":
        kinds.append("by the shortest route, because the cheapest would be too long")
    return ", ".join(kinds)


def _why(result: SiteResult, k: int, run: CableRun | None, choice: Choice) -> str:
    cabled = choice.radio_price is None
    long = "there is no route for a cable" if run is None else "the cable would be too long"
    if cabled and choice.use == "cable":
        return "short enough" + ("; a radio sensor would reach it too" if choice.radio_ok else "")
    if cabled:
        return f"{long}: " + ("use a radio sensor instead" if choice.radio_ok else "mount a sensor closer to it")
    if choice.use == "":
        by = {k: place.sign for place in (layout(result) or proposed(result)) for k in place.serves}
        other = f"; {by[k]} serves it in the layout" if k in by else ""
        return f"it needs a repeater, a sensor closer to it, or a radio with more range{other}"
    if choice.use == "radio" and choice.cable_ok:
        return "radio costs less and meets the requirement"
    if choice.use == "cable" and choice.radio_ok:
        return "cable costs less"
    return "the radio link does not meet the requirement" if choice.use == "cable" else long


def cable_sentence(run: CableRun | None, units: Units) -> str:
    """What route a controller's cable takes, and whether its wire is thick enough."""
    if run is None:
        return "No route for a cable: places that are closed to it cut it off."
    return f"By the {run.kind} route. {wire_sentence(run, units)}"


def wire_sentence(run: CableRun, units: Units) -> str:
    """The electrical check in words."""
    w, limit = run.wire, _limit(run.wire.limit, units)
    if run.supplied:
        return "The supplied cable is long enough."
    volts = f", voltage drop {w.drop_v:.2f} V" if w.drop_v else ""
    said = f"{conductor_said(w.wire, units)}: loop resistance {w.loop_ohm:.1f} Ω{volts}"
    if w.ok:
        return f"{said}, within the limit of {limit}."
    if w.over_m:
        return f"{said}. It is longer than the {length(w.over_m, units)} allowed, whatever the conductor."
    if w.instead is None:
        return f"{said}, limit {limit}; no conductor here is thick enough."
    instead = conductor_said(w.instead, units)
    if w.ask_maker:
        return f"{said}, limit {limit}. {instead} meets the limit; confirm with the manufacturer."
    return f"{said}, limit {limit}: use {instead}."


def _limit(limit: LoopLimit | DropLimit, units: Units) -> str:
    if isinstance(limit, DropLimit):
        return f"a drop of {limit.volts:.2f} V of {limit.supply_v:g} V"
    run = f"{length(limit.longest_m, units)} of {limit.wire.name} at {limit.conductor_c:g} °C"
    return f"{limit.ohm:.1f} Ω, that of {run}"


def conductor_said(wire: Conductor, units: Units) -> str:
    """'18 AWG'; its cross-section where people read metric."""
    return f"{wire.area_mm2:.2g} mm²" if units == "metric" else wire.name
