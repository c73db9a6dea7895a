"""noonmark: where the weather sensor goes, and which climate zone the site is in.

>>> import planner
>>> result = planner.run_site("campus.toml")  # doctest: +SKIP
>>> result.mounts_table()  # doctest: +SKIP
>>> planner.write_site(result, "out")  # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

from planner import notebook
from planner.ledger import DataError, Ledger, Notice, OutputError, PlanError, PlannerError

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from planner.contract import ContractResult
    from planner.job import SiteResult
    from planner.plan import PlanFile, read_plan
    from planner.upkeep import ProgrammeResult, ReviewResult

    AnyPlan: TypeAlias = PlanFile | str | Path | Mapping[str, Any]

__version__ = "0.1.0"
__all__ = [
    "DataError",
    "Ledger",
    "Notice",
    "OutputError",
    "PlanError",
    "PlanFile",
    "PlannerError",
    "check",
    "read_plan",
    "run_contract",
    "run_programme",
    "run_review",
    "run_site",
    "write_contract",
    "write_programme",
    "write_review",
    "write_site",
]

# The rooms are imported when called: reading a plan should not wait for GDAL and pvlib to load, nor the import of
# this for NumPy and pydantic.


def __getattr__(name: str) -> Any:
    if name in ("PlanFile", "read_plan"):
        from planner import plan

        return getattr(plan, name)
    raise AttributeError(f"module '{__name__}' has no attribute '{name}'")


def _page(result: Any) -> bytes:
    from planner.show import page

    return page(result)


notebook.drawn_by |= dict.fromkeys(("SiteResult", "ContractResult", "ProgrammeResult", "ReviewResult"), _page)


def run_site(
    plan: AnyPlan,
    frames: Mapping[str, GeoDataFrame] | None = None,
    *,
    ledger: Ledger | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> SiteResult:
    """Decide one site: where the sensor goes, and in which climate zone the site is.

    Parameters
    ----------
    plan : PlanFile, str, Path or mapping
        The plan as :func:`read_plan` gives it, its file, or its keys as a mapping of mappings;
        examples/plan-keys.md lists every key with its unit.
    frames : mapping of str to geopandas.GeoDataFrame, optional
        Layers in place of files, by their names in the plan: `site`, `buildings`, `trees`, `controllers`,
        `poles`, `keep_outs`, `grounds`. Any CRS, in which it is given; the plan's other keys of that layer (which
        column holds the height, in which unit) hold as for a file.
    ledger : Ledger, optional
        Takes what was repaired, assumed or left out while that happens.
    progress : callable, optional
        Called with (what is being done, done, total).

    Returns
    -------
    planner.job.SiteResult
        With `mounts_table()` and `controllers_table()` as GeoDataFrames, `decision` in codes and numbers,
        `zone`, `notices`.

    Raises
    ------
    PlanError
        The plan is faulty, or a file, layer or column that it names is not there.
    DataError
        A layer holds something that cannot be used; the message names file, feature and what to do.

    Examples
    --------
    >>> import geopandas, planner, shapely
    >>> lot = geopandas.GeoDataFrame(geometry=[shapely.box(0, 0, 120, 90)], crs="EPSG:32612")
    >>> hall = geopandas.GeoDataFrame({"top": [6.0]}, geometry=[shapely.box(40, 30, 70, 50)], crs="EPSG:32612")
    >>> move = {"xoff": 420_000, "yoff": 3_700_000}  # somewhere in Arizona
    >>> frames = {"site": lot.translate(**move).to_frame("geometry"), "buildings": hall}
    >>> frames["buildings"].geometry = hall.translate(**move)
    >>> plan = {"layers": {"buildings": {"height": "top"}}, "sun": {"step_minutes": 60, "day_step": 15}}
    >>> result = planner.run_site(plan, frames)
    >>> result.mounts_table().loc["R1-1", ["support", "fixed_to", "height_m", "passes_full_sun"]].to_dict()
    {'support': 'parapet', 'fixed_to': '#1', 'height_m': 6.6, 'passes_full_sun': True}
    >>> int(result.zone.peak_month[0]) + 1
    6
    """
    from planner import job
    from planner.frames import opened

    with opened(plan, frames) as plan_file:
        return job.run_site(plan_file, ledger if ledger is not None else Ledger(plan_file.plan.units), progress)


def run_contract(
    plan: AnyPlan,
    frames: Mapping[str, GeoDataFrame] | None = None,
    *,
    ledger: Ledger | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> ContractResult:
    """Give every site of a contract its climate zone.

    Parameters
    ----------
    plan : PlanFile, str, Path or mapping
        As :func:`run_site` takes it.
    frames : mapping of str to geopandas.GeoDataFrame, optional
        `sites`: polygons or points in place of the plan's `contract.sites`.
    ledger : Ledger, optional
        Takes what was repaired, assumed or left out.
    progress : callable, optional
        Called with (sites done, sites in all).

    Returns
    -------
    planner.contract.ContractResult
        With `sites_table()` as a GeoDataFrame.

    Raises
    ------
    PlanError
        The plan is faulty, or what it names is not there.
    DataError
        A layer cannot be used, or no site can; a single bad site is left out and listed.

    Examples
    --------
    >>> import geopandas, planner, shapely
    >>> places = {"Maricopa": (-112.0, 33.4), "Bozeman": (-111.0, 45.7)}
    >>> points = [shapely.Point(at) for at in places.values()]
    >>> sites = geopandas.GeoDataFrame({"name": list(places)}, geometry=points, crs="EPSG:4326")
    >>> found = planner.run_contract({"contract": {"sites": {"name": "name"}}}, {"sites": sites})
    >>> found.sites_table()[["name", "peak_month"]].to_dict("list")
    {'name': ['Maricopa', 'Bozeman'], 'peak_month': [6, 7]}
    """
    from planner import batches
    from planner.frames import opened

    with opened(plan, frames) as plan_file:
        return batches.run_contract(
            plan_file, ledger if ledger is not None else Ledger(plan_file.plan.units), progress
        )


def check(
    plan: AnyPlan, frames: Mapping[str, GeoDataFrame] | None = None, *, ledger: Ledger | None = None
) -> list[PlannerError]:
    """Read all that a plan names; decide and write nothing.

    Parameters
    ----------
    plan, frames
        As :func:`run_site` takes them.
    ledger : Ledger, optional
        Takes what would be repaired, assumed or left out.

    Returns
    -------
    list of PlannerError
        What would be refused, none where all can be used.

    Raises
    ------
    PlanError
        The plan itself is faulty.

    Examples
    --------
    >>> import planner
    >>> [error.what for error in planner.check({"layers": {"site": {"path": "nowhere.gpkg"}}})]
    ['there is no file ...nowhere.gpkg']
    """
    from planner import preflight
    from planner.frames import opened

    with opened(plan, frames) as plan_file:
        return preflight.check_inputs(plan_file, ledger if ledger is not None else Ledger(plan_file.plan.units))


def write_site(result: SiteResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write map, field sheet and tables of one site.

    Parameters
    ----------
    result : planner.job.SiteResult
        What :func:`run_site` returned.
    folder : str or Path
        Made where it is not there.
    force : bool
        Overwrite files that are not ours, or that were changed since.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds files that are not ours.

    Examples
    --------
    >>> import planner
    >>> planner.write_site(planner.run_site("campus.toml"), "out")  # doctest: +SKIP
    """
    from planner import show

    return show.write_site(result, Path(folder), force)


