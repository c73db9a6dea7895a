"""Rasters as PNG for the map: climate, sunlight over the site, relief, what stands as cells, radio coverage."""

from __future__ import annotations

import base64
import dataclasses
import io
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from planner.climate.answer import ClimatePicture
from planner.reach.coverage import Coverage
from planner.show.draw import palette
from planner.site import Heights
from planner.sun.grid import LightGrid

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Move = Callable[[Floats], Floats]  # (n, 2) places from one frame to another
PACKED = 7  # of zlib's 1 to 9: its hardest took seven times as long for a tenth off a relief


@dataclasses.dataclass(frozen=True)
class Overlay:
    """A PNG for the map: data URI, and its edges in degrees."""

    uri: str
    west_deg: float
    south_deg: float
    east_deg: float
    north_deg: float

    @property
    def bounds(self) -> list[list[float]]:
        """Southwest and northeast corner, latitude first, as the map takes them."""
        return [[self.south_deg, self.west_deg], [self.north_deg, self.east_deg]]


def _mercator(latitude_deg: Floats | float) -> Floats:
    """Web Mercator's northing on a globe of radius 1."""
    return np.asarray(np.log(np.tan(np.pi / 4 + np.deg2rad(np.clip(latitude_deg, -85.0, 85.0)) / 2)))


def _even_rows(south_deg: float, north_deg: float, rows: int) -> Floats:
    """Latitudes of `rows` lines that are even on a Web Mercator map, northernmost first."""
    low, high = _mercator(south_deg), _mercator(north_deg)
    at = high - (np.arange(rows) + 0.5) / rows * (high - low)
    return np.asarray(np.rad2deg(2 * np.arctan(np.exp(at)) - np.pi / 2))


def climate_range(picture: ClimatePicture) -> tuple[float, float]:
    """Lowest and highest mm/day of the picture's colours: its own range, at least 1 mm/day wide."""
    known = picture.values[np.isfinite(picture.values)]
    if known.size == 0:
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    spare = max(0.0, 1.0 - (high - low)) / 2
    return max(low - spare, 0.0), high + spare


def climate_overlay(picture: ClimatePicture, most: int = 480) -> Overlay:
    """The climate picture in colours of our own, resampled to the map's projection (nearest cell)."""
    rows, cols = picture.values.shape
    south, north = max(picture.south_deg, -85.0), min(picture.north_deg, 85.0)
    # pixels as square as the map's, two or more to a cell
    height = float(_mercator(north) - _mercator(south)) / np.deg2rad(picture.east_deg - picture.west_deg)
    longest = min(max(2 * max(rows, cols), 64), most)
    wide = max(round(longest / max(height, 1.0)), 8)
    tall = max(round(wide * height), 8)
    latitude = _even_rows(south, north, tall)
    row = (picture.north_deg - latitude) / (picture.north_deg - picture.south_deg) * rows
    col = (np.arange(wide) + 0.5) / wide * cols
    pick = np.ix_(np.clip(row.astype(int), 0, rows - 1), np.clip(col.astype(int), 0, cols - 1))
    value = picture.values[pick]
    alpha = np.where(np.isfinite(value), 255, 0).astype(np.uint8)
    rgba = np.dstack([palette.ramp_rgb(palette.DRY, palette.dryness(value)), alpha])
    return Overlay(_png(rgba), picture.west_deg, south, picture.east_deg, north)


def light_range(grid: LightGrid) -> tuple[float, float]:
    """Least and most share of light for the colours of every month's picture: tenths, and the whole at the top."""
    known = grid.light_share[np.isfinite(grid.light_share)]
    return (min(0.9, float(np.floor(known.min() * 10) / 10)) if known.size else 0.0), 1.0


