"""One plan on the table: the site as it is, what was tried on it, and every answer about it. No web in here.

Nothing that is asked touches a file of the user's but :meth:`Session.save`, which makes new ones. Questions may be
asked from several threads: each reads one :class:`World`, which never changes; changes are made one at a time.
"""

from __future__ import annotations

import contextlib
import re
import threading
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from planner.at_point import Yardstick, closely, point_card, usual_height_m, yardstick
from planner.changes import (
    JOINED,
    MOST,
    Brought,
    Building,
    Change,
    Controller,
    Keys,
    Tree,
    changed_raw,
    changed_site,
    counted,
    in_frame,
    joined_site,
    keys_changed,
    set_keys,
)
from planner.job import Prepared, Progress, SiteResult, decide_site, on_another_site, prepare
from planner.layers import project, read_site
from planner.ledger import Ledger, Notice, OutputError, PlanError, PlannerError
from planner.local_climate import read_zone_table
from planner.plan import EtoUnit, PlanFile, parse_plan
from planner.reach.repeaters import no_relays
from planner.serve import brought
from planner.show.lonlat import from_lonlat, geojson, geometry, to_lonlat
from planner.show.say import brought as say_brought
from planner.show.say import point as say
from planner.show.write.new import write_new
from planner.site import Floats, Site
from planner.start.beside import Told, section_keys, told
from planner.start.sort import Kind

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}")
MOST_CORNERS = 100
MOST_TABLES, MOST_TABLE_BYTES = 20, 200_000
MOST_DRAWN = 2000  # shapes of a layer that was brought in, the nearest first
NEAR_TREE_M = 4.0  # a click this far from a crown's rim still means it


@dataclass(frozen=True)
class Base:
    """The site as the layers have it, those that were brought in among them, and what was said of reading it."""

    site: Site
    notices: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class World:
    """The site and the plan as they stand after some changes, and what a point on it is held against.

    revision: another number for every world of a session. alone: a point is judged without other places, for the
    controllers are others than those that were decided on.
    """

    base: Base
    prepared: Prepared
    beside: Yardstick
    changes: tuple[Change, ...] = ()
    said: tuple[str, ...] = ()  # the changes in words
    revision: int = 0
    alone: bool = False


