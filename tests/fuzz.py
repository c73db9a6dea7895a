"""Fuzz every parser: `python tests/fuzz.py [--minutes M] [--only WORD] [--seed N]`; the tests run a short share.

Each parser is given files that are its own sound one with some of it turned, cut, doubled or replaced, and files of
anything. It must read them or raise an error of ours, and what it reads must hold no infinite number where it
promises none. A failing file is made smaller by hypothesis and printed. Without a number ten minutes in all.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent / "corpus"), str(Path(__file__).parents[1])]

import corpus_scene as scene  # noqa: E402
import shapely  # noqa: E402
from hypothesis import HealthCheck, Phase, given, settings  # noqa: E402
from hypothesis import seed as seeded  # noqa: E402
from hypothesis import strategies as st  # noqa: E402

from planner.climate.zones import zone_table  # noqa: E402
from planner.copper import conductor  # noqa: E402
from planner.layers import geoparquet  # noqa: E402
from planner.layers.daily import read_yearly_peaks  # noqa: E402
from planner.layers.horizon import read_horizon  # noqa: E402
from planner.layers.log import read_log  # noqa: E402
from planner.layers.station_days import read_days  # noqa: E402
from planner.layers.station_table import read_station_table  # noqa: E402
from planner.layers.vector import read_vector  # noqa: E402
from planner.layers.weather import read_hours, read_weather  # noqa: E402
from planner.layers.zone_rows import read_zone_rows  # noqa: E402
from planner.ledger import Ledger, PlannerError  # noqa: E402
from planner.plan import Review, parse_plan, read_plan  # noqa: E402
from planner.upkeep import words_known  # noqa: E402

# what people and programs write into cells, beside anything
CELLS = (
    "", "-", "nan", "NaN", "inf", "-inf", "1e999", "1e308", "-1", "0", "999999999999999999999", "12,5",
    "1.250,5", "1,250", "85 %", "n/a", "2025-06-30", "6/30/2025", "30.6.2025", "0000-00-00", "9999-12-31",
    "2025-06-30T06:00:00+02:00", '"', "''", ";", "\t", "\0", "\x1a", "=1+1", "\ufeff", "\u0663",
    "\u00bd", "\uff11\uff12",
    "\u2212 3", "x" * 300, "true", "null", "[[", "]]", "{", "}", "\u202e", "\ud7ff", "date", "eto", "low", "high",
    "label", "Station", "%", "\u00b0", "\r", "\n", "\u2028",
)  # fmt: skip


@st.composite
def spoiled(draw: st.DrawFn, sound: bytes) -> bytes:
    """A sound file with up to eight things done to it, or anything."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=400))
    data = bytearray(sound)
    for _ in range(draw(st.integers(1, 8))):
        at = draw(st.integers(0, len(data)))
        end = min(len(data), at + draw(st.integers(0, 40)))
        what = draw(st.sampled_from(["bytes", "cell", "cell", "cell", "line", "cut", "double", "drop", "bit"]))
        if what == "bytes":
            data[at:end] = draw(st.binary(max_size=40))
        elif what == "cell":
            marks = [k for k, byte in enumerate(data) if byte in b",;\t\n=\"'"]
            if marks:
                k = draw(st.integers(0, len(marks) - 1))
                after = marks[k + 1] if k + 1 < len(marks) else len(data)
                data[marks[k] + 1 : after] = draw(st.sampled_from(CELLS)).encode("utf-8", "surrogatepass")
        elif what == "line":
            lines = bytes(data).split(b"\n")
            k, other = draw(st.integers(0, len(lines) - 1)), draw(st.integers(0, len(lines) - 1))
            lines[k] = lines[other]
            data = bytearray(b"\n".join(lines))
        elif what == "cut":
            data = data[:at]
        elif what == "double":
            data[at:at] = data[at:end] * draw(st.integers(1, 3))
        elif what == "drop":
            del data[at:end]
        elif data and at < len(data):
            data[at] ^= 1 << draw(st.integers(0, 7))
    return bytes(data)


FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-"))
SAMPLE = scene.toml(scene.SITE | {"mounts.named": [{"name": "M", "x": -119.36, "y": 35.27, "height_m": 4.0}],
                                  "programme.window": "20:00-06:00", "season.months": [4, 5]}).encode()  # fmt: skip


def named(name: str, read: Callable[[Path], object]) -> Callable[[bytes], object]:
    """`read` of a file of that name with these bytes."""

    def parse(data: bytes) -> object:
        path = FOLDER / name
        path.write_bytes(data)
        return read(path)

    return parse


def gpkg(shape: shapely.Geometry) -> bytes:
    path = FOLDER / "sound.gpkg"
    path.unlink(missing_ok=True)
    scene.frame([shape], name=["a"]).to_file(path, layer="a", engine="pyogrio")
    return path.read_bytes()


