"""Readings that could each be right by themselves and do not go with the others of their sheet."""

import itertools
import re
from bisect import bisect_left
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
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
MEASURED = ("torque_nm", "mass_kg", "crank_length_mm", "hanger_mass_kg", *NUMBER_COLUMNS, *SLOPES)
_SAME = ("session_id", "stage", "load", "chainring", "arm", "direction", "mass_kg")
Row = Mapping[str, str | None]
Rows = Sequence[Row]
Placed = tuple[int, Problem]  # a reading's place among those of the sheet


@dataclass(frozen=True)
class Read:
    """The readings of a sheet, in the order of its rows.

    columns  those of readings
    numbers  the sheet's row that each came from
    place    a column's and a row's place in the sheet → the reading's place
    """

    table: FoundTable
    columns: Sequence[Assigned]
    rows: Rows
    numbers: Sequence[int]
    place: Mapping[tuple[int, int], int]

    def of_row(self, number: int, problem: Problem) -> list[Placed]:
        """Return a problem of a whole row of the sheet for each of its readings."""
        return [(at, problem) for at in self._of_number.get(number, ())]

    @cached_property
    def _of_number(self) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        for at, number in enumerate(self.numbers):
            found.setdefault(number, []).append(at)
        return found

    def of_reading(self, at: int, column: str | None, found: str, *said: str) -> Placed:
        """Return a problem of one reading. said: what was expected, what to do."""
        table, (expected, fix) = self.table, said
        where = (table.file, table.sheet, self.numbers[at])
        return at, Problem(*where, column, found, expected, fix)

    def of_cell(self, a: Assigned, row: int, expected: str, fix: str) -> list[Placed]:
        """Return a problem of a cell: of its reading, or of all readings of the row."""
        table, number = self.table, self.table.rows[row]
        name, cell = a.column.name, a.column.cells[row]
        problem = Problem(table.file, table.sheet, number, name, cell, expected, fix)
        at = self.place.get((a.column.at, row))
        return self.of_row(number, problem) if at is None else [(at, problem)]


def doubts(read: Read, *, checked: bool) -> list[Placed]:
    """Return a problem for each reading that the others of its sheet speak against.

    checked  sizes are judged too
    """
    found = _rows_twice(read) if len(read.columns) > 1 else _read_again(read)
    if checked:
        found += _fewer_decimals(read) + _out_of_place(read) + _wild_zeros(read) + _lonely(read)
    return found


def _wild_zeros(read: Read) -> list[Placed]:
    """Return a problem for each zero far from the others: a decimal sign may be missing."""
    zeros = [
        (at, value)
        for at, row in enumerate(read.rows)
        if row.get("load") == "zero" and (value := plain_number(row["torque_nm"])) is not None
    ]
    if len(zeros) < FEWEST_OTHERS:
        return []
    usual = median(abs(value) for _, value in zeros)
    limit = max(WILD_ZERO_NM, WILD_TIMES * usual)
    said = (f"a zero like the others, within {limit:.2g} N·m", "correct the zero")
    return [
        read.of_reading(at, "torque_nm", f"{value:.10g}", *said)
        for at, value in zeros
        if abs(value) > limit
    ]


def _lonely(read: Read) -> list[Placed]:
    """Return a problem for each reading far from every other one of its meter in the sheet."""
    shown: dict[str, list[tuple[float, int]]] = {}
    for at, row in enumerate(read.rows):
        ratio, meter = ratio_of(row), row.get("meter_id")
        if ratio is not None and meter:
            shown.setdefault(meter, []).append((ratio, at))
    found = []
    for of_meter in shown.values():
        ratios = sorted(ratio for ratio, _ in of_meter)
        for ratio, at in of_meter if len(ratios) > FEWEST_OTHERS else ():
            nearest = _nearest(ratios, ratio)
            if abs(ratio - nearest) > LONELY:
                torque = plain_number(read.rows[at].get("torque_nm")) or 0.0
                expected = f"about {torque * nearest / ratio:.4g} N·m, near the meter's others"
                fix = "correct the reading, the mass or the crank length, or type it again as it is"
                found.append(read.of_reading(at, "torque_nm", f"{torque:.10g}", expected, fix))
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


