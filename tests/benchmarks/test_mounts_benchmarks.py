"""Candidates by the ten thousand. Run: pytest tests/benchmarks/test_mounts_benchmarks.py --benchmark-only -s"""

import numpy as np
import shapely

from planner.mounts import find_mounts
from planner.plan import Mounts
from planner.site import bare_site, prisms


def campus(seed=8, buildings=400):
    rng = np.random.default_rng(seed)
    corner, size = rng.uniform(-900, 900, (buildings, 2)), rng.uniform(15, 60, (buildings, 2))
    shapes = [
        shapely.affinity.rotate(shapely.box(*c, *(c + s)), a)
        for c, s, a in zip(corner, size, rng.uniform(0, 90, buildings), strict=True)
    ]
    solids = prisms(shapes, np.full(buildings, -1.0), rng.uniform(4, 15, buildings))
    return bare_site(shapely.box(-1000, -1000, 1000, 1000), buildings=solids)


def test_every_half_metre_of_400_buildings(benchmark):
    """Roof edges and wall tops, 0.5 m apart."""
    site = campus()
    found = benchmark.pedantic(find_mounts, (site, Mounts(spacing_m=0.5), 0.6), rounds=3, iterations=1)
    print(f"\nmounts {len(found)}, mounts per second {len(found) / benchmark.stats.stats.min:,.0f}")
    assert len(found) > 50_000
