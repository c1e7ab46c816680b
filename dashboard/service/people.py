"""Who may sign in, who is signed in, and who changed what."""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Any

import polars as pl
from itsdangerous import BadData, URLSafeSerializer

from dashboard.security import (
    NOTHING,
    PasswordError,
    Person,
    Scope,
    Throttle,
    fits,
    hashed,
    stand_in,
)
from dashboard.service.commands import NothingDoneError
from dashboard.service.kept import Kept, Remembered, Standing, standing_of
from ingest import admin as kept
from ingest.admin import Account, signing_keys
from ingest.store import Store, among, changes

Document = dict[str, Any]
IDLE = timedelta(hours=12)  # a day at the bench with a long lunch
LONGEST = timedelta(days=7)
AT_WORK = timedelta(minutes=30)  # past the longest, who is at work is not cut off
LAST = LONGEST + timedelta(hours=12)
SEEN_AGAIN = timedelta(minutes=1)  # how often a sign-in is told that it was used


class SignInError(Exception):
    """A sign-in that was refused, in words; wait_s: how long until the next try counts."""

    def __init__(self, text: str, *, wait_s: int = 0) -> None:
        super().__init__(text)
        self.wait_s = wait_s


class People:
    """The accounts of a store, and the sign-ins that are in force.

    clock      gives the present instant, with its zone
    standing   how the store stands, where that is known already
    """

    def __init__(
        self,
        store: Store,
        *,
        clock: Callable[[], datetime] | None = None,
        standing: Callable[[], Standing] | None = None,
    ) -> None:
        self._store = store
        self._clock = clock or (lambda: datetime.now(UTC))
        self._standing = standing or Remembered(store, lambda: standing_of(store))
        self._scopes: dict[str | None, Remembered[Scope]] = {}
        self._throttle = Throttle(lambda: self._clock().timestamp())
        self._one_at_a_time = threading.Lock()  # a hash takes 130 MB for a moment

    def _accounts(self) -> dict[str, Account]:
        return self._standing().accounts

    def _ended(self) -> frozenset[str]:
        return self._standing().ended

    def hashed(self, password: str, name: str) -> str:
        """The hash to keep of a password; an expected error for one that is easy to guess."""
        with self._one_at_a_time:
            try:
                return hashed(password, name=name)
            except PasswordError as weak:
                raise NothingDoneError(str(weak)) from None

    def exist(self) -> bool:
        """Whether there are accounts: then everyone signs in, on loopback too."""
        return bool(self._accounts())

    def anyone_may_sign_in(self) -> bool:
        """Whether an account is there that is not disabled."""
        return any(account.enabled for account in self._accounts().values())

    def sign_in(self, name: str, password: str, *, address: str) -> str:
        """A token for a name and its password; SignInError where they do not fit."""
        wait = self._throttle.wait_s(name, address)
        if wait:
            raise SignInError(
                f"Too many tries that failed. Wait {wait} s, then try again.", wait_s=wait
            )
        account = self._accounts().get(name)
        with self._one_at_a_time:
            right = fits(account.password_hash if account else stand_in(), password)
        if account is None or not account.enabled or not right:
            self._throttle.failed(name, address)
            raise SignInError("Name and password do not fit together.")
        self._throttle.succeeded(name, address)
        now = self._clock().timestamp()
        return self._signed(account, secrets.token_urlsafe(18), begun=now, seen=now)

    def _signed(self, account: Account, token: str, *, begun: float, seen: float) -> str:
        return str(
            self._serializer().dumps(
                {"n": account.name, "g": account.generation, "t": token, "b": begun, "s": seen}
            )
        )

    def _serializer(self) -> URLSafeSerializer:
        keys = signing_keys(self._store, now=self._clock())
        signer = {"digest_method": hashlib.sha256, "key_derivation": "hmac"}
        return URLSafeSerializer(keys, salt="slopewatch sign-in", signer_kwargs=signer)

    def signed_in(self, cookie: str | None) -> tuple[Person, str | None] | None:
        """Who a token stands for, and the token to go on with when it wants renewing.

        None for a token that is forged, too old, signed out, or of an account that was changed.
        """
        found = self._opened(cookie)
        if found is None:
            return None
        account, token, begun, seen = found
        now = self._clock()
        idle, age = now - seen, now - begun
        if idle > (IDLE if age <= LONGEST else AT_WORK) or age > LAST or token in self._ended():
            return None
        person = Person(account.name, account.role, account.coach or account.name)
        if idle < SEEN_AGAIN:
            return person, None
        again = self._signed(account, token, begun=begun.timestamp(), seen=now.timestamp())
        return person, again

    def _opened(self, cookie: str | None) -> tuple[Account, str, datetime, datetime] | None:
        if not cookie:
            return None
        try:
            held = self._serializer().loads(cookie)
            name, generation, token = str(held["n"]), int(held["g"]), str(held["t"])
            begun, seen = (datetime.fromtimestamp(float(held[key]), UTC) for key in ("b", "s"))
        except (BadData, KeyError, TypeError, ValueError, OverflowError, OSError):
            return None
        account = self._accounts().get(name)
        if account is None or not account.enabled or account.generation != generation:
            return None
        return account, token, begun, seen

    def sign_out(self, cookie: str | None) -> None:
        """End a sign-in, so that a copy of its token is worth nothing either."""
        found = self._opened(cookie)
        if found is not None:
            _, token, begun, _ = found
            kept.end_sign_in(self._store, token, until=begun + LAST)

    def scope(self, person: Person) -> Scope:
        """The riders whom a coach coaches today, and the meters that were assigned to them."""
        if not self._store.exists():
            return NOTHING
        coach = person.coach
        if coach not in self._scopes:
            self._scopes[coach] = Remembered(self._store, lambda: self._scope(coach))
        return self._scopes[coach]()

    def _scope(self, coach: str | None) -> Scope:
        with self._store.reading() as db:
            today = str(db.setting("today") or self._clock().date().isoformat())
            rows = db.query("riders_of_coach", coach=coach, today=today)
            riders = frozenset(rows["rider_id"].to_list())
            meters = db.query("meters_of_riders", riders=sorted(riders))
        return Scope(frozenset(meters["meter_id"].to_list()), riders)


