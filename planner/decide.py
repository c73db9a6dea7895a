"""The decision: requirements first, then a score. In codes and numbers; `show` makes the sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from planner.ledger import PlanError, nearest
from planner.mounts import Mounts
from planner.plan import NamedMount, Plan
from planner.rain import RainResult, windward
from planner.reach import ReachResult
from planner.reach.bill import place_prices
from planner.reach.layouts import Question, fits
from planner.reach.repeaters import Relays, no_relays, sharing
from planner.records import compared
from planner.site import Bools, Floats, Ints
from planner.sun import SunResult

APART_M = 30.0  # runners-up stand at least this far from one another: a plan B next to plan A is none
SLACK = 1e-9  # a mount exactly at a limit passes


class Requirement(StrEnum):
    """What every mount is asked, in the order in which a person would ask."""

    ALLOWED_PLACE = "allowed_place"
    NOTHING_OVERHEAD = "nothing_overhead"
    CLEAR_OF_SPRAY = "clear_of_spray"
    CLEAR_OF_HEAT = "clear_of_heat"
    SERVICEABLE = "serviceable"
    OPEN_TO_RAIN = "open_to_rain"
    FULL_SUN = "full_sun"
    LIGHT_KEPT = "light_kept"
    IN_REACH = "in_reach"


class Part(StrEnum):
    """A part of the score; its weight stands in the plan under the same name."""

    LIGHT = "light"
    RAIN = "rain"
    REACH = "reach"
    ACCESS = "access"


class Cause(StrEnum):
    """How a requirement is failed; in parentheses what value and limit of the `Shortfall` are."""

    NO_ACCESS = "no_access"
    COVER = "cover"
    DRIP = "drip"  # (m beside the eave, m)
    SPRAY = "spray"  # (m, m)
    HEAT = "heat"  # (m, m)
    HEIGHT = "height"  # (m above ground, m)
    STEEP = "steep"  # (degrees, degrees)
    STEEP_WINDWARD = "steep_windward"  # (degrees, degrees)
    SHORT_SUN = "short_sun"  # (hours a day in `month`, hours)
    DARK = "dark"  # (share of the open sky's light in `month`, share)
    OUT_OF_REACH = "out_of_reach"  # (controllers out of reach, controllers that may be)
    NOT_IN_LAYOUT = "not_in_layout"  # of the fewest sensors (controllers out of reach, controllers that may be)


class Verdict(StrEnum):
    CHOSEN = "chosen"
    RUNNER_UP = "runner_up"
    PASSES = "passes"
    RULED_OUT = "ruled_out"


@dataclass(frozen=True)
class Shortfall:
    """Why a requirement rules a mount out.

    value, limit: in the unit that `Cause` states, NaN where it has none; obstacle: the name of what is in the
    way, "" where there is none; month: 0 to 11, -1 where the requirement has none.
    """

    requirement: Requirement
    cause: Cause
    value: float = np.nan
    limit: float = np.nan
    obstacle: str = ""
    month: int = -1


@compared
@dataclass(frozen=True)
class Decision:
    """One row a mount (n).

    requirements (g,); passes: (n, g); lacking: (n, g) 0 to 1, the share of what is required that is missing,
    0 where it passes. shortfalls: (n,) why it is ruled out, in the order of the requirements, none where it is
    not. parts (p,) of the score; part_scores: (n, p) 0 to 1; worth: (n,) 0 to 1, these by
    their weights; score: (n,) 0 to 100, NaN where ruled out.
    worst_month: (n,) 0 to 11, the irrigation month that receives the least light; short_month: (n,) the one
    whose direct sun falls shortest of wanted_h (12,), hours a day. reach_judged: there is something to reach.
    order: rows that pass, best first. chosen: row of the mount taken, -1 where none passes. overridden: the plan
    chose it. runners_up: rows, at least 30 m from one another, on other buildings first.
    nearest: where none is chosen, row of the place nearest to passing: the least lacking over all requirements,
    then the best parts of the score; else -1. sharing: the question of the fewest sensors that reach asks for,
    over `usable` (k,) rows, those that meet every other requirement; None where the plan does not ask for the
    fewest.
    """

    requirements: tuple[Requirement, ...]
    passes: Bools
    lacking: Floats
    shortfalls: tuple[tuple[Shortfall, ...], ...]
    parts: tuple[Part, ...]
    part_scores: Floats
    worth: Floats
    score: Floats
    worst_month: Ints
    short_month: Ints
    wanted_h: Floats
    reach_judged: bool
    order: tuple[int, ...]
    chosen: int
    overridden: bool
    runners_up: tuple[int, ...]
    nearest: int = -1
    usable: Ints = field(default_factory=lambda: np.empty(0, np.int64))
    sharing: Question | None = None

    @property
    def passing(self) -> list[bool]:
        """(n,) whether each mount meets every requirement."""
        return [not short for short in self.shortfalls]

    def verdict(self, row: int) -> Verdict:
        if row == self.chosen:
            return Verdict.CHOSEN
        if row in self.runners_up:
            return Verdict.RUNNER_UP
        return Verdict.RULED_OUT if self.shortfalls[row] else Verdict.PASSES

    def ruled_out_by(self) -> dict[Requirement, int]:
        """How many mounts each requirement rules out."""
        return dict(zip(self.requirements, map(int, (~self.passes).sum(axis=0)), strict=True))


@dataclass(frozen=True)
class _Facts:
    """What the requirements and the score both draw on; one row a mount (n).

    light, worst_month: least share of light kept in the season, and when. direct_h, short_month: direct sun in
    the month that falls shortest of what is asked, and when; wanted_h (12,): what is asked.
    room (n, m): margin to each controller; room_that_counts, room_score (n,): what the requirement and the score
    take. reach_judged: there is something to reach.
    """

    plan: Plan
    mounts: Mounts
    rain: RainResult
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
    plan: Plan,
    mounts: Mounts,
    sun: SunResult,
    rain: RainResult,
    reached: ReachResult,
    season: Bools,
    relays: Relays | None = None,
    among: Question | None = None,
) -> Decision:
    """Judge every mount: requirements first, then a score.

    Parameters
    ----------
    plan
        Its requirements, weights, prices, and the mount that it may choose.
    mounts
        n of them.
    sun, rain, reached
        What was found at these mounts.
    season
        (12,) months that irrigation runs.
    relays
        Repeaters that may be used; none unless given.
    among
        For trials, which are not all the candidates: the question whose best layouts they must fit in, where the
        plan asks for the fewest sensors.

    Returns
    -------
    Decision
        Verdicts and scores (n,), and the rows that come first.

    Raises
    ------
    PlanError
        `mounts.choose` names no candidate.
    """
    facts = _facts(plan, mounts, sun, rain, reached, season)
    others = _judged(facts)
    usable = np.flatnonzero(np.column_stack([judged.passes for judged in others]).all(axis=1))
    relays = relays if relays is not None else no_relays(*facts.room.shape)
    fewest = facts.reach_judged and plan.requirements.reach == "fewest"
    if fewest and among is None:
        among = sharing(plan, reached, relays, usable, price=place_prices(plan.prices, mounts))
    asked = among if fewest else None
    every = (*others, _in_reach(facts, usable, relays, asked))
    n = len(mounts)
    passes = np.column_stack([judged.passes for judged in every]).reshape(n, len(every))
    part_scores = _part_scores(facts)
    w = plan.weights
    weight = np.array([w.light, w.rain, w.reach * facts.reach_judged, w.access])
    worth = part_scores @ weight / max(weight.sum(), 1e-9)
    score = np.where(passes.all(axis=1), 100.0 * worth, np.nan)
    order = tuple(int(k) for k in np.argsort(-score, kind="stable") if np.isfinite(score[k]))
    wanted = plan.mounts.choose
    chosen = _row_of(wanted, mounts, plan.mounts.named) if wanted else (order[0] if order else -1)
    lacking = np.column_stack([judged.lacking for judged in every]).reshape(n, len(every))
    lacking = np.where(passes, 0.0, np.clip(np.nan_to_num(lacking, nan=1.0), 0.0, 1.0))
    return Decision(
        requirements=tuple(judged.requirement for judged in every),
        passes=passes,
        lacking=lacking,
        shortfalls=tuple(tuple(judged.shortfall(k) for judged in every if not judged.passes[k]) for k in range(n)),
        parts=tuple(Part),
        part_scores=part_scores,
        worth=worth,
        score=score,
        worst_month=facts.worst_month,
        short_month=facts.short_month,
        wanted_h=facts.wanted_h,
        reach_judged=facts.reach_judged,
        order=order,
        chosen=chosen,
        overridden=bool(wanted),
        runners_up=_spread_out(order, mounts, chosen, plan.outputs.runners_up),
        nearest=int(np.lexsort((-part_scores.sum(axis=1), lacking.sum(axis=1)))[0]) if chosen < 0 and n else -1,
        usable=usable,
        sharing=asked,
    )


def got_at(plan: Plan, mounts: Mounts, rain: RainResult) -> Bools:
    """Mounts that one may go to and service, whatever their sun.

    Parameters
    ----------
    plan
        How high a mount may be.
    mounts, rain
        The mounts (n), and what lies around them.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return np.asarray((rain.no_access_m > 0) & (mounts.height_m <= plan.requirements.max_height_m + SLACK))


