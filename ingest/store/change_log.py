"""Who changed what: one row a change, written in the transaction that makes it.

with acting("Ilse"):
    with store.writing() as db:
        ...
        record(db, "setting", "tolerance_pct", before=1.5, after=1.0)
"""

from __future__ import annotations

import getpass
import json
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

import polars as pl

from ingest.schema import CHANGES
from ingest.store.database import Database, Store


@dataclass
class _Hand:
    """Whose hand is at work, and how many changes it has recorded."""

    name: str
    recorded: list[str] = field(default_factory=list)


_ACTING: ContextVar[_Hand | None] = ContextVar("acting", default=None)


@contextmanager
def acting(name: str) -> Iterator[list[str]]:
    """Changes inside are recorded under this name; gives the list of what was recorded."""
    hand = _Hand(name)
    token = _ACTING.set(hand)
    try:
        yield hand.recorded
    finally:
        _ACTING.reset(token)


def actor() -> str:
    """Who is acting: a signed-in person, else whoever runs the command."""
    hand = _ACTING.get()
    return hand.name if hand else f"command line ({_system_name()})"


def _system_name() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # a system user without a name
        return "unknown"


def record(
    db: Database, what: str, subject: str, *, before: object = None, after: object = None
) -> None:
    """Write one change into an open store. before, after: anything that JSON can hold."""
    now = datetime.now(UTC)
    row = {
        "changed_at": now,
        "who": actor(),
        "what": what,
        "subject": subject,
        "before": _text(before),
        "after": _text(after),
    }
    db.insert("changes", pl.DataFrame([row], schema=dict(CHANGES.polars_schema)))
    hand = _ACTING.get()
    if hand is not None:
        hand.recorded.append(what)


def _text(value: object) -> str | None:
    if value is None or isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False, default=str)


def among(
    rows: pl.DataFrame,
    *,
    words: str = "",
    who: str | None = None,
    what: str | None = None,
    first: date | None = None,
    last: date | None = None,
) -> pl.DataFrame:
    """Those of the recorded changes that match all that is asked; the order stays.

    words        each stands somewhere in the row, in any case
    first, last  days (UTC), both included
    """
    said = pl.concat_str(rows.columns[1:], separator=" ", ignore_nulls=True).str.to_lowercase()
    day = pl.col("changed_at").dt.date()
    asked = [said.str.contains(word, literal=True) for word in words.lower().split()]
    asked += [pl.col(name) == value for name, value in (("who", who), ("what", what)) if value]
    asked += [day >= first] if first else []
    asked += [day <= last] if last else []
    return rows.filter(*asked) if asked else rows


def changes(store: Store) -> pl.DataFrame:
    """Every recorded change, the newest first: the columns of CHANGES."""
    with store.reading() as db:
        return db.frame("changes").sort("changed_at", descending=True, maintain_order=True)
