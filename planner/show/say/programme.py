"""The base program, the first day and what was built, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from planner.programme.firstday import Check, Manual
from planner.programme.knowledge import Known, Mark
from planner.programme.runtime import L_PER_GAL, M2_PER_FT2, MOST_PIPE_M_S
from planner.show.documents import Column
from planner.show.say.figures import plural
from planner.show.say.sheet import controllers_check
from planner.show.say.zone import peak_said as in_its_band
from planner.units import M_PER_FT, MM_PER_IN, MONTHS, Units, clock, eto

if TYPE_CHECKING:
    from planner.job import SiteResult
    from planner.readings import StationTable
    from planner.upkeep import Built, ProgrammeResult

MONTH_WORDS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
DAY_WORDS = {"mon": "Mon", "tue": "Tue", "wed": "Wed", "thu": "Thu", "fri": "Fri", "sat": "Sat", "sun": "Sun"}
# The defaults that a run time may rest on: letter in the table, and words.
BASIS = {
    "rate": ("a", "precipitation rate"),
    "multiplier": ("b", "distribution uniformity"),
    "factor": ("c", "plant factor"),
    "soil": ("d", "soil intake"),
    "root": ("e", "root depth"),
}
RAIN_RULES = {
    "fao": "FAO Training Manual 3, Annex 1, month by month",
    "scs": "USDA-SCS as CROPWAT has it (FAO 46), month by month",
    "none": "no rain counted",
}
BUDGETS = {
    "mwelo residential": "California MWELO (23 CCR 490-495, 2015 text), residential: a year's MAWA and ETWU",
    "mwelo non-residential": "California MWELO (23 CCR 490-495, 2015 text), non-residential: MAWA and ETWU of a "
    "year",
    "epa": "EPA's 70% of peak-month ETo (2009)",
}

SET, ZONE, NO_ZONE = "Set", "Zone:", "none of the table's"
PEAK_HERE, WINDOW = "Peak month here", "Watering window"
DAYS_ALLOWED, ANY_DAY, RESTRICTIONS = "Watering days allowed", "any day", "Local restrictions"
LOOK_FIRST = "Look at this first"
PROGRAMS, CONTROLLERS, RUN_TIMES = "Programs", "Controllers", "Base run times at 100%"
FOLLOWS, NOT_GIVEN, NOT_KNOWN, NO_RUN = "follows the weather", "not given", "not known", "none"
INPUTS_STOP = (
    "Programs that follow the weather stop on rain and freeze through the sensor. A manual program stops only if "
    "its rain and freeze inputs are left active: check each."
)
PROGRAM_COLUMNS = (
    Column("Controller"),
    Column("Program"),
    Column("Mode", wide=True),
    Column("Watering days", short="Days"),
    Column("Stations", number=True),
    Column("Minutes per watering day", number=True, short="Minutes"),
)
LOAD_COLUMNS = (
    Column("Controller", wide=True),
    Column("Busiest day"),
    Column("Time needed", number=True),
    Column("Window", number=True),
    Column("Largest flow", number=True),
    Column("Supply", number=True),
)
STATION_COLUMNS = (
    Column("Station"),
    Column("What", wide=True),
    Column("Rate", number=True),
    Column("Net per week", number=True),
    Column("Days per week", number=True),
    Column("Minutes per watering day", number=True, short="Minutes"),
    Column("Cycles × min", number=True),
    Column("Soak, min", number=True),
    Column("Notes"),
)
LETTERS_MEAN = (
    "A letter means the run time uses a default. Measure that quantity first where a station looks wet or dry."
)
YEAR = "The year ahead: what the controller should show"
YEAR_CAPTION = "Each month's normal ETo in percent of the base. Filled bars: months that irrigate."
PERCENT, ALL_PROGRAMS, AFTER_RAIN = "Percent", "All programs", "Need after rain"
FOUND = "Found"
COME_BACK = "Come back 7 to 10 days after the start in season, and look at the log: common practice, no source."
SIGNED = ("Name", "Date", "Time")
AS_BUILT = "As built: the record that stays with the site"
RESTS_ON = "What this is based on"
NOTICES = "Notices on the input"
SWITCH_OFF = "Before working at a controller, switch off its power and follow local codes."


def depth(mm: float, units: Units) -> str:
    return f"{mm / MM_PER_IN:.2f} in" if units == "us" else f"{mm:.0f} mm"


def rate(mm_h: float, units: Units) -> str:
    return f"{mm_h / MM_PER_IN:.2f} in/h" if units == "us" else f"{mm_h:.0f} mm/h"


def flow(l_min: float, units: Units) -> str:
    return f"{l_min / L_PER_GAL:.1f} gpm" if units == "us" else f"{l_min:.0f} L/min"


def volume(liters: float, units: Units) -> str:
    return f"{round(liters / L_PER_GAL, -1):,.0f} gal" if units == "us" else f"{liters / 1000.0:,.1f} m³"


def area(m2: float, units: Units) -> str:
    return f"{m2 / M2_PER_FT2:,.0f} ft²" if units == "us" else f"{m2:,.0f} m²"


def speed(m_s: float, units: Units) -> str:
    return f"{m_s / M_PER_FT:.1f} ft/s" if units == "us" else f"{m_s:.1f} m/s"


def day(value: Any) -> str:
    """'May 8, 2026' of a date."""
    return f"{MONTH_WORDS[value.month - 1]} {value.day}, {value.year}"


def days_said(days: Sequence[str]) -> str:
    return ", ".join(DAY_WORDS[d] for d in days)


def window(asked: str, units: Units) -> str:
    """'8:00 p.m. to 6:00 a.m.' of '20:00-06:00'; by 24 hours under metric units."""
    times = (time.split(":") for time in asked.split("-"))
    return " to ".join(clock(int(hour) + int(minute) / 60, units) for hour, minute in times)


def zone_to_set(result: ProgrammeResult) -> tuple[str, str]:
    """The zone as a controller's own list has it, and what stands behind that, or ''.

    Our own label is on nobody's controller: there the range is what to look for, and the label comes after.
    """
    zones, row = result.zones, result.zone
    if row < 0:
        return NO_ZONE, ""
    label = zones.table.labels[row]
    if not zones.table.neutral:
        return label, ""
    if row != int(zones.zone[0]):
        return label, "of our neutral table"
    peak = in_its_band(zones.table, row, float(zones.peak_eto_mm_day[0]), result.plan.units)
    return f"the one whose range contains {peak}", f"({label} of our neutral table)"


def stands_for(base: str) -> str:
    return f"of the run times below stands for ETo of {base}, the zone's peak month"


def peak_said(month: int, peak_mm_day: float, shown: float, units: Units) -> str:
    return f"{MONTH_WORDS[month]}, {eto(peak_mm_day, units)}: expect the controller to show about {shown:.0f}% then"


def program_head(controller: str, name: str, days: Sequence[str]) -> str:
    return f"{controller}, program {name}: {days_said(days)}"


def rests_on(defaults: Sequence[str], steep: bool, fast: bool) -> str:
    """'bcd slope': letters of the defaults (:data:`BASIS`), and what to look at."""
    return " ".join([*filter(None, ["".join(BASIS[q][0] for q in defaults)]), *["slope"] * steep, *["fast"] * fast])


def year_columns(units: Units) -> tuple[Column, ...]:
    unit = "thousand gallons" if units == "us" else "m³"
    return (
        Column(f"Water, {unit}", wide=True),
        *(Column(m, number=True) for m in MONTHS),
        Column("Year", number=True),
    )


def year_said(percent: Any) -> str:
    """What the year's picture shows."""
    each = ", ".join(f"{month} {share:.0f}%" for month, share in zip(MONTHS, percent, strict=True))
    return f"Percentage of the base by month: {each}."


