"""What a log can show, what it shows and what it cannot tell, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.review.limits import Limit
from planner.review.verdict import Cause, Finding, Todo
from planner.show.say.programme import day
from planner.units import eto, fixed

if TYPE_CHECKING:
    from planner.upkeep import ReviewResult

UNSEEN = "A log cannot stand in for the shade survey: a loss of 5% of the sun is never seen in it."
NEXT_STEPS = {
    Todo.NOTHING: "Nothing to change. Look again next month in season.",
    Todo.WAIT: "Wait until there are more days to judge, and look again.",
    Todo.ZONE: "Check the zone that is set at the controller against the programming sheet.",
    Todo.TRIM: "If the zone is right and the whole site is too wet or too dry, trim the whole controller. If "
    "only some stations are, correct the base run times of those stations and leave the controller alone.",
    Todo.ASK: "Ask who changed the controller around that day, and why, before changing it back.",
    Todo.LINK: "Check that the sensor itself reports: its power or battery, its link, and its receiver.",
    Todo.MOUNT: "Look at the mount: something new that shades the sensor, dirt on it, or a sensor out of level.",
    Todo.RAIN_INPUT: "Trip the rain input by hand and look for the hold at the controller.",
    Todo.FREEZE_INPUT: "Check the freeze input: where it is mounted, and the temperature it is set to.",
}

CAN_SHOW, SHOWS, NOT_JUDGED = "What this log can show", "What it shows", "What was not judged"
NOTICES = "Notices on the input"
NEXT, THEN = "Next:", "Then:"
CAPTION = (
    "Solid line: the log. Dashed line and band: what the weather expects, and where 95 of 100 days of a correct "
    "sensor lie. Ticks at the foot: holds that the log records. Breaks: days with no entry."
)


def what(log: str) -> str:
    return f"Log review: {log}"


def picture_said(findings: Sequence[Finding]) -> str:
    """What the picture shows."""
    return f"The log against the weather. {'; '.join(headline(f) for f in findings)}"


def facts(result: ReviewResult) -> list[tuple[str, str]]:
    """What was compared with what."""
    review, units = result.review, result.plan.units
    peak = f", the peak of zone {result.zones.table.labels[result.zone]}" if result.zone >= 0 else ""
    if not review.expected.daily_weather:
        expected = "the month's normal ETo"
    else:
        behind = f", {result.lag} day{'s' if result.lag > 1 else ''} behind the weather" if result.lag else ""
        expected = f"mean ETo of {result.plan.review.trailing_days} days{behind}"
    return [
        ("Days in the log", f"{len(review.log)}, of which {int(review.judged.sum())} are judged"),
        ("Weather", result.weather or "monthly normals"),
        ("100% stands for", eto(review.expected.base_mm_day, units) + peak),
        ("Expected", expected),
    ]


def date_of(value: np.datetime64) -> Any:
    return value.astype("datetime64[D]").item()


def limit_said(limit: Limit, looks: int) -> str:
    """What this log can show, before anything is said of what it shows."""
    if not limit.days:
        return (
            "Fewer than five days can be judged, so the level of this log cannot be judged at all. Winter months "
            "of wet climates, holds, days without weather and days before the sensor had settled are not judged."
        )
    by = "daily weather" if limit.daily_weather else "monthly normals only"
    text = (
        f"With {by} and {limit.days} judged days, an error of {limit.high:.0f}% high or {limit.low:.0f}% low is "
        "found in 95 cases of 100. A smaller error cannot be relied on to show here."
    )
    if not limit.daily_weather:
        text += (
            " The weather itself is the noise: its spread is taken from daily records of a place with a similar "
            f"peak month ({limit.records}). Daily weather of a station nearby makes the limit several times "
            "smaller."
        )
    text += (
        f" The expected level itself is known to about {100 * limit.constant_sd:.0f}%, and a longer log does not "
        f"change that. The season's {looks} looks share one budget of false alarms."
    )
    return text


def headline(finding: Finding) -> str:
    percent = abs(100.0 * (finding.ratio - 1.0)) if np.isfinite(finding.ratio) else np.nan
    first, last = date_of(finding.first), date_of(finding.last)
    when = "throughout" if finding.throughout else f"since {day(first)}"
    match finding.cause:
        case Cause.CONSISTENT:
            return "The log agrees with the weather."
        case Cause.TOO_SHORT:
            return "There are too few days to judge."
        case Cause.ESTABLISHING:
            return f"Establishment is still running: manual at {100 * finding.ratio:.0f}% until {day(last)}."
        case Cause.HIGH:
            return f"The log reads {percent:.0f}% high {when}."
        case Cause.LOW:
            return f"The log reads {percent:.0f}% low {when}."
        case Cause.STEP:
            way = "rose" if finding.ratio > 1 else "fell"
            return f"The level {way} by {percent:.0f}% around {day(first)}."
        case Cause.SILENT:
            return f"The sensor was silent or disconnected from {day(first)} to {day(last)}."
        case Cause.SHADE:
            return "Clear days read low against cloudy days, as under shade."
        case Cause.RAIN_UNSEEN:
            return f"{finding.count} of {finding.of} heavy rains brought no hold."
        case Cause.RAIN_HELD_DRY:
            return f"{finding.count} of {finding.of} rain holds came without rain."
        case Cause.FREEZE_HELD_WARM:
            return f"{finding.count} of {finding.of} freeze holds came on warm nights."


def evidence(finding: Finding, result: ReviewResult) -> list[str]:
    """What the finding rests on, and what it cannot tell."""
    limit, labels = result.review.limit, result.zones.table.labels
    first, last = date_of(finding.first), date_of(finding.last)
    span = f"{day(first)} to {day(last)}"
    percent = 100.0 * (finding.ratio - 1.0) if np.isfinite(finding.ratio) else np.nan
    match finding.cause:
        case Cause.CONSISTENT:
            return [
                f"Over {finding.count} judged days the log comes to {100 * finding.ratio:.0f}% of what the "
                f"weather expects. An error smaller than {limit.high:.0f}% high or {limit.low:.0f}% low may be "
                "hidden in that.",
                UNSEEN,
            ]
        case Cause.TOO_SHORT:
            return [f"{finding.count} days are left to judge; five are the least."]
        case Cause.ESTABLISHING:
            return [
                f"{finding.count} days of the log stand at that percentage, as the plan says. They are not "
                f"judged; weather adjustment takes over on {day(last)}."
            ]
        case Cause.HIGH | Cause.LOW:
            said = [
                f"{finding.count} judged days, {span}: logged over expected is {100 * finding.ratio:.0f}%, "
                f"{finding.sure:.1f} standard deviations from 100%; {limit.z:.1f} are required."
            ]
            if finding.zone >= 0:
                said.append(f"A controller set to zone {labels[finding.zone]} would read like this.")
            trim = f"{'+' if finding.trim_percent > 0 else ''}{fixed(finding.trim_percent)}%"
            said.append(f"A trim of {trim} would bring the level back to the weather.")
            others = (
                "a zone, a trim" + (", a shaded or dirty sensor" if percent < 0 else "") + ", or the sensor itself"
            )
            said.append(f"A log cannot tell which of these makes a constant error: {others}.")
            if percent < 0:
                said.append(UNSEEN)
            return said
        case Cause.STEP:
            who = f" The log names {finding.who}." if finding.who else " The log does not say who changed it."
            return [
                f"Before it the log came to {100 * finding.before:.0f}% of the weather, after it to "
                f"{100 * finding.before * finding.ratio:.0f}% ({finding.count} judged days since).{who}",
                "The day is sure to a few days only. A changed setting, a moved or newly shaded sensor, and a "
                "changed sensor look alike in a log.",
            ]
        case Cause.SILENT:
            return [
                f"The percentage stood still for {finding.count} days in the peak months with no rain hold. In "
                "nine daily records from wet and dry climates the longest such run of a working sensor was 5 "
                "days.",
                "A controller that holds its last value, a dead battery, a lost link and a switched-off "
                "adjustment look alike.",
            ]
        case Cause.SHADE:
            return [
                f"Clear days came {abs(percent):.0f}% low against cloudy ones over {finding.count} days "
                f"({finding.sure:.1f} standard deviations).",
                "This is a reason to look at the mount, not a measure of its shade.",
            ]
        case Cause.RAIN_UNSEEN:
            return [
                f"Rains of {_rain(result)} and more at the weather station, {span}. Summer storms can miss a "
                "site, so one or two prove nothing."
            ]
        case Cause.RAIN_HELD_DRY:
            return [f"The weather station had no rain in the two days before or during these holds, {span}."]
        case Cause.FREEZE_HELD_WARM:
            return [f"The night minimum at the weather station was well above freezing, {span}."]


def _rain(result: ReviewResult) -> str:
    return "half an inch" if result.plan.units == "us" else "12.7 mm"


def cannot_tell(result: ReviewResult) -> list[str]:
    """What was not judged, and why."""
    review, how = result.review, result.plan.review
    out = []
    if not review.expected.daily_weather:
        out.append("Steps, shade and rain holds need daily weather, so they are not judged.")
    elif how.equation != "temperature and sun":
        out.append(
            "Shade is not looked for: it shows in a log only where the sensor's formula goes by temperature and "
            "sun, and only over 90 days and more."
        )
    if review.expected.daily_weather and not review.holds_seen:
        out.append("The log records no holds, so nothing is said of the rain and freeze inputs.")
    if review.aside.any():
        out.append(
            f"{int(review.aside.sum())} days lie before the sensor had settled, or in an establishment that the "
            "plan names."
        )
    waits = np.isfinite(review.log.percent) & ~review.expected.judged
    if waits.any():
        out.append(
            f"{int(waits.sum())} days lie in months that are not judged ("
            + ("only the three peak months are" if not review.expected.daily_weather else "winter of a wet climate")
            + ")."
        )
    missing = review.expected.daily_weather & np.isnan(review.expected.percent)
    if np.any(missing):
        out.append(f"{int(np.sum(missing))} days have no weather.")
    if np.isfinite(review.learned):
        out.append(
            f"The log's earlier part taught the level: {100 * review.learned:.0f}% of the weather is taken as "
            "right. An error that was there already is now hidden."
        )
    return out


def summary_lines(result: ReviewResult) -> list[str]:
    """The review for a terminal.

    Parameters
    ----------
    result
        The review.

    Returns
    -------
    list of str
        A few lines, the limit first.
    """
    review = result.review
    lines = [limit_said(review.limit, result.plan.review.looks)]
    for finding in review.findings:
        lines.append(headline(finding))
        lines += evidence(finding, result)
        lines += [NEXT_STEPS[todo] for todo in finding.todo]
    return lines + cannot_tell(result)
