"""The files of a contract, made from its parts: tables part by part, so that memory holds one of them at a time.

A part is an Arrow file of its sites, quick to write and to read again, and a small JSON file of what was left out
and noticed. The map and the counts need a few columns of all of them.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyogrio
import shapely
from pyproj import CRS

from planner.bid import Bid, SiteBid, contract_bid
from planner.climate.answer import ZoneTable
from planner.contract import ContractResult, Flag, SharedError, common_flags
from planner.found import Outcome
from planner.ledger import Notice, OutputError, PlanError
from planner.look_first import Reason
from planner.pieces import plainly, room_for
from planner.plan import Plan, PlanFile
from planner.show.draw.contract_map import LABELLED_MOST, ContractView, contract_page, looks_of, shared_error_of
from planner.show.draw.map import site_page
from planner.show.draw.palette import zone_colours
from planner.show.draw.sheet import sheet_page, sheets
from planner.show.folder import Made, put, writing
from planner.show.say.bid import CHANCE
from planner.show.say.bid import headline as bid_headline
from planner.show.say.flags import common_said
from planner.show.say.look_first import common_said as common_looks
from planner.show.say.look_first import look_said
from planner.show.say.zone import shared_said, table_said
from planner.show.sheets import Sheet
from planner.show.write import joined, typeset
from planner.show.write import schema as schemas
from planner.show.write.contract_bill import contract_bill_csv, contract_bill_xlsx
from planner.show.write.formats import (
    GPKG_VERSION,
    check_gpkg,
    check_xlsx,
    csv_bytes,
    describe_gpkg,
    gdal_set,
    json_bytes,
    undate_zip,
)
from planner.show.write.pdf import paper_of, write_sheets
from planner.show.write.styles import contract_styles, site_styles
from planner.show.write.tables import link_grades, notice_objects
from planner.site import Rejected
from planner.store import (
    Parts,
    flag_counts,
    flag_kinds,
    flags_of,
    geometry_types,
    one_part,
    read_found,
    read_kept,
    read_part,
    schema_of,
    wkb_of_points,
)
from planner.units import MONTHS, Units

if TYPE_CHECKING:
    from planner.found import SiteFound
    from planner.job import SiteResult

SHEETS = "sheets.pdf"
_PACKED = "sheets.json"
SITES_IN_JSON = 10_000
XLSX_ROWS = 1_048_575  # of a sheet, below its heading
_TYPES = {0: "Point", 1: "LineString", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon"}
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

COUNTED_COLUMNS = (
    "name",
    "row",
    "zone",
    "runner_up",
    "runner_up_probability",
    "flags",
    "basis",
    "peak_eto_mm_day",
    "spread_mm_day",
)


@dataclass(frozen=True)
class Counts:
    """Sites of a contract: in all, by zone label, in no zone of the table, with any flag, and by flag.

    apart: with a flag that most sites do not have. common_said: sentences on the flags that most have.
    shared: what an error common to the sites of the built-in estimate would make of the zones. shared_said: that
    in words, '' where there is none.
    """

    sites: int
    zones: dict[str, int]
    no_zone: int
    flagged: int
    flags: dict[Flag, int]
    apart: int
    common_said: tuple[str, ...]
    shared: SharedError | None = None
    shared_said: str = ""


@dataclass(frozen=True)
class LookAt:
    """A site to look at first. row: of its file, None where that is not known; said: why, in a sentence."""

    name: str
    row: int | None
    reason: Reason
    said: str


@dataclass(frozen=True)
class Mounted:
    """What a contract whose sites get mounts comes to. chosen: sites that have one; first: those to look at first,
    in that order; common: sentences on reasons that most sites have."""

    chosen: int
    first: tuple[LookAt, ...]
    common: tuple[str, ...]
    bid: Bid
    bid_headline: str


@dataclass(frozen=True)
class ContractFiles:
    """What was written of a contract: its counts, what was left out and noticed, and the files.

    mounted: None where the contract is of zones only.
    """

    counts: Counts
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]
    files: tuple[Path, ...]
    mounted: Mounted | None = None


def file_names(plan: Plan) -> list[str]:
    """What a contract's folder will hold.

    Parameters
    ----------
    plan
        Of the contract.

    Returns
    -------
    list of str
        Names of files, without the folders of single sites.
    """
    joint = [f"{layer}.parquet" for layer in joined.COLUMNS] if "parquet" in plan.outputs.sites else []
    return [
        *(["map.html"] if plan.outputs.map else []),
        *(f"sites.{f}" for f in plan.outputs.sites),
        *(joint if plan.layers is not None else []),
        *(f"bill.{form}" for form in plan.outputs.bill if plan.layers is not None),
        *([SHEETS] if plan.outputs.site_sheets and plan.layers is not None else []),
        "result.json",
    ]


def kept_of(result: SiteResult, found: SiteFound) -> dict[str, bytes]:
    """What is kept of a contract's site until all are there.

    Parameters
    ----------
    result
        The site.
    found
        The same in brief, with its name in the contract.

    Returns
    -------
    dict
        Bytes by name: its tables, and its pages where the plan asks for them.
    """
    kept = joined.tables_of(result, found)
    if result.plan.outputs.site_maps:
        kept |= {"map.html": site_page(result), "sheet.html": sheet_page(result)}
    if result.plan.outputs.site_sheets:
        kept[_PACKED] = json.dumps([sheet.packed() for sheet in sheets(result)]).encode()
    return kept


def check_sheets(plan_file: PlanFile) -> None:
    """Refuse a plan that asks for a PDF of all sheets where nothing here can set it.

    Parameters
    ----------
    plan_file
        Of a contract.

    Raises
    ------
    PlanError
        typst is not installed.
    """
    plan = plan_file.plan
    if plan.outputs.site_sheets and plan.layers is not None and not typeset.available():
        raise PlanError(
            f"{plan_file.path}: outputs.site_sheets",
            "typst, which sets the sheets as a PDF, is not installed",
            'pip install "noonmark[pdf]", or leave the key out',
        )


def _packed_sheets(paths: Sequence[Path]) -> Iterator[Sheet]:
    """Of all parts, in the order of the sites."""
    for path in paths:
        for _, packed in read_kept(path, _PACKED):
            yield from map(Sheet.unpacked, json.loads(packed))


PAGES = ("map.html", "sheet.html")
_NO_NAME = re.compile(r"[^\w.-]+")
LONGEST_NAME = 60  # of a folder: many disks take 255 bytes, and letters may have four


def folder_names(names: Sequence[str]) -> list[str]:
    """A folder's name for each site: its own in letters that every disk takes, and a number where that is taken.

    >>> folder_names(["North Park", "north park", "../etc", "CON", ""])
    ['North_Park', 'north_park_2', 'etc', 'site_CON', 'site']
    """
    used: set[str] = set()
    given = []
    for name in names:
        plain = _NO_NAME.sub("_", name).strip("._-")[:LONGEST_NAME].rstrip("._-") or "site"
        if plain.split(".")[0].upper() in _DEVICES:
            plain = f"site_{plain}"
        own, k = plain, 1
        while own.casefold() in used:
            k += 1
            own = f"{plain}_{k}"
        used.add(own.casefold())
        given.append(own)
    return given


# names that mean devices on Windows, with any ending
_DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{port}{k}" for port in ("COM", "LPT") for k in range(1, 10))}


def _page_folders(parts: Parts) -> list[str]:
    """`sites/NAME` of each site in the parts, where the plan asks for pages of each."""
    if not parts.plan.outputs.site_maps or parts.plan.layers is None:
        return []
    names = [name for path in parts.paths for name in read_part(path, ["name"])["name"].to_pylist()]
    return [f"sites/{name}" for name in folder_names(names)]


def _put_pages(parts: Parts, folders: Sequence[str], new: Path) -> None:
    """`map.html` and `sheet.html` of each site that has them."""
    first = 0
    for path in parts.paths if folders else ():
        for page in PAGES:
            for k, content in read_kept(path, page):
                put(new / folders[first + k] / page, content)
        first += read_part(path, ["name"]).num_rows


def _texts(schema: pa.Schema) -> list[str]:
    """Columns of a few words each: only they gain from a dictionary."""
    return [field.name for field in schema if pa.types.is_string(field.type) and field.name != "name"]


def write_result(result: ContractResult, folder: Path, force: bool) -> list[Path]:
    """All files of a contract that is in memory."""
    with one_part(result) as parts:
        return list(write_parts(parts, folder, force).files)


def write_parts(parts: Parts, folder: Path, force: bool) -> ContractFiles:
    """Write the contract's files from its parts, in their order.

    Parameters
    ----------
    parts
        Whole ones.
    folder
        Is made where it is not there.
    force
        Overwrite what is not ours.

    Returns
    -------
    ContractFiles
        What was written, and what to say of it.

    Raises
    ------
    OutputError
        As :func:`planner.show.write_site`.
    """
    folder, plan, folders = Path(folder), parts.plan, _page_folders(parts)
    names = [*file_names(plan), *(f"{each}/{page}" for each in folders for page in PAGES)]
    with writing(folder, names, force, Made("contract", parts.origin)) as new:
        # the map's columns only: a part at a time for all the rest
        columns = MAP_COLUMNS if plan.outputs.map else COUNTED_COLUMNS
        wanted = [name for name in columns if name in schema_of(parts.paths[0]).names]
        brief = pa.concat_tables([read_part(path, wanted) for path in parts.paths])
        found = tuple(one for path in parts.paths for one in read_found(path))
        if plan.outputs.map:
            shapes = _outlines(parts.paths) if brief.num_rows <= LABELLED_MOST else None
            said = (parts.rejected, parts.notices, parts.picture)
            view = ContractView(plan, parts.table, brief, shapes, *said, found)
            put(new / "map.html", contract_page(view))
        mounted = None
        if plan.layers is not None:
            bids = [one.bid or SiteBid(one.name, None) for one in found]
            for kind in plan.outputs.bill:
                make = {"csv": contract_bill_csv, "xlsx": contract_bill_xlsx}[kind]
                put(new / f"bill.{kind}", make(bids, plan))
            mounted = _mounted(plan, brief, found, contract_bid(bids))
        if SHEETS in names:
            write_sheets(
                _packed_sheets(parts.paths), new / SHEETS, paper_of(plan), plan.outputs.title or plan.title
            )
        tables = parts.paths if parts.left_out is None else (*parts.paths, parts.left_out)
        for form in plan.outputs.sites:
            target = new / f"sites.{form}"
            {"gpkg": _gpkg, "parquet": _parquet, "csv": _csv, "xlsx": _xlsx}[form](tables, target, plan.units)
            if form == "parquet" and plan.layers is not None:
                for layer in joined.COLUMNS:
                    joined.write_parquet(parts.paths, layer, new / f"{layer}.parquet")
            if form == "gpkg":
                with room_for("a GeoPackage", new):
                    _describe(target, parts.table, plan.units)
        counts = _counts(parts, brief)
        _put_pages(parts, folders, new)
        put(new / "result.json", _json(parts, brief, counts, mounted))
    # without any decided site there are no sheets, and some have no pages
    files = tuple(folder / name for name in names if (folder / name).exists())
    return ContractFiles(counts, parts.rejected, parts.notices, files, mounted)


def _mounted(plan: Plan, brief: pa.Table, found: Sequence[SiteFound | None], bid: Bid) -> Mounted:
    decided = {row: one for row, one in enumerate(found) if one is not None}
    looks = looks_of(brief, decided, plan)
    first = []
    for look in looks.first:
        name, row, zone, second = (
            brief[column][look.row].as_py() if column in brief.column_names else None
            for column in ("name", "row", "zone", "runner_up")
        )
        said = look_said(look, decided.get(look.row), zone, second)
        first.append(LookAt(str(name), row, look.reason, said))
    chosen = sum(one.outcome is Outcome.CHOSEN for one in decided.values())
    return Mounted(chosen, tuple(first), tuple(common_looks(looks, brief.num_rows)), bid, bid_headline(bid, plan))


def _in_units(found: pa.Table, units: Units) -> pa.Table:
    """A part's columns as the tables have them; the part itself is metric."""
    if units == "metric":
        return found
    said = dict(zip(schemas.names(schemas.CONTRACT), schemas.contract(units), strict=True))
    metric = {column.name: column.unit for column in schemas.CONTRACT}
    for k, name in enumerate(found.column_names):
        if metric.get(name) in schemas.US:
            _, size, digits = schemas.US[metric[name]]
            found = found.set_column(k, said[name].name, pc.round(pc.divide(found[name], size), digits))
    return found


