"""Rain sectors of many mounts. Run: pytest tests/benchmarks/test_rain_benchmarks.py --benchmark-only -s

The ratio is against GEOS's distance from every mount to every footprint, which gives the steepest point alone, not
the 36 sectors.
"""

import time

import numpy as np
import shapely
from test_mounts_benchmarks import campus

from planner.mounts import find_mounts
from planner.plan import Mounts
from planner.rain import rain_and_surroundings


def by_distances(site, xyz):
    points, tangent = shapely.points(xyz[:, :2]), np.zeros(len(xyz))
    for shape, top in zip(site.buildings.shapes, site.buildings.top_m, strict=True):
        rise, away = top - xyz[:, 2], shapely.distance(shape, points)
        tangent = np.maximum(tangent, np.where((rise > 0) & (away > 0), rise / np.maximum(away, 1e-9), 0.0))
    return np.degrees(np.arctan(tangent))


def test_sectors_of_5000_mounts_among_400_buildings(benchmark):
    site = campus()
    mounts = find_mounts(site, Mounts(spacing_m=5.0), 0.6)
    xyz = mounts.xyz[np.random.default_rng(3).choice(len(mounts), 5000, replace=False)]
    rain_and_surroundings(site, xyz[:2])  # compiles
    found = benchmark.pedantic(rain_and_surroundings, (site, xyz), rounds=3, iterations=1)
    begin = time.perf_counter()
    plain = by_distances(site, xyz)
    plain_s = time.perf_counter() - begin
    free = ~found.covered & (plain > 0.5)
    np.testing.assert_allclose(found.steepest_deg[free], plain[free], atol=1e-6)
    print(f"\nmounts per second {len(xyz) / benchmark.stats.stats.min:,.0f}")
    print(f"ratio rain_vs_distances {plain_s / benchmark.stats.stats.min:.2f}")
