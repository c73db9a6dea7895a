"""A site with a few named points, judged: what the tests of `decide` and of its words share."""

from types import SimpleNamespace

import numpy as np

from planner import plan
from planner.decide import decide
from planner.mounts import find_mounts
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.sun import sun_table, year_of_light

TABLE = sun_table(35, 0, step_minutes=20, day_step=10)
SEASON = np.array([False] * 3 + [True] * 7 + [False] * 2)


def decided(site, points, season=SEASON, **keys):
    """Points are (name, x, y, height); keys: sections of the plan. As much of a result as a verdict needs."""
    named = tuple(plan.NamedMount(name=n, x=0, y=0, height_m=h) for n, _, _, h in points)
    mounts_keys = keys.pop("mounts", {})
    asked = plan.Plan(
        mounts=plan.Mounts(roof_edges=False, walls=False, poles=False, named=named, **mounts_keys), **keys
    )
    at = np.array([(x, y) for _, x, y, _ in points], float).reshape(-1, 2)
    mounts = find_mounts(site, asked.mounts, 0.6, at)
    light = year_of_light(site, mounts.xyz, TABLE)
    rain = rain_and_surroundings(site, mounts.xyz)
    reached = reach(site, mounts.xyz, mounts.height_m, asked)
    return SimpleNamespace(
        plan=asked,
        site=site,
        mounts=mounts,
        sun=light,
        rain=rain,
        reach=reached,
        room=reached.room,
        season=season,
        decision=decide(asked, mounts, light, rain, reached, season),
    )
