"""XLSX: a sheet for each table, row numbers as the spreadsheet shows them."""

import io
import zipfile
from collections.abc import Callable
from typing import Literal, TypeVar

import fastexcel
import polars as pl

from ingest.readers.tables.header import find_header, header_cells
from ingest.readers.tables.raw import (
    RawTable,
    UnreadableError,
    column_names,
    trimmed,
    within_bounds,
)
from ingest.readers.tables.xlsx_errors import shown_differently
from ingest.schema import DICTIONARY_SHEET

LARGEST_UNPACKED = 500_000_000
Sheet = TypeVar("Sheet")


def read_xlsx(file: str, data: bytes) -> list[RawTable]:
    """Return the tables of a workbook, a sheet each; UnreadableError for other bytes."""

    def read(book: fastexcel.ExcelReader) -> list[RawTable]:
        found = [_read_sheet(file, book, name) for name in book.sheet_names]
        tables = [table for table in found if table is not None]
        _restore_shown(tables, data)
        return tables

    return sheets_of(data, read)


def sheets_of(data: bytes, read: Callable[[fastexcel.ExcelReader], list[Sheet]]) -> list[Sheet]:
    """Return what `read` makes of a workbook; UnreadableError for other bytes, or no sheet."""
    _check_container(data)
    try:
        sheets = read(fastexcel.read_excel(data))
    except UnreadableError:
        raise
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # a damaged file can raise the reader's PanicException
        raise no_workbook("a damaged workbook") from error
    if not sheets:
        raise UnreadableError(
            found="a workbook without any cell",
            expected="a sheet for each table, with a header row",
            fix="fill in the template, or leave the file out",
        )
    return sheets


def _check_container(data: bytes) -> None:
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise no_workbook("an old (.xls) or password-protected workbook")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as box:
            names = set(box.namelist())
            unpacked = sum(entry.file_size for entry in box.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise no_workbook("bytes that are no workbook") from error
    sheets = ("workbook.xml", "workbook.bin", "content.xml")  # XLSX, XLSB, ODS
    if not any(name.endswith(sheets) for name in names):
        raise no_workbook("a zip archive that is no workbook")
    if unpacked > LARGEST_UNPACKED:
        raise no_workbook(f"a workbook of {unpacked / 1e9:.1f} GB unpacked")


def no_workbook(found: str) -> UnreadableError:
    """Return the error of bytes that are no workbook."""
    return UnreadableError(
        found=found,
        expected="a workbook (.xlsx)",
        fix="open it in the spreadsheet program and save it as .xlsx without a password",
    )


def _read_sheet(file: str, book: fastexcel.ExcelReader, name: str) -> RawTable | None:
    if name.strip().lower() == DICTIONARY_SHEET:
        return None
    cells = _cells(book, name, "string")
    within_bounds(cells.width, cells.width * cells.height)
    filled = trimmed(cells) if cells.width else cells
    full = filled.select(pl.any_horizontal(pl.all().is_not_null())).to_series().arg_true()
    if not len(full):
        return None
    start = find_header([filled.row(i) for i in full.head(20)])
    header_at = int(full[start])
    header = header_cells(filled.row(header_at))
    at = full.filter(full > header_at)
    body = _exact(book, name, filled)[at].select(filled.columns[: len(header)])
    body.columns = column_names(len(header))
    above = f"what stands above the header (row {header_at + 1}) was kept out."
    return RawTable(
        file=file,
        sheet=name,
        name=name,
        header=header,
        frame=body,
        rows=[int(i) + 1 for i in at],
        header_row=header_at + 1,
        typed=True,
        notices=[above] if start else [],
    )


def sheet_cells(book: fastexcel.ExcelReader, name: str) -> pl.DataFrame:
    """Return a sheet's cells as text with every digit, from its first row; empty ones null."""
    cells = _cells(book, name, "string")
    return _exact(book, name, trimmed(cells) if cells.width else cells)


def _cells(
    book: fastexcel.ExcelReader, name: str, dtype: Literal["string", "float"]
) -> pl.DataFrame:
    sheet = book.load_sheet(name, header_row=None, skip_rows=0, dtypes=dtype, eager=False)
    frame: pl.DataFrame = sheet.to_polars()
    return frame


def _exact(book: fastexcel.ExcelReader, name: str, filled: pl.DataFrame) -> pl.DataFrame:
    """Return text cells with every digit: long numbers, cut to nine decimals, are read again."""
    long = [
        column for column in filled.columns if filled[column].str.contains(r"^-?\d+\.\d{9}$").any()
    ]
    if not long:
        return filled
    numbers = _cells(book, name, "float")
    return filled.with_columns(
        pl.when(pl.col(c).str.contains(r"^-?\d+\.\d{9}$"))
        .then(pl.coalesce(numbers[c].cast(pl.String), pl.col(c)))
        .otherwise(pl.col(c))
        for c in long
    )


def _restore_shown(tables: list[RawTable], data: bytes) -> None:
    """Put back what is shown: failed formulas (#DIV/0!), and percentages with their sign."""
    shown = shown_differently(data, {str(t.sheet): (t.header_row, _first_named(t)) for t in tables})
    for table in tables:
        place = {row: i for i, row in enumerate(table.rows)}
        by_column: dict[int, dict[int, str]] = {}
        for row, column, text in shown.get(str(table.sheet), []):
            if row in place and 0 <= column < table.frame.width:
                by_column.setdefault(column, {})[place[row]] = text
        for column, texts in by_column.items():
            cells = table.frame.to_series(column).scatter(list(texts), list(texts.values()))
            table.frame.replace_column(column, cells)


def _first_named(table: RawTable) -> int:
    return next((i for i, name in enumerate(table.header) if name), 0)
