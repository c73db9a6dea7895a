"""Which ETo is surest at each site, composed from what the layers say and what is built in, and how sure it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from planner.climate.answer import Basis, SiteClimate
from planner.climate.builtin import (
    GROUND_SAID,
    HOW_ESTIMATED,
    LAPSE_K_PER_M,
    TEMPERATURE_SOURCE,
    at_sea,
    builtin_elevation_m,
    builtin_normals,
    builtin_radiation_mj_m2_day,
    eto_estimate_mm_day,
    far_at_sea,
    gldas_less_era5_k,
    ground_elevation_m,
)
from planner.climate.builtin import SOURCE as BUILTIN_SOURCE
from planner.climate.eto import (
    MonthlyInputs,
    Step,
    dew_point_c,
    monthly_eto,
    vapour_pressure_from_dew_point_kpa,
    vapour_pressure_from_rh_kpa,
    vapour_pressure_from_rh_max_kpa,
    vapour_pressure_from_rh_mean_kpa,
    wind_at_2m_m_s,
)
from planner.climate.hours import StationMonths, hourly_weather, monthly_inputs, station_months
from planner.climate.spreads import (
    APART_KM,
    APART_MM_DAY,
    SPREAD_MM_DAY,
    estimate_spread_mm_day,
    joint_spread_mm_day,
    penman_monteith_spread_mm_day,
)
from planner.ledger import DataError, Kind, Ledger, PlanError
from planner.plan import Climate
from planner.readings import AtSites, Readings
from planner.site import Bools, Floats, Ints
from planner.units import M_PER_FT, Units, eto

NO_SUMMER_C = 10.0  # Koeppen's bound of the polar climates; from memory
LAPSE_SAID_M = 50.0  # 0.3 K: less is within what layers differ by
_BESIDE_ETO = ("rain", "tmean")  # ETo is not made of these


def site_climate(section: Climate, read: Readings, elevation_m: Floats, ledger: Ledger) -> SiteClimate:
    """The climate of n sites, from the best that was read: ETo layer, else computed, else built in.

    Where a site's elevation and its cell's are known, the cell is lapsed to the site. The built-in cells' is always
    known, and where the site's is not, that of the ground there stands in.

    Parameters
    ----------
    section
        The plan's `[climate]`.
    read
        What its files say of the sites.
    elevation_m
        (n,), NaN where unknown. For air pressure, its cell's then stands in, else the plan's, else the ground's by
        the built-in grid, and it is said; an ETo layer is computed by the same rule.
    ledger
        Told what was assumed, and which places may be wrong.

    Returns
    -------
    SiteClimate
        Months (n, 12), with spread, basis and source of each site.

    Raises
    ------
    PlanError
        Only one of the temperature extremes is given.
    DataError
        They are exchanged.
    """
    n, names = len(read.names), read.names
    lon, lat = read.lonlat.T
    layers = {name: found.values for name, found in read.layers.items()}
    away, share = np.zeros(n), np.ones(n)
    for name, found in read.layers.items():
        away = np.maximum(away, found.away_km)
        share = np.minimum(share, np.where(found.outside, 1.0, found.known_share))
        _say_stood_in(name, found, names, section, ledger)
    low, high = layers.get("tmin"), layers.get("tmax")
    _check_extremes(read, low, high)
    z = np.asarray(elevation_m, np.float64)
    cell_m = builtin_elevation_m(lon, lat)
    ground_m = ground_elevation_m(lon, lat)
    above_builtin = np.where(np.isfinite(z), z, ground_m) - cell_m
    above_layers = z - read.cell_elevation_m if read.cell_elevation_m is not None else np.full(n, np.nan)
    if read.cell_elevation_m is None and set(layers) - {"rain"}:
        high_known = [names[int(k)] for k in np.flatnonzero(np.isfinite(z))]
        if high_known:
            ledger.add(
                Kind.ASSUMED,
                "elevation",
                "the sites' elevation is known, that of the layers' cells is not (climate.elevation): temperature "
                "and ETo are the cell's own, not moved to the site's height",
                high_known,
            )
    builtin = builtin_normals(lon, lat)
    station = None if read.station is None else station_months(read.station, section, ledger)
    rises = _Rises(above_layers, above_builtin, z - station.elevation_m if station else np.full(n, np.nan))
    known = _Known(
        read.plan, section, layers, read.layers, read.cell_elevation_m, builtin, cell_m, ground_m, station
    )
    whole = _composed(known, lon, lat, z, rises, names, ledger)
    unlapsed = None
    moved = np.abs(whole.above) >= LAPSE_SAID_M  # by less, it decides as little as its own roughness
    if moved.any():
        as_cells = _composed(known, lon, lat, z, _Rises.none(n), names, Ledger()).eto.max(axis=1)
        unlapsed = np.where(moved, as_cells, whole.eto.max(axis=1))
        _say_moved(moved, np.isfinite(z), names, ledger)
    other_peak, other_spread = None, None
    if low is not None and ("eto" in layers or station is not None):
        alone = {name: values for name, values in layers.items() if name != "eto"}
        other = _composed(replace(known, layers=alone, station=None), lon, lat, z, rises, names, Ledger())
        computed = np.isin(other.basis, (_HARGREAVES, _PENMAN))
        other_peak, other_spread = np.where(computed, other.eto.max(axis=1), np.nan), other.spread
    if section.spread_mm_day is not None:
        whole.spread[:] = section.spread_mm_day
    sea = np.isin(whole.basis, (0, _NONE)) & at_sea(lon, lat)
    far = sea.copy()
    far[sea] = far_at_sea(lon[sea], lat[sea])
    turned = far & (np.abs(lon) <= 90)
    turned[turned] = ~at_sea(lat[turned], lon[turned])
    nothing = np.flatnonzero(whole.basis == _NONE)
    if len(nothing):
        ledger.add(
            Kind.CHECK,
            f"{read.plan}: climate.built_in_estimate",
            "no file of the plan gives ETo at these sites, and the built-in estimate may not: they get no zone",
            [names[int(k)] for k in nothing],
        )
    lost = sea & ~turned
    by_longitude, by_latitude = (lon > 0) & ~at_sea(-lon, lat), (lat > 0) & ~at_sea(lon, -lat)
    signs = lost & far & (by_longitude != by_latitude)  # either may have lost its minus, not one that has it
    for rows, which, todo in (
        (signs & by_longitude, "longitude", "west of Greenwich it is negative"),
        (signs & by_latitude, "latitude", "south of the equator it is negative"),
    ):
        if rows.any():
            ledger.add(
                Kind.CHECK,
                "place",
                f"no land near by the elevation grid in pvlib, but there is with the {which}'s sign changed: "
                f"{todo}. The climate is that of the open sea",
                [names[int(k)] for k in np.flatnonzero(rows)],
            )
    _say_of_places(lost & ~signs, turned, whole.t_mean.max(axis=1) < NO_SUMMER_C, names, ledger)
    return SiteClimate(
        eto_mm_day=whole.eto,
        spread_mm_day=whole.spread,
        basis=tuple(np.array(_BASES, object)[whole.basis]),
        t_mean_c=whole.t_mean,
        rain_mm=whole.rain,
        away_km=away if layers else None,
        source=whole.sources(),
        known_share=share if layers else None,
        above_m=whole.above_known,
        unlapsed_peak_mm_day=unlapsed,
        cells_peak_mm_day=read.layers["eto"].peak_range if "eto" in layers else None,
        computed_peak_mm_day=other_peak,
        computed_spread_mm_day=other_spread,
        yearly_peak_mm_day=read.yearly_peak_mm_day,
        at_sea=sea,
        axes_exchanged=turned,
    )


def _say_moved(moved: Bools, known: Bools, names: Sequence[str], ledger: Ledger) -> None:
    """Sites (n,) whose temperature was moved, and whether their own elevation is known."""
    by = f"temperature taken from the cell's elevation to {{}} by {_lapse(ledger.units)}"
    for rows, said in (
        (moved & known, by.format("the site's") + ", and the dew point with it"),
        (
            moved & ~known,
            "no elevation of these sites is known: "
            + by.format("that of the ground in the elevation grid in pvlib (1/12 degree)"),
        ),
    ):
        if rows.any():
            ledger.add(Kind.ASSUMED, "elevation", said, [names[int(k)] for k in np.flatnonzero(rows)])


def _check_extremes(read: Readings, low: Floats | None, high: Floats | None) -> None:
    """Raises PlanError where one of the extremes alone is given, DataError where they are exchanged."""
    if (low is None) != (high is None):
        there, missing = ("tmin", "tmax") if high is None else ("tmax", "tmin")
        raise PlanError(
            f"{read.plan}: climate.{missing}",
            f"{there} is given and {missing} is not",
            f"Give both, or leave {there} out",
        )
    if low is not None and high is not None:
        bad = crossed(low, high)
        if bad.any():
            raise extremes_fault(read.plan, read.names[int(bad.argmax())])


def _say_of_places(lost: Bools, turned: Bools, cold: Bools, names: Sequence[str], ledger: Ledger) -> None:
    """Places (n,) that may be wrong: at sea, at sea but not with their axes exchanged, without a summer."""
    if turned.any():
        ledger.add(
            Kind.CHECK,
            "place",
            "no land near by the elevation grid in pvlib, but there is with longitude and latitude exchanged: they "
            "are probably in the wrong order. Put longitude (or easting) first",
            [names[int(k)] for k in np.flatnonzero(turned)],
        )
    if lost.any():
        ledger.add(
            Kind.CHECK,
            "place",
            "no land near by the elevation grid in pvlib (small islands are not in it): the climate is that of the "
            "open sea. Is the place right?",
            [names[int(k)] for k in np.flatnonzero(lost)],
        )
    if cold.any():
        ledger.add(
            Kind.CHECK,
            "place",
            f"the hottest month averages under {NO_SUMMER_C:g} °C: check the location",
            [names[int(k)] for k in np.flatnonzero(cold)],
        )


def site_weather(section: Climate, read: Readings, elevation_m: float) -> MonthlyInputs | None:
    """Months of one site's weather, as far as layers or else a weather file near it say.

    Parameters
    ----------
    section
        The plan's `[climate]`.
    read
        What its files say of the site, row 0.
    elevation_m
        NaN where unknown; where the cells' is known too, they are lapsed to it.

    Returns
    -------
    MonthlyInputs or None
        (12,) each; None without both extremes of temperature.
    """
    layers = {name: found.values[:1] for name, found in read.layers.items()}
    layers = {name: values for name, values in layers.items() if np.isfinite(values).all()}
    if {"tmin", "tmax"} <= layers.keys():
        cell = np.nan if read.cell_elevation_m is None else read.cell_elevation_m[0]
        moved = _lapsed(layers, np.full((1, 1), -LAPSE_K_PER_M * np.nan_to_num(elevation_m - cell)))
        months = {name: values[0] for name, values in moved.items()}
        wind = months.get("wind")
        return MonthlyInputs(
            months["tmin"],
            months["tmax"],
            months.get("radiation"),
            _vapour_pressure(months, months["tmin"], months["tmax"])[0],
            None if wind is None else wind_at_2m_m_s(wind, section.wind_height_m),
        )
    if read.station is not None and np.isfinite(read.station.away_km[0]):
        found = monthly_inputs(hourly_weather(read.station.year, section.wind_height_m))
        return found if all(np.isfinite(v).all() for v in vars(found).values()) else None
    return None


def _lapse(units: Units) -> str:
    if units == "us":
        return f"{LAPSE_K_PER_M * 9 / 5 * M_PER_FT * 1000:.1f} °F per 1,000 ft"
    return f"{LAPSE_K_PER_M * 1000:g} °C per km"


def _say_stood_in(name: str, found: AtSites, names: Sequence[str], section: Climate, ledger: Ledger) -> None:
    """Sites on unknown cells, how far the cell is that stands in, and what that costs."""
    away = np.isfinite(found.values).all(axis=1) & (found.away_km > 0)
    if not away.any():
        return
    farthest = found.away_km[away].max()
    cost = np.interp(farthest, APART_KM, APART_MM_DAY)
    counts = name not in _BESIDE_ETO and section.spread_mm_day is None
    ledger.add(
        Kind.ASSUMED,
        found.where,
        "unknown cells under these sites; the nearest known cell stands in, up to "
        f"{ledger.distance(1000 * farthest)} away"
        + (f"; it adds {eto(float(cost), ledger.units, 1)} to the spread" if counts else ""),
        [names[int(k)] for k in np.flatnonzero(away)],
    )


_BASES = tuple(Basis)
_NOTHING = "nothing"
_T_NOTHING, _RAIN_NOTHING = 4, 2  # of temperature and rain: neither a file nor the built-in layer
_HARGREAVES, _PENMAN, _HOURS, _LAYER, _NONE = range(1, 6)


@dataclass(frozen=True)
class _Known:
    """What is known of n sites: layers (n, 12) by name, as they were read, and the elevation of their cells (n,);
    the built-in temperature and rain (n, 12), elevation of their cells and of the ground (n,), and a weather file's
    months. plan: the plan file, for messages; section: what it says of the climate."""

    plan: str
    section: Climate
    layers: dict[str, Floats]
    read: Mapping[str, AtSites]
    cell_elevation_m: Floats | None
    builtin: tuple[Floats, Floats]
    builtin_elevation_m: Floats
    ground_m: Floats
    station: StationMonths | None

    @property
    def layer_spread_mm_day(self) -> float:
        """Of an ETo layer's own, or wider where its file says so."""
        return max(SPREAD_MM_DAY["layer"], self.read["eto"].spread_mm_day)

    def apart_mm_day(self, names: Iterable[str], n: int) -> Floats:
        """(n,) what the distance to the farthest of these layers' cells adds to the spread."""
        away = np.max([np.zeros(n), *(self.read[k].away_km for k in names if k in self.read)], axis=0)
        return np.asarray(np.interp(away, APART_KM, APART_MM_DAY), np.float64)


