"""The programming sheet: base run times, who follows the weather, the year ahead, the first day, what was built."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup, escape

from planner.programme.runtime import L_PER_GAL
from planner.programme.year import sum_of_known
from planner.show.documents import (
    Blanks,
    Block,
    Cell,
    Checks,
    Document,
    Facts,
    Group,
    Line,
    Part,
    Picture,
    Points,
    Table,
)
from planner.show.draw import palette
from planner.show.draw.document import document_page
from planner.show.say import programme as say
from planner.show.say.cautions import DEFER
from planner.show.say.pages import PROGRAMMING, beside
from planner.units import MONTHS, Units, eto

if TYPE_CHECKING:
    from planner.programme.year import YearAhead
    from planner.upkeep import ProgrammeResult


def programme_page(result: ProgrammeResult) -> bytes:
    """`programming.html`."""
    return document_page(programming(result), beside(result.plan, PROGRAMMING))


def programming(result: ProgrammeResult) -> Document:
    """The programming sheet, the first day's checks on a page of their own."""
    warned = say.warnings(result, result.plan.units)
    return Document(
        title=result.plan.outputs.title or result.plan.title,
        site=result.site.name,
        what=PROGRAMMING.label,
        parts=(
            _set(result),
            *([Part(say.LOOK_FIRST, (Points(tuple(warned), "warn"),))] if warned else []),
            Part(say.PROGRAMS, (_programs(result), Line(say.INPUTS_STOP, "small"))),
            Part(say.CONTROLLERS, (_loads(result),)),
            _stations(result),
            _year(result),
            _first_day(result),
            *_built(result),
            *_rests(result),
        ),
    )


def _set(result: ProgrammeResult) -> Part:
    units, base, asked = result.plan.units, result.base, result.plan.programme
    zone, more = say.zone_to_set(result)
    peak = float(result.eto_mm_day[base.peak_month])
    facts = [
        (say.PEAK_HERE, say.peak_said(base.peak_month, peak, 100.0 * peak / base.base_eto_mm_day, units)),
        (say.WINDOW, say.window(asked.window, units)),
        (say.DAYS_ALLOWED, say.days_said(asked.days) if len(asked.days) < 7 else say.ANY_DAY),
        *([(say.RESTRICTIONS, "; ".join(asked.restrictions))] if asked.restrictions else []),
    ]
    return Part(
        say.SET,
        (
            Line(zone, "answer", lead=say.ZONE, after=more),
            Line("100%", "answer", after=say.stands_for(eto(base.base_eto_mm_day, units))),
        ),
        beside=Part("", (Facts(tuple(facts)),)),
    )


def _programs(result: ProgrammeResult) -> Table:
    base, rows = result.base, []
    held = {(m.controller, m.programme): m for m in result.first.manual}
    for p in base.programmes:
        manual = held.get((p.controller, p.name))
        members = list(p.rows)
        rows.append(
            (
                Cell(p.controller),
                Cell(p.name),
                Cell(say.mode(manual), "warn") if manual else Cell(say.FOLLOWS),
                Cell(say.days_said(p.days)),
                Cell(str(len(members))),
                Cell(f"{np.nansum(base.run_min[members]):,.0f}"),
            )
        )
    return Table(say.PROGRAM_COLUMNS, (Group(tuple(rows)),))


def _loads(result: ProgrammeResult) -> Table:
    units, rows = result.plan.units, []
    for load in result.base.loads:
        supply = say.NOT_GIVEN if np.isnan(load.supply_l_min) else say.flow(load.supply_l_min, units)
        largest = say.NOT_KNOWN if np.isnan(load.flow_l_min) else say.flow(load.flow_l_min, units)
        rows.append(
            (
                Cell(load.name),
                Cell(say.DAY_WORDS[load.busiest_day]),
                Cell(say.hours(load.needed_h), "" if load.fits else "warn"),
                Cell(say.hours(load.window_h)),
                Cell(largest, "warn" if load.enough is False else ""),
                Cell(supply),
            )
        )
    return Table(say.LOAD_COLUMNS, (Group(tuple(rows)),))


