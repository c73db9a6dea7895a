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
    """name as bought; ohm_per_km of one wire at 20 degrees C."""

    name: str
    ohm_per_km: float


def awg_diameter_mm(gauge: int) -> float:
    """ASTM B258: 0.127 mm times 92 to the power of (36 - gauge) / 39."""
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg(gauge: int) -> Conductor:
    area_mm2 = np.pi / 4.0 * awg_diameter_mm(gauge) ** 2
    return Conductor(f"{gauge} AWG", float(COPPER_NOHM_M / area_mm2))


def metric(area_mm2: float) -> Conductor:
    return Conductor(f"{area_mm2:g} mm2", IEC_60228[area_mm2])


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

    allowed: the limit in words. ok: within it. instead: the next conductor up that is, None where none is needed
    or none is thick enough.
    """

    wire: Conductor | None
    loop_ohm: float
    drop_v: float
    allowed: str
    ok: bool
    instead: Conductor | None


def check(length_m: float, sensor: plan.Sensor, settings: plan.Cable, units: Units) -> WireCheck:
    """Whether a run of `length_m` is good enough with the plan's conductor.

    A contact or resistor read through the wires: no more loop resistance than the longest allowed run has with
    its conductor. A powered sensor: no more than `drop_share` of the supply, and never longer than that run, for
    what else its maker had in mind.
    """
    wire = conductor(sensor.cable_conductor)
    if wire is None:
        allowed = f"no longer than {length(sensor.cable_longest_m, units)} with {sensor.cable_conductor}"
        return WireCheck(None, np.nan, np.nan, allowed, length_m <= sensor.cable_longest_m, None)
    warm = settings.conductor_c
    most = loop_ohm(sensor.cable_longest_m, wire, warm)
    amps = settings.current_ma / 1000.0 if settings.circuit == "powered" else 0.0
    longest = length(sensor.cable_longest_m, units)
    allowed = f"{most:.1f} ohm of loop, that of {longest} of {wire.name} at {warm:g} °C"
    if amps:
        share = settings.drop_share * settings.supply_v
        allowed += f", and {share:.2f} V lost of {settings.supply_v:g} V"

    def good(some: Conductor) -> bool:
        ohm = loop_ohm(length_m, some, warm)
        return ohm <= most + 1e-9 and ohm * amps <= settings.drop_share * settings.supply_v + 1e-9

    ok = good(wire)
    instead = None if ok else next((w for w in thicker(wire) if good(w)), None)
    loop = loop_ohm(length_m, wire, warm)
    return WireCheck(wire, loop, loop * amps, allowed, ok, instead)


def thicker(wire: Conductor) -> list[Conductor]:
    """Conductors of the same kind that are thicker, the next one up first."""
    family = [awg(n) for n in AWG_SIZES] if "AWG" in wire.name else [metric(a) for a in IEC_60228]
    return [w for w in family if w.ohm_per_km < wire.ohm_per_km - 1e-9]
