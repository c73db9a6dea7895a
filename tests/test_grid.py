"""Light over a site: the same numbers as for mounts, cell by cell, in tiles."""

import numpy as np
import pytest
import shapely

from planner.site import Heights, bare_site, prisms
from planner.sun import sun_table, year_of_light
from planner.sun.grid import TILE, light_grid

TABLE = sun_table(38.0, 0.0, 0.0, 30, 15)
HALL = prisms([shapely.box(-10, -10, 10, 10)], [-1], [8.0], ["Hall"])


def test_each_cell_is_a_mount_at_its_middle():
    site = bare_site(shapely.box(-40, -30, 40, 30), latitude_deg=38.0, buildings=HALL)
    grid = light_grid(site, TABLE, cell_m=10.0, ground_m=2.0, roof_m=0.5)
    assert grid.light_share.shape == (6, 8, 12)
    assert (grid.left_m, grid.top_m, grid.cell_m) == (-40.0, 30.0, 10.0)
    for row, col in ((0, 0), (2, 1), (1, 4), (3, 3), (5, 7)):
        x, y = -40 + (col + 0.5) * 10, 30 - (row + 0.5) * 10
        roof = max(abs(x), abs(y)) < 10
        one = year_of_light(site, np.array([[x, y, 8.5 if roof else 2.0]]), TABLE)
        np.testing.assert_allclose(grid.light_share[row, col], one.light_share[0], rtol=1e-6)
        np.testing.assert_allclose(grid.direct_h[row, col], one.direct_h[0], rtol=1e-6)
        assert grid.on_roof[row, col] == roof
    assert grid.light_share[2:4, 3:5].min() > 0.999  # nothing stands over the roof
    # the hall's shade falls to the north in winter, not to the south
    assert grid.light_share[1, 4, 0] < 0.9 < grid.light_share[4, 4, 0]


def test_worst_month_is_among_the_irrigation_months():
    site = bare_site(shapely.box(-40, -30, 40, 30), latitude_deg=38.0, buildings=HALL)
    grid = light_grid(site, TABLE, cell_m=10.0)
    summer = np.isin(np.arange(12), (5, 6))
    np.testing.assert_array_equal(grid.worst(summer), grid.light_share[:, :, 5:7].min(axis=2))
    np.testing.assert_array_equal(grid.worst(np.zeros(12, bool)), grid.light_share.min(axis=2))
    assert np.nanmin(grid.worst(summer)) > np.nanmin(grid.light_share[:, :, 0])


def test_only_inside_the_outline_and_on_the_ground():
    x = np.tile(np.arange(-195.0, 200, 10), (40, 1))
    site = bare_site(
        shapely.Point(0, 0).buffer(45), latitude_deg=38.0, terrain=Heights(0.1 * x, -200.0, 200.0, 10.0)
    )
    asked = []

    def year(site, xyz, sun, **settings):
        asked.append(xyz)
        return year_of_light(site, xyz, sun, **settings)

    grid = light_grid(site, TABLE, cell_m=9.0, ground_m=3.0, year=year)
    known = np.isfinite(grid.light_share[:, :, 0])
    assert known.sum() == sum(len(a) for a in asked)
    assert not known[0, 0]
    assert known[5, 5]
    for xyz in asked:
        np.testing.assert_allclose(xyz[:, 2], 0.1 * xyz[:, 0] + 3.0, atol=1e-9)


def fake_year(seen):
    def year(site, xyz, sun, **settings):
        seen.append(len(xyz))
        column = np.repeat(xyz[:, :1] + 1000 * xyz[:, 1:2], 12, axis=1)
        return type("Found", (), {"light_share": column, "direct_h": column})

    return year


def test_tiles_bound_what_is_held_at_once_and_miss_no_cell():
    """A year that answers with the place itself: every cell is asked once, never more than a tile together."""
    seen, told = [], []
    site = bare_site(shapely.box(0, 0, 700, 400))
    grid = light_grid(site, TABLE, cell_m=5.0, year=fake_year(seen), progress=lambda done, total: told.append(done))
    assert grid.light_share.shape == (80, 140, 12)
    assert max(seen) <= TILE * TILE
    assert len(seen) == 3 * 5
    assert sum(seen) == told[-1] == 80 * 140
    x, y = np.meshgrid(np.arange(140) * 5 + 2.5, 400 - np.arange(80) * 5 - 2.5)
    np.testing.assert_allclose(grid.light_share[:, :, 3], x + 1000 * y, rtol=1e-6)


def test_a_large_site_gets_larger_cells():
    seen = []
    grid = light_grid(
        bare_site(shapely.box(0, 0, 5000, 5000)), TABLE, cell_m=5.0, most_cells=2500, year=fake_year(seen)
    )
    assert grid.cell_m == pytest.approx(100.0)
    assert sum(seen) == 2500
