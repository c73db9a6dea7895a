"""Every limit on the way from a climate to a zone, just on the one side of it and just on the other."""

import numpy as np
import pytest
from scipy.stats import norm

from planner.climate import zones
from planner.climate.answer import SiteClimate, ZoneTable
from planner.ledger import DataError, Kind, Ledger
from planner.readings import ZoneRows

A_LITTLE = 1e-6
NAN = np.nan
COLUMNS = ("label", "low", "high", "peak", "t_low_c", "t_high_c", "description")


def climate(eto=5.0, t=15.0, rain=50.0, spread=0.3, years=None) -> SiteClimate:
    """Sites by their rows of twelve months, or one number for all of them."""
    n = min((np.shape(v)[0] for v in (eto, t, rain) if np.ndim(v) == 2), default=1)
    months = (np.broadcast_to(np.asarray(v, float), (n, 12)).copy() for v in (eto, t, rain))
    eto, t, rain = months
    return SiteClimate(eto, np.full(n, spread), ("",) * n, t, rain, ("",) * n, yearly_peak_mm_day=years)


def table(*bands, ranges=None) -> ZoneTable:
    low, high = np.array(bands, float).T
    t_low, t_high = np.full((2, len(low)), NAN) if ranges is None else np.array(ranges, float).T
    return ZoneTable(tuple("abcdefgh"[: len(low)]), low, high, t_low, t_high, ("",) * len(low), "made up")


def read(*rows, unit="mm/day", ledger=None) -> ZoneTable:
    """A table from rows of label, low, high, peak, t_low_c, t_high_c."""
    full = tuple(dict(zip(COLUMNS, (*row, *[""] * 7), strict=False)) for row in rows)
    lines = tuple(range(2, 2 + len(rows)))
    return zones.zone_table(
        ZoneRows("zones.csv", "zones.csv", full, lines), unit, Ledger() if ledger is None else ledger
    )


def kinds(*rows, unit="mm/day"):
    ledger = Ledger()
    read(*rows, unit=unit, ledger=ledger)
    return [notice.kind for notice in ledger]


# --- zone tables -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "mm_day"), [("mm/day", 1.0), ("in/day", 25.4), ("mm/month", 12 / 365), ("in/month", 25.4 * 12 / 365)]
)
def test_a_tables_unit_is_turned_into_mm_a_day(unit, mm_day):
    low, high, peak = (f"{v / mm_day:.12f}" for v in (4.0, 7.0, 5.0))
    found = read(("a", low, high, peak), unit=unit)
    np.testing.assert_allclose(np.r_[found.low_mm_day, found.high_mm_day, found.given_peak_mm_day], [4, 7, 5])


@pytest.mark.parametrize(
    ("high", "taken"), [("1.5", True), ("1.499", False), ("25.0", True), ("25.001", False), ("1.51", True)]
)
def test_the_highest_bound_lies_between_1_5_and_25_mm_a_day(high, taken):
    if taken:
        assert read(("a", "0.1", high)).high_mm_day[0] == float(high)
    else:
        with pytest.raises(DataError, match=f"the highest bound is {high} mm/day"):
            read(("a", "0.1", high))


@pytest.mark.parametrize(
    ("band", "taken"),
    [
        (("3", "4"), True),
        (("4", "4"), False),
        (("3", "4", "3"), True),
        (("3", "4", "4"), True),
        (("3", "4", "2.999"), False),
        (("3", "4", "4.001"), False),
        # no zone's peak is nothing, however low it begins
        (("", "4", "0.01"), True),
        (("", "4", "0.0099"), False),
        (("3", "", "9"), True),
        (("3", "4", "", "10", "11"), True),
        (("3", "4", "", "11", "11"), False),
        (("3", "4", "", "", "11"), False),
        (("3", "4", "", "10", ""), False),
    ],
)
def test_a_row_is_refused_where_its_numbers_cannot_be(band, taken):
    if taken:
        assert read(("a", *band)).labels == ("a",)
    else:
        with pytest.raises(DataError, match="zone 'a'"):
            read(("a", *band))


