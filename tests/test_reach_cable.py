"""Cable: resistance by the standards' tables, and routes that are never dearer than a straight legal one."""

from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
import shapely.affinity
from campus_scenes import SHEET, SUPPLIED
from hypothesis import example, given, settings
from hypothesis import strategies as st
from plain_routes import cheapest

from planner.copper import IEC_60228, awg, awg_diameter_mm, conductor, metric
from planner.layers import read_site
from planner.ledger import DataError, Ledger, PlanError
from planner.mounts import Holder, Mounts, Support
from planner.plan import Cable, Plan, Prices, Sensor, parse_plan, read_plan
from planner.reach import reach
from planner.reach.cable import (
    BARRED,
    CONDUIT,
    INSIDE,
    OUTSIDE,
    PAVED,
    ROAD,
    SOFT,
    WALL,
    cables,
    every_cable,
    ground,
    routes,
)
from planner.reach.study import Judged, study
from planner.reach.wire import Assumed, check, drop_v, loop_ohm, sensor_cable
from planner.show.say.links import surfaces
from planner.site import Cover, Grounds, KeepOut, KeepOuts, Places, bare_site, prisms

PRICES = Prices()
CAMPUS = Path(__file__).resolve().parents[1] / "examples" / "campus" / "campus.toml"


# --- copper -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("gauge", "ohm_per_km"), [(18, 20.95), (14, 8.285)])
def test_awg_at_20_degrees(gauge, ohm_per_km):
    """ASTM B258: diameter 0.127 mm * 92^((36 - n) / 39); copper of 17.241 nohm m."""
    assert awg(gauge).ohm_per_km == pytest.approx(ohm_per_km, abs=0.006)
    assert awg_diameter_mm(36) == pytest.approx(0.127)
    assert awg_diameter_mm(18) == pytest.approx(1.024, abs=0.001)


@pytest.mark.parametrize(("gauge", "ohm_per_kft"), [(18, 7.77), (14, 3.07)])
def test_awg_at_75_degrees_beside_the_electrical_code(gauge, ohm_per_kft):
    """NEC chapter 9 table 8, solid uncoated copper at 75 degrees C; kept apart from the values at 20 degrees."""
    one_way = loop_ohm(304.8, awg(gauge), 75.0) / 2
    assert one_way == pytest.approx(ohm_per_kft, rel=0.01)


@pytest.mark.parametrize(("area", "ohm_per_km"), [(0.75, 24.5), (1.0, 18.1), (1.5, 12.1)])
def test_metric_conductors(area, ohm_per_km):
    """IEC 60228 classes 1 and 2 at 20 degrees C."""
    assert metric(area).ohm_per_km == ohm_per_km
    # the standard's most allowed lies a little above pure copper of that area
    assert 1.0 < ohm_per_km / (17.241 / area) < 1.1
    assert list(IEC_60228.values()) == sorted(IEC_60228.values(), reverse=True)


def test_drop_and_loop():
    """60 m of 18 AWG at 20 degrees C: 2.51 ohm of loop, 0.0754 V at 30 mA; computed."""
    assert loop_ohm(60, awg(18)) == pytest.approx(2.51, abs=0.005)
    assert drop_v(60, awg(18), 0.03) == pytest.approx(0.0754, abs=0.0001)
    assert loop_ohm(60, awg(18), 75) / loop_ohm(60, awg(18)) == pytest.approx(1.216, abs=0.001)