def parquet() -> bytes:
    path = FOLDER / "sound.parquet"
    scene.layers()["trees"].to_parquet(path)
    return path.read_bytes()


def vector(path: Path) -> object:
    plan = parse_plan({"layers": {"site": {"path": path.name, "crs": scene.UTM}}}, FOLDER / "plan.toml")
    return read_vector(plan, "layers.site", plan.plan.layers.site, ("name",), Ledger())


def of_plan(raw: dict[str, object], read: Callable[..., object]) -> Callable[[Path], object]:
    return lambda path: read(parse_plan(raw, FOLDER / "plan.toml"), Ledger())


def zones(path: Path) -> object:
    return zone_table(read_zone_rows(path), "mm/day", Ledger())


GEOJSON = scene.layers()["trees"].to_crs(4326).to_json().encode()
HOURS = "\n".join(scene.hours().splitlines()[:40]).encode()  # a whole year takes too long to be read often
STATIONS = {"programme": {"stations": "stations.csv"}}
DAILY = {"climate": {"daily": {"path": "daily.csv"}}}
# parser: (a sound file, how it is read)
PARSERS: dict[str, tuple[bytes, Callable[[bytes], object]]] = {
    "plan": (SAMPLE, named("plan.toml", read_plan)),
    "zone table": (scene.ZONES.encode(), named("zones.csv", zones)),
    "station table": (
        scene.STATIONS.encode(),
        named("stations.csv", of_plan(STATIONS, lambda plan, to: read_station_table(plan, words_known(), to))),
    ),
    "log": (scene.log()[:600].encode(), named("log.csv", lambda path: read_log(path, Review(), Ledger()))),
    "daily weather": (
        scene.weather_days()[:800].encode(),
        named("weather.csv", lambda path: read_days(path, "weather", 2.0, Ledger())),
    ),
    "daily ETo": (scene.daily()[:9000].encode(), named("daily.csv", of_plan(DAILY, read_yearly_peaks))),
    "hours": (HOURS, named("hours.epw", lambda path: read_hours(path, "hours", Ledger()))),
    "light by the hour": (
        HOURS,
        named("light.epw", lambda path: read_weather(path, scene.LATITUDE, scene.LONGITUDE, Ledger())),
    ),
    "horizon": (scene.HORIZON.encode(), named("horizon.csv", lambda path: read_horizon(path, "horizon"))),
    "GeoPackage": (gpkg(shapely.box(0, 0, 9, 9)), named("a.gpkg", vector)),
    "GeoParquet": (parquet(), named("a.parquet", vector)),
    "GeoParquet's own": (parquet(), named("b.parquet", geoparquet.info)),
    "GeoJSON": (GEOJSON, named("a.geojson", vector)),
    "points of a CSV": (b"name,lon,lat\na,-119.36,35.27\nb,-119.37,35.28\n", named("a.csv", vector)),
    "conductor": (b"2 x 18 AWG / 1.5 mm2", lambda data: conductor(data.decode("latin-1"))),
}  # fmt: skip
ALLOWED = {"conductor": (PlannerError, ValueError), "GeoParquet's own": (Exception,)}


def fuzz(name: str, examples: int, seed: int | None = None) -> int:
    """How many files the parser was given; raises what is no error of ours, with the smallest file that does so."""
    sound, parse = PARSERS[name]
    tried = 0

    @settings(
        max_examples=examples, deadline=None, database=None, derandomize=seed is None,
        phases=[Phase.generate, Phase.shrink], suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(spoiled(sound))
    def throw(data: bytes) -> None:
        nonlocal tried
        tried += 1
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                parse(data)
        except ALLOWED.get(name, (PlannerError,)):
            pass

    (throw if seed is None else seeded(seed)(throw))()
    return tried


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--minutes", type=float, default=10.0)
    ask.add_argument("--only", default="")
    ask.add_argument("--seed", type=int, default=1)
    asked = ask.parse_args()
    names = [name for name in PARSERS if asked.only in name]
    failed = 0
    for name in names:
        tried, round_, begun = 0, 0, time.monotonic()
        each_s = 60 * asked.minutes / len(names)
        try:
            while time.monotonic() < begun + each_s:
                tried += fuzz(name, 100, 1000 * asked.seed + round_)
                round_ += 1
        except Exception as fault:
            failed += 1
            notes = "\n".join(getattr(fault, "__notes__", []))
            print(f"{name}: {type(fault).__name__}: {fault}\n{notes}", flush=True)
        print(f"{name}: {tried} files in {time.monotonic() - begun:.0f} s", flush=True)
    print(f"{len(names)} parsers, {failed} of them failed (seed {asked.seed})")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
