"""Show: the map, the field sheet and the tables, written so that no file is ever half there."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from planner.show.folder import check_folder, write_folder

if TYPE_CHECKING:
    from planner.contract import ContractResult
    from planner.job import SiteResult

__all__ = ["check_folder", "write_contract", "write_folder", "write_site"]

SITE_FILES = ("map.html", "sheet.html", "mounts.gpkg", "mounts.csv", "result.json")


def write_site(result: SiteResult, folder: Path, force: bool = False) -> list[Path]:
    """Write `map.html`, `sheet.html`, `mounts.gpkg`, `mounts.csv` and `result.json` into `folder`, and
    `light.tif` where the plan asks for a light grid.

    Returns the files' paths. Raises OutputError where the folder cannot be written, or holds a file of one of
    these names that we did not make (or that was changed since) and `force` is not set.
    """
    # here, not above: folium and GeoPandas take a second to load, and only writers need them
    from planner.show.draw.map import site_page
    from planner.show.draw.sheet import sheet_page
    from planner.show.write.tables import light_tif, mounts_csv, mounts_gpkg, site_json

    return write_folder(
        folder,
        {
            "map.html": site_page(result),
            "sheet.html": sheet_page(result),
            "mounts.gpkg": mounts_gpkg(result),
            "mounts.csv": mounts_csv(result),
            "result.json": site_json(result),
            **({"light.tif": light_tif(result)} if result.light is not None else {}),
        },
        force,
    )


def write_contract(result: ContractResult, folder: Path, force: bool = False) -> list[Path]:
    """Write `map.html`, `sites.gpkg`, `sites.parquet`, `sites.csv` and `result.json`; as :func:`write_site`."""
    from planner.show.contract_files import write_result

    return write_result(result, folder, force)
