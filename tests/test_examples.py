"""Real input: a courtyard where sunlight was measured, hour by hour."""

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest
from plain_sun import opaque_tangent

import planner
from planner.decide import Requirement
from planner.layers import named_xy, read_site
from planner.mounts import find_mounts
from planner.sun.horizon import directions

EXAMPLES = Path(__file__).parents[1] / "examples"


@pytest.fixture
def courtyard(open_data):
    return planner.read_plan(EXAMPLES / "courtyard" / "courtyard.toml", {"OPEN_DATA": str(open_data)})


@pytest.mark.open_data
def test_courtyard_is_sunlit_when_it_was_measured_to_be(courtyard, open_data):
    """Gothenburg, 7 October 2005 (Lindberg, Holmer and Thorsson 2008, doi 10.1007/s00484-008-0162-7).

    The files do not state their clock. Convention taken here: the hour h is the mean of h - 1 to h in UTC+1
    (the one that fits best). The record parts by itself: at most 70 W/m2 in shade, at least 158 in sun.
    The instrument's height of 1.1 m is from memory.
    """
    ledger = planner.Ledger()
    site = read_site(courtyard, ledger)
    mounts = find_mounts(site, courtyard.plan.mounts, 0.6, named_xy(courtyard, site))
    assert mounts.holder[0].name.startswith("measured point")
    measured = pd.read_csv(open_data / "scene_kronenhuset" / "measurements_kr.csv")
    in_sun = measured.Kdown > 100
    assert measured.Kdown[~in_sun].max() < 71
    assert measured.Kdown[in_sun].min() > 157
    share = []
    for hour in measured.hour:
        minutes = pd.to_timedelta(np.arange(-57.5, 0, 5), unit="min")
        times = pd.DatetimeIndex(pd.Timestamp("2005-10-07") + pd.Timedelta(hours=hour - 1) + minutes, tz="UTC")
        sun = pvlib.solarposition.get_solarposition(times, site.latitude_deg, site.longitude_deg)
        looks = directions(sun.azimuth.to_numpy())
        tangent = looks.unsort(opaque_tangent(site, mounts.xyz[0], looks, 1000.0))
        elevation = sun.apparent_elevation.to_numpy()
        share.append(np.mean((elevation > 0) & (np.tan(np.radians(elevation)) > tangent)))
    sunlit = np.array(share) > 0.2
    assert dict(zip(measured.hour, sunlit, strict=True)) == dict(zip(measured.hour, in_sun, strict=True))


@pytest.mark.open_data
def test_courtyard_runs_from_end_to_end(courtyard, tmp_path):
    """Footprints without heights, an outline of our own, a surface model as obstacle: a decision comes out."""
    courtyard = planner.PlanFile(
        courtyard.path,
        courtyard.plan.model_copy(
            update={
                "sun": courtyard.plan.sun.model_copy(update={"step_minutes": 60, "day_step": 15}),
                "season": courtyard.plan.season.model_copy(update={"months": tuple(range(4, 10))}),
            }
        ),
        courtyard.variables,
    )
    result = planner.run_site(courtyard)
    point = 0
    assert Requirement.LIGHT_KEPT in [
        r for r, ok in zip(result.decision.requirements, result.decision.passes[point], strict=True) if not ok
    ]
    assert result.decision.chosen >= 0
    assert result.mounts.height_m[result.decision.chosen] > 5  # a roof, not the yard
    assert {p.name for p in planner.write_site(result, tmp_path)} >= {"map.html", "sheet.html"}
