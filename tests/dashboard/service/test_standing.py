"""What tells that a kept answer no longer holds."""

from __future__ import annotations

from pathlib import Path

from dashboard.service.standing import standing_of
from ingest.store import Store
from models import run


def test_races_and_capacity_that_are_entered_or_taken_back_end_kept_plans(tmp_path: Path) -> None:
    store = Store(tmp_path / "team.duckdb")
    fleet = run.Fleet(store)
    run.note_calendar(fleet, "camp", "Coast", "2027-01-08", "2027-01-21")
    before = standing_of(store).beside
    noted = run.note_capacity(fleet, 3, "2027-02-01", "2027-02-28")
    entered = standing_of(store).beside
    run.take_back_calendar(fleet, noted["import_ids"])
    assert len({before, entered, standing_of(store).beside}) >= 2
    assert entered not in (before, standing_of(store).beside)
