"""One site from plan to result: the rooms called in order. No files are written here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import PurePath
from typing import TYPE_CHECKING

import numpy as np
import shapely

from planner.climate.answer import ClimatePicture, SiteClimate, ZoneResult
from planner.climate.eto import MonthlyInputs
from planner.climate.zones import zone_sites
from planner.decide import Decision, decide, got_at, substitutes
from planner.layers import lonlat_shapes, named_xy, read_site, site_weather, with_named
from planner.ledger import Kind, Ledger, Notice, PlanError
from planner.local_climate import climate_and_weather_at, table_of
from planner.mounts import Mounts, Refined, Support, find_mounts, refine
from planner.notebook import Drawn
from planner.plan import Origin, Plan, PlanFile
from planner.rain import RainResult, rain_and_surroundings
from planner.reach import ReachResult, reach
from planner.reach.layouts import Question
from planner.reach.radio import FOLIAGE_FROM_MHZ, MATERIALS, SPREAD_FROM_MHZ, Outside, assumed, rated_m
from planner.reach.repeaters import Relays, fed_by, relays
from planner.reach.scene import Scene as RadioScene
from planner.reach.scene import scene as radio_scene
from planner.reach.study import Judged, ReachStudy, finer
from planner.reach.study import study as study_of
from planner.reach.wire import sensor_cable
from planner.records import compared
from planner.season import SeasonBasis, season_months
from planner.site import Bools, Floats, Ints, Site
from planner.siting import Siting, siting
from planner.sun import SunResult, SunTable, sun_table, year_of_light
from planner.sun.grid import LightGrid, light_grid
from planner.sun.leaves import CrownLight, leaf_share
from planner.sun.losses import DayOfSun, day_of_sun
from planner.sun.shading import Shading, shading
from planner.sun.sky import spread_sky, sun_table_from_weather
from planner.sun.spread import Doubt, LightSpread, carriers, light_spread
from planner.sun.water import WaterBias, eto_bias, eto_bias_from_eto

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

Progress = Callable[[str, int, int], None]  # (what is being done, done, total)


@compared
@dataclass(frozen=True)
class SiteResult(Drawn):
    """Everything that was found for one site; `show` draws it, and nothing more is computed there.

    season: (12,) months that irrigation runs; season_basis: how these were found.
    places: rows of the mounts that get a sensor, the chosen one first: several where they share the controllers.
    substitutes: for each of these the row of the best other place with which every controller stays served, -1
    where there is none. climate_picture: peak-month ETo around the site, for the map.
    losses, refined, light_spread: by row of the places, the runners-up, and those the plan names: who takes
    their sun, what a little more mast or a step aside would buy, and how sure their light is.
    light: over the whole site, where the plan asks for it. water: how far the ETo reported at each mount is from
    the open site's. siting: classes of each mount. reach_study: links, coverage, fewest sensors and cables, worked
    out for the mounts that get a card. origin: the plan's file, and those that it reads: none is written to.
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
    places: tuple[int, ...] = ()
    substitutes: Mapping[int, int] = field(default_factory=dict)
    origin: Origin | None = field(default=None, compare=False, repr=False)

    @property
    def room(self) -> Floats:
        """(n, m) margin of each mount to each controller: 0 at the limit, negative out of reach."""
        return self.reach.room

    def mounts_table(self) -> GeoDataFrame:
        """Every candidate with its verdict and its numbers.

        Returns
        -------
        geopandas.GeoDataFrame
            One row a candidate, indexed by `id`, points in EPSG:4326. `verdict`, `ruled_out_by` (codes of the
            requirements, space between) and `support` are codes of :mod:`planner.decide` and
            :mod:`planner.mounts`; `score` is 0 to 100, missing where ruled out; `height_m` above ground;
            `light_share` and `direct_h_day` of the worst irrigation month; `passes_*` one column a requirement;
            `controllers_reached` where there are controllers.
        """
        import geopandas

        d, n = self.decision, len(self.mounts)
        rank = {row: k + 1 for k, row in enumerate(d.order)}
        rows = np.arange(n)
        columns = {
            "verdict": [d.verdict(k).value for k in range(n)],
            "rank": [rank.get(k) for k in range(n)],
            "score": d.score,
            "ruled_out_by": [" ".join(short.requirement for short in shorts) for shorts in d.shortfalls],
            "support": [support.value for support in self.mounts.support],
            "fixed_to": [holder.name for holder in self.mounts.holder],
            "height_m": self.mounts.height_m,
            "facing_deg": self.mounts.facing_deg,
            "light_share": self.sun.light_share[rows, d.worst_month],
            "direct_h_day": self.sun.direct_h[rows, d.short_month],
            "steepest_deg": self.rain.steepest_deg,
            **{f"passes_{code}": d.passes[:, k] for k, code in enumerate(d.requirements)},
        }
        if self.room.shape[1]:
            columns["controllers_reached"] = (self.room >= 0).sum(axis=1)
        at = geopandas.points_from_xy(*self.mounts.xyz[:, :2].T, crs=self.site.crs)
        frame = geopandas.GeoDataFrame(columns, geometry=at, index=list(self.mounts.ids))
        return frame.rename_axis("id").to_crs("EPSG:4326")

    def controllers_table(self) -> GeoDataFrame:
        """Every controller with the place that serves it.

        Returns
        -------
        geopandas.GeoDataFrame
            One row a controller, indexed by `name`, points in EPSG:4326: `served_by` (id of the place of the
            layout with the most room, missing where none reaches it), `distance_m` (metres, in space),
            `probability` that the link holds (missing where the link is a cable), `indoors`.
        """
        import geopandas

        controllers = self.site.controllers
        m = len(controllers)
        places = np.array(self.places, np.int64)
        best = places[self.room[places].argmax(axis=0)] if len(places) else np.full(m, -1)
        each = np.arange(m)
        held = (best >= 0) & (self.room[best, each] >= 0) if m else np.zeros(0, bool)
        links = self.reach.links.probability
        by_radio = held & (self.plan.sensor.link == "radio")
        columns = {
            "served_by": [self.mounts.ids[k] if ok else None for k, ok in zip(best, held, strict=True)],
            "distance_m": np.where(held, self.reach.distance_m[best, each], np.nan),
            "probability": np.where(by_radio, links[best, each], np.nan),
            "indoors": np.asarray(controllers.indoors, bool),
        }
        at = geopandas.points_from_xy(*controllers.xyz[:, :2].T, crs=self.site.crs)
        frame = geopandas.GeoDataFrame(columns, geometry=at, index=list(controllers.names))
        return frame.rename_axis("name").to_crs("EPSG:4326")