@pytest.mark.parametrize(
    ("gap_in", "kind"), [(0.0, None), (0.01, Kind.REPAIRED), (0.0109, Kind.REPAIRED), (0.0111, Kind.CHECK)]
)
def test_a_gap_is_closed_up_to_a_rounding_step_of_a_hundredth_of_an_inch_a_day(gap_in, kind):
    rows = (("a", "0.10", "0.20"), ("b", f"{0.20 + gap_in:.4f}", "0.30"))
    assert kinds(*rows, unit="in/day") == ([kind] if kind else [])
    found = read(*rows, unit="in/day")
    between = (found.high_mm_day[0], found.low_mm_day[1])
    middle = (0.20 + gap_in / 2) * 25.4
    assert between == pytest.approx(
        (0.20 * 25.4, (0.20 + gap_in) * 25.4) if kind is Kind.CHECK else (middle, middle)
    )
    with pytest.raises(DataError, match="'a' and 'b' overlap"):
        read(("a", "0.10", "0.20"), ("b", "0.199999", "0.30"), unit="in/day")


def test_a_gap_that_is_closed_and_an_overlap_are_said_in_numbers():
    ledger = Ledger()
    read(("a", "3.5", "5.0"), ("b", "5.2", "6.0"), ledger=ledger)
    assert "the gap between 'a' and 'b', 5 to 5.2 mm/day, was closed at its middle, 5.1" in str(*ledger)
    with pytest.raises(DataError, match=r"overlap: 3\.4 to 3\.5 mm/day is in both"):
        read(("a", "0", "3.5"), ("b", "3.4", "5.0"))


def test_every_pair_of_neighbors_is_looked_at():
    rows = [("c", "5", "6"), ("a", "1", "2"), ("b", "3", "4")]
    assert kinds(*rows) == [Kind.CHECK, Kind.CHECK]
    with pytest.raises(DataError, match="twice"):
        read(*rows, ("a", "7", "8"))


def test_the_neutral_table_has_a_band_for_each_mm_from_1_to_12():
    found = zones.equal_bands()
    assert found.labels == tuple(f"band {k}" for k in range(13))
    np.testing.assert_array_equal(found.low_mm_day, [-np.inf, *range(1, 13)])
    np.testing.assert_array_equal(found.high_mm_day, [*range(1, 13), np.inf])
    assert zones.equal_bands(3, 4).labels == ("band 2", "band 3", "band 4")
    assert found.neutral


@pytest.mark.parametrize(("value", "row"), [(8.4, 0), (8.6, 1), (3.9, 0), (11.0, 1)])
def test_of_bands_that_overlap_the_one_with_the_nearest_middle_is_taken(value, row):
    assert zones.zone_of(np.array([value]), np.array([0.0, 4.0]), np.array([10.0, 20.0])).tolist() == [row]


def test_open_bands_hold_whatever_lies_beyond():
    low, high = np.array([-np.inf, 6.0]), np.array([6.0, np.inf])
    assert zones.zone_of(np.array([-5.0, 6.0 - 1e-9, 6.0, 40.0]), low, high).tolist() == [0, 0, 1, 1]


# --- words for a climate -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "coldest_c", "tropical"),
    [
        (23.49, 0.0, True),
        (-23.49, 0.0, True),
        (23.5, 0.0, False),
        (-23.5, 0.0, False),
        (40.0, 18.0, True),
        (40.0, 17.99, False),
    ],
)
def test_tropics_end_at_23_5_degrees_or_where_the_coldest_month_is_under_18(latitude, coldest_c, tropical):
    t = np.full((1, 12), 25.0)
    t[0, 1] = coldest_c
    assert zones.is_tropical(t, np.array([latitude])).tolist() == [tropical]


@pytest.mark.parametrize("latitude", [35.0, 0.0, -A_LITTLE, -35.0])
@pytest.mark.parametrize(
    ("warm_mm", "cool_mm", "extra"),
    [(56, 24, 280), (55, 25, 140), (40, 40, 140), (25, 55, 140), (24, 56, 0), (80, 0, 280), (0, 80, 0)],
)
def test_a_climate_is_dry_under_20_t_and_what_the_rains_season_asks_for(latitude, warm_mm, cool_mm, extra):
    """Koeppen, from memory: 280 mm from 70 % of the rain in the warmer half on, 0 up to 30 %; 480 mm in all."""
    april_to_september = np.isin(np.arange(12), [3, 4, 5, 6, 7, 8])
    rain = np.where(april_to_september == (latitude >= 0), warm_mm, cool_mm)[None].astype(float)
    assert rain.sum() == 480
    for more, dry in ((A_LITTLE, True), (0.0, False), (-A_LITTLE, False)):
        t = np.full((1, 12), (480 - extra) / 20 + more)
        assert zones.is_arid(t, rain, np.array([latitude])).tolist() == [dry]


