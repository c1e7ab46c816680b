"""Tables with cells of every bad kind, and one press after them: nothing wrong, nothing raised."""

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest

from ingest.load import accept_suggestions, load_paths
from ingest.schema import TABLES, Table
from ingest.store import Store
from tests.ingest import team
from tests.simulate.mutated_tables import Mutated, mutated

SEEDS = range(2)  # tests.benchmarks.mutated_tables runs hundreds


@pytest.fixture(autouse=True)
def _faults_are_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SLOPEWATCH_DEBUG", "1")


def brought_in(folder: Path, seeds: Iterable[int]) -> tuple[Store, dict[str, list[Mutated]]]:
    """Return a store that mutated tables were loaded into, every sure suggestion taken."""
    made = {name: [mutated(seed, name) for seed in seeds] for name in TABLES}
    for name, tables in made.items():
        for number, table in enumerate(tables):
            rows = [dict(zip(table.header, row, strict=True)) for row in table.rows]
            team.write_csv(folder / f"{name}-{number}.csv", rows, separator=table.separator)
    store = Store(folder / "team.duckdb")
    load_paths(store, [folder])
    accept_suggestions(store)
    return store, made


def wrong(stored: pl.DataFrame, table: Table, made: list[Mutated]) -> list[str]:
    """Return the stored values that are not what the rows truly say."""
    truths = {key_of(table, row): row for one in made for row in one.truth.values() if row}
    found = []
    for row in stored.iter_rows(named=True):
        truth = truths.get(key_of(table, row))
        if truth is None:
            found.append(f"{table.name}: a row that says nothing sure is in: {row}")
            continue
        found += [
            f"{table.name}.{name}: {row[name]!r} instead of {value!r}"
            for name, value in truth.items()
            if not same(row[name], value)
        ]
    return found


def key_of(table: Table, row: dict[str, object]) -> str:
    """Return what tells a row apart: its names and texts, which are never mutated."""
    names = [c.name for c in table.columns if c.kind is str and not c.choices]
    return "|".join(str(row.get(name)) for name in names)


def same(stored: object, true: object) -> bool:
    if isinstance(true, float | int) and not isinstance(true, bool) and stored is not None:
        return abs(float(str(stored)) - true) <= 2e-7 * max(1.0, abs(true))
    if isinstance(true, datetime) and isinstance(stored, datetime):
        return stored.replace(tzinfo=None) == true
    return stored == true or (isinstance(true, date) and stored == true)


def test_accepting_all_puts_nothing_wrong_into_the_store(tmp_path: Path) -> None:
    """Of rows without a wreck nearly all are in; the rest is what cannot be told for sure."""
    store, made = brought_in(tmp_path, SEEDS)
    found, good, held = [], 0, 0
    for name, tables in made.items():
        stored = team.live(store, name)
        found += wrong(stored, TABLES[name], tables)
        held += stored.height
        good += sum(row is not None for one in tables for row in one.truth.values())
    assert found == []
    assert held > 0.7 * good
