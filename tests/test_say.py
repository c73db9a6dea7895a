"""Sentences: one rounding, one unit, the neutral table named, hours by one clock."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import numpy as np
import pytest
from test_show import climate_of, scene
from test_show_links import studied

from planner.climate.zones import equal_bands
from planner.copper import awg, metric
from planner.plan import field_rows
from planner.show.draw.map import site_page
from planner.show.draw.pictures import Clock, Counts, sun_picture
from planner.show.draw.sheet import sheet_page
from planner.show.say import links, zone
from planner.show.say.cautions import cautions
from planner.show.say.figures import article, listed, plural, price
from planner.units import fixed, length, months, sunlight

SVG = "{http://www.w3.org/2000/svg}"


@pytest.mark.parametrize(
    ("value", "said"), [(5.97, "5.97 mm/day"), (5.94, "5.9 mm/day"), (5.9996, "5.9996 mm/day"), (6.0, "6.0 mm/day")]
)
def test_the_peak_is_said_inside_its_band(value: float, said: str) -> None:
    """5.97 in the band from 5 to 6 is not 6.0: as many digits as keep it there."""
    table = equal_bands()
    row = int(np.searchsorted(table.low_mm_day, value, side="right") - 1)
    assert zone.peak_said(table, row, value, "metric") == said


def test_the_neutral_table_is_named_wherever_the_zone_is() -> None:
    """On the first screen and on the sheet; a controller's own label stands alone."""
    result = studied()
    neutral = dataclasses.replace(
        result, zone=dataclasses.replace(result.zone, table=dataclasses.replace(result.zone.table, neutral=True))
    )
    told = zone.zone_words(result.climate, neutral.zone, 0, "us")
    assert told.named == f"{told.label} of our neutral table"
    assert "our neutral table" in site_page(neutral).decode()
    assert "of our neutral table" in sheet_page(neutral).decode()
    for page in (site_page(neutral).decode(), sheet_page(neutral).decode()):
        # what to set stands first and large: a label of ours is no number to enter
        assert re.search(rf"[Tt]he zone whose range contains {told.peak}</bdi>", page)
        assert "not your controller" in page
    for page in (site_page(result).decode(), sheet_page(result).decode()):
        assert "neutral table" not in page


def test_the_peak_is_said_with_one_rounding() -> None:
    """With its spread as without: 5.97 under a bound of 6 has two digits in both."""
    climate, found = climate_of()
    table = equal_bands()
    near = dataclasses.replace(found, table=table, zone=np.array([5]), peak_eto_mm_day=np.array([5.97]))
    told = zone.zone_words(climate, near, 0, "metric")
    assert (told.label, told.peak) == ("band 5", "5.97 mm/day")
    assert told.peak_spread == f"5.97 ± {told.spread}"
    assert told.answer == "the zone whose range contains 5.97 mm/day"


def test_a_percent_says_what_it_is_a_percent_of() -> None:
    """Peak ETo over the zone's own peak; no controller's display is named, for nobody knows how it rounds."""
    climate, found = climate_of()
    shown = dataclasses.replace(found, zone=np.array([5]), table=equal_bands())
    shown = dataclasses.replace(shown, shown_percent=np.array([[111.0, 91.0, np.nan]]))
    told = zone.zone_words(climate, shown, 0, "metric").wrong_zone
    assert told.startswith("Peak ETo over each zone's own peak: band 4 111% and band 5 91%. ")
    assert "shown" not in told.lower()


def test_no_minus_zero_and_true_minus_signs() -> None:
    assert fixed(-0.04, 1) == "0.0"
    assert length(-0.1, "us") == "0 ft"
    assert fixed(-3.26, 1) == "−3.3"
    assert price(-0.2, "$") == "$0"