def _frame(found: pa.Table) -> pandas.DataFrame:
    """Whole numbers stay so where some are missing."""
    return found.to_pandas(types_mapper={pa.int64(): pandas.Int64Dtype()}.get)


def _outlines(parts: Sequence[Path]) -> Any:
    return shapely.from_wkb(
        np.concatenate([read_part(part, ["geometry"])["geometry"].to_numpy() for part in parts])
    )


def _parquet(parts: Sequence[Path], target: Path, units: Units) -> None:
    """GeoParquet, version 1.1.0 of the format."""
    spec = {
        "encoding": "WKB",
        "geometry_types": sorted(_TYPES[kind] for kind in geometry_types(parts) if kind in _TYPES),
        "crs": CRS.from_epsg(4326).to_json_dict(),
    }
    geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": spec}}
    schema = _in_units(schema_of(parts[0]).empty_table(), units).schema.with_metadata({"geo": json.dumps(geo)})
    with pq.ParquetWriter(target, schema, use_dictionary=_texts(schema), compression="snappy") as out:
        for part in parts:
            out.write_table(_in_units(read_part(part), units).replace_schema_metadata(schema.metadata))


def _gpkg(parts: Sequence[Path], target: Path, units: Units) -> None:
    """The layer `sites` (as given: polygons or points); of polygons also `points`, one in each."""
    types = geometry_types(parts)
    layers = {"sites": _TYPES.get(min(types), "Unknown") if len(types) == 1 else "Unknown"}
    if types - {0}:
        layers["points"] = "Point"
    schema = _in_units(schema_of(parts[0]).empty_table(), units).schema.remove_metadata()

    def batches(as_points: bool) -> Iterator[pa.RecordBatch]:
        for part in parts:
            found = _in_units(read_part(part), units)
            if as_points:
                found = found.filter(pc.is_valid(found["geometry"]))  # those that cannot be used have no place
                at = np.column_stack([found["longitude_deg"].to_numpy(), found["latitude_deg"].to_numpy()])
                column = wkb_of_points(at)
                found = found.set_column(found.column_names.index("geometry"), "geometry", column)
            yield from found.replace_schema_metadata(None).to_batches()

    page_cache = gdal_set("OGR_SQLITE_CACHE", "64")  # MB: a large file's spatial index is then built in memory
    with room_for("a GeoPackage", target.parent), plainly(target) as plain, page_cache:
        for k, (name, kind) in enumerate(layers.items()):
            # one stream a layer: the spatial index is then built once, at the end
            pyogrio.raw.write_arrow(
                pa.RecordBatchReader.from_batches(schema, batches(name == "points")),
                plain,
                layer=name,
                driver="GPKG",
                geometry_name="geometry",
                geometry_type=kind,
                crs="EPSG:4326",
                append=k > 0,
                **({} if k else {"VERSION": GPKG_VERSION}),
            )
        placed = [read_part(part, ["geometry"])["geometry"] for part in parts]
        rows = {"sites": sum(map(len, placed)), "points": sum(len(column) - column.null_count for column in placed)}
        check_gpkg(plain, {name: rows[name] for name in layers} | joined.append_gpkg(parts, plain))