SPELLINGS = {  # how catalogs and plans write it: common practice, no source
    "18 AWG": [
        "18 AWG", "18AWG", "18 awg", "AWG 18", "AWG18", "AWG #18", "AWG No. 18", "#18 AWG", "No. 18 AWG", "18 ga",
        "18ga", "18 gauge", "18-gauge", "18-AWG", "18/2 AWG", "18-2 AWG", "18-2AWG", "18/2AWG", "2/18 AWG",
        "2-18 AWG", "2x18 AWG", "2 x 18 AWG",
        "2 × 18 AWG", "2C/18 AWG", "2C x 18 AWG", "18/2C AWG", "18/2 gauge", "18-2 ga",
        "AWG 18/2", "AWG 18-2", "18/2", "18-2", "18/2 wire", "18-2 cable", "18 AWG/2", "18AWG/2C",
        "18 AWG 2 conductor", "2 conductor 18 AWG", "18/4 AWG", "18-5 AWG", "18/7 AWG", "18 AWG 24 V",
        "1 mm2 / 18 AWG", "1mm2/18AWG", "18 AWG (0.82 mm2)", "18-2 AWG direct burial",
    ],
    "16 AWG": ["16-2 AWG", "16/2", "AWG #16", "2/16 AWG"],
    "14 AWG": ["14-2 AWG", "14/3 AWG"],
    "12 AWG": ["12-2", "12/3 AWG"],
    "22 AWG": ["22-4 AWG", "22/4", "4 x 22 AWG"],
    "20 AWG": ["20/2 AWG", "20-3 AWG"],
    "0.75 mm2": ["14 awg or 0.75 mm2", "2 x 0.75 mm2", "2x0.75mm²"],
    "1 mm2": ["1 mm^2", "1 sq mm"],
    "1.5 mm2": ["1.5 mm² cable", "1,5 mm2", "3 x 1.5 mm2"],
    "2.5 mm2": ["2.5 sq. mm"],
    "10 mm2": ["10 mm2"],
}  # fmt: skip


@pytest.mark.parametrize(("text", "name"), [(text, name) for name, texts in SPELLINGS.items() for text in texts])
def test_reading_a_conductor(text, name):
    assert conductor(text).name == name


def test_sixty_spellings_and_more():
    assert sum(len(texts) for texts in SPELLINGS.values()) >= 60


@pytest.mark.parametrize("text", ["10-12 AWG", "16/18 AWG", "8-4 AWG", "2/0 AWG", "12-10", "AWG 4/2"])
def test_a_size_that_cannot_be_told_from_the_number_of_wires_is_refused(text):
    with pytest.raises(ValueError, match="does not say which number is the size"):
        conductor(text)


@pytest.mark.parametrize("text", ["a thick one", "as supplied", "7 mm2", "0.8 mm2", "99 AWG", "", "18"])
def test_a_conductor_that_is_not_known_is_refused_with_the_ways_to_write_it(text, tmp_path):
    """Never is the electrical check left out in silence."""
    with pytest.raises(PlanError, match="names no conductor that is known") as fault:
        parse_plan({"layers": {"site": {"path": "s"}}, "sensor": {"cable_conductor": text}}, tmp_path / "p.toml")
    assert "sensor.cable_conductor" in str(fault.value)
    assert "'18 AWG'" in str(fault.value)
    assert "'1.5 mm2'" in str(fault.value)


def test_a_contact_goes_farther_on_thicker_wire_only_if_the_maker_agrees():
    """The longest allowed run is the limit; its loop resistance the yardstick for what may go farther."""
    sensor = Sensor(link="cable", **SHEET)
    assert check(59.9, sensor, Cable()).ok
    long = check(90, sensor, Cable())
    assert not long.ok
    assert long.instead.name == "16 AWG"  # 13.2 ohm per km over 90 m are less than 20.9 over 60 m
    assert long.ask_maker
    assert long.longest_m == 60.0
    assert check(2000, sensor, Cable()).instead is None


def test_a_plan_without_the_cables_data_says_what_is_assumed():
    """Nothing is supplied, 50 m of 18 AWG are allowed, and each key that is missing is named."""
    sheet = sensor_cable(Sensor(link="cable"))
    assert (sheet.supplied_m, sheet.longest_m, sheet.conductor.name) == (0.0, 50.0, "18 AWG")
    assert sheet.assumed == tuple(Assumed)
    assert sensor_cable(Sensor(link="cable", **SUPPLIED)).assumed == (Assumed.LONGEST,)
    assert sensor_cable(Sensor(link="cable", **SHEET)).assumed == ()
    assert check(49.9, Sensor(link="cable"), Cable()).ok
    assert not check(50.1, Sensor(link="cable"), Cable()).ok


def test_a_powered_sensor_is_held_to_its_drop():
    weak = Cable(circuit="powered", current_ma=500, supply_v=12, drop_share=0.05)
    sensor = Sensor(link="cable", **SHEET)
    at = check(40, sensor, weak)
    assert at.drop_v == pytest.approx(loop_ohm(40, awg(18), 50) * 0.5)
    assert not at.ok
    # 0.6 V over 0.5 A are 1.2 ohm: 16 AWG has 13.2 * 1.118 ohm per km at 50 degrees, 1.18 ohm over twice 40 m
    assert at.instead.name == "16 AWG"
    assert not at.ask_maker
    assert at.longest_m == 60.0
    assert check(40, sensor, Cable()).ok


