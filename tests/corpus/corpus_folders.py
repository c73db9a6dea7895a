"""Contracts with layers, second runs into one folder, first plans from odd folders, the served page, OpenStreetMap."""

# fmt: off
from __future__ import annotations

import functools
import itertools
import os
import socket
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path

import corpus_scene as scene
import numpy as np
import shapely
from corpus_cases import (
    DATA,
    OK,
    OUTPUT,
    PLAN,
    Case,
    Spoil,
    cells,
    column,
    cut,
    flipped,
    gone,
    holds,
    layer,
    moved,
    same,
    shapes,
    void,
)

ONE = {"contract.sites.where": "name in ('S0', 'S1')", "outputs.map": False, "outputs.sites": ["csv"], "outputs.bill": []}


def each(what: str, codes: tuple[int, ...], says: str = "", files: Mapping[str, Spoil] | None = None,
         group: str = "contract with layers", makes: tuple[str, ...] = (), leaves: tuple[str, ...] = (),
         earlier: Mapping[str, object] | None = None, unsaid: str = "", **plan: object) -> Case:  # fmt: skip
    """A case of a contract with layers; plan: its keys, `__` for a dot."""
    keys = scene.EACH | ONE | {k.replace("__", "."): v for k, v in plan.items()}
    before = None if earlier is None else scene.EACH | ONE | earlier
    return Case(group, what, keys, codes, says, unsaid, files or {}, "contract", earlier=before, makes=makes, leaves=leaves)


def at_sites(**columns: object) -> Spoil:
    """Controllers at the first two sites, with these columns."""
    at = [shapely.Point(30, 70), shapely.Point(20, 4020)]
    return lambda path, _: void(scene.frame(at, name=["A", "B"], inside=["no", "no"], **columns).to_file(path, layer="controllers", engine="pyogrio"))  # type: ignore[arg-type]


