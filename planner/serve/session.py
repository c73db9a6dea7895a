"""One plan on the table: the site as it is, what was tried on it, and every answer about it. No web in here.

Nothing that is asked touches a file but :meth:`Session.save`, which makes new ones.
"""

from __future__ import annotations

import contextlib
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from planner.at_point import Yardstick, closely, point_card, usual_height_m, yardstick
from planner.changes import (
    MOST,
    Building,
    Change,
    Controller,
    Keys,
    Tree,
    changed_raw,
    changed_site,
    keys_changed,
    set_keys,
)
from planner.job import Prepared, Progress, SiteResult, decide_site, on_another_site, prepare
from planner.layers import read_site
from planner.ledger import Ledger, OutputError, PlanError, PlannerError
from planner.local_climate import read_zone_table
from planner.plan import EtoUnit, PlanFile, parse_plan
from planner.show.lonlat import from_lonlat, geojson, geometry, to_lonlat
from planner.show.say import point as say
from planner.show.write.new import write_new
from planner.site import Floats

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}")
MOST_CORNERS = 100
MOST_TABLES, MOST_TABLE_BYTES = 20, 200_000
NEAR_TREE_M = 4.0  # a click this far from a crown's rim still means it


@dataclass(frozen=True)
class World:
    """The site and the plan as they stand after some changes, and what a point on it is held against."""

    prepared: Prepared
    beside: Yardstick


