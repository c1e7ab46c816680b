"""Backups with all that belongs to a store: its file and the recordings beside it."""

import shutil
from datetime import date
from pathlib import Path

from ingest.recordings import recordings_folder
from ingest.store import Store, StoreError, put_folder_in_place


def back_up(store: Store, target: Path) -> list[Path]:
    """Copy a store and its recordings; return the copies. Put both back to restore them."""
    copy = store.backup(target)
    kept = recordings_folder(store)
    if not kept.is_dir():
        return [copy]
    beside = recordings_folder(Store(copy))
    part = beside.with_name(beside.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    shutil.copytree(kept, part, ignore=shutil.ignore_patterns(".part-*", "dropped"))
    part.chmod(0o700)
    return [copy, put_folder_in_place(part, beside)]


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
    for old in sorted(folder.glob(f"{store.path.stem}-{days}.duckdb"))[:-keep]:
        shutil.rmtree(recordings_folder(Store(old)), ignore_errors=True)
        for suffix in ("", ".gate", ".turnstile", ".wal"):
            old.with_name(old.name + suffix).unlink(missing_ok=True)
    return copy
