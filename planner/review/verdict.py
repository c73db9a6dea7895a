"""What a log shows: findings with their evidence, each within what the log can tell.

Every look at a log may raise a false alarm; all looks of a season share one budget (`Ask.false_alarms`), and the
questions of one look share its part of it: the level six tenths, a step three, the contrast of clear days one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from planner.readings import Log
from planner.review.asked import Ask
from planner.review.expected import Expected
from planner.review.limits import Limit, mean_spread, normals_spread, robust_day_sd, threshold_z
from planner.site import Bools, Floats

LEVEL_PART, STEP_PART, SHADE_PART = 0.6, 0.3, 0.1
LEAST_DAYS = 5  # judged days under which nothing is said of the level, or on either side of a step
STUCK_DAYS = 6  # the longest run of one percentage in nine daily records' peak months was 5 days, in steps of 1%
DRIFT_SD = 0.02  # of a sound sensor's level within a season
LEARNED_SD = 0.015  # a level that was learned held within 0.5 to 2.3% from year to year
SHADE_DAYS = 90
HOLD_RAIN_MM = 12.7  # a rain that any rain input should have seen
DRY_MM = 1.0
FREEZE_SURE_C = 7.0  # night minimum at which a freeze hold cannot be right
LEAST_EVENTS = 3


class Cause(StrEnum):
    CONSISTENT = "consistent"
    TOO_SHORT = "too short"
    ESTABLISHING = "establishment"
    HIGH = "reads high"
    LOW = "reads low"
    STEP = "step"
    SILENT = "silent"
    SHADE = "shade"
    RAIN_UNSEEN = "rain not seen"
    RAIN_HELD_DRY = "held without rain"
    FREEZE_HELD_WARM = "held without frost"


class Todo(StrEnum):
    NOTHING = "nothing"
    WAIT = "wait"
    ZONE = "zone"
    TRIM = "trim"
    ASK = "ask"
    LINK = "link"
    MOUNT = "mount"
    RAIN_INPUT = "rain input"
    FREEZE_INPUT = "freeze input"


@dataclass(frozen=True)
class Finding:
    """One thing the log shows, over the days from first to last.

    ratio: logged over expected, of a step after over before; before: level before a step; NaN where they do not
    apply. sure: in standard deviations, NaN where a count decides. count: days or events, `of` so many. who: named
    by the log. zone: row of the zone table that would do it, else -1. trim_percent: that would bring it right.
    throughout: over the whole log, not only since a step.
    """

    cause: Cause
    todo: tuple[Todo, ...]
    first: np.datetime64
    last: np.datetime64
    ratio: float = np.nan
    before: float = np.nan
    sure: float = np.nan
    count: int = 0
    of: int = 0
    who: str = ""
    zone: int = -1
    trim_percent: float = np.nan
    throughout: bool = True


@dataclass(frozen=True)
class Review:
    """findings: the first is the verdict. judged (n,): days that the level rests on. limit: said before.
    aside (n,): days before the sensor had settled, or of an establishment. holds_seen: whether the log records
    holds at all. learned: ratio that the log's own earlier part taught, NaN."""

    log: Log
    expected: Expected
    limit: Limit
    findings: tuple[Finding, ...]
    judged: Bools
    residual: Floats
    aside: Bools
    holds_seen: bool
    learned: float

    @property
    def verdict(self) -> Finding:
        return self.findings[0]


