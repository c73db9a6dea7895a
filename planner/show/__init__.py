"""Show: the map, the field sheet and the tables, written so that no file is ever half there."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner.show.folder import Made, check_folder, own_folder, write_folder
from planner.show.write import typeset

if TYPE_CHECKING:
    from planner.contract import ContractResult
    from planner.job import SiteResult
    from planner.plan import Plan
    from planner.upkeep import ProgrammeResult, ReviewResult

__all__ = ["Made", "check_folder", "own_folder", "site_files", "write_contract", "write_folder", "write_site"]


def site_files(plan: Plan) -> list[str]:
    """What a site's folder may hold; a bill is written where there is something to install, the sheet as PDF where
    the extra `pdf` is installed.
    """
    return [
        "map.html",
        "sheet.html",
        *(["sheet.pdf"] if plan.outputs.sheet_pdf and typeset.available() else []),
        "mounts.gpkg",
        "mounts.csv",
        "result.json",
        *(f"places.{form}" for form in plan.outputs.places),
        *(f"bill.{form}" for form in plan.outputs.bill),
        *(["light.tif"] if plan.outputs.light_grid else []),
    ]


def write_site(result: SiteResult, folder: Path, force: bool = False) -> list[Path]:
    """Write the files of :func:`site_files`: map, sheet, tables, the places for phones and map programs, the bill
    where there is one, and the light where the plan asks for its grid.

    Parameters
    ----------
    result
        The site.
    folder
        Is made where it is not there.
    force
        Overwrite what is not ours.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds a file of one of these names that we did not make (or that was
        changed since) and `force` is not set.
    """
    # here, not above: folium and GeoPandas take a second to load, and only writers need them
    from planner.show.draw.map import site_page
    from planner.show.draw.sheet import sheet_page, sheets
    from planner.show.write import handout
    from planner.show.write.pdf import paper_of, typeset_sheets
    from planner.show.write.tables import light_tif, mount_rows, mounts_csv, mounts_gpkg, site_json

    there, rows = sheets(result), mount_rows(result)
    writers: dict[str, Callable[[SiteResult], bytes | None]] = {
        "map.html": site_page,
        "sheet.html": partial(sheet_page, there=there),
        "mounts.gpkg": partial(mounts_gpkg, rows=rows),
        "mounts.csv": partial(mounts_csv, rows=rows),
        "result.json": partial(site_json, rows=rows),
        "places.kml": handout.kml,
        "places.gpx": handout.gpx,
        "places.geojson": handout.geojson,
        "bill.csv": handout.bill_csv,
        "bill.xlsx": handout.bill_xlsx,
        "light.tif": light_tif,
    }
    wanted = dict.fromkeys([*site_files(result.plan), "light.tif"])  # the light is written where it was computed
    with ThreadPoolExecutor(1) as beside:  # the typesetter works outside Python's lock, while the rest is drawn
        if "sheet.pdf" in wanted:
            pdf = beside.submit(typeset_sheets, there, paper_of(result.plan), there[0].title)
            writers["sheet.pdf"] = lambda _: pdf.result()
        files = {name: write(result) for name, write in writers.items() if name in wanted}
    made = {name: content for name in wanted if (content := files[name]) is not None}
    return write_folder(folder, made, force, Made("site", result.origin))


def page(result: SiteResult | ContractResult | ProgrammeResult | ReviewResult) -> bytes:
    """The page that shows a result: what a notebook draws.

    Parameters
    ----------
    result
        Of any command.

    Returns
    -------
    bytes
        HTML in one piece, in UTF-8, that opens with no network.
    """
    from planner.show.draw.contract_map import contract_page
    from planner.show.draw.map import site_page
    from planner.show.draw.programming import programme_page
    from planner.show.draw.review import review_page

    draw: dict[str, Callable[[Any], bytes]] = {
        "SiteResult": site_page,
        "ContractResult": contract_page,
        "ProgrammeResult": programme_page,
        "ReviewResult": review_page,
    }
    return draw[type(result).__name__](result)


def write_contract(result: ContractResult, folder: Path, force: bool = False) -> list[Path]:
    """Write `map.html`, `sites.gpkg`, `sites.parquet`, `sites.csv` and `result.json` of a contract.

    Parameters
    ----------
    result
        The contract.
    folder
        Is made where it is not there.
    force
        Overwrite what is not ours.

    Returns
    -------
    list of Path
        What was written.

    Raises
    ------
    OutputError
        As :func:`write_site`.
    """
    from planner.show.contract_files import write_result

    return write_result(result, folder, force)