@dataclass
class Session:
    """What is served. before: as the plan file has it. undone: changes taken back, the last one last.

    decided_now: of the world as it stands, or the first decision where it was not decided again.
    """

    plan_file: PlanFile
    raw: Mapping[str, Any]
    text: str
    before: World
    decided: SiteResult
    now: World
    decided_now: SiteResult
    decided_at: int = 0  # revision of the world that `decided_now` is of; 0: the first
    undone: tuple[tuple[Change, str], ...] = ()
    saved: tuple[Change, ...] = ()
    tables: Mapping[str, EtoUnit] = field(default_factory=dict)  # zone tables beside the plan, and their units
    inbox: brought.Inbox | None = None  # of layers that are brought in; None: none may be
    read: Mapping[Path, tuple[int, int]] = field(default_factory=dict)  # files, their size and time when read
    _last: tuple[tuple[Brought, ...], Base] | None = None
    _one: threading.RLock = field(default_factory=threading.RLock)

    @property
    def site(self) -> Site:
        """As the plan file has it; planned buildings and moved controllers are kept in its frame."""
        return self.before.base.site

    @property
    def changes(self) -> tuple[Change, ...]:
        return self.now.changes

    @property
    def revision(self) -> int:
        return self.now.revision

    def _xy(self, lon: float, lat: float, site: Site | None = None) -> Floats:
        crs = (site or self.site).crs
        return np.asarray(from_lonlat(crs)(np.array([[lon, lat]]))[0], float)

    # --- asking ---

    def point(
        self, lon: float, lat: float, height_m: float | None, world: World | None = None
    ) -> tuple[SiteResult, SiteResult | None]:
        """The card of a point as things stand, and before the changes where there are any."""
        now = world or self.now
        xy = self._xy(lon, lat, now.base.site)
        up = usual_height_m(now.prepared, xy) if height_m is None else height_m
        card = point_card(now.prepared, now.beside, xy, up)
        before = self.before
        return card, point_card(before.prepared, before.beside, self._xy(lon, lat), up) if now.changes else None

    def closely(
        self, lon: float, lat: float, height_m: float, world: World | None = None
    ) -> tuple[SiteResult, tuple[Any, ...]]:
        """What takes longer: the spread, and a cable to each controller."""
        now = world or self.now
        card = point_card(now.prepared, now.beside, self._xy(lon, lat, now.base.site), height_m)
        return closely(now.prepared, card)

    # --- changing ---

    def change(self, change: Change) -> None:
        """Make a change; what was undone before it is gone. Raises PlanError, and then nothing has changed."""
        with self._one:
            if len(self.changes) >= MOST:
                raise PlanError("changes", f"{MOST} changes are the most", "Save the plan, and open the new one")
            if isinstance(change, Brought):
                change = self._with_ends(change)
            world = self._world((*self.changes, change))
            said = say.change_said(change, self.now.base.site, self.plan_file.plan.units)
            self._become(world, (*self.now.said, said), ())

    def undo(self) -> None:
        with self._one:
            if self.changes:
                last = self.changes[-1], self.now.said[-1]
                self._become(self._world(self.changes[:-1]), self.now.said[:-1], (*self.undone, last))

    def redo(self) -> None:
        with self._one:
            if self.undone:
                change, said = self.undone[-1]
                self._become(self._world((*self.changes, change)), (*self.now.said, said), self.undone[:-1])

    def _become(self, world: World, said: tuple[str, ...], undone: tuple[tuple[Change, str], ...]) -> None:
        self.now = replace(world, said=said)
        self.decided_now, self.decided_at, self.undone = self.decided, 0, undone

    def _world(self, changes: tuple[Change, ...]) -> World:
        base = self._base(changes)
        prepared = self._prepared(changes, base)
        alone = prepared.scene.site.controllers.names != self.site.controllers.names
        beside = self.before.beside
        if alone:
            beside = Yardstick(no_relays(0, len(prepared.scene.site.controllers)), None)
        return World(base, prepared, beside, changes, (), self.revision + 1, alone)

    def _prepared(self, changes: tuple[Change, ...], base: Base) -> Prepared:
        """Only what differs is made anew."""
        there = counted(changes)
        if base.site.crs != self.site.crs:
            there = in_frame(there, lambda xy: project(xy, self.site.crs, base.site.crs))
        site = changed_site(base.site, there)
        for known in (self.now, self.before):
            if base is known.base and keys_changed(changes) == keys_changed(known.changes):
                return on_another_site(known.prepared, site)
        return prepare(self._plan(changes), site, Ledger())

    def _plan(self, changes: tuple[Change, ...], without: str = "") -> PlanFile:
        """The plan with the keys and layers of some changes; what joins a layer is no part of it."""
        raw = changed_raw(self.raw, keys_changed(changes))
        layers = raw.setdefault("layers", {})
        for one in changes:
            if isinstance(one, Brought) and one.name == "zone":
                raw["zone"] = {**raw.get("zone", {}), **dict(one.keys)}
            elif isinstance(one, Brought) and not one.joins:
                layers[one.name] = dict(one.keys)
        layers.pop(without, None)
        return parse_plan(raw, self.plan_file.path, self.plan_file.variables)

    def _base(self, changes: tuple[Change, ...]) -> Base:
        """The site with the layers that were brought in; read again only where they differ."""
        layers = brought_in(changes)
        for known in (self.now, self.before):
            if layers == brought_in(known.changes):
                return known.base
        if self._last is not None and self._last[0] == layers:
            return self._last[1]
        ledger = Ledger()
        site = read_site(self._plan(layers), ledger)
        for one in layers:
            if one.joins:  # trees found in a canopy layer are there already
                alone = self._plan((*layers, replace(one, joins=False)), "canopy" if one.name == "trees" else "")
                site = joined_site(site, read_site(alone, ledger), one.name)
        said = set(self.before.base.notices)
        self._last = layers, Base(site, tuple(notice for notice in ledger if notice not in said))
        return self._last[1]

    def _with_ends(self, layer: Brought) -> Brought:
        """With the changes that end with it: those to trees and controllers that are others afterwards."""
        was, now = self.now.base.site, self._base((*self.changes, layer)).site
        moved = was.crs != now.crs
        ends: set[type] = set()
        shifted = len(was.crown_prisms) > 0 and len(was.crowns) != len(now.crowns)
        if shifted or not _goes_on(was.crowns, now.crowns, was.crowns.centre, now.crowns.centre, moved):
            ends.add(Tree)
        one, other = was.controllers, now.controllers
        if not _goes_on(one, other, one.xyz, other.xyz, moved):
            ends.add(Controller)
        return replace(layer, ends=frozenset(ends))

    def decide(self, progress: Progress | None = None) -> None:
        """Judge every candidate as things stand. Raises PlanError where they changed meanwhile."""
        now = self.now
        decided = decide_site(now.prepared, Ledger(), progress)
        with self._one:
            if now is not self.now:
                raise PlanError("the decision", "something was changed while it was worked on", "Decide again")
            self.decided_now = decided
            beside = yardstick(now.prepared, decided)
            self.now = replace(now, beside=beside, revision=self.revision + 1, alone=False)
            self.decided_at = self.now.revision

    def tree_at(self, lon: float, lat: float) -> int:
        """Row of the tree whose crown is nearest to a place; PlanError where none is near."""
        site = self.now.base.site
        xy = self._xy(lon, lat, site)
        off = [np.hypot(*(site.crowns.centre[:, :2] - xy).T) - site.crowns.radius_m]
        if len(site.crown_prisms):
            off.append(shapely.distance(np.array(site.crown_prisms.shapes, object), shapely.Point(xy)))
        away = np.concatenate(off)
        if not len(away) or away.min() > NEAR_TREE_M:
            raise PlanError("trees", "there is no tree at that place", "Click on a crown")
        return int(away.argmin())

    def outline(self, corners: list[list[float]]) -> shapely.Polygon:
        """A footprint in the first site's frame from its corners, longitude and latitude."""
        if not 3 <= len(corners) <= MOST_CORNERS:
            raise PlanError("the building", f"{len(corners)} corners make no outline", "Click 3 corners or more")
        return shapely.Polygon(from_lonlat(self.site.crs)(np.array(corners, float)))

    # --- what the page draws over the map ---

    def drawn(self) -> dict[str, Any]:
        """The changes in words and as shapes in longitude and latitude."""
        site, now = self.now.base.site, self.now
        degrees, first = to_lonlat(site.crs, unbroken=True), to_lonlat(self.site.crs, unbroken=True)
        there = counted(now.changes)
        trees = {one.row: one.times for one in there if isinstance(one, Tree)}
        controllers = now.prepared.scene.site.controllers
        n = len(site.crowns)

        def at(xy: Any) -> list[float]:
            lon, lat = degrees(np.asarray(xy, float)[None])[0]
            return [float(lat), float(lon)]

        return {
            "revision": now.revision,
            "changes": list(now.said),
            "canUndo": bool(now.changes),
            "canRedo": bool(self.undone),
            "unsaved": bool(now.changes) and now.changes != self.saved,
            "alone": now.alone,
            "stale": self.stale(),
            "notices": [str(notice) for notice in now.base.notices],
            "map": self.decided_at,
            "brought": [] if self.decided_at else self._brought_drawn(degrees),
            "counts": say_brought.compared_counts(
                brought.present(self.site), brought.present(now.prepared.scene.site), brought_in(now.changes)
            ),
            "holds": say_brought.saved_said(self.from_site(), brought_in(now.changes), bool(now.changes)),
            "buildings": [
                {"name": one.name, "shape": geojson(geometry(one.shape, first))}
                for one in there
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
                    "at": at(controllers.xyz[k]),
                }
                for k in range(len(site.controllers))
            ],
            "keys": keys_changed(now.changes),
        }

    def _brought_drawn(self, degrees: Any) -> list[dict[str, Any]]:
        """Shapes of the layers that were brought in, for the map still shows those of the plan."""
        site = self.now.base.site
        out = []
        for name in dict.fromkeys(one.name for one in brought_in(self.changes)):
            shapes = _shapes_of(site, name)
            near = np.argsort(shapely.distance(shapes, site.outline))[:MOST_DRAWN]
            out.append({"name": name, "shapes": [geojson(geometry(shapes[k], degrees)) for k in near]})
        return out

    def stale(self) -> list[str]:
        """Files that are others on disk than when they were read, by name."""
        return sorted(path.name for path, state in self.read.items() if file_state(path) != state)

    # --- keeping ---

    def from_site(self) -> tuple[str, ...]:
        """Layers that a saved plan reads whole from its own GeoPackage: those that were changed or added to."""
        kinds = {Building: "buildings", Tree: "trees", Controller: "controllers"}
        there = counted(self.changes)
        names = {kinds[type(one)] for one in there if type(one) in kinds}
        names |= {one.name for one in brought_in(there) if one.joins}
        return tuple(name for name in JOINED if name in names)

    def save(self, name: str) -> tuple[Path, ...]:
        """Write the changed plan beside the user's under a new name, and the layers that differ or were brought in.

        Raises OutputError where a file of that name is there, PlanError for what is no name.
        """
        from planner.show.write.changed import changed_layers, changed_plan

        with self._one:
            stem = name.strip().removesuffix(".toml")
            if not NAME.fullmatch(stem) or stem.endswith("."):
                raise PlanError("the name", f"'{name}' is no name of a new plan", "Use letters, digits, - and _")
            folder, layers = self.plan_file.path.parent, self.from_site()
            plan, package = folder / f"{stem}.toml", folder / f"{stem}.gpkg"
            files: dict[Path, str | bytes | Path] = {}
            sections: dict[str, dict[str, Any]] = {}
            for one in brought_in(self.changes):
                if not one.joins:
                    sections[one.name] = {} if one.name in layers else _copied(one, folder, stem, files)
            said = "; ".join(self.now.said) or "nothing"
            head = say.SAVED_HEAD.format(name=self.plan_file.path.name, changes=" ".join(said.split()))
            text = changed_plan(self.text, keys_changed(self.changes), layers, package.name, head, sections)
            files = {plan: text, **files}
            if layers:
                files[package] = changed_layers(self.now.prepared.scene.site, layers)
            parse_plan(tomllib.loads(text), plan, self.plan_file.variables)
            there = [path for path in files if path.exists()]
            if there:
                raise OutputError(
                    there[0].name, "it is there already, and is not overwritten", "Give the new plan another name"
                )
            write_new(files)
            self.saved = self.changes
            return tuple(files)


