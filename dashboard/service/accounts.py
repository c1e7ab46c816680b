"""What the command line does to accounts, and the record of changes that it prints."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

from dashboard import security
from dashboard.service.commands import NothingDoneError
from ingest import admin
from ingest.store import Store
from ingest.store import changes as recorded


def add(store: Path, name: str, password: str, *, role: str, coach: str | None) -> None:
    """Add an account; the first one makes everyone sign in."""
    admin.add_account(
        Store(store), name, role=role, password_hash=_hashed(password, name), coach=coach
    )


def set_role(store: Path, name: str, role: str, *, coach: str | None) -> None:
    """Give an account another role."""
    admin.set_role(Store(store), name, role, coach=coach)


def set_password(store: Path, name: str, password: str) -> None:
    """Give an account another password."""
    admin.set_password(Store(store), name, _hashed(password, name))


def set_enabled(store: Path, name: str, *, enabled: bool) -> None:
    """Let an account sign in, or not."""
    admin.set_enabled(Store(store), name, enabled=enabled)


def listed(store: Path) -> list[dict[str, Any]]:
    """Every account: name, role, state, coach."""
    return [account.shown() for account in admin.accounts(Store(store)).values()]


def changes(store: Path, *, first: date | None, last: date | None) -> list[dict[str, Any]]:
    """Who changed what, newest first, of days from first to last (UTC), both included."""
    rows = recorded(Store(store)).to_dicts()
    return [
        row
        for row in rows
        if (first is None or row["changed_at"].date() >= first)
        and (last is None or row["changed_at"].date() <= last)
    ]


def _hashed(password: str, name: str) -> str:
    try:
        return security.hashed(password, name=name)
    except security.PasswordError as weak:
        raise NothingDoneError(str(weak)) from None
