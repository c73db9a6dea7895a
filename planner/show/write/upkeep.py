"""The files of a base program and of a review: pages, tables, JSON."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas
import numpy as np
import pandas

from planner.programme.year import sum_of_known
from planner.show.draw.programming import programme_page, programming
from planner.show.draw.review import review_document, review_page
from planner.show.folder import Made, write_folder
from planner.show.lonlat import to_lonlat
from planner.show.say.review import cannot_tell, evidence, headline, limit_said
from planner.show.write import typeset
from planner.show.write.formats import csv_bytes, gpkg_bytes, json_bytes
from planner.show.write.pdf import document_pdf
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.plan import Plan
    from planner.upkeep import ProgrammeResult, ReviewResult


def programme_files(plan: Plan) -> list[str]:
    """What `noonmark programme` writes; the PDF where the extra `pdf` is installed."""
    return [
        "programming.html",
        *(["programming.pdf"] if _on_paper(plan) else []),
        "stations.csv",
        "year.csv",
        "programme.gpkg",
        "programme.json",
    ]


def review_files(plan: Plan) -> list[str]:
    """What `noonmark review` writes; the PDF where the extra `pdf` is installed."""
    return ["review.html", *(["review.pdf"] if _on_paper(plan) else []), "review.csv", "review.json"]


def _on_paper(plan: Plan) -> bool:
    return plan.outputs.sheet_pdf and typeset.available()


def write_programme(result: ProgrammeResult, folder: Path, force: bool = False) -> list[Path]:
    """Write :func:`programme_files`.

    Parameters
    ----------
    result
        The program.
    folder
        Is made where it is not there.
    force
        Overwrite what is not ours.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        As :func:`planner.show.write_site`.
    """
    rows, plan = station_rows(result), result.plan
    pdf = (
        {"programming.pdf": document_pdf(programming(result), plan, "programming.html")} if _on_paper(plan) else {}
    )
    return write_folder(
        folder,
        {
            "programming.html": programme_page(result),
            **pdf,
            "stations.csv": csv_bytes(rows),
            "year.csv": csv_bytes(year_rows(result)),
            "programme.gpkg": gpkg_bytes({"stations": _at_controllers(result, rows)}),
            "programme.json": json_bytes(programme_data(result)),
        },
        force,
        Made("programme", result.origin),
    )


def write_review(result: ReviewResult, folder: Path, force: bool = False) -> list[Path]:
    """Write :func:`review_files`.

    Parameters
    ----------
    result
        The review.
    folder
        Is made where it is not there.
    force
        Overwrite what is not ours.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        As :func:`planner.show.write_site`.
    """
    plan = result.plan
    pdf = {"review.pdf": document_pdf(review_document(result), plan, "review.html")} if _on_paper(plan) else {}
    return write_folder(
        folder,
        {
            "review.html": review_page(result),
            **pdf,
            "review.csv": csv_bytes(day_rows(result)),
            "review.json": json_bytes(review_data(result)),
        },
        force,
        Made("review", result.origin),
    )


def station_rows(result: ProgrammeResult) -> pandas.DataFrame:
    """A row a station, metric, with how each number is known."""
    base, s = result.base, result.base.stations
    table = s.table
    return pandas.DataFrame(
        {
            "controller": table.controllers,
            "program": table.programmes,
            "station": table.names,
            "kind": table.kind,
            "plant": table.plant,
            "soil": table.soil,
            "area_m2": s.area_m2.round(1),
            "flow_l_min": s.flow_l_min.round(2),
            "rate_mm_h": s.rate_mm_h.round(2),
            "run_time_multiplier": s.multiplier.round(3),
            "plant_factor": s.factor[:, base.peak_month].round(3),
            "net_mm_week": base.weekly_mm.round(1),
            "interval_days": base.interval_d.round(1),
            "days_a_week": base.days_a_week,
            "run_min": base.run_min,
            "cycles": base.cycles,
            "cycle_min": base.cycle_min,
            "soak_min": base.soak_min,
            "liters_a_watering_day": base.volume_l.round(0),
            "pipe_m_s": base.velocity_m_s.round(2),
            **{f"{key}_known": [k.mark.value for k in known] for key, known in s.basis.items()},
        }
    )


def year_rows(result: ProgrammeResult) -> pandas.DataFrame:
    """A row a month: percentage, then minutes and liters of each program."""
    year = result.year
    columns: dict[str, Any] = {
        "month": MONTHS,
        "percent_of_base": year.percent.round(1),
        "percent_of_peak": year.of_peak.round(1),
        "irrigates": year.season,
        "rain_that_counts_mm": year.rain_mm.round(1),
        "need_after_rain_l": year.after_rain_l.round(0),
    }
    for (controller, name), minutes, liters in zip(year.programmes, year.minutes, year.volume_l, strict=True):
        columns[f"{controller} {name}: minutes"] = minutes.round(0)
        columns[f"{controller} {name}: liters"] = liters.round(0)
    return pandas.DataFrame(columns)


def _at_controllers(result: ProgrammeResult, rows: pandas.DataFrame) -> geopandas.GeoDataFrame:
    """Stations at their controller's place, or inside the site where the controllers layer does not have it."""
    there = result.site.controllers
    degrees = to_lonlat(result.site.crs)
    inside = result.site.outline.representative_point()
    places = {name: there.xyz[k, :2] for k, name in enumerate(there.names)}
    xy = np.array([places.get(name, (inside.x, inside.y)) for name in rows.controller], float)
    at = degrees(xy)
    return geopandas.GeoDataFrame(rows, geometry=geopandas.points_from_xy(at[:, 0], at[:, 1]), crs="EPSG:4326")


