"""Readings that could each be right by themselves and do not go with the others of their sheet."""

from collections.abc import Mapping, Sequence
from statistics import median

from ingest.matching.sheets import FoundTable
from ingest.schema import Problem

WILD_ZERO_NM, WILD_TIMES = 1.0, 8.0
Rows = Sequence[Mapping[str, str | None]]


def doubts(
    table: FoundTable, rows: Rows, numbers: Sequence[int], several: bool, *, checked: bool
) -> list[Problem]:
    """Return a problem for each reading that the others of its sheet speak against.

    several  a row of the sheet has several readings
    checked  sizes are judged too
    """
    found = _wild_zeros(table, rows, numbers) if checked else []
    if several:
        found += _rows_twice(table)
    return found


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


def _rows_twice(table: FoundTable) -> list[Problem]:
    """Return a problem for each row of a session that stands in the sheet twice."""
    first: dict[tuple[str, ...], int] = {}
    problems = []
    for cells, number in zip(table.body, table.rows, strict=True):
        above = first.setdefault(tuple(cells), number)
        if above != number:
            what = f"the same as row {above}"
            expected, fix = "a session once", "remove one of the two rows, or dismiss this one"
            problems.append(Problem(table.file, table.sheet, number, None, what, expected, fix))
    return problems


def plain_number(text: str | None) -> float | None:
    """Return a number as it is written here; None for a cell that is none."""
    try:
        return float(text) if text else None
    except ValueError:
        return None