def contracts() -> Iterator[Case]:
    yield each("as it is", OK, "1 site with a mount|2 sites with a mount", makes=("out/result.json", "out/sites.csv"))
    yield each("the two sites' controllers by name", OK, "", {"controllers.gpkg": at_sites(of=["S0", "s1"])}, layers__controllers__site="of")
    yield each("a controller of no site's name", OK, "names no site of the contract", {"controllers.gpkg": at_sites(of=["S0", "S9"])}, layers__controllers__site="of")
    yield each("no controller of any site's name", DATA, "no 'of' is the name of a site", {"controllers.gpkg": at_sites(of=["X", None])}, layers__controllers__site="of")
    yield each("a column of sites that is not there", PLAN, "has no attribute 'park'", layers__controllers__site="park")
    yield each("two sites of one name, which controllers name", DATA, "several sites are called so",
               {"sites.gpkg": column("sites", "name", ["S0"]), "controllers.gpkg": at_sites(of=["S0", "S0"])}, layers__controllers__site="of")
    yield each("two sites of one key, which controllers name", DATA, "several sites are called so",
               {"sites.gpkg": column("sites", "number", [7]), "controllers.gpkg": at_sites(of=["7", "7"])}, layers__controllers__site="of", contract__sites__key="number")
    yield each("two sites of one key, which nobody names", OK, "",
               {"sites.gpkg": column("sites", "number", [7, 8, 7, 9, 7, 7]), "controllers.gpkg": at_sites(of=["8", "8"])}, layers__controllers__site="of", contract__sites__key="number")
    yield each("keys that are whole numbers there and text here", OK, "",
               {"sites.gpkg": column("sites", "number", [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]), "controllers.gpkg": at_sites(of=["1", "2"])}, layers__controllers__site="of", contract__sites__key="number")
    yield each("a key that is not there", PLAN, "no attribute 'nr'", {"controllers.gpkg": at_sites(of=["1", "2"])}, layers__controllers__site="of", contract__sites__key="nr")
    yield each("controllers far from every site", OK, "in no site, nor within", {"controllers.gpkg": shapes("controllers", moved(0, 900))})
    yield each("a controller between two sites", OK, "in more than one site, or within", {"controllers.gpkg": shapes("controllers", moved(0, 1950))}, contract__belongs_within_m=2000)
    yield each("controllers without a place", (0, 4), "geometry|drawn", {"controllers.gpkg": shapes("controllers", lambda _: None)})
    for name in ("buildings", "trees", "poles", "keep_outs", "grounds"):
        yield each(f"{name}: no file", PLAN, "there is no file", {f"{name}.gpkg": gone})
        yield each(f"{name}: half a file", (0, 4), f"layers.{name}.*cannot be read", {f"{name}.gpkg": cut(0.4)})
        yield each(f"{name}: no CRS", (0, 4), "does not say which", {f"{name}.gpkg": layer(name, lambda t: t.set_crs(None, allow_override=True))})
        yield each(f"{name}: nothing near any site", OK, "nothing of it lies near", {f"{name}.gpkg": shapes(name, moved(0, 60_000))})
        yield each(f"{name}: feet that are said to be metres", OK, f"layers.{name}.*nothing of it lies near", {f"{name}.gpkg": layer(name, lambda t: t.to_crs(2229).set_crs(scene.UTM, allow_override=True))})
        yield each(f"{name}: an attribute misspelled", PLAN, "has no attribute", **{f"layers__{name}__name": "nam"})
    yield each("buildings: a unit that nobody says", OK, "'size' is taken as meters", {"buildings.gpkg": layer("buildings", lambda t: t.rename(columns={"h": "size"}))}, layers__buildings__height="size")
    yield each("buildings: feet by the column's name, metres by the plan", (0, 3, 4), "feet|ft", {"buildings.gpkg": layer("buildings", lambda t: t.rename(columns={"h": "h_ft"}))}, layers__buildings__height="h_ft", layers__buildings__height_unit="m")
    yield each("buildings: heights that are words", OK, "treated as missing", {"buildings.gpkg": column("buildings", "h", "tall")})
    yield each("buildings: as GeoJSON", OK, "", {"buildings.geojson": lambda path, _: void(scene.layers()["buildings"].to_crs(4326).to_file(path, engine="pyogrio"))}, layers__buildings__path="buildings.geojson")
    yield each("terrain: of the first site alone", OK, "the raster does not cover the site", layers__terrain__path="terrain.tif", makes=("out/sites.csv",))
    yield each("terrain: no raster but a letter", OK, "no mount was sought: layers.terrain.*cannot be read", {"terrain.tif": holds("Dear all,\n")}, layers__terrain__path="terrain.tif")
    yield each("terrain: all unknown", (0, 4), "no known value", {"terrain.tif": cells(scene.write_heights, lambda: scene.heights("terrain"), lambda v: np.full_like(v, -9999.0))}, layers__terrain__path="terrain.tif")
    yield each("terrain: no CRS", (0, 4), "does not say which", {"terrain.tif": cells(scene.write_heights, lambda: scene.heights("terrain"), same, crs=None)}, layers__terrain__path="terrain.tif")
    yield each("sites: points", OK, "outline|no mount was sought", {"sites.gpkg": shapes("sites", lambda s: s.centroid)})
    yield each("sites: one a sliver", (0, 4), "", {"sites.gpkg": shapes("sites", lambda s: shapely.box(s.bounds[0], s.bounds[1], s.bounds[0] + 0.001, s.bounds[3]), every=False)})
    yield each("sites: none picked", (3, 4), "where|no features", contract__sites__where="name = 'nobody'")
    yield each("sites: a condition that is none", (3, 4), "where", contract__sites__where="name = = 1")
    yield each("a site of its own beside the contract's", (0, 3), "", layers__site__path="site.gpkg")
    yield each("named places off every site", OK, "in no site", mounts__named=[{"name": "M", "x": -119.0, "y": 35.9, "height_m": 4.0}])
    yield each("a named place in a CRS that is none", PLAN, "is not a CRS", mounts__named=[{"name": "M", "x": -119.0, "y": 35.9, "height_m": 4.0, "crs": "EPSG:999999"}])


NAMES = ["A/B", "a", "A", "..", "CON", "x" * 300]
FOLDERS = ["A_B", "a", "A_2", "site", "site_CON", "x" * 60]


