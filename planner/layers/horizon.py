"""A horizon that somebody measured at the sensor: azimuth and elevation, as a table or as PVGIS has it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from planner.layers.rows import figure, plain, read_rows
from planner.ledger import DataError
from planner.site import Floats


def read_horizon(path: Path, where: str) -> tuple[Floats, Floats]:
    """A table of the horizon that the plan names.

    Parameters
    ----------
    path
        Two columns, azimuth first unless its headings say otherwise; or heights alone, from north clockwise in even
        steps, as PVGIS takes it. PVGIS's own output (`H_hor`) counts its azimuth from the south (from memory).
    where
        What it is called in messages.

    Returns
    -------
    azimuth_deg, elevation_deg
        (n,) each, clockwise from north, by rising azimuth.

    Raises
    ------
    DataError
        It cannot be read so.
    """
    rows = read_rows(path, where)
    if len(rows[0]) == 1 and len(rows[0][0].split()) == 2:  # parted by blanks
        rows = [row[0].split() for row in rows]
    head = next((row for row in rows if any(plain(cell) in ("h hor", "elevation", "height") for cell in row)), None)
    from_south = head is not None and any(plain(cell) == "h hor" for cell in head)
    numbers = [[figure(cell) for cell in row] for row in rows]
    pairs = [r for r in numbers if len(r) >= 2 and all(v is not None and np.isfinite(v) for v in r[:2])]
    swapped = head is not None and len(head) > 1 and plain(head[1]).startswith("azimuth")
    if len(pairs) >= 4 and len(pairs[0]) < 8:
        table = np.array([[float(v) for v in r[:2] if v is not None] for r in pairs])
        azimuth, elevation = (table[:, 1], table[:, 0]) if swapped else (table[:, 0], table[:, 1])
        azimuth = azimuth + (180.0 if from_south else 0.0)
    else:
        heights = np.array([v for r in numbers for v in r if v is not None and np.isfinite(v)])
        if len(heights) < 4:
            raise DataError(where, "it holds no horizon", "Give azimuth and elevation in degrees, a line each")
        azimuth, elevation = np.arange(len(heights)) * 360.0 / len(heights), heights
    if (elevation < -5).any() or (elevation > 90).any() or (np.abs(azimuth) > 400).any():
        raise DataError(
            where, "an elevation is under -5 or over 90 degrees, or an azimuth beyond 360", "Check its columns"
        )
    order = np.argsort(azimuth % 360.0, kind="stable")
    return np.asarray((azimuth % 360.0)[order], np.float64), np.asarray(
        np.maximum(elevation, 0.0)[order], np.float64
    )
