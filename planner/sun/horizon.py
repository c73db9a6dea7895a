"""Where crowns stand against the sky, in the very directions that are asked for; and the directions themselves.

A crown's edges along an azimuth have a closed form::

            .-'''-.
           (   c   )
            '-...-'
    o----------|---------- azimuth

Angles are degrees at the faces and radians inside; azimuth is clockwise from north. A mount is (3,) east, north,
up in the site's frame. Azimuth lists are sorted once (:class:`Directions`), so that a crown touches only the
azimuths it spans. Prisms and rasters: `hierarchy` and `planner.ground`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.site import Crowns, Floats, Ints

TOUCH_M = 1e-6  # closer than this to an edge is on the edge


@dataclass(frozen=True)
class Directions:
    """Azimuths to look along, sorted: azimuth_deg (n,) ascending in 0..360, their sine and cosine.

    order: (n,) where each came from in the list the caller gave.
    """

    azimuth_deg: Floats
    sin: Floats
    cos: Floats
    order: Ints

    def __len__(self) -> int:
        return len(self.azimuth_deg)

    def unsort(self, values: Floats) -> Floats:
        """Values per sorted azimuth, back in the caller's order."""
        out = np.empty_like(values)
        out[self.order] = values
        return out


def directions(azimuth_deg: Floats) -> Directions:
    azimuth = np.asarray(azimuth_deg, float) % 360.0
    order = np.argsort(azimuth, kind="stable")
    azimuth = azimuth[order]
    return Directions(azimuth, np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth)), order)


def _azimuth(east: Floats, north: Floats) -> Floats:
    return np.degrees(np.arctan2(east, north)) % 360.0


def _spans(low_deg: Floats, width_deg: Floats, looks: Directions) -> tuple[Ints, Ints]:
    """Which azimuths lie in which half-open span [low, low + width): (rows of the spans, rows of the azimuths).

    A span may run over north.
    """
    high = low_deg + width_deg
    wrap = high > 360.0
    rows = np.arange(len(low_deg))
    # a span over north is its part up to 360 and its part from 0
    lows = np.concatenate([low_deg, np.zeros(wrap.sum())])
    highs = np.concatenate([np.where(wrap, np.inf, high), high[wrap] - 360.0])
    rows = np.concatenate([rows, rows[wrap]])
    first = np.searchsorted(looks.azimuth_deg, lows, side="left")
    count = np.searchsorted(looks.azimuth_deg, highs, side="left") - first
    owner = np.repeat(rows, count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return owner, np.repeat(first, count) + step


def crown_spans(mount: Floats, crowns: Crowns, looks: Directions) -> tuple[Ints, Ints, Floats, Floats]:
    """Where ellipsoid crowns stand: (crown row, azimuth row, tangent of lower edge, tangent of upper edge).

    One entry for each azimuth that a crown spans. The vertical plane along the azimuth cuts the ellipsoid in an
    ellipse with centre at d cos(delta) and half-axes R s, H s, with s^2 = 1 - (d sin(delta) / R)^2; its tangents
    from the mount are the roots m of (dz - m d)^2 = H^2 + m^2 R^2. Over a crown's inside the pair is -inf, inf.
    """
    offset = crowns.centre - mount
    away = np.hypot(offset[:, 0], offset[:, 1])
    over = away <= crowns.radius_m
    half = np.where(over, 180.0, np.degrees(np.arcsin(np.minimum(1.0, crowns.radius_m / np.maximum(away, 1e-9)))))
    bearing = _azimuth(offset[:, 0], offset[:, 1])
    owner, look = _spans((bearing - half) % 360.0, 2 * half, looks)
    delta = np.radians(looks.azimuth_deg[look] - bearing[owner])
    d, r, h, dz = (
        away[owner] * np.cos(delta),
        crowns.radius_m[owner],
        crowns.half_height_m[owner],
        offset[owner, 2],
    )
    s2 = np.maximum(0.0, 1.0 - (away[owner] * np.sin(delta) / r) ** 2)
    r2, h2 = r**2 * s2, h**2 * s2
    lead = d**2 - r2
    root = np.sqrt(np.maximum(0.0, (d * dz) ** 2 - lead * (dz**2 - h2)))
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = (d * dz - root) / lead, (d * dz + root) / lead
    # the plane's ellipse stands over the mount: from below it reaches the zenith, from inside it is all round
    beside = lead > 0
    within = (d**2 / np.maximum(r2, 1e-12) + dz**2 / np.maximum(h2, 1e-12)) <= 1.0
    under = ~beside & (dz > 0) & ~within
    rim = np.where(np.isfinite(high), np.maximum(low, high), np.inf)
    low = np.where(beside, low, np.where(within, -np.inf, np.where(under, rim, np.inf)))
    high = np.where(beside, high, np.where(within | under, np.inf, -np.inf))
    keep = high > low
    return owner[keep], look[keep], low[keep], high[keep]
