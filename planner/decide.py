"""The decision: requirements first, then a score, then reasons a person can repeat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner import plan
from planner.ledger import PlanError, nearest
from planner.mounts import Mounts, compass
from planner.rain import RainResult, windward
from planner.reach import ReachResult, margin
from planner.reach.layouts import Question, fits
from planner.reach.repeaters import Relays, no_relays, sharing
from planner.site import Bools, Floats, Ints
from planner.sun import SunResult
from planner.units import MONTHS, length, odds, percent

APART_M = 30.0  # runners-up stand at least this far from one another: a plan B next to plan A is none
PARTS = ("light", "rain", "reach", "access")
SLACK = 1e-9  # a mount exactly at a limit passes


@dataclass(frozen=True)
class Decision:
    """One row a mount (n).

    requirements: their names (g,); passes: (n, g); shut_by: (n,) every requirement that shut it out, in words with
    its numbers, "" where none did. parts: names of the score's parts (p,); part_scores: (n, p) 0 to 1;
    score: (n,) 0 to 100, NaN where shut out. worst_month: (n,) 0 to 11, the irrigation month that keeps the
    least light. order: rows that pass, best first. chosen: row of the mount taken, -1 where none passes.
    overridden: the plan chose it. runners_up: rows, at least 30 m from one another,
    on other buildings first.
    reasons: (n,) one sentence for the chosen and the runners-up, "" for the others.
    nearest: where none is chosen, row of the place nearest to passing: the fewest requirements failed but reach,
    then the fewest controllers out of reach, then the best parts of the score; else -1. sharing: the question of
    the fewest sensors that reach asks for, over `usable` (k,) rows, those that meet every other requirement; None
    where the plan does not ask for the fewest.
    """

    requirements: tuple[str, ...]
    passes: Bools
    shut_by: tuple[str, ...]
    parts: tuple[str, ...]
    part_scores: Floats
    score: Floats
    worst_month: Ints
    order: tuple[int, ...]
    chosen: int
    overridden: bool
    runners_up: tuple[int, ...]
    reasons: tuple[str, ...]
    nearest: int = -1
    usable: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    sharing: Question | None = None


@dataclass(frozen=True)
class _Facts:
    """What the requirements, the score and the sentences all draw on; one row a mount (n).

    light, worst_month: least share of light kept in the season, and when. direct_h, short_month: direct sun in
    the month that falls shortest of what is asked, and when; wanted_h (12,): what is asked.
    room (n, m): margin to each controller; room_that_counts, room_score (n,): what the requirement and the score
    take. reach_judged: there is something to reach.
    """

    settings: plan.Plan
    mounts: Mounts
    rain: RainResult
    reached: ReachResult
    light: Floats
    worst_month: Ints
    direct_h: Floats
    short_month: Ints
    wanted_h: Floats
    room: Floats
    room_that_counts: Floats
    room_score: Floats
    reach_judged: bool


def decide(
    settings: plan.Plan,
    mounts: Mounts,
    sun: SunResult,
    rain: RainResult,
    reached: ReachResult,
    season: Bools,
    relays: Relays | None = None,
    among: Question | None = None,
) -> Decision:
    """Judge every mount; season: (12,) months that irrigation runs; relays: repeaters that may be used.

    among: for trials, which are not all the candidates: the question whose best plans they must fit in, where the
    plan asks for the fewest sensors.
    Raises PlanError where `mounts.choose` names no candidate.
    """
    facts = _facts(settings, mounts, sun, rain, reached, season)
    others = _requirements(facts)
    usable = np.flatnonzero(np.column_stack([requirement.passes for requirement in others]).all(axis=1))
    relays = relays if relays is not None else no_relays(*facts.room.shape)
    fewest = facts.reach_judged and settings.requirements.reach == "fewest"
    asked = (among if among is not None else sharing(settings, reached, relays, usable)) if fewest else None
    requirements = (*others, _in_reach(facts, usable, relays, asked))
    n = len(mounts)
    passes = np.column_stack([requirement.passes for requirement in requirements]).reshape(n, len(requirements))
    shut_by = tuple("; ".join(why for why in _whys(requirements, k) if why) for k in range(n))
    part_scores = _part_scores(facts)
    w = settings.weights
    weight = np.array([w.light, w.rain, w.reach * facts.reach_judged, w.access])
    score = np.where(passes.all(axis=1), 100.0 * (part_scores @ weight) / max(weight.sum(), 1e-9), np.nan)
    order = tuple(int(k) for k in np.argsort(-score, kind="stable") if np.isfinite(score[k]))
    wanted = settings.mounts.choose
    chosen = _row_of(wanted, mounts, settings.mounts.named) if wanted else (order[0] if order else -1)
    out_of_reach = (facts.room < 0).sum(axis=1) * facts.reach_judged
    nearest = _nearest(passes, out_of_reach, part_scores) if chosen < 0 else -1
    runners = _spread_out(order, mounts, chosen, settings.outputs.runners_up)
    reasons = [""] * n
    for k in {chosen, *runners} - {-1}:
        despite = f"Chosen in the plan although shut out ({shut_by[k]}). " if shut_by[k] else ""
        reasons[k] = despite + _sentence(facts, k)
    return Decision(
        tuple(requirement.name for requirement in requirements),
        passes,
        shut_by,
        PARTS,
        part_scores,
        score,
        facts.worst_month,
        order,
        chosen,
        bool(wanted),
        runners,
        tuple(reasons),
        nearest,
        usable,
        asked,
    )


def _whys(requirements: Sequence[_Requirement], k: int) -> list[str]:
    """What each requirement that shuts mount k out says; '' where another has said it."""
    return [requirement.why(k) for requirement in requirements if not requirement.passes[k]]


def _nearest(passes: Bools, out_of_reach: Ints, part_scores: Floats) -> int:
    """Row nearest to passing; -1 where there is no mount. out_of_reach: (n,) controllers."""
    if not len(passes):
        return -1
    failed = (~passes[:, :-1]).sum(axis=1)  # reach is the last requirement
    return int(np.lexsort((-part_scores.sum(axis=1), out_of_reach, failed))[0])


def got_at(settings: plan.Plan, mounts: Mounts, rain: RainResult) -> Bools:
    """(n,) mounts that one may go to and service, whatever their sun."""
    return np.asarray((rain.no_access_m > 0) & (mounts.height_m <= settings.requirements.max_height_m + SLACK))


def _facts(
    settings: plan.Plan, mounts: Mounts, sun: SunResult, rain: RainResult, reached: ReachResult, season: Bools
) -> _Facts:
    rows = np.arange(len(mounts))
    worst = np.where(season, sun.light_share, np.inf).argmin(axis=1)
    # a winter month may be too short for the hours asked: then nine tenths of what the open sky gives
    wanted_h = np.minimum(settings.requirements.min_direct_h_day, 0.9 * sun.open_direct_h)
    short = np.where(season, sun.direct_h - wanted_h, np.inf).argmin(axis=1)
    judged = reached.distance_m.shape[1] > 0 and settings.requirements.reach != "off"
    room = margin(reached, settings.sensor)
    counts = room_score = np.ones(len(mounts))
    if judged and settings.requirements.reach == "every":
        counts = room.min(axis=1)
        room_score = np.clip(counts, 0, 1)
    elif judged:  # others may be served from elsewhere; the more that this one serves, the better
        counts, room_score = room.max(axis=1), np.clip(room, 0, 1).mean(axis=1)
    return _Facts(
        settings,
        mounts,
        rain,
        reached,
        sun.light_share[rows, worst],
        worst,
        sun.direct_h[rows, short],
        short,
        wanted_h,
        room,
        counts,
        room_score,
        judged,
    )


@dataclass(frozen=True)
class _Requirement:
    """name; passes: (n,); why(k): how mount k fails, in words with the number."""

    name: str
    passes: Bools
    words: str
    values: tuple[Sequence[object] | NDArray[Any], ...] = ()

    def why(self, k: int) -> str:
        return self.words.format(*(value[k] for value in self.values))


def _requirements(f: _Facts) -> tuple[_Requirement, ...]:
    """Every requirement but reach with its verdict on all mounts, in the order in which a person would ask."""
    requirements, units, rain, height = f.settings.requirements, f.settings.units, f.rain, f.mounts.height_m

    def lengths(values_m: Floats, digits: int = 1) -> list[str]:
        return [length(v, units, digits) for v in values_m]

    sprayed = ((rain.spray_m < requirements.min_spray_margin_m) | (rain.spray_m <= 0)) & (
        height < requirements.max_spray_height_m
    )
    months = np.array(MONTHS, object)
    dripped = rain.drip_m < requirements.min_drip_margin_m - SLACK
    overhead = [
        f"{cover} hangs over it" if cover else f"the eave of {eave}, {away} beside it, drips on it"
        for cover, eave, away in zip(rain.cover_name, rain.drip_name, lengths(rain.drip_m), strict=True)
    ]
    open_to_rain, closed_by = _open_to_rain(f)
    return (
        _Requirement(
            "allowed place",
            rain.no_access_m > 0,
            "inside {}, where nobody may go",
            (rain.no_access_name,),
        ),
        _Requirement("nothing overhead", ~rain.covered & ~dripped, "{}", (overhead,)),
        _Requirement(
            "clear of spray",
            ~sprayed,
            "{} from the spray of {}, only {} above ground",
            (lengths(rain.spray_m), rain.spray_name, lengths(height)),
        ),
        _Requirement(
            "clear of heat",
            (rain.heat_m >= requirements.min_heat_margin_m - SLACK) & (rain.heat_m > 0),
            f"{{}} from the heat of {{}}, at least {length(requirements.min_heat_margin_m, units, 1)} asked",
            (lengths(rain.heat_m), rain.heat_name),
        ),
        _Requirement(
            "can be serviced",
            height <= requirements.max_height_m + SLACK,
            f"head {{}} above ground, over the {length(requirements.max_height_m, units)} that can be serviced",
            (lengths(height, 0),),
        ),
        _Requirement("open to rain", open_to_rain, "{}", (closed_by,)),
        _Requirement(
            "full sun",
            f.direct_h >= f.wanted_h[f.short_month] - SLACK,
            "{:.1f} h of direct sun a day in {}, {:.1f} h asked",
            (f.direct_h, months[f.short_month], f.wanted_h[f.short_month]),
        ),
        _Requirement(
            "light kept",
            f.light >= requirements.min_light_share - SLACK,
            f"keeps {{:.0%}} of the light in {{}}, {requirements.min_light_share:.0%} asked",
            (f.light, months[f.worst_month]),
        ),
    )


def _open_to_rain(f: _Facts) -> tuple[Bools, list[str]]:
    """Whether each mount is open to rain, and what closes it, in words: from above, and from windward if asked."""
    requirements, rain = f.settings.requirements, f.rain
    passes = rain.steepest_deg <= requirements.max_rain_angle_deg + SLACK
    closed_by = [
        ""  # what hangs over it is the matter of another requirement
        if covered
        else f"{name or 'an obstacle'} stands {deg:.0f}° high, at most {requirements.max_rain_angle_deg:.0f}° asked"
        for name, deg, covered in zip(rain.steepest_name, rain.steepest_deg, rain.covered, strict=True)
    ]
    from_deg = f.settings.climate.rain_from_deg
    if from_deg is None or not len(passes):
        return passes, closed_by
    steep, sector = windward(rain, from_deg)
    driven = steep <= requirements.max_windward_angle_deg + SLACK
    of = rain.sector_obstacle[np.arange(len(sector)), sector]
    for k in np.flatnonzero(passes & ~driven):
        name = rain.obstacles[of[k]] if of[k] >= 0 else "an obstacle"
        closed_by[k] = (
            f"{name} stands {steep[k]:.0f}° high where wind-driven rain comes from, "
            f"at most {requirements.max_windward_angle_deg:g}° asked"
        )
    return passes & driven, closed_by


def _in_reach(f: _Facts, usable: Ints, relays: Relays, asked: Question | None) -> _Requirement:
    """The last one: what `requirements.reach` asks. Of fewest sensors only those that meet the others count."""
    passes = f.room_that_counts >= -SLACK
    words = np.array([_out_of_reach(room) for room in f.room], object)
    if asked is not None:
        passes = np.zeros(len(f.mounts), bool)
        price = f.settings.prices.sensor
        passes[usable] = fits(asked, f.room[usable] >= 0, relays.feed[usable], price)
        words += "; no plan of the fewest sensors uses it"
    return _Requirement("in reach", passes, "{}", (words,))


def _out_of_reach(room: Floats) -> str:
    """'2 of 5 controllers out of reach, 1 of them with no route for a cable'."""
    out, shut, m = int((room < 0).sum()), int(np.isneginf(room).sum()), len(room)
    if m == 1:
        return (
            "no route for a cable to the controller"
            if shut
            else f"the controller is {'out of' if out else 'in'} reach"
        )
    none = (
        ""
        if not shut
        else ", with no route for a cable"
        if shut == out
        else f", {shut} of them with no route for a cable"
    )
    return f"{out} of {m} controllers out of reach{none}"


def _part_scores(f: _Facts) -> Floats:
    """(n, 4) parts of the score, each 0 at its requirement's limit and 1 at the best there can be."""
    requirements = f.settings.requirements
    return np.column_stack(
        [
            np.clip((f.light - requirements.min_light_share) / max(1.0 - requirements.min_light_share, 1e-9), 0, 1),
            1.0 - np.clip(f.rain.steepest_deg / requirements.max_rain_angle_deg, 0, 1),
            f.room_score,
            1.0 - np.clip(f.mounts.height_m / requirements.max_height_m, 0, 1),
        ]
    ).reshape(len(f.mounts), len(PARTS))


