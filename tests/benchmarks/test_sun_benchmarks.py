"""Sun and shade at the size of a campus. Run: pytest tests/benchmarks --benchmark-only -s"""

import numpy as np
import shapely

from planner.mounts import find_mounts
from planner.plan import Mounts
from planner.site import Crowns, bare_site, prisms
from planner.sun import sun_table, year_of_light


def campus(seed=4, buildings=200, trees=250):
    rng = np.random.default_rng(seed)
    corner, size = rng.uniform(-400, 400, (buildings, 2)), rng.uniform(15, 40, (buildings, 2))
    shapes = [
        shapely.affinity.rotate(shapely.box(*c, *(c + s)), a)
        for c, s, a in zip(corner, size, rng.uniform(0, 90, buildings), strict=True)
    ]
    crowns = Crowns(
        tuple(f"T{k}" for k in range(trees)),
        np.column_stack([rng.uniform(-400, 400, (trees, 2)), rng.uniform(4, 8, trees)]),
        rng.uniform(2, 5, trees),
        rng.uniform(2, 4, trees),
        rng.random(trees) < 0.5,
    )
    solids = prisms(shapes, np.full(buildings, -1.0), rng.uniform(4, 15, buildings))
    return bare_site(shapely.box(-450, -450, 450, 450), buildings=solids, crowns=crowns)


def test_campus_of_200_buildings_and_300_candidates(benchmark):
    """The whole year, every ten minutes of every day."""
    site = campus()
    mounts = find_mounts(site, Mounts(), 0.6)
    rows = np.random.default_rng(5).choice(len(mounts), 300, replace=False)

    def year():
        return year_of_light(site, mounts.xyz[rows], sun_table(site.latitude_deg, 0.0))

    result = benchmark.pedantic(year, rounds=1, iterations=1)
    assert result.light_share.shape == (300, 12)
