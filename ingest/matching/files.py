"""Files of a team's own making: what is proposed for each sheet, and what of it is loaded."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.load import UPLOADS, Content, LoadReport, gather, load_contents, read_bytes
from ingest.matching.meaning import Choices, Known, known_of
from ingest.matching.proposal import Proposal, TableRows, propose
from ingest.matching.sheets import find_tables
from ingest.readers import RawTable, UnreadableError, plain_name, read_grids, table_of
from ingest.schema import TABLES, Problem
from ingest.store import Store
from ingest.validate import Entry

DOCUMENTED = "documented"


@dataclass
class FileMatch:
    """What is proposed for a file.

    path        what the store knows it by; `file` is how messages call it
    documented  its tables that are in the documented form already: `load` reads them
    problems    why it cannot be read
    """

    path: Path
    file: str
    sha256: str
    proposals: list[Proposal] = field(default_factory=list)
    documented: list[RawTable] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)

    def content(self) -> Content:
        """Return what of it is certain, to be loaded: of each sheet all or nothing."""
        open_sheets = {p.found.sheet for p in self.proposals if p.questions}
        entries = [
            entry_of(proposal, rows)
            for proposal in self.proposals
            if proposal.certain and proposal.found.sheet not in open_sheets
            for rows in proposal.tables
        ]
        return Content(self.path, self.file, self.sha256, self.documented, entries)


def match_paths(store: Store, paths: Iterable[str | Path], choices: Choices) -> list[FileMatch]:
    """Return what is proposed for files and folders; NothingToLoadError for a missing path."""
    known = known_of(store)
    found = []
    for file in gather(paths).files:
        try:
            data = file.read_bytes()
        except OSError as error:
            found.append(_unread(file, error))
            continue
        found.append(match_bytes(file.resolve(), str(file), data, known, choices))
    return found


def match_uploads(
    store: Store, files: Iterable[tuple[str, bytes]], choices: Choices
) -> list[FileMatch]:
    """Return what is proposed for files that are given by name and content."""
    known = known_of(store)
    return [
        match_bytes(UPLOADS / Path(name).name, Path(name).name, data, known, choices)
        for name, data in files
    ]


def _unread(file: Path, error: OSError) -> FileMatch:
    reason = error.strerror or str(error)
    fix = "see whether it is there and may be read"
    problem = Problem(str(file), None, None, None, reason, "a file that can be read", fix)
    return FileMatch(file.resolve(), str(file), "", problems=[problem])


def match_bytes(path: Path, file: str, data: bytes, known: Known, choices: Choices) -> FileMatch:
    """Return what is proposed for the bytes of a file."""
    match = FileMatch(path, file, sha256(data).hexdigest())
    match.documented = [raw for raw in read_bytes(path, file, data).tables if is_documented(raw)]
    done = {raw.sheet for raw in match.documented}
    try:
        grids = [grid for grid in read_grids(file, data) if grid.sheet not in done]
    except UnreadableError as error:
        match.problems = [] if match.documented else [error.problem(file)]
        return match
    if None in done:
        return match
    tables = [table for grid in grids for table in find_tables(grid)]
    match.proposals = [
        propose(table, known, choices, several_sheets=len(grids) > 1) for table in tables
    ]
    return match


def is_documented(raw: RawTable) -> bool:
    """Return whether a table is in the documented form, so that `load` reads it."""
    table = table_of(raw)
    if table is None:
        return False
    names = {plain_name(cell) for cell in raw.header}
    return names >= set(table.required)


def entry_of(proposal: Proposal, rows: TableRows) -> Entry:
    """Return proposed rows as an entry to check and load."""
    table = TABLES[rows.table]
    cells = {
        name: pl.Series(name, [row.get(name) for row in rows.rows], dtype=pl.String)
        for name in table.names
        if any(name in row for row in rows.rows)
    }
    found = proposal.found
    return Entry(
        table,
        pl.DataFrame(cells),
        found.file,
        sheet=found.sheet,
        rows=rows.numbers,
        problems=proposal.problems,
    )


def accept(store: Store, matches: Sequence[FileMatch]) -> LoadReport:
    """Load what is certain of matched files, like any other file; return the report."""
    report = LoadReport()
    contents = [match.content() for match in matches]
    load_contents(store, [c for c in contents if c.entries or c.tables], report)
    return report
