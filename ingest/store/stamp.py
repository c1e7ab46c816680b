"""What tells a store's file from what it was before, without opening the store."""

import time
from contextlib import suppress
from pathlib import Path

from ingest.store.kept import Stamp

FRESH_NS = 20_000_000  # a tick of the coarsest clock that file times are kept with, and more
AHEAD_NS = 2_000_000_000  # a file further ahead was written by another clock, and not just now
HEADERS = (4096, 8192)  # where a DuckDB file's two headers begin: a checksum, a count of changes


def stamp_of(path: Path) -> Stamp | None:
    """Return the mark of a store's file; None where there is none, or it is too fresh to tell."""
    found, newest = marked(path)
    if not found or -AHEAD_NS < time.time_ns() - newest < FRESH_NS:
        return None
    return found


def marked(path: Path) -> tuple[Stamp, int]:
    """Return the mark of a store's file, however fresh, and when it was written to last (ns)."""
    log = path.with_name(path.name + ".wal")  # what a killed writer had committed
    found: list[int | bytes] = []
    newest = 0
    for file in (path, log):
        try:
            stat = file.stat()
        except OSError:
            continue
        found += [stat.st_ino, stat.st_size, stat.st_mtime_ns, *_headers(file)]
        newest = max(newest, stat.st_mtime_ns)
    return tuple(found), newest


def _headers(file: Path) -> list[bytes]:
    """Return how a file's headers begin, of which each change writes one anew."""
    found = []
    with suppress(OSError), file.open("rb", buffering=0) as stream:  # some systems keep it
        for at in HEADERS:
            stream.seek(at)
            found.append(stream.read(32))
    return found
