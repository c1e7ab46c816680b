"""What the rides page and a meter's page ask about recordings."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from typing import Any

from dashboard.service.commands import Document
from dashboard.service.intake import IntakeDoor


class RidesDoor(IntakeDoor):
    """Recordings that are looked at, compared, kept or discarded; comparisons that were kept."""

    def look_at_rides(self, files: Sequence[tuple[str, bytes]]) -> str:
        """Read dropped recordings in the background; gives the ticket to ask about them with."""
        from models import run

        ticket, given = secrets.token_hex(8), list(files)
        self.worker.begin(
            _job(ticket), lambda tell: _plain(run.look_at(self._store, given, say=tell))
        )
        return ticket

    def rides_looked_at(self, ticket: str) -> Document:
        """How far the reading of dropped recordings has come.

        busy, text: what is being done; failure: why it could not be; answer: {"drop",
        "recordings", "problems", "pairs"} once it is done
        """
        state = self.worker.state()
        ended = state["ended"].get(_job(ticket)) or {"answer": None, "failure": None}
        done = bool(ended["answer"] or ended["failure"])
        text = state["text"] if state["now"] == _job(ticket) else ""
        return {"busy": not done, "text": text} | {k: ended[k] for k in ("answer", "failure")}

    def compare_rides(self, drop: str | None, meter: str, reference: str) -> Document:
        """The `compare` document of two recordings (by sha256), and what its charts show."""
        from models import run

        chosen = run.Chosen(drop, meter, reference)
        make = lambda: _plain(run.compare_chosen(self._store, chosen))  # noqa: E731
        return dict(self._kept(make, "pair", chosen))

    def keep_rides(
        self, drop: str | None, meter: str, reference: str, *, meter_id: str, reference_id: str
    ) -> Document:
        """Put a pair into the store: comparison_id, notices. The models are refitted after it."""
        from models import run

        kept = run.keep(
            self._store,
            run.Chosen(drop, meter, reference),
            meter_id=meter_id,
            reference_id=reference_id,
            say=_nobody,
        )
        self._slots.clear()
        self.begin_fit()
        return kept

    def discard_rides(self, drop: str) -> None:
        """Let dropped recordings go."""
        from models import run

        run.discard(self._store, drop)

    def rides_waiting(self) -> list[Document]:
        """Pairs among the loaded recordings that nobody has decided about."""
        from models import run

        return list(self._kept(lambda: _plain(run.waiting(self._store)), "waiting"))

    def rides_kept(self) -> list[Document]:
        """The comparisons of recordings, newest first."""
        from models import run

        return list(self._kept(lambda: _plain(run.kept(self._store)), "rides kept"))

    def ride_devices(self) -> Document:
        """The ids to choose from: meters, references."""
        from models import run

        return dict(self._kept(lambda: run.device_ids(self._store), "ride devices"))

    def drawn_ride(self, meter_id: str, comparison_id: str) -> Document:
        """What the charts of one of a meter's comparisons show; empty where it has no traces."""
        from models import run

        return run.drawn_comparison(self._store, meter_id, comparison_id) or {}


def _job(ticket: str) -> str:
    return f"look {ticket}"


def _plain(document: Any) -> Any:
    from dashboard.service import printing

    return printing.plain(document)


def _nobody(_text: str) -> None:
    """Nobody listens: it is short."""
