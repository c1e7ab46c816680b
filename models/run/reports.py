"""Reports about devices: other intervals, evidence for a claim, whether the workshops agree."""

from __future__ import annotations

import polars as pl

from ingest.recordings import hours_ridden, recordings_folder
from models import ageing, budget, policies
from models.run.fleet_questions import status
from models.run.known import MANAGER, MECHANIC, Fleet, question


@question(watts=False, place="long")
def intervals(fleet: Fleet) -> policies.IntervalsDocument:
    """Return the next bench visit of every meter by the interval methods of ILAC-G24 / OIML D 10,
    beside the due date."""
    ready = fleet.prepared
    found = ready.found
    here = found.meters.filter(~pl.col("gone"))
    use = hours_ridden(
        recordings_folder(fleet.store),
        ready.tables["meters"],
        ready.tables["references"],
        time_zone=ready.settings.time_zone,
    )
    table = policies.interval_table(
        found.sessions,
        found.course,
        here,
        today=found.as_of,
        target=ready.settings.reliability_target,
        use=use,
    )
    due = {row["meter_id"]: row["due_date"] for row in fleet.once(status)["meters"]}
    return policies.intervals_document(table, due, as_of=found.as_of)


@question(MECHANIC, MANAGER, watts=False, place="long")
def warranty(fleet: Fleet, meter_id: str) -> budget.WarrantyReport:
    """Return the evidence about a meter that may exceed the accuracy its maker states."""
    ready = fleet.prepared
    ready.known(meter_id)
    found = ready.found
    one = found.meters.filter(pl.col("meter_id") == meter_id)
    [excess] = budget.sensor_excess(ready.fleet, one, found.course, today=found.as_of)
    return budget.warranty_report(
        excess, one, found.sessions, events=found.events, today=found.as_of
    )


@question(MECHANIC, MANAGER, watts=False, place="long")
def workshops(fleet: Fleet) -> ageing.WorkshopsDocument:
    """Return whether the workshops agree: variance parts and degrees of equivalence."""
    ready = fleet.prepared
    return {
        "as_of": ready.found.as_of,
        **ageing.workshops_document(ready.fleet, ready.found.sessions),
    }