def year_note(result: ProgrammeResult, units: Units) -> str:
    said = (
        "Programs as the controller runs them, in whole minutes and with no rain stops. Need after rain: what the "
        "plants use, less the rain that counts; whole minutes may put it slightly above the programs. Rain that "
        f"counts: {RAIN_RULES[result.plan.programme.rain]}. {unmeasured(result)}{years(result, units)}"
    )
    return said.strip()


def unmeasured(result: ProgrammeResult) -> str:
    """'The water of 2 of 60 stations is not in it: flow and area are not known. ', or ''."""
    known = np.isfinite(result.base.volume_l)
    if known.all():
        return ""
    of = f" of {int((~known).sum())} of {plural(len(known), 'station')}" * bool(known.any())
    return f"The water{of} is not in it: flow and area are not known. "


def hours(h: float) -> str:
    whole = round(h * 60)
    return f"{whole // 60} h {whole % 60:02d} min"


def mode(manual: Manual) -> str:
    text = f"manual at {manual.percent:.0f}%: {manual.reason}"
    if manual.takes_over is not None:
        return f"{text}; weather adjustment takes over {day(manual.takes_over)}"
    if manual.days is not None:
        return f"{text}; weather adjustment takes over after {manual.days} days"
    return f"{text}; until somebody changes it"


