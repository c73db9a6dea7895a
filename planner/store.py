"""A contract's parts, between the work and the files made of it.

A part is an Arrow file of its sites, quick to write and to read again, and a small JSON file of what was left out
and noticed. Columns are in metric units whatever the plan's; words people read are made later.
"""

from __future__ import annotations

import contextlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.feather as feather
import shapely

from planner import pieces
from planner.climate.answer import ClimatePicture, ZoneTable
from planner.contract import ContractResult, Flag, own_names
from planner.found import SiteFound, from_told, told
from planner.ledger import Kind, Notice
from planner.plan import Origin, Plan
from planner.site import Rejected
from planner.units import MONTHS

NAMES_IN_A_NOTICE = 50
FLAGS_APART = "; "  # between the flags of one site, in the column `flags`
_TYPES = "geometry_types"
_KEPT = "kept: "  # before the name of what is kept of each site besides its columns
_FIXED = """
    name row longitude_deg latitude_deg zone zone_probability runner_up runner_up_probability peak_month
    shown_percent_in_lower_zone shown_percent shown_percent_in_higher_zone zone_by_temperature zone_by_description
    ways_agree ways_in_zone elevation_m elevation_ft above_cell_m above_cell_ft basis source flags
    eto_mm_day monthly_percent geometry geom fid ogc_fid rowid
    decision decision_because mount_id mount_support mount_fixed_to mount_longitude_deg mount_latitude_deg mount_m
    mount_ft mount_score_0_to_100 mount_light_share mount_light_share_spread mount_light_month mount_direct_h_day
    mount_lacks mount_height_assumed mounts_tried mounts_passing controllers_at_site controllers_served
    least_link_probability sensors_to_install repeaters_to_install bill_price
"""
_ETO = ("peak_eto_{}_day", "spread_{}_day", "eto_by_temperature_{}_day", "eto_by_description_{}_day")
# Names of our own columns in tables and JSON, in either unit, and those that formats keep for themselves: whatever
# a contract has of them, the user's columns are called the same.
TAKEN = frozenset(
    [
        *_FIXED.split(),
        *(name.format(unit) for name in _ETO for unit in ("mm", "in")),
        *(name + month.lower() for name in ("eto_mm_day_", "eto_in_day_", "percent_") for month in MONTHS),
    ]
)


@dataclass(frozen=True)
class Parts:
    """A contract's parts, in the order of its sites, and what goes with all of them.

    paths: of those that hold any site. picture: None where no map is asked for. left_out: rows of sites that cannot
    be used, with the columns of the others, where the plan names layers and there are any.
    """

    plan: Plan
    table: ZoneTable
    paths: tuple[Path, ...]
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]
    picture: ClimatePicture | None
    origin: Origin | None = None
    left_out: Path | None = None


@contextlib.contextmanager
def one_part(result: ContractResult) -> Iterator[Parts]:
    """A contract that is in memory, as one part in a temporary folder; a context manager.

    Parameters
    ----------
    result
        The contract.

    Yields
    ------
    Parts
        While this lasts.

    Raises
    ------
    OutputError
        The part cannot be written: an OSError of the disk, or fewer rows than there should be.
    """
    with pieces.scratch() as folder:
        path = folder / "part.arrow"
        write_part(result, path)
        left_out = None
        if result.found and result.rejected:
            left_out = folder / "left_out.arrow"
            write_left_out(result.rejected, path, left_out)
        yield Parts(
            result.plan,
            result.zone.table,
            (path,),
            result.rejected,
            result.notices,
            result.climate_picture,
            result.origin,
            left_out,
        )


# --- the columns -------------------------------------------------------------------------------------------------


