"""Accounts: names, roles and password hashes; and sign-ins that were ended.

They lie in the store's own tables, so that no export carries them; a backup does.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import polars as pl

from ingest.schema import ACCOUNTS, ENDED_SIGN_INS, ROLES
from ingest.store import Database, Store, StoreError, record

LONGEST_NAME = 64
OWNER = "owner"


class AccountError(StoreError):
    """An account that does not exist, exists already, or cannot be made so."""


@dataclass(frozen=True)
class Account:
    """One account.

    coach        whose riders a coach sees, as the riders table names the coach
    generation   counts the changes of password, role and state; older sign-ins end with each
    code_secret, code_step, recovery   of the second step (`second_step.py`); None: none is asked
    """

    name: str
    role: str
    password_hash: str
    coach: str | None
    created_at: datetime
    disabled_at: datetime | None
    generation: int
    code_secret: str | None = None
    code_step: int | None = None
    recovery: str | None = None

    @property
    def enabled(self) -> bool:
        """Whether it may sign in."""
        return self.disabled_at is None

    def shown(self) -> dict[str, object]:
        """Return what may be shown of it: everything but hashes and secrets."""
        state = "active" if self.enabled else "disabled"
        shown: dict[str, object] = {
            "name": self.name,
            "role": self.role,
            "state": state,
            "coach": self.coach,
        }
        return shown | {"code": "asked for" if self.code_secret else None}


def accounts(store: Store) -> dict[str, Account]:
    """Return every account by its name; none where there is no store."""
    if not store.exists():
        return {}
    with store.reading() as db:
        return accounts_in(db)


def accounts_in(db: Database) -> dict[str, Account]:
    """Return every account of an open store by its name."""
    rows = db.frame("accounts").sort("name").iter_rows(named=True)
    return {row["name"]: Account(**row) for row in rows}


def add_account(
    store: Store, name: str, *, role: str, password_hash: str, coach: str | None = None
) -> None:
    """Add an account; AccountError unless its name is new."""
    name = _checked_name(name)
    account = Account(name, _checked_role(role), password_hash, coach, _now(), None, 1)
    with store.writing() as db:
        if name in accounts_in(db):
            raise AccountError(
                f'there is an account "{name}" already: change its role or its password, '
                "or add one under another name."
            )
        _put(db, account)
        record(db, "account added", name, after=account.shown())


def set_role(
    store: Store, name: str, role: str, *, coach: str | None = None, keep_an_owner: bool = False
) -> None:
    """Change an account's role; its earlier sign-ins end.

    keep_an_owner   refuse to take the role from the only owner who can sign in
    """
    with store.writing() as db:
        before = existing(db, name)
        after = replace(before, role=_checked_role(role), coach=coach or before.coach)
        if keep_an_owner:
            _still_owned(db, after)
        change(db, "account role", before, after)


def set_password(store: Store, name: str, password_hash: str) -> None:
    """Change an account's password; its earlier sign-ins end."""
    with store.writing() as db:
        before = existing(db, name)
        change(db, "account password", before, replace(before, password_hash=password_hash))


def set_enabled(store: Store, name: str, *, enabled: bool, keep_an_owner: bool = False) -> None:
    """Enable or disable an account; its earlier sign-ins end.

    keep_an_owner   refuse to shut out the only owner who can sign in
    """
    with store.writing() as db:
        before = existing(db, name)
        after = replace(before, disabled_at=None if enabled else _now())
        if keep_an_owner:
            _still_owned(db, after)
        change(db, "account enabled" if enabled else "account disabled", before, after)


def change(db: Database, what: str, before: Account, after: Account) -> None:
    """Put an account in the place of what it was, on record; its earlier sign-ins end."""
    after = replace(after, generation=before.generation + 1)
    put_again(db, after)
    record(db, what, before.name, before=before.shown(), after=after.shown())


def _still_owned(db: Database, after: Account) -> None:
    """Raise AccountError for a change after which no owner can sign in."""
    everyone = accounts_in(db) | {after.name: after}
    if not any(account.role == OWNER and account.enabled for account in everyone.values()):
        raise AccountError(
            f'"{after.name}" is the only owner who can sign in: make another account an owner '
            "first."
        )


def put_again(db: Database, account: Account) -> None:
    """Put an account in the place of what it was."""
    db.delete("accounts", "name", [account.name])
    _put(db, account)


def _put(db: Database, account: Account) -> None:
    row = {name: getattr(account, name) for name in ACCOUNTS.names}
    db.insert("accounts", pl.DataFrame([row], schema=dict(ACCOUNTS.polars_schema)))


def existing(db: Database, name: str) -> Account:
    """Return the account with a name; AccountError where there is none."""
    found = accounts_in(db)
    if name not in found:
        raise AccountError(
            f'there is no account "{name}". There are: {", ".join(found) or "none yet"}.'
        )
    return found[name]


def _checked_name(name: str) -> str:
    name = name.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise AccountError(
            f'found "{name}" as a name, expected 1 to {LONGEST_NAME} printable characters.'
        )
    return name


def _checked_role(role: str) -> str:
    if role not in ROLES:
        raise AccountError(f'found "{role}" as a role, expected one of: {", ".join(ROLES)}.')
    return role


def _now() -> datetime:
    return datetime.now(UTC)


def end_sign_in(store: Store, token: str, *, until: datetime) -> None:
    """Record a sign-in as ended, until the instant at which it would have ended by itself."""
    row = {"token": token, "until": until}
    with store.writing() as db:
        db.change("people/forget_ended_sign_ins", new_version=False, now=_now())
        db.insert("ended_sign_ins", pl.DataFrame([row], schema=dict(ENDED_SIGN_INS.polars_schema)))


def ended_in(db: Database) -> frozenset[str]:
    """Return the tokens of the sign-ins that were ended by signing out."""
    return frozenset(db.frame("ended_sign_ins")["token"].to_list())
