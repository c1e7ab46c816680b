"""The door to decisions: plan, budget, policies, efforts, the ledger, notices, reports."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

from dashboard.service.commands import Document, NothingDoneError, Say, settings
from ingest.store import Store


@dataclass(frozen=True)
class Season:
    """A season to be planned or budgeted, and what if: slots a week, a tolerance for every meter,
    a target (None: as in the store)."""

    first: date
    last: date
    slots_per_week: int | None = None
    tolerance_pct: float | None = None
    target: float | None = None
    pins: tuple[str, ...] = ()  # METER=WEEK

    def asked(self) -> Any:
        """As the models are asked."""
        from models.season import Asked, parse_pins

        return Asked(
            self.first,
            self.last,
            self.slots_per_week,
            parse_pins(self.pins),
            tolerance_pct=self.tolerance_pct,
            target=self.target,
        )


def plan(store: Path, season: Season, *, as_of: date | None, say: Say) -> Document:
    """Who goes to the bench when; what was pinned on the season page stays where it was pinned."""
    from dashboard.service.season import pins_in_force
    from ingest.admin import pins
    from models import run

    kept, asked = pins(Store(store)), season.asked()
    ready = run.prepare(Store(store), as_of=as_of, say=say)
    begin = max(asked.first, ready.found.as_of)
    held, _ = pins_in_force(kept, ready.found.meters, begin, asked.last)
    if held:
        weeks = ", ".join(f"{meter} {day}" for meter, days in held.items() for day in days)
        say(f"pinned on the season page: {weeks}")
    together = {
        meter: tuple(sorted({*held.get(meter, ()), *(asked.pins or {}).get(meter, ())}))
        for meter in {**held, **(asked.pins or {})}
    }
    return dict(run.plan_of(ready, replace(asked, pins=together)))


def calendar_text(plan: Document) -> str:
    """A plan's visits as an iCalendar file."""
    from models.season import PlanDocument
    from models.season import calendar_text as text

    return text(cast("PlanDocument", plan), stamp=datetime.now(UTC))


def bench_list(
    store: Path,
    plan: Document,
    day: date,
    *,
    bench_id: str | None = None,
    place_id: str | None = None,
) -> list[Document]:
    """What the mechanic needs on the spot on a day: the visits planned for its week."""
    from models import run
    from models.season import PlanDocument
    from models.season import bench_list as rows

    with Store(store).reading() as db:
        tables = run.tables_of(db)
    for table, column, wanted in (
        ("mass_sets", "bench_id", bench_id),
        ("places", "place_id", place_id),
    ):
        known = tables[table][column].to_list()
        if wanted is not None and wanted not in known:
            listed = ", ".join(known) or "none"
            raise NothingDoneError(f'found {column} "{wanted}", expected one of: {listed}')
    found = rows(cast("PlanDocument", plan), tables, week=day, bench_id=bench_id, place_id=place_id)
    return [dict(row) for row in found]


def budget(store: Path, season: Season, *, as_of: date | None, say: Say) -> Document:
    """What a season costs, by meter and group."""
    from models import run

    return dict(run.budget(Store(store), season.asked(), as_of=as_of, say=say))


def policies(
    store: Path, *, tolerance_pct: float | None = None, as_of: date | None, say: Say
) -> Document:
    """Fixed intervals, other interval methods and ours compared by simulation."""
    from models import run

    return dict(run.policies(Store(store), tolerance_pct=tolerance_pct, as_of=as_of, say=say))


def hindcast(store: Path, *, as_of: date | None, say: Say) -> Document:
    """What would have been forecast for each past bench session, against what was found."""
    from models import run

    return run.hindcast(Store(store), as_of=as_of, say=say)


def effort(
    store: Path,
    texts: Sequence[str],
    *,
    carry_to: Sequence[str] = (),
    as_of: date | None,
    say: Say,
) -> Document:
    """Corrected watts. texts: DATE[Ttime],METER,WATTS[,SECONDS][,zeroed=yes|no][,cadence=RPM]."""
    from models import run

    zone = str(settings(store)["time_zone"])
    efforts = [read_effort(text, zone) for text in texts]
    return dict(run.effort(Store(store), efforts, carry_to=carry_to, as_of=as_of, say=say))


def read_effort(text: str, zone: str) -> Any:
    """An effort as it is written; NothingDoneError where it cannot be read."""
    from models.coaching import Effort

    try:
        when, device, watts, *rest = (part.strip() for part in text.split(","))
        more = dict(part.split("=", 1) for part in rest if "=" in part)
        seconds = [float(part) for part in rest if "=" not in part]
        at = datetime.fromisoformat(when if "T" in when else f"{when}T12:00")
        effort = Effort(
            (at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC),
            device,
            float(watts),
            seconds[0] if seconds else None,
            dated_only="T" not in when,
            cadence_rpm=float(more.pop("cadence")) if "cadence" in more else None,
            zeroed={"yes": True, "no": False}[more.pop("zeroed")] if "zeroed" in more else None,
        )
        if more or len(seconds) > 1 or not 0 < effort.watts < 5000:
            raise ValueError
    except (ValueError, KeyError):
        raise NothingDoneError(
            f'found "{text}" as an effort, expected DATE[Ttime],METER,WATTS[,SECONDS]'
            "[,zeroed=yes or no][,cadence=RPM], for instance 2026-03-14,K07,312,1200"
        ) from None
    return effort


def correct(
    store: Path,
    first: date,
    last: date,
    *,
    meter_id: str | None,
    rider_id: str | None,
    as_of: date | None,
    say: Say,
) -> Document:
    """The ledger of correction factors of a meter or a rider."""
    from models import run

    asked = run.Period(first, last, meter_id, rider_id)
    return dict(run.correct(Store(store), asked, as_of=as_of, say=say))


def correct_recordings(store: Path, document: Document, recordings: Path, out: Path) -> Document:
    """Corrected summaries of a folder of recordings, written into another folder."""
    from models import run

    return run.correct_recordings(Store(store), document, recordings=recordings, out=out)[1]


def notices(
    store: Path,
    *,
    first: date | None = None,
    last: date | None = None,
    as_of: date | None,
    say: Say,
) -> list[Document]:
    """What coaches are told: from when a meter shows other watts for the same effort."""
    from models import run

    found = run.notices(Store(store), first=first, last=last, as_of=as_of, say=say)
    return [dict(row) for row in found]


def acknowledge(store: Path, notice_id: str) -> None:
    """Note that whoever is acting has read a notice."""
    from models import run

    run.acknowledge(Store(store), notice_id)


def report(store: Path, what: str, *named: str, as_of: date | None, say: Say) -> Document:
    """A report by its name: affected METER, intervals, warranty METER, handover RIDER."""
    from models import run

    reports: dict[str, Callable[..., Any]] = {
        "affected": run.affected,
        "intervals": run.intervals,
        "warranty": run.warranty,
        "handover": run.handover,
        "workshops": run.workshops,
    }
    return dict(reports[what](Store(store), *named, as_of=as_of, say=say))
