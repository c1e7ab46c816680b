"""What every part of the pages' door shares: the store, and answers kept until its data change."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Generic, TypeVar

from dashboard.service.single_flight_cache import Slots
from ingest.admin import Account, accounts_in, ended_in
from ingest.store import Store

T = TypeVar("T")


class Remembered(Generic[T]):
    """One thing read from a store, read again only once the file has changed.

    Whoever asks while it is being read waits, and has what was read if nothing came in meanwhile.
    """

    def __init__(self, store: Store, read: Callable[[], T]) -> None:
        self._store, self._read = store, read
        self._known: tuple[tuple[int, ...], T] | None = None
        self._reading = threading.RLock()

    def __call__(self) -> T:
        stamp, known = self._store.stamp(), self._known
        if stamp is not None and known is not None and known[0] == stamp:
            return known[1]
        with self._reading:
            stamp, known = self._store.settled_stamp(), self._known
            if stamp is not None and known is not None and known[0] == stamp:
                return known[1]
            found = self._read()
            self._known = (stamp, found) if stamp is not None else None
            return found


@dataclass(frozen=True)
class Standing:
    """What every request wants to know of a store, read in one go.

    data       counts the changes of the data
    fit        names the fit; None while there is none
    stale      data came in after it
    behind     data came in that the answers do not hold either
    converged  whether it did (None: there is none), and what it said of that
    beside     what answers rest on beside the fit: settings, calendar, who rides what
    """

    data: int
    fit: str | None
    stale: bool
    behind: bool
    converged: tuple[bool | None, str]
    beside: tuple[object, ...]
    accounts: dict[str, Account]
    ended: frozenset[str]


NOWHERE = Standing(
    0, None, False, False, (None, ""), (), {}, frozenset()
)  # where there is no store


def standing_of(store: Store) -> Standing:
    """How a store stands."""
    if not store.exists():
        return NOWHERE
    from models import run

    with store.reading() as db:
        data, fit = run.version(store)  # in the same look
        info = db.derived("fit_info")
        seen = info["data_version"][0] if info is not None and "data_version" in info else None
        followed = (
            info["followed_version"][0] if info is not None and "followed_version" in info else seen
        )
        beside = (*db.query("standing").row(0), *db.settings().items())
        state = run.fit_state_in(info)
        converged = (state["converged"], state["message"])
        people = accounts_in(db), ended_in(db)
        behind = data not in (seen, followed)
        return Standing(data, fit, seen != data, behind, converged, beside, *people)


class Kept:
    """Documents made from a store, kept until its data change."""

    KEPT = 256

    def __init__(self, store: Path) -> None:
        self._store = Store(store)
        self._slots = Slots(self.KEPT)
        self._standing = Remembered(self._store, lambda: standing_of(self._store))

    def _version(self) -> tuple[object, ...]:
        stands = self._standing()
        return stands.data, stands.fit, date.today()

    def _fit_version(self) -> tuple[object, ...]:
        """Changes with the fit, and with what answers rest on beside it; not with every entry."""
        stands = self._standing()
        if stands.fit is None:
            return self._version()
        return stands.fit, stands.beside, date.today()

    def _kept(self, make: Callable[[], Any], *key: object, by_fit: bool = False) -> Any:
        """What `make` answers, made once for each key and version of the data.

        by_fit   for answers too costly to make anew after every entry: they hold until the fit
                 is made or followed again, which every change sets going beside the pages
        """
        version = self._fit_version() if by_fit else self._version()
        return self._slots.get((*version, *key), make)

    def _busy(self) -> bool:
        """Whether something is bringing the answers up to the data, or waits to."""
        return False

    def _taking_in(self) -> dict[str, str]:
        """Meters whose bench sessions the answers do not hold yet, and how: by meter_id."""
        return {}

    def _warm(self) -> None:
        """Make what a visitor would wait for; a part of the door with such answers says which."""
