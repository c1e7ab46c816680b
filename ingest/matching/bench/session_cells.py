"""What each row of a bench sheet says of its session, as text in the schema's units."""

from collections.abc import Sequence

from ingest.matching.bench.loads import said_number
from ingest.matching.bench.roles import CRANK_MM
from ingest.matching.meaning import Assigned
from ingest.matching.sheets import FoundTable, Surroundings
from ingest.matching.words import UNITS, concepts_in, unit_in

PLAIN_COLUMNS = ("technician", "place_id", "bench_id")
NUMBER_COLUMNS = ("temperature_c", "crank_angle_deg", "gravity_ms2", "soak_min", "cog_teeth")
SLOPES = tuple(
    f"slope_{stage}{side}" for side in ("", "_left", "_right") for stage in ("before", "after")
)
Cells = dict[str, str | None]


def session_cells(table: FoundTable, assigned: Sequence[Assigned]) -> list[Cells]:
    """Return what each row says of its session, in its own cells or around the table."""
    return _said_around(table, _plain_cells(assigned, len(table.rows)), assigned)


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
                cell if cell and (value is None or _is_no_crank(name, a, value)) else None
                for cell, value in zip(column.cells, column.numbers, strict=True)
            ]
        else:
            continue
        for cells, text in zip(rows, texts, strict=True):
            if text is not None:
                cells[name] = text
    return rows


def _is_no_crank(name: str, a: Assigned, value: float) -> bool:
    """Return whether a crank length cannot be one: it stays as it is written, to be set aside."""
    millimetres = value * (a.unit or UNITS["mm"]).factor
    return name == "crank_length_mm" and not CRANK_MM[0] <= millimetres <= CRANK_MM[1]


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
