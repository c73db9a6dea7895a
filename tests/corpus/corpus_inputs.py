"""Layers, rasters, tables and command lines with one thing spoiled each, and what is then said."""

# fmt: off
from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from pathlib import Path

import corpus_scene as scene
import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from corpus_cases import (
    DATA,
    DONE,
    NONE,
    OK,
    PLAN,
    Case,
    Spoil,
    a_folder,
    cells,
    column,
    cut,
    flipped,
    gone,
    holds,
    layer,
    lines,
    moved,
    same,
    shapes,
    text,
    void,
)  # fmt: skip

VECTORS = ("site", "buildings", "trees", "controllers", "poles", "keep_outs", "grounds", "sites")
POLYGONS, POINTS = ("site", "buildings"), ("controllers", "poles")


def key_of(name: str) -> str:
    return "contract.sites" if name == "sites" else f"layers.{name}"


def plan_of(name: str, /, **more: object) -> dict[str, object]:
    """A plan with this layer in it, and what it needs; more: keys of its section, `__` for a dot elsewhere."""
    plan = dict(scene.CONTRACT if name == "sites" else scene.SITE)
    if name in scene.HEIGHTS:
        plan[f"layers.{name}.path"] = f"{name}.tif"
    return plan | {k.replace("__", ".") if "__" in k else f"{key_of(name)}.{k}": v for k, v in more.items()}


def read(name: str, what: str, codes: tuple[int, ...], says: str, /, files: Mapping[str, Spoil] | Spoil | None = None,
         unsaid: str = "", command: str = "check", **more: object) -> Case:  # fmt: skip
    """A case of one layer that is only read; files: of that layer, where it is one."""
    ending = "tif" if name in (*scene.HEIGHTS, *scene.WEATHER) else "gpkg"
    spoilt = {f"{name}.{ending}": files} if callable(files) else files or {}
    return Case(key_of(name), what, plan_of(name, **more), codes, says, unsaid, spoilt, command)


# --- vector layers -----------------------------------------------------------------------------------------------

WKT_LOCAL = 'LOCAL_CS["yard",UNIT["metre",1]]'


def as_format(name: str, ending: str, **how: object) -> dict[str, Spoil]:
    """The layer in another format, and none in its own."""

    def spoil(path: Path, _: bytes) -> None:
        table = scene.layers()[name]
        if ending == "parquet":
            table.to_parquet(path)
        else:
            table.to_crs(4326 if ending in ("geojson", "kml") else table.crs).to_file(path, engine="pyogrio", **how)

    return {f"{name}.{ending}": spoil, f"{name}.gpkg": gone}


def two_layers(name: str) -> Spoil:
    def spoil(path: Path, _: bytes) -> None:
        table = scene.layers()[name]
        table.to_file(path, layer="one", engine="pyogrio")
        table.to_file(path, layer="two", engine="pyogrio")

    return spoil


