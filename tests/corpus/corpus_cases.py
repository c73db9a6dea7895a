"""The cases of the corpus: a sound input with one thing spoiled; what the command then says and returns."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import annotated_types
import corpus_scene as scene
import geopandas as gpd
import numpy as np
import shapely
import shapely.affinity
from corpus_scene import Raw

from planner.plan.schema import Plan
from planner.plan.section import TWINS, Section, sections_in

Spoil = Callable[[Path, bytes], None]
OK, PLAN, DATA, NONE, OUTPUT = (0,), (3,), (4,), (5,), (6,)
DONE = (0, 5)  # it answers, whether or not a mount is left


@dataclass(frozen=True)
class Case:
    group: str
    name: str
    plan: Mapping[str, object]  # dotted keys
    codes: tuple[int, ...]
    says: str = ""  # a pattern
    unsaid: str = ""
    files: Mapping[str, Spoil] = field(default_factory=dict)
    command: str = "site"
    before: str = ""  # put before the plan's keys
    more: tuple[str, ...] = ()  # words of the command
    line: tuple[str, ...] = ()  # the whole command line, where it is not the usual one
    earlier: Mapping[str, object] | None = None  # plan of a run into the same folder before it
    makes: tuple[str, ...] = ()  # files that are then there
    leaves: tuple[str, ...] = ()  # files that are then not

    def text(self) -> str:
        return self.before + scene.toml(self.plan)

    def words(self) -> list[str]:
        if self.line:
            return list(self.line)
        log = ["log.csv"] if self.command == "review" else []
        out = {"climate": ["--out", "out/eto.tif"], "check": []}.get(self.command, ["--out", "out"])
        return [self.command, "plan.toml", *log, *out, *self.more]


# --- ways to spoil a file ----------------------------------------------------------------------------------------


def holds(content: bytes | str) -> Spoil:
    data = content.encode() if isinstance(content, str) else content
    return lambda path, _: void(path.write_bytes(data))


def cut(share: float) -> Spoil:
    return lambda path, kept: void(path.write_bytes(kept[: int(share * len(kept))]))


def flipped(every: int) -> Spoil:
    """One bit in `every` bytes turned."""

    def spoil(path: Path, kept: bytes) -> None:
        data = np.frombuffer(kept, np.uint8).copy()
        data[::every] ^= 0x10
        path.write_bytes(data.tobytes())

    return spoil


def gone(_: Path, __: bytes) -> None: ...


def a_folder(path: Path, _: bytes) -> None:
    path.mkdir()


def text(old: str, new: str, count: int = -1) -> Spoil:
    """A text file with something replaced; the old text must be there."""

    def spoil(path: Path, kept: bytes) -> None:
        before = kept.decode()
        assert old in before, (path, old)
        path.write_bytes(before.replace(old, new, count).encode("utf-8", "surrogateescape"))

    return spoil


def lines(change: Callable[[list[str]], list[str]]) -> Spoil:
    return lambda path, kept: void(path.write_text("\n".join(change(kept.decode().splitlines())) + "\n"))


def void(_: object) -> None: ...


def layer(name: str, change: Callable[[gpd.GeoDataFrame], Any], **how: Any) -> Spoil:
    """A vector layer changed; `change` gives the new one, or changes it in place."""

    def spoil(path: Path, _: bytes) -> None:
        table = scene.layers()[name]
        changed = change(table)
        (table if changed is None else changed).to_file(path, layer=name, engine="pyogrio", **how)

    return spoil


def column(name: str, key: str, values: object) -> Spoil:
    def change(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        return table.assign(
            **{key: values if not isinstance(values, list) else (values * len(table))[: len(table)]}
        )

    return layer(name, change)


def shapes(name: str, change: Callable[[Any], Any], every: bool = True) -> Spoil:
    """The geometry of all of a layer's features, or of the first alone, changed."""

    def spoilt(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
        new = [change(s) if every or k == 0 else s for k, s in enumerate(table.geometry)]
        return table.set_geometry(gpd.GeoSeries(new, crs=table.crs))

    return layer(name, spoilt)


def moved(dx: float, dy: float) -> Callable[[Any], Any]:
    return lambda shape: shapely.affinity.translate(shape, dx, dy)


def cells(
    write: Callable[..., None], values: Callable[[], np.ndarray], change: Callable[[np.ndarray], Any], **more: Any
) -> Spoil:
    """A raster changed; `change` gives new values, or changes them in place."""

    def spoil(path: Path, _: bytes) -> None:
        before = values()
        after = change(before)
        write(path, before if after is None else after, **more)

    return spoil


def same(values: Any) -> Any:
    return values


# --- plan keys ---------------------------------------------------------------------------------------------------


def fields(model: type[Section] = Plan, prefix: str = "") -> Iterator[tuple[str, Any, type[Section]]]:
    """Every key of the plan with its field and its section."""
    for name, one in model.model_fields.items():
        inner = next(sections_in(one.annotation), None)
        if inner is not None:
            many = get_origin(one.annotation) is tuple
            yield from fields(inner, f"{prefix}{name}{'[]' if many else ''}.")
        else:
            yield f"{prefix}{name}", one, model


FIRST = {  # what must stand beside a key in its section
    "mounts.named[]": {"name": "M", "x": scene.LONGITUDE + 0.0008, "y": scene.LATITUDE + 0.0008, "height_m": 4.0},
    "programme.manual[]": {"programme": "A", "reason": "new planting"},
    "climate.daily": {"path": "daily.csv"},
    "layers.surface": {"path": "surface.tif"},
    "layers.canopy": {"path": "canopy.tif"},
    "climate.elevation": {"path": "elevation.tif"},
    "layers.named": {"path": "poles.gpkg", "name": "name"},
}  # fmt: skip
FIRST |= {f"climate.{name}": {"path": f"{name}.tif", "unit": unit} for name, (unit, *_) in scene.WEATHER.items()}
# of a list, beside the first
MORE = {"drawing.control[]": [{"x": 50.0, "y": 80.0, "longitude": -119.0, "latitude": 35.0}]}
TOGETHER = {  # keys that are right only beside others
    "sun.leaf_from": {"sun.leaf_until": "11-15"}, "sun.leaf_until": {"sun.leaf_from": "03-15"},
    "sensor.transmit_dbm": {"sensor.sensitivity_dbm": -110}, "sensor.sensitivity_dbm": {"sensor.transmit_dbm": 14},
    "as_built.x": {"as_built.y": 35.2671, "as_built.height_m": 4.0},
    "as_built.y": {"as_built.x": -119.3599, "as_built.height_m": 4.0},
    "layers.buildings.top": {"layers.buildings.height": None, "layers.buildings.ground": "ground"},
    "layers.buildings.ground": {"layers.buildings.height": None, "layers.buildings.top": "top"},
    "sun.crown_in_leaf": {"sun.crown_leafless": 1.0}, "sun.crown_leafless": {"sun.crown_in_leaf": 0.005},
    "layers.trees.crown_radius": {"layers.trees.crown_width": None},
}  # fmt: skip


def base_of(key: str) -> tuple[dict[str, object], str]:
    """A sound plan in which the key could stand, and the command that takes it."""
    room = key.split(".")[0]
    if room == "contract":
        return dict(scene.CONTRACT), "contract"
    if room in ("programme", "as_built"):
        return dict(scene.PROGRAMME), "programme"
    return (dict(scene.REVIEW), "review") if room == "review" else (dict(scene.SITE), "site")


def beside(section: str) -> dict[str, object]:
    """What a section must hold before anything else in it is looked at; for a new one by its fields alone."""
    if section in FIRST:
        return dict(FIRST[section])
    needed = [(key, one) for key, one, _ in fields() if key.rpartition(".")[0] == section and one.is_required()]
    return {key.rpartition(".")[2]: 1.0 if bare(one.annotation) is float else "x" for key, one in needed}


def with_key(key: str, value: object) -> tuple[dict[str, object], str]:
    """A sound plan with this key set, and its command."""
    plan, command = base_of(key)
    section, _, name = key.rpartition(".")
    plan |= TOGETHER.get(key, {})
    if section.endswith("[]"):
        plan[section[:-2]] = [{**beside(section), name: value}, *MORE.get(section, [])]
    else:
        plan = {f"{section}.{k}": v for k, v in beside(section).items()} | plan
        plan[key] = value
    return plan, command


def bare(annotation: Any) -> Any:
    """The type that a key's value has, without None."""
    parts = [a for a in get_args(annotation) if a is not type(None)]
    if get_origin(annotation) in (Literal, tuple):
        return annotation
    return bare(parts[0]) if parts else annotation


def wrong_values(kind: Any) -> list[object]:
    if get_origin(kind) is Literal:
        return ["nonsense", 5]
    if get_origin(kind) is tuple:
        return ["text", [[]]]
    return {
        str: [5, True],
        bool: ["yes", 1],
        float: ["x", Raw("nan"), Raw("-inf"), True, [1.0], Raw("9" * 400)],
        int: [1.5, "x", Raw("9" * 400)],
        date: ["yesterday", 5],
    }[kind]


def limits(one: Any) -> Iterator[tuple[float, float]]:
    """(a value that just may be, one that may not) at each of a number's limits."""
    for limit in one.metadata:
        for form, side in ((annotated_types.Ge, -1), (annotated_types.Le, 1)):
            if isinstance(limit, form):
                edge = getattr(limit, form.__name__.lower())
                yield edge, edge + side * max(abs(edge) * 0.01, 0.01 if isinstance(edge, float) else 1)
        for form, side in ((annotated_types.Gt, 1), (annotated_types.Lt, -1)):
            if isinstance(limit, form):
                edge = getattr(limit, form.__name__.lower())
                yield edge + side * max(abs(edge) * 0.01, 0.01), edge


def plan_keys() -> Iterator[Case]:
    """Each key with a value of another kind, and beyond each of its limits; each section with a key unknown."""
    seen = set()
    for key, one, model in fields():
        name = key.rpartition(".")[2]
        kind = bare(one.annotation)
        for value in wrong_values(kind):
            plan, _ = with_key(key, value)
            shown = value.text[:6] if isinstance(value, Raw) else repr(value)
            yield Case("plan keys: another kind", f"{key} = {shown}", plan, PLAN, re_name(name), command="check")
        for ending, metric, scale, shift in TWINS:
            if kind is float and name.endswith(metric) and (twin := key.removesuffix(metric) + ending):
                for value in ("x", Raw("nan"), Raw("9" * 400)):
                    plan, _ = with_key(twin, value)
                    shown = value if isinstance(value, str) else value.text[:6]
                    yield Case("plan keys: in US units", f"{twin} = {shown}", plan, PLAN, twin.rpartition(".")[2],
                               command="check")  # fmt: skip
                for good, bad in limits(one):
                    us = (bad - shift) / (1 / scale if model.per_length else scale)
                    plan, _ = with_key(twin, us + np.copysign(1e-9, bad - good))
                    yield Case("plan keys: in US units", f"{twin} beyond {bad:g} {metric[1:]}", plan, PLAN,
                               twin.rpartition(".")[2], command="check")  # fmt: skip
                break
        for good, bad in limits(one):
            whole = kind is int
            plan, _ = with_key(key, int(bad) if whole else bad)
            yield Case("plan keys: beyond a limit", f"{key} = {bad:g}", plan, PLAN, re_name(name), command="check")
            plan, command = with_key(key, round(good) if whole else float(good))
            yield Case("plan keys: at a limit", f"{key} = {good:g}", plan, AT_LIMIT.get(key, DONE),
                       command=command)  # fmt: skip
        if model not in seen:
            seen.add(model)
            near = f"{key[:-1]}" if len(name) > 3 else key + "e"
            plan, _ = with_key(near, 5)
            yield Case("plan keys: misspelled", near, plan, PLAN, f"'{near.rpartition('.')[2]}' is not known.*"
                       if near.rpartition(".")[2] not in model.model_fields else name, command="check")  # fmt: skip


# at these limits the sound scene cannot be used, and the command says so
AT_LIMIT: dict[str, tuple[int, ...]] = {}


def re_name(name: str) -> str:
    return rf"\b{name}\b"


def sound() -> list[Case]:
    """The sound input, through each command."""
    plans = {
        "site": scene.SITE, "check": scene.SITE | {"layers.canopy.path": "canopy.tif"}, "contract": scene.CONTRACT,
        "climate": scene.CLIMATE, "programme": scene.PROGRAMME, "review": scene.REVIEW,
    }  # fmt: skip
    return [Case("sound", command, plan, OK, command=command) for command, plan in plans.items()]


def every() -> list[Case]:
    from corpus_folders import folders
    from corpus_inputs import inputs

    return [*sound(), *plan_keys(), *inputs(), *folders()]


def share() -> list[Case]:
    """What CI takes: some of each group, of those that end early."""
    taken, seen = [], {}
    for case in every():
        if case.command == "check" and not set(case.codes) & {0, 5}:
            k = seen[case.group] = seen.get(case.group, -1) + 1
            if k % (90 if "kind" in case.group or "limit" in case.group or "US" in case.group else 16) == 7 or (
                case.group in ("layers.terrain", "climate.tmin", "sensor.cable_conductor") and case.name in MENDED
            ):
                taken.append(case)
    return taken


MENDED = {"cells of no width", "complex numbers", "-3 AWG"}  # what the corpus found
