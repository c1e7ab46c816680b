"""What goes with age: recordings and the log of changes, after as many days as the team says."""

from datetime import UTC, date, datetime, timedelta

import polars as pl

from ingest.admin.backups import MADE
from ingest.recordings import recordings_folder, remove_files, stored_summaries
from ingest.store import Database, Store, record

FORGOTTEN = "recordings forgotten"
LONGEST_QUIET = timedelta(days=90)  # a clock further ahead of the last change is not believed


def forget_old(store: Store, *, today: date) -> dict[str, int]:
    """Remove what is older than the settings say; return how many recordings and changes went.

    Results of comparisons stay: they are measurements of devices.
    """
    if not store.exists():
        return {"recordings": 0, "changes": 0}
    with store.reading() as db:
        limits = db.setting("recordings_kept_days"), db.setting("changes_kept_days")
        if limits == (None, None):
            return {"recordings": 0, "changes": 0}
        today = min(today, _latest(db, today) + LONGEST_QUIET)
    rides, log = (None if days is None else today - timedelta(days=float(days)) for days in limits)
    return {
        "recordings": 0 if rides is None else _forget_recordings(store, rides),
        "changes": 0 if log is None else _forget_changes(store, log),
    }


def _latest(db: Database, today: date) -> date:
    """Return the day of the last load or change; today where there was none."""
    days = [*db.frame("imports")["loaded_at"], *db.frame("changes")["changed_at"]]
    return max((at.date() for at in days), default=today)


def _forget_recordings(store: Store, before: date) -> int:
    kept = stored_summaries(recordings_folder(store))
    old = kept.filter(pl.col("started_at").dt.date() < before)
    if old.is_empty():
        return 0
    remove_files(store, old["path"].to_list())
    with store.writing() as db:
        record(db, FORGOTTEN, f"before {before.isoformat()}", before={"recordings": old.height})
    return old.height


def _forget_changes(store: Store, before: date) -> int:
    """Remove recorded changes before a day; where backups are stays on record while they are."""
    with store.writing() as db:
        held = db.frame("changes").height
        limit = datetime(before.year, before.month, before.day, tzinfo=UTC)
        db.change("people/forget_changes", new_version=False, before=limit, kept=MADE)
        return held - db.frame("changes").height
