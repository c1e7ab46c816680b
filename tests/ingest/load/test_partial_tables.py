"""A table that brings only some columns changes only those, and says so before and after."""

import json
import random
from pathlib import Path
from typing import Any

import pytest

from ingest.load import commit_rows, imports, load_paths, undo_import
from ingest.store import Store, changes
from tests.ingest import team

METER = {"kind": "hub", "in_service_date": "2024-01-01", "slope_convention": "fixed"}
FULL = METER | {"serial_number": "S-7", "purchase_cost": 640, "warranty_until": "2027-01-01"}


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team.duckdb")


def meters(folder: Path, name: str, *rows: dict[str, Any]) -> Path:
    return team.write_csv(folder / f"meters-{name}.csv", list(rows))


def cells(store: Store, *names: str) -> list[tuple[Any, ...]]:
    return team.live(store, "meters").sort("meter_id").select(names).rows()


def test_other_columns_stay(tmp_path: Path, store: Store) -> None:
    load_paths(store, [meters(tmp_path, "full", {"meter_id": "M"} | FULL)])
    four = meters(tmp_path, "four", {"meter_id": "M"} | METER | {"kind": "other"})
    report = load_paths(store, [four])
    assert cells(store, "kind", "serial_number", "purchase_cost") == [("other", "S-7", 640.0)]
    assert report.notices == ["meters-four.csv: row 2: meters M changed: kind hub → other."]
    again = load_paths(store, [four])
    assert (again.rows_loaded, again.files[0].rows_unchanged, again.changed) == (0, 1, [])
    logged = changes(store).filter(what="row changed").row(0, named=True)
    assert logged["subject"] == "meters M"
    assert (json.loads(logged["before"]), json.loads(logged["after"])) == (
        {"kind": "hub"},
        {"kind": "other"},
    )


def test_known_rows_need_only_their_key(tmp_path: Path, store: Store) -> None:
    load_paths(store, [meters(tmp_path, "full", {"meter_id": "M"} | FULL)])
    some = meters(
        tmp_path, "states", {"meter_id": "M", "state": "lent"}, {"meter_id": "N", "state": "spare"}
    )
    report = load_paths(store, [some])
    assert cells(store, "meter_id", "state", "serial_number") == [("M", "lent", "S-7")]
    assert {(p.row, p.column) for p in report.set_aside} == {
        (3, "kind"), (3, "in_service_date"), (3, "slope_convention"),
    }  # fmt: skip
    commit_rows(store, "meters", [{"meter_id": "M", "state": "active"}], name="back")
    assert cells(store, "state", "serial_number") == [("active", "S-7")]


def test_table_of_strangers_without_a_required_column_says_so_once(
    tmp_path: Path, store: Store
) -> None:
    strangers = [{"meter_id": name, "kind": "hub"} for name in "MN"]
    report = load_paths(store, [meters(tmp_path, "strangers", *strangers)])
    (problem,) = report.set_aside
    assert (problem.row, problem.column) == (1, "in_service_date")
    assert (report.files[0].rows_read, report.files[0].rows_set_aside) == (2, 2)


def test_rules_hold_for_the_row_as_it_becomes(tmp_path: Path, store: Store) -> None:
    load_paths(store, [meters(tmp_path, "full", {"meter_id": "M"} | FULL)])
    before = meters(tmp_path, "retired", {"meter_id": "M", "retired_date": "2023-05-01"})
    (problem,) = load_paths(store, [before]).set_aside
    assert (problem.column, problem.expected) == ("retired_date", "no less than in_service_date")
    assert cells(store, "retired_date") == [(None,)]


def test_numbered_reading_is_the_same_with_fewer_columns(tmp_path: Path, store: Store) -> None:
    full = team.reading(number=1)
    load_paths(store, [team.write_csv(tmp_path / "bench-a.csv", [full])])
    fewer = {name: cell for name, cell in full.items() if name not in ("temperature_c", "arm")}
    report = load_paths(store, [team.write_csv(tmp_path / "bench-b.csv", [fewer])])
    assert (report.files[0].rows_unchanged, report.set_aside) == (1, [])


def test_dry_run_says_and_changes_nothing(tmp_path: Path, store: Store) -> None:
    full = meters(tmp_path, "full", {"meter_id": "M"} | FULL)
    assert load_paths(store, [full], dry_run=True).rows_loaded == 1
    assert not store.exists()
    load_paths(store, [full])
    held, log = team.contents(store), imports(store)
    blank = meters(tmp_path, "blank", {"meter_id": "M"} | METER | {"serial_number": None})
    (change,) = load_paths(store, [blank], dry_run=True).changed
    assert (change.row, change.key, change.before, change.after) == (
        2, "M", {"serial_number": "S-7"}, {"serial_number": None},
    )  # fmt: skip
    assert team.contents(store) == held
    assert imports(store).equals(log)
    assert changes(store).is_empty()


def test_undo_equals_never_having_loaded(tmp_path: Path, store: Store) -> None:
    """Random tables of some columns, some taken back, against a store of those that are left."""
    dice = random.Random(11)
    values: dict[str, list[Any]] = {
        "serial_number": ["A", "B", None], "state": ["lent", "spare", None],
        "tolerance_pct": [1, 2, None], "owner": ["team", None],
    }  # fmt: skip
    first = meters(tmp_path, "0", *({"meter_id": m} | FULL for m in "MNO"))
    files = [first]
    for number in range(1, 5):
        chosen = dice.sample(sorted(values), dice.randint(1, 3))
        named = dice.sample("MNO", dice.randint(1, 3))
        rows = [{"meter_id": m} | {c: dice.choice(values[c]) for c in chosen} for m in named]
        files.append(meters(tmp_path, str(number), *rows))
    ids = {file: load_paths(store, [file]).import_ids[0] for file in files}
    undone = dice.sample(files[1:], 2)
    for file in undone:
        undo_import(store, ids[file])
    other = Store(tmp_path / "b.duckdb")
    for file in files:
        if file not in undone:
            load_paths(other, [file])
    assert team.contents(store) == team.contents(other)
