"""How a data file is opened: nothing is fetched, nothing beside it is changed, and no name breaks the reader.

A file of one of GDAL's formats may be a mere word on where the data are: on the network, or in any file of this
machine. Such a file is known by its first bytes, and refused before GDAL sees it, unless it names only files in the
plan's folder, or hosts that the plan allows (`data_hosts`). GDAL's own way to the network is closed besides.
"""

from __future__ import annotations

import gzip
import json
import os
import re
import shutil
import sqlite3
import time
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO
from xml.etree import ElementTree

import pyogrio
import rasterio
from rasterio.errors import NotGeoreferencedWarning

from planner.ledger import DataError, Kind, Ledger
from planner.pieces import ODD, no_scratch, scratch
from planner.plan import PlanFile

# No such proxy exists: libcurl gives up before a packet leaves, and before a name is looked up.
CLOSED = {
    **dict.fromkeys(("GDAL_HTTP_PROXY", "GDAL_HTTPS_PROXY"), "closed://127.0.0.1:9"),
    "GDAL_HTTP_MAX_RETRY": "0",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
}
# Formats whose files hold the data themselves. Others are left out that name another file (VRT, ERS, ISIS3, PDS).
RASTERS = {
    *("GTiff", "HFA", "netCDF", "HDF5", "HDF5Image", "GPKG", "GRIB", "JP2OpenJPEG", "PNG", "JPEG", "BMP", "GIF"),
    *("AAIGrid", "GRASSASCIIGrid", "AIG", "ENVI", "EHdr", "SRTMHGT", "USGSDEM", "DTED", "XYZ", "GS7BG", "GSAG"),
    *("GSBG", "SAGA", "RST", "PCRaster", "BT", "BAG", "NWT_GRD", "ZMap", "GXF", "SDTS", "Terragen", "WEBP"),
}
OSM = (".osm", ".pbf")
_IN_ARCHIVES = (".shp", ".gpkg", ".geojson", ".json", ".fgb", ".kml", ".csv", ".dxf", ".gml", ".tab")
_IGNORED = {"__MACOSX", ".."}
HEAD = 1 << 16  # bytes that tell a format; GDAL itself looks at no more than the first few thousand
_MOST_TEXT = 64 << 20  # a mosaic of 100,000 tiles
_DEEPEST = 8  # mosaics of mosaics
_PLAIN_XML = frozenset({"kml", "FeatureCollection", "gpx", "osm", "rss", "feed", "JCSDataFile"})
_MOSAICS = frozenset({"VRTDataset", "OGRVRTDataSource"})
_SPEAKS_OF_OTHERS = re.compile(
    rb"<(?:\w+:)?(?:OGRVRT|VRTDataset|VRTWarped|OGRWFS|WFS_Cap|GDAL_WM[ST]|WCS_|WMS_|WMT_MS|Capabilities|"
    rb"TileMapService|OGRCSW|CSW)|gdal_streamed_alg|\"stac_(?:version|extensions)\"|\"tilejson\""
)
_NAMES_SPACES = re.compile(r"""\s(?:xmlns(?::\w+)?|(?:\w+:)?schemaLocation)\s*=\s*("[^"]*"|'[^']*')""")
_HOST = re.compile(r"(?i)\b(?:https?|ftp)://(?:[^/@\s\"'<>]*@)?(\[[^\]]*\]|[^/:?#\s\"'<>&]+)")
_REMOTE = re.compile(r"(?i)/vsi|://")
_OTHER_WAYS = re.compile(r"(?i)/vsi(?!curl/https?://)|(?<!https)(?<!http)(?<!ftp)://|<!ENTITY|gdal_streamed_alg")
_NAMES_A_FILE = re.compile(r"(?i)file(?:name)?$|DataSource$|Dataset$|DSName|path$")
_WORDS_ONLY = ("SRS", "LayerSRS", "GCPProjection", "MDI", "Description")
VIEWS_S = 10.0  # for all views of a file to be looked through
MOST_ROWS = 10_000_000  # of a view
_LOGS = ("-wal", "-journal")
PACKED, _PACKED_HEAD = ".gz", b"\x1f\x8b"
MB = 1 << 20
MOST_UNPACKED = 1000 * MB  # bytes: gzip packs zeros a thousandfold

Source = Path | bytes | str  # a file, its bytes, or GDAL's name for what lies within an archive


@dataclass(frozen=True)
class Trusted:
    """What instructions may lead to: files within `home`, and hosts."""

    home: Path | None = None
    hosts: frozenset[str] = frozenset()

    @classmethod
    def by(cls, plan_file: PlanFile) -> Trusted:
        return cls(plan_file.path.parent.resolve(), frozenset(host.lower() for host in plan_file.plan.data_hosts))


