"""Leaves: dates by latitude and hemisphere, published transmissivities, and Beer's law through crowns."""

import doctest
import importlib
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from planner.ledger import PlanError
from planner.plan import parse_plan
from planner.sun.leaves import (
    CrownLight,
    ellipsoid_mean_chord_m,
    ellipsoid_path_m,
    leaf_share,
    over_the_month,
    prism_mean_chord_m,
    prism_path_m,
    usual_leaf_dates,
)

# Lowest and highest share of the sun's light let through, in leaf and leafless. Heisler (1986), Urban Ecology
# 9:337-359: cuts of about 80 % in leaf and nearly 40 % leafless; Heisler (1985), The Forest-Atmosphere Interaction
# ch. 20, single trees; Konarska et al. (2014), Theor. Appl. Climatol. 117, from memory.
MEASURED = [((0.20, 0.20), (0.60, 0.60)), ((0.25, 0.35), (0.66, 0.70)), ((0.013, 0.053), (0.402, 0.519))]


def test_crown_lets_through_what_was_measured():
    usual = CrownLight()
    assert 1 - usual.in_leaf == pytest.approx(0.80)
    assert 1 - usual.leafless == pytest.approx(0.40)
    for taken, state in ((usual.in_leaf, 0), (usual.leafless, 1)):
        assert min(m[state][0] for m in MEASURED) < taken < max(m[state][1] for m in MEASURED)


@pytest.mark.parametrize("name", ["planner.ground", "planner.sun.leaves", "planner.sun.sky", "planner.siting"])
def test_examples_in_docstrings_are_true(name):
    module = importlib.import_module(name)
    found = doctest.testmod(module, extraglobs={"np": np})
    assert found.attempted > 0
    assert found.failed == 0


def test_crowns_in_a_row_multiply():
    log = CrownLight(0.2, 0.6).log_light([False, True])
    assert np.exp(log).tolist() == [[pytest.approx(0.6), pytest.approx(0.2)], [pytest.approx(0.2)] * 2]
    assert np.exp(log.sum(axis=0)).tolist() == [pytest.approx(0.12), pytest.approx(0.04)]


# --- when ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("latitude", "months"),
    [(70.0, (5, 10)), (46.0, (5, 10)), (44.9, (4, 10)), (24.0, (4, 10)), (10.0, (1, 12)), (-10.0, (1, 12))],
)
def test_usual_season_by_latitude(latitude, months):
    """Common practice, no source: April to October to 45 degrees, May to October beyond, the tropics all year."""
    np.testing.assert_array_equal(leaf_share(latitude), [months[0] <= m <= months[1] for m in range(1, 13)])


def test_season_turns_with_the_hemisphere():
    for latitude in (30.0, 60.0):
        north, south = leaf_share(latitude), leaf_share(-latitude)
        np.testing.assert_array_equal(np.roll(north, 6), south)
    assert usual_leaf_dates(40) == ((4, 1), (10, 31))
    assert usual_leaf_dates(-40) == ((10, 1), (4, 30))
    assert usual_leaf_dates(5) is None


def test_dates_of_the_user():
    share = leaf_share(40.0, ((4, 16), (10, 15)))
    assert share.tolist() == [0, 0, 0, 15 / 30, 1, 1, 1, 1, 1, 15 / 31, 0, 0]
    southern = leaf_share(-35.0, ((9, 16), (5, 10)))
    assert southern[[0, 4, 5, 8, 11]].tolist() == [1, 10 / 31, 0, 15 / 30, 1]
    # days in leaf are days of the calendar (365 a year)
    days = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    assert (share * days).sum() == pytest.approx(
        (np.datetime64("2025-10-15") - np.datetime64("2025-04-16")).astype(int) + 1
    )
    assert leaf_share(0.0, ((2, 29), (2, 28))).tolist() == [0] + [1 / 28] + [0] * 10


def test_a_month_half_in_leaf_is_mixed_after_the_product():
    """Two deciduous crowns on the way, half the month in leaf: (0.2^2 + 0.6^2)/2, not ((0.2 + 0.6)/2)^2."""
    share = np.full(12, 0.5)
    mixed = over_the_month(np.full((1, 12), 0.04), np.full((1, 12), 0.36), share)
    np.testing.assert_allclose(mixed, 0.20)
    assert over_the_month(0.04, 0.36, leaf_share(40))[[0, 6]].tolist() == [0.36, 0.04]


def plan_with(sun):
    return parse_plan({"sun": sun}, Path("plan.toml")).plan.sun


