"""Recordings into the store: harvested readings, proposed pairs, evaluated pairs.

Like `run`, it loads, computes and saves; the store is not held open while something is computed.
"""

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from pathlib import Path

import polars as pl

from ingest.load import load_frames
from ingest.readers import Recording, RecordingError, read_recording, recording_apart
from ingest.recordings import (
    FILES,
    IDENTITY,
    NAME,
    keep_uploads,
    kept_results,
    may_be_compared,
    meter_readings,
    own_folder,
    pair_file,
    pairs_on_disk,
    propose_pairs,
    proposed_events,
    read_folder,
    recordings_folder,
    stored_summaries,
    write_traces,
    zero_rows,
)
from ingest.schema import TABLES, document_column, fault, frame_schema, plural
from ingest.store import Store, write_tables
from models.metrology import ln_from_ratio
from models.rides import (
    RESULT_SCHEMA,
    CannotCompareError,
    Comparison,
    ComparisonDocument,
    NoOverlap,
    compare_recordings,
)
from models.run.documents import Row
from models.wording import NoAnswerError, said

Say = Callable[[str], None]
RESULTS_SCHEMA = RESULT_SCHEMA | dict.fromkeys(FILES, pl.String())
DOCUMENTS_SCHEMA = RESULTS_SCHEMA | {"document": pl.Struct(frame_schema(ComparisonDocument))}
ABSENT = "absent"
FAILURES = "pair_failures"
FAILURES_SCHEMA = dict.fromkeys((*IDENTITY, "files"), pl.String())


class ComparedFiles(ComparisonDocument):
    """A comparison of two files; notices: what was left out of them or is worth knowing."""

    notices: list[str]


def compare_files(
    meter: Path, reference: Path, *, columns: Mapping[str, str] | None = None
) -> ComparedFiles:
    """Return the `compare` document of two recordings. No store.

    columns: of CSV files: column → the heading it goes by
    """
    both = [read_ride(path, columns=columns) for path in (meter, reference)]
    notices = [f"{one.name}: {text}" for one in both for text in one.notices]
    return {**compare_pair(*both).to_document(), "notices": notices}


def read_ride(
    path: Path, *, time_zone: str = "UTC", columns: Mapping[str, str] | None = None
) -> Recording:
    """Return one recording; NoAnswerError where it cannot be read."""
    try:
        return recording_apart(_read_ride, path, time_zone, dict(columns or {}), name=path.name)
    except RecordingError as problem:
        raise NoAnswerError(str(problem)) from problem


def _read_ride(path: Path, time_zone: str, columns: dict[str, str]) -> Recording:
    return read_recording(path, time_zone=time_zone, columns=columns)


def compare_pair(meter: Recording, reference: Recording) -> Comparison:
    """Compare two recordings; NoAnswerError where they share no time or hold no watts."""
    try:
        return compare_recordings(
            meter.frame,
            reference.frame,
            meter_serial=meter.power_meter_serial,
            reference_serial=reference.power_meter_serial,
        )
    except (NoOverlap, CannotCompareError) as problem:
        raise NoAnswerError(f"{meter.name} and {reference.name}: {problem}") from problem


def take_in_uploads(store: Store, files: list[tuple[str, bytes]], *, say: Say) -> list[str]:
    """Keep recordings (name, content) beside the store, take them in, evaluate pairs."""
    return take_in(store, keep_uploads(store, files), say=say) + evaluate_pairs(store, say=say)


def take_in(
    store: Store, files: list[Path], *, say: Say, workers: Executor | None = None
) -> list[str]:
    """Read recordings, harvest what the meters said of themselves, propose pairs.

    Returns notices. Events are proposed, for a person to confirm; so are pairs, as a table that
    a person loads.
    """
    if not files:
        return []
    folder = own_folder(store)
    read = read_folder(
        files,
        into=folder,
        executor=workers,
        progress=_counted(say),
        time_zone=store.time_zone(),
    )
    unreadable = read.filter(pl.col("status") == "unreadable").to_dicts()
    notices = [str(row["error"]) for row in unreadable]
    notices += [
        f"{row['name']}: damaged, and read as far as it holds ({row['partial']})"
        for row in read.filter(pl.col("partial").is_not_null()).to_dicts()
    ]
    kept = stored_summaries(folder)
    with store.reading() as db:
        meters, references = db.frame("meters"), db.frame("references")
        events, assignments, pairs = (db.frame(t) for t in ("events", "assignments", "pairs"))
    readings = meter_readings(kept, meters)
    tables = {
        "zeros": zero_rows(kept, meters),
        "events": proposed_events(readings, meters, events),
    }
    notices += _load_harvest(store, folder, tables)
    with store.writing() as db:
        db.put_derived("meter_readings", readings)
    return notices + _propose(
        folder, propose_pairs(kept, meters, references, assignments=assignments), pairs
    )


def _counted(say: Say) -> Callable[[int, int], None]:
    def progress(done: int, of: int) -> None:
        if of > 50:
            say(f"recordings: {done} of {of}")

    return progress


def _load_harvest(store: Store, folder: Path, tables: dict[str, pl.DataFrame]) -> list[str]:
    report = load_frames(store, tables, known_in=folder / "harvested")
    return [
        f"Read out of the recordings: {plural(entry.rows_loaded, 'row')} of {entry.table}"
        + (", as proposals: confirm or reject them" if entry.table == "events" else "")
        for entry in report.files
        if entry.rows_loaded
    ]


