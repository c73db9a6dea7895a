"""The map of a contract: every site coloured by its zone, with a list to search beside it.

The sites' columns go into the page as packed numbers, and `contract.js` draws them on a canvas of its own: bins
with a count where they lie close, single sites where there is room. That stays quick with a hundred thousand.
"""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import shapely
from markupsafe import Markup

from planner.bid import SiteBid, contract_bid
from planner.climate.answer import Basis, ClimatePicture, ZoneTable
from planner.contract import ContractResult, Flag, SharedError, common_flags, shared_error
from planner.found import Outcome, SiteFound
from planner.ledger import Notice
from planner.look_first import LookFirst, look_first, reasons_of
from planner.plan import Plan
from planner.show.draw import palette
from planner.show.draw.groups import climate_group
from planner.show.draw.outlines import SOURCE, outlines_group
from planner.show.draw.page import PAGES, OfflineMap, page_bytes
from planner.show.draw.views import credits, notices_view
from planner.show.lonlat import geojson
from planner.show.say import zone as words
from planner.show.say.bid import BidWords, bid_words
from planner.show.say.contract import MOUNT_LABELS, mount_values
from planner.show.say.flags import FLAG_WORDS, common_said
from planner.show.say.look_first import common_said as common_looks
from planner.show.say.look_first import look_said
from planner.show.say.zone import shared_said
from planner.site import Rejected
from planner.store import contract_columns, flag_counts, flags_of
from planner.units import MM_PER_IN, MONTHS, eto

SITES_MOST = 250_000  # more than this and the page grows past 25 MB: the flagged first, then an even choice
LABELLED_MOST = 2000  # outlines are drawn for a contract of this many sites
SHAPE_TOLERANCE_DEG = 2e-5  # about 2 m: outlines are for finding a site, not for measuring it
REJECTED_MOST = 500
LOOKS_MOST = 15  # listed of the sites to look at first


@dataclass(frozen=True)
class ContractView:
    """What the map shows: the sites' columns (names as in `sites.csv`), and what goes with them.

    shapes: (n,) EPSG:4326, None where outlines are not drawn. found: (n,) what was decided at each site, empty
    where the contract is of zones only.
    """

    plan: Plan
    table: ZoneTable
    sites: pa.Table
    shapes: Any
    rejected: tuple[Rejected, ...]
    notices: tuple[Notice, ...]
    picture: ClimatePicture | None
    found: tuple[SiteFound | None, ...] = ()

    @property
    def decided(self) -> dict[int, SiteFound]:
        """By row of the sites."""
        return {row: one for row, one in enumerate(self.found) if one is not None}


def view(result: ContractResult) -> ContractView:
    """The view of a contract that is in memory."""
    shapes = result.shapes if len(result.names) <= LABELLED_MOST else None
    return ContractView(
        result.plan,
        result.zone.table,
        pa.table(contract_columns(result)),
        shapes,
        result.rejected,
        result.notices,
        result.climate_picture,
        result.found,
    )


def contract_page(shown: ContractView | ContractResult) -> bytes:
    """`map.html` of a contract."""
    return page_bytes(contract_map(shown))


def contract_map(shown: ContractView | ContractResult) -> OfflineMap:
    """The map as a folium object, to which layers of one's own may be added before it is saved."""
    seen = shown if isinstance(shown, ContractView) else view(shown)
    shared = shared_error_of(seen.sites, seen.table)
    zones: Counter[str] = Counter(filter(None, seen.sites["zone"].to_pylist()))
    said = [shared_said(shared, zones, seen.sites.num_rows, seen.table, seen.plan.units)]
    counts = flag_counts(seen.sites["flags"])
    common = common_flags(counts, seen.sites.num_rows)
    bid = _bid(seen)
    said = [*filter(None, said), *common_said(counts, seen.sites.num_rows, shared is not None)]
    seen, left = _few_enough(seen, common)
    looks = looks_of(seen.sites, seen.decided, seen.plan)
    told_already = tuple(reasons_of(common))
    said += common_looks(looks, seen.sites.num_rows, told_already)
    lon, lat = (seen.sites[name].to_numpy() for name in ("longitude_deg", "latitude_deg"))
    west, east, wraps = _span(lon)
    south, north = (float(lat.min()), float(lat.max())) if len(lat) else (-10.0, 10.0)
    units = seen.plan.units
    codes = _Codes(seen, common)
    land = outlines_group(west, south, east, north)
    climate = climate_group(seen.picture, units, ground=True)
    mounts = _mounts(seen, wraps)
    groups = [climate, land, _outlines(seen, wraps), mounts, _sites(seen, codes, wraps, looks)]
    sources = pc.unique(seen.sites["source"]).to_pylist()
    credited = [*credits(sources, seen.picture), *([SOURCE] if land is not None else [])]
    data = {
        "units": units,
        "months": MONTHS,
        "etoUnit": "in/day" if units == "us" else "mm/day",
        # a single site still gets some country around it
        "bounds": [[south - 0.02, west - 0.02], [north + 0.02, east + 0.02]],
        "closeZoom": 12,
        "dotZoom": 7,
        "groups": [g for g in groups if g is not None],
        "credits": credited,
    }
    title = seen.plan.outputs.title or seen.plan.title
    panel = _panel(seen, codes, title, credited, left, said, looks, bid)
    centre = ((south + north) / 2, (west + east) / 2)
    return OfflineMap(title, centre, data, panel, ("contract.js", "marks.js", "map.js"))