def second_runs() -> Iterator[Case]:
    second = functools.partial(each, group="a second run")
    pages = {"outputs.site_maps": True}
    yield second("names that clash as folders", OK, "", {"sites.gpkg": column("sites", "name", NAMES)}, outputs__site_maps=True,
                 contract__sites__where=None, makes=tuple(f"out/sites/{name}/map.html" for name in FOLDERS))  # fmt: skip
    yield second("the same again", OK, "", earlier={}, makes=("out/result.json",))
    yield second("without pages of each site", OK, "", earlier=pages, leaves=("out/sites",))
    yield second("of other sites", OK, "", earlier=pages, outputs__site_maps=True, contract__sites__where="name in ('S0', 'S2')",
                 makes=("out/sites/S2/map.html", "out/sites/S0/sheet.html"), leaves=("out/sites/S1",))  # fmt: skip
    yield second("without the sheets of all", OK, "", earlier={"outputs.site_sheets": True}, leaves=("out/sheets.pdf",))
    yield second("sheets of sites that are all without a mount now", OK, "", earlier={"outputs.site_sheets": True}, outputs__site_sheets=True,
                 contract__sites__where="name = 'S3'")  # fmt: skip
    yield second("without layers", OK, "", earlier={"outputs.bill": ["csv"]}, leaves=("out/bill.csv",),
                 **{key.replace(".", "__"): None for key in scene.EACH if key.startswith("layers.")})  # fmt: skip
    yield second("a page of the user's own in the way", OUTPUT, "we did not write it", {"out/sites/S0/map.html": holds("mine")}, outputs__site_maps=True, makes=("out/sites/S0/map.html",))
    yield second("a file where the folder of pages should be", OUTPUT, "stands where a folder should be", {"out/sites": holds("mine")}, outputs__site_maps=True)
    yield second("a link where the folder of pages should be", OUTPUT, "stands where a folder should be", {"out/sites": lambda path, _: path.symlink_to("/tmp")}, outputs__site_maps=True)
    yield second("notes of the user's own beside", OK, "", {"out/notes.txt": holds("mine")}, makes=("out/notes.txt", "out/result.json"))
    yield second("a folder of unfinished work that is not ours", OUTPUT, "we did not make it", {"out/.parts/mine.txt": holds("mine")}, makes=("out/.parts/mine.txt",))
    yield second("an unfinished piece that is cut", OK, "", {"out/.parts/job.json": holds('{"made_by": "noonmark"}'), "out/.parts/000000000-0123456789ab.arrow": holds("x")}, leaves=("out/.parts",))
    yield second("its output is a file", OUTPUT, "a file stands where the folder should be", {"out": holds("mine")})
    site = dict(scene.SITE)
    yield Case("a second run", "a site over a contract", site, OUTPUT, "results of a contract", files={
        "out/.noonmark-files.json": holds('{"kind": "a contract", "plan": null, "files": {"map.html": ["0"]}, "by": {"map.html": "contract"}}'), "out/map.html": holds("c")})  # fmt: skip
    yield Case("a second run", "a manifest of brackets", site, OK, files={"out/.noonmark-files.json": holds("[" * 100_000)}, makes=("out/map.html",))
    yield Case("a second run", "a manifest that leads elsewhere", site, OK, files={
        "out/.noonmark-ready/.noonmark-files.json": holds('{"files": {"../plan.toml": [], "/etc/hostname": [], "a/../../plan.toml": []}, "gone": {"../plan.toml": ["x"]}}')}, makes=("out/map.html", "plan.toml"))  # fmt: skip
    yield Case("a second run", "the same again", site, OK, earlier=site, makes=("out/sheet.pdf",))
    yield Case("a second run", "without the PDF", site | {"outputs.sheet_pdf": False}, OK, earlier=site, leaves=("out/sheet.pdf",))
    yield Case("a second run", "a climate layer over the plan's own", dict(scene.CLIMATE), OUTPUT, "reads", line=("climate", "plan.toml", "--out", "tmin.tif", "--force"), command="climate")
    yield Case("a second run", "a climate layer over what is not ours", dict(scene.CLIMATE), (2, 6), "there already|force", files={"out/eto.tif": holds("mine")}, command="climate", makes=("out/eto.tif",))


# --- a first plan ------------------------------------------------------------------------------------------------


