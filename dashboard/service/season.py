"""What the season page asks: the plan with the pins that are kept, and how it is taken away."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any, cast

import polars as pl

from dashboard.service.commands import NothingDoneError
from dashboard.service.kept import Remembered
from dashboard.service.later import Later, Say
from ingest.admin import Pins, move_pins, pins
from ingest.schema import in_force

Document = dict[str, Any]
WITHOUT_CALENDAR = timedelta(weeks=26)
SHORTEST, LONGEST = timedelta(weeks=12), timedelta(weeks=52)
COMING = ("lent", "at_service")


class SeasonDoor(Later):
    """The season's plan: asked for a period, worked out beside the page."""

    def season(self, as_of: str | None = None) -> Document:
        """The day it is, the period to plan unless told otherwise, whether there is a fleet."""
        return dict(self._kept(lambda: self._season(as_of), "season", as_of))

    def _season(self, as_of: str | None) -> Document:
        from models import run

        if not self._store.exists() or run.is_empty(self._store):
            return {"empty": True, "as_of": as_of or date.today().isoformat()}
        with self._store.reading() as db:
            calendar, own = db.frame("calendar"), db.setting("today")
            today = run.today_of(db, run.settings_of(db))
        day = date.fromisoformat(as_of) if as_of else today
        note = f"Today is {own}, the last day of these data." if own and not as_of else None
        first, last = day.isoformat(), _last_race(calendar, day).isoformat()
        return {"empty": False, "as_of": day.isoformat(), "today_note": note} | {
            "first": first,
            "last": last,
        }

    def plan(
        self, first: str, last: str, slots: int | None = None, as_of: str | None = None
    ) -> Document:
        """What there is of the `plan` document of a period, with the calendar's entries in it.

        state, said, seconds: as of any answer that takes long; pins: the weeks that each meter is
        pinned to; idle_pins: pins that say nothing about this period
        """
        from dashboard.service import printing

        told = self._planned(first, last, slots, as_of)
        return dict(printing.plain(told))

    def _planned(self, first: str, last: str, slots: int | None, as_of: str | None) -> Document:
        asked = (date.fromisoformat(first), date.fromisoformat(last), slots, as_of)
        kept = self._pins()
        key = tuple(sorted(kept.items()))
        told = self._later(lambda say: self._plan(*asked, kept=kept, say=say), "plan", *asked, key)
        return told | {"pins": kept}

    def _pins(self) -> Pins:
        if not hasattr(self, "_kept_pins"):
            self._kept_pins = Remembered(self._store, lambda: pins(self._store))
        return self._kept_pins()

    def _plan(
        self,
        first: date,
        last: date,
        slots: int | None,
        as_of: str | None,
        *,
        kept: Pins,
        say: Say,
    ) -> Document:
        from models import run
        from models.season import Asked

        ready = self._ready(as_of, say)
        begin = max(first, ready.found.as_of)
        held, idle = pins_in_force(kept, ready.found.meters, begin, last)
        say("weighing every visit against every other")
        asked = Asked(first, last, slots, held)
        document = run.plan_of(ready, asked)
        return document | {
            "events": _events(ready.tables["calendar"], begin, last),
            "idle_pins": idle,
            "target": ready.settings.reliability_target,
            "as_of": ready.found.as_of,
        }

    def move_visit(self, meter_id: str, away: str | None = None, to: str | None = None) -> Document:
        """Unpin a meter's visit from one week, pin it to another, or both; days name weeks."""
        if to and to < str(self.season().get("as_of"))[:10] and not _same_week(to, self.season()):
            raise NothingDoneError(
                f"The week of {to} is past: pin {meter_id} to this week or a later one."
            )
        before, after = ([date.fromisoformat(day)] if day else [] for day in (away, to))
        move_pins(self._store, meter_id, away=before, to=after)
        return {"meter_id": meter_id, "weeks": list(self._pins().get(meter_id, ()))}

    def plan_calendar(
        self, first: str, last: str, slots: int | None = None, as_of: str | None = None
    ) -> str:
        """The plan as an iCalendar file."""
        from models.season import PlanDocument, calendar_text

        plan = cast("PlanDocument", self._done(first, last, slots, as_of))
        return calendar_text(plan, stamp=datetime.now(UTC))

    def bench_list(
        self,
        week: str,
        first: str,
        last: str,
        slots: int | None = None,
        as_of: str | None = None,
    ) -> Document:
        """What hangs on the bench in a week: `rows` once the plan is there; state and said."""
        from dashboard.service import printing
        from models.season import bench_list

        told = self._planned(first, last, slots, as_of)
        if told["state"] != "done":
            return dict(printing.plain(told | {"rows": []}))
        tables = self._ready(as_of, lambda _text: None).tables
        rows = bench_list(told["document"], tables, week=date.fromisoformat(week))
        return dict(printing.plain({"state": "done", "said": "", "seconds": 0, "rows": rows}))

    def _done(self, first: str, last: str, slots: int | None, as_of: str | None) -> Document:
        told = self._planned(first, last, slots, as_of)
        if told["state"] != "done":
            raise NothingDoneError(told["said"] or "The plan is still being worked out.")
        return dict(told["document"])


def _last_race(calendar: pl.DataFrame, today: date) -> date:
    """The end of the last race within a year: what a plan reaches to."""
    ahead = calendar.filter(
        pl.col("kind").eq_missing("race")
        & (pl.col("from_date") >= today)
        & (pl.col("from_date") <= today + LONGEST)
    )
    last = ahead["to_date"].max() if ahead.height else None
    if not isinstance(last, date):
        return today + WITHOUT_CALENDAR
    return max(today + SHORTEST, min(last, today + LONGEST))


def _same_week(day: str, season: Document) -> bool:
    then, now = date.fromisoformat(day), date.fromisoformat(str(season["as_of"])[:10])
    return then.isocalendar()[:2] == now.isocalendar()[:2]


def pins_in_force(
    kept: Pins, meters: pl.DataFrame, first: date, last: date
) -> tuple[Pins, list[Document]]:
    """The pins that a plan of a period can keep, and the others with why it cannot."""
    begin = first - timedelta(days=first.weekday())
    able = meters.filter(
        ~pl.col("gone")
        & ~pl.col("state").is_in(COMING).fill_null(False)
        & pl.col("static_check").fill_null(True)
    )["meter_id"]
    here = set(able.to_list())
    held: Pins = {}
    idle: list[Document] = []
    for meter, weeks in kept.items():
        for week in weeks:
            if meter in here and begin <= week <= last:
                held[meter] = (*held.get(meter, ()), week)
            else:
                why = "outside this period" if meter in here else "cannot come to the bench"
                idle.append({"meter_id": meter, "week": week, "why": why})
    return held, idle


def _events(calendar: pl.DataFrame, first: date, last: date) -> list[Document]:
    begin = first - timedelta(days=first.weekday())
    return calendar.filter(in_force(begin, last)).sort("from_date", "name").to_dicts()
