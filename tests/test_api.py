"""The Python face: what is exported, what it takes and gives, and the page that is made of it.

Run as a script, this file rewrites `examples/api.md`.
"""

import inspect
import pickle
import re
from collections.abc import Callable
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

import planner
from planner import contract, job
from planner.decide import Requirement
from planner.plan import parse_plan
from planner.records import same

PAGE = Path(__file__).parents[1] / "examples" / "api.md"
FUNCTIONS = [name for name in planner.__all__ if inspect.isfunction(getattr(planner, name))]
METHODS = [job.SiteResult.mounts_table, job.SiteResult.controllers_table, contract.ContractResult.sites_table]
PLAN = {"layers": {"buildings": {"height": "top"}}, "sun": {"step_minutes": 60, "day_step": 15}}


def page() -> str:
    parts = [
        "# The Python face\n\nMade from `planner` by `python tests/test_api.py`; a test keeps the two alike. The "
        "keys of a plan stand in [plan-keys.md](plan-keys.md).\n"
    ]
    for name in planner.__all__:
        thing = getattr(planner, name)
        if name in FUNCTIONS:
            parts.append(f"## planner.{name}\n\n```python\n{name}{_signature(thing)}\n```\n\n{_text(thing)}\n")
        else:
            parts.append(f"## planner.{name}\n\n{_text(thing)}\n")
    for method in METHODS:
        parts.append(f"## {method.__qualname__}()\n\n{_text(method)}\n")
    return "\n".join(parts)


def _signature(thing: Callable[..., object]) -> str:
    return str(inspect.signature(thing)).replace("'", "")


def _text(thing: object) -> str:
    """A docstring as Markdown: numpydoc's headings become bold, its blocks stay as they are written."""
    lines, out = (inspect.getdoc(thing) or "").splitlines(), []
    for k, line in enumerate(lines):
        if set(line) == {"-"}:
            continue
        if k + 1 < len(lines) and lines[k + 1] and set(lines[k + 1]) == {"-"}:
            out += [f"**{line}**", ""]
        else:
            out.append(line)
    return re.sub(r":\w+:(`[^`]+`)", r"\1", _fenced(out))


def _fenced(lines: list[str]) -> str:
    """Examples in a fence of their own; indented and listed lines as code would be hard to read, so as a list."""
    out, inside = [], False
    for line in lines:
        example = line.startswith(">>>") or (inside and bool(line))
        if example != inside:
            out.append("```pycon" if example else "```")
        inside = example
        if line.startswith("    ") and not inside:
            out[-1] += ("  \n  " if not out[-1].endswith("\\") else " ") + line.strip() if out[-1] else line.strip()
        else:
            out.append(line)
    return "\n".join(out + (["```"] if inside else []))


