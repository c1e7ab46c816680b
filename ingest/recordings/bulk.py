"""Thousands of recordings at once: read by many processes, kept as shards beside the store.

The work is shared out by an executor of concurrent.futures: a cluster's works as well as the
local processes that are used without one, if all see the same files.
"""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, as_completed
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from hashlib import sha256
from math import ceil
from pathlib import Path
from typing import cast

import polars as pl

from ingest.readers import (
    RECORDING_SUFFIXES,
    Apart,
    LostError,
    RecordingError,
    looks_like_recording,
    one,
    outcome,
    read_recording,
    recording_apart,
    several,
)
from ingest.recordings.shards import (
    no_summaries,
    samples_of,
    stored_summaries,
    summaries_of,
    sweep,
    write_shard,
)
from ingest.recordings.summaries import SUMMARY_SCHEMA, Summary, summary_of, summary_rows

FILES_A_TASK = 50
FEW = 16
"""Up to this many files are read by the one process that stays."""
Progress = Callable[[int, int], None]


@dataclass
class _Plan:
    """Which files are to be read, and the rows of those that are not.

    repeated  files with the content of one that is read
    """

    rows: list[Summary] = field(default_factory=list)
    to_read: list[tuple[str, str]] = field(default_factory=list)  # (path, sha256)
    repeated: list[tuple[str, str]] = field(default_factory=list)


def read_folder(
    paths: Iterable[Path | str],
    *,
    into: Path,
    executor: Executor | None = None,
    known_hashes: Collection[str] = (),
    progress: Progress | None = None,
    time_zone: str = "UTC",
) -> pl.DataFrame:
    """Read recordings, and folders of them, into Parquet shards in `into`; return their summaries.

    executor      shares out the work, about fifty files a task; else a pool of local processes
    known_hashes  contents that are in already: not read again
    progress      called with (files done, files to do)
    time_zone     of CSV times without an offset
    Out           one row a file (SUMMARY_SCHEMA); status `read`; `known`: its content was in
                  already; `repeated`: the same content as an earlier file of this call;
                  `unreadable`: `error` says why

    What shards in `into` hold is known without being named, so a call that was interrupted is
    completed by calling again.
    """
    into.mkdir(parents=True, exist_ok=True)
    sweep(into)
    files = sorted(set(_files(paths)))
    plan = _plan(files, stored_summaries(into), set(known_hashes))
    shards = _read_all(plan.to_read, into, executor, progress, time_zone)
    read = pl.concat([no_summaries(), *(summaries_of(into / shard) for shard in shards)])
    rows = pl.DataFrame(plan.rows, schema=SUMMARY_SCHEMA, orient="row")
    return pl.concat([rows, read, _repeated(plan, read)]).sort("path", "sha256")


def _repeated(plan: _Plan, read: pl.DataFrame) -> pl.DataFrame:
    """Return rows for files with the content of an earlier one: its summary, their own names."""
    first = {row["sha256"]: row for row in summary_rows(read)}
    rows = [_at(path, first[content]) | {"status": "repeated"} for path, content in plan.repeated]
    return pl.DataFrame(rows, schema=SUMMARY_SCHEMA, orient="row")


def _files(paths: Iterable[Path | str]) -> Iterator[str]:
    """Yield files as they were named; of folders, the files below them that hold recordings."""
    for path in map(Path, paths):
        if not path.is_dir():
            yield str(path)
            continue
        for file in path.rglob("*"):
            plain = file.name.lower().removesuffix(".gz")
            if plain.endswith(RECORDING_SUFFIXES) and file.is_file() and not _is_table(file):
                yield str(file)


def _is_table(file: Path) -> bool:
    """Return whether it is a CSV of something else than a recording."""
    if file.suffix.lower() != ".csv":
        return False
    try:
        with file.open("rb") as opened:
            return not looks_like_recording(opened.read(4096))
    except OSError:
        return False  # it is reported when it is read