def light_overlay(
    grid: LightGrid,
    season: Bools,
    to_degrees: Move,
    to_metres: Move,
    most: int = 900,
    *,
    month: int | None = None,
) -> Overlay:
    """Share of light kept in a month (0 to 11), or in the worst irrigation month without one, cell by cell,
    resampled to the map's projection: 8 bits a pixel, of which 0 is outside the site."""
    told = grid.worst(season) if month is None else grid.light_share[:, :, month]
    rows, cols = told.shape
    east, south = grid.left_m + cols * grid.cell_m, grid.top_m - rows * grid.cell_m
    corners = to_degrees(np.array([[x, y] for x in (grid.left_m, east) for y in (south, grid.top_m)]))
    (lon0, lat0), (lon1, lat1) = corners.min(axis=0), corners.max(axis=0)
    grow = min(3.0, most / max(rows, cols))  # several pixels a cell, so that its edges stay where they are
    wide, tall = max(int(cols * grow), 8), max(int(rows * grow), 8)
    lon, lat = np.meshgrid(lon0 + (np.arange(wide) + 0.5) / wide * (lon1 - lon0), _even_rows(lat0, lat1, tall))
    xy = to_metres(np.column_stack([lon.ravel(), lat.ravel()]))
    col = np.floor((xy[:, 0] - grid.left_m) / grid.cell_m).astype(int)
    row = np.floor((grid.top_m - xy[:, 1]) / grid.cell_m).astype(int)
    inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
    flat = np.full(len(xy), np.nan)
    flat[inside] = told[row[inside], col[inside]]
    value = flat.reshape(tall, wide)
    low, high = light_range(grid)
    share = np.clip((high - np.nan_to_num(value)) / (high - low), 0, 1)
    level = np.where(np.isfinite(value), 1 + np.round(share * 254), 0).astype(np.uint8)
    colours = np.vstack([[0, 0, 0], palette.ramp_rgb(palette.SHADE, np.arange(255) / 254)]).astype(np.uint8)
    picture = Image.fromarray(level, "P")
    picture.putpalette(colours.tobytes())
    return Overlay(_png(picture, transparency=0), float(lon0), float(lat0), float(lon1), float(lat1))


def coverage_overlay(cover: Coverage, to_degrees: Move, to_metres: Move, most: int = 700) -> Overlay:
    """Grade of a receiver outdoors, cell by cell, in the colours of the grades."""
    grid = cover.margin_db
    rows, cols = cover.grade.shape
    east, south = grid.left_m + cols * grid.cell_m, grid.top_m - rows * grid.cell_m
    corners = to_degrees(np.array([[x, y] for x in (grid.left_m, east) for y in (south, grid.top_m)]))
    (lon0, lat0), (lon1, lat1) = corners.min(axis=0), corners.max(axis=0)
    wide, tall = min(2 * cols, most), min(2 * rows, most)
    lon, lat = np.meshgrid(lon0 + (np.arange(wide) + 0.5) / wide * (lon1 - lon0), _even_rows(lat0, lat1, tall))
    xy = to_metres(np.column_stack([lon.ravel(), lat.ravel()]))
    col = np.floor((xy[:, 0] - grid.left_m) / grid.cell_m).astype(int)
    row = np.floor((grid.top_m - xy[:, 1]) / grid.cell_m).astype(int)
    inside = (col >= 0) & (col < cols) & (row >= 0) & (row < rows)
    grade = np.where(inside, cover.grade[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)], -1)
    colours = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in palette.LINK], np.uint8)
    alpha = np.where(grade >= 0, 255, 0).reshape(tall, wide)
    pixels = np.dstack([colours[np.clip(grade, 0, 3)].reshape(tall, wide, 3), alpha]).astype(np.uint8)
    return Overlay(_png(pixels), float(lon0), float(lat0), float(lon1), float(lat1))