def _facts(
    plan: Plan, mounts: Mounts, sun: SunResult, rain: RainResult, reached: ReachResult, season: Bools
) -> _Facts:
    rows = np.arange(len(mounts))
    worst = np.where(season, sun.light_share, np.inf).argmin(axis=1)
    # a winter month may be too short for the hours asked: then nine tenths of what the open sky gives
    wanted_h = np.minimum(plan.requirements.min_direct_h_day, 0.9 * sun.open_direct_h)
    short = np.where(season, sun.direct_h - wanted_h, np.inf).argmin(axis=1)
    judged = reached.distance_m.shape[1] > 0 and plan.requirements.reach != "off"
    room = reached.room
    counts = room_score = np.ones(len(mounts))
    if judged and plan.requirements.reach == "every":
        counts = room.min(axis=1)
        room_score = np.clip(counts, 0, 1)
    elif judged:  # others may be served from elsewhere; the more that this one serves, the better
        counts, room_score = room.max(axis=1), np.clip(room, 0, 1).mean(axis=1)
    return _Facts(
        plan,
        mounts,
        rain,
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
class _Judged:
    """A requirement with its verdict on all mounts, and what a shortfall of mount k consists of (n, each)."""

    requirement: Requirement
    passes: Bools
    lacking: Floats
    cause: Sequence[Cause]
    value: Floats
    limit: Floats
    obstacle: Sequence[str]
    month: Ints

    def shortfall(self, k: int) -> Shortfall:
        return Shortfall(
            self.requirement,
            self.cause[k],
            float(self.value[k]),
            float(self.limit[k]),
            self.obstacle[k],
            int(self.month[k]),
        )


def _judge(
    requirement: Requirement,
    passes: Bools,
    lacking: Floats | float,
    cause: Cause | Sequence[Cause],
    value: Floats | float = np.nan,
    limit: Floats | float = np.nan,
    obstacle: Sequence[str] = (),
    month: Ints | int = -1,
) -> _Judged:
    """One value for all mounts is spread over them."""
    n = len(passes)
    return _Judged(
        requirement,
        np.asarray(passes, bool),
        np.broadcast_to(np.asarray(lacking, float), n),
        [cause] * n if isinstance(cause, Cause) else cause,
        np.broadcast_to(np.asarray(value, float), n),
        np.broadcast_to(np.asarray(limit, float), n),
        obstacle or [""] * n,
        np.broadcast_to(np.asarray(month, np.int64), n),
    )


def _under(value: Floats, limit: Floats | float) -> Floats:
    """How far a value stays under what is asked, as a share of it; all of it where it is zero or less."""
    return np.asarray(np.where(value > 0, 1.0 - value / np.maximum(limit, 1e-9), 1.0))


def _over(value: Floats, limit: Floats | float) -> Floats:
    """How far a value is over what is allowed, as a share of it."""
    return np.asarray(value / limit - 1.0)


def _judged(f: _Facts) -> tuple[_Judged, ...]:
    """Every requirement but reach."""
    asked, rain, height_m = f.plan.requirements, f.rain, f.mounts.height_m
    near = (rain.spray_m < asked.min_spray_margin_m) | (rain.spray_m <= 0)
    dripped = rain.drip_m < asked.min_drip_margin_m - SLACK
    return (
        _judge(
            Requirement.ALLOWED_PLACE,
            rain.no_access_m > 0,
            1.0,
            Cause.NO_ACCESS,
            obstacle=rain.no_access_name,
        ),
        _judge(
            Requirement.NOTHING_OVERHEAD,
            ~rain.covered & ~dripped,
            np.where(rain.covered, 1.0, _under(rain.drip_m, asked.min_drip_margin_m)),
            [Cause.COVER if covered else Cause.DRIP for covered in rain.covered],
            np.where(rain.covered, np.nan, rain.drip_m),
            np.where(rain.covered, np.nan, asked.min_drip_margin_m),
            [cover or eave for cover, eave in zip(rain.cover_name, rain.drip_name, strict=True)],
        ),
        _judge(
            Requirement.CLEAR_OF_SPRAY,
            ~(near & (height_m < asked.max_spray_height_m)),
            np.minimum(  # it may go aside, or up
                _under(rain.spray_m, asked.min_spray_margin_m), _under(height_m, asked.max_spray_height_m)
            ),
            Cause.SPRAY,
            rain.spray_m,
            asked.min_spray_margin_m,
            rain.spray_name,
        ),
        _judge(
            Requirement.CLEAR_OF_HEAT,
            (rain.heat_m >= asked.min_heat_margin_m - SLACK) & (rain.heat_m > 0),
            _under(rain.heat_m, asked.min_heat_margin_m),
            Cause.HEAT,
            rain.heat_m,
            asked.min_heat_margin_m,
            rain.heat_name,
        ),
        _judge(
            Requirement.SERVICEABLE,
            height_m <= asked.max_height_m + SLACK,
            _over(height_m, asked.max_height_m),
            Cause.HEIGHT,
            height_m,
            asked.max_height_m,
        ),
        _open_to_rain(f),
        _judge(
            Requirement.FULL_SUN,
            f.direct_h >= f.wanted_h[f.short_month] - SLACK,
            _under(f.direct_h, f.wanted_h[f.short_month]),
            Cause.SHORT_SUN,
            f.direct_h,
            f.wanted_h[f.short_month],
            month=f.short_month,
        ),
        _judge(
            Requirement.LIGHT_KEPT,
            f.light >= asked.min_light_share - SLACK,
            _under(f.light, asked.min_light_share),
            Cause.DARK,
            f.light,
            asked.min_light_share,
            month=f.worst_month,
        ),
    )


def _open_to_rain(f: _Facts) -> _Judged:
    """Whether each mount is open to rain, and what closes it: from above, and from windward if asked."""
    asked, rain = f.plan.requirements, f.rain
    n = len(f.mounts)
    still = rain.steepest_deg <= asked.max_rain_angle_deg + SLACK
    lacking = _over(rain.steepest_deg, asked.max_rain_angle_deg)
    # what hangs over it stands 90 degrees high, and has no other name here
    cause = [Cause.COVER if covered else Cause.STEEP for covered in rain.covered]
    value, limit = rain.steepest_deg.astype(float), np.full(n, asked.max_rain_angle_deg)
    by = list(rain.steepest_name)
    from_deg = f.plan.climate.rain_from_deg
    if from_deg is None or not n:
        return _judge(Requirement.OPEN_TO_RAIN, still, lacking, cause, value, limit, by)
    steep, sector = windward(rain, from_deg)
    driven = steep <= asked.max_windward_angle_deg + SLACK
    of = rain.sector_obstacle[np.arange(n), sector]
    for k in np.flatnonzero(still & ~driven):
        cause[k], value[k], limit[k] = Cause.STEEP_WINDWARD, steep[k], asked.max_windward_angle_deg
        by[k] = rain.obstacles[of[k]] if of[k] >= 0 else ""
    lacking = np.maximum(lacking, _over(steep, asked.max_windward_angle_deg))
    return _judge(Requirement.OPEN_TO_RAIN, still & driven, lacking, cause, value, limit, by)


def _in_reach(f: _Facts, usable: Ints, relays: Relays, asked: Question | None) -> _Judged:
    """The last one: what `requirements.reach` asks. Of fewest sensors only those that meet the others count."""
    passes = f.room_that_counts >= -SLACK
    n, m = f.room.shape
    out, cause, may_be_out = (f.room < 0).sum(axis=1), Cause.OUT_OF_REACH, 0
    if asked is not None:
        passes = np.zeros(n, bool)
        price = place_prices(f.plan.prices, f.mounts)[usable]
        passes[usable] = fits(asked, f.room[usable] >= 0, relays.feed[usable], price)
        cause = Cause.NOT_IN_LAYOUT
    missing = np.clip(-f.room, 0.0, 1.0)
    if f.plan.requirements.reach == "any":
        may_be_out = m - 1
        lacking = missing.min(axis=1, initial=1.0)
    else:
        lacking = missing.mean(axis=1) if m else np.zeros(n)
    return _judge(Requirement.IN_REACH, passes, lacking, cause, out.astype(float), float(may_be_out))


def _part_scores(f: _Facts) -> Floats:
    """(n, 4) parts of the score, each 0 at its requirement's limit and 1 at the best there can be."""
    asked = f.plan.requirements
    return np.column_stack(
        [
            np.clip((f.light - asked.min_light_share) / max(1.0 - asked.min_light_share, 1e-9), 0, 1),
            1.0 - np.clip(f.rain.steepest_deg / asked.max_rain_angle_deg, 0, 1),
            f.room_score,
            1.0 - np.clip(f.mounts.height_m / asked.max_height_m, 0, 1),
        ]
    ).reshape(len(f.mounts), len(Part))


def _row_of(wanted: str, mounts: Mounts, named: Sequence[NamedMount]) -> int:
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


def weighed(room: Floats, rule: str) -> tuple[Ints, bool]:
    """Controllers whose links a mount is judged by, and whether these are all: where others may serve the rest,
    those that it serves itself."""
    served = np.flatnonzero(room >= 0)
    whole = rule == "every" or not len(served) or len(served) == len(room)
    return (np.arange(len(room)) if whole else served), whole


def substitutes(
    places: Sequence[int], order: Sequence[int], holds: Bools, feeds: Bools, xyz: Floats
) -> dict[int, int]:
    """For each place of a layout the best other one with which every controller stays served.

    Parameters
    ----------
    places
        Rows of the layout's mounts.
    order
        Rows that pass, best first.
    holds
        (n, m) mount reaches controller.
    feeds
        (n, r) mount feeds a repeater of the layout.
    xyz
        (n, 3) heads: a substitute stands APART_M from every place of the layout.

    Returns
    -------
    dict of int to int
        A row for each place, -1 where there is none.
    """
    needs = np.hstack([holds, feeds])
    apart = [k for k in order if all(np.hypot(*(xyz[k] - xyz[p])[:2]) >= APART_M for p in places)]
    found = {}
    for place in places:
        others = [p for p in places if p != place]
        alone = needs[place] & ~needs[others].any(axis=0)
        found[place] = next((k for k in apart if needs[k][alone].all()), -1)
    return found