@dataclass(frozen=True)
class Scene:
    """What every place of a site is judged by, a candidate as well as a trial beside it."""

    plan: Plan
    site: Site
    season: Bools
    table: SunTable
    shade: Shading
    radio: RadioScene


@dataclass(frozen=True)
class Prepared:
    """A site before any place on it is judged.

    plan_file: with the places of `[layers.named]` among those that its plan names. weather: by the month, where a
    layer gives all that ETo takes. picture: of the climate around.
    """

    plan_file: PlanFile
    climate: SiteClimate
    weather: MonthlyInputs | None
    zone: ZoneResult
    picture: ClimatePicture | None
    season_basis: SeasonBasis
    scene: Scene


@dataclass(frozen=True)
class Seen:
    """Some places, and what was found at them."""

    mounts: Mounts
    sun: SunResult
    rain: RainResult
    reached: ReachResult


def run_site(plan_file: PlanFile, ledger: Ledger, progress: Progress | None = None) -> SiteResult:
    """Decide one site, from its layers to the result.

    Parameters
    ----------
    plan_file
        The plan as it was read.
    ledger
        Told what was repaired, assumed or left out; the result holds its notices.
    progress
        Called with (what is being done, done, total).

    Returns
    -------
    SiteResult

    Raises
    ------
    PlanError, DataError
        The input cannot be used; where and what to do is said.
    """
    tell = progress or _silent
    tell("reading layers", 0, 1)
    return decide_site(prepare(plan_file, read_site(plan_file, ledger), ledger, tell), ledger, tell)


