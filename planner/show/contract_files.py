"""The files of a contract, made from its parts: tables part by part, so that memory holds one of them at a time.

A part is an Arrow file of its sites, quick to write and to read again, and a small JSON file of what was left out
and noticed. The map and the counts need a few columns of all of them.
"""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.feather as feather
import pyarrow.parquet as pq
import pyogrio
import shapely

from planner.climate.answer import ClimatePicture, ZoneTable
from planner.layers import geoparquet, wkb
from planner.layers.frame import WGS84
from planner.ledger import Kind, Notice, OutputError
from planner.plan import Plan
from planner.show.contract_map import LABELLED_MOST, ContractView, contract_page
from planner.show.folder import write_folder
from planner.show.tables import contract_columns, csv_bytes, json_bytes, notice_objects
from planner.units import MONTHS

if TYPE_CHECKING:
    from planner.contract import ContractResult, Rejected

SITES_IN_JSON = 10_000
NAMES_IN_A_NOTICE = 50
MAP_COLUMNS = (
    "name",
    "longitude_deg",
    "latitude_deg",
    "zone",
    "zone_probability",
    "runner_up",
    "runner_up_probability",
    "peak_month",
    "peak_eto_mm_day",
    "spread_mm_day",
    "shown_percent_in_lower_zone",
    "shown_percent",
    "shown_percent_in_higher_zone",
    "ways_agree",
    "ways_in_zone",
    "basis",
    "source",
    "flags",
    *(f"eto_mm_day_{month.lower()}" for month in MONTHS),
)


def file_names(plan: Plan) -> list[str]:
    """What a contract's folder will hold."""
    return [*(["map.html"] if plan.outputs.map else []), *(f"sites.{f}" for f in plan.outputs.sites), "result.json"]


def write_part(result: ContractResult, path: Path) -> None:
    """One part: `path` (an Arrow file) and, before it, its JSON; each whole or not there at all."""
    found = geoparquet.table(contract_columns(result), result.shapes, WGS84)
    told = {
        "sites": found.num_rows,
        "rejected": [[r.name, r.why] for r in result.rejected],
        "notices": [[n.kind.value, n.where, n.what, *_few(n)] for n in result.notices],
    }
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_text(json.dumps(told), encoding="utf-8")
        os.replace(beside, path.with_suffix(".json"))
        feather.write_feather(found, beside, compression="uncompressed")
        os.replace(beside, path)
    except OSError as fault:
        raise OutputError(
            str(path), f"it cannot be written: {fault.strerror or fault}", "Free some space, then run again"
        ) from None
    finally:
        beside.unlink(missing_ok=True)


def _few(notice: Notice) -> tuple[list[str], int]:
    """Some of the features' names, and how many there are besides."""
    named = notice.features[:NAMES_IN_A_NOTICE]
    return list(named), notice.more + len(notice.features) - len(named)


def _texts(schema: pa.Schema) -> list[str]:
    """Columns of a few words each: only they gain from a dictionary."""
    return [field.name for field in schema if pa.types.is_string(field.type) and field.name != "name"]