def review_log(
    log: Log,
    expected: Expected,
    ask: Ask,
    *,
    peak_mm_day: float,
    zone_peaks_mm_day: Floats | None = None,
) -> Review:
    """Judge a log against its expectation.

    Parameters
    ----------
    log, expected
        Of the same n days.
    ask
        How it is judged.
    peak_mm_day
        The site's peak-month ETo, for the spread about normals.
    zone_peaks_mm_day
        (k,) what 100% stands for in each zone of the table, to name the zone that would explain a level.

    Returns
    -------
    Review
        The limit, the findings, and the days that were judged.
    """
    held = np.array([h != "" for h in log.hold], bool) | (log.percent <= 0)
    set_aside, settling = _establishment(log, ask)
    stuck = _stuck(log, expected, held)
    usable = (
        np.isfinite(log.percent)
        & np.isfinite(expected.percent)
        & ~held
        & (expected.percent > 0)
        & expected.judged
        & ~set_aside
        & ~_at_limit(log, expected, ask)
    )
    free = usable.copy()
    for run in stuck:
        free[run[0] : run[1]] = False
    residual = np.full(len(log), np.nan)
    residual[usable] = np.log(log.percent[usable] / expected.percent[usable])
    learned, constant_sd, free = _learn(log, residual, free, ask)
    taught = learned if np.isfinite(learned) else 1.0
    level = residual - np.log(taught)
    noise = max(ask.noise_sd, robust_day_sd(np.where(free, level, np.nan), ask.trailing))
    findings: list[Finding] = []
    findings += settling
    findings += [_silent(log, run) for run in stuck]
    step = None
    if expected.daily_weather:
        step = _step(log, level, free, noise, ask)
        if step is not None:
            findings.append(step)
    since = free & (log.day >= step.first) if step is not None else free
    limit = _limit(expected, since, noise, constant_sd, ask, peak_mm_day)
    off = _level(log, expected, taught, since, limit, expected.base_mm_day, zone_peaks_mm_day)
    findings += [replace(found, throughout=step is None) for found in off]
    if ask.shade and expected.daily_weather:
        findings += _shade(log, expected, level, free, noise, ask)
    holds_seen = bool(held.any())
    if expected.daily_weather and holds_seen:
        findings += _holds(log, expected, held)
    if not findings or all(f.cause is Cause.ESTABLISHING for f in findings):
        cause = Cause.CONSISTENT if since.sum() >= LEAST_DAYS else Cause.TOO_SHORT
        if not findings or cause is Cause.CONSISTENT:
            todo = Todo.NOTHING if cause is Cause.CONSISTENT else Todo.WAIT
            ratio = float(np.exp(np.mean(level[since]))) if since.any() else np.nan
            findings.append(Finding(cause, (todo,), log.day[0], log.day[-1], ratio=ratio, count=int(since.sum())))
    return Review(log, expected, limit, tuple(findings), since, residual, set_aside, holds_seen, learned)


def _establishment(log: Log, ask: Ask) -> tuple[Bools, list[Finding]]:
    """Days that are not judged yet, and the establishment that the log shows to be running."""
    aside = np.zeros(len(log), bool)
    if ask.settled_from is not None:
        aside |= log.day < ask.settled_from
    found = []
    for first, until, percent in ask.establishment:
        span = (log.day >= first) & (log.day < until)
        known = span & np.isfinite(log.percent)
        if known.any() and np.mean(np.abs(log.percent[known] - percent) <= 1.0) > 0.8:
            aside |= span
            found.append(
                Finding(
                    Cause.ESTABLISHING, (Todo.WAIT,), first, until, count=int(known.sum()), ratio=percent / 100.0
                )
            )
    return aside, found


def _at_limit(log: Log, expected: Expected, ask: Ask) -> Bools:
    """Days at a limit of the percentage, where log and expectation say nothing of each other."""
    top = (log.percent >= ask.highest) | (expected.percent >= ask.highest)
    bottom = (log.percent <= ask.lowest) | (expected.percent <= ask.lowest)
    return np.asarray(top | bottom)


def _runs(values: Floats, among: Bools) -> list[tuple[int, int]]:
    """(first, end) of runs of equal values whose days all are among these."""
    runs, start = [], 0
    for k in range(1, len(values) + 1):
        if k < len(values) and among[k] and among[k - 1] and values[k] == values[k - 1]:
            continue
        if among[start] and k - start > 1:
            runs.append((start, k))
        start = k
    return runs


def _stuck(log: Log, expected: Expected, held: Bools) -> list[tuple[int, int]]:
    """Runs of one percentage that no sound sensor shows, in the peak months and without a hold.

    A log in coarser steps than 1% is counted by itself: three days more than the expectation's own longest run in
    such steps.
    """
    among = expected.peak & np.isfinite(log.percent) & ~held
    longest = STUCK_DAYS - 1
    if log.step_percent > 1.0:
        coarse = np.round(expected.percent / log.step_percent)
        own = _runs(coarse, np.isfinite(coarse) & expected.peak)
        longest = max([longest + 2, *(b - a + 2 for a, b in own)])
    return [run for run in _runs(log.percent, among) if run[1] - run[0] > longest]


def _silent(log: Log, run: tuple[int, int]) -> Finding:
    return Finding(Cause.SILENT, (Todo.LINK,), log.day[run[0]], log.day[run[1] - 1], count=run[1] - run[0])