def swapped(shape: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(shape, lambda xy: xy[:, ::-1])


def vectors() -> Iterator[Case]:
    for name in VECTORS:
        one = name == "site"
        yield read(name, "no file", PLAN, "there is no file", gone)
        yield read(name, "an empty file", DATA, "cannot be read as a vector layer", holds(b""))
        yield read(name, "no layer but a letter", DATA, "cannot be read as a vector layer", holds("Dear all,\n"))
        yield read(name, "a folder in its place", (3, 4), "cannot be read|not a file|no layer", a_folder)
        yield read(name, "the first half of a file", DATA, "cannot be read", cut(0.5))
        yield read(name, "the first kilobyte of a file", DATA, "cannot be read", cut(0.01))
        yield read(name, "a bit in 5000 bytes turned", (0, 3, 4), "", flipped(5000))
        yield read(name, "no features", DATA, "there are no features in it", layer(name, lambda t: t.iloc[:0]))
        yield read(name, "no CRS", DATA, "does not say which coordinate reference system",
                   layer(name, lambda t: t.set_crs(None, allow_override=True)))  # fmt: skip
        yield read(name, "no CRS, degrees", DATA, "look like degrees",
                   layer(name, lambda t: t.to_crs(4326).set_crs(None, allow_override=True)))  # fmt: skip
        yield read(name, "no CRS, and the plan's", OK, "", layer(name, lambda t: t.set_crs(None, allow_override=True)),
                   crs=scene.UTM)  # fmt: skip
        yield read(name, "a drawing's axes", DATA, "coordinate reference system|not say",
                   layer(name, lambda t: t.set_crs(WKT_LOCAL, allow_override=True)))  # fmt: skip
        yield read(name, "a CRS that is none", PLAN, r"is not a CRS that PROJ knows", crs="EPSG:999999")
        yield read(name, "a CRS of the moon", (3, 4), r"CRS|outside|not lie|km away", crs="IAU_2015:30100")
        yield read(name, "an earth-centred CRS", PLAN, r"no place on the earth's map", crs="EPSG:4978")
        yield read(name, "a CRS of heights", PLAN, r"no place|not a CRS", crs="EPSG:5703")
        yield read(name, "another zone in the plan", (0, 4), "the plan's is used", crs="EPSG:32612")
        yield read(name, "no geometry in any", DATA, "geometry|drawn", shapes(name, lambda _: None))
        yield read(name, "no geometry in one", DATA if one or name == "poles" else OK, "geometry",
                   shapes(name, lambda _: None, every=False))  # fmt: skip
        yield read(name, "degrees in the wrong order", OK, "wrong order",
                   layer(name, lambda t: t.to_crs(4326).set_geometry(
                       [swapped(s) for s in t.to_crs(4326).geometry], crs=4326)))  # fmt: skip
        yield read(name, "feet of a state plane", OK, "", layer(name, lambda t: t.to_crs(2229)))
        yield read(name, "feet that are said to be metres", DATA, "outside the area|km away|lies|no value",
                   layer(name, lambda t: t.to_crs(2229).set_crs(scene.UTM, allow_override=True)))  # fmt: skip
        if name != "sites":
            yield read(name, "the other side of the earth", DATA, "km away|cover|too far to belong",
                       shapes(name, moved(0, -3_000_000)))  # fmt: skip
        yield read(name, "coordinates without end", DATA if one or name == "poles" else OK, "finite|off the earth|geometry",
                   shapes(name, lambda s: shapely.transform(s, lambda xy: xy * np.inf), every=False))  # fmt: skip
        yield read(name, "coordinates of 1e300", DATA if one or name == "poles" else OK, "off the earth|geometry|finite|lie outside",
                   shapes(name, lambda s: shapely.transform(s, lambda xy: xy * 1e295), every=False))  # fmt: skip
        yield read(name, "a third coordinate", OK, "third coordinate",
                   shapes(name, lambda s: shapely.force_3d(s, 7.0)))  # fmt: skip
        yield read(name, "collections", OK, "", shapes(name, lambda s: shapely.GeometryCollection([s])))
        yield read(name, "all of it twice", OK, "",
                   layer(name, lambda t: gpd.GeoDataFrame(pd.concat([t, t]), crs=t.crs)))  # fmt: skip
        yield read(name, "no such layer", PLAN, "has no layer 'roofs'", layer="roofs")
        yield read(name, "two layers, none named", PLAN, "has 2 layers", two_layers(name))
        yield read(name, "two layers, one named", OK, "", two_layers(name), layer="two")
        yield read(name, "an attribute misspelled", PLAN, "has no attribute 'nam'.*did you mean 'name'", name="nam")
        yield read(name, "names that steer a terminal", OK, "", column(name, "name", ["a\x1b[2J\x07", "b\nerror: c"]), name="name")
        yield read(name, "names of 60,000 letters", OK, "", column(name, "name", "x" * 60_000), name="name")
        yield read(name, "names that are numbers or nothing", OK, "", column(name, "name", [None, math.nan]), name="name")
        yield read(name, "GeoJSON", OK, "", as_format(name, "geojson"), path=f"{name}.geojson")
        yield read(name, "a shapefile", OK, "", as_format(name, "shp"), path=f"{name}.shp")
        yield read(name, "FlatGeobuf", OK, "", as_format(name, "fgb"), path=f"{name}.fgb")
        yield read(name, "GeoParquet", OK, "", as_format(name, "parquet"), path=f"{name}.parquet")
        yield read(name, "half a GeoParquet", DATA, "cannot be read", 
                   {f"{name}.parquet": lambda path, _, name=name: void((scene.layers()[name].to_parquet(path), path.write_bytes(path.read_bytes()[:900])))},
                   path=f"{name}.parquet")  # fmt: skip
        yield read(name, "GeoJSON cut", DATA, "cannot be read",
                   {f"{name}.geojson": holds('{"type": "FeatureCollection", "features": [{"type": "Fea')},
                   path=f"{name}.geojson")  # fmt: skip
        yield read(name, "a table without geometry", DATA, "without geometry",
                   {f"{name}.csv": holds("name,h,wide,inside,kind,elev\na,1,1,no,spray,1\n")}, path=f"{name}.csv")  # fmt: skip
        yield read(name, "a path with a variable that has no value", PLAN, "needs a value for NO_SUCH_FOLDER",
                   path="${NO_SUCH_FOLDER}/a.gpkg")  # fmt: skip
        yield read(name, "a path of 5000 letters", PLAN, "can be no file's path", path="x" * 5000)
        yield read(name, "a path with a null", PLAN, "can be no file's path", path="a\0b.gpkg")
    for name in POLYGONS:
        yield read(name, "points", DATA, "polygons are needed here", shapes(name, lambda s: s.centroid))
        yield read(name, "closed lines", OK, "closed lines taken", shapes(name, lambda s: shapely.LineString(s.exterior.coords)))
        yield read(name, "open lines", DATA, "polygons are needed", shapes(name, lambda s: shapely.LineString(s.exterior.coords[:3])))
        yield read(name, "a bow tie", OK, "crosses itself", shapes(name, bow_tie))
        yield read(name, "no area", DATA, "no area|usable|sliver|small", shapes(name, lambda s: shapely.Polygon([*s.exterior.coords[:2], s.exterior.coords[0]])))
        yield read(name, "a millimetre wide", DATA, "no area|usable|sliver|small|narrow", shapes(name, lambda s: shapely.box(s.bounds[0], s.bounds[1], s.bounds[0] + 0.001, s.bounds[1] + 1)))
        yield read(name, "20,000 vertices", OK, "", shapes(name, lambda s: s.centroid.buffer(12, quad_segs=5000)))
        yield read(name, "a hole", OK, "", shapes(name, lambda s: s.difference(s.centroid.buffer(1))))
        yield read(name, "two parts", OK if name == "buildings" else (0, 4), "", shapes(name, lambda s: s.union(shapely.affinity.translate(s, 0, 60))))
    for name in POINTS:
        yield read(name, "polygons for points", OK, "a point inside each", shapes(name, lambda s: s.buffer(1)))
        yield read(name, "lines for points", DATA, "points are needed", shapes(name, lambda s: shapely.LineString([s, shapely.Point(s.x + 1, s.y)])))
        yield read(name, "multi-points", OK, "", shapes(name, lambda s: shapely.MultiPoint([s, shapely.Point(s.x + 1, s.y)])))
    yield read("trees", "lines for trees", DATA, "points or polygons are needed", shapes("trees", lambda s: shapely.LineString([s, shapely.Point(s.x + 1, s.y)])))
    yield read("trees", "crowns of 5,000 vertices", OK, "", shapes("trees", lambda s: s.buffer(3, quad_segs=1250)))
    yield read("site", "60 km wide", DATA, "One site may be 20 km wide", shapes("site", lambda s: s.centroid.buffer(30_000)))
    yield read("site", "a site of several, none picked", PLAN, "pick", layer("site", lambda t: gpd.GeoDataFrame(pd.concat([t, t.assign(name="Other").set_geometry(t.translate(500, 0))]), crs=t.crs)))
    yield read("site", "a site picked that is not there", PLAN, "Yrd", layer("site", lambda t: gpd.GeoDataFrame(pd.concat([t, t.assign(name="Other").set_geometry(t.translate(500, 0))]), crs=t.crs)), pick="Yrd")
    yield read("site", "over the pole", DATA, "", layer("site", lambda t: gpd.GeoDataFrame({"name": ["P"]}, geometry=[shapely.box(-180, 88, 180, 90)], crs=4326)))


def bow_tie(shape: shapely.Geometry) -> shapely.Geometry:
    a, b, c, d = list(shape.exterior.coords)[:4]
    return shapely.Polygon([a, c, b, d])


# --- what the attributes say -------------------------------------------------------------------------------------


def attributes() -> Iterator[Case]:
    for name, key in (("buildings", "h"), ("trees", "h"), ("trees", "wide"), ("poles", "h")):
        for value, says in ((None, "no height|no crown|taken|default"), (math.nan, "taken|default"), (-3.0, "treated as missing"),
                            (0.0, "treated as missing|taken"), (1e9, "treated as missing"), (math.inf, "treated as missing|taken"),
                            ("tall", "treated as missing"), ("~8", "approximate"), ("6-8 m", "range"),
                            ("24 ft", "")):  # fmt: skip
            yield read(name, f"{key} {value}", DONE, says, column(name, key, value), command="site")
    for value, codes, says in ((-2.0, DONE, "missing|standing on the ground"), (50.0, DONE, "not below the height"),
                               ("x", DONE, "missing|standing|number")):  # fmt: skip
        yield read("buildings", f"base {value}", codes, says, column("buildings", "base", value), command="site", base="base")
    yield read("buildings", "roofs of thatch", DATA, "thatch", column("buildings", "roof", "thatch"), command="site", roof="roof")
    yield read("buildings", "mountable perhaps", DONE, "perhaps", column("buildings", "may", "perhaps"), command="site", mountable="may")
    yield read("buildings", "mountable nowhere", DONE, "", column("buildings", "may", "no"), command="site", mountable="may")
    yield read("buildings", "heights that are roofs' elevations", DONE, "", column("buildings", "h", 100.0), command="site")
    yield read("buildings", "tops under the ground", DONE, "not above the ground", column("buildings", "top", 20.0),
               command="site", height=None, top="top", ground="ground")  # fmt: skip
    yield read("buildings", "a top without a ground", DATA, "nothing says how high the ground is", height=None, top="top", layers__terrain__path=None)
    yield read("buildings", "roofs as high as all", DONE, "not subtracted", roof_height="h", command="site")
    yield read("buildings", "a column of feet, said to be metres", PLAN, "", layer("buildings", lambda t: t.rename(columns={"h": "height_ft"})), height="height_ft", height_unit="m")
    yield read("buildings", "stories of half a metre", DONE, "", column("buildings", "h", 0.1), height_unit="storeys", command="site")
    yield read("buildings", "a hall over all of the site", DONE, "", shapes("buildings", lambda s: s.buffer(200)), command="site")
    yield read("buildings", "one on another", DONE, "", shapes("buildings", lambda s: s), command="site", base="base")
    yield read("trees", "leaves of plastic", DATA, "plastic", column("trees", "leaf", "plastic"), command="site", leaf="leaf")
    yield read("trees", "crowns under the ground", DONE, "missing|crown", column("trees", "base", -4.0), command="site", crown_base="base")
    yield read("trees", "crowns above their tops", DONE, "crown|base|underside", column("trees", "base", 40.0), command="site", crown_base="base")
    yield read("controllers", "indoors perhaps", DONE, "perhaps", column("controllers", "inside", "perhaps"), command="site")
    yield read("controllers", "names alike", DONE, "", column("controllers", "name", "A"), command="site")
    for key, value, says in (("height", -5.0, ""), ("height", 1e5, ""), ("depth", 1e4, ""), ("depth", -3.0, ""),
                             ("storey", 99, ""), ("storey", 2.5, ""), ("storey", "attic", ""), ("extra_loss", -6.0, ""),
                             ("extra_loss", 1e9, ""), ("extra_loss", "much", "")):  # fmt: skip
        spoilt = {"height": "h", "extra_loss": "loss"}.get(key, key)
        yield read("controllers", f"{key} {value}", (0, 5, 4), says, column("controllers", spoilt, value), command="site", **{key: spoilt})
    for name in ("keep_outs", "grounds"):
        for value in ("lava", "", None, 5):
            yield read(name, f"kind {value!r}", (0, 4, 5), "kind|lava|5", column(name, "kind", value), command="site")
        yield read(name, "lines", DONE, "", shapes(name, lambda s: shapely.LineString(s.exterior.coords)), command="site")
        yield read(name, "points", DONE, "", shapes(name, lambda s: s.centroid), command="site")
        yield read(name, "no column of kinds", PLAN, "has no attribute", kind="sort")
    yield read("keep_outs", "no access anywhere", NONE, "", lambda path, _: void(scene.layers()["site"].assign(kind="no_access").to_file(path, layer="keep_outs", engine="pyogrio")), command="site")
    for value in (None, math.nan, -2000.0, 1e9, "high", math.inf):
        yield read("sites", f"elevation {value}", OK, "", column("sites", "elev", value), command="contract")
    yield read("sites", "one nowhere near the climate", OK, "", shapes("sites", moved(0, -9_000_000), every=False), command="contract")
    yield read("sites", "a polygon of the whole earth", (0, 4), "", layer("sites", lambda t: gpd.GeoDataFrame({"name": ["E"], "elev": [0.0]}, geometry=[shapely.box(-180, -90, 180, 90)], crs=4326)), command="contract")
    yield read("sites", "across the date line", OK, "", layer("sites", lambda t: gpd.GeoDataFrame({"name": ["D"], "elev": [0.0]}, geometry=[shapely.box(179.9, -17, 180.1, -16.9)], crs=4326)), command="contract")
    yield read("sites", "points of a CSV", OK, "", {"sites.csv": holds("name,elev,lon,lat\na,90,-119.36,35.27\nb,90,x,35.27\n")},
               command="contract", path="sites.csv", x="lon", y="lat", crs="EPSG:4326")  # fmt: skip
    yield read("sites", "a CSV with x alone", PLAN, "only one of x and y", {"sites.csv": holds("name,elev,lon,lat\na,90,-119.36,35.27\n")},
               command="contract", path="sites.csv", x="lon", crs="EPSG:4326")  # fmt: skip


# --- rasters of heights ------------------------------------------------------------------------------------------


def rasters() -> Iterator[Case]:
    for name in scene.HEIGHTS:
        def with_cells(change, values=lambda name=name: scene.heights(name), **how):
            return cells(scene.write_heights, values, change, **how)

        def all_of(value):
            def change(v):
                v[:] = value

            return change

        def some_of(value):
            def change(v):
                v[20:31, 20:40] = value

            return change

        high = name != "canopy"
        yield read(name, "no file", PLAN, "there is no file", gone)
        yield read(name, "an empty file", DATA, "cannot be read", holds(b""))
        yield read(name, "no raster but a letter", DATA, "cannot be read", holds("Dear all,\n"))
        yield read(name, "a folder", (3, 4), "", a_folder)
        yield read(name, "half of it", (0, 4), "", cut(0.5))
        yield read(name, "its first 100 bytes", DATA, "cannot be read", cut(0.005))
        yield read(name, "no CRS", DATA, "does not say which", with_cells(same, crs=None))
        yield read(name, "no georeference", DATA, "", with_cells(same, transform=rasterio.Affine.identity()))
        yield read(name, "all unknown", DATA, "no known value", with_cells(all_of(-9999.0)))
        yield read(name, "all nan", DATA, "no known value", with_cells(all_of(np.nan)))
        yield read(name, "all without end", DATA, "no known value|cannot be", with_cells(all_of(np.inf)))
        yield read(name, "all 1e30", DATA, "", with_cells(all_of(1e30)))
        yield read(name, "some 1e30", (0, 4), "", with_cells(some_of(1e30)))
        yield read(name, "some -32768, undeclared", (0, 4), "", with_cells(some_of(-32768.0)))
        yield read(name, "some unknown", OK, "no known height" if high else "", with_cells(some_of(-9999.0)))
        yield read(name, "somewhere else", DATA, "does not cover the site", with_cells(same, transform=rasterio.transform.from_origin(500_000, 1_000_000, 10, 10)))
        yield read(name, "two bands", (0, 4), "", with_cells(lambda v: np.stack([v, v])))
        yield read(name, "whole numbers", OK, "", with_cells(lambda v: v.astype(np.int16), dtype="int16"))
        yield read(name, "complex numbers", DATA, "complex", with_cells(lambda v: v.astype(np.complex64), dtype="complex64", nodata=None))
        yield read(name, "bytes with a nodata of 0", (0, 4), "", with_cells(lambda v: v.astype(np.uint8), dtype="uint8", nodata=0))
        yield read(name, "turned by 30 degrees", (0, 4), "", with_cells(same, transform=rasterio.Affine.translation(scene.EAST - 250, scene.NORTH + 350) @ rasterio.Affine.rotation(30) @ rasterio.Affine.scale(10, -10)))
        yield read(name, "cells of no width", DATA, "no georeference", with_cells(same, transform=rasterio.Affine(0, 0, scene.EAST, 0, 0, scene.NORTH)))
        yield read(name, "one cell", (0, 4), "", with_cells(lambda v: v[:1, :1], transform=rasterio.transform.from_origin(scene.EAST - 500, scene.NORTH + 600, 1200, 1200)))
        yield read(name, "upside down", (0, 4), "", with_cells(same, transform=rasterio.Affine(10, 0, scene.EAST - 250, 0, 10, scene.NORTH - 250)))
        yield read(name, "feet", OK, "", with_cells(lambda v: v / np.float32(0.3048)), height_unit="ft")
        yield read(name, "a CRS that is none", PLAN, "is not a CRS", crs="EPSG:999999")
        yield read(name, "a VRT of a file elsewhere", (3, 4), "", {f"{name}.vrt": holds(VRT)}, path=f"{name}.vrt")
    yield Case("layers.surface", "70 m under the terrain", plan_of("surface", use="obstacles"), DATA, "terrain|below|under",
               files={"surface.tif": cells(scene.write_heights, lambda: scene.heights("surface"), lambda v: v - 70)}, command="check")  # fmt: skip
    yield Case("layers.surface", "obstacles without a terrain", plan_of("surface", use="obstacles") | {"layers.terrain.path": None}, DATA, "needs the height of the ground", command="check")
    yield Case("layers.surface", "obstacles", plan_of("surface", use="obstacles"), DONE, "")
    yield Case("layers.canopy", "trees of 400 m", plan_of("canopy"), (0, 4, 5), "canopy", files={"canopy.tif": cells(scene.write_heights, lambda: scene.heights("canopy"), lambda v: v * 70)})
    yield Case("layers.canopy", "trees of -5 m", plan_of("canopy"), (0, 4, 5), "", files={"canopy.tif": cells(scene.write_heights, lambda: scene.heights("canopy"), lambda v: v - 5)})


VRT = """<VRTDataset rasterXSize="60" rasterYSize="60"><SRS>EPSG:32611</SRS>
<GeoTransform>284950, 10, 0, 3905550, 0, -10</GeoTransform><VRTRasterBand dataType="Float32" band="1">
<SimpleSource><SourceFilename relativeToVRT="0">/etc/hostname</SourceFilename><SourceBand>1</SourceBand>
</SimpleSource></VRTRasterBand></VRTDataset>
"""


# --- climate layers ----------------------------------------------------------------------------------------------

PAIRS = {"tmin": ("tmax",), "tmax": ("tmin",)}


def climate_plan(name: str, **more: object) -> dict[str, object]:
    """A site's plan with this layer, and with temperatures beside it unless it is ETo."""
    plan: dict[str, object] = {"layers.site.path": "site.gpkg"}
    for one in dict.fromkeys([name, *(() if name == "eto" else ("tmin", "tmax"))]):
        plan |= {f"climate.{one}.path": f"{one}.tif", f"climate.{one}.unit": scene.WEATHER[one][0]}
    return plan | {f"climate.{name}.{k}": v for k, v in more.items()}


def climates() -> Iterator[Case]:
    for name in scene.WEATHER:
        def with_cells(change, name=name, **how):
            return {f"{name}.tif": cells(scene.write_monthly, lambda: scene.monthly(name), change, **how)}

        def put(value, where=np.s_[:]):
            def change(v):
                v[where] = value

            return change

        def case(what, codes, says, files=None, command="check", name=name, **more):
            return Case(f"climate.{name}", what, climate_plan(name, **more), codes, says, "", files or {}, command)

        yield case("as it is", OK, "")
        yield case("no file", PLAN, "there is no file|no file", {f"{name}.tif": gone})
        yield case("no raster", DATA, "cannot be read", {f"{name}.tif": holds("hello")})
        yield case("eleven bands", DATA, "11 bands", with_cells(lambda v: v[:11]))
        yield case("one band", DATA, "1 band", with_cells(lambda v: v[:1]))
        yield case("no CRS", DATA, "does not say which", with_cells(same, crs=None))
        yield case("all unknown", DATA, "no value at the site", with_cells(put(-9999.0)))
        yield case("somewhere else", DATA, "no value at the site", with_cells(same, transform=rasterio.transform.from_origin(500_000, 1_000_000, 5000, 5000)))
        yield case("a unit of another thing", PLAN, "is not a unit of", unit="furlong")
        yield case("no unit", PLAN, "states no unit", unit=None)
        yield case("all 1e20", DATA, "", with_cells(put(1e20)))
        yield case("-9999, undeclared", DATA, "", with_cells(put(-9999.0), nodata=None))
        yield case("one month unknown", (0, 4), "", with_cells(put(-9999.0, np.s_[5])))
        yield case("one month 1e20", DATA, "", with_cells(put(1e20, np.s_[5])))
        yield case("cells of no width", DATA, "no georeference", with_cells(same, transform=rasterio.Affine(0, 0, scene.EAST, 0, 0, scene.NORTH)))
        yield case("half the file", (0, 4), "", {f"{name}.tif": cut(0.5)})
        if name != "eto":
            yield case("as it is, to an ETo layer", OK, "12 bands", command="climate")
            yield case("one cell 1e20, to an ETo layer", (0, 4), "", with_cells(put(1e20, np.s_[5, 2, 2])), command="climate")
            yield case("one cell -9999, undeclared, to an ETo layer", (0, 4), "", with_cells(put(-9999.0, np.s_[5, 2, 2]), nodata=None), command="climate")
            yield case("another grid, to an ETo layer", (0, 4), "", with_cells(lambda v: v[:, :3, :3]), command="climate")
    yield Case("climate.tmin", "warmer than the maximum", climate_plan("tmin"), DATA, "", files={"tmin.tif": cells(scene.write_monthly, lambda: scene.monthly("tmin"), lambda v: v + 40)}, command="check")
    yield Case("climate.elevation", "as it is", climate_plan("tmin") | {"climate.elevation.path": "elevation.tif"}, OK, "", command="check")
    for value in (1e30, -32768.0, np.nan):
        yield Case("climate.elevation", f"all {value}", climate_plan("tmin") | {"climate.elevation.path": "elevation.tif"}, (0, 4), "",
                   files={"elevation.tif": lambda path, _, value=value: scene.raster(path, np.full((6, 6), value, np.float32), 5000.0, -10_000.0, 20_000.0)}, command="check")  # fmt: skip
    yield Case("climate", "nothing to make a layer of", {"layers.site.path": "site.gpkg"}, PLAN, "tmin|weather", command="climate")
    yield Case("climate", "months in files that are not there", climate_plan("tmin", path="t{mm}.tif"), PLAN, "t01|no file|file", command="check")


# --- tables ------------------------------------------------------------------------------------------------------


def zone_tables() -> Iterator[Case]:
    plan = {"layers.site.path": "site.gpkg", "zone.table": "zones.csv"}
    for what, content, codes, says in (
        ("no file", None, PLAN, "there is no"),
        ("an empty file", "", DATA, "no rows"),
        ("a heading alone", "label,low,high\n", DATA, "no rows"),
        ("cut after a comma", "label,low,high\nA,,4\nB,4", DATA, "line 3.*is the file cut"),
        ("cut within a number's line", "label,low,high\nA,,", DATA, ""),
        ("an unclosed quote", 'label,low,high\n"A,,4\nB,4,\n', DATA, "quote"),
        ("a heading twice", "label,low,low,high\nA,,3,4\n", DATA, "is there twice"),
        ("an unknown heading", "label,low,top\nA,,4\n", DATA, "'top' is not known"),
        ("no heading of low ends", "label,high\nA,4\n", DATA, "'low' is missing"),
        ("decimal commas", "label,low,high\nA,,4,5\nB,4,5,6\n", DATA, "decimal point"),
        ("decimal commas, semicolons", "label;low;high\nA;;4,5\nB;4,5;\n", (0, 4), ""),
        ("nan as a bound", "label,low,high\nA,nan,4\nB,4,nan\n", DATA, "nan"),
        ("inf as a bound", "label,low,high\nA,,4\nB,4,inf\n", DATA, "inf"),
        ("words as bounds", "label,low,high\nA,low,4\nB,4,\n", DATA, "low"),
        ("upside down", "label,low,high\nA,6,4\nB,4,\n", DATA, ""),
        ("overlapping", "label,low,high\nA,,5\nB,4,\n", DATA, ""),
        ("with a gap", "label,low,high\nA,,4\nB,5,\n", (0, 4), ""),
        ("a label twice", "label,low,high\nA,,4\nA,4,\n", DATA, "A"),
        ("no label", "label,low,high\n,,4\nB,4,\n", DATA, "label|name"),
        ("one zone without ends", "label,low,high\nA,,\n", (0, 4), ""),
        ("negative", "label,low,high\nA,-9,-5\nB,-5,-1\n", (0, 4), ""),
        ("huge", "label,low,high\nA,,1e308\nB,1e308,\n", (0, 4), ""),
        ("other unit by its size", "label,low,high\nA,,120\nB,120,200\nC,200,\n", (0, 4), ""),
        ("one hot zone", "label,low,high,t_low_c,t_high_c\nA,,4,99,100\nB,4,,100,\n", (0, 4), ""),
        ("its cells swapped", "label,low,high,t_low_c,t_high_c\nA,,4,30,10\nB,4,,5,2\n", DATA, ""),
        ("a peak outside its band", "label,low,high,peak\nA,,4,9\nB,4,,1\n", DATA, "peak"),
        ("Latin-1", "label,low,high\nZürich,,4\nB,4,\n".encode("latin-1"), DATA, "UTF-8"),
        ("UTF-16", "label,low,high\nA,,4\nB,4,\n".encode("utf-16"), DATA, ""),
        ("bytes", bytes(range(256)), DATA, ""),
        ("nulls", b"label,low,high\n\0,\0,4\nB,4,\n", DATA, ""),
        ("500 zones", "label,low,high\n" + "".join(f"Z{k},{k / 50},{(k + 1) / 50}\n" for k in range(500)), OK, ""),
        ("a label that steers a spreadsheet", "label,low,high\n=1+1,,4\nB,4,\n", OK, ""),
        ("its columns in another order", "high,label,low\n4,A,\n,B,4\n", OK, ""),
        ("tabs, a byte-order mark, blank lines", "\ufefflabel\tlow\thigh\n\nA\t\t4\n\nB\t4\t\n", OK, ""),
    ):  # fmt: skip
        spoil = gone if content is None else holds(content)
        yield Case("zone.table", what, plan, codes, says, files={"zones.csv": spoil}, command="check")
    yield Case("zone.table", "in inches a day, and read as mm", plan | {"zone.unit": "mm/day"}, (0, 4), "",
               files={"zones.csv": holds("label,low,high\nA,,0.15\nB,0.15,0.25\nC,0.25,\n")}, command="check")  # fmt: skip


def dailies() -> Iterator[Case]:
    plan = {"layers.site.path": "site.gpkg", "climate.eto.path": "eto.tif", "climate.eto.unit": "mm/day",
            "climate.daily.path": "daily.csv"}  # fmt: skip
    for what, spoil, codes, says in (
        ("as it is", None, DONE, ""),
        ("no file", gone, PLAN, "no file"),
        ("an empty file", holds(""), DATA, "cannot be read as a CSV"),
        ("no column of dates", text("date,", "day,"), DATA, "no column 'date'"),
        ("no column of ETo", text("eto", "et"), DATA, "no column 'eto'"),
        ("no whole year", lines(lambda r: r[:200]), DATA, "no whole year"),
        ("no dates in it", lines(lambda r: [r[0], *("x,1" for _ in r)]), DATA, "no whole year|date"),
        ("mixed offsets", lines(lambda r: [r[0], *(f"{x.split(',')[0]}T00:00:00{'+01:00' if k % 2 else '-03:00'},{x.split(',')[1]}" for k, x in enumerate(r[1:]))]), (0, 4, 5), ""),
        ("dates of the year 9999", text("2018-", "9999-"), (4, 5), ""),
        ("dates before all calendars", text("2018-", "0000-"), (4, 5), ""),
        ("ETo of 900", text(",4.", ",900."), DATA, "no whole year|cannot be"),
        ("the same day again and again", lines(lambda r: [r[0], *r[1:2] * 900]), DATA, "no whole year"),
        ("a line of 2000 cells", lines(lambda r: [*r[:5], ",".join("1" for _ in range(2000)), *r[5:]]), DATA, "cannot be read"),
        ("one cell of 131,073 letters", lines(lambda r: [*r[:5], "x" * 131_073 + ",1", *r[5:]]), DONE, "days without a date"),
        ("an open quote", lines(lambda r: [*r[:5], '"2018', *r[5:]]), DATA, ""),
        ("Latin-1", holds("date,eto,\xfc\n2018-01-01,1,\xfc\n".encode("latin-1")), DATA, "CSV|UTF-8"),
        ("bytes", holds(bytes(range(256)) * 40), DATA, ""),
    ):  # fmt: skip
        yield Case("climate.daily", what, plan, codes, says, files={"daily.csv": spoil} if spoil else {}, command="site")


def weather_years() -> Iterator[Case]:
    for key in ("sun.weather", "climate.weather"):
        plan = {"layers.site.path": "site.gpkg", "sun.step_minutes": 60, "sun.day_step": 15, key: "hours.epw"}
        for what, spoil, codes, says in (
            ("as it is", None, DONE, ""),
            ("no file", gone, PLAN, "no file"),
            ("an empty file", holds(""), DATA, ""),
            ("a letter", holds("Dear all,\n"), DATA, ""),
            ("its headings alone", lines(lambda r: r[:8]), DATA, ""),
            ("half a year", lines(lambda r: r[:4000]), DATA, ""),
            ("cut within a line", cut(0.7), DATA, ""),
            ("another year's day twice", lines(lambda r: [*r[:100], *r[8:32], *r[100:]]), (0, 4, 5), ""),
            ("the other side of the earth", text(f"{scene.LATITUDE},{scene.LONGITUDE}", "-35.0,149.0"), DATA, "km"),
            ("no place", text(f"{scene.LATITUDE},{scene.LONGITUDE}", "x,y"), DATA, ""),
            ("all radiation unknown", lines(lambda r: [*r[:8], *(",".join([*c[:13], "9999", "9999", "9999", *c[16:]]) for c in (x.split(",") for x in r[8:]))]), DATA, "radiation"),
            ("a temperature of 99.9 for a day", lines(lambda r: [*r[:8], *(",".join([*c[:6], "99.9" if k < 24 else c[6], *c[7:]]) for k, c in enumerate(x.split(",") for x in r[8:]))]), (0, 4, 5), ""),
            ("words for numbers", lines(lambda r: [*r[:500], "a,b,c", *r[500:]]), DATA, ""),
            ("bytes", holds(bytes(range(256)) * 40), DATA, ""),
        ):  # fmt: skip
            yield Case(key, what, plan, codes, says, files={"hours.epw": spoil} if spoil else {}, command="site")


def station_tables() -> Iterator[Case]:
    head, *rest = scene.STATIONS.splitlines()
    for what, content, codes, says in (
        ("as it is", scene.STATIONS, OK, ""),
        ("no file", None, PLAN, "no file|no such"),
        ("an empty file", "", DATA, "empty"),
        ("headings alone", head, DATA, "no station"),
        ("no headings", "\n".join(rest), DATA, "no column of stations|station"),
        ("no column of stations", scene.STATIONS.replace("Station", "Spot"), DATA, "no column of stations"),
        ("an area of words", scene.STATIONS.replace("1730", "big"), (0, 4), "big|number|read"),
        ("an area of nothing", scene.STATIONS.replace("1730", "0"), (0, 4), ""),
        ("a negative flow", scene.STATIONS.replace("27.0", "-27"), (0, 4), ""),
        ("a flow of 1e9", scene.STATIONS.replace("27.0", "1e9"), (0, 4), ""),
        ("a uniformity of 3", scene.STATIONS.replace(",0.6,", ",3,"), (0, 4), ""),
        ("a uniformity of 60 %", scene.STATIONS.replace(",0.6,", ",60%,"), OK, ""),
        ("a kind that is none", scene.STATIONS.replace("spray", "hose"), (0, 4), "hose"),
        ("a plant that is none", scene.STATIONS.replace("cool turf", "tulips"), (0, 4), "tulips"),
        ("a soil that is none", scene.STATIONS.replace("clay loam", "moon dust"), (0, 4), "moon dust"),
        ("a slope of 300", scene.STATIONS.replace(",3\n", ",300\n"), (0, 4), ""),
        ("a station twice", scene.STATIONS + "A,A,1,spray,1730,27.0,0.6,cool turf,clay loam,\n", (0, 4), ""),
        ("short lines", scene.STATIONS + "B,B\nB\n", (0, 4), ""),
        ("long lines", scene.STATIONS + "B,B,9,drip,900,2.0,,low,loam,,,,,,,\n", (0, 4), ""),
        ("semicolons", scene.STATIONS.replace(",", ";"), OK, ""),
        ("a row of totals", scene.STATIONS + "Total,,Total,,6830,47,,,,\n", OK, "total"),
        ("Latin-1", scene.STATIONS.replace("A,A,1", "Zürich,A,1").encode("latin-1"), (0, 4), ""),
        ("bytes", bytes(range(256)) * 10, DATA, ""),
        ("nulls", scene.STATIONS.replace("A,A", "A\0,A"), (0, 4), ""),
        ("names that steer a terminal", scene.STATIONS.replace("A,A,1", "A\x1b[2J,A,1"), OK, ""),
        ("infinite", scene.STATIONS.replace("1730", "inf"), (0, 4), ""),
        ("not a number", scene.STATIONS.replace("1730", "nan"), (0, 4), ""),
    ):  # fmt: skip
        yield Case("programme.stations", what, dict(scene.PROGRAMME), codes, says,
                   files={"stations.csv": gone if content is None else holds(content)}, command="programme")  # fmt: skip
    for key in ("station", "area", "flow", "plant"):
        yield Case("programme.stations", f"a column of {key} that is not there", scene.PROGRAMME | {f"programme.columns.{key}": "Nowhere"}, DATA, "no column 'Nowhere'", command="programme")
    yield Case("programme.stations", "none named", scene.PROGRAMME | {"programme.stations": None}, PLAN, "names no station table", command="programme")
    for value in ("25:00-06:00", "20:00", "", "abc", "20:00-20:00"):
        yield Case("programme.window", value, scene.PROGRAMME | {"programme.window": value}, OK if value == "20:00-20:00" else PLAN, "" if value == "20:00-20:00" else "window should be two times", command="programme")
    for key, value, codes in (("programme", "Z", (0, 3)), ("controller", "Z", (0, 3)), ("days", 1, OK), ("percent", 300.0, OK)):
        manual = {"programme": "A", "reason": "r"} | {key: value}
        yield Case("programme.manual", f"{key} {value}", scene.PROGRAMME | {"programme.manual": [manual]}, codes, "", command="programme")
    yield Case("programme.soil", "moon dust", scene.PROGRAMME | {"programme.soil": "moon dust"}, PLAN, "moon dust", command="programme")
    yield Case("programme.days", "one twice", scene.PROGRAMME | {"programme.days": ["mon", "mon"]}, (0, 3), "", command="programme")


def logs() -> Iterator[Case]:
    for what, spoil, codes, says in (
        ("as it is", None, OK, ""),
        ("no file", gone, (3, 4), "no such file|no file"),
        ("an empty file", holds(""), DATA, "empty"),
        ("headings alone", lines(lambda r: r[:1]), DATA, ""),
        ("no column of dates", text("Date", "When?"), (0, 4), ""),
        ("no column of percentages", lines(lambda r: [x.split(",")[0] for x in r]), DATA, "percentage"),
        ("words for percentages", text(" %", " much"), (0, 4), ""),
        ("shares for percentages", lines(lambda r: [r[0], *(x.split(",")[0] + f",{0.9 + k % 5 / 100:.2f}" for k, x in enumerate(r[1:]))]), OK, ""),
        ("1e9 %", text("95 %", "1000000000 %"), (0, 4), ""),
        ("-95 %", text("95 %", "-95 %"), (0, 4), ""),
        ("dates either way round", lines(lambda r: [r[0], *(f"{1 + k % 12}/{1 + k % 12}/2025,95 %" for k in range(12))]), DATA, ""),
        ("a day again and again", lines(lambda r: [r[0], *r[1:2] * 50]), (0, 4), ""),
        ("a span of a thousand years", lines(lambda r: [*r, "3025-05-01,95 %"]), DATA, ""),
        ("dates of the year 0", text("2025-05", "0000-05"), (0, 4), ""),
        ("February 30", text("2025-05-0", "2025-02-3"), (0, 4), ""),
        ("backwards", lines(lambda r: [r[0], *r[:0:-1]]), OK, ""),
        ("mixed offsets", lines(lambda r: [r[0], *(x.replace(",", "T06:00:00+02:00," if k % 2 else "T06:00:00Z,") for k, x in enumerate(r[1:]))]), (0, 4), ""),
        ("one day", lines(lambda r: r[:2]), (0, 4), ""),
        ("cut within a line", cut(0.6), OK, ""),
        ("bytes", holds(bytes(range(256)) * 10), DATA, ""),
        ("UTF-16", lambda path, kept: void(path.write_bytes(kept.decode().encode("utf-16"))), OK, ""),
        ("a cell of 131,073 letters", lines(lambda r: [*r, "x" * 131_073 + ",1"]), (0, 4), ""),
    ):  # fmt: skip
        yield Case("the log", what, dict(scene.REVIEW), codes, says, files={"log.csv": spoil} if spoil else {}, command="review")
    for what, spoil, codes, says in (
        ("no file", gone, PLAN, "no file|no such"),
        ("an empty file", holds(""), DATA, "empty|no layout"),
        ("no column of dates", text("date,", "day of ours,"), DATA, "dates|layout"),
        ("no ETo and no temperature", lines(lambda r: [x.split(",")[0] + ",1" for x in r]), DATA, ""),
        ("ETo of 900", text(",6.", ",900."), (0, 4), ""),
        ("other days", text("2025-", "1999-"), (0, 4), ""),
        ("bytes", holds(bytes(range(256)) * 10), DATA, ""),
        ("cut", cut(0.4), OK, ""),
    ):  # fmt: skip
        yield Case("review.weather", what, dict(scene.REVIEW), codes, says, files={"weather.csv": spoil}, command="review")
    for key in ("date_column", "percent_column", "who_column"):
        yield Case("the log", f"a {key} that is not there", scene.REVIEW | {f"review.{key}": "Nowhere"}, DATA, "no column 'Nowhere'", command="review")
    yield Case("review.zone", "one that is not there", scene.REVIEW | {"review.zone": "Nowhere"}, PLAN, "Nowhere", command="review")


def horizons() -> Iterator[Case]:
    plan = scene.SITE | {"as_built.x": scene.LONGITUDE + 0.0008, "as_built.y": scene.LATITUDE + 0.0008,
                         "as_built.height_m": 4.0, "as_built.horizon": "horizon.csv", "programme.stations": "stations.csv"}  # fmt: skip
    for what, spoil, codes, says in (
        ("as it is", None, DONE, ""),
        ("no file", gone, PLAN, "no file|no such"),
        ("an empty file", holds(""), DATA, "empty"),
        ("words", holds("a,b\nc,d\n"), DATA, "no horizon"),
        ("three heights", holds("1\n2\n3\n"), DATA, "no horizon"),
        ("elevations of 200", text(",3", ",203"), DATA, "over 90"),
        ("azimuths of 4000", text("30,", "4000,"), DATA, ""),
        ("nan", holds("azimuth,elevation\n" + "nan,nan\n" * 9), DATA, ""),
        ("one azimuth for all", holds("azimuth,elevation\n" + "90,5\n" * 9), (0, 4, 5), ""),
        ("bytes", holds(bytes(range(256))), DATA, ""),
    ):  # fmt: skip
        yield Case("as_built.horizon", what, plan, codes, says, files={"horizon.csv": spoil} if spoil else {}, command="programme")


# --- the plan file, named things, the command line ---------------------------------------------------------------


def plans() -> Iterator[Case]:
    sound = dict(scene.SITE)
    for what, before, says in (
        ("not TOML", "dear = = all\n", "not valid TOML"),
        ("an open text", 'title = "yard\n', "not valid TOML"),
        ("a key twice", 'units = "us"\nunits = "us"\n', "not valid TOML"),
        ("5,000 brackets", "a = " + "[" * 5000 + "]" * 5000 + "\n", "plan"),
        ("an integer of 5,000 digits", "a = " + "9" * 5000 + "\n", "plan"),
        ("a null", "title = 'a\0b'\n", "not valid TOML"),
        ("a section that is a number", "sensor = 5\n", "section"),
        ("a section that is a list", "[[sensor]]\nmast_m = 1\n", "sensor"),
        ("gates", "[gates]\nheight_m = 5\n", "earlier version"),
    ):
        yield Case("plan file", what, {} if "section" in what or what == "gates" else sound, PLAN, says, before=before, command="check")
    yield Case("plan file", "nothing in it", {}, PLAN, "names no layers", command="site")
    yield Case("plan file", "no such file", sound, PLAN, "there is no such plan file", files={"plan.toml": gone}, command="check")
    yield Case("plan file", "a folder", sound, PLAN, "it is not a file", files={"plan.toml": a_folder}, command="check")
    yield Case("plan file", "Latin-1", sound, PLAN, "UTF-8", files={"plan.toml": holds("title = '\xfc'".encode("latin-1"))}, command="check")
    yield Case("plan file", "a byte-order mark", sound, OK, "", before="\ufeff", command="check")
    yield Case("plan file", "a site given to contract", sound, PLAN, "names no contract", command="contract")
    yield Case("plan file", "a contract given to site", dict(scene.CONTRACT), PLAN, "Run .noonmark contract", command="site")
    for name, more, codes, says in (
        ("off the earth", {"y": 500.0}, PLAN, "off the earth"),
        ("in the wrong order", {"x": 35.2671, "y": -119.3599}, PLAN, "wrong order"),
        ("far away", {"y": 36.5}, PLAN, "from the site"),
        ("by a CRS that is none", {"crs": "EPSG:999999"}, PLAN, "is not a CRS"),
        ("by a CRS of the moon", {"crs": "IAU_2015:30100"}, (3, 4), ""),
        ("nameless", {"name": ""}, PLAN, "name"),
        ("called like an id", {"name": "R1-1"}, (0, 3, 5), ""),
    ):
        mount = {"name": "M", "x": scene.LONGITUDE + 0.0008, "y": scene.LATITUDE + 0.0008, "height_m": 4.0} | more
        yield Case("mounts.named", name, sound | {"mounts.named": [mount]}, codes, says, command="site")
    twins = [{"name": "M", "x": -119.3599, "y": 35.2671, "height_m": 4.0}] * 2
    yield Case("mounts.named", "two of one name", sound | {"mounts.named": twins}, PLAN, "two named mounts are called 'M'", command="check")
    yield Case("mounts.choose", "one that is not there", sound | {"mounts.choose": "Q9"}, PLAN, "there is no candidate 'Q9'")
    for key in ("roof_edges", "walls", "poles"):
        yield Case("mounts", f"{key} off", sound | {f"mounts.{key}": False}, DONE, "")
    none = {f"mounts.{key}": False for key in ("roof_edges", "walls", "poles")}
    yield Case("mounts", "nowhere to look", sound | none, (3, 4, 5), "")
    for key in ("light", "rain", "reach", "access"):
        yield Case("weights", f"{key} of 1e308", sound | {f"weights.{key}": 1e308}, (0, 3, 5), "")
    yield Case("weights", "none", sound | {f"weights.{k}": 0.0 for k in ("light", "rain", "reach", "access")}, PLAN, "at least one weight", command="check")
    for key in ("sensor", "cable_m", "lawn_m"):
        yield Case("prices", f"{key} of 1e308", sound | {f"prices.{key}": 1e308, "sensor.link": "cable"}, (0, 3, 5), "")
    for zone in ("Mars/Olympus", "", "America/New_York\0", "../../etc/passwd", "Asia/Tokyo"):
        yield Case("time_zone", repr(zone), sound | {"time_zone": zone}, PLAN, "time_zone|time zone", command="check")
    for country in ("us", "USA", "", "1X"):
        yield Case("country", repr(country), sound | {"country": country}, PLAN, "country", command="check")
    for begin, end in (("02-30", "11-01"), ("1-1", "11-01"), ("13-01", "11-01"), ("04-01", "")):
        yield Case("sun.leaf_from", f"{begin} to {end!r}", sound | {"sun.leaf_from": begin, "sun.leaf_until": end}, PLAN, "should be a day as MM-DD", command="check")
    for months in ([], [0], [13], [5, 5], [5.5], ["may"]):
        yield Case("season.months", repr(months), sound | {"season.months": months}, PLAN, "months", command="check")
    for months in ([1], list(range(1, 13))):
        yield Case("season.months", repr(months), sound | {"season.months": months}, DONE, "")
    for wire in ("18 AWG", "1.5 mm2", "thick", "0 mm2", "-3 AWG", "-1.5 mm2", "1e9 mm2", "99 AWG"):
        good = wire in ("18 AWG", "1.5 mm2")
        yield Case("sensor.cable_conductor", wire, sound | {"sensor.cable_conductor": wire}, OK if good else PLAN, "" if good else "conductor|gauge|AWG|mm2", command="check")
    together = (
        ({"sensor.transmit_dbm": 10}, "go together"), ({"as_built.x": 1.0}, "x and y go together"),
        ({"as_built.x": 1.0, "as_built.y": 1.0}, "height_m"), ({"layers.buildings.top": "top"}, "give one of the two"),
        ({"layers.buildings.ground": "ground"}, "ground goes with top"), ({"sun.leaf_from": "04-01"}, "go together"),
        ({"sun.crown_in_leaf": 0.9}, "lets more light through"), ({"mounts.spacing_ft": 20}, "are both given"),
        ({"programme.supply_flow_gpm": 5, "programme.supply_flow_l_min": 5}, "keep one"),
        ({"sensor.cable_supplied_m": 50, "sensor.cable_longest_m": 20}, "more than"),
        ({"layers.buildings.roof_height": "top", "layers.buildings.height": None}, "roof_height goes with height"),
    )  # fmt: skip
    for more, says in together:
        yield Case("plan keys: not together", ", ".join(more), sound | more, PLAN, says, command="check")


def inputs() -> Iterator[Case]:
    parts = (vectors, attributes, rasters, climates, zone_tables, dailies, weather_years, station_tables, logs, horizons, plans)
    return itertools.chain.from_iterable(part() for part in parts)
