"""Horizons and monthly light at the size of cities.

    pytest tests/benchmarks/test_horizon_benchmarks.py --benchmark-only -s

Each ratio is of two times in one run on one machine; `ratio NAME VALUE`: how many times as fast as the peer.
"""

import math
import os
import resource
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import shapely
from numba import njit

sys.path.insert(0, str(Path(__file__).parents[1]))
from scenes import roofs, streets, town, walls

from planner.compiled import in_threads
from planner.sun import hierarchy, sun_table
from planner.sun.hierarchy import compile_looks, horizons, pack
from planner.sun.horizon import directions
from planner.sun.months import SAMPLED_DEG, light_table, monthly_beam

FLOOR_DEG = 1.0
LOOKS = directions(np.arange(0, 360, 0.5))


def seconds(work, at_least=0.3):
    """Best time of a few calls."""
    best, spent = math.inf, 0.0
    while spent < at_least:
        start = time.perf_counter()
        work()
        took = time.perf_counter() - start
        best, spent = min(best, took), spent + took
    return best


def in_the_open(tree, mounts):
    """Mounts that stand in no building."""
    return mounts[
        np.isfinite(horizons(tree, mounts, directions(np.array([0.0, 90, 180, 270]))).tangent).all(axis=1)
    ]


def numpy_horizon(mount, solids, tree, floor):
    """The same horizon in NumPy, with a shapely STRtree to leave out what is surely under the floor."""
    reach = (solids.top_m.max() - mount[2]) / floor
    near = tree.query(shapely.box(*(mount[:2] - reach), *(mount[:2] + reach)))
    near = near[solids.top_m[near] > mount[2]]
    out = np.full(len(LOOKS), floor)
    rows = (near[:, None] * 4 + np.arange(4)).ravel()
    start, end = solids.edge_start[rows] - mount[:2], solids.edge_end[rows] - mount[:2]
    cross = start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]
    faces = cross < 0
    start, end, cross = start[faces], end[faces], cross[faces]
    rise = (solids.top_m[solids.edge_prism[rows]] - mount[2])[faces]
    first = np.degrees(np.arctan2(start[:, 0], start[:, 1])) % 360
    wide = (np.degrees(np.arctan2(end[:, 0], end[:, 1])) - first) % 360
    low = np.ceil(first * 2).astype(int)
    count = np.ceil((first + wide) * 2).astype(int) - low
    owner = np.repeat(np.arange(len(low)), count)
    look = (np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + low[owner]) % len(LOOKS)
    edge = (end - start)[owner]
    value = (LOOKS.sin[look] * edge[:, 1] - LOOKS.cos[look] * edge[:, 0]) / cross[owner] * rise[owner]
    np.maximum.at(out, look, value)
    return out


def dense_horizon(mount, solids, tree, floor):
    """The same in the form one writes first: every edge along every azimuth, of all buildings that can matter."""
    reach = (solids.top_m.max() - mount[2]) / floor
    near = tree.query(shapely.box(*(mount[:2] - reach), *(mount[:2] + reach)))
    rows = (near[:, None] * 4 + np.arange(4)).ravel()
    start, end = solids.edge_start[rows] - mount[:2], solids.edge_end[rows] - mount[:2]
    rise = solids.top_m[solids.edge_prism[rows]] - mount[2]
    side0 = start[:, :1] * LOOKS.cos - start[:, 1:] * LOOKS.sin  # of the ray, left or right
    side1 = end[:, :1] * LOOKS.cos - end[:, 1:] * LOOKS.sin
    along0 = start[:, :1] * LOOKS.sin + start[:, 1:] * LOOKS.cos
    along1 = end[:, :1] * LOOKS.sin + end[:, 1:] * LOOKS.cos
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = along0 + (along1 - along0) * side0 / (side0 - side1)
        value = np.where(((side0 > 0) != (side1 > 0)) & (distance > 0), rise[:, None] / distance, 0.0)
    return np.maximum(floor, value.max(axis=0, initial=0.0))