def brought_in(changes: tuple[Change, ...]) -> tuple[Brought, ...]:
    """The layers that were brought in and are still there: one in the place of another ends that."""
    out: list[Brought] = []
    for one in changes:
        if isinstance(one, Brought):
            out = [*(other for other in out if one.joins or other.name != one.name), one]
    return tuple(out)


def _copied(one: Brought, folder: Path, stem: str, files: dict[Path, str | bytes | Path]) -> dict[str, Any]:
    """The keys of a layer's section in the saved plan; adds its files, as they will lie beside it, to `files`."""
    keys = dict(one.keys)
    key = "table" if one.name == "zone" else "path"
    own = Path(keys[key])
    for file in brought.files_of(own):
        files[folder / f"{stem}-{file.name}"] = file
    return {**keys, key: f"{stem}-{own.name}"}


def _goes_on(was: Any, now: Any, at: Floats, at_now: Floats, moved: bool) -> bool:
    """Whether the first of some places are those that were there. moved: their frame is another."""
    n = len(was)
    return bool(
        tuple(now.names[:n]) == tuple(was.names) and (moved or np.allclose(at_now[:n, :2], at[:, :2], atol=0.01))
    )


def _shapes_of(site: Site, name: str) -> Any:
    """The shapes of one of a site's layers; none of a raster."""
    found: dict[str, Any] = {
        "site": [site.outline],
        "buildings": site.buildings.shapes,
        "trees": [
            *shapely.buffer(shapely.points(site.crowns.centre[:, :2]), site.crowns.radius_m, quad_segs=4),
            *site.crown_prisms.shapes,
        ],
        "controllers": [shapely.Point(xy).buffer(1.5, 4) for xy in site.controllers.xyz[:, :2]],
        "poles": [shapely.Point(xy).buffer(1.0, 4) for xy in site.poles.xyz[:, :2]],
        "keep_outs": site.keep_outs.shapes,
        "grounds": site.grounds.shapes,
    }
    return np.array([*found.get(name, ())], object)


