"""How a store stands: what tells whether an answer still holds, and who may sign in."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.admin import Account, accounts_in, ended_in
from ingest.store import Store
from models.run import fit_state_in, holds_nothing, taken_in, taking_in


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


NO_STORE = Standing(True, 0, None, False, False, {}, (None, ""), (), 0, {}, frozenset())


def standing_of(store: Store) -> Standing:
    """Return how a store stands, in one look."""
    if not store.exists():
        return NO_STORE
    with store.reading() as db:
        info, data = db.derived("fit_info"), db.data_version()
        seen, held = taken_in(info)
        fit = None
        if info is not None:
            when = info["followed_at"][0] if "followed_at" in info.columns else ""
            fit = f"{info['fitted_at'][0]} {when}"
        state = fit_state_in(info)
        *rows, read = db.query("people/standing").row(0)
        behind = data not in (seen, held)
        return Standing(
            empty=holds_nothing(db),
            data=data,
            fit=fit,
            stale=seen != data,
            behind=behind,
            taking_in=taking_in(db) if behind else {},
            converged=(state["converged"], state["message"]),
            beside=(*rows, *db.settings().items()),
            read=read,
            accounts=accounts_in(db),
            ended=ended_in(db),
        )