def test_no_wire_makes_a_powered_run_longer_than_the_longest():
    """30 mA of 24 V over 61 m of 18 AWG lose 0.09 V of the 1.2 V allowed: it is the length that is over."""
    powered = Cable(circuit="powered")
    over = check(61, Sensor(link="cable", **SHEET), powered)
    assert over.drop_v < 0.1
    assert not over.ok
    assert over.over_m == 60.0
    assert over.instead is None
    # 1 A of 12 V: 0.6 V over twice 3.73 ohm per km (10 AWG warm) are 80 m, over twice 23.4 (18 AWG) 12.8 m
    weak = Cable(circuit="powered", current_ma=1000, supply_v=12)
    far = check(70, Sensor(link="cable", **SUPPLIED, cable_longest_m=500), weak)
    assert far.instead.name == "10 AWG"
    assert far.longest_m == pytest.approx(0.6 / (2 * awg(10).ohm_per_km / 1000 * (1 + 0.00393 * 30)))


def test_a_thicker_conductor_costs_more():
    """Copper of 16 AWG over that of 18 AWG, 0.486 mm2 by ASTM B258, at the plan's price a metre."""
    site = bare_site(shapely.box(-10, -10, 50, 10))
    start, end = np.array([0.0, 0.0]), np.array([[30.0, 0.0]])
    g = ground(site, PRICES, 1.0, np.vstack([start, end]))
    weak = Cable(circuit="powered", current_ma=500, supply_v=12)
    (thick,) = cables(g, start, 3.0, end, np.array([1.5]), Sensor(link="cable", **SHEET), weak, PRICES)
    (thin,) = cables(g, start, 3.0, end, np.array([1.5]), Sensor(link="cable", **SHEET), Cable(), PRICES)
    assert thick.wire.instead.name == "16 AWG"
    assert thick.holds
    assert thick.price - thin.price == pytest.approx(thin.length_m * PRICES.copper_mm2_m * 0.486, rel=0.01)


# --- grounds ----------------------------------------------------------------------------------------------------


def test_grounds_are_read_by_what_they_mean_for_a_cable():
    site = read_site(read_plan(CAMPUS), Ledger())
    by_name = dict(zip(site.grounds.names, site.grounds.covers, strict=True))
    assert by_name["Quad"] is Cover.SOFT
    assert by_name["Walks"] is Cover.PAVED
    assert by_name["Quarry Road"] is Cover.ROAD
    assert by_name["Pool"] is Cover.BARRED


def test_an_unknown_ground_is_refused_with_the_words_that_are_known(tmp_path):
    shape = geopandas.GeoDataFrame({"kind": ["gravle"]}, geometry=[shapely.box(0, 0, 10, 10)], crs="EPSG:32611")
    outline = geopandas.GeoDataFrame(geometry=[shapely.box(-50, -50, 50, 50)], crs="EPSG:32611")
    for name, layer in (("g", shape), ("s", outline)):
        layer.geometry = layer.geometry.translate(400_000, 3_700_000)
        layer.to_file(tmp_path / f"{name}.gpkg")
    source = parse_plan(
        {"layers": {"site": {"path": "s.gpkg"}, "grounds": {"path": "g.gpkg"}}}, tmp_path / "p.toml"
    )
    with pytest.raises(DataError, match="'gravle' in 'kind' is not known") as fault:
        read_site(source, Ledger())
    assert "one of: lawn, planting, field, path" in fault.value.todo


# --- routes -----------------------------------------------------------------------------------------------------


def yard():
    return bare_site(
        shapely.box(0, 0, 100, 100),
        buildings=prisms([shapely.box(40, 20, 60, 80), shapely.box(5, 85, 25, 95)], [-1, 4.0], [8, 5]),
        grounds=Grounds(
            ("walk", "street", "pond", "duct"),
            (Cover.PAVED, Cover.ROAD, Cover.BARRED, Cover.CONDUIT),
            (
                shapely.box(0, 5, 100, 10),
                shapely.box(80, 0, 86, 100),
                shapely.box(65, 30, 75, 50),
                shapely.LineString([(10, 50), (10, 15), (90, 15)]),
            ),
        ),
        keep_outs=KeepOuts(
            ("vent", "lawn"),
            (KeepOut.HEAT, KeepOut.SPRAY),
            (shapely.box(20, 60, 30, 70), shapely.box(0, 20, 30, 50)),
        ),
    )