# --- the ways ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "less"),
    [(0, 0), (20, 0), (34.97, 0), (35, 0), (35.1, 0.01), (45, 1.0), (-45, 1.0), (60, 2.5)],
)
def test_blaney_criddle_is_taken_down_by_1_for_10_degrees_beyond_35(latitude, less):
    """The fall as `data/fit_eto_estimate.py` finds it; below it nothing is taken off."""
    t = np.full((1, 12), 22.0)
    t[0, 6] = 25.0
    way = zones.zone_sites(climate(t=t), np.array([latitude]), zones.equal_bands()).ways[1]
    plain = zones.blaney_criddle_mm_day(t, np.array([float(latitude)]))[0, 6]
    assert way.found.less_mm_day[0] == pytest.approx(less)
    assert way.peak_eto_mm_day[0] == pytest.approx(plain - less)
    assert way.spread_mm_day.tolist() == [1.11]


def test_no_way_says_less_than_nothing():
    t = np.full((2, 12), -20.0)
    t[1] = -17.0
    found = zones.zone_sites(climate(t=t), np.array([0.0, 65.0]), zones.equal_bands()).ways[1]
    assert found.peak_eto_mm_day.tolist() == [0.0, 0.0]
    assert found.found.less_mm_day[0] == 0.0
    assert zones.blaney_criddle_mm_day(t[:1], np.array([0.0])).tolist() == [[0.0] * 12]


def test_sites_share_the_sun_of_a_hundredth_of_a_degree():
    at = np.array([40.0, 40.004, 40.01, 40.04])
    by_way = zones.zone_sites(climate(t=np.full((4, 12), 25.0)), at, zones.equal_bands()).ways[1]
    plain = [
        zones.blaney_criddle_mm_day(np.full((1, 12), 25.0), np.array([v]))[0, 0] for v in (40, 40, 40.01, 40.04)
    ]
    less = 0.1 * (at - 35)
    np.testing.assert_allclose(by_way.peak_eto_mm_day + less, plain, rtol=1e-12)
    # a minute of day length in the hottest month, of its mean, is 0.15 % of what is found
    assert abs(np.diff(plain[1:3])[0]) < 0.0015 * plain[0]


def test_january_may_be_the_hottest_and_the_peak():
    t, eto = np.full((1, 12), 15.0), np.full((1, 12), 3.0)
    t[0, 0], eto[0, 0] = 25.0, 6.5
    for words in (None, "temperate humid"):
        found = zones.zone_sites(climate(eto, t), np.array([-34.0]), zones.equal_bands(), words)
        assert found.peak_month.tolist() == [0]
        first, second, third = found.ways
        assert first.found.month.tolist() == second.found.month.tolist() == [0]
        assert second.found.hottest_c.tolist() == third.found.hottest_c.tolist() == [25.0]
        warm = zones.blaney_criddle_mm_day(t, np.array([-34.0]))[0, 0]
        assert second.peak_eto_mm_day[0] == pytest.approx(warm)
        assert third.found.known.tolist() == [True]


def test_a_way_is_silent_where_a_month_is_unknown():
    t, rain = np.full((3, 12), 20.0), np.full((3, 12), 50.0)
    t[0, 2], rain[1, 4] = NAN, NAN
    found = zones.zone_sites(climate(t=t, rain=rain), np.full(3, 40.0), zones.equal_bands())
    assert np.isnan(found.ways[1].peak_eto_mm_day).tolist() == [True, False, False]
    assert np.isnan(found.ways[2].peak_eto_mm_day).tolist() == [True, True, False]
    assert found.ways[2].found.known.tolist() == [False, False, True]
    said = zones.zone_sites(climate(t=t, rain=rain), np.full(3, 40.0), zones.equal_bands(), "tropics, arid")
    assert said.ways[2].found.known.tolist() == [False, True, True]
    # a description that says how hot it gets speaks where a month's temperature is unknown
    told = zones.zone_sites(climate(t=t, rain=rain), np.full(3, 40.0), zones.equal_bands(), "tropics, arid, 30 C")
    assert told.ways[2].found.known.tolist() == [True, True, True]
    assert told.ways[2].found.hottest_c.tolist() == [30.0, 20.0, 20.0]


