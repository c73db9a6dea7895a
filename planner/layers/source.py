"""Where a layer's file is, and which CRS it is in: the questions that vector layers and rasters share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from planner.layers.frame import WGS84, apart_m, horizontal, project
from planner.ledger import DataError, Kind, Ledger, PlanError, offered
from planner.plan import PlanFile
from planner.site import EARTH_RADIUS_M, Bools, Floats

AREA_MARGIN_DEG = 5.0  # data often run a little beyond the area a CRS was made for


def locate(plan_file: PlanFile, key: str, text: str) -> Path:
    """The file that the plan names.

    Parameters
    ----------
    plan_file
        From whose folder paths start.
    key
        Where it is named, for messages.
    text
        The path as the plan has it.

    Returns
    -------
    Path
        Of a file or folder that is there.

    Raises
    ------
    PlanError
        It is missing; with the nearest name in that folder.
    """
    path = plan_file.file(key, text)
    if path.exists():
        return path
    where = f"{plan_file.path}: {key}"
    if not path.parent.is_dir():
        raise PlanError(
            where,
            f"there is no file {path}, and no folder {path.parent}",
            "Paths start from the plan file's own folder",
        )
    there = [p.name for p in sorted(path.parent.iterdir()) if not p.name.startswith(".")]
    raise PlanError(where, f"there is no file {path}", offered("In that folder", path.name, there))


def files_state(plan_file: PlanFile, text: str) -> list[list[int]]:
    """Size and time of the files that a plan's path stands for.

    Parameters
    ----------
    plan_file
        From whose folder paths start.
    text
        The path as the plan has it; one with {mon}, {mm} or {m} stands for a file a month.

    Returns
    -------
    list
        [bytes, nanoseconds] of each file, by name; empty where there is none.
    """
    path = plan_file.file("path", text)
    pattern = path.name
    for month in ("{mon}", "{mm}", "{m}"):
        pattern = pattern.replace(month, "*")
    found = sorted(path.parent.glob(pattern)) if path.parent.is_dir() else []
    return [[p.stat().st_size, p.stat().st_mtime_ns] for p in found]


def settle_crs(
    plan_file: PlanFile, key: str, where: str, stated: str | None, found: object, sample: Floats, ledger: Ledger
) -> CRS:
    """The CRS of a layer: the plan's word, else the file's own; never a guess.

    found: what the file says (text that PROJ reads, or None); sample: (n, 2) some of its coordinates.
    Raises PlanError for a CRS that PROJ does not know, DataError where there is none.
    """
    own = None
    if found:
        try:
            own = horizontal(CRS.from_user_input(found))
        except CRSError:
            own = None
    if own is not None and not on_earth(own):
        own = None
    if stated is None:
        if own is not None:
            return own
        # one slip of the pen does not hide what the rest are
        degrees = len(sample) and np.mean((np.abs(sample) <= (180, 90)).all(axis=1)) > 0.5
        raise DataError(
            where,
            "the file does not say which coordinate reference system (CRS) it is in",
            f'Ask who made it, and write it in the plan as {key}.crs = "EPSG:..."'
            + (
                f". The coordinates ({span(sample)}) look like degrees: if they are longitude and latitude of GPS "
                'or a web map, it is "EPSG:4326"'
                if degrees
                else ""
            ),
        )
    try:
        said = horizontal(CRS.from_user_input(stated))
    except CRSError:
        stated = stated if len(stated) < 100 else f"{stated[:100]}..."
        raise PlanError(
            f"{plan_file.path}: {key}.crs",
            f"'{stated}' is not a CRS that PROJ knows",
            "Write it as an EPSG code, for example EPSG:4326 or EPSG:2278",
        ) from None
    if not on_earth(said):
        raise PlanError(
            f"{plan_file.path}: {key}.crs",
            f"'{stated}' ({said.name}) has no place on the earth's map",
            "Give a geographic or projected CRS",
        )
    if own is not None and not own.equals(said, ignore_axis_order=True):
        apart = _apart(sample, own, said)
        if not apart < 0.5:  # an unknown distance counts as a difference
            ledger.add(
                Kind.CHECK,
                where,
                f"the file says its CRS is {label(own)}, the plan says {label(said)}: the plan's is used"
                + (f" ({ledger.distance(apart)} apart here)" if np.isfinite(apart) else ""),
            )
    return said


def on_earth(crs: CRS) -> bool:
    """False for local drawings' axes, earth-centred axes, other planets, and the placeholders for 'unknown'."""
    round_it = crs.ellipsoid is not None and abs(crs.ellipsoid.semi_major_metre / EARTH_RADIUS_M - 1.0) < 0.01
    placed = crs.is_geographic or crs.is_projected
    return bool(placed and round_it and not crs.name.lower().startswith("undefined"))


