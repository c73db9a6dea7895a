"""Layers that are dropped on the page: kept in a folder of the session until they are used and saved.

A file comes under a name of our own making, and of a kind that `noonmark start` looks at. What it holds is opened
as every layer is (`layers.opening`), so that none leads to another file or to the network.
"""

from __future__ import annotations

import re
import unicodedata
import zipfile
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from planner.layers.look import BESIDE, RASTERS, VECTORS, files_in, look_at
from planner.layers.opening import MB, MOST_UNPACKED, unpacked_name
from planner.ledger import PlanError
from planner.pieces import ODD
from planner.serve.guard import MOST_FILE_BYTES
from planner.site import Site
from planner.start.sort import Sorted, sort_parts

MOST_BYTES = 400 * MB  # of all that a session is given
MOST_FILES, MOST_DROPS, MOST_PARTS = 20, 50, 40
MOST_INSIDE = 2000  # files of an archive
TAKEN = frozenset({*VECTORS, *RASTERS, *BESIDE}) - {".vrt"}  # a mosaic names files, and here are none of the user's


@dataclass
class Drop:
    """Files that came together, and the layers in them once they were looked at."""

    folder: Path
    files: list[Path] = field(default_factory=list)
    parts: list[Sorted] | None = None


# --- taking files in --------------------------------------------------------------------------------------------


class Inbox:
    """The session's folder of files that were brought, and how much there is in it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.drops: dict[str, Drop] = {}
        self.sizes: dict[Path, int] = {}

    def place(self, drop: str, name: str) -> Path:
        """Where a file of a drop is to be written. Raises PlanError for a name or a number that is none."""
        if not re.fullmatch(r"[a-z0-9]{4,20}", drop):
            raise PlanError("the files", "they came without a number of theirs", "Reload the page")
        plain = plain_name(name)
        there = self.drops.get(drop)
        if there is None:
            if len(self.drops) >= MOST_DROPS:
                raise PlanError(
                    "the files", f"{MOST_DROPS} drops are the most", "Save the plan, and open the new one"
                )
            there = self.drops.setdefault(drop, Drop(self.root / drop))
            there.folder.mkdir()
        path = there.folder / plain
        if len(there.files) >= MOST_FILES:
            raise PlanError(name, f"more than {MOST_FILES} files came at once", "Drop fewer at a time")
        if path in there.files:
            raise PlanError(name, "two files came with this name", "Drop them one after the other")
        there.files.append(path)
        there.parts = None
        return path

    @property
    def total_bytes(self) -> int:
        """Of all files so far."""
        return sum(self.sizes.values())

    def write(self, path: Path, file: BinaryIO, chunk: bytes) -> None:
        """Another piece of a file. Raises PlanError where it grows too large, or all of them together."""
        self.sizes[path] = self.sizes.get(path, 0) + len(chunk)
        if self.sizes[path] > MOST_FILE_BYTES:
            raise too_large(path.name)
        if self.total_bytes > MOST_BYTES:
            raise PlanError(
                path.name, f"more than {MOST_BYTES // MB} MB were brought in", "Save the plan, and open the new one"
            )
        file.write(chunk)

    def forget(self, path: Path) -> None:
        """A file that did not come whole, or is not wanted."""
        self.sizes.pop(path, None)
        path.unlink(missing_ok=True)
        for drop in self.drops.values():
            if path in drop.files:
                drop.files.remove(path)

    def parts(self, drop: str) -> list[Sorted]:
        """The layers of a drop, looked at once. Raises PlanError where there is no such drop."""
        there = self.drops.get(drop)
        if there is None:
            raise PlanError("the files", "they are not here any more", "Drop them again")
        if there.parts is None:
            found = [part for file in files_in(there.files) for one in look_at(file) for part in sort_parts(one)]
            there.parts = found[:MOST_PARTS]
        return there.parts


def plain_name(name: str) -> str:
    """A file's own name, without folders and marks that a reader takes for its own.

    Raises PlanError where it is none, or of a kind that is not looked at.
    """
    last = unicodedata.normalize("NFC", re.split(r"[/\\]", name)[-1]).strip()
    inner = unpacked_name(Path(last))
    suffix = inner.suffix.lower()
    packed = last[len(inner.name) :]
    if not last.isprintable() or last.startswith(".") or not 1 < len(last) <= 120:
        raise PlanError("the file", "it has no plain name", "Give it a short name with letters and digits")
    if suffix not in TAKEN:
        raise PlanError(
            last,
            "it is not a kind of file that is looked at",
            "Drop a GeoPackage, GeoJSON, KML, DXF, CSV, GeoTIFF, or a zipped shapefile",
        )
    stem = re.sub(r"[:*<>|\"'$~`{}\[\]]", "_", ODD.sub("_", last[: -len(suffix + packed)]))
    return f"{stem or 'layer'}{suffix}{packed.lower()}"


def check_archive(path: Path) -> None:
    """Raise PlanError where a zip file (a workbook and KMZ are such) would unpack to far more than it is, or names
    files elsewhere."""
    if not zipfile.is_zipfile(path):
        return
    try:
        with zipfile.ZipFile(path) as archive:
            inside = archive.infolist()
    except (OSError, ValueError, zipfile.BadZipFile) as fault:
        raise PlanError(path.name, f"the archive cannot be read: {fault}", "Make it again") from None
    if len(inside) > MOST_INSIDE:
        raise PlanError(path.name, f"{len(inside):,} files are in it", f"Leave {MOST_INSIDE:,} at most in it")
    if sum(one.file_size for one in inside) > MOST_UNPACKED:
        raise PlanError(
            path.name, f"it would unpack to more than {MOST_UNPACKED // MB:,} MB", "Drop the layer that matters"
        )
    for one in inside:
        name = PurePosixPath(one.filename.replace("\\", "/"))
        if name.is_absolute() or ".." in name.parts or re.match(r"[A-Za-z]:", one.filename):
            raise PlanError(path.name, f"a file in it is named {one.filename[:60]}", "Make the archive again")


def present(site: Site) -> dict[str, int]:
    """Layers that a site has, and how many features of each there are; 1 of a raster."""
    counts = {
        "site": 1,
        "buildings": len(site.buildings),
        "trees": len(site.crowns) + len(site.crown_prisms),
        "terrain": int(site.terrain is not None),
        "surface": int(site.surface is not None),
        "canopy": int(site.canopy is not None),
        "controllers": len(site.controllers),
        "poles": len(site.poles),
        "keep_outs": len(site.keep_outs),
        "grounds": len(site.grounds),
    }
    return {name: count for name, count in counts.items() if count}


def files_of(path: Path) -> list[Path]:
    """The file, and what lies beside it under its name (of a shapefile, or a georeferenced picture)."""
    beside = [file for file in path.parent.iterdir() if file.stem == path.stem and file.suffix.lower() in BESIDE]
    return [path, *sorted(file for file in beside if file != path)]


def too_large(name: str) -> PlanError:
    return PlanError(
        name,
        f"it is larger than the {MOST_FILE_BYTES // MB} MB that the page takes",
        "Put it into the plan's folder and name it in the plan, or cut it to the site",
    )
