"""Sun and shade at the size of a campus. Run: pytest tests/benchmarks --benchmark-only -s"""

import time
from dataclasses import replace

import numpy as np
import shapely
from plain_sun import plain_year_of_light
from test_hierarchy import in_full_sight, wood

from planner.cli import examples_folder
from planner.layers import named_xy, read_site
from planner.ledger import Ledger
from planner.mounts import find_mounts
from planner.plan import Mounts, read_plan
from planner.rain import rain_and_surroundings
from planner.site import Crowns, bare_site, no_crowns, prisms
from planner.siting import siting
from planner.sun import sun_table, year, year_of_light
from planner.sun.losses import day_of_sun
from planner.sun.sky import spread_sky
from planner.sun.water import eto_bias_from_eto


def campus(seed=4, buildings=200, trees=250):
    rng = np.random.default_rng(seed)
    corner, size = rng.uniform(-400, 400, (buildings, 2)), rng.uniform(15, 40, (buildings, 2))
    shapes = [
        shapely.affinity.rotate(shapely.box(*c, *(c + s)), a)
        for c, s, a in zip(corner, size, rng.uniform(0, 90, buildings), strict=True)
    ]
    crowns = Crowns(
        tuple(f"T{k}" for k in range(trees)),
        np.column_stack([rng.uniform(-400, 400, (trees, 2)), rng.uniform(4, 8, trees)]),
        rng.uniform(2, 5, trees),
        rng.uniform(2, 4, trees),
        rng.random(trees) < 0.5,
    )
    solids = prisms(shapes, np.full(buildings, -1.0), rng.uniform(4, 15, buildings))
    return bare_site(shapely.box(-450, -450, 450, 450), buildings=solids, crowns=crowns)


def test_campus_of_200_buildings_and_300_candidates(benchmark):
    """The whole year, every ten minutes of every day."""
    site = campus()
    mounts = find_mounts(site, Mounts(), 0.6)
    rows = np.random.default_rng(5).choice(len(mounts), 300, replace=False)

    def year():
        return year_of_light(site, mounts.xyz[rows], sun_table(site.latitude_deg, 0.0))

    result = benchmark.pedantic(year, rounds=1, iterations=1)
    assert result.light_share.shape == (300, 12)


def test_the_demo_campus_whole(benchmark):
    """Light, hours, losses, bias in ETo, siting classes, rain and surroundings of all candidates of the demo."""
    ledger = Ledger()
    source = read_plan(examples_folder() / "campus" / "campus.toml")
    site = read_site(source, ledger)
    mounts = find_mounts(site, source.plan.mounts, source.plan.sensor.mast_m, named_xy(source, site))
    eto, warm = np.linspace(2, 8, 12), np.linspace(5, 28, 12)

    def whole():
        sun = spread_sky(sun_table(site.latitude_deg, site.longitude_deg, site.elevation_m), "hay-davies")
        light = year_of_light(site, mounts.xyz, sun)
        rain = rain_and_surroundings(site, mounts.xyz)
        days = [day_of_sun(site, mounts.xyz[k], sun, np.ones(12, bool)) for k in range(0, len(mounts), 90)]
        bias = eto_bias_from_eto(light.light_share, eto, warm, site.latitude_deg, site.elevation_m)
        return light, rain, days, bias, siting(site, mounts.xyz, light, rain, np.ones(12, bool))

    whole()  # compiled code is loaded
    benchmark.pedantic(whole, rounds=3, iterations=1)
    print(f"\n{len(mounts)} candidates of the demo campus: {benchmark.stats.stats.min:.2f} s")


def test_every_half_metre_of_every_eave(benchmark):
    """Candidates by the ten thousand on the demo campus, the whole year at the sun's own azimuths."""
    source = read_plan(examples_folder() / "campus" / "campus.toml")
    site = read_site(source, Ledger())
    mounts = find_mounts(site, Mounts(spacing_m=0.5), 0.6)
    sun = sun_table(site.latitude_deg, site.longitude_deg, site.elevation_m)
    year_of_light(site, mounts.xyz[:20], sun)
    benchmark.pedantic(lambda: year_of_light(site, mounts.xyz, sun), rounds=1, iterations=1)
    took = benchmark.stats.stats.min
    print(
        f"\n{len(mounts):,} candidates half a metre apart: {took:.1f} s, {len(mounts) / took:,.0f} mounts a second"
    )


def test_compiled_against_plain(benchmark):
    """The same year of light, compiled on all cores, against the plain NumPy form."""
    site = campus()
    mounts = find_mounts(site, Mounts(), 0.6)
    some = mounts.xyz[np.random.default_rng(5).choice(len(mounts), 300, replace=False)]
    sun = sun_table(site.latitude_deg, 0.0)
    year_of_light(site, some[:1], sun)
    benchmark.pedantic(lambda: year_of_light(site, some, sun), rounds=3, iterations=1)
    start = time.perf_counter()
    plain_year_of_light(site, some[:20], sun)
    plain = (time.perf_counter() - start) / 20
    print(f"\nratio year_vs_plain {plain * 300 / benchmark.stats.stats.min:.0f}")


def test_crowns_by_the_ten_thousand(benchmark, monkeypatch):
    """20,000 crowns around 1,000 mounts, against none passed over for being low or far; and 300 against 30,000.

    Processor time; the first ratio less what the same scene takes without crowns. As thick as on a campus, with and
    without its buildings; behind these, few crowns are seen.
    """
    rng, sun = np.random.default_rng(8), sun_table(40.0, 0.0)
    mounts = np.column_stack([rng.uniform(-150, 150, (1000, 2)), rng.uniform(4, 14, 1000)])

    def spent(site, some):
        began = time.process_time()
        year_of_light(site, some, sun)
        return (time.process_time() - began) / len(some)

    def of_crowns(site, some):
        bare = replace(site, crowns=no_crowns())
        spent(bare, some[:2])
        return spent(site, some) - min(spent(bare, some) for _ in range(2))

    def both():
        for named, share in (("", 0.8), ("_in_the_open", 0.0)):
            site = wood(20_000, int(20_000 * share))
            quick = of_crowns(site, mounts)
            with monkeypatch.context() as every:
                every.setattr(year, "pack_boxes", in_full_sight)
                slow = of_crowns(site, mounts[:100])
            whole = [
                min(spent(wood(count, int(count * share)), mounts) for _ in range(2)) for count in (300, 30_000)
            ]
            print(f"\nratio crowns_vs_plain{named} {slow / max(quick, 1e-9):.1f}")
            print(f"ratio crowns_growth{named} {whole[1] / whole[0]:.2f}")

    benchmark.pedantic(both, rounds=1, iterations=1)