def test_small_things_are_written_one_way() -> None:
    assert [sunlight(s) for s in (0.5, 0.9994, 0.9996, 1.0)] == ["50.0%", "99.9%", "over 99.9%", "100.0%"]
    assert [article(t) for t in ("90%", "86%", "11%", "18%", "over 99%")] == [
        "a 90%", "an 86%", "an 11%", "an 18%", "an over 99%",
    ]  # fmt: skip
    assert listed(["A"]) == "A"
    assert listed(["A", "B", "C"]) == "A, B and C"
    assert plural(1, "sensor") == "1 sensor"
    assert plural(1200, "site") == "1,200 sites"
    assert months([True, True] + [False] * 10) == "January and February"
    assert months([False] * 3 + [True] * 7 + [False] * 2) == "April through October"


def test_conductors_are_said_in_the_plans_units() -> None:
    """18 AWG is 0.82 mm2 (ASTM B258: 0.127 mm x 92^((36 - 18) / 39) across)."""
    assert links.conductor_said(awg(18), "us") == "18 AWG"
    assert links.conductor_said(awg(18), "metric") == "0.82 mm²"
    assert links.conductor_said(metric(1.5), "metric") == "1.5 mm²"


@pytest.mark.parametrize("country", ["US", "ZA", None])
def test_what_needs_a_licence_is_left_to_local_rules(country: str | None) -> None:
    """Who may bond a mast, and which bands need no licence, differs by place: neither is claimed."""
    told = {c.title: c.text for c in cautions(country, "metric")}
    assert "may be licensed work" in told["Lightning and surge"]
    assert "follow local rules" in told["Radio"]
    bands = [f"{row.what}; {row.why}" for row in field_rows() if row.key == "sensor.radio_band_mhz"]
    assert len(bands) == 1
    assert "local rules say which bands need no licence" in bands[0]


def test_cautions_in_the_plans_units() -> None:
    us = " ".join(c.text for c in cautions("US", "us"))
    assert "10 ft" in us
    assert "(3 m)" not in us
    metres = " ".join(c.text for c in cautions("US", "metric"))
    assert "3.0 m from overhead lines" in metres
    assert " ft" not in metres


def hours(counts: Counts | None) -> dict[str, float]:
    """Where the hours of the sun-path picture stand, left to right."""
    yard = scene()
    none = np.zeros(360)
    drawn = ElementTree.fromstring(
        str(sun_picture(none, none, yard.sun_table, np.ones(12, bool), 33.4, "sun", Clock(counts)))
    )
    texts = ((t.text or "", float(t.attrib["x"])) for t in drawn.iter(f"{SVG}text"))
    return {text: x for text, x in texts if re.fullmatch(r"\d+", text)}


def test_the_picture_counts_hours_by_the_clock_that_the_text_names() -> None:
    """An hour of daylight saving moves 14 o'clock to where 13 o'clock was: half-way back to 12."""
    solar, late = hours(None), hours(lambda hour, month: hour + 1.0)
    later = hours(lambda hour, month: hour + 2.0)
    assert late["14"] < solar["14"]
    # two hours on, each label stands where that of two hours before stood
    assert later["16"] == pytest.approx(solar["14"], abs=0.2)
    assert later["10"] == pytest.approx(solar["8"], abs=0.2)


def test_two_results_compared_differ_where_they_do() -> None:
    import doctest

    import compare_results

    found = doctest.testmod(compare_results)
    assert found.attempted == 2
    assert not found.failed
    one = {"a": {"b": [1, {"c": "x"}]}, "n": None, "t": True}
    assert list(compare_results.differences(one, one)) == []
    other = {"a": {"b": [1, {"c": "y"}, 2]}, "n": None, "t": 1}
    assert list(compare_results.differences(one, other)) == [
        ("a.b (length)", 2, 3),
        ("a.b[1].c", "x", "y"),
        ("t", True, 1),
    ]
    assert list(compare_results.differences({"x": 1.0}, {"x": 1.001}, to=1e-4)) == [("x", 1.0, 1.001)]
