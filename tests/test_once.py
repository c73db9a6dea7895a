"""Nothing twice: what a run of one site reads, lays out and works out, counted."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import rasterio
import shapely

import planner
from planner import ground, job
from planner.layers import opening
from planner.reach import ReachResult
from planner.reach import scene as radio
from planner.records import same


@pytest.fixture(scope="module")
def plan_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two halls, two controllers, a surface's terrain and an ETo layer, as files."""
    folder = tmp_path_factory.mktemp("once")

    def at(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
        return shapely.box(420_000 + x0, 3_700_000 + y0, 420_000 + x1, 3_700_000 + y1)

    def save(name: str, shapes: list[Any], **columns: object) -> None:
        geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:32612").to_file(folder / f"{name}.gpkg")

    save("site", [at(0, 0, 120, 90)])
    save("buildings", [at(40, 30, 60, 50), at(80, 60, 100, 80)], top=[6.0, 9.0])
    save("controllers", [at(9, 9, 10, 10).centroid, at(110, 10, 111, 11).centroid])
    raster = {"driver": "GTiff", "dtype": "float32"}
    hills = rasterio.transform.from_origin(419_900, 3_700_190, 10, 10)
    with rasterio.open(
        folder / "terrain.tif", "w", width=32, height=30, count=1, crs="EPSG:32612", transform=hills, **raster
    ) as file:
        file.write(350 + np.random.default_rng(1).random((1, 30, 32)).astype(np.float32))
    cells = rasterio.transform.from_origin(-113, 34.5, 0.25, 0.25)
    months = 5 + 3 * np.sin((np.arange(12) - 3) * np.pi / 6)
    with rasterio.open(
        folder / "eto.tif", "w", width=8, height=8, count=12, crs="EPSG:4326", transform=cells, **raster
    ) as file:
        file.write(np.broadcast_to(months[:, None, None], (12, 8, 8)).astype(np.float32))
    (folder / "plan.toml").write_text(
        """
[layers]
site.path = "site.gpkg"
buildings = { path = "buildings.gpkg", height = "top" }
controllers.path = "controllers.gpkg"
terrain.path = "terrain.tif"
[climate.eto]
path = "eto.tif"
unit = "mm/day"
[sun]
step_minutes = 60
day_step = 15
""",
        encoding="utf-8",
    )
    return folder / "plan.toml"


def counted(
    monkeypatch: pytest.MonkeyPatch,
    function: Callable[..., Any],
    by: Callable[..., Any] = lambda *given, **named: 0,
) -> Counter[Any]:
    """Calls of a function, by whatever name a room has it; by: what to count them by."""
    calls: Counter[Any] = Counter()

    def instead(*given: Any, **named: Any) -> Any:
        calls[by(*given, **named)] += 1
        return function(*given, **named)

    for name, module in list(sys.modules.items()):
        if name.split(".")[0] == "planner":
            for own, thing in list(vars(module).items()):
                if thing is function:
                    monkeypatch.setattr(module, own, instead)
    return calls


def test_a_run_does_nothing_twice(monkeypatch: pytest.MonkeyPatch, plan_path: Path) -> None:
    scenes = counted(monkeypatch, radio.scene)
    grounds = counted(monkeypatch, ground.site_ground)
    opened = counted(monkeypatch, opening.raster, by=lambda where, path, *rest, **named: path.name)
    rooms: Counter[tuple[int, ...]] = Counter()
    worked_out = ReachResult.radio_room.func  # type: ignore[attr-defined]

    def room(self: ReachResult) -> Any:
        rooms[self.distance_m.shape] += 1
        return worked_out(self)

    monkeypatch.setattr(ReachResult.radio_room, "func", room)
    result = planner.run_site(plan_path)
    whole = (len(result.mounts), 2)
    assert result.climate_picture is not None
    assert result.climate_picture.source == "ETo layer"
    assert result.light_spread  # each with its neighbors raised and lowered
    assert scenes == {0: 1}
    assert grounds == {0: 1}
    assert opened["eto.tif"] == 1
    assert opened["terrain.tif"] == 2  # once fine, near the site, and once coarse, to the horizon
    assert rooms.pop(whole) == 1
    assert set(rooms.values()) == {1}  # the trials beside and above the mounts, once too


def test_the_picture_is_the_window_that_a_contract_reads(plan_path: Path) -> None:
    """Read beside the site's own cells, or by itself: the same picture."""
    from planner.layers import read_site
    from planner.ledger import Ledger
    from planner.local_climate import picture_around

    source, ledger = planner.read_plan(plan_path), Ledger()
    site = read_site(source, ledger)
    at = (np.array([site.longitude_deg]), np.array([site.latitude_deg]))
    picture = job.climate_and_zone(source, site, ledger, picture=True).picture
    assert same(picture, picture_around(source, *at, ledger))
    assert np.nanmax(picture.values) == pytest.approx(8.0)
    assert job.climate_and_zone(source, site, ledger).picture is None