def _describe(target: Path, table: ZoneTable, units: Units) -> None:
    """What each column of the GeoPackage means, and its layers in the zones' colours."""
    colours = zone_colours(table.peak_mm_day)
    zones = [(label, label, colour) for label, colour in zip(table.labels, colours, strict=True)]
    columns = schemas.contract(units)
    styles = contract_styles(zones) | site_styles(link_grades(), colours[0])
    describe_gpkg(target, {"sites": columns, "points": columns, **joined.COLUMNS}, styles)


def _xlsx(parts: Sequence[Path], target: Path, units: Units) -> None:
    """A workbook with the sheet `sites`; a text that looks like a formula stays a text."""
    count = sum(len(read_part(part, ["name"])) for part in parts)
    if count > XLSX_ROWS:
        raise OutputError(
            target.name,
            f"a workbook's sheet takes {XLSX_ROWS:,} sites, and there are {count:,}",
            'Leave "xlsx" out of outputs.sites',
        )

    def table(found: pa.Table) -> pa.Table:
        return _in_units(found, units).drop_columns(["geometry"]).replace_schema_metadata(None)

    schema = table(schema_of(parts[0]).empty_table()).schema
    batches = (batch for part in parts for batch in table(read_part(part)).to_batches())
    rows = pa.RecordBatchReader.from_batches(schema, batches)
    with room_for("a workbook", target.parent), plainly(target) as plain:
        pyogrio.raw.write_arrow(rows, plain, layer="sites", driver="XLSX", geometry_type=None)
        check_xlsx(plain)
        undate_zip(plain)


