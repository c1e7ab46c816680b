"""Input tables written out as CSV, a workbook or Parquet, in the form that loads again."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, get_args

import polars as pl

from ingest.schema import TABLES
from ingest.store.database import StoreError
from ingest.store.store_file import Store
from ingest.validate import shown_cells, without_formulas

if TYPE_CHECKING:
    import xlsxwriter

Format = Literal["csv", "xlsx", "parquet"]
FORMATS: tuple[str, ...] = get_args(Format)
WORKBOOK = "slopewatch-export.xlsx"


def export_tables(
    store: Store, folder: Path, form: Format = "csv", *, tables: Iterable[str] = tuple(TABLES)
) -> list[Path]:
    """Write the input tables that hold rows; return the files.

    Instants are written in UTC with their offset, so that they load the same in any zone.
    """
    with store.reading() as db:
        frames = {name: db.frame(name) for name in tables}
    return write_tables({n: f for n, f in frames.items() if not f.is_empty()}, folder, form)


def write_document(file: Path, content: bytes) -> Path:
    """Write a finished document, making its folder; StoreError where that cannot be done."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
    except OSError as error:
        reason = error.strerror or str(error)
        raise StoreError(f"{file} cannot be written: {reason}. Name another file.") from None
    return file


def write_tables(frames: dict[str, pl.DataFrame], folder: Path, form: Format) -> list[Path]:
    """Write typed input tables into a folder in one of the formats; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    if form == "xlsx":
        return [_write_workbook(frames, folder / WORKBOOK)]
    files = []
    for name, frame in frames.items():
        file = folder / f"{name}.{form}"
        if form == "parquet":
            frame.write_parquet(file)
        else:
            without_formulas(shown_cells(frame)).write_csv(file, include_bom=True)
        files.append(file)
    return files


def _write_workbook(frames: dict[str, pl.DataFrame], file: Path) -> Path:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(file))
    head = book.add_format({"bold": True, "bottom": 1})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    for name, frame in frames.items():
        sheet = book.add_worksheet(name)
        sheet.freeze_panes(1, 0)
        sheet.write_row(0, 0, frame.columns, head)
        shown = shown_cells(frame)
        for at, column in enumerate(shown.columns):
            is_day = shown[column].dtype == pl.Date
            sheet.set_column(at, at, max(10, len(column) + 2), day if is_day else None)
            _write_column(sheet, at, shown[column])
    if not frames:
        book.add_worksheet("empty")
    book.close()
    return file


def _write_column(sheet: xlsxwriter.worksheet.Worksheet, at: int, cells: pl.Series) -> None:
    for row, value in enumerate(cells, start=1):
        if value is None:
            continue
        if isinstance(value, str):
            sheet.write_string(row, at, value)
        elif isinstance(value, date):
            sheet.write_datetime(row, at, datetime(value.year, value.month, value.day))
        else:
            sheet.write_number(row, at, value)
