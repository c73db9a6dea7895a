"""Horizon over rasters. Run: pytest tests/benchmarks/test_ground_benchmarks.py --benchmark-only -s

Random hills of every width (spectral synthesis): 4 million cells of 1 m to 1 km, and 4 million of 30 m to 30 km.
"""

import time

import numpy as np
import pytest
from plain_sun import raster_tangent

from planner.ground import ground_relief, relief_horizon, surface_relief
from planner.site import Heights

AZIMUTH = np.arange(360.0)


def hills(cells, cell_m, relief_m, seed):
    f = np.fft.fftfreq(cells)
    k = np.hypot(*np.meshgrid(f, f))
    k[0, 0] = 1.0
    noise = np.random.default_rng(seed).normal(size=(cells, cells))
    z = np.fft.ifft2(np.fft.fft2(noise) * k**-1.8).real
    half = cells * cell_m / 2
    return Heights((z - z.min()) / np.ptp(z) * relief_m, -half, half, cell_m)


@pytest.fixture(scope="module")
def near_and_far():
    near, far = hills(2000, 1.0, 60.0, 2), hills(2000, 30.0, 900.0, 3)
    middle = float(near.at(np.zeros(2)) - far.at(np.zeros(2)))
    return near, Heights(far.values + middle, far.left_m, far.top_m, far.cell_m)


def stand(heights, n, above_m=8.0):
    xy = np.random.default_rng(1).uniform(-300, 300, (n, 2))
    return np.column_stack([xy, heights.at(xy) + above_m])


def test_ground_to_30_km(benchmark, near_and_far):
    """360 azimuths a mount, one core, against the plain march of the far raster alone at half-cell steps."""
    near, far = near_and_far
    reliefs, mounts = [ground_relief(near), ground_relief(far)], stand(near, 50)
    relief_horizon(mounts[:1], reliefs, AZIMUTH, 30_000.0)  # compile
    benchmark.pedantic(relief_horizon, (mounts, reliefs, AZIMUTH, 30_000.0), rounds=5, iterations=1)
    ours = benchmark.stats.stats.min / len(mounts)
    alone = stand(far, 5)
    start = time.perf_counter()
    for mount in alone:
        raster_tangent(mount, far, AZIMUTH, 30_000.0, start_m=1.0, growth=0.0)
    plain = (time.perf_counter() - start) / len(alone)
    print(f"\nground near and far: {1000 * ours:.2f} ms a mount, {1 / ours:,.0f} mounts per second")
    print(f"ratio ground_vs_plain {plain / ours:.1f}")


def test_surface_model_to_300_m(benchmark):
    """A town in cells of 0.5 m: blocks of 10 to 40 m on flat ground, seen from just above their roofs."""
    rng = np.random.default_rng(4)
    values = np.zeros((1600, 1600))
    for _ in range(500):
        r, c = rng.integers(0, 1560, 2)
        h, w = rng.integers(20, 80, 2)
        values[r : r + h, c : c + w] = rng.uniform(4, 15)
    town = Heights(values, -400.0, 400.0, 0.5)
    xy = rng.uniform(-100, 100, (50, 2))
    mounts = np.column_stack([xy, town.cell_at(xy) + 0.6])
    looks = np.arange(0.0, 360.0, 0.5)
    relief = [surface_relief(town)]
    relief_horizon(mounts[:1], relief, looks, 300.0, start_m=0.75)
    benchmark.pedantic(lambda: relief_horizon(mounts, relief, looks, 300.0, start_m=0.75), rounds=5, iterations=1)
    ours = benchmark.stats.stats.min / len(mounts)
    start = time.perf_counter()
    for mount in mounts[:5]:
        raster_tangent(mount, town, looks, 300.0, start_m=0.75, growth=0.0, nearest=True)
    plain = (time.perf_counter() - start) / 5
    print(f"\nsurface model: {1000 * ours:.2f} ms a mount of 720 azimuths")
    print(f"ratio surface_vs_plain {plain / ours:.1f}")


def test_pyramid_of_four_million_cells(benchmark, near_and_far):
    relief = benchmark.pedantic(ground_relief, (near_and_far[1],), rounds=3, iterations=1)
    print(f"\npyramid: {benchmark.stats.stats.min:.2f} s, {relief.maxima.nbytes / 1e6:.0f} MB beside the raster")
