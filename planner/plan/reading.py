"""Reading a plan file: TOML to a validated plan, or an error in the words of its writer."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from planner.ledger import OutputError, PlanError, nearest, offered
from planner.plan.schema import Plan
from planner.plan.section import Section, Twin, as_toml, sections_in

NAMING_FILES = ("path", "table", "weather", "stations", "daily", "horizon")  # last names of a plan's keys


@dataclass(frozen=True)
class Origin:
    """Where a result comes from: the plan's file, None where it was given as a mapping, and all files read."""

    plan: Path | None
    reads: tuple[Path, ...]

    def spare(self, written: Iterable[Path]) -> None:
        """Raise OutputError where a file to be written is one that is read: input is never written to."""
        named = {path.resolve() for path in self.reads}
        for path in written:
            if path.resolve() in named or any(_same(path, one) for one in named):
                raise OutputError(
                    str(path),
                    "this run reads this file, and it would be overwritten",
                    "Choose another name or folder",
                )


def _same(one: Path, other: Path) -> bool:
    """Whether two names are of one file: small and capital letters are one on many disks."""
    try:
        return one.name.lower() == other.name.lower() and one.samefile(other)
    except OSError:
        return False


@dataclass(frozen=True)
class PlanFile:
    """A validated plan, the file it came from, and how to find the files it names."""

    path: Path
    plan: Plan
    variables: Mapping[str, str]

    def file(self, key: str, text: str) -> Path:
        """Absolute path of a file named in the plan at `key`.

        Raises PlanError for an unknown ``${NAME}``, and for what can be no path or is neither a file nor a folder.
        """

        def fill(match: re.Match[str]) -> str:
            value = self.variables.get(match[1], os.environ.get(match[1]))
            if value is None:
                raise PlanError(
                    f"{self.path}: {key}",
                    f"the path '{text}' needs a value for {match[1]}, and there is none",
                    f"Give --var {match[1]}=FOLDER, or set the environment variable {match[1]}",
                )
            return value

        where, filled = f"{self.path}: {key}", re.sub(r"\$\{(\w+)\}", fill, text)
        try:
            found = (self.path.parent / Path(filled).expanduser()).resolve()
            mode = found.stat().st_mode  # what it raises is the same in every Python; what exists() swallows is not
        except (FileNotFoundError, NotADirectoryError):
            return found  # said when it is read
        except (
            OSError,
            ValueError,
            RuntimeError,
        ) as fault:  # too long, a null, no such user, links in a ring
            raise PlanError(where, f"'{filled}' can be no file's path: {fault}", "Mend the path") from None
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            # a pipe would be waited for without end, a device read without end
            raise PlanError(where, f"{found} is neither a file nor a folder", "Name a file on disk")
        return found

    def origin(self, *more: Path) -> Origin:
        """The plan, and the files that it names or that are given besides; those that can be none are not there."""
        found = [self.path, *(path.resolve() for path in more)]

        def walk(value: object, key: str = "") -> None:
            if isinstance(value, dict):
                for name, inner in value.items():
                    walk(inner, f"{key}.{name}".lstrip("."))
            elif isinstance(value, str) and key.rsplit(".", 1)[-1] in NAMING_FILES:
                try:
                    path = self.file(key, value)
                except PlanError:
                    return  # said when it is read
                pattern = re.sub(r"\{(?:mon|mm|m)\}", "*", re.sub(r"([*?\[])", r"[\1]", path.name))
                found.append(path)
                if pattern != path.name:
                    found.extend(path.parent.glob(pattern))

        walk(self.plan.model_dump())
        return Origin(self.path if self.path.is_file() else None, tuple(found))

    def for_another_process(self) -> PlanFile:
        """The same, holding the values that its paths take from this process's environment."""
        named = set(re.findall(r"\$\{(\w+)\}", self.plan.model_dump_json()))
        found = {name: os.environ[name] for name in named if name in os.environ}
        return replace(self, variables={**found, **self.variables})


