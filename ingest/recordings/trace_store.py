"""Aligned traces of compared rides, kept as Parquet beside the store for plotting.

Like the recordings they stay out of the store: they are long, personal, and never queried
together.
"""

import os
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.store import Store, put_in_place

ALIGNED = "aligned"


def recordings_folder(store: Store) -> Path:
    """Return the folder of a store's recordings and aligned traces."""
    return store.path.with_name(store.path.stem + ".recordings")


def own_folder(store: Store, *below: str) -> Path:
    """Make the folder of a store's recordings, or one in it; return it.

    For whom the store is: its owner, and its group where that may read the store.
    """
    top = recordings_folder(store)
    made = top.joinpath(*below)
    made.mkdir(parents=True, exist_ok=True)
    if os.name == "posix" and top.stat().st_mode & 0o007:
        shared = store.exists() and store.path.stat().st_mode & 0o040
        with suppress(PermissionError):  # somebody else's
            top.chmod(0o2770 if shared else 0o700)
    return made


def write_traces(store: Store, comparison_id: str, frame: pl.DataFrame) -> None:
    """Write one comparison's aligned traces, in the place of earlier ones."""
    own_folder(store, ALIGNED)
    file = _file(store, comparison_id)
    partial = file.with_suffix(".part")
    frame.write_parquet(partial)
    put_in_place(partial, file)


def read_traces(store: Store, comparison_id: str) -> pl.DataFrame | None:
    """Return the aligned traces of a comparison; None where there are none."""
    file = _file(store, comparison_id)
    return pl.read_parquet(file) if file.is_file() else None


def remove_traces(store: Store, comparison_id: str) -> bool:
    """Remove the aligned traces of a comparison; return whether there were any."""
    file = _file(store, comparison_id)
    found = file.is_file()
    file.unlink(missing_ok=True)
    return found


def _file(store: Store, comparison_id: str) -> Path:
    name = sha256(comparison_id.encode()).hexdigest()[:24]
    return recordings_folder(store) / ALIGNED / f"{name}.parquet"
