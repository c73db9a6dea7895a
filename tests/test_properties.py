"""What holds of any plan: numbers or a clear error, and nothing that should not matter matters.

Small sites drawn by hypothesis: a lot, some buildings, trees and controllers. The sun is stepped coarsely. More of
them than the tests take by default: `NOONMARK_EXAMPLES=200 python -m pytest tests/test_properties.py`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
import shapely.affinity
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

import planner
from planner.frames import opened
from planner.job import SiteResult
from planner.ledger import PlannerError

UTM = "EPSG:32612"
EAST, NORTH = 420_000.0, 3_700_000.0  # somewhere in Arizona
EXAMPLES = int(os.environ.get("NOONMARK_EXAMPLES", "1"))
FEW = settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],
)  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """Boxes (x, y, width, depth, height) and crowns (x, y, width, height), metres from the lot's corner."""

    buildings: tuple[tuple[float, ...], ...]
    trees: tuple[tuple[float, ...], ...]
    controllers: tuple[tuple[float, float], ...]
    lot_m: float = 80.0

    def frames(self, dx: float = 0.0, dy: float = 0.0) -> dict[str, gpd.GeoDataFrame]:
        def at(shapes, **columns):
            moved = [shapely.affinity.translate(s, EAST + dx, NORTH + dy) for s in shapes]
            return gpd.GeoDataFrame(columns, geometry=moved, crs=UTM)

        found = {"site": at([shapely.box(0, 0, self.lot_m, self.lot_m)])}
        boxes = [shapely.box(x, y, x + w, y + d) for x, y, w, d, _ in self.buildings]
        if boxes:
            heights, names = [b[4] for b in self.buildings], [f"B{k}" for k in range(len(boxes))]
            found["buildings"] = at(boxes, h=heights, name=names)
        if self.trees:
            points = [shapely.Point(x, y) for x, y, _, _ in self.trees]
            found["trees"] = at(points, wide=[t[2] for t in self.trees], h=[t[3] for t in self.trees])
        if self.controllers:
            points = [shapely.Point(xy) for xy in self.controllers]
            found["controllers"] = at(points, name=[f"C{k}" for k in range(len(points))])
        return found


def number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(int(4 * low), int(4 * high)).map(lambda k: k / 4)


@st.composite
def scenes(draw: st.DrawFn) -> Scene:
    """Up to three buildings in cells of their own, so that none overlap, trees and controllers."""
    cells = draw(st.lists(st.sampled_from([(4, 4), (44, 4), (4, 44)]), min_size=1, max_size=3, unique=True))
    boxes = [(*cell, draw(number(6, 24)), draw(number(6, 24)), draw(number(3, 9))) for cell in sorted(cells)]
    trees = draw(st.lists(st.tuples(number(46, 78), number(46, 78), number(2, 9), number(3, 15)), max_size=2))
    controllers = draw(st.lists(st.tuples(number(1, 79), number(1, 79)), min_size=1, max_size=2, unique=True))
    return Scene(tuple(boxes), tuple(trees), tuple(controllers))


def plan(frames: dict[str, object] | None = None, **more: object) -> dict[str, object]:
    layers = {
        "buildings": {"height": "h", "name": "name", "height_unit": "m"},
        "trees": {"height": "h", "crown_width": "wide", "height_unit": "m"},
        "controllers": {"name": "name"},
    }
    lone = {name: keys for name, keys in layers.items() if frames is None or name in frames}
    keys = {"layers": lone, "sun": {"step_minutes": 60, "day_step": 15, "terrain_km": 0},
            "mounts": {"spacing_m": 15.0}, "outputs": {"runners_up": 1}}  # fmt: skip
    return {name: {**keys.get(name, {}), **value} if isinstance(value, dict) else value
            for name, value in {**keys, **more}.items()}  # fmt: skip


def run(scene: Scene, dx: float = 0.0, dy: float = 0.0, **more: object) -> SiteResult:
    frames = scene.frames(dx, dy)
    return planner.run_site(plan(frames, **more), frames)


