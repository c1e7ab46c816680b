"""A sheet with a session in each column, turned so that it has one in each row."""

from ingest.matching.sheets.cells import is_value
from ingest.matching.sheets.row_kinds import MODIFIERS, is_known, is_pair
from ingest.matching.words import concepts_in, unit_in
from ingest.readers import Grid

FEWEST_LABELS = 3


def turned_grid(grid: Grid) -> Grid | None:
    """Return the sheet with rows and columns exchanged; None if its labels do not stand in one.

    A label without values is a title of those below it: `As found`, then `large L`, `large R`.
    Row numbers are those of the columns.
    """
    labels = _labels(grid)
    if sum(bool(label) for label in labels) < FEWEST_LABELS:
        return None
    kept = [i for i, label in enumerate(labels) if label]
    width = max(len(row) for row in grid.cells)
    start = next(
        (c for c in range(1, width) if any(_cell(grid, i, c) for i in kept)),
        None,
    )
    if start is None:
        return None
    columns = [[_cell(grid, i, c) for i in kept] for c in range(start, width)]
    numbered = [(c + start + 1, column) for c, column in enumerate(columns) if any(column)]
    cells = [[labels[i] for i in kept], *(column for _, column in numbered)]
    rows = [1, *(number for number, _ in numbered)]
    return Grid(
        grid.file, grid.sheet, cells, rows, typed=grid.typed, commas_likely=grid.commas_likely
    )


def _cell(grid: Grid, row: int, column: int) -> str:
    cells = grid.cells[row]
    return cells[column] if column < len(cells) else ""


def _labels(grid: Grid) -> list[str]:
    """Return each row's label, with the title above it; "" for a row that has none or no values."""
    labels, title = [], ""
    for row in grid.cells:
        first = row[0].rstrip(": ") if row else ""
        has_values = any(row[1:])
        if not first or is_value(row[0]) or not (is_known(first) or title or has_values):
            labels.append("")
        elif not has_values:
            title = first if concepts_in(unit_in(first)[0]) & MODIFIERS else ""
            labels.append("")
        else:
            labels.append(f"{title} {first}".strip() if not is_pair([first]) else first)
    return labels