@dataclass(frozen=True)
class _Rises:
    """How far n sites stand above the cells of the layers, of the built-in layer, and above the weather file's
    station, m; NaN where unknown, which the second is nowhere."""

    layers: Floats
    builtin: Floats
    station: Floats

    @classmethod
    def none(cls, n: int) -> _Rises:
        return cls(np.zeros(n), np.zeros(n), np.zeros(n))


@dataclass(frozen=True)
class _Composed:
    """ETo, mean temperature and rain (n, 12) of sites, each with the code of where it came from."""

    eto: Floats
    spread: Floats
    basis: Ints
    eto_from: Ints
    eto_words: tuple[str, ...]
    t_mean: Floats
    t_from: Ints
    rain: Floats
    rain_from: Ints
    above: Floats
    above_known: Floats

    def sources(self) -> tuple[str, ...]:
        t_words = (TEMPERATURE_SOURCE, "weather file", "mean of tmin and tmax layers", "tmean layer", _NOTHING)
        rain_words = (BUILTIN_SOURCE, "rain layer", _NOTHING)
        codes = np.column_stack([self.eto_from, self.t_from, self.rain_from])
        kinds, place = np.unique(codes, axis=0, return_inverse=True)
        said = [f"ETo: {self.eto_words[e]}. Temperature: {t_words[t]}. Rain: {rain_words[r]}" for e, t, r in kinds]
        return tuple(np.array(said, object)[place.ravel()])


