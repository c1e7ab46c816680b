"""Empty input tables to fill in: CSV files, one workbook, a data dictionary."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ingest.schema.columns import KIND_WORDS, Column, Table
from ingest.schema.tables import TABLES, data_dictionary

if TYPE_CHECKING:
    import xlsxwriter

WORKBOOK = "slopewatch-tables.xlsx"
DICTIONARY = "data-dictionary.md"
DICTIONARY_SHEET = "dictionary"
_NUMBER_FORMATS = {"date": "yyyy-mm-dd", "datetime": "yyyy-mm-dd hh:mm"}
_ROWS_FORMATTED = 2000


def write_template(folder: Path) -> list[Path]:
    """Write a CSV file a table, one workbook with a sheet a table, and a data dictionary.

    Tables that are there already are not overwritten: they may be filled in. Returns the files
    that were written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for table in TABLES.values():
        file = folder / f"{table.name}.csv"
        if not file.exists():
            file.write_text(",".join(table.names) + "\n", encoding="utf-8-sig")
            written.append(file)
    book = folder / WORKBOOK
    if not book.exists():
        _write_workbook(book)
        written.append(book)
    dictionary = folder / DICTIONARY
    dictionary.write_text(dictionary_text(), encoding="utf-8")
    return [*written, dictionary]


def dictionary_text() -> str:
    """Return the data dictionary in Markdown."""
    lines = [
        "# Data dictionary",
        "",
        "Each table may come as CSV (comma, semicolon or tab; decimal point or comma), Parquet,",
        "or a sheet of a workbook. Dates are written 2026-03-14, times 2026-03-14T09:30; a time",
        "without an offset is in the store's time zone. Columns marked * must be filled in, unless",
        "their meaning says where else the value may come from. Torque is in newton metres.",
        "Numbers are kept to ten significant digits; a column's own unit may stand behind them.",
    ]
    for table in TABLES.values():
        lines += ["", f"## {table.name}", "", f"{table.meaning}.", "", *_known_by(table), ""]
        lines += ["| column | type | unit or values | meaning |", "| --- | --- | --- | --- |"]
        lines += [_dictionary_line(column) for column in table.columns]
    return "\n".join(lines) + "\n"


def _known_by(table: Table) -> list[str]:
    if not table.key:
        return ["Equal rows are repeats; loading the same rows again changes nothing."]
    key = ", ".join(table.key)
    if table.on_change == "replace":
        return [f"A row is known by {key}: a later file with other values replaces it."]
    return [f"A row is known by {key}: other values for the same are a conflict, set aside."]


def _dictionary_line(column: Column) -> str:
    name = f"{column.name}*" if column.required else column.name
    return f"| {name} | {KIND_WORDS[column.kind]} | {_values(column)} | {column.meaning} |"


def _values(column: Column) -> str:
    ranged = column.low is not None or column.high is not None or column.positive
    return column.expectation() if column.choices or ranged else column.unit


def _write_workbook(file: Path) -> None:
    import xlsxwriter

    book = xlsxwriter.Workbook(str(file))
    head = book.add_format({"bold": True, "bottom": 1})
    formats = {
        name: book.add_format({"num_format": text}) for name, text in _NUMBER_FORMATS.items()
    }
    for table in TABLES.values():
        sheet = book.add_worksheet(table.name)
        sheet.freeze_panes(1, 0)
        for at, column in enumerate(table.columns):
            sheet.write_string(0, at, column.name, head)
            sheet.write_comment(0, at, _comment(column))
            sheet.set_column(
                at, at, max(12, len(column.name) + 2), formats.get(column.kind.__name__)
            )
            _limit_choices(sheet, at, column)
    _write_dictionary_sheet(book, head)
    book.close()


def _comment(column: Column) -> str:
    required = " Required." if column.required else ""
    return f"{column.meaning}. Expected: {column.expectation()}.{required}"


def _limit_choices(sheet: xlsxwriter.worksheet.Worksheet, at: int, column: Column) -> None:
    choices = list(column.choices) or (["yes", "no"] if column.kind is bool else [])
    if choices and not column.or_teeth:
        rule = {"validate": "list", "source": choices, "error_type": "warning"}
        sheet.data_validation(1, at, _ROWS_FORMATTED, at, rule)


def _write_dictionary_sheet(book: xlsxwriter.Workbook, head: xlsxwriter.format.Format) -> None:
    sheet = book.add_worksheet(DICTIONARY_SHEET)
    dictionary = data_dictionary()
    sheet.freeze_panes(1, 0)
    sheet.write_row(0, 0, dictionary.columns, head)
    for row, line in enumerate(dictionary.iter_rows(), start=1):
        sheet.write_row(row, 0, line)
    for at, width in enumerate((16, 28, 10, 30, 12, 50, 70)):
        sheet.set_column(at, at, width)
