"""Make planner/climate/gldas_less_era5.tif: how much warmer the air over land is in GLDAS than in ERA5.

    pip install pvcz==0.3.0      (10 MB; MIT)
    python data/make_builtin_difference.py

In: mean air temperature 2010-2018 at 0.25 degrees over land from 60 S, which that package made of the forcing of
NASA's GLDAS-2.1 (Noah, every 3 hours). NASA's Earth science data are free to use and to pass on; as work of the
United States Government they are not under copyright there (17 U.S.C. 105). To cite: Rodell et al. 2004. And the
built-in layer of ERA5 as it stands, whose year's mean is taken off.

Out: one band of int16, kelvin in 0.1, on the points of the ERA5 layer: the mean of the GLDAS cells that meet there,
less ERA5. Where none is known within 1 degree, as on the open sea, there is no difference. The package keeps its
columns in half precision, so the cells' places are taken from its mask, not from its coordinates.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pvcz
import rasterio
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from planner.climate.builtin import ATTRIBUTION, DIFFERENCE_ATTRIBUTION, builtin_normals

OUT = Path(__file__).parents[1] / "planner" / "climate" / "gldas_less_era5.tif"
STEP = 0.25
FILLED_CELLS = 4  # 1 degree, as far off land as the ERA5 layer is sharp
ROWS, COLS = 721, 1440


def gldas_c() -> NDArray[np.float64]:
    """(720, 1440) mean temperature, degrees C, cells from 90 N, 180 W; NaN where it is unknown, as at sea."""
    about, found = pvcz.get_pvcz_info(), pvcz.get_pvcz_data()
    lat, lon = about["lat_all"], about["lon_all"]
    if lat[0] != -59.875 or len(lat) != 600 or lon[0] != -179.875 or len(lon) != COLS:
        raise SystemExit("the grid is not the one this script was written for")
    known = found["T_ambient_mean"].to_numpy(np.float64)
    if not (-40 < known.min() < -10 and 30 < known.max() < 40):
        raise SystemExit(f"means from {known.min():.1f} to {known.max():.1f} are not degrees C")
    flat = np.full(600 * COLS, np.nan)
    flat[about["keepers"]] = known
    cells = np.full((720, COLS), np.nan)
    cells[:600] = flat.reshape(600, COLS)[::-1]
    return cells


def at_points(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """(721, 1440) mean of the known cells that meet at each of ERA5's points; NaN where none is."""
    framed = np.pad(cells, ((1, 1), (0, 0)), constant_values=np.nan)
    meet = np.stack([framed[up : up + ROWS] for up in (0, 1)])
    meet = np.concatenate([meet, np.roll(meet, 1, axis=2)])  # the cell of column 0 lies east of 180 W
    known = np.isfinite(meet).sum(0)
    return np.where(known > 0, np.nansum(meet, axis=0) / np.maximum(known, 1), np.nan)


def filled(difference: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unknown points by the nearest known one within FILLED_CELLS, round the earth too; else no difference."""
    wide = np.pad(difference, ((0, 0), (FILLED_CELLS, FILLED_CELLS)), mode="wrap")
    away, (row, col) = distance_transform_edt(~np.isfinite(wide), return_indices=True)
    near = np.where(away <= FILLED_CELLS, wide[row, col], 0.0)
    return near[:, FILLED_CELLS:-FILLED_CELLS]


def main() -> None:
    lat, lon = np.meshgrid(90 - STEP * np.arange(ROWS), -180 + STEP * np.arange(COLS), indexing="ij")
    era5 = builtin_normals(lon.ravel(), lat.ravel())[0].mean(axis=1).reshape(ROWS, COLS)
    difference = at_points(gldas_c()) - era5
    band = np.round(filled(difference) * 10).astype(np.int16)
    profile = {
        "driver": "GTiff",
        "width": COLS,
        "height": ROWS,
        "count": 1,
        "dtype": "int16",
        "crs": "EPSG:4326",
        "transform": rasterio.Affine(STEP, 0, -180 - STEP / 2, 0, -STEP, 90 + STEP / 2),
        "compress": "deflate",
        "predictor": 2,
        "zlevel": 9,
    }
    with rasterio.open(OUT, "w", **profile) as out:
        out.write(band, 1)
        out.scales = [0.1]
        out.units = ["kelvin"]
        out.set_band_description(1, "year's mean air temperature, GLDAS less ERA5")
        out.update_tags(
            attribution=f"{ATTRIBUTION} {DIFFERENCE_ATTRIBUTION}",
            period="2010-2018, ERA5 2000-2025",
            made_by="data/make_builtin_difference.py",
        )
    known = difference[np.isfinite(difference)]
    print(
        f"{OUT.name}: {OUT.stat().st_size / 1e3:.0f} kB, {len(known) / difference.size:.0%} known, "
        f"{known.min():.1f} to {known.max():.1f} K, {(np.abs(known) > 2).mean():.1%} of them beyond 2 K"
    )


if __name__ == "__main__":
    main()
