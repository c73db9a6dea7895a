"""How much of a cell a polygon covers, by hand and against exactextract (0.2 and later, an independent program)."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from planner.layers import cell_shares
from planner.layers.cell_shares import cell_weights, weighted_means

exactextract = pytest.importorskip("exactextract")
from exactextract.raster import NumPyRasterSource  # noqa: E402

HIGH, WIDE = 30, 40


def theirs(shapes: list[shapely.Geometry], values: np.ndarray) -> np.ndarray:
    """Mean by exactextract; its rows count from the top, ours from y = 0 down, so y is turned over."""
    upright = shapely.transform(
        np.array(shapes, object), lambda xy: np.column_stack([xy[:, 0], values.shape[1] - xy[:, 1]])
    )
    sites = geopandas.GeoDataFrame({"id": range(len(shapes))}, geometry=upright, crs="EPSG:3857")
    bands = [
        NumPyRasterSource(
            band,
            xmin=0,
            ymin=0,
            xmax=values.shape[2],
            ymax=values.shape[1],
            nodata=np.nan,
            name=f"b{k}",
            srs_wkt=sites.crs.to_wkt(),
        )
        for k, band in enumerate(values)
    ]
    found = exactextract.exact_extract(bands, sites, ["mean"], output="pandas")
    return found[[f"b{k}_mean" for k in range(len(values))]].to_numpy(float)


def ours(shapes: list[shapely.Geometry], values: np.ndarray) -> np.ndarray:
    parts, owner = shapely.get_parts(np.array(shapes, object), return_index=True)
    of, row, col, weight = cell_weights(parts, owner)
    inside = (row >= 0) & (row < values.shape[1]) & (col >= 0) & (col < values.shape[2])
    of, row, col, weight = of[inside], row[inside], col[inside], weight[inside]
    cells = values[:, row, col].T
    known = np.isfinite(cells).all(axis=1)
    return weighted_means(of[known], weight[known], cells[known], len(shapes))[0]


def world(seed: int, unknown: float = 0.2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    values = rng.uniform(0, 9, (12, HIGH, WIDE))
    values[:, rng.random((HIGH, WIDE)) < unknown] = np.nan
    return values


AWKWARD = {
    "far smaller than a cell": shapely.box(10.2, 7.3, 10.2001, 7.3002),
    "on a corner of four cells": shapely.box(10.9, 7.9, 11.1, 8.1),
    "exactly one cell": shapely.box(6, 5, 7, 6),
    "a hole of whole cells": shapely.Polygon(
        [(2, 2), (12, 2), (12, 12), (2, 12)], [[(4, 4), (4, 9), (9, 9), (9, 4)]]
    ),
    "a hole inside one cell": shapely.Polygon(
        [(2, 2), (3, 2), (3, 3), (2, 3)], [[(2.2, 2.2), (2.8, 2.3), (2.5, 2.9)]]
    ),
    "clockwise": shapely.Polygon([(2, 2), (2, 9), (9, 9), (9, 2)]),
    "two parts": shapely.MultiPolygon([shapely.box(1, 1, 2.5, 2.5), shapely.box(30.2, 20.1, 33.3, 22.2)]),
    "thin and long": shapely.LineString([(1.3, 1.1), (38.2, 28.4)]).buffer(0.01),
    "over the edge": shapely.box(-3, -2, 4.5, 3.5),
    "a disc": shapely.Point(20, 15).buffer(9.7),
}


@pytest.mark.parametrize("name", AWKWARD)
def test_awkward_shapes(name):
    values = world(1)
    found, wanted = ours([AWKWARD[name]], values), theirs([AWKWARD[name]], values)
    assert np.isfinite(wanted).all()
    assert_allclose(found, wanted, atol=1e-9)


def test_all_cells_unknown_gives_nothing():
    values = world(1, unknown=1.1)
    assert np.isnan(ours([AWKWARD["a disc"]], values)).all()
    assert np.isnan(theirs([AWKWARD["a disc"]], values)).all()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10_000), st.floats(-2.5, 1.0))
def test_any_star_matches_exactextract(seed, size):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 11))
    radius = 10**size * rng.uniform(0.3, 1.0, 11)
    centre = rng.uniform(11, 19, 2)
    star = shapely.Polygon(centre + np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))
    if not star.is_valid or star.area < 1e-6:
        return
    values = world(seed)
    assert_allclose(ours([star], values), theirs([star], values), atol=1e-6, equal_nan=True)
    _, _, _, weight = cell_weights(np.array([star], object), np.zeros(1, np.int64))
    assert weight.sum() == pytest.approx(star.area, rel=1e-7)
    assert weight.max() <= 1 + 1e-9


def test_halves_of_a_large_polygon_make_the_whole(monkeypatch):
    disc = AWKWARD["a disc"]
    whole = cell_weights(np.array([disc], object), np.zeros(1, np.int64))
    monkeypatch.setattr(cell_shares, "_CELLS_AT_ONCE", 50)
    parts = cell_weights(np.array([disc], object), np.zeros(1, np.int64))

    def grid(found):
        area = np.zeros((HIGH, WIDE))
        np.add.at(area, (found[1], found[2]), found[3])
        return area

    assert len(parts[0]) >= len(whole[0])
    assert_allclose(grid(parts), grid(whole), atol=1e-9)