def _learn(log: Log, residual: Floats, free: Bools, ask: Ask) -> tuple[float, float, Bools]:
    """Ratio that the earlier part teaches, how sure the level then is, and the days left to judge."""
    if ask.learn_until is None:
        return np.nan, ask.constant_sd, free
    early = free & (log.day <= ask.learn_until)
    if early.sum() < 2 * LEAST_DAYS:
        return np.nan, ask.constant_sd, free
    sure = mean_spread(ask.noise_sd, float(early.sum()))
    return (
        float(np.exp(residual[early].mean())),
        float(np.hypot(sure, LEARNED_SD)),
        free & (log.day > ask.learn_until),
    )


def _limit(
    expected: Expected, judged: Bools, noise: float, constant_sd: float, ask: Ask, peak_mm_day: float
) -> Limit:
    days = int(judged.sum())
    z = threshold_z(ask.false_alarms * LEVEL_PART, ask.looks)
    records = ""
    if expected.daily_weather:
        spread = mean_spread(noise, days)
    else:
        spread, records = normals_spread(peak_mm_day, days)
    return Limit(
        days if days >= LEAST_DAYS else 0,
        expected.daily_weather,
        float(np.hypot(spread, constant_sd)),
        constant_sd,
        z,
        records,
    )


def _level(
    log: Log,
    expected: Expected,
    learned: float,
    judged: Bools,
    limit: Limit,
    base_mm_day: float,
    zone_peaks: Floats | None,
) -> list[Finding]:
    if not limit.days:
        return []
    shift = float(np.log(log.percent[judged].sum() / expected.percent[judged].sum() / learned))
    sure = shift / limit.spread
    if abs(sure) <= limit.z:
        return []
    ratio = float(np.exp(shift))
    zone = _zone_that_explains(ratio, base_mm_day, zone_peaks, limit.spread)
    days = log.day[judged]
    todo = (Todo.ZONE, Todo.TRIM) if zone >= 0 else (Todo.TRIM,)
    if ratio < 1.0:
        todo = (*todo, Todo.MOUNT)
    return [
        Finding(
            Cause.HIGH if ratio > 1.0 else Cause.LOW,
            todo,
            days[0],
            days[-1],
            ratio=ratio,
            sure=abs(sure),
            count=limit.days,
            zone=zone,
            trim_percent=100.0 * (1.0 / ratio - 1.0),
        )
    ]


def _zone_that_explains(ratio: float, base_mm_day: float, zone_peaks: Floats | None, spread: float) -> int:
    """Row of the zone whose base would give this level within two spreads; -1 where none would, or the own one."""
    if zone_peaks is None or not len(zone_peaks):
        return -1
    off = np.abs(np.log(zone_peaks * ratio / base_mm_day))
    row = int(np.argmin(off))
    own = int(np.argmin(np.abs(np.log(zone_peaks / base_mm_day))))
    return row if row != own and off[row] <= 2.0 * spread else -1


def _step(log: Log, level: Floats, free: Bools, noise: float, ask: Ask) -> Finding | None:
    """The surest change of level on one date, where it is sure enough."""
    days = np.flatnonzero(free)
    n = len(days)
    if n < 2 * LEAST_DAYS:
        return None
    z = threshold_z(ask.false_alarms * STEP_PART, ask.looks, max(n / LEAST_DAYS, 1.0))
    sums = np.cumsum(level[days])
    first = np.arange(LEAST_DAYS, n - LEAST_DAYS + 1)
    before = sums[first - 1] / first
    after = (sums[-1] - sums[first - 1]) / (n - first)
    one = mean_spread(noise, 1.0)
    spread = np.sqrt(one**2 * (1.0 / first + 1.0 / (n - first)) + 2.0 * DRIFT_SD**2)
    sure = np.abs(after - before) / spread
    best = int(np.argmax(sure))
    if sure[best] <= z:
        return None
    at = days[first[best]]
    return Finding(
        Cause.STEP,
        (Todo.ASK,),
        log.day[at],
        log.day[days[-1]],
        ratio=float(np.exp(after[best] - before[best])),
        before=float(np.exp(before[best])),
        sure=float(sure[best]),
        count=int(n - first[best]),
        who=_who(log, int(at)),
    )


def _who(log: Log, at: int) -> str:
    """Who the log names within three days of a date."""
    near = sorted(range(max(at - 3, 0), min(at + 4, len(log))), key=lambda k: abs(k - at))
    return next((log.who[k] for k in near if log.who[k]), "")