NOTHING = Trusted()


def unpacked_name(path: Path) -> Path:
    """The name of what is in a file packed by gzip, `trees.csv` of `trees.csv.gz`; of any other file its own.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Path
        Its suffix is that of the layer's format.
    """
    return path.with_suffix("") if path.suffix.lower() == PACKED else path


@contextmanager
def _unpacked(where: str, path: Path) -> Iterator[Path]:
    """The file, or what is in it where gzip packed it, in a temporary folder.

    We unpack it ourselves: GDAL would, to whatever size it says.
    """
    if path.suffix.lower() != PACKED or path.is_dir():
        yield path
        return
    with scratch() as folder, path.open("rb") as packed:
        there = folder / unpacked_name(path).name
        try:
            _unpack(where, packed, there)
        except (EOFError, zlib.error, gzip.BadGzipFile) as fault:
            todo = f"Pack it again, or give {there.name} as it was"
            raise DataError(where, f"it cannot be unpacked: {str(fault).rstrip('.')}", todo) from None
        except OSError as fault:
            raise no_scratch(fault) from None
        yield there


def _unpack(where: str, packed: BinaryIO, there: Path) -> None:
    size = 0
    with gzip.GzipFile(fileobj=packed) as read, there.open("wb") as written:
        while block := read.read(MB):
            if not size and block.startswith(_PACKED_HEAD):
                raise DataError(where, "it is packed twice", "Unpack it, and name the file in it")
            size += len(block)
            if size > MOST_UNPACKED:
                what = f"it unpacks to more than {MOST_UNPACKED // MB:,} MB"
                raise DataError(where, what, "Unpack it, and name the file in it")
            written.write(block)


@contextmanager
def vector_source(where: str, path: Path, trusted: Trusted, ledger: Ledger | None = None) -> Iterator[Source]:
    """What GDAL is to be given for a vector file or a workbook, and may be given while this lasts.

    ledger: takes a word on changes that another program has not yet put into the file. Raises DataError where the
    file would fetch, or read what is not the plan's.
    """
    with ExitStack() as stack:
        path = stack.enter_context(_unpacked(where, path))
        if not _may_fetch(where, path, trusted, _DEEPEST):
            stack.enter_context(_with(CLOSED))
        if path.suffix.lower() in OSM:
            stack.enter_context(_with({"OSM_CONFIG_FILE": str(Path(__file__).with_name("osm.ini"))}))
        if path.suffix.lower() in (".gml", ".xml"):
            # GDAL writes a .gfs file beside a GML file that it opens; from memory it cannot
            yield path.read_bytes()
            return
        there = stack.enter_context(_aside(where, path, ledger))
        _check_views(where, there)
        yield _within(where, there)


@contextmanager
def raster(
    where: str, path: Path, trusted: Trusted, ledger: Ledger | None = None
) -> Iterator[rasterio.DatasetReader]:
    """A raster, open; a context manager.

    Parameters
    ----------
    where
        What it is called in messages.
    path
        The file.
    trusted
        What it may lead to beside itself.
    ledger
        Takes a word on changes that another program has not yet put into the file.

    Yields
    ------
    rasterio.DatasetReader
        Open while this lasts.

    Raises
    ------
    DataError
        It would fetch, or read what is not the plan's, or is of a format that is not read here.
    RasterioError
        GDAL cannot read it.
    """
    with ExitStack() as stack:
        path = stack.enter_context(_unpacked(where, path))
        free = _may_fetch(where, path, trusted, _DEEPEST)
        stack.enter_context(rasterio.Env(**({} if free else CLOSED)))
        there = stack.enter_context(_aside(where, path, ledger))
        source = stack.enter_context(_opened(there))
        known = source.driver in RASTERS or (source.driver == "VRT" and _is_mosaic(path))
        if not known and not free and not (source.driver == "Zarr" and _has_its_own_chunks(path)):
            raise DataError(
                where, f"it is of a format that is not read here ({source.driver})", "Make it a GeoTIFF in a GIS"
            )
        overviews = source.tags(ns="OVERVIEWS").get("OVERVIEW_FILE", "")
        if overviews and not overviews.startswith(":::BASE:::"):
            raise DataError(where, f"it takes its overviews from {overviews}", "Make them anew in a GIS")
        yield source


@contextmanager
def raster_part(name: str) -> Iterator[rasterio.DatasetReader]:
    """One of the subdatasets of a raster that :func:`raster` holds open, by GDAL's name for it."""
    with _opened(name) as source:
        yield source


