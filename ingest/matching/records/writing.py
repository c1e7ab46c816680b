"""From a sheet whose columns are understood to rows of its table, as text the schema reads."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from ingest.matching.meaning import (
    ColumnSeen,
    Known,
    Question,
    bare,
    order_question,
    read_days,
    seconds_of,
    told_order,
    written_day,
    years_named,
)
from ingest.matching.records.choosing import TableFit, choice_of
from ingest.matching.sheets import FoundTable
from ingest.matching.words import UNITS, Unit
from ingest.schema import TABLES, Column

Cells = dict[str, str | None]


@dataclass
class RecordRows:
    """Rows of a table, or what has to be asked first."""

    rows: list[Cells] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)


def record_rows(
    table: FoundTable, fit: TableFit, known: Known, answers: Mapping[str, str]
) -> RecordRows:
    """Return a row for each row of the sheet."""
    schema = TABLES[fit.table]
    days = [seen for name, seen in fit.places.items() if schema.column(name).kind in _DATED]
    told = years_named([*(line for a in table.around[-1:] for line in a.lines), table.sheet or ""])
    year = next(iter(told)) if len(told) == 1 else None
    cells = [cell for seen in days for cell in seen.cells if cell]
    order = answers.get("date_order") or told_order(
        w for cell in cells if (w := written_day(cell, year)) is not None
    )
    if order is None:
        return RecordRows(questions=[order_question(cells)])
    texts = {
        name: _texts(schema.column(name), seen, order=order, year=year, known=known)
        for name, seen in fit.places.items()
    }
    if not texts:
        return RecordRows()
    rows: list[Cells] = [
        dict(zip(texts, values, strict=True)) for values in zip(*texts.values(), strict=True)
    ]
    _make_up(fit.table, rows)
    return RecordRows(rows)


_DATED = (date, datetime)


def _texts(
    column: Column, seen: ColumnSeen, *, order: str, year: int | None, known: Known
) -> list[str | None]:
    """Return the cells as the schema writes them; what is not understood stays as it is."""
    if column.kind in _DATED:
        read = read_days(seen.cells, order=order, year=year).texts
        short = column.kind is date
        return [
            (text[:10] if short else text) if text else cell or None
            for text, cell in zip(read, seen.cells, strict=True)
        ]
    if column.choices:
        return [(choice_of(column, cell) or cell) if cell else None for cell in seen.cells]
    if column.kind in (float, int):
        return [_number(column, seen, row) for row in range(len(seen.cells))]
    if column.name == "meter_id":
        return [known.meters.get(bare(cell), cell) if cell else None for cell in seen.cells]
    return [cell or None for cell in seen.cells]


def _number(column: Column, seen: ColumnSeen, row: int) -> str | None:
    cell, value = seen.cells[row], seen.numbers[row]
    if column.unit == "s" and ":" in cell:
        seconds = seconds_of(cell)
        return cell if seconds is None else f"{seconds:.10g}"
    if value is None:
        return cell or None
    unit = seen.units[row] or seen.unit
    return f"{_converted(value, unit, column.unit):.10g}"


def _converted(value: float, unit: Unit | None, wanted: str) -> float:
    if unit is None or unit.name == wanted:
        return value
    if unit.name == "°F":
        return (value - 32) / 1.8
    target = UNITS.get(wanted)
    return value * unit.factor / target.factor if target else value


def _make_up(table: str, rows: Sequence[Cells]) -> None:
    """Fill in what a sheet leaves out because it is plain: a race of one day ends on it."""
    if table == "calendar":
        for row in rows:
            row["to_date"] = row.get("to_date") or row.get("from_date")
    if table == "comparisons":
        count: dict[str, int] = {}
        for row in rows:
            parts = [
                row.get("meter_id"),
                row.get("reference_id"),
                (row.get("measured_at") or "")[:10],
            ]
            name = row.get("comparison_id") or "-".join(part or "?" for part in parts)
            count[name] = count.get(name, 0) + 1
            row["comparison_id"] = name
            row["step"] = row.get("step") or str(count[name])
