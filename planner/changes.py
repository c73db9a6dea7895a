"""What a designer tries on a site: a planned building, a tree felled or grown, a controller elsewhere, other keys,
another layer.

A change is a small record; a list of them makes another site and another plan of the first ones, which stay as they
are. So undoing one is leaving it out.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from planner.ledger import PlanError, nearest
from planner.plan import Plan
from planner.plan.section import Section, sections_in
from planner.site import (
    FOOT_BELOW_M,
    Bools,
    Crowns,
    Floats,
    Grounds,
    KeepOuts,
    Places,
    Prisms,
    Site,
    ground_under,
    joined_crowns,
    prisms,
)

MOST = 200  # changes at a time: more is a layer, not a trial
LEAST_AREA_M2, MOST_AREA_M2 = 1.0, 250_000.0
HIGHEST_M = 400.0
TALLEST_TIMES = 5.0  # a tree grows to at most this many times its height


@dataclass(frozen=True)
class Building:
    """A planned building: footprint in the site's frame, roof edge above the mean ground beneath, metres."""

    name: str
    shape: BaseGeometry
    height_m: float


@dataclass(frozen=True)
class Tree:
    """Tree `row` of the first site (its crowns, then its crown polygons), `times` as high and wide; 0 fells it. A
    crown polygon grows in height alone."""

    row: int
    times: float


@dataclass(frozen=True)
class Controller:
    """Controller `row` of the first site at another (2,) place of its frame, metres."""

    row: int
    xy: tuple[float, float]


@dataclass(frozen=True)
class Keys:
    """Keys of the plan by their dotted names, as they would be written; None takes a key out."""

    values: tuple[tuple[str, Any], ...]


@dataclass(frozen=True)
class Brought:
    """A layer that was brought in for section `name` of the plan's layers, or its zone table ("zone").

    keys: of that section, as the plan would have them. joins: it is added to what is there, not put in its place.
    title: its file's name. ends: changes made before it that are gone with what it replaces: Tree, Controller.
    """

    name: str
    keys: tuple[tuple[str, Any], ...]
    title: str
    joins: bool = False
    ends: frozenset[type] = field(default=frozenset(), compare=False)


Change = Building | Tree | Controller | Keys | Brought
JOINED = ("buildings", "trees", "controllers", "poles", "keep_outs", "grounds")  # layers that can be added to

# What may be tried; no key of these names a file but FREE_FILES.
FREE_SECTIONS = ("sensor", "season", "requirements", "weights", "reach", "zone")
FREE_FILES = ("zone.table",)  # which whoever asks has looked at


def counted(changes: Sequence[Change]) -> tuple[Change, ...]:
    """The changes that still count.

    Parameters
    ----------
    changes
        In their order.

    Returns
    -------
    tuple of Change
        Without those to a tree or controller whose layer was put out by another.
    """
    out: list[Change] = []
    for change in changes:
        if isinstance(change, Brought):
            out = [one for one in out if type(one) not in change.ends]
        out.append(change)
    return tuple(out)


def in_frame(changes: Sequence[Change], move: Callable[[Floats], Floats]) -> tuple[Change, ...]:
    """The changes in another frame.

    Parameters
    ----------
    changes
        In their order.
    move
        From (n, 2) metres of theirs to metres of that one.

    Returns
    -------
    tuple of Change
        In the same order.
    """
    out: list[Change] = []
    for change in changes:
        if isinstance(change, Building):
            change = replace(change, shape=shapely.transform(change.shape, move))
        elif isinstance(change, Controller):
            x, y = move(np.array([change.xy], float))[0]
            change = replace(change, xy=(float(x), float(y)))
        out.append(change)
    return tuple(out)


def joined_site(site: Site, more: Site, name: str) -> Site:
    """A site with one layer of another added to its own.

    Parameters
    ----------
    site, more
        Both of one frame.
    name
        Of the layer.

    Returns
    -------
    Site
        Names that both have get a number behind them in what is added.

    Raises
    ------
    PlanError
        There can be but one of that layer.
    """
    if name == "buildings":
        one, two = site.buildings, more.buildings
        return replace(
            site,
            buildings=_joined_prisms(one, two),
            pitched=np.append(site.pitched, more.pitched),
            mountable=np.append(site.mountable, more.mountable),
            height_assumed=np.append(_all(site.height_assumed, one), _all(more.height_assumed, two)),
        )
    if name == "trees":
        added = replace(more.crowns, names=_other_names(site.crowns.names, more.crowns.names))
        return replace(
            site,
            crowns=joined_crowns(site.crowns, added),
            crown_prisms=_joined_prisms(site.crown_prisms, more.crown_prisms),
            crown_evergreen=np.append(site.crown_evergreen, more.crown_evergreen),
        )
    if name == "controllers":
        return replace(site, controllers=_joined_places(site.controllers, more.controllers))
    if name == "poles":
        return replace(site, poles=_joined_places(site.poles, more.poles))
    if name == "keep_outs":
        a, b = site.keep_outs, more.keep_outs
        return replace(site, keep_outs=KeepOuts((*a.names, *b.names), (*a.kinds, *b.kinds), (*a.shapes, *b.shapes)))
    if name == "grounds":
        c, d = site.grounds, more.grounds
        return replace(site, grounds=Grounds((*c.names, *d.names), (*c.covers, *d.covers), (*c.shapes, *d.shapes)))
    raise PlanError(name, "there can be but one of it", "Put it in the place of the one that is there")


