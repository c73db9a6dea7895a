"""All that is wrong with what a plan names, found before anything is decided."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner.climate.best import site_climate
from planner.layers.at_sites import read_climate, read_layer
from planner.layers.build import Faults, named_xy, read_contract_sites, read_site_keeping, with_named
from planner.layers.frame import lonlat_shapes
from planner.layers.source import locate
from planner.layers.weather import site_weather
from planner.ledger import Ledger, PlannerError
from planner.local_climate import table_of
from planner.plan import PlanFile
from planner.readings import QUANTITIES
from planner.site import Floats, Shapes


def check_inputs(plan_file: PlanFile, ledger: Ledger) -> list[PlannerError]:
    """All that is wrong with what a plan names: layers, mounts, contract sites, climate; empty if nothing is."""
    faults = Faults(keep=True)
    if plan_file.plan.layers is not None or plan_file.plan.contract is None:
        site = read_site_keeping(plan_file, ledger, faults)
        if site is not None:
            faults.attempt(named_xy, faults.attempt(with_named, plan_file, site, ledger) or plan_file, site)
            faults.attempt(site_weather, plan_file, site, ledger)
            outline = lonlat_shapes([site.outline], site.crs)
            _check_climate(plan_file, outline, np.array([site.elevation_m]), [site.name], ledger, faults)
    if plan_file.plan.contract is not None:
        sites = faults.attempt(read_contract_sites, plan_file, ledger)
        if sites is not None:
            _check_climate(
                plan_file, np.array(sites.shapes, object), sites.elevation_m, sites.names, ledger, faults
            )
    table = plan_file.plan.zone.table
    if table is not None and faults.attempt(locate, plan_file, "zone.table", table) is not None:
        faults.attempt(table_of, plan_file, ledger)
    return list(faults)


def _check_climate(
    plan_file: PlanFile, shapes: Shapes, elevation_m: Floats, names: Sequence[str], ledger: Ledger, faults: Faults
) -> None:
    layers, alone = {}, len(names) == 1
    for name, quantity in QUANTITIES.items():
        section = getattr(plan_file.plan.climate, name)
        if section is not None:
            key = f"climate.{name}"
            found = faults.attempt(
                read_layer, plan_file, key, section, quantity, shapes, ledger, strict=alone, names=names
            )
            if found is not None:
                layers[name] = found
    # the layers are good each by itself; are they together?
    given = [name for name in QUANTITIES if getattr(plan_file.plan.climate, name) is not None]
    if len(layers) == len(given):
        read = faults.attempt(read_climate, plan_file, shapes, ledger, names=names, layers=layers)
        if read is not None:
            faults.attempt(site_climate, plan_file.plan.climate, read, elevation_m, ledger)