def test_surfaces():
    g = ground(yard(), PRICES, 0.5, np.array([[0.0, 0.0]]))
    at = {
        (20, 7): PAVED,
        (83, 50): ROAD,
        (70, 40): BARRED,
        (10, 30): CONDUIT,
        (50, 50): INSIDE,
        (39.3, 50): WALL,
        (25, 65): BARRED,
        (20, 30): SOFT,
        (15, 90): SOFT,  # under a roof on posts
        (-500, 0): BARRED,
    }
    for xy, kind in at.items():
        assert g.at(np.array([xy], float))[0] == kind, xy


def test_a_route_does_not_dodge_a_road_through_the_neighbours_ground():
    """A street is drawn as far as the outline, as layers clipped to a site are. By hand, with lawn and its cable at
    27 a metre and road at 152: straight on 52 and 8 m, 2,620; round the street's end, were it lawn, 74 m, 1,990."""
    street = Grounds(("street",), (Cover.ROAD,), (shapely.box(30, -20, 38, 20),))
    site = bare_site(shapely.box(0, -20, 70, 20), grounds=street)
    start, end = np.array([5.0, 0.0]), np.array([[65.0, 0.0]])
    g = ground(site, PRICES, 1.0, np.vstack([start, end]))
    (straight,) = routes(g, start, end)
    assert g.cost(straight) == pytest.approx(52 * 27 + 8 * 152)
    assert g.run(straight)[OUTSIDE] == 0
    # a controller outside the site is reached all the same, and the way there is said
    (out,) = cables(g, start, 3.0, np.array([[20.0, 25.0]]), np.array([1.5]), Sensor(link="cable"), Cable(), PRICES)
    assert out.surface_m[OUTSIDE] == pytest.approx(5.0, abs=0.2)
    assert "outside the site" in surfaces(out, "metric")


def test_metres_by_surface_are_measured_along_the_line():
    g = ground(yard(), PRICES, 0.5, np.array([[0.0, 0.0]]))
    line = np.array([[2.0, 7.5], [98.0, 7.5]])
    metres = g.run(line)
    assert metres.sum() == pytest.approx(96)
    assert metres[ROAD] == pytest.approx(6, abs=0.5)
    assert g.cost(line) == pytest.approx(float(metres[:BARRED] @ g.price_m[:BARRED]))
    assert np.isinf(g.cost(np.array([[60.0, 40.0], [78.0, 40.0]])))


def test_a_route_goes_round_what_is_barred_and_keeps_to_the_duct():
    site = yard()
    start, ends = np.array([10.0, 50.0]), np.array([[78.0, 15.0], [78.0, 40.0]])
    g = ground(site, PRICES, 0.5, np.vstack([start, ends]))
    first, second = routes(g, start, ends)
    assert g.run(first)[CONDUIT] > 80
    assert np.isfinite(g.cost(second))
    assert not shapely.LineString(second).intersects(shapely.box(65.5, 30.5, 74.5, 49.5))


def test_no_way():
    moat = shapely.box(-40, -40, 140, 140).difference(shapely.box(30, 30, 70, 70))
    site = bare_site(shapely.box(0, 0, 100, 100), grounds=Grounds(("moat",), (Cover.BARRED,), (moat,)))
    g = ground(site, PRICES, 1.0, np.array([[50.0, 50.0], [90.0, 90.0]]))
    assert routes(g, np.array([50.0, 50.0]), np.array([[90.0, 90.0]])) == [None]
    assert routes(g, np.array([90.0, 90.0]), np.array([[50.0, 50.0]])) == [None]
    (inside,) = routes(g, np.array([50.0, 50.0]), np.array([[60.0, 60.0]]))
    assert inside is not None


