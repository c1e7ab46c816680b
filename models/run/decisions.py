"""From a fit of the day to decisions: the plan, the budget, the coach's question, the hindcast."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from ingest.schema import rider_on
from ingest.store import Store
from models.run.fit_of_day import Prepared, Say, prepare, records, tell
from models.status import fit_state
from models.wording import NothingToSayError, unknown_name

if TYPE_CHECKING:
    from models.budget import BudgetDocument
    from models.coaching import Carry, CorrectedEffort, Effort, EffortDocument, LedgerDocument, Span
    from models.policies import PoliciesDocument
    from models.season import Asked, PlanDocument

Document = dict[str, Any]
SEED = 20260930  # of simulated answers, so that asking twice gives the same


@dataclass(frozen=True)
class Period:
    """A meter or a rider, from a day to a day, both included."""

    first: date
    last: date
    meter_id: str | None = None
    rider_id: str | None = None


def hindcast(store: Store, *, as_of: date | None = None, say: Say | None = None) -> Document:
    """The `hindcast` document; kept in the store until its data change, since it takes long."""
    from models.honesty import hindcast as look_back

    found, settings, version = records(store, as_of)
    key = f"{version}|{found.as_of}|{settings}"
    with store.reading() as db:
        kept = db.derived("hindcast")
    if kept is not None and kept["key"].item() == key:
        return dict(json.loads(kept["document"].item()))
    document = look_back(found, settings, progress=lambda text: tell(say, text))
    text = json.dumps(document, default=_iso)
    with store.writing() as db:
        db.put_derived("hindcast", pl.DataFrame({"key": [key], "document": [text]}))
    return dict(json.loads(text))


def _iso(value: object) -> str:
    return value.isoformat() if isinstance(value, date) else str(value)


def plan_of(ready: Prepared, asked: Asked) -> PlanDocument:
    """The `plan` document."""
    from models.season import plan_document

    return plan_document(ready.found, ready.fleet, ready.tables, ready.settings, asked)


def budget(
    store: Store, asked: Asked, *, as_of: date | None = None, say: Say | None = None
) -> BudgetDocument:
    """The `budget` document."""
    return budget_of(prepare(store, as_of=as_of, say=say), asked)


def budget_of(ready: Prepared, asked: Asked) -> BudgetDocument:
    """The `budget` document."""
    from models.budget import budget_document

    return budget_document(
        ready.found,
        ready.fleet,
        ready.tables,
        ready.settings,
        asked,
        population=ready.population,
        rng=np.random.default_rng(SEED),
    )


def policies(
    store: Store,
    *,
    tolerance_pct: float | None = None,
    as_of: date | None = None,
    say: Say | None = None,
) -> PoliciesDocument:
    """The `policies` document. What if: tolerance_pct for every meter instead of its own."""
    return policies_of(prepare(store, as_of=as_of, say=say), tolerance_pct=tolerance_pct, say=say)


def policies_of(
    ready: Prepared, *, tolerance_pct: float | None = None, say: Say | None = None
) -> PoliciesDocument:
    """The `policies` document."""
    from models.policies import policies_document
    from models.season import Asked, prices, supposing

    today = ready.found.as_of
    supposed = supposing(ready.found, Asked(today, today, tolerance_pct=tolerance_pct))
    kept = supposed.meters.filter(~pl.col("gone"))
    if kept.is_empty():
        raise NothingToSayError("no meter is in use: there is nothing to compare policies on")
    money = prices(ready.tables["costs"], kept["group"].to_list())
    tell(say, "simulating seasons of fleets like this one")
    return policies_document(
        ready.fleet, kept, ready.found.data, money=money, rng=np.random.default_rng(SEED)
    )


def effort(
    store: Store,
    efforts: list[Effort],
    *,
    carry_to: Sequence[str] = (),
    as_of: date | None = None,
    say: Say | None = None,
) -> EffortDocument:
    """The `effort` document; carry_to: meters that the efforts' watts are to be carried to."""
    return effort_of(prepare(store, as_of=as_of, say=say), efforts, carry_to=carry_to)


def effort_of(
    ready: Prepared, efforts: Sequence[Effort], *, carry_to: Sequence[str] = ()
) -> EffortDocument:
    """The `effort` document."""
    from models.coaching import Carry, answer, carried, open_days

    targets = [Carry(name, ready.found.as_of) for name in carry_to]
    _check_efforts(ready, efforts, targets)
    pairs = [(one.device_id, one.at) for one in efforts]
    joint = ready.fleet.joint([*pairs, *((t.meter_id, t.on) for t in targets)])
    n = len(efforts)
    document = answer(efforts, joint[0][:n], joint[1][:n, :n])
    document["efforts"] = [
        _both_legs(ready, one, row) for one, row in zip(efforts, document["efforts"], strict=True)
    ]
    notes = [
        "Whether the meters were zeroed is not said: an offset of 0.3 N·m is 2.8 W at 90 rpm, "
        "whatever is ridden. Said of an effort, it is taken in."
    ]
    meters = set(ready.found.meters["meter_id"])
    if all(one.zeroed is not None or one.device_id not in meters for one in efforts):
        notes = []
    if any(one.at.date() > ready.found.as_of for one in efforts):
        notes.append(_ahead(ready.found.as_of))
    notes += open_days(efforts, ready.fleet.steps_between())
    return {
        **document,
        "carried": carried(efforts, targets, *joint),
        "notes": notes,
        "fit": fit_state(ready.fleet),
    }