def numbers(result: SiteResult) -> dict[str, np.ndarray]:
    """What is found of each mount."""
    return {
        "light": result.sun.light_share, "direct": result.sun.direct_h, "steep": result.rain.steepest_deg,
        "room": result.room, "probability": result.reach.links.probability, "height": result.mounts.height_m,
        "score": result.decision.score, "zone": result.zone.p_zone, "drip": result.rain.drip_m,
    }  # fmt: skip


def alike(one: SiteResult, other: SiteResult, rows: list[int] | None = None, rtol: float = 1e-6) -> None:
    """The same numbers, the mounts of the second taken by `rows`."""
    mine, theirs = numbers(one), numbers(other)
    for name, value in mine.items():
        taken = theirs[name] if rows is None or len(value) != len(one.mounts) else theirs[name][rows]
        np.testing.assert_allclose(taken, value, rtol=rtol, atol=1e-6, err_msg=name)


def matched(one: SiteResult, other: SiteResult) -> list[int]:
    """For each mount of the first the row of the second at the same place."""
    away = np.linalg.norm(one.mounts.xyz[:, None] - other.mounts.xyz[None], axis=-1)
    away += 1e3 * (one.mounts.facing_deg[:, None].round() % 360 != other.mounts.facing_deg[None].round() % 360)
    rows = away.argmin(axis=1)
    assert len(one.mounts) == len(other.mounts)
    assert (away[np.arange(len(rows)), rows] < 0.01).all()
    return rows.tolist()


def in_range(found: SiteResult) -> None:
    got = numbers(found)
    for name in ("light", "probability", "zone"):
        assert np.isfinite(got[name]).all(), name
        assert ((got[name] >= 0) & (got[name] <= 1 + 1e-9)).all(), name
    assert ((got["direct"] >= 0) & (got["direct"] <= found.sun.open_direct_h + 1e-9)).all()
    assert ((got["steep"] >= 0) & (got["steep"] <= 90)).all()
    assert (got["room"] <= 1 + 1e-12).all()
    passing = np.array(found.decision.passing)
    assert np.isfinite(got["score"][passing]).all()
    assert ((got["score"][passing] >= 0) & (got["score"][passing] <= 100)).all()
    assert np.isnan(got["score"][~passing]).all()
    assert found.decision.chosen >= 0 or not passing.any()


def in_another_crs(frames: dict[str, gpd.GeoDataFrame]) -> dict[str, gpd.GeoDataFrame]:
    """Each layer in one of its own; straight edges bend by less than a millimetre on a lot."""
    return {
        name: table.to_crs(crs)
        for (name, table), crs in zip(frames.items(), (4326, 2868, 3857, 26912), strict=False)
    }


@FEW
@given(scenes())
def test_numbers_are_in_range_and_what_should_not_matter_changes_none(scene: Scene) -> None:
    frames = scene.frames()
    one = planner.run_site(plan(frames), frames)
    in_range(one)
    turned = run(replace(scene, buildings=scene.buildings[::-1], trees=scene.trees[::-1]))
    alike(one, turned, matched(one, turned))
    aside = run(scene, 8.0, -6.0)  # a few metres, within one cell of the climate
    alike(one, aside, matched(one, aside), rtol=1e-3)
    others = in_another_crs(frames)
    other = planner.run_site(plan(others), others)
    alike(one, other, matched(one, other), rtol=1e-3)
    feet = {name: table.copy() for name, table in frames.items()}
    feet["buildings"]["h"] /= 0.3048
    keys = plan(feet, units="us", mounts={"spacing_ft": 15.0 / 0.3048})
    keys["layers"]["buildings"] = {**keys["layers"]["buildings"], "height_unit": "ft"}
    del keys["mounts"]["spacing_m"]
    alike(one, planner.run_site(keys, feet))


WILD = st.one_of(st.sampled_from([0.0, -1.0, 1e-9, 1e9, 1e300, float("nan"), float("inf")]), st.floats(-1e4, 1e4))


@settings(FEW, max_examples=3 * EXAMPLES)
@given(scenes(), st.sampled_from(["h", "wide", "place"]), WILD)
def test_a_wild_value_gives_numbers_or_a_clear_error(scene: Scene, what: str, value: float) -> None:
    frames = scene.frames()
    if what == "place":
        frames["controllers"].loc[0, "geometry"] = shapely.Point(value, NORTH + 10)
    else:
        table = frames.get("trees" if what == "wide" else "buildings", frames["buildings"])
        table.loc[0, what if what in table else "h"] = value
    try:
        found = planner.run_site(plan(frames), frames)
    except PlannerError as fault:
        said = fault
    else:
        assert np.isfinite(found.sun.light_share).all()
        assert np.isfinite(found.reach.links.probability).all()
        return
    assert all((said.where, said.what, said.todo))


