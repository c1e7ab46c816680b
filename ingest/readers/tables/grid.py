"""A sheet as it stands, cell by cell; no header is recognised yet."""

from dataclasses import dataclass, field

import fastexcel

from ingest.readers.tables.csv_file import csv_rows
from ingest.readers.tables.raw import MOST_COLUMNS, UnreadableError, trimmed, within_bounds
from ingest.readers.tables.xlsx import no_workbook, sheet_cells, sheets_of


@dataclass(frozen=True)
class Grid:
    """One sheet of a file.

    sheet         the workbook's sheet, None: the file has only this one
    cells         rows of trimmed text; an empty cell is ""
    rows          row numbers as a spreadsheet shows them, parallel to `cells`
    typed         the file knows numbers from text, so a point is a decimal point
    commas_likely commas between digits are likely to be decimal
    """

    file: str
    sheet: str | None
    cells: list[list[str]]
    rows: list[int]
    typed: bool = False
    commas_likely: bool = False
    notices: list[str] = field(default_factory=list)


def read_grids(file: str, data: bytes) -> list[Grid]:
    """Return the sheets of a CSV, TSV, XLSX or ODS file; UnreadableError for other bytes."""
    if data.startswith(b"PK\x03\x04"):
        return sheets_of(data, lambda book: _book_grids(file, book))
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise no_workbook("an old (.xls) or password-protected workbook")
    return [_text_grid(file, data)]


def _text_grid(file: str, data: bytes) -> Grid:
    separator, records, notices = csv_rows(data)
    filled = [r for r in records if any(cell.strip() for cell in r.cells)]
    if not filled:
        raise UnreadableError(
            found="an empty file",
            expected="a table with headings, and rows below them",
            fix="export the table again, or leave the file out",
        )
    widest = min(MOST_COLUMNS, max(len(record.cells) for record in filled))
    within_bounds(widest, widest * len(filled))
    cells = [[_clean(cell) for cell in record.cells[:MOST_COLUMNS]] for record in filled]
    rows = [record.row for record in filled]
    notices = [*notices, *_cut_at(max(len(record.cells) for record in filled))]
    return Grid(file, None, cells, rows, commas_likely=separator != ",", notices=notices)


def _clean(cell: str) -> str:
    for sign in ("\u00a0", "\u202f", "\u2009", "\ufeff"):
        cell = cell.replace(sign, " ")
    return cell.strip()


def _book_grids(file: str, book: fastexcel.ExcelReader) -> list[Grid]:
    found = [_sheet_grid(file, book, name) for name in book.sheet_names]
    return [grid for grid in found if grid is not None]


def _sheet_grid(file: str, book: fastexcel.ExcelReader, name: str) -> Grid | None:
    frame = sheet_cells(book, name)
    if not frame.width:
        return None
    columns = min(MOST_COLUMNS, frame.width)
    within_bounds(columns, columns * frame.height)
    texts = trimmed(frame).fill_null("")
    numbered = [(i + 1, list(row[:MOST_COLUMNS])) for i, row in enumerate(texts.iter_rows())]
    filled = [(row, cells) for row, cells in numbered if any(cells)]
    if not filled:
        return None
    rows, kept = [row for row, _ in filled], [cells for _, cells in filled]
    return Grid(file, name, kept, rows, typed=True, notices=_cut_at(frame.width))


def _cut_at(width: int) -> list[str]:
    """Return the notice that a sheet has more columns than are read, where it does."""
    if width <= MOST_COLUMNS:
        return []
    return [f"only the first {MOST_COLUMNS} of its {width} columns were read."]