def _opened(name: Path | str) -> rasterio.DatasetReader:
    with warnings.catch_warnings():
        # a raster without a place is said as an error of our own, with what to do about it
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        return rasterio.open(name)


def _may_fetch(where: str, path: Path, trusted: Trusted, depth: int) -> bool:
    """Whether a file fetches its data from a host that may be asked; DataError where it would and may not."""
    if path.is_dir():
        return False  # an Esri geodatabase, or a folder of shapefiles: neither names other files
    if path.suffix.lower() == ".zip" and zipfile.is_zipfile(path):
        _look_into(where, path)
    head = _head(path)
    root, speaks = _root(head), _SPEAKS_OF_OTHERS.search(head)
    if not speaks and (root is None or root in _PLAIN_XML):
        return False
    text = _text(where, path)
    lead = _leads(path, text) if root in _MOSAICS and depth else []
    if lead and not any(_REMOTE.search(said) for said, _ in lead):
        for said, file in lead:
            if file is None or trusted.home is None or not file.is_relative_to(trusted.home) or not file.is_file():
                raise DataError(
                    where,
                    f"it takes its data from {said}",
                    "A mosaic (VRT) may name files in the plan's own folder only"
                    + (f", {trusted.home}" if trusted.home else "")
                    + ": move them there, or make one file of it in a GIS",
                )
            _may_fetch(where, file, trusted, depth - 1)
        return False
    hosts = {host.lower() for host in _HOST.findall(_NAMES_SPACES.sub(" ", text))}
    if not hosts or root is None or _OTHER_WAYS.search(text) or any(file is not None for _, file in lead):
        raise DataError(
            where,
            "it is a file of instructions, not of data",
            "Open it in a GIS, and export the data as a GeoPackage or a GeoTIFF",
        )
    if strange := sorted(hosts - trusted.hosts):
        raise DataError(
            where,
            f"it would fetch its data from {', '.join(strange)}",
            "Nothing is fetched unasked: download the data and name that file or, if you trust this one, write "
            f"data_hosts = {json.dumps(sorted(hosts | trusted.hosts))} in the plan",
        )
    return True


def _has_its_own_chunks(path: Path) -> bool:
    """Whether a Zarr is a folder that holds its data: one of references names other files, in Parquet tables."""
    return path.is_dir() and not any(path.rglob("*.parq*"))


def _look_into(where: str, path: Path) -> None:
    """Refuse an archive that holds a file of instructions: GDAL reads within it."""
    try:
        with zipfile.ZipFile(path) as archive:
            for name in archive.namelist():
                with archive.open(name) as inner:
                    head = inner.read(HEAD)
                if _SPEAKS_OF_OTHERS.search(head):
                    raise DataError(where, f"{name} in it is a file of instructions, not of data", "Leave it out")
    except (OSError, RuntimeError, zipfile.BadZipFile, EOFError) as fault:
        raise DataError(where, f"the archive cannot be read: {fault}", "Unpack it, and name a file of it") from None


def _within(where: str, path: Path) -> Path | str:
    """The file, or the place in an archive where its layers lie: GDAL itself looks into no folders there."""
    if path.suffix.lower() != ".zip" or not zipfile.is_zipfile(path):
        return path
    with zipfile.ZipFile(path) as archive:
        names = [
            PurePosixPath(name) for name in archive.namelist() if PurePosixPath(name).name[:1] not in ("", ".")
        ]
    found = [name for name in names if name.suffix.lower() in _IN_ARCHIVES and "__MACOSX" not in name.parts]
    folders = {name.parent for name in found}
    if (
        not found
        or folders == {PurePosixPath(".")}
        or any(".." in name.parts or name.is_absolute() for name in found)
    ):
        return path
    if len(found) > 1 and (len(folders) > 1 or any(name.suffix.lower() != ".shp" for name in found)):
        some = ", ".join(str(name) for name in found[:5])
        raise DataError(
            where, f"the archive holds several layers in folders ({some})", "Unpack it, and name one file"
        )
    return f"/vsizip/{path.resolve().as_posix()}/{found[0] if len(found) == 1 else found[0].parent}"


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(HEAD)


def _root(head: bytes) -> str | None:
    """Name of the outermost element of an XML file, without its prefix; None where it is not XML."""
    if not head.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"<"):
        return None
    found = re.search(
        rb"<(?:\w[\w.-]*:)?([A-Za-z_][\w.-]*)", re.sub(rb"<!--.*?-->|<[?!][^>]*>", b"", head, flags=re.S)
    )
    return found[1].decode() if found else "?"


def _is_mosaic(path: Path) -> bool:
    return not path.is_dir() and _root(_head(path)) in _MOSAICS


