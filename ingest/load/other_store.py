"""Another store as a file to load: an offline bench's rows come in without being typed again.

Its live rows are checked and merged like a file's, so the usual rules hold: what is here already
is unchanged, what contradicts it is set aside and reported.
"""

from pathlib import Path

import polars as pl

from ingest.readers import UnreadableError
from ingest.schema import TABLES
from ingest.store import Store
from ingest.validate import Entry

ENDINGS = {".duckdb", ".ddb"}
PAIRS = "pairs"


def store_entries(file: Path) -> list[Entry]:
    """Return the input tables of another store that hold rows, one a sheet.

    Files named by `pairs` are made absolute, for they lie beside the other store's tables. A
    column that is empty throughout was never filled in there: it is none that the store brings.
    UnreadableError: the file is no store.
    """
    try:
        with Store(file).reading() as db:
            frames = {name: db.frame(name) for name in TABLES}
            beside = db.query("imports/pairs_on_disk") if not frames[PAIRS].is_empty() else None
    except Exception as error:
        raise UnreadableError(
            found=f"a store that cannot be read ({str(error).splitlines()[0]})",
            expected="a store that slopewatch made",
            fix="close whatever has it open, or export its tables there and load those",
        ) from error
    if beside is not None:
        frames[PAIRS] = _absolute(frames[PAIRS], beside)
    return [
        Entry(TABLES[name], _filled(frame), str(file), sheet=name)
        for name, frame in frames.items()
        if not frame.is_empty()
    ]


def _filled(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(column for column in frame if column.null_count() < frame.height)


def _absolute(pairs: pl.DataFrame, beside: pl.DataFrame) -> pl.DataFrame:
    tables = dict(beside.select("meter_file", "table_path").iter_rows())
    folders = [Path(tables.get(m) or ".").parent for m in pairs["meter_file"].to_list()]
    return pairs.with_columns(
        pl.Series(name, [str(folder / f) for folder, f in zip(folders, pairs[name], strict=True)])
        for name in ("meter_file", "reference_file")
    )
