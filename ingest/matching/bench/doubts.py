"""Readings that could each be right by themselves and do not go with the others of their sheet."""

import itertools
import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from statistics import median

import polars as pl

from ingest.matching.bench.physics import STANDARD_MS2
from ingest.matching.bench.session_cells import NUMBER_COLUMNS, SLOPES
from ingest.matching.meaning import Assigned
from ingest.matching.sheets import FoundTable, is_value
from ingest.schema import Problem
from ingest.validate import Style, numbers

WILD_ZERO_NM, WILD_TIMES = 1.0, 8.0
LONELY = 0.08  # of reading ÷ (mass · g · crank length), to the nearest other one of the meter
FEWEST_OTHERS = 4
FEWEST_ALIKE, USUAL_SHARE, SELDOM = 12, 0.8, 0.05
MEASURED = ("mass_kg", "crank_length_mm", "hanger_mass_kg", *NUMBER_COLUMNS, *SLOPES)
_SAME = ("session_id", "stage", "load", "chainring", "arm", "direction", "mass_kg")
Row = Mapping[str, str | None]
Rows = Sequence[Row]


def doubts(
    table: FoundTable,
    columns: Sequence[Assigned],
    rows: Rows,
    numbers: Sequence[int],
    *,
    checked: bool,
) -> list[Problem]:
    """Return a problem for each reading that the others of its sheet speak against.

    columns  those of readings
    checked  sizes are judged too
    """
    found = _rows_twice(table) if len(columns) > 1 else _read_again(table, rows, numbers)
    if not checked:
        return found
    found += _fewer_decimals(table, columns) + _out_of_place(table)
    return found + _wild_zeros(table, rows, numbers) + _lonely(table, rows, numbers)


def _wild_zeros(table: FoundTable, rows: Rows, numbers: Sequence[int]) -> list[Problem]:
    """Return a problem for each zero far from the others: a decimal sign may be missing."""
    zeros = [
        (number, value)
        for row, number in zip(rows, numbers, strict=True)
        if row.get("load") == "zero" and (value := plain_number(row["torque_nm"])) is not None
    ]
    if len(zeros) < 4:
        return []
    usual = median(abs(value) for _, value in zeros)
    limit = max(WILD_ZERO_NM, WILD_TIMES * usual)
    expected, fix = f"a zero like the others, within {limit:.2g} N·m", "correct the zero"
    return [
        Problem(table.file, table.sheet, number, "torque_nm", f"{value:.10g}", expected, fix)
        for number, value in zeros
        if abs(value) > limit
    ]


def _lonely(table: FoundTable, rows: Rows, numbers: Sequence[int]) -> list[Problem]:
    """Return a problem for each reading far from every other one of its meter in the sheet."""
    shown: dict[str, list[tuple[float, int]]] = {}
    for at, row in enumerate(rows):
        ratio, meter = ratio_of(row), row.get("meter_id")
        if ratio is not None and meter:
            shown.setdefault(meter, []).append((ratio, at))
    found = []
    for of_meter in shown.values():
        if len(of_meter) <= FEWEST_OTHERS:
            continue
        ratios = sorted(ratio for ratio, _ in of_meter)
        for ratio, at in of_meter:
            nearest = _nearest(ratios, ratio)
            if abs(ratio - nearest) > LONELY:
                torque = plain_number(rows[at].get("torque_nm")) or 0.0
                expected = f"about {torque * nearest / ratio:.4g} N·m, near the meter's others"
                fix = "correct the reading, the mass or the crank length, or type it again as it is"
                where = (table.file, table.sheet, numbers[at], "torque_nm", f"{torque:.10g}")
                found.append(Problem(*where, expected, fix))
    return found


def _nearest(ordered: Sequence[float], value: float) -> float:
    """Return the nearest other one of ordered values."""
    at = bisect_left(ordered, value)
    return min(
        (ordered[i] for i in (at - 1, at + 1) if 0 <= i < len(ordered)),
        key=lambda other: abs(other - value),
    )


def ratio_of(row: Row) -> float | None:
    """Return reading ÷ (mass · g · crank length) of a row of `bench`; None where one lacks."""
    shown, mass = plain_number(row.get("torque_nm")), plain_number(row.get("mass_kg"))
    length = plain_number(row.get("crank_length_mm"))
    if row.get("load") != "mass" or not shown or not mass or not length or shown <= 0:
        return None
    cog, ring = plain_number(row.get("cog_teeth")), plain_number(row.get("chainring"))
    moment = (mass + (plain_number(row.get("hanger_mass_kg")) or 0)) * length / 1e3
    return shown / (moment * STANDARD_MS2 * (cog / ring if cog and ring else 1))