def undecided(proposed: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    """Return proposed pairs that no row of `pairs` holds, by its id or its files' names."""
    ids = set(pairs["comparison_id"])
    named = pairs.select("meter_file", "reference_file").iter_rows()
    files = {(Path(meter).name, Path(reference).name) for meter, reference in named}
    return proposed.filter(
        [
            row["comparison_id"] not in ids
            and (Path(row["meter_file"]).name, Path(row["reference_file"]).name) not in files
            for row in proposed.iter_rows(named=True)
        ]
    )


def _propose(folder: Path, proposed: pl.DataFrame, pairs: pl.DataFrame) -> list[str]:
    fresh = undecided(proposed, pairs)
    if fresh.is_empty():
        return []
    [file] = write_tables(
        {"pairs": fresh.select(TABLES["pairs"].names)}, folder / "proposed", "csv"
    )
    return [
        f"{fresh.height} pair(s) of recordings overlap in time, one from a meter and one from a "
        f"reference: look at {file} and load it to use them"
    ]


def evaluate_pairs(store: Store, *, say: Say) -> list[str]:
    """Compare every pair of the `pairs` table that was not compared yet. Returns notices.

    What cannot be compared is not tried again before one of its files has changed.
    """
    with store.reading() as db:
        pairs, kept, ever = pairs_on_disk(db), kept_results(db), NAME in db.derived_names()
        tried = db.derived(FAILURES)
    done = kept if kept is not None else pl.DataFrame(schema=DOCUMENTS_SCHEMA)
    failed = tried if tried is not None else pl.DataFrame(schema=FAILURES_SCHEMA)
    results, notices, failures = [done], list[str](), list[Row]()
    waiting = pairs.join(done, on=IDENTITY, how="anti", nulls_equal=True)
    loaded = _loaded(store) if waiting.height else frozenset[str]()
    for pair in waiting.to_dicts():
        files = [
            pair_file(store, pair["table_path"], pair[name])
            for name in ("meter_file", "reference_file")
        ]
        states = [_state_of(store, pair, file, loaded) for file in files]
        failure = {name: pair[name] for name in IDENTITY} | {"files": "; ".join(states)}
        failures.append(failure)
        if failure in failed.iter_rows(named=True):
            continue
        say(f"comparing {files[0].name} with {files[1].name}")
        try:
            _require_allowed(files, states)
            results.append(_compared(store, pair, files))
            failures.pop()
        except NoAnswerError as problem:
            notices.append(f"pair {files[0].name}, {files[1].name}: {problem}")
        except Exception as error:  # one pair must not take the others with it
            notices.append(fault(error, f"{files[0].name} with {files[1].name}").sentence())
    found = pl.concat(results)
    if ever or found.height or failures:
        with store.writing() as db:
            if ever or found.height:
                db.put_derived(NAME, found, is_data=len(results) > 1)
            frame = pl.DataFrame(failures, schema=FAILURES_SCHEMA, orient="row")
            db.put_derived(FAILURES, frame)
    return notices


def _loaded(store: Store) -> frozenset[str]:
    kept = stored_summaries(recordings_folder(store))["path"]
    return frozenset(str(Path(path).resolve()) for path in kept)


def _state_of(store: Store, pair: Row, file: Path, loaded: frozenset[str]) -> str:
    """Return what changes when a file of a pair does; ABSENT where the pair may not name it."""
    if not may_be_compared(store, pair["table_path"], file, loaded):
        return ABSENT
    found = file.stat()
    return f"{found.st_size} {found.st_mtime_ns}"


def _require_allowed(files: list[Path], states: list[str]) -> None:
    for file, state in zip(files, states, strict=True):
        if state == ABSENT:
            raise NoAnswerError(
                f"there is no {file.name} beside the table that names it, nor was it loaded. "
                "Put it there, or load the recording itself."
            )


def _compared(store: Store, pair: Row, files: list[Path]) -> pl.DataFrame:
    zone = store.time_zone()
    meter, reference = (read_ride(file, time_zone=zone) for file in files)
    if not meter.dated:
        raise NoAnswerError(
            f"{meter.name} counts seconds and carries no date, so that the comparison has no day "
            "in the fleet's records: export it with time stamps (ISO 8601). To look at it alone: "
            "slopewatch compare"
        )
    found = compare_pair(meter, reference)
    write_traces(store, pair["comparison_id"], found.aligned)
    ratio, at = found.gain_ratio_pct, meter.frame["time"][0]
    gain = None if ratio is None else 1 + ratio / 100
    document = found.to_document()
    row = {
        **{name: pair[name] for name in IDENTITY},
        "measured_at": at,
        "gain_ratio_pct": ratio,
        "gain_ratio_ln": None if gain is None or gain <= 0 else ln_from_ratio(gain),
        "u_gain_ratio_pct": found.u_gain_ratio_pct,
        "dof": found.dof,
        "zero_offset_nm": found.zero_offset_nm,
        "u_zero_offset_nm": found.u_zero_offset_nm,
        "temperature_c": found.temperature_c,
        "chainring": None,
        "used_s": float(found.used_s),
        "void": said(found.void),
        "source": "recordings",
        "steps": None,
        "warnings": document["warnings"],
    }
    frame = pl.DataFrame([row], schema=RESULTS_SCHEMA)
    return frame.with_columns(document_column([document], ComparisonDocument))
