"""Tables: GeoPackage, CSV and JSON of every candidate and of the zone, units in the column names.

Keys of `result.json` of one site (stable; lengths in metres, heights above ground, angles in degrees, azimuth
clockwise from north, ETo in mm/day, shares from 0 to 1, longitude and latitude in WGS 84, null where unknown):

- `format`: "noonmark site", `version`: 2, `title`, `site`, `longitude_deg`, `latitude_deg`
- `decision`: `mount` (id of the chosen mount or null), `overridden`, `reason`, `runners_up` (ids),
  `nearest_to_passing` (id, where no mount meets every requirement, else null)
- `zone`: `label`, `low_mm_day`, `high_mm_day`, `probability`, `runner_up`, `runner_up_probability`, `peak_month`
  (1 to 12), `peak_eto_mm_day`, `spread_mm_day`, `basis`, `source`, `table_source`, `agreement`, `ways` (each
  `name`, `used`, `zone`, `peak_eto_mm_day`, `spread_mm_day`, `said`, `probability` by zone label)
- `climate`: `eto_mm_day`, `monthly_percent`, `t_mean_c`, `rain_mm`: 12 values, January first
- `season`: `months` (1 to 12), `said`
- `layout`: the sensors and repeaters to install, keys as the columns of the GeoPackage's layer `layout`: `id`,
  `sign`, `kind`, `longitude_deg`, `latitude_deg`, `height_above_ground_m`, `support`, `fixed_to`, `serves`,
  `alternate`; `proposed`: the same where no one mount meets every requirement
- `beside`: what stands beside the layout, or null: `serves_all`, `elsewhere`, `elsewhere_repeaters` (ids of the
next
  best set of places, null where there is none)
- `controllers`: keys as the columns of the layer `controllers`: `letter`, `name`, `longitude_deg`, `latitude_deg`,
  `indoors`, `served_by` (id, null where no place of the layout serves it), `served_probability`, and of the mount
  that serves it, or else of the first of the layout or the one nearest to passing, `from` (its id), `distance_m`,
  `range_share`, `buildings_crossed`, `need`, the link's `margin_db`, `margin_leafless_db`, `spread_db`,
  `link_probability`, `grade`, `fresnel_clearance` (radii of the first zone), `free_space_db`, `obstacle_db`,
  `foliage_db`, `entry_db`, and `cable_route_m`, `cable_to_buy_m`, `cable_loop_ohm`, `cable_price`, `radio_price`
  (null where the sensor has a cable), `take` ("radio", "cable" or null)
- `bill`: null or `currency`, `total`, `items` (each `item`, `what`, `count`, `price`), `if_allowed` (cables that
are
  too long unless the manufacturer allows it, not in the total: `what`, `price`), `nothing_priced_for` (letters of
  controllers that no place reaches)
- `closely`: one object for each mount with a card or a name in the plan: `id`, 12 values each of `light_share`,
  `light_share_spread` (standard deviation), `beam_share`, `sky_view`, `direct_h_day`, `direct_h_day_spread`,
  `eto_bias_percent`, `eto_bias_low_percent`, `eto_bias_high_percent` and `eto_bias_by_sun_percent`,
  `rain_sector_deg` and `rain_sector_class` (36 values: steepest obstacle in sectors of 10 degrees, the first
  centred on north, and its WMO-No. 8 precipitation class), `clock` (true solar time, or the time zone) of all hours
  that follow, `first_h`,
  `last_h`, `gap_h` (12 values: first and last direct sun, longest gap between), `losses` (each `name`, `kind`,
  `months`, `from_h`, `to_h` (above 24 past midnight), `hours_day`, `light_share` of those months' light), `raised`
  (each `more_mast_m`, `light_share` in the worst irrigation month, `score`), `moved` (each `along_edge_m`, positive
  towards `towards_deg`, `light_share`, `score`)
- `requirements`, `weights`: as judged; `mounts`: one object a candidate, keys as the columns of `mounts.csv`. There
  and above, `light_share` is the share of the open sky's light that is kept, beam and diffuse, `beam_share` that of
  the beam, `sky_view` that of the diffuse light; `eto_bias_percent` how far off the ETo reported is,
  `eto_bias_low_percent` to `eto_bias_high_percent` its range, `eto_bias_by_sun_percent` that of a
  sensor that uses sunlight alone; `*_spread` are given for the mounts with a card or a name
- `notices`: each `kind`, `where`, `what`, `features` (names), `more_features` (how many besides)

Of a contract: `format`: "noonmark contract", `version`, `title`, `zone_table_source`, `count`, `zones` (sites by
label), `zones_if_estimate_is_off` (null, or how many `sites` rest on the built-in estimate, and zones in which all
values lie if those are `mm_day`, one standard deviation that they may share, `lower` or `higher`), `flagged` (sites
with a flag), `flag_counts`, `sites` (keys as the columns of `sites.csv`, the monthly ones as lists `eto_mm_day` and
`monthly_percent`; null above 10,000 sites, which the other files hold), `rejected` (each `name`, `why`), `notices`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import geopandas
import numpy as np
import pandas
import rasterio
import shapely

from planner.climate.answer import SiteClimate, ZoneResult
from planner.ledger import Notice
from planner.rain import HEAT_RADII_M
from planner.reach.bill import Line
from planner.reach.link import Grade
from planner.show.draw.palette import RULED_OUT, zone_colours
from planner.show.layout import Place, layout, proposed, serving
from planner.show.lonlat import geometry, to_lonlat
from planner.show.say import bill as bills
from planner.show.say import links as say_links
from planner.show.say import verdict
from planner.show.say.figures import letter
from planner.show.say.mount import worst_month
from planner.show.say.shade import loss_name
from planner.show.say.zone import WAY_NAMES, table_said, way_said, zone_label
from planner.show.write import schema
from planner.show.write.formats import csv_bytes, gpkg_bytes, json_bytes
from planner.show.write.styles import site_styles
from planner.site import Floats
from planner.units import MONTHS, Units

if TYPE_CHECKING:
    from planner.job import SiteResult

WGS84 = "EPSG:4326"


# --- one site ---------------------------------------------------------------------------------------------------


def mount_columns(result: SiteResult) -> tuple[schema.Column, ...]:
    return schema.mounts(result.decision.requirements, result.decision.parts)


def mount_rows(result: SiteResult) -> pandas.DataFrame:
    """Every candidate with all its numbers, one row each, in the order of the candidates."""
    mounts, sun, wet, decision = result.mounts, result.sun, result.rain, result.decision
    n = len(mounts)
    rows = np.arange(n)
    at = to_lonlat(result.site.crs)(mounts.xyz) if n else np.empty((0, 2))
    kinds = {place.row: str(place.kind) for place in layout(result)}
    carded = {decision.chosen, *decision.runners_up, *kinds}
    rank = {row: k + 1 for k, row in enumerate(decision.order)}
    dark = [worst_month(sun.light_share[k], result.season) for k in range(n)]
    brief = [worst_month(sun.direct_h[k], result.season) for k in range(n)]
    values: dict[str, Any] = {
        "id": mounts.ids,
        "status": [decision.verdict(k) for k in range(n)],
        "rank": [rank.get(k) for k in range(n)],
        "score_0_to_100": decision.score,
        "ruled_out_by": [" ".join(short.requirement for short in shorts) or None for shorts in decision.shortfalls],
        "ruled_out_because": [verdict.ruled_out(result, k) or None for k in range(n)],
        "reason": [verdict.reason(result, k) if k in carded else None for k in range(n)],
        "layout": [kinds.get(k) for k in range(n)],
        "support": mounts.support,
        "fixed_to": [verdict.fixed_to(mounts, k) for k in range(n)],
        "longitude_deg": at[:, 0],
        "latitude_deg": at[:, 1],
        "height_above_ground_m": mounts.height_m,
        "facing_deg": mounts.facing_deg,
        "light_share_worst_month": sun.light_share[rows, dark] if n else [],
        "light_worst_month": [MONTHS[m] for m in dark],
        "direct_h_day_worst_month": sun.direct_h[rows, brief] if n else [],
        "direct_worst_month": [MONTHS[m] for m in brief],
        "light_share_worst_month_spread": [
            _spread(result, k, "light_share", month) for k, month in enumerate(dark)
        ],
        "direct_h_day_worst_month_spread": [_spread(result, k, "direct_h", month) for k, month in enumerate(brief)],
        "rain_covered": wet.covered,
        "rain_steepest_deg": wet.steepest_deg,
        "rain_steepest_azimuth_deg": wet.steepest_azimuth_deg,
        "rain_steepest_name": wet.steepest_name,
        "rain_wmo_class": wet.wmo_class,
        "rain_cover_name": wet.cover_name,
        "eave_above_m": wet.drip_m,
        "eave_above_name": wet.drip_name,
        "wall_above_m": wet.wall_m,
        "wall_above_name": wet.wall_name,
        **{f"built_share_{radius:.0f}m": wet.heat_share[:, k] for k, radius in enumerate(HEAT_RADII_M)},
        "spray_m": wet.spray_m,
        "heat_m": wet.heat_m,
        "no_access_m": wet.no_access_m,
        **_reach_columns(result),
    }
    if result.siting is not None:
        values |= {
            "sunlight": result.siting.sunlight,
            "wmo_radiation_class": result.siting.radiation,
            "wmo_sunshine_class": result.siting.sunshine,
            "wmo_temperature_class": result.siting.temperature,
            "wmo_precipitation_class": result.siting.precipitation,
        }
    values |= {f"meets_{r}": decision.passes[:, k] for k, r in enumerate(decision.requirements)}
    values |= {f"score_{part}_0_to_1": decision.part_scores[:, k] for k, part in enumerate(decision.parts)}
    monthly = {
        **_water(result),
        "light_share": sun.light_share,
        "beam_share": sun.beam_share,
        "sky_view": sun.sky_view,
        "direct_h_day": sun.direct_h,
    }
    for name, table in monthly.items():
        values |= {f"{name}_{month.lower()}": table[:, m] for m, month in enumerate(MONTHS)}
    return schema.table(mount_columns(result), values)


def _reach_columns(result: SiteResult) -> dict[str, Any]:
    """What each mount reaches; nothing where there is no controller."""
    reach = result.reach
    if not len(result.site.controllers):
        return {}
    held = (result.room >= 0).sum(axis=1)  # as the requirement counts
    columns: dict[str, Any] = {
        "farthest_controller": [result.site.controllers.names[k] for k in reach.distance_m.argmax(axis=1)],
        "farthest_controller_m": reach.distance_m.max(axis=1),
        "largest_range_share": reach.range_share.max(axis=1),
        "controllers_held": held,
        "least_margin_db": reach.links.margin_db.min(axis=1),
        "least_link_probability": reach.links.probability.min(axis=1),
    }
    if reach.runs is not None:
        columns |= {
            "longest_cable_m": reach.cable_m.max(axis=1),
            "cables_short_enough": held,
            "cables_without_route": (~np.isfinite(reach.cable_m)).sum(axis=1),
        }
    return columns


def _spread(result: SiteResult, row: int, name: str, month: int) -> float:
    """Standard deviation of one mount's light in a month, NaN where it was not worked out."""
    found = result.light_spread.get(row)
    return float(getattr(found, name)[month]) if found is not None else math.nan


