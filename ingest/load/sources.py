"""Files to load: which there are behind paths and uploads, and the tables that each holds."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path

from ingest.load.other_store import ENDINGS as STORES
from ingest.load.other_store import store_entries
from ingest.readers import (
    RawTable,
    UnreadableError,
    is_recording,
    read_apart,
    read_csv,
    read_parquet,
    read_xlsx,
)
from ingest.schema import Problem, UserError, fault, spelled
from ingest.validate import Entry

TEXT = {".csv", ".tsv", ".tab", ".txt"}
PARQUET = {".parquet", ".pq"}
WORKBOOK = {".xlsx", ".xlsm"}
OTHER_SHEETS = {".xls", ".ods", ".numbers", ".xlsb"}
RECORDING = {".fit", ".tcx"}
WRITTEN = {".md"}  # text about a folder, as the template's dictionary
HEAD_BYTES = 4096
UPLOADS = Path("uploaded")  # what came through the dashboard is known by its name alone


class NothingToLoadError(UserError):
    """A path that does not exist, or files that hold nothing that may be loaded."""


@dataclass
class Content:
    """What a file holds, or what was entered without one.

    path     in full, what the store knows it by; `file` is how messages call it
    sha256   of the file's bytes
    tables   its tables as text; `entries` are those whose cells are typed already
    """

    path: Path
    file: str
    sha256: str = ""
    tables: list[RawTable] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def entered(entry: Entry) -> Content:
    """Return an entry as the content of one import."""
    return Content(Path(entry.file), entry.file, entry.content_hash(), entries=[entry])


@dataclass
class Sources:
    """Files behind paths: those to read as tables, recordings, and those left out."""

    files: list[Path] = field(default_factory=list)
    recordings: list[Path] = field(default_factory=list)
    left_out: list[Path] = field(default_factory=list)


def gather(paths: Iterable[str | Path]) -> Sources:
    """Return the files behind paths, each once; folders are searched with their subfolders."""
    sources, seen = Sources(), set()
    for given in paths:
        path = Path(given).expanduser()
        if not path.exists():
            raise NothingToLoadError(f"{path}: no such file or folder.")
        for file in _files(path):
            key = file.resolve()
            if key not in seen:
                seen.add(key)
                _sort_in(sources, file, alone=file == path)
    return sources


def _files(path: Path) -> Iterator[Path]:
    if path.is_file():
        yield path
        return
    for file in sorted(path.rglob("*")):
        inside = file.relative_to(path).parts
        if file.is_file() and not any(part.startswith((".", "~$")) for part in inside):
            yield file


def _sort_in(sources: Sources, file: Path, *, alone: bool) -> None:
    ending = file.suffix.lower()
    if _is_recording_name(file) or (ending in TEXT and _is_recorded_text(file)):
        (sources.recordings if spelled(file) == str(file) else sources.files).append(file)
    elif alone or ending in TEXT - {".txt"} | PARQUET | WORKBOOK | OTHER_SHEETS:
        sources.files.append(file)
    elif ending not in WRITTEN:
        sources.left_out.append(file)


def _is_recording_name(file: Path) -> bool:
    """Return whether a file's ending is that of a recording, packed or not."""
    ending = file.suffix.lower()
    return (Path(file.stem).suffix.lower() if ending == ".gz" else ending) in RECORDING


def is_loadable(file: Path) -> bool:
    """Return whether a file's name is that of a table, a workbook or a recording."""
    kinds = TEXT | PARQUET | WORKBOOK | OTHER_SHEETS
    return _is_recording_name(file) or file.suffix.lower() in kinds


def _is_recorded_text(file: Path) -> bool:
    try:
        with file.open("rb") as stream:
            return _is_recorded(str(file), stream.read(HEAD_BYTES))
    except OSError:
        return False


def _is_recorded(file: str, data: bytes) -> bool:
    if Path(file).suffix.lower() not in TEXT:
        return False
    head = data[:HEAD_BYTES]
    try:
        return is_recording(read_csv(file, head[: len(head) // 4 * 4]).header)
    except UnreadableError:
        return False


def read(file: Path) -> Content:
    """Return the tables of a file; what is wrong with it as a whole is in `problems`."""
    path, name = Path(spelled(file.resolve())), spelled(file)
    try:
        if file.suffix.lower() in STORES and file.is_file():
            return _read_store(file)
        if _is_recording_name(file):
            return Content(path, name, problems=[_unspeakable(name)])
        return read_bytes(path, name, file.read_bytes())
    except OSError as error:
        reason, fix = error.strerror or str(error), "see whether it is there and may be read"
        problem = Problem(name, None, None, None, reason, "a file that can be read", fix)
    except Exception as error:  # one file must not take the others with it
        problem = fault(error, name)
    return Content(path, name, problems=[problem])


def _unspeakable(name: str) -> Problem:
    return Problem(
        name,
        None,
        None,
        None,
        "a recording whose name is not UTF-8",
        "a name of plain letters and digits: rides are known by their files' names",
        "rename the file, and load it again",
    )


def _read_store(file: Path) -> Content:
    """Return another store's tables; the hash is of the rows: opening a store changes its file."""
    content = Content(file.resolve(), str(file))
    try:
        content.entries = store_entries(file)
    except UnreadableError as error:
        content.problems.append(error.problem(str(file)))
    marks = "\n".join(f"{entry.sheet} {entry.content_hash()}" for entry in content.entries)
    content.sha256 = sha256(marks.encode()).hexdigest()
    return content


def read_bytes(path: Path, file: str, data: bytes) -> Content:
    """Return the tables in the bytes of a file. `path` is what the store knows it by."""
    content = Content(path, file, sha256=sha256(data).hexdigest())
    try:
        content.tables = _tables(file, path.suffix.lower(), data)
    except UnreadableError as error:
        content.problems.append(error.problem(file))
    except Exception as error:
        content.problems.append(fault(error, file))
    return content


def uploaded(files: Iterable[tuple[str, bytes]]) -> tuple[list[Content], list[tuple[str, bytes]]]:
    """Return the tables of uploaded files, given by name and content, and their recordings."""
    contents, recordings = [], []
    for name, data in files:
        path = UPLOADS / Path(name.replace("\\", "/")).name
        if _came_as_recording(path.name, data):
            recordings.append((path.name, data))
        else:
            contents.append(read_bytes(path, path.name, data))
    return contents, recordings


def recordings_among(files: Iterable[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    """Return the recordings among uploaded files, given by name and content."""
    return [(name, data) for name, data in files if _came_as_recording(name, data)]


def _came_as_recording(name: str, data: bytes) -> bool:
    return _is_recording_name(Path(name)) or _is_recorded(name, data)


def _tables(file: str, ending: str, data: bytes) -> list[RawTable]:
    if ending in STORES:
        raise UnreadableError(
            found="a store",
            expected="a table (CSV, Parquet, .xlsx)",
            fix="load it where its file lies: slopewatch load FILE",
        )
    if ending in OTHER_SHEETS:
        raise UnreadableError(
            found=f"a {ending} file",
            expected="CSV, Parquet or a workbook (.xlsx)",
            fix="let slopewatch match read it as it is"
            if ending == ".ods"
            else "open it in the spreadsheet program and save it as .xlsx",
        )
    if data and (ending in PARQUET or data.startswith(b"PAR1")):
        return [read_apart(read_parquet, file, data)]
    if data and (ending in WORKBOOK or data.startswith(b"PK\x03\x04")):
        return read_apart(read_xlsx, file, data)
    return [read_apart(read_csv, file, data)]
