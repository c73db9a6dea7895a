"""The columns of every table that is written: name, type, unit and one description each.

Programs may rely on the names; what is said to people may change without moving one of them. A table is built by
:func:`table`, which takes nothing that is not stated here and lays the columns in this order.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
import pandas

from planner.rain import HEAT_RADII_M
from planner.units import M_PER_FT, MM_PER_IN, MONTHS, Units


class Type(StrEnum):
    """What a column holds; every type has an empty value."""

    TEXT = "text"
    CODE = "code"  # one of a few words that do not change with the language of the page
    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"


DTYPES = {
    Type.TEXT: "object",
    Type.CODE: "object",
    Type.NUMBER: "float64",
    Type.WHOLE: "Int64",
    Type.YES_NO: "boolean",
}

# What a name ends in where the column has a unit, so that a number that travels alone keeps it.
ENDINGS: dict[str, Any] = {
    "m": "_m",
    "deg": "_deg",
    "dB": "_db",
    "ft": "_ft",
    "mm/day": "_mm_day",
    "in/day": "_in_day",
    "ohm": "_ohm",
    "percent": ("_percent", "percent_"),
    "h/day": "direct_h_day",
    "share": ("share", "probability", "sky_view"),
    "0 to 1": "_0_to_1",
    "0 to 100": "_0_to_100",
    "currency of the plan": "price",
}


@dataclass(frozen=True)
class Column:
    """One column. unit: "" for none; a share runs from 0 to 1. always: False where it needs input that may lack."""

    name: str
    type: Type
    unit: str
    said: str
    always: bool = True

    @property
    def described(self) -> str:
        """The description with its unit, as a file carries it."""
        return f"{self.said} [{self.unit}]" if self.unit else self.said


def _monthly(name: str, unit: str, said: str, always: bool = True) -> list[Column]:
    return [Column(f"{name}_{month.lower()}", Type.NUMBER, unit, f"{said}, {month}", always) for month in MONTHS]


def _sometimes(*columns: Column) -> list[Column]:
    return [replace(column, always=False) for column in columns]


PLACE = (
    Column("longitude_deg", Type.NUMBER, "deg", "longitude, WGS 84"),
    Column("latitude_deg", Type.NUMBER, "deg", "latitude, WGS 84"),
)

ZONE = (
    Column("zone", Type.TEXT, "", "label of the climate zone to set; empty where the ETo lies in no band"),
    Column("zone_probability", Type.NUMBER, "share", "probability of that zone"),
    Column("runner_up", Type.TEXT, "", "label of the next likeliest zone"),
    Column("runner_up_probability", Type.NUMBER, "share", "probability of the next likeliest zone"),
    Column("peak_month", Type.CODE, "", "month of the highest daily ETo: Jan to Dec"),
    Column("peak_eto_mm_day", Type.NUMBER, "mm/day", "mean daily reference ETo of the peak month"),
    Column("spread_mm_day", Type.NUMBER, "mm/day", "standard deviation of the peak month's ETo"),
)

REACH = _sometimes(
    Column("farthest_controller", Type.TEXT, "", "name of the controller farthest away"),
    Column("farthest_controller_m", Type.NUMBER, "m", "straight-line distance to it"),
    Column("largest_range_share", Type.NUMBER, "share", "largest distance to a controller over the rated range"),
    Column("controllers_held", Type.WHOLE, "", "controllers that the mount reaches as required"),
    Column("least_margin_db", Type.NUMBER, "dB", "margin of the weakest radio link"),
    Column("least_link_probability", Type.NUMBER, "share", "probability of a good link, the weakest of all"),
    Column("longest_cable_m", Type.NUMBER, "m", "longest cable to buy; empty where a route is missing"),
    Column("cables_short_enough", Type.WHOLE, "", "controllers with a cable short enough"),
    Column("cables_without_route", Type.WHOLE, "", "controllers without a route for a cable"),
)

SITING = _sometimes(
    Column("sunlight", Type.TEXT, "", "sun exposure: full sun, part sun or shade"),
    Column("wmo_radiation_class", Type.WHOLE, "", "WMO-No. 8 siting class for radiation, 1 to 5"),
    Column("wmo_sunshine_class", Type.WHOLE, "", "WMO-No. 8 siting class for sunshine, 1 to 5"),
    Column("wmo_temperature_class", Type.WHOLE, "", "WMO-No. 8 siting class for temperature, 1 to 5"),
    Column("wmo_precipitation_class", Type.WHOLE, "", "WMO-No. 8 siting class for precipitation, 1 to 5"),
)


_ID = Column("id", Type.CODE, "", "id of the candidate, as on the map")

MOUNT = (
    _ID,
    Column("status", Type.CODE, "", "chosen, runner_up, passes or ruled_out"),
    Column("rank", Type.WHOLE, "", "place among those that meet every requirement, 1 for the best"),
    Column("score_0_to_100", Type.NUMBER, "0 to 100", "score; empty where ruled out"),
    Column("ruled_out_by", Type.CODE, "", "codes of the requirements that it misses, parted by spaces"),
    Column("ruled_out_because", Type.TEXT, "", "what rules it out, in words; empty where nothing does"),
    Column("reason", Type.TEXT, "", "why it was chosen, in words; of the chosen mount and its alternates"),
    Column("layout", Type.CODE, "", "sensor or repeater of the layout; empty: neither"),
    Column("support", Type.TEXT, "", "what it is fixed to"),
    Column("fixed_to", Type.TEXT, "", "name of the building, pole or point"),
    *PLACE,
    Column("height_above_ground_m", Type.NUMBER, "m", "height of the sensor above the ground beneath"),
    Column("facing_deg", Type.NUMBER, "deg", "outward direction of the wall, clockwise from north"),
    Column(
        "light_share_worst_month",
        Type.NUMBER,
        "share",
        "sunlight received in the irrigation month that receives least",
    ),
    Column("light_worst_month", Type.CODE, "", "that month: Jan to Dec"),
    Column(
        "direct_h_day_worst_month",
        Type.NUMBER,
        "h/day",
        "direct sun on a clear day in the irrigation month that has least",
    ),
    Column("direct_worst_month", Type.CODE, "", "that month: Jan to Dec"),
    Column(
        "light_share_worst_month_spread",
        Type.NUMBER,
        "share",
        "standard deviation of the sunlight; of mounts with a card or a name",
    ),
    Column(
        "direct_h_day_worst_month_spread",
        Type.NUMBER,
        "h/day",
        "standard deviation of the direct sun; of mounts with a card or a name",
    ),
)

RAIN = (
    Column("rain_covered", Type.YES_NO, "", "something hangs over it"),
    Column("rain_steepest_deg", Type.NUMBER, "deg", "elevation of the tallest obstruction"),
    Column("rain_steepest_azimuth_deg", Type.NUMBER, "deg", "its direction, clockwise from north"),
    Column("rain_steepest_name", Type.TEXT, "", "its name"),
    Column("rain_wmo_class", Type.WHOLE, "", "WMO-No. 8 precipitation class by obstructions alone, 1 to 5"),
    Column("rain_cover_name", Type.TEXT, "", "what hangs over it"),
    Column("eave_above_m", Type.NUMBER, "m", "distance to the nearest eave above it"),
    Column("eave_above_name", Type.TEXT, "", "the building that it belongs to"),
    Column("wall_above_m", Type.NUMBER, "m", "distance to the nearest wall that rises above it"),
    Column("wall_above_name", Type.TEXT, "", "the building that it belongs to"),
    *(
        Column(f"built_share_{radius:.0f}m", Type.NUMBER, "share", f"roofs and heat sources within {radius:.0f} m")
        for radius in HEAT_RADII_M
    ),
    Column("spray_m", Type.NUMBER, "m", "distance to the nearest spray"),
    Column("heat_m", Type.NUMBER, "m", "distance to the nearest exhaust or heat"),
    Column("no_access_m", Type.NUMBER, "m", "distance to the nearest place without access"),
)

WATER = (
    *_monthly("eto_bias_percent", "percent", "expected error of the ETo reported", False),
    *_monthly("eto_bias_low_percent", "percent", "that error at its lowest, by what is not known", False),
    *_monthly("eto_bias_high_percent", "percent", "that error at its highest", False),
    *_monthly("eto_bias_by_sun_percent", "percent", "that error for a sensor that uses sunlight alone", False),
)

LIGHT = (
    *_monthly("light_share", "share", "sunlight received, share of the open sky's, beam and diffuse"),
    *_monthly("beam_share", "share", "beam received, share of the open sky's"),
    *_monthly("sky_view", "share", "diffuse light received, share of the open sky's"),
    *_monthly("direct_h_day", "h/day", "direct sun on a clear day"),
)


def _judged(requirements: Iterable[str], parts: Iterable[str]) -> tuple[Column, ...]:
    return (
        *(Column(f"meets_{code}", Type.YES_NO, "", f"meets the requirement {code}") for code in requirements),
        *(Column(f"score_{code}_0_to_1", Type.NUMBER, "0 to 1", f"part of the score for {code}") for code in parts),
    )


def mounts(requirements: Iterable[str], parts: Iterable[str]) -> tuple[Column, ...]:
    """Columns of `mounts.csv`, one row a candidate.

    requirements, parts: codes of the requirements and of the parts of the score, in the order of the decision.
    """
    return (*MOUNT, *RAIN, *REACH, *SITING, *WATER, *_judged(requirements, parts), *LIGHT)


def mounts_by_subject(requirements: Iterable[str], parts: Iterable[str]) -> dict[str, tuple[Column, ...]]:
    """The same columns as the layers of a GeoPackage have them: the decision in `mounts`, then one table a subject,
    each with the `id` to join by."""
    return {
        "mounts": MOUNT,
        "mounts_light": (_ID, *LIGHT),
        "mounts_rain": (_ID, *RAIN),
        "mounts_reach": (_ID, *REACH),
        "mounts_siting": (_ID, *SITING),
        "mounts_water": (_ID, *WATER),
        "mounts_judged": (_ID, *_judged(requirements, parts)),
    }


SITE = (
    Column("name", Type.TEXT, "", "name of the site"),
    *ZONE,
    Column("ways_agree", Type.YES_NO, "", "the ways to the zone differ by no more than their spreads allow"),
    Column("basis", Type.TEXT, "", "what the ETo rests on"),
    Column("source", Type.TEXT, "", "where the ETo comes from"),
)

CONTROLLERS = (
    Column("letter", Type.CODE, "", "letter of the controller on map and sheet"),
    Column("name", Type.TEXT, "", "name of the controller"),
    *PLACE,
    Column("indoors", Type.YES_NO, "", "its receiver is behind walls"),
    Column("served_by", Type.CODE, "", "id of the sensor or repeater of the layout that serves it; empty: none"),
    Column(
        "served_probability",
        Type.NUMBER,
        "share",
        "probability of a good link, both hops of a repeater's; empty for a cable",
    ),
    Column(
        "from",
        Type.CODE,
        "",
        "id of the mount that the following columns are for: the one that serves it, else the first of the layout",
    ),
    Column("distance_m", Type.NUMBER, "m", "straight-line distance"),
    Column("range_share", Type.NUMBER, "share", "distance over the rated range"),
    Column("buildings_crossed", Type.WHOLE, "", "buildings that the straight line goes through"),
    Column("need", Type.TEXT, "", "what it needs to be reached, in words"),
    Column("margin_db", Type.NUMBER, "dB", "what the radio allows, less what the path takes"),
    Column("margin_leafless_db", Type.NUMBER, "dB", "the same while deciduous trees are bare"),
    Column("spread_db", Type.NUMBER, "dB", "standard deviation of the margin"),
    Column("link_probability", Type.NUMBER, "share", "probability of a good link"),
    Column("grade", Type.CODE, "", "grade of the link: none, doubtful, likely or dependable"),
    Column("fresnel_clearance", Type.NUMBER, "", "least clearance in radii of the first Fresnel zone"),
    Column("free_space_db", Type.NUMBER, "dB", "loss over the distance alone"),
    Column("obstacle_db", Type.NUMBER, "dB", "loss past the ground and what is in the way"),
    Column("foliage_db", Type.NUMBER, "dB", "loss through tree canopies in leaf"),
    Column("entry_db", Type.NUMBER, "dB", "loss through the walls round the receiver"),
    Column("cable_route_m", Type.NUMBER, "m", "length of the cable's route on plan", False),
    Column("cable_to_buy_m", Type.NUMBER, "m", "cable to buy, with slack and drops", False),
    Column("cable_loop_ohm", Type.NUMBER, "ohm", "loop resistance of that cable", False),
    Column("cable_price", Type.NUMBER, "currency of the plan", "price of cable and laying", False),
    Column("radio_price", Type.NUMBER, "currency of the plan", "price of receiver and test of the link", False),
    Column(
        "take", Type.CODE, "", "what is cheaper and meets the requirement: radio or cable; empty: neither", False
    ),
)

CABLES = (
    Column("controller", Type.TEXT, "", "name of the controller"),
    Column("from", Type.CODE, "", "id of the mount at the other end"),
    Column("cable_to_buy_m", Type.NUMBER, "m", "cable to buy, with slack and drops"),
    Column("price", Type.NUMBER, "currency of the plan", "price of cable and laying"),
)

LAYOUT = (
    Column("id", Type.CODE, "", "id of the mount"),
    Column("sign", Type.CODE, "", "its sign on map and sheet: S1, S2, R1"),
    Column("kind", Type.CODE, "", "sensor or repeater"),
    *PLACE,
    Column("height_above_ground_m", Type.NUMBER, "m", "height of sensor or repeater above the ground beneath"),
    Column("support", Type.TEXT, "", "what it is fixed to"),
    Column("fixed_to", Type.TEXT, "", "name of the building, pole or point"),
    Column("serves", Type.TEXT, "", "names of the controllers that it serves"),
    Column(
        "alternate",
        Type.CODE,
        "",
        "id of the mount that may take its place with every controller still served; empty: none",
    ),
)

LINKS = (
    Column("from", Type.CODE, "", "id of the mount that serves"),
    Column("controller", Type.TEXT, "", "name of the controller, or id of the repeater, at the other end"),
    Column("distance_m", Type.NUMBER, "m", "straight-line distance"),
    Column("margin_db", Type.NUMBER, "dB", "margin of the radio link"),
    Column("spread_db", Type.NUMBER, "dB", "standard deviation of the margin"),
    Column("link_probability", Type.NUMBER, "share", "probability of a good link"),
    Column("grade", Type.CODE, "", "grade of the link: none, doubtful, likely or dependable"),
)

BILL = (
    Column(
        "item",
        Type.CODE,
        "",
        "sensor, receiver, repeater, link test, cable, post, visit; total; open: nothing is priced",
    ),
    Column("what", Type.TEXT, "", "the same in words"),
    Column("quantity", Type.WHOLE, "", "how many"),
    Column("unit_price", Type.NUMBER, "currency of the plan", "price of one"),
    Column("price", Type.NUMBER, "currency of the plan", "quantity times unit price"),
    Column("in_total", Type.YES_NO, "", "whether the total holds it"),
)

CONTRACT_BILL = (
    Column("site", Type.TEXT, "", "name of the site; empty for all sites together"),
    *BILL[:3],
    Column("length_m", Type.NUMBER, "m", "of cable to buy", False),
    Column("conductor", Type.TEXT, "", "of the cable"),
    *BILL[3:],
)

CONTRACT_SPREAD = (
    Column("chance_share", Type.NUMBER, "share", "chance that the total is no higher than this row's"),
    Column("highest_price", Type.NUMBER, "currency of the plan", "the total, failing links included"),
    Column("added_price", Type.NUMBER, "currency of the plan", "of it, what failing links add"),
)

# Of the chosen mount, or of the one nearest to passing where none was chosen; empty where no layers are named.
CONTRACT_MOUNT = _sometimes(
    Column("decision", Type.CODE, "", "chosen, none_passes, no_candidate, zone_only (no mount sought) or left_out"),
    Column("decision_because", Type.TEXT, "", "why no mount was sought, or the site cannot be used, in words"),
    Column("mount_id", Type.CODE, "", "id of the mount, as in the layer mounts"),
    Column("mount_support", Type.TEXT, "", "what it is fixed to"),
    Column("mount_fixed_to", Type.TEXT, "", "name of the building, pole or point"),
    Column("mount_longitude_deg", Type.NUMBER, "deg", "longitude of the mount, WGS 84"),
    Column("mount_latitude_deg", Type.NUMBER, "deg", "latitude of the mount, WGS 84"),
    Column("mount_m", Type.NUMBER, "m", "height of the sensor above the ground"),
    Column("mount_score_0_to_100", Type.NUMBER, "0 to 100", "score of the mount; empty where ruled out"),
    Column("mount_light_share", Type.NUMBER, "share", "share of the open sky's light it keeps in its worst month"),
    Column("mount_light_share_spread", Type.NUMBER, "share", "standard deviation of that share"),
    Column("mount_light_month", Type.CODE, "", "that month: Jan to Dec"),
    Column("mount_direct_h_day", Type.NUMBER, "h/day", "direct sun in the month that falls shortest"),
    Column("mount_lacks", Type.CODE, "", "codes of the requirements that it misses, parted by spaces"),
    Column("mount_height_assumed", Type.YES_NO, "", "the height of the building that carries it is assumed"),
    Column("mounts_tried", Type.WHOLE, "", "candidates that were tried"),
    Column("mounts_passing", Type.WHOLE, "", "candidates that meet every requirement"),
    Column("controllers_at_site", Type.WHOLE, "", "controllers that belong to the site"),
    Column("controllers_served", Type.WHOLE, "", "controllers that the layout serves"),
    Column("least_link_probability", Type.NUMBER, "share", "probability of the least sure link of the layout"),
    Column("sensors_to_install", Type.WHOLE, "", "sensors of the layout"),
    Column("repeaters_to_install", Type.WHOLE, "", "repeaters of the layout"),
    Column("bill_price", Type.NUMBER, "currency of the plan", "total of the site's bill"),
)

CONTRACT = (
    Column("name", Type.TEXT, "", "name of the site"),
    Column("row", Type.WHOLE, "", "number of the site's row in the file of sites, from 1", False),
    *PLACE,
    *ZONE,
    *_sometimes(
        Column(
            "shown_percent_in_lower_zone",
            Type.NUMBER,
            "percent",
            "peak ETo over the own peak of the next zone below",
        ),
        Column("shown_percent", Type.NUMBER, "percent", "peak ETo over the zone's own peak"),
        Column(
            "shown_percent_in_higher_zone",
            Type.NUMBER,
            "percent",
            "peak ETo over the own peak of the next zone above",
        ),
        Column("zone_by_temperature", Type.TEXT, "", "zone by the hottest month's temperature"),
        Column("eto_by_temperature_mm_day", Type.NUMBER, "mm/day", "peak ETo by the hottest month's temperature"),
        Column("zone_by_description", Type.TEXT, "", "zone by the description of the climate"),
        Column("eto_by_description_mm_day", Type.NUMBER, "mm/day", "peak ETo by the description of the climate"),
    ),
    Column("ways_agree", Type.YES_NO, "", "the ways to the zone differ by no more than their spreads allow"),
    Column("ways_in_zone", Type.WHOLE, "", "how many ways name the zone", False),
    Column("elevation_m", Type.NUMBER, "m", "elevation of the site"),
    Column("above_cell_m", Type.NUMBER, "m", "height of the site, else of the ground, above its cell", False),
    Column("basis", Type.TEXT, "", "what the ETo rests on"),
    Column("source", Type.TEXT, "", "where the ETo comes from"),
    Column("flags", Type.TEXT, "", "what to look at first; empty where nothing is"),
    *CONTRACT_MOUNT,
    *_monthly("eto_mm_day", "mm/day", "mean daily reference ETo"),
    *_monthly("percent", "percent", "the month's ETo over the peak month's"),
)

PLACES = (
    Column("name", Type.TEXT, "", "name of the place"),
    *PLACE,
    *ZONE,
    Column("irrigation_months", Type.TEXT, "", "months of the irrigation season, 1 to 12"),
    Column("check", Type.TEXT, "", "what may be wrong with the place; empty where nothing seems to be"),
)


# units of the tables under `units = "us"`, by the metric ones: (unit, what one of it is in the metric one, digits)
US = {"mm/day": ("in/day", MM_PER_IN, 6), "m": ("ft", M_PER_FT, 2)}


def contract(units: Units, own: Mapping[str, Type] | None = None) -> tuple[Column, ...]:
    """The columns of a contract's sites in some units; after them the file's own, by the names they get."""
    return (
        *(_in_us(column) if units == "us" else column for column in CONTRACT),
        *(Column(name, kind, "", "as the file of sites has it") for name, kind in (own or {}).items()),
    )


def contract_bill(units: Units) -> tuple[Column, ...]:
    """The columns of a contract's bill in some units."""
    return tuple(_in_us(column) if units == "us" else column for column in CONTRACT_BILL)


