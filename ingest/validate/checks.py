"""One table against the schema: typed rows that can be stored, and rows that are set aside.

The rows come from a file (`check`: a RawTable, all text) or from a form, a ride or another store
(`check_entry`: an Entry, typed or text). Both are checked a whole column at a time; only bad rows
are looked at one by one.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256

import polars as pl

from ingest.readers import RawTable, cells_hash, nearest, plain_name, trimmed
from ingest.schema import Column, Problem, RowRule, Table, rules_of
from ingest.validate.bad_cells import (
    BadCell,
    bad_cells,
    mended,
    told_alone,
    units_read,
    without_units,
)
from ingest.validate.cell_parsing import Style, decimals, number_style, typed
from ingest.validate.cell_writing import cell_text, shown_cells

ROW = "row_"
TICKET = "set_aside_id"
EXPORT_COLUMNS = (TICKET, "set_aside_problem")  # that an export of set-aside rows has besides


@dataclass(frozen=True)
class Entry:
    """Rows of one table that stand in no text file.

    table    the table they are for
    frame    columns of the table by name, typed as the schema has them, or text as in a form
    file     what messages and the import log call them
    sheet    the same of a workbook's sheet; None: there is only this table
    rows     row numbers, as a spreadsheet would count them; empty: 2, 3, …; rows that came from
             the same one have the same
    tickets  a row's place here → set-aside row that it corrects
    by_hand  a person wrote the text: commas in numbers are likely to be decimal
    problems what is wrong with its rows, beyond what their cells show, each with its row's place
    """

    table: Table
    frame: pl.DataFrame
    file: str
    sheet: str | None = None
    rows: Sequence[int] = ()
    tickets: Mapping[int, int] = field(default_factory=dict)
    by_hand: bool = False
    problems: Sequence[tuple[int, Problem]] = ()

    def numbered(self) -> list[int]:
        """Return the row number of each row."""
        return list(self.rows) or list(range(2, self.frame.height + 2))

    def given(self) -> pl.DataFrame:
        """Return every column of the table in its order; text is trimmed, absent ones are null."""
        names = {name: name for name in self.frame.columns}
        return trimmed(_by_name(self.table, self.frame, names))

    def content_hash(self) -> str:
        """Return the hash of the rows as text and of their numbers."""
        cells = shown_cells(self.given()).cast(pl.String)
        filled = cells.select(column for column in cells if column.null_count() < cells.height)
        return cells_hash(filled.columns, filled, self.numbered())


@dataclass
class SetAsideRow:
    """A row that does not load, as it stands in the file, and everything wrong with it.

    row     as a spreadsheet shows it, None: the table as a whole
    line    what tells it from others of that row
    now     cells whose text alone does not tell their value, written so that it does
    loses   how many rows of the file it stands for
    """

    row: int | None
    cells: dict[str, str | None]
    problems: list[Problem]
    session_id: str | None = None
    loses: int = 1
    line: int | None = None
    now: dict[str, str] = field(default_factory=dict)


@dataclass
class Checked:
    """A table after checking.

    frame      the good rows: the schema's columns, typed, and `row_`, a number of its own
    cells      the same rows as text, and `row_`
    shown      `row_` → the row as a spreadsheet shows it, where that is another number
    tickets    `row_` → set-aside row that it corrects
    brought    the columns that it has; the stored row of the same key keeps the others
    lacking    a required column that only stored rows can give
    """

    table: Table
    file: str
    sheet: str | None
    rows_read: int
    frame: pl.DataFrame
    cells: pl.DataFrame
    set_aside: list[SetAsideRow] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    shown: dict[int, int] = field(default_factory=dict)
    tickets: dict[int, int] = field(default_factory=dict)
    content_hash: str = ""
    brought: frozenset[str] = frozenset()
    lacking: Problem | None = None

    @property
    def kept(self) -> list[str]:
        """Return the columns that stored rows of the same key keep."""
        return [
            name
            for name in self.table.completed
            if not {name, self.table.column(name).decimals_of} & self.brought
        ]

    def problem(
        self, row: int | None, column: str | None, found: object, *, expected: str, fix: str
    ) -> Problem:
        """Return a problem of this table; `found` is a typed value or text."""
        text = None if found is None else cell_text(found)
        return Problem(self.file, self.sheet, row, column, text, expected, fix)

    def reject(self, problems: Iterable[Problem]) -> None:
        """Set the rows of these problems aside: they leave the good rows."""
        by_row: dict[int, list[Problem]] = {}
        for problem in problems:
            by_row.setdefault(problem.row or 0, []).append(problem)
        if not by_row:
            return
        bad = pl.col(ROW).is_in(list(by_row))
        lost = self.frame.filter(bad).iter_rows(named=True)
        for cells, values in zip(self.cells.filter(bad).iter_rows(named=True), lost, strict=True):
            line = cells.pop(ROW)
            row = self.shown.get(line, line)
            wrong = [replace(problem, row=row) for problem in by_row[line]]
            aside = SetAsideRow(row, cells, wrong, cells.get("session_id"), line=line)
            aside.now = told_alone(self.table, cells, values)
            self.set_aside.append(aside)
        self.frame, self.cells = self.frame.filter(~bad), self.cells.filter(~bad)
        self.set_aside.sort(key=lambda entry: (entry.row or 0, entry.line or 0))


def check(raw: RawTable, table: Table, *, zone: str) -> Checked:
    """Return a file's table checked as `table`; instants without an offset are in `zone`."""
    places, notices, failure, lacking = _places(raw, table)
    cells = _by_name(table, raw.frame, {name: f"c{place}" for name, place in places.items()})
    checked = _unjudged(table, raw.file, raw.sheet, cells, raw.rows)
    checked.rows_read, checked.content_hash = raw.rows_read, raw.content_hash()
    checked.notices = raw.notices + notices
    if failure is not None:
        return _whole_table_aside(checked, failure)
    if TICKET in places:
        tickets = raw.frame[f"c{places[TICKET]}"].cast(pl.Int64, strict=False)
        checked.tickets = {r: t for r, t in zip(raw.rows, tickets, strict=True) if t is not None}
    checked.brought, checked.lacking = _brought(cells, places), lacking
    _judge(checked, cells, zone=zone, typed_file=raw.typed, commas_likely=raw.decimal_comma_likely)
    _add_ragged(checked, raw, places)
    return checked


