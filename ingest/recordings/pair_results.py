"""Which compared pairs of recordings still stand for a row of the `pairs` table."""

from __future__ import annotations

import json
from typing import Any

import polars as pl

from ingest.store import Database

NAME = "pair_results"


def pair_key(pair: dict[str, Any]) -> str:
    """A row of the query `pairs_on_disk` as text: any change of the row makes another pair."""
    return json.dumps(pair, sort_keys=True)


def live_results(db: Database) -> pl.DataFrame | None:
    """Compared pairs whose row is still in the store; None where none was ever compared."""
    kept = db.derived(NAME)
    if kept is None or "pair" not in kept.columns:
        return None
    live = [pair_key(pair) for pair in db.query("pairs_on_disk").iter_rows(named=True)]
    return kept.filter(pl.col("pair").is_in(live))
