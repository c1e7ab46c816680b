"""The log of changes that people make: one row a change, written in its transaction.

with acting("Ilse"):
    with store.writing() as db:
        ...
        record(db, "setting", "tolerance_pct", before=1.5, after=1.0)
"""

import getpass
import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import polars as pl

from ingest.schema import CHANGES
from ingest.store.database import Database
from ingest.store.store_file import Store


@dataclass
class _Actor:
    """Who makes changes, and what was recorded of them."""

    name: str
    recorded: list[str] = field(default_factory=list)


ROW_CHANGED = "row changed"  # a stored row that a file or an entry replaced
_ACTING: ContextVar[_Actor | None] = ContextVar("acting", default=None)


@contextmanager
def acting(name: str) -> Iterator[list[str]]:
    """Record changes made inside under this name; yield the list of what was recorded."""
    person = _Actor(name)
    token = _ACTING.set(person)
    try:
        yield person.recorded
    finally:
        _ACTING.reset(token)


def actor() -> str:
    """Return who makes changes: a signed-in person, else the command line's user."""
    person = _ACTING.get()
    return person.name if person else f"command line ({_system_name()})"


def _system_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # a system user without a name
        return "unknown"


def record(
    db: Database, what: str, subject: str, *, before: object = None, after: object = None
) -> None:
    """Record one change in an open store.

    what     the kind of change; subject: what was changed
    before, after   anything that JSON can hold
    """
    record_all(db, what, [(subject, before, after)])


def record_all(db: Database, what: str, changed: Sequence[tuple[str, object, object]]) -> None:
    """Record changes of one kind in an open store: subject, before and after of each."""
    now = datetime.now(UTC)
    rows = [
        {
            "changed_at": now,
            "who": actor(),
            "what": what,
            "subject": subject,
            "before": _text(before),
            "after": _text(after),
        }
        for subject, before, after in changed
    ]
    db.insert("changes", pl.DataFrame(rows, schema=dict(CHANGES.polars_schema)))
    person = _ACTING.get()
    if person is not None and rows:
        person.recorded.append(what)


def _text(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False, default=str)


def filter_changes(
    rows: pl.DataFrame,
    *,
    words: str = "",
    who: str | None = None,
    what: str | None = None,
    first: date | None = None,
    last: date | None = None,
) -> pl.DataFrame:
    """Return those of the recorded changes that match every condition, in the same order.

    words        each stands somewhere in the row, in any case
    first, last  days (UTC), both included
    """
    text = pl.concat_str(rows.columns[1:], separator=" ", ignore_nulls=True).str.to_lowercase()
    day = pl.col("changed_at").dt.date()
    asked = [text.str.contains(word, literal=True) for word in words.lower().split()]
    asked += [pl.col(name) == value for name, value in (("who", who), ("what", what)) if value]
    asked += [day >= first] if first else []
    asked += [day <= last] if last else []
    return rows.filter(*asked) if asked else rows


def changes_of(store: Store, what: str, subject: str) -> pl.DataFrame:
    """Return the recorded changes of one kind to one subject, newest first, as `changes` does."""
    with store.reading() as db:
        return CHANGES.conform(db.query("people/changes_of", what=what, subject=subject))


def changes(store: Store) -> pl.DataFrame:
    """Return every recorded change, the newest first: the columns of CHANGES."""
    with store.reading() as db:
        return db.frame("changes").sort("changed_at", descending=True, maintain_order=True)