def _water(result: SiteResult) -> dict[str, Floats]:
    """(n, 12) how far off the ETo reported is, by column name."""
    bias = result.water
    if bias is None:
        return {}
    return {
        "eto_bias_percent": bias.percent,
        "eto_bias_low_percent": bias.low_percent,
        "eto_bias_high_percent": bias.high_percent,
        "eto_bias_by_sun_percent": bias.by_sun_percent,
    }


def mounts_csv(result: SiteResult, rows: pandas.DataFrame | None = None) -> bytes:
    """rows: what :func:`mount_rows` gives, where it is known already, here and below."""
    return csv_bytes(mount_rows(result) if rows is None else rows)


def mounts_gpkg(result: SiteResult, rows: pandas.DataFrame | None = None) -> bytes:
    """GeoPackage with the layers `mounts`, `layout` (points), `site` (polygon with the zone), `controllers`,
    `links` (the ones that serve) and `cables` (lines), and of the mounts a table for each other subject
    (`mounts_light` and so on) to join by `id`. It opens styled, and says of each column what it means."""
    rows = mount_rows(result) if rows is None else rows
    subjects = schema.mounts_by_subject(result.decision.requirements, result.decision.parts)
    layers = site_layers(result, rows)
    for name, columns in subjects.items():
        there = [c for c in schema.names(columns) if c in rows]
        if name not in layers and len(there) > 1:
            layers[name] = rows[there]
    stated = subjects | {
        "site": schema.SITE,
        "layout": schema.LAYOUT,
        "controllers": schema.CONTROLLERS,
        "links": schema.LINKS,
        "cables": schema.CABLES,
    }
    zone = int(result.zone.zone[0])
    colour = zone_colours(result.zone.table.peak_mm_day)[zone] if zone >= 0 else RULED_OUT
    return gpkg_bytes(layers, stated, site_styles(link_grades(), colour))


