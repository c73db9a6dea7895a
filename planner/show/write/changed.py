"""A plan that was changed on screen, as files of its own: the plan's text with its comments, and a GeoPackage."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

import geopandas
import numpy as np
import shapely

from planner.changes import set_keys
from planner.show.lonlat import Floats, geometry, to_lonlat
from planner.show.write.formats import gpkg_bytes
from planner.site import FOOT_BELOW_M, Cover, Site, ground_under

# Keys of each section that say how the new layer is read; of the old ones only defaults stay.
READ_AS: dict[str, dict[str, Any]] = {
    "buildings": {
        "name": "name",
        "height": "height_m",
        "height_unit": "m",
        "base": "base_m",
        "roof": "roof",
        "mountable": "mountable",
    },
    "trees": {
        "name": "name",
        "height": "height_m",
        "height_unit": "m",
        "crown_width": "crown_width_m",
        "crown_base": "crown_base_m",
        "leaf": "leaf",
    },
    "controllers": {
        "name": "name",
        "indoors": "indoors",
        "height": "height_m",
        "height_unit": "m",
        "depth": "depth_m",
        "extra_loss": "extra_loss_db",
    },
    "poles": {"name": "name", "height": "height_m", "height_unit": "m"},
    "keep_outs": {"name": "name", "kind": "kind"},
    "grounds": {"name": "name", "kind": "kind"},
}
# of the five kinds of ground that cables know, a word that the plan reads as each
GROUND_WORDS = {
    Cover.SOFT: "lawn",
    Cover.PAVED: "paving",
    Cover.ROAD: "road",
    Cover.CONDUIT: "conduit",
    Cover.BARRED: "forbidden",
}


def changed_plan(
    text: str,
    keys: Mapping[str, Any],
    layers: Collection[str],
    package: str,
    head: str,
    brought: Mapping[str, Mapping[str, Any]] | None = None,
) -> str:
    """The text of a changed plan.

    Parameters
    ----------
    text
        Of the user's plan, of which comments and order stay.
    keys
        To set, dotted.
    layers
        Sections that are now read from the package.
    package
        The GeoPackage beside the plan.
    head
        A comment for its first line.
    brought
        Sections of layers that are replaced, and "zone", with their keys; done first.

    Returns
    -------
    str
        TOML.
    """
    import tomlkit

    document = tomlkit.parse(text)
    set_keys(document, keys)
    for name, values in (brought or {}).items():
        if name == "zone":
            document.setdefault("zone", tomlkit.table()).update(values)
        else:
            document["layers"][name] = tomlkit.table()
            document["layers"][name].update(values)
    for name in layers:
        section = document["layers"].setdefault(name, tomlkit.table())
        for key in [k for k in section if not k.startswith("default_")]:
            del section[key]
        for key, value in {"path": package, "layer": name, **READ_AS[name]}.items():
            section[key] = value
    return f"# {head}\n{tomlkit.dumps(document)}"


def changed_layers(site: Site, layers: Collection[str]) -> bytes:
    """A GeoPackage with the layers of a site as it stands, fit for :func:`changed_plan`.

    Parameters
    ----------
    site
        With all changes.
    layers
        Their names. Heights that no layer told stay empty, so that the plan's default is taken again.

    Returns
    -------
    bytes
        In longitude and latitude.
    """
    degrees = to_lonlat(site.crs)
    make = {
        "buildings": _buildings,
        "trees": _trees,
        "controllers": _controllers,
        "poles": _poles,
        "keep_outs": _keep_outs,
        "grounds": _grounds,
    }
    return gpkg_bytes({name: make[name](site, degrees) for name in make if name in layers})


def _frame(columns: Mapping[str, Any], shapes: list[Any]) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(dict(columns), geometry=shapes, crs="EPSG:4326")


def _buildings(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    solids = site.buildings
    mean, low = ground_under(site.terrain, np.array(solids.shapes, object))
    known = ~site.height_assumed if len(site.height_assumed) else np.ones(len(solids), bool)
    hangs = solids.base_m > low - FOOT_BELOW_M + 1e-6
    return _frame(
        {
            "name": solids.names,
            "height_m": np.where(known, solids.top_m - mean, np.nan),
            "base_m": np.where(hangs, solids.base_m - mean, np.nan),
            "roof": np.where(site.pitched, "pitched", "flat"),
            "mountable": np.where(site.mountable, "yes", "no"),
        },
        [geometry(shape, degrees) for shape in solids.shapes],
    )


def _trees(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    crowns, solids = site.crowns, site.crown_prisms
    ground = site.ground_at(crowns.centre[:, :2])
    middle, half = crowns.centre[:, 2] - ground, crowns.half_height_m
    mean, _ = ground_under(site.terrain, np.array(solids.shapes, object)) if len(solids) else (np.empty(0), None)
    evergreen = np.concatenate([crowns.evergreen, site.crown_evergreen])
    points = list(shapely.points(degrees(crowns.centre))) if len(crowns) else []
    return _frame(
        {
            "name": [*crowns.names, *solids.names],
            "height_m": np.concatenate([middle + half, solids.top_m - mean]),
            "crown_width_m": np.concatenate([2 * crowns.radius_m, np.full(len(solids), np.nan)]),
            "crown_base_m": np.concatenate([middle - half, solids.base_m - mean]),
            "leaf": np.where(evergreen, "evergreen", "deciduous"),
        },
        [*points, *(geometry(shape, degrees) for shape in solids.shapes)],
    )


def _controllers(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    places = site.controllers
    up = places.xyz[:, 2] - site.ground_at(places.xyz[:, :2])
    deep = places.depth_m > 0
    return _frame(
        {
            "name": places.names,
            "indoors": np.where(places.indoors, "yes", "no"),
            "height_m": np.where(deep, np.nan, up),
            "depth_m": np.where(deep, places.depth_m, np.nan),
            "extra_loss_db": places.extra_loss_db,
        },
        list(shapely.points(degrees(places.xyz))),
    )


def _poles(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    places = site.poles
    up = places.xyz[:, 2] - site.ground_at(places.xyz[:, :2])
    return _frame(
        {"name": places.names, "height_m": np.where(places.height_assumed, np.nan, up)},
        list(shapely.points(degrees(places.xyz))),
    )


def _keep_outs(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    found = site.keep_outs
    kinds = [kind.value for kind in found.kinds]
    return _frame({"name": found.names, "kind": kinds}, [geometry(shape, degrees) for shape in found.shapes])


def _grounds(site: Site, degrees: Callable[[Floats], Floats]) -> geopandas.GeoDataFrame:
    found = site.grounds
    kinds = [GROUND_WORDS[cover] for cover in found.covers]
    return _frame({"name": found.names, "kind": kinds}, [geometry(shape, degrees) for shape in found.shapes])