def programme_data(result: ProgrammeResult) -> dict[str, Any]:
    base, first = result.base, result.first
    labels = result.zones.table.labels
    return {
        "title": result.plan.title,
        "site": result.site.name,
        "zone": labels[result.zone] if result.zone >= 0 else None,
        "base_eto_mm_day": base.base_eto_mm_day,
        "peak_month": MONTHS[base.peak_month],
        "eto_mm_day": result.eto_mm_day,
        "season": result.season,
        "programs": [
            {
                "controller": p.controller,
                "program": p.name,
                "stations": [base.stations.table.names[k] for k in p.rows],
                "days": p.days,
                "longest_gap_days": p.longest_gap_d,
                "soil_does_not_last": [base.stations.table.names[k] for k in p.dry_rows],
                "minutes_a_watering_day": float(np.nansum(base.run_min[list(p.rows)])),
            }
            for p in base.programmes
        ],
        "controllers": [
            {
                "name": load.name,
                "needed_h": load.needed_h,
                "window_h": load.window_h,
                "fits": load.fits,
                "flow_l_min": load.flow_l_min,
                "supply_l_min": load.supply_l_min,
                "flow_within_supply": load.enough,
            }
            for load in base.loads
        ],
        "year": {
            "percent_of_base": result.year.percent,
            "liters": sum_of_known(result.year.volume_l),
            "need_after_rain_l": result.year.after_rain_l,
            "rain_rule": result.plan.programme.rain,
        },
        "dry_and_wet_years": None
        if result.years is None
        else {"years": result.years.years, "need_l": result.years.need_l},
        "budget": None
        if result.budget is None
        else {
            "rule": result.budget.rule,
            "allowed_l": result.budget.allowed_l,
            "estimated_l": result.budget.estimated_l,
            "within": result.budget.passes,
        },
        "manual": [
            {
                "controller": m.controller,
                "program": m.programme,
                "reason": m.reason,
                "percent": m.percent,
                "weather_takes_over": None if m.takes_over is None else m.takes_over.isoformat(),
            }
            for m in first.manual
        ],
        "first_day": {
            "start": None if first.start is None else first.start.isoformat(),
            "come_back": None if first.come_back is None else [d.isoformat() for d in first.come_back],
            "first_cleaning": None if first.cleaning is None else first.cleaning.isoformat(),
        },
        "measured_horizon": None
        if result.built is None or result.built.measured_share is None
        else {"light_share": result.built.measured_share, "direct_h": result.built.measured_direct_h},
        "notices": [str(notice) for notice in result.notices],
    }


def day_rows(result: ReviewResult) -> pandas.DataFrame:
    """A row a day of the log."""
    log, expected, review = result.review.log, result.review.expected, result.review
    return pandas.DataFrame(
        {
            "day": [str(d) for d in log.day],
            "logged_percent": log.percent,
            "expected_percent": expected.percent.round(1),
            "band_low": expected.band[:, 0].round(1),
            "band_high": expected.band[:, 1].round(1),
            "judged": review.judged,
            "hold": log.hold,
            "written": log.written,
            "rain_mm": expected.rain_mm,
            "who": log.who,
            "note": log.note,
        }
    )


def review_data(result: ReviewResult) -> dict[str, Any]:
    review = result.review
    limit, labels = review.limit, result.zones.table.labels
    return {
        "title": result.plan.title,
        "site": result.site.name,
        "log": result.log_name,
        "weather": result.weather or None,
        "base_mm_day": review.expected.base_mm_day,
        "lag_days": result.lag,
        "limit": {
            "days": limit.days,
            "daily_weather": limit.daily_weather,
            "high_percent": limit.high,
            "low_percent": limit.low,
            "said": limit_said(limit, result.plan.review.looks),
        },
        "findings": [
            {
                "cause": finding.cause.value,
                "first": str(finding.first),
                "last": str(finding.last),
                "ratio": finding.ratio,
                "standard_deviations": finding.sure,
                "count": finding.count,
                "who": finding.who or None,
                "zone_that_would_do_it": labels[finding.zone] if finding.zone >= 0 else None,
                "trim_percent": finding.trim_percent,
                "next": [todo.value for todo in finding.todo],
                "said": [headline(finding), *evidence(finding, result)],
            }
            for finding in review.findings
        ],
        "not_judged": cannot_tell(result),
        "notices": [str(notice) for notice in result.notices],
    }