def link_grades() -> list[tuple[str, str]]:
    """Code and words of each grade of a link, from the worst to the best."""
    return [(code, say_links.GRADES[grade]) for grade, code in sorted(say_links.CODES.items())]


def site_layers(result: SiteResult, rows: pandas.DataFrame | None = None) -> dict[str, pandas.DataFrame]:
    """The layers of one site's GeoPackage that have places, by name; those without any row are not there.

    rows: what :func:`mount_rows` gives, where it is known already.
    """
    degrees = to_lonlat(result.site.crs)
    at = degrees(result.mounts.xyz) if len(result.mounts) else np.empty((0, 2))
    told = schema.table(schema.SITE, {k: [v] for k, v in {"name": result.site.name, **_zone(result)}.items()})
    rows = mount_rows(result) if rows is None else rows
    subjects = schema.mounts_by_subject(result.decision.requirements, result.decision.parts)
    layers: dict[str, pandas.DataFrame] = {
        "mounts": _points(rows[schema.names(subjects["mounts"])]),
        "site": geopandas.GeoDataFrame(told, geometry=[geometry(result.site.outline, degrees)], crs=WGS84),
    }
    if layout(result):
        layers["layout"] = _points(layout_rows(result))
    if len(result.site.controllers):
        ends = degrees(result.site.controllers.xyz)
        layers["controllers"] = _points(
            schema.table(schema.CONTROLLERS, _columns(controller_rows(result), schema.CONTROLLERS))
        )
        if lines := _links(result):
            shapes = [shapely.linestrings([at[row], ends[k]]) for row, k, _ in lines]
            layers["links"] = _lines(schema.LINKS, [told for *_, told in lines], shapes)
        if cables := _cables(result):
            shapes = [shapely.linestrings(degrees(xy)) for xy, _ in cables]
            layers["cables"] = _lines(schema.CABLES, [told for _, told in cables], shapes)
    return layers