def _both_legs(ready: Prepared, one: Effort, row: CorrectedEffort) -> CorrectedEffort:
    """The effort, with what both legs did where its meter sees only one."""
    from models.coaching import with_both_legs
    from models.records import one_sided

    kinds = dict(ready.found.meters.select("meter_id", "kind").iter_rows())
    if not one_sided(kinds.get(one.device_id)):
        return row
    rider = rider_on(ready.tables["assignments"], one.device_id, one.at.date())
    return with_both_legs(row, rider, *ready.fleet.with_rider(one.device_id, one.at, rider))


def _ahead(today: date) -> str:
    return f"What lies after {today} is a forecast: no visit, battery or knock after it is known."


def _check_efforts(ready: Prepared, efforts: Sequence[Effort], targets: Sequence[Carry]) -> None:
    service = dict(ready.found.meters.select("meter_id", "in_service_on").iter_rows())
    references = ready.found.data.references["reference_id"].to_list()
    for name in [one.device_id for one in efforts] + [one.meter_id for one in targets]:
        if name not in service and name not in references:
            raise NothingToSayError(unknown_name(name, [*service, *references]))
    for one in efforts:
        if one.device_id in service and one.at.date() < service[one.device_id]:
            raise NothingToSayError(
                f"{one.device_id} came into service on {service[one.device_id]}; "
                f"the effort of {one.at.date()} was before that"
            )


def correct(
    store: Store, asked: Period, *, as_of: date | None = None, say: Say | None = None
) -> LedgerDocument:
    """The `correct` document: the ledger of correction factors, and what it lacks."""
    return correct_of(prepare(store, as_of=as_of, say=say), asked)


def correct_of(ready: Prepared, asked: Period) -> LedgerDocument:
    """The `correct` document."""
    from models import coaching

    spans, notes = ridden(ready, asked)
    pairs = [(("meter", span.meter_id), at) for span in spans for at in span.instants()]
    mean, covariance = ready.fleet.joint(pairs)
    found = ready.found
    return {
        "ledger": coaching.rows(spans, mean, covariance),
        "applied_in": "ledger",
        "warnings": coaching.corrected_elsewhere(spans, found.resets, ready.tables["events"]),
        "notes": notes,
        "fit": fit_state(ready.fleet),
    }


def ridden(ready: Prepared, asked: Period) -> tuple[list[Span], list[str]]:
    """Who rode what in a period, cut where the factor changes."""
    from models import coaching

    if asked.last < asked.first:
        raise NothingToSayError(
            f"the period ends on {asked.last}, before it begins on {asked.first}: turn them round"
        )
    asked, notes = _in_service(ready, asked)
    spans = coaching.ridden(
        ready.tables["assignments"],
        first=asked.first,
        last=asked.last,
        meter_id=asked.meter_id,
        rider_id=asked.rider_id,
    )
    known = set(ready.found.meters["meter_id"])
    spans = [span for span in spans if span.meter_id in known]
    spans = coaching.cut(spans, ready.found.course, ready.fleet.steps_between())
    if not spans:
        raise NothingToSayError(_no_spans(ready, asked))
    return spans, notes


def _in_service(ready: Prepared, asked: Period) -> tuple[Period, list[str]]:
    """The part of the period in which the meter asked about is in service."""
    notes = [_ahead(ready.found.as_of)] if asked.last > ready.found.as_of else []
    if asked.meter_id is None:
        return asked, notes
    ready.known(asked.meter_id)
    meters = ready.found.meters
    start = meters.filter(pl.col("meter_id") == asked.meter_id)["in_service_on"].item()
    if asked.last < start:
        raise NothingToSayError(
            f"{asked.meter_id} came into service on {start}, after the period's end"
        )
    if asked.first < start:
        notes.append(f"{asked.meter_id} came into service on {start}: the ledger begins there.")
    return replace(asked, first=max(asked.first, start)), notes


def _no_spans(ready: Prepared, asked: Period) -> str:
    riders = ready.tables["assignments"]["rider_id"].drop_nulls().unique().sort().to_list()
    if asked.rider_id is not None and riders and asked.rider_id not in riders:
        return unknown_name(asked.rider_id, riders, what="rider")
    return (
        f"rider {asked.rider_id} has no meter assigned between {asked.first} and {asked.last}: "
        "load an assignments table that says who rides what, or ask for a meter"
    )


def correct_recordings(
    store: Store, document: Document, *, recordings: Path, out: Path
) -> tuple[Path, Document]:
    """Write corrected summaries of a folder of recordings into another; they stay untouched.

    In   document: of `correct`
    Out  the file written; files, corrected (how many have a factor), notes (why others have none)
    """
    from ingest.readers import RecordingError
    from ingest.recordings import corrected_summaries, folder_summaries, write_corrected

    with store.reading() as db:
        meters, references = db.frame("meters"), db.frame("references")
        zone = str(db.setting("time_zone"))
    try:
        found = folder_summaries(recordings, time_zone=zone)
        rows = corrected_summaries(found, meters, references, document["ledger"], time_zone=zone)
        file = write_corrected(rows, out)
    except RecordingError as problem:
        raise NothingToSayError(str(problem)) from problem
    without = rows.filter(pl.col("factor").is_null()).select("path", "note").to_dicts()
    done = rows.filter(pl.col("factor").is_not_null()).height
    return file, {"file": str(file), "files": found.height, "corrected": done, "without": without}
