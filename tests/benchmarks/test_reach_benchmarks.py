"""Profiles, links and coverage at the size of a campus. Run: pytest tests/benchmarks --benchmark-only -s"""

import time

import numpy as np
import shapely
from campus_scenes import scattered
from plain_profiles import PlainProfiles

from planner.plan import Plan, Reach, Sensor
from planner.reach.coverage import coverage
from planner.reach.link import links, outdoors, reach
from planner.reach.profile import trace
from planner.reach.radio import radio
from planner.reach.scene import scene
from planner.site import bare_site

SIDE_M = 1000.0


def campus():
    return scattered(seed=21, buildings=2000, trees=500, side_m=SIDE_M, terrain_cell_m=1.0, hedges=20)


def pairs(mounts=500, controllers=20):
    """10,000 mount and controller pairs all over the campus."""
    rng = np.random.default_rng(22)
    a = np.column_stack([rng.uniform(0, SIDE_M, (mounts, 2)), rng.uniform(4, 15, mounts)])
    b = np.column_stack([rng.uniform(0, SIDE_M, (controllers, 2)), np.full(controllers, 1.5)])
    return np.repeat(a, controllers, axis=0), np.tile(b, (mounts, 1))


def test_profiles_vs_shapely(benchmark):
    """[profiles_vs_shapely] the plain form does every 20th pair; both give the same pieces and the same ground."""
    site = campus()
    s, (a, b) = scene(site), pairs()
    trace(s, a[:10], b[:10])  # compiled before the clock starts
    found = benchmark.pedantic(lambda: trace(s, a, b), rounds=15, iterations=1, warmup_rounds=2)
    plain = PlainProfiles(site)
    rows = np.arange(0, len(a), 20)
    started = time.perf_counter()
    lines = [plain.line(a[k], b[k]) for k in rows]
    plain_s = (time.perf_counter() - started) * len(a) / len(rows)
    for k, (pieces, ground) in zip(rows, lines, strict=True):
        i, j = found.first[k], found.first[k + 1]
        assert [p[:2] for p in pieces] == list(zip(found.kind[i:j], found.row[i:j], strict=True))
        np.testing.assert_allclose(
            np.reshape([p[2:] for p in pieces], (-1, 2)),
            np.column_stack([found.enter_m[i:j], found.leave_m[i:j]]),
            atol=1e-6,
        )
        np.testing.assert_allclose(
            ground, found.ground_m[found.ground_first[k] : found.ground_first[k + 1]], atol=1e-9
        )
    print(f"\nratio profiles_vs_shapely {plain_s / benchmark.stats['min']:.0f}")


def test_links_of_ten_thousand_pairs(benchmark):
    """Margins and odds as a site's are reckoned, no loss beyond what matters; no plain form, so no ratio."""
    s, (a, b) = scene(campus()), pairs()
    r, n = radio(Sensor(rated_range_m=600.0), Reach()), len(a)

    def some(k):
        return links(s, a[:k], a[:k, 2], outdoors(b[:k], b[:k, 2]), r)

    some(10)
    found = benchmark.pedantic(lambda: some(n), rounds=2, iterations=1)
    assert np.isfinite(found.margin_db).all()
    print(f"\nratio links_per_s {n / benchmark.stats['min']:.0f}")


def test_coverage_of_a_square_kilometre(benchmark):
    """1 km2 at 5 m; to be under 10 s on two cores."""
    site = campus()
    s, head = scene(site), np.array([SIDE_M / 2, SIDE_M / 2, 12.0])
    asked = reach(bare_site(), head[None], head[2:], Plan(sensor=Sensor(rated_range_m=600.0)))
    settings = {"cell_m": 5.0, "receiver_m": 1.5}
    coverage(bare_corner(site), s, head[None], head[2:], asked, **settings)
    found = benchmark.pedantic(
        lambda: coverage(site, s, head[None], head[2:], asked, **settings), rounds=1, iterations=1
    )
    assert found.grade.size >= 40_000
    print(f"\nratio coverage_cells_per_s {found.grade.size / benchmark.stats['min']:.0f}")


def bare_corner(site):
    """The same site with a small outline, to compile on."""
    import dataclasses

    return dataclasses.replace(site, outline=shapely.box(0, 0, 20, 20))
