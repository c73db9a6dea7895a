"""The table of every key of the plan file, from the plan's own fields: examples/plan-keys.md is made of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, get_args, get_origin

from planner.plan.schema import Plan
from planner.plan.section import Section, as_toml, sections_in


@dataclass(frozen=True)
class FieldRow:
    """One key of the plan file, as examples/plan-keys.md shows it."""

    key: str
    kind: str
    default: str
    what: str
    why: str


def field_rows(model: type[Section] = Plan, prefix: str = "") -> Iterator[FieldRow]:
    """Every key of the plan file with its type, default, meaning and reason, in the order of the file."""
    for name, field in model.model_fields.items():
        key = f"{prefix}{name}"
        inner = next(sections_in(field.annotation), None)
        if inner is not None:
            yield from field_rows(inner, key + ".")
            continue
        extra = field.json_schema_extra if isinstance(field.json_schema_extra, dict) else {}
        default = "required" if field.is_required() else as_toml(field.default)
        yield FieldRow(key, _kind(field.annotation), default, field.description or "", str(extra.get("why", "")))


def sections_of(rows: Iterable[FieldRow]) -> dict[str, int]:
    """Sections of a plan file, and how many keys each has of its own; "" for those before the first section."""
    return dict(Counter(row.key.rpartition(".")[0] for row in rows))


def _kind(annotation: Any) -> str:
    parts = [a for a in get_args(annotation) if a is not type(None)]
    if get_origin(annotation) is Literal:
        return " or ".join(f'"{p}"' for p in parts)
    if get_origin(annotation) is tuple:
        return "list"
    if parts:
        return " or ".join(_kind(p) for p in parts)
    return {str: "text", float: "number", int: "whole number", bool: "true/false", date: "date"}.get(
        annotation, str(annotation)
    )