def _row_of(wanted: str, mounts: Mounts, named: Sequence[plan.NamedMount]) -> int:
    """Row of the mount that the plan chose, by id or by the name given in the plan."""
    by_name = {point.name: f"N{k + 1}" for k, point in enumerate(named)}
    label = by_name.get(wanted, wanted)
    if label not in mounts.ids:
        raise PlanError(
            "mounts.choose",
            f"there is no candidate '{wanted}' among the {len(mounts)} of this plan",
            "Take an id from mounts.csv or a name from [[mounts.named]]; "
            + nearest(wanted, (*by_name, *mounts.ids))[:200],
        )
    return mounts.ids.index(label)


def _spread_out(order: tuple[int, ...], mounts: Mounts, chosen: int, count: int) -> tuple[int, ...]:
    """The best others: each APART_M from the chosen one and from one another, other buildings first."""
    runners: list[int] = []
    for other_building in (True, False):
        for k in order:
            taken = [*([chosen] if chosen >= 0 else []), *runners]
            if len(runners) == count:
                return tuple(runners)
            if k in taken or any(np.hypot(*(mounts.xyz[k] - mounts.xyz[t])[:2]) < APART_M for t in taken):
                continue
            built = int(mounts.building[k])
            if not (other_building and built >= 0 and built in {int(mounts.building[t]) for t in taken}):
                runners.append(k)
    return tuple(runners)