class PeopleDoor(Kept):
    """What the people page asks."""

    @cached_property
    def people(self) -> People:
        """The accounts; not for pages."""
        return People(self._store, standing=self._standing)

    @property
    def store_name(self) -> str:
        """The store's file; not for pages."""
        return str(self._store.path)

    def accounts(self) -> list[Document]:
        """Every account: name, role, state, coach, and when it was changed last (changed_at)."""
        found = kept.accounts(self._store)
        latest = _changed_last(changes(self._store)) if found else {}
        return [
            account.shown() | {"changed_at": latest.get(account.name, account.created_at)}
            for account in found.values()
        ]

    def changes(self) -> list[Document]:
        """Recorded changes, newest first: changed_at, who, what, subject, before, after."""
        return changes(self._store).to_dicts() if self._store.exists() else []

    def find_changes(
        self,
        words: str = "",
        *,
        who: str | None = None,
        what: str | None = None,
        first: str | None = None,
        last: str | None = None,
        most: int | None = None,
    ) -> Document:
        """The recorded changes that match, newest first.

        first, last  days, ISO    most  how many rows to give
        Out  rows (as of `changes`), found (how many match), all (how many there are), and the
             names to choose from: who, what
        """
        if not self._store.exists():
            return {"rows": [], "found": 0, "all": 0, "who": [], "what": []}
        everything = changes(self._store)
        days = {name: _day(text) for name, text in (("first", first), ("last", last))}
        found = among(everything, words=words, who=who, what=what, **days)
        return {
            "rows": (found if most is None else found.head(most)).to_dicts(),
            "found": found.height,
            "all": everything.height,
            **{name: sorted(everything[name].unique().to_list()) for name in ("who", "what")},
        }

    # ---- changes of accounts: for an owner who signed in

    def add_account(self, name: str, password: str, *, role: str, coach: str | None = None) -> None:
        """Add an account; an expected error where name, role or password will not do."""
        hashed = self.people.hashed(password, name)
        kept.add_account(self._store, name, role=role, password_hash=hashed, coach=coach)

    def set_account_role(self, name: str, role: str, *, coach: str | None = None) -> None:
        """Give an account another role; not to the only owner who can sign in."""
        kept.set_role(self._store, name, role, coach=coach, keep_an_owner=True)

    def set_account_enabled(self, name: str, *, enabled: bool) -> None:
        """Let an account sign in, or not; the only owner who can sign in stays."""
        kept.set_enabled(self._store, name, enabled=enabled, keep_an_owner=True)

    def set_account_password(self, name: str, password: str) -> None:
        """Give an account another password; its sign-ins end."""
        kept.set_password(self._store, name, self.people.hashed(password, name))


def _changed_last(rows: pl.DataFrame) -> dict[str, datetime]:
    """When each account was changed last."""
    own = rows.filter(pl.col("what").str.starts_with("account "))
    return dict(own.group_by("subject").agg(pl.col("changed_at").max()).iter_rows())


def _day(text: str | None) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise NothingDoneError(f'found "{text}", expected a day such as 2026-03-14') from None
