"""The store: a DuckDB file behind a gate, opened for a moment at a time.

    with store.reading() as db:
        bench = db.frame("bench")
    with store.writing() as db:          # one transaction, all or nothing
        db.put_derived("status", status)

Connections are short-lived, because an open writer shuts every other process out and an open
reader shuts writers out. Compute outside the `with` block.
"""

import os
import re
import secrets
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path

import duckdb

from ingest.schema import SETTINGS
from ingest.store import connection_pool
from ingest.store.database import Database, NotKeptError, StoreError
from ingest.store.durable import put_in_place
from ingest.store.gate import Gate, GateTimeoutError
from ingest.store.kept import Kept, Stamp
from ingest.store.stamp import FRESH_NS, marked, stamp_of

_OPEN = threading.local()


class Store:
    """A store file. Making a Store opens nothing; `reading` and `writing` do.

    aside  read from a copy, made in a few milliseconds: a process that the system lets run last may
           read for long, and would keep everybody waiting behind the next writer
    keeps  what was read is kept until it changes, for a process that asks again and again
    """

    def __init__(
        self,
        path: str | Path,
        *,
        timeout_s: float = 120.0,
        aside: bool = False,
        keeps: bool = False,
    ) -> None:
        self.path, self._aside = Path(path).expanduser().resolve(), aside
        self._kept = Kept() if keeps else None
        self._gate = Gate(self.path, timeout_s=timeout_s)

    def exists(self) -> bool:
        """Return whether there is a file."""
        return self.path.is_file()

    def is_open(self) -> bool:
        """Return whether this thread has it open."""
        return _held(self.path) is not None

    def time_zone(self) -> str:
        """Return the zone of times without an offset; the default where there is no store."""
        if not self.exists():
            return str(SETTINGS["time_zone"].default)
        with self.reading() as db:
            return str(db.setting("time_zone"))

    def stamp(self) -> Stamp | None:
        """Return a mark of the file that changes whenever the file does.

        None while a mark cannot tell: no store, or a file so fresh that a further write could
        leave the same time on it. Costs a few microseconds, where opening the store costs 14 ms.
        While another thread changes a store that keeps what is read, the mark is still that of
        before: nobody has been told yet that anything is changed, and nobody need wait.
        """
        before = self._kept.before if self._kept is not None else None
        return stamp_of(self.path) if before is None or self.is_open() else before

    def settled_stamp(self) -> Stamp | None:
        """Return the same mark, waiting a moment where the file was only just written."""
        stamp = self.stamp()
        if stamp is None and self.exists():
            time.sleep(FRESH_NS / 1e9)
            stamp = self.stamp()
        return stamp

    @contextmanager
    def reading(self) -> Iterator[Database]:
        """Open the store to read from, beside any number of readers, never beside a writer."""
        held = _held(self.path)
        if held is not None:
            yield held
            return
        if not self.exists():
            raise StoreError(
                f"{self.path}: there is no store here yet. "
                "Load a team's tables first (slopewatch load FOLDER), or name another file."
            )
        with self._opened_to_read() as db:
            if db._is_current():
                self._note_state(db)
                with _holding(self.path, db):
                    yield db
                return
        with self.writing():  # brings an older store up to date
            pass
        with self._opened_to_read() as db, _holding(self.path, db):
            yield db

    @contextmanager
    def unopened(self) -> Iterator[Database]:
        """Yield the store without opening it, to read what is kept of it as its file is now.

        NotKeptError where that is not known, and for whatever else is asked of it.
        """
        state = self._kept.state if self._kept is not None else None
        if state is None or state[0] != self.stamp():
            raise NotKeptError
        db = Database(None, self.path, writable=False, kept=self._kept, metas=state[1])
        with _holding(self.path, db):
            yield db

    @contextmanager
    def writing(self) -> Iterator[Database]:
        """Open the store to change it in one transaction, all or none. Made if there is none."""
        held = _held(self.path)
        if held is not None and not held.is_open:
            raise NotKeptError
        if held is not None and not held.writable:
            raise RuntimeError("a store that is open for reading cannot be written to")
        if held is not None:
            yield held
            return
        with self.transactions() as transaction, transaction() as db:
            yield db

    @contextmanager
    def transactions(self) -> Iterator[Callable[[], AbstractContextManager[Database]]]:
        """Open the store for several transactions in a row on one connection.

        Nobody else can open it before the block ends: keep it to a fraction of a second. A store of
        an older form is copied beside itself (`before_update`) and brought up to date.
        """
        with self.exclusively(), ExitStack() as stack:
            db = stack.enter_context(self._connected(read_only=False))
            if not db._is_current():
                if db._holds_anything():
                    db._run("CHECKPOINT")
                    stack.close()  # some systems let nobody copy what is open
                    self._copy_to(before_update(self))
                    db = stack.enter_context(self._connected(read_only=False))
                with _transaction(db):
                    db._bring_up_to_date()
            with _holding(self.path, db):
                yield lambda: _transaction(db)
                metas = self._read_again(db)
            stack.close()
            if self._kept is not None and metas is not None:
                self._kept.state = marked(self.path)[0], metas

    def _read_again(self, db: Database) -> Mapping[str, str] | None:
        """Read what will be asked for next, as everybody will see it; None: nothing is kept."""
        if self._kept is None:
            return None
        db._begin()
        for read in self._kept.again:
            with suppress(Exception):  # the change is done; whoever asks will be told
                read()
        return db._metas()

    def after_a_change(self, read: Callable[[], object]) -> None:
        """Have something read of a store that keeps what is read, while a change has it open."""
        if self._kept is not None:
            self._kept.again.append(read)

    @contextmanager
    def trying(self) -> Iterator[Database]:
        """Open the store to change it, and take every change back at the end of the block."""
        with suppress(_TakenBackError), self.writing() as db:
            yield db
            raise _TakenBackError

    @contextmanager
    def exclusively(self) -> Iterator[Path]:
        """Keep everybody else from the store's file, closed, to copy or replace it."""
        if not self.path.parent.is_dir():
            raise StoreError(f"{self.path}: the folder {self.path.parent} does not exist.")
        with ExitStack() as stack:
            self._enter(stack, self._gate.exclusive())
            if self._kept is not None:
                stack.enter_context(self._kept.changing(stamp_of(self.path)))
            self._sweep()
            yield self.path

    def backup(self, target: Path) -> Path:
        """Copy the store to `target` while nobody writes; return the copy's path."""
        if not self.exists():
            raise StoreError(f"{self.path}: there is no store to back up.")
        if target.is_dir():
            target = target / self.path.name
        if target.absolute() == self.path:
            raise StoreError(f"{target}: a backup needs another place than the store itself.")
        with self.exclusively():
            with self._connected(read_only=False) as db:
                db._run("CHECKPOINT")
            self._copy_to(target)
        return target

    def _copy_to(self, target: Path) -> None:
        partial = target.with_name(target.name + ".part")
        try:
            _as_private(self.path, partial)
            shutil.copyfile(self.path, partial)
            put_in_place(partial, target)
        finally:
            partial.unlink(missing_ok=True)

    def compact(self) -> None:
        """Rewrite the file, so that removed rows are gone from the disk too."""
        fresh = self.path.with_name(self.path.name + ".compact.tmp")
        with self.exclusively():
            fresh.unlink(missing_ok=True)
            with self._connected(read_only=False) as db:
                attached = str(fresh).replace("'", "''")
                db._run(f"ATTACH '{attached}' AS fresh")
                name = db._run("SELECT current_database()")[0][0]
                db._run(f'COPY FROM DATABASE "{name}" TO fresh')
                db._run("DETACH fresh")
            fresh.chmod(self.path.stat().st_mode & 0o770)
            put_in_place(fresh, self.path)

    @contextmanager
    def _opened_to_read(self) -> Iterator[Database]:
        if not self._aside:
            with self._shared(), self._connected(read_only=True) as db:
                yield db
            return
        with ExitStack() as stack:
            with self._shared():
                copy = stack.enter_context(self._copied())
                db = stack.enter_context(self._connected(copy, read_only=True))
            yield db

    def _note_state(self, db: Database) -> None:
        """Note, while nobody can write, what the file's present mark stands for."""
        if self._kept is not None and (stamp := self.stamp()) is not None:
            self._kept.state = stamp, db._metas()

    @contextmanager
    def _copied(self) -> Iterator[Path]:
        """Copy the file, and what a killed writer had committed, for as long as it is used."""
        copy = self.path.with_name(f"{self.path.name}.{secrets.token_hex(6)}.tmp")
        try:
            for suffix in ("", ".wal"):
                part = self.path.with_name(self.path.name + suffix)
                if part.exists():
                    _copy(part, copy.with_name(copy.name + suffix))
            yield copy
        finally:
            for suffix in ("", ".wal"):
                copy.with_name(copy.name + suffix).unlink(missing_ok=True)

    @contextmanager
    def _shared(self) -> Iterator[None]:
        with ExitStack() as stack:
            self._enter(stack, self._gate.shared())
            yield

    def _enter(self, stack: ExitStack, gate: AbstractContextManager[None]) -> None:
        try:
            stack.enter_context(gate)
        except GateTimeoutError as wait:
            raise StoreError(
                f"{self.path}: another program kept the store busy for too long. "
                "Wait for it to finish, or end it, then try again."
            ) from wait
        except PermissionError as error:
            raise StoreError(
                f"{self.path}: may not be written by you, or a file beside it may not "
                f"({Path(error.filename or self.path).name}). To share a store, give its folder "
                "and its files to one group (chgrp), the folder with mode 2770, the files with 660."
            ) from error
        except OSError as error:
            raise StoreError(
                f"{self.path}: the folder cannot be written to ({error.strerror or error}). "
                "The store keeps its lock files there; name a file in another folder."
            ) from error

    @contextmanager
    def _connected(self, file: Path | None = None, *, read_only: bool) -> Iterator[Database]:
        try:
            with ExitStack() as stack:
                try:
                    opened = connection_pool.opened(file or self.path, read_only=read_only)
                    connection = stack.enter_context(opened)
                except duckdb.Error as error:
                    raise StoreError(_connect_failure(self.path, error)) from error
                if not read_only:
                    self._keep_private()
                yield Database(connection, self.path, writable=not read_only, kept=self._kept)
        except StoreError:
            raise
        except Exception as error:  # polars hands on what the engine says, as errors of its own
            if _is_damage(error):
                raise StoreError(_damaged(self.path, error)) from error
            if isinstance(error, duckdb.IOException):  # a full disk, when the file is closed too
                raise StoreError(f"{self.path}: {str(error).splitlines()[0]}") from error
            raise

    def _keep_private(self) -> None:
        """Let nobody but the store's owner read it, nor others than its group where that may.

        It holds personal data and the hashes of passwords.
        """
        if os.name == "posix" and self.path.stat().st_mode & 0o007:
            with suppress(PermissionError):  # somebody else's
                self.path.chmod(0o600)

    def _sweep(self) -> None:
        """Remove what a killed writer left beside the store."""
        for left in self.path.parent.glob(f"{_escaped(self.path.name)}.*.tmp*"):
            with suppress(PermissionError):  # a copy that is being read, where that keeps the file
                left.unlink(missing_ok=True)