def frames(crs: str = "EPSG:32612") -> dict[str, geopandas.GeoDataFrame]:
    def at(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
        return shapely.box(420_000 + x0, 3_700_000 + y0, 420_000 + x1, 3_700_000 + y1)

    utm = "EPSG:32612"
    made = {
        "site": geopandas.GeoDataFrame(geometry=[at(0, 0, 120, 90)], crs=utm),
        "buildings": geopandas.GeoDataFrame({"top": [6.0]}, geometry=[at(40, 30, 70, 50)], crs=utm),
        "controllers": geopandas.GeoDataFrame(geometry=[at(9, 9, 10, 10).centroid], crs=utm),
    }
    return {name: frame.to_crs(crs) for name, frame in made.items()}


@pytest.fixture(scope="module")
def lot() -> job.SiteResult:
    return planner.run_site(PLAN, frames())


def test_what_is_exported_is_there_and_nothing_else() -> None:
    ours = {name for name, thing in vars(planner).items() if getattr(thing, "__module__", "").startswith("planner")}
    assert {name for name in ours if not name.startswith("_")} <= set(planner.__all__)
    for name in planner.__all__:
        assert (getattr(planner, name).__doc__ or "").strip(), name


@pytest.mark.parametrize("function", [getattr(planner, name) for name in FUNCTIONS], ids=FUNCTIONS)
def test_every_function_has_its_sections(function) -> None:
    said = inspect.getdoc(function)
    for heading in ("Parameters", "Returns", "Raises", "Examples"):
        assert f"{heading}\n{'-' * len(heading)}\n" in said
    for parameter in inspect.signature(function).parameters:
        assert parameter in said.split("Parameters\n")[1].split("Returns\n")[0]


def test_the_page_is_as_the_source() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run `python tests/test_api.py`"


def test_frames_are_read_as_files_are(tmp_path: Path, lot: job.SiteResult) -> None:
    layers = {}
    for name, frame in frames("EPSG:4326").items():
        frame.to_file(tmp_path / f"{name}.gpkg")
        layers[name] = {"path": f"{name}.gpkg"}
    layers["buildings"]["height"] = "top"
    plan_file = parse_plan({"layers": layers, "sun": PLAN["sun"]}, tmp_path / "plan.toml")
    filed = planner.run_site(plan_file)
    assert filed.mounts.ids == lot.mounts.ids
    np.testing.assert_allclose(filed.mounts.xyz, lot.mounts.xyz, atol=0.01)
    np.testing.assert_allclose(filed.decision.score, lot.decision.score, atol=0.1)


def test_a_path_will_do(tmp_path: Path) -> None:
    frames()["site"].to_file(tmp_path / "site.gpkg")
    path = tmp_path / "plan.toml"
    path.write_text(
        '[layers.site]\npath = "site.gpkg"\n[mounts]\nground_spacing_m = 40\n[sun]\nstep_minutes = 60\n'
    )
    assert planner.check(str(path)) == []
    assert len(planner.run_site(path).mounts_table()) == 6  # 120 by 90 m, in the middles of cells of 40 m


def test_a_frame_of_an_unknown_layer_is_refused() -> None:
    with pytest.raises(planner.PlanError, match="did you mean 'buildings'"):
        planner.run_site(PLAN, {**frames(), "bulidings": frames()["buildings"]})


def test_tables_hold_what_was_decided(lot: job.SiteResult) -> None:
    table = lot.mounts_table()
    assert table.index.tolist() == list(lot.mounts.ids)
    assert table.crs == "EPSG:4326"
    chosen = table[table.verdict == "chosen"]
    assert chosen.index.tolist() == [lot.mounts.ids[lot.decision.chosen]]
    assert {f"passes_{code}" for code in Requirement} <= set(table)
    ruled_out = table[table.verdict == "ruled_out"]
    assert len(ruled_out)
    for _, row in ruled_out.iterrows():
        assert row.ruled_out_by.split() == [code for code in Requirement if not row[f"passes_{code}"]]
    back = table.to_crs(lot.site.crs)
    np.testing.assert_allclose(
        np.column_stack([back.geometry.x, back.geometry.y]), lot.mounts.xyz[:, :2], atol=1e-6
    )
    told = lot.controllers_table()
    assert told.served_by.tolist() == chosen.index.tolist()
    assert told.probability.iloc[0] == lot.reach.links.probability[lot.decision.chosen, 0]


def test_results_compare_pickle_and_are_short(lot: job.SiteResult) -> None:
    again = pickle.loads(pickle.dumps(lot))
    assert again == lot
    for name in ("decision", "site", "sun", "rain", "reach", "climate", "zone", "siting", "losses", "refined"):
        assert getattr(again, name) == getattr(lot, name), name
    assert lot.sun != lot.rain
    assert lot != planner.run_site({**PLAN, "requirements": {"max_height_m": 6.0}}, frames())
    assert lot != 1
    assert len(repr(lot)) < 2000
    assert len(repr(lot.decision)) < 1000
    with pytest.raises(TypeError):
        hash(lot)


def test_what_is_alike() -> None:
    nan = float("nan")
    assert same({"a": (np.array([1.0, nan]), nan)}, {"a": (np.array([1.0, nan]), nan)})
    assert not same(np.zeros(2), np.zeros(3))
    assert not same((1, 2), (1, 2, 3))
    assert not same({"a": 1}, {"b": 1})
    assert not same(np.array(["a", "b"], object), np.array(["a", "c"], object))
    assert same(shapely.box(0, 0, 1, 1), shapely.box(0, 0, 1, 1))


def test_a_contract_gives_a_table() -> None:
    sites = geopandas.GeoDataFrame(
        {"name": ["a", "b"]}, geometry=[shapely.Point(-112, 33.4), shapely.Point(-111, 45.7)]
    )
    found = planner.run_contract({"contract": {"sites": {"name": "name"}}}, {"sites": sites.set_crs("EPSG:4326")})
    table = found.sites_table()
    assert table.name.tolist() == ["a", "b"]
    assert table.zone.tolist() == [found.zone.table.labels[k] for k in found.zone.zone]
    np.testing.assert_array_equal(table.peak_month, found.climate.eto_mm_day.argmax(axis=1) + 1)
    assert pickle.loads(pickle.dumps(found)) == found


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
