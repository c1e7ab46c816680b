"""Aligned traces of compared rides, kept as Parquet beside the store for plotting.

Like the recordings they stay out of the store: they are long, personal, and never queried
together.
"""

from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.store import Store, put_in_place


def recordings_folder(store: Store) -> Path:
    """Return the folder of a store's recordings and aligned traces."""
    return store.path.with_name(store.path.stem + ".recordings")


def write_traces(store: Store, comparison_id: str, frame: pl.DataFrame) -> None:
    """Write one comparison's aligned traces, in the place of earlier ones."""
    file = _file(store, comparison_id)
    file.parent.mkdir(parents=True, exist_ok=True)
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
    return recordings_folder(store) / "aligned" / f"{name}.parquet"
