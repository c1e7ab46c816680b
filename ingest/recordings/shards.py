"""Recordings as Parquet beside the store, in shards of about fifty.

The samples do not go into the store: a team's season is tens of millions of rows that no query
of the store needs together. A shard has one row a recording: the columns of SUMMARY_SCHEMA, then
one list column for each column of the frame. Parquet keeps columns apart, so the summaries of
thousands are read without a sample. A shard is written under another name and renamed when
complete: it is there as a whole or not at all.
"""

import os
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.recordings.summaries import SUMMARY_SCHEMA
from ingest.store import put_in_place

VALUES = ("power_w", "cadence_rpm", "temperature_c", "balance_pct")
_NUMBERS = pl.List(pl.Float64)
SHARD_SCHEMA: dict[str, pl.DataType] = {
    **SUMMARY_SCHEMA,
    "samples_instant": pl.List(pl.Datetime("us", "UTC")),
    **{f"samples_{name}": _NUMBERS for name in ("second", *VALUES)},
}
ROWS_A_GROUP = 5
"""Recordings in one row group, all of which are read to load one of them."""
UNFINISHED_S = 3600.0
"""The age at which a half-written shard counts as left behind."""


def stored_summaries(into: Path) -> pl.DataFrame:
    """Return one row a recording in the shards of `into` (SUMMARY_SCHEMA), each content once."""
    frames = [summaries_of(shard) for shard in _shards(into)]
    return pl.concat([no_summaries(), *frames]).unique("sha256", keep="first", maintain_order=True)


def summaries_of(shard: Path) -> pl.DataFrame:
    """Return the summaries in one shard; its samples are not read."""
    return pl.read_parquet(shard, columns=list(SUMMARY_SCHEMA)).select(*SUMMARY_SCHEMA)


def no_summaries() -> pl.DataFrame:
    """Return a frame of summaries without rows."""
    return pl.DataFrame(schema=SUMMARY_SCHEMA)


def samples_of(frame: pl.DataFrame) -> dict[str, pl.Series]:
    """Return a recording's samples as values of a shard's row, by column."""
    clock = "instant" if frame["time"].dtype.is_temporal() else "second"
    return {f"samples_{clock}": frame["time"]} | {f"samples_{n}": frame[n] for n in VALUES}


def write_shard(rows: Sequence[Mapping[str, object]], into: Path) -> str:
    """Write a shard and return its name, which follows from the recordings in it.

    rows  for each recording the columns of SUMMARY_SCHEMA and `samples_of`; absent ones are null
    """
    hashes = sorted(str(row["sha256"]) for row in rows)
    key = sha256("".join(hashes).encode()).hexdigest()[:20]
    shard, part = into / f"recordings-{key}.parquet", into / f".part-{key}-{os.getpid()}"
    frame = pl.DataFrame([_list_column(rows, name) for name in SHARD_SCHEMA])
    try:
        frame.write_parquet(part, row_group_size=ROWS_A_GROUP)
        put_in_place(part, shard)
    finally:
        part.unlink(missing_ok=True)
    return shard.name


def _list_column(rows: Sequence[Mapping[str, object]], name: str) -> pl.Series:
    """Return one column of a shard; samples are joined as they are, not value by value."""
    dtype, values = SHARD_SCHEMA[name], [row.get(name) for row in rows]
    if not name.startswith("samples_"):
        return pl.Series(name, values, dtype=dtype)
    absent = pl.Series(name, [None], dtype=dtype)
    return pl.concat(
        [v.implode().alias(name) if isinstance(v, pl.Series) else absent for v in values]
    )


def sample_frames(into: Path, contents: Collection[str]) -> Iterator[tuple[str, pl.DataFrame]]:
    """Yield name and samples of stored recordings, by their contents' hashes, each once."""
    left = set(contents)
    for shard in _shards(into):
        if not left & set(pl.read_parquet(shard, columns=["sha256"])["sha256"]):
            continue
        for row in pl.read_parquet(shard).iter_rows(named=True):
            if row["sha256"] in left:
                left.discard(row["sha256"])
                times = row["samples_instant"] or row["samples_second"] or []
                values = {name: row[f"samples_{name}"] or [None] * len(times) for name in VALUES}
                kinds = dict.fromkeys(VALUES, pl.Float64)
                yield row["name"], pl.DataFrame({"time": times} | values, schema_overrides=kinds)


def remove_recordings(into: Path, paths: set[str]) -> int:
    """Write the shards in `into` again without the recordings at these paths; return how many."""
    gone = 0
    for shard in _shards(into):
        named = pl.read_parquet(shard, columns=["path"])["path"].is_in(list(paths))
        if not named.any():
            continue
        gone += int(named.sum())
        left = pl.read_parquet(shard).filter(~named)
        if left.is_empty():
            shard.unlink()
            continue
        part = into / f".part-{shard.stem}-{os.getpid()}"
        left.write_parquet(part, row_group_size=ROWS_A_GROUP)
        put_in_place(part, shard)
    return gone


def sweep(into: Path) -> None:
    """Remove half-written shards that killed calls left behind."""
    for part in into.glob(".part-*"):
        with suppress(OSError):
            if part.stat().st_mtime < time.time() - UNFINISHED_S:
                part.unlink()


def _shards(into: Path) -> list[Path]:
    return sorted(into.glob("recordings-*.parquet"))
