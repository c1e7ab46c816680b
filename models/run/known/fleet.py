"""A store's fleet as it is known on a day: what every question is asked of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

from ingest.store import Database, Store
from models.records import Settings, Tables
from models.run.known.fit_of_day import (
    Prepared,
    Say,
    prepare,
    settings_of,
    snapshot,
    tables_of,
    today_of,
)
from models.run.known.people import HERE, Person
from models.status import Snapshot
from models.wording import NoAnswerError

if TYPE_CHECKING:
    from ingest.readers import Workers

T = TypeVar("T")


def silent(_text: str) -> None:
    """Tell nobody."""


def _part(make: Callable[[Fleet], T]) -> Callable[[Fleet], T]:
    """Keep what `make` gives with the fleet, for all who ask of it."""

    @wraps(make)
    def get(fleet: Fleet) -> T:
        return fleet.kept(make, lambda: make(fleet))

    return get


def holds_nothing(db: Database) -> bool:
    """Return whether nothing has been loaded that a fleet could be made of."""
    return db.is_empty("meters", "bench", "comparisons")


@dataclass
class Fleet:
    """What is known of a fleet on a day, each part read or fitted when a question first needs it.

    as_of   the day looked from; None: today, by the store's own calendar
    say     is told what takes long while it is done
    person  who asks
    workers take parts of what takes long; None: it is done here

    A fleet that was kept answers for the state of the store in which its parts were read.
    """

    store: Store
    as_of: date | None = None
    say: Say = silent
    person: Person = HERE
    workers: Workers | None = field(default=None, repr=False)
    _parts: dict[object, object] = field(default_factory=dict, repr=False)

    @classmethod
    def at(
        cls,
        store: Path,
        *,
        as_of: date | None = None,
        say: Say = silent,
        workers: Workers | None = None,
    ) -> Self:
        """Return the fleet of the store in a file, which need not exist yet."""
        return cls(Store(store), as_of, say, workers=workers)

    def require(self) -> None:
        """Raise a UserError where nothing is there that a fleet could be made of."""
        if self.store.exists() and not self.is_empty:
            return
        with self.store.reading():
            raise NoAnswerError(
                "the store holds no meters yet: load a meters table, or bench sessions"
            )

    def asked_by(self, person: Person, say: Say) -> Fleet:
        """Return the same fleet, with the parts that are read already, for another who asks."""
        return replace(self, person=person, say=say)

    @property
    @_part
    def prepared(self) -> Prepared:
        """The records of the day and the fleet model on them; made in seconds."""
        return prepare(self.store, as_of=self.as_of, say=self.say)

    @property
    @_part
    def snapshot(self) -> tuple[Snapshot, bool]:
        """The fit that answers for the day, and whether rows came in after it was made."""
        ready = None if self.as_of is None else lambda: self.prepared
        return snapshot(self.store, as_of=self.as_of, say=self.say, ready=ready)

    @property
    @_part
    def settings(self) -> Settings:
        """The store's settings that the models need."""
        with self.store.reading() as db:
            return settings_of(db)

    @property
    @_part
    def day(self) -> date:
        """The day looked from."""
        if self.as_of is not None:
            return self.as_of
        with self.store.reading() as db:
            return today_of(db, settings_of(db))

    @property
    @_part
    def tables(self) -> Tables:
        """Every input table, uncut."""
        with self.store.reading() as db:
            return tables_of(db)

    @property
    @_part
    def is_empty(self) -> bool:
        """Whether nothing has been loaded that a fleet could be made of."""
        if not self.store.exists():
            return True
        with self.store.reading() as db:
            return holds_nothing(db)

    def kept(self, key: object, make: Callable[[], T]) -> T:
        """Return what `make` gives for a key, made at most once."""
        if key not in self._parts:
            self._parts[key] = make()
        return self._parts[key]  # type: ignore[return-value]

    def once(self, question: Callable[[Fleet], T]) -> T:
        """Return the answer to a question without further arguments, asked at most once."""
        return _part(question)(self)
