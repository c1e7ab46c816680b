"""Who may sign in, and who changed what: the people page's questions and the account command's."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TypedDict

import polars as pl

from ingest import admin
from ingest.store import changes as recorded
from ingest.store import filter_changes
from models.run.documents import Row
from models.run.known import HERE, OWNER, Fleet, change, question
from models.wording import NoAnswerError

SHORTEST_PASSWORD = admin.SHORTEST
NO_RIDERS = (
    "the table riders names nobody whose coach is {coach} today, so this account sees no rider and "
    "no meter yet: load riders, or name the coach as it does"
)


class FoundChanges(TypedDict):
    """Recorded changes that match.

    rows   changed_at, who, what, subject, before, after; newest first
    found  how many match; all: how many there are
    who    the names to choose from; what: the kinds of change
    """

    rows: list[Row]
    found: int
    all: int
    who: list[str]
    what: list[str]


@question(OWNER, watts=False)
def accounts(fleet: Fleet) -> list[Row]:
    """Return every account: name, role, state, coach, and when it was changed last (changed_at)."""
    found = admin.accounts(fleet.store)
    latest = _changed_last(recorded(fleet.store)) if found else {}
    return [
        account.shown() | {"changed_at": latest.get(account.name, account.created_at)}
        for account in found.values()
    ]


@question(OWNER)
def changes(fleet: Fleet, first: date | None = None, last: date | None = None) -> list[Row]:
    """Return recorded changes, newest first, of days from first to last (UTC), both included.

    changed_at, who, what, subject, before, after
    """
    if not fleet.store.exists():
        return []
    return [
        row
        for row in recorded(fleet.store).to_dicts()
        if (first is None or row["changed_at"].date() >= first)
        and (last is None or row["changed_at"].date() <= last)
    ]


@question(OWNER)
def find_changes(
    fleet: Fleet,
    words: str = "",
    *,
    who: str | None = None,
    what: str | None = None,
    first: str | None = None,
    last: str | None = None,
    most: int | None = None,
) -> FoundChanges:
    """Return the recorded changes that match, newest first.

    first, last: days, ISO; most: how many rows to give
    """
    if not fleet.store.exists():
        return {"rows": [], "found": 0, "all": 0, "who": [], "what": []}
    everything = recorded(fleet.store)
    found = filter_changes(
        everything, words=words, who=who, what=what, first=_day(first), last=_day(last)
    )
    return {
        "rows": (found if most is None else found.head(most)).to_dicts(),
        "found": found.height,
        "all": everything.height,
        "who": sorted(everything["who"].unique().to_list()),
        "what": sorted(everything["what"].unique().to_list()),
    }


@change("account added", by_name=True)
def add_account(
    fleet: Fleet, name: str, password: str, *, role: str, coach: str | None = None
) -> None:
    """Add an account; raise a UserError where name, role or password will not do."""
    kept = admin.hashed(password, name=name)
    admin.add_account(fleet.store, name, role=role, password_hash=kept, coach=coach)


@change("account role", by_name=True)
def set_account_role(fleet: Fleet, name: str, role: str, *, coach: str | None = None) -> None:
    """Give an account another role; not to the only owner who can sign in.

    The command line may: whoever runs the machine must be able to stop any account.
    """
    admin.set_role(fleet.store, name, role, coach=coach, keep_an_owner=fleet.person is not HERE)


@change("account enabled", by_name=True)
def set_account_enabled(fleet: Fleet, name: str, *, enabled: bool) -> None:
    """Let an account sign in, or not; the only owner who can sign in stays.

    The command line may stop that one too.
    """
    keep = fleet.person is not HERE
    admin.set_enabled(fleet.store, name, enabled=enabled, keep_an_owner=keep)


@change("account password", by_name=True)
def set_account_password(fleet: Fleet, name: str, password: str) -> None:
    """Give an account another password; its sign-ins end."""
    admin.set_password(fleet.store, name, admin.hashed(password, name=name))


@change("account code", by_name=True)
def ask_account_for_no_code(fleet: Fleet, name: str) -> None:
    """Ask for no code at an account's sign-ins any more: its phone is gone."""
    admin.ask_for_no_code(fleet.store, name)


def make_certificate(names: Sequence[str], folder: Path) -> list[Path]:
    """Write a team's own certificate for a server's names; return the files."""
    return admin.make_certificate(names, folder, now=datetime.now(UTC))


def certificate_ends(cert: Path) -> datetime:
    """Return the instant until which a server's certificate is valid."""
    return admin.runs_out(cert)


@question(OWNER, watts=False, kept=False)
def warning_of_coach(fleet: Fleet, coach: str) -> str:
    """Return what to tell who gives a coach an account; empty: there are riders to be seen."""
    with fleet.store.reading() as db:
        own = db.query("people/riders_of_coach", coach=coach, today=date.today().isoformat())
    return "" if own.height else NO_RIDERS.format(coach=coach)


def _changed_last(rows: pl.DataFrame) -> dict[str, datetime]:
    """Return when each account was changed last."""
    own = rows.filter(pl.col("what").str.starts_with("account "))
    return dict(own.group_by("subject").agg(pl.col("changed_at").max()).iter_rows())


def _day(text: str | None) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NoAnswerError(f'found "{text}", expected a day such as 2026-03-14') from None
