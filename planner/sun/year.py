"""A year of light for every mount, compiled, on all cores; `tests/plain_sun.py` has its plain form.

The sunlit test is made at the sun's own azimuths, every step of the year: against the edges of prisms, the tangents
of crowns, and the ground. Nothing is sampled and nothing is left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from planner.compiled import in_threads, inner, kernel, maker
from planner.site import Floats, Ints, Site, no_crowns, no_prisms
from planner.sun.hierarchy import STACK, Tree, compile_looks, in_sight, inside, pack_boxes, walk
from planner.sun.horizon import directions
from planner.sun.leaves import ellipsoid_mean_chord_m, ellipsoid_path_m, over_the_month
from planner.sun.path import SunTable
from planner.sun.result import (
    PICTURE_AZIMUTH_DEG,
    SunResult,
    days_of,
    name_shade,
    raster_azimuth_deg,
    sum_up,
)
from planner.sun.shading import Shading, crown_chords, shading
from planner.sun.sky import open_share, sine_squared
from planner.sun.veil import (
    MOST_CROSSINGS,
    crossings,
    crown_edges,
    crown_span,
    dim_by_crown,
    dim_by_prism,
    looks_between,
    prism_span,
    way_through,
)

MOUNTS_TO_A_TASK = 16
PATHS = 12  # rays through a crown, from bottom to top, where its share goes by the way through it
MOST_VEILS = 256  # on one azimuth; behind so many there is no light left to tell apart


class _Scene(NamedTuple):
    """All that stands on a site, as compiled code wants it.

    over_crowns: boxes over the crowns, which stand in its order. *_log (..., 2): logarithm of the light let
    through, leafless and in leaf. *_chord: mean way through, 0 where every crown takes its whole share.
    """

    buildings: Tree
    hanging: Ints
    over_crowns: Tree
    crown: Floats
    crown_radius: Floats
    crown_half: Floats
    crown_log: Floats
    crown_chord: Floats
    leafy: Tree
    leafy_log: Floats
    leafy_chord: Floats
    canopy_log: Floats


class _Sun(NamedTuple):
    """The sun's steps, sorted by azimuth: slope (2, m) is its elevation's tangent, twice: for both leaf states.

    spot, part (m,): the azimuth of the rasters before it, and how far on towards the next. day (m,): of the year;
    day_steps (days,): how many steps each has.
    """

    slope: Floats
    month: Ints
    hours: Floats
    beam: Floats
    spot: Floats
    part: Floats
    day: Ints
    day_steps: Ints


class _Veils(NamedTuple):
    """What lets part of the light through, by azimuth: each (360, MOST_VEILS, 4) edges and what passes, many
    (360,) of them; found: room for crossings."""

    each: Floats
    many: Ints
    found: Floats


class _Room(NamedTuple):
    """Where one mount is worked out, and then the next.

    stack, listed, low: for walks. Of the sun's m steps: lowest, of each stretch, that nothing opaque hides; tangent
    (m,) of the opaque horizon; dim (2, m) logarithm of what is let through, leafless and in leaf; dark (days,)
    steps without sun. Of the picture: shape (360,) tangent of its opaque horizon; veils; cut, for the shares of one
    azimuth.
    """

    stack: Ints
    listed: Ints
    low: Floats
    lowest: Floats
    tangent: Floats
    dim: Floats
    dark: Floats
    shape: Floats
    veils: _Veils
    cut: Floats


class _Out(NamedTuple):
    """hours (n, 12); beam (n, 2, 12) and sky_view (n, 2) leafless and in leaf; horizon, veil (n, 360).

    highest (n,): step of the highest hidden sun, -1 where none is hidden; worst_day, day (n,): the largest share of
    a day that is hidden, and which day.
    """

    hours: Floats
    beam: Floats
    sky_view: Floats
    horizon: Floats
    veil: Floats
    highest: Ints
    worst_day: Floats
    day: Ints


def year_of_light(
    site: Site,
    mounts_xyz: Floats,
    sun: SunTable,
    shade: Shading | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> SunResult:
    """Direct hours and light kept at mounts.

    The diffuse part is even over the sky: the sky view weighs it (`sky.spread_sky` moves what stands round the sun
    to the beam).

    Parameters
    ----------
    site
        In its local frame.
    mounts_xyz
        (n, 3) heads of the sensors, metres.
    sun
        The sun's year.
    shade
        `shading(site)` and how it is reckoned; made here where it is not given.
    progress
        Called as progress(done, total) as mounts end.

    Returns
    -------
    SunResult
        One row a mount.
    """
    shade = shade or shading(site)
    mounts = np.ascontiguousarray(np.asarray(mounts_xyz, np.float64).reshape(-1, 3))
    n = len(mounts)
    looks, picture = directions(sun.azimuth_deg), directions(PICTURE_AZIMUTH_DEG)
    scene = _scene(site, mounts, shade)
    rasters, azimuth, day = shade.ground, raster_azimuth_deg(site), days_of(sun)
    steps = _Sun(
        np.tile(np.tan(np.radians(sun.elevation_deg[looks.order])), (2, 1)),
        sun.month[looks.order],
        sun.hours_per_day[looks.order],
        sun.beam_wh_m2[looks.order],
        *np.divmod(looks.azimuth_deg * len(azimuth) / 360.0, 1.0),
        day[looks.order],
        np.bincount(day),
    )
    sun_looks, picture_looks = compile_looks(looks), compile_looks(picture)
    out = _Out(
        np.zeros((n, 12)),
        np.zeros((n, 2, 12)),
        np.zeros((n, 2)),
        np.zeros((n, 360)),
        np.zeros((n, 360)),
        np.full(n, -1),
        np.zeros(n),
        np.zeros(n, np.int64),
    )
    done = 0

    def work(rows: slice) -> None:
        nonlocal done
        some = mounts[rows]
        ground, canopy = (
            np.empty((len(some), 0)) if over is None else over.tangent
            for over in (rasters.opaque(some, azimuth, shade.terrain_reach_m), rasters.veil(some, azimuth))
        )
        mine = _Out._make(part[rows] for part in out)
        _some_mounts(some, scene, steps, sun_looks, picture_looks, ground, canopy, mine)
        done += len(some)
        if progress:
            progress(min(done, n), n)

    in_threads(work, n, MOUNTS_TO_A_TASK)
    view = over_the_month(out.sky_view[:, 1, None], out.sky_view[:, 0, None], shade.in_leaf)
    beam = over_the_month(out.beam[:, 1], out.beam[:, 0], shade.in_leaf)
    step = np.append(looks.order, -1)[out.highest]
    return sum_up(sun, out.hours, beam, view, out.horizon, out.veil, name_shade(sun, step, out.worst_day, out.day))


def _scene(site: Site, mounts: Floats, shade: Shading) -> _Scene:
    """What stands on the site; where a surface model stands in for footprints and crowns, they are left out."""
    buildings, leafy, light = shade.buildings, shade.grown, shade.crown_light
    crowns = site.crowns if site.surface is None else no_crowns()
    grown = site.crown_prisms if site.surface is None else no_prisms()
    crown_chord, leafy_chord = np.zeros(len(crowns)), np.zeros(len(grown))
    if light.by_path:
        crown_chord = ellipsoid_mean_chord_m(crowns.radius_m, crowns.half_height_m)
        leafy_chord = crown_chords(grown)
    lowest = mounts[:, 2].min() if len(mounts) else 0.0
    reach, (x, y, z) = crowns.radius_m, crowns.centre.reshape(-1, 3).T
    over_crowns = pack_boxes(
        np.column_stack([x - reach, y - reach, x + reach, y + reach]), z + crowns.half_height_m
    )
    row = over_crowns.row
    return _Scene(
        buildings,
        np.flatnonzero(buildings.base > lowest),
        over_crowns,
        np.ascontiguousarray(crowns.centre.reshape(-1, 3)[row]),
        crowns.radius_m[row],
        crowns.half_height_m[row],
        light.log_light(crowns.evergreen[row]),
        crown_chord[row],
        leafy,
        light.log_light(site.crown_evergreen[leafy.row] if len(grown) else np.empty(0, bool)),
        leafy_chord[leafy.row] if len(grown) else leafy_chord,
        light.log_light(np.array([site.canopy_evergreen]))[0],
    )


@inner
def _between(tangent, spot, part):  # type: ignore[no-untyped-def]
    """A tangent over rasters between two of their azimuths, all round."""
    i = int(spot) % len(tangent)
    return tangent[i] * (1.0 - part) + tangent[(i + 1) % len(tangent)] * part


@inner
def _towards(tangent, turn):  # type: ignore[no-untyped-def]
    """The same at an azimuth in turns."""
    at = turn * len(tangent)
    return _between(tangent, math.floor(at), at - math.floor(at))


@kernel
def _some_mounts(mounts, scene, steps, looks, picture, ground, canopy, out):  # type: ignore[no-untyped-def]
    room = _room(scene, steps, looks, picture)
    for n in range(len(mounts)):
        # the beam, at the sun's own azimuths
        _hide(mounts[n], scene, steps, looks, ground[n], room)
        _dim(mounts[n], scene, steps, looks, canopy[n], room)
        _sum_steps(n, steps, room, out)
        # the sky and the picture, by the middles of whole degrees
        _draw_horizon(n, mounts[n], scene, picture, ground[n], canopy[n], room, out)
        _view_sky(n, mounts[n], scene, picture, room, out)


@maker
def _room(scene, steps, looks, picture):  # type: ignore[no-untyped-def]
    m, whole = len(looks.turn), len(picture.turn)
    return _Room(
        np.empty((STACK, 2), np.int64),
        np.empty(max(len(scene.crown_radius), len(scene.leafy.top)), np.int64),
        np.empty(max(m >> looks.shift, whole >> picture.shift) + 1),
        np.empty((m >> looks.shift) + 1),
        np.empty(m),
        np.empty((2, m)),
        np.empty(len(steps.day_steps)),
        np.empty(whole),
        _Veils(np.empty((whole, MOST_VEILS, 4)), np.empty(whole, np.int64), np.empty(MOST_CROSSINGS)),
        np.empty(2 * MOST_VEILS + 2),
    )


@inner
def _hide(mount, scene, steps, looks, ground, room):  # type: ignore[no-untyped-def]
    """The opaque horizon at the sun's azimuths, and the lowest sun of each stretch of them that it does not hide:
    what is lower need not be looked at.
    """
    tangent, lowest = room.tangent, room.lowest
    walk(mount[0], mount[1], mount[2], scene.buildings, looks, 0.0, tangent, room.low, room.stack)
    lowest[:] = np.inf
    for i in range(len(tangent)):
        if len(ground):
            tangent[i] = max(tangent[i], _between(ground, steps.spot[i], steps.part[i]))
        if steps.slope[0, i] > tangent[i]:
            lowest[i >> looks.shift] = min(lowest[i >> looks.shift], steps.slope[0, i])


@maker
def _dim(mount, scene, steps, looks, canopy, room):  # type: ignore[no-untyped-def]
    """What canopy, crowns and things that hang let through at each step, as a logarithm."""
    east, north, up = mount[0], mount[1], mount[2]
    slope, dim, found, listed = steps.slope, room.dim, room.veils.found, room.listed
    dim[:] = 0.0
    if len(canopy):
        for i in range(dim.shape[1]):
            if slope[0, i] < _between(canopy, steps.spot[i], steps.part[i]):
                dim[0, i] += scene.canopy_log[0]
                dim[1, i] += scene.canopy_log[1]
    for k in range(in_sight(east, north, up, scene.over_crowns, looks, room.lowest, room.stack, listed)):
        c = listed[k]
        offset, radius, half = scene.crown[c] - mount, scene.crown_radius[c], scene.crown_half[c]
        log, chord = scene.crown_log[c], scene.crown_chord[c]
        dim_by_crown(offset, radius, half, looks, slope, log, chord, dim, room.lowest)
    for k in range(in_sight(east, north, up, scene.leafy, looks, room.lowest, room.stack, listed)):
        j = listed[k]
        log, chord = scene.leafy_log[j], scene.leafy_chord[j]
        dim_by_prism(east, north, up, scene.leafy, j, looks, slope, log, chord, dim, found)
    shut = np.full(2, -np.inf)
    for j in scene.hanging:
        if scene.buildings.base[j] > up:
            dim_by_prism(east, north, up, scene.buildings, j, looks, slope, shut, 0.0, dim, found)


@inner
def _sum_steps(n, steps, room, out):  # type: ignore[no-untyped-def]
    """Hours and beam of each month, and what the shade is named by."""
    tangent, dim, dark = room.tangent, room.dim, room.dark
    dark[:] = 0.0
    highest = 0.0
    for i in range(len(tangent)):
        free = steps.slope[0, i] > tangent[i]
        k = steps.month[i]
        if free and dim[0, i] == 0.0:
            out.hours[n, k] += steps.hours[i]
        else:
            dark[steps.day[i]] += 1.0
            if steps.slope[0, i] > highest:
                highest = steps.slope[0, i]
                out.highest[n] = i
        if free:
            for leaf in range(2):
                kept = 1.0 if dim[leaf, i] == 0.0 else math.exp(dim[leaf, i])
                out.beam[n, leaf, k] += steps.beam[i] * kept
    for d in range(len(dark)):
        if dark[d] > out.worst_day[n] * steps.day_steps[d]:
            out.worst_day[n], out.day[n] = dark[d] / steps.day_steps[d], d


@inner
def _draw_horizon(n, mount, scene, picture, ground, canopy, room, out):  # type: ignore[no-untyped-def]
    """Tangents of the opaque horizon, in `room.shape` too, and of the canopy over it, whose veils are listed."""
    shape, veils, log = room.shape, room.veils, scene.canopy_log
    walk(mount[0], mount[1], mount[2], scene.buildings, picture, 0.0, shape, room.low, room.stack)
    veils.many[:] = 0
    for i in range(len(shape)):
        if len(ground):
            shape[i] = max(shape[i], _towards(ground, picture.turn[i]))
        out.horizon[n, i] = shape[i]
        out.veil[n, i] = _towards(canopy, picture.turn[i]) if len(canopy) else 0.0
        if out.veil[n, i] > 0.0:
            _add_veil(veils, i, -np.inf, out.veil[n, i], math.exp(log[0]), math.exp(log[1]))


@inner
def _view_sky(n, mount, scene, picture, room, out):  # type: ignore[no-untyped-def]
    """How much of the sky is seen over the horizon and through what veils it; both pictures end in degrees."""
    shape, veils, low = room.shape, room.veils, room.low
    horizon, veil, whole = out.horizon[n], out.veil[n], len(room.shape)
    # what stays under the opaque horizon dims nothing of the sky
    low[:] = np.inf
    for i in range(whole):
        low[i >> picture.shift] = min(low[i >> picture.shift], shape[i])
    _hang_veils(mount, scene, picture, horizon, veil, veils, low, room.stack, room.listed)
    for i in range(whole):
        some = veils.each[i, : veils.many[i]]
        for leaf in range(2):
            if veils.many[i] == 0:
                share = 1.0 / (1.0 + shape[i] * shape[i])  # cos^2 of the horizon
            else:
                share = open_share(shape[i], some[:, 0], some[:, 1], some[:, 2 + leaf], room.cut)
            out.sky_view[n, leaf] += share / whole
    for i in range(whole):
        if veil[i] <= horizon[i]:
            veil[i] = 0.0
        horizon[i] = math.degrees(math.atan(max(0.0, horizon[i])))
        veil[i] = math.degrees(math.atan(max(0.0, veil[i])))


@inner
def _add_veil(veils, i, low, high, leafless, in_leaf):  # type: ignore[no-untyped-def]
    """One more veil on azimuth i: tangents of its edges, and the light it lets through leafless and in leaf."""
    k = min(veils.many[i], MOST_VEILS - 1)
    veils.each[i, k, 0], veils.each[i, k, 1] = low, high
    veils.each[i, k, 2], veils.each[i, k, 3] = leafless, in_leaf
    veils.many[i] = k + 1


@inner
def _slope_within(low, high, floor, k):  # type: ignore[no-untyped-def]
    """Tangent in the kth of PATHS parts of what a veil shows above the opaque horizon; :func:`_weight` is its share
    of the light. The parts are narrow at the edges, where the way through changes fast."""
    least = max(sine_squared(low), sine_squared(floor))
    at = least + (max(sine_squared(high), least) - least) * (1.0 - math.cos(math.pi * (k + 0.5) / PATHS)) / 2.0
    return math.sqrt(at / (1.0 - at)) if at < 1.0 else np.inf


@inner
def _weight(k):  # type: ignore[no-untyped-def]
    return math.sin(math.pi * (k + 0.5) / PATHS) * math.sin(math.pi / (2.0 * PATHS))


@maker
def _hang_veils(mount, scene, looks, horizon, veil, veils, above, stack, listed):  # type: ignore[no-untyped-def]
    """List what veils or hangs on each azimuth, and raise the pictures of the horizon and of crowns to it.

    above: the lowest horizon of each stretch of azimuths; stack, listed: room to work in.
    """
    m = len(looks.turn)
    for n in range(in_sight(mount[0], mount[1], mount[2], scene.over_crowns, looks, above, stack, listed)):
        c = listed[n]
        offset, radius, half = scene.crown[c] - mount, scene.crown_radius[c], scene.crown_half[c]
        log, chord = scene.crown_log[c], scene.crown_chord[c]
        _, start, stop = crown_span(offset, radius)
        first, last = looks_between(looks, start, stop)
        for w in range(first, last):
            i = w if w < m else w - m
            low, high = crown_edges(offset, radius, half, looks.sin[i], looks.cos[i])
            if high > low and high > max(horizon[i], 0.0):
                veil[i] = max(veil[i], high)
                leafless, in_leaf = math.exp(log[0]), math.exp(log[1])
                if chord > 0.0:
                    leafless, in_leaf = 0.0, 0.0
                    for k in range(PATHS):
                        slope = _slope_within(low, high, horizon[i], k)
                        east, north, up = offset
                        way = ellipsoid_path_m(east, north, up, radius, half, looks.sin[i], looks.cos[i], slope)
                        leafless += math.exp(log[0] * way / chord) * _weight(k)
                        in_leaf += math.exp(log[1] * way / chord) * _weight(k)
                _add_veil(veils, i, low, high, leafless, in_leaf)
    for n in range(in_sight(mount[0], mount[1], mount[2], scene.leafy, looks, above, stack, listed)):
        j = listed[n]
        _prism_veils(mount, scene.leafy, j, scene.leafy_log[j], scene.leafy_chord[j], looks, veil, horizon, veils)
    shut = np.full(2, -np.inf)
    for j in scene.hanging:
        if scene.buildings.base[j] > mount[2]:
            _prism_veils(mount, scene.buildings, j, shut, 0.0, looks, horizon, horizon, veils)


@inner
def _prism_veils(mount, tree, j, log, chord, looks, picture, horizon, veils):  # type: ignore[no-untyped-def]
    """The stretches of elevation that one prism takes of each azimuth; parts of it that overlap count once."""
    m, found = len(looks.turn), veils.found
    begin, end = tree.first[j], tree.first[j + 1]
    base, top = tree.base[j] - mount[2], tree.top[j] - mount[2]
    if top <= 0.0:
        return
    start, stop = prism_span(mount[0], mount[1], tree.node[j])
    first, last = looks_between(looks, start, stop)
    within = inside(mount[0], mount[1], tree.vertex, begin, end)
    for w in range(first, last):
        i = w if w < m else w - m
        met = crossings(mount[0], mount[1], looks.sin[i], looks.cos[i], tree.vertex, begin, end, found)
        k = -1 if within else 0
        low, high = np.inf, -np.inf
        while k + 1 < met:
            enter, leave = 0.0 if k < 0 else found[k], found[k + 1]
            under = base / leave if base > 0.0 else -np.inf
            over = top / enter if enter > 0.0 else np.inf
            if high > low and over < low:  # a gap between this part and the nearer one
                _add_prism_veil(veils, i, low, high, log, chord, horizon, (met, within, base, top))
                high = -np.inf
            low, high = under if high < low else min(low, under), max(high, over)
            picture[i] = max(picture[i], over)
            k += 2
        if high > low:
            _add_prism_veil(veils, i, low, high, log, chord, horizon, (met, within, base, top))


@inner
def _add_prism_veil(veils, i, low, high, log, chord, horizon, prism):  # type: ignore[no-untyped-def]
    leafless, in_leaf = math.exp(log[0]), math.exp(log[1])
    if chord > 0.0:
        met, within, base, top = prism
        leafless, in_leaf = 0.0, 0.0
        for k in range(PATHS):
            slope = _slope_within(low, high, horizon[i], k)
            way = way_through(veils.found, met, within, base, top, slope)
            leafless += math.exp(log[0] * way / chord) * _weight(k)
            in_leaf += math.exp(log[1] * way / chord) * _weight(k)
    _add_veil(veils, i, low, high, leafless, in_leaf)