@pytest.mark.parametrize(
    ("words", "hottest_c", "value", "spread"),
    [
        ("temperate arid", 30.0, 7.5, 1.5),
        ("temperate humid", 30.0, 5.5 + 1.59, 1.5),
        ("temperate arid", 10.0, 2.0, 1.12),
        ("tropics humid", 30.0, 6.0, 1.12),
        ("tropics arid", 25.0, 6.0, 1.12),
        ("temperate humid", 10.0, 1.5 + 1.59, 1.12),
    ],
)
def test_a_description_gives_the_middle_of_table_2_and_its_half_width_or_what_it_misses_by(
    words, hottest_c, value, spread
):
    """FAO-56 Table 2; 1.59 and 1.12 mm/day as `data/fit_eto_estimate.py` finds them."""
    found = zones.zone_sites(climate(t=hottest_c), np.array([40.0]), zones.equal_bands(), words).ways[2]
    assert found.peak_eto_mm_day[0] == pytest.approx(value)
    assert found.spread_mm_day[0] == pytest.approx(spread)
    assert found.found.added_mm_day[0] == (1.59 if words == "temperate humid" else 0.0)


def test_ranges_of_temperature_share_the_hottest_months_spread():
    """1.25 degrees, as `data/fit_eto_estimate.py` finds it; ranges that overlap share what they have twice."""
    bands = [(0.0, 5.0), (5.0, 12.0)]
    way = zones.zone_sites(climate(t=20.0), np.zeros(1), table(*bands, ranges=[(20, 21), (26, 28)])).ways[1]
    assert way.zone.tolist() == [0]
    edges = norm.cdf([0.0, 1.0, 6.0, 8.0], scale=1.25)
    np.testing.assert_allclose(way.probability, [[edges[1] - edges[0], edges[3] - edges[2]]])
    twice = zones.zone_sites(climate(t=20.0), np.zeros(1), table(*bands, ranges=[(5, 35), (5, 36)])).ways[1]
    np.testing.assert_allclose(twice.probability, [[0.5, 0.5]])
    some = zones.zone_sites(climate(t=20.0), np.zeros(1), table(*bands, ranges=[(19, 21), (NAN, NAN)])).ways[1]
    np.testing.assert_allclose(some.probability, [[2 * edges[1] - 1, 0.0]])
    assert some.found.by_range


# --- the zone ----------------------------------------------------------------------------------------------------


def test_probabilities_of_each_sites_zone_and_the_next():
    """Beside the normal distribution, site by site: in the first band, the last, none, and of no known ETo."""
    bands = table((0, 2), (2, 5), (5, 6), (7, 9))
    eto = np.full((6, 12), 0.1)
    eto[:, 6] = [1.2, 8.5, 6.5, 4.8, 2.3, 4.0]
    eto[5, 0] = NAN
    found = zones.zone_sites(climate(eto, t=np.full((6, 12), 25.0), spread=0.4), np.zeros(6), bands)
    values = [*eto[:5, 6], found.ways[1].peak_eto_mm_day[5]]
    spreads = [*[0.4] * 5, 1.11]
    assert found.used.tolist() == [0, 0, 0, 0, 0, 1]
    np.testing.assert_allclose(found.peak_eto_mm_day, values)
    np.testing.assert_allclose(found.spread_mm_day, spreads)
    for k, (value, spread) in enumerate(zip(values, spreads, strict=True)):
        p = norm.cdf(bands.high_mm_day, value, spread) - norm.cdf(bands.low_mm_day, value, spread)
        order = np.argsort(-p)
        if k == 2:  # in a gap there is no zone, and what is likeliest is the next
            assert (found.zone[k], found.p_zone[k], found.holds_value[k], found.same_zone[k]) == (-1, 0.0, -1, 0)
            assert found.runner_up[k] == order[0]
            assert found.p_runner_up[k] == pytest.approx(p[order[0]])
            assert np.isnan(found.shown_percent[k]).all()
            continue
        assert found.zone[k] == order[0]
        assert found.p_zone[k] == pytest.approx(p[order[0]])
        named = p[order[1]] >= 0.005
        assert found.runner_up[k] == (order[1] if named else -1)
        assert found.p_runner_up[k] == pytest.approx(p[order[1]] if named else 0.0)
    assert found.holds_value[[0, 1, 3, 4]].tolist() == [0, 3, 1, 1]