def read_plan(path: str | Path, variables: Mapping[str, str] | None = None) -> PlanFile:
    """Read and validate a plan file.

    Parameters
    ----------
    path : str or Path
        A TOML file; examples/plan-keys.md lists its keys. Paths in it are relative to it.
    variables : mapping of str to str, optional
        Values for `${NAME}` in its paths, before those of the environment.

    Returns
    -------
    PlanFile
        The plan, its path, and how to find the files that it names.

    Raises
    ------
    PlanError
        Names the file, the key, the nearest valid name, and what to do.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> from planner import read_plan
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "plan.toml"
    >>> _ = path.write_text('title = "Depot"\\n[requirements]\\nmax_height_ft = 30')
    >>> round(read_plan(path).plan.requirements.max_height_m, 3)
    9.144
    """
    path = Path(path)
    try:
        if path.exists() and not path.is_file():  # a pipe would be waited for without end
            raise PlanError(str(path), "it is not a file", "Name the plan file itself")
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        near = [p.name for p in sorted(path.parent.glob("*.toml"))] if path.parent.is_dir() else []
        raise PlanError(
            str(path), "there is no such plan file", offered("In that folder", path.name, near)
        ) from None
    except tomllib.TOMLDecodeError as fault:
        raise PlanError(
            str(path), f"not valid TOML: {fault}", "Mend that line; text values stand in quotes"
        ) from None
    except (OSError, RuntimeError, ValueError) as fault:
        raise PlanError(
            str(path), f"the plan file cannot be read: {fault}", "A plan is a UTF-8 text file in TOML"
        ) from None
    return parse_plan(raw, path, variables)


def parse_plan(raw: Mapping[str, Any], path: str | Path, variables: Mapping[str, str] | None = None) -> PlanFile:
    """A plan given as a mapping.

    Parameters
    ----------
    raw
        Sections, as TOML reads them.
    path
        Where its relative paths start from, and its name in messages.
    variables
        Values for `${NAME}` in paths.

    Returns
    -------
    PlanFile
        With every default in it.

    Raises
    ------
    PlanError
        A key is not known, or its value is not allowed; with the key, and what would be.
    """
    try:
        plan = Plan.model_validate(raw)
    except ValidationError as fault:
        raise _explain(fault, raw, str(path)) from None
    return PlanFile(Path(path).resolve(), plan, dict(variables or {}))


# keys of earlier plans, and what they are now; a key says the direction of what it requires
RENAMED = {
    "gates": "requirements",
    "direct_h_day": "min_direct_h_day",
    "light_share": "min_light_share",
    "rain_angle_deg": "max_rain_angle_deg",
    "windward_deg": "max_windward_angle_deg",
    "drip_margin_m": "min_drip_margin_m",
    "height_m": "max_height_m",
    "spray_margin_m": "min_spray_margin_m",
    "spray_top_m": "max_spray_height_m",
    "heat_margin_m": "min_heat_margin_m",
    "range_used": "max_range_share",
}

WANTED = {
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "finite_number": "a finite number",
    "tuple_type": "a list in square brackets",
    "too_short": "a list with something in it",
    "model_type": "a section",
    "date_type": "a date without quotes, as 2026-05-01",
}


SAME = {"imperial": "us", "english": "us", "si": "metric", "feet": "ft", "metres": "m", "meters": "m"}
LIMITS = {"gt": "greater than", "ge": "greater than or equal to", "lt": "less than", "le": "less than or equal to"}


