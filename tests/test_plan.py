"""The plan file: good ones are read, bad ones say where, what, the nearest valid name, and what to do."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.ledger import Exit, PlanError, PlannerError, nearest, offered
from planner.plan import Plan, field_rows, parse_plan, read_plan
from planner.plan.section import sections_in

SITE = '[layers.site]\npath = "site.gpkg"\n'


def write(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


def fault(tmp_path, text) -> str:
    with pytest.raises(PlanError) as caught:
        read_plan(write(tmp_path, text))
    assert caught.value.exit_code == Exit.PLAN == 3
    assert "plan.toml" in caught.value.where
    assert caught.value.todo
    return str(caught.value)


def test_the_shortest_plan(tmp_path):
    found = read_plan(write(tmp_path, SITE)).plan
    assert found.layers.site.path == "site.gpkg"
    assert found.requirements.min_direct_h_day == 6.0
    assert found.units == "metric"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[sensr]\nmast_m = 1", ["sensr", "is not known", "did you mean 'sensor'"]),
        (SITE + 'nmae = "x"', ["layers.site.nmae", "did you mean 'name'"]),
        (
            'units = "imperial"',
            ["units", "\"imperial\" is not one of its values. Did you mean 'us'? (one of: us, metric)"],
        ),
        ("[layers]\n", ["layers.site", "missing", "outline of the site"]),
        ('[requirements]\nmax_height_m = "tall"', ["requirements.max_height_m", "number", '"tall"']),
        ("[requirements]\nmax_height_m = -1", ["requirements.max_height_m", "greater than 0"]),
        (
            "[sun]\nplacing_sd_ft = -10",
            ["sun.placing_sd_ft: the value should be greater than or equal to 0, not -10. Change"],
        ),
        (
            "[mounts]\nspacing_ft = 1",
            ["mounts.spacing_ft: the value should be greater than or equal to 1.64042, not 1."],
        ),
        ("[season]\nmonths = []", ["season.months: this should be a list with something in it, not []"]),
        ("[requirements]\nmax_height_m = 9\nmax_height_ft = 30", ["requirements", "both given"]),
        ('[requirements]\nmax_height_ft = "tall"', ["'max_height_ft' must be a number, not \"tall\""]),
        ("[requirements]\nmin_light_share = 90", ["requirements.min_light_share", "less than or equal to 1"]),
        (
            '[gates]\nheight_ft = 30\nreach = "any"\nlight_share = 0.8',
            [
                "gates",
                "Write [requirements] for [gates]",
                "max_height_ft for height_ft, min_light_share for light_share",
            ],
        ),
        ("[requirements]\nheight_m = 9", ["requirements.height_m", "Write max_height_m for height_m"]),
        ("[requirements]\nrange_used = 0.5", ["Write max_range_share for range_used"]),
        ("[season]\nmonths = [4, 13]", ["season", "1 to 12"]),
        ("[season]\nmonths = [4, 4]", ["season", "different"]),
        ("[weights]\nlight = 0\nrain = 0\nreach = 0\naccess = 0", ["weights", "above zero"]),
        ('[layers]\nsite = "site.gpkg"', ["layers.site", "section", "[layers.site]"]),
        ("[mounts]\nroof_edges = 'maybe'", ["mounts.roof_edges", "true or false"]),
        ("[mounts]\nspacing_m = true", ["mounts.spacing_m", "number"]),
        ("[mounts]\nspacing_m = nan", ["mounts.spacing_m"]),
        ("title = 5", ["title", "text"]),
        ("this is not toml", ["not valid TOML", "line 1"]),
        ("[[mounts.named]]\nname = 'a'\nx = 1\ny = 2", ["mounts.named.0.height_m", "missing"]),
        ("[sun]\nstep_minutes = 2.5", ["sun.step_minutes", "whole number"]),
    ],
)
def test_faults_say_where_and_what(tmp_path, text, words):
    said = fault(tmp_path, text)
    for word in words:
        assert word in said, said


def test_several_faults_are_counted(tmp_path):
    assert "2 more faults" in fault(tmp_path, 'units = "x"\n[sensr]\n[requirments]\n')


def test_a_missing_file_names_its_neighbour(tmp_path):
    write(tmp_path, SITE)
    with pytest.raises(PlanError, match=r"did you mean 'plan\.toml'"):
        read_plan(tmp_path / "paln.toml")


def test_not_a_text_file(tmp_path):
    (tmp_path / "plan.toml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(PlanError, match="UTF-8"):
        read_plan(tmp_path / "plan.toml")


@pytest.mark.parametrize("value", ["[" * 5000 + "]" * 5000, "9" * 5000])
def test_brackets_and_digits_without_end(tmp_path, value):
    """More than Python's own limits: 1,000 calls deep, 4,300 digits."""
    said = fault(tmp_path, f"a = {value}\n")
    assert "cannot be read" in said
    assert len(said) < 1000


def test_a_mark_at_the_start_is_no_fault(tmp_path):
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + SITE.encode())
    assert read_plan(tmp_path / "plan.toml").plan.layers