def contract_columns(result: ContractResult) -> dict[str, Any]:
    """The columns of a contract's sites.

    Parameters
    ----------
    result
        The contract, n sites.

    Returns
    -------
    dict
        (n,) each, by the names of `sites.csv`: arrays, and Arrow text picked from the few words used.
    """
    zone, climate, table = result.zone, result.climate, result.zone.table
    some = zone.zone >= 0
    labels = list(table.labels)

    def label(rows: Any) -> Any:
        return pick(labels, rows)

    def known(values: Any, digits: int = 6) -> Any:
        out = np.round(np.asarray(values, np.float64), digits)
        out[~np.isfinite(out)] = np.nan
        return pa.array(out, from_pandas=True)

    flags = list(dict.fromkeys(result.flags))
    place = {kind: k for k, kind in enumerate(flags)}
    columns: dict[str, Any] = {
        "name": pa.array(result.names, pa.string()),
        **({} if result.rows is None else {"row": pa.array(result.rows, pa.int64())}),
        "longitude_deg": np.round(result.longitude_deg, 7),
        "latitude_deg": np.round(result.latitude_deg, 7),
        "zone": label(zone.zone),
        "zone_probability": known(np.where(some, zone.p_zone, np.nan)),
        "runner_up": label(zone.runner_up),
        "runner_up_probability": known(np.where(zone.runner_up >= 0, zone.p_runner_up, np.nan)),
        "peak_month": pick(list(MONTHS), zone.peak_month),
        "peak_eto_mm_day": known(zone.peak_eto_mm_day),
        "spread_mm_day": known(zone.spread_mm_day),
    }
    if zone.shown_percent is not None:
        for k, name in enumerate(("shown_percent_in_lower_zone", "shown_percent", "shown_percent_in_higher_zone")):
            columns[name] = known(zone.shown_percent[:, k], 1)
    for way, name in zip(zone.ways[1:], ("temperature", "description"), strict=False):
        columns[f"zone_by_{name}"] = label(way.zone)
        columns[f"eto_by_{name}_mm_day"] = known(way.peak_eto_mm_day, 3)
    columns["ways_agree"] = np.asarray(zone.agreement, bool)
    if zone.same_zone is not None:
        columns["ways_in_zone"] = zone.same_zone
    columns["elevation_m"] = known(result.elevation_m, 2)
    if climate.above_m is not None:
        columns["above_cell_m"] = known(climate.above_m, 1)
    columns["basis"] = coded(climate.basis)
    columns["source"] = coded(climate.source)
    columns["flags"] = pick(
        [FLAGS_APART.join(kind) for kind in flags], np.array([place[f] for f in result.flags], np.int64)
    )
    if result.found:
        columns |= found_columns(result.found)
    for m, month in enumerate(MONTHS):
        columns[f"eto_mm_day_{month.lower()}"] = known(climate.eto_mm_day[:, m])
    for m, month in enumerate(MONTHS):
        columns[f"percent_{month.lower()}"] = known(zone.monthly_percent[:, m], 2)
    contract = result.plan.contract
    # where the plan's name column is called as ours is, ours is it
    same = {"name"} if contract is not None and contract.sites.name == "name" else set()
    own = {name: column for name, column in result.own.items() if name not in same}
    for name, given in own_names(own, TAKEN).items():
        columns[given] = own[name]
    return columns


def found_columns(found: Sequence[SiteFound]) -> dict[str, Any]:
    """What was found at some sites besides their zones, a row each: mount, links and price."""
    places = [one.place for one in found]

    def numbers(values: Sequence[float | None], digits: int) -> Any:
        return pa.array([None if v is None else round(float(v), digits) for v in values], pa.float64())

    def of_place(name: str) -> list[Any]:
        return [None if place is None else getattr(place, name) for place in places]

    def words(values: Sequence[str | None]) -> Any:
        return pa.array([v or None for v in values], pa.string())

    def whole(name: str) -> Any:
        return pa.array([None if one.latitude_deg is None else getattr(one, name) for one in found], pa.int64())

    return {
        "decision": pa.array([str(one.outcome) for one in found], pa.string()),
        "decision_because": words([one.why for one in found]),
        "mount_id": words(of_place("id")),
        "mount_support": words(of_place("support")),
        "mount_fixed_to": words(of_place("fixed_to")),
        "mount_longitude_deg": numbers(of_place("longitude_deg"), 7),
        "mount_latitude_deg": numbers(of_place("latitude_deg"), 7),
        "mount_m": numbers(of_place("height_m"), 2),
        "mount_score_0_to_100": numbers(of_place("score"), 6),
        "mount_light_share": numbers(of_place("light_share"), 6),
        "mount_light_share_spread": numbers(of_place("light_sd"), 6),
        "mount_light_month": pick(list(MONTHS), [-1 if m is None else m for m in of_place("light_month")]),
        "mount_direct_h_day": numbers(of_place("direct_h_day"), 6),
        "mount_lacks": words([None if place is None else " ".join(place.lacking) for place in places]),
        "mount_height_assumed": pa.array(of_place("height_assumed"), pa.bool_()),
        "mounts_tried": whole("candidates"),
        "mounts_passing": whole("passing"),
        "controllers_at_site": whole("controllers"),
        "controllers_served": whole("served"),
        "least_link_probability": numbers([min(one.held_with, default=None) for one in found], 6),
        "sensors_to_install": whole("sensors"),
        "repeaters_to_install": whole("repeaters"),
        "bill_price": numbers([one.price for one in found], 2),
    }