def _points(rows: pandas.DataFrame) -> geopandas.GeoDataFrame:
    at = geopandas.points_from_xy(rows.longitude_deg, rows.latitude_deg)
    return geopandas.GeoDataFrame(rows, geometry=at, crs=WGS84)


def _lines(columns: Sequence[schema.Column], rows: Sequence[Mapping[str, Any]], shapes: Any) -> Any:
    return geopandas.GeoDataFrame(schema.table(columns, _columns(rows, columns)), geometry=shapes, crs=WGS84)


def _columns(rows: Sequence[Mapping[str, Any]], columns: Sequence[schema.Column]) -> dict[str, list[Any]]:
    """Rows turned into columns; one that no row has is left out."""
    there = [c.name for c in columns if any(c.name in row for row in rows)]
    return {name: [row.get(name) for row in rows] for name in there}


# --- the layout -------------------------------------------------------------------------------------------------


def layout_rows(result: SiteResult) -> pandas.DataFrame:
    """The places to install, or those proposed where no one mount meets every requirement."""
    rows = _layout(result, layout(result) or proposed(result))
    return schema.table(schema.LAYOUT, _columns(rows, schema.LAYOUT))


def _layout(result: SiteResult, places: Sequence[Place]) -> list[dict[str, Any]]:
    at, ids = to_lonlat(result.site.crs)(result.mounts.xyz), result.mounts.ids
    return [
        {
            "id": ids[place.row],
            "sign": place.sign,
            "kind": str(place.kind),
            "longitude_deg": float(at[place.row, 0]),
            "latitude_deg": float(at[place.row, 1]),
            "height_above_ground_m": float(result.mounts.height_m[place.row]),
            "support": str(result.mounts.support[place.row]),
            "fixed_to": verdict.fixed_to(result.mounts, place.row),
            "serves": ", ".join(result.site.controllers.names[k] for k in place.serves),
            "alternate": ids[place.alternate] if place.alternate >= 0 else None,
        }
        for place in places
    ]