def _plan(files: Sequence[str], stored: pl.DataFrame, known: set[str]) -> _Plan:
    plan, seen = _Plan(), set[str]()
    kept = {row["sha256"]: row for row in summary_rows(stored)}
    for path in files:
        try:
            content = _hash(path)
        except OSError as error:
            reason = f"{Path(path).name}: cannot be opened ({error.strerror or error})."
            plan.rows.append(_bare(path, None, "unreadable", reason))
            continue
        if content in kept:
            row = _at(path, kept[content])
            plan.rows.append(row if row["error"] else row | {"status": "known"})
        elif content in known:
            plan.rows.append(_bare(path, content, "known"))
        elif content in seen:
            plan.repeated.append((path, content))
        else:
            plan.to_read.append((path, content))
        seen.add(content)
    return plan


def _hash(path: str) -> str:
    digest = sha256()
    with open(path, "rb") as opened:
        while block := opened.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _at(path: str, row: Summary) -> Summary:
    """Return the summary of another file with the same content as this file's."""
    return row | {"path": path, "name": Path(path).name}


def _bare(path: str, content: str | None, status: str, error: str | None = None) -> Summary:
    """Return the row of a file that was not read."""
    given = {"path": path, "name": Path(path).name, "sha256": content}
    given |= {"status": status, "error": error}
    return cast(Summary, dict.fromkeys(SUMMARY_SCHEMA) | given)


def _read_all(
    files: list[tuple[str, str]],
    into: Path,
    executor: Executor | None,
    progress: Progress | None,
    time_zone: str,
) -> list[str]:
    """Read every file, in tasks; return the names of the shards."""
    if not files:
        return []
    tell = progress or (lambda done, total: None)
    few = executor is None and len(files) <= FEW
    size = len(files) if few else min(FILES_A_TASK, max(1, ceil(len(files) / 8)))
    batches = [files[start : start + size] for start in range(0, len(files), size)]
    shards, done, lost = [], 0, list[tuple[str, str]]()
    with _executor(executor, few=few) as pool:
        for batch, shard in _shared_out(pool, batches, into, time_zone):
            if shard is None:
                lost += batch
                continue
            shards.append(shard)
            done += len(batch)
            tell(done, len(files))
    for file in lost:
        shards.append(_read_alone(file, into, time_zone))
        done += 1
        tell(done, len(files))
    return shards


def _executor(given: Executor | None, *, few: bool) -> AbstractContextManager[Executor | Apart]:
    """Return the executor that was given, left open; else processes of our own."""
    if given is not None:
        return nullcontext(given)
    return nullcontext(one()) if few else several()


def _shared_out(
    pool: Executor | Apart, batches: list[list[tuple[str, str]]], into: Path, time_zone: str
) -> Iterator[tuple[list[tuple[str, str]], str | None]]:
    """Yield every batch with its shard, as they come; None when its process was lost."""
    tasks = {}
    for batch in batches:
        try:
            tasks[pool.submit(read_batch, batch, str(into), time_zone)] = batch
        except BrokenExecutor:
            yield batch, None
    for task in as_completed(tasks):
        yield tasks[task], _shard(task)


def _shard(task: Future[str]) -> str | None:
    """Return the shard of a task; None when its process was lost."""
    try:
        return outcome(task)
    except (BrokenExecutor, LostError):
        return None


def _read_alone(file: tuple[str, str], into: Path, time_zone: str) -> str:
    """Read one file of a task whose process was lost."""
    path, content = file
    try:
        return recording_apart(read_batch, [file], str(into), time_zone, name=Path(path).name)
    except RecordingError as error:
        return write_shard([_bare(path, content, "unreadable", str(error))], into)


def read_batch(files: Sequence[tuple[str, str]], into: str, time_zone: str) -> str:
    """Decode files, given as (path, sha256), and write them as one shard; return its name."""
    return write_shard([_decoded(file, time_zone) for file in files], Path(into))


def _decoded(file: tuple[str, str], time_zone: str) -> Mapping[str, object]:
    """Return a recording's row of a shard."""
    path, content = file
    try:
        recording = read_recording(Path(path), time_zone=time_zone)
    except RecordingError as error:
        return _bare(path, content, "unreadable", str(error))
    except Exception as error:  # one file must not take the other forty-nine with it
        reason = f"{Path(path).name}: cannot be read ({type(error).__name__})."
        return _bare(path, content, "unreadable", reason)
    of_file = {"path": path, "status": "read", "bytes": Path(path).stat().st_size}
    return {**summary_of(recording), **of_file, **samples_of(recording.frame)}