def _fewer_decimals(read: Read) -> list[Placed]:
    """Return a problem for the one reading with fewer decimals than all others of a sheet.

    That a sheet writes every decimal is shown by zeros at the end of some: 33.90 beside 34.12.
    """
    written = [
        (a, row, end[1] if (end := re.search(r"[.,](\d+)$", a.column.cells[row])) else "")
        for a in read.columns
        for row, value in enumerate(a.column.numbers)
        if value is not None
    ]
    usual = max((len(end) for _, _, end in written), default=0)
    odd = [(a, row) for a, row, end in written if len(end) < usual]
    shown = any(end.endswith("0") for _, _, end in written)
    if read.table.typed or not shown or len(odd) != 1 or len(written) < FEWEST_ALIKE:
        return []
    [(a, row)] = odd
    expected = f"{usual} decimals, as in all other readings"
    return read.of_cell(a, row, expected, "see whether a digit is missing, and type it again")


def no_numbers(read: Read, assigned: Sequence[Assigned]) -> list[Placed]:
    """Return a problem for each cell that is no number here, but would be read as one by `load`.

    In another unit than the column's that would be wrong.
    """
    found: list[Placed] = []
    style = Style(read.table.commas_likely, read.table.commas_likely)
    for a in assigned:
        if a.meaning is None or a.meaning.column not in MEASURED:
            continue
        both = zip(a.column.cells, a.column.numbers, strict=True)
        open_ = [row for row, (cell, value) in enumerate(both) if cell and value is None]
        texts = pl.Series([a.column.cells[row] for row in open_], dtype=pl.String)
        values = numbers(texts, style).to_list() if open_ else []
        for row, value in zip(open_, values, strict=True):
            if value is not None:
                found += read.of_cell(a, row, "a number written whole", "type it again")
    return found


def _out_of_place(read: Read) -> list[Placed]:
    """Return a problem for each row with a number beyond the last heading, and for a cut one."""
    table = read.table
    last = max((at for at, heading in enumerate(table.headings) if heading), default=0)
    beyond = [
        number
        for number, row in zip(table.rows, table.body, strict=True)
        if any(is_value(cell) for cell in row[last + 1 :])
    ]
    found: list[Placed] = []
    for number in beyond if len(beyond) <= max(1, SELDOM * len(table.rows)) else ():
        said = ("a row shifted", "a number under a heading", "move the cells to their headings")
        found += read.of_row(number, _of_row(table, number, *said))
    if table.cut:
        said = ("part of a row", "a whole row: the file ends within it", "export the table again")
        found += read.of_row(table.rows[-1], _of_row(table, table.rows[-1], *said))
    return found


def _of_row(table: FoundTable, number: int, found: str, expected: str, fix: str) -> Problem:
    return Problem(table.file, table.sheet, number, None, found, expected, fix)


def _rows_twice(read: Read) -> list[Placed]:
    """Return a problem for each row of a session that stands in the sheet twice."""
    first: dict[tuple[str, ...], int] = {}
    problems: list[Placed] = []
    for cells, number in zip(read.table.body, read.table.rows, strict=True):
        above = first.setdefault(tuple(cells), number)
        if above != number:
            problems += read.of_row(number, _of_row(read.table, number, *_same_as(above)))
    return problems


def _same_as(above: int) -> tuple[str, str, str]:
    fix = "remove one of the two rows, or dismiss this one"
    return f"the same as row {above}", "a reading once", fix


def _read_again(read: Read) -> list[Placed]:
    """Return a problem for each reading that comes again right below, where none else is repeated.

    Repeats with equal readings are ordinary in a sheet that repeats them all alike.
    """
    groups: dict[tuple[str | None, ...], list[int]] = {}
    for at, row in enumerate(read.rows):
        groups.setdefault(tuple(row.get(name) for name in _SAME), []).append(at)
    sizes = Counter(map(len, groups.values()))
    usual, count = sizes.most_common(1)[0] if sizes else (0, 0)
    if len(groups) < FEWEST_OTHERS or count < USUAL_SHARE * len(groups):
        return []
    found = []
    for group in groups.values():
        for one, other in itertools.pairwise(group):
            same = read.rows[one].get("torque_nm") == read.rows[other].get("torque_nm")
            if len(group) > usual and same and read.numbers[other] - read.numbers[one] == 1:
                found.append(read.of_reading(other, None, *_same_as(read.numbers[one])))
    return found


def plain_number(text: str | None) -> float | None:
    """Return a number as it is written here; None for a cell that is none."""
    try:
        return float(text) if text else None
    except ValueError:
        return None
