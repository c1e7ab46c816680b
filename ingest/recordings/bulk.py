"""Thousands of recordings at once: read by many processes, kept as shards beside the store.

Sharing the work goes through the Executor interface of concurrent.futures: a cluster's executor
works as well as the pool of local processes that is used without one, if all see the same files.
"""

import multiprocessing
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from math import ceil
from pathlib import Path
from typing import Any

import polars as pl

from ingest.readers import RECORDING_SUFFIXES, RecordingError, looks_like_recording, read_recording
from ingest.recordings.shards import (
    no_summaries,
    samples_of,
    stored_summaries,
    summaries_of,
    sweep,
    write_shard,
)
from ingest.recordings.summaries import SUMMARY_SCHEMA, summary_row

FILES_A_TASK = 50
FEW = 16
"""Up to this many files are read at once, without starting processes."""
Progress = Callable[[int, int], None]


@dataclass
class _Plan:
    """What is to be done with the files that were found."""

    rows: list[dict[str, Any]] = field(default_factory=list)
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
    """Read recordings, and folders of them, into Parquet shards in `into`.

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
    """Rows for files with the content of an earlier one: its summary under their own names."""
    first = {row["sha256"]: row for row in read.iter_rows(named=True)}
    rows = [
        first[content] | {"path": path, "name": Path(path).name, "status": "repeated"}
        for path, content in plan.repeated
    ]
    return pl.DataFrame(rows, schema=SUMMARY_SCHEMA, orient="row")


def _files(paths: Iterable[Path | str]) -> Iterator[str]:
    """Files as they were named; of folders, the files below them that hold recordings."""
    for path in map(Path, paths):
        if not path.is_dir():
            yield str(path)
            continue
        for file in path.rglob("*"):
            plain = file.name.lower().removesuffix(".gz")
            if plain.endswith(RECORDING_SUFFIXES) and file.is_file() and not _is_table(file):
                yield str(file)


def _is_table(file: Path) -> bool:
    """Whether a CSV is some other table than a recording."""
    if file.suffix.lower() != ".csv":
        return False
    try:
        with file.open("rb") as opened:
            return not looks_like_recording(opened.read(4096))
    except OSError:
        return False  # it is reported when it is read


def _plan(files: Sequence[str], stored: pl.DataFrame, known: set[str]) -> _Plan:
    """Which files are to be read, and the rows of those that are not."""
    plan, seen = _Plan(), set[str]()
    kept = {row["sha256"]: row for row in stored.iter_rows(named=True)}
    for path in files:
        try:
            content = _hash(path)
        except OSError as error:
            reason = f"{Path(path).name}: cannot be opened ({error.strerror or error})."
            plan.rows.append(_row(path, status="unreadable", error=reason))
            continue
        if content in kept:
            row = kept[content] | {"path": path, "name": Path(path).name}
            plan.rows.append(row if row["error"] else row | {"status": "known"})
        elif content in known:
            plan.rows.append(_row(path, status="known", sha256=content))
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


def _row(path: str, **values: Any) -> dict[str, Any]:
    return {"path": path, "name": Path(path).name} | values


def _read_all(
    files: list[tuple[str, str]],
    into: Path,
    executor: Executor | None,
    progress: Progress | None,
    time_zone: str,
) -> list[str]:
    """Read every file, in tasks; gives the names of the shards."""
    tell = progress or (lambda done, total: None)
    if executor is None and len(files) <= FEW:
        shards = [read_batch(files, str(into), time_zone)] if files else []
        tell(len(files), len(files))
        return shards
    size = min(FILES_A_TASK, max(1, ceil(len(files) / 8)))
    batches = [files[start : start + size] for start in range(0, len(files), size)]
    shards, done, lost = [], 0, list[tuple[str, str]]()
    with _executor(executor) as pool:
        for batch, shard in _shared_out(pool, batches, into, time_zone):
            if shard is None:
                lost += batch
                continue
            shards.append(shard)
            done += len(batch)
            tell(done, len(files))
    for one in lost:
        shards.append(_read_alone(one, into, time_zone))
        done += 1
        tell(done, len(files))
    return shards


def _shared_out(
    pool: Executor, batches: list[list[tuple[str, str]]], into: Path, time_zone: str
) -> Iterator[tuple[list[tuple[str, str]], str | None]]:
    """Every batch with the shard it became, as they come; None when its process died."""
    tasks = {}
    for batch in batches:
        try:
            tasks[pool.submit(read_batch, batch, str(into), time_zone)] = batch
        except BrokenExecutor:
            yield batch, None
    for task in as_completed(tasks):
        yield tasks[task], _outcome(task)


def _outcome(task: "Future[str]") -> str | None:
    """The shard of a task; None when its process died."""
    try:
        return task.result()
    except BrokenExecutor:
        return None


def _read_alone(file: tuple[str, str], into: Path, time_zone: str) -> str:
    """Read one file of a task whose process died, in a process of its own."""
    with _executor(None, workers=1) as pool:
        shard = _outcome(pool.submit(read_batch, [file], str(into), time_zone))
    if shard is not None:
        return shard
    reason = f"{Path(file[0]).name}: reading it ended the process that read it."
    return write_shard([_failed(file, reason)], into)


@contextmanager
def _executor(given: Executor | None, workers: int | None = None) -> Iterator[Executor]:
    """The executor that was given, left open; else local processes, ended at the end."""
    if given is not None:
        yield given
        return
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(workers or os.cpu_count(), mp_context=context)
    try:
        yield pool
    finally:
        pool.shutdown(cancel_futures=True)


def read_batch(files: Sequence[tuple[str, str]], into: str, time_zone: str) -> str:
    """One task: decode (path, sha256) files and write them as one shard; gives its name."""
    return write_shard([_decoded(file, time_zone) for file in files], Path(into))


def _decoded(file: tuple[str, str], time_zone: str) -> dict[str, Any]:
    path, _ = file
    try:
        recording = read_recording(Path(path), time_zone=time_zone)
    except RecordingError as error:
        return _failed(file, str(error))
    except Exception as error:  # one file must not take the other forty-nine with it
        return _failed(file, f"{Path(path).name}: cannot be read ({type(error).__name__}).")
    row = summary_row(recording) | {"path": path, "status": "read"}
    return row | {"bytes": Path(path).stat().st_size} | samples_of(recording.frame)


def _failed(file: tuple[str, str], reason: str) -> dict[str, Any]:
    return _row(file[0], sha256=file[1], status="unreadable", error=reason)
