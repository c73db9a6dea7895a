"""A radio link from the side: ground, roofs, trees, the line of sight and the Fresnel zone round it."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from planner.reach.profile import BUILDING
from planner.reach.view import LinkView
from planner.show.draw import palette
from planner.show.draw.pictures import svg, text_at
from planner.show.say.links import piece_name
from planner.units import Units, length

WIDE, TALL, SIDE_L, SIDE_R, SIDE_T, SIDE_B = 440, 170, 42, 12, 16, 22


def side_view(view: LinkView, units: Units, names: tuple[str, str], said: str) -> Markup:
    """The link from the side: ground, roofs, crowns, the line of sight and the first Fresnel zone round it.

    names: of the mount and the controller; said: what the line meets.

    Heights are drawn larger than lengths, by the factor that the picture names.
    """
    share = np.linspace(0.0, 1.0, 81)
    line = view.head_m + share * (view.receiver_m - view.head_m)
    space = float(np.hypot(view.plan_m, view.head_m - view.receiver_m))
    radius = np.sqrt(view.wavelength_m * space * share * (1 - share))
    ground = view.ground[np.isfinite(view.ground[:, 1])]
    if not len(ground):
        ground = np.array(
            [[0.0, min(view.head_m, view.receiver_m)], [view.plan_m, min(view.head_m, view.receiver_m)]]
        )
    # a long line has more samples of the ground than the picture has points
    ground = ground[np.unique(np.linspace(0, len(ground) - 1, 160).astype(int))]
    high = max([view.head_m, *(p.top_m for p in view.pieces), float((line + radius).max())])
    low = float(ground[:, 1].min()) - 0.5
    high += 0.06 * (high - low)
    long = max(view.plan_m, 1.0)
    inner_w, inner_h = WIDE - SIDE_L - SIDE_R, TALL - SIDE_T - SIDE_B

    def x(at: float) -> float:
        return SIDE_L + at / long * inner_w

    def y(z: float) -> float:
        return SIDE_T + (high - max(z, low)) / (high - low) * inner_h

    out = [f'<rect x="{SIDE_L}" y="{SIDE_T}" width="{inner_w}" height="{inner_h}" fill="{palette.SKY}"/>']
    zone = [(x(s * long), y(z + r)) for s, z, r in zip(share, line, radius, strict=True)]
    zone += [(x(s * long), y(z - r)) for s, z, r in zip(share[::-1], line[::-1], radius[::-1], strict=True)]
    out.append(f'<path d="{_path(zone)}Z" fill="{palette.FRESNEL}" fill-opacity="0.75"/>')
    for p in view.pieces:
        left, right = x(p.start_m), max(x(p.stop_m), x(p.start_m) + 1.5)
        top, foot = y(p.top_m), y(max(p.base_m, low))
        if p.kind == BUILDING:
            fill = palette.HORIZON if p.in_the_way else palette.STONE[1]
            out.append(
                f'<rect x="{left:.1f}" y="{top:.1f}" width="{right - left:.1f}" height="{max(foot - top, 0):.1f}" '
                f'fill="{fill}" fill-opacity="0.9"/>'
            )
        else:
            out.append(
                f'<ellipse cx="{(left + right) / 2:.1f}" cy="{(top + foot) / 2:.1f}" rx="{(right - left) / 2:.1f}" '
                f'ry="{abs(foot - top) / 2:.1f}" fill="{palette.VEIL}" fill-opacity="0.75"/>'
            )
    earth = [(x(a), y(z)) for a, z in ground]
    base = TALL - SIDE_B
    out.append(
        f'<path d="{_path(earth)}L{earth[-1][0]:.1f},{base}L{earth[0][0]:.1f},{base}Z" fill="{palette.STONE[2]}" '
        f'stroke="{palette.HORIZON}" stroke-width="0.8"/>'
    )
    ends = (x(0.0), y(view.head_m), x(long), y(view.receiver_m))
    out.append(
        '<line x1="{:.1f}" y1="{:.1f}" x2="{:.1f}" y2="{:.1f}" '.format(*ends)
        + f'stroke="{palette.INK}" stroke-width="1.4" stroke-dasharray="5 3"/>'
        f'<circle cx="{ends[0]:.1f}" cy="{ends[1]:.1f}" r="4.5" fill="{palette.MARK}" stroke="#fff"/>'
        f'<rect x="{ends[2] - 4:.1f}" y="{ends[3] - 4:.1f}" width="8" height="8" '
        f'fill="{palette.INK}" stroke="#fff"/>'
    )
    taken: list[tuple[float, float]] = []
    for p in sorted((p for p in view.pieces if p.in_the_way), key=lambda p: p.start_m - p.stop_m):
        name = piece_name(p)
        middle, half = (x(p.start_m) + x(p.stop_m)) / 2, 3.1 * len(name[:22])
        middle = min(max(middle, SIDE_L + half), WIDE - SIDE_R - half)
        if all(middle + half < a or middle - half > b for a, b in taken):
            label = name if len(name) <= 22 else name[:21] + "…"
            out.append(text_at(middle, max(y(p.top_m) - 4, 11), label, size=11, halo=True))
            taken.append((middle - half, middle + half))
    for z in (low + 0.5, high):
        out.append(text_at(SIDE_L - 4, y(z) + 4, length(z - low - 0.5, units), anchor="end", size=11))
    out.append(text_at(SIDE_L, TALL - 6, "sensor", anchor="start", size=11.5))
    out.append(text_at(WIDE - SIDE_R, TALL - 6, "controller", anchor="end", size=11.5))
    stretch = (inner_h / (high - low)) / (inner_w / long)
    drawn = f"; heights × {stretch:.0f}" if stretch >= 1.5 else ""
    out.append(text_at(WIDE / 2, TALL - 6, f"{length(view.plan_m, units)} level{drawn}", size=11.5))
    alt = f"Side view from {names[0]} to {names[1]}, {length(view.plan_m, units)}: {said}."
    return svg(WIDE, TALL, "".join(out), alt, "side-view")


def _path(points: list[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{px:.1f},{py:.1f}" for px, py in points)