def _csv(parts: Sequence[Path], target: Path, units: Units) -> None:
    with target.open("wb") as out:
        for k, part in enumerate(parts):
            names = [n for n in schema_of(part).names if n != "geometry"]
            text = csv_bytes(_frame(_in_units(read_part(part, names), units)))
            out.write(text if k == 0 else text.split(b"\r\n", 1)[1])


def _counts(parts: Parts, brief: pa.Table) -> Counts:
    zones = Counter(brief["zone"].to_pylist())
    flags = flag_counts(brief["flags"])
    common = set(common_flags(flags, brief.num_rows))
    table, shared = parts.table, shared_error_of(brief, parts.table)
    return Counts(
        sites=brief.num_rows,
        zones={label: zones[label] for label in table.labels if zones[label]},
        no_zone=zones[None],
        flagged=brief.num_rows - int(pc.sum(pc.equal(brief["flags"], "")).as_py() or 0),
        flags={flag: flags[flag] for flag in sorted(flags, key=lambda one: (-flags[one], str(one)))},
        apart=sum(sites for some, sites in flag_kinds(brief["flags"]) if some - common),
        common_said=tuple(common_said(flags, brief.num_rows, shared is not None)),
        shared=shared,
        shared_said=shared_said(shared, zones, brief.num_rows, table, parts.plan.units),
    )