def before_update(store: Store) -> Path:
    """Return the file that holds a store as it was before it was brought up to date last."""
    return store.path.with_name(store.path.name + ".before-update")


def _as_private(store: Path, copy: Path) -> None:
    """Make an empty file that the store's owner can read, and its group where the store's can."""
    copy.unlink(missing_ok=True)
    copy.touch(mode=0o600)
    copy.chmod(store.stat().st_mode & 0o660)


class _TakenBackError(Exception):
    """Ends a transaction whose changes were only tried."""


def _copy(file: Path, new: Path) -> None:
    """Copy a file to a new one that only its owner may read.

    Emptying a file that is there already makes some file systems write the copy to the disk at
    once, which everybody's commits then wait for, though it is removed in a moment.
    """
    with file.open("rb") as source, open(new, "xb", opener=_private) as copy:
        shutil.copyfileobj(source, copy, 1 << 20)


def _private(name: str, flags: int) -> int:
    return os.open(name, flags, 0o600)


def _escaped(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _held(path: Path) -> Database | None:
    held: dict[Path, Database] = getattr(_OPEN, "stores", {})
    return held.get(path)


@contextmanager
def _holding(path: Path, db: Database) -> Iterator[None]:
    # A second `with` in the same thread gets the open store: it would wait for itself.
    held: dict[Path, Database] = getattr(_OPEN, "stores", {})
    _OPEN.stores = held | {path: db}
    try:
        yield
    finally:
        _OPEN.stores = held


@contextmanager
def _transaction(db: Database) -> Iterator[Database]:
    db._connection.begin()
    db._begin()
    try:
        yield db
        db._note()
    except BaseException:
        db._connection.rollback()
        db._rolled_back()
        raise
    db._connection.commit()


def _is_damage(error: Exception) -> bool:
    text = str(error)
    marks = ("Corrupt", "checksum", "Failed to deserialize", "replaying WAL", "WAL file")
    return any(mark in text for mark in marks) or isinstance(error, duckdb.FatalException)


def _damaged(path: Path, error: Exception) -> str:
    return (
        f"{path}: the file, or the .wal beside it, is damaged or belongs to another one "
        f"({str(error).splitlines()[0][:200]}). What `slopewatch doctor` can read it saves into a "
        "new file; a .wal left over beside a restored backup has to be moved away."
    )


def _connect_failure(path: Path, error: Exception) -> str:
    text = str(error)
    if "not a valid DuckDB database file" in text:
        return f"{path}: not a Slopewatch store. Name another file, or move this one away."
    if _is_damage(error):
        return _damaged(path, error)
    if re.search(r"\block\b", text):
        return f"{path}: another program holds this file open. Close it, then try again."
    if "newer version" in text or "version number" in text:
        return f"{path}: written by another version of DuckDB. Update Slopewatch."
    return f"{path}: the store cannot be opened ({text.splitlines()[0]})."
