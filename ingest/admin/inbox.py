"""A folder into which others put files: which of them are whole, and where they go afterwards.

The folder is looked through again and again. What a notification would bring, that a file began to
appear, has to be waited out anyway until the file is whole, and folders that are shared over a
network or filled by a synchronising program send none.
"""

import os
import time
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from filelock import FileLock, Timeout

from ingest.schema import UserError

SETTLED_S = 3.0  # a file is whole once its size and its time have stayed for so long
GIVEN_UP_S = 600.0  # a file that is cut short is not waited for any longer than this
DONE, ASIDE, NOTE = "done", "aside", ".note.txt"
LOCK = ".slopewatch.lock"
TCX_END = b"</TrainingCenterDatabase>"
UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", ".download")


@dataclass
class _Seen:
    """A file as it was when it was last found changed."""

    state: tuple[int, int]
    since: float


@dataclass
class Inbox:
    """A folder to take files in from; `done/` and `aside/` in it hold those that were.

    clock: gives seconds
    """

    folder: Path
    settled_s: float = SETTLED_S
    clock: Callable[[], float] = time.monotonic
    _seen: dict[Path, _Seen] = field(default_factory=dict)
    _lock: FileLock | None = None

    def open(self) -> None:
        """Keep the folder for this process alone; UserError where it is none or is kept already."""
        if not self.folder.is_dir():
            raise UserError(f"{self.folder}: no such folder to watch; make it first.")
        lock = FileLock(self.folder / LOCK)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise UserError(f"{self.folder}: is watched already by another process.") from None
        except OSError as error:
            raise UserError(
                f"{self.folder}: may not be written to ({error.strerror}); files could not be "
                "moved to done/ and aside/ in it."
            ) from None
        self._lock = lock

    def close(self) -> None:
        """Leave the folder to others."""
        if self._lock is not None:
            self._lock.release()

    def whole(self) -> list[Path]:
        """Return the files that are whole, those that came first first."""
        now, found = self.clock(), dict(self._states())
        self._seen = {
            file: before
            if (before := self._seen.get(file)) and before.state == state
            else _Seen(state, now)
            for file, state in found.items()
        }
        stayed = {file: now - seen.since for file, seen in self._seen.items()}
        ready = [file for file, seconds in stayed.items() if self._is_whole(file, seconds)]
        return sorted(ready, key=lambda file: (found[file][1], str(file)))

    def is_waiting(self) -> bool:
        """Return whether files were there at the last look, whole or not."""
        return bool(self._seen)

    def _states(self) -> Iterator[tuple[Path, tuple[int, int]]]:
        """Yield each file with its size and its time."""
        for folder, below, names in os.walk(self.folder):
            top = Path(folder) == self.folder
            left_out = (DONE, ASIDE) if top else ()
            below[:] = [name for name in below if name[0] != "." and name not in left_out]
            for name in names:
                if name.startswith((".", "~$")) or name.lower().endswith(UNFINISHED):
                    continue
                with suppress(OSError):  # it has gone meanwhile
                    held = (file := Path(folder) / name).stat()
                    yield file, (held.st_size, held.st_mtime_ns)

    def _is_whole(self, file: Path, unchanged_s: float) -> bool:
        if unchanged_s < self.settled_s:
            return False
        return unchanged_s >= GIVEN_UP_S or not is_cut_short(file)

    def name_of(self, file: Path) -> str:
        """Return the name under which a file is taken in: a subfolder's name goes before it."""
        return "-".join(file.relative_to(self.folder).parts)

    def contents(self, files: Iterable[Path]) -> dict[str, bytes]:
        """Return what is in files that are still there, by the name of each."""
        held = {}
        for file in files:
            with suppress(FileNotFoundError):
                held[self.name_of(file)] = file.read_bytes()
        return held

    def put(self, file: Path, where: str, note: str) -> Path:
        """Move a file to `done` or `aside`, a note beside it; return where it is now."""
        folder = self.folder / where
        folder.mkdir(exist_ok=True)
        target = folder / self.name_of(file)
        count = 1
        while target.exists():
            count += 1
            target = folder / f"{count}-{self.name_of(file)}"
        target.with_name(target.name + NOTE).write_text(f"{note}\n", "utf-8")
        file.replace(target)
        self._seen.pop(file, None)
        return target


def is_cut_short(file: Path) -> bool:
    """Return whether a file ends before its format says that it does; False where none says."""
    try:
        with file.open("rb") as opened:
            head = opened.read(12)
        size = file.stat().st_size
        if size < 4:
            return True
        if head[:2] == b"\x1f\x8b":
            return not _ends_as_packed(file)
        if head[:4] == b"PK\x03\x04":
            return not zipfile.is_zipfile(file)
        if head[:4] == b"PAR1":
            return size < 8 or _last(file, 4) != b"PAR1"
        if file.suffix.lower() == ".fit":  # header, data, two bytes of sum
            told = int.from_bytes(head[4:8], "little")
            return len(head) < 12 or size < head[0] + told + 2
        return file.suffix.lower() == ".tcx" and TCX_END not in _last(file, 200)
    except OSError:
        return True


def _ends_as_packed(file: Path) -> bool:
    unpacked = zlib.decompressobj(wbits=31)
    with file.open("rb") as opened:
        while block := opened.read(1 << 16):
            try:
                while block and not unpacked.eof:
                    unpacked.decompress(block, 1 << 20)
                    block = unpacked.unconsumed_tail
            except zlib.error:
                return True  # damaged: waiting mends nothing
    return unpacked.eof


def _last(file: Path, count: int) -> bytes:
    with file.open("rb") as opened:
        opened.seek(-min(count, file.stat().st_size), os.SEEK_END)
        return opened.read()