def prepare(plan_file: PlanFile, site: Site, ledger: Ledger, progress: Progress | None = None) -> Prepared:
    """The climate, the season and the sun's year of a site that was read.

    Parameters
    ----------
    plan_file
        As it was read.
    site
        As `read_site` gives it.
    ledger
        Told what was assumed.
    progress
        Called with (what is being done, done, total).

    Returns
    -------
    Prepared

    Raises
    ------
    PlanError, DataError
        The input cannot be used; where and what to do is said.
    """
    tell = progress or _silent
    plan_file = with_named(plan_file, site, ledger)
    plan = plan_file.plan
    tell("climate", 0, 1)
    local = climate_and_zone(plan_file, site, ledger, picture=True)
    climate = local.climate
    season, basis = season_months(
        plan.season.months, climate.eto_mm_day[0], climate.rain_mm[0], climate.t_mean_c[0]
    )
    scene = Scene(plan, site, season, _sun(plan_file, site, ledger), _shading(plan, site), radio_scene(site))
    return Prepared(plan_file, climate, local.weather, local.zone, local.picture, basis, scene)


def on_another_site(prepared: Prepared, site: Site) -> Prepared:
    """The same plan, climate and sun where other things stand on the ground."""
    scene = prepared.scene
    moved = replace(scene, site=site, shade=_shading(scene.plan, site), radio=radio_scene(site))
    return replace(prepared, scene=moved)


def decide_site(prepared: Prepared, ledger: Ledger, progress: Progress | None = None) -> SiteResult:
    """Judge every candidate of a prepared site, and look closely at those that matter.

    Parameters
    ----------
    prepared
        As :func:`prepare` gives it.
    ledger
        Told what was assumed; the result holds its notices.
    progress
        Called with (what is being done, done, total).

    Returns
    -------
    SiteResult

    Raises
    ------
    PlanError
        The plan chooses a mount that is none, or names two places alike.
    """
    tell = progress or _silent
    plan_file, scene, climate = prepared.plan_file, prepared.scene, prepared.climate
    plan, site, season = scene.plan, scene.site, scene.season
    seen = see(scene, _candidates(plan_file, site, ledger), tell)
    repeaters = relays_of(scene, seen.mounts, seen.rain, seen.reached)
    decision, seen = _decided(scene, seen, repeaters)
    study = _study(scene, seen, decision, repeaters, ledger, tell)
    reached = study.reached if study is not None else seen.reached
    places = _places(decision, study)
    rows = _close_up(decision, places, seen.mounts)
    tell("sources of shade", 0, 1)
    losses = {
        k: day_of_sun(site, seen.mounts.xyz[k], scene.table, season, scene.shade, time_zone=plan.time_zone)
        for k in rows
    }
    spreads = spread_at(scene, seen.mounts, rows)
    refined = refine(site, seen.mounts, rows, partial(_tried, scene, repeaters, decision))
    light = _light(scene, ledger, tell) if plan.outputs.light_grid else None
    return SiteResult(
        plan=plan,
        site=site,
        mounts=seen.mounts,
        sun_table=scene.table,
        sun=seen.sun,
        rain=seen.rain,
        reach=reached,
        climate=climate,
        zone=prepared.zone,
        season=season,
        season_basis=prepared.season_basis,
        decision=decision,
        places=places,
        substitutes=substitutes(
            places, decision.order, reached.room >= 0, _feeds(repeaters, study), seen.mounts.xyz
        ),
        climate_picture=prepared.picture,
        notices=tuple(ledger),
        losses=losses,
        refined=refined,
        light=light,
        reach_study=study,
        water=water_bias(prepared, seen.sun),
        siting=siting(site, seen.mounts.xyz, seen.sun, seen.rain, season),
        light_spread=dict(zip(rows, spreads, strict=True)),
        origin=plan_file.origin(),
    )


def _silent(what: str, done: int, total: int) -> None:
    """Progress that nobody watches."""