def _sentence(f: _Facts, k: int) -> str:
    """Why this mount, in one sentence that a person can repeat."""
    units, steepest = f.settings.units, f.rain.steepest_deg[k]
    said = [
        f"keeps {percent(f.light[k])} of the open sky's light in its worst irrigation month, "
        f"{MONTHS[f.worst_month[k]]}",
        f"{f.direct_h[k]:.1f} h of direct sun on a clear day in {MONTHS[f.short_month[k]]}",
        f"{f.rain.cover_name[k]} hangs over it"
        if f.rain.covered[k]
        else f"the steepest thing seen is {f.rain.steepest_name[k]} in the "
        f"{compass(f.rain.steepest_azimuth_deg[k])}, {steepest:.0f}° high"
        if steepest >= 1
        else "nothing stands above it",
        f"the head is {length(f.mounts.height_m[k], units)} above ground",
    ]
    if f.reach_judged:
        if f.settings.sensor.link == "cable":
            said.append(_cable_said(f, k))
        else:
            among, whole = weighed(f.room[k], f.settings.requirements.reach)
            weak, links = int(among[f.room[k, among].argmin()]), f.reached.links
            which = "the weakest link" if whole else f"{_of_those(len(among))} the weakest link"
            said.append(
                f"{which}, {length(f.reached.distance_m[k, weak], units)} long, has "
                f"{links.margin_db[k, weak]:.0f} ± {links.spread_db[k, weak]:.0f} dB to spare and holds with "
                f"{odds(links.probability[k, weak])}"
            )
    sentence = ", ".join(said[:-1]) + f", and {said[-1]}."
    return sentence[0].upper() + sentence[1:]


def weighed(room: Floats, rule: str) -> tuple[Ints, bool]:
    """Controllers whose links a mount is judged by, and whether these are all: where others may serve the rest,
    those that it serves itself."""
    served = np.flatnonzero(room >= 0)
    whole = rule == "every" or not len(served) or len(served) == len(room)
    return (np.arange(len(room)) if whole else served), whole


def _of_those(count: int) -> str:
    return f"of the {count} controllers it reaches" if count > 1 else "of the one controller it reaches"


def _cable_said(f: _Facts, k: int) -> str:
    """The longest cable, in words."""
    among, whole = weighed(f.room[k], f.settings.requirements.reach)
    metres = f.reached.cable_m[k, among]
    if not np.isfinite(metres).all():
        shut = int((~np.isfinite(metres)).sum())
        m = f.room.shape[1]
        return f"no cable reaches {'the controller' if m == 1 else f'{shut} of {m} controllers'}"
    which = "" if whole else f"{_of_those(len(among))} "
    return f"{which}the longest cable is {length(float(metres.max()), f.settings.units)} along its route"