@given(st.integers(0, 10**6))
@example(261)
@settings(max_examples=25, deadline=None)
def test_never_dearer_than_the_straight_legal_route_and_never_over_what_is_barred(seed):
    rng = np.random.default_rng(seed)
    corner, size = rng.uniform(0, 55, (4, 2)), rng.uniform(3, 12, (4, 2))
    boxes = [shapely.box(*c, *(c + s)) for c, s in zip(corner, size, strict=True)]
    site = bare_site(
        shapely.box(0, 0, 60, 60),
        buildings=prisms(boxes[:2], [-1, -1], [5, 5]),
        grounds=Grounds(("a", "b"), (Cover.PAVED, Cover.BARRED), (boxes[2], boxes[3])),
    )
    prices = Prices(**dict(zip(("wall_m", "lawn_m", "paving_m", "inside_m"), rng.uniform(1, 50, 4), strict=True)))
    points = rng.uniform(0, 60, (4, 2))
    g = ground(site, prices, 1.0, points)
    for end, found in zip(points[1:], routes(g, points[0], points[1:]), strict=True):
        straight = np.vstack([points[0], end])
        if found is None:
            assert np.isinf(g.cost(straight))
            continue
        assert np.isfinite(g.cost(found))
        assert g.cost(found) <= g.cost(straight) + 1e-9
        assert found[0].tolist() == points[0].tolist()
        assert found[-1].tolist() == end.tolist()


def crowded(seed, side=18.0):
    """A yard full of halls, a road across, a court, two ponds and a conduit, many of them askew; four points."""
    rng = np.random.default_rng(seed)

    def box(low, high):
        half, middle = rng.uniform(low, high, 2) / 2, rng.uniform(0, side, 2)
        turn = rng.choice([0, 0, rng.uniform(0, 90)])
        return shapely.affinity.rotate(shapely.box(*(middle - half), *(middle + half)), turn)

    halls = [box(4, 10), box(4, 10)]
    road = shapely.affinity.rotate(shapely.box(-60, -2, 80, 2), rng.uniform(0, 180))
    road = shapely.affinity.translate(road, *rng.uniform(5, 20, 2))
    duct = shapely.LineString(rng.uniform(0, side, (3, 2)))
    covers = (Cover.PAVED, Cover.ROAD, Cover.BARRED, Cover.BARRED, Cover.CONDUIT)
    shapes = (box(4, 12), road, box(3, 8), box(3, 8), duct)
    site = bare_site(
        shapely.box(0, 0, side, side),
        buildings=prisms(halls, [-1, -1], [5, 5]),
        grounds=Grounds(tuple("abcde"), covers, shapes),
    )
    return site, np.vstack([rng.uniform(0, side / 4, (1, 2)), rng.uniform(side / 2, side, (3, 2))])


DEAR_ONCE = (67, 95, 96)  # 2.6 to 2.9% dearer, before bends could lie on the edges of cells


@pytest.mark.parametrize("seeds", [*(range(k, k + 6) for k in range(0, 60, 6)), DEAR_ONCE])
def test_no_route_is_over_one_percent_dearer_than_the_cheapest(seeds, monkeypatch):
    """60 seeded scenes and some more, three routes each, beside the optimum over a graph of straight lines
    (`plain_routes`), which bend at the halves of cells' edges alone and so may be a little dearer."""
    monkeypatch.setattr("planner.reach.cable.BEYOND_M", 1.0)
    compared = 0
    for seed in seeds:
        site, points = crowded(seed)
        g = ground(site, PRICES, 1.0, points)
        in_cells = np.column_stack([points[:, 0] - g.left_m, g.top_m - points[:, 1]]) / g.cell_m
        best = cheapest(g.price_m[g.surface], in_cells[0], in_cells[1:])
        for found, least in zip(routes(g, points[0], points[1:]), best, strict=True):
            assert (found is None) == np.isinf(least), seed
            if found is not None:
                assert 0.98 * least <= g.cost(found) <= 1.01 * least, seed
                compared += 1
    assert compared >= len(seeds)