def shared_error_of(sites: pa.Table, table: ZoneTable) -> SharedError | None:
    """Of the sites' columns, named as in `sites.csv`."""
    peak, spread = (_numbers(sites[name]) for name in ("peak_eto_mm_day", "spread_mm_day"))
    estimated = pc.equal(sites["basis"], Basis.BUILT_IN.value).to_numpy(zero_copy_only=False)
    return shared_error(peak, spread, np.asarray(estimated, bool), table)


def _few_enough(seen: ContractView, common: Sequence[Flag]) -> tuple[ContractView, int]:
    """The view with no more sites than a page can hold, and how many were left out."""
    n = seen.sites.num_rows
    if n <= SITES_MOST:
        return seen, 0
    kinds = pc.unique(seen.sites["flags"]).to_pylist()
    apart = np.array([bool(set(flags_of(kind)) - set(common)) for kind in kinds])
    flagged = apart[_code(seen.sites["flags"], kinds)]

    def even(rows: Any, most: int) -> Any:
        return rows if len(rows) <= most else rows[np.linspace(0, len(rows) - 1, most).astype(np.int64)]

    first = even(np.flatnonzero(flagged), SITES_MOST)
    rows = np.sort(np.concatenate([first, even(np.flatnonzero(~flagged), SITES_MOST - len(first))]))
    found = tuple(seen.found[row] for row in rows) if seen.found else ()
    kept = replace(seen, sites=seen.sites.take(pa.array(rows)), shapes=None, found=found)
    return kept, n - len(rows)


def _bid(seen: ContractView) -> BidWords | None:
    """The bill of all sites; None where the contract is of zones only."""
    if not seen.decided:
        return None
    bids = [one.bid or SiteBid(one.name, None) for one in seen.decided.values()]
    return bid_words(contract_bid(bids), seen.plan)


def looks_of(sites: pa.Table, decided: Mapping[int, SiteFound], plan: Plan) -> LookFirst:
    """Which of the sites to look at first; their columns are named as in `sites.csv`."""
    kinds = pc.unique(sites["flags"]).to_pylist()
    sets = [tuple(flags_of(kind)) for kind in kinds]
    flags = [sets[k] for k in _code(sites["flags"], kinds)]
    return look_first(flags, _numbers(sites["runner_up_probability"]), decided, plan.reach.probability)


def _span(lon: Any) -> tuple[float, float, bool]:
    """West and east of the sites, and whether they are nearer together across the antimeridian."""
    if not len(lon):
        return -10.0, 10.0, False
    west, east = float(lon.min()), float(lon.max())
    turned = np.where(lon < 0, lon + 360.0, lon)
    if east - west > 180 and turned.max() - turned.min() < east - west:
        return float(turned.min()), float(turned.max()), True
    return west, east, False


# --- the columns as numbers -------------------------------------------------------------------------------------


class _Codes:
    """Words of the table as row numbers, and the colours of the zones.

    common: flags that most sites have, which set none of them apart.
    """

    def __init__(self, seen: ContractView, common: Sequence[Flag]) -> None:
        self.labels = list(seen.table.labels)
        self.zone = _code(seen.sites["zone"], self.labels)
        self.runner_up = _code(seen.sites["runner_up"], self.labels)
        self.month = _code(seen.sites["peak_month"], MONTHS)
        self.bases = pc.unique(seen.sites["basis"]).to_pylist()
        self.basis = _code(seen.sites["basis"], self.bases)
        kinds = pc.unique(seen.sites["flags"]).to_pylist()
        sets = [flags_of(kind) for kind in kinds]
        raised = [flag for flag in Flag if any(flag in some for some in sets)]
        self.flags = [FLAG_WORDS[flag] for flag in raised]
        self.common = sum(1 << bit for bit, flag in enumerate(raised) if flag in common)
        bits = np.array([sum(1 << raised.index(flag) for flag in some) for some in sets] or [0], np.uint16)
        self.flag_bits = bits[_code(seen.sites["flags"], kinds)]
        self.colours = palette.zone_colours(seen.table.peak_mm_day)