def write_contract(result: ContractResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write map and tables of a contract.

    Parameters
    ----------
    result : planner.contract.ContractResult
        What :func:`run_contract` returned.
    folder : str or Path
        Made where it is not there.
    force : bool
        Overwrite files that are not ours, or that were changed since.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds files that are not ours.

    Examples
    --------
    >>> import planner
    >>> planner.write_contract(planner.run_contract("contract.toml"), "out")  # doctest: +SKIP
    """
    from planner import show

    return show.write_contract(result, Path(folder), force)


def run_programme(
    plan: AnyPlan,
    frames: Mapping[str, GeoDataFrame] | None = None,
    *,
    ledger: Ledger | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> ProgrammeResult:
    """Base run times for the peak month, the year ahead, the first day, and what was built.

    Parameters
    ----------
    plan : PlanFile, str, Path or mapping
        As :func:`run_site` takes it; it names a station table in `programme.stations`.
    frames : mapping of str to geopandas.GeoDataFrame, optional
        As :func:`run_site` takes them.
    ledger : Ledger, optional
        Takes what was repaired, assumed or left out.
    progress : callable, optional
        Called with (what is being done, done, total).

    Returns
    -------
    planner.upkeep.ProgrammeResult
        `base` (minutes, mm, L/min by station), `year`, `first`, `built` and `notices`.

    Raises
    ------
    PlanError, DataError
        As :func:`run_site`, and for a station table that cannot be used.

    Examples
    --------
    >>> import planner
    >>> planner.run_programme("campus.toml").base  # doctest: +SKIP
    """
    from planner import upkeep
    from planner.frames import opened

    with opened(plan, frames) as plan_file:
        heard = ledger if ledger is not None else Ledger(plan_file.plan.units)
        return upkeep.run_programme(plan_file, heard, progress)


def run_review(
    plan: AnyPlan,
    log: str | Path,
    frames: Mapping[str, GeoDataFrame] | None = None,
    *,
    ledger: Ledger | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> ReviewResult:
    """A controller's log (CSV or XLSX) against what the weather of its days should have made of it.

    Parameters
    ----------
    plan : PlanFile, str, Path or mapping
        As :func:`run_site` takes it.
    log : str or Path
        The log's file.
    frames : mapping of str to geopandas.GeoDataFrame, optional
        As :func:`run_site` takes them.
    ledger : Ledger, optional
        Takes what was repaired, assumed or left out.
    progress : callable, optional
        Called with (what is being done, done, total).

    Returns
    -------
    planner.upkeep.ReviewResult
        `review` holds the limit, the findings and the days that were judged.

    Raises
    ------
    PlanError, DataError
        As :func:`run_site`, and for a log or a weather file that cannot be used.

    Examples
    --------
    >>> import planner
    >>> planner.run_review("campus.toml", "log.csv").review  # doctest: +SKIP
    """
    from planner import upkeep
    from planner.frames import opened

    with opened(plan, frames) as plan_file:
        heard = ledger if ledger is not None else Ledger(plan_file.plan.units)
        return upkeep.run_review(plan_file, Path(log), heard, progress)


def write_programme(result: ProgrammeResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write the programming sheet and its tables.

    Parameters
    ----------
    result : planner.upkeep.ProgrammeResult
        What :func:`run_programme` returned.
    folder : str or Path
        Made where it is not there.
    force : bool
        Overwrite files that are not ours, or that were changed since.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds files that are not ours.

    Examples
    --------
    >>> import planner
    >>> planner.write_programme(planner.run_programme("campus.toml"), "out")  # doctest: +SKIP
    """
    from planner.show.write import upkeep

    return upkeep.write_programme(result, Path(folder), force)


def write_review(result: ReviewResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write the review's page and tables.

    Parameters
    ----------
    result : planner.upkeep.ReviewResult
        What :func:`run_review` returned.
    folder : str or Path
        Made where it is not there.
    force : bool
        Overwrite files that are not ours, or that were changed since.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds files that are not ours.

    Examples
    --------
    >>> import planner
    >>> planner.write_review(planner.run_review("campus.toml", "log.csv"), "out")  # doctest: +SKIP
    """
    from planner.show.write import upkeep

    return upkeep.write_review(result, Path(folder), force)