@dataclass
class Session:
    """What is served. before: as the plan file has it. changes: made; undone: taken back, the last one last."""

    plan_file: PlanFile
    raw: Mapping[str, Any]
    text: str
    before: World
    decided: SiteResult
    now: World
    decided_now: SiteResult
    changes: tuple[Change, ...] = ()
    undone: tuple[Change, ...] = ()
    revision: int = 0
    saved_at: int = 0
    tables: Mapping[str, EtoUnit] = field(default_factory=dict)  # zone tables beside the plan, and their units

    @property
    def site(self) -> Any:
        return self.before.prepared.scene.site

    def _xy(self, lon: float, lat: float) -> Floats:
        return np.asarray(from_lonlat(self.site.crs)(np.array([[lon, lat]]))[0], float)

    # --- asking ---

    def point(self, lon: float, lat: float, height_m: float | None) -> tuple[SiteResult, SiteResult | None]:
        """The card of a point as things stand, and before the changes where there are any."""
        xy = self._xy(lon, lat)
        up = usual_height_m(self.now.prepared, xy) if height_m is None else height_m
        card = point_card(self.now.prepared, self.now.beside, xy, up)
        was = point_card(self.before.prepared, self.before.beside, xy, up) if self.changes else None
        return card, was

    def closely(self, lon: float, lat: float, height_m: float) -> tuple[SiteResult, tuple[Any, ...]]:
        """What takes longer: the spread, and a cable to each controller."""
        card = point_card(self.now.prepared, self.now.beside, self._xy(lon, lat), height_m)
        return closely(self.now.prepared, card)

    # --- changing ---

    def change(self, change: Change) -> None:
        """Make a change; what was undone before it is gone. Raises PlanError, and then nothing has changed."""
        if len(self.changes) >= MOST:
            raise PlanError("changes", f"{MOST} changes are the most", "Save the plan, and open the new one")
        self._become((*self.changes, change), ())

    def undo(self) -> None:
        if self.changes:
            self._become(self.changes[:-1], (*self.undone, self.changes[-1]))

    def redo(self) -> None:
        if self.undone:
            self._become((*self.changes, self.undone[-1]), self.undone[:-1])

    def _become(self, changes: tuple[Change, ...], undone: tuple[Change, ...]) -> None:
        prepared = self._prepared(changes)
        self.now, self.decided_now = World(prepared, self.before.beside), self.decided
        self.changes, self.undone, self.revision = changes, undone, self.revision + 1

    def _prepared(self, changes: tuple[Change, ...]) -> Prepared:
        """Only what differs is made anew."""
        site = changed_site(self.site, changes)
        keys = keys_changed(changes)
        prepared = self.before.prepared
        if keys:
            if keys == keys_changed(self.changes):  # the same keys as now
                prepared = self.now.prepared
            else:
                plan_file = parse_plan(changed_raw(self.raw, keys), self.plan_file.path, self.plan_file.variables)
                return prepare(plan_file, site, Ledger())
        return on_another_site(prepared, site)

    def decide(self, progress: Progress | None = None) -> None:
        """Judge every candidate as things stand."""
        self.decided_now = decide_site(self.now.prepared, Ledger(), progress)
        self.now = replace(self.now, beside=yardstick(self.now.prepared, self.decided_now))

    def tree_at(self, lon: float, lat: float) -> int:
        """Row of the tree whose crown is nearest to a place; PlanError where none is near."""
        site, xy = self.site, self._xy(lon, lat)
        off = [np.hypot(*(site.crowns.centre[:, :2] - xy).T) - site.crowns.radius_m]
        if len(site.crown_prisms):
            off.append(shapely.distance(np.array(site.crown_prisms.shapes, object), shapely.Point(xy)))
        away = np.concatenate(off)
        if not len(away) or away.min() > NEAR_TREE_M:
            raise PlanError("trees", "there is no tree at that place", "Click on a crown")
        return int(away.argmin())

    def outline(self, corners: list[list[float]]) -> shapely.Polygon:
        """A footprint in the site's frame from its corners, longitude and latitude."""
        if not 3 <= len(corners) <= MOST_CORNERS:
            raise PlanError("the building", f"{len(corners)} corners make no outline", "Click 3 corners or more")
        return shapely.Polygon(from_lonlat(self.site.crs)(np.array(corners, float)))

    # --- what the page draws over the map ---

    def drawn(self) -> dict[str, Any]:
        """The changes in words and as shapes in longitude and latitude."""
        site, units = self.site, self.plan_file.plan.units
        degrees = to_lonlat(site.crs, unbroken=True)
        trees = {one.row: one.times for one in self.changes if isinstance(one, Tree)}
        moved = {one.row: one.xy for one in self.changes if isinstance(one, Controller)}
        n = len(site.crowns)

        def at(xy: Any) -> list[float]:
            lon, lat = degrees(np.asarray(xy, float)[None])[0]
            return [float(lat), float(lon)]

        return {
            "revision": self.revision,
            "changes": [say.change_said(change, site, units) for change in self.changes],
            "canUndo": bool(self.changes),
            "canRedo": bool(self.undone),
            "unsaved": self.revision != self.saved_at and bool(self.changes),
            "buildings": [
                {"name": one.name, "shape": geojson(geometry(one.shape, degrees))}
                for one in self.changes
                if isinstance(one, Building)
            ],
            "trees": [
                {"at": at(site.crowns.centre[row]), "r": float(site.crowns.radius_m[row]), "times": times}
                if row < n
                else {"shape": geojson(geometry(site.crown_prisms.shapes[row - n], degrees)), "times": times}
                for row, times in trees.items()
                if times != 1
            ],
            "controllers": [
                {
                    "row": k,
                    "name": site.controllers.names[k],
                    "was": at(site.controllers.xyz[k]),
                    "at": at(moved.get(k, site.controllers.xyz[k, :2])),
                }
                for k in range(len(site.controllers))
            ],
            "keys": keys_changed(self.changes),
        }

    # --- keeping ---

    def save(self, name: str) -> tuple[Path, ...]:
        """Write the changed plan beside the user's under a new name, and the layers that differ.

        Raises OutputError where a file of that name is there, PlanError for what is no name.
        """
        from planner.show.write.changed import changed_layers, changed_plan

        stem = name.strip().removesuffix(".toml")
        if not NAME.fullmatch(stem) or stem.endswith("."):
            raise PlanError("the name", f"'{name}' is no name of a new plan", "Use letters, digits, - and _")
        folder = self.plan_file.path.parent
        plan, package = folder / f"{stem}.toml", folder / f"{stem}.gpkg"
        kinds = {Building: "buildings", Tree: "trees", Controller: "controllers"}
        layers = {kinds[type(one)] for one in self.changes if type(one) in kinds}
        site, units = self.site, self.plan_file.plan.units
        said = "; ".join(say.change_said(change, site, units) for change in self.changes) or "nothing"
        head = say.SAVED_HEAD.format(name=self.plan_file.path.name, changes=" ".join(said.split()))
        text = changed_plan(self.text, keys_changed(self.changes), layers, package.name, head)
        files: dict[Path, str | bytes] = {plan: text}
        if layers:
            files[package] = changed_layers(self.now.prepared.scene.site, layers)
        parse_plan(tomllib.loads(text), plan, self.plan_file.variables)
        there = [path for path in files if path.exists()]
        if there:
            raise OutputError(
                there[0].name, "it is there already, and is not overwritten", "Give the new plan another name"
            )
        write_new(files)
        self.saved_at = self.revision
        return tuple(files)


