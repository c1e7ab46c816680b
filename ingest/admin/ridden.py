"""Which recordings beside a store are one rider's, handed out or removed with the rest."""

import re
from datetime import datetime
from pathlib import Path

import polars as pl

from ingest.recordings import recordings_folder, roles, sample_frames, stored_summaries
from ingest.schema import rider_on
from ingest.store import Database, Store

WORD = r"[^0-9A-Za-z\u00c0-\u024f]"


def recordings_of(db: Database, store: Store, rider_id: str) -> pl.DataFrame:
    """Return the summaries of the rider's recordings, each file once (SUMMARY_SCHEMA).

    The rider's are those of a meter that was the rider's on the day of the ride, and those with the
    rider's name in the file's; pairs that name the rider know their files themselves.
    """
    kept = stored_summaries(recordings_folder(store))
    known = roles(kept, db.frame("meters"), db.frame("references"))
    meters = dict(known.drop_nulls("meter_id").select("sha256", "meter_id").iter_rows())
    assignments = db.frame("assignments")
    named = re.compile(rf"(^|{WORD}){re.escape(rider_id)}({WORD}|$)", re.IGNORECASE)

    def is_the_riders(name: str, content: str, at: datetime | None) -> bool:
        if named.search(name):
            return True
        meter = meters.get(content)
        if meter is None or at is None:
            return False
        return rider_on(assignments, meter, at.date()) == rider_id

    mine = [is_the_riders(*row) for row in kept.select("name", "sha256", "started_at").iter_rows()]
    return kept.filter(pl.Series(mine, dtype=pl.Boolean))


def write_recordings(store: Store, summaries: pl.DataFrame, folder: Path) -> list[Path]:
    """Write the samples of recordings as CSV, a file a recording; return the files."""
    written: list[Path] = []
    for name, frame in sample_frames(recordings_folder(store), summaries["sha256"].to_list()):
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / f"{len(written) + 1:04d}-{Path(name).stem}.csv"
        frame.write_csv(file)
        written.append(file)
    return written