def test_a_site_of_which_nothing_is_known_has_no_zone():
    found = zones.zone_sites(climate(NAN, NAN, NAN), np.array([40.0]), table((0, 5), (5, 9)))
    assert (found.used[0], found.zone[0], found.holds_value[0], found.runner_up[0], found.same_zone[0]) == (
        -1,
    ) * 4 + (0,)
    assert (found.p_zone[0], found.p_runner_up[0]) == (0.0, 0.0)
    assert np.isnan(found.peak_eto_mm_day[0])
    assert np.isnan(found.shown_percent).all()
    assert not found.agreement[0]
    assert found.spread_mm_day[0] == 0.3  # of the first way, as it is where that way speaks


@pytest.mark.parametrize(("share", "named"), [(0.00501, True), (0.00499, False)])
def test_the_next_zone_is_named_from_half_a_percent_on(share, named):
    value = 5.0 - 0.1 * norm.isf(share)
    found = zones.zone_sites(climate(value, spread=0.1), np.array([40.0]), table((0, 5), (5, 9)))
    assert found.zone.tolist() == [0]
    assert found.runner_up.tolist() == [1 if named else -1]
    assert found.p_runner_up[0] == pytest.approx(share if named else 0.0)


def test_where_there_is_one_zone_all_ways_agree_on_it():
    """And there is none beside it, nor one that a controller could be set to in its place."""
    found = zones.zone_sites(climate(4.0), np.array([30.0]), table((0, 12)))
    assert (found.zone[0], found.runner_up[0], found.p_runner_up[0], found.same_zone[0]) == (0, -1, 0.0, 3)
    assert found.agreement[0]
    np.testing.assert_allclose(found.shown_percent[0], [NAN, 100 * 4.0 / 6.0, NAN])


def test_values_alike_that_lie_in_no_band_agree_on_nothing():
    found = zones.zone_sites(climate(4.0), np.array([30.0]), table((0, 0.1), (15, 16)))
    assert (zones._agreement(*(np.array([[4.0], [4.1]]), np.full((2, 1), 0.3)), found.used)).tolist() == [True]
    assert [way.zone.tolist() for way in found.ways] == [[-1]] * 3
    assert not found.agreement[0]


@pytest.mark.parametrize(
    ("apart", "agree"), [(10.0, True), (10.0 + 1e-9, False), (-10.0, True), (-10.0 - 1e-9, False)]
)
def test_ways_agree_up_to_two_joint_spreads(apart, agree):
    """Spreads of 3 and 4 mm/day are 5 together."""
    values, spreads = (
        np.array([[0.0, NAN], [apart, 0.0], [NAN, apart]]),
        np.array([[3.0, NAN], [4.0, 3.0], [9.0, 4.0]]),
    )
    assert zones._agreement(values, spreads, np.array([0, 1])).tolist() == [agree, agree]
    assert zones._agreement(values * NAN, spreads, np.array([-1, -1])).tolist() == [False, False]


def test_percentages_are_of_the_peak_and_unknown_where_there_is_none():
    eto = np.full((2, 12), 0.02)
    eto[0, 3] = 0.04
    eto[1] = 0.0
    found = zones.zone_sites(climate(eto), np.full(2, 40.0), zones.equal_bands())
    np.testing.assert_allclose(found.monthly_percent[0], [50.0] * 3 + [100.0] + [50.0] * 8)
    assert np.isnan(found.monthly_percent[1]).all()


def test_years_are_counted_in_the_first_sites_zone():
    years = np.array([4.2, 5.5, 4.9, 6.1, 5.0])
    eto = np.stack([np.full(12, 4.5), np.full(12, 5.5)])
    found = zones.zone_sites(climate(eto, years=years), np.full(2, 40.0), table((4, 5), (5, 7)))
    assert found.zone.tolist() == [0, 1]
    assert found.years_in_zone == (2, 5)
    none = zones.zone_sites(
        climate(np.empty((0, 12)), np.empty((0, 12)), np.empty((0, 12)), years=years), [], table((4, 5))
    )
    assert none.years_in_zone is None