def begin(what: str, codes: tuple[int, ...], says: str = "", files: Mapping[str, Spoil] | None = None,
          words: tuple[str, ...] = ("yard",), **how: object) -> Case:
    return Case("start", what, {}, codes, says, files=files or {}, line=("start", *words), command="start", **how)  # type: ignore[arg-type]


def put(name: str) -> Spoil:
    return lambda path, _: void(scene.layers()[name].to_file(path, layer=name, engine="pyogrio"))


def zipped(*names: str, size: int = 10) -> Spoil:
    def spoil(path: Path, _: bytes) -> None:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            for name in names:
                archive.writestr(name, b"\0" * size)

    return spoil


def starts() -> Iterator[Case]:
    yard = {"yard/lot.gpkg": put("site"), "yard/halls.gpkg": put("buildings")}
    yield begin("a yard", OK, "Wrote", yard, makes=("yard/yard.toml",))
    yield begin("no such folder", PLAN, "no such file or folder")
    yield begin("nothing given", (2,), "nothing is given", words=())
    yield begin("an empty folder", (3, 4), "", {"yard": lambda path, _: path.mkdir()})
    yield begin("letters alone", (3, 4), "", {"yard/a.txt": holds("Dear all,"), "yard/b.docx": holds("PK")})
    yield begin("a plan that is there already", OUTPUT, "not overwritten", yard | {"yard/yard.toml": holds("mine")}, makes=("yard/yard.toml",))
    yield begin("into a folder that is not there", (6,), "", yard, words=("yard", "--out", "no/such/a.toml"))
    yield begin("with files that cannot be read", OK, "3 layers not used", yard | {"yard/halls2.gpkg": holds("x" * 4096), "yard/c.shp": holds(""), "yard/d.parquet": holds("PAR1")})
    yield begin("with half a raster", OK, "", yard | {"yard/dem.tif": lambda path, _: void((scene.write_heights(path, scene.heights("terrain")), cut(0.5)(path, path.read_bytes())))})
    yield begin("with bits turned", (0, 3, 4), "", yard | {"yard/trees.gpkg": lambda path, _: void((put("trees")(path, b""), flipped(3000)(path, path.read_bytes())))})
    yield begin("with a file that fetches", OK, "", yard | {"yard/a.vrt": holds('<VRTDataset rasterXSize="6" rasterYSize="6"><VRTRasterBand dataType="Byte" band="1"><SimpleSource><SourceFilename>/vsicurl/http://127.0.0.1:9/a.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>'),
                                                            "yard/wfs.gml": holds("<OGRWFSDataSource><URL>http://127.0.0.1:9/</URL></OGRWFSDataSource>")})
    yield begin("with a mosaic of a file elsewhere", OK, "", yard | {"yard/dem.vrt": holds('<VRTDataset rasterXSize="60" rasterYSize="60"><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="1">../terrain.tif</SourceFilename></SimpleSource></VRTRasterBand></VRTDataset>')})
    yield begin("with archives of nothing", OK, "", yard | {"yard/a.zip": zipped("x.txt"), "yard/b.zip": holds("PK\x03\x04"), "yard/c.zip": zipped("../../a.shp", "/a.gpkg")})
    yield begin("with an archive of 200 MB of nulls", OK, "", yard | {"yard/a.zip": zipped("a.geojson", size=200_000_000)})
    yield begin("with a loop of links", OK, "", yard | {"yard/loop": lambda path, _: path.symlink_to("."), "yard/self.gpkg": lambda path, _: path.symlink_to("self.gpkg")})
    yield begin("with a pipe", OK, "", yard | {"yard/pipe.gpkg": lambda path, _: os.mkfifo(path), "yard/pipe.csv": lambda path, _: os.mkfifo(path)})
    yield begin("with a file that nobody may read", OK, "", yard | {"yard/mine.gpkg": lambda path, _: void((path.write_bytes(b"x"), path.chmod(0)))})
    yield begin("with names that steer a terminal", OK, "", {"yard/lot\x1b[2J.gpkg": put("site"), "yard/halls\x07\n.gpkg": put("buildings")})
    yield begin("with names that end a text", OK, "Wrote", {'yard/lot"]\n#.gpkg': put("site"), "yard/halls'''.gpkg": put("buildings")})
    yield begin("with columns that steer", OK, "", yard | {"yard/halls.gpkg": layer("buildings", lambda t: t.rename(columns={"h": 'height"\n[x]'}))})
    yield begin("with a thousand files", OK, "", yard | {f"yard/z{k}.csv": holds("a\n1\n") for k in range(1000)})
    yield begin("with a table of 3,000 columns", OK, "", yard | {"yard/wide.csv": holds(",".join(f"c{k}" for k in range(3000)) + "\n" + ",".join("1" for _ in range(3000)) + "\n")})
    yield begin("with a JSON of brackets", OK, "", yard | {"yard/a.json": holds("[" * 100_000), "yard/b.geojson": holds('{"type":"FeatureCollection","features":' + "[" * 100_000)})
    yield begin("with two outlines", (0, 3, 4), "", yard | {"yard/lot2.gpkg": lambda path, _: void(scene.layers()["site"].translate(500, 0).to_frame("geometry").assign(name="Other").to_file(path, layer="lot", engine="pyogrio"))})
    yield begin("without a CRS anywhere", (0, 3, 4), "", {"yard/lot.gpkg": layer("site", lambda t: t.set_crs(None, allow_override=True)), "yard/halls.gpkg": layer("buildings", lambda t: t.set_crs(None, allow_override=True))})
    yield begin("empty layers", (0, 3, 4), "", {"yard/lot.gpkg": layer("site", lambda t: t.iloc[:0])})
    yield begin("a place off the earth", (2,), "no latitude and longitude", words=("--at", "95,200"))
    yield begin("a place of words", (2,), "no latitude and longitude", words=("--at", "here"))
    yield begin("a place at sea", OK, "Wrote", words=("--at", "0,-150"))
    yield begin("a place at the pole", (0, 2, 3, 4), "", words=("--at", "89.9999,0"))


