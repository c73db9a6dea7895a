"""The largest input that the commands meet: `python tests/corpus/largest.py [--only WORD]`.

Each case is run in a process of its own; printed are how it ends, its processor time and its peak memory. Ends with 1
where one does not end as it should, or takes more than it may.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import corpus_scene as scene  # noqa: E402
import geopandas as gpd  # noqa: E402
import numpy as np  # noqa: E402
import shapely  # noqa: E402
from corpus_cases import DATA, OK, Case, Spoil, layer, shapes, void  # noqa: E402
from run_corpus import written  # noqa: E402

MOST_MB, MOST_S = 1500, 200.0
PLAIN = {"outputs.map": False, "outputs.sites": ["csv"]}
ENDLESS = "with c(x) as (select 1 union all select x + 1 from c) select x as fid, geom, name from site, c"


def with_view(path: Path, _: bytes) -> None:
    scene.layers()["site"].to_file(path, layer="site", engine="pyogrio")
    with sqlite3.connect(path) as file:
        file.execute(f"create view endless as {ENDLESS}")
        file.execute(
            "insert into gpkg_contents (table_name, data_type, identifier, srs_id) "
            "values ('endless', 'features', 'endless', 32611)"
        )
        file.execute("insert into gpkg_geometry_columns values ('endless', 'geom', 'POLYGON', 32611, 0, 0)")


def parts(count: int) -> Spoil:
    at = shapely.MultiPolygon(
        [shapely.box(3 * (k % 100), 3 * (k // 100), 3 * (k % 100) + 1, 3 * (k // 100) + 1) for k in range(count)]
    )
    return lambda path, _: void(scene.frame([at], name=["Parts"]).to_file(path, layer="site", engine="pyogrio"))


def of_earth(path: Path, _: bytes) -> None:
    earth = [shapely.box(-179.9, -89.9, 179.9, 89.9), shapely.box(-119.36, 35.26, -119.35, 35.27)]
    gpd.GeoDataFrame({"name": ["E", "S"], "elev": [0.0, 0.0]}, geometry=earth, crs=4326).to_file(
        path, layer="sites"
    )


def city(name: str, count: int) -> Spoil:
    """So many buildings or trees, 20 m apart, round the first sites of the contract."""
    rng, wide = np.random.default_rng(1), int(np.sqrt(count))

    def spoil(path: Path, _: bytes) -> None:
        k = np.arange(count)
        x, y = 20.0 * (k % wide) - 5 * wide, 20.0 * (k // wide) - 5 * wide
        made = shapely.box(x, y, x + 9, y + 9) if name == "buildings" else shapely.points(x + 14, y + 14)
        made = shapely.transform(made, lambda xy: xy + np.array([scene.EAST, scene.NORTH]))
        columns = {"name": k.astype(str), "h": rng.uniform(3, 12, count), "wide": rng.uniform(3, 7, count)}
        gpd.GeoDataFrame(columns, geometry=made, crs=scene.UTM).to_file(path, layer=name, engine="pyogrio")

    return spoil


def cases() -> Iterator[Case]:
    site, contract = dict(scene.SITE), dict(scene.CONTRACT)
    bare = {"layers.site.path": "site.gpkg", "sun.step_minutes": 60, "sun.day_step": 15, "zone.table": "zones.csv"}
    zones = "label,low,high\n" + "".join(f"Z{k},{k},{k + 1}\n" for k in range(100_000))
    crown = [shapely.Point(10, 20).buffer(6, quad_segs=5000), shapely.Point(40, 30).buffer(6, quad_segs=5000)]
    many = {"buildings.gpkg": city("buildings", 300_000), "trees.gpkg": city("trees", 100_000)}
    yield Case(
        "largest",
        "a view without an end",
        site | {"layers.site.layer": "endless"},
        DATA,
        "its view endless",
        files={"site.gpkg": with_view},
    )
    yield Case(
        "largest",
        "100,000 zones",
        bare,
        DATA,
        "zones",
        files={"zones.csv": lambda path, _: void(path.write_text(zones))},
    )
    yield Case(
        "largest",
        "a site 60 km wide",
        site,
        DATA,
        "20 km wide",
        files={"site.gpkg": shapes("site", lambda s: s.centroid.buffer(30_000))},
    )
    yield Case("largest", "a site of 10,000 parts", site, DATA, "10,000 parts", files={"site.gpkg": parts(10_000)})
    yield Case(
        "largest", "a site of 2,000 parts, which it may have", site, (0, 5), "", files={"site.gpkg": parts(2_000)}
    )
    yield Case(
        "largest",
        "two crowns of 20,000 vertices",
        site,
        OK,
        "corners",
        files={
            "trees.gpkg": layer(
                "trees", lambda t: t.set_geometry(gpd.GeoSeries(scene.frame(crown).geometry, crs=t.crs))
            )
        },
    )
    yield Case(
        "largest",
        "a contract's polygon of the whole earth",
        contract | PLAIN,
        OK,
        "2 degrees wide",
        files={"sites.gpkg": of_earth},
        command="contract",
    )
    yield Case("largest", "a site among 300,000 buildings and 100,000 trees", site, (0, 5), "", files=many)
    yield Case(
        "largest",
        "six sites with layers of 300,000 and 100,000",
        scene.EACH | PLAIN,
        OK,
        "",
        files=many,
        command="contract",
    )


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--only", default="", help="cases whose name matches")
    asked, bad = ask.parse_args(), 0
    print(f"{'':50}  code  CPU s  peak MB")
    with tempfile.TemporaryDirectory(prefix="largest-") as place:
        sound = Path(place) / "sound"
        sound.mkdir()
        scene.write_all(sound)
        for case in cases():
            if not re.search(asked.only, case.name):
                continue
            folder = Path(place) / "case"
            written(case, sound, folder)
            with (folder / "said.txt").open("wb") as log:
                here = f"import os; os.chdir({str(folder)!r}); from planner.cli import main; main()"
                child = os.posix_spawn(
                    sys.executable,
                    [sys.executable, "-c", here, *case.words()],
                    os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
                    file_actions=[(os.POSIX_SPAWN_DUP2, log.fileno(), stream) for stream in (1, 2)],
                )
                _, status, used = os.wait4(child, 0)
            said = (folder / "said.txt").read_text(encoding="utf-8", errors="replace")
            code, seconds, mb = (
                os.waitstatus_to_exitcode(status),
                used.ru_utime + used.ru_stime,
                used.ru_maxrss / 1024,
            )
            right = code in case.codes and re.search(case.says, said) and seconds < MOST_S and mb < MOST_MB
            fault = "" if right else f"  not as it should be: {said[-500:]}"
            print(f"{case.name:50}  {code:4}  {seconds:5.1f}  {mb:7.0f}{fault}", flush=True)
            bad += not right
            shutil.rmtree(folder)
    return int(bad > 0)


if __name__ == "__main__":
    sys.exit(main())
