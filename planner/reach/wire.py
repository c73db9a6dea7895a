"""Whether a run of copper is electrically good enough: its loop's resistance, and the voltage that it takes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from planner.copper import Conductor, awg, conductor, metric
from planner.plan import Cable, Sensor

PER_KELVIN = 0.00393  # of copper's resistance, at 20 degrees C
AWG_SIZES = (22, 20, 18, 16, 14, 12, 10)  # those that are sold as a sensor's cable, and likewise
METRIC_SIZES = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0)


# what is assumed of a cable where the plan does not say: common practice, no source
ASSUMED_LONGEST_M = 50.0  # short, so that a longer run is asked about
ASSUMED_CONDUCTOR = "18 AWG"  # the thinnest that irrigation cable is commonly sold in


class Assumed(StrEnum):
    """Plan keys that only the sensor's own data sheet can fill."""

    SUPPLIED = "sensor.cable_supplied_m"
    LONGEST = "sensor.cable_longest_m"
    CONDUCTOR = "sensor.cable_conductor"


@dataclass(frozen=True)
class SensorCable:
    """What comes with a sensor and what it allows; assumed: keys that the plan does not give."""

    supplied_m: float
    longest_m: float
    conductor: Conductor
    assumed: tuple[Assumed, ...]


def sensor_cable(sensor: Sensor) -> SensorCable:
    """The cable of the plan's data sheet.

    Parameters
    ----------
    sensor
        Where it is silent nothing is supplied, and a short run on thin wire is allowed.

    Returns
    -------
    SensorCable
        `assumed` names what the plan does not say.
    """
    supplied, longest = sensor.cable_supplied_m, sensor.cable_longest_m
    given = {Assumed.SUPPLIED: supplied, Assumed.LONGEST: longest, Assumed.CONDUCTOR: sensor.cable_conductor}
    least = ASSUMED_LONGEST_M if supplied is None else max(ASSUMED_LONGEST_M, supplied)
    return SensorCable(
        0.0 if supplied is None else supplied,
        least if longest is None else longest,
        conductor(sensor.cable_conductor or ASSUMED_CONDUCTOR),
        tuple(key for key, value in given.items() if value is None),
    )


def loop_ohm(length_m: float, wire: Conductor, temperature_c: float = 20.0) -> float:
    """Resistance of both wires of a run, out and back."""
    warm = 1.0 + PER_KELVIN * (temperature_c - 20.0)
    return 2.0 * length_m / 1000.0 * wire.ohm_per_km * warm


def drop_v(length_m: float, wire: Conductor, current_a: float, temperature_c: float = 20.0) -> float:
    """Voltage that both wires take from a current."""
    return loop_ohm(length_m, wire, temperature_c) * current_a


@dataclass(frozen=True)
class LoopLimit:
    """For a contact read through the wires: the loop of the longest allowed run of the plan's wire, warm."""

    ohm: float
    longest_m: float
    wire: Conductor
    conductor_c: float


@dataclass(frozen=True)
class DropLimit:
    """For a sensor fed through the wires: what they may take of its supply."""

    volts: float
    supply_v: float


@dataclass(frozen=True)
class WireCheck:
    """wire: that of the plan. loop_ohm, drop_v (0 for a contact).

    limit: what is allowed. longest_m: the longest run that nobody need be asked about. ok: good enough with
    the plan's conductor. instead: the next conductor up that is good enough, None where none is needed or none is
    thick enough. ask_maker: `instead` goes beyond the longest run that the maker allows: only if he agrees.
    over_m: the longest allowed run, where this one is longer and no conductor helps; 0 where it is not.
    """

    wire: Conductor
    loop_ohm: float
    drop_v: float
    limit: LoopLimit | DropLimit
    longest_m: float
    ok: bool
    instead: Conductor | None = None
    ask_maker: bool = False
    over_m: float = 0.0


def check(length_m: float, sensor: Sensor, section: Cable) -> WireCheck:
    """Whether a run of `length_m` is good enough with the plan's conductor.

    A contact or resistor read through the wires: the loop resistance of the longest allowed run with its conductor
    is the yardstick, and that run is the limit. A thicker conductor may go farther by the same yardstick, but that
    is for the maker to say. A powered sensor: the wires may take no more than `drop_share` of the supply; a
    thicker conductor takes less, but no run is longer than the longest allowed one.
    """
    sheet = sensor_cable(sensor)
    wire, most_m, warm = sheet.conductor, sheet.longest_m, section.conductor_c
    loop = loop_ohm(length_m, wire, warm)
    if section.circuit == "contact":
        limit = LoopLimit(loop_ohm(most_m, wire, warm), most_m, wire, warm)
        ok = length_m <= most_m
        others = [] if ok else [w for w in thicker(wire) if loop_ohm(length_m, w, warm) <= limit.ohm + 1e-9]
        return WireCheck(wire, loop, 0.0, limit, most_m, ok, others[0] if others else None, bool(others))
    amps, drop = section.current_ma / 1000.0, DropLimit(section.drop_share * section.supply_v, section.supply_v)

    def farthest(some: Conductor) -> float:
        return min(most_m, drop.volts / (loop_ohm(1.0, some, warm) * amps))

    ok = length_m <= farthest(wire)
    others = [] if ok else [w for w in thicker(wire) if length_m <= farthest(w)]
    reach_m = max(farthest(w) for w in (wire, *thicker(wire)))
    over_m = most_m if length_m > most_m else 0.0
    return WireCheck(wire, loop, loop * amps, drop, reach_m, ok, others[0] if others else None, over_m=over_m)


def further_mm2(run: WireCheck) -> float:
    """Copper that the conductor to take has more than the plan's, mm2 of one wire."""
    return 0.0 if run.instead is None else run.instead.area_mm2 - run.wire.area_mm2


def thicker(wire: Conductor) -> list[Conductor]:
    """Conductors of the same kind that are thicker, the next one up first."""
    family = [awg(n) for n in AWG_SIZES] if "AWG" in wire.name else [metric(a) for a in METRIC_SIZES]
    return [w for w in family if w.ohm_per_km < wire.ohm_per_km - 1e-9]