def _composed(
    known: _Known, lon: Floats, lat: Floats, z: Floats, rises: _Rises, names: Sequence[str], ledger: Ledger
) -> _Composed:
    """What is surest of each quantity at places (n,): of temperature and rain, then of ETo with its spread."""
    n, station = len(lat), known.station
    layers = _lapsed(known.layers, -LAPSE_K_PER_M * np.nan_to_num(rises.layers)[:, None])
    low, high = layers.get("tmin"), layers.get("tmax")
    t_mean, t_from, above = _temperature(known, layers, rises)
    rain, rain_from = known.builtin[1].copy(), np.zeros(n, np.int64)
    if "rain" in layers:
        _take(rain, layers["rain"], rain_from, 1)

    words = [HOW_ESTIMATED]
    eto, spread = np.full((n, 12), np.nan), np.full(n, np.nan)
    basis, eto_from = np.zeros(n, np.int64), np.zeros(n, np.int64)
    given = layers.get("eto")
    rows = np.zeros(n, bool) if given is None else np.isfinite(given).all(axis=1)
    if low is not None and high is not None and not rows.all():
        computed, how, computed_spread = _computed(known, layers, lat, z, names, ledger)
        words.append("; ".join(how))
        here = _take(eto, computed, eto_from, 1)
        basis[here] = _HARGREAVES if Step.HARGREAVES in how else _PENMAN
        apart = known.apart_mm_day([k for k in layers if k not in ("eto", "rain", "tmean")], n)
        spread[here] = np.hypot(computed_spread, apart[here])
    elif (
        given is None
        and station is None
        and any(k in layers for k in ("radiation", "wind", "rh_max", "rh_mean", "dew_point", "vapour_pressure"))
    ):
        ledger.add(
            Kind.CHECK,
            f"{known.plan}: climate",
            "radiation, wind and humidity are of no use without tmin and tmax; ETo is estimated",
        )
    if station is not None:
        words.append(f"ASCE standardized short reference by the hour, weather file of {station.name}")
        off = np.hypot(
            joint_spread_mm_day("formula", "one year"), np.interp(station.away_km, APART_KM, APART_MM_DAY)
        )
        surer = np.isfinite(station.away_km) & ((basis == 0) | (off < spread))
        by_hours = np.where(surer[:, None], station.eto_mm_day * np.ones((n, 1)), np.nan)
        here = _take(eto, _warmed(by_hours, t_mean, rises.station), eto_from, len(words) - 1)
        basis[here], spread[here] = _HOURS, off[here]
    if given is not None:
        words += ["ETo layer", "ETo layer, the nearest known cell"]
        here = _take(eto, _warmed(given, t_mean, rises.layers), eto_from, len(words) - 2)
        apart = known.apart_mm_day(["eto"], n)
        eto_from[here & (apart > 0)] = len(words) - 1
        basis[here], spread[here] = _LAYER, np.hypot(known.layer_spread_mm_day, apart[here])
    left = np.flatnonzero(~np.isfinite(eto).all(axis=1))
    if not known.section.built_in_estimate:
        basis[left], eto_from[left] = _NONE, len(words)
        words.append(_NOTHING)
        for values, origin, code in ((t_mean, t_from, _T_NOTHING), (rain, rain_from, _RAIN_NOTHING)):
            rows = left[origin[left] == 0]
            values[rows], origin[rows] = np.nan, code
        left = left[:0]
    height = known.builtin_elevation_m + rises.builtin
    sun = builtin_radiation_mj_m2_day(lon[left], lat[left])
    difference = gldas_less_era5_k(lon[left], lat[left])
    eto[left] = eto_estimate_mm_day(t_mean[left], rain[left], sun, lat[left], height[left], difference)
    spread[left] = estimate_spread_mm_day(eto[left])
    # what moved a site's ETo: the layers' cells where a layer speaks, the station, else the built-in layer's
    decisive = np.where(basis == _HOURS, rises.station, np.where(basis > 0, rises.layers, above))
    return _Composed(
        eto,
        spread,
        basis,
        eto_from,
        tuple(words),
        t_mean,
        t_from,
        rain,
        rain_from,
        np.nan_to_num(decisive),
        decisive,
    )