def check_entry(entry: Entry, *, zone: str) -> Checked:
    """Return rows that stand in no file checked; local times without an offset are in `zone`."""
    given = entry.given()
    cells = shown_cells(given).cast(pl.String)
    numbers = entry.numbered()
    lines = numbers if len(set(numbers)) == len(numbers) else list(range(2, len(numbers) + 2))
    checked = _unjudged(entry.table, entry.file, entry.sheet, cells, lines)
    checked.shown = dict(zip(lines, numbers, strict=True))
    checked.tickets = {lines[at]: ticket for at, ticket in entry.tickets.items()}
    checked.content_hash = entry.content_hash()
    checked.brought = frozenset(entry.frame.columns) & set(entry.table.names)
    _judge(checked, given, zone=zone, typed_file=not entry.by_hand, commas_likely=entry.by_hand)
    checked.reject(replace(problem, row=lines[at]) for at, problem in entry.problems)
    return checked


def stored_rows(table: Table, frame: pl.DataFrame, file: str) -> Checked:
    """Return rows of the store in which the program changed a cell, checked when they came.

    frame  has every column of the table; file: what the import log calls the change
    """
    rows = table.conform(frame)
    numbered = rows.with_columns(pl.int_range(2, 2 + pl.len(), dtype=pl.Int64).alias(ROW))
    content = sha256(repr(rows.rows()).encode()).hexdigest()
    return Checked(
        table,
        file,
        None,
        rows.height,
        numbered,
        numbered,
        content_hash=content,
        brought=frozenset(table.names),
    )


def _brought(cells: pl.DataFrame, places: Mapping[str, int]) -> frozenset[str]:
    """Return the columns that a file has; of an export of set-aside rows, those that are filled."""
    named = [name for name in places if name not in EXPORT_COLUMNS]
    if TICKET in places:
        named = [name for name in named if cells[name].is_not_null().any()]
    return frozenset(named)


def _by_name(table: Table, frame: pl.DataFrame, places: Mapping[str, str]) -> pl.DataFrame:
    """Return the table's columns in its order; what `places` does not name is null."""
    absent = [pl.lit(None, pl.String).alias(name) for name in table.names if name not in places]
    return frame.with_columns(absent).select(
        pl.col(places.get(name, name)).alias(name) for name in table.names
    )