def file_state(path: Path) -> tuple[int, int]:
    """Size and time of a file; zeros where it is gone."""
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_size, found.st_mtime_ns


def opened(plan_file: PlanFile, progress: Progress | None = None, folder: Path | None = None) -> Session:
    """Read, prepare and decide a plan.

    Parameters
    ----------
    plan_file
        Of one site.
    progress
        Called with (what, done, total).
    folder
        Where layers that are brought in are kept; without it none are taken.

    Returns
    -------
    Session
        With nothing tried yet.

    Raises
    ------
    PlannerError
        Of the kinds that the command line would end with.
    """
    tell = progress or (lambda *_: None)
    ledger = Ledger()
    text = plan_file.path.read_text(encoding="utf-8-sig")
    read = {path: file_state(path) for path in plan_file.origin().reads if path.is_file()}
    tell("reading layers", 0, 1)
    site = read_site(plan_file, ledger)
    base = Base(site, tuple(ledger))
    prepared = prepare(plan_file, site, ledger, tell)
    decided = decide_site(prepared, ledger, tell)
    world = World(base, prepared, yardstick(prepared, decided))
    inbox = brought.Inbox(folder) if folder is not None else None
    raw = tomllib.loads(text)
    tables = _zone_tables(plan_file)
    return Session(plan_file, raw, text, world, decided, world, decided, tables=tables, inbox=inbox, read=read)


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
        "layer": lambda: layer_from(session, given),
    }
    kind = given.get("kind")
    if not isinstance(kind, str) or kind not in make:
        raise PlanError("change", f"{kind!r} is no change", "Reload the page")
    return make[kind]()


