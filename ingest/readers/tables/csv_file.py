"""CSV: comma, semicolon or tab; any encoding of `csv_text`; quoted cells over several lines."""

import csv
import io
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from ingest.readers.tables.csv_text import decoded
from ingest.readers.tables.header import find_header, header_cells
from ingest.readers.tables.raw import (
    MOST_CELLS,
    MOST_COLUMNS,
    RaggedRow,
    RawTable,
    UnreadableError,
    column_names,
    text_frame,
    trimmed,
    within_bounds,
)

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}
FIRST = 50_000  # letters in which a header is looked for
SMALL = 100_000  # bytes up to which cells are read one by one
MOST_LINES = 100  # in one record: of a cell with line breaks
csv.field_size_limit(1_000_000)


class Record(NamedTuple):
    """One row of the file; `broken`: its quotation marks do not come in pairs."""

    row: int
    cells: list[str]
    broken: bool = False


def read_csv(file: str, data: bytes) -> RawTable:
    """Return the table of a CSV file; UnreadableError for bytes that are no text."""
    text, notices = decoded(data)
    even = _even(file, text, notices) if len(data) > SMALL else None
    if even is not None:
        return even
    separator, every, notices = csv_rows(data)
    records = [r for r in every if any(cell.strip() for cell in r.cells)]
    if not records:
        raise UnreadableError(
            found="an empty file",
            expected="a header row with column names, and rows below it",
            fix="export the table again, or leave the file out",
        )
    start = find_header([record.cells for record in islice(records, 20)])
    header = header_cells(records[start].cells)
    if start:
        notices.append(f"what stands above the header (row {records[start].row}) was kept out.")
    within_bounds(len(header), len(header) * len(records))
    full, ragged = _split(records[start + 1 :], len(header), separator)
    columns = list(zip(*(record.cells for record in full), strict=True)) or [()] * len(header)
    return RawTable(
        file=file,
        sheet=None,
        name=Path(file).stem,
        header=header,
        frame=_with_formulas(text_frame(columns)),
        rows=[record.row for record in full],
        header_row=records[start].row,
        ragged=ragged,
        notices=notices,
        decimal_comma_likely=separator != ",",
    )


def _even(file: str, text: str, notices: list[str]) -> RawTable | None:
    """Return the table of a plain text, in which each line is a row of as many cells.

    None for quotation marks, empty lines or lines of other lengths, which are read one by one:
    that takes some hundred bytes a cell.
    """
    if '"' in text or text.count("\r") != text.count("\r\n"):
        return None
    first = [line.rstrip("\r") for line in text[:FIRST].split("\n")[:20]]
    separator = _separator([line + "\n" for line in first])
    data = text.encode()
    header = header_cells(first[0].split(separator))
    width = first[0].count(separator) + 1
    lines = _even_lines(data, separator, width)
    if not lines or len(header) != width or find_header([x.split(separator) for x in first]):
        return None
    within_bounds(width, width * lines)
    cells = pl.read_csv(
        data,
        has_header=False,
        skip_rows=1,
        separator=separator,
        quote_char=None,
        infer_schema=False,
    )
    frame = trimmed(cells.rename(dict(zip(cells.columns, column_names(width), strict=True))))
    if frame.select(pl.all_horizontal(pl.all().is_null()).any()).item():
        return None
    return RawTable(
        file=file,
        sheet=None,
        name=Path(file).stem,
        header=header,
        frame=_with_formulas(frame),
        rows=list(range(2, lines + 1)),
        notices=notices,
        decimal_comma_likely=separator != ",",
    )


def _even_lines(data: bytes, separator: str, width: int) -> int:
    """Return the number of lines if all have so many cells, more than one; else 0."""
    letters = np.frombuffer(data if data.endswith(b"\n") else data + b"\n", dtype=np.uint8)
    ends = np.flatnonzero(letters == ord("\n"))
    cells = np.diff(np.searchsorted(np.flatnonzero(letters == ord(separator)), ends), prepend=0)
    longest = int(np.diff(ends, prepend=0).max())
    even = len(ends) > 1 and width > 1 and bool((cells == width - 1).all())
    return len(ends) if even and longest < csv.field_size_limit() else 0


def _with_formulas(cells: pl.DataFrame) -> pl.DataFrame:
    """Return cells without the ' that keeps a text from being computed by a spreadsheet program."""
    return cells.with_columns(pl.col(pl.String).str.replace(r"^'('*[=+\-@\t\r])", "$1"))