def test_horizon_vs_numpy(benchmark):
    """1,000 buildings, 720 azimuths, obstacles above 1 degree, roofs and streets.

    The peer is the same computation in NumPy with an STRtree over all buildings (`dense_horizon`); beside it a
    NumPy form that knows the trick of our kernel and looks only along the azimuths that an edge spans.
    """
    solids, middle, width = town(1_000)
    tree, floor = pack(solids), math.tan(math.radians(FLOOR_DEG))
    mounts = in_the_open(tree, np.vstack([roofs(solids, middle, np.arange(0, 1000, 2)), streets(width, 500)]))
    boxes = shapely.STRtree(shapely.polygons(solids.edge_start.reshape(-1, 4, 2)))
    few = mounts[::40]
    ours = horizons(tree, few, LOOKS, FLOOR_DEG).tangent
    many = np.tile(mounts, (5, 1))
    benchmark.pedantic(lambda: horizons(tree, many, LOOKS, FLOOR_DEG), rounds=3, iterations=1)
    took = benchmark.stats.stats.min / len(many)
    print(f"\n{1 / took:,.0f} mounts a second among 1,000 buildings")
    for peer, name in ((dense_horizon, "horizon_vs_numpy"), (numpy_horizon, "horizon_vs_numpy_spans")):
        theirs = np.array([peer(m, solids, boxes, floor) for m in few])
        np.testing.assert_allclose(np.arctan(ours), np.arctan(theirs), atol=1e-7)
        slow = seconds(lambda p=peer: [p(m, solids, boxes, floor) for m in few]) / len(few)
        print(f"ratio {name} {slow / took:.0f}")


def test_horizon_vs_embree(benchmark):
    """The same, one thread, against bisection to 0.01 degree with Embree occlusion rays, one thread."""
    rtcs = pytest.importorskip("embreex.rtcore_scene")
    from embreex.mesh_construction import TriangleMesh

    solids, middle, width = town(1_000)
    tree, floor = pack(solids), math.tan(math.radians(FLOOR_DEG))
    mounts = in_the_open(tree, np.vstack([roofs(solids, middle, np.arange(0, 1000, 4)), streets(width, 250)]))
    origin = np.array([width / 2, width / 2])
    vertex, triangle = walls(solids, origin)
    caster = rtcs.EmbreeScene()
    TriangleMesh(caster, vertex[triangle])
    start = np.repeat(np.column_stack([mounts[:, :2] - origin, mounts[:, 2]]), len(LOOKS), axis=0).astype(
        np.float32
    )
    azimuth = np.tile(np.radians(LOOKS.azimuth_deg), len(mounts))
    sine, cosine = np.sin(azimuth), np.cos(azimuth)

    def bisect():
        low, high = np.full(len(azimuth), FLOOR_DEG), np.full(len(azimuth), 90.0)
        for _ in range(math.ceil(math.log2(90 / 0.01))):
            middle_deg = (low + high) / 2
            angle = np.radians(middle_deg)
            ray = np.stack([np.cos(angle) * sine, np.cos(angle) * cosine, np.sin(angle)], axis=-1).astype(
                np.float32
            )
            blocked = caster.run(start, ray, query="OCCLUDED") == 0
            low, high = np.where(blocked, middle_deg, low), np.where(blocked, high, middle_deg)
        return (low + high) / 2

    compiled = compile_looks(LOOKS)
    out = np.empty((len(mounts), len(LOOKS)))
    benchmark.pedantic(lambda: hierarchy._many(mounts, tree, compiled, floor, out), rounds=3, iterations=1)
    theirs = bisect()
    agree = np.abs(np.degrees(np.arctan(out)).ravel() - theirs) < 0.02
    assert agree.mean() > 0.999
    peer = seconds(bisect)
    print(f"\nratio horizon_vs_embree {peer / benchmark.stats.stats.min:.1f}")