def _unjudged(
    table: Table, file: str, sheet: str | None, cells: pl.DataFrame, rows: list[int]
) -> Checked:
    """Return a table of which every row is still to be judged."""
    numbered = cells.with_columns(pl.Series(ROW, rows, dtype=pl.Int64))
    none = table.empty().with_columns(pl.lit(0, pl.Int64).alias(ROW))
    return Checked(table, file, sheet, len(rows), none, numbered)


def _judge(
    checked: Checked, given: pl.DataFrame, *, zone: str, typed_file: bool, commas_likely: bool
) -> None:
    """Type the columns and set bad rows aside: cells first, then the rules on whole rows."""
    table, cells = checked.table, checked.cells
    bare = without_units(table, given)
    likely = _likely_style(table, bare, typed_file=typed_file, commas_likely=commas_likely)
    columns, found = [], []
    for column in table.columns:
        values, style = bare[column.name], likely
        if column.kind in (float, int) and values.dtype == pl.String:
            style = number_style(values, likely=likely, typed=typed_file)
        read = typed(column, values, style=style, zone=zone)
        found += bad_cells(column, cells[column.name], read, style=style, zone=zone)
        columns.append(read if typed_file else _with_decimals(column, read, bare, likely))
    checked.notices += units_read(given, bare, columns)
    checked.frame = pl.DataFrame(columns).with_columns(cells[ROW])
    rows = mended(checked.frame, cells, found, zone=zone)
    rules = [
        problem
        for rule in rules_of(table)
        if not _waits(rule, checked)
        for problem in _rule_problems(checked, rule, rows)
    ]
    broken = {(problem.row, problem.column) for problem in rules}
    problems = [_cell_problem(checked, bad) for bad in found]
    kept = [p for p in problems if p.suggested != "" or (p.row, p.column) not in broken]
    checked.reject(kept + rules)


def _cell_problem(checked: Checked, bad: BadCell) -> Problem:
    return Problem(
        checked.file,
        checked.sheet,
        checked.cells[ROW][bad.at],
        bad.column.name,
        bad.text,
        bad.column.expectation(),
        bad.suggestion.words(),
        bad.suggestion.value,
        bad.suggestion.sure,
        bad.suggestion.kind,
    )


def _with_decimals(
    column: Column, read: pl.Series, given: pl.DataFrame, likely: Style
) -> pl.Series:
    """Return a column filled in with another's decimals as typed, if it is there to hold them."""
    if not column.decimals_of or given[column.decimals_of].dtype != pl.String:
        return read
    text = given[column.decimals_of]
    typed_so = decimals(text, number_style(text, likely=likely, typed=False))
    return pl.select(pl.coalesce(read, typed_so).alias(column.name)).to_series()


def _waits(rule: RowRule, checked: Checked) -> bool:
    """Return whether a rule is about columns that stored rows may give."""
    kept = {*checked.kept, *(f"has_{name}" for name in checked.kept)}
    return not kept.isdisjoint(rule.broken.meta.root_names())


def complete(checked: Checked, existing: pl.DataFrame) -> None:
    """Give rows the columns that their table does not bring, from the stored rows of their keys.

    existing  the store's live rows of the same table
    Rows that lack what they need, and are not in the store, are set aside; where none is, the
    whole table is, for want of the column.
    """
    table, kept = checked.table, checked.kept
    if not kept:
        return
    stored = existing.select(*table.key, *kept, pl.lit(True).alias("stored_"))
    if table.key_may_be_empty:
        stored = stored.filter(pl.col(table.key[-1]).is_not_null())
    filled = checked.frame.drop(kept).join(
        stored, on=list(table.key), how="left", nulls_equal=True, maintain_order="left"
    )
    if checked.lacking is not None and not filled["stored_"].any():
        _whole_table_aside(checked, checked.lacking)
        return
    checked.frame = filled.select(checked.frame.columns)
    present = checked.frame.select(pl.col(n).is_not_null().alias(f"has_{n}") for n in table.names)
    rows = pl.concat([checked.frame, present], how="horizontal")
    waited = [rule for rule in rules_of(table) if _waits(rule, checked)]
    checked.reject([p for rule in waited for p in _rule_problems(checked, rule, rows)])


