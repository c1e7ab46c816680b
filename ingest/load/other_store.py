"""Another store as a file to load: an offline bench's rows come in without being typed again.

Its live rows are read as the tables of a file, in the form that loads again, so the usual rules
hold: what is here already is unchanged, what contradicts it is set aside and said.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from ingest.readers import RawTable, UnreadableError, text_frame
from ingest.schema import TABLES
from ingest.store import Store, as_text

ENDINGS = {".duckdb", ".ddb"}
PAIRS = "pairs"


def store_tables(file: Path) -> list[RawTable]:
    """The input tables of another store, one a sheet; those without rows are left out.

    Files named by `pairs` are made absolute, for they lie beside the other store's tables.
    UnreadableError: the file is no store.
    """
    try:
        with Store(file).reading() as db:
            frames = {name: db.frame(name) for name in TABLES}
            beside = db.query("pairs_on_disk") if not frames[PAIRS].is_empty() else None
    except Exception as error:
        raise UnreadableError(
            found=f"a store that cannot be read ({str(error).splitlines()[0]})",
            expected="a store that slopewatch made",
            fix="close whatever has it open, or export its tables there and load those",
        ) from error
    if beside is not None:
        frames[PAIRS] = _absolute(frames[PAIRS], beside)
    return [_raw(file, name, frame) for name, frame in frames.items() if not frame.is_empty()]


def _raw(file: Path, name: str, frame: pl.DataFrame) -> RawTable:
    shown = as_text(frame, TABLES[name])
    cells = [_text(shown[column]).to_list() for column in shown.columns]
    rows = list(range(2, frame.height + 2))
    return RawTable(str(file), name, name, shown.columns, text_frame(cells), rows, typed=True)


def _text(column: pl.Series) -> pl.Series:
    """Numbers with every digit they have, so that they come back as they were."""
    if column.dtype.is_float():
        return pl.Series(
            [None if v is None else repr(v) for v in column.to_list()], dtype=pl.String
        )
    return column.cast(pl.String)


def _absolute(pairs: pl.DataFrame, beside: pl.DataFrame) -> pl.DataFrame:
    tables = dict(beside.select("meter_file", "table_path").iter_rows())
    folders = [Path(tables.get(m) or ".").parent for m in pairs["meter_file"].to_list()]
    return pairs.with_columns(
        pl.Series(name, [str(folder / f) for folder, f in zip(folders, pairs[name], strict=True)])
        for name in ("meter_file", "reference_file")
    )
