"""Search a sheet for its tables: below which row of headings, from where to where."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.matching.sheets.blocks import side_by_side
from ingest.matching.sheets.cells import is_value
from ingest.matching.sheets.headings import joined
from ingest.matching.sheets.paired import without_pairs
from ingest.matching.sheets.row_kinds import (
    filled,
    is_fact,
    is_heading,
    is_key_and_value,
    is_labelled,
    is_pair,
    is_remark,
    is_second_line,
    is_sum,
    is_trait,
    is_units,
    is_upper_line,
    known_headings,
    names_meters,
)
from ingest.matching.sheets.surroundings import Surroundings
from ingest.matching.sheets.table import FoundTable
from ingest.matching.sheets.turned import turned_grid
from ingest.readers import Grid

FEWEST_KNOWN = 2
FEWEST_ROWS = 3


@dataclass
class _Open:
    """A table being read: its headings, and the rows found so far."""

    headings: list[str]
    heading_rows: list[int]
    lines: list[list[str]]
    body: list[list[str]] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    around: list[Surroundings] = field(default_factory=list)
    notes: Surroundings = field(default_factory=Surroundings)
    facts: list[list[str]] = field(default_factory=list)


def find_tables(grid: Grid) -> list[FoundTable]:
    """Return the tables of a sheet in their order, those side by side one after the other."""
    return [without_pairs(table) for part in side_by_side(grid) for table in _tables(part)]


def _tables(grid: Grid) -> list[FoundTable]:
    """Return the tables of a sheet in their order; one read by columns where it lies turned."""
    upright = _search(grid)
    known = max((known_headings(table.headings) for table in upright), default=0)
    labelled = sum(is_labelled(row) for table in upright for row in table.body)
    rows = sum(len(table.body) for table in upright)
    traits = sum(is_trait(row[0]) for table in upright for row in table.body)
    if (known > FEWEST_KNOWN or traits >= max(1, rows / 2)) and labelled < max(2, rows / 3):
        return upright
    turned = turned_grid(grid)
    if turned is not None:
        across = _search(turned, turned=True)
        if across and _better(across, upright):
            return across
    return upright or _unnamed(grid)


def _better(across: Sequence[FoundTable], upright: Sequence[FoundTable]) -> bool:
    known = max(known_headings(table.headings) for table in across)
    return known > max((known_headings(table.headings) for table in upright), default=0)


def _search(grid: Grid, *, turned: bool = False) -> list[FoundTable]:
    tables: list[_Open] = []
    around = Surroundings()
    at, count = 0, len(grid.cells)
    width = max((len(row) for row in grid.cells), default=0)
    while at < count:
        row = grid.cells[at]
        if is_heading(row):
            begin, end = _heading_span(grid, at)
            facts = [row for row in grid.cells[begin:at] if is_fact(row)]
            lines = [list(line) for line in grid.cells[begin:end] if line not in facts]
            headings = joined(lines, width)
            if tables and not tables[-1].body:
                for line in tables.pop().lines:
                    around = around.with_row(line)
            if not tables or headings != tables[-1].headings:
                tables.append(_Open(headings, grid.rows[begin:end], lines, facts=facts))
            at = end
            continue
        if tables:
            around = _add(tables[-1], grid, at, around, width)
        elif not _begins_heading(grid, at):
            around = around.with_row(row)
        at += 1
    found = [_closed(table, grid, turned=turned) for table in tables if table.body]
    return found


def _begins_heading(grid: Grid, at: int) -> bool:
    heading = next((i for i in range(at + 1, at + 4) if _is_heading_at(grid, i)), None)
    return heading is not None and _first_line(grid, heading) <= at


def _is_heading_at(grid: Grid, at: int) -> bool:
    return at < len(grid.cells) and is_heading(grid.cells[at])


def _first_line(grid: Grid, at: int) -> int:
    """Return where headings begin: with a line above that spreads, or that names meters."""
    above = at - 1
    while above >= 0 and at - above < 3 and _adjacent(grid, above) and is_fact(grid.cells[above]):
        above -= 1
    if above >= 0 and _adjacent(grid, above) and names_meters(grid.cells[above]):
        return above
    return at - 1 if at and _adjacent(grid, at - 1) and is_upper_line(grid.cells[at - 1]) else at


def _adjacent(grid: Grid, at: int) -> bool:
    return grid.rows[at + 1] - grid.rows[at] == 1


def _heading_span(grid: Grid, at: int) -> tuple[int, int]:
    begin, end = _first_line(grid, at), at + 1
    while end < len(grid.cells) and end - at < 3 and _goes_on(grid, at, end):
        end += 1
    return begin, end


def _goes_on(grid: Grid, at: int, end: int) -> bool:
    adjacent = grid.rows[end] - grid.rows[end - 1] == 1
    return adjacent and (
        is_second_line(grid.cells[end], grid.cells[at]) or is_units(grid.cells[end])
    )


def _add(table: _Open, grid: Grid, at: int, around: Surroundings, width: int) -> Surroundings:
    """Add a row to the table it belongs to, or to what is said around it."""
    row = grid.cells[at]
    if is_sum(row) or is_units(row) or list(row) in table.lines:
        return around
    values = sum(is_value(cell) for cell in row)
    if (
        is_remark(row)
        or is_key_and_value(row)
        or (is_pair(row) and values < 2)
        or (not values and len(filled(row)) < 2)
        or _is_below(table, grid, at, values)
    ):
        table.notes = table.notes.with_row(row)
        return around.with_row(row)
    table.body.append([*row, *[""] * (width - len(row))])
    table.rows.append(grid.rows[at])
    table.around.append(around)
    table.notes = Surroundings()
    return around


def _is_below(table: _Open, grid: Grid, at: int, values: int) -> bool:
    """Return whether a row stands apart below rows of numbers and is one of words itself."""
    if not table.rows or grid.rows[at] - table.rows[-1] < 2 or values > 1:
        return False
    return all(sum(map(is_value, row)) >= 2 for row in table.body)


def _closed(table: _Open, grid: Grid, *, turned: bool) -> FoundTable:
    used = [
        i
        for i, heading in enumerate(table.headings)
        if heading or any(row[i] for row in table.body)
    ]
    return FoundTable(
        grid.file,
        grid.sheet,
        [table.headings[i] for i in used],
        table.heading_rows,
        [[row[i] for i in used] for row in table.body],
        table.rows,
        table.around,
        notes=table.notes,
        turned=turned,
        typed=grid.typed,
        commas_likely=grid.commas_likely,
        facts=[_fact(row, used) for row in table.facts],
        cut=_is_cut(table, grid),
    )


def _is_cut(table: _Open, grid: Grid) -> bool:
    """Return whether the last row of a text file is a table's, and shorter than all its others."""
    if grid.typed or not table.rows or table.rows[-1] != grid.rows[-1]:
        return False
    lengths = [
        len(cells) for cells, row in zip(grid.cells, grid.rows, strict=True) if row in table.rows
    ]
    return len(set(lengths[:-1])) == 1 and len(lengths) > FEWEST_ROWS and lengths[-1] < lengths[0]


def _fact(row: Sequence[str], used: Sequence[int]) -> tuple[str, list[str]]:
    label = filled(row)[0]
    cells = [row[i] if i < len(row) and i != label else "" for i in used]
    return row[label], cells


def _unnamed(grid: Grid) -> list[FoundTable]:
    """Return the one table of a sheet whose headings are in no language that is known, if any."""
    for at, row in enumerate(grid.cells[:20]):
        texts = [cell for cell in row if cell and not is_value(cell)]
        below = grid.cells[at + 1 : at + 4]
        if len(texts) < 2 or len(texts) < len(filled(row)) or not below:
            continue
        if sum(sum(is_value(cell) for cell in other) >= 2 for other in below) >= len(below) / 2:
            width = max(len(other) for other in grid.cells)
            table = _Open(joined([row], width), [grid.rows[at]], [list(row)])
            around = Surroundings()
            for before in grid.cells[:at]:
                around = around.with_row(before)
            for below_at in range(at + 1, len(grid.cells)):
                around = _add(table, grid, below_at, around, width)
            return [_closed(table, grid, turned=False)]
    return []