def _code(column: Any, kinds: Sequence[str]) -> Any:
    """(n,) row of each word, -1 where null."""
    found = pc.index_in(column, pa.array(list(kinds), pa.string()))
    return found.to_pandas().fillna(-1).to_numpy(np.int64)


def _packed(values: Any, kind: str) -> str:
    """Little-endian numbers in base 64."""
    return base64.b64encode(np.ascontiguousarray(values, np.dtype(kind).newbyteorder("<")).tobytes()).decode()


def _numbers(column: Any) -> Any:
    return column.to_pandas().to_numpy(np.float64)


def _hundredths(values: Any) -> str:
    """Numbers to 0.01 in 16 bits; 65535 where unknown."""
    v = np.asarray(values, np.float64)
    return _packed(np.where(np.isfinite(v), np.clip(np.round(np.nan_to_num(v) * 100), 0, 65000), 65535), "u2")


DOT: dict[str, Any] = {"shape": "dot", "size": 6, "color": palette.INK, "weight": 1.3, "fillOpacity": 1}


def _sites(seen: ContractView, codes: _Codes, wraps: bool, looks: LookFirst) -> dict[str, Any] | None:
    """The group of all sites, for `contract.js`; None where there are none."""
    n = seen.sites.num_rows
    if not n:
        return None
    some = np.unique(codes.zone[codes.zone >= 0])
    return {
        "id": "sites",
        "name": f"Sites by climate zone ({n:,})",
        "on": True,
        "key": {**DOT, "fillColor": codes.colours[int(some[0])] if len(some) else "#fff"},
        "classes": _classes(seen, codes, some, looks),
        "sites": _columns(seen, codes, wraps, looks),
    }


def _classes(seen: ContractView, codes: _Codes, some: Any, looks: LookFirst) -> list[dict[str, Any]]:
    """Rows of the key. some: (k,) rows of the zones that sites have."""
    bands = [words.band(seen.table, int(k), seen.plan.units) for k in some]
    classes = [
        {**DOT, "fillColor": codes.colours[k], "name": f"{codes.labels[k]}: {band}"}
        for k, band in zip(some, bands, strict=True)
    ]
    unzoned = int((codes.zone < 0).sum())
    if unzoned:
        classes.append({**DOT, "dashArray": "3 2", "fillColor": "#ffffff", "name": f"No zone found ({unzoned:,})"})
    if looks.first:
        ring = {**DOT, "color": palette.MARK, "weight": 3, "fillColor": "#ffffff"}
        classes.append({**ring, "name": f"Look at first ({len(looks.first):,})"})
    return classes


def _columns(seen: ContractView, codes: _Codes, wraps: bool, looks: LookFirst) -> dict[str, Any]:
    """The sites' columns, packed, and the words that they number."""
    sites, units = seen.sites, seen.plan.units
    lon = sites["longitude_deg"].to_numpy()
    lon = np.where(lon < 0, lon + 360.0, lon) if wraps else lon
    monthly = np.stack([_numbers(sites[f"eto_mm_day_{m.lower()}"]) for m in MONTHS], axis=1)
    there = sites.column_names
    shown = {
        key: _packed(np.nan_to_num(_numbers(sites[name]), nan=0.0).clip(0, 6500) * 10, "u2")
        for key, name in (
            ("lower", "shown_percent_in_lower_zone"),
            ("own", "shown_percent"),
            ("higher", "shown_percent_in_higher_zone"),
        )
        if name in there
    }
    rank = np.zeros(sites.num_rows, np.uint8)
    rank[[look.row for look in looks.first]] = 1
    mounts = {}
    if seen.decided:
        values = [mount_values(one, seen.plan) for one in seen.found]
        mounts = {"mountLabels": MOUNT_LABELS, "mountValues": values}
    return {
        "n": sites.num_rows,
        "names": sites["name"].to_pylist(),
        # to 1e-6 degrees, 0.1 m
        "lon": _packed(np.round(lon * 1e6), "i4"),
        "lat": _packed(np.round(sites["latitude_deg"].to_numpy() * 1e6), "i4"),
        "zone": _packed(codes.zone, "i2"),
        "second": _packed(codes.runner_up, "i2"),
        "p": _packed(np.nan_to_num(_numbers(sites["zone_probability"])) * 1000, "u2"),
        "pSecond": _packed(np.nan_to_num(_numbers(sites["runner_up_probability"])) * 1000, "u2"),
        "month": _packed(codes.month, "i1"),
        "peak": _hundredths(_numbers(sites["peak_eto_mm_day"])),
        "spread": _hundredths(_numbers(sites["spread_mm_day"])),
        "agree": _packed(sites["ways_agree"].to_numpy(zero_copy_only=False), "u1"),
        "basis": _packed(codes.basis, "u1"),
        "flags": _packed(codes.flag_bits, "u2"),
        "eto": _hundredths(monthly),
        **shown,
        "labels": codes.labels,
        "bands": [words.band(seen.table, k, units) for k in range(len(codes.labels))],
        "colours": codes.colours,
        "bases": codes.bases,
        "flagNames": codes.flags,
        "commonFlags": codes.common,
        "look": _packed(rank, "u1"),
        "lookInk": palette.MARK,
        **mounts,
        "ink": palette.INK,
        "perUnit": MM_PER_IN if units == "us" else 1.0,
        "digits": 2 if units == "us" else 1,
    }