def flags_of(text: str) -> list[Flag]:
    """The flags in one cell of the column `flags`."""
    return [Flag(code) for code in text.split(FLAGS_APART) if code]


def flag_kinds(column: Any) -> list[tuple[frozenset[Flag], int]]:
    """The sets of flags in an Arrow column `flags`, and how many sites have each."""
    return [(frozenset(flags_of(kind["values"])), kind["counts"]) for kind in pc.value_counts(column).to_pylist()]


def flag_counts(column: Any) -> Counter[Flag]:
    """How many sites have each flag.

    Parameters
    ----------
    column
        An Arrow column `flags`.

    Returns
    -------
    Counter
        Sites by flag.
    """
    counts: Counter[Flag] = Counter()
    for flags, sites in flag_kinds(column):
        counts.update(dict.fromkeys(flags, sites))
    return counts


def pick(words_: Sequence[str], rows: Any) -> Any:
    """Arrow text: the word of each row; null below zero."""
    rows = np.asarray(rows, np.int64)
    index = pa.array(np.maximum(rows, 0), pa.int32(), mask=rows < 0)
    return pa.DictionaryArray.from_arrays(index, pa.array(list(words_) or [""], pa.string())).cast(pa.string())


def coded(texts: Sequence[str]) -> Any:
    kinds = {text: k for k, text in enumerate(dict.fromkeys(texts))}
    return pick(list(kinds), [kinds[text] for text in texts])


# --- the files ---------------------------------------------------------------------------------------------------


def write_part(result: ContractResult, path: Path, kept: Sequence[Mapping[str, bytes]] = ()) -> None:
    """Keep one part, whole (an Arrow file, with its JSON) or not at all.

    Parameters
    ----------
    result
        The part's sites.
    path
        Where it is to be.
    kept
        (n,) what else is kept of each site, by name: :func:`read_kept` reads it again.

    Raises
    ------
    OutputError
        It cannot be written: an OSError of the disk, or fewer rows than there should be.
    """
    types = sorted(set(shapely.get_type_id(result.shapes).tolist()))
    names = sorted({name for one in kept for name in one})
    besides = {_KEPT + name: pa.array([one.get(name) for one in kept], pa.large_binary()) for name in names}
    found = pa.table({**contract_columns(result), "geometry": wkb_of(result.shapes), **besides})
    found = found.replace_schema_metadata({_TYPES: json.dumps(types)})
    word = {
        "sites": found.num_rows,
        "rejected": [[r.name, r.why, r.row, dict(r.own)] for r in result.rejected],
        "notices": [[n.kind.value, n.where, n.what, *_few(n)] for n in result.notices],
        "found": [told(one) for one in result.found],
    }

    def write(beside: Path) -> None:
        feather.write_feather(found, beside, compression="uncompressed")
        if read_part(beside).num_rows != found.num_rows:
            raise OSError("it was not written whole")

    pieces.keep(path, write, word)


def write_left_out(rejected: Sequence[Rejected], like: Path, path: Path) -> None:
    """Keep the sites that cannot be used, as rows with the columns of a part.

    Parameters
    ----------
    rejected
        Of them name, row, own columns and reason are written; the rest is empty.
    like
        A part of the same contract.
    path
        Where they are to be.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    schema = schema_of(like).remove_metadata()
    given = own_names(dict.fromkeys(name for one in rejected for name in one.own), TAKEN)
    own = {column: name for name, column in given.items()}
    told_: dict[str, list[Any]] = {
        "name": [one.name for one in rejected],
        "row": [one.row or None for one in rejected],
        "decision": ["left_out"] * len(rejected),
        "decision_because": [one.why for one in rejected],
        "flags": [""] * len(rejected),
    }
    columns = {
        field.name: _as(
            told_.get(field.name, [one.own.get(own.get(field.name, "")) for one in rejected]), field.type
        )
        for field in schema
    }
    rows = pa.table(columns, schema=schema).replace_schema_metadata({_TYPES: "[]"})
    pieces.keep(path, lambda beside: feather.write_feather(rows, beside, compression="uncompressed"))


def _as(values: Sequence[Any], kind: pa.DataType) -> Any:
    """Values as a column of a type; what does not fit it is empty."""
    try:
        return pa.array(values, kind)
    except (pa.ArrowInvalid, pa.ArrowTypeError):
        return pa.array([str(v) if pa.types.is_string(kind) and v is not None else None for v in values], kind)


def _few(notice: Notice) -> tuple[list[str], int]:
    """Some of the features' names, and how many there are besides."""
    named = notice.features[:NAMES_IN_A_NOTICE]
    return list(named), notice.more + len(notice.features) - len(named)