def _temperature(known: _Known, layers: dict[str, Floats], rises: _Rises) -> tuple[Floats, Ints, Floats]:
    """Mean temperature (n, 12) from the surest source; (n,) which: 0 the built-in layer, 1 the station, 2 layers of
    extremes, 3 a layer of means; (n,) how far the sites stand above where it holds. layers: lapsed to the sites."""
    t_mean = known.builtin[0] - LAPSE_K_PER_M * rises.builtin[:, None]
    t_from, above = np.zeros(len(t_mean), np.int64), rises.builtin.copy()
    station, low, high = known.station, layers.get("tmin"), layers.get("tmax")
    if station is not None:
        near = np.isfinite(station.away_km)[:, None]
        there = station.t_mean_c - LAPSE_K_PER_M * np.nan_to_num(rises.station)[:, None]
        here = _take(t_mean, np.where(near, there, np.nan), t_from, 1)
        above[here] = rises.station[here]
    if low is not None and high is not None:
        _take(t_mean, (low + high) / 2.0, t_from, 2)
    if "tmean" in layers:
        _take(t_mean, layers["tmean"], t_from, 3)
    above[t_from > 1] = rises.layers[t_from > 1]
    return t_mean, t_from, above


def _warmed(eto: Floats, t_mean_c: Floats, rise_m: Floats) -> Floats:
    """ETo (n, 12) given elsewhere, as it is at sites that stand (n,) rise_m higher: in proportion to T + 17.8, as
    Hargreaves-Samani is (FAO-56 eq. 52). t_mean_c (n, 12): at the site."""
    rise = np.nan_to_num(rise_m)[:, None]
    if not rise.any():
        return eto
    warmth = np.maximum(t_mean_c + 17.8, 1.0)
    return np.asarray(eto * warmth / np.maximum(warmth + LAPSE_K_PER_M * rise, 1.0), np.float64)


