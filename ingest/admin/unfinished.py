"""Removals that were begun: a file beside the store, so that an interrupted one can be finished.

It holds names that are to be gone, so it lies outside of the store and goes last.
"""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import NotRequired, TypedDict

import polars as pl

from ingest.recordings import recordings_folder
from ingest.store import Store, sync_folder, write_whole


class Begun(TypedDict):
    """A rider whose removal was begun, and what of the recordings is to go.

    pairs  rows of `pairs_on_disk`; paths: of recordings, as stored_summaries has them
    """

    rider_id: str
    pairs: list[dict[str, str | None]]
    paths: NotRequired[list[str]]


def begun_removals(store: Store) -> list[Begun]:
    """Return the removals that were begun and not finished."""
    try:
        found: list[Begun] = json.loads(_file(store).read_text("utf-8"))
    except (FileNotFoundError, ValueError):
        return []
    return found


def note_begun(
    store: Store, rider_id: str, pairs: pl.DataFrame, paths: Sequence[str] = ()
) -> list[Begun]:
    """Note that a removal is begun, beside earlier ones; return all, on the disk by then."""
    begun = [
        *begun_removals(store),
        Begun(rider_id=rider_id, pairs=pairs.to_dicts(), paths=list(paths)),
    ]
    write_whole(_file(store), json.dumps(begun).encode())
    return begun


def note_finished(store: Store) -> None:
    """Forget every removal that was begun, once what it removed cannot come back."""
    kept = recordings_folder(store)
    for folder in (kept, *kept.rglob("*")):
        if folder.is_dir():
            sync_folder(folder)
    _file(store).unlink(missing_ok=True)
    sync_folder(store.path.parent)


def _file(store: Store) -> Path:
    return store.path.with_name(store.path.name + ".removing")
