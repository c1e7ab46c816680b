"""From a bench sheet whose columns are understood to rows of `bench`: one a reading."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from ingest.matching.bench.loads import Loads, in_unit, said_number, usual_unit
from ingest.matching.bench.physics import (
    ROW_NEAR_ONE,
    STANDARD_MS2,
    ZERO_NM,
    ZERO_SHARE,
    is_near_one,
)
from ingest.matching.bench.traits import traits_of_cell
from ingest.matching.meaning import LABEL, Assigned
from ingest.matching.sheets import FoundTable, Surroundings
from ingest.matching.words import UNITS, Unit, concepts_in, unit_in
from ingest.schema import Problem

PLAIN_COLUMNS = ("technician", "place_id", "bench_id")
NUMBER_COLUMNS = ("temperature_c", "crank_angle_deg", "gravity_ms2", "soak_min", "cog_teeth")
SLOPES = tuple(
    f"slope_{stage}{side}" for side in ("", "_left", "_right") for stage in ("before", "after")
)
WILD_ZERO_NM, WILD_TIMES = 1.0, 8.0
Cells = dict[str, str | None]


@dataclass
class BenchRows:
    """Rows of `bench` as text, the sheet's row that each came from, and rows that cannot be."""

    rows: list[Cells] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


@dataclass(frozen=True)
class Facts:
    """What holds for a whole row of the sheet, parallel to its rows."""

    meters: Sequence[str | None]
    sessions: Sequence[str | None]
    began: Sequence[str | None]


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
    torques = [in_unit(a.column, usual_unit(a.column, a.unit) or torque) for a in columns]
    lacking = _unlabelled(labels)
    lone = lone_slope_column(assigned)
    plain = _said_around(table, _plain_cells(assigned, len(table.rows)), assigned)
    count: dict[str, int] = {}
    for row, number in enumerate(table.rows):
        said = _label_traits(labels, row)
        for a, values in zip(columns, torques, strict=True):
            cell = a.column.cells[row]
            session = facts.sessions[row]
            if session is not None:
                count[session] = count.get(session, 0) + 1
            if not cell:
                continue
            cells: Cells = {
                **plain[row],
                "session_id": session or f"row {number}",
                "meter_id": facts.meters[row],
                "measured_at": facts.began[row],
                "reading": str(count.get(session or "", 1)),
            }
            unit = usual_unit(a.column, a.unit) or torque
            problem = _fill(
                cells,
                a,
                loads,
                row,
                cell,
                values[row],
                said,
                lacking=row in lacking,
                unit=unit,
                mass=mass,
                checked=checked,
            )
            if lone and cells.get("stage") == "as_left":
                cells[lone.replace("before", "after")] = cells.pop(lone, None)
            if not staged and cells["load"] == "zero":
                cells.pop("stage", None)
            if problem:
                where = a.column.name
                found.problems.append(
                    Problem(table.file, table.sheet, number, where, cell, *problem)
                )
            found.rows.append(cells)
            found.numbers.append(number)
    if checked:
        found.problems += _wild_zeros(table, found)
    if len(columns) > 1:
        found.problems += _row_twice(table)
    return found


