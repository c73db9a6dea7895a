"""Path loss formulas against what their recommendations and tables give.

Values named "computed" follow from a formula whose constants were checked; values marked "from memory" were not
checked against the document itself.
"""

import numpy as np
import pytest
from plain_profiles import edge_v
from scipy.special import fresnel

from planner.job import _outside
from planner.plan import Plan, Reach, Sensor
from planner.reach import radio as r
from planner.show.say.links import radio_basis


@pytest.mark.parametrize(
    ("f_mhz", "d_m", "db"), [(868, 100, 71.22), (915, 100, 71.68), (915, 1000, 91.68), (433, 100, 65.18)]
)
def test_free_space(f_mhz, d_m, db):
    """ITU-R P.525-4, computed; its own rounding of the constant is 32.4 for 32.448."""
    assert r.free_space_db(d_m, f_mhz) == pytest.approx(db, abs=0.005)
    assert r.free_space_db(d_m, f_mhz) == pytest.approx(32.4 + 20 * np.log10(f_mhz * d_m / 1000), abs=0.05)


@pytest.mark.parametrize(
    ("f_mhz", "d_m", "radius_m", "clear_m"),
    [(433, 100, 4.16, 2.50), (868, 100, 2.94, 1.76), (915, 100, 2.86, 1.72), (915, 300, 4.96, 2.97)],
)
def test_fresnel_radius_midway(f_mhz, d_m, radius_m, clear_m):
    """ITU-R P.526, computed; the rule of six tenths is from memory."""
    radius = float(r.fresnel_radius_m(d_m / 2, d_m / 2, f_mhz))
    assert radius == pytest.approx(radius_m, abs=0.006)
    assert 0.6 * radius == pytest.approx(clear_m, abs=0.006)
    assert edge_v(-0.6 * radius, d_m / 2, d_m / 2, f_mhz) == pytest.approx(-0.849, abs=0.001)


def exact_knife_edge_db(v):
    """Loss of a knife edge from the Fresnel integrals, ITU-R P.526 section 4.1 (eq. 30)."""
    s, c = fresnel(v)
    return -20 * np.log10(np.sqrt((1 - c - s) ** 2 + (c - s) ** 2) / 2)


@pytest.mark.parametrize(("v", "db"), [(0, 6.033), (0.5, 10.288), (1, 13.926), (2, 19.043)])
def test_knife_edge(v, db):
    """ITU-R P.526 eq. 31, computed from the constants of crc-covlib's ITURP_452_1812_common.cpp."""
    assert r.knife_edge_db(v) == pytest.approx(db, abs=0.001)


def test_knife_edge_beside_the_exact_integral():
    v = np.linspace(-0.7, 6, 400)
    off = np.abs(r.knife_edge_db(v) - exact_knife_edge_db(v))
    assert off.max() < 0.25
    assert exact_knife_edge_db(0.0) == pytest.approx(6.0206, abs=1e-4)
    assert exact_knife_edge_db(1.0) == pytest.approx(13.864, abs=0.001)
    assert r.knife_edge_db(-0.79) == 0


def test_knife_edge_beside_itmlogic():
    """itmlogic's aknfe: the Irregular Terrain Model's own approximation (of v squared), good to half a decibel."""
    aknfe = pytest.importorskip("itmlogic.diffraction_attenuation.aknfe").aknfe
    for v in (0.0, 0.5, 1.0, 2.0, 3.0, 5.0):
        assert aknfe(v**2) == pytest.approx(float(r.knife_edge_db(v)), abs=0.5)


def test_knife_edge_beside_proplib():
    """ITU-R P.2108-1 section 3.1 corrects for a clutter edge by the same J(v) less 6.03 dB (proplib-p2108)."""
    p2108 = pytest.importorskip("ITS.ITU.PSeries.P2108")
    f_ghz, h, w_m, clutter_m = 0.9, 2.0, 27.0, 15.0
    try:
        found = p2108.HeightGainTerminalCorrectionModel(f_ghz, h, w_m, clutter_m, p2108.ClutterType.Urban)
    except (AttributeError, OSError) as fault:
        pytest.skip(f"proplib-p2108 cannot be used here: {fault}")
    rise = clutter_m - h
    v = 0.342 * np.sqrt(f_ghz) * np.sqrt(rise * np.degrees(np.arctan(rise / w_m)))
    assert float(r.knife_edge_db(v)) - 6.03 == pytest.approx(found, abs=0.02)


def breakpoint_m(h1_m, h2_m, f_mhz):
    """ITU-R P.1411: 4 h1 h2 / wavelength, where the first Fresnel zone begins to touch flat ground."""
    return 4.0 * h1_m * h2_m / r.wavelength_m(f_mhz)


@pytest.mark.parametrize(("f_mhz", "d_m"), [(915, 54.9), (868, 52.1)])
def test_breakpoint(f_mhz, d_m):
    """ITU-R P.1411 (crc-covlib's itur_p1411.py), computed for antennas 3 m and 1.5 m up."""
    assert breakpoint_m(3, 1.5, f_mhz) == pytest.approx(d_m, abs=0.05)


