"""From a fit of the day to decisions: the plan, the budget, the coach's question, the hindcast."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from ingest.store import Store
from models.refusal import NothingToSayError
from models.run_fit import Prepared, Say, prepare, records, tell, unknown_meter

if TYPE_CHECKING:
    from models.effort import Effort
    from models.season import Asked

SEED = 20260930  # of simulated answers, so that asking twice gives the same


@dataclass(frozen=True)
class Period:
    """A meter or a rider, from a day to a day, both included."""

    first: date
    last: date
    meter_id: str | None = None
    rider_id: str | None = None


def hindcast(store: Store, *, as_of: date | None = None, say: Say | None = None) -> dict[str, Any]:
    """The `hindcast` document."""
    from models.hindcast import hindcast as look_back

    found, settings, _ = records(store, as_of)
    return look_back(found, settings, progress=lambda text: tell(say, text))


def plan(
    store: Store, asked: Asked, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `plan` document."""
    return plan_of(prepare(store, as_of=as_of, say=say), asked)


def plan_of(ready: Prepared, asked: Asked) -> dict[str, Any]:
    """The `plan` document."""
    from models.season import plan_document

    return plan_document(ready.found, ready.fleet, ready.tables, ready.settings, asked)


def budget(
    store: Store, asked: Asked, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `budget` document."""
    return budget_of(prepare(store, as_of=as_of, say=say), asked)


def budget_of(ready: Prepared, asked: Asked) -> dict[str, Any]:
    """The `budget` document."""
    from models.cost import budget_document

    rng = np.random.default_rng(SEED)
    return budget_document(ready.found, ready.fleet, ready.tables, ready.settings, asked, rng=rng)


def policies(store: Store, *, as_of: date | None = None, say: Say | None = None) -> dict[str, Any]:
    """The `policies` document."""
    return policies_of(prepare(store, as_of=as_of, say=say), say=say)


def policies_of(ready: Prepared, *, say: Say | None = None) -> dict[str, Any]:
    """The `policies` document."""
    from models.policies import policies_document

    kept = ready.found.meters.filter(~pl.col("gone"))
    tell(say, "simulating seasons of fleets like this one")
    rng = np.random.default_rng(SEED)
    return policies_document(ready.fleet, kept, ready.found.data, rng=rng)


def effort(
    store: Store, efforts: list[Effort], *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `effort` document."""
    return effort_of(prepare(store, as_of=as_of, say=say), efforts)


def effort_of(ready: Prepared, efforts: list[Effort]) -> dict[str, Any]:
    """The `effort` document."""
    from models.effort import answer

    found = ready.found
    service = dict(found.meters.select("meter_id", "in_service_on").iter_rows())
    references = found.data.references["reference_id"].to_list()
    for one in efforts:
        if one.device_id not in service and one.device_id not in references:
            raise NothingToSayError(unknown_meter(one.device_id, [*service, *references]))
        if one.device_id in service and one.at.date() < service[one.device_id]:
            raise NothingToSayError(
                f"{one.device_id} came into service on {service[one.device_id]}; "
                f"the effort of {one.at.date()} was before that"
            )
    mean, covariance = ready.fleet.joint([(one.device_id, one.at) for one in efforts])
    return answer(efforts, mean, covariance)


def correct(
    store: Store, asked: Period, *, as_of: date | None = None, say: Say | None = None
) -> dict[str, Any]:
    """The `correct` document: the ledger of correction factors."""
    return correct_of(prepare(store, as_of=as_of, say=say), asked)


def correct_of(ready: Prepared, asked: Period) -> dict[str, Any]:
    """The `correct` document: the ledger of correction factors."""
    from models import ledger

    if asked.meter_id is not None:
        ready.known(asked.meter_id)
    spans = ledger.cut(
        ledger.ridden(
            ready.tables["assignments"],
            first=asked.first,
            last=asked.last,
            meter_id=asked.meter_id,
            rider_id=asked.rider_id,
        ),
        ready.found.resets,
    )
    if not spans:
        raise NothingToSayError(
            f"rider {asked.rider_id} has no meter assigned between {asked.first} and {asked.last}: "
            "load an assignments table that says who rides what, or ask for a meter"
        )
    pairs = [(("meter", span.meter_id), at) for span in spans for at in span.instants()]
    mean, covariance = ready.fleet.joint(pairs)
    return {"ledger": ledger.rows(spans, mean, covariance)}