@FEW
@given(scenes(), st.sampled_from(["building", "tree", "higher"]), number(3, 25))
def test_an_obstacle_more_never_adds_light_nor_raises_a_probability(scene: Scene, kind: str, height: float) -> None:
    """At the same points: those of the plain site, named, so that they do not move with a roof."""
    corners = [(40.5, 40.5, 3.0), (2.0, 78.0, 5.0), (78.0, 2.0, 8.0)]
    lonlat = gpd.GeoSeries([shapely.Point(EAST + x, NORTH + y) for x, y, _ in corners], crs=UTM).to_crs(4326)
    points = [{"name": f"M{k}", "x": p.x, "y": p.y, "height_m": z}
              for k, (p, (_, _, z)) in enumerate(zip(lonlat, corners, strict=True))]  # fmt: skip
    mounts = {"named": points, "roof_edges": False, "walls": False, "poles": False}
    if kind == "building":
        more = replace(scene, buildings=(*scene.buildings, (46.0, 46.0, 12.0, 12.0, height)))
    elif kind == "tree":
        more = replace(scene, trees=(*scene.trees, (55.0, 52.0, 6.0, height)))
    else:
        first, *rest = scene.buildings
        more = replace(scene, buildings=((*first[:4], first[4] + height), *rest))
    before, after = run(scene, mounts=mounts), run(more, mounts=mounts)
    outdoors = ~(before.site.controllers.indoors | after.site.controllers.indoors)
    assert (after.sun.light_share <= before.sun.light_share + 1e-9).all()
    assert (after.sun.direct_h <= before.sun.direct_h + 1e-9).all()
    assert (after.rain.steepest_deg >= before.rain.steepest_deg - 1e-9).all()
    raised = (after.reach.links.probability - before.reach.links.probability)[:, outdoors]
    assert (raised <= RAISED_AT_MOST).all(), raised.max()


RAISED_AT_MOST = 1e-6


@pytest.mark.parametrize("part_sites", [1, 2])
def test_the_size_of_a_part_changes_nothing(tmp_path, part_sites: int) -> None:
    from planner.deliver import run_contract_files
    from planner.ledger import Ledger
    from planner.plan import parse_plan

    rng = np.random.default_rng(1)
    lots = [shapely.box(x, y, x + 80, y + 60) for x, y in rng.uniform(0, 40_000, (5, 2))]
    lots = [shapely.affinity.translate(lot, EAST, NORTH) for lot in lots]
    table = gpd.GeoDataFrame({"name": list("ABCDE"), "up": [300, 310, 9e9, 320, 330]}, geometry=lots, crs=UTM)
    table.to_file(tmp_path / "sites.gpkg", layer="sites", engine="pyogrio")
    keys = {"contract": {"sites": {"path": "sites.gpkg", "name": "name", "elevation": "up"}},
            "outputs": {"map": False, "sites": ["csv"]}}  # fmt: skip
    contents = []
    for size in (part_sites, 100):
        ledger = Ledger()
        out = tmp_path / str(size)
        run_contract_files(parse_plan(keys, tmp_path / "plan.toml"), out, ledger, part_sites=size)
        contents.append(((out / "sites.csv").read_text(), sorted(map(str, ledger))))
    assert contents[0] == contents[1]


def test_a_ring_among_frames_is_a_closed_line(tmp_path) -> None:
    """GDAL's writer ends the process on a ring."""
    frame = Scene((), (), ()).frames()["site"]
    ring = frame.set_geometry(frame.geometry.exterior)
    assert set(ring.geom_type) == {"LinearRing"}
    with opened(plan({}), {"site": ring}) as plan_file:
        read = gpd.read_file(plan_file.plan.layers.site.path)
    assert set(read.geom_type) == {"LineString"}
    assert read.geometry.iloc[0].equals(ring.geometry.iloc[0])
    assert read.crs == ring.crs