def _candidates(plan_file: PlanFile, site: Site, ledger: Ledger) -> Mounts:
    """All candidates; says where there is none, and which places the plan names outside the site."""
    plan, at = plan_file.plan, named_xy(plan_file, site)
    outside = [
        f"{point.name}, {ledger.length(away)} off"
        for point, away in zip(plan.mounts.named, shapely.distance(site.outline, shapely.points(at)), strict=True)
        if away > 0
    ]
    if outside:
        ledger.add(Kind.CHECK, "mounts.named", "outside the site's outline, and judged all the same", outside)
    mounts = find_mounts(site, plan.mounts, plan.sensor.mast_m, at)
    for k, point in enumerate(plan.mounts.named, start=1):
        if point.name in mounts.ids and point.name != f"N{k}":  # its own id is no other's
            raise PlanError(
                f"{plan_file.path}: mounts.named",
                f"'{point.name}' is also the id of another candidate",
                "Give it a name of its own: R, W, P, G and N with numbers stand for roofs, walls, poles, ground "
                "and named places",
            )
    if not len(mounts):
        ledger.add(
            Kind.CHECK,
            "mounts",
            "there is nothing to mount on inside the site: no building, pole or named point; "
            "mounts.ground_spacing_m tries new posts on open ground",
        )
    _say_passed_over(site, mounts, plan, ledger)
    return mounts


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


def _sun(plan_file: PlanFile, site: Site, ledger: Ledger) -> SunTable:
    """The sun's year: under a clear sky, or with the clouds of a weather file; the sky's light spread as asked."""
    plan, elevation_m = plan_file.plan, max(0.0, float(np.nan_to_num(site.elevation_m)))
    weather = site_weather(plan_file, site, ledger)
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


def see(scene: Scene, mounts: Mounts, tell: Progress = _silent) -> Seen:
    """Sun, rain, and links (with cable routes where the sensor has a cable) of some places.

    Parameters
    ----------
    scene
        The site, the plan and the sun.
    mounts
        The places.
    tell
        Called with (what is being done, done, total).

    Returns
    -------
    Seen
        One row a place.
    """
    plan, site = scene.plan, scene.site
    sun = year_of_light(
        site,
        mounts.xyz,
        scene.table,
        scene.shade,
        progress=lambda done, total: tell("sun and shade", done, total),
    )
    rain = rain_and_surroundings(site, mounts.xyz, scene.shade.ground)
    if plan.sensor.link == "cable":
        tell("cable routes", 0, 1)
    reached = reach(site, mounts.xyz, mounts.height_m, plan, scene.radio)
    return Seen(mounts, sun, rain, reached)


def water_bias(prepared: Prepared, sun: SunResult) -> WaterBias:
    """How far the ETo reported at places is from the open site's.

    Parameters
    ----------
    prepared
        The site's weather where a layer gives it, else its ETo.
    sun
        The light at the places (n).

    Returns
    -------
    WaterBias
        Percent (n, 12), with its range.
    """
    site, climate = prepared.scene.site, prepared.climate
    height_m = max(0.0, np.nan_to_num(site.elevation_m))
    if prepared.weather is not None:
        return eto_bias(sun.light_share, prepared.weather, site.latitude_deg, height_m)
    months = (climate.eto_mm_day[0], climate.t_mean_c[0])
    return eto_bias_from_eto(sun.light_share, *months, site.latitude_deg, height_m)


def spread_at(scene: Scene, mounts: Mounts, rows: Sequence[int]) -> list[LightSpread]:
    """How sure the light of some of the mounts is.

    Parameters
    ----------
    scene
        The site, the sun, and how sure the plan says that its layers are.
    mounts
        All of them.
    rows
        Those looked at.

    Returns
    -------
    list of LightSpread
        In the order of `rows`.
    """
    site, sun = scene.site, scene.plan.sun
    return light_spread(
        site,
        mounts.xyz[rows],
        carriers(site, mounts.xyz, mounts.building)[rows],
        scene.table,
        Doubt(sun.placing_sd_m, sun.heights_sd_share, sun.crown_light_sd),
        scene.shade,
    )


def relays_of(scene: Scene, mounts: Mounts, rain: RainResult, reached: ReachResult) -> Relays:
    """Repeaters that may stand at the mounts.

    Parameters
    ----------
    scene
        The site and the plan, which may allow none.
    mounts, rain, reached
        The mounts (n), and what was found at them.

    Returns
    -------
    Relays
        At most one in 30 m.
    """
    return relays(scene.radio, scene.plan, mounts, reached, got_at(scene.plan, mounts, rain))


