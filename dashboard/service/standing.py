"""How a store stands: what tells whether an answer still holds, and who may sign in."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from ingest.admin import Account, accounts_in, ended_in
from ingest.store import Database, Store, marks_of
from models import run
from models.run import fit_state_in, holds_nothing, taken_in, taking_in

T = TypeVar("T")
Fit = tuple[str | None, tuple[int | None, int | None], tuple[bool | None, str]]


@dataclass(frozen=True)
class Standing:
    """What every request wants to know of a store, read in one go.

    empty      whether nothing is loaded that a fleet could be made of
    data       counts the changes of the data
    fit        names the fit; None while there is none
    stale      data came in after it
    behind     data came in that the answers do not hold either
    taking_in  meters whose sessions those data change: "measured" or "taken back"
    converged  whether the fit did (None: there is none), and what it said of that
    beside     what answers rest on beside the fit: settings, calendar, capacity,
               costs, who rides what, pins
    read       how many notices have been read
    marks      of every table, which differ once it was written to
    """

    empty: bool
    data: int
    fit: str | None
    stale: bool
    behind: bool
    taking_in: dict[str, str]
    converged: tuple[bool | None, str]
    beside: tuple[object, ...]
    read: int
    accounts: dict[str, Account]
    ended: frozenset[str]
    marks: dict[str, str] = field(default_factory=dict)

    def of(self, tables: Sequence[str]) -> Hashable:
        """Return what differs once one of these tables was written to."""
        return marks_of(self.marks, tables)


NO_STORE = Standing(True, 0, None, False, False, {}, (None, ""), (), 0, {}, frozenset())


def standing_of(store: Store) -> Standing:
    """Return how a store stands, in one look.

    Where the store keeps what is read, a table that was not written to since is not read again.
    """
    if not store.exists():
        return NO_STORE
    with store.reading() as db:
        data = db.data_version()

        def part(read: Callable[[Database], T]) -> T:
            return db.kept(read, PARTS[read], lambda: read(db))

        fit, (seen, held), converged = part(_fit)
        said, read = part(_said)
        behind = data not in (seen, held)
        return Standing(
            empty=part(holds_nothing),
            data=data,
            fit=fit,
            stale=seen != data,
            behind=behind,
            taking_in=part(taking_in) if behind else {},
            converged=converged,
            beside=(*part(_beside), said, *db.settings().items()),
            read=read,
            accounts=part(accounts_in),
            ended=part(ended_in),
            marks=db.marks(),
        )


def read_again(store: Store) -> None:
    """Read what every request, and a meter's or the intake page, asks for once more of a change."""
    standing_of(store)
    fleet = run.Fleet(store)
    run.rows_of_meters(fleet)
    run.events_waiting(fleet)
    run.imports(fleet, most=run.NEWEST_IMPORTS + 1)


def _fit(db: Database) -> Fit:
    """Return which fit there is, which version of the data it has seen, and how it ended."""
    info, fit = db.derived("fit_info"), None
    if info is not None:
        when = info["followed_at"][0] if "followed_at" in info.columns else ""
        fit = f"{info['fitted_at'][0]} {when}"
    state = fit_state_in(info)
    return fit, taken_in(info), (state["converged"], state["message"])


def _beside(db: Database) -> tuple[object, ...]:
    return db.query("people/beside").row(0)


def _said(db: Database) -> tuple[int, int]:
    pinned_or_left, acknowledged = db.query("people/said").row(0)
    return pinned_or_left, acknowledged


# What of a store's standing is read anew once one of these tables was written to.
PARTS: dict[Callable[[Database], Any], tuple[str, ...]] = {
    _fit: ("derived_fit_info",),
    _beside: ("calendar", "assignments", "capacity", "costs"),
    _said: ("changes",),
    holds_nothing: ("meters", "bench", "comparisons"),
    taking_in: ("bench", "derived_session_results"),
    accounts_in: ("accounts",),
    ended_in: ("ended_sign_ins",),
}