def _fewer_decimals(table: FoundTable, columns: Sequence[Assigned]) -> list[Problem]:
    """Return a problem for the one reading with fewer decimals than all others of a sheet.

    That a sheet writes every decimal is shown by zeros at the end of some: 33.90 beside 34.12.
    """
    written = [
        (a, row, end[1] if (end := re.search(r"[.,](\d+)$", a.column.cells[row])) else "")
        for a in columns
        for row, value in enumerate(a.column.numbers)
        if value is not None
    ]
    usual = max((len(end) for _, _, end in written), default=0)
    odd = [(a, row) for a, row, end in written if len(end) < usual]
    shown = any(end.endswith("0") for _, _, end in written)
    if table.typed or not shown or len(odd) != 1 or len(written) < FEWEST_ALIKE:
        return []
    [(a, row)] = odd
    expected = f"{usual} decimals, as in all other readings"
    return [_of_cell(table, a, row, expected, "see whether a digit is missing, and type it again")]


def _of_cell(table: FoundTable, a: Assigned, row: int, expected: str, fix: str) -> Problem:
    number, cell = table.rows[row], a.column.cells[row]
    return Problem(table.file, table.sheet, number, a.column.name, cell, expected, fix)


def no_numbers(table: FoundTable, assigned: Sequence[Assigned]) -> list[Problem]:
    """Return a problem for each cell that is no number here, but would be read as one by `load`.

    In another unit than the column's that would be wrong.
    """
    found = []
    for a in assigned:
        if a.meaning is None or a.meaning.column not in MEASURED:
            continue
        both = zip(a.column.cells, a.column.numbers, strict=True)
        open_ = [row for row, (cell, value) in enumerate(both) if cell and value is None]
        style = Style(table.commas_likely, table.commas_likely)
        texts = pl.Series([a.column.cells[row] for row in open_], dtype=pl.String)
        read = numbers(texts, style).to_list() if open_ else []
        for row, value in zip(open_, read, strict=True):
            if value is not None:
                found.append(_of_cell(table, a, row, "a number written whole", "type it again"))
    return found


def _out_of_place(table: FoundTable) -> list[Problem]:
    """Return a problem for each row with a number beyond the last heading, and for a cut one."""
    last = max((at for at, heading in enumerate(table.headings) if heading), default=0)
    beyond = [
        number
        for number, row in zip(table.rows, table.body, strict=True)
        if any(is_value(cell) for cell in row[last + 1 :])
    ]
    found = []
    if len(beyond) <= max(1, SELDOM * len(table.rows)):
        expected, fix = "a number under a heading", "move the row's cells to their headings"
        found = [
            Problem(table.file, table.sheet, number, None, "a row shifted", expected, fix)
            for number in beyond
        ]
    if table.cut:
        expected, fix = "a whole row: the file ends within it", "export the table again"
        where = (table.file, table.sheet, table.rows[-1], None, "part of a row")
        found.append(Problem(*where, expected, fix))
    return found


def _rows_twice(table: FoundTable) -> list[Problem]:
    """Return a problem for each row of a session that stands in the sheet twice."""
    first: dict[tuple[str, ...], int] = {}
    problems = []
    for cells, number in zip(table.body, table.rows, strict=True):
        above = first.setdefault(tuple(cells), number)
        if above != number:
            problems.append(_twice(table, number, above))
    return problems


def _twice(table: FoundTable, number: int, above: int) -> Problem:
    what, expected = f"the same as row {above}", "a reading once"
    fix = "remove one of the two rows, or dismiss this one"
    return Problem(table.file, table.sheet, number, None, what, expected, fix)


def _read_again(table: FoundTable, rows: Rows, numbers: Sequence[int]) -> list[Problem]:
    """Return a problem for each reading that comes again right below, where none else is repeated.

    Repeats with equal readings are ordinary in a sheet that repeats them all alike.
    """
    groups: dict[tuple[str | None, ...], list[int]] = {}
    for at, row in enumerate(rows):
        groups.setdefault(tuple(row.get(name) for name in _SAME), []).append(at)
    sizes = Counter(map(len, groups.values()))
    usual, count = sizes.most_common(1)[0] if sizes else (0, 0)
    if len(groups) < FEWEST_OTHERS or count < USUAL_SHARE * len(groups):
        return []
    found = []
    for group in groups.values():
        for one, other in itertools.pairwise(group):
            same = rows[one].get("torque_nm") == rows[other].get("torque_nm")
            if len(group) > usual and same and numbers[other] - numbers[one] == 1:
                found.append(_twice(table, numbers[other], numbers[one]))
    return found


def plain_number(text: str | None) -> float | None:
    """Return a number as it is written here; None for a cell that is none."""
    try:
        return float(text) if text else None
    except ValueError:
        return None
