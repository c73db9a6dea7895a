"""Make planner/climate/merra2_clearness.tif: how much of the sun above the air reaches the ground, month by month.

    pip install gsee-climate-data==1.0.0      (27 MB; BSD-3-Clause, its data free of restrictions, see below)
    python data/make_builtin_sunlight.py

In: distributions of the day's mean radiation by month, 3 degrees, land and near land between 57 S and 72 N,
2011-2015, which that package made of NASA's MERRA-2. NASA's Earth science data are free to use and to pass on;
as work of the United States Government they are not under copyright there (17 U.S.C. 105). To cite: Gelaro et al.
2017.

Out: 12 bands of int16, the month's clearness (radiation at the ground over that above the air) in 0.0001. Cells are
centred on multiples of 3 degrees, north first, longitudes from -180. Clearness varies less from cell to cell than
radiation, and goes with a place's own sun. Months with next to no sun take the year's; cells of the open sea and of
the poles take the nearest known cell's.
"""

from __future__ import annotations

from pathlib import Path

import gsee_climate_data
import numpy as np
import rasterio
from scipy.spatial import cKDTree

from planner.climate.builtin import SUNLIGHT_ATTRIBUTION
from planner.climate.eto import monthly_extraterrestrial_radiation

OUT = Path(__file__).parents[1] / "planner" / "climate" / "merra2_clearness.tif"
STEP = 3.0
MJ_DAY_PER_W = 0.0864
LEAST_SUN_MJ_M2_DAY = 2.0  # with less above the air, the share that arrives is mostly rounding


def clearness() -> np.ndarray:
    """(61, 120, 12) of all cells, NaN where the package knows none."""
    with gsee_climate_data.load() as found:
        share = np.nan_to_num(found["pk"].astype(float))
        whole = share.sum(-1)
        watts = (found["xk"] * share).sum(-1) / np.where(whole > 0.5, whole, np.nan)
        lat, lon = found["lat"], found["lon"]
    if lat[0] != -57 or lat[-1] != 72 or lon[0] != -180 or np.diff(lat).min() != STEP or len(lon) != 120:
        raise SystemExit("the grid is not the one this script was written for")
    if not 300 < np.nanmax(watts) < 450:
        raise SystemExit(f"radiation up to {np.nanmax(watts):.0f} is not W/m2")
    above = monthly_extraterrestrial_radiation(lat).T[:, None, :]
    arrives = watts * MJ_DAY_PER_W
    year = arrives.sum(-1, keepdims=True) / above.sum(-1, keepdims=True)
    known = np.where(above > LEAST_SUN_MJ_M2_DAY, arrives / np.maximum(above, LEAST_SUN_MJ_M2_DAY), year)
    out = np.full((61, 120, 12), np.nan)
    out[np.round((90 - lat) / STEP).astype(int)] = known
    return out


def filled(cells: np.ndarray) -> np.ndarray:
    """Unknown cells by the nearest known one on the sphere."""
    lat, lon = np.meshgrid(90 - STEP * np.arange(61), -180 + STEP * np.arange(120), indexing="ij")
    a, b = np.radians(lat), np.radians(lon)
    place = np.stack([np.cos(a) * np.cos(b), np.cos(a) * np.sin(b), np.sin(a)], -1)
    known = np.isfinite(cells).all(-1)
    _, nearest = cKDTree(place[known]).query(place[~known])
    out = cells.copy()
    out[~known] = cells[known][nearest]
    return out


def main() -> None:
    cells = clearness()
    bands = np.round(np.moveaxis(filled(cells), -1, 0) * 1e4).astype(np.int16)
    profile = {
        "driver": "GTiff",
        "width": 120,
        "height": 61,
        "count": 12,
        "dtype": "int16",
        "crs": "EPSG:4326",
        "transform": rasterio.Affine(STEP, 0, -180 - STEP / 2, 0, -STEP, 90 + STEP / 2),
        "interleave": "pixel",
        "compress": "deflate",
        "predictor": 2,
        "zlevel": 9,
    }
    with rasterio.open(OUT, "w", **profile) as out:
        out.write(bands)
        out.scales = [1e-4] * 12
        for month in range(12):
            out.set_band_description(month + 1, f"clearness, month {month + 1}")
        out.update_tags(
            attribution=SUNLIGHT_ATTRIBUTION, period="2011-2015", made_by="data/make_builtin_sunlight.py"
        )
    known = np.isfinite(cells).all(-1).mean()
    print(f"{OUT.name}: {OUT.stat().st_size / 1e3:.0f} kB, {known:.0%} known, {bands.min()} to {bands.max()}")


if __name__ == "__main__":
    main()