def _shade(log: Log, expected: Expected, level: Floats, free: Bools, noise: float, ask: Ask) -> list[Finding]:
    """Clear days that read low against cloudy ones: what a shade does, whatever the level."""
    known = free & np.isfinite(expected.clearness)
    if known.sum() < SHADE_DAYS:
        return []
    sky = expected.clearness[known]
    low, high = np.quantile(sky, [1 / 3, 2 / 3])
    clear, cloudy = known & (expected.clearness >= high), known & (expected.clearness <= low)
    contrast = float(level[clear].mean() - level[cloudy].mean())
    spread = float(
        np.sqrt(mean_spread(noise, clear.sum()) ** 2 + mean_spread(noise, cloudy.sum()) ** 2 + DRIFT_SD**2)
    )
    sure = -contrast / spread
    if sure <= threshold_z(ask.false_alarms * SHADE_PART, ask.looks):
        return []
    return [
        Finding(
            Cause.SHADE,
            (Todo.MOUNT,),
            log.day[known][0],
            log.day[known][-1],
            ratio=float(np.exp(contrast)),
            sure=sure,
            count=int(known.sum()),
        )
    ]


def _holds(log: Log, expected: Expected, held: Bools) -> list[Finding]:
    """Holds and weather against each other; asked only of logs that record holds, and of three events and more."""
    found = []
    rain = np.nan_to_num(expected.rain_mm)
    known = np.isfinite(expected.rain_mm)
    episodes = _episodes(held)
    kinds = [next((log.hold[k] for k in range(a, b) if log.hold[k]), "rain") for a, b in episodes]
    wet = [
        e
        for e, kind in zip(episodes, kinds, strict=True)
        if kind == "rain" and known[max(e[0] - 2, 0) : e[1]].all()
    ]
    dry = [e for e in wet if rain[max(e[0] - 2, 0) : e[1]].sum() < DRY_MM]
    if len(dry) >= LEAST_EVENTS and len(dry) > len(wet) / 2:
        found.append(
            Finding(
                Cause.RAIN_HELD_DRY,
                (Todo.RAIN_INPUT,),
                log.day[dry[0][0]],
                log.day[dry[-1][1] - 1],
                count=len(dry),
                of=len(wet),
            )
        )
    poured = _episodes(known & (rain >= HOLD_RAIN_MM))
    poured = [e for e in poured if np.isfinite(log.percent[e[0] : e[1] + 2]).any()]
    missed = [e for e in poured if not held[max(e[0] - 1, 0) : e[1] + 2].any()]
    if len(missed) >= LEAST_EVENTS and len(missed) > len(poured) / 2:
        found.append(
            Finding(
                Cause.RAIN_UNSEEN,
                (Todo.RAIN_INPUT,),
                log.day[missed[0][0]],
                log.day[missed[-1][1] - 1],
                count=len(missed),
                of=len(poured),
            )
        )
    cold = [e for e, kind in zip(episodes, kinds, strict=True) if kind == "freeze"]
    warm = [e for e in cold if np.nanmin([np.inf, *expected.t_min_c[max(e[0] - 1, 0) : e[1]]]) > FREEZE_SURE_C]
    warm = [e for e in warm if np.isfinite(expected.t_min_c[max(e[0] - 1, 0) : e[1]]).all()]
    if len(warm) >= 2 and len(warm) > len(cold) / 2:
        found.append(
            Finding(
                Cause.FREEZE_HELD_WARM,
                (Todo.FREEZE_INPUT,),
                log.day[warm[0][0]],
                log.day[warm[-1][1] - 1],
                count=len(warm),
                of=len(cold),
            )
        )
    return found


def _episodes(flags: Bools) -> list[tuple[int, int]]:
    """(first, end) of runs of True."""
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    return list(zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True))


def best_lag(log: Log, by_lag: Sequence[Expected]) -> int:
    """By how many days the log comes after its weather: the lag at which the two move together best.

    Differences of days are compared, which no level moves.

    Parameters
    ----------
    log
        Of n days.
    by_lag
        The expectation by lag 0, 1, ...

    Returns
    -------
    int
        0 where fewer than 15 differences are known.
    """
    spreads = []
    held = np.array([h != "" for h in log.hold], bool) | ~(log.percent > 0)
    for found in by_lag:
        with np.errstate(divide="ignore", invalid="ignore"):
            ln = np.where(held | ~log.written, np.nan, np.log(log.percent / found.percent))
        change = np.diff(ln)[found.judged[1:]]
        change = change[np.isfinite(change)]
        if len(change) < 15:
            return 0
        spreads.append(float(np.median(np.abs(change))))
    return int(np.argmin(spreads))
