"""The columns of every table are stated once: what is written is what the schema says, and nothing else."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np
import pandas
import pyogrio
import pytest
from test_show import contract, scene
from test_show_links import studied

from planner.contract import own_names
from planner.show.write import schema, tables
from planner.show.write.schema import Column, Type
from planner.store import TAKEN, contract_columns
from planner.units import MONTHS

TABLES = {
    "mounts": schema.mounts(["full_sun"], ["light"]),
    "layout": schema.LAYOUT,
    "site": schema.SITE,
    "controllers": schema.CONTROLLERS,
    "links": schema.LINKS,
    "cables": schema.CABLES,
    "sites": schema.contract("metric"),
    "sites_us": schema.contract("us"),
    "places": schema.places("metric"),
    "places_us": schema.places("us"),
}


@pytest.mark.parametrize("name", TABLES)
def test_each_column_has_a_name_of_its_own_and_one_description(name: str) -> None:
    columns = TABLES[name]
    assert len({c.name for c in columns}) == len(columns)
    for column in columns:
        assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name), column
        assert column.said, column
        assert not column.said.endswith("."), column


def test_a_number_that_has_a_unit_carries_it_in_its_name() -> None:
    for column in chain.from_iterable(TABLES.values()):
        if column.unit:
            endings = schema.ENDINGS[column.unit]
            endings = (endings,) if isinstance(endings, str) else endings
            assert any(ending in column.name for ending in endings), column
        else:
            # no ending of a unit where there is none
            assert column.type is not Type.NUMBER or column.name == "fresnel_clearance", column


def test_a_column_means_the_same_in_every_table() -> None:
    first: dict[str, Column] = {}
    for column in chain.from_iterable(TABLES.values()):
        known = first.setdefault(column.name, column)
        assert (known.type, known.unit) == (column.type, column.unit), column


def test_a_table_takes_only_what_is_stated_and_all_of_it() -> None:
    columns = (Column("a_m", Type.NUMBER, "m", "a"), Column("b", Type.TEXT, "", "b", always=False))
    rows = schema.table(columns, {"a_m": [1.0, float("inf"), None]})
    assert rows.a_m.tolist()[:1] == [1.0]
    assert rows.a_m.isna().tolist() == [False, True, True]
    with pytest.raises(ValueError, match="does not state: c"):
        schema.table(columns, {"a_m": [1.0], "c": [2]})
    with pytest.raises(ValueError, match="nobody gave: a_m"):
        schema.table(columns, {"b": ["x"]})


def kinds(rows: pandas.DataFrame, columns: tuple[Column, ...]) -> None:
    """Read back, a column is what the schema says it is (empty ones may be anything)."""
    for column in columns:
        if column.name not in rows or rows[column.name].isna().all():
            continue
        values = rows[column.name].dropna()
        if column.type in (Type.NUMBER, Type.WHOLE):
            assert pandas.api.types.is_numeric_dtype(values), column
            assert column.type is Type.NUMBER or (values % 1 == 0).all(), column
        elif column.type is Type.YES_NO:
            assert set(values.unique()) <= {True, False}, column
        else:
            assert values.map(lambda v: isinstance(v, str)).all(), column


@pytest.mark.parametrize("link", ["radio", "cable"])
def test_what_is_written_is_what_the_schema_says(link: str, tmp_path: Path) -> None:
    result = studied(link=link)
    path = tmp_path / "mounts.gpkg"
    path.write_bytes(tables.mounts_gpkg(result))
    decision = result.decision
    stated = TABLES | schema.mounts_by_subject(decision.requirements, decision.parts)
    names = [name for name, _ in pyogrio.list_layers(path) if name != "layer_styles"]
    written = {name: pyogrio.read_dataframe(path, layer=name) for name in names}
    assert set(written) <= set(stated)
    assert {"mounts", "layout", "site", "controllers", "cables"} <= set(written)
    for name, rows in written.items():
        there = [c for c in rows.columns if c != "geometry"]
        order = schema.names(stated[name])
        assert there == [c for c in order if c in there], name
        assert {c.name for c in stated[name] if c.always} <= set(there), name
        kinds(rows, stated[name])
    csv = pandas.read_csv(io.BytesIO(tables.mounts_csv(result)))
    assert csv.columns.tolist() == [c.name for c in tables.mount_columns(result) if c.name in csv]


def test_a_contracts_columns_are_stated() -> None:
    columns = contract_columns(replace(contract(4), rows=np.arange(4) + 1))
    order = schema.names(schema.CONTRACT)
    assert list(columns) == [name for name in order if name in columns]
    assert {c.name for c in schema.CONTRACT if c.always} <= set(columns)


def test_in_us_units_only_names_and_units_differ() -> None:
    metric, us = schema.contract("metric"), schema.contract("us")
    assert [(m.type, m.said, m.always) for m in metric] == [(u.type, u.said, u.always) for u in us]
    assert {u.name for m, u in zip(metric, us, strict=True) if m != u} == {
        "peak_eto_in_day",
        "spread_in_day",
        "eto_by_temperature_in_day",
        "eto_by_description_in_day",
        "elevation_ft",
        "above_cell_ft",
        "mount_ft",
        *(f"eto_in_day_{month.lower()}" for month in MONTHS),
    }
    assert not {"m", "mm/day"} & {u.unit for u in us}


def test_no_column_of_a_users_can_take_the_name_of_one_of_ours() -> None:
    ours = {*schema.names(schema.contract("metric")), *schema.names(schema.contract("us"))}
    assert ours <= TAKEN
    assert own_names(["Zone", "owner", "fid", "ROW", "zone"], TAKEN) == {
        "Zone": "Zone_given",
        "owner": "owner",
        "fid": "fid_given",
        "ROW": "ROW_given",
        "zone": "zone_given_2",
    }


def test_a_reviser_of_sentences_moves_no_column(monkeypatch: pytest.MonkeyPatch) -> None:
    """With every word of a mount's numbers changed, tables, cards and sheets pick the same rows."""
    from planner.show.draw import groups, sheet
    from planner.show.say import mount

    yard = scene()
    row = yard.decision.chosen
    columns = tables.mount_rows(yard).columns.tolist()
    facts = list(mount.by_fact(mount.mount_numbers(yard, row)))
    values = groups.candidate_card(yard, row)["v"]
    number = mount.Number
    monkeypatch.setattr(
        mount, "Number", lambda fact, label, value, basis="": number(fact, f"x {label}", value, basis)
    )
    assert list(mount.by_fact(mount.mount_numbers(yard, row))) == facts
    assert groups.candidate_card(yard, row)["v"] == values
    assert tables.mount_rows(yard).columns.tolist() == columns
    assert set(sheet.SHEET_FACTS) <= set(mount.Fact)
    assert mount.Fact.HEIGHT not in sheet.SHEET_FACTS


def test_margins_are_worked_out_once_for_all_that_is_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from planner.reach import link
    from planner.show import write_site

    result, asked = studied(), []
    vars(result.reach).pop("radio_room", None)  # as from another process
    vars(result.reach).pop("room", None)
    real = link.physics.asked_z
    monkeypatch.setattr(link.physics, "asked_z", lambda *given: asked.append(1) or real(*given))
    write_site(result, tmp_path)
    assert len(asked) == 1