def test_dates_in_the_plan():
    assert plan_with({}).leaf_dates() is None
    assert plan_with({"leaf_from": "04-16", "leaf_until": "10-15"}).leaf_dates() == ((4, 16), (10, 15))
    odd = [{"leaf_from": "04-16"}]
    odd += [{"leaf_from": first, "leaf_until": "10-15"} for first in ("4/16", "04-31", "13-01", "04-16-25")]
    for bad in odd:
        with pytest.raises(PlanError, match="leaf_"):
            plan_with(bad)
    assert plan_with({"crown_in_leaf": 0.03, "crown_leafless": 0.45}).crown_in_leaf == 0.03
    with pytest.raises(PlanError, match="crown"):
        plan_with({"crown_in_leaf": 0.7, "crown_leafless": 0.5})
    with pytest.raises(PlanError, match="crown_in_leaf"):
        plan_with({"crown_in_leaf": 0.0})


# --- how much --------------------------------------------------------------------------------------------------


def random_chords(rng, n, inside, half):
    """Lengths of isotropic random lines through a body, by sampling points on them."""
    u = rng.normal(size=(n, 3))
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    # an even sheet of lines for each direction: a point in the disc square to it
    a = np.cross(u, np.roll(u, 1, axis=1))
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(u, a)
    size = 1.8 * half
    p = rng.uniform(-size, size, (n, 1)) * a + rng.uniform(-size, size, (n, 1)) * b
    t = np.linspace(-2 * size, 2 * size, 1200)
    points = p[:, None, :] + t[None, :, None] * u[:, None, :]
    return inside(points).sum(axis=1) * (t[1] - t[0])


@pytest.mark.parametrize(("radius", "half"), [(3.0, 3.0), (4.0, 2.0), (2.0, 5.0)])
def test_mean_chord_of_an_ellipsoid(radius, half):
    """Cauchy: the mean chord of a convex body under isotropic lines is 4 V/S; here by 20,000 random lines."""
    chords = random_chords(
        np.random.default_rng(1),
        20_000,
        lambda p: (p[..., 0] ** 2 + p[..., 1] ** 2) / radius**2 + (p[..., 2] / half) ** 2 <= 1,
        max(radius, half),
    )
    assert ellipsoid_mean_chord_m(radius, half) == pytest.approx(chords[chords > 0].mean(), rel=0.03)
    assert ellipsoid_mean_chord_m(3.0, 3.0) == pytest.approx(4.0)
    np.testing.assert_allclose(ellipsoid_mean_chord_m([3.0, 3.0], [2.9999, 3.0001]), 4.0, rtol=1e-4)


def test_mean_chord_of_a_prism():
    """A cube of side s: 4 s^3 / 6 s^2 = 2s/3."""
    assert prism_mean_chord_m(9.0, 12.0, 3.0) == pytest.approx(2.0)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_way_through_a_crown_is_what_points_along_the_ray_say(seed):
    rng = np.random.default_rng(seed)
    offset, r, h = rng.uniform(-8, 8, 3), rng.uniform(1, 6), rng.uniform(1, 6)
    azimuth, elevation = np.radians(rng.uniform(0, 360)), np.radians(rng.uniform(0, 85))
    found = ellipsoid_path_m(*offset, r, h, np.sin(azimuth), np.cos(azimuth), np.tan(elevation))
    t = np.linspace(0, 30, 300_001)
    u = [np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth), np.sin(elevation)]
    p = t[:, None] * u - offset
    inside = (p[:, 0] ** 2 + p[:, 1] ** 2) / r**2 + (p[:, 2] / h) ** 2 <= 1
    assert found == pytest.approx(inside.sum() * t[1], abs=5e-4)
    # and through a square crown of the same bounds, raised from the mount's height less 2
    box = shapely.box(offset[0] - r, offset[1] - r, offset[0] + r, offset[1] + r)
    level = shapely.intersection(shapely.LineString([(0, 0), (400 * np.sin(azimuth), 400 * np.cos(azimuth))]), box)
    if level.is_empty or level.length < 1e-6:
        return
    near, far = np.sort([np.hypot(*c) for c in level.coords])
    found = prism_path_m(near, far, np.tan(elevation), -2.0, h)
    q = t * np.cos(elevation)
    z = t * np.sin(elevation)
    assert found == pytest.approx(((q >= near) & (q <= far) & (z >= -2) & (z <= h)).sum() * t[1], abs=5e-4)


def test_level_ray_through_a_prism():
    assert prism_path_m(2.0, 5.0, 0.0, -1.0, 4.0) == 3.0
    assert prism_path_m(2.0, 5.0, 0.0, 1.0, 4.0) == 0.0
