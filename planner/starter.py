"""From files to a first plan: which are looked at, and where the plan will lie. Reads, writes nothing."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from planner.layers.look import at_points, files_in, look_at
from planner.ledger import CommandError, OutputError, PlanError
from planner.plan import ControlPoint
from planner.start.draft import Code, Draft, draft
from planner.start.sort import Sorted, sort_parts


@dataclass(frozen=True)
class FirstPlan:
    """A draft, the plan file that it is for, and the file of the outline where one had to be drawn."""

    draft: Draft
    plan: Path
    outline: Path

    @property
    def unplaced(self) -> str:
        """The drawing that nothing places, '' where there is none: its layers are in the plan, commented out."""
        notes = (note for block in self.draft.blocks for note in block.notes)
        return next((note.name for note in notes if note.code is Code.DRAWING), "")


def first_plan(
    paths: Sequence[Path],
    at: tuple[float, float] | None,
    plan: Path | None,
    progress: Callable[[str, int, int], None],
    control: Sequence[ControlPoint] = (),
    new: bool = True,
) -> FirstPlan:
    """A first plan from folders, files, or a place alone.

    Parameters
    ----------
    paths
        Folders and files to be looked through.
    at
        (latitude, longitude) of the site, None where the files tell.
    plan
        The file that is to be written; None for one named after the folder, in it.
    progress
        Called with (what, done, total).
    control
        Points that place the drawings among the layers.
    new
        Whether the plan must not be there yet.

    Returns
    -------
    FirstPlan
        Nothing is written yet.

    Raises
    ------
    PlanError
        A path is not there, or nothing tells which place the site is.
    DataError
        The control points cannot be right.
    CommandError
        There are control points and no drawing.
    OutputError
        The plan is there already.
    """
    for path in paths:
        if not path.exists():
            raise PlanError(str(path), "there is no such file or folder", "Give a folder with layers, or layers")
    title, default = _named(paths, at)
    target = plan or default
    outline = target.with_name(f"{target.stem}-outline.geojson")
    if new and target.exists():
        raise OutputError(
            str(target), "it is there already, and is not overwritten", "Give another name: --out OTHER.toml"
        )
    files = [file for file in files_in(paths) if file.suffix.lower() != ".toml" and not _ours(file)]
    parts: list[Sorted] = []
    for k, file in enumerate(files):
        progress("looking at layers", k, len(files))
        for looked in look_at(file):
            there = at_points(looked, control) if control and looked.is_drawing and looked.rows else looked
            parts += sort_parts(there)
    if control and not any(part.looked.is_drawing for part in parts):
        raise CommandError("--control", "there is no drawing to place", "Give a DXF, or leave it out")
    points = [{key: getattr(point, key) for key in ("x", "y", "longitude", "latitude")} for point in control]
    return FirstPlan(draft(title, parts, at, outline.name, points), target, outline)


def _ours(file: Path) -> bool:
    return file.name.endswith("-outline.geojson")


def _named(paths: Sequence[Path], at: tuple[float, float] | None) -> tuple[str, Path]:
    """Title and file of the plan: after the folder, the first file, or the place."""
    if paths:
        first = paths[0]
        folder = first if first.is_dir() else first.parent
        name = (folder.resolve() if first.is_dir() else first).stem or "site"
        return name, folder / f"{_plain(name)}.toml"
    assert at is not None
    lat, lon = at
    name = f"{abs(lat):.4f}{'N' if lat >= 0 else 'S'} {abs(lon):.4f}{'E' if lon >= 0 else 'W'}"
    return name, Path(f"site {name}.toml".replace(" ", "-"))


def _plain(name: str) -> str:
    return re.sub(r"[^\w.-]+", "-", name).strip("-.") or "site"
