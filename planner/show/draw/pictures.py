"""Pictures: the sun's path over a mount's horizon, the sky over the rain, monthly ETo, zone odds.

SVG is text made here, with everything that is not a number escaped. Each picture says in one plain sentence what
it shows (`alt`), for screen readers and for a print in grey.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup, escape
from numpy.typing import NDArray

from planner.show.draw import palette
from planner.show.say.shade import hour_said
from planner.sun.path import SunTable
from planner.sun.result import PICTURE_AZIMUTH_DEG
from planner.units import MM_PER_IN, MONTH_NAMES, MONTHS, Units, clock, eto

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]
Move = Callable[[Floats], Floats]  # (n, 2) places from one frame to another
POINTS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


# --- the sun's path ---------------------------------------------------------------------------------------------

WIDTH, HEIGHT = 440, 250
Counts = Callable[[Floats, Ints], Floats]  # hours of the clock from true solar hours and months
Axis = Callable[[Floats | float], Floats]  # degrees to a place in the picture
LEFT, RIGHT, TOP, BOTTOM = 32, 12, 8, 24
LEAST_TOLD_H = 0.25  # a shorter stretch of shade gets no hours beside it


@dataclass(frozen=True)
class Clock:
    """What hours are counted in (true solar time where nothing counts them), and the units they are written by."""

    counts: Counts | None = None
    units: Units = "metric"


TRUE_SOLAR = Clock()


def sun_picture(
    horizon_deg: Floats,
    veil_deg: Floats,
    table: SunTable,
    season: Bools,
    latitude_deg: float,
    alt: str,
    clock_of: Clock = TRUE_SOLAR,
    *,
    lost: bool = False,
) -> Markup:
    """The year's sun over one mount's horizon: azimuth along x, elevation along y.

    horizon_deg, veil_deg: (360,) elevation of what is opaque and of crowns along PICTURE_AZIMUTH_DEG. The middle of
    the picture is the side of the noon sun: south, or north in the southern hemisphere. One path a month, of
    its middle day, months of `season` (12,) heavy; dots stand at whole hours of `clock_of`. lost: the stretches
    of those paths that lie behind what is opaque are drawn over it, with begin and end by the same clock in the
    month that loses most.
    """
    start = 0.0 if latitude_deg >= 0 else 180.0  # azimuth at the left edge

    def x(azimuth: Floats | float) -> Floats:
        return np.asarray(LEFT + (np.asarray(azimuth, float) - start) % 360 / 360 * (WIDTH - LEFT - RIGHT))

    def y(elevation: Floats | float) -> Floats:
        share = np.clip(np.asarray(elevation, float), 0, 90) / 90
        return np.asarray(TOP + (1 - share) * (HEIGHT - TOP - BOTTOM))

    out = [
        f'<rect x="{LEFT}" y="{TOP}" width="{WIDTH - LEFT - RIGHT}" height="{HEIGHT - TOP - BOTTOM}" '
        f'fill="{palette.SKY}"/>'
    ]
    for degrees in (0, 15, 30, 45, 60, 75, 90):
        out.append(
            f'<line x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(degrees):.1f}" y2="{y(degrees):.1f}" '
            f'stroke="#fff" stroke-width="{1.4 if degrees % 30 == 0 else 0.7}"/>'
        )
        if degrees % 30 == 0:
            out.append(text_at(LEFT - 5, float(y(degrees)) + 3.5, f"{degrees}°", anchor="end"))
    for k, name in enumerate(POINTS):
        out.append(text_at(float(x(45.0 * k)), HEIGHT - 8, name, bold=k % 2 == 0))
    out.append(text_at(WIDTH - RIGHT, HEIGHT - 8, POINTS[int(start // 45)], bold=True))

    paths = [_middle_day(table, month, clock_of.counts) for month in range(12)]
    for month, path in enumerate(paths):
        stroke, width = (palette.SUN, 2.2) if season[month] else ("#8a8f8c", 0.9)
        for piece in _unbroken(x(path[:, 0]), y(path[:, 1])):
            out.append(f'<path d="{piece}" fill="none" stroke="{stroke}" stroke-width="{width}"/>')
    out.append(_area(veil_deg, x, y, start, palette.VEIL, 0.55))
    out.append(_area(horizon_deg, x, y, start, palette.HORIZON, 0.86))

    if lost:
        out += _lost(paths, season, np.asarray(horizon_deg, float), x, y, clock_of.units)
    out += _hours(paths, season, x, y, clock_of.units)
    out += _month_names(paths, season, x, y)
    return svg(WIDTH, HEIGHT, "".join(out), alt, "sun-picture")


def lost_stretches(path: Floats, horizon_deg: Floats) -> list[Floats]:
    """Parts of a path (n, 3) of azimuth, elevation, hour that lie behind a horizon (360,), each in order of time.

    Ends are put where path and horizon meet, between two steps.
    """
    if len(path) < 2:
        return []
    over = path[:, 1] - np.interp(path[:, 0], PICTURE_AZIMUTH_DEG, horizon_deg, period=360.0)
    found, part = [], [path[0]] if over[0] < 0 else []
    for k in range(1, len(path)):
        if (over[k - 1] < 0) != (over[k] < 0):
            turn = np.array([(path[k, 0] - path[k - 1, 0] + 180) % 360 - 180, *(path[k, 1:] - path[k - 1, 1:])])
            met = path[k - 1] + over[k - 1] / (over[k - 1] - over[k]) * turn
            part.append(met)
            if over[k] >= 0:
                found.append(np.array(part))
                part = []
        if over[k] < 0:
            part.append(path[k])
    return [*found, np.array(part)] if len(part) > 1 else found


def _lost(paths: Sequence[Floats], season: Bools, horizon_deg: Floats, x: Axis, y: Axis, units: Units) -> list[str]:
    """Lost stretches of irrigation months (of all where there are none); hours at the ends of the worst one's."""
    months = [k for k in range(12) if season[k]] or list(range(12))
    found = {k: lost_stretches(paths[k], horizon_deg) for k in months}
    out = [
        f'<path class="lost" d="{piece}" fill="none" stroke="{palette.LOST}" stroke-width="2.4"/>'
        for k in months
        for stretch in found[k]
        for piece in _unbroken(x(stretch[:, 0]), y(stretch[:, 1]))
    ]

    def long(stretch: Floats) -> float:
        return float(stretch[-1, 2] - stretch[0, 2])

    worst = max(months, key=lambda k: sum(map(long, found[k])))
    for stretch in found[worst]:
        if long(stretch) < LEAST_TOLD_H:
            continue
        for end in (stretch[0], stretch[-1]):
            if end[1] > 3:  # lower, it is sunrise or sunset
                at = float(np.clip(x(end[0]), LEFT + 18, WIDTH - RIGHT - 18)), float(y(end[1]))
                out.append(
                    text_at(at[0], at[1] + 13, hour_said(float(end[2]), units), bold=True, halo=True, size=11)
                )
    return out


