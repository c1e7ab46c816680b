"""Rows that a person enters or decides about in the dashboard, put in like a file's rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import polars as pl

from ingest.load.batches import Batch, context_of
from ingest.load.commit import load_batch, stored_context
from ingest.load.report import LoadReport
from ingest.readers import RawTable, text_frame
from ingest.schema import EVENTS, TABLES
from ingest.store import Store, StoreError, as_text, record
from ingest.validate import check

Row = Mapping[str, str | None]
DECISIONS = ("confirmed", "rejected")


class DecisionError(StoreError):
    """An event that cannot be decided about: gone, or decided already."""


def enter_rows(store: Store, name: str, rows: Sequence[Row], *, said: str) -> LoadReport:
    """Put rows into an input table, checked as a file's rows are; text as in a spreadsheet.

    said   where they came from, as the list of imports shows it; what fails is in the report
    """
    table = TABLES[name]
    raw = RawTable(
        file=said,
        sheet=None,
        name=name,
        header=list(table.names),
        frame=text_frame([[row.get(column) for row in rows] for column in table.names]),
        rows=list(range(2, len(rows) + 2)),
    )
    with store.writing() as db:
        zone = str(db.setting("time_zone"))
        checked = check(raw, table, zone=zone)
        batch = Batch(Path(said), said, "", zone, kind="correction", tables=[checked])
        return load_batch(db, batch, context_of([batch], stored_context(store)))


def proposed_events(store: Store) -> pl.DataFrame:
    """Events that wait for a person's word: event_row and the columns of `events`."""
    with store.reading() as db:
        rows = db.versions("events").filter(pl.col("live") & (pl.col("state") == "proposed"))
    return rows.drop("live").rename({"row_id": "event_row"}).sort("date", descending=True)


def decide_event(store: Store, event_row: int, decision: str) -> None:
    """Confirm or reject a proposed event, in one transaction with the record of it."""
    if decision not in DECISIONS:
        raise DecisionError(f'found "{decision}", expected one of: {", ".join(DECISIONS)}.')
    with store.writing() as db:
        rows = db.versions("events").filter(pl.col("live") & (pl.col("row_id") == event_row))
        if rows.is_empty() or rows["state"].item() != "proposed":
            raise DecisionError("this event was decided about already; open the page again.")
        [cells] = as_text(rows, EVENTS).cast(pl.String).to_dicts()
        report = enter_rows(store, "events", [cells | {"state": decision}], said="decided by hand")
        if report.set_aside:
            raise DecisionError(report.set_aside[0].sentence())
        device = cells["meter_id"] or cells["reference_id"] or cells["bench_id"]
        subject = f"{device}, {cells['event']} on {cells['date']}"
        record(db, f"event {decision}", subject, before="proposed", after=decision)
