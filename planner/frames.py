"""A plan from what a caller has: a file, a mapping, a plan that was read, with GeoDataFrames in place of files."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from planner.ledger import PlanError, offered
from planner.pieces import scratch
from planner.plan import Layers, PlanFile, VectorLayer, parse_plan, read_plan
from planner.plan.section import sections_in

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

SITES = "sites"  # the frame of a contract's sites; every other one is a layer of a site
FRAMES = (
    SITES,
    *(
        k
        for k, field in Layers.model_fields.items()
        if issubclass(next(sections_in(field.annotation)), VectorLayer)
    ),
)


@contextmanager
def opened(
    plan: PlanFile | str | Path | Mapping[str, Any], frames: Mapping[str, GeoDataFrame] | None = None
) -> Iterator[PlanFile]:
    """A plan from whatever a caller has; a context manager.

    Parameters
    ----------
    plan
        A plan file, its path, or a mapping of its sections.
    frames
        GeoDataFrames in place of files, by the layer's name. They are written to a folder that is gone afterwards,
        and read as any layer is.

    Yields
    ------
    PlanFile
        While this lasts.

    Raises
    ------
    PlanError
        The plan is faulty, or a frame's name is none of a plan's vector layers.
    """
    if not frames:
        yield _plan_file(plan)
        return
    unknown = [name for name in frames if name not in FRAMES]
    if unknown:
        raise PlanError("frames", f"'{unknown[0]}' is no layer", offered("In frames", unknown[0], FRAMES))
    with scratch() as folder:
        yield _with_frames(plan, {name: _written(frame, folder, name) for name, frame in frames.items()})


def _written(frame: GeoDataFrame, folder: Path, name: str) -> Path:
    path = folder / f"{name}.gpkg"
    rings = frame.geometry.geom_type == "LinearRing"
    if rings.any():  # which GDAL's writer does not know: it ends the process
        from shapely import LineString

        lines = [
            LineString(shape.coords) if ring else shape for shape, ring in zip(frame.geometry, rings, strict=True)
        ]
        frame = frame.set_geometry(lines, crs=frame.crs)
    frame.to_file(path, layer=name, driver="GPKG", engine="pyogrio")
    return path


def _plan_file(plan: PlanFile | str | Path | Mapping[str, Any]) -> PlanFile:
    if isinstance(plan, PlanFile):
        return plan
    return parse_plan(plan, Path("plan.toml")) if isinstance(plan, Mapping) else read_plan(plan)


def _with_frames(plan: PlanFile | str | Path | Mapping[str, Any], paths: Mapping[str, Path]) -> PlanFile:
    """The same plan with these layers read from `paths`; what it says of their columns and units stays."""
    if isinstance(plan, Mapping):
        raw, path, variables = dict(plan), Path("plan.toml"), {}
    else:
        given = _plan_file(plan)
        raw, path, variables = given.plan.model_dump(exclude_unset=True), given.path, dict(given.variables)
    for name, file in paths.items():
        section = "contract" if name == SITES else "layers"
        layers = dict(raw.get(section) or {})
        layers[name] = {**(layers.get(name) or {}), "path": str(file), "layer": name}
        raw[section] = layers
    return parse_plan(raw, path, variables)
