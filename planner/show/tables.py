"""Tables: GeoPackage, CSV and JSON of every candidate and of the zone, units in the column names.

Keys of `result.json` of one site (stable; lengths in metres, heights above ground, angles in degrees, azimuth
clockwise from north, ETo in mm/day, shares from 0 to 1, longitude and latitude in WGS 84, null where unknown):

- `format`: "noonmark site", `version`: 1, `title`, `site`, `longitude_deg`, `latitude_deg`
- `decision`: `mount` (id of the chosen mount or null), `overridden`, `reason`, `runners_up` (ids),
  `nearest_to_passing` (id, where no mount meets every requirement, else null)
- `zone`: `label`, `low_mm_day`, `high_mm_day`, `probability`, `runner_up`, `runner_up_probability`, `peak_month`
  (1 to 12), `peak_eto_mm_day`, `spread_mm_day`, `basis`, `source`, `table_source`, `agreement`, `ways` (each
  `name`, `used`, `zone`, `peak_eto_mm_day`, `spread_mm_day`, `said`, `probability` by zone label)
- `climate`: `eto_mm_day`, `monthly_percent`, `t_mean_c`, `rain_mm`: 12 values, January first
- `season`: `months` (1 to 12), `said`
- `controllers`: each `name`, `longitude_deg`, `latitude_deg`, `indoors`, and of the chosen mount, or else of the
  one nearest to passing, `from` (its id), `distance_m`, `range_share`, `buildings_crossed`, `need`, the link's
  `margin_db`, `margin_leafless_db`, `spread_db`, `link_probability`, `grade`, `fresnel_clearance` (radii of the
  first zone), `free_space_db`, `obstacle_db`, `foliage_db`, `entry_db`, and `cable_route_m`, `cable_to_buy_m`,
  `cable_loop_ohm`, `cable_price`, `radio_price` (null where the sensor has a cable), `take` ("radio", "cable" or
  null)
- `fewest`: the plan of the fewest sensors or null: `serves_all`, `sensors`, `repeaters` (ids), `price` (of
  these, each sensor with one receiver; without cables), `further_receivers`, `link_tests` (how many besides) and
  their `further_receivers_price`, `link_tests_price`, `served_by` (id by controller, null where none reaches it),
  `served_with` (probability by controller, of both hops through a repeater; null for a cable), `elsewhere`,
  `elsewhere_repeaters` (ids of the next best places, null where there are none)
- `closely`: one object for each mount with a card or a name in the plan: `id`, 12 values each of `light_share`,
  `light_share_spread` (standard deviation), `beam_share`, `sky_view`, `direct_h_day`, `direct_h_day_spread`,
  `eto_bias_percent`, `eto_bias_spread_percent` and `eto_bias_by_sun_percent`, `rain_sector_deg` and
  `rain_sector_class` (36 values: steepest obstacle in sectors of 10 degrees, the first centred on north, and its
  WMO-No. 8 precipitation class), `clock` (true solar time, or the time zone) of all hours that follow, `first_h`,
  `last_h`, `gap_h` (12 values: first and last direct sun, longest gap between), `losses` (each `name`, `kind`,
  `months`, `from_h`, `to_h` (above 24 past midnight), `hours_day`, `light_share` of those months' light), `raised`
  (each `more_mast_m`, `light_share` in the worst irrigation month, `score`), `moved` (each `along_edge_m`, positive
  towards `towards_deg`, `light_share`, `score`)
- `requirements`, `weights`: as judged; `mounts`: one object a candidate, keys as the columns of `mounts.csv`. There
  and above, `light_share` is the share of the open sky's light that is kept, beam and diffuse, `beam_share` that of
  the beam, `sky_view` that of the diffuse light; `eto_bias_percent` how far off the ETo reported is,
  `eto_bias_by_sun_percent` that of a sensor that goes by the sun alone; `*_spread` are given for the mounts with a
  card or a name
- `notices`: each `kind`, `where`, `what`, `features` (names), `more_features` (how many besides)

Of a contract: `format`: "noonmark contract", `version`, `title`, `zone_table_source`, `count`, `zones` (sites by
label), `flagged` (sites with a flag), `flag_counts`, `sites` (keys as the columns of `sites.csv`, the monthly ones
as lists `eto_mm_day` and `monthly_percent`; null above 10,000 sites, which the other files hold), `rejected` (each
`name`, `why`), `notices`.
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas
import numpy as np
import pandas
import rasterio
import shapely

from planner.climate.answer import SiteClimate, ZoneResult
from planner.ledger import Notice
from planner.rain import HEAT_RADII_M
from planner.reach.link import GRADES, Grade
from planner.show import words
from planner.show.links import extras
from planner.show.lonlat import geometry, to_lonlat
from planner.show.verdicts import SUPPORT_NAMES, reason, ruled_out, season_said
from planner.site import Floats
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.job import SiteResult

WGS84 = "EPSG:4326"


# --- one site ---------------------------------------------------------------------------------------------------


def mount_rows(result: SiteResult) -> pandas.DataFrame:
    """Every candidate with all its numbers, one row each, in the order of the candidates."""
    mounts, sun, wet, reach, decision = result.mounts, result.sun, result.rain, result.reach, result.decision
    n = len(mounts)
    at = to_lonlat(result.site.crs)(mounts.xyz) if n else np.empty((0, 2))
    rank = {row: k + 1 for k, row in enumerate(decision.order)}
    dark = [words.worst_month(sun.light_share[k], result.season) for k in range(n)]
    brief = [words.worst_month(sun.direct_h[k], result.season) for k in range(n)]
    rows = np.arange(n)
    carded = {decision.chosen, *decision.runners_up}
    columns: dict[str, Any] = {
        "id": list(mounts.ids),
        "status": [words.status(result, k) for k in range(n)],
        "rank": [rank.get(k) for k in range(n)],
        "score_0_to_100": decision.score,
        "shut_out_by": [ruled_out(result, k) for k in range(n)],
        "reason": [reason(result, k) if k in carded else "" for k in range(n)],
        "support": [SUPPORT_NAMES[s] for s in mounts.support],
        "fixed_to": list(mounts.on),
        "longitude_deg": np.round(at[:, 0], 7),
        "latitude_deg": np.round(at[:, 1], 7),
        "height_above_ground_m": mounts.height_m,
        "facing_deg": mounts.facing_deg,
        "light_share_worst_month": sun.light_share[rows, dark] if n else np.empty(0),
        "light_worst_month": [MONTHS[m] for m in dark],
        "direct_h_day_worst_month": sun.direct_h[rows, brief] if n else np.empty(0),
        "direct_worst_month": [MONTHS[m] for m in brief],
        "light_share_worst_month_spread": [
            _spread(result, k, "light_share", month) for k, month in enumerate(dark)
        ],
        "direct_h_day_worst_month_spread": [_spread(result, k, "direct_h", month) for k, month in enumerate(brief)],
        "rain_covered": wet.covered,
        "rain_steepest_deg": wet.steepest_deg,
        "rain_steepest_azimuth_deg": wet.steepest_azimuth_deg,
        "rain_steepest_name": list(wet.steepest_name),
        "rain_wmo_class": wet.wmo_class,
        "rain_cover_name": list(wet.cover_name),
        "eave_above_m": wet.drip_m,
        "eave_above_name": list(wet.drip_name),
        "wall_above_m": wet.wall_m,
        "wall_above_name": list(wet.wall_name),
        **{f"built_share_{radius:.0f}m": wet.heat_share[:, k] for k, radius in enumerate(HEAT_RADII_M)},
        "spray_m": wet.spray_m,
        "heat_m": wet.heat_m,
        "no_access_m": wet.no_access_m,
    }
    if len(result.site.controllers):
        held = (words.margins(result) >= 0).sum(axis=1)  # as the requirement counts
        columns |= {
            "farthest_controller": [result.site.controllers.names[k] for k in reach.distance_m.argmax(axis=1)],
            "farthest_controller_m": reach.distance_m.max(axis=1),
            "largest_range_share": reach.range_share.max(axis=1),
            "controllers_held": held,
            "least_margin_db": reach.links.margin_db.min(axis=1),
            "least_link_probability": reach.links.probability.min(axis=1),
        }
        if reach.runs is not None:
            far = reach.cable_m.max(axis=1)
            columns |= {
                "longest_cable_m": np.where(np.isfinite(far), far, np.nan),
                "cables_short_enough": held,
                "cables_without_route": (~np.isfinite(reach.cable_m)).sum(axis=1),
            }
    if result.siting is not None:
        columns |= {
            "sunlight": list(result.siting.sunlight),
            "wmo_radiation_class": result.siting.radiation,
            "wmo_sunshine_class": result.siting.sunshine,
            "wmo_temperature_class": result.siting.temperature,
            "wmo_precipitation_class": result.siting.precipitation,
        }
    if result.water is not None:
        for name, values in _water(result).items():
            columns |= {f"{name}_{month.lower()}": values[:, m] for m, month in enumerate(MONTHS)}
    for k, requirement in enumerate(decision.requirements):
        columns[f"passes_{requirement}"] = decision.passes[:, k]
    for k, part in enumerate(decision.parts):
        columns[f"score_{part}_0_to_1"] = decision.part_scores[:, k]
    for name, values in (
        ("light_share", sun.light_share),
        ("beam_share", sun.beam_share),
        ("sky_view", sun.sky_view),
        ("direct_h_day", sun.direct_h),
    ):
        for m, month in enumerate(MONTHS):
            columns[f"{name}_{month.lower()}"] = values[:, m]
    return _tidy(pandas.DataFrame(columns))


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
        "eto_bias_spread_percent": bias.spread_percent,
        "eto_bias_by_sun_percent": bias.by_sun_percent,
    }


def mounts_csv(result: SiteResult) -> bytes:
    return csv_bytes(mount_rows(result))


def mounts_gpkg(result: SiteResult) -> bytes:
    """GeoPackage with the layers `mounts` (points), `site` (polygon with the zone), `controllers`, `cables`."""
    degrees = to_lonlat(result.site.crs)
    rows = mount_rows(result)
    told = _zone_columns(result.climate, result.zone, 0)
    site = pandas.DataFrame([{"name": result.site.name, **told}])
    layers = {
        "mounts": geopandas.GeoDataFrame(
            rows, geometry=geopandas.points_from_xy(rows.longitude_deg, rows.latitude_deg), crs=WGS84
        ),
        "site": geopandas.GeoDataFrame(site, geometry=[geometry(result.site.outline, degrees)], crs=WGS84),
    }
    if len(result.site.controllers):
        found = pandas.DataFrame(_controllers(result))
        if result.reach_study is not None and any(run is not None for run in result.reach_study.cables):
            runs = [(k, run) for k, run in enumerate(result.reach_study.cables) if run is not None]
            layers["cables"] = geopandas.GeoDataFrame(
                {
                    "controller": [result.site.controllers.names[k] for k, _ in runs],
                    "cable_to_buy_m": [run.length_m for _, run in runs],
                    "price": [run.price for _, run in runs],
                },
                geometry=[shapely.linestrings(degrees(run.xy)) for _, run in runs],
                crs=WGS84,
            )
        layers["controllers"] = geopandas.GeoDataFrame(
            found, geometry=geopandas.points_from_xy(found.longitude_deg, found.latitude_deg), crs=WGS84
        )
    return gpkg_bytes(layers)


def _controllers(result: SiteResult) -> list[dict[str, Any]]:
    places, reach, row = result.site.controllers, result.reach, words.reach_row(result)
    at = to_lonlat(result.site.crs)(places.xyz) if len(places) else np.empty((0, 2))
    told = words.controllers(result, row) if row >= 0 else []
    return [
        {
            "name": places.names[k],
            "longitude_deg": round(float(at[k, 0]), 7),
            "latitude_deg": round(float(at[k, 1]), 7),
            "indoors": bool(places.indoors[k]),
            "from": result.mounts.ids[row] if told else None,
            "distance_m": float(reach.distance_m[row, k]) if told else None,
            "range_share": float(reach.range_share[row, k]) if told else None,
            "buildings_crossed": int(reach.crossed[row, k]) if told else None,
            "need": told[k].need if told else None,
            **(_link(result, row, k) if told else {}),
        }
        for k in range(len(places))
    ]


def _link(result: SiteResult, row: int, k: int) -> dict[str, Any]:
    """Radio and cable to one controller: numbers for people who carry on from here."""
    links, study = result.reach.links, result.reach_study
    out: dict[str, Any] = {
        "margin_db": float(links.margin_db[row, k]),
        "margin_leafless_db": float(links.bare_margin_db[row, k]),
        "spread_db": float(links.spread_db[row, k]),
        "link_probability": float(links.probability[row, k]),
        "grade": GRADES[Grade(int(result.reach.grade[row, k]))],
        "fresnel_clearance": float(links.clearance[row, k]),
        "free_space_db": float(links.free_space_db[row, k]),
        "obstacle_db": float(links.obstacle_db[row, k]),
        "foliage_db": float(links.foliage_db[row, k]),
        "entry_db": float(links.entry_db[row, k]),
    }
    if study is not None and study.choices:
        run, choice = study.cables[k], study.choices[k]
        out |= {
            "cable_route_m": run.plan_m if run is not None else None,
            "cable_to_buy_m": run.length_m if run is not None else None,
            "cable_loop_ohm": run.wire.loop_ohm if run is not None else None,
            "cable_price": choice.cable_price,
            "radio_price": choice.radio_price,
            "take": choice.use or None,
        }
    return out


def _fewest(result: SiteResult) -> dict[str, Any] | None:
    """The plan of the fewest sensors, by ids."""
    layouts = result.reach_study.layouts if result.reach_study is not None else None
    shown = layouts.best if layouts is not None else None
    if layouts is None or shown is None:
        return None
    ids, names, other = result.mounts.ids, result.site.controllers.names, layouts.elsewhere
    by = np.maximum(shown.served_by, shown.by_repeater)
    return {
        "serves_all": bool(shown.served.all()),
        "sensors": [ids[k] for k in shown.mounts],
        "repeaters": [ids[k] for k in shown.repeaters],
        "price": shown.price,
        "served_by": {name: ids[k] if k >= 0 else None for name, k in zip(names, by, strict=True)},
        **extras(result, shown),
        "served_with": dict(zip(names, result.reach_study.held_with, strict=True)) if result.reach_study else None,
        "elsewhere": [ids[k] for k in other.mounts] if other is not None else None,
        "elsewhere_repeaters": [ids[k] for k in layouts.elsewhere.repeaters]
        if layouts.elsewhere is not None
        else None,
    }


def site_json(result: SiteResult) -> bytes:
    """`result.json` of one site; its keys are in this module's docstring."""
    decision, site = result.decision, result.site
    return json_bytes(
        {
            "format": "noonmark site",
            "version": 1,
            "title": result.plan.outputs.title or result.plan.title,
            "site": site.name,
            "longitude_deg": site.longitude_deg,
            "latitude_deg": site.latitude_deg,
            "decision": {
                "mount": result.mounts.ids[decision.chosen] if decision.chosen >= 0 else None,
                "overridden": decision.overridden,
                "reason": reason(result, decision.chosen) if decision.chosen >= 0 else None,
                "runners_up": [result.mounts.ids[k] for k in decision.runners_up],
                "nearest_to_passing": result.mounts.ids[decision.nearest] if decision.nearest >= 0 else None,
            },
            "zone": _zone_json(result.climate, result.zone, 0),
            "climate": {
                "eto_mm_day": result.climate.eto_mm_day[0],
                "monthly_percent": result.zone.monthly_percent[0],
                "t_mean_c": result.climate.t_mean_c[0],
                "rain_mm": result.climate.rain_mm[0],
            },
            "season": {
                "months": np.flatnonzero(result.season) + 1,
                "said": season_said(result.season, result.season_basis),
            },
            "controllers": _controllers(result),
            "fewest": _fewest(result),
            "closely": [_closely_json(result, row) for row in result.losses],
            "requirements": result.plan.requirements.model_dump(),
            "weights": result.plan.weights.model_dump(),
            "mounts": mount_rows(result).to_dict("records"),
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
                "name": loss.name,
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


def light_tif(result: SiteResult) -> bytes:
    """GeoTIFF of the light over the site, in its own local frame.

    Bands 1 to 12: share of light kept, January first; band 13: in the worst irrigation month; bands 14 to 25: hours
    of direct sun on a clear day, January first. NaN outside the site.
    """
    grid = result.light
    assert grid is not None, "asked for only where the plan has a light grid"
    light, hours = (np.moveaxis(values, 2, 0) for values in (grid.light_share, grid.direct_h))
    bands = np.concatenate([light, grid.worst(result.season)[None], hours])
    described = [
        *(f"share of light kept, {name}" for name in (*MONTHS, "worst irrigation month")),
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


def _zone_columns(climate: SiteClimate, zone: ZoneResult, site: int) -> dict[str, Any]:
    row, second = int(zone.zone[site]), int(zone.runner_up[site])
    return {
        "zone": words.zone_label(zone, row) if row >= 0 else None,
        "zone_probability": float(zone.p_zone[site]) if row >= 0 else None,
        "runner_up": words.zone_label(zone, second) if second >= 0 else None,
        "runner_up_probability": float(zone.p_runner_up[site]) if second >= 0 else None,
        "peak_month": MONTHS[int(zone.peak_month[site])] if zone.peak_month[site] >= 0 else None,
        "peak_eto_mm_day": float(zone.peak_eto_mm_day[site]),
        "spread_mm_day": float(zone.spread_mm_day[site]),
        "ways_agree": bool(zone.agreement[site]),
        "basis": climate.basis[site],
        "source": climate.source[site],
    }


def _zone_json(climate: SiteClimate, zone: ZoneResult, site: int) -> dict[str, Any]:
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
        "table_source": table.source,
        "agreement": told["ways_agree"],
        "ways": [
            {
                "name": way.name,
                "used": k == int(zone.used[site]),
                "zone": words.zone_label(zone, int(way.zone[site])) if way.zone[site] >= 0 else None,
                "peak_eto_mm_day": way.peak_eto_mm_day[site],
                "spread_mm_day": way.spread_mm_day[site],
                "said": way.said[site],
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


# --- formats ----------------------------------------------------------------------------------------------------


def _column(name: str) -> str:
    return "".join(c if c.isalnum() else "_" for c in name.lower())


def _tidy(rows: pandas.DataFrame) -> pandas.DataFrame:
    """Infinite means 'there is none': empty, like NaN; numbers to six digits after the point."""
    numbers = rows.select_dtypes("number").columns
    rows[numbers] = rows[numbers].replace([np.inf, -np.inf], np.nan)
    rounded = [c for c in numbers if c not in ("longitude_deg", "latitude_deg")]
    rows[rounded] = rows[rounded].round(6)
    return rows


def csv_bytes(rows: pandas.DataFrame) -> bytes:
    """CSV in UTF-8 with a byte-order mark, so that spreadsheets read accents; no cell starts a formula."""
    safe = rows.copy()
    for name in safe.columns:
        if not pandas.api.types.is_numeric_dtype(safe[name]):
            safe[name] = safe[name].map(_no_formula)
    return str(safe.to_csv(index=False, lineterminator="\r\n")).encode("utf-8-sig")


def _no_formula(value: Any) -> Any:
    """A text that a spreadsheet would run as a formula, with an apostrophe before it."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def json_bytes(data: Any) -> bytes:
    """JSON in UTF-8; NaN and infinite numbers are null."""
    return (json.dumps(_plain(data), ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray | list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float):
        return round(value, 7) if math.isfinite(value) else None
    return None if value is pandas.NA or value is pandas.NaT else value


def gpkg_bytes(layers: Mapping[str, geopandas.GeoDataFrame]) -> bytes:
    """A GeoPackage of some layers; SQLite needs a real file, so it is made in a temporary folder."""
    with tempfile.TemporaryDirectory(prefix="noonmark-") as folder:
        path = Path(folder) / "layers.gpkg"
        for name, rows in layers.items():
            rows.to_file(path, layer=name, driver="GPKG", engine="pyogrio", mode="a" if path.exists() else "w")
        return path.read_bytes()
