"""One rider's data: handed out to the rider, or removed for good.

Power data are personal. Measurements of devices stay when a rider is removed, without the name;
what is about the rider (the rider's row, assignments, efforts, calendar entries) goes.
"""

import json
import re
from pathlib import Path
from typing import TypedDict

import polars as pl

from ingest.admin.backups import backups_made
from ingest.admin.ridden import recordings_of, write_recordings
from ingest.admin.unfinished import begun_removals, note_begun, note_finished
from ingest.recordings import pairs_on_disk, remove_files, remove_pair_files
from ingest.store import (
    Database,
    Format,
    Store,
    StoreError,
    before_update,
    record,
    write_tables,
)

ABOUT_THE_RIDER = ("riders", "assignments", "efforts", "calendar")
NAMES_THE_RIDER = ("comparisons", "pairs")


class UnknownRiderError(StoreError):
    """No row names the rider."""


class RemovalReport(TypedDict):
    """How many rows were removed, and how many measurements lost the name.

    derived          computed tables that lost rows or the name: they need a refit
    files_removed    recordings beside the store, what was read from them, and the store as it was
                     before its last update
    tables_naming    what still names the rider, looked up at the end: nothing
    backups          files with what was removed: backups made here that are there still
    """

    rider_id: str
    rows_removed: int
    rows_without_name: int
    set_aside_removed: int
    derived: list[str]
    files_removed: int
    tables_naming: list[str]
    backups: list[str]


def export_rider(store: Store, rider_id: str, folder: Path, form: Format = "csv") -> list[Path]:
    """Write every row that names the rider, a file a table, and the recordings; return the files.

    Beside the input tables: notices of the last fit, set-aside rows, the log of changes.
    """
    with store.reading() as db:
        frames = {
            name: db.frame(name).filter(pl.col("rider_id") == rider_id)
            for name in ABOUT_THE_RIDER + NAMES_THE_RIDER
        }
        frames |= _said_of(db, rider_id)
        ridden = recordings_of(db, store, rider_id)
    found = {name: frame for name, frame in frames.items() if not frame.is_empty()}
    if not found:
        raise UnknownRiderError(f'no table names a rider "{rider_id}".')
    written = write_tables(found, folder, form)
    return written + write_recordings(store, ridden, folder / "recordings")


def _said_of(db: Database, rider_id: str) -> dict[str, pl.DataFrame]:
    """Return notices, set-aside rows and recorded changes that name the rider."""
    notices = db.derived("fit_notices")
    told = pl.DataFrame() if notices is None else notices.filter(pl.col("rider_id") == rider_id)
    ids = db.query("set_aside/of_rider", rider_id=rider_id)["set_aside_id"]
    cells = pl.col("cells").list.eval(
        pl.format("{}: {}", pl.element().struct["column"], pl.element().struct["text"])
    )
    aside = db.frame("set_aside").filter(pl.col("set_aside_id").is_in(ids.implode()))
    names = pl.any_horizontal(
        pl.col("subject", "before", "after").str.contains(rider_id, literal=True)
    )
    return {
        "notices": told.select(pl.exclude(pl.List, pl.Struct)),
        "set_aside": aside.select("file", "row", cells.list.join("; ").alias("cells")),
        "changes": db.frame("changes").filter(names.fill_null(False)),
    }


def remove_rider(store: Store, rider_id: str) -> RemovalReport:
    """Remove a rider from every table, every earlier version of a row, every set-aside row.

    The store is rewritten, so that nothing is left in its file, and the rider's compared
    recordings beside it are removed. One that was interrupted is finished by calling again. The
    files that the rows came from, and backups, are left to the team; loading them again brings the
    rows back.
    """
    begun = begun_removals(store)
    with store.writing() as db:
        ridden = pairs_on_disk(db).filter(pl.col("rider_id") == rider_id)
        paths = recordings_of(db, store, rider_id)["path"].to_list()
        counts = _remove_from_tables(db, rider_id, paths)
        if not any(counts.values()) and rider_id not in {one["rider_id"] for one in begun}:
            raise UnknownRiderError(f'no table names a rider "{rider_id}".')
        begun = note_begun(store, rider_id, ridden, paths)  # before the rows are gone for good
    store.compact()
    pairs = [pair for one in begun for pair in one["pairs"]]
    files = remove_pair_files(store, pl.DataFrame(pairs, schema=ridden.schema))
    files += remove_files(store, [path for one in begun for path in one.get("paths", ())])
    files += _without_older_form(store)
    note_finished(store)
    with store.reading() as db:
        naming, backups = _naming(db, rider_id), backups_made(db)
    return {
        "rider_id": rider_id,
        **counts,
        "files_removed": files,
        "tables_naming": naming,
        "backups": backups,
    }