def _lapsed(layers: dict[str, Floats], colder: Floats) -> dict[str, Floats]:
    """Temperatures (n, 12) moved by `colder` (n, 1) K. The dew point moves with them, so that relative humidity
    stays nearly what it is, as layers of relative humidity do; FAO-56 (chapter 3) has no rule of its own for this.
    """
    if not colder.any():
        return layers
    moved = dict(layers)
    for name in ("tmin", "tmax", "tmean", "dew_point"):
        if name in moved:
            moved[name] = moved[name] + colder
    if "vapour_pressure" in moved:
        dew = dew_point_c(moved["vapour_pressure"]) + colder
        moved["vapour_pressure"] = vapour_pressure_from_dew_point_kpa(dew)
    return moved


def _take(into: Floats, values: Floats, origin: Ints, code: int) -> Bools:
    """Put values where they are known in all months, note where they came from, and return those rows."""
    rows: Bools = np.asarray(np.isfinite(values).all(axis=1))
    into[rows], origin[rows] = values[rows], code
    return rows


def crossed(low: Floats, high: Floats) -> Bools:
    """(n,) where the minimum is above the maximum in any of (n, 12) months."""
    return np.asarray((low > high + 1e-6).any(axis=1))


def extremes_fault(plan: str, place: str) -> DataError:
    """The error of a place whose coldest is above its hottest."""
    return DataError(
        f"{plan}: climate.tmin, climate.tmax",
        f"the minimum is above the maximum at {place}",
        "The two layers are exchanged, or one has another unit",
    )


