"""Recordings that were dropped on a page or uploaded, as files beside the store.

Dropped ones are staged in a folder of their own, outside the fleet's records, until they are kept
or discarded. Kept and uploaded ones lie where every later comparison finds them.
"""

import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import Collection, Iterable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.load import UPLOADS, NothingToLoadError
from ingest.readers import NEEDED, unnamed_columns, with_columns_named
from ingest.recordings.shards import remove_recordings, stored_summaries
from ingest.recordings.trace_store import own_folder, recordings_folder, remove_traces
from ingest.store import Store, put_in_place, write_whole

STAGED_S = 7 * 86_400.0
"""How long recordings stay staged that nobody kept or discarded."""
DROPPED = "dropped"
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d) *(\.|$)", re.IGNORECASE)
_TOKEN = re.compile(r"[0-9a-f]{24}")


def stage(store: Store, files: Iterable[tuple[str, bytes]]) -> str:
    """Stage files, given by name and content; return the token by which they are found again."""
    _sweep(store)
    token = secrets.token_hex(12)
    folder = own_folder(store, DROPPED, token)
    for name, data in files:
        file = folder / plain_name(name)
        while file.exists():
            file = file.with_name(f"{sha256(data).hexdigest()[:8]}-{file.name}")
        file.write_bytes(data)
    return token


def staged_folder(store: Store, token: str) -> Path:
    """Return the folder of staged files; NothingToLoadError where they are gone."""
    folder = _staged(store) / token
    if not _TOKEN.fullmatch(token) or not folder.is_dir():
        raise NothingToLoadError(
            "these recordings are not held any more: they were kept, discarded, or dropped more "
            f"than {STAGED_S / 86_400:.0f} days ago. Drop them again."
        )
    return folder


def name_staged_column(store: Store, token: str, file: str, column: str, heading: str) -> None:
    """Rename a heading of a staged CSV recording, so that it is read so wherever it is kept.

    NothingToLoadError where the file is not there, or the column is none that is needed.
    """
    files = {one.name: one for one in staged_folder(store, token).iterdir() if one.is_file()}
    if file not in files or column not in NEEDED:
        raise NothingToLoadError(f"{file} is not there any more: drop it again.")
    data = files[file].read_bytes()
    write_whole(files[file], with_columns_named(data, file, {column: heading}))


def unnamed_in(file: Path) -> dict[str, list[str]]:
    """Return the needed columns that a CSV recording lacks, each with what it may go by."""
    return unnamed_columns(file.read_bytes(), file.name) if file.suffix.lower() == ".csv" else {}


def discard_staged(store: Store, token: str) -> None:
    """Remove staged files and all that was read from them."""
    shutil.rmtree(staged_folder(store, token))


def keep_staged(store: Store, file: Path) -> Path:
    """Move a staged file to the kept recordings, under a name of its own; return its path."""
    kept = own_folder(store, "files")
    content = sha256(file.read_bytes()).hexdigest()
    target = kept / f"{content[:12]}-{file.name}"
    return put_in_place(file, target)


def keep_uploads(store: Store, files: Iterable[tuple[str, bytes]]) -> list[Path]:
    """Keep uploaded recordings, in the place of earlier ones of the same name; return their paths.

    A `pairs` table that is uploaded beside them finds them by their names.
    """
    folder = own_folder(store, UPLOADS.name)
    paths = []
    for name, data in files:
        paths.append(write_whole(folder / plain_name(name), data, mode=0o666))
    return paths


def unreadable_among(store: Store, files: Iterable[tuple[str, bytes]]) -> dict[str, str]:
    """Return why recordings that were taken in, given by name and content, cannot be used."""
    empty = pl.when(pl.col("samples").fill_null(0) == 0).then(pl.lit("no samples are in it"))
    kept = stored_summaries(recordings_folder(store)).with_columns(why=pl.coalesce("error", empty))
    errors = dict(kept.filter(pl.col("why").is_not_null()).select("sha256", "why").iter_rows())
    found = {name: sha256(data).hexdigest() for name, data in files}
    return {name: errors[content] for name, content in found.items() if content in errors}


def uploads_folder(store: Store) -> Path:
    """Return the folder of uploaded recordings."""
    return recordings_folder(store) / UPLOADS.name


def pair_file(store: Store, table: str, file: str) -> Path:
    """Return the path of a pair's recording: beside the table that names it, or uploaded."""
    if Path(file).is_absolute():
        return Path(file)
    folder = uploads_folder(store) if Path(table).parent == UPLOADS else Path(table).parent
    return folder / file


def may_be_compared(store: Store, table: str, file: Path, loaded: Collection[str]) -> bool:
    """Return whether a pair may name a file: one beside its table or below, uploaded, or loaded.

    A table of somebody else's making would else have any file of the machine opened.

    table   the table that names it; loaded: the paths of recordings that were loaded
    """
    real, kept = file.resolve(), recordings_folder(store) / "files"
    if str(real) in loaded or real.is_relative_to(kept.resolve()):
        return real.is_file()
    uploaded = Path(table).parent == UPLOADS
    beside = uploads_folder(store) if uploaded else Path(table).parent
    return real.is_relative_to(beside.resolve()) and real.is_file()


def remove_pair_files(store: Store, pairs: pl.DataFrame) -> int:
    """Remove traces, samples and kept files of pairs; recordings elsewhere are the team's own.

    pairs  rows of `pairs_on_disk`
    Return how many files are gone. What is gone already is no fault.
    """
    paths, gone = set[str](), 0
    for pair in pairs.iter_rows(named=True):
        files = [
            pair_file(store, pair["table_path"], pair[name])
            for name in ("meter_file", "reference_file")
        ]
        gone += remove_traces(store, pair["comparison_id"])
        for file in files:
            paths |= {str(file), str(file.resolve())}
    return gone + remove_files(store, paths)


def remove_files(store: Store, paths: Collection[str]) -> int:
    """Remove the samples of recordings, and their files where they are kept beside the store.

    paths  as stored_summaries has them. Return how many are gone.
    """
    folder, gone = recordings_folder(store), 0
    for file in {Path(path).resolve() for path in paths}:
        if file.is_relative_to(folder.resolve()) and file.is_file():
            file.unlink()
            gone += 1
    return gone + remove_recordings(folder, set(paths))


def plain_name(name: str) -> str:
    """Return the last part of a path as a name that a file may have on every system.

    Composed as macOS and Linux both find it again, without what Windows takes for a device or
    leaves out at the end.
    """
    last = unicodedata.normalize("NFC", name.replace("\\", "/").rsplit("/", 1)[-1])
    plain = re.sub(r"[^\w .()+-]", "_", last).strip(". ")[-120:].lstrip(". ") or "recording"
    return f"_{plain}" if _DEVICE.match(plain) else plain


def _staged(store: Store) -> Path:
    return recordings_folder(store) / DROPPED


def _sweep(store: Store) -> None:
    """Remove files that were staged longer than STAGED_S ago."""
    if not _staged(store).is_dir():
        return
    for folder in _staged(store).iterdir():
        with suppress(OSError):
            if folder.stat().st_mtime < time.time() - STAGED_S:
                shutil.rmtree(folder)
