"""A table as it stands in a file against the schema: typed rows, and rows set aside.

Works on whole columns; only rows that are bad are looked at one by one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime

import polars as pl

from ingest.readers import RawTable, nearest, plain_name
from ingest.schema import Column, Problem, RowRule, Table, rules_of
from ingest.validate.cell_parsing import Style, number_style, numbers, typed
from ingest.validate.suggestions import fix_for

ROW = "row_"
TICKET = "set_aside_id"
SAID_COLUMNS = (TICKET, "set_aside_problem")  # of an export of set-aside rows


@dataclass
class SetAsideRow:
    """A row that does not load, as it stands in the file, and everything wrong with it.

    row     as a spreadsheet shows it, None: the table as a whole
    loses   how many rows of the file it stands for
    """

    row: int | None
    cells: dict[str, str | None]
    problems: list[Problem]
    session_id: str | None = None
    loses: int = 1


@dataclass
class Checked:
    """A table after checking.

    frame      the good rows: the schema's columns, typed, and `row_`
    cells      the same rows as text, and `row_`
    tickets    row → number of the set-aside row that it corrects
    """

    table: Table
    file: str
    sheet: str | None
    rows_read: int
    frame: pl.DataFrame
    cells: pl.DataFrame
    set_aside: list[SetAsideRow] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    tickets: dict[int, int] = field(default_factory=dict)
    content_hash: str = ""

    def problem(
        self, row: int | None, column: str | None, found: object, *, expected: str, fix: str
    ) -> Problem:
        text = None if found is None else said(found)
        return Problem(self.file, self.sheet, row, column, text, expected, fix)

    def reject(self, problems: Iterable[Problem]) -> None:
        """Set the problems' rows aside: they leave the good rows."""
        by_row: dict[int, list[Problem]] = {}
        for problem in problems:
            by_row.setdefault(problem.row or 0, []).append(problem)
        if not by_row:
            return
        bad = pl.col(ROW).is_in(list(by_row))
        for cells in self.cells.filter(bad).iter_rows(named=True):
            row = cells.pop(ROW)
            self.set_aside.append(
                SetAsideRow(row, cells, by_row[row], session_id=cells.get("session_id"))
            )
        self.frame, self.cells = self.frame.filter(~bad), self.cells.filter(~bad)
        self.set_aside.sort(key=lambda entry: entry.row or 0)


