"""From a bench sheet whose columns are understood to rows of `bench`: one a reading."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.matching.bench.doubts import Read, doubts, no_numbers
from ingest.matching.bench.loads import Loads, in_unit
from ingest.matching.bench.one_reading import Rules, Shown, reading_of
from ingest.matching.bench.session_cells import Cells, session_cells
from ingest.matching.bench.traits import traits_of_cell
from ingest.matching.meaning import LABEL, Assigned, usual_unit
from ingest.matching.sheets import FoundTable
from ingest.matching.words import Unit
from ingest.schema import Problem


@dataclass
class BenchRows:
    """Rows of `bench` as text, the sheet's row that each came from, and rows that cannot be.

    problems  each with the row's place here
    place     a column's and a row's place in the sheet → the reading's place here
    """

    rows: list[Cells] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    problems: list[tuple[int, Problem]] = field(default_factory=list)
    place: dict[tuple[int, int], int] = field(default_factory=dict)


@dataclass(frozen=True)
class Facts:
    """What holds for a whole row of the sheet, parallel to its rows.

    written  its day as it stands there
    """

    meters: Sequence[str | None]
    sessions: Sequence[str | None]
    began: Sequence[str | None]
    written: Sequence[str]


def bench_rows(
    table: FoundTable,
    assigned: Sequence[Assigned],
    loads: Loads,
    facts: Facts,
    *,
    torque: Unit,
    mass: Unit | None,
    checked: bool,
) -> BenchRows:
    """Return a reading for each filled cell of the columns of readings.

    checked  a reading that no working meter gives under that mass is set aside
    """
    found = BenchRows()
    labels = [a for a in assigned if a.meaning and a.meaning.column == LABEL]
    staged = has_stages(assigned)
    columns = _in_order([a for a in assigned if a.is_reading], staged=staged)
    units = [usual_unit(a.column, a.unit) or torque for a in columns]
    values = [in_unit(a.column, unit) for a, unit in zip(columns, units, strict=True)]
    rules = _rules(assigned, labels, loads, mass, staged=staged, checked=checked)
    own = session_cells(table, assigned)
    rows_of, count = Counter(facts.sessions), Counter[str | None]()
    for row, number in enumerate(table.rows):
        session, said = facts.sessions[row], label_traits(labels, row)
        for a, unit, numbers in zip(columns, units, values, strict=True):
            count[session] += 1
            shown = Shown(a, row, numbers[row], unit, said, alone=rows_of[session] < 2)
            cells: Cells = {
                **own[row],
                "session_id": session or f"row {number}",
                "meter_id": facts.meters[row],
                "measured_at": facts.began[row] or facts.written[row] or None,
                "reading": str(count[session] if session else 1),
            }
            _add(found, table, shown, cells, rules)
    read = Read(table, columns, found.rows, found.numbers, found.place)
    found.problems += [*no_numbers(read, assigned), *doubts(read, checked=checked)]
    return found


def _rules(
    assigned: Sequence[Assigned],
    labels: Sequence[Assigned],
    loads: Loads,
    mass: Unit | None,
    *,
    staged: bool,
    checked: bool,
) -> Rules:
    zeros = any(a.meaning and a.meaning.is_zero for a in assigned)
    return Rules(
        loads,
        mass,
        lacking=frozenset(_unlabelled(labels)),
        lone=lone_slope_column(assigned),
        staged=staged,
        checked=checked,
        zeros_said=zeros or bool(_zero_rows(labels)),
        several=sum(a.is_reading for a in assigned) > 1,
    )


def _add(found: BenchRows, table: FoundTable, shown: Shown, cells: Cells, rules: Rules) -> None:
    """Add what a cell shows to the rows that were found; nothing for one without a reading."""
    if not shown.cell:
        return
    reading = reading_of(shown, cells, rules)
    if reading is None:
        return
    number = table.rows[shown.row]
    if reading.wrong:
        name = shown.of.column.name
        problem = Problem(table.file, table.sheet, number, name, shown.cell, *reading.wrong)
        found.problems.append((len(found.rows), problem))
    found.place[shown.of.column.at, shown.row] = len(found.rows)
    found.rows.append(reading.cells)
    found.numbers.append(number)


def has_stages(assigned: Sequence[Assigned]) -> bool:
    """Return whether loaded readings are told apart by stage."""
    return any(
        a.meaning is not None and not a.meaning.is_zero and "stage" in dict(a.meaning.traits)
        for a in assigned
    ) or any(a.meaning is not None and a.meaning.column == LABEL for a in assigned)


def _in_order(readings: list[Assigned], *, staged: bool) -> list[Assigned]:
    """Return columns of readings in the order in which they were read: a closing zero is last.

    A zero before and one after the masses, without stages, are of one stage.
    """

    def closing(a: Assigned) -> bool:
        traits = a.meaning.traits if a.meaning else ()
        return not staged and ("load", "zero") in traits and ("stage", "as_left") in traits

    return sorted(readings, key=closing)


def label_traits(labels: Sequence[Assigned], row: int) -> dict[str, str] | None:
    """Return what the label cells of a row say; None where one is not understood or contradicts."""
    said: dict[str, str] = {}
    for a in labels:
        cell = a.column.cells[row]
        if not cell:
            continue
        traits = traits_of_cell(cell)
        if traits is None:
            return None
        for name, value in traits.items():
            if said.setdefault(name, value) != value:
                return None
    return said


def lone_slope_column(assigned: Sequence[Assigned]) -> str | None:
    """Return the column of a slope that rows before and after work share; None if there is none."""
    labelled = any(a.meaning and a.meaning.column == LABEL for a in assigned)
    lone = [a.meaning.column for a in assigned if a.meaning and a.why == "only_one"]
    slopes = [name for name in lone if name.startswith("slope_before")]
    return slopes[0] if labelled and len(slopes) == 1 else None


def _unlabelled(labels: Sequence[Assigned]) -> set[int]:
    """Return the rows that lack a label which nearly every row has that is no zero."""
    zero = _zero_rows(labels)
    rows: set[int] = set()
    for a in labels:
        loaded = [row for row in range(len(a.column.cells)) if row not in zero]
        empty = {row for row in loaded if not a.column.cells[row]}
        if len(empty) <= 0.1 * len(loaded):
            rows |= empty
    return rows


def _zero_rows(labels: Sequence[Assigned]) -> set[int]:
    """Return the rows whose labels say that nothing hung there."""
    return {
        row
        for a in labels
        for row, cell in enumerate(a.column.cells)
        if cell and (traits_of_cell(cell) or {}).get("load") == "zero"
    }