@given(st.floats(0.001, 1e3))
def test_feet_are_metres(feet):
    """The international foot is 0.3048 m exactly."""
    found = parse_plan({"sensor": {"rated_range_ft": feet + 4}}, "plan.toml").plan
    assert math.isclose(found.sensor.rated_range_m, (feet + 4) * 0.3048)


# metric ending of a key, US ending, and one of the latter in the former: NIST SP 811 appendix B.9, exact
TWINS = [
    ("_m_year", "_ft_year", 0.3048),
    ("_mm_day", "_in_day", 25.4),
    ("_km", "_mi", 1.609344),
    ("_mm", "_in", 25.4),
    ("_m", "_ft", 0.3048),
]
NUMBERS = [row.key for row in field_rows() if row.kind == "number"]


@pytest.mark.parametrize("key", NUMBERS)
def test_every_key_with_a_unit_is_read_in_us_units(key):
    """Lengths and rates times the unit, prices a metre divided by it, temperatures by Fahrenheit's scale."""
    sections, name = key.split(".")[:-1], key.split(".")[-1]
    model = Plan
    for part in sections:
        model = next(sections_in(model.model_fields[part].annotation))
    if name.endswith("_c"):
        twin = model.twin(name[:-1] + "f")
        assert (twin.key, twin.metric(32), twin.metric(212)) == (
            name,
            pytest.approx(0, abs=1e-12),
            pytest.approx(100),
        )
        return
    for metric, us, scale in TWINS:
        if name.endswith(metric):
            twin = model.twin(name.removesuffix(metric) + us)
            assert twin.key == name
            price = sections == ["prices"]
            assert twin.metric(8) == pytest.approx(8 / scale if price else 8 * scale)
            assert twin.us(twin.metric(8)) == pytest.approx(8)
            return
    assert not re.search(r"_(ft|mi|in|f|m2|ft2|ha|gal|l)$", name), "a unit that the table above lacks"


def test_a_price_per_foot_is_a_price_per_foot():
    """8 a foot are 26.25 a metre; the same of what a square millimetre more of copper costs."""
    found = parse_plan({"prices": {"lawn_ft": 8, "copper_mm2_ft": 0.3048}}, "plan.toml").plan.prices
    assert found.lawn_m == pytest.approx(26.2467, abs=1e-4)
    assert found.copper_mm2_m == pytest.approx(1.0)


def test_paths_are_filled_and_start_at_the_plan(tmp_path, monkeypatch):
    plan = read_plan(write(tmp_path, SITE), {"A": "one"})
    assert plan.file("k", "x/y.gpkg") == (tmp_path / "x" / "y.gpkg").resolve()
    assert plan.file("k", "${A}/y.gpkg") == (tmp_path / "one" / "y.gpkg").resolve()
    monkeypatch.setenv("NOONMARK_TEST_B", str(tmp_path / "b"))
    assert plan.file("k", "${NOONMARK_TEST_B}/y") == (tmp_path / "b" / "y").resolve()
    with pytest.raises(PlanError, match="--var NOWHERE_AT_ALL="):
        plan.file("layers.site.path", "${NOWHERE_AT_ALL}/y")


def test_every_default_is_valid():
    assert Plan.model_validate(Plan().model_dump(exclude_none=True)) == Plan()
    assert len({row.key for row in field_rows()}) == len(list(field_rows()))


def test_nearest():
    assert nearest("hieght", ["height", "name"]) == "did you mean 'height'?"
    assert nearest("HEIGHT_FT", ["height_ft"]) == "did you mean 'height_ft'?"
    assert nearest("zzz", ["a", "b"]) == "known: a, b"
    assert offered("In that folder", "zzz", ["a", "b"]) == "In that folder: a, b"
    assert offered("In that folder", "zzz", []) == "In that folder: there are none"
    assert offered("Of its columns", "hieght", ["height"]) == "Of its columns: did you mean 'height'?"
    assert nearest("zzz", []) == "there are none"


def test_an_error_reads_as_a_sentence():
    assert str(PlannerError("a.gpkg", "it is empty", "Export it again")) == "a.gpkg: it is empty. Export it again"


@pytest.mark.parametrize("zone", ["America/Phoenix", "Europe/Madrid", "UTC"])
def test_a_time_zone_is_an_iana_name(zone):
    assert parse_plan({"time_zone": zone}, "p.toml").plan.time_zone == zone


@pytest.mark.parametrize("zone", ["America/Pheonix", "MST or so", "", "/etc/passwd", "../UTC"])
def test_another_time_zone_is_refused_with_the_nearest(zone):
    with pytest.raises(PlanError, match="time_zone") as fault:
        parse_plan({"time_zone": zone}, "p.toml")
    assert "is no time zone" in str(fault.value)
    if zone == "America/Pheonix":
        assert "did you mean 'America/Phoenix'?" in str(fault.value)


@pytest.mark.parametrize(
    ("section", "key"),
    [("outputs", "runners_up"), ("sensor", "mast_m"), ("sensor", "mast_ft"), ("prices", "lawn_ft")],
)
def test_an_integer_beyond_any_float_is_said(section, key):
    with pytest.raises(PlanError, match=rf"{key}.*1\.?0*e\+400"):
        parse_plan({section: {key: 10**400}}, "plan.toml")
