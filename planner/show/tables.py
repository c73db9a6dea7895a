"""Tables: GeoPackage, CSV and JSON of every candidate and of the zone, units in the column names.

Keys of `result.json` of one site (stable; lengths in metres, heights above ground, angles in degrees, azimuth
clockwise from north, ETo in mm/day, shares from 0 to 1, longitude and latitude in WGS 84, null where unknown):

- `format`: "noonmark site", `version`: 1, `title`, `site`, `longitude_deg`, `latitude_deg`
- `decision`: `mount` (id of the chosen mount or null), `overridden`, `reason`, `runners_up` (ids)
- `zone`: `label`, `low_mm_day`, `high_mm_day`, `probability`, `runner_up`, `runner_up_probability`, `peak_month`
  (1 to 12), `peak_eto_mm_day`, `spread_mm_day`, `basis`, `source`, `table_source`, `agreement`, `ways` (each
  `name`, `used`, `zone`, `peak_eto_mm_day`, `spread_mm_day`, `said`, `probability` by zone label)
- `climate`: `eto_mm_day`, `monthly_percent`, `t_mean_c`, `rain_mm`: 12 values, January first
- `season`: `months` (1 to 12), `said`
- `controllers`: each `name`, `longitude_deg`, `latitude_deg`, `indoors`, and of the chosen mount `distance_m`,
  `cable_m`, `range_share`, `buildings_crossed`, `need`
- `gates`, `weights`: as judged; `mounts`: one object a candidate, keys as the columns of `mounts.csv`
- `notices`: each `kind`, `where`, `what`, `features`

Of a contract: `format`: "noonmark contract", `version`, `title`, `zone_table_source`, `sites` (keys as the
columns of `sites.csv`, the monthly ones as lists `eto_mm_day` and `monthly_percent`), `rejected` (each `name`,
`why`), `notices`.
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

from planner.climate.answer import SiteClimate, ZoneResult
from planner.show import words
from planner.show.lonlat import geometry, to_lonlat
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.contract import ContractResult
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
    columns: dict[str, Any] = {
        "id": list(mounts.ids),
        "status": [words.status(result, k) for k in range(n)],
        "rank": [rank.get(k) for k in range(n)],
        "score_0_to_100": decision.score,
        "shut_out_by": list(decision.shut_by),
        "reason": list(decision.reasons),
        "support": [str(s) for s in mounts.support],
        "fixed_to": list(mounts.on),
        "longitude_deg": np.round(at[:, 0], 7),
        "latitude_deg": np.round(at[:, 1], 7),
        "height_above_ground_m": mounts.height_m,
        "facing_deg": mounts.facing_deg,
        "light_share_worst_month": sun.light_share[rows, dark] if n else np.empty(0),
        "light_worst_month": [MONTHS[m] for m in dark],
        "direct_h_day_worst_month": sun.direct_h[rows, brief] if n else np.empty(0),
        "direct_worst_month": [MONTHS[m] for m in brief],
        "rain_covered": wet.covered,
        "rain_steepest_deg": wet.steepest_deg,
        "rain_steepest_azimuth_deg": wet.steepest_azimuth_deg,
        "rain_steepest_name": list(wet.steepest_name),
        "rain_wmo_class": wet.wmo_class,
        "spray_m": wet.spray_m,
        "heat_m": wet.heat_m,
        "no_access_m": wet.no_access_m,
    }
    if len(result.site.controllers):
        columns |= {
            "farthest_controller": [result.site.controllers.names[k] for k in reach.distance_m.argmax(axis=1)],
            "farthest_controller_m": reach.distance_m.max(axis=1),
            "longest_cable_m": reach.cable_m.max(axis=1),
            "largest_range_share": reach.range_share.max(axis=1),
        }
    for k, gate in enumerate(decision.gates):
        columns[f"gate_{_column(gate)}"] = decision.passes[:, k]
    for k, part in enumerate(decision.parts):
        columns[f"score_{_column(part)}_0_to_1"] = decision.part_scores[:, k]
    for name, values in (
        ("light_share", sun.light_share),
        ("direct_h_day", sun.direct_h),
        ("sky_view", sun.sky_view),
    ):
        for m, month in enumerate(MONTHS):
            columns[f"{name}_{month.lower()}"] = values[:, m]
    return _tidy(pandas.DataFrame(columns))


def mounts_csv(result: SiteResult) -> bytes:
    return csv_bytes(mount_rows(result))


def mounts_gpkg(result: SiteResult) -> bytes:
    """GeoPackage with the layers `mounts` (points), `site` (polygon with the zone) and `controllers` (points)."""
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
        layers["controllers"] = geopandas.GeoDataFrame(
            found, geometry=geopandas.points_from_xy(found.longitude_deg, found.latitude_deg), crs=WGS84
        )
    return gpkg_bytes(layers)


def _controllers(result: SiteResult) -> list[dict[str, Any]]:
    places, reach, row = result.site.controllers, result.reach, result.decision.chosen
    at = to_lonlat(result.site.crs)(places.xyz) if len(places) else np.empty((0, 2))
    told = words.controllers(result, row) if row >= 0 else []
    return [
        {
            "name": places.names[k],
            "longitude_deg": round(float(at[k, 0]), 7),
            "latitude_deg": round(float(at[k, 1]), 7),
            "indoors": bool(places.indoors[k]),
            "distance_m": float(reach.distance_m[row, k]) if told else None,
            "cable_m": float(reach.cable_m[row, k]) if told else None,
            "range_share": float(reach.range_share[row, k]) if told else None,
            "buildings_crossed": int(reach.crossed[row, k]) if told else None,
            "need": told[k].need if told else None,
        }
        for k in range(len(places))
    ]


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
                "reason": decision.reasons[decision.chosen] if decision.chosen >= 0 else None,
                "runners_up": [result.mounts.ids[k] for k in decision.runners_up],
            },
            "zone": _zone_json(result.climate, result.zone, 0),
            "climate": {
                "eto_mm_day": result.climate.eto_mm_day[0],
                "monthly_percent": result.zone.monthly_percent[0],
                "t_mean_c": result.climate.t_mean_c[0],
                "rain_mm": result.climate.rain_mm[0],
            },
            "season": {"months": np.flatnonzero(result.season) + 1, "said": result.season_said},
            "controllers": _controllers(result),
            "gates": result.plan.gates.model_dump(),
            "weights": result.plan.weights.model_dump(),
            "mounts": mount_rows(result).to_dict("records"),
            "notices": _notices(result.notices),
        }
    )


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


def _notices(notices: Sequence[Any]) -> list[dict[str, Any]]:
    return [{"kind": n.kind.value, "where": n.where, "what": n.what, "features": list(n.features)} for n in notices]


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


# --- a contract -------------------------------------------------------------------------------------------------


def contract_rows(result: ContractResult) -> pandas.DataFrame:
    """Every site with its zone, one row each."""
    rows = []
    for k, name in enumerate(result.names):
        row: dict[str, Any] = {
            "name": name,
            "longitude_deg": round(float(result.longitude_deg[k]), 7),
            "latitude_deg": round(float(result.latitude_deg[k]), 7),
            **_zone_columns(result.climate, result.zone, k),
            "flags": "; ".join(result.flags[k]),
        }
        for m, month in enumerate(MONTHS):
            row[f"eto_mm_day_{month.lower()}"] = float(result.climate.eto_mm_day[k, m])
        for m, month in enumerate(MONTHS):
            row[f"percent_{month.lower()}"] = float(result.zone.monthly_percent[k, m])
        rows.append(row)
    return _tidy(pandas.DataFrame(rows))


def sites_csv(result: ContractResult) -> bytes:
    return csv_bytes(contract_rows(result))


def sites_gpkg(result: ContractResult) -> bytes:
    """GeoPackage with the layers `sites` (as given: polygons or points) and `points`."""
    rows = contract_rows(result)
    return gpkg_bytes(
        {
            "sites": geopandas.GeoDataFrame(rows, geometry=list(result.shapes), crs=WGS84),
            "points": geopandas.GeoDataFrame(
                rows, geometry=geopandas.points_from_xy(rows.longitude_deg, rows.latitude_deg), crs=WGS84
            ),
        }
    )


def contract_json(result: ContractResult) -> bytes:
    """`result.json` of a contract; its keys are in this module's docstring."""
    rows = contract_rows(result)
    monthly = [c for c in rows.columns if c.startswith(("eto_mm_day_", "percent_"))]
    sites = rows.drop(columns=monthly).to_dict("records")
    for k, site in enumerate(sites):
        site["flags"] = list(result.flags[k])
        site["eto_mm_day"] = result.climate.eto_mm_day[k]
        site["monthly_percent"] = result.zone.monthly_percent[k]
    return json_bytes(
        {
            "format": "noonmark contract",
            "version": 1,
            "title": result.plan.outputs.title or result.plan.title,
            "zone_table_source": result.zone.table.source,
            "sites": sites,
            "rejected": [{"name": r.name, "why": r.why} for r in result.rejected],
            "notices": _notices(result.notices),
        }
    )
