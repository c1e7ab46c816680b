"""The pages' door to the store and the models: what a page may ask.

Each part of the door is one class in a module `dashboard/data_*.py`, for the pages that need it;
`Data` is all of them together.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from dashboard.service.bench import BenchDoor
from dashboard.service.kept import Kept
from dashboard.service.money import BudgetDoor
from dashboard.service.past import PastDoor
from dashboard.service.people import PeopleDoor
from dashboard.service.riders import RidersDoor
from dashboard.service.rides import RidesDoor
from dashboard.service.season import SeasonDoor
from ingest.store import StoreError
from models.wording import NothingToSayError

Document = dict[str, Any]


class FleetDoor(Kept):
    """What the fleet, meter and method pages ask."""

    def version(self) -> list[object]:
        """Differs when an answer might: the data's, the fit's, the day, the work under way."""
        return [*self._version(), self._standing().behind, self._busy()]

    def status(self, as_of: str | None = None) -> Document:
        """The `status` document; an empty one for a store without data.

        Its `fit` says of now whether data wait to be taken in (behind) and whether that is under
        way (working); a row's taking_in is "measured" or "taken back" until its answers follow.
        """
        stands = self._standing()
        made = self._kept(
            lambda: self._status(as_of), "status", as_of, stands.stale, by_fit=as_of is None
        )
        found = dict(made)
        found["fit"] = made["fit"] | {"behind": stands.behind, "working": self._busy()}
        ahead = self._taking_in() if as_of is None and stands.behind else {}
        found["meters"] = [
            row | {"taking_in": ahead[row["meter_id"]]} if row["meter_id"] in ahead else row
            for row in made["meters"]
        ]
        return found

    def _status(self, as_of: str | None) -> Document:
        from dashboard.service import printing
        from models import run

        day = date.fromisoformat(as_of) if as_of else None
        ready = (lambda: self._fleet(as_of)) if as_of else None
        try:
            found = run.status(self._store, as_of=day, ready=ready)
        except (StoreError, NothingToSayError):
            if self._store.exists() and not run.is_empty(self._store):
                raise
            return _blank_status(as_of)
        return dict(printing.plain(found))

    def fit_state(self) -> Document:
        """Whether the fit converged (null: there is none), and what it said."""
        converged, message = self._standing().converged
        return {"converged": converged, "message": message}

    def history(self, meter_id: str, as_of: str | None = None) -> Document:
        """The `history` document, with forecast, tolerance and control charts."""
        return dict(
            self._kept(
                lambda: self._history(meter_id, as_of),
                *("history", meter_id, as_of),
                by_fit=as_of is None,
            )
        )

    def _history(self, meter_id: str, as_of: str | None) -> Document:
        from dashboard.service import printing
        from models import run

        return dict(printing.plain(run.history_of(self._fleet(as_of), meter_id)))

    def _fleet(self, as_of: str | None) -> Any:
        """The fleet model on a day's records: a second or three to make, shared by all meters."""
        from models import run

        day = date.fromisoformat(as_of) if as_of else None
        return self._kept(
            lambda: run.prepare(self._store, as_of=day), "fleet", as_of, by_fit=as_of is None
        )

    def _warm(self) -> None:
        """What the first visitor would wait for."""
        from models import run

        if self._store.exists() and not run.is_empty(self._store):
            self.status()
            self._fleet(None)
            self._measured()

    def meter(self, meter_id: str) -> Document:
        """A meter's row of `status`; empty if there is none."""
        rows = self.status()["meters"]
        return next((dict(row) for row in rows if row["meter_id"] == meter_id), {})

    def _measured(self) -> Any:
        from models import run

        return self._kept(lambda: run.measured(self._store), "measured")

    def bench_sessions(self, meter_id: str) -> list[Document]:
        """The meter's bench sessions, evaluated, newest last."""
        from models import run

        return list(run.documents_of(self._measured()[0], meter_id)) if self._store.exists() else []

    def comparisons(self, meter_id: str) -> list[Document]:
        """The meter's ride comparisons, newest last."""
        from models import run

        return list(run.documents_of(self._measured()[1], meter_id)) if self._store.exists() else []

    def method(self) -> Document:
        """How the numbers come about: hyperparameters, population, diagnostics."""
        from models import run

        if not self._store.exists() or run.is_empty(self._store):
            return {"population": []}
        return dict(self._kept(lambda: run.method(self._store), "method"))


class Data(
    FleetDoor, BenchDoor, PeopleDoor, RidesDoor, SeasonDoor, RidersDoor, BudgetDoor, PastDoor
):
    """All that the pages may ask; dashboard.security.rights says who may ask what."""


def _blank_status(as_of: str | None) -> Document:
    return {
        "as_of": as_of or date.today().isoformat(),
        "today_note": None,
        "fit": {"fitted_at": None, "stale": False, "converged": None},
        "reliability_target": 0.9,
        "meters": [],
        "references": [],
        "benches": [],
        "fleet": {
            "counts": dict.fromkeys(("out", "due", "soon", "ok", "unknown"), 0),
            "hyperparameters": {},
        },
    }
