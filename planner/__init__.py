"""noonmark: where the weather sensor goes, and which climate zone the site is in.

import planner

source = planner.read_plan("campus.toml")
result = planner.run_site(source)
planner.write_site(result, "out")
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from planner.ledger import DataError, Ledger, Notice, OutputError, PlanError, PlannerError
from planner.plan import PlanFile, read_plan

if TYPE_CHECKING:
    from planner.contract import ContractResult
    from planner.job import SiteResult

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
    "run_site",
    "write_contract",
    "write_site",
]

# The rooms are imported when called: reading a plan should not wait for GDAL and pvlib to load.


def run_site(
    plan_file: PlanFile, ledger: Ledger | None = None, progress: Callable[[str, int, int], None] | None = None
) -> SiteResult:
    """Decide one site; see :func:`planner.job.run_site`. `result.notices` holds the ledger."""
    from planner import job

    return job.run_site(plan_file, ledger if ledger is not None else Ledger(), progress)


def run_contract(
    plan_file: PlanFile, ledger: Ledger | None = None, progress: Callable[[int, int], None] | None = None
) -> ContractResult:
    """Give every site of a contract its zone; see :func:`planner.batches.run_contract`."""
    from planner import batches

    return batches.run_contract(plan_file, ledger if ledger is not None else Ledger(), progress)


def check(plan_file: PlanFile, ledger: Ledger | None = None) -> list[PlannerError]:
    """Read all that a plan names and return what would be refused; what would be repaired is in the ledger."""
    from planner import preflight

    return preflight.check_inputs(plan_file, ledger if ledger is not None else Ledger())


def write_site(result: SiteResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write map, field sheet and tables of one site; see :func:`planner.show.write_site`."""
    from planner import show

    return show.write_site(result, Path(folder), force)


def write_contract(result: ContractResult, folder: str | Path, force: bool = False) -> list[Path]:
    """Write map and tables of a contract; see :func:`planner.show.write_contract`."""
    from planner import show

    return show.write_contract(result, Path(folder), force)
