"""Undoing an import leaves the store as if the file had never been loaded."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from ingest.load import imports, load_paths, undo_import
from ingest.load.undo import UndoError
from ingest.store import Store
from tests.ingest import team


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team.duckdb")


def write(folder: Path, name: str, torques: list[float], tolerance: float | None = None) -> Path:
    if tolerance is None:
        rows = [team.reading(number=None, torque_nm=torque) for torque in torques]
    else:
        rows = [team.METERS[0] | {"tolerance_pct": tolerance}]
    return team.write_csv(folder / name, rows)


def test_rows_that_another_file_holds_stay(tmp_path: Path, store: Store) -> None:
    one = load_paths(store, [write(tmp_path, "bench-a.csv", [33.1, 33.1, 33.2])])
    load_paths(store, [write(tmp_path, "bench-b.csv", [33.1, 33.3])])
    report = undo_import(store, one.import_ids[0])
    assert (report["removed"], report["kept"]) == (2, 1)
    assert sorted(team.live(store, "bench")["torque_nm"]) == [33.1, 33.3]


def test_the_version_before_comes_back(tmp_path: Path, store: Store) -> None:
    def tolerance() -> list[float]:
        return team.live(store, "meters")["tolerance_pct"].to_list()

    files = [write(tmp_path, f"meters-{t}.csv", [], tolerance=t) for t in (1, 2, 3)]
    ids = [load_paths(store, [file]).import_ids[0] for file in files]
    assert tolerance() == [3]
    undo_import(store, ids[1])
    assert tolerance() == [3]
    report = undo_import(store, ids[2])
    assert (report["removed"], report["restored"]) == (1, 1)
    assert tolerance() == [1]
    undo_import(store, ids[0])
    assert tolerance() == []


def test_any_undo_equals_never_having_loaded(tmp_path: Path, store: Store) -> None:
    """Random loads and undos against a store that only ever saw the files that are left."""
    generator = random.Random(3)
    files = [
        write(tmp_path, f"bench-{i}.csv", [generator.choice([1.5, 2.5]) for _ in range(i)])
        for i in (2, 3)
    ] + [write(tmp_path, f"meters-{t}.csv", [], tolerance=t) for t in (1, 2, 3)]
    generator.shuffle(files)
    ids = {file: load_paths(store, [file]).import_ids[0] for file in files}
    undone = generator.sample(files, 2)
    for file in undone:
        undo_import(store, ids[file])
    other = Store(tmp_path / "b.duckdb")
    for file in files:
        if file not in undone:
            load_paths(other, [file])
    assert team.contents(store) == team.contents(other)


def test_an_undone_file_loads_again(tmp_path: Path, store: Store) -> None:
    file = write(tmp_path, "bench.csv", [33.1, 33.2])
    undo_import(store, load_paths(store, [file]).import_ids[0])
    assert load_paths(store, [file]).rows_loaded == 2


def test_log_and_refusals(tmp_path: Path, store: Store) -> None:
    file = write(tmp_path, "bench.csv", [33.1, 33.2])
    number = load_paths(store, [file]).import_ids[0]
    load_paths(store, [file])
    undo_import(store, number)
    log = imports(store)
    assert log.select("rows_read", "rows_loaded", "rows_unchanged").rows() == [(2, 0, 2), (2, 2, 0)]
    assert log["path"].to_list() == [str(file)] * 2
    assert [at is None for at in log["undone_at"]] == [True, False]
    with pytest.raises(UndoError, match="was undone already"):
        undo_import(store, number)
    with pytest.raises(UndoError, match="there is no import 77"):
        undo_import(store, 77)
