"""A store whose power goes at every write, sync and removal of its file: by hand, it needs strace.

    python -m tests.attacks.power_by_hand [CHANGES [SEED]]

Makes CHANGES (6) changes to a store, records what reaches the system, and builds what a disk could
hold after a cut at each of its calls: all that was synced, and of what was not nothing, everything,
or drawn writes. Each such disk has to open, hold every change that was acknowledged by then, and
none by half; it ends with an error code else. Then the same with the last of the writes torn in the
middle: DuckDB writes a block of its directory again in its place, so that a cut within those
milliseconds damages the store. It is called so, and a backup has to be put in place.
"""

import random
import re
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory

from ingest.schema import UserError
from ingest.store import Store

CHANGER = """
import sys
from ingest.admin import add_account
from ingest.store import Store
store = Store(sys.argv[1])
with store.writing():
    pass
print("ACKNOWLEDGED 0", flush=True)
for n in range(1, int(sys.argv[2]) + 1):
    add_account(store, f"Ada {n}", role="owner", password_hash="x" * 3000)
    print(f"ACKNOWLEDGED {n}", flush=True)
"""
CALLS = "write,pwrite64,fsync,fdatasync,unlink,ftruncate"
CALL = re.compile(r'^\d+ +(\w+)\((?:\d+<([^>]*)>|"([^"]*)")(?:, (.*))?\) += (-?\d+)')
MODELS = ("nothing", "everything", "some writes", "some, one torn")


@dataclass
class Held:
    """A file: what was synced of it, and the writes (place, bytes; None: cut off there) since."""

    synced: bytearray = field(default_factory=bytearray)
    since: list[tuple[int, bytes | None]] = field(default_factory=list)
    there: bool = False

    def whole(self) -> bytearray:
        return _written(self.synced, self.since)


def _written(synced: bytearray, writes: list[tuple[int, bytes | None]]) -> bytearray:
    found = bytearray(synced)
    for at, data in writes:
        if data is None:
            found = found[:at].ljust(at, b"\0")
            continue
        found = found.ljust(at, b"\0")
        found[at : at + len(data)] = data
    return found


def calls(folder: Path, changes: int) -> list[tuple[str, str, str]]:
    """Return the calls of a process that makes changes: name, file or text, arguments."""
    trace = folder / "trace"
    command = ["strace", "-f", "-y", "-xx", "-s", "100000000", "-e", f"trace={CALLS}"]
    command += ["-o", str(trace), sys.executable, "-c", CHANGER]
    subprocess.run(
        [*command, str(folder / "team.duckdb"), str(changes)], check=True, stdout=subprocess.DEVNULL
    )
    found = []
    for line in trace.read_text("utf-8").splitlines():
        match = CALL.match(line)
        if match and int(match[5]) >= 0:
            path = _bytes(match[2] or match[3]).decode()
            found.append((match[1], path, match[4] or ""))
    return found


def _bytes(text: str) -> bytes:
    """Return the bytes of a text of \\x01 signs; a file's name may be given plainly."""
    return bytes.fromhex(text.replace("\\x", "")) if text.startswith("\\x") else text.encode()


def disks(
    told: list[tuple[str, str, str]], rng: random.Random
) -> Iterator[tuple[int, str, dict[str, bytes]]]:
    """Yield what a disk could hold after each call: acknowledged changes, model, files by name."""
    files: dict[str, Held] = {}
    acknowledged = -1
    for name, path, rest in told:
        data = re.match(r'"((?:\\x[0-9a-f]{2})*)"', rest)
        if name == "write" and data and b"ACKNOWLEDGED" in _bytes(data[1]):
            acknowledged = int(_bytes(data[1]).split()[1])
            continue
        short = Path(path).name
        if short not in ("team.duckdb", "team.duckdb.wal"):
            continue
        held = files.setdefault(short, Held())
        _apply(held, name, data, rest)
        if acknowledged >= 0:
            for model in MODELS:
                yield acknowledged, model, _left(files, model, rng)


def _apply(held: Held, name: str, data: re.Match[str] | None, rest: str) -> None:
    if name == "unlink":
        held.synced, held.since, held.there = bytearray(), [], False
        return
    held.there = True
    if name in ("fsync", "fdatasync"):
        held.synced, held.since = held.whole(), []
    elif name == "ftruncate":
        held.since.append((int(rest), None))
    elif data is not None:
        at = int(rest.rsplit(", ", 1)[1]) if name == "pwrite64" else len(held.whole())
        held.since.append((at, _bytes(data[1])))


def _left(files: dict[str, Held], model: str, rng: random.Random) -> dict[str, bytes]:
    left = {}
    for name, held in files.items():
        writes = {"nothing": [], "everything": held.since}.get(
            model, _drawn(held, rng, model == MODELS[3])
        )
        if held.there:
            left[name] = bytes(_written(held.synced, writes))
    return left


def _drawn(held: Held, rng: random.Random, torn: bool) -> list[tuple[int, bytes | None]]:
    kept = [write for write in held.since if rng.random() < 0.5]
    if torn and kept and kept[-1][1]:
        at, data = kept[-1]
        kept[-1] = (at, data[: rng.randrange(len(data)) // 512 * 512])
    return kept


def fate(folder: Path, disk: dict[str, bytes], acknowledged: int) -> str:
    """Return what became of a store on a disk: sound, or what is wrong."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, content in disk.items():
        (folder / name).write_bytes(content)
    try:
        with Store(folder / "team.duckdb").reading() as db:
            found, log = db.frame("accounts").height, db.frame("changes").height
    except UserError as error:
        return f"does not open: {str(error)[len(str(folder)) :]}"
    if found != log:
        return f"half a change: {found} accounts, {log} records"
    return "sound" if found >= acknowledged else f"lost: {found} of {acknowledged}"


def main(changes: int, seed: int) -> int:
    """Print what became of each disk; return 1 where one is not sound."""
    counts: dict[str, Counter[str]] = {model: Counter() for model in MODELS}
    with TemporaryDirectory() as folder:
        made = calls(Path(folder), changes)
        for acknowledged, model, disk in disks(made, random.Random(seed)):
            counts[model][fate(Path(folder) / "after", disk, acknowledged)] += 1
    for model, count in counts.items():
        print(f"of what was not synced {model}: {count['sound']} of {count.total()} sound")
        print(*(f"  {told[:160]}" for told in count if told != "sound"), sep="\n", end="")
    return int(any(set(counts[model]) - {"sound"} for model in MODELS[:3]))


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:]]
    sys.exit(main(*(*given, *(6, 1)[len(given) :])))