def letters(result: ProgrammeResult) -> list[str]:
    """What each letter in the station table stands for: the defaults, with how they are known."""
    out = []
    for quantity, (letter, name) in BASIS.items():
        used: dict[str, int] = {}
        for known in result.base.stations.basis[quantity]:
            if known.mark not in (Mark.GIVEN, Mark.WORKED_OUT):
                said = _known(known)
                used[said] = used.get(said, 0) + 1
        if used:
            each = "; ".join(f"{said} ({count} station{'s' if count > 1 else ''})" for said, count in used.items())
            out.append(f"{letter}: default {name}. {each}.")
    return out


def _known(known: Known) -> str:
    if known.mark is Mark.NONE:
        return "none for this device, so no run time"
    return f"{known.source}, {known.mark.value}" if known.source else known.mark.value


def warnings(result: ProgrammeResult, units: Units) -> list[str]:
    base, table = result.base, result.base.stations.table
    out = []
    for load in base.loads:
        if not load.fits:
            out.append(
                f"{load.name} needs {hours(load.needed_h)} on {DAY_WORDS[load.busiest_day]}, and the window "
                f"allows {hours(load.window_h)}. Allow more days, run more stations at once, or move programs to "
                "different days."
            )
        if load.enough is False:
            out.append(
                f"{load.name} draws up to {flow(load.flow_l_min, units)}, and the supply gives "
                f"{flow(load.supply_l_min, units)}."
            )
    none = _stations_said(table, np.isnan(base.run_min))
    if none:
        out.append(f"No run time, because the precipitation rate is not known: {none}.")
    if result.budget is not None and not result.budget.passes:
        out.append(
            f"The year's water is over the budget: {volume(result.budget.estimated_l, units)} estimated, "
            f"{volume(result.budget.allowed_l, units)} allowed."
        )
    dry = [f"{p.controller} {p.name}" for p in base.programmes if p.dry_rows]
    if dry:
        out.append(
            "On the days allowed, the soil of some stations does not hold enough water until the next watering: "
            f"program {', '.join(dry)}."
        )
    fast = _stations_said(table, base.too_fast)
    if fast:
        out.append(f"Water runs faster than {speed(MOST_PIPE_M_S, units)} in the lateral of: {fast}.")
    steep = _stations_said(table, base.steep)
    if steep:
        out.append(
            f"Slopes over 3%: {steep}. Cycles are for flat ground; water runs off sooner "
            "on a slope, so watch the first run and shorten the cycles."
        )
    return out