def opened(plan_file: PlanFile, progress: Progress | None = None) -> Session:
    """Read, prepare and decide a plan. Raises what the command line would."""
    tell = progress or (lambda *_: None)
    ledger = Ledger()
    text = plan_file.path.read_text(encoding="utf-8-sig")
    tell("reading layers", 0, 1)
    prepared = prepare(plan_file, read_site(plan_file, ledger), ledger, tell)
    decided = decide_site(prepared, ledger, tell)
    world = World(prepared, yardstick(prepared, decided))
    tables = _zone_tables(plan_file)
    return Session(plan_file, tomllib.loads(text), text, world, decided, world, decided, tables=tables)


def _zone_tables(plan_file: PlanFile) -> dict[str, EtoUnit]:
    """CSVs in the plan's folder that are read as a zone table, and in which unit: what the page may name."""
    own, found = plan_file.plan.zone, {}
    units: tuple[EtoUnit, ...] = (own.unit, "mm/day", "in/day", "mm/month", "in/month")
    there = {path.name: path for path in sorted(plan_file.path.parent.glob("*.csv"))[:MOST_TABLES]}
    if own.table:
        there.setdefault(own.table, plan_file.file("zone.table", own.table))
    for name, path in there.items():
        if not path.is_file() or path.stat().st_size > MOST_TABLE_BYTES:
            continue
        for unit in units:  # the first in which its numbers are an ETo
            with contextlib.suppress(PlannerError):
                read_zone_table(path, unit, Ledger())
                found[name] = unit
                break
    return found


# --- what a question holds --------------------------------------------------------------------------------------


def number(given: Mapping[str, Any], key: str, low: float, high: float) -> float:
    """A number of a question; PlanError where it is none or out of range."""
    value = given.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise PlanError(key, f"{value!r} is no number from {low:g} to {high:g}", "Change it")
    return float(value)


def change_from(session: Session, given: Mapping[str, Any]) -> Change:
    """A change from what the page sends. Raises PlanError for anything else."""
    make: dict[str, Callable[[], Change]] = {
        "building": lambda: Building(
            text_of(given, "name", 60) or f"New building {_count(session.changes) + 1}",
            session.outline(_corners(given.get("corners"))),
            number(given, "height_m", 0.0, 400.0),
        ),
        "tree": lambda: Tree(_tree(session, given), number(given, "times", 0.0, 5.0)),
        "controller": lambda: Controller(
            int(number(given, "row", 0, 1e6)), tuple(session._xy(*place(given)).tolist())
        ),
        "keys": lambda: Keys(_keys(session, given.get("values"))),
    }
    kind = given.get("kind")
    if not isinstance(kind, str) or kind not in make:
        raise PlanError("change", f"{kind!r} is no change", "Reload the page")
    return make[kind]()


def place(given: Mapping[str, Any]) -> tuple[float, float]:
    """Longitude and latitude of a question."""
    return number(given, "lon", -540.0, 540.0), number(given, "lat", -90.0, 90.0)


def text_of(given: Mapping[str, Any], key: str, most: int) -> str:
    value = given.get(key, "")
    if not isinstance(value, str) or len(value) > most or not value.isprintable():
        raise PlanError(key, f"it is no text of at most {most} characters", "Change it")
    return value.strip()


def _count(changes: tuple[Change, ...]) -> int:
    return sum(isinstance(one, Building) for one in changes)


def _tree(session: Session, given: Mapping[str, Any]) -> int:
    return session.tree_at(*place(given))


def _corners(value: object) -> list[list[float]]:
    if not isinstance(value, list) or len(value) > MOST_CORNERS:
        raise PlanError("the building", "its corners are not given", "Draw it again")
    return [list(place({"lon": corner[0], "lat": corner[1]})) for corner in value if isinstance(corner, list)]


def _keys(session: Session, value: object) -> tuple[tuple[str, Any], ...]:
    if not isinstance(value, dict) or not value or len(value) > 40:
        raise PlanError("keys", "no key is given", "Change a value first")
    set_keys({}, value)  # refuses what may not be tried
    table = value.get("zone.table")
    if table not in (None, "", *session.tables):
        raise PlanError("zone.table", f"{table!r} is no zone table beside the plan", "Choose one of the list")
    if "zone.table" in value:  # a table has its unit
        value = {**value, "zone.table": table or None, "zone.unit": session.tables[table] if table else None}
    return tuple(value.items())
