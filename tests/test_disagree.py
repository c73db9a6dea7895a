"""Layers that cannot all be true: only what is known is judged, and what is judged is said once."""

from __future__ import annotations

import shutil
from pathlib import Path

import counties
import geopandas
import numpy as np
import pytest
import rasterio
import shapely

from planner.layers import disagree, read_site
from planner.layers.disagree import Told, disagreements, layer_years, say_ages, year_of
from planner.layers.standing import Surfaces
from planner.ledger import Kind, Ledger
from planner.plan import parse_plan
from planner.site import Apart, Crowns, Disagreement, Heights, no_crowns, prisms

OUTLINE = shapely.box(0, 0, 200, 40)


@pytest.mark.parametrize(
    ("value", "year"),
    [
        *(
            (2019, 2019),
            ("2019-07-04", 2019),
            ("2019.0", 2019),
            (2019.0, 2019),
            ("1850", 1850),
            ("2010..2012", 2010),
        ),
        *((value, None) for value in ("C19", "20190", "", None, np.nan, "~2010")),
    ],
)
def test_a_year_is_read_where_there_is_one(value: object, year: int | None) -> None:
    assert year_of(value) == year


def row_of(*height_m: float, **more: object) -> Told:
    """Buildings 10 m wide, one each 20 m from the west, as the layer has them; the surface model is laid beside."""
    shapes = [shapely.box(20 * k, 10, 20 * k + 10, 20) for k in range(len(height_m))]
    names = [f"B{k}" for k in range(len(height_m))]
    built = prisms(shapes, [-100.0] * len(height_m), list(height_m), names)
    told = {
        "assumed": np.zeros(len(height_m), bool),
        "crowns": no_crowns(),
        "terrain": None,
        "surfaces": Surfaces(),
    }
    return Told(**{"buildings": built, **told, **more})


def surface_of(*seen_m: float) -> Surfaces:
    """A normalized surface model of 1 m cells that shows these heights at the buildings of `row_of`."""
    values = np.zeros((40, 400))
    for k, value in enumerate(seen_m):
        values[20:30, 20 * k : 20 * k + 10] = value
    return Surfaces([Heights(values, 0.0, 40.0, 1.0)], above_ground=True)


def test_a_footprint_beside_the_surface_model() -> None:
    """10 m by the layer: 10 seen is one building, 0.5 none, 14 what roofs and trees may make, 14.1 is more; a shed
    of 2.9 m may be too low for the model."""
    seen = surface_of(10.0, 0.5, 14.0, 14.1, 0.5, np.nan)
    found = disagreements(OUTLINE, row_of(10.0, 10.0, 10.0, 10.0, 2.9, 10.0, surfaces=seen))
    assert found == (
        Apart(Disagreement.NOT_IN_SURFACE, ("B1",)),
        Apart(Disagreement.HEIGHTS_DIFFER, ("B3",)),
    )
    # a story counts at a low building, though it is more than its share
    assert disagreements(OUTLINE, row_of(4.0, 4.0, surfaces=surface_of(7.0, 7.1))) == (
        Apart(Disagreement.HEIGHTS_DIFFER, ("B1",)),
    )


def test_what_is_not_known_or_not_on_the_site_is_not_judged() -> None:
    gone = surface_of(0.0, 0.0, 0.0)
    assumed = np.array([True, False, False])
    assert disagreements(shapely.box(0, 0, 35, 40), row_of(10.0, 10.0, 10.0, surfaces=gone, assumed=assumed)) == (
        Apart(Disagreement.NOT_IN_SURFACE, ("B1",)),  # B0 is assumed, B2 beside the site
    )
    on_sea_level = Surfaces(gone.rasters)  # without terrain nobody knows what is above the ground
    assert disagreements(OUTLINE, row_of(10.0, surfaces=on_sea_level)) == ()
    assert disagreements(OUTLINE, row_of(surfaces=gone)) == ()
    # a tower on its podium: the model shows the tower for both
    both = [shapely.box(0, 10, 10, 20), shapely.box(0, 10, 10, 20)]
    tower = prisms(both, [-100.0, 5.0], [5.0, 30.0], ["podium", "tower"])
    assert disagreements(OUTLINE, row_of(5.0, 30.0, buildings=tower, surfaces=surface_of(30.0))) == ()


def test_a_building_of_later_date_is_not_missed_in_the_surface_model() -> None:
    found = disagreements(
        OUTLINE, row_of(10.0, 10.0, surfaces=surface_of(0.0, 0.0)), frozenset(["B0", "elsewhere"])
    )
    assert found == (Apart(Disagreement.NOT_IN_SURFACE, ("B1",)), Apart(Disagreement.BUILT_LATER, ("B0",)))