def _middle_day(table: SunTable, month: int, counts: Counts | None) -> Floats:
    """(n, 3) azimuth, elevation and hour through the middle day of a month, in order of time."""
    rows = np.flatnonzero(np.asarray(table.month) == month)
    if rows.size == 0:
        return np.empty((0, 3))
    # solar time starts anew at each midnight, which cuts the month into days
    days = np.split(rows, np.flatnonzero(np.diff(table.solar_hour[rows]) < 0) + 1)
    day = days[len(days) // 2]
    hour = table.solar_hour[day]
    if counts is not None:
        hour = np.unwrap(counts(hour, np.full(len(day), month, np.int64)), period=24.0)
    return np.column_stack([table.azimuth_deg[day], table.elevation_deg[day], hour])


def _unbroken(xs: Floats, ys: Floats) -> Iterator[str]:
    """SVG paths of a line, cut where it leaves one side of the picture and comes back at the other."""
    if len(xs) == 0:
        return
    for part in np.split(np.arange(len(xs)), np.flatnonzero(np.abs(np.diff(xs)) > (WIDTH - LEFT) / 2) + 1):
        if len(part) > 1:
            yield "M" + "L".join(f"{a:.1f},{b:.1f}" for a, b in zip(xs[part], ys[part], strict=True))


def _area(
    degrees: Floats,
    x: Axis,
    y: Axis,
    start: float,
    fill: str,
    opacity: float,
) -> str:
    if not np.any(np.asarray(degrees) > 0.05):
        return ""
    row = (np.arange(360) + int(start)) % 360
    xs, ys = x(PICTURE_AZIMUTH_DEG[row]), y(np.asarray(degrees, float)[row])
    top = "L".join(f"{a:.1f},{b:.1f}" for a, b in zip(xs, ys, strict=True))
    floor = float(y(0.0))
    right = WIDTH - RIGHT
    return (
        f'<path d="M{LEFT},{floor:.1f}L{LEFT},{ys[0]:.1f}L{top}L{right},{ys[-1]:.1f}L{right},{floor:.1f}Z" '
        f'fill="{fill}" fill-opacity="{opacity}"/>'
    )


def _hours(paths: Sequence[Floats], season: Bools, x: Axis, y: Axis, units: Units) -> list[str]:
    """A dot at every whole hour of the irrigation months; the hour beside it on the outermost paths."""
    out: list[str] = []
    shown = [k for k in range(12) if len(paths[k]) > 2 and season[k]] or [k for k in range(12) if len(paths[k]) > 2]
    if not shown:
        return out
    highest = max(shown, key=lambda k: float(paths[k][:, 1].max()))
    for k in shown:
        path = paths[k]
        unbroken = np.rad2deg(np.unwrap(np.deg2rad(path[:, 0])))
        for hour in range(int(np.ceil(path[0, 2])), int(np.floor(path[-1, 2])) + 1):
            azimuth = np.interp(hour, path[:, 2], unbroken) % 360
            elevation = np.interp(hour, path[:, 2], path[:, 1])
            at = float(x(azimuth)), float(y(elevation))
            out.append(f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="1.9" fill="{palette.INK}"/>')
            if k == highest and hour % 2 == 0 and hour != 12 and elevation > 4:
                side = -9 if hour < 12 else 9
                out.append(text_at(at[0] + side, at[1] - 3, clock(hour, units).split(":")[0], halo=True))
    return out


def _month_names(paths: Sequence[Floats], season: Bools, x: Axis, y: Axis) -> list[str]:
    """Names of the months where their paths stand highest; months whose tops would collide share one label."""
    tops: list[tuple[float, float, int]] = []
    for month, path in enumerate(paths):
        if len(path):
            top = int(np.argmax(path[:, 1]))
            tops.append((float(x(path[top, 0])), float(y(path[top, 1])), month))
    out, used = [], set()
    for at in sorted(tops, key=lambda t: (t[1], t[2])):
        if at[2] in used:
            continue
        near = [t for t in tops if t[2] not in used and abs(t[1] - at[1]) < 12 and abs(t[0] - at[0]) < 60]
        used |= {t[2] for t in near}
        near.sort(key=lambda t: t[2])
        label = ", ".join(MONTHS[t[2]] for t in near)
        # the middle of the picture is noon, whichever way the label's own top leans by a step
        mean_x = float(np.mean([t[0] for t in near]))
        mean_y = float(np.mean([t[1] for t in near]))
        inside = min(max(mean_x, LEFT + 40), WIDTH - RIGHT - 40)
        out.append(text_at(inside, mean_y + 3.5, label, bold=any(season[t[2]] for t in near), halo=True))
    return out


# --- the sky over the rain --------------------------------------------------------------------------------------

ROSE = 240  # side of the picture
ROSE_RIM = 96  # radius of the horizon


def rain_rose(
    sector_deg: Floats, sector_class: Ints, limit_deg: float, wind_from_deg: float | None, alt: str
) -> Markup:
    """What stands in the rain's way, sector by sector: the rim is the horizon, the middle straight up.

    sector_deg, sector_class: (n,) steepest obstacle and its WMO-No. 8 precipitation class in equal sectors, the
    first centred on north. A wedge reaches from the rim as far inward as the obstacle stands high; dark is worse.
    The ring is the highest that is asked. wind_from_deg: where wind-driven rain comes from, as an arrow.
    """
    n, middle = len(sector_deg), ROSE / 2

    def at(azimuth_deg: float, radius: float) -> str:
        a = np.radians(azimuth_deg)
        return f"{middle + radius * np.sin(a):.1f},{middle - radius * np.cos(a):.1f}"

    out = [f'<circle cx="{middle}" cy="{middle}" r="{ROSE_RIM}" fill="{palette.SKY}"/>']
    half = 180.0 / n
    for k in range(n):
        if sector_deg[k] < 0.5:
            continue
        inner = ROSE_RIM * (1 - min(float(sector_deg[k]), 90.0) / 90)
        low, high = 360.0 * k / n - half, 360.0 * k / n + half
        out.append(
            f'<path d="M{at(low, ROSE_RIM)}A{ROSE_RIM},{ROSE_RIM} 0 0 1 {at(high, ROSE_RIM)}L{at(high, inner)}'
            f'A{inner:.1f},{inner:.1f} 0 0 0 {at(low, inner)}Z" fill="{palette.RAIN[int(sector_class[k]) - 1]}" '
            f'stroke="{palette.SKY}" stroke-width="0.6"/>'
        )
    ring = ROSE_RIM * (1 - limit_deg / 90)
    out.append(
        f'<circle cx="{middle}" cy="{middle}" r="{ROSE_RIM}" fill="none" stroke="{palette.QUIET}"/>'
        f'<circle cx="{middle}" cy="{middle}" r="{ring:.1f}" fill="none" stroke="{palette.INK}" '
        f'stroke-width="1.2" stroke-dasharray="4 3"/>'
        f'<circle cx="{middle}" cy="{middle}" r="2" fill="{palette.INK}"/>'
    )
    out.append(text_at(middle, middle - ring + 14, f"{limit_deg:.0f}°", halo=True))
    for k, name in enumerate(POINTS):
        a = np.radians(45.0 * k)
        out.append(
            text_at(
                middle + (ROSE_RIM + 13) * np.sin(a),
                middle - (ROSE_RIM + 13) * np.cos(a) + 4,
                name,
                bold=k % 2 == 0,
            )
        )
    if wind_from_deg is not None:
        out.append(
            f'<g transform="rotate({wind_from_deg:.1f} {middle} {middle})" fill="none" stroke="{palette.INK}" '
            f'stroke-width="2"><path d="M{middle},{middle - ROSE_RIM + 4}v26m-5,-8l5,8l5,-8"/></g>'
        )
    return svg(ROSE, ROSE, "".join(out), alt, "rain-rose")


# --- bars -------------------------------------------------------------------------------------------------------


def eto_bars(eto_mm_day: Floats, season: Bools, peak_month: int, spread_mm_day: float, units: Units) -> Markup:
    """Twelve bars of mean daily ETo, irrigation months dark, the peak month named, its spread as a whisker."""
    width, height, floor, top = 440, 172, 124, 26
    factor = 1 / MM_PER_IN if units == "us" else 1.0
    value = np.asarray(eto_mm_day, float) * factor
    spread = spread_mm_day * factor if np.isfinite(spread_mm_day) else 0.0
    largest = max(float(np.nanmax(value)) if np.isfinite(value).any() else 0.0, 1e-9)
    scale = (floor - top) / max(largest + spread, 1e-9)
    step = width / 12
    out = [f'<line x1="0" x2="{width}" y1="{floor}" y2="{floor}" stroke="{palette.QUIET}" stroke-width="1"/>']
    for m in range(12):
        middle = step * (m + 0.5)
        peak = m == peak_month
        out.append(text_at(middle, floor + 16, MONTHS[m], bold=bool(season[m]), size=13))
        if not np.isfinite(value[m]):
            out.append(text_at(middle, floor - 5, "no data", size=10))
            continue
        tall = max(float(value[m]), 0.0) * scale
        fill = palette.SEASON if season[m] else palette.OFF_SEASON
        out.append(
            f'<rect x="{step * m + 5:.1f}" y="{floor - tall:.1f}" width="{step - 10:.1f}" height="{tall:.1f}" '
            f'fill="{fill}"/>'
        )
        lift = 5.0
        if peak and spread > 0:
            out.append(
                f'<path d="M{middle:.1f},{floor - tall - spread * scale:.1f}V{floor - tall + spread * scale:.1f}'
                f'm-5,0h10M{middle - 5:.1f},{floor - tall - spread * scale:.1f}h10" '
                f'stroke="{palette.INK}" stroke-width="1.6" fill="none"/>'
            )
            lift += spread * scale
        text = f"{value[m]:.3f}" if units == "us" else f"{value[m]:.1f}"
        out.append(text_at(middle, floor - tall - lift, text, bold=peak, size=11.5 if units == "us" else 12.5))
    runs = [MONTHS[m] for m in range(12) if season[m]]
    unit = "in/day" if units == "us" else "mm/day"
    out.append(
        f'<rect x="0" y="{height - 13}" width="10" height="10" fill="{palette.SEASON}"/>'
        + text_at(15, height - 4, "irrigation season", anchor="start", size=12)
        + f'<rect x="130" y="{height - 13}" width="10" height="10" fill="{palette.OFF_SEASON}"/>'
        + text_at(145, height - 4, "off season", anchor="start", size=12)
        + text_at(width, height - 4, f"{unit}; whisker: ± 1 sd", anchor="end", size=12)
    )
    most = (
        f"highest in {MONTH_NAMES[peak_month]} with {eto(float(eto_mm_day[peak_month]), units)}"
        if peak_month >= 0
        else "not known in every month"
    )
    alt = f"Mean daily reference ETo by month, {most}; irrigation season: {', '.join(runs) or 'no month'}."
    return svg(width, height, "".join(out), alt, "eto-bars")


def zone_bar(labels: Sequence[str], colours: Sequence[str], probability: Floats, chosen: int) -> Markup:
    """One bar cut by the probability of each zone; the one to set is outlined and named."""
    width, height, top, deep = 440, 52, 4, 22
    share = np.nan_to_num(np.asarray(probability, float))
    starts = np.cumsum(share) - share
    out: list[str] = []
    taken: list[tuple[float, float]] = []
    for k in np.argsort(-share, kind="stable"):  # the likelier ones get their label first
        if share[k] < 0.005:
            break
        left, wide = float(starts[k]) * width, float(share[k]) * width
        out.append(
            f'<rect x="{left:.1f}" y="{top}" width="{wide:.1f}" height="{deep}" '
            f'fill="{colours[k]}" stroke="{palette.CARD}" stroke-width="1"/>'
        )
        text = f"{_short(labels[k])}  {share[k]:.0%}"
        half = len(text) * 3.5
        middle = min(max(left + wide / 2, half), width - half)
        if all(middle + half < a or middle - half > b for a, b in taken):
            out.append(text_at(middle, top + deep + 18, text, bold=k == chosen, size=13))
            taken.append((middle - half, middle + half))
    if chosen >= 0 and share[chosen] > 0:
        left, wide = float(starts[chosen]) * width, float(share[chosen]) * width
        out.append(
            f'<rect x="{max(left, 1):.1f}" y="{top - 2}" width="{max(min(wide, width - 2), 3):.1f}" '
            f'height="{deep + 4}" fill="none" stroke="{palette.INK}" stroke-width="2.5"/>'
        )
    said = ", ".join(f"{_short(labels[k])} {share[k]:.0%}" for k in np.argsort(-share) if share[k] >= 0.005)
    return svg(width, height, "".join(out), f"Probability of each zone: {said or 'not known'}.", "zone-bar")


def _short(text: str, longest: int = 28) -> str:
    return text if len(text) <= longest else text[: longest - 1] + "…"


# --- SVG --------------------------------------------------------------------------------------------------------


def svg(width: int, height: int, inside: str, alt: str, name: str) -> Markup:
    return Markup(
        f'<svg class="{name}" viewBox="0 0 {width} {height}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(alt)}</title>{inside}</svg>"
    )


def text_at(
    x: float, y: float, text: str, anchor: str = "middle", bold: bool = False, halo: bool = False, size: float = 12
) -> str:
    extra = ' font-weight="600"' if bold else ""
    if halo:
        extra += f' stroke="{palette.SKY}" stroke-width="4" paint-order="stroke" stroke-linejoin="round"'
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}" fill="{palette.INK}"{extra}>'
        f"{escape(text)}</text>"
    )