# --- the served page, and the other commands' options ---------------------------------------------------------------


@functools.cache
def taken() -> socket.socket:
    """A port of this machine that is not free."""
    held = socket.socket()
    held.bind(("127.0.0.1", 0))
    held.listen()
    return held


def served() -> Iterator[Case]:
    def case(what: str, codes: tuple[int, ...], says: str, *words: str, plan: Mapping[str, object] = scene.SITE, files: Mapping[str, Spoil] | None = None) -> Case:
        return Case("serve", what, dict(plan), codes, says, files=files or {}, line=("serve", "plan.toml", *words), command="serve")

    yield case("no such plan", PLAN, "no such plan file", files={"plan.toml": gone})
    yield case("a contract", PLAN, "contract", plan=scene.CONTRACT)
    yield case("a key misspelled", PLAN, "not known", plan=scene.SITE | {"sensor.mast": 3})
    yield case("no outline", PLAN, "there is no file", files={"site.gpkg": gone})
    yield case("half an outline", DATA, "cannot be read", files={"site.gpkg": cut(0.5)})
    yield case("a port that is none", (2,), "--port", "--port", "70000")
    yield case("a port below all", (2,), "--port", "--port", "-1")
    yield case("a port of words", (2,), "--port", "--port", "http")
    yield case("a port that is taken", (2,), "cannot be used", "--port", str(taken().getsockname()[1]))
    yield case("an option that is none", (2,), "--open", "--open")
    yield case("a variable that is none", (2, 3), "", "--var", "x")
    for what, line, says in (
        ("zone of nowhere", ("zone", "95", "0"), "no latitude"), ("zone of words", ("zone", "here", "there"), "no latitude"),
        ("zone without a place", ("zone",), "nothing in it"), ("keys that are none", ("keys", "nonsense"), "no section or key"),
        ("no such command", ("sight", "plan.toml"), "No such command"), ("no plan", ("site",), "Missing argument"),
        ("parts of none", ("contract", "plan.toml", "--part-sites", "0"), "part-sites"),
        ("a scheduler that is none", ("contract", "plan.toml", "--out", "out", "--scheduler", "nonsense"), "scheduler|distributed"),
    ):
        yield Case("command line", what, dict(scene.CONTRACT), (2, 3, 4), says, line=line, command="serve")


# --- OpenStreetMap's own files --------------------------------------------------------------------------------------