def _all(known: Bools, of: Prisms) -> Bools:
    return known if len(known) else np.zeros(len(of), bool)


def _other_names(there: Sequence[str], names: Sequence[str]) -> tuple[str, ...]:
    taken, out = set(there), []
    for name in names:
        k = 2
        new = name
        while new in taken:
            new, k = f"{name} ({k})", k + 1
        taken.add(new)
        out.append(new)
    return tuple(out)


def _joined_prisms(one: Prisms, two: Prisms) -> Prisms:
    return prisms(
        [*one.shapes, *two.shapes],
        np.append(one.base_m, two.base_m),
        np.append(one.top_m, two.top_m),
        [*one.names, *_other_names(one.names, two.names)],
    )


def _joined_places(one: Places, two: Places) -> Places:
    return Places(
        (*one.names, *_other_names(one.names, two.names)),
        np.vstack([one.xyz.reshape(-1, 3), two.xyz.reshape(-1, 3)]),
        np.append(one.indoors, two.indoors).astype(bool),
        np.append(one.depth_m, two.depth_m),
        np.append(one.extra_loss_db, two.extra_loss_db),
        np.append(one.height_assumed, two.height_assumed).astype(bool),
    )


def changed_site(site: Site, changes: Sequence[Change]) -> Site:
    """The site with all changes made.

    Parameters
    ----------
    site
        The one before; stays as it is.
    changes
        In their order.

    Returns
    -------
    Site
        The changed one.

    Raises
    ------
    PlanError
        A change cannot be: a footprint that crosses itself or is no building's size, a row that is not there, a
        building or tree where a surface model says what stands.
    """
    built = [change for change in changes if isinstance(change, Building)]
    grown = {change.row: change.times for change in changes if isinstance(change, Tree)}
    moved = {change.row: change.xy for change in changes if isinstance(change, Controller)}
    if (built or grown) and site.surface is not None:
        raise PlanError(
            "the site",
            "a surface model says what stands on it, so that a building or a tree alone changes nothing",
            'Set layers.surface.use = "heights" in the plan to try buildings and trees',
        )
    if built:
        site = _with_buildings(site, built)
    if grown:
        site = _with_trees(site, grown)
    return replace(site, controllers=_moved(site, moved)) if moved else site


def _with_buildings(site: Site, built: Sequence[Building]) -> Site:
    for one in built:
        _check_building(one)
    shapes = np.array([one.shape for one in built], object)
    mean, low = ground_under(site.terrain, shapes)
    b, n = site.buildings, len(built)
    more = prisms(
        [*b.shapes, *shapes],
        np.concatenate([b.base_m, low - FOOT_BELOW_M]),
        np.concatenate([b.top_m, mean + np.array([one.height_m for one in built])]),
        [*b.names, *(one.name for one in built)],
    )
    known = site.height_assumed if len(site.height_assumed) else np.zeros(len(b), bool)
    return replace(
        site,
        buildings=more,
        pitched=np.append(site.pitched, np.zeros(n, bool)),
        mountable=np.append(site.mountable, np.ones(n, bool)),
        height_assumed=np.append(known, np.zeros(n, bool)),
    )


def _check_building(one: Building) -> None:
    if not 0.0 < one.height_m <= HIGHEST_M:
        raise PlanError(
            one.name, f"{one.height_m:g} m is no height of a building", "Give its roof edge above ground"
        )
    if one.shape.geom_type != "Polygon" or not one.shape.is_valid:
        raise PlanError(one.name, "its outline crosses itself", "Draw its corners in order, once around")
    if not LEAST_AREA_M2 <= one.shape.area <= MOST_AREA_M2:
        raise PlanError(one.name, f"{one.shape.area:,.0f} m² is no building's footprint", "Draw it again")


