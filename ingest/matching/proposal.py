"""What is proposed for a sheet: its columns' meanings, what is asked, and the rows they give."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ingest.matching.bench import by_words, conventions, headed_as_bench, read_bench
from ingest.matching.meaning import (
    Assigned,
    Choices,
    ColumnSeen,
    Known,
    Meaning,
    Question,
    apply,
    seen_columns,
)
from ingest.matching.records import RideSheet, TableFit, best_table, record_rows, ride_in
from ingest.matching.sheets import FoundTable
from ingest.schema import TABLES, Problem

Cells = dict[str, str | None]


@dataclass
class TableRows:
    """Rows for one table of the schema, and the sheet's row that each came from."""

    table: str
    rows: list[Cells] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)


@dataclass
class Proposal:
    """What is proposed for one table of a sheet.

    layout     long, wide, transposed, sheet_per_meter
    problems   rows that cannot be read, beyond what the schema's checks find, by their place
    conventions  meter → slope convention, as its corrections tell
    recording  a ride in the documented form, where the sheet is one
    """

    found: FoundTable
    layout: str
    assigned: list[Assigned]
    questions: list[Question] = field(default_factory=list)
    tables: list[TableRows] = field(default_factory=list)
    problems: list[tuple[int, Problem]] = field(default_factory=list)
    mapping: str | None = None
    conventions: dict[str, str] = field(default_factory=dict)
    recording: bytes | None = None

    @property
    def certain(self) -> bool:
        """Whether nothing has to be asked, and there are rows or a ride to load."""
        there = self.recording is not None or any(table.rows for table in self.tables)
        return there and not self.questions


def propose(found: FoundTable, known: Known, choices: Choices, *, several_sheets: bool) -> Proposal:
    """Return what is proposed for a table of a sheet."""
    columns = seen_columns(found)
    assigned = by_words(columns)
    apply(choices, assigned)
    ride = ride_in(columns) if choices.table is None and not _is_bench(assigned) else None
    if ride is not None:
        return _of_a_ride(found, columns, ride)
    fit = _decided(columns, assigned, choices)
    if fit is None and not (_is_bench(assigned) or headed_as_bench(columns)) and not choices.table:
        fit = best_table(columns, _titles(found))
    if fit is not None:
        return _of_records(found, columns, fit, known, choices)
    sheet = read_bench(found, assigned, known, choices.answers, several_sheets=several_sheets)
    proposal = Proposal(found, _layout(found, assigned, sheet.meters_of), assigned)
    proposal.questions, proposal.problems = sheet.questions, sheet.found.problems
    proposal.conventions = conventions(sheet.slopes)
    if sheet.found.rows:
        proposal.tables.append(TableRows("bench", sheet.found.rows, sheet.found.numbers))
    return proposal


def _decided(
    columns: Sequence[ColumnSeen], assigned: Sequence[Assigned], choices: Choices
) -> TableFit | None:
    """Return where the columns of a table stand that was decided before; None for bench sheets."""
    if choices.table is None or choices.table == "bench":
        return None
    names = TABLES[choices.table].names
    said = [(a.meaning.column, a.column) for a in assigned if a.why == "named" and a.meaning]
    return TableFit(choices.table, {name: seen for name, seen in said if name in names})


def _is_bench(assigned: Sequence[Assigned]) -> bool:
    """Return whether a sheet holds bench readings: some column does, beside a mass or a crank."""
    names = {a.meaning.column for a in assigned if a.meaning}
    loaded = any(a.is_reading and a.meaning and not a.meaning.is_zero for a in assigned)
    powered = any(a.column.concepts & {"meter_w", "reference_w", "power"} for a in assigned)
    return loaded and not (powered and not names & {"mass_kg", "crank_length_mm"})


def _titles(found: FoundTable) -> list[str]:
    lines = found.around[0].lines if found.around else ()
    return [found.sheet or "", Path(found.file).stem, *lines]


def _of_a_ride(found: FoundTable, columns: list[ColumnSeen], ride: RideSheet) -> Proposal:
    """Return what is proposed for a sheet that is a recorded ride."""
    names = {seen.at: name for name, seen in ride.places.items()}
    assigned = [
        Assigned(seen, Meaning(names[seen.at]), "words", seen.unit)
        if seen.at in names
        else Assigned(seen, None, "nothing_needed")
        for seen in columns
    ]
    return Proposal(found, "recording", assigned, recording=ride.content)


def _of_records(
    found: FoundTable, columns: list[ColumnSeen], fit: TableFit, known: Known, choices: Choices
) -> Proposal:
    """Return what is proposed for a sheet of any other table."""
    places = {seen.at: name for name, seen in fit.places.items()}
    assigned = [
        Assigned(seen, Meaning(places[seen.at]), "words", seen.unit)
        if seen.at in places
        else Assigned(seen, None, "nothing_needed")
        for seen in columns
    ]
    found_rows = record_rows(found, fit, known, choices.answers)
    proposal = Proposal(found, "transposed" if found.turned else "long", assigned)
    proposal.questions = found_rows.questions
    if found_rows.rows:
        proposal.tables.append(TableRows(fit.table, found_rows.rows, found.rows))
    return proposal


def _layout(found: FoundTable, assigned: list[Assigned], meters_of: str) -> str:
    if found.turned:
        return "transposed"
    if meters_of == "sheet":
        return "sheet_per_meter"
    if found.spread:
        return "wide"
    return "wide" if sum(a.is_reading for a in assigned) > 1 else "long"