def without_choice(scene: Scene) -> Scene:
    """The same where the plan chooses no mount: for places that are not all the candidates."""
    plan = scene.plan
    return replace(scene, plan=plan.model_copy(update={"mounts": plan.mounts.model_copy(update={"choose": None})}))


def judge(scene: Scene, seen: Seen, repeaters: Relays, among: Question | None = None) -> Decision:
    """The decision on some places, with the links and repeaters found for them.

    Parameters
    ----------
    scene
        The site, the plan and the season.
    seen
        The places, and what was found at them.
    repeaters
        That may be used.
    among
        For trials, which are not all the candidates: see :func:`planner.decide.decide`.

    Returns
    -------
    Decision
    """
    return decide(scene.plan, seen.mounts, seen.sun, seen.rain, seen.reached, scene.season, repeaters, among)


def _decided(scene: Scene, seen: Seen, repeaters: Relays) -> tuple[Decision, Seen]:
    """The decision, once those that come first do so by cables on fine cells."""
    decision = judge(scene, seen, repeaters)
    first = [k for k in (decision.chosen, *decision.runners_up) if k >= 0]
    closer = finer(scene.site, scene.plan, seen.mounts, seen.reached, first)
    if closer is seen.reached:
        return decision, seen
    return _decided(scene, replace(seen, reached=closer), repeaters)


def _tried(scene: Scene, repeaters: Relays, decision: Decision, trials: Mounts) -> tuple[Floats, Floats, Ints]:
    """Light kept in the worst month, score, and controllers in reach of trials beside and above the mounts.

    decision, repeaters: what was found for the mounts. The trials are not all the candidates: where the plan asks
    for the fewest sensors, each must fit in a layout as good as the best one without it.
    """
    plan, free = scene.plan, without_choice(scene)
    seen = see(free, trials)
    fed = fed_by(scene.radio, plan, trials, seen.reached, repeaters)
    score = judge(free, seen, fed, decision.sharing).score
    among = np.flatnonzero(scene.season) if scene.season.any() else np.arange(12)
    held = (seen.reached.room >= 0).sum(axis=1)
    return seen.sun.light_share[:, among].min(axis=1), score, held


def _places(decision: Decision, study: ReachStudy | None) -> tuple[int, ...]:
    """Rows of all mounts of the layout, the chosen one first; it alone where no others share its controllers."""
    best = study.layouts.best if study is not None and study.layouts is not None else None
    if decision.chosen < 0 or best is None or decision.chosen not in best.mounts:
        return (decision.chosen,) if decision.chosen >= 0 else ()
    return (decision.chosen, *(k for k in best.mounts if k != decision.chosen))


def _close_up(decision: Decision, places: Sequence[int], mounts: Mounts) -> list[int]:
    """Rows of the mounts looked at closely: of the layout, the runners-up, and those that the plan names."""
    named = (k for k, support in enumerate(mounts.support) if support is Support.NAMED)
    return list(dict.fromkeys((*places, *decision.runners_up, *named)))


def _feeds(repeaters: Relays, study: ReachStudy | None) -> Bools:
    """(n, r) mounts that feed each repeater of the layout."""
    best = study.layouts.best if study is not None and study.layouts is not None else None
    return np.asarray(repeaters.feed[:, np.isin(repeaters.rows, best.repeaters if best is not None else ())])


def _outside(which: Outside, plan: Plan) -> str:
    """The notice on a formula that is used outside the range its source gives."""
    f = f"{plan.sensor.radio_band_mhz:g} MHz"
    wall = plan.reach.wall_material
    return {
        Outside.SPREAD_AND_ENTRY: f"{f} is below {SPREAD_FROM_MHZ / 1000:g} GHz, where P.1411's spread starts and "
        "P.2109 rests on few measurements: spread and entry loss are carried over",
        Outside.FOLIAGE: f"{f} is below the {FOLIAGE_FROM_MHZ:g} MHz where Weissberger's foliage formula starts",
        Outside.WALL: f"P.2040 gives {wall} from {MATERIALS[wall][4] if wall else 0:g} GHz: carried on down to {f}",
    }[which]


