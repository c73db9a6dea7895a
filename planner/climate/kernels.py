"""Compiled loops over months and places. What they compute is written out, with its sources, in `eto.py`; tests
hold the two to 1e-9 of each other.

Months stand on the first axis, January first. An empty array (0, 0) says that a quantity is not known. Places are
taken a block at a time, so that a block's months stay in the processor's cache. No fastmath: NaN must stay NaN.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from planner.compiled import in_threads, inner, kernel, plain

_BLOCK = 1024
_TASK = 16 * _BLOCK
FEW = 8  # places for which Numba would take longer to load than the loops take as they are written


def _over(loop: Callable[..., None], total: int, most: int | None, *given: Any) -> None:
    """Run loop(begin, end, *given) over 0..total: compiled and in all threads, or as it is written for a few."""
    if total <= FEW:
        plain(loop)(0, total, *given)
    else:
        in_threads(lambda some: loop(some.start, some.stop, *given), total, most)


@kernel(inline="always")
def _exp(x: float) -> float:
    """exp(x) for |x| up to 11, to 1e-9: a series for x/32, squared five times.

    Unlike the library's, it has no branch or call in it, so that the loops over places become vector code.
    """
    y = x * 0.03125
    p = 1.0 / 40320.0 + y * (1.0 / 362880.0)
    p = 1.0 / 5040.0 + y * p
    p = 1.0 / 720.0 + y * p
    p = 1.0 / 120.0 + y * p
    p = 1.0 / 24.0 + y * p
    p = 1.0 / 6.0 + y * p
    p = 0.5 + y * p
    p = 1.0 + y * (1.0 + y * p)
    p *= p
    p *= p
    p *= p
    p *= p
    return p * p


@kernel(inline="always")
def _saturation(t: float) -> float:
    return 0.6108 * _exp(17.27 * t / (t + 237.3))  # eq. 11


def penman_monteith_months(
    low: Any, high: Any, radiation: Any, vapour: Any, wind: Any, sun: Any, row: Any, elevation: Any, krs: Any
) -> Any:
    """FAO-56 Penman-Monteith of mean months, mm/day, (12, n).

    low, high, radiation, vapour, wind (12, n): as in :class:`planner.climate.eto.MonthlyInputs`; sun (12, k):
    extraterrestrial radiation; row (n,): the column of `sun` of each place; elevation, krs (n,).
    """
    n = low.shape[1]
    out = np.empty((12, n))
    given = (low, high, radiation, vapour, wind, sun, row, elevation, krs, out)
    in_threads(lambda some: _penman_monteith_months(some.start, some.stop, *given), n, _TASK)
    return out


@kernel
def _penman_monteith_months(
    begin: int,
    end: int,
    low: Any,
    high: Any,
    radiation: Any,
    vapour: Any,
    wind: Any,
    sun: Any,
    row: Any,
    elevation: Any,
    krs: Any,
    out: Any,
) -> None:
    has_radiation, has_vapour, has_wind = radiation.size > 0, vapour.size > 0, wind.size > 0
    for first in range(begin, end, _BLOCK):
        last = min(end, first + _BLOCK)
        size = last - first
        gamma, clear = np.empty(size), np.empty(size)
        for i in range(size):
            z = elevation[first + i]
            gamma[i] = 0.665e-3 * 101.3 * ((293.0 - 0.0065 * z) / 293.0) ** 5.26  # eq. 7, 8
            clear[i] = 0.75 + 2e-5 * z  # eq. 37
        r_so, r_s, e_a, u = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
        for m in range(12):
            # what is missing is filled in first: the loop below is then without branches, and becomes vector code
            _times_sun(clear, sun[m], row[first:last], r_so)
            if has_radiation:
                r_s[:] = radiation[m, first:last]
            else:
                for i in range(size):
                    span = high[m, first + i] - low[m, first + i]
                    span = 0.0 if span < 0.0 else span
                    r_s[i] = krs[first + i] * math.sqrt(span) * sun[m, row[first + i]]
                    r_s[i] = r_so[i] if r_s[i] > r_so[i] else r_s[i]
            if has_vapour:
                e_a[:] = vapour[m, first:last]
            else:
                for i in range(size):
                    e_a[i] = _saturation(low[m, first + i])
            if has_wind:
                _at_least(wind[m, first:last], 0.5, u)
            else:
                u[:] = 2.0
            _months_of_block(
                low[m, first:last],
                high[m, first:last],
                low[(m + 11) % 12, first:last],
                high[(m + 11) % 12, first:last],
                low[(m + 1) % 12, first:last],
                high[(m + 1) % 12, first:last],
                r_s,
                r_so,
                e_a,
                u,
                gamma,
                out[m, first:last],
            )


@inner
def _times_sun(clear: Any, sun: Any, row: Any, out: Any) -> None:
    for i in range(len(out)):
        out[i] = clear[i] * sun[row[i]]


@inner
def _at_least(values: Any, least: float, out: Any) -> None:
    for i in range(len(out)):
        out[i] = least if values[i] < least else values[i]


@inner
def _months_of_block(
    low: Any,
    high: Any,
    low_before: Any,
    high_before: Any,
    low_after: Any,
    high_after: Any,
    r_s: Any,
    r_so: Any,
    e_a: Any,
    u: Any,
    gamma: Any,
    out: Any,
) -> None:
    for i in range(len(out)):
        t_low, t_high = low[i], high[i]
        t = (t_low + t_high) * 0.5
        # one division for all three of eq. 11: divisions are what takes the time here
        d_low, d_high, d = t_low + 237.3, t_high + 237.3, t + 237.3
        both = d_low * d_high
        inverse = 17.27 / (both * d)
        e_s = (0.6108 * 0.5) * (_exp(t_low * inverse * d_high * d) + _exp(t_high * inverse * d_low * d))
        inverse *= both
        slope = (4098.0 * 0.6108 / (17.27 * 17.27)) * _exp(t * inverse) * inverse * inverse
        cloud = 0.6 if r_so[i] < 0.1 else r_s[i] / r_so[i]
        cloud = 1.0 if cloud > 1.0 else cloud
        k_low, k_high = t_low + 273.16, t_high + 273.16
        k_low *= k_low
        k_high *= k_high
        heat = 4.903e-9 * (k_low * k_low + k_high * k_high) * 0.5
        r_nl = heat * (0.34 - 0.14 * math.sqrt(e_a[i])) * (1.35 * cloud - 0.35)
        soil = 0.035 * ((low_after[i] + high_after[i]) - (low_before[i] + high_before[i]))
        g = gamma[i]
        sunny = 0.408 * slope * (0.77 * r_s[i] - r_nl - soil)
        airy = g * 900.0 * u[i] * (e_s - e_a[i])
        eto = (sunny * (t + 273.0) + airy) / ((t + 273.0) * (slope + g * (1.0 + 0.34 * u[i])))
        out[i] = 0.0 if eto < 0.0 else eto


def hargreaves_months(low: Any, high: Any, sun: Any, row: Any) -> Any:
    """Hargreaves-Samani of mean months, mm/day, (12, n); arguments as above."""
    n = low.shape[1]
    out = np.empty((12, n))
    in_threads(lambda some: _hargreaves_months(some.start, some.stop, low, high, sun, row, out), n, _TASK)
    return out


@kernel
def _hargreaves_months(begin: int, end: int, low: Any, high: Any, sun: Any, row: Any, out: Any) -> None:
    for first in range(begin, end, _BLOCK):
        for m in range(12):
            for i in range(first, min(end, first + _BLOCK)):
                span = high[m, i] - low[m, i]
                warm = (low[m, i] + high[m, i]) / 2.0 + 17.8
                span = 0.0 if span < 0.0 else span
                warm = 0.0 if warm < 0.0 else warm
                out[m, i] = 0.0023 * warm * math.sqrt(span) * 0.408 * sun[m, row[i]]


def month_means_of_the_sun(latitude_deg: Any, month_starts: Any) -> Any:
    """Means over all days of each month at n latitudes: (12, n) extraterrestrial radiation, MJ/m2/day, by eq. 21,
    and (12, n) day length, hours, by eq. 34. month_starts (13,): days before each month.
    """
    n = len(latitude_deg)
    radiation, hours = np.empty((12, n)), np.empty((12, n))
    given = (latitude_deg, month_starts, radiation, hours)
    _over(_month_means_of_the_sun, n, None, *given)
    return radiation, hours


@kernel
def _month_means_of_the_sun(
    begin: int, end: int, latitude_deg: Any, month_starts: Any, radiation: Any, hours: Any
) -> None:
    for i in range(begin, end):
        phi = math.radians(latitude_deg[i])
        sine, cosine, tangent = math.sin(phi), math.cos(phi), math.tan(phi)
        for m in range(12):
            sun, light = 0.0, 0.0
            for day in range(month_starts[m] + 1, month_starts[m + 1] + 1):
                angle = 2.0 * math.pi / 365.0 * day
                delta = 0.409 * math.sin(angle - 1.39)
                edge = -tangent * math.tan(delta)
                edge = 1.0 if edge > 1.0 else (-1.0 if edge < -1.0 else edge)
                omega = math.acos(edge)
                near = 1.0 + 0.033 * math.cos(angle)
                geometry = omega * sine * math.sin(delta) + cosine * math.cos(delta) * math.sqrt(1.0 - edge * edge)
                sun += near * geometry
                light += omega
            days = month_starts[m + 1] - month_starts[m]
            radiation[m, i] = 24.0 * 60.0 / math.pi * 0.0820 * sun / days
            hours[m, i] = 24.0 / math.pi * light / days


def normal_bands(value: Any, spread: Any, edges: Any, low: Any, high: Any) -> Any:
    """(n, k) share of a normal spread about each value between two edges, by their rows `low` and `high` (k,) in
    `edges`; 0 where value or spread is NaN or infinite."""
    out = np.zeros((len(value), len(low)))
    given = (value, spread, edges, low, high, out)
    _over(_normal_bands, len(value), _TASK, *given)
    return out


@kernel
def _normal_bands(begin: int, end: int, value: Any, spread: Any, edges: Any, low: Any, high: Any, out: Any) -> None:
    below = np.empty(len(edges))
    for i in range(begin, end):
        s = max(spread[i], 1e-9) * math.sqrt(2.0)
        if math.isnan(value[i]) or math.isnan(spread[i]) or math.isinf(value[i]) or math.isinf(spread[i]):
            continue
        for k in range(len(edges)):
            z = (value[i] - edges[k]) / s
            # beyond 6 the complementary error function is 0 or 2 to the last digit
            below[k] = 0.0 if z > 6.0 else (1.0 if z < -6.0 else 0.5 * math.erfc(z))
        for k in range(len(low)):
            out[i, k] = below[high[k]] - below[low[k]]


def band_of(value: Any, low: Any, high: Any, middle: Any) -> Any:
    """(n,) row of the band [low, high) that holds each value, of several that with the nearest middle; -1: none."""
    out = np.full(len(value), -1, np.int64)
    _over(_band_of, len(value), _TASK, value, low, high, middle, out)
    return out


@kernel
def _band_of(begin: int, end: int, value: Any, low: Any, high: Any, middle: Any, out: Any) -> None:
    for i in range(begin, end):
        best = math.inf
        for k in range(len(low)):
            if value[i] >= low[k] and value[i] < high[k] and abs(value[i] - middle[k]) < best:
                best = abs(value[i] - middle[k])
                out[i] = k


def largest(values: Any) -> Any:
    """(n,) place of the largest value in each row of (n, k), and that value; -1 and NaN where one is not finite."""
    n = len(values)
    place, most = np.full(n, -1, np.int64), np.full(n, np.nan)
    _over(_largest, n, _TASK, values, place, most)
    return place, most


@kernel
def _largest(begin: int, end: int, values: Any, place: Any, most: Any) -> None:
    k = values.shape[1]
    for i in range(begin, end):
        best, at = -math.inf, 0
        known = True
        for j in range(k):
            v = values[i, j]
            known = known and math.isfinite(v)
            if v > best:
                best, at = v, j
        if known and k:
            place[i], most[i] = at, best


def bilinear(cells: Any, top: Any, left: Any, right: Any, x: Any, y: Any, scale: Any) -> Any:
    """(n, bands) between four cells (rows, columns, bands): rows top and top + 1, columns left and right, at the
    shares x and y of the way; times scale (bands,)."""
    out = np.empty((len(top), cells.shape[2]))
    given = (cells, top, left, right, x, y, scale, out)
    _over(_bilinear, len(top), _TASK, *given)
    return out


@kernel
def _bilinear(
    begin: int, end: int, cells: Any, top: Any, left: Any, right: Any, x: Any, y: Any, scale: Any, out: Any
) -> None:
    bands = cells.shape[2]
    for i in range(begin, end):
        a, b = cells[top[i], left[i]], cells[top[i], right[i]]
        c, d = cells[top[i] + 1, left[i]], cells[top[i] + 1, right[i]]
        for k in range(bands):
            upper, lower = (1.0 - x[i]) * a[k] + x[i] * b[k], (1.0 - x[i]) * c[k] + x[i] * d[k]
            out[i, k] = scale[k] * ((1.0 - y[i]) * upper + y[i] * lower)
