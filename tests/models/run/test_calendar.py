"""Races, camps, closures and capacity as the season page enters them."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.store import Store
from models import run
from models.wording import NoAnswerError


def rows(store: Store, table: str) -> list[dict[str, object]]:
    with store.reading() as db:
        return db.frame(table).to_dicts()


def test_an_entry_is_written_changed_and_taken_back(tmp_path: Path) -> None:
    store = Store(tmp_path / "team.duckdb")
    fleet = run.Fleet(store)
    run.note_calendar(fleet, "race A", "Loop", "2027-07-03", "2027-07-25")
    noted = run.note_calendar(fleet, "race B", "Loop", "2027-07-03", "2027-07-20")
    [row] = rows(store, "calendar")
    assert (row["kind"], row["priority"], str(row["to_date"])) == ("race", "B", "2027-07-20")
    run.take_back_calendar(fleet, noted["import_ids"])
    [row] = rows(store, "calendar")
    assert (row["priority"], str(row["to_date"])) == ("A", "2027-07-25")
    run.note_capacity(fleet, 0, "2027-07-01", "2027-07-31")
    [row] = rows(store, "capacity")
    assert (row["slots"], row["workshop"]) == (0.0, None)


def test_a_crew_that_is_away_leaves_every_workshop_of_the_period_empty(tmp_path: Path) -> None:
    store = Store(tmp_path / "team.duckdb")
    fleet = run.Fleet(store)
    year = ("2027-01-01", "2027-12-31")
    for place in ("North", "South"):
        run.note_capacity(fleet, 4, *year, place)
    with pytest.raises(NoAnswerError, match="which of them: North, South"):
        run.note_capacity(fleet, 2, "2027-07-01", "2027-07-31")
    run.note_capacity(fleet, 0, "2027-07-01", "2027-07-31")
    assert sorted((row["workshop"], row["slots"]) for row in rows(store, "capacity")) == [
        ("North", 0.0), ("North", 4.0), ("South", 0.0), ("South", 4.0)
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("ask", "expected"),
    [
        (("picnic", "Loop", "2027-07-03", "2027-07-04"), "expected one of: race A"),
        (("camp", " ", "2027-07-03", "2027-07-04"), "expected the name"),
        (("camp", "Loop", "soon", "2027-07-04"), "expected a day"),
        (("camp", "Loop", "2027-07-05", "2027-07-04"), "turn them round"),
    ],
)
def test_what_cannot_be_entered_says_what_to_give(
    tmp_path: Path, ask: tuple[str, str, str, str], expected: str
) -> None:
    with pytest.raises(NoAnswerError, match=expected):
        run.note_calendar(run.Fleet(Store(tmp_path / "team.duckdb")), *ask)
