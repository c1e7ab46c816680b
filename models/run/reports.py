"""Reports about devices: other intervals, evidence for a claim, whether the workshops agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from ingest.recordings import hours_ridden, recordings_folder
from models.budget import WarrantyReport
from models.policies import IntervalsDocument
from models.run.fleet_questions import status
from models.run.known import MANAGER, MECHANIC, Fleet, question

if TYPE_CHECKING:
    from models.ageing import WorkshopsDocument


@question(watts=False, place="long")
def intervals(fleet: Fleet) -> IntervalsDocument:
    """Return the next bench visit of every meter by the interval methods of ILAC-G24 / OIML D 10,
    beside the due date."""
    from models.policies import interval_table, intervals_document

    ready = fleet.prepared
    found = ready.found
    here = found.meters.filter(~pl.col("gone"))
    use = hours_ridden(
        recordings_folder(fleet.store),
        ready.tables["meters"],
        ready.tables["references"],
        time_zone=ready.settings.time_zone,
    )
    table = interval_table(
        found.sessions,
        found.course,
        here,
        today=found.as_of,
        target=ready.settings.reliability_target,
        use=use,
    )
    due = {row["meter_id"]: row["due_date"] for row in fleet.once(status)["meters"]}
    return intervals_document(table, due, as_of=found.as_of)


@question(MECHANIC, MANAGER, watts=False, place="long")
def warranty(fleet: Fleet, meter_id: str) -> WarrantyReport:
    """Return the evidence about a meter that may exceed the accuracy its maker states."""
    from models.budget import sensor_excess, warranty_report

    ready = fleet.prepared
    ready.known(meter_id)
    found = ready.found
    one = found.meters.filter(pl.col("meter_id") == meter_id)
    [excess] = sensor_excess(ready.fleet, one, found.course, today=found.as_of)
    return warranty_report(excess, one, found.sessions, events=found.events, today=found.as_of)


@question(MECHANIC, MANAGER, watts=False, place="long")
def workshops(fleet: Fleet) -> WorkshopsDocument:
    """Return whether the workshops agree: variance parts and degrees of equivalence."""
    from models.ageing import workshops_document

    ready = fleet.prepared
    return {"as_of": ready.found.as_of, **workshops_document(ready.fleet, ready.found.sessions)}