def csv_rows(data: bytes) -> tuple[str, list[Record], list[str]]:
    """Return the separator, the rows as they stand, and notices; UnreadableError for no text."""
    text, notices = decoded(data)
    text, stated = _without_separator_line(text)
    lines = list(io.StringIO(text, newline=""))
    separator = stated or _separator(lines)
    return separator, list(_few_enough(_records(lines, separator))), notices


def _few_enough(records: Iterator[Record]) -> Iterator[Record]:
    """Yield records; UnreadableError as soon as there are more cells than a table has."""
    cells = 0
    for record in records:
        cells += len(record.cells)
        if cells > MOST_CELLS:
            within_bounds(min(len(record.cells), MOST_COLUMNS), cells)
        yield record


def _without_separator_line(text: str) -> tuple[str, str | None]:
    """Return the text without a first line `sep=;`, which spreadsheets write, and the separator."""
    first, _, rest = text.partition("\n")
    line = first.rstrip("\r").lower()
    if line.startswith("sep=") and line[4:] in SEPARATORS:
        return rest, line[4:]
    return text, None


def _separator(lines: list[str]) -> str:
    """Return the separator that the first rows hold most of, outside quotation marks."""
    sample = "".join(islice((line for line in lines if line.strip()), 5))
    outside = "".join(sample.split('"')[0::2])
    return max(SEPARATORS, key=outside.count)


def _records(lines: list[str], separator: str) -> Iterator[Record]:
    """Yield records with their row numbers; a quotation mark that never closes costs one row.

    Such a mark makes one record of the rows below it; reading then starts again on the next line.
    """
    feed, row, width = _Feed(lines), 0, 0
    while feed.start < len(lines):
        for cells in _until_error(csv.reader(feed, delimiter=separator, strict=True)):
            row += 1
            swallowed = feed.taken > 1 and len(cells or ()) != width
            if cells is None or (swallowed and width):
                yield Record(row, [lines[feed.start].rstrip("\r\n")], broken=True)
                feed.go_on(after=1)
                break
            feed.go_on(after=feed.taken)
            width = max(width, len(cells))
            yield Record(row, cells)


class _Feed:
    """Lines for a reader of records, a few at most for one: so that the time stays linear.

    start, taken   the first line of the present record, and how many it has taken
    """

    def __init__(self, lines: list[str]) -> None:
        self._lines, self.start, self.taken = lines, 0, 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        at = self.start + self.taken
        if at >= len(self._lines) or self.taken >= MOST_LINES:
            raise StopIteration
        self.taken += 1
        return self._lines[at]

    def go_on(self, *, after: int) -> None:
        """Go on with the next record, so many lines below the start of this one."""
        self.start, self.taken = self.start + after, 0


def _until_error(reader: Iterator[list[str]]) -> Iterator[list[str] | None]:
    try:
        yield from reader
    except csv.Error:
        yield None


def _split(
    records: list[Record], width: int, separator: str
) -> tuple[list[Record], list[RaggedRow]]:
    full: list[Record] = []
    ragged: list[RaggedRow] = []
    for record in records:
        cells = record.cells
        if len(cells) > width and not any(cell.strip() for cell in cells[width:]):
            cells = cells[:width]
        if len(cells) == width and not record.broken:
            full.append(Record(record.row, cells))
        else:
            ragged.append(_ragged(record, width, separator))
    return full, ragged


def _ragged(record: Record, width: int, separator: str) -> RaggedRow:
    cells, count = record.cells, len(record.cells)
    found, expected = f"{count} cells", f"{width} cells, as in the header"
    if record.broken:
        found, expected = cells[0], "quotation marks in pairs"
        cells = cells[0].replace('"', "").split(separator)
        fix = 'remove the stray quotation mark ("), or double it where it belongs to the text'
    elif count > width and separator == ",":
        fix = (
            "a comma inside a cell splits it: write decimals with a point, put text with commas "
            "in quotation marks, or separate the columns by semicolons"
        )
    elif count > width:
        fix = "remove what is too much, or put text that holds the separator in quotation marks"
    else:
        fix = "fill in the missing cells; if this is the last row, the file may be cut short"
    return RaggedRow(record.row, [c.strip() or None for c in cells], found, expected, fix)