def _without_older_form(store: Store) -> int:
    found = before_update(store).exists()
    before_update(store).unlink(missing_ok=True)
    return int(found)


class _Counts(TypedDict):
    rows_removed: int
    rows_without_name: int
    set_aside_removed: int
    derived: list[str]


def _remove_from_tables(db: Database, rider_id: str, paths: list[str]) -> _Counts:
    counts: _Counts = {
        "rows_removed": sum(_remove_rows(db, name, rider_id) for name in ABOUT_THE_RIDER),
        "rows_without_name": sum(_unname_rows(db, name, rider_id) for name in NAMES_THE_RIDER),
        "set_aside_removed": _remove_set_aside(db, rider_id),
        "derived": _clean_derived(db, rider_id, paths),
    }
    if any(counts.values()):
        db.change("set_aside/blank_problems", word=rider_id)
        db.change("imports/blank_notices", word=rider_id)
        db.change("people/blank_changes", new_version=False, word=rider_id)
        numbers = {name: value for name, value in counts.items() if name != "derived"}
        record(db, "rider removed", "(the name is gone)", after=numbers)
    return counts


def _naming(db: Database, rider_id: str) -> list[str]:
    """Return the tables with a row, of whatever version, that names the rider."""
    mine = pl.col("rider_id") == rider_id
    tables = (*ABOUT_THE_RIDER, *NAMES_THE_RIDER)
    found = [name for name in tables if not db.versions(name).filter(mine).is_empty()]
    for name in db.derived_names():
        frame = db.derived(name)
        if frame is not None and "rider_id" in frame.columns and not frame.filter(mine).is_empty():
            found.append(name)
    return found


def _remove_rows(db: Database, name: str, rider_id: str) -> int:
    rows = db.versions(name).filter(pl.col("rider_id") == rider_id)["row_id"].to_list()
    db.remove_rows(name, rows)
    return len(rows)


def _unname_rows(db: Database, name: str, rider_id: str) -> int:
    rows = db.versions(name).filter(pl.col("rider_id") == rider_id)["row_id"].to_list()
    db.empty_cells(name, "rider_id", rows)
    return len(rows)


def _remove_set_aside(db: Database, rider_id: str) -> int:
    named = db.query("set_aside/of_rider", rider_id=rider_id)["set_aside_id"].to_list()
    db.delete("set_aside", "set_aside_id", named)
    return len(named)


def _clean_derived(db: Database, rider_id: str, paths: list[str]) -> list[str]:
    """Remove the name from measurements in computed tables, and other rows of the rider.

    paths: of recordings that go, with what was read of devices in them
    """
    cleaned = []
    for name in db.derived_names():
        frame = db.derived(name)
        if frame is not None and {"path", "sha256"} <= set(frame.columns):
            kept = frame.filter(~pl.col("path").is_in(paths))
            if kept.height < frame.height:
                db.put_derived(name, kept)
                cleaned.append(name)
        if frame is None or "rider_id" not in frame.columns:
            continue
        mine = (pl.col("rider_id") == rider_id).fill_null(False)
        if frame.filter(mine).is_empty():
            continue
        if "comparison_id" in frame.columns:
            kept = frame.with_columns(pl.when(~mine).then("rider_id"))
            kept = _without_name_inside(kept, rider_id)
        else:
            kept = frame.filter(~mine)
        db.put_derived(name, kept)
        cleaned.append(name)
    return cleaned


def _without_name_inside(frame: pl.DataFrame, rider_id: str) -> pl.DataFrame:
    """Return the frame with null for the rider's name in JSON documents of its text columns."""
    name = (
        re.escape(json.dumps(rider_id)) + "|" + re.escape(json.dumps(rider_id, ensure_ascii=False))
    )
    pattern = rf'"rider_id"\s*:\s*(?:{name})'
    return frame.with_columns(pl.col(pl.String).str.replace_all(pattern, '"rider_id": null'))
