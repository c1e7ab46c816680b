"""The bench page's part of the door: its data, a draft judged, a session saved, its record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from dashboard.service import commands
from dashboard.service.follow import Follower
from dashboard.service.kept import Kept

Document = dict[str, Any]
Rows = Sequence[Mapping[str, Any]]
WAIT_FOR_DUE_S = 5.0  # a label asked for at once waits so long for its due date
EVENTS = ("battery_swap", "crash", "firmware_update", "remount")


class BenchDoor(Kept):
    """What the bench page asks, and what it writes."""

    def __init__(self, store: Path) -> None:
        super().__init__(store)
        self._follower = Follower(store)

    def bench_kit(self) -> Document:
        """All that the page needs to judge readings by itself; empty lists without data."""
        return dict(self._kept(self._bench_kit, "bench kit"))

    def _bench_kit(self) -> Document:
        from dashboard.service import printing
        from models import run

        if not self._store.exists():
            return {"meters": [], "kinds": {}, "mass_sets": [], "places": [], "today": None}
        status = self._status_rows()
        made = run.kit(self._side(), status)
        return dict(printing.plain(made))

    def _status_rows(self) -> list[Document]:
        status = getattr(self, "status", None)
        return list(status()["meters"]) if status is not None else []

    def _side(self) -> Any:
        from models import run

        return self._kept(lambda: run.side_of(self._store), "bench side")

    def _busy(self) -> bool:
        return self._follower.busy or super()._busy()

    def _taking_in(self) -> dict[str, str]:
        return dict(self._side().taking_in) if self._store.exists() else {}

    def judge_bench(self, rows: Rows) -> Document:
        """The `bench` document of a draft. An expected error for a cell that cannot be used."""
        from dashboard.service import printing
        from models import run

        _one_session(rows)
        return dict(printing.plain(run.judge(self._side(), rows)))

    def save_bench(self, rows: Rows) -> Document:
        """Load a draft as the table `bench`, as a file would be; the same again is no second one.

        Out  session_id, import_id (takes it back), already, document (the verdict)
        """
        from ingest.load import commit_rows

        session_id = _one_session(rows)
        judged = self.judge_bench(rows)
        entered = commit_rows(self._store, "bench", rows, name=session_id)
        if not entered.already:
            self._follower.ask()
        return {
            "session_id": session_id,
            "import_id": entered.import_id,
            "already": entered.already,
            "notices": list(entered.notices),
            "document": judged,
        }

    def save_bench_event(self, meter_id: str, event: str, on: str) -> Document:
        """One of EVENTS for a meter on a day (ISO), by one tap; twice on a day is once."""
        from ingest.load import commit_rows

        if event not in EVENTS:
            raise commands.NothingDoneError(f'found event "{event}", expected one of {EVENTS}')
        row = {"meter_id": meter_id, "date": on, "event": event, "state": "confirmed"}
        entered = commit_rows(self._store, "events", [row], name=f"{meter_id} {on} {event}")
        if not entered.already:
            self._follower.ask()
        return {"import_id": entered.import_id, "already": entered.already}

    def undo_bench_entry(self, import_id: int) -> Document:
        """Take back a session or an event that was entered here."""
        from dataclasses import asdict

        from ingest.load import take_back

        undone = asdict(take_back(self._store, import_id, tables=("bench", "events")))
        self._follower.ask()
        return undone

    def bench_record(self, session_id: str) -> Document:
        """What a calibration record says: run_bench.session, tolerance, the next due date."""
        from dashboard.service import printing
        from models import run

        found = run.session(self._store, session_id)
        if found["document"]["meter_id"] in self._taking_in():
            self._follower.settled(WAIT_FOR_DUE_S)
        due = {row["meter_id"]: row for row in self._status_rows()}
        status = due.get(found["document"]["meter_id"], {})
        return dict(printing.plain(found | {"status": status}))


def _one_session(rows: Rows) -> str:
    """The session that all rows name."""
    named = {str(row.get("session_id") or "") for row in rows}
    if len(named) != 1 or not next(iter(named)):
        raise commands.NothingDoneError(
            "found rows of no or several sessions, expected one session"
        )
    return named.pop()
