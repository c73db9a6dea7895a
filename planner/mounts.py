"""Candidate mount points: on roof edges, wall tops, poles, open ground, or where the user points.

Nothing here knows the sun or the radio. A candidate that geometry alone rules out (no access, inside another
building, in a neighbour's keep-out) is kept and carries its reason, so that the map can say why.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from planner.site import Floats, Ints


class Support(StrEnum):
    PARAPET = "parapet"
    EAVE = "eave"
    WALL = "wall top"
    POLE = "pole"
    GROUND = "new post"
    NAMED = "named point"


@dataclass(frozen=True)
class Mounts:
    """Candidates, one row each (n).

    ids: short and stable ("R12-03"); support; on: what it is fixed to, in words ("Library, south wall").
    xyz: (n, 3) the sensor's head in the frame. height_m: (n,) head above the ground beneath.
    facing_deg: (n,) azimuth the edge or wall faces, NaN for poles and posts.
    building: (n,) row of the building that carries it, -1 for none.
    """

    ids: tuple[str, ...]
    support: tuple[Support, ...]
    on: tuple[str, ...]
    xyz: Floats
    height_m: Floats
    facing_deg: Floats
    building: Ints

    def __len__(self) -> int:
        return len(self.ids)