def told_from(session: Session, given: Mapping[str, Any]) -> list[Told]:
    """What the layers of a drop are, with what was chosen. Raises PlanError where there is no such drop."""
    if session.inbox is None:
        raise PlanError("the files", "layers cannot be brought in here", "Name them in the plan")
    parts = session.inbox.parts(text_of(given, "drop", 20))
    chosen = given.get("chosen", {})
    if not isinstance(chosen, dict) or not all(isinstance(one, dict) for one in chosen.values()):
        raise PlanError("the files", "it is not told what they are", "Reload the page")
    site, out = session.now.base.site, []
    for k, part in enumerate(parts):
        one = chosen.get(str(k), {})
        kind = text_of(one, "kind", 20)
        if kind and kind not in (*Kind,):
            raise PlanError("kind", f"'{kind}' is no kind of layer", "Choose one of the list")
        out.append(told(part, site, Kind(kind) if kind else None, text_of(one, "crs", 40)))
    return out


def layer_from(session: Session, given: Mapping[str, Any]) -> Brought:
    """A layer of a drop as a change."""
    part, found = int(number(given, "part", 0, brought.MOST_PARTS)), told_from(session, given)
    if part >= len(found) or found[part].kind is None:
        raise PlanError("the files", "nothing tells what it is", "Choose what it is")
    one, answers = found[part], given.get("answers", {})
    if not isinstance(answers, dict):
        raise PlanError("the files", "the answers are none", "Reload the page")
    name = "zone" if one.kind is Kind.ZONES else str(one.kind)
    joins = given.get("joins") is True and name in JOINED and name in brought.present(session.now.base.site)
    looked = one.part.looked
    title = looked.path.name + (f", layer {looked.layer}" if looked.layer else "")
    return Brought(name, section_keys(one, answers), title, joins)


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