def places(units: Units) -> tuple[Column, ...]:
    """The columns of `noonmark zone` in some units."""
    return tuple(_in_us(column) if units == "us" else column for column in PLACES)


def _in_us(column: Column) -> Column:
    if column.unit not in US:
        return column
    unit, metric, us = US[column.unit][0], ENDINGS[column.unit], ENDINGS[US[column.unit][0]]
    # of the months' columns, the unit stands before the month
    name = column.name.replace(metric, us) if column.unit == "mm/day" else column.name.removesuffix(metric) + us
    return replace(column, name=name, unit=unit)


def names(columns: Iterable[Column]) -> list[str]:
    return [column.name for column in columns]


def table(columns: Sequence[Column], values: Mapping[str, Any]) -> pandas.DataFrame:
    """The table of `values`, one row an item, columns in the stated order and of the stated types.

    Infinite means that there is none: empty, like NaN. Numbers are rounded to six digits after the point,
    longitude and latitude to seven. Raises ValueError for a column that is not stated, or that is and lacks.
    """
    ordered = stated(columns, values)
    of = {column.name: column for column in columns}
    return pandas.DataFrame({name: _typed(of[name], value) for name, value in ordered.items()})


def stated(columns: Sequence[Column], values: Mapping[str, Any]) -> dict[str, Any]:
    """The values in the stated order. Raises ValueError for a column that is not stated, or that is and lacks."""
    if strange := set(values) - set(names(columns)):
        raise ValueError(f"columns that the schema does not state: {', '.join(sorted(strange))}")
    if missing := [c.name for c in columns if c.always and c.name not in values]:
        raise ValueError(f"columns that the schema states and nobody gave: {', '.join(missing)}")
    return {c.name: values[c.name] for c in columns if c.name in values}


def _typed(column: Column, values: Any) -> pandas.Series[Any]:
    """A column's values in its type, empty where there are none."""
    if column.type in (Type.TEXT, Type.CODE):
        return pandas.Series([None if v is None else str(v) for v in values], dtype="object")
    if column.type is Type.NUMBER:
        numbers = np.array([np.nan if v is None else v for v in values], np.float64)
        numbers[~np.isfinite(numbers)] = np.nan
        return pandas.Series(np.round(numbers, 7 if column.name in names(PLACE) else 6))
    return pandas.Series(list(values), dtype=DTYPES[column.type])