def read_part(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """Some columns of a part, or all; they stay on the disk until they are used."""
    found = feather.read_table(path, memory_map=True)
    return found if columns is None else found.select(list(columns))


def _schema(path: Path) -> pa.Schema:
    with pa.memory_map(str(path)) as file:
        return pa.ipc.open_file(file).schema


def read_told(part: Path) -> tuple[int, list[tuple[str, str]], list[Notice]]:
    """How many sites a part holds, what was left out of it, and noticed."""
    told = json.loads(part.with_suffix(".json").read_text(encoding="utf-8"))
    notices = [
        Notice(Kind(kind), where, what, tuple(names), more) for kind, where, what, names, more in told["notices"]
    ]
    return int(told["sites"]), [(name, why) for name, why in told["rejected"]], notices


def write_result(result: ContractResult, folder: Path, force: bool) -> list[Path]:
    """All files of a contract that is in memory."""
    with tempfile.TemporaryDirectory(prefix="noonmark-") as parts:
        part = Path(parts) / "part.arrow"
        write_part(result, part)
        return assemble(
            result.plan,
            result.zone.table,
            [part],
            result.rejected,
            result.notices,
            result.climate_picture,
            folder,
            force,
        )


def assemble(
    plan: Plan,
    table: ZoneTable,
    parts: Sequence[Path],
    rejected: Sequence[Rejected],
    notices: Sequence[Notice],
    picture: ClimatePicture | None,
    folder: Path,
    force: bool,
    progress: Callable[[int, int], None] | None = None,
) -> list[Path]:
    """Write the contract's files from its parts, in their order."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder, prefix=".writing-") as made:
        # the map's columns only: a part at a time for all the rest
        columns = MAP_COLUMNS if plan.outputs.map else ("zone", "flags")
        wanted = [name for name in columns if name in _schema(parts[0]).names]
        brief = pa.concat_tables([read_part(part, wanted) for part in parts])
        files: dict[str, bytes | Path] = {}
        if plan.outputs.map:
            shapes = _outlines(parts) if brief.num_rows <= LABELLED_MOST else None
            view = ContractView(plan, table, brief, shapes, tuple(rejected), tuple(notices), picture)
            files["map.html"] = contract_page(view)
        for form in plan.outputs.sites:
            target = Path(made) / f"sites.{form}"
            {"gpkg": _gpkg, "parquet": _parquet, "csv": _csv}[form](parts, target, progress or (lambda d, n: None))
            files[target.name] = target
        files["result.json"] = _json(plan, table, parts, brief, rejected, notices)
        return write_folder(folder, files, force)


def _outlines(parts: Sequence[Path]) -> Any:
    return shapely.from_wkb(
        np.concatenate([read_part(part, ["geometry"])["geometry"].to_numpy() for part in parts])
    )


def _parquet(parts: Sequence[Path], target: Path, progress: Callable[[int, int], None]) -> None:
    types = sorted({t for part in parts for t in _geometry_types(part)})
    schema = _schema(parts[0])
    geo = json.loads(schema.metadata[b"geo"])
    geo["columns"]["geometry"]["geometry_types"] = types
    schema = schema.with_metadata({"geo": json.dumps(geo)})
    with pq.ParquetWriter(target, schema, use_dictionary=_texts(schema), compression="snappy") as out:
        for k, part in enumerate(parts):
            out.write_table(read_part(part).replace_schema_metadata(schema.metadata))
            progress(k + 1, len(parts))


def _geometry_types(part: Path) -> list[str]:
    return list(json.loads(_schema(part).metadata[b"geo"])["columns"]["geometry"]["geometry_types"])


def _gpkg(parts: Sequence[Path], target: Path, progress: Callable[[int, int], None]) -> None:
    """The layer `sites` (as given: polygons or points); of polygons also `points`, one in each."""
    types = {t for part in parts for t in _geometry_types(part)}
    layers = {"sites": next(iter(types)) if len(types) == 1 else "Unknown"}
    if types - {"Point"}:
        layers["points"] = "Point"
    schema = _schema(parts[0]).remove_metadata()

    def batches(as_points: bool) -> Iterator[pa.RecordBatch]:
        for k, part in enumerate(parts):
            found = read_part(part)
            if as_points:
                at = np.column_stack([found["longitude_deg"].to_numpy(), found["latitude_deg"].to_numpy()])
                column = wkb.points(at)
                found = found.set_column(found.column_names.index("geometry"), "geometry", column)
            yield from found.replace_schema_metadata(None).to_batches()
            progress(k + 1, len(parts))

    with _page_cache():
        for k, (name, kind) in enumerate(layers.items()):
            # one stream a layer: the spatial index is then built once, at the end
            pyogrio.raw.write_arrow(
                pa.RecordBatchReader.from_batches(schema, batches(name == "points")),
                target,
                layer=name,
                driver="GPKG",
                geometry_name="geometry",
                geometry_type=kind,
                crs="EPSG:4326",
                append=k > 0,
            )


@contextlib.contextmanager
def _page_cache() -> Iterator[None]:
    """SQLite's cache at 64 MB, unless the user set it: a large file's spatial index is then built in memory."""
    own = pyogrio.get_gdal_config_option("OGR_SQLITE_CACHE")
    if own is None:
        pyogrio.set_gdal_config_options({"OGR_SQLITE_CACHE": "64"})
    try:
        yield
    finally:
        if own is None:
            pyogrio.set_gdal_config_options({"OGR_SQLITE_CACHE": None})


def _csv(parts: Sequence[Path], target: Path, progress: Callable[[int, int], None]) -> None:
    with target.open("wb") as out:
        for k, part in enumerate(parts):
            names = [n for n in _schema(part).names if n != "geometry"]
            text = csv_bytes(read_part(part, names).to_pandas())
            out.write(text if k == 0 else text.split(b"\r\n", 1)[1])
            progress(k + 1, len(parts))


def _json(
    plan: Plan,
    table: ZoneTable,
    parts: Sequence[Path],
    brief: pa.Table,
    rejected: Sequence[Rejected],
    notices: Sequence[Notice],
) -> bytes:
    zones = Counter(brief["zone"].to_pylist())
    flags: Counter[str] = Counter()
    for said in pc.value_counts(brief["flags"]).to_pylist():
        for flag in filter(None, said["values"].split("; ")):
            flags[flag] += said["counts"]
    sites = None
    if brief.num_rows <= SITES_IN_JSON:
        sites = [row for part in parts for row in _site_objects(read_part(part).to_pandas())]
    return json_bytes(
        {
            "format": "noonmark contract",
            "version": 1,
            "title": plan.outputs.title or plan.title,
            "zone_table_source": table.source,
            "count": brief.num_rows,
            "zones": {label: zones[label] for label in table.labels if zones[label]},
            "flagged": brief.num_rows - int(pc.sum(pc.equal(brief["flags"], "")).as_py() or 0),
            "flag_counts": dict(flags.most_common()),
            "sites": sites,
            "rejected": [{"name": r.name, "why": r.why} for r in rejected],
            "notices": notice_objects(notices),
        }
    )


def _site_objects(rows: pandas.DataFrame) -> list[dict[str, Any]]:
    monthly = {
        "eto_mm_day": [f"eto_mm_day_{month.lower()}" for month in MONTHS],
        "monthly_percent": [f"percent_{month.lower()}" for month in MONTHS],
    }
    short = rows.drop(columns=["geometry", *monthly["eto_mm_day"], *monthly["monthly_percent"]])
    sites: list[dict[str, Any]] = short.to_dict("records")
    for name, columns in monthly.items():
        for site, values in zip(sites, rows[columns].to_numpy().tolist(), strict=True):
            site[name] = values
    for site in sites:
        site["flags"] = [flag for flag in site["flags"].split("; ") if flag]
    return sites
