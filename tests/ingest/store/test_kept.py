"""What was read is kept, and never shown once it was written over."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl
import pytest

from ingest.store import NotKeptError, Store, claims_of


def events(*row_ids: int) -> pl.DataFrame:
    return pl.DataFrame({"row_id": row_ids, "event": ["other"] * len(row_ids)})


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """A store that keeps what is read, with an event and a computed table, read once."""
    store = Store(tmp_path / "team.duckdb", keeps=True)
    with store.writing() as db:
        db.add_rows("events", events(1))
        db.put_derived("results", pl.DataFrame({"meter_id": ["A", "B"], "x": [1.0, None]}))
    store.settled_stamp()
    with store.reading() as db:
        db.frame("events"), db.derived("results"), db.derived("results", meter="A"), db.settings()
    return store


def test_what_was_read_is_read_again_without_opening_the_store(store: Store) -> None:
    with store.unopened(), store.reading() as db:
        assert db.frame("events").height == 1
        assert db.derived("results", meter="B") is not None
        assert db.setting("time_zone") == "UTC"
        with pytest.raises(NotKeptError):
            db.frame("meters")
        with pytest.raises(NotKeptError), store.writing():
            pass


def test_a_write_by_another_ends_what_is_kept_of_that_table_alone(store: Store) -> None:
    with Store(store.path).writing() as db:
        db.add_rows("events", events(2))
    store.settled_stamp()
    with pytest.raises(NotKeptError), store.unopened():
        pass
    with store.reading() as db:
        assert db.data_version() == 2
    with store.unopened() as db:
        assert db.derived("results") is not None
        with pytest.raises(NotKeptError):
            db.frame("events")
    with store.reading() as db:
        assert db.frame("events").height == 2


def test_others_see_what_was_before_while_one_writes_and_not_after(store: Store) -> None:
    def seen() -> int:
        with ThreadPoolExecutor(1) as other:
            return other.submit(read).result()

    def read() -> int:
        with store.unopened() as db:
            return db.frame("events").height

    with store.writing() as db:
        db.add_rows("events", events(2))
        assert seen() == 1
    with pytest.raises(NotKeptError):
        seen()
    with store.writing() as db:  # of the write before, all have been told
        db.add_rows("events", events(3))
        with pytest.raises(NotKeptError):
            seen()
    store.settled_stamp()
    with store.reading() as db:
        assert db.frame("events").height == 3
    assert seen() == 3


def test_what_is_read_again_with_a_change_needs_no_further_opening(store: Store) -> None:
    store.after_a_change(lambda: read(store))
    store.after_a_change(lambda: 1 / 0)
    with store.writing() as db:
        db.add_rows("events", events(2))
    store.settled_stamp()
    with store.unopened() as db:
        assert db.frame("events").height == 2
        assert db.data_version() == 2


def read(store: Store) -> None:
    with store.reading() as db:
        db.frame("events")


def test_a_file_of_the_same_time_and_size_is_told_apart(store: Store) -> None:
    def write(row_id: int) -> tuple[object, ...] | None:
        with Store(store.path).writing() as db:
            db.set_live("events", [1], live=row_id == 1)
        os.utime(store.path, ns=(1, 1))
        return store.stamp()

    marks = [write(row_id) for row_id in (1, 2, 1, 2)]
    assert len(set(marks)) == 4


def test_a_transaction_sees_what_it_wrote(store: Store) -> None:
    with store.writing() as db:
        assert db.frame("events").height == 1
        db.add_rows("events", events(2))
        assert db.frame("events").height == 2
        db.set_live("events", [1, 2], live=False)
        assert db.frame("events").is_empty()
    with store.trying() as db:
        db.set_live("events", [1], live=True)
        assert db.frame("events").height == 1
    with store.reading() as db:
        assert db.frame("events").is_empty()


def test_what_is_kept_is_nobodys_to_change(store: Store) -> None:
    with store.reading() as db:
        db.frame("events").insert_column(0, pl.Series("new", [1]))
        assert "new" not in db.frame("events").columns


def test_an_equal_computed_table_leaves_its_mark(store: Store) -> None:
    def put(x: list[float | None]) -> str:
        with store.writing() as db:
            db.put_derived("results", pl.DataFrame({"meter_id": ["A", "B"], "x": x}), if_new=True)
        with store.reading() as db:
            return db.marks()["derived_results"]

    with store.reading() as db:
        first = db.marks()["derived_results"]
    assert put([1.0, None]) == first
    other = put([1.0, 2.0])
    assert other != first
    with store.reading() as db:
        found = db.derived("results", meter="B")
    assert found is not None
    assert found["x"].to_list() == [2.0]


def test_what_is_too_large_is_asked_for_in_parts(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.store.kept.LARGEST_BYTES", 1000)
    with store.writing() as db:
        db.put_derived("results", pl.DataFrame({"meter_id": ["A", "B"], "x": [3.0, 4.0]}))
    for meter, x in (("A", 3.0), ("B", 4.0), ("A", 3.0)):
        with store.reading() as db:
            found = db.derived("results", meter=meter)
        assert found is not None
        assert found["x"].to_list() == [x]
    with store.unopened() as db, pytest.raises(NotKeptError):
        db.derived("results", meter="A")


def test_claims_have_a_mark_for_each_table(store: Store) -> None:
    def claim(table: str) -> dict[str, str]:
        with store.writing() as db:
            db.insert("claims", pl.DataFrame({"table_name": [table], "row_id": [1]}))
        with store.reading() as db:
            return db.marks()

    first = claim("bench")
    second = claim("events")
    assert second[claims_of("bench")] == first[claims_of("bench")]
    assert second["claims"] != first["claims"]
    with store.writing() as db:
        db.remove_rows("bench", [1])
    with store.reading() as db:
        assert db.marks()[claims_of("bench")] != first[claims_of("bench")]
    with store.writing() as db:
        db.delete("claims", "row_id", [1])
    with store.reading() as db:
        assert db.marks()["*"] != first["*"]
