"""One site from plan to result: the rooms called in order. No files are written here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import PurePath

import numpy as np

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult
from planner.climate.zones import zone_sites
from planner.decide import Decision, Part, decide, got_at
from planner.layers import lonlat_shapes, named_xy, read_site, site_weather
from planner.ledger import Kind, Ledger, Notice
from planner.local_climate import climate_at, picture_around, table_of
from planner.mounts import Mounts, Refined, Support, find_mounts, refine
from planner.plan import Plan, PlanFile
from planner.rain import RainResult, rain_and_surroundings
from planner.reach import ReachResult, margin, reach
from planner.reach.repeaters import Relays, fed_by, relays
from planner.reach.scene import scene
from planner.reach.study import ReachStudy, finer, study
from planner.season import SeasonBasis, season_months
from planner.site import Bools, Floats, Site
from planner.siting import Siting, siting
from planner.sun import SunResult, SunTable, sun_table, year_of_light
from planner.sun.grid import LightGrid, light_grid
from planner.sun.leaves import CrownLight, leaf_share
from planner.sun.losses import DayOfSun, day_of_sun
from planner.sun.shading import Shading, shading
from planner.sun.sky import spread_sky, sun_table_from_weather
from planner.sun.spread import Doubt, LightSpread, carriers, light_spread
from planner.sun.water import WaterBias, eto_bias_from_eto

Progress = Callable[[str, int, int], None]  # (what is being done, done, total)


@dataclass(frozen=True)
class SiteResult:
    """Everything that was found for one site; `show` draws it, and nothing more is computed there.

    season: (12,) months that irrigation runs; season_basis: how these were found.
    climate_picture: peak-month ETo around the site, for the map.
    losses, refined, light_spread: by row of the mounts that get a card, and of those the plan names: who takes
    their sun, what a little more mast or a step aside would buy, and how sure their light is.
    light: over the whole site, where the plan asks for it. water: how far the ETo reported at each mount is from
    the open site's. siting: classes of each mount. reach_study: links, coverage, fewest sensors and cables, worked
    out for the mounts that get a card.
    """

    plan: Plan
    site: Site
    mounts: Mounts
    sun_table: SunTable
    sun: SunResult
    rain: RainResult
    reach: ReachResult
    climate: SiteClimate
    zone: ZoneResult
    season: Bools
    season_basis: SeasonBasis
    decision: Decision
    climate_picture: ClimatePicture | None
    notices: tuple[Notice, ...]
    losses: Mapping[int, DayOfSun] = field(default_factory=dict)
    refined: Mapping[int, Refined] = field(default_factory=dict)
    light: LightGrid | None = None
    reach_study: ReachStudy | None = None
    water: WaterBias | None = None
    siting: Siting | None = None
    light_spread: Mapping[int, LightSpread] = field(default_factory=dict)

    @cached_property
    def room(self) -> Floats:
        """(n, m) margin of each mount to each controller: 0 at the limit, negative out of reach."""
        return margin(self.reach, self.plan.sensor)


def run_site(source: PlanFile, ledger: Ledger, progress: Progress | None = None) -> SiteResult:
    """Decide one site.

    Raises PlanError or DataError, saying where and what to do, when the input cannot be used.
    """
    plan = source.plan
    tell = progress or (lambda what, done, total: None)
    tell("reading layers", 0, 1)
    site = read_site(source, ledger)
    tell("climate", 0, 1)
    climate, zone = _climate(source, site, ledger)
    season, season_basis = season_months(
        plan.season.months, climate.eto_mm_day[0], climate.rain_mm[0], climate.t_mean_c[0]
    )
    mounts = find_mounts(site, plan.mounts, plan.sensor.mast_m, named_xy(source, site))
    if not len(mounts):
        ledger.add(
            Kind.CHECK,
            "mounts",
            "there is nothing to mount on inside the site: no building, pole or named point; "
            "mounts.ground_spacing_m tries new posts on open ground",
        )
    _say_passed_over(site, mounts, plan, ledger)
    table = _sun(source, site, ledger)
    shade = _shading(plan, site)
    sun = year_of_light(
        site, mounts.xyz, table, shade, progress=lambda done, total: tell("sun and shade", done, total)
    )
    rain = rain_and_surroundings(site, mounts.xyz, shade.ground)
    if plan.sensor.link == "cable":
        tell("cable routes", 0, 1)
    reached = _reached(plan, site, mounts)
    repeaters = relays(scene(site), plan, mounts, reached, got_at(plan, mounts, rain))
    while True:  # until those that come first do so by cables on fine cells
        decision = decide(plan, mounts, sun, rain, reached, season, repeaters)
        shown = [k for k in (decision.chosen, *decision.runners_up) if k >= 0]
        closer = finer(site, plan, mounts, reached, shown)
        if closer is reached:
            break
        reached = closer
    named = [k for k, support in enumerate(mounts.support) if support is Support.NAMED and k not in shown]
    tell("what takes the sun", 0, 1)
    losses = {
        k: day_of_sun(site, mounts.xyz[k], table, season, shade, time_zone=plan.time_zone) for k in (*shown, *named)
    }
    spreads = light_spread(
        site,
        mounts.xyz[[*shown, *named]],
        carriers(site, mounts.xyz, mounts.building)[[*shown, *named]],
        table,
        Doubt(plan.sun.placing_sd_m, plan.sun.heights_sd_share, plan.sun.crown_light_sd),
        shade,
    )
    refined = _refined(plan, site, mounts, table, season, shade, [*shown, *named], decision, repeaters)
    light = _light(plan, site, table, shade, ledger, tell) if plan.outputs.light_grid else None
    water = eto_bias_from_eto(
        sun.light_share,
        climate.eto_mm_day[0],
        climate.t_mean_c[0],
        site.latitude_deg,
        max(0.0, np.nan_to_num(site.elevation_m)),
    )
    found = _study(plan, site, mounts, reached, decision, repeaters, ledger, tell)
    picture = picture_around(source, np.array([site.longitude_deg]), np.array([site.latitude_deg]), ledger)
    return SiteResult(
        plan,
        site,
        mounts,
        table,
        sun,
        rain,
        found.reached if found is not None else reached,
        climate,
        zone,
        season,
        season_basis,
        decision,
        picture,
        tuple(ledger),
        losses,
        refined,
        light,
        found,
        water,
        siting(site, mounts.xyz, sun, rain, season),
        dict(zip((*shown, *named), spreads, strict=True)),
    )


def _say_passed_over(site: Site, mounts: Mounts, plan: Plan, ledger: Ledger) -> None:
    """Say which buildings gave no candidate although they might, and what is not tried beside a surface model."""
    if not (plan.mounts.roof_edges or plan.mounts.walls):
        return
    with_one = set(mounts.building.tolist())
    without = [
        site.buildings.names[k]
        for k, shape in enumerate(site.buildings.shapes)
        if k not in with_one and site.mountable[k] and site.outline.contains(shape.representative_point())
    ]
    if without:
        ledger.add(Kind.CHECK, "mounts", "no edge long enough for a bracket: not tried", without)
    if site.surface is not None and plan.mounts.walls:
        ledger.add(
            Kind.ASSUMED,
            "mounts.walls",
            "wall tops are not tried: where a surface model shades, its cells do not show the wall that a bracket "
            "would hang on",
        )


def _sun(source: PlanFile, site: Site, ledger: Ledger) -> SunTable:
    """The sun's year: under a clear sky, or with the clouds of a weather file; the sky's light spread as asked."""
    plan, elevation_m = source.plan, max(0.0, float(np.nan_to_num(site.elevation_m)))
    weather = site_weather(source, site, ledger)
    if weather is None:
        table = sun_table(
            site.latitude_deg, site.longitude_deg, elevation_m, plan.sun.step_minutes, plan.sun.day_step
        )
    else:
        table = sun_table_from_weather(weather, site.latitude_deg, site.longitude_deg, plan.sun.step_minutes)
        ledger.add(
            Kind.ASSUMED,
            "sun.weather",
            f"light is weighed by the clouds of {weather.name} at {weather.latitude_deg:.2f}, "
            f"{weather.longitude_deg:.2f} ({PurePath(str(plan.sun.weather)).name}); hours of direct "
            "sun are those of a clear sky",
        )
    return spread_sky(table, plan.sun.sky)


def _shading(plan: Plan, site: Site) -> Shading:
    """How a year of light is reckoned: the same for mounts, trials, losses and the grid."""
    return shading(
        site,
        terrain_reach_m=plan.sun.terrain_km * 1000,
        crown_light=CrownLight(plan.sun.crown_in_leaf, plan.sun.crown_leafless, plan.sun.crown_light == "by path"),
        in_leaf=leaf_share(site.latitude_deg, plan.sun.leaf_dates()),
    )


def _reached(plan: Plan, site: Site, mounts: Mounts) -> ReachResult:
    """Links of mounts, and cable routes where the sensor has a cable."""
    return reach(
        site,
        mounts.xyz,
        mounts.height_m,
        plan.sensor,
        plan.reach,
        plan.cable,
        plan.prices,
        plan.units,
        plan.requirements.max_range_share,
    )


def _refined(
    plan: Plan,
    site: Site,
    mounts: Mounts,
    table: SunTable,
    season: Bools,
    shade: Shading,
    rows: Sequence[int],
    decision: Decision,
    repeaters: Relays,
) -> dict[int, Refined]:
    """Trials beside and above some mounts, judged as the mounts were.

    decision, repeaters: what was found for these. The trials are not all the candidates: where the plan asks for
    the fewest sensors, each must fit in a plan as good as the best one without it.
    """
    free = plan.model_copy(update={"mounts": plan.mounts.model_copy(update={"choose": None})})

    def judge(trials: Mounts) -> tuple[Floats, Floats]:
        sun = year_of_light(site, trials.xyz, table, shade)
        rain = rain_and_surroundings(site, trials.xyz, shade.ground)
        reached = _reached(plan, site, trials)
        fed = fed_by(scene(site), plan, trials, reached, repeaters)
        score = decide(free, trials, sun, rain, reached, season, fed, decision.sharing).score
        among = np.flatnonzero(season) if season.any() else np.arange(12)
        return sun.light_share[:, among].min(axis=1), score

    return refine(site, mounts, rows, judge)


def _study(
    plan: Plan,
    site: Site,
    mounts: Mounts,
    reached: ReachResult,
    decision: Decision,
    repeaters: Relays,
    ledger: Ledger,
    tell: Progress,
) -> ReachStudy | None:
    """What comes after the decision; None where there is nothing to reach."""
    if not len(site.controllers):
        return None
    tell("links and cables", 0, 1)
    parts = [k for k, part in enumerate(decision.parts) if part is not Part.REACH]
    row = decision.chosen if decision.chosen >= 0 else decision.nearest
    usable = np.zeros(len(mounts), bool)
    usable[decision.usable] = True
    if decision.chosen >= 0:
        usable[decision.chosen] = True  # the plan may have chosen it in spite of a requirement
    if plan.sensor.link == "radio":
        for said in reached.radio.outside:
            ledger.add(Kind.ASSUMED, "sensor.radio_band_mhz", said)
    found = study(
        site,
        plan,
        mounts,
        reached,
        row,
        decision.runners_up,
        usable,
        decision.part_scores[:, parts].mean(axis=1),
        repeaters,
        keep=decision.chosen >= 0,
    )
    coarse_m, fine_m = reached.cable_cell_m, found.cable_cell_m
    asked = ledger.length(plan.cable.cell_m)
    if fine_m > plan.cable.cell_m:
        ledger.add(
            Kind.ASSUMED,
            "cable.cell_m",
            f"cable routes are sought on cells of {ledger.length(fine_m)}, not {asked}: the site is large",
        )
    if coarse_m > fine_m:
        ledger.add(
            Kind.ASSUMED,
            "cable.cell_m",
            f"which mounts a cable reaches was sought on cells of {ledger.length(coarse_m)}: there are many "
            f"controllers; those with a card and those of the plan were sought again on {ledger.length(fine_m)}",
        )
    if found.layouts is not None and len(found.layouts.beyond) and plan.requirements.reach != "off":
        ledger.add(
            Kind.CHECK,
            "requirements.reach",
            "no place that meets the other requirements reaches these controllers"
            + ("; the others are served" if found.layouts.best is not None else ""),
            [site.controllers.names[k] for k in found.layouts.beyond],
        )
    return found


def _light(plan: Plan, site: Site, table: SunTable, shade: Shading, ledger: Ledger, tell: Progress) -> LightGrid:
    grid = light_grid(
        site,
        table,
        cell_m=plan.outputs.light_cell_m,
        ground_m=plan.mounts.ground_post_m,
        roof_m=plan.sensor.mast_m,
        progress=lambda done, total: tell("light over the site", done, total),
        year=partial(year_of_light, shade=shade),
    )
    if grid.cell_m > plan.outputs.light_cell_m:
        ledger.add(
            Kind.ASSUMED,
            "outputs.light_cell_m",
            f"cells of {ledger.length(grid.cell_m)} taken, not {ledger.length(plan.outputs.light_cell_m)}: the "
            "site is large",
        )
    return grid


def _climate(source: PlanFile, site: Site, ledger: Ledger) -> tuple[SiteClimate, ZoneResult]:
    plan = source.plan
    given = plan.climate.elevation_m
    elevation_m = np.array([given if given is not None else site.elevation_m])
    climate = climate_at(source, lonlat_shapes([site.outline], site.crs), elevation_m, ledger, names=[site.name])
    table = table_of(source, ledger)
    return climate, zone_sites(climate, np.array([site.latitude_deg]), table, plan.climate.description, plan.units)
