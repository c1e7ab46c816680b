"""What is proposed for a sheet: its columns' meanings, what is asked, and the rows they give."""

from dataclasses import dataclass, field

from ingest.matching.bench import by_words, read_bench
from ingest.matching.meaning import Assigned, Choices, Known, Question, apply, seen_columns
from ingest.matching.sheets import FoundTable
from ingest.schema import Problem

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
    problems   rows that cannot be read, beyond what the schema's checks find
    """

    found: FoundTable
    layout: str
    assigned: list[Assigned]
    questions: list[Question] = field(default_factory=list)
    tables: list[TableRows] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    mapping: str | None = None

    @property
    def certain(self) -> bool:
        """Whether nothing has to be asked, and there are rows to load."""
        return not self.questions and any(table.rows for table in self.tables)


def propose(found: FoundTable, known: Known, choices: Choices, *, several_sheets: bool) -> Proposal:
    """Return what is proposed for a table of a sheet."""
    assigned = by_words(seen_columns(found))
    apply(choices, assigned)
    sheet = read_bench(found, assigned, known, choices.answers, several_sheets=several_sheets)
    proposal = Proposal(found, _layout(found, assigned, sheet.meters_of), assigned)
    proposal.questions, proposal.problems = sheet.questions, sheet.found.problems
    if sheet.found.rows:
        proposal.tables.append(TableRows("bench", sheet.found.rows, sheet.found.numbers))
    return proposal


def _layout(found: FoundTable, assigned: list[Assigned], meters_of: str) -> str:
    if found.turned:
        return "transposed"
    if meters_of == "sheet":
        return "sheet_per_meter"
    return "wide" if sum(a.is_reading for a in assigned) > 1 else "long"
