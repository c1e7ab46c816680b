"""Compared pairs of recordings, and which of them a row of the `pairs` table still stands for.

A compared pair counts only while the row that it was made for stands unchanged.
"""

from pathlib import Path

import polars as pl

from ingest.store import Database

NAME = "pair_results"
FILES = ("meter_file", "reference_file", "table_path")
IDENTITY = (*FILES, "meter_id", "reference_id", "comparison_id", "rider_id")


def pairs_on_disk(db: Database) -> pl.DataFrame:
    """Return the rows of `pairs`, named, with the table that each was read from.

    Out  meter_file, reference_file (relative to the folder of table_path), meter_id,
         reference_id, comparison_id (else made from the files' names), rider_id, table_path
    """
    rows = db.query("imports/pairs_on_disk")
    files = rows.select("meter_file", "reference_file").iter_rows()
    names = pl.Series([f"{Path(m).stem} / {Path(r).stem}" for m, r in files], dtype=pl.String)
    return rows.with_columns(pl.col("comparison_id").fill_null(names))


def kept_results(db: Database) -> pl.DataFrame | None:
    """Return the compared pairs whose row is still in the store, with the columns of IDENTITY.

    None where no pair was ever compared.
    """
    kept = db.derived(NAME)
    if kept is None or not set(IDENTITY).issubset(kept.columns):
        return None
    return kept.join(pairs_on_disk(db), on=list(IDENTITY), how="semi", nulls_equal=True)


def live_results(db: Database) -> pl.DataFrame | None:
    """Return the same without the columns of FILES: what the models take as comparisons."""
    kept = kept_results(db)
    return None if kept is None else kept.drop(FILES)