def hillshade(
    terrain: Heights,
    bounds_m: tuple[float, float, float, float],
    to_degrees: Callable[[Floats], Floats],
    to_metres: Callable[[Floats], Floats],
    pixels: int = 520,
) -> Overlay | None:
    """Shaded relief under `bounds_m` (west, south, east, north in the frame), light from the north-west.

    Dark and light veils only, so that paper and colours stay as they are; its edges fade out. None where the
    terrain is flat or does not reach there. A picture, not a measurement: slopes are drawn steeper than they are.
    """
    west, south, east, north = bounds_m
    corners = to_degrees(np.array([[west, south], [west, north], [east, south], [east, north]]))
    (lon0, lat0), (lon1, lat1) = corners.min(axis=0), corners.max(axis=0)
    size = pixels / max(east - west, north - south)
    wide, tall = max(int((east - west) * size), 16), max(int((north - south) * size), 16)
    lon, lat = np.meshgrid(lon0 + (np.arange(wide) + 0.5) / wide * (lon1 - lon0), _even_rows(lat0, lat1, tall))
    xy = to_metres(np.column_stack([lon.ravel(), lat.ravel()])).reshape(tall, wide, 2)
    known = np.isfinite(terrain.at(xy))
    if not known.any() or np.nanmax(terrain.at(xy)) - np.nanmin(terrain.at(xy)) < 0.5:
        return None
    # slopes of the cells, then smooth between them: facets of the heights themselves would show as stripes
    down, right = (np.asarray(g) for g in np.gradient(terrain.values, terrain.cell_m))
    east_up = np.nan_to_num(dataclasses.replace(terrain, values=right).at(xy))
    north_up = np.nan_to_num(dataclasses.replace(terrain, values=-down).at(xy))  # rows run south
    steep = np.quantile(np.hypot(north_up, east_up), 0.95)
    lift = float(np.clip(0.35 / max(steep, 1e-6), 1.0, 8.0))
    # Lambert: unit normal times a light at azimuth 315, elevation 45; level ground gives sin 45
    level = np.sqrt(0.5)
    nx, ny = -east_up * lift, -north_up * lift
    light = (-nx * 0.5 + ny * 0.5 + level) / np.sqrt(nx**2 + ny**2 + 1)
    veil = np.clip((light - level) / level, -1, 1)
    fade = _fade(tall, wide)
    alpha = np.where(veil < 0, -veil * 120, veil * 150) * fade * known
    grey = np.where(veil < 0, 45, 255)
    return Overlay(_png(np.dstack([grey, np.round(alpha)]).astype(np.uint8)), lon0, lat0, lon1, lat1)


def standing_overlay(
    heights: Heights,
    ground_m: Move,
    bounds_m: tuple[float, float, float, float],
    to_degrees: Move,
    to_metres: Move,
    colour: str,
    pixels: int = 700,
) -> Overlay | None:
    """What the cells of a raster show above the ground within `bounds_m`, the denser the higher, to 20 m.

    ground_m: height that the raster has where nothing stands. None where it shows nothing of 2 m.
    """
    west, south, east, north = bounds_m
    corners = to_degrees(np.array([[west, south], [west, north], [east, south], [east, north]]))
    (lon0, lat0), (lon1, lat1) = corners.min(axis=0), corners.max(axis=0)
    size = min(pixels / max(east - west, north - south), 3.0 / heights.cell_m)
    wide, tall = max(int((east - west) * size), 16), max(int((north - south) * size), 16)
    lon, lat = np.meshgrid(lon0 + (np.arange(wide) + 0.5) / wide * (lon1 - lon0), _even_rows(lat0, lat1, tall))
    xy = to_metres(np.column_stack([lon.ravel(), lat.ravel()]))
    above = np.nan_to_num(heights.cell_at(xy) - ground_m(xy)).reshape(tall, wide)
    if above.max() < 2.0:
        return None
    alpha = np.where(above >= 2.0, 70 + 130 * np.clip(above / 20.0, 0, 1), 0)
    rgb = np.broadcast_to([int(colour[i : i + 2], 16) for i in (1, 3, 5)], (tall, wide, 3))
    return Overlay(_png(np.dstack([rgb, np.round(alpha)]).astype(np.uint8)), lon0, lat0, lon1, lat1)


def _fade(rows: int, cols: int, share: float = 0.12) -> Floats:
    """1 in the middle, falling to 0 at the edges."""

    def edge(n: int) -> Floats:
        at = (np.arange(n) + 0.5) / n
        return np.clip(np.minimum(at, 1 - at) / share, 0, 1)

    return np.outer(edge(rows), edge(cols))


def _png(pixels: NDArray[np.uint8] | Image.Image, **settings: int) -> str:
    stream = io.BytesIO()
    picture = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    picture.save(stream, "PNG", compress_level=PACKED, **settings)
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode()