def controller_rows(result: SiteResult) -> list[dict[str, Any]]:
    """Each controller with what serves it, and its link and cable from there."""
    controllers, study = result.site.controllers, result.reach_study
    at = to_lonlat(result.site.crs)(controllers.xyz) if len(controllers) else np.empty((0, 2))
    told = {row.controller: row for row in say_links.controllers(result)}
    by = serving(result)
    out = []
    for k, name in enumerate(controllers.names):
        row: dict[str, Any] = {
            "letter": letter(k),
            "name": name,
            "longitude_deg": float(at[k, 0]),
            "latitude_deg": float(at[k, 1]),
            "indoors": bool(controllers.indoors[k]),
            "served_by": result.mounts.ids[by[k]] if by[k] >= 0 else None,
            "served_probability": float(study.held_with[k]) if study is not None and len(study.held_with) else None,
        }
        if k in told:
            row |= {"from": told[k].mount, "need": told[k].need, **_link(result, told[k].row, k)}
        out.append(dict.fromkeys(schema.names(c for c in schema.CONTROLLERS if c.always)) | row)
    return out


def _link(result: SiteResult, row: int, k: int) -> dict[str, Any]:
    """Radio and cable to one controller: numbers for people who carry on from here."""
    reach, links, study = result.reach, result.reach.links, result.reach_study
    out: dict[str, Any] = {
        "distance_m": float(reach.distance_m[row, k]),
        "range_share": float(reach.range_share[row, k]),
        "buildings_crossed": int(reach.crossed[row, k]),
        "margin_db": float(links.margin_db[row, k]),
        "margin_leafless_db": float(links.bare_margin_db[row, k]),
        "spread_db": float(links.spread_db[row, k]),
        "link_probability": float(links.probability[row, k]),
        "grade": _grade(result, row, k),
        "fresnel_clearance": float(links.clearance[row, k]),
        "free_space_db": float(links.free_space_db[row, k]),
        "obstacle_db": float(links.obstacle_db[row, k]),
        "foliage_db": float(links.foliage_db[row, k]),
        "entry_db": float(links.entry_db[row, k]),
    }
    if reach.runs is not None:
        run = reach.runs[row][k]
    elif study is not None and study.choices and row == study.row:
        run = study.cables[k]
    else:
        return out
    out |= {
        "cable_route_m": run.plan_m if run is not None else None,
        "cable_to_buy_m": run.length_m if run is not None else None,
        "cable_loop_ohm": run.wire.loop_ohm if run is not None else None,
        "cable_price": run.price if run is not None else None,
    }
    if study is not None and study.choices and row == study.row:
        out |= {"radio_price": study.choices[k].radio_price, "take": study.choices[k].use or None}
    return out


def _grade(result: SiteResult, row: int, k: int) -> str:
    return say_links.CODES[Grade(int(result.reach.grade[row, k]))]


def _links(result: SiteResult) -> list[tuple[int, int, dict[str, Any]]]:
    """Row, controller and columns of each radio link that serves."""
    if result.reach.runs is not None or result.decision.chosen < 0:
        return []
    by, names = serving(result), result.site.controllers.names
    return [
        (
            int(row),
            k,
            {
                name: value
                for name, value in (
                    {"from": result.mounts.ids[row], "controller": names[k]} | _link(result, int(row), k)
                ).items()
                if name in schema.names(schema.LINKS)
            },
        )
        for k, row in enumerate(by)
        if row >= 0
    ]


def _cables(result: SiteResult) -> list[tuple[Floats, dict[str, Any]]]:
    """Route (in metres) and columns of each cable, from the place that serves, else from the mount that was
    studied.
    """
    study, runs = result.reach_study, result.reach.runs
    if study is None or study.row < 0:
        return []
    by, names = serving(result), result.site.controllers.names
    out = []
    for k, name in enumerate(names):
        row = int(by[k]) if runs is not None and by[k] >= 0 else study.row
        run = runs[row][k] if runs is not None else study.cables[k] if study.cables else None
        if run is not None:
            told = {"controller": name, "from": result.mounts.ids[row], "cable_to_buy_m": run.length_m}
            out.append((run.xy, told | {"price": run.price}))
    return out