def test_open_field_is_the_far_form_of_two_rays():
    """Beside the sum of a direct ray and one turned over by the ground (reflection -1), beyond the breakpoint."""
    f, h1, h2 = 915.0, 3.0, 1.5
    d = np.array([20, 40, 80]) * float(breakpoint_m(h1, h2, f))
    k = 2 * np.pi / r.wavelength_m(f)
    direct, turned = np.hypot(d, h1 - h2), np.hypot(d, h1 + h2)
    field = np.exp(-1j * k * direct) / direct - np.exp(-1j * k * turned) / turned
    both = -20 * np.log10(np.abs(field) / (2 * k))
    assert r.open_field_db(d, h1, h2, f) == pytest.approx(both, abs=0.05)
    near = np.array([0.2, 1.0, 3.0]) * float(breakpoint_m(h1, h2, f))
    assert r.open_field_db(near, h1, h2, f) == pytest.approx(r.free_space_db(near, f))


@pytest.mark.parametrize(
    ("f_mhz", "d_m", "db"), [(915, 5, 2.19), (915, 10, 4.39), (915, 20, 7.55), (915, 50, 12.94)]
)
def test_weissberger(f_mhz, d_m, db):
    """Weissberger's modified exponential decay, constants checked, values computed."""
    assert r.foliage_db(d_m, f_mhz) == pytest.approx(db, abs=0.005)


def test_weissberger_at_868():
    assert r.foliage_db(10, 868) == pytest.approx(4.32, abs=0.005)
    assert r.foliage_db(0, 915) == 0


@pytest.mark.parametrize(
    ("f_mhz", "building", "p", "db"),
    [
        (868, "traditional", 0.5, 14.22),
        (868, "traditional", 0.9, 25.04),
        (868, "thermally_efficient", 0.5, 31.21),
        (868, "thermally_efficient", 0.9, 46.55),
        (915, "traditional", 0.5, 14.25),
        (915, "traditional", 0.9, 25.16),
        (915, "thermally_efficient", 0.5, 31.13),
        (915, "thermally_efficient", 0.9, 46.54),
    ],
)
def test_building_entry(f_mhz, building, p, db):
    """ITU-R P.2109-2, level path: constants alike in crc-covlib's itur_p2109.py and P2109_BEL.m."""
    assert r.entry_db(p, f_mhz, building) == pytest.approx(db, abs=0.01)
    assert r.entry_db(p, f_mhz, building, 30.0) > r.entry_db(p, f_mhz, building)


@pytest.mark.parametrize(
    ("material", "thickness_m", "db"),
    [("concrete", 0.2, 7.4), ("brick", 0.102, 3.0), ("plasterboard", 0.013, 0.34), ("wood", 0.04, 0.61),
     ("glass", 0.006, 0.41)],
)  # fmt: skip
def test_walls(material, thickness_m, db):
    """ITU-R P.2040-3 table 3 at 915 MHz, square on, computed; the first three are carried down below 1 GHz."""
    assert r.wall_db(915.0, material, thickness_m) == pytest.approx(db, abs=0.06)


def test_metal_shuts_everything_out():
    assert r.wall_db(915.0, "metal", 0.01) > 100


def test_the_rated_range_fixes_what_is_allowed():
    sensor = Sensor(rated_range_m=300.0, rated_sensor_height_m=3.0, rated_receiver_height_m=1.5)
    found = r.radio(sensor, Reach(fade_margin_db=8.0))
    assert found.allowed_db == pytest.approx(float(r.open_field_db(300, 3, 1.5, 915)))
    assert found.fade_db == 8

    def said(sensor, section=None, units="us"):
        return radio_basis(Plan(sensor=sensor, reach=section or Reach(), units=units))

    assert "300 m over flat open ground" in said(sensor, units="metric")
    assert "984 ft over flat open ground with antennas 9.8 ft and 4.9 ft up" in said(sensor)
    powers = r.radio(Sensor(transmit_dbm=14, gains_dbi=2, sensitivity_dbm=-110), Reach())
    assert powers.allowed_db == 126
    assert "-110 dBm heard" in said(Sensor(transmit_dbm=14, sensitivity_dbm=-110))
    assert "brick by ITU-R P.2040" in said(sensor, Reach(wall_material="brick"))


def test_where_formulas_are_stretched_is_said():
    spread, foliage, wall = r.Outside
    assert r.radio(Sensor(), Reach()).outside == ()
    assert r.radio(Sensor(radio_band_mhz=800), Reach()).outside == ()
    assert r.radio(Sensor(radio_band_mhz=799), Reach()).outside == (spread,)
    assert r.radio(Sensor(radio_band_mhz=230), Reach()).outside == (spread,)
    assert r.radio(Sensor(radio_band_mhz=229), Reach()).outside == (spread, foliage)
    assert r.radio(Sensor(radio_band_mhz=1000), Reach(wall_material="brick")).outside == ()
    assert r.radio(Sensor(), Reach(wall_material="brick")).outside == (wall,)
    low = Plan(sensor=Sensor(radio_band_mhz=200), reach=Reach(wall_material="brick"))
    assert "200 MHz is below 0.8 GHz" in _outside(spread, low)
    assert "below the 230 MHz" in _outside(foliage, low)
    assert "P.2040 gives brick from 1 GHz: carried on down to 200 MHz" in _outside(wall, low)