def _apart(sample: Floats, one: CRS, other: CRS) -> float:
    ends = [project(sample[:1], crs, WGS84) for crs in (one, other)]
    if not len(sample) or not all(np.isfinite(e).all() for e in ends):
        return float("nan")
    return float(apart_m(ends[0], ends[1])[0])


def label(crs: CRS) -> str:
    """'EPSG:2278 (NAD83 / Texas South Central (ftUS))', or the name alone."""
    code = crs.to_authority(min_confidence=100)
    return f"{code[0]}:{code[1]} ({crs.name})" if code else crs.name


def span(xy: Floats) -> str:
    """The range of coordinates in words."""
    xy = xy[np.isfinite(xy).all(axis=1)] if len(xy) else xy
    if not len(xy):
        return "no finite coordinates"
    (x0, y0), (x1, y1) = xy.min(axis=0), xy.max(axis=0)
    return f"x from {x0:.6g} to {x1:.6g}, y from {y0:.6g} to {y1:.6g}"


def place(lonlat: Floats) -> str:
    """'57.7 N, 12.0 E' of one point."""
    lon, lat = float(lonlat[0]), float(lonlat[1])
    return f"{abs(lat):.2f} {'N' if lat >= 0 else 'S'}, {abs(lon):.2f} {'E' if lon >= 0 else 'W'}"


def sentence(words: str) -> str:
    """With a capital at the front; the rest as it is, for names stand in it."""
    return words[:1].upper() + words[1:]


MOST = 0.9  # of the points, where a slip here and there must not hide what the rest are


def look_like_degrees(xy: Floats) -> bool:
    return bool(len(xy) and (np.abs(xy) <= (180, 90)).all(axis=1).mean() > MOST)


def fits(xy: Floats, crs: CRS) -> Bools:
    """Which points (n, 2) can be points of this CRS: on the earth, and in or near the area it was made for."""
    xy = np.asarray(xy, float)
    lonlat = project(xy, crs, WGS84)
    good = np.isfinite(xy).all(axis=1) & np.isfinite(lonlat).all(axis=1)
    if crs.is_geographic:
        degrees = np.degrees(xy * crs.axis_info[0].unit_conversion_factor)
        good &= (np.abs(degrees) <= (360, 90 + 1e-9)).all(axis=1)
    if crs.area_of_use is not None:
        if not crs.is_geographic and good.any() and (np.abs(xy[good]) <= 180).all(axis=1).mean() > MOST:
            # degrees, in either order: the origin of a published CRS is nowhere near its area
            return np.zeros(len(xy), bool)
        good &= _within_area(lonlat, crs, AREA_MARGIN_DEG)
    return np.asarray(good)


def _within_area(lonlat: Floats, crs: CRS, margin_deg: float) -> Bools:
    west, south, east, north = crs.area_of_use.bounds
    width = (east - west) % 360 or 360.0  # an area may run across the antimeridian
    with np.errstate(invalid="ignore"):  # what is off the earth is in no area
        from_west = (lonlat[:, 0] - west + margin_deg) % 360
    in_lon = from_west <= width + 2 * margin_deg if width + 2 * margin_deg < 360 else np.isfinite(from_west)
    return np.asarray(in_lon & (lonlat[:, 1] >= south - margin_deg) & (lonlat[:, 1] <= north + margin_deg))


def beyond_area(xy: Floats, crs: CRS) -> bool:
    """True where all points lie outside the area of use proper (they may still pass :func:`fits`)."""
    if crs.area_of_use is None or not len(xy):
        return False
    return not _within_area(project(xy, crs, WGS84), crs, 0.0).any()


def misfit(xy: Floats, crs: CRS) -> tuple[str, str]:
    """What is wrong, and what to do, where no point of a layer fits its CRS."""
    seen = span(xy)
    finite = xy[np.isfinite(xy).all(axis=1)]
    if len(finite) < len(xy):
        return f"some of the coordinates are no finite numbers (the others: {seen})", "Mend them in a GIS"
    area = f": {crs.area_of_use.name.rstrip('.')}" if crs.area_of_use is not None else ""
    if crs.is_geographic:
        what = f"the coordinates ({seen}) are off the earth for {label(crs)}, whose units are degrees"
        if not (np.abs(finite) <= 400).all():
            return what, "They look like metres or feet of a projected CRS: find out which, and state it as `crs`"
        if look_like_degrees(finite):
            what = f"the coordinates ({seen}) lie outside the area of {label(crs)}{area}"
        return what, "Check the CRS, and whether x is the longitude and y the latitude"
    if (np.abs(finite) <= 180).all(axis=1).mean() > MOST:
        return (
            f"the coordinates ({seen}) look like degrees, but {label(crs)} is in {crs.axis_info[0].unit_name}",
            'If they are longitude and latitude, state crs = "EPSG:4326"',
        )
    return (
        f"the coordinates ({seen}) lie outside the area of {label(crs)}{area}",
        "Check the CRS: the zone, the units (metres or feet) and the order of x and y",
    )
