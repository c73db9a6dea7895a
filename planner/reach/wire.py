"""Copper: the resistance of conductors, and whether a run of them is electrically good enough.

Resistance at 20 degrees C by IEC 60228 (solid and stranded, classes 1 and 2: the most allowed) and, for AWG, from
the geometry of ASTM B258 with copper of 17.241 nohm m. The table of the National Electrical Code (chapter 9,
table 8) holds for 75 degrees C; it is kept apart, as a check.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from planner import plan
from planner.units import Units, length

COPPER_NOHM_M = 17.241  # annealed copper at 20 degrees C
PER_KELVIN = 0.00393  # of copper's resistance, at 20 degrees C
# IEC 60228 classes 1 and 2, ohm per km at 20 degrees C; 0.5, 2.5 and 4 mm2 from memory
IEC_60228 = {0.5: 36.0, 0.75: 24.5, 1.0: 18.1, 1.5: 12.1, 2.5: 7.41, 4.0: 4.61}
AWG_SIZES = (22, 20, 18, 16, 14, 12, 10)


@dataclass(frozen=True)
class Conductor:
    """name as bought; ohm_per_km of one wire at 20 degrees C; area_mm2 of its copper."""

    name: str
    ohm_per_km: float
    area_mm2: float


def awg_diameter_mm(gauge: int) -> float:
    """ASTM B258: 0.127 mm times 92 to the power of (36 - gauge) / 39."""
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg(gauge: int) -> Conductor:
    area_mm2 = np.pi / 4.0 * awg_diameter_mm(gauge) ** 2
    return Conductor(f"{gauge} AWG", float(COPPER_NOHM_M / area_mm2), float(area_mm2))


def metric(area_mm2: float) -> Conductor:
    return Conductor(f"{area_mm2:g} mm2", IEC_60228[area_mm2], area_mm2)


def conductor(text: str) -> Conductor | None:
    """The conductor that a data sheet's words name; of two equivalents the thinner. None where none is known.

    >>> conductor("1 mm2 / 18 AWG").name
    '18 AWG'
    """
    found = [awg(int(n)) for n in re.findall(r"(\d+)\s*AWG", text, re.IGNORECASE) if int(n) <= 40]
    for number in re.findall(r"(\d+(?:\.\d+)?)\s*mm(?:2|²)", text):
        if float(number) in IEC_60228:
            found.append(metric(float(number)))
    return max(found, key=lambda c: c.ohm_per_km) if found else None


def loop_ohm(length_m: float, wire: Conductor, temperature_c: float = 20.0) -> float:
    """Resistance of both wires of a run, out and back."""
    warm = 1.0 + PER_KELVIN * (temperature_c - 20.0)
    return 2.0 * length_m / 1000.0 * wire.ohm_per_km * warm


def drop_v(length_m: float, wire: Conductor, current_a: float, temperature_c: float = 20.0) -> float:
    """Voltage that both wires take from a current."""
    return loop_ohm(length_m, wire, temperature_c) * current_a


@dataclass(frozen=True)
class WireCheck:
    """wire: that of the plan, None where its words name none we know. loop_ohm, drop_v (0 for a contact).

    allowed: the limit in words. longest_m: the longest run that nobody need be asked about. ok: good enough with
    the plan's conductor. instead: the next conductor up that is good enough, None where none is needed or none is
    thick enough. ask_maker: `instead` goes beyond the longest run that the maker allows: only if he agrees.
    """

    wire: Conductor | None
    loop_ohm: float
    drop_v: float
    allowed: str
    longest_m: float
    ok: bool
    instead: Conductor | None = None
    ask_maker: bool = False


def check(length_m: float, sensor: plan.Sensor, settings: plan.Cable, units: Units) -> WireCheck:
    """Whether a run of `length_m` is good enough with the plan's conductor.

    A contact or resistor read through the wires: the loop resistance of the longest allowed run with its conductor
    is the yardstick, and that run is the limit. A thicker conductor may go farther by the same yardstick, but that
    is for the maker to say. A powered sensor: the wires may take no more than `drop_share` of the supply; a
    thicker conductor takes less, but no run is longer than the longest allowed one.
    """
    wire = conductor(sensor.cable_conductor)
    most_m = sensor.cable_longest_m
    longest = length(most_m, units)
    if wire is None:
        said = f"no longer than {longest} with {sensor.cable_conductor}"
        return WireCheck(None, np.nan, np.nan, said, most_m, length_m <= most_m)
    warm = settings.conductor_c
    loop = loop_ohm(length_m, wire, warm)
    if settings.circuit == "contact":
        most = loop_ohm(most_m, wire, warm)
        allowed = f"{most:.1f} ohm of loop, that of {longest} of {wire.name} at {warm:g} °C"
        ok = length_m <= most_m
        others = [] if ok else [w for w in thicker(wire) if loop_ohm(length_m, w, warm) <= most + 1e-9]
        return WireCheck(wire, loop, 0.0, allowed, most_m, ok, others[0] if others else None, bool(others))
    amps, volts = settings.current_ma / 1000.0, settings.drop_share * settings.supply_v
    allowed = f"{volts:.2f} V lost of {settings.supply_v:g} V, and {longest}"

    def farthest(some: Conductor) -> float:
        return min(most_m, volts / (loop_ohm(1.0, some, warm) * amps))

    ok = length_m <= farthest(wire)
    others = [] if ok else [w for w in thicker(wire) if length_m <= farthest(w)]
    reach_m = max(farthest(w) for w in (wire, *thicker(wire)))
    return WireCheck(wire, loop, loop * amps, allowed, reach_m, ok, others[0] if others else None)


def further_mm2(run: WireCheck) -> float:
    """Copper that the conductor to take has more than the plan's, mm2 of one wire."""
    return 0.0 if run.wire is None or run.instead is None else run.instead.area_mm2 - run.wire.area_mm2


def thicker(wire: Conductor) -> list[Conductor]:
    """Conductors of the same kind that are thicker, the next one up first."""
    family = [awg(n) for n in AWG_SIZES] if "AWG" in wire.name else [metric(a) for a in IEC_60228]
    return [w for w in family if w.ohm_per_km < wire.ohm_per_km - 1e-9]