def _explain(fault: ValidationError, raw: Mapping[str, Any], path: str) -> PlanError:
    """Turn the first fault (and the count of others) into a message about the user's own words."""
    errors = sorted(fault.errors(), key=lambda e: e["type"] != "extra_forbidden")
    first, more = errors[0], len(errors) - 1
    loc = [part for part in first["loc"] if not str(part).startswith("function-")]
    section = _section_at(loc[:-1])
    given, twin = first["input"], None
    if section and loc and (written := _written_in_us(raw, loc, section)):
        twin, given = section.twin(written[0]), written[1]
        loc[-1] = written[0]
    what, todo = _said(first, loc, section, given, twin)
    return PlanError(
        f"{path}: {'.'.join(map(str, loc)) or 'the plan'}",
        what,
        todo.rstrip(".") + (f". {more} more fault{'s' if more > 1 else ''} in this plan" if more else ""),
    )


def _said(
    fault: ErrorDetails, loc: list[Any], section: type[Section] | None, given: Any, twin: Twin | None
) -> tuple[str, str]:
    """What is wrong at `loc`, and what to do; given: the value as the user wrote it."""
    kind, key = fault["type"], str(loc[-1]) if loc else "the plan"
    if kind == "extra_forbidden":
        if now := _renamed(loc, given):
            return f"'{key}' is the name of an earlier version", now
        where = "[" + ".".join(map(str, loc[:-1])) + "]" if loc[:-1] else "the plan"
        return (
            f"the key '{key}' is not known",
            offered(f"In {where}", key, section.model_fields if section else ()),
        )
    if kind == "missing":
        field = section.model_fields.get(key) if section else None
        return "this key is missing", f"Give it: {field.description}" if field and field.description else "Give it"
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", str(fault.get("ctx", {}).get("expected", "")))
        near = SAME.get(str(given).lower())
        hint = f"did you mean '{near}'?" if near in choices else nearest(str(given), choices)
        of = f" (one of: {', '.join(choices)})" if choices else ""
        return f"{as_toml(given)} is not one of its values", hint[0].upper() + hint[1:] + of
    if kind in WANTED:
        wanted = WANTED[kind]
        todo = f"Write a section: [{'.'.join(map(str, loc))}]" if wanted == "a section" else f"Write {wanted}"
        return f"this should be {wanted}, not {as_toml(given)}", todo
    for limit, words in LIMITS.items():
        if limit in (ctx := fault.get("ctx", {})):
            bound = twin.us(ctx[limit]) if twin else ctx[limit]
            return f"the value should be {words} {bound:.6g}, not {as_toml(given)}", "Change the value"
    # a rule of a section, which says what it wants
    return fault["msg"].removeprefix("Value error, ").removeprefix("Input ").rstrip("."), "Change the value"


def _written_in_us(raw: Mapping[str, Any], loc: list[Any], section: type[Section]) -> tuple[str, Any] | None:
    """Key and value as the user wrote them, where the faulty key at `loc` was given by its twin in US units."""
    at: Any = raw
    for part in loc[:-1]:
        at = at[part]
    pairs = at.items() if isinstance(at, Mapping) else ()
    return next(((k, v) for k, v in pairs if (twin := section.twin(k)) and twin.key == loc[-1]), None)


def _renamed(loc: list[Any], given: object) -> str:
    """What an earlier plan's key, or its whole section of them, is called now; "" for any other key."""

    def now(key: str) -> str:
        feet = key.endswith("_ft")
        new = RENAMED.get(key[:-3] + "_m" if feet else key, "")
        return new[:-2] + "_ft" if feet and new else new

    if loc == ["gates"]:
        keys = given if isinstance(given, dict) else {}
        inside = ", ".join(f"{now(key)} for {key}" for key in keys if now(key))
        return f"Write [{RENAMED['gates']}] for [gates]" + (f", and in it {inside}" if inside else "")
    if loc[:-1] == ["requirements"] and now(str(loc[-1])):
        return f"Write {now(str(loc[-1]))} for {loc[-1]}"
    return ""


def _section_at(loc: list[Any]) -> type[Section] | None:
    model: type[Section] = Plan
    for part in loc:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(str(part))
        inner = next(sections_in(field.annotation), None) if field else None
        if inner is None:
            return None
        model = inner
    return model
