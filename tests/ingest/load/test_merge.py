"""Files against the store: multisets, keys, the same again."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from ingest.load import load_paths
from ingest.load.merge import merge
from ingest.schema import BENCH
from ingest.schema.tables import METERS
from ingest.store import Store
from ingest.validate import ROW, signature
from tests.ingest import team

EMPTY = pl.DataFrame(schema={"row_id": pl.Int64(), "live": pl.Boolean(), **BENCH.polars_schema})


def rows(torques: list[float]) -> pl.DataFrame:
    """Unnumbered readings of one session, as a checked file gives them."""
    frame = pl.DataFrame({"session_id": ["S"] * len(torques), "torque_nm": torques})
    return BENCH.conform(frame).with_columns(pl.int_range(2, len(torques) + 2).alias(ROW))


def entered(versions: pl.DataFrame, torques: list[float]) -> tuple[pl.DataFrame, int, int]:
    change = merge(BENCH, versions, rows(torques), next_row_id=versions.height + 1)
    assert change.claims.height == len(torques)
    assert change.loaded + change.unchanged == len(torques)
    added = change.added.select("row_id", pl.lit(True).alias("live"), *BENCH.names)
    return pl.concat([versions, added]), change.loaded, change.unchanged


def test_multisets_hold_the_most_of_any_file() -> None:
    """After any sequence of files, each row is there as often as in the file with most of it."""
    generator = random.Random(7)
    for _ in range(60):
        versions, most = EMPTY, Counter[float]()
        for _ in range(generator.randint(1, 6)):
            file = [generator.choice([33.1, 33.2, 33.3]) for _ in range(generator.randint(0, 7))]
            versions, loaded, _ = entered(versions, file)
            grown = most | Counter(file)
            assert loaded == grown.total() - most.total()
            most = grown
        assert Counter(versions["torque_nm"].to_list()) == most
        assert versions["row_id"].n_unique() == versions.height


def test_order_of_files_does_not_matter() -> None:
    generator = random.Random(8)
    for _ in range(30):
        files = [
            [generator.choice([1.0, 2.0]) for _ in range(generator.randint(0, 5))] for _ in "abc"
        ]
        counts = []
        for order in (files, files[::-1]):
            versions = EMPTY
            for file in order:
                versions, _, _ = entered(versions, file)
            counts.append(Counter(versions["torque_nm"].to_list()))
        assert counts[0] == counts[1]


def test_signature_tells_null_from_empty_and_columns_apart() -> None:
    frame = pl.DataFrame(
        {"meter_id": ["a", "a", None], "owner": [None, "b", "a"], "location": ["b", None, None]}
    )
    texts = METERS.conform(frame).select(signature(METERS)).to_series()
    assert texts.n_unique() == 3


def bench(folder: Path, name: str, sessions: list[team.Row]) -> Path:
    return team.write_csv(folder / name, sessions)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "team.duckdb")


def counts(report: Any) -> tuple[int, int, int, int]:
    (entry,) = report.files
    return (entry.rows_read, entry.rows_loaded, entry.rows_unchanged, entry.rows_set_aside)


def test_unnumbered_repeats_through_files(tmp_path: Path, store: Store) -> None:
    one = team.reading(number=None)
    first = bench(tmp_path, "bench-a.csv", [one] * 3)
    assert counts(load_paths(store, [first])) == (3, 3, 0, 0)
    assert counts(load_paths(store, [first])) == (3, 0, 3, 0)
    assert counts(load_paths(store, [bench(tmp_path, "bench-b.csv", [one] * 2)])) == (2, 0, 2, 0)
    assert counts(load_paths(store, [bench(tmp_path, "bench-c.csv", [one] * 4)])) == (4, 1, 3, 0)
    assert team.live(store, "bench").height == 4


def test_a_growing_file(tmp_path: Path, store: Store) -> None:
    """The usual spreadsheet: the same file with rows added below."""
    sessions = [team.reading(number=i, torque_nm=33 + i / 10) for i in range(1, 6)]
    assert counts(load_paths(store, [bench(tmp_path, "bench.csv", sessions[:3])])) == (3, 3, 0, 0)
    assert counts(load_paths(store, [bench(tmp_path, "bench.csv", sessions)])) == (5, 2, 3, 0)


def test_a_numbered_reading_counts_once(tmp_path: Path, store: Store) -> None:
    twice = [team.reading(number=1), team.reading(number=1)]
    assert counts(load_paths(store, [bench(tmp_path, "bench.csv", twice)])) == (2, 1, 1, 0)


def test_a_numbered_reading_with_other_values_is_a_conflict(tmp_path: Path, store: Store) -> None:
    load_paths(store, [bench(tmp_path, "bench-a.csv", [team.reading(number=1)])])
    other = [team.reading(number=1, torque_nm=34.0), team.reading(number=2, torque_nm=34.0)]
    report = load_paths(store, [bench(tmp_path, "bench-b.csv", other)])
    assert counts(report) == (2, 1, 0, 1)
    (problem,) = report.set_aside
    assert (problem.row, problem.column, problem.found) == (2, "torque_nm", "34")
    assert problem.expected.startswith("33.92, as in the store for session_id S1, reading 1")
    assert "undo that import" in problem.fix


def test_a_session_that_says_otherwise_than_the_store(tmp_path: Path, store: Store) -> None:
    load_paths(store, [bench(tmp_path, "bench-a.csv", [team.reading(number=1)])])
    other = [team.reading(number=2, slope_before=5.7)]
    (problem,) = load_paths(store, [bench(tmp_path, "bench-b.csv", other)]).set_aside
    assert (problem.column, problem.found) == ("slope_before", "5.7")
    assert problem.expected == "5.69, as the store has it"
    assert "undo the import that brought the other" in problem.fix


def test_a_zero_reading_needs_no_crank_length(tmp_path: Path, store: Store) -> None:
    zero = team.reading(number=1, load="zero", mass_kg=None, crank_length_mm=None, torque_nm=0.1)
    assert load_paths(store, [bench(tmp_path, "bench.csv", [zero])]).clean


def meters(folder: Path, name: str, **cells: Any) -> Path:
    return team.write_csv(folder / name, [team.METERS[0] | cells, team.METERS[1]])


def tolerance(store: Store) -> float:
    frame = team.live(store, "meters")
    assert frame.height == 2
    value = frame.filter(pl.col("meter_id") == "M1")["tolerance_pct"][0]
    return float(value)


def test_a_later_file_replaces_a_keyed_row(tmp_path: Path, store: Store) -> None:
    load_paths(store, [meters(tmp_path, "meters.csv")])
    report = load_paths(store, [meters(tmp_path, "meters.csv", tolerance_pct=2)])
    assert counts(report) == (2, 1, 1, 0)
    assert any("meters M1 changed: tolerance_pct 1.5 → 2" in text for text in report.notices)
    assert tolerance(store) == 2


def test_changing_back_is_a_change(tmp_path: Path, store: Store) -> None:
    for value in (1.5, 2, 1.5):
        load_paths(store, [meters(tmp_path, "meters.csv", tolerance_pct=value)])
    assert tolerance(store) == 1.5


def test_a_folder_whose_files_disagree_settles(tmp_path: Path, store: Store) -> None:
    """Loading it again changes nothing, though an earlier file says otherwise than a later."""
    folder = tmp_path / "tables"
    folder.mkdir()
    meters(folder, "meters-2023.csv", tolerance_pct=1)
    meters(folder, "meters-2024.csv", tolerance_pct=2)
    load_paths(store, [folder])
    before = team.contents(store)
    assert tolerance(store) == 2
    report = load_paths(store, [folder])
    assert report.rows_loaded == 0
    assert team.contents(store) == before


def test_empty_key_cells_are_a_value(tmp_path: Path, store: Store) -> None:
    spare = {"meter_id": "M1", "from_date": "2024-01-01", "rider_id": None, "role": "spare"}
    file = tmp_path / "assignments.csv"
    load_paths(store, [team.write_csv(file, [spare, spare | {"rider_id": "R1"}])])
    report = load_paths(store, [team.write_csv(file, [spare | {"role": "home"}])])
    assert counts(report) == (1, 1, 0, 0)
    roles = dict(team.live(store, "assignments").select("rider_id", "role").iter_rows())
    assert roles == {None: "home", "R1": "spare"}


def test_twice_changes_nothing(tmp_path: Path, store: Store) -> None:
    folder = team.write_team(tmp_path / "tables")
    first = load_paths(store, [folder])
    before = team.contents(store)
    with store.reading() as db:
        version = db.data_version()
    again = load_paths(store, [folder])
    with store.reading() as db:
        assert db.data_version() == version, "a fit would be called stale for nothing"
    assert first.rows_loaded == sum(map(len, team.TEAM.values()))
    assert again.rows_loaded == 0
    assert again.set_aside == []
    assert team.contents(store) == before


def test_zeros_typed_at_the_end_are_kept_and_make_no_row_another(tmp_path: Path) -> None:
    """33,0 was read off a display of tenths; as 33 it is the same row of the same session."""
    typed = {"M1": "33,0", "M2": "33,40", "M3": "33,4", "M4": "33"}
    rows = [team.reading(session=f"S{m}", meter_id=m, torque_nm=text) for m, text in typed.items()]
    tables = {"meters": [{**team.METERS[0], "meter_id": m} for m in typed]}
    tables |= {"mass_sets": team.MASS_SETS, "bench": rows}
    store, report = team.load(tmp_path, team.write_team(tmp_path / "typed", tables))
    assert report.clean, report.set_aside
    kept = team.live(store, "bench").sort("meter_id")
    assert kept["torque_decimals"].to_list() == [1, 2, None, None]
    rows = [row | {"torque_nm": str(row["torque_nm"]).rstrip("0").rstrip(",")} for row in rows]
    _, again = team.load(tmp_path, team.write_team(tmp_path / "bare", tables | {"bench": rows}))
    assert (again.rows_loaded, again.set_aside) == (0, [])
    assert team.live(store, "bench").height == 4