def _bill(result: SiteResult) -> dict[str, Any] | None:
    found = bills.bill(result)
    if found is None:
        return None

    def told(line: Line) -> dict[str, Any]:
        return {"what": bills.said(result, line), "price": line.price}

    return {
        "currency": result.plan.prices.currency,
        "total": found.total,
        "items": [{"item": str(line.item), "count": line.quantity} | told(line) for line in found.lines],
        "if_allowed": [told(line) for line in found.if_allowed],
        "nothing_priced_for": [letter(k) for k in found.unreached],
    }


def _beside(result: SiteResult) -> dict[str, Any] | None:
    """What stands beside the layout, by ids."""
    plans = result.reach_study.layouts if result.reach_study is not None else None
    if plans is None or plans.best is None:
        return None
    ids = result.mounts.ids
    return {
        "serves_all": bool(plans.best.served.all()),
        "elsewhere": [ids[k] for k in plans.elsewhere.mounts] if plans.elsewhere is not None else None,
        "elsewhere_repeaters": [ids[k] for k in plans.elsewhere.repeaters] if plans.elsewhere is not None else None,
    }


def site_json(result: SiteResult, rows: pandas.DataFrame | None = None) -> bytes:
    """`result.json` of one site; its keys are in this module's docstring."""
    decision, site = result.decision, result.site
    rows = mount_rows(result) if rows is None else rows
    return json_bytes(
        {
            "format": "noonmark site",
            "version": 2,
            "title": result.plan.outputs.title or result.plan.title,
            "site": site.name,
            "longitude_deg": site.longitude_deg,
            "latitude_deg": site.latitude_deg,
            "decision": {
                "mount": result.mounts.ids[decision.chosen] if decision.chosen >= 0 else None,
                "overridden": decision.overridden,
                "reason": verdict.reason(result, decision.chosen) if decision.chosen >= 0 else None,
                "runners_up": [result.mounts.ids[k] for k in decision.runners_up],
                "nearest_to_passing": result.mounts.ids[decision.nearest] if decision.nearest >= 0 else None,
            },
            "zone": _zone_json(result.climate, result.zone, 0, result.plan.units),
            "climate": {
                "eto_mm_day": result.climate.eto_mm_day[0],
                "monthly_percent": result.zone.monthly_percent[0],
                "t_mean_c": result.climate.t_mean_c[0],
                "rain_mm": result.climate.rain_mm[0],
            },
            "season": {
                "months": np.flatnonzero(result.season) + 1,
                "said": verdict.season_said(result.season, result.season_basis, result.plan.units),
            },
            "layout": _layout(result, layout(result)),
            "proposed": _layout(result, proposed(result)),
            "beside": _beside(result),
            "controllers": controller_rows(result),
            "bill": _bill(result),
            "closely": [_closely_json(result, row) for row in result.losses],
            "requirements": result.plan.requirements.model_dump(),
            "weights": result.plan.weights.model_dump(),
            "mounts": rows.to_dict("records"),
            "notices": notice_objects(result.notices),
        }
    )


def _closely_json(result: SiteResult, row: int) -> dict[str, Any]:
    day, tried, sun = result.losses[row], result.refined.get(row), result.sun
    spread = result.light_spread.get(row)
    return {
        "id": result.mounts.ids[row],
        "light_share": sun.light_share[row],
        "light_share_spread": spread.light_share if spread is not None else None,
        "beam_share": sun.beam_share[row],
        "sky_view": sun.sky_view[row],
        "direct_h_day": sun.direct_h[row],
        "direct_h_day_spread": spread.direct_h if spread is not None else None,
        **{name: values[row] for name, values in _water(result).items()},
        "rain_sector_deg": result.rain.sector_deg[row],
        "rain_sector_class": result.rain.sector_class[row],
        "clock": day.clock,
        "first_h": day.first_h,
        "last_h": day.last_h,
        "gap_h": day.gap_h,
        "losses": [
            {
                "name": loss_name(loss),
                "kind": str(loss.kind),
                "months": [m + 1 for m in loss.months],
                "from_h": loss.from_h,
                "to_h": loss.to_h,
                "hours_day": loss.hours_day,
                "light_share": loss.light_share,
            }
            for loss in day.losses
        ],
        "raised": [
            {"more_mast_m": more, "light_share": light, "score": score}
            for more, light, score in zip(tried.raised_m, tried.raised_light, tried.raised_score, strict=True)
        ]
        if tried
        else [],
        "moved": [
            {"along_edge_m": step, "towards_deg": tried.moved_to_deg, "light_share": light, "score": score}
            for step, light, score in zip(tried.moved_m, tried.moved_light, tried.moved_score, strict=True)
        ]
        if tried
        else [],
    }


