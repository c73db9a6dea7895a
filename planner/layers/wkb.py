"""Points to and from WKB (OGC 06-103r4, section 8) all at once; every other geometry through shapely."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import shapely

from planner.layers.frame import Shapes

_POINT = np.dtype([("order", "u1"), ("kind", "<u4"), ("x", "<f8"), ("y", "<f8")])  # 21 bytes


def shapes_of(wkb: Any) -> Shapes:
    """Shapes of (n,) WKB, an Arrow column or bytes; None for what is missing or cannot be read, as an open ring."""
    column = wkb if isinstance(wkb, pa.Array) else pa.array(wkb, pa.binary())
    found = _plain_points(column)
    if found is not None:
        return np.asarray(shapely.points(found["x"], found["y"]), object)
    return np.asarray(shapely.from_wkb(column.to_numpy(zero_copy_only=False), on_invalid="ignore"), object)


def _plain_points(column: Any) -> Any:
    """(n,) the column's bytes as points; None where any is something else, missing or empty."""
    if not len(column) or column.null_count or not pa.types.is_binary(column.type):
        return None
    _, offsets, data = column.buffers()
    starts = np.frombuffer(offsets, np.int32)[column.offset : column.offset + len(column) + 1]
    if (np.diff(starts) != _POINT.itemsize).any():
        return None
    found = np.frombuffer(data, _POINT, len(column), int(starts[0]))
    plain = (found["order"] == 1).all() and (found["kind"] == 1).all()
    return found if plain and np.isfinite(found["x"]).all() and np.isfinite(found["y"]).all() else None


def wkb_of(shapes: Shapes) -> Any:
    """An Arrow column of the shapes' WKB."""
    if len(shapes) and (shapely.get_type_id(shapes) == 0).all() and not shapely.is_empty(shapes).any():
        return points(shapely.get_coordinates(shapes))
    return pa.array(shapely.to_wkb(shapes), pa.binary())


def points(xy: Any) -> Any:
    """An Arrow column of the WKB of points (n, 2)."""
    rows = np.empty(len(xy), _POINT)
    rows["order"], rows["kind"], rows["x"], rows["y"] = 1, 1, xy[:, 0], xy[:, 1]
    offsets = np.arange(len(xy) + 1, dtype=np.int32) * _POINT.itemsize
    return pa.Array.from_buffers(pa.binary(), len(xy), [None, pa.py_buffer(offsets), pa.py_buffer(rows)])
