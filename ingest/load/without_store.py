"""Read tables from files without a store, for `bench FILE…`."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from ingest.load.batches import Batch, context_of, prepare
from ingest.load.merge import merge
from ingest.load.sources import gather, read
from ingest.schema import SETTINGS, TABLES, Problem
from ingest.validate import Checked, check_across_rows


@dataclass
class TablesRead:
    """The tables of some files.

    frames      the tables found, by name, typed, with every column
    problems    why rows or files did not load
    incomplete  bench sessions that lost rows
    recordings  files of rides among the paths
    """

    frames: dict[str, pl.DataFrame] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    incomplete: set[str] = field(default_factory=set)
    recordings: list[Path] = field(default_factory=list)


def read_tables(paths: Iterable[str | Path]) -> TablesRead:
    """Return the tables of files and folders, checked and merged as a load would.

    A time without an offset is read as UTC.
    """
    zone = str(SETTINGS["time_zone"].default)
    sources = gather(paths)
    found = TablesRead(recordings=sources.recordings)
    batches = [prepare(read(file), zone=zone) for file in sources.files]
    context = context_of(batches, {})
    versions: dict[str, pl.DataFrame] = {}
    for batch in sorted(batches, key=Batch.order):
        for checked in batch.tables:
            name = checked.table.name
            versions[name] = _with_rows(checked, versions.get(name), context, batch)
            lost = {row.session_id for row in checked.set_aside if name == "bench"}
            found.incomplete |= {session for session in lost if session}
        found.problems += batch.problems()
        found.notices += batch.notices
    found.frames = {
        name: TABLES[name].conform(rows.filter("live")) for name, rows in versions.items()
    }
    return found


def _with_rows(
    checked: Checked, versions: pl.DataFrame | None, context: dict[str, pl.DataFrame], batch: Batch
) -> pl.DataFrame:
    """Return a table's versions of rows with the file's good rows added."""
    table = checked.table
    if versions is None:
        empty = {"row_id": pl.Int64(), "live": pl.Boolean(), **table.polars_schema}
        versions = pl.DataFrame(schema=empty)
    check_across_rows(checked, versions.filter("live"), context)
    change = merge(table, versions, checked.frame, next_row_id=versions.height + 1)
    for row in change.changes:
        batch.add_notice(row.sentence(), checked.sheet)
    added = change.added.select("row_id", pl.lit(True).alias("live"), *table.names)
    gone = pl.col("row_id").is_in(change.retired)
    back = pl.col("row_id").is_in(change.revived)
    live = (pl.col("live") | back) & ~gone
    return pl.concat([versions.with_columns(live.alias("live")), added])