def osm(body: str = "", tags: Mapping[str, str] | None = None, head: str = '<osm version="0.6">', tail: str = "</osm>") -> bytes:
    """Two buildings as OpenStreetMap has them, with these tags each; body: more of the file."""
    halls = scene.layers()["buildings"].to_crs(4326)
    nodes, ways, k = [], [], 0
    marks = "".join(f'<tag k="{key}" v="{value}"/>' for key, value in {"building": "yes", "height": "6"}.items() | (tags or {}).items())
    for way, hall in enumerate(halls.geometry, 1):
        refs = []
        for x, y in list(hall.exterior.coords)[:-1]:
            k += 1
            nodes.append(f'<node id="{k}" lat="{y:.7f}" lon="{x:.7f}" version="1"/>')
            refs.append(k)
        ring = "".join(f'<nd ref="{r}"/>' for r in [*refs, refs[0]])
        ways.append(f'<way id="{100 + way}" version="1">{ring}{marks}</way>')
    return f"<?xml version='1.0'?>{head}{''.join(nodes)}{''.join(ways)}{body}{tail}".encode()


def street_maps() -> Iterator[Case]:
    keys: dict[str, object] = {"layers.buildings.path": "b.osm", "layers.buildings.layer": "multipolygons", "layers.buildings.where": "building is not null",
            "layers.buildings.height": "height"}

    def case(what: str, codes: tuple[int, ...], says: str, content: bytes | str, name: str = "b.osm", **more: object) -> Case:
        plan = scene.SITE | keys | {"layers.buildings.path": name} | {f"layers.buildings.{k}": v for k, v in more.items()}
        return Case("OpenStreetMap", what, plan, codes, says, files={name: holds(content)}, command="check")

    sound = osm()
    yield case("as it is", OK, "", sound)
    yield case("no layer named", (0, 3), "", sound, layer=None)
    yield case("a layer that is none", PLAN, "has no layer", sound, layer="roofs")
    yield case("an empty file", DATA, "cannot be read", b"")
    yield case("half a file", DATA, "cannot be read|no features", sound[: len(sound) // 2])
    yield case("no buildings in it", (3, 4), "no features|building", '<?xml version="1.0"?><osm version="0.6"></osm>')
    yield case("a tag that nobody gave", OK, "no height: 7 m taken", sound, height="roof:height")
    yield case("nodes that are missing", (3, 4), "", sound.replace(b"<node", b"<gone").replace(b"version=\"1\"/>", b"/>"))
    yield case("nodes off the earth", (3, 4), "", sound.replace(b'lat="35', b'lat="535'))
    yield case("heights in feet and inches", OK, "", osm(tags={"height": "20'6&quot;"}))
    yield case("heights of words", OK, "treated as missing|taken", osm(tags={"height": "tall"}))
    yield case("an entity that grows", (0, 3, 4), "", sound.replace(b"<?xml version='1.0'?>", b'<?xml version="1.0"?><!DOCTYPE o [<!ENTITY a "aaaaaaaaaa">' + b"".join(f'<!ENTITY {chr(98 + k)} "{"&" + chr(97 + k) + ";"}{"&" + chr(97 + k) + ";"}&{chr(97 + k)};&{chr(97 + k)};&{chr(97 + k)};&{chr(97 + k)};">'.encode() for k in range(14)) + b"]>").replace(b'v="6"', b'v="&o;"'))
    yield case("an entity of a file", (0, 3, 4), "", sound.replace(b"<?xml version='1.0'?>", b'<?xml version="1.0"?><!DOCTYPE o [<!ENTITY a SYSTEM "file:///etc/hostname">]>').replace(b'v="6"', b'v="&a;"'))
    yield case("packed, but a letter", DATA, "cannot be read", "Dear all,\n", "b.osm.pbf")
    yield case("packed, cut after its head", DATA, "cannot be read|no features", b"\0\0\0\x0d\n\tOSMHeader\x18\x7f", "b.osm.pbf")
    yield case("packed, of a size without end", DATA, "cannot be read|no features", b"\xff\xff\xff\xff\n\tOSMHeader", "b.osm.pbf")


def folders() -> Iterator[Case]:
    return itertools.chain.from_iterable(part() for part in (contracts, second_runs, starts, served, street_maps))
