"""Recordings that came through a page, as files beside the store.

Those that someone only looks at are held in a folder of their own, read but not in the fleet's
records, until they are kept or discarded. Those that are kept lie where every later look finds
them.
"""

from __future__ import annotations

import re
import secrets
import shutil
import time
from collections.abc import Iterable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

import polars as pl

from ingest.load import UPLOADS, NothingToLoadError
from ingest.recordings.shards import forget_recordings
from ingest.recordings.trace_store import forget_aligned, recordings_folder
from ingest.store import Store

HELD_S = 7 * 86_400.0
"""How long recordings are held that nobody kept or discarded."""
_TOKEN = re.compile(r"[0-9a-f]{24}")


def hold(store: Store, files: Iterable[tuple[str, bytes]]) -> str:
    """Hold files by name and content; gives the word by which they are found again."""
    _sweep(store)
    token = secrets.token_hex(12)
    folder = _held(store) / token
    folder.mkdir(parents=True)
    for name, data in files:
        file = folder / plain_name(name)
        while file.exists():
            file = file.with_name(f"{sha256(data).hexdigest()[:8]}-{file.name}")
        file.write_bytes(data)
    return token


def held(store: Store, token: str) -> Path:
    """The folder in which files are held; NothingToLoadError where they are no longer."""
    folder = _held(store) / token
    if not _TOKEN.fullmatch(token) or not folder.is_dir():
        raise NothingToLoadError(
            "these recordings are not held any more: they were kept, discarded, or dropped more "
            f"than {HELD_S / 86_400:.0f} days ago. Drop them again."
        )
    return folder


def let_go(store: Store, token: str) -> None:
    """Remove held files and all that was read from them."""
    shutil.rmtree(held(store, token))


def settle(store: Store, file: Path) -> Path:
    """Move a held file to where kept recordings lie, under a name that is its own."""
    kept = recordings_folder(store) / "files"
    kept.mkdir(parents=True, exist_ok=True)
    content = sha256(file.read_bytes()).hexdigest()
    target = kept / f"{content[:12]}-{file.name}"
    shutil.move(file, target)
    return target


def settle_uploads(store: Store, files: Iterable[tuple[str, bytes]]) -> list[Path]:
    """Keep uploaded recordings under their own names: a name stands for the same file each time,

    so that a `pairs` table that is uploaded beside them finds them.
    """
    folder = uploads_folder(store)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, data in files:
        file = folder / plain_name(name)
        part = file.with_name(f".{secrets.token_hex(4)}.part")
        part.write_bytes(data)
        part.replace(file)
        paths.append(file)
    return paths


def uploads_folder(store: Store) -> Path:
    """Where recordings lie that were uploaded by name."""
    return recordings_folder(store) / UPLOADS.name


def pair_file(store: Store, table: str, file: str) -> Path:
    """A pair's recording: beside the table that names it, or among the uploads."""
    if Path(file).is_absolute():
        return Path(file)
    folder = uploads_folder(store) if Path(table).parent == UPLOADS else Path(table).parent
    return folder / file


def forget_pairs(store: Store, pairs: pl.DataFrame) -> int:
    """Remove what lies beside the store of pairs of recordings: traces, samples, kept files.

    pairs  rows of `pairs_on_disk`. Recordings elsewhere are the team's own. Gives how
           many files of recordings were removed.
    """
    folder, removed, paths = recordings_folder(store), 0, set[str]()
    for pair in pairs.iter_rows(named=True):
        files = [
            pair_file(store, pair["table_path"], pair[name])
            for name in ("meter_file", "reference_file")
        ]
        forget_aligned(store, pair["comparison_id"])
        for file in files:
            paths |= {str(file), str(file.resolve())}
            if file.resolve().is_relative_to(folder.resolve()) and file.is_file():
                file.unlink()
                removed += 1
    forget_recordings(folder, paths)
    return removed


def plain_name(name: str) -> str:
    """The last part of a name, safe as a file's: letters, digits, dot, dash, blank, underscore."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    return re.sub(r"[^\w .()+-]", "_", last).lstrip(". ")[-120:] or "recording"


def _held(store: Store) -> Path:
    return recordings_folder(store) / "dropped"


def _sweep(store: Store) -> None:
    """Remove what nobody decided about for long."""
    if not _held(store).is_dir():
        return
    for folder in _held(store).iterdir():
        with suppress(OSError):
            if folder.stat().st_mtime < time.time() - HELD_S:
                shutil.rmtree(folder)