def _json(parts: Parts, brief: pa.Table, counts: Counts, mounted: Mounted | None) -> bytes:
    sites = None
    if brief.num_rows <= SITES_IN_JSON:
        sites = [row for path in parts.paths for row in _site_objects(_frame(read_part(path)))]
    return json_bytes(
        {
            "format": "noonmark contract",
            "version": 1,
            "title": parts.plan.outputs.title or parts.plan.title,
            "zone_table_source": table_said(parts.table, "metric"),
            "count": counts.sites,
            "zones": counts.zones,
            "no_zone": counts.no_zone,
            "zones_if_estimate_is_off": _if_off(counts.shared, parts.table),
            "flagged": counts.flagged,
            "flag_counts": counts.flags,
            **({} if mounted is None else _mounted_object(mounted, parts.plan)),
            "sites": sites,
            "rejected": [{"name": r.name, "why": r.why, "row": r.row, "own": r.own} for r in parts.rejected],
            "notices": notice_objects(parts.notices),
        }
    )


def _mounted_object(mounted: Mounted, plan: Plan) -> dict[str, Any]:
    """Sites with a mount, the bill of all with its spread, and the sites to look at first."""
    bid = mounted.bid
    return {
        "with_mount": mounted.chosen,
        "bid": {
            "currency": plan.prices.currency,
            "total": bid.total,
            "within_nine_in_ten": bid.total + bid.added.within(CHANCE),
            "every_link_holds": bid.added.none_fails,
            "sites": bid.sites,
            "not_priced": bid.not_priced,
        },
        "look_first": [
            {"name": one.name, "row": one.row, "reason": one.reason, "said": one.said}
            for one in mounted.first[:SITES_IN_JSON]
        ],
        "look_first_common": mounted.common,
    }


def _if_off(shared: SharedError | None, table: ZoneTable) -> dict[str, Any] | None:
    if shared is None:
        return None
    lower, higher = (
        {label: n for label, n in zip(table.labels, counts.tolist(), strict=True) if n}
        for counts in (shared.lower, shared.higher)
    )
    return {"sites": shared.sites, "mm_day": shared.mm_day, "lower": lower, "higher": higher}


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
        site["flags"] = flags_of(site["flags"])
    return sites
