"""What a load did: rows read, loaded, unchanged and set aside, problems and notices."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, TypedDict, cast

from ingest.load.merge import RowChange
from ingest.schema import Problem, ProblemDocument


class ChangeDocument(TypedDict):
    """A `RowChange`: the file's row, the table, which row of it, its differing cells as text."""

    row: int
    table: str
    key: str
    before: dict[str, str | None]
    after: dict[str, str | None]


class ReportDocument(TypedDict):
    """The `load` document, without its fit. files: a `TableReport` each."""

    files: list[dict[str, Any]]
    set_aside: list[ProblemDocument]
    notices: list[str]
    changed: list[ChangeDocument]


@dataclass(frozen=True)
class TableReport:
    """One table of one file. rows_read = rows_loaded + rows_unchanged + rows_set_aside."""

    path: str
    sheet: str | None
    table: str | None
    rows_read: int
    rows_loaded: int = 0
    rows_unchanged: int = 0
    rows_set_aside: int = 0


@dataclass
class LoadReport:
    """The outcome of a load. `recordings` are files of rides, left to whoever reads them."""

    files: list[TableReport] = field(default_factory=list)
    set_aside: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    changed: list[RowChange] = field(default_factory=list)
    recordings: list[Path] = field(default_factory=list)
    import_ids: list[int] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Whether nothing was set aside."""
        return not self.set_aside

    @property
    def rows_loaded(self) -> int:
        """How many rows of all tables changed the store."""
        return sum(table.rows_loaded for table in self.files)

    def to_document(self) -> ReportDocument:
        """Return the report as the `load` command prints it, without `fit`."""
        return {
            "files": [asdict(table) for table in self.files],
            "set_aside": [problem.document() for problem in self.set_aside],
            "notices": list(self.notices),
            "changed": [cast("ChangeDocument", asdict(row)) for row in self.changed],
        }

    def add(self, other: LoadReport) -> None:
        """Add another report's tables, problems, notices, recordings and imports."""
        self.files += other.files
        self.set_aside += other.set_aside
        self.notices += other.notices
        self.changed += other.changed
        self.recordings += other.recordings
        self.import_ids += other.import_ids
