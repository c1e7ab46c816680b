"""The schema against the data contract's list of tables and columns."""

from __future__ import annotations

import re
from datetime import datetime
from typing import NotRequired, TypedDict

import polars as pl
import pytest

from ingest.schema import SQL_TYPES, TABLES, document_column, documents_in, frame_schema
from ingest.schema.tables import data_dictionary
from ingest.store.migrations import SCHEMA_VERSION, physical_tables, statements

# The contract's tables: required columns end with *, columns with a choice name it in the schema.
CONTRACT = {
    "meters": "meter_id* kind* model_group serial_number in_service_date* retired_date "
    "replaces_meter_id slope_convention* factory_slope slope_step slope_min slope_max "
    "crank_length_mm tolerance_pct torque_step_nm stated_accuracy_pct static_check battery_type "
    "owner state location purchase_date purchase_cost warranty_until return_by",
    "references": "reference_id* kind* meter_id stated_accuracy_pct keeps_wheel",
    "mass_sets": "bench_id* mass_kg hanger_mass_kg mass_class mass_tolerance_g source "
    "weighed_on certificate_no calibrated_on due_on",
    "places": "place_id* gravity_ms2 latitude_deg altitude_m workshop",
    "riders": "rider_id* coach from_date to_date",
    "assignments": "meter_id* from_date* to_date rider_id bike_id role",
    "installations": "meter_id* bike_id from_date* to_date crank_id crank_length_mm "
    "programmed_crank_length_mm large_ring small_ring ring_shape",
    "bench": "session_id* meter_id* measured_at* bench_id place_id technician mass_kg "
    "hanger_mass_kg mass_tolerance_g mass_class crank_length_mm crank_length_tolerance_mm "
    "gravity_ms2 latitude_deg altitude_m temperature_c soak_min stage reading load* direction "
    "loading_path cog_teeth chainring arm crank_angle_deg reading_sd_nm torque_nm* torque_decimals "
    "slope_before slope_after slope_before_left slope_after_left slope_before_right "
    "slope_after_right note",
    "zeros": "meter_id* measured_at* zero_nm zero_raw temperature_c battery_v source",
    "events": "meter_id reference_id bench_id date* event* side size_pct cost note state",
    "comparisons": "comparison_id* meter_id* reference_id* measured_at* step* duration_s* meter_w* "
    "reference_w* cadence_rpm temperature_c rider_id chainring cog",
    "pairs": "meter_file* reference_file* meter_id* reference_id* comparison_id rider_id",
    "efforts": "rider_id* date* watts* duration_s meter_id reference_id kind",
    "calendar": "name* from_date* to_date* kind priority rider_id",
    "capacity": "from_date* to_date* slots workshop",
    "costs": "item* model_group unit_cost* currency",
}


def test_every_table_of_the_contract() -> None:
    assert set(TABLES) == set(CONTRACT)


@pytest.mark.parametrize("name", CONTRACT)
def test_every_column_of_the_contract(name: str) -> None:
    wanted = CONTRACT[name].split()
    table = TABLES[name]
    assert table.names == [column.rstrip("*") for column in wanted]
    assert table.required == [column.rstrip("*") for column in wanted if column.endswith("*")]


def test_every_column_is_explained() -> None:
    dictionary = data_dictionary()
    assert dictionary.height == sum(len(table.columns) for table in TABLES.values())
    assert dictionary.filter(pl.col("meaning") == "").is_empty()
    for table in TABLES.values():
        assert len(set(table.names)) == len(table.names)
        for column in table.columns:
            assert column.expectation()
            assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
        for name in (*table.key, *table.exactly_one, *table.at_least_one, *table.together):
            assert name in table.names


def test_numbers_carry_a_unit_or_are_plain() -> None:
    suffixes = {"_mm": "mm", "_kg": "kg", "_nm": "N·m", "_c": "°C", "_pct": "%", "_w": "W"}
    for table in TABLES.values():
        for column in table.columns:
            for suffix, unit in suffixes.items():
                if column.name.endswith(suffix):
                    assert column.unit == unit, f"{table.name}.{column.name}"


def test_a_new_store_gets_every_table() -> None:
    lines = statements({}, None)
    for name in physical_tables():
        assert any(line.startswith(f'CREATE TABLE IF NOT EXISTS "{name}"') for line in lines)


def test_a_store_that_is_up_to_date_needs_no_change() -> None:
    found = {
        name: {c.name: SQL_TYPES[c.kind] for c in columns}
        for name, columns in physical_tables().items()
    }
    lines = statements(found, SCHEMA_VERSION)
    assert all(line.startswith("CREATE OR REPLACE VIEW") for line in lines)


class _Part(TypedDict):
    entered: float | str | None
    counts: dict[str, int]


class _Document(TypedDict):
    """Every kind of value that a document may hold."""

    name: str
    share: float | None
    part: _Part | None
    parts: list[_Part]
    texts: list[str]
    side: NotRequired[float | None]


def test_documents_come_out_of_a_column_as_they_went_in() -> None:
    part: _Part = {"entered": "170", "counts": {"a": 1, "b": 2}}
    documents: list[_Document] = [
        {"name": "x", "share": 1, "part": None, "parts": [part], "texts": [], "side": 2.5},
        {"name": "y", "share": None, "part": part | {"entered": 16}, "parts": [], "texts": ["t"]},
    ]
    column = document_column(documents, _Document)
    assert column.dtype == pl.Struct(frame_schema(_Document))
    assert documents_in(column, _Document) == documents
    assert documents_in(document_column([], _Document), _Document) == []


def test_rows_conform_to_names_order_and_types_and_stay_apart_from_what_they_were() -> None:
    table = TABLES["riders"]
    names = list(table.polars_schema)
    written = pl.DataFrame({"from_date": [datetime(2024, 1, 1)], "rider_id": ["Ada"]})
    typed = table.conform(written)
    assert typed.schema == table.polars_schema
    again = table.conform(typed)
    assert again.equals(typed)
    again.insert_column(0, pl.Series("more", [1]))
    assert typed.columns == names
