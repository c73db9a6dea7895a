"""Show: pictures, map data, sheet, tables and safe writing, on a small scene run through the real rooms."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import io
import json
import os
import re
import sqlite3
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path

import geopandas
import numpy as np
import pandas
import pyogrio
import pytest
import shapely
from PIL import Image
from scipy.stats import norm

from planner.climate.answer import OneWay, SiteClimate, ZoneResult, ZoneTable
from planner.climate.answer import ClimatePicture
from planner.decide import decide
from planner.job import SiteResult
from planner.ledger import Exit, Kind, Notice, OutputError
from planner.mounts import find_mounts
from planner.plan import Plan
from planner.rain import rain_and_surroundings
from planner.reach import reach
from planner.show import folder as folder_room
from planner.show import palette, pictures, sheet, tables, words, write_folder, write_site
from planner.show import map as site_page
from planner.show.page import json_text, sealed
from planner.site import Crowns, Heights, KeepOut, KeepOuts, Places, bare_site, prisms
from planner.sun import sun_table, year_of_light

NASTY = (
    "<img src=x onerror=alert(1)>",
    "${alert(1)}",
    "a lone ${ here",
    r"C:\temp\new",
    "</script><script>alert(1)</script>",
    "{{ 7*7 }}",
    "{% raw %}",
    "it's \"quoted\" & 'so'",
    "two\nlines",
    "🌵 cactus",
    "שלום ירושלים",
    "<!-- <script>alert(1)//",
    "=HYPERLINK(1)",
)


def climate_of(names: tuple[str, ...] = ()) -> tuple[SiteClimate, ZoneResult]:
    """Invented climate of one site, zones by equal bands with a normal spread; labels may be given."""
    eto = np.array([[1.9, 2.6, 3.8, 5.0, 6.2, 7.1, 6.9, 6.3, 5.2, 3.7, 2.4, 1.7]])
    source = names[0] if names else "invented layer"
    climate = SiteClimate(
        eto,
        np.array([0.5]),
        ("ETo layer",),
        6 + 3.2 * eto,
        np.array([[30.0] * 4 + [4.0] * 5 + [25.0] * 3]),
        (source,),
    )
    edges = np.arange(9.0)
    labels = tuple(names[k % len(names)] if names else f"Band {k + 1}" for k in range(8))
    table = ZoneTable(
        labels,
        edges[:-1],
        np.append(edges[1:-1], np.inf),
        np.full(8, np.nan),
        np.full(8, np.nan),
        ("",) * 8,
        source,
    )

    def way(name: str, value: float, spread: float) -> OneWay:
        share = np.diff(norm.cdf(np.append(edges[:-1], np.inf), value, spread))[None, :]
        said = names[0] if names else f"{value} mm/day"
        return OneWay(
            name, np.array([value]), np.array([spread]), np.array([int(value)]), share / share.sum(), (said,)
        )

    ways = (
        way("peak-month ETo", 7.1, 0.5),
        way("hottest month's temperature", 6.6, 1.1),
        way("description of the climate", 7.0, 1.3),
    )
    p = ways[0].probability[0]
    order = np.argsort(-p)
    zone = ZoneResult(
        table,
        np.array([5]),
        np.array([7.1]),
        np.array([0.5]),
        order[:1],
        order[1:2],
        p[order[:1]],
        p[order[1:2]],
        ways,
        np.array([0]),
        np.array([False]),
        100 * eto / eto.max(),
    )
    return climate, zone


def scene(names: tuple[str, ...] = (), units: str = "us", latitude_deg: float = 33.4) -> SiteResult:
    """A yard with three buildings, trees of both kinds, each kind of keep-out and two controllers.

    names: texts to use for everything a user's file can name, in turn; plain names where none are given.
    """
    texts = iter(names * 40)

    def name(plain: str) -> str:
        return next(texts, plain) if names else plain

    turned = shapely.affinity.rotate(shapely.box(-45, -20, -15, 20), 20)
    ell = shapely.box(20, -30, 60, 30) - shapely.box(35, -10, 60, 30)
    x, y = np.meshgrid(np.arange(-300, 300, 10) + 5.0, np.arange(300, -300, -10) - 5.0)
    terrain = Heights(12 * np.exp(-((x + 250) ** 2 + y**2) / 2e4) + 0.01 * y, -300.0, 300.0, 10.0)
    site = bare_site(
        shapely.box(-90, -90, 90, 90),
        latitude_deg=latitude_deg,
        longitude_deg=-111.7,
        elevation_m=350.0,
        name=name("Larkmead yard"),
        terrain=terrain,
        buildings=prisms(
            [turned, ell, shapely.box(-20, 50, 10, 62)],
            [0.0, 0.0, 0.0],
            [7.0, 6.0, 14.0],
            [name("Hall"), name("Annexe"), name("Tower")],
        ),
        crowns=Crowns(
            (name("Oak"), name("Pine")),
            np.array([[-5.0, -30.0, 7.0], [12.0, -38.0, 6.0]]),
            np.array([4.0, 3.0]),
            np.array([4.0, 5.0]),
            np.array([False, True]),
        ),
        crown_prisms=prisms([shapely.box(65, -60, 75, -40)], [2.0], [8.0], [name("Hedge")]),
        crown_evergreen=np.array([True]),
        controllers=Places(
            (name("North controller"), name("South controller")),
            np.array([[0.0, 49.0, 1.5], [40.0, -70.0, 1.5]]),
            np.array([False, True]),
        ),
        poles=Places((name("Flagpole"),), np.array([[0.0, -75.0, 6.0]]), np.array([False])),
        keep_outs=KeepOuts(
            (name("Lawn spray"), name("Kitchen fan"), name("Plant yard")),
            (KeepOut.SPRAY, KeepOut.HEAT, KeepOut.NO_ACCESS),
            (shapely.box(-10, -85, 60, -65), shapely.box(45, -28, 50, -22), shapely.box(-60, -25, -40, -5)),
        ),
    )
    plan = Plan.model_validate(
        {
            "title": name("Larkmead sensor plan"),
            "units": units,
            "mounts": {"named": [{"name": name("My post"), "x": -111.6995, "y": latitude_deg, "height_m": 4.0}]},
        }
    )
    mounts = find_mounts(site, plan.mounts, plan.sensor.mast_m, np.array([[5.0, 0.0]]))
    climate, zone = climate_of(names)
    season = np.array([False, False] + [True] * 8 + [False, False])
    table = sun_table(latitude_deg, -111.7, 350.0, 20, 10)
    sun = year_of_light(site, mounts.xyz, table)
    wet = rain_and_surroundings(site, mounts.xyz)
    found = reach(site, mounts.xyz, mounts.height_m, plan.sensor.rated_range_m)
    decision = decide(plan, mounts, sun, wet, found, season)
    grid = np.linspace(4, 9, 60)[None, :] + np.linspace(0, 1.5, 40)[:, None]
    grid[:3, :4] = np.nan
    picture = ClimatePicture(grid, -112.5, latitude_deg - 0.5, -111.0, latitude_deg + 0.5, name("invented layer"))
    notices = (
        Notice(Kind.ASSUMED, name("buildings.gpkg"), "no height is given, the default stands in", (name("Shed"),)),
    )
    return SiteResult(
        plan,
        site,
        mounts,
        table,
        sun,
        wet,
        found,
        climate,
        zone,
        season,
        "months whose ETo exceeds rain",
        decision,
        picture,
        notices,
    )


@pytest.fixture(scope="module")
def yard() -> SiteResult:
    return scene()
