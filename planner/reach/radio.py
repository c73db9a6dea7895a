"""Path loss: the published formulas, one function each, and what a radio allows.

Losses are decibels, positive; frequencies MHz, distances metres, heights metres above ground. Functions take
numbers or arrays. Sources: Recommendations ITU-R by number; Weissberger's modified exponential decay (1982).

Where a formula is used outside the range its source gives, :func:`validity` says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np
from scipy.special import ndtr, ndtri

from planner.plan import Reach, Sensor
from planner.site import Floats

LIGHT_M_S = 299_792_458.0
NORMAL_84 = 0.8413447460685429  # share of a normal distribution below its mean plus one standard deviation

LEAFLESS = 1.0 / 1.2  # near 1 GHz a crown in leaf takes about a fifth more than a bare one (P.833, from memory)

BuildingClass = Literal["traditional", "thermally_efficient"]
# P.2109-2 table 1: r, s, t, u, v, w, x, y, z
ENTRY = {
    "traditional": (12.64, 3.72, 0.96, 9.6, 2.0, 9.1, -3.0, 4.5, -2.0),
    "thermally_efficient": (28.19, -3.00, 8.48, 13.5, 3.8, 27.8, -2.9, 9.4, -2.1),
}
# P.2040-3 table 3: permittivity a f^b, conductivity c f^d (f in GHz), least frequency in GHz
MATERIALS = {
    "concrete": (5.24, 0.0, 0.0462, 0.7822, 1.0),
    "brick": (3.91, 0.0, 0.0238, 0.16, 1.0),
    "plasterboard": (2.73, 0.0, 0.0085, 0.9395, 1.0),
    "wood": (1.99, 0.0, 0.0047, 1.0718, 0.001),
    "glass": (6.31, 0.0, 0.0036, 1.3394, 0.1),
    "chipboard": (2.58, 0.0, 0.0217, 0.78, 1.0),
    "plywood": (2.71, 0.0, 0.33, 0.0, 1.0),
    "metal": (1.0, 0.0, 1e7, 0.0, 1.0),
}

# P.1411 section 4.1.1, 0.8 to 82 GHz, below roofs (from memory): line of sight 5.06 dB, without it 7.60 dB
CLEAR_SPREAD_DB = 5.06
BLOCKED_SPREAD_DB = 5.67  # what the second has more, as a spread of its own: parapets, plant, what else reflects
BLOCKED_DB = 12.0  # obstacles that take so much bring all of it: a roof's two edges that touch the line take 10 dB
# by edges in a row, 1 to 20 and more, beside an integral: `data/fit_diffraction.py`
EDGES_SPREAD_DB = (0.8, 1.4, 1.6, 2.0, *[2.2] * 5, *[2.5] * 10, 3.1)
POWERS_SPREAD_DB = 2.0  # of powers that a data sheet states, from one unit to the next: common practice, no source
FOLIAGE_SPREAD = 0.3  # of the foliage's loss: common practice, no source
WALL_SPREAD_DB = 4.0  # of a wall given by its material; furniture, wiring and windows: common practice, no source

SPREAD_FROM_MHZ, FOLIAGE_FROM_MHZ = 800.0, 230.0  # where P.1411 and Weissberger's formula start

Numbers = float | Floats


class Outside(StrEnum):
    """Formulas used outside the range that their sources give."""

    SPREAD_AND_ENTRY = "spread_and_entry"
    FOLIAGE = "foliage"
    WALL = "wall"


def wavelength_m(f_mhz: float) -> float:
    return LIGHT_M_S / (f_mhz * 1e6)


def free_space_db(distance_m: Numbers, f_mhz: float) -> Floats:
    """ITU-R P.525: 20 log(4 pi d / wavelength)."""
    return np.asarray(20.0 * np.log10(4.0 * np.pi * np.asarray(distance_m, float) / wavelength_m(f_mhz)))


def open_field_db(distance_m: Numbers, h1_m: Numbers, h2_m: Numbers, f_mhz: float) -> Floats:
    """Loss over flat open ground: free space, and the two-ray law 20 log(d^2 / (h1 h2)) where that is more.

    The two-ray law is the far form of a direct ray and one turned over by the ground; it meets free space at pi
    times the breakpoint. Where the two rays help each other (up to 6 dB) nothing is gained here.
    """
    d = np.asarray(distance_m, float)
    two_ray = 20.0 * np.log10(d**2 / (np.asarray(h1_m, float) * np.asarray(h2_m, float)))
    return np.asarray(np.maximum(free_space_db(d, f_mhz), two_ray))


def fresnel_radius_m(d1_m: Numbers, d2_m: Numbers, f_mhz: float) -> Floats:
    """Radius of the first Fresnel zone.

    Parameters
    ----------
    d1_m, d2_m
        Distances from the two ends.
    f_mhz
        Of the carrier.

    Returns
    -------
    ndarray
        Metres.

    References
    ----------
    ITU-R P.526.
    """
    d1, d2 = np.asarray(d1_m, float), np.asarray(d2_m, float)
    return np.asarray(np.sqrt(wavelength_m(f_mhz) * d1 * d2 / (d1 + d2)))


def knife_edge_db(v: Numbers) -> Floats:
    """ITU-R P.526 eq. 31, the approximation: 0 below v = -0.78, else within 0.1 dB of the Fresnel integral."""
    w = np.asarray(v, float) - 0.1
    return np.asarray(np.where(w > -0.88, 6.9 + 20.0 * np.log10(np.sqrt(w**2 + 1.0) + w), 0.0))


def foliage_db(depth_m: Numbers, f_mhz: float) -> Floats:
    """Weissberger: loss of `depth_m` of crowns in leaf on the line; 230 MHz to 95 GHz, up to 400 m."""
    d, f = np.clip(np.asarray(depth_m, float), 0.0, 400.0), (f_mhz / 1000.0) ** 0.284
    return np.asarray(np.where(d <= 14.0, 0.45 * f * d, 1.33 * f * d**0.588))


def entry_db(
    probability: Numbers, f_mhz: float, building: BuildingClass = "traditional", elevation_deg: Numbers = 0.0
) -> Floats:
    """ITU-R P.2109-2: building entry loss not exceeded with `probability`, 0 to 1."""
    r, s, t, u, v, w, x, y, z = ENTRY[building]
    log_f = np.log10(f_mhz / 1000.0)
    at = ndtri(np.asarray(probability, float))
    middle = r + s * log_f + t * log_f**2 + 0.212 * np.abs(np.asarray(elevation_deg, float))
    first = at * (u + v * log_f) + middle
    second = at * (y + z * log_f) + w + x * log_f
    return np.asarray(10.0 * np.log10(10.0 ** (0.1 * first) + 10.0 ** (0.1 * second) + 10.0**-0.3))


def wall_db(f_mhz: float, material: str, thickness_m: float) -> float:
    """ITU-R P.2040-3 section 2.2.2.2: one slab, met squarely, with the reflections inside it."""
    a, b, c, d, _ = MATERIALS[material]
    f = f_mhz / 1000.0
    root = np.sqrt(complex(a * f**b, -17.98 * c * f**d / f))
    turn = 2.0 * np.pi * thickness_m / wavelength_m(f_mhz) * root
    r = (1.0 - root) / (1.0 + root)
    # metal swallows the wave long before its far face: the exponent is held where a float can carry it
    once = np.exp(complex(max(float(turn.imag), -300.0), -float(turn.real)))
    return float(-20.0 * np.log10(max(abs((1.0 - r**2) * once / (1.0 - r**2 * once**2)), 1e-15)))


# --- what a radio allows ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Radio:
    """What is known of a sensor's radio, as path loss.

    allowed_db: loss at which it just works, allowed_spread_db: how sure that is; fade_db: kept in hand for rain,
    wet leaves, people and cars.
    entry_db, entry_spread_db: what stands before a receiver indoors, at level (it grows with the elevation of the
    path, P.2109). building_db, building_spread_db: one outer wall of a building in the way, with
    what is behind it. outside: formulas used outside the range that their sources give. building: the class by
    which entry loss grows.
    """

    f_mhz: float
    allowed_db: float
    allowed_spread_db: float
    fade_db: float
    entry_db: float
    entry_spread_db: float
    building_db: float
    building_spread_db: float
    outside: tuple[Outside, ...]
    building: BuildingClass = "traditional"

    @property
    def wavelength_m(self) -> float:
        return wavelength_m(self.f_mhz)


def radio(sensor: Sensor, section: Reach) -> Radio:
    """The radio that a plan describes, by its powers where they are given, else by its rated range.

    Parameters
    ----------
    sensor
        Range or powers, band, and the heights of the rating.
    section
        Walls and fade margin.

    Returns
    -------
    Radio
        In decibels of path loss, with the spread of each.
    """
    f = sensor.radio_band_mhz
    if sensor.transmit_dbm is not None and sensor.sensitivity_dbm is not None:
        allowed, sure = sensor.transmit_dbm + sensor.gains_dbi - sensor.sensitivity_dbm, POWERS_SPREAD_DB
    else:
        h1, h2 = sensor.rated_sensor_height_m, sensor.rated_receiver_height_m
        allowed = float(open_field_db(sensor.rated_range_m, h1, h2, f))
        # whoever rated it may have had free space in mind, or anything between: all of that alike
        sure = max((allowed - float(free_space_db(sensor.rated_range_m, f))) / np.sqrt(12.0), POWERS_SPREAD_DB)
    median, high = (float(entry_db(p, f, section.building_class)) for p in (0.5, NORMAL_84))
    entry, spread = median, high - median
    if section.wall_material is not None:  # one wall is one wall: it comes on top of the building's own
        entry += wall_db(f, section.wall_material, section.wall_thickness_m)
        spread = float(np.hypot(spread, WALL_SPREAD_DB))
    return Radio(
        f,
        allowed,
        sure,
        section.fade_margin_db,
        entry,
        spread,
        median,
        high - median,
        validity(f, section.wall_material),
        section.building_class,
    )


def by_powers(sensor: Sensor) -> bool:
    """Whether what the radio allows comes from its powers; else from its rated range."""
    return sensor.transmit_dbm is not None and sensor.sensitivity_dbm is not None


def assumed(sensor: Sensor) -> tuple[str, ...]:
    """Keys of [sensor] that decide what its radio allows, where the plan leaves them to their defaults."""
    rated = ("rated_range_m", "rated_sensor_height_m", "rated_receiver_height_m")
    keys = ("radio_band_mhz",) if by_powers(sensor) else ("radio_band_mhz", *rated)
    return tuple(key for key in keys if key not in sensor.model_fields_set)


def rated_m(sensor: Sensor) -> float:
    """The range that the plan states; NaN where powers stand in for it."""
    return np.nan if by_powers(sensor) and "rated_range_m" not in sensor.model_fields_set else sensor.rated_range_m


def usable_m(sensor: Sensor, range_used: float) -> float:
    """Distance beyond which no link is leaned on, whatever its margin; infinite where no range is stated."""
    far = range_used * rated_m(sensor)
    return far if far == far else np.inf


def validity(f_mhz: float, material: str | None = None) -> tuple[Outside, ...]:
    """Which formulas are used outside the range that their sources give."""
    below = {
        Outside.SPREAD_AND_ENTRY: f_mhz < SPREAD_FROM_MHZ,
        Outside.FOLIAGE: f_mhz < FOLIAGE_FROM_MHZ,
        Outside.WALL: material is not None and f_mhz < 1000.0 * MATERIALS[material][4],
    }
    return tuple(which for which, so in below.items() if so)


def asked_z(probability: float) -> float:
    """How many standard deviations of margin a probability asks for."""
    return float(ndtri(probability))


def normal_below(z: Floats) -> Floats:
    """Share of a normal distribution below z standard deviations."""
    return np.asarray(ndtr(z))