def _stations(result: ProgrammeResult) -> Part:
    """The station table, a group for each program, and what its letters stand for."""
    groups = tuple(
        Group(tuple(_station(result, k) for k in p.rows), say.program_head(p.controller, p.name, p.days))
        for p in result.base.programmes
    )
    blocks: list[Block] = [Table(say.STATION_COLUMNS, groups, "tight")]
    if letters := say.letters(result):
        blocks += [Points(tuple(letters), "small"), Line(say.LETTERS_MEAN, "small")]
    return Part(say.RUN_TIMES, tuple(blocks))


def _station(result: ProgrammeResult, k: int) -> tuple[Cell, ...]:
    units, base = result.plan.units, result.base
    s, table = base.stations, base.stations.table
    known, cycles = bool(np.isfinite(base.run_min[k])), int(base.cycles[k])
    split = known and cycles > 1
    return (
        Cell(table.names[k]),
        Cell(", ".join(w for w in (table.kind[k], table.plant[k]) if w)),
        Cell(say.rate(s.rate_mm_h[k], units) if known else say.NOT_KNOWN),
        Cell(say.depth(base.weekly_mm[k], units)),
        Cell(str(int(base.days_a_week[k]))),
        Cell(f"{base.run_min[k]:.0f}", "strong") if known else Cell(say.NO_RUN, "warn"),
        Cell(f"{cycles} × {base.cycle_min[k]:.0f}" if split else ""),
        Cell(f"{base.soak_min[k]:.0f}" if split else ""),
        Cell(say.rests_on([q for q in say.BASIS if s.assumed(q)[k]], bool(base.steep[k]), bool(base.too_fast[k]))),
    )


def _year(result: ProgrammeResult) -> Part:
    units, year = result.plan.units, result.year

    def row(name: str, liters: Any, mark: Any = "") -> tuple[Cell, ...]:
        amounts = [*liters, np.sum(liters)]
        said = ("–" if np.isnan(v) else f"{_amount(v, units):,.0f}" for v in amounts)
        return tuple(Cell(text, mark) for text in (name, *said))

    percent = [Cell(f"{p:.0f}%", "" if on else "off") for p, on in zip(year.percent, result.season, strict=True)]
    rows = [
        (Cell(say.PERCENT), *percent, Cell("")),
        *(row(" ".join(key), liters) for key, liters in zip(year.programmes, year.volume_l, strict=True)),
        row(say.ALL_PROGRAMS, sum_of_known(year.volume_l), "strong"),
        row(say.AFTER_RAIN, year.after_rain_l),
    ]
    budget = say.budget(result, units)
    return Part(
        say.YEAR,
        (
            Picture(str(year_picture(year, result.season)), say.year_said(year.percent), say.YEAR_CAPTION),
            Table(say.year_columns(units), (Group(tuple(rows)),), "months"),
            Line(say.year_note(result, units), "small"),
            *([Line(budget)] if budget else []),
        ),
        whole=True,
    )


def _amount(liters: float, units: Units) -> float:
    return liters / L_PER_GAL / 1000.0 if units == "us" else liters / 1000.0


def _first_day(result: ProgrammeResult) -> Part:
    waits = say.waits(result)
    return Part(
        say.first_day_head(result),
        (
            Line(f"{say.SWITCH_OFF} {DEFER}"),
            Checks(tuple(say.checks(result)), say.FOUND),
            *([Line(waits, "warn")] if waits else []),
            Line(say.COME_BACK, "small"),
            Blanks(say.SIGNED),
        ),
        new_page=True,
    )


def _built(result: ProgrammeResult) -> list[Part]:
    facts, lines = say.as_built(result), say.built(result.built, result.plan.units)
    blocks: list[Block] = [*([Facts(tuple(facts))] if facts else []), *(Line(line) for line in lines)]
    return [Part(say.AS_BUILT, tuple(blocks), whole=True)] if blocks else []


def _rests(result: ProgrammeResult) -> list[Part]:
    said = [Part(say.RESTS_ON, (Points(tuple(say.rests(result, result.plan.units)), "small"),), whole=True)]
    if result.notices:
        said.append(Part(say.NOTICES, (Points(tuple(map(str, result.notices)), "small"),)))
    return said


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
    return Markup(
        f'<svg class="year" viewBox="0 0 {WIDE:.0f} {HIGH:.0f}" role="img" xmlns="http://www.w3.org/2000/svg">'
        f"<title>{escape(say.year_said(year.percent))}</title>{''.join(out)}</svg>"
    )