def _study(
    scene: Scene, seen: Seen, decision: Decision, repeaters: Relays, ledger: Ledger, tell: Progress
) -> ReachStudy | None:
    """What comes after the decision; None where there is nothing to reach."""
    plan, site, mounts, reached = scene.plan, scene.site, seen.mounts, seen.reached
    if not len(site.controllers):
        return None
    tell("links and cables", 0, 1)
    row = decision.chosen if decision.chosen >= 0 else decision.nearest
    usable = np.zeros(len(mounts), bool)
    usable[decision.usable] = True
    if decision.chosen >= 0:
        usable[decision.chosen] = True  # the plan may have chosen it in spite of a requirement
    if plan.sensor.link == "radio":
        if keys := assumed(plan.sensor):
            sensor = plan.sensor
            heights = [ledger.length(h) for h in (sensor.rated_sensor_height_m, sensor.rated_receiver_height_m)]
            rated = f"rated range {ledger.length(rated_m(sensor))}" if rated_m(sensor) > 0 else "its powers"
            ledger.add(
                Kind.ASSUMED,
                "sensor",
                f"{rated}, antennas {heights[0]} and {heights[1]} up, {sensor.radio_band_mhz:g} MHz: the plan does "
                f"not say {', '.join(keys)}, take them from the data sheet",
            )
        for which in reached.radio.outside:
            ledger.add(Kind.ASSUMED, "sensor.radio_band_mhz", _outside(which, plan))
    elif missing := sensor_cable(plan.sensor).assumed:
        sheet = sensor_cable(plan.sensor)
        ledger.add(
            Kind.CHECK,
            "sensor",
            f"{ledger.length(sheet.supplied_m)} of cable supplied and {ledger.length(sheet.longest_m)} allowed of "
            f"{sheet.conductor.name}: the plan does not say {', '.join(missing)}, take them from the data sheet",
        )
    found = study_of(
        site,
        plan,
        mounts,
        reached,
        Judged(
            row,
            decision.runners_up,
            usable,
            decision.worth,
            keep=decision.chosen >= 0,
            passing=np.array(decision.passing, bool),
        ),
        repeaters,
        scene.radio,
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


def _light(scene: Scene, ledger: Ledger, tell: Progress) -> LightGrid:
    plan = scene.plan
    grid = light_grid(
        scene.site,
        scene.table,
        cell_m=plan.outputs.light_cell_m,
        ground_m=plan.mounts.ground_post_m,
        roof_m=plan.sensor.mast_m,
        progress=lambda done, total: tell("light over the site", done, total),
        year=partial(year_of_light, shade=scene.shade),
    )
    if grid.cell_m > plan.outputs.light_cell_m:
        ledger.add(
            Kind.ASSUMED,
            "outputs.light_cell_m",
            f"cells of {ledger.length(grid.cell_m)} taken, not {ledger.length(plan.outputs.light_cell_m)}: the "
            "site is large",
        )
    return grid


@dataclass(frozen=True)
class LocalClimate:
    """A site's climate and zone; weather: its months (12,) as far as the plan's files say; picture: around it."""

    climate: SiteClimate
    weather: MonthlyInputs | None
    zone: ZoneResult
    picture: ClimatePicture | None


def climate_and_zone(plan_file: PlanFile, site: Site, ledger: Ledger, picture: bool = False) -> LocalClimate:
    """The climate of a site and the zone that comes of it.

    Parameters
    ----------
    plan_file
        What its `[climate]` and `[zone]` name is read.
    site
        Where it lies.
    ledger
        Told what was assumed.
    picture
        Of the climate around it too, from the same reading.

    Returns
    -------
    LocalClimate
    """
    plan = plan_file.plan
    given = plan.climate.elevation_m
    climate, weather, around = climate_and_weather_at(
        plan_file,
        lonlat_shapes([site.outline], site.crs),
        given if given is not None else site.elevation_m,
        ledger,
        site.name,
        np.array([[site.longitude_deg, site.latitude_deg]]) if picture else None,
    )
    table = table_of(plan_file, ledger)
    zone = zone_sites(climate, np.array([site.latitude_deg]), table, plan.climate.description)
    return LocalClimate(climate, weather, zone, around)
