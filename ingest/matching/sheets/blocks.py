"""Tables that stand next to each other on a sheet, each with the same headings."""

from collections.abc import Sequence
from dataclasses import replace

from ingest.matching.sheets.row_kinds import KEYS, filled, is_known
from ingest.matching.words import concepts_in, unit_in
from ingest.readers import Grid

FEWEST_HEADINGS, LEAST_ALIKE = 3, 0.75


def side_by_side(grid: Grid) -> list[Grid]:
    """Return a sheet in parts where tables stand side by side; else as it is.

    What stands above the headings of the first part alone is said of all.
    """
    for at, row in enumerate(grid.cells):
        starts = _starts(row)
        if len(starts) > 1:
            ends = [*starts[1:], max(len(other) for other in grid.cells)]
            spans = zip([0, *starts[1:]], ends, strict=True)
            return [_part(grid, at, begin, end) for begin, end in spans]
    return [grid]


def _starts(row: Sequence[str]) -> list[int]:
    """Return where the same headings begin again and again in a row; one place: they do not."""
    at = filled(row)
    if len(at) < 2 * FEWEST_HEADINGS or not is_known(row[at[0]]):
        return []
    if not concepts_in(unit_in(row[at[0]])[0]) & KEYS:
        return []
    starts = [i for i in at if row[i] == row[at[0]]]
    blocks = [
        {row[i] for i in at if begin <= i < end}
        for begin, end in zip(starts, [*starts[1:], len(row)], strict=True)
    ]
    alike = all(len(block & blocks[0]) >= LEAST_ALIKE * len(block | blocks[0]) for block in blocks)
    return starts if alike and len(blocks[0]) >= FEWEST_HEADINGS else []


def _part(grid: Grid, heading: int, begin: int, end: int) -> Grid:
    cells = []
    for at, row in enumerate(grid.cells):
        own = list(row[begin:end])
        if at < heading and begin and not any(row[begin:]):
            own = [cell for cell in row if cell]
        cells.append(own)
    numbered = [(cut, n) for cut, n in zip(cells, grid.rows, strict=True) if any(cut)]
    return replace(grid, cells=[cut for cut, _ in numbered], rows=[n for _, n in numbered])