def read_part(path: Path, columns: Sequence[str] | None = None) -> pa.Table:
    """A part's sites as a table.

    Parameters
    ----------
    path
        Of the part.
    columns
        Some of them; all but those of :func:`read_kept` unless given.

    Returns
    -------
    pyarrow.Table
        It stays on the disk until it is used.
    """
    found = feather.read_table(path, memory_map=True)
    if columns is None:
        columns = [name for name in found.column_names if not name.startswith(_KEPT)]
    return found.select(list(columns))


def read_kept(path: Path, name: str) -> Iterator[tuple[int, bytes]]:
    """What else is kept of a part's sites under a name.

    Parameters
    ----------
    path
        Of the part.
    name
        As :func:`write_part` was given it.

    Yields
    ------
    row, content : int, bytes
        The site's row in the part, from 0; sites without it are passed over.
    """
    found = feather.read_table(path, memory_map=True)
    if _KEPT + name in found.column_names:
        for k, value in enumerate(found[_KEPT + name]):
            if value.is_valid:
                yield k, value.as_py()


def read_found(path: Path) -> tuple[SiteFound, ...]:
    """What was found of a part's sites, one each, in their order; none where the plan names no layers."""
    return tuple(map(from_told, pieces.told(path)["found"]))


def schema_of(path: Path) -> pa.Schema:
    """The columns of a part's sites."""
    with pa.memory_map(str(path)) as file:
        found = pa.ipc.open_file(file).schema
    return pa.schema([field for field in found if not field.name.startswith(_KEPT)], found.metadata)


def geometry_types(paths: Sequence[Path]) -> set[int]:
    """Kinds of geometry in some parts, as shapely numbers them."""
    return {kind for path in paths for kind in json.loads(schema_of(path).metadata[_TYPES.encode()])}


def read_told(part: Path) -> tuple[int, list[Rejected], list[Notice]]:
    """What is told of a part.

    Parameters
    ----------
    part
        Its path.

    Returns
    -------
    sites, rejected, notices : int, list, list
        How many sites it holds, what was left out of it, and noticed.
    """
    word = pieces.told(part)
    notices = [
        Notice(Kind(kind), where, what, tuple(names), more) for kind, where, what, names, more in word["notices"]
    ]
    return int(word["sites"]), [Rejected(*one) for one in word["rejected"]], notices


# --- geometry ----------------------------------------------------------------------------------------------------

# WKB of a point (OGC 06-103r4, section 8), 21 bytes: all at once a third of the time that shapely takes for each.
_POINT = np.dtype([("order", "u1"), ("kind", "<u4"), ("x", "<f8"), ("y", "<f8")])


def wkb_of(shapes: Any) -> Any:
    """An Arrow column of the shapes' WKB."""
    if len(shapes) and (shapely.get_type_id(shapes) == 0).all() and not shapely.is_empty(shapes).any():
        return wkb_of_points(shapely.get_coordinates(shapes))
    return pa.array(shapely.to_wkb(shapes), pa.binary())


def wkb_of_points(xy: Any) -> Any:
    """The WKB of points.

    Parameters
    ----------
    xy
        (n, 2).

    Returns
    -------
    pyarrow.Array
        (n,) little-endian, of 21 bytes each (OGC 06-103r4, section 8).
    """
    rows = np.empty(len(xy), _POINT)
    rows["order"], rows["kind"], rows["x"], rows["y"] = 1, 1, xy[:, 0], xy[:, 1]
    offsets = np.arange(len(xy) + 1, dtype=np.int32) * _POINT.itemsize
    return pa.Array.from_buffers(pa.binary(), len(xy), [None, pa.py_buffer(offsets), pa.py_buffer(rows)])
