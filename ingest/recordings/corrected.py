"""Corrected summaries of recordings: what an errorless meter would have shown, and the rider's.

The recordings stay untouched: shown and corrected numbers stand side by side, with the factor of
the day between them.
"""

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from ingest.readers import RecordingError
from ingest.recordings.bulk import read_folder
from ingest.recordings.device_matching import roles
from ingest.recordings.shards import stored_summaries
from ingest.recordings.summaries import BEST_S

FILE_NAME = "corrected-summaries.csv"
POWERS = ("mean_power_w", "max_power_w", "energy_kj", *(f"best_{s}_s_w" for s in BEST_S))
LEDGER_SCHEMA: dict[str, pl.DataType] = {
    "meter_id": pl.String(),
    "from_date": pl.Date(),
    "to_date": pl.Date(),
    "factor": pl.Float64(),
    "interval90": pl.List(pl.Float64()),
    "rider_factor": pl.Float64(),
    "rider_interval90": pl.List(pl.Float64()),
}
FACTORS = ("factor", "factor_lo90", "factor_hi90")
RIDER_FACTORS = ("rider_factor", "rider_factor_lo90", "rider_factor_hi90")
COLUMNS = ("path", "meter_id", "started_at", "duration_s", *FACTORS, *RIDER_FACTORS)


def folder_summaries(folder: Path, *, time_zone: str = "UTC") -> pl.DataFrame:
    """Return summaries of the recordings in a folder (SUMMARY_SCHEMA); nothing of them is kept.

    RecordingError: there is no such folder, or no recording in it.
    """
    if not folder.exists():
        raise RecordingError(f"{folder}: there is no such folder of recordings.")
    with TemporaryDirectory(prefix="slopewatch-") as shards:
        found = read_folder([folder], into=Path(shards), time_zone=time_zone)
    if found.is_empty():
        raise RecordingError(f"{folder}: holds no recording (FIT, TCX or CSV).")
    return found


def hours_ridden(
    kept: Path, meters: pl.DataFrame, references: pl.DataFrame, *, time_zone: str = "UTC"
) -> pl.DataFrame | None:
    """Return hours of use by meter and day, from the recordings kept beside a store.

    Out  meter_id, date, hours; None where no recording is kept or none is a meter's
    """
    if not kept.is_dir():
        return None
    found = stored_summaries(kept)
    whose = roles(found, meters, references).select("path", "meter_id").drop_nulls()
    day = pl.col("started_at").dt.convert_time_zone(time_zone).dt.date()
    rows = found.join(whose, on="path").filter(pl.col("duration_s").is_not_null())
    rows = rows.select("meter_id", date=day, hours=pl.col("duration_s") / 3600).drop_nulls()
    return rows if rows.height else None


def corrected_summaries(
    recordings: pl.DataFrame,
    meters: pl.DataFrame,
    references: pl.DataFrame,
    ledger: Sequence[Mapping[str, object]],
    *,
    time_zone: str = "UTC",
) -> pl.DataFrame:
    """Return one row a recording with power: shown numbers, corrected and the rider's.

    In   summaries (SUMMARY_SCHEMA), the meters and references tables (whose file it is), the
         ledger's rows (LEDGER_SCHEMA)
    Out  COLUMNS, then for each of POWERS the shown number, the `corrected_` one (× factor: of an
         errorless meter) and the `rider_` one (× rider_factor: legs, ring and chain taken out
         too); note says why a row has none
    """
    whose = roles(recordings, meters, references).select("path", "meter_id")
    rows = recordings.filter(pl.col("power_samples") > 0).join(whose, on="path", how="left")
    day = pl.col("started_at").dt.convert_time_zone(time_zone).dt.date()
    rows = rows.unique("path", keep="first").with_columns(day.alias("day"))
    entries = pl.DataFrame(
        [{name: entry[name] for name in LEDGER_SCHEMA} for entry in ledger], schema=LEDGER_SCHEMA
    )
    matched = rows.join(entries, on="meter_id", how="inner").filter(
        pl.col("day").is_between("from_date", "to_date")
    )
    factors = matched.select(
        "path",
        *_with_ends("factor", "interval90"),
        *_with_ends("rider_factor", "rider_interval90"),
    ).unique("path", keep="last", maintain_order=True)
    frame = rows.join(factors, on="path", how="left").with_columns(_note())
    powers = [
        column
        for name in POWERS
        for column in (
            pl.col(name),
            (pl.col(name) * pl.col("factor")).alias(f"corrected_{name}"),
            (pl.col(name) * pl.col("rider_factor")).alias(f"rider_{name}"),
        )
    ]
    return frame.select(*COLUMNS, *powers, "note").sort("path")


def _with_ends(factor: str, interval: str) -> list[pl.Expr]:
    ends = pl.col(interval).list
    return [
        pl.col(factor),
        ends.get(0).alias(f"{factor}_lo90"),
        ends.get(1).alias(f"{factor}_hi90"),
    ]


def _note() -> pl.Expr:
    unknown = pl.when(pl.col("meter_id").is_null()).then(pl.lit("no meter is known for this file"))
    undated = unknown.when(pl.col("day").is_null()).then(pl.lit("the recording has no date"))
    absent = undated.when(pl.col("factor").is_null()).then(
        pl.lit("the ledger has no factor for that day")
    )
    return absent.otherwise(None).alias("note")


def write_corrected(summaries: pl.DataFrame, out: Path) -> Path:
    """Write the rows of `corrected_summaries` to a CSV file in `out`; return its path.

    An earlier file of this kind is replaced. RecordingError: there is a file of that name
    that is something else, or the folder cannot be written to.
    """
    file = out / FILE_NAME
    part = out / f".{FILE_NAME}.{os.getpid()}"
    try:
        out.mkdir(parents=True, exist_ok=True)
        if file.exists() and not file.read_bytes()[:400].startswith(b"path,meter_id,started_at,"):
            raise RecordingError(f"{file}: is not a file of corrected summaries. Move it away.")
        summaries.write_csv(part)
        os.replace(part, file)
    except OSError as error:
        raise RecordingError(f"{file}: cannot be written ({error.strerror or error}).") from None
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return file
