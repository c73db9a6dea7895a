"""An outline that was drawn, as GeoJSON that any GIS opens."""

from __future__ import annotations

import json

import shapely
from shapely.geometry.base import BaseGeometry


def outline_geojson(outline: BaseGeometry, name: str) -> str:
    """One polygon in longitude and latitude (RFC 7946), with its name."""
    geometry = json.loads(shapely.to_geojson(shapely.set_precision(outline, 1e-7)))
    feature = {"type": "Feature", "properties": {"name": name}, "geometry": geometry}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1, ensure_ascii=False) + "\n"