def test_a_million_buildings(benchmark):
    """Packing, mounts a second on roofs and in streets, growth from 1,000 buildings, memory."""
    rates = {}
    for count in (1_000, 1_000_000):
        solids, middle, width = town(count)
        start = time.perf_counter()
        tree = pack(solids)
        packed = time.perf_counter() - start
        n = 10_000 if count < 10_000 else 30_000
        rows = tree.row[np.sort(np.random.default_rng(1).integers(0, count, n))]
        for kind, mounts in (("roofs", roofs(solids, middle, rows)), ("streets", streets(width, n))):
            rates[count, kind] = n / seconds(lambda m=mounts, t=tree: horizons(t, m, LOOKS, FLOOR_DEG))
            print(
                f"\n{count:,} buildings, {kind}: {rates[count, kind]:,.0f} mounts a second, packed {packed:.2f} s"
            )
    benchmark.pedantic(lambda: pack(solids), rounds=1, iterations=1)
    results = 30_000 * len(LOOKS) * 8 / 1e9
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"cores {os.cpu_count()}, peak {peak:.2f} GB of which results {results:.2f} GB")
    for kind in ("roofs", "streets"):
        print(f"ratio horizon_growth_{kind} {rates[1_000, kind] / rates[1_000_000, kind]:.2f}")
    print(f"ratio horizon_growth {max(rates[1_000, k] / rates[1_000_000, k] for k in ('roofs', 'streets')):.2f}")


@njit(nogil=True, error_model="numpy")
def _sum_steps(tangent, place, slope, month, beam, out):
    for n in range(len(tangent)):
        for i in range(len(slope)):
            if slope[i] > tangent[n, place[i]]:
                out[n, month[i]] += beam[i]


def test_months_vs_steps(benchmark):
    """Monthly sums of 100,000 mounts from sampled horizons, against the compiled sum over all steps, one by one.

    [months_vs_horizon] what the sums take, as a share of what the same mounts' horizons take: at the 720 azimuths
    of the other benchmarks, and at those 2,880 that the sums are made from.
    """
    solids, middle, width = town(3_000, per_m2=0.0015)
    mounts = np.vstack([roofs(solids, middle, np.arange(0, 3000, 3)), streets(width, 1000)])
    horizon = horizons(pack(solids), mounts, directions(SAMPLED_DEG), 0.5).tangent.astype(np.float32)
    batch = np.tile(horizon, (10, 1))[:20_000]
    table = light_table(sun_table(40.0, 0.0, step_minutes=1))
    monthly_beam(batch[:100], table, 0.5)  # compiled code is loaded
    ours = 5 * seconds(lambda: monthly_beam(batch, table, 0.5))
    tree = pack(solids)
    for name, at_deg in (("months_vs_horizon", np.arange(0, 360, 0.5)), ("months_vs_own_horizon", SAMPLED_DEG)):
        looks = directions(at_deg)
        seen = 100_000 / len(mounts) * seconds(lambda looks=looks: horizons(tree, mounts, looks, 0.5), 1.0)
        print(f"\nratio {name} {ours / seen:.2f}")
    few = horizon[::10]
    by_table, truth = monthly_beam(few, table, 0.5), None
    print(f"\n100,000 mounts in {ours:.2f} s by the table, whatever the step")
    for minutes in (1, 15):
        sun = sun_table(40.0, 0.0, step_minutes=minutes)
        place = (sun.azimuth_deg * len(SAMPLED_DEG) / 360).astype(np.int64) % len(SAMPLED_DEG)
        slope = np.tan(np.radians(sun.elevation_deg))

        def by_steps(rows, place=place, slope=slope, sun=sun):
            out = np.zeros((len(rows), 12))
            in_threads(
                lambda part: _sum_steps(rows[part], place, slope, sun.month, sun.beam_wh_m2, out[part]), len(rows)
            )
            return out

        stepped = by_steps(few)
        truth = stepped if truth is None else truth
        by_steps(few[:2])
        peer = seconds(lambda f=few, by=by_steps: by(f)) / len(few) * 100_000
        off = np.abs((stepped if minutes > 1 else by_table) - truth).max(axis=0) / table.beam
        who = "these steps are" if minutes > 1 else "the table is"
        print(
            f"{minutes}-minute steps one by one: {peer:.1f} s; {who} off against one minute by at most "
            f"{off.max():.2%} of a month's open light"
        )
        print(f"ratio months_vs_steps{'' if minutes == 1 else '_15min'} {peer / ours:.1f}")
    benchmark.pedantic(lambda: monthly_beam(batch, table, 0.5), rounds=2, iterations=1)