def _with_trees(site: Site, grown: Mapping[int, float]) -> Site:
    crowns, solids = site.crowns, site.crown_prisms
    n, m = len(crowns), len(solids)
    times = np.ones(n + m)
    for row, factor in grown.items():
        if not 0 <= row < n + m:
            raise PlanError("trees", f"there is no tree {row + 1}", "Reload the page: the layers may have changed")
        if not 0.0 <= factor <= TALLEST_TIMES:
            raise PlanError("trees", f"{factor:g} times as high is no tree", f"Give 0 to {TALLEST_TIMES:g} times")
        times[row] = factor
    by, keep = times[:n], times[:n] > 0
    ground = site.ground_at(crowns.centre[:, :2]) if n else np.empty(0)
    centre = np.array(crowns.centre, float)
    centre[:, 2] = ground + (centre[:, 2] - ground) * by
    taller = Crowns(crowns.names, centre, crowns.radius_m * by, crowns.half_height_m * by, crowns.evergreen)
    ground, _ = ground_under(site.terrain, np.array(solids.shapes, object)) if m else (np.empty(0), None)
    tops = ground + (solids.top_m - ground) * times[n:]
    bases = ground + (solids.base_m - ground) * times[n:]
    return replace(
        site,
        crowns=_crowns_kept(taller, keep),
        crown_prisms=_prisms_kept(replace(solids, base_m=bases, top_m=tops), times[n:] > 0),
        crown_evergreen=site.crown_evergreen[times[n:] > 0],
    )


def _crowns_kept(crowns: Crowns, keep: Bools) -> Crowns:
    names = tuple(name for name, kept in zip(crowns.names, keep, strict=True) if kept)
    return Crowns(
        names, crowns.centre[keep], crowns.radius_m[keep], crowns.half_height_m[keep], crowns.evergreen[keep]
    )


def _prisms_kept(solids: Prisms, keep: Bools) -> Prisms:
    if keep.all():
        return solids
    rows = np.flatnonzero(keep)
    shapes, names = [solids.shapes[k] for k in rows], [solids.names[k] for k in rows]
    return prisms(shapes, solids.base_m[rows], solids.top_m[rows], names)


def _moved(site: Site, moved: Mapping[int, tuple[float, float]]) -> Places:
    """Controllers elsewhere, as high above the ground there; indoors where a building stands over the place."""
    was, xyz, indoors = site.controllers, site.controllers.xyz.copy(), site.controllers.indoors.copy()
    for row, xy in moved.items():
        if not 0 <= row < len(was):
            raise PlanError("controllers", f"there is no controller {row + 1}", "Reload the page")
        there = np.array(xy, float)
        if not np.isfinite(there).all() or shapely.distance(site.outline, shapely.Point(there)) > 2000.0:
            raise PlanError(was.names[row], "it would stand too far from the site", "Move it closer to the site")
        up = xyz[row, 2] - float(site.ground_at(xyz[row, :2]))
        xyz[row] = (*there, float(site.ground_at(there)) + up)
        if was.depth_m[row] <= 0:
            indoors[row] = _under_roof(site, there, float(site.ground_at(there)))
    return replace(was, xyz=xyz, indoors=indoors)


def _under_roof(site: Site, xy: Floats, ground_m: float) -> bool:
    over = shapely.STRtree(site.buildings.shapes).query(shapely.Point(xy), "within")
    return bool((site.buildings.base_m[over] <= ground_m).any())


# --- keys of the plan -------------------------------------------------------------------------------------------


def keys_changed(changes: Sequence[Change]) -> dict[str, Any]:
    """Dotted key to its last value."""
    return {key: value for change in changes if isinstance(change, Keys) for key, value in change.values}


def changed_raw(raw: Mapping[str, Any], keys: Mapping[str, Any]) -> dict[str, Any]:
    """A plan's own text with keys set.

    Parameters
    ----------
    raw
        As TOML reads it; stays as it is.
    keys
        Dotted; None takes a key out.

    Returns
    -------
    dict
        The changed one.

    Raises
    ------
    PlanError
        A key may not be tried: only those of FREE_SECTIONS.
    """
    out = copy.deepcopy(dict(raw))
    set_keys(out, keys)
    return out


def set_keys(raw: MutableMapping[str, Any], keys: Mapping[str, Any]) -> None:
    """Set keys in place; the same key in the other unit goes.

    Parameters
    ----------
    raw
        A mapping or a TOML document.
    keys
        Dotted; None takes a key out.

    Raises
    ------
    PlanError
        A key may not be tried: only those of FREE_SECTIONS.
    """
    for dotted, value in keys.items():
        head, _, name = dotted.partition(".")
        if head not in FREE_SECTIONS or "." in name or not name:
            raise PlanError(dotted, "this key is not tried here", f"Change it in the plan file; {_known(head)}")
        section: type[Section] = next(sections_in(Plan.model_fields[head].annotation))
        twin = section.twin(name)
        metric = twin.key if twin else name
        inside = raw.setdefault(head, {})
        for written in [key for key in inside if key == metric or _metric(section, key) == metric]:
            if written != name or value is None:
                del inside[written]
        if value is not None:
            inside[name] = value


def _metric(section: type[Section], key: str) -> str:
    twin = section.twin(key)
    return twin.key if twin else key


def _known(head: str) -> str:
    return nearest(head, FREE_SECTIONS)
