"""Compiled loops over months and places. What they compute is written out, with its sources, in `eto.py`; tests
hold the two to 1e-9 of each other.

Months stand on the first axis, January first. An empty array (0, 0) says that a quantity is not known. Places are
taken a block at a time, so that a block's months stay in the processor's cache. No fastmath: NaN must stay NaN.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit, prange

_BLOCK = 1024


@njit(inline="always")
def _exp(x: float) -> float:
    """exp(x) for |x| up to 11, to 1e-9: a series for x/16, squared four times.

    Unlike the library's, it has no branch or call in it, so that the loops over places become vector code.
    """
    y = x * 0.0625
    p = 1.0 + y * (1.0 / 11.0) * (1.0 + y * (1.0 / 12.0))
    p = 1.0 + y * (1.0 / 9.0) * (1.0 + y * (1.0 / 10.0) * p)
    p = 1.0 + y * (1.0 / 7.0) * (1.0 + y * (1.0 / 8.0) * p)
    p = 1.0 + y * (1.0 / 5.0) * (1.0 + y * (1.0 / 6.0) * p)
    p = 1.0 + y * (1.0 / 3.0) * (1.0 + y * (1.0 / 4.0) * p)
    p = 1.0 + y * (1.0 + y * (1.0 / 2.0) * p)
    p *= p
    p *= p
    p *= p
    return p * p


@njit(inline="always")
def _saturation(t: float) -> float:
    return 0.6108 * _exp(17.27 * t / (t + 237.3))  # eq. 11


@njit(parallel=True, cache=True, error_model="numpy")
def penman_monteith_months(
    low: Any, high: Any, radiation: Any, vapour: Any, wind: Any, sun: Any, row: Any, elevation: Any, krs: Any
) -> Any:
    """FAO-56 Penman-Monteith of mean months, mm/day, (12, n).

    low, high, radiation, vapour, wind (12, n): as in :class:`planner.climate.eto.MonthlyInputs`; sun (12, k):
    extraterrestrial radiation; row (n,): the column of `sun` of each place; elevation, krs (n,).
    """
    n = low.shape[1]
    out = np.empty((12, n))
    has_radiation, has_vapour, has_wind = radiation.size > 0, vapour.size > 0, wind.size > 0
    for block in prange((n + _BLOCK - 1) // _BLOCK):
        first, last = block * _BLOCK, min(n, block * _BLOCK + _BLOCK)
        gamma = np.empty(last - first)
        for i in range(first, last):
            gamma[i - first] = 0.665e-3 * 101.3 * ((293.0 - 0.0065 * elevation[i]) / 293.0) ** 5.26  # eq. 7, 8
        for m in range(12):
            before, after = (m + 11) % 12, (m + 1) % 12
            for i in range(first, last):
                t_low, t_high = low[m, i], high[m, i]
                t = (t_low + t_high) / 2.0
                e_low = _saturation(t_low)
                e_s = (e_low + _saturation(t_high)) / 2.0
                slope = 4098.0 * _saturation(t) / ((t + 237.3) * (t + 237.3))
                r_a = sun[m, row[i]]
                r_so = (0.75 + 2e-5 * elevation[i]) * r_a
                if has_radiation:
                    r_s = radiation[m, i]
                else:
                    span = t_high - t_low
                    span = 0.0 if span < 0.0 else span
                    r_s = krs[i] * math.sqrt(span) * r_a
                    r_s = r_so if r_s > r_so else r_s
                e_a = vapour[m, i] if has_vapour else e_low
                u = 2.0
                if has_wind:
                    u = wind[m, i]
                    u = 0.5 if u < 0.5 else u
                cloud = 0.6 if r_so < 0.1 else r_s / r_so
                cloud = 1.0 if cloud > 1.0 else cloud
                k_low, k_high = t_low + 273.16, t_high + 273.16
                k_low *= k_low
                k_high *= k_high
                heat = 4.903e-9 * (k_low * k_low + k_high * k_high) / 2.0
                r_nl = heat * (0.34 - 0.14 * math.sqrt(e_a)) * (1.35 * cloud - 0.35)
                soil = 0.035 * ((low[after, i] + high[after, i]) - (low[before, i] + high[before, i]))
                g = gamma[i - first]
                sunny = 0.408 * slope * (0.77 * r_s - r_nl - soil)
                airy = g * 900.0 / (t + 273.0) * u * (e_s - e_a)
                eto = (sunny + airy) / (slope + g * (1.0 + 0.34 * u))
                out[m, i] = 0.0 if eto < 0.0 else eto
    return out


@njit(parallel=True, cache=True, error_model="numpy")
def hargreaves_months(low: Any, high: Any, sun: Any, row: Any) -> Any:
    """Hargreaves-Samani of mean months, mm/day, (12, n); arguments as above."""
    n = low.shape[1]
    out = np.empty((12, n))
    for block in prange((n + _BLOCK - 1) // _BLOCK):
        for m in range(12):
            for i in range(block * _BLOCK, min(n, block * _BLOCK + _BLOCK)):
                span = high[m, i] - low[m, i]
                warm = (low[m, i] + high[m, i]) / 2.0 + 17.8
                span = 0.0 if span < 0.0 else span
                warm = 0.0 if warm < 0.0 else warm
                out[m, i] = 0.0023 * warm * math.sqrt(span) * 0.408 * sun[m, row[i]]
    return out


@njit(parallel=True, cache=True, error_model="numpy")
def month_means_of_the_sun(latitude_deg: Any, month_starts: Any) -> Any:
    """Means over all days of each month at n latitudes: (12, n) extraterrestrial radiation, MJ/m2/day, by eq. 21,
    and (12, n) day length, hours, by eq. 34. month_starts (13,): days before each month.
    """
    n = len(latitude_deg)
    radiation, hours = np.empty((12, n)), np.empty((12, n))
    for i in prange(n):
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
    return radiation, hours


@njit(parallel=True, cache=True)
def normal_below(value: Any, spread: Any, edges: Any) -> Any:
    """(n, k) share of a normal spread about each value that lies below each edge; 0 where either is NaN."""
    out = np.zeros((len(value), len(edges)))
    for i in prange(len(value)):
        s = max(spread[i], 1e-9) * math.sqrt(2.0)
        if math.isnan(value[i]) or math.isnan(spread[i]) or math.isinf(value[i]) or math.isinf(spread[i]):
            continue
        for k in range(len(edges)):
            out[i, k] = 0.5 * math.erfc((value[i] - edges[k]) / s)
    return out


@njit(parallel=True, cache=True)
def bilinear(cells: Any, top: Any, left: Any, right: Any, x: Any, y: Any, scale: Any) -> Any:
    """(n, bands) between four cells (rows, columns, bands): rows top and top + 1, columns left and right, at the
    shares x and y of the way; times scale (bands,)."""
    n, bands = len(top), cells.shape[2]
    out = np.empty((n, bands))
    for i in prange(n):
        a, b = cells[top[i], left[i]], cells[top[i], right[i]]
        c, d = cells[top[i] + 1, left[i]], cells[top[i] + 1, right[i]]
        for k in range(bands):
            upper, lower = (1.0 - x[i]) * a[k] + x[i] * b[k], (1.0 - x[i]) * c[k] + x[i] * d[k]
            out[i, k] = scale[k] * ((1.0 - y[i]) * upper + y[i] * lower)
    return out