def _computed(
    known: _Known,
    layers: dict[str, Floats],
    latitude_deg: Floats,
    elevation_m: Floats,
    names: Sequence[str],
    ledger: Ledger,
) -> tuple[Floats, tuple[str, ...], float]:
    """ETo (n, 12) from layers, how, and its spread; NaN where a layer that is used has no value."""
    z = np.asarray(elevation_m, np.float64).copy()
    if known.cell_elevation_m is not None:
        stands_in = np.isnan(z) & np.isfinite(known.cell_elevation_m)
        z[stands_in] = known.cell_elevation_m[stands_in]
        if stands_in.any():
            ledger.add(
                Kind.ASSUMED,
                f"{known.plan}: climate.elevation",
                "elevation unknown, that of the layers' cell taken for air pressure",
                [names[int(k)] for k in np.flatnonzero(stands_in)],
            )
    if known.section.elevation_m is not None:
        z[np.isnan(z)] = known.section.elevation_m
    if np.isnan(z).any():
        ledger.add(
            Kind.ASSUMED,
            f"{known.plan}: climate.elevation_m",
            f"elevation unknown, {GROUND_SAID} taken for air pressure",
            [names[int(k)] for k in np.flatnonzero(np.isnan(z))],
        )
        z = np.where(np.isnan(z), known.ground_m, z)
    weather = {name: values.T for name, values in layers.items()}
    eto, steps, spread = eto_from_weather(known.section, weather, latitude_deg, z)
    if Step.HARGREAVES not in steps:
        ledger.add(Kind.ASSUMED, "ETo", "computed from layers: " + "; ".join(steps))
    return eto.T, steps, spread