def _wild_zeros(table: FoundTable, found: BenchRows) -> list[Problem]:
    """Return a problem for each zero far from the others: a decimal sign may be missing."""
    zeros = [
        (number, value)
        for row, number in zip(found.rows, found.numbers, strict=True)
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


def _row_twice(table: FoundTable) -> list[Problem]:
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
    """Return a number as `bench_rows` writes it; None for a cell that is none."""
    try:
        return float(text) if text else None
    except ValueError:
        return None


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


def _label_traits(labels: Sequence[Assigned], row: int) -> dict[str, str] | None:
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
    zero = {
        row
        for a in labels
        for row, cell in enumerate(a.column.cells)
        if cell and (traits_of_cell(cell) or {}).get("load") == "zero"
    }
    rows: set[int] = set()
    for a in labels:
        loaded = [row for row in range(len(a.column.cells)) if row not in zero]
        empty = {row for row in loaded if not a.column.cells[row]}
        if len(empty) <= 0.1 * len(loaded):
            rows |= empty
    return rows


def _fill(
    cells: Cells,
    a: Assigned,
    loads: Loads,
    row: int,
    cell: str,
    value: float | None,
    said: dict[str, str] | None,
    *,
    lacking: bool,
    unit: Unit,
    mass: Unit | None,
    checked: bool,
) -> tuple[str, str] | None:
    """Fill in a reading's cells; return what was expected and what to do, if it cannot be."""
    meaning = a.meaning
    assert meaning is not None
    traits = {**(said or {}), **dict(meaning.traits)}
    moment = loads.moment(row, meaning.mass_kg, mass)
    ratio = None
    if value is not None and moment:
        ratio = value * unit.factor / (moment * STANDARD_MS2)
    traits.setdefault("load", _load(loads, row, meaning.mass_kg, ratio))
    cells |= traits
    cells["torque_nm"] = cell if value is None else f"{value * unit.factor:.10g}"
    _hang(cells, loads, row, meaning.mass_kg, mass)
    if said is None or (traits["load"] == "mass" and lacking):
        return "words for ring, arm, load or stage", "write for instance large left, or zero"
    if contradicts(said, dict(meaning.traits)):
        return "the same ring, arm and stage in the row as in the heading", "correct one of them"
    if value is None or not checked:
        return None
    if traits["load"] == "mass" and ratio is not None and not is_near_one(ratio, ROW_NEAR_ONE):
        due = (moment or 0.0) * STANDARD_MS2 / unit.factor
        return (
            f"about {due:.4g} {unit.name}: mass · g · crank length",
            "correct the reading, the mass or the crank length of this row",
        )
    if traits["load"] == "zero" and abs(value) * unit.factor > ZERO_NM:
        return "a small torque: nothing hung there", "correct the reading, or its load"
    return None


def contradicts(one: Mapping[str, str], other: Mapping[str, str]) -> bool:
    """Return whether two sources give a trait different values."""
    return any(other.get(name, value) != value for name, value in one.items())


def _load(loads: Loads, row: int, of_heading: float | None, ratio: float | None) -> str:
    written = loads.mass[row]
    if of_heading is None and written == 0 and not loads.hanger_kg[row]:
        return "zero"
    return "zero" if ratio is not None and abs(ratio) < ZERO_SHARE / 3 else "mass"


def _hang(
    cells: Cells, loads: Loads, row: int, of_heading: float | None, mass: Unit | None
) -> None:
    """Fill in what hung there: nothing at a zero."""
    length = loads.crank_mm[row]
    if cells.get("crank_length_mm") is None and length is not None:
        cells["crank_length_mm"] = f"{length:.10g}"
    if cells.get("load") == "zero":
        cells["mass_kg"] = "0"
        return
    written = loads.mass[row]
    kilograms = of_heading
    if kilograms is None and written is not None:
        kilograms = written * (mass or loads.mass_unit or UNITS["kg"]).factor
    if kilograms is not None and cells.get("mass_kg") is None:
        cells["mass_kg"] = f"{kilograms:.10g}"
    hanger = loads.hanger_kg[row]
    if hanger and cells.get("hanger_mass_kg") is None:
        cells["hanger_mass_kg"] = f"{hanger:.10g}"


def _plain_cells(assigned: Sequence[Assigned], height: int) -> list[Cells]:
    """Return what each row says of its session, as text in the schema's units.

    A mass or crank length that is no number stays as it stands: its rows are set aside.
    """
    rows: list[Cells] = [{} for _ in range(height)]
    for a in assigned:
        name = a.meaning.column if a.meaning else ""
        column = a.column
        if name in PLAIN_COLUMNS:
            texts: list[str | None] = [cell or None for cell in column.cells]
        elif name in NUMBER_COLUMNS or name in SLOPES:
            texts = _number_texts(a)
        elif name in ("mass_kg", "crank_length_mm", "hanger_mass_kg"):
            texts = [
                cell if cell and value is None else None
                for cell, value in zip(column.cells, column.numbers, strict=True)
            ]
        else:
            continue
        for cells, text in zip(rows, texts, strict=True):
            if text is not None:
                cells[name] = text
    return rows


def _said_around(table: FoundTable, rows: list[Cells], assigned: Sequence[Assigned]) -> list[Cells]:
    """Add what is said of rows outside the table, of columns that the table does not have."""
    there = {a.meaning.column for a in assigned if a.meaning}
    memo: dict[Surroundings, Cells] = {}
    for cells, around in zip(rows, table.around, strict=True):
        if around not in memo:
            said = {**_session_cells(table.notes), **_session_cells(around)}
            memo[around] = {k: v for k, v in said.items() if k not in there}
        for name, text in memo[around].items():
            cells.setdefault(name, text)
    return rows


def _session_cells(around: Surroundings) -> Cells:
    """Return slopes, temperature, mechanic and place that lines around a table say."""
    cells: Cells = {}
    for key, value in around.pairs:
        concepts = concepts_in(unit_in(key)[0])
        number = said_number(value)
        if "slope" in concepts and number is not None:
            stage = [name for name in ("before", "after") if name in concepts]
            if len(stage) == 1:
                cells[f"slope_{stage[0]}"] = f"{number:.10g}"
        elif "temperature" in concepts and number is not None:
            cells["temperature_c"] = f"{number:.10g}"
        elif "technician" in concepts and number is None:
            cells["technician"] = value
        elif "place" in concepts and number is None:
            cells["place_id"] = value
    return cells


def _number_texts(a: Assigned) -> list[str | None]:
    fahrenheit = a.unit is not None and a.unit.name == "°F"
    out: list[str | None] = []
    for cell, value in zip(a.column.cells, a.column.numbers, strict=True):
        if value is None:
            out.append(cell or None)
        else:
            out.append(f"{(value - 32) / 1.8 if fahrenheit else value:.10g}")
    return out
