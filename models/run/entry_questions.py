"""What is entered at the bench, after it was saved: sessions opened, corrected, taken back; events.

A correction puts new rows in the place of the old, which stay on record. Taking the newest entry of
a session back brings the one before again.
"""

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import polars as pl

from ingest.load import (
    SESSION_CORRECTED,
    UndoReport,
    commit_rows,
    entry_of,
    replace_session,
    take_back,
)
from ingest.schema import confirmed
from ingest.store import changes
from models.run.bench_questions import judge_bench, session_of, side_of
from models.run.documents import (
    Correction,
    HappenedEvent,
    OpenedSession,
    Saved,
    SavedSession,
)
from models.run.known import MECHANIC, Fleet, change, question
from models.wording import NothingToSayError

Rows = Sequence[Mapping[str, Any]]
EVENTS = (
    *("battery_swap", "crash", "firmware_update", "remount", "service", "chainring_change"),
    *("crank_change", "other"),
)
RECENT = timedelta(days=14)


@question(MECHANIC, watts=False, kept=False)
def opened_session(fleet: Fleet, session_id: str) -> OpenedSession:
    """Return a stored session's rows to correct, where they came from, and earlier corrections.

    Without rows where the store does not hold it (any more).
    """
    with fleet.store.reading() as db:
        rows = db.frame("bench").filter(pl.col("session_id") == session_id)
    entry = entry_of(fleet.store, "bench", session_id) or (0, False)
    log = changes(fleet.store).filter(what=SESSION_CORRECTED, subject=session_id)
    return {
        "session_id": session_id,
        "import_id": entry[0],
        "by_hand": entry[1],
        "rows": [_shown(row) for row in rows.to_dicts()],
        "corrections": [_correction(row) for row in log.iter_rows(named=True)],
    }


def _shown(row: dict[str, Any]) -> dict[str, Any]:
    at: datetime = row["measured_at"]
    return {**row, "measured_at": at.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")}


def _correction(row: Mapping[str, Any]) -> Correction:
    return {
        "changed_at": row["changed_at"],
        "who": row["who"],
        "before": json.loads(row["before"]),
        "after": json.loads(row["after"]),
    }


@change(SESSION_CORRECTED, MECHANIC, then="follow")
def correct_bench(fleet: Fleet, rows: Rows) -> SavedSession:
    """Put a session's rows in the place of those stored; the same again changes nothing."""
    session_id = session_of(rows)
    judged = judge_bench(fleet, rows)
    entered = replace_session(fleet.store, "bench", rows, name=session_id)
    return {
        "session_id": session_id,
        "import_id": entered.import_id,
        "already": entered.already,
        "notices": list(entered.notices),
        "document": judged,
    }


@change("bench session taken back", MECHANIC, then="follow")
def take_back_session(fleet: Fleet, session_id: str) -> UndoReport:
    """Take back a session's newest entry made here; the version before comes again.

    Raise a UserError for a session that came in a file: that is corrected, or its import undone.
    """
    entry = entry_of(fleet.store, "bench", session_id)
    if entry is None:
        raise NothingToSayError(f"there is no session {session_id} any more")
    if not entry[1]:
        raise NothingToSayError(
            f"session {session_id} came with import {entry[0]}, a file: correct it here, or take "
            "the whole import back on the intake page"
        )
    return take_back(fleet.store, entry[0], tables=("bench",))


@change("event noted at the bench", MECHANIC, then="follow")
def save_bench_event(
    fleet: Fleet,
    meter_id: str,
    event: str,
    on: str,
    side: str | None = None,
    note: str | None = None,
) -> Saved:
    """Note one of EVENTS for a meter on a day (ISO), of a side or both; twice a day is once."""
    if event not in EVENTS:
        raise NothingToSayError(f'found event "{event}", expected one of {EVENTS}')
    row = {
        "meter_id": meter_id,
        "date": on,
        "event": event,
        "side": side or None,
        "note": (note or "").strip() or None,
        "state": "confirmed",
    }
    name = " ".join(part for part in (meter_id, on, event, side) if part)
    entered = commit_rows(fleet.store, "events", [row], name=name)
    return {"import_id": entered.import_id, "already": entered.already}


@change("bench entry taken back", MECHANIC, then="follow")
def undo_bench_entry(fleet: Fleet, import_id: int) -> UndoReport:
    """Take back a session or an event that was entered at the bench; return what was done."""
    return take_back(fleet.store, import_id, tables=("bench", "events"))


@question(MECHANIC, watts=False)
def happened_lately(fleet: Fleet) -> list[HappenedEvent]:
    """Return what was noted of meters in the last fortnight, the latest first."""
    if not fleet.store.exists():
        return []
    since = fleet.once(side_of).today - RECENT
    with fleet.store.reading() as db:
        events = db.frame("events")
    rows = events.filter(pl.col("meter_id").is_not_null() & (pl.col("date") >= since) & confirmed())
    shown = rows.sort("date", descending=True).select("meter_id", "event", "date", "side", "note")
    return [
        {**row, "date": row["date"].isoformat()}  # type: ignore[typeddict-item]
        for row in shown.iter_rows(named=True)
    ]
