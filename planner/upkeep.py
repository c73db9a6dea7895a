"""After the mount is found: the base program, the first day, what was built, and the review of the log.

The rooms called in order, as `job` does for the site; no files are written here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from planner.climate.answer import SiteClimate, ZoneResult
from planner.climate.days import StationDays, clearness, month_of, station_days
from planner.job import SiteResult, climate_and_zone, run_site
from planner.layers import read_site
from planner.layers.horizon import read_horizon
from planner.layers.log import read_log
from planner.layers.source import locate
from planner.layers.station_days import read_days
from planner.layers.station_table import Words, read_station_table
from planner.ledger import DataError, Kind, Ledger, Notice, PlanError, nearest
from planner.notebook import Drawn
from planner.plan import Origin, Plan, PlanFile
from planner.plan.schema import NamedMount
from planner.programme import knowledge
from planner.programme.base import BaseProgramme, base_programme
from planner.programme.budget import BudgetCheck, check_budget
from planner.programme.firstday import FirstDay, Manual, first_day, manual_programmes
from planner.programme.runtime import L_PER_GAL
from planner.programme.stations import settle
from planner.programme.year import YearAhead, YearsSpread, year_ahead, years_spread
from planner.readings import DAY
from planner.review.asked import Ask
from planner.review.expected import expected
from planner.review.verdict import Review, best_lag, review_log
from planner.season import season_months
from planner.site import Bools, Floats, Site
from planner.sun import sun_table
from planner.sun.measured import light_under

Progress = Callable[[str, int, int], None]
BUILT = "as built"
LEAST_YEARS = 3


@dataclass(frozen=True)
class Built:
    """What was mounted against what was planned; NaN where a place is not told.

    planned, built: results of the site with the plan's mount and with the one that was built; None where the plan
    tells no place. measured_share, measured_direct_h (12,): under the measured horizon; None where there is none.
    """

    planned: SiteResult | None
    built: SiteResult | None
    measured_share: Floats | None
    measured_direct_h: Floats | None


@dataclass(frozen=True)
class ProgrammeResult(Drawn):
    """The base program of a site and what follows from it.

    zone: row of the zone table that is set, -1 where none is. eto_mm_day, rain_mm (12,): normals. season (12,).
    years: dry and wet years, None without daily weather of three years. budget: None unless asked for.
    """

    plan: Plan
    site: Site
    climate: SiteClimate
    zones: ZoneResult
    zone: int
    season: Bools
    base: BaseProgramme
    year: YearAhead
    years: YearsSpread | None
    budget: BudgetCheck | None
    first: FirstDay
    built: Built | None
    notices: tuple[Notice, ...]
    origin: Origin | None = field(default=None, compare=False, repr=False)

    @property
    def eto_mm_day(self) -> Floats:
        return np.asarray(self.climate.eto_mm_day[0])


@dataclass(frozen=True)
class ReviewResult(Drawn):
    """A log judged. zone: row of the table that the expectation rests on, -1 where the plan gives the base. lag:
    days by which the log comes after its weather. weather: name of the station, '' where only normals are known."""

    plan: Plan
    site: Site
    climate: SiteClimate
    zones: ZoneResult
    zone: int
    review: Review
    lag: int
    weather: str
    log_name: str
    notices: tuple[Notice, ...]
    origin: Origin | None = field(default=None, compare=False, repr=False)


def words_known() -> Words:
    return Words(
        knowledge.KINDS,
        tuple(knowledge.PLANTS),
        knowledge.PLANT_ALSO,
        tuple(knowledge.SOILS),
        knowledge.SOIL_ALSO,
    )


def run_programme(plan_file: PlanFile, ledger: Ledger, progress: Progress | None = None) -> ProgrammeResult:
    """The base program at 100%, the year ahead, the first day, and what was built.

    Parameters
    ----------
    plan_file
        With `programme.stations`.
    ledger
        Told what was repaired, assumed or left out.
    progress
        Called with (what, done, total).

    Returns
    -------
    ProgrammeResult
        One row a station.

    Raises
    ------
    PlanError, DataError
        Where, and what to do.
    """
    tell = progress or (lambda what, done, total: None)
    plan, asked = plan_file.plan, plan_file.plan.programme
    tell("reading stations", 0, 1)
    table = read_station_table(plan_file, words_known(), ledger)
    soil = knowledge.SOIL_ALSO.get(asked.soil, asked.soil)
    if soil not in knowledge.SOILS:
        raise PlanError(
            f"{plan_file.path}: programme.soil",
            f"'{asked.soil}' is not a soil texture that is known",
            nearest(asked.soil, knowledge.SOILS),
        )
    tell("climate", 0, 1)
    site = read_site(
        plan_file, Ledger(ledger.units)
    )  # its outline alone is used: `noonmark check` tells of the rest
    local = climate_and_zone(plan_file, site, ledger)
    climate, zones = local.climate, local.zone
    row = _zone_row(plan_file, zones)
    eto, rain = climate.eto_mm_day[0], climate.rain_mm[0]
    _known(eto, "the base program")
    season, _ = season_months(plan.season.months, eto, rain, climate.t_mean_c[0])
    unlike = [
        c for c in dict.fromkeys(table.controllers) if len(site.controllers) and c not in site.controllers.names
    ]
    if unlike and len(set(table.controllers)) > 1:
        ledger.add(Kind.CHECK, "programme.stations", "controllers that the controllers layer does not have", unlike)
    stations = settle(table, soil, asked.plant_factor)
    supply = asked.supply_flow_l_min
    if asked.supply_flow_gpm is not None:
        supply = asked.supply_flow_gpm * L_PER_GAL
    base = base_programme(
        stations,
        int(np.argmax(eto)),
        _base_mm_day(asked.base_eto_mm_day, zones, row, eto),
        asked.days,
        asked.window_hours(),
        asked.stations_at_once,
        supply,
    )
    without = [f"{table.controllers[k]} {table.names[k]}" for k in np.flatnonzero(np.isnan(base.run_min))]
    if without:
        ledger.add(
            Kind.SKIPPED,
            "programme.stations",
            "no run time: neither a precipitation rate, nor flow and area, nor catch cans are given",
            without,
        )
    ahead = year_ahead(base, eto, rain, season, asked.rain)
    years = _years(plan_file, base, eto, season, site, ledger)
    budget = None
    if asked.budget != "none":
        budget = check_budget(asked.budget, stations, eto, base.peak_month)
    built = _built(plan_file, site, ledger, tell)
    manual = _manual(plan_file, base)
    cable = plan.sensor.link == "cable"
    loops = _loops(plan_file, built, ledger, tell) if cable else ()
    first = first_day(base, manual, asked.start or plan.as_built.mounted, season, loops, cable)
    return ProgrammeResult(
        plan,
        site,
        climate,
        zones,
        row,
        season,
        base,
        ahead,
        years,
        budget,
        first,
        built,
        tuple(ledger),
        plan_file.origin(),
    )


def _known(eto: Floats, what: str) -> None:
    if not np.isfinite(eto).all():
        raise DataError(
            "climate", f"ETo is not known in every month, so {what} cannot be worked out", "Give an ETo layer"
        )


def _zone_row(plan_file: PlanFile, zones: ZoneResult) -> int:
    """Row of the zone that is set: the plan's word, else the answer's."""
    plan = plan_file.plan
    for key, said in (("review.zone", plan.review.zone), ("as_built.zone", plan.as_built.zone)):
        if said is not None:
            if said not in zones.table.labels:
                raise PlanError(
                    f"{plan_file.path}: {key}",
                    f"the zone table has no zone '{said}'",
                    nearest(said, zones.table.labels),
                )
            return zones.table.labels.index(said)
    return int(zones.zone[0])


def _base_mm_day(given: float | None, zones: ZoneResult, row: int, eto: Floats) -> float:
    if given is not None:
        return given
    return float(zones.table.peak_mm_day[row]) if row >= 0 else float(np.max(eto))


def _manual(plan_file: PlanFile, base: BaseProgramme) -> tuple[Manual, ...]:
    asked = plan_file.plan.programme
    rules = [Manual(m.controller or "", m.programme, m.reason, m.percent, m.start, m.days) for m in asked.manual]
    try:
        return manual_programmes(base, rules, asked.start or plan_file.plan.as_built.mounted)
    except ValueError as fault:
        known = ", ".join(f"{p.controller} {p.name}" for p in base.programmes)
        raise PlanError(f"{plan_file.path}: programme.manual", str(fault), f"Programs there are: {known}") from None


def _days_of(plan_file: PlanFile, key: str, text: str, site: Site, ledger: Ledger) -> StationDays:
    """Daily weather that the plan names, with its ETo."""
    how = plan_file.plan.review
    path = locate(plan_file, key, text)
    found = read_days(path, f"{key} ({path.name})", how.weather_wind_height_m, ledger)
    latitude, elevation = _station_place(plan_file, site)
    days = station_days(found, latitude, elevation)
    kinds = [k for k in dict.fromkeys(days.how) if k]
    if "Hargreaves-Samani" in kinds:
        ledger.add(
            Kind.ASSUMED,
            f"{key} ({path.name})",
            "ETo of its days is by Hargreaves-Samani, from temperature alone; a file with ETo, or with sun, wind "
            "and humidity, is surer",
        )
    if not np.isfinite(days.eto_mm).any():
        raise DataError(f"{key} ({path.name})", "no day of it has an ETo", "Give a file with ETo, or with weather")
    return days


def _station_place(plan_file: PlanFile, site: Site) -> tuple[float, float]:
    how = plan_file.plan.review
    latitude = site.latitude_deg if how.weather_latitude is None else how.weather_latitude
    own = plan_file.plan.climate.elevation_m if plan_file.plan.climate.elevation_m is not None else site.elevation_m
    elevation = own if how.weather_elevation_m is None else how.weather_elevation_m
    return latitude, float(np.nan_to_num(elevation))


def _years(
    plan_file: PlanFile, base: BaseProgramme, eto: Floats, season: Bools, site: Site, ledger: Ledger
) -> YearsSpread | None:
    asked = plan_file.plan.programme
    if asked.daily is None:
        return None
    days = _days_of(plan_file, "programme.daily", asked.daily, site, ledger)
    years = days.day.astype("datetime64[Y]").astype(np.int64) + 1970
    months = month_of(days.day)
    whole, eto_mm, rain_mm = [], [], []
    for year in np.unique(years):
        sums, rains, counts = np.zeros(12), np.zeros(12), np.zeros(12)
        for m in range(12):
            here = (years == year) & (months == m) & np.isfinite(days.eto_mm)
            counts[m] = here.sum()
            if counts[m]:
                sums[m] = days.eto_mm[here].mean() * {1: 28.25}.get(m, 30.4)
                rains[m] = np.nansum(days.rain_mm[here])
        if (counts >= 25).all():
            whole.append(int(year))
            eto_mm.append(sums)
            rain_mm.append(rains)
    if len(whole) < LEAST_YEARS:
        ledger.add(Kind.SKIPPED, "programme.daily", f"{len(whole)} whole years in it: dry and wet years need three")
        return None
    rule = asked.rain
    return years_spread(base, np.array(whole), np.array(eto_mm), np.array(rain_mm), eto, season, rule)


def _built(plan_file: PlanFile, site: Site, ledger: Ledger, tell: Progress) -> Built | None:
    """The answer made anew for what was mounted."""
    said, plan = plan_file.plan.as_built, plan_file.plan
    planned = built = None
    share = direct = None
    if said.x is not None and said.y is not None and said.height_m is not None:
        point = NamedMount(
            name=BUILT, x=said.x, y=said.y, crs=said.crs, height_m=said.height_m, support=said.support
        )
        mounts = plan.mounts.model_copy(update={"named": (*plan.mounts.named, point), "choose": BUILT})
        anew = PlanFile(plan_file.path, plan.model_copy(update={"mounts": mounts}), plan_file.variables)
        tell("the site as planned", 0, 1)
        planned = run_site(plan_file, Ledger(ledger.units))
        tell("the site as built", 0, 1)
        built = run_site(anew, Ledger(ledger.units))
    if said.horizon is not None:
        path = locate(plan_file, "as_built.horizon", said.horizon)
        azimuth, elevation = read_horizon(path, f"as_built.horizon ({path.name})")
        table = sun_table(
            site.latitude_deg,
            site.longitude_deg,
            max(0.0, float(np.nan_to_num(site.elevation_m))),
            plan.sun.step_minutes,
            plan.sun.day_step,
        )
        direct, share = light_under(table, azimuth, elevation)
    if planned is None and share is None and not said.model_fields_set:
        return None
    return Built(planned, built, share, direct)


def _loops(
    plan_file: PlanFile, built: Built | None, ledger: Ledger, tell: Progress
) -> tuple[tuple[str, float], ...]:
    """Loop resistance that the cable check computed, by controller: for what was mounted, else as planned."""
    result = built.built if built is not None else None
    if result is None:
        tell("the cables of the site as planned", 0, 1)
        result = run_site(plan_file, Ledger(ledger.units))
    if result.reach_study is None:
        return ()
    found = zip(result.site.controllers.names, result.reach_study.cables, strict=True)
    return tuple((name, float(run.wire.loop_ohm)) for name, run in found if run is not None)


def run_review(
    plan_file: PlanFile, log_path: Path, ledger: Ledger, progress: Progress | None = None
) -> ReviewResult:
    """A controller's log against what the weather of its days should have made of it.

    Parameters
    ----------
    plan_file
        With `[review]`.
    log_path
        The log.
    ledger
        Told what was repaired, assumed or left out.
    progress
        Called with (what, done, total).

    Returns
    -------
    ReviewResult
        Verdicts, and the days that they rest on.

    Raises
    ------
    PlanError, DataError
        Where, and what to do.
    """
    tell = progress or (lambda what, done, total: None)
    plan, how = plan_file.plan, plan_file.plan.review
    tell("reading the log", 0, 1)
    log = read_log(Path(log_path), how, ledger)
    tell("climate", 0, 1)
    site = read_site(
        plan_file, Ledger(ledger.units)
    )  # its outline alone is used: `noonmark check` tells of the rest
    local = climate_and_zone(plan_file, site, ledger)
    climate, zones = local.climate, local.zone
    eto, rain = climate.eto_mm_day[0], climate.rain_mm[0]
    _known(eto, "the expectation")
    row = -1 if how.base_mm_day is not None else _zone_row(plan_file, zones)
    base = _base_mm_day(how.base_mm_day, zones, row, eto)
    weather = clear = None
    if how.weather is not None:
        weather = _days_of(plan_file, "review.weather", how.weather, site, ledger)
        shared = np.isin(log.day, weather.day[np.isfinite(weather.eto_mm)])
        if not shared.any():
            raise DataError(
                f"review.weather ({Path(how.weather).name})",
                f"it runs from {weather.day[0]} to {weather.day[-1]}, the log from {log.day[0]} to {log.day[-1]}",
                "Give the weather of the log's own days, or leave review.weather out",
            )
        clear = clearness(weather, *_station_place(plan_file, site))
    ask = Ask(
        how.trailing_days,
        how.looks,
        how.false_alarms,
        how.noise_sd,
        how.constant_sd,
        _settled(plan_file),
        None if how.learn_until is None else np.datetime64(how.learn_until),
        _establishment(plan_file),
        how.equation == "temperature and sun",
        how.lowest_percent,
        how.highest_percent,
    )
    by_lag = [
        expected(log.day, weather, clear, eto, rain, base, ask, lag)
        for lag in ((0, 1, 2) if weather is not None else (0,))
    ]
    lag = best_lag(log, by_lag) if weather is not None else 0
    review = review_log(
        log, by_lag[lag], ask, peak_mm_day=float(np.max(eto)), zone_peaks_mm_day=zones.table.peak_mm_day
    )
    return ReviewResult(
        plan,
        site,
        climate,
        zones,
        row,
        review,
        lag,
        "" if how.weather is None else Path(how.weather).name,
        Path(log_path).name,
        tuple(ledger),
        plan_file.origin(Path(log_path)),
    )


def _settled(plan_file: PlanFile) -> np.datetime64 | None:
    mounted = plan_file.plan.as_built.mounted or plan_file.plan.programme.start
    return None if mounted is None else np.datetime64(mounted) + plan_file.plan.review.settle_days * DAY


def _establishment(plan_file: PlanFile) -> tuple[tuple[np.datetime64, np.datetime64, float], ...]:
    """Spans in which programs stay manual, with their percentage."""
    asked = plan_file.plan.programme
    spans = []
    for rule in asked.manual:
        start = rule.start or asked.start or plan_file.plan.as_built.mounted
        if start is not None and rule.days is not None:
            first = np.datetime64(start)
            spans.append((first, first + rule.days * DAY, rule.percent))
    return tuple(spans)