def _likely_style(
    table: Table, given: pl.DataFrame, *, typed_file: bool, commas_likely: bool
) -> Style:
    """Return how numbers are written where a column's own cells do not tell."""
    texts = [
        given[column.name].drop_nulls()
        for column in table.columns
        if column.kind in (float, int) and given[column.name].dtype == pl.String
    ]
    pooled = pl.concat(texts) if texts else pl.Series([], dtype=pl.String)
    comma = commas_likely and bool(pooled.str.contains(r"^[+-]?\d*,\d+$").any())
    return number_style(pooled, likely=Style(comma, comma), typed=typed_file)


def _rule_problems(checked: Checked, rule: RowRule, rows: pl.DataFrame) -> list[Problem]:
    broken = rows.filter(rule.broken)
    column = rule.column or checked.table.names[0]
    return [
        checked.problem(row, rule.column, found, expected=rule.expected, fix=rule.fix)
        for row, found in broken.select(ROW, column).iter_rows()
    ]


def _places(
    raw: RawTable, table: Table
) -> tuple[dict[str, int], list[str], Problem | None, Problem | None]:
    """Return column → position in the file, notices, and why the table fails as a whole.

    The last is why it fails unless stored rows give a required column that it does not have.
    """
    places: dict[str, int] = {}
    notices: list[str] = []
    known = set(table.names) | set(EXPORT_COLUMNS)
    unknown = []
    for position, cell in enumerate(raw.header):
        name = plain_name(cell)
        if name in places:
            return places, notices, _twice(raw, name), None
        if name in known:
            places[name] = position
        elif cell or raw.frame[f"c{position}"].is_not_null().any():
            unknown.append(cell)
    missing = [name for name in table.required if name not in places]
    free = [name for name in table.names if name not in places]
    for cell in unknown:
        meant = nearest(cell, free)
        hint = f" Did you mean {meant}?" if meant else ""
        title = f'column "{cell}" is not known and' if cell else "column without a name"
        notices.append(f"{title} was kept out.{hint}")
    if not missing:
        return places, notices, None, None
    open_ = table.completed if table.on_change == "replace" else []
    fatal = [name for name in missing if name not in open_]
    problem = _missing_column(raw, table, (fatal or missing)[0], unknown)
    return (places, notices, problem, None) if fatal else (places, notices, None, problem)


def _twice(raw: RawTable, name: str) -> Problem:
    return raw.header_problem(
        name,
        "the column twice",
        expected="each column once",
        fix=f"remove one of the two columns {name}, or give it another name",
    )


def _missing_column(raw: RawTable, table: Table, name: str, unknown: list[str]) -> Problem:
    meant = nearest(name, [plain_name(cell) for cell in unknown])
    near = next((cell for cell in unknown if plain_name(cell) == meant), None)
    fix = f'rename the column "{near}" to {name}' if near else f"add a column {name}"
    if len(raw.header) == 1:
        fix = f"separate the columns by commas, semicolons or tabs, and add {name}"
    column = table.column(name)
    return raw.header_problem(
        name,
        None,
        expected=f"a column {name} in a table of {table.name} ({column.expectation()})",
        fix=f"{fix}: {column.meaning}",
    )


def _whole_table_aside(checked: Checked, failure: Problem) -> Checked:
    checked.set_aside = [SetAsideRow(failure.row, {}, [failure], loses=checked.rows_read)]
    checked.frame, checked.cells = checked.frame.clear(), checked.cells.clear()
    return checked


def _add_ragged(checked: Checked, raw: RawTable, places: dict[str, int]) -> None:
    """Set rows aside that have more or fewer cells than the header."""
    for ragged in raw.ragged:
        cells = {
            name: ragged.cells[at] if at < len(ragged.cells) else None
            for name, at in places.items()
            if name not in EXPORT_COLUMNS
        }
        problem = checked.problem(
            ragged.row, None, ragged.problem_found, expected=ragged.expected, fix=ragged.fix
        )
        entry = SetAsideRow(ragged.row, cells, [problem], session_id=cells.get("session_id"))
        checked.set_aside.append(entry)
    checked.set_aside.sort(key=lambda entry: entry.row or 0)