def said(value: object) -> str:
    """A typed value as a person would write it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, datetime):
        return value.isoformat(timespec="minutes").replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else str(value)


def check(raw: RawTable, table: Table, *, zone: str) -> Checked:
    """Check a raw table as `table`; instants without an offset are local times of `zone`."""
    places, notices, failure = _places(raw, table)
    checked = _start(raw, table, places)
    checked.notices += notices
    if failure is not None:
        return _whole_table_aside(checked, failure)
    cells = checked.cells
    values, problems = _typed_columns(checked, raw, zone=zone)
    checked.frame = values.with_columns(cells[ROW])
    present = cells.select(pl.col(n).is_not_null().alias(f"has_{n}") for n in table.names)
    judged = pl.concat([values, cells.select(ROW), present], how="horizontal")
    for rule in rules_of(table):
        problems += _rule_problems(checked, rule, judged)
    checked.reject(problems)
    _add_ragged(checked, raw, places)
    return checked


def _places(raw: RawTable, table: Table) -> tuple[dict[str, int], list[str], Problem | None]:
    """Which position of the file holds which column; what to say; why the table fails."""
    places: dict[str, int] = {}
    notices: list[str] = []
    known = set(table.names) | set(SAID_COLUMNS)
    unknown = []
    for position, cell in enumerate(raw.header):
        name = plain_name(cell)
        if name in places:
            return places, notices, _twice(raw, name)
        if name in known:
            places[name] = position
        elif cell or raw.frame[f"c{position}"].is_not_null().any():
            unknown.append(cell)
    missing = [name for name in table.required if name not in places]
    free = [name for name in table.names if name not in places]
    for cell in unknown:
        meant = nearest(cell, free)
        hint = f" Did you mean {meant}?" if meant else ""
        title = f'"{cell}" is not known' if cell else "without a name"
        notices.append(f"column {title} and was kept out.{hint}".replace("name and", "name"))
    if missing:
        return places, notices, _missing_column(raw, table, missing[0], unknown)
    return places, notices, None


def _twice(raw: RawTable, name: str) -> Problem:
    return Problem(
        raw.file,
        raw.sheet,
        raw.header_row,
        name,
        "the column twice",
        "each column once",
        f"remove one of the two columns {name}, or give it another name",
    )


def _missing_column(raw: RawTable, table: Table, name: str, unknown: list[str]) -> Problem:
    meant = nearest(name, [plain_name(cell) for cell in unknown])
    near = next((cell for cell in unknown if plain_name(cell) == meant), None)
    fix = f'rename the column "{near}" to {name}' if near else f"add a column {name}"
    if len(raw.header) == 1:
        fix = f"separate the columns by commas, semicolons or tabs, and add {name}"
    column = table.column(name)
    return Problem(
        raw.file,
        raw.sheet,
        raw.header_row,
        name,
        None,
        f"a column {name} in a table of {table.name} ({column.expectation()})",
        f"{fix}: {column.meaning}",
    )


def _start(raw: RawTable, table: Table, places: dict[str, int]) -> Checked:
    cells = raw.frame.select(
        (pl.col(f"c{places[name]}") if name in places else pl.lit(None, pl.String)).alias(name)
        for name in table.names
    ).with_columns(pl.Series(ROW, raw.rows, dtype=pl.Int64))
    checked = Checked(
        table=table,
        file=raw.file,
        sheet=raw.sheet,
        rows_read=raw.rows_read,
        frame=table.empty().with_columns(pl.lit(0, pl.Int64).alias(ROW)),
        cells=cells,
        notices=[],
        content_hash=raw.content_hash(),
    )
    if TICKET in places:
        numbers_ = raw.frame[f"c{places[TICKET]}"].cast(pl.Int64, strict=False).to_list()
        checked.tickets = {r: n for r, n in zip(raw.rows, numbers_, strict=True) if n is not None}
    checked.notices += raw.notices
    return checked


def _whole_table_aside(checked: Checked, failure: Problem) -> Checked:
    checked.set_aside = [SetAsideRow(failure.row, {}, [failure], loses=checked.rows_read)]
    checked.frame = checked.frame.clear()
    checked.cells = checked.cells.clear()
    return checked


def _typed_columns(
    checked: Checked, raw: RawTable, *, zone: str
) -> tuple[pl.DataFrame, list[Problem]]:
    table, cells = checked.table, checked.cells
    likely = _table_style(table, cells, raw)
    columns, problems = [], []
    for column in table.columns:
        text = cells[column.name]
        style = likely
        if column.kind in (float, int):
            style = number_style(text, likely=likely, typed=raw.typed)
        values = typed(column, text, style=style, zone=zone)
        columns.append(values)
        bad = (text.is_not_null() & values.is_null()).arg_true()
        if len(bad):
            where = cells[ROW].gather(bad).to_list()
            found = text.gather(bad)
            problems += _cell_problems(checked, column, (where, found, style), zone=zone)
    return pl.DataFrame(columns), problems


def _table_style(table: Table, cells: pl.DataFrame, raw: RawTable) -> Style:
    """How numbers are written where a column's own cells do not tell."""
    texts = [cells[c.name].drop_nulls() for c in table.columns if c.kind in (float, int)]
    pooled = pl.concat(texts) if texts else pl.Series([], dtype=pl.String)
    some_commas = bool(pooled.str.contains(r"^[+-]?\d*,\d+$").any())
    likely = raw.decimal_comma_likely and some_commas
    return number_style(pooled, likely=Style(likely, likely), typed=raw.typed)


def _cell_problems(
    checked: Checked,
    column: Column,
    bad: tuple[list[int], pl.Series, Style],
    *,
    zone: str,
) -> list[Problem]:
    rows, found, style = bad
    read = numbers(found, style).to_list() if column.kind in (float, int) else [None] * len(rows)
    expected = column.expectation()
    return [
        checked.problem(
            row,
            column.name,
            text,
            expected=expected,
            fix=fix_for(column, text, value, zone=zone),
        )
        for row, text, value in zip(rows, found.to_list(), read, strict=True)
    ]


def _rule_problems(checked: Checked, rule: RowRule, judged: pl.DataFrame) -> list[Problem]:
    broken = judged.filter(rule.broken)
    if broken.is_empty():
        return []
    column = rule.column or checked.table.names[0]
    return [
        checked.problem(row, rule.column, found, expected=rule.expected, fix=rule.fix)
        for row, found in zip(broken[ROW], broken[column], strict=True)
    ]


def _add_ragged(checked: Checked, raw: RawTable, places: dict[str, int]) -> None:
    for ragged in raw.ragged:
        cells = {
            name: ragged.cells[at] if at < len(ragged.cells) else None
            for name, at in places.items()
            if name not in SAID_COLUMNS
        }
        problem = checked.problem(
            ragged.row,
            None,
            ragged.problem_found,
            expected=ragged.expected,
            fix=ragged.fix,
        )
        entry = SetAsideRow(ragged.row, cells, [problem], session_id=cells.get("session_id"))
        checked.set_aside.append(entry)
    checked.set_aside.sort(key=lambda entry: entry.row or 0)