@given(st.integers(0, 10**6))
@settings(max_examples=10, deadline=None)
def test_one_search_a_controller_gives_every_mount_its_route(seed):
    """The price of a search from the mount itself: either is at most a percent above the cheapest."""
    rng = np.random.default_rng(seed)
    moat = shapely.box(-40, -40, 100, 100).difference(shapely.box(5, 5, 75, 55))
    pond = shapely.box(30, 20, 40, 30)
    site = bare_site(
        shapely.box(0, 0, 80, 60),
        buildings=prisms([shapely.box(12, 10, 25, 50)], [-1], [5]),
        grounds=Grounds(("moat", "pond"), (Cover.BARRED, Cover.BARRED), (moat, pond)),
        controllers=Places(("A", "B"), np.array([[10.0, 8, 1.5], [60.0, 40, 1.5]]), np.zeros(2, bool)),
    )
    mounts = np.column_stack([rng.uniform(0, 80, 6), rng.uniform(0, 60, 6), np.full(6, 4.0)])
    wired = Sensor(link="cable", **SUPPLIED, cable_longest_m=500)
    runs, cell = every_cable(site, mounts, np.full(6, 4.0), np.full(2, 1.5), wired, Cable(), PRICES)
    assert cell == 1.0
    g = ground(site, PRICES, 1.0, np.vstack([mounts[:, :2], site.controllers.xyz[:, :2]]))
    for mount, row in zip(mounts, runs, strict=True):
        alone = cables(g, mount[:2], 4.0, site.controllers.xyz[:, :2], np.full(2, 1.5), wired, Cable(), PRICES)
        for one, other in zip(row, alone, strict=True):
            assert (one is None) == (other is None)
            if one is not None:
                assert one.xy[0].tolist() == mount[:2].tolist()
                assert one.price == pytest.approx(other.price, rel=0.01)


def test_a_wall_stays_a_wall_on_coarse_cells():
    """Round a hall from one side to the other on cells of 3 m: along the walls, not through the rooms."""
    site = bare_site(shapely.box(0, 0, 80, 60), buildings=prisms([shapely.box(21, 11, 59, 49)], [-1], [8]))
    start, end = np.array([20.5, 30.0]), np.array([[59.5, 30.0]])
    for cell_m in (1.0, 2.0, 3.0):
        g = ground(site, PRICES, cell_m, np.vstack([start, end]))
        (xy,) = routes(g, start, end)
        metres = g.run(xy)
        assert metres[WALL] > 0.8 * metres.sum()
        assert metres[INSIDE] < 3 * cell_m


def test_what_is_shown_goes_by_fine_cells(monkeypatch):
    """Many controllers make the cells of the search for all mounts large; the mounts shown are sought again."""
    monkeypatch.setattr("planner.reach.cable.MOST_IN_ALL", 2 * 500)
    site = bare_site(
        shapely.box(0, 0, 80, 60),
        buildings=prisms([shapely.box(21, 11, 59, 49)], [-1], [8]),
        controllers=Places(("A", "B"), np.array([[20.0, 50, 1.5], [60.0, 30, 1.5]]), np.zeros(2, bool)),
    )
    xyz = np.array([[20.5, 30, 4.0], [59.5, 12, 4.0], [40.0, 5, 4.0]])
    mounts = Mounts(
        ("M0", "M1", "M2"), (Support.POLE,) * 3, tuple(map(Holder, "abc")), xyz, xyz[:, 2].copy(),
        np.full(3, np.nan), np.full(3, -1, np.int64),
    )  # fmt: skip
    settings = Plan(sensor=Sensor(link="cable", **SUPPLIED, cable_longest_m=500))
    found = reach(site, xyz, mounts.height_m, settings)
    assert found.cable_cell_m > 2
    done = study(site, settings, mounts, found, Judged(0, [1], np.ones(3, bool), np.ones(3)))
    assert done.cable_cell_m == 1.0
    # a second sensor saves more cable than it costs
    assert done.layouts.best.mounts == done.reached.fine == (0, 1)
    assert done.reached.runs[2] == found.runs[2]
    g = ground(site, PRICES, 1.0, np.vstack([xyz[:, :2], site.controllers.xyz[:, :2]]))
    alone = cables(
        g, xyz[0, :2], 4.0, site.controllers.xyz[:, :2], np.full(2, 1.5), settings.sensor, Cable(), PRICES
    )
    assert [run.price for run in done.cables] == pytest.approx([run.price for run in alone])
    assert [run.price for run in done.reached.runs[0]] == pytest.approx([run.price for run in alone])


def test_a_cable_along_a_wall_does_not_come_down_to_the_ground():
    """Mount 9 m up and controller 1.5 m up on the same wall: 7.5 m of drop; across a lawn 10.5 m, as before."""
    hall = prisms([shapely.box(0, 0, 40, 20)], [-1], [10])
    site = bare_site(shapely.box(-20, -20, 60, 60), buildings=hall)
    start, ends = np.array([5.0, -0.3]), np.array([[30.0, -0.3], [30.0, 50.0]])
    g = ground(site, PRICES, 0.5, np.vstack([start, ends]))
    along, across = cables(g, start, 9.0, ends, np.full(2, 1.5), Sensor(link="cable", **SHEET), Cable(), PRICES)
    assert along.vertical_m == pytest.approx(7.5)
    assert across.vertical_m == pytest.approx(10.5)


