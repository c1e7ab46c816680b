"""Files of a team's own making: what is proposed for each sheet, and what of it is loaded."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.load import (
    UPLOADS,
    Content,
    LoadReport,
    gather,
    load_contents,
    read_bytes,
    recordings_among,
)
from ingest.matching.devices import NAMED, Device, new_devices, rows_of
from ingest.matching.meaning import Choices, Known, bare, known_of
from ingest.matching.proposal import Proposal, TableRows, propose
from ingest.matching.remembered import SavedMapping, fitting, saved_mappings
from ingest.matching.sheets import FoundTable, find_tables, known_headings, spread_out
from ingest.readers import (
    Grid,
    RawTable,
    UnreadableError,
    plain_name,
    read_apart,
    read_grids,
    table_of,
)
from ingest.schema import TABLES, Problem, Table, fault
from ingest.store import Store
from ingest.validate import Entry

DOCUMENTED = "documented"
FEWEST_HEADINGS = 2  # that are understood, for an upload to be looked at as a sheet
SHEETS = {".csv", ".tsv", ".tab", ".txt", ".xlsx", ".xlsm", ".ods"}
Upload = tuple[str, bytes]  # a file's name, and what is in it


@dataclass
class FileMatch:
    """What is proposed for a file.

    path        what the store knows it by; `file` is how messages call it
    documented  its tables that are in the documented form already: `load` reads them
    problems    why it cannot be read
    notices     what else is to be said of it
    devices     rows for lists of devices and people that it names first
    """

    path: Path
    file: str
    sha256: str
    proposals: list[Proposal] = field(default_factory=list)
    documented: list[RawTable] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)

    def content(self) -> Content:
        """Return what of it is certain, to be loaded: of each sheet all or nothing."""
        entries = [entry_of_rows(self.file, None, rows) for rows in rows_of(self.devices)]
        entries += [
            entry_of(proposal, rows) for proposal in self.certain() for rows in proposal.tables
        ]
        return Content(self.path, self.file, self.sha256, self.documented, entries)

    def recordings(self) -> list[Upload]:
        """Return the rides among its sheets, by a name of their own, in the documented form."""
        return [
            (f"{self.path.stem}{f'-{p.found.sheet}' if p.found.sheet else ''}.csv", p.recording)
            for p in self.certain()
            if p.recording is not None
        ]

    def certain(self) -> list[Proposal]:
        """Return the proposals of sheets of which nothing has to be asked."""
        open_sheets = {p.found.sheet for p in self.proposals if p.questions}
        return [p for p in self.proposals if p.certain and p.found.sheet not in open_sheets]


@dataclass(frozen=True)
class Asked:
    """What a match starts from: answers to questions, and mappings given besides the store's."""

    answers: dict[str, str] = field(default_factory=dict)
    mappings: tuple[SavedMapping, ...] = ()


@dataclass(frozen=True)
class _Start:
    known: Known
    answers: dict[str, str]
    mappings: tuple[SavedMapping, ...]


def _start(store: Store, asked: Asked) -> _Start:
    mappings = (*asked.mappings, *saved_mappings(store))
    return _Start(known_of(store), asked.answers, mappings)


def match_paths(store: Store, paths: Iterable[str | Path], asked: Asked) -> list[FileMatch]:
    """Return what is proposed for files and folders; NothingToLoadError for a missing path."""
    start = _start(store, asked)
    found = []
    for file in gather(paths).files:
        try:
            data = file.read_bytes()
        except OSError as error:
            found.append(_unread(file, error))
            continue
        found.append(match_bytes(file.resolve(), str(file), data, start))
    return _with_devices(found, start)


def match_uploads(
    store: Store, files: Iterable[tuple[str, bytes]], asked: Asked
) -> list[FileMatch]:
    """Return what is proposed for files that are given by name and content."""
    start = _start(store, asked)
    found = [
        match_bytes(UPLOADS / Path(name).name, Path(name).name, data, start) for name, data in files
    ]
    return _with_devices(found, start)


def _with_devices(matches: list[FileMatch], start: _Start) -> list[FileMatch]:
    """Add the devices that files name to the first file that does."""
    proposals = [proposal for match in matches for proposal in match.certain()]
    devices = new_devices(proposals, start.known, start.answers)
    for device in devices:
        first = next(match for match in matches if _names(match, device))
        first.devices.append(device)
    return matches


def _names(match: FileMatch, device: Device) -> bool:
    column = NAMED.get(device.table, "meter_id")
    return any(
        row.get(column) == device.name
        for proposal in match.certain()
        for rows in proposal.tables
        for row in rows.rows
    )


def _unread(file: Path, error: OSError) -> FileMatch:
    reason = error.strerror or str(error)
    fix = "see whether it is there and may be read"
    problem = Problem(str(file), None, None, None, reason, "a file that can be read", fix)
    return FileMatch(file.resolve(), str(file), "", problems=[problem])


