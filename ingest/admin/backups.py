"""Backups with all that belongs to a store: its file and the recordings beside it."""

import shutil
from datetime import date
from pathlib import Path

import polars as pl

from ingest.recordings import recordings_folder
from ingest.store import (
    Database,
    Store,
    StoreError,
    put_folder_in_place,
    put_in_place,
    record,
)

MADE = "backup made"


def back_up(store: Store, target: Path) -> list[Path]:
    """Copy a store and its recordings; return the copies. Put both back to restore them.

    The store's copy gets its name last: where it is, all is there. StoreError: no place for it.
    """
    if target.is_dir():
        target = target / store.path.name
    if target.absolute() == store.path:
        raise StoreError(f"{target}: a backup needs another place than the store itself.")
    fresh = target.with_name(target.name + ".fresh")
    try:
        store.backup(fresh)
        copies = [*_back_up_recordings(store, target), put_in_place(fresh, target)]
    except OSError as error:
        raise StoreError(
            f"{target}: no backup could be made there ({error.strerror or error})."
        ) from error
    finally:
        fresh.unlink(missing_ok=True)
    with store.writing() as db:  # whoever removes a rider is told where the rider is still
        record(db, MADE, str(target.absolute()))
    return copies[::-1]


def backups_made(db: Database) -> list[str]:
    """Return the backups that were made of a store and are there still, the newest first."""
    made = db.frame("changes").filter(pl.col("what") == MADE).sort("changed_at", descending=True)
    files = made["subject"].drop_nulls().unique(maintain_order=True)
    return [file for file in files if Path(file).exists()]


def _back_up_recordings(store: Store, target: Path) -> list[Path]:
    kept, beside = recordings_folder(store), recordings_folder(Store(target))
    if not kept.is_dir():
        return []
    part = beside.with_name(beside.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    shutil.copytree(kept, part, ignore=shutil.ignore_patterns(".part-*", "dropped"))
    part.chmod(0o700)
    return [put_folder_in_place(part, beside)]


def back_up_today(store: Store, folder: Path, *, keep: int, today: date) -> Path | None:
    """Make the day's backup in a folder unless it is there; leave the newest `keep`.

    Return the copy; None where there was one, or there is no store yet.
    """
    copy = folder / f"{store.path.stem}-{today.isoformat()}.duckdb"
    if copy.exists() or not store.exists():
        return None
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        back_up(store, copy)
    except OSError as error:
        raise StoreError(
            f"{folder}: no backup could be made there ({error.strerror or error})."
        ) from error
    days = "[0-9]" * 4 + "-" + "[0-9]" * 2 + "-" + "[0-9]" * 2
    made = sorted(folder.glob(f"{store.path.stem}-{days}.duckdb"))
    until = [one for one in made if one.name <= copy.name]  # a clock may have been ahead
    for old in until[:-keep]:
        for suffix in ("", ".gate", ".turnstile", ".wal"):
            old.with_name(old.name + suffix).unlink(missing_ok=True)
        shutil.rmtree(recordings_folder(Store(old)), ignore_errors=True)
    return copy