def _stations_said(table: StationTable, picked: Any) -> str:
    """'Controller C: stations 3, 7; Controller E: station 2', '' for none."""
    by: dict[str, list[str]] = {}
    for k in np.flatnonzero(picked):
        by.setdefault(table.controllers[k], []).append(table.names[k])
    each = (f"{one}: station{'s' if len(names) > 1 else ''} {', '.join(names)}" for one, names in by.items())
    return "; ".join(each)


def years(result: ProgrammeResult, units: Units) -> str:
    spread = result.years
    if spread is None:
        return ""
    wet, middle, dry = (
        f"{volume(spread.need_l[k], units)} ({spread.years[k]})" for k in (spread.wet, spread.middle, spread.dry)
    )
    return (
        f"From {len(spread.years)} years of daily weather, season's need after rain: a wet year {wet}, a middle "
        f"year {middle}, a dry year {dry}. One year in ten is wetter, and one in ten is drier."
    )


def budget(result: ProgrammeResult, units: Units) -> str:
    found = result.budget
    if found is None:
        return ""
    text = (
        f"{BUDGETS[found.rule]}: {volume(found.estimated_l, units)} estimated, {volume(found.allowed_l, units)} "
        f"allowed, on {area(found.area_m2, units)}: {'within' if found.passes else 'over'} the budget. Local "
        "rules win."
    )
    if found.unknown:
        text += f" {len(found.unknown)} stations have no area and are not counted."
    return text


def checks(result: ProgrammeResult) -> list[str]:
    first, units = result.first, result.plan.units
    cable = result.plan.sensor.link == "cable"
    base = eto(result.base.base_eto_mm_day, units)
    zone = " ".join(zone_to_set(result)).strip() if result.zone >= 0 else "as the plan says"
    loops = "; ".join(f"{name} {ohm:.1f} Ω" for name, ohm in first.loop_ohm)
    rain, freeze = result.plan.programme.rain_stop_mm, result.plan.programme.freeze_stop_c
    said = {
        Check.PARTS: "Sensor, receivers and controllers fit one another, by their data sheets",
        Check.POWER: "Power is on at each controller, and at the sensor if it needs power",
        Check.WIRES: "Wires sound, polarity right, loop resistance measured"
        + (f" (computed: {loops})" if loops else " and compared with the cable check"),
        Check.SENSOR: "The sensor itself reports, not only its receiver"
        if not cable
        else "The sensor itself reports at the end of its cable",
        Check.CONTROLLERS: controllers_check(cable),
        Check.RAIN: f"Rain input tripped by hand: watering stops (at {depth(rain, units)} or as local rules say)",
        Check.FREEZE: "Freeze input tried as its data sheet says: watering stops at "
        + (f"{freeze * 9 / 5 + 32:.0f}\u00a0°F" if units == "us" else f"{freeze:.0f}\u00a0°C"),
        Check.BASE: f"Run times entered at 100% as on this sheet (100% stands for {base})",
        Check.ZONE: f"Zone set: {zone}",
        Check.PROGRAMMES: "Programs that follow the weather switched over; the manual ones left manual",
        Check.PHOTO: "Photos: sensor, view toward the noon sun, each controller's settings",
        Check.RETURN: "Date to come back agreed"
        + (f": {day(first.come_back[0])} to {day(first.come_back[1])}" if first.come_back else ""),
        Check.CLEAN: "First cleaning agreed" + (f": by {day(first.cleaning)}" if first.cleaning else ""),
    }
    return [said[check] for check in first.checks]


def first_day_head(result: ProgrammeResult) -> str:
    return "First day, in order" + (f": {day(result.first.start)}" if result.first.start else "")


def waits(result: ProgrammeResult) -> str:
    if not result.first.waits_for_season:
        return ""
    return "The first day is outside the irrigation season: come back once the season has begun."