def match_bytes(path: Path, file: str, data: bytes, start: _Start) -> FileMatch:
    """Return what is proposed for the bytes of a file, or why nothing is."""
    match = FileMatch(path, file, sha256(data).hexdigest())
    try:
        _look_into(match, data, start)
    except UnreadableError as error:
        match.problems.append(error.problem(file))
    except Exception as error:  # one file the program fails on does not keep the others out
        match.problems.append(fault(error, file))
    return match


def _look_into(match: FileMatch, data: bytes, start: _Start) -> None:
    """Add to a match what its file holds; UnreadableError where it holds no table at all."""
    path, file = match.path, match.file
    grids = read_apart(read_grids, file, data)
    match.notices = [notice for grid in grids for notice in grid.notices]
    if any(looks_documented(grid) for grid in grids):
        match.documented = [t for t in read_bytes(path, file, data).tables if is_documented(t)]
        done = {raw.sheet for raw in match.documented}
        grids = [grid for grid in grids if grid.sheet not in done]
    tables = [_by_meter(table, start) for grid in grids for table in find_tables(grid)]
    several = len(grids) > 1
    match.proposals = [_proposed(table, start, several_sheets=several) for table in tables]
    if not match.proposals and not match.documented:
        raise UnreadableError(
            found="no table",
            expected="a row of headings, and rows of values below it",
            fix="put headings above the values, or leave the file out",
        )


def _by_meter(table: FoundTable, start: _Start) -> FoundTable:
    """Return a table with a row for each meter or day that has columns of its own."""
    if start.answers.get("columns") == "other":
        return table
    return spread_out(table, lambda name: bare(name) in start.known.meters)


def _proposed(table: FoundTable, start: _Start, *, several_sheets: bool) -> Proposal:
    mapping = fitting(start.mappings, table.headings)
    choices = mapping.choices(start.answers) if mapping else Choices(answers=start.answers)
    proposal = propose(table, start.known, choices, several_sheets=several_sheets)
    proposal.mapping = mapping.name if mapping else None
    return proposal


def looks_documented(grid: Grid) -> bool:
    """Return whether a row near the top of a sheet names the columns of some table."""
    rows = ({plain_name(cell) for cell in row if cell} for row in grid.cells[:20])
    return any(_names_table(names, table) for names in rows for table in TABLES.values())


def is_documented(raw: RawTable) -> bool:
    """Return whether a table is in the documented form, so that `load` reads it."""
    table = table_of(raw)
    return table is not None and _names_table({plain_name(c) for c in raw.header if c}, table)


def _names_table(names: set[str], table: Table) -> bool:
    """Return whether headings are a table's: all that it requires, or its key and others."""
    if table.required and names >= set(table.required):
        return True
    known = len(names & set(table.names))
    return table.names[0] in names and known >= 2 and known >= 0.6 * len(names)


def entry_of(proposal: Proposal, rows: TableRows) -> Entry:
    """Return proposed rows as an entry to check and load."""
    found = proposal.found
    own = proposal.problems if rows.table == "bench" else ()
    return entry_of_rows(found.file, found.sheet, rows, own)


def entry_of_rows(
    file: str, sheet: str | None, rows: TableRows, problems: Sequence[tuple[int, Problem]] = ()
) -> Entry:
    """Return rows of a table as an entry to check and load."""
    table = TABLES[rows.table]
    cells = {
        name: pl.Series(name, [row.get(name) for row in rows.rows], dtype=pl.String)
        for name in table.names
        if any(name in row for row in rows.rows)
    }
    frame = pl.DataFrame(cells)
    return Entry(table, frame, file, sheet=sheet, rows=rows.numbers, problems=problems)


def staged_files(folder: Path) -> list[Upload]:
    """Return the files of a folder, by name and content."""
    return [(file.name, file.read_bytes()) for file in sorted(folder.iterdir()) if file.is_file()]


def are_own(files: Iterable[tuple[str, bytes]]) -> tuple[list[Upload], list[Upload]]:
    """Return uploaded files in two parts: those of a team's own making, and those `load` reads."""
    own: list[Upload] = []
    others: list[Upload] = []
    for name, data in files:
        (own if _is_own(name, data) else others).append((name, data))
    return own, others


def _is_own(name: str, data: bytes) -> bool:
    if Path(name).suffix.lower() not in SHEETS or recordings_among([(name, data)]):
        return False
    try:
        grids = read_apart(read_grids, name, data)
    except UnreadableError:
        return False
    if any(looks_documented(grid) for grid in grids):
        return False
    tables = [table for grid in grids for table in find_tables(grid)]
    laid = [spread_out(table, lambda name: False) for table in tables]
    return any(known_headings(table.headings) >= FEWEST_HEADINGS for table in laid)


def accept(
    store: Store, matches: Sequence[FileMatch], *, only: Collection[str] = tuple(TABLES)
) -> LoadReport:
    """Load what is certain of matched files, like any other file; return the report.

    only  the tables that whoever accepts may change
    """
    report = LoadReport()
    contents = [match.content() for match in matches]
    load_contents(store, [c for c in contents if c.entries or c.tables], report, only=only)
    return report