def _mounts(seen: ContractView, wraps: bool) -> dict[str, Any] | None:
    """Where the sensors of the chosen mounts are; None where too many sites are shown, or none is decided."""
    chosen = [one for one in seen.decided.values() if one.outcome is Outcome.CHOSEN]
    if not chosen or len(seen.found) > LABELLED_MOST:
        return None
    style = {"color": "#ffffff", "weight": 1.2, "fillColor": palette.MARK, "fillOpacity": 1, "radius": 4}
    at = [(one.place.longitude_deg, one.place.latitude_deg) for one in chosen if one.place is not None]
    return {
        "id": "mounts",
        "name": f"Chosen mounts ({len(at):,})",
        "on": True,
        "style": style | {"interactive": False},
        "features": {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "geometry": {
                        "type": "Point",
                        "coordinates": [round(x + 360.0 * (wraps and x < 0), 6), round(y, 6)],
                    },
                    "properties": {},
                }
                for x, y in at
            ],
        },
        "key": {"shape": "dot", "size": 4, **style},
    }


def _outlines(seen: ContractView, wraps: bool) -> dict[str, Any] | None:
    if seen.shapes is None:
        return None
    shapes = [s for s in seen.shapes if s is not None and s.geom_type in ("Polygon", "MultiPolygon")]
    if not shapes:
        return None
    if wraps:
        shapes = [
            shapely.transform(
                s, lambda xy: np.column_stack([np.where(xy[:, 0] < 0, xy[:, 0] + 360, xy[:, 0]), xy[:, 1]])
            )
            for s in shapes
        ]
    style = {"color": palette.INK, "weight": 1.2, "fillColor": palette.CARD, "fillOpacity": 0.35}
    return {
        "id": "outlines",
        "name": "Site boundaries",
        "on": True,
        "style": style | {"interactive": False},
        "features": {
            "type": "FeatureCollection",
            "features": [
                {
                    "type": "Feature",
                    "geometry": geojson(shapely.simplify(shape, SHAPE_TOLERANCE_DEG)),
                    "properties": {},
                }
                for shape in shapes
            ],
        },
        "key": style,
    }


# --- the panel beside it ----------------------------------------------------------------------------------------


def _panel(
    seen: ContractView,
    codes: _Codes,
    title: str,
    credited: Sequence[str],
    left: int,
    said: Sequence[str],
    looks: LookFirst,
    bid: BidWords | None,
) -> Markup:
    counts = np.bincount(codes.zone[codes.zone >= 0], minlength=len(codes.labels))
    own = seen.table.peak_mm_day
    names, second = seen.sites["name"], seen.sites["runner_up"]
    labels, decided = seen.sites["zone"], seen.decided
    first = [
        (
            look.row,
            names[look.row].as_py(),
            look_said(look, decided.get(look.row), labels[look.row].as_py(), second[look.row].as_py()),
        )
        for look in looks.first[:LOOKS_MOST]
    ]
    zones = [
        {
            "label": codes.labels[k],
            "colour": codes.colours[k],
            "band": words.band(seen.table, k, seen.plan.units),
            "own": eto(float(own[k]), seen.plan.units),
            "sites": int(counts[k]),
        }
        for k in range(len(codes.labels))
        if counts[k]
    ]
    return Markup(
        PAGES.get_template("contract.html").render(
            title=title,
            count=seen.sites.num_rows,
            left=left,
            zones=zones,
            no_zone=int((codes.zone < 0).sum()),
            said=said,
            mounted=sum(one.outcome is Outcome.CHOSEN for one in decided.values()) if decided else None,
            looks=first,
            looks_count=len(looks.first),
            bid=bid,
            flags=[
                (k, flag, int((codes.flag_bits >> k & 1).sum()))
                for k, flag in enumerate(codes.flags)
                if not codes.common >> k & 1
            ],
            neutral=seen.table.neutral,
            table_source=words.table_said(seen.table, seen.plan.units),
            rejected=seen.rejected[:REJECTED_MOST],
            rejected_more=max(0, len(seen.rejected) - REJECTED_MOST),
            notices=notices_view(seen.notices),
            credits=credited,
        )
    )