def light_tif(result: SiteResult) -> bytes | None:
    """GeoTIFF of the light over the site, in its own local frame; None where no grid was computed.

    Bands 1 to 12: share of sunlight received, January first; band 13: in the worst irrigation month; bands 14 to
    25: hours of direct sun on a clear day, January first. NaN outside the site.
    """
    grid = result.light
    if grid is None:
        return None
    light, hours = (np.moveaxis(values, 2, 0) for values in (grid.light_share, grid.direct_h))
    bands = np.concatenate([light, grid.worst(result.season)[None], hours])
    described = [
        *(f"share of sunlight received, {name}" for name in (*MONTHS, "worst irrigation month")),
        *(f"hours of direct sun a day, {name}" for name in MONTHS),
    ]
    with rasterio.MemoryFile() as memory:
        with memory.open(
            driver="GTiff",
            height=bands.shape[1],
            width=bands.shape[2],
            count=len(bands),
            dtype="float32",
            crs=result.site.crs,
            transform=rasterio.Affine(grid.cell_m, 0.0, grid.left_m, 0.0, -grid.cell_m, grid.top_m),
            nodata=float("nan"),
            compress="deflate",
        ) as file:
            file.write(bands)
            for k, name in enumerate(described, start=1):
                file.set_band_description(k, name)
        return bytes(memory.read())


# --- the zone ---------------------------------------------------------------------------------------------------


def _zone(result: SiteResult) -> dict[str, Any]:
    return _zone_columns(result.climate, result.zone, 0)


def _zone_columns(climate: SiteClimate, zone: ZoneResult, site: int) -> dict[str, Any]:
    row, second = int(zone.zone[site]), int(zone.runner_up[site])
    return {
        "zone": zone_label(zone, row) if row >= 0 else None,
        "zone_probability": float(zone.p_zone[site]) if row >= 0 else None,
        "runner_up": zone_label(zone, second) if second >= 0 else None,
        "runner_up_probability": float(zone.p_runner_up[site]) if second >= 0 else None,
        "peak_month": MONTHS[int(zone.peak_month[site])] if zone.peak_month[site] >= 0 else None,
        "peak_eto_mm_day": float(zone.peak_eto_mm_day[site]),
        "spread_mm_day": float(zone.spread_mm_day[site]),
        "ways_agree": bool(zone.agreement[site]),
        "basis": climate.basis[site],
        "source": climate.source[site],
    }


def _zone_json(climate: SiteClimate, zone: ZoneResult, site: int, units: Units) -> dict[str, Any]:
    row, table = int(zone.zone[site]), zone.table
    told = _zone_columns(climate, zone, site)
    return {
        "label": told["zone"],
        "low_mm_day": table.low_mm_day[row] if row >= 0 else None,
        "high_mm_day": table.high_mm_day[row] if row >= 0 else None,
        "probability": told["zone_probability"],
        "runner_up": told["runner_up"],
        "runner_up_probability": told["runner_up_probability"],
        "peak_month": int(zone.peak_month[site]) + 1 if zone.peak_month[site] >= 0 else None,
        "peak_eto_mm_day": told["peak_eto_mm_day"],
        "spread_mm_day": told["spread_mm_day"],
        "basis": told["basis"],
        "source": told["source"],
        "table_source": table_said(table, "metric"),
        "agreement": told["ways_agree"],
        "ways": [
            {
                "name": WAY_NAMES[way.way],
                "used": k == int(zone.used[site]),
                "zone": zone_label(zone, int(way.zone[site])) if way.zone[site] >= 0 else None,
                "peak_eto_mm_day": way.peak_eto_mm_day[site],
                "spread_mm_day": way.spread_mm_day[site],
                "said": way_said(climate, way, site, units),
                "probability": dict(zip(table.labels, way.probability[site], strict=True)),
            }
            for k, way in enumerate(zone.ways)
        ],
    }


def notice_objects(notices: Sequence[Notice]) -> list[dict[str, Any]]:
    return [
        {
            "kind": n.kind.value,
            "where": n.where,
            "what": n.what,
            "features": list(n.features),
            "more_features": n.more,
        }
        for n in notices
    ]