@pytest.mark.parametrize(("inside_m", "said"), [(0.9, False), (1.1, True), (-3.0, False)])
def test_a_trunk_within_a_wall_by_more_than_a_drawing_errs(inside_m: float, said: bool) -> None:
    crowns = Crowns(("t",), np.array([[inside_m, 15.0, 4.0]]), np.array([2.0]), np.array([2.0]), np.array([True]))
    found = disagreements(OUTLINE, row_of(10.0, 10.0, crowns=crowns))
    assert found == ((Apart(Disagreement.TREE_INSIDE, ("B0",)),) if said else ())


# --- from files --------------------------------------------------------------------------------------------------


def plan_of(folder: Path, **layers: object):
    found = counties.layers(folder)
    for name, keys in layers.items():
        found[name] = {**found.get(name, {}), **keys}
    found["site"] = {"path": "sites.gpkg", "name": "site", "pick": "Park 1"}
    found["controllers"]["where"] = "site = 'Park 1'"
    return parse_plan({"layers": found}, folder / "one.toml")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A county, and a surface model that shows its ground alone."""
    made = tmp_path_factory.mktemp("county")
    counties.county(made, sites=1, buildings=5, trees=5)  # one of its own trees stands in its first building
    shutil.copy(made / "terrain.tif", made / "surface.tif")
    roofs = geopandas.read_file(made / "buildings.gpkg")
    roofs["start_date"] = ["2021-05-01", "2018", None, "2019", *[None] * (len(roofs) - 4)]
    roofs.to_file(made / "dated.gpkg")
    return made


def test_a_site_says_what_its_layers_disagree_about(folder: Path) -> None:
    """All four stand where the model shows none; that of 2021 because the model is of 2019."""
    ledger = Ledger()
    surface = {"path": "surface.tif", "as_of": "2019-03"}
    site = read_site(plan_of(folder, buildings={"path": "dated.gpkg"}, surface=surface), ledger)
    assert site.apart == (
        Apart(Disagreement.NOT_IN_SURFACE, ("B1", "B2", "B3")),
        Apart(Disagreement.BUILT_LATER, ("B0",)),
        Apart(Disagreement.TREE_INSIDE, ("B0",)),
    )
    said = {(n.features, n.what.split(":")[0]) for n in ledger if n.kind is Kind.CHECK}
    assert (("B0",), "built after the surface model") in said
    assert (("B0",), "a tree stands inside it") in said
    assert ("B1", "B2", "B3") in {features for features, _ in said}
    # without the model's date nobody can say so
    plan = plan_of(folder, buildings={"path": "dated.gpkg"}, surface={"path": "surface.tif"})
    assert read_site(plan, Ledger()).apart[0] == Apart(Disagreement.NOT_IN_SURFACE, ("B0", "B1", "B2", "B3"))


@pytest.mark.parametrize(("trees", "said"), [("2015-12-31", False), ("2014", True), (None, False)])
def test_layers_that_are_years_apart_say_so(folder: Path, trees: str | None, said: bool) -> None:
    of_trees = {} if trees is None else {"as_of": trees}
    ledger = Ledger()
    say_ages(plan_of(folder, buildings={"as_of": "2019"}, trees=of_trees), ledger)
    assert [n.what[:48] for n in ledger] == (["they are years apart (trees 2014, buildings 2019"] if said else [])


def test_an_image_says_itself_when_it_was_taken(folder: Path, tmp_path: Path) -> None:
    """By GDAL's domain IMAGERY; when the file was written (TIFFTAG_DATETIME) is no survey."""
    with rasterio.open(folder / "surface.tif") as source:
        profile, values = source.profile, source.read()
    for name, tags in (("taken", {"ns": "IMAGERY", "ACQUISITIONDATETIME": "2017-06-01 10:00:00"}), ("written", {})):
        with rasterio.open(tmp_path / f"{name}.tif", "w", **profile) as made:
            made.write(values)
            made.update_tags(TIFFTAG_DATETIME="2024:01:01 00:00:00")
            if tags:
                made.update_tags(**tags)
    assert layer_years(plan_of(folder, surface={"path": str(tmp_path / "taken.tif")})) == {"surface": 2017}
    assert layer_years(plan_of(folder, surface={"path": str(tmp_path / "written.tif")})) == {}


@pytest.mark.parametrize("content", [b"", b"a letter", b'<VRTDataset rasterXSize="1" rasterYSize="1"/>'])
def test_a_raster_that_cannot_be_read_has_no_year(folder: Path, tmp_path: Path, content: bytes) -> None:
    """What ails it is said where its heights are read, and it is opened as guardedly as there."""
    (tmp_path / "odd.tif").write_bytes(content)
    assert layer_years(plan_of(folder, terrain={"path": str(tmp_path / "odd.tif")})) == {}


def test_rasters_of_a_user_are_opened_in_one_place() -> None:
    """Where it is seen to that nothing is fetched; the built-in climate and an ETo layer in the making are ours."""
    rooms = Path(disagree.__file__).parents[1]
    found = {str(p.relative_to(rooms)) for p in rooms.rglob("*.py") if "rasterio.open(" in p.read_text()}
    assert found == {"layers/opening.py", "climate/builtin.py", "eto_layer.py"}