def eto_from_weather(
    section: Climate, weather: Mapping[str, Floats], latitude_deg: Floats, elevation_m: Floats
) -> tuple[Floats, tuple[str, ...], float]:
    """ETo from layers of weather, by the best formula that they allow.

    Parameters
    ----------
    section
        The plan's `[climate]`: method, height of the wind.
    weather
        By the names of QUANTITIES, (12, n) each in its inner unit; `tmin` and `tmax` must be among them.
    latitude_deg, elevation_m
        (n,).

    Returns
    -------
    eto_mm_day : ndarray, shape (12, n)
    how : tuple of str
        The steps taken, in words that a layer's history quotes.
    spread_mm_day : float
        Standard deviation.
    """
    low, high = weather["tmin"], weather["tmax"]
    vapour, humid_how = _vapour_pressure(weather, low, high)
    wind, radiation = weather.get("wind"), weather.get("radiation")
    u2 = None if wind is None else wind_at_2m_m_s(wind, section.wind_height_m)
    inputs = MonthlyInputs(low, high, radiation, vapour, u2)
    eto, steps = monthly_eto(inputs, latitude_deg, elevation_m, section.method)
    if Step.HARGREAVES in steps:
        return eto, steps, joint_spread_mm_day("layer", "hargreaves")
    withheld = (("radiation", radiation), ("humidity", vapour), ("wind", u2))
    spread = penman_monteith_spread_mm_day([name for name, given in withheld if given is None])
    wind_how = () if wind is None else (f"wind at {section.wind_height_m:g} m brought to 2 m (eq. 47)",)
    return eto, (*steps, *humid_how, *wind_how), spread


def _vapour_pressure(
    layers: Mapping[str, Floats], low: Floats, high: Floats
) -> tuple[Floats | None, tuple[str, ...]]:
    """Actual vapour pressure by the best way the layers allow, in FAO-56's order (p. 36 to 39), and its name."""
    if "vapour_pressure" in layers:
        return layers["vapour_pressure"], ("vapour pressure layer",)
    if "dew_point" in layers:
        return vapour_pressure_from_dew_point_kpa(layers["dew_point"]), ("humidity from dew point (eq. 14)",)
    if "rh_max" in layers and "rh_min" in layers:
        kpa = vapour_pressure_from_rh_kpa(low, high, layers["rh_max"], layers["rh_min"])
        return kpa, ("humidity from its daily extremes (eq. 17)",)
    if "rh_max" in layers:
        kpa = vapour_pressure_from_rh_max_kpa(low, layers["rh_max"])
        return kpa, ("humidity from its daily maximum (eq. 18)",)
    if "rh_mean" in layers:
        kpa = vapour_pressure_from_rh_mean_kpa(low, high, layers["rh_mean"])
        return kpa, ("humidity from its daily mean (eq. 19)",)
    return None, (("minimum humidity alone is not used",) if "rh_min" in layers else ())
