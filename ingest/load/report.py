"""What a load did: rows read, loaded, unchanged and set aside; what there is to say."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from ingest.schema import Problem


@dataclass(frozen=True)
class TableEntry:
    """One table of one file. rows_read = rows_loaded + rows_unchanged + rows_set_aside."""

    path: str
    sheet: str | None
    table: str | None
    rows_read: int
    rows_loaded: int = 0
    rows_unchanged: int = 0
    rows_set_aside: int = 0

    def document(self) -> dict[str, str | int | None]:
        return {
            "path": self.path,
            "sheet": self.sheet,
            "table": self.table,
            "rows_read": self.rows_read,
            "rows_loaded": self.rows_loaded,
            "rows_unchanged": self.rows_unchanged,
            "rows_set_aside": self.rows_set_aside,
        }


@dataclass
class LoadReport:
    """The outcome of a load. `recordings` are files of rides, left to whoever reads them."""

    files: list[TableEntry] = field(default_factory=list)
    set_aside: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    recordings: list[Path] = field(default_factory=list)
    import_ids: list[int] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        """Nothing was set aside."""
        return not self.set_aside

    @property
    def rows_loaded(self) -> int:
        return sum(entry.rows_loaded for entry in self.files)

    def to_document(self) -> dict[str, object]:
        """The report as the `load` command prints it, without `fit`."""
        return {
            "files": [entry.document() for entry in self.files],
            "set_aside": [problem.document() for problem in self.set_aside],
            "notices": list(self.notices),
        }

    def add(self, other: LoadReport) -> None:
        """Take in another report's entries."""
        self.files += other.files
        self.set_aside += other.set_aside
        self.notices += other.notices
        self.recordings += other.recordings
        self.import_ids += other.import_ids
