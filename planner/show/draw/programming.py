"""The programming sheet: base run times, who follows the weather, the year ahead, the first day, what was built."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape

from planner.programme.runtime import L_PER_GAL
from planner.show.draw import palette
from planner.show.draw.page import PAGES, sealed, styles
from planner.show.say import programme as say
from planner.show.say.cautions import DEFER
from planner.show.say.pages import PROGRAMMING, beside
from planner.units import MONTHS, Units, eto

if TYPE_CHECKING:
    from planner.programme.year import YearAhead
    from planner.upkeep import ProgrammeResult


def programme_page(result: ProgrammeResult) -> bytes:
    """`programming.html`: prints on Letter or A4, the first day's checks on a page of their own."""
    units = result.plan.units
    page = PAGES.get_template("programming.html").render(
        style=styles("page.css", "sheet.css", "upkeep.css"),
        title=result.plan.outputs.title or result.plan.title,
        site=result.site.name,
        head=_head(result),
        programs=_programs(result),
        stations=_stations(result),
        letters=say.letters(result),
        loads=_loads(result, units),
        warnings=say.warnings(result, units),
        year=_year(result),
        picture=year_picture(result.year, result.season),
        months=MONTHS,
        budget=say.budget(result, units),
        restrictions=result.plan.programme.restrictions,
        checks=say.checks(result),
        first=say.first_day(result),
        built=say.built(result.built, units),
        as_built=say.as_built(result),
        defer=DEFER,
        other_pages=beside(result.plan, PROGRAMMING),
        notices=[str(notice) for notice in result.notices],
        rests=say.rests(result, units),
    )
    return sealed(page)


def _head(result: ProgrammeResult) -> dict[str, str]:
    units, base = result.plan.units, result.base
    label = result.zones.table.labels[result.zone] if result.zone >= 0 else "none of the table's"
    peak = float(result.eto_mm_day[base.peak_month])
    shown = 100.0 * peak / base.base_eto_mm_day
    return {
        "zone": label,
        "base": eto(base.base_eto_mm_day, units),
        "month": say.MONTH_WORDS[base.peak_month],
        "peak": eto(peak, units),
        "shown": f"{shown:.0f}%",
        "window": result.plan.programme.window.replace("-", " to "),
        "days": ", ".join(say.DAY_WORDS[d] for d in result.plan.programme.days)
        if len(result.plan.programme.days) < 7
        else "any day",
    }


def _programs(result: ProgrammeResult) -> list[dict[str, Any]]:
    base, rows = result.base, []
    held = {(m.controller, m.programme): m for m in result.first.manual}
    for p in base.programmes:
        manual = held.get((p.controller, p.name))
        members = list(p.rows)
        rows.append(
            {
                "controller": p.controller,
                "name": p.name,
                "mode": say.mode(manual) if manual else "follows the weather",
                "manual": manual is not None,
                "days": ", ".join(say.DAY_WORDS[d] for d in p.days),
                "stations": len(members),
                "minutes": f"{np.nansum(base.run_min[members]):,.0f}",
                "dry": len(p.dry_rows),
            }
        )
    return rows


def _stations(result: ProgrammeResult) -> list[dict[str, Any]]:
    """The station table, a group for each program."""
    return [
        {
            "controller": p.controller,
            "program": p.name,
            "days": ", ".join(say.DAY_WORDS[d] for d in p.days),
            "rows": [_station(result, k) for k in p.rows],
        }
        for p in result.base.programmes
    ]


def _station(result: ProgrammeResult, k: int) -> dict[str, Any]:
    units, base = result.plan.units, result.base
    s, table = base.stations, base.stations.table
    known, cycles = bool(np.isfinite(base.run_min[k])), int(base.cycles[k])
    return {
        "name": table.names[k],
        "what": ", ".join(w for w in (table.kind[k], table.plant[k]) if w),
        "rate": say.rate(s.rate_mm_h[k], units) if known else "not known",
        "weekly": say.depth(base.weekly_mm[k], units),
        "days": int(base.days_a_week[k]),
        "run": f"{base.run_min[k]:.0f}" if known else "none",
        "cycle": f"{cycles} × {base.cycle_min[k]:.0f}" if known and cycles > 1 else "",
        "soak": f"{base.soak_min[k]:.0f}" if known and cycles > 1 else "",
        "letters": "".join(say.BASIS[q][0] for q in say.BASIS if s.assumed(q)[k]),
        "steep": bool(base.steep[k]),
        "fast": bool(base.too_fast[k]),
    }


