"""Parquet: typed columns as the text cells that every other format gives."""

import io
from pathlib import Path

import polars as pl

from ingest.readers.tables.raw import (
    RawTable,
    UnreadableError,
    column_names,
    trimmed,
    within_bounds,
)


def read_parquet(file: str, data: bytes) -> RawTable:
    """Return the table of a Parquet file, its first row as row 2; else UnreadableError."""
    try:
        scan = pl.scan_parquet(io.BytesIO(data), glob=False)
        rows = int(scan.select(pl.len()).collect().item())  # told by the file, nothing unpacked
        columns = len(scan.collect_schema())
        within_bounds(columns, columns * rows)
        frame = pl.read_parquet(io.BytesIO(data), glob=False)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise UnreadableError(
            found="bytes that are no Parquet file",
            expected="a Parquet file",
            fix="export the table again, or save it as CSV",
        ) from error
    cells = pl.DataFrame(
        [
            cell_text(frame.to_series(i)).alias(name)
            for i, name in enumerate(column_names(frame.width))
        ]
    )
    if not frame.width:
        raise UnreadableError(
            found="a Parquet file without columns",
            expected="a table with named columns",
            fix="export the table again, or leave the file out",
        )
    numbers = range(2, frame.height + 2)
    filled = trimmed(cells)
    blank = ~filled.select(pl.any_horizontal(pl.all().is_not_null())).to_series()
    return RawTable(
        file=file,
        sheet=None,
        name=Path(file).stem,
        header=[name.strip() for name in frame.columns],
        frame=filled.filter(~blank),
        rows=[row for row, empty in zip(numbers, blank, strict=True) if not empty],
        typed=True,
    )


def cell_text(series: pl.Series) -> pl.Series:
    """Return typed values as the text a person would write; NaN is an empty cell."""
    dtype = series.dtype
    if dtype == pl.Float32:
        return cell_text(series.cast(pl.String).cast(pl.Float64))
    if dtype == pl.Float64:
        return _whole_numbers_plain(series.fill_nan(None))
    if isinstance(dtype, pl.Decimal):
        return cell_text(series.cast(pl.Float64))
    if isinstance(dtype, pl.Datetime):
        text = series.dt.cast_time_unit("us").dt.to_string("%Y-%m-%dT%H:%M:%S%.6f")
        return text + "Z" if dtype.time_zone == "UTC" else _with_zone(series, text)
    if dtype == pl.Duration:
        return cell_text(series.dt.total_microseconds() / 1e6) + " s"
    if dtype == pl.Binary:
        return series.cast(pl.String, strict=False)
    if dtype.is_nested() or dtype == pl.Object:
        return pl.Series([None if v is None else str(v) for v in series], dtype=pl.String)
    return series.cast(pl.String)


def _with_zone(series: pl.Series, text: pl.Series) -> pl.Series:
    zone = getattr(series.dtype, "time_zone", None)
    return cell_text(series.dt.convert_time_zone("UTC")) if zone else text


def _whole_numbers_plain(series: pl.Series) -> pl.Series:
    """Return numbers as text, 12.0 as `12`: the column may hold names that are numbers."""
    whole = (series.floor() == series) & (series.abs() < 1e15)
    plain = series.cast(pl.Int64, strict=False).cast(pl.String)
    return pl.select(pl.when(whole).then(plain).otherwise(series.cast(pl.String))).to_series()
