"""What the riders pages ask: who rides what, what to make of it, what an effort was worth."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import polars as pl

from dashboard.service.commands import NothingDoneError, is_expected, settings
from dashboard.service.decisions import read_effort
from dashboard.service.later import Later, Say
from ingest.schema import newest_in_force

Document = dict[str, Any]
TOLD = ("status", "gain_error_pct", "interval90_pct", "p_within_tolerance", "tolerance_pct")
MOST_EFFORTS = 8
MORE = (("zeroed", "zeroed"), ("cadence", "cadence_rpm"))  # as an effort is written, as it is asked


class RidersDoor(Later):
    """The coach's questions."""

    def riders(self, as_of: str | None = None) -> list[Document]:
        """One row a rider: rider_id, coach, left (day), `meters` ridden on the day."""
        return list(self._kept(lambda: self._riders(as_of), "riders", as_of))

    def _riders(self, as_of: str | None) -> list[Document]:
        from dashboard.service import printing

        if not self._store.exists():
            return []
        status = self.status(as_of)  # type: ignore[attr-defined]
        known = {row["meter_id"]: row for row in status["meters"]}
        day = date.fromisoformat(status["as_of"])
        with self._store.reading() as db:
            riders, assignments = db.frame("riders"), db.frame("assignments")
        now = newest_in_force(assignments, day)
        named = assignments["rider_id"].drop_nulls().unique().to_list()
        about = {row["rider_id"]: row for row in riders.to_dicts()}
        return [
            dict(printing.plain(_rider_row(name, about.get(name, {}), now, known)))
            for name in sorted({*about, *named})
        ]

    def rider(self, rider_id: str, as_of: str | None = None) -> Document:
        """What there is of one rider's page: periods with their curves, bikes, efforts, notices."""
        from dashboard.service import printing
        from models import run

        told = self._later(lambda say: self._rider(rider_id, as_of, say), "rider", rider_id, as_of)
        if told["document"]:
            known = run.seen(self._store)
            told = told | {"document": run.with_seen(told["document"], known)}
        return dict(printing.plain(told))

    def _rider(self, rider_id: str, as_of: str | None, say: Say) -> Document:
        from models import run

        ready = self._ready(as_of, say)
        say(f"drawing what {rider_id} has ridden")
        return dict(run.rider_of(ready, rider_id))

    def effort(
        self,
        rider_id: str,
        efforts: Sequence[Document],
        as_of: str | None = None,
        carry_to: str | None = None,
    ) -> Document:
        """The `effort` document of a rider's efforts, or in words why there is none.

        efforts: date (a time may follow after a T), meter_id or reference_id, watts, seconds,
            zeroed (yes, no, or nothing), cadence_rpm
        carry_to: a meter that the watts are carried to
        """
        from dashboard.service import printing

        texts = tuple(_as_text(one) for one in efforts[:MOST_EFFORTS])
        devices = [(one.get("meter_id"), one.get("reference_id")) for one in efforts]
        try:
            answer = self._kept(
                lambda: self._effort(texts, devices, as_of, carry_to),
                *("effort", rider_id, texts, as_of, carry_to),
            )
        except Exception as problem:
            if not is_expected(problem):
                raise
            return {"state": "failed", "said": str(problem), "seconds": 0, "document": None}
        return {"state": "done", "said": "", "seconds": 0, "document": printing.plain(answer)}

    def _effort(
        self,
        texts: Sequence[str],
        devices: Sequence[tuple[str | None, str | None]],
        as_of: str | None,
        carry_to: str | None,
    ) -> Document:
        from models import run

        zone = str(settings(self._store.path)["time_zone"])
        asked = [read_effort(text, zone) for text in texts]
        ready = self._ready(as_of, lambda _text: None)
        answer = run.effort_of(ready, asked, carry_to=[carry_to] if carry_to else [])
        rows = [
            row | {"meter_id": meter, "reference_id": None if meter else reference}
            for row, (meter, reference) in zip(answer["efforts"], devices, strict=False)
        ]
        return answer | {"efforts": rows}

    def ledger(self, rider_id: str, first: str, last: str, as_of: str | None = None) -> Document:
        """The `correct` document: the ledger of a rider's correction factors over a period."""
        from dashboard.service import printing
        from models import run

        period = run.Period(date.fromisoformat(first), date.fromisoformat(last), None, rider_id)
        ready = self._ready(as_of, lambda _text: None)
        return dict(printing.plain(run.correct_of(ready, period)))

    def acknowledge_notice(self, rider_id: str, notice_id: str) -> None:
        """Note that whoever asks has read a notice about a rider."""
        from models import run

        run.acknowledge(self._store, notice_id)


def _rider_row(
    name: str, about: Document, now: pl.DataFrame, known: dict[str, Document]
) -> Document:
    mine = now.filter(pl.col("rider_id") == name).to_dicts()
    return {
        "rider_id": name,
        "coach": about.get("coach"),
        "left": about.get("to_date"),
        "meters": [
            {
                "meter_id": row["meter_id"],
                "bike_id": row["bike_id"],
                "role": row["role"],
                "since": row["from_date"],
                **{key: known[row["meter_id"]].get(key) for key in TOLD},
            }
            for row in mine
            if row["meter_id"] in known
        ],
    }


def _as_text(one: Document) -> str:
    """An effort as the command line takes it, so that both say the same about a bad one."""
    device = one.get("meter_id") or one.get("reference_id") or ""
    more = [f"{key}={one[name]}" for key, name in MORE if one.get(name) not in (None, "")]
    parts = [one.get("date") or "", device, one.get("watts"), one.get("seconds"), *more]
    if "," in f"{parts[0]}{device}":
        raise NothingDoneError(f'found "{device}" as a meter, expected one without a comma')
    return ",".join(str(part) for part in parts if part not in (None, "") or part is parts[1])
