"""A table as it stands in a file: text cells and row numbers, nothing checked yet."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

import polars as pl

from ingest.schema import Problem

Cells = list[str | None]
MOST_COLUMNS = 400
MOST_CELLS = 8_000_000  # a million steps of rides, the longest table there is, fill as many


class UnreadableError(Exception):
    """A file that holds no table; carries what was found, expected, and what to do."""

    def __init__(self, found: str, expected: str, fix: str) -> None:
        super().__init__(found, expected, fix)  # as they are, so that it survives pickling
        self.found, self.expected, self.fix = found, expected, fix

    def __str__(self) -> str:
        """Return it as a sentence."""
        return f"found {self.found}, expected {self.expected}. {self.fix}"

    def problem(self, file: str, sheet: str | None = None) -> Problem:
        """Return it as a problem of the file as a whole."""
        return Problem(file, sheet, None, None, self.found, self.expected, self.fix)


def within_bounds(columns: int, cells: int) -> None:
    """Raise UnreadableError for more columns or cells than a table has."""
    if columns > MOST_COLUMNS or cells > MOST_CELLS:
        raise UnreadableError(
            found=f"{columns} columns and {cells} cells",
            expected=f"at most {MOST_COLUMNS} columns and {MOST_CELLS} cells",
            fix="delete what is no part of the table, or split the file",
        )


@dataclass(frozen=True)
class RaggedRow:
    """A row with more or fewer cells than the header."""

    row: int
    cells: Cells
    problem_found: str
    expected: str
    fix: str


@dataclass
class RawTable:
    """One table of a file.

    file     the path as it was given
    sheet    the workbook's sheet, else None
    name     what the table is known by: the file's name without ending, or the sheet's
    header   the header's cells, by position
    frame    one text column a header cell, named c0, c1, …; empty cells null
    rows     row numbers as a spreadsheet shows them, parallel to `frame`
    typed    the file itself knew numbers from text: a point in a number is a decimal point
    """

    file: str
    sheet: str | None
    name: str
    header: list[str]
    frame: pl.DataFrame
    rows: list[int]
    header_row: int = 1
    ragged: list[RaggedRow] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    typed: bool = False
    decimal_comma_likely: bool = False

    @property
    def rows_read(self) -> int:
        """How many rows the file holds below the header."""
        return len(self.rows) + len(self.ragged)

    def __getstate__(self) -> dict[str, object]:
        """Return it for another process, the cells packed: a copy of them all may not fit."""
        packed = self.frame.write_ipc(None, compression="lz4")
        return {**vars(self), "frame": packed.getvalue()}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take over what another process read."""
        vars(self).update(state, frame=pl.read_ipc(state["frame"]))

    def content_hash(self) -> str:
        """Return the hash of the cells, whatever the file's format and encoding."""
        return cells_hash(self.header, self.frame, self.rows, self.ragged)

    def header_problem(
        self, column: str | None, found: str | None, *, expected: str, fix: str
    ) -> Problem:
        """Return a problem of the header row."""
        return Problem(self.file, self.sheet, self.header_row, column, found, expected, fix)


def cells_hash(
    header: Sequence[str], cells: pl.DataFrame, rows: list[int], ragged: Sequence[RaggedRow] = ()
) -> str:
    """Return the SHA-256, as hexadecimal digits, of a table's text cells with their row numbers."""
    lines = cells.select(pl.concat_str(pl.all().fill_null("\x00"), separator="\x1f")).to_series()
    digest = sha256("\x1f".join(header).encode())
    for part in ("\n".join(lines), repr(rows), repr(list(ragged))):
        digest.update(part.encode("utf-8", "replace"))
    return digest.hexdigest()


def column_names(width: int) -> list[str]:
    """Return the names of a raw table's columns: c0, c1, …"""
    return [f"c{i}" for i in range(width)]


def text_frame(columns: Sequence[Sequence[str | None]]) -> pl.DataFrame:
    """Return columns of text cells as a frame: c0, c1, …; trimmed, empty cells null."""
    frame = pl.DataFrame(
        [
            pl.Series(name, cells, dtype=pl.String)
            for name, cells in zip(column_names(len(columns)), columns, strict=True)
        ]
    )
    return trimmed(frame)


def trimmed(frame: pl.DataFrame) -> pl.DataFrame:
    """Return text cells without white space at their ends (no-break kinds too); empty ones null."""
    text = pl.col(pl.String)
    stripped = text.str.replace_all("[\u00a0\u202f\u2009\ufeff]", " ").str.strip_chars()
    return frame.with_columns(stripped).with_columns(pl.when(text.str.len_chars() > 0).then(text))