def _loads(result: ProgrammeResult, units: Units) -> list[dict[str, Any]]:
    rows = []
    for load in result.base.loads:
        supply = "not given" if np.isnan(load.supply_l_min) else say.flow(load.supply_l_min, units)
        rows.append(
            {
                "name": load.name,
                "day": say.DAY_WORDS[load.busiest_day],
                "needed": say.hours(load.needed_h),
                "window": say.hours(load.window_h),
                "fits": load.fits,
                "flow": "not known" if np.isnan(load.flow_l_min) else say.flow(load.flow_l_min, units),
                "supply": supply,
                "enough": load.enough,
            }
        )
    return rows


def _year(result: ProgrammeResult) -> dict[str, Any]:
    units, year = result.plan.units, result.year
    rows = []
    for (controller, name), liters in zip(year.programmes, year.volume_l, strict=True):
        rows.append(
            {
                "name": f"{controller} {name}",
                "cells": [f"{_amount(v, units):,.0f}" for v in liters],
                "total": f"{_amount(liters.sum(), units):,.0f}",
            }
        )
    total = year.volume_l.sum(axis=0)
    return {
        "percent": [f"{p:.0f}%" for p in year.percent],
        "season": [bool(f) for f in result.season],
        "unit": "thousand gallons" if units == "us" else "m³",
        "rows": rows,
        "total": [f"{_amount(v, units):,.0f}" for v in total],
        "sum": f"{_amount(total.sum(), units):,.0f}",
        "after": [f"{_amount(v, units):,.0f}" for v in year.after_rain_l],
        "after_sum": f"{_amount(year.after_rain_l.sum(), units):,.0f}",
        "rule": say.RAIN_RULES[result.plan.programme.rain],
        "years": say.years(result, units),
    }


def _amount(liters: float, units: Units) -> float:
    return liters / L_PER_GAL / 1000.0 if units == "us" else liters / 1000.0


# --- the year's picture -----------------------------------------------------------------------------------------

WIDE, HIGH, LEFT, BOTTOM = 640.0, 190.0, 38.0, 26.0


def year_picture(year: YearAhead, season: Sequence[bool] | Any) -> Markup:
    """Twelve bars: what the controller should come to, months that irrigate filled."""
    top = max(110.0, float(np.nanmax(year.percent)) * 1.08)
    scale = (HIGH - BOTTOM - 14) / top
    step = (WIDE - LEFT) / 12
    out = []
    for level in range(0, int(top) + 1, 25):
        y = HIGH - BOTTOM - level * scale
        weight = 1.4 if level == 100 else 0.6
        out.append(
            f'<line x1="{LEFT}" y1="{y:.1f}" x2="{WIDE}" y2="{y:.1f}" stroke="{palette.RULE}" '
            f'stroke-width="{weight}"/><text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end" font-size="11" '
            f'fill="{palette.QUIET}">{level}%</text>'
        )
    for m in range(12):
        high = float(year.percent[m]) * scale
        x, y = LEFT + m * step + step * 0.16, HIGH - BOTTOM - high
        on = bool(season[m])
        fill = palette.SEASON if on else "none"
        out.append(
            f'<rect x="{x:.1f}" y="{y:.1f}" width="{step * 0.68:.1f}" height="{high:.1f}" fill="{fill}" '
            f'stroke="{palette.SEASON if on else palette.OFF_SEASON}" stroke-width="1.2"/>'
            f'<text x="{x + step * 0.34:.1f}" y="{y - 4:.1f}" text-anchor="middle" font-size="11" '
            f'fill="{palette.INK}">{year.percent[m]:.0f}</text>'
            f'<text x="{x + step * 0.34:.1f}" y="{HIGH - 9:.1f}" text-anchor="middle" font-size="11.5" '
            f'fill="{palette.INK if on else palette.QUIET}">{MONTHS[m]}</text>'
        )
    said = ", ".join(f"{MONTHS[m]} {year.percent[m]:.0f}%" for m in range(12))
    return Markup(
        f'<svg class="year" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(f'Percentage of the base by month: {said}.')}</title>{''.join(out)}</svg>"
    )
