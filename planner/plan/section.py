"""What every section of the plan file is: keys with their meaning and reason, in metric or in US units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from typing import Annotated, Any, ClassVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, Field, model_validator

from planner.units import M_PER_FT, MM_PER_IN


def entry(default: Any, what: str, why: str = "", **limits: Any) -> Any:
    """A plan key: its default (``...`` where the user must give it), meaning, and the default's reason."""
    return Field(default, description=what, json_schema_extra={"why": why}, **limits)


@dataclass(frozen=True)
class Twin:
    """How a key in US units is read: the metric key it stands for, and value x scale + shift in that one's unit."""

    key: str
    scale: float
    shift: float = 0.0

    def metric(self, value: float) -> float:
        return value * self.scale + self.shift

    def us(self, value: float) -> float:
        return (value - self.shift) / self.scale


# endings of a key in US units, and in metric ones; all exact
TWINS = (
    ("_ft_year", "_m_year", M_PER_FT, 0.0),
    ("_in_day", "_mm_day", MM_PER_IN, 0.0),
    ("_ft", "_m", M_PER_FT, 0.0),
    ("_mi", "_km", 1.609344, 0.0),
    ("_in", "_mm", MM_PER_IN, 0.0),
    ("_f", "_c", 5 / 9, -160 / 9),
)


class Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    per_length: ClassVar[bool] = False  # whether `_m` says "a metre" (of a price), not "metres"

    @classmethod
    def twin(cls, key: str) -> Twin | None:
        """What a key in US units stands for; None for any other key."""
        for ending, metric, scale, shift in TWINS:
            name = key.removesuffix(ending) + metric
            if key.endswith(ending) and key not in cls.model_fields and name in cls.model_fields:
                return Twin(name, 1 / scale if cls.per_length else scale, shift)
        return None

    @model_validator(mode="before")
    @classmethod
    def _as_written(cls, data: Any) -> Any:
        """US units become metric; TOML's arrays become tuples."""
        if not isinstance(data, dict):
            return data
        out = {}
        for key, value in data.items():
            if twin := cls.twin(key):
                if twin.key in data:
                    raise ValueError(f"'{key}' and '{twin.key}' are both given; keep one")
                if not isinstance(value, int | float) or isinstance(value, bool):
                    raise ValueError(f"'{key}' must be a number, not {as_toml(value)}")
                try:
                    key, value = twin.key, twin.metric(value)
                except OverflowError:
                    raise ValueError(f"'{key}' must be a finite number, not {as_toml(value)}") from None
            out[key] = tuple(value) if isinstance(value, list) else value
        return out


def as_toml(value: Any) -> str:
    """A value as a plan file has it.

    Parameters
    ----------
    value
        Text, a number, True or False, a date, a list or a mapping of these.

    Returns
    -------
    str
        TOML, on one line; "not given" for None.
    """
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple | list):
        return "[" + ", ".join(as_toml(v) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k} = {as_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, int | float):
        return f"{Decimal(value) if isinstance(value, int) else value:.12g}"  # an integer may be beyond any float
    return str(value) if isinstance(value, date | time) else f'"{value}"'


def sections_in(annotation: Any) -> Iterator[type[Section]]:
    """Sections named anywhere inside a type annotation."""
    if isinstance(annotation, type) and issubclass(annotation, Section):
        yield annotation
    elif get_origin(annotation) is Annotated or get_args(annotation):
        for part in get_args(annotation):
            yield from sections_in(part)