def test_a_cable_goes_down_to_a_controller_below_ground():
    """3 m up at the mount, 2.5 m down to the vault."""
    site = bare_site(
        shapely.box(-10, -10, 50, 10),
        controllers=Places(("A",), np.array([[30.0, 0, 0.3]]), np.ones(1, bool), depth_m=np.array([2.5])),
    )
    wired = Sensor(link="cable", **SHEET)
    ((run,),) = reach(site, np.array([[0.0, 0, 3.0]]), np.array([3.0]), Plan(sensor=wired)).runs
    assert run.plan_m == pytest.approx(30)
    assert run.vertical_m == pytest.approx(5.5)


def test_a_conduit_leads_on_under_water():
    pond, duct = shapely.box(10, -30, 20, 30), shapely.LineString([(0, 0), (30, 0)])
    moat = shapely.box(-60, -60, 90, 60).difference(shapely.box(-10, -30, 40, 30))
    site = bare_site(
        shapely.box(-10, -30, 40, 30),
        grounds=Grounds(("duct", "pond", "moat"), (Cover.CONDUIT, Cover.BARRED, Cover.BARRED), (duct, pond, moat)),
    )
    g = ground(site, PRICES, 1.0, np.array([[0.0, 0.0], [30.0, 0.0]]))
    (xy,) = routes(g, np.array([0.5, 0.0]), np.array([[29.5, 0.0]]))
    assert xy is not None
    assert g.run(xy)[CONDUIT] > 25


def test_the_shortest_route_where_the_cheapest_is_too_long():
    """A duct goes the long way round; straight over the lawn is dearer, and short enough."""
    duct = shapely.LineString([(0, 0), (0, 40), (40, 40), (40, 0)])
    site = bare_site(shapely.box(-10, -10, 60, 60), grounds=Grounds(("duct",), (Cover.CONDUIT,), (duct,)))
    start, end = np.array([0.5, 0.5]), np.array([[40.5, 0.5]])
    g = ground(site, PRICES, 1.0, np.vstack([start, end]))

    def run(longest_m):
        wired = Sensor(link="cable", **SUPPLIED, cable_longest_m=longest_m)
        return cables(g, start, 1.0, end, np.array([1.0]), wired, Cable(), PRICES)[0]

    assert run(200.0).kind == "cheapest"
    assert run(200.0).plan_m > 100
    assert run(60.0).kind == "shortest"
    assert run(60.0).plan_m == pytest.approx(40.0)
    assert run(60.0).price > run(200.0).price - run(200.0).length_m * PRICES.cable_m
    assert run(30.0).kind == "cheapest"  # nothing is short enough
    assert not run(30.0).holds


def test_what_to_buy():
    """Straight over a lawn: 30 m, 9 m down and 1.5 m up, a tenth of slack and a metre for the ends."""
    site = bare_site(shapely.box(-10, -10, 50, 10))
    start, end = np.array([0.0, 0.0]), np.array([[30.0, 0.0]])
    g = ground(site, PRICES, 1.0, np.vstack([start, end]))
    (run,) = cables(g, start, 9.0, end, np.array([1.5]), Sensor(link="cable", **SHEET), Cable(), PRICES)
    assert run.plan_m == pytest.approx(30)
    assert run.vertical_m == 10.5
    assert run.length_m == pytest.approx((30 + 10.5) * 1.1 + 1)
    assert run.price == pytest.approx(30 * PRICES.lawn_m + 10.5 * PRICES.wall_m + run.length_m * PRICES.cable_m)
    assert not run.supplied
    assert run.wire.ok
    (short,) = cables(g, start, 2.0, np.array([[4.0, 0.0]]), np.array([1.5]), Sensor(**SHEET), Cable(), PRICES)
    assert short.supplied
    assert short.price == pytest.approx(4 * PRICES.lawn_m + 3.5 * PRICES.wall_m)


@pytest.mark.parametrize("text", ["-3 AWG", "-1.5 mm2", "2 x -1.5 mm2", "AWG -3"])
def test_a_minus_is_no_hyphen(text):
    with pytest.raises(ValueError, match="names no conductor"):
        conductor(text)