def _text(where: str, path: Path) -> str:
    if path.stat().st_size > _MOST_TEXT:
        raise DataError(where, "it is a file of instructions of over 64 MB", "Make one file of it in a GIS")
    return path.read_bytes().decode("utf-8", "replace")


def _leads(path: Path, text: str) -> list[tuple[str, Path | None]]:
    """All that a mosaic takes its data from: as it says, and the file which that is, if it can be one."""
    if "<!ENTITY" in text:
        return [("entities of its own", None)]
    try:
        tree = ElementTree.fromstring(text.lstrip("\ufeff \n\r\t"))
    except (ElementTree.ParseError, ValueError):
        return [("what is no whole XML", None)]
    found: list[tuple[str, Path | None]] = []
    for element in tree.iter():
        beside = element.get("relativeToVRT", element.get("relativetoVRT")) == "1"
        said = [(element.tag, element.text or ""), *((element.tag, value) for value in element.attrib.values())]
        for k, (tag, words) in enumerate(said):
            words = words.strip()
            if k == 0 and words and _NAMES_A_FILE.search(tag):
                file = path.parent / words if beside else Path(words)
                known = file.is_absolute() and not _REMOTE.search(words)
                found.append((words[:200], file.resolve() if known else None))
            elif _REMOTE.search(words) and tag not in _WORDS_ONLY:
                found.append((words[:200], None))
            elif k and "Raw" in words and tag == "VRTRasterBand":
                found.append(("bytes that it lays out itself", None))
    return found or [("nothing that is known here", None)]


@contextmanager
def _aside(where: str, path: Path, ledger: Ledger | None) -> Iterator[Path]:
    """The file, or a stand-in of it in a temporary folder.

    A copy where a program left changes in a log beside a SQLite file: whoever opens that would put them in. A link
    where its name holds a mark that a reader takes for its own.
    """
    logs = [path.with_name(path.name + end) for end in _LOGS]
    logs = [log for log in logs if log.is_file() and log.stat().st_size]
    if logs and ledger is not None:
        ledger.add(
            Kind.CHECK,
            where,
            f"another program has it open, or was stopped while it wrote ({logs[0].name}): read as that program "
            "would see it now, and left as it is",
        )
    if not logs and not ODD.search(str(path)):
        yield path
        return
    with scratch() as folder:
        stem = path.name.split(".")[0]
        others = logs or [file for file in path.parent.iterdir() if file.name.split(".")[0] == stem]
        try:
            for file in {path, *others}:
                there = folder / ODD.sub("_", file.name)
                if logs or os.name == "nt":  # where a link needs rights that few have
                    shutil.copyfile(file, there)
                elif not there.exists():
                    there.symlink_to(file.absolute())
        except OSError as fault:
            raise no_scratch(fault) from None
        if logs:
            _settle(where, folder / ODD.sub("_", path.name))
        yield folder / ODD.sub("_", path.name)


def _settle(where: str, copy: Path) -> None:
    """Put the log's changes into the copy, or take back what its writer had not finished."""
    try:
        with closing(sqlite3.connect(copy)) as found:
            found.execute("select count(*) from sqlite_master").fetchone()
            found.execute("pragma wal_checkpoint(truncate)")
    except sqlite3.Error as fault:
        raise DataError(
            where,
            f"it cannot be read together with the changes in the log beside it: {fault}",
            "Close the program that has it open, or open it there and save it",
        ) from None


def _check_views(where: str, path: Path) -> None:
    """Raise DataError where a view has no end, or might have none: GDAL looks through each as it opens a file."""
    if path.is_dir() or not _head(path).startswith(b"SQLite format 3\0"):
        return
    view, until = "", time.monotonic() + VIEWS_S
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as file:
            file.set_progress_handler(lambda: time.monotonic() > until, 10_000)
            for (view,) in file.execute("select name from sqlite_master where type = 'view'").fetchall():
                quoted = view.replace('"', '""')
                counted = f'select count(*) from (select 1 from "{quoted}" limit {MOST_ROWS + 1})'
                if file.execute(counted).fetchone()[0] > MOST_ROWS:
                    raise DataError(
                        where,
                        f"its view {view} has more than {MOST_ROWS:,} rows",
                        "Take the view out, or export the rows that are needed",
                    )
    except sqlite3.Error as fault:
        if not view:
            return  # said when the file is read
        raise DataError(
            where,
            f"its view {view} could not be looked through in {VIEWS_S:g} s ({fault})",
            "Take the view out, or export what it shows as a layer of its own",
        ) from None


@contextmanager
def _with(options: dict[str, str]) -> Iterator[None]:
    """With these options of GDAL as pyogrio has it; what the user set stands again afterwards."""
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)
