"""Files that are there as a whole or not at all, and stay so when the power goes.

A rename can reach the disk before the bytes of what was renamed, which leaves an empty file under
the right name. So the bytes are brought to the disk first, then the name, and its folder last.
"""

import os
import secrets
import shutil
import time
from contextlib import suppress
from pathlib import Path

WINDOWS = os.name == "nt"
TRIES, PAUSE_S = 40, 0.05  # Windows refuses to replace a file that somebody just looks at


def write_whole(file: Path, content: bytes, *, mode: int = 0o600) -> Path:
    """Write a file, in the place of an earlier one; return it. mode: who may read it"""
    part = file.with_name(f".{secrets.token_hex(4)}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), mode)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        return put_in_place(part, file)
    finally:
        part.unlink(missing_ok=True)


def put_in_place(part: Path, target: Path) -> Path:
    """Give a finished file its name, in the place of an earlier one; return it."""
    _synced(part)
    for left in reversed(range(TRIES)):
        try:
            os.replace(part, target)
            break
        except PermissionError:
            if not (WINDOWS and left):
                raise
            time.sleep(PAUSE_S)
    sync_folder(target.parent)
    return target


def put_folder_in_place(part: Path, target: Path) -> Path:
    """Give a finished folder of files its name, in the place of an earlier one; return it."""
    for file in part.rglob("*"):
        if file.is_file():
            _synced(file)
        elif file.is_dir():
            sync_folder(file)
    sync_folder(part)
    before = target.with_name(target.name + ".before")
    shutil.rmtree(before, ignore_errors=True)
    if target.exists():
        put_in_place(target, before)
    put_in_place(part, target)
    shutil.rmtree(before, ignore_errors=True)
    return target


def _synced(file: Path) -> None:
    """Bring what was written to a file to the disk."""
    if file.is_dir():
        return
    handle = os.open(file, os.O_RDWR if WINDOWS else os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Bring a folder's names, and that others are gone, to the disk, where the system has that."""
    if WINDOWS:
        return
    with suppress(OSError):  # some network file systems have none of it
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