def as_built(result: ProgrammeResult) -> list[tuple[str, str]]:
    said = result.plan.as_built
    if not said.model_fields_set:
        return []
    rows = [("Support", said.support)]
    if said.x is not None:
        rows.append(("Place", f"{said.x:g}, {said.y:g} ({said.crs})"))
    if said.height_m is not None:
        high = said.height_m / M_PER_FT if result.plan.units == "us" else said.height_m
        rows.append(("Sensor height", f"{high:.1f} {'ft' if result.plan.units == 'us' else 'm'} above ground"))
    if said.mounted is not None:
        rows.append(("Mounted", day(said.mounted)))
    if said.zone is not None:
        rows.append(("Zone set", said.zone))
    rows.append(("Links tested", ", ".join(said.tested) or "none recorded"))
    untested = [n for n in result.site.controllers.names if n not in said.tested]
    if said.tested and untested:
        rows.append(("Not tested", ", ".join(untested)))
    rows.append(("Photos", ", ".join(said.photos) or "none recorded"))
    return rows


def built(built: Built | None, units: Units) -> list[str]:
    """What differs from the plan, by how much light, margin and water."""
    if built is None:
        return []
    out = []
    if built.planned is not None and built.built is not None:
        old, new = built.planned, built.built
        a, b = old.decision.chosen, new.decision.chosen
        if a >= 0 and b >= 0:
            away = float(np.hypot(*(old.mounts.xyz[a, :2] - new.mounts.xyz[b, :2])))
            up = float(new.mounts.height_m[b] - old.mounts.height_m[a])
            unit, factor = ("ft", M_PER_FT) if units == "us" else ("m", 1.0)
            out.append(
                f"The sensor stands {away / factor:.1f} {unit} from the planned mount ({old.mounts.ids[a]}), and "
                f"{abs(up) / factor:.1f} {unit} {'higher' if up >= 0 else 'lower'}."
            )
            season = np.flatnonzero(new.season)
            light = [float(r.sun.light_share[k, season].min()) for r, k in ((old, a), (new, b))]
            out.append(f"Sunlight received in the worst irrigation month: {light[1]:.1%}, planned {light[0]:.1%}.")
            if old.water is not None and new.water is not None:
                bias = [float(np.nanmin(r.water.percent[k, season])) for r, k in ((old, a), (new, b))]  # type: ignore[union-attr]
                out.append(f"Expected ETo error in that month: {bias[1]:+.1f}%, planned {bias[0]:+.1f}%.")
            margin = [_least_margin(r, k) for r, k in ((old, a), (new, b))]
            if all(np.isfinite(margin)):
                out.append(f"Smallest link margin: {margin[1]:.0f} dB, planned {margin[0]:.0f} dB.")
    if built.measured_share is not None and built.measured_direct_h is not None:
        k = int(np.argmin(built.measured_share))
        out.append(
            f"Under the measured horizon, sunlight received is lowest in {MONTH_WORDS[k]}: "
            f"{built.measured_share[k]:.1%}, with {built.measured_direct_h[k]:.1f} h of direct sun on a clear day."
        )
    return out


def rests(result: ProgrammeResult, units: Units) -> list[str]:
    base = result.base
    return [
        f"Net depth: plant factor times {eto(base.base_eto_mm_day, units)}; rain is not taken off, because the "
        "base is for a week without it.",
        "Run time: net depth over precipitation rate, lengthened by 1 / (0.4 + 0.6 DU) for the low-quarter "
        "distribution uniformity (a public-agency landscaper training, second hand), or by 1 / efficiency; never "
        "both.",
        "Cycles: surface storage over (rate less intake) on flat ground (second hand); soak until the standing "
        "water is in. Drip and bubblers are not split.",
        "Days: the fewest allowed days whose longest gap the soil bridges. Controller time: stations one after "
        "another, while others soak.",
        "Sports fields, golf and food plants are outside the plant factors of ANSI/ASABE S623.1.",
    ]


def _least_margin(result: SiteResult, row: int) -> float:
    """Margin of a mount's weakest link, dB; NaN where the sensor is cabled or there are no controllers."""
    margins = result.reach.links.margin_db
    if result.plan.sensor.link == "cable" or not margins.size:
        return float("nan")
    return float(np.nanmin(margins[row]))
