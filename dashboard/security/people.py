"""The accounts of a store, and the sign-ins that are in force."""

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from itsdangerous import BadData, URLSafeSerializer

from dashboard.security.audiences import scope_of_coach
from dashboard.security.throttle import Throttle
from dashboard.security.trimming import NOTHING, Scope
from dashboard.service import Service
from ingest.admin import (
    Account,
    ask_for_code,
    ask_for_no_code,
    end_sign_in,
    fits,
    hashed,
    new_code_secret,
    set_password,
    signing_keys,
    stand_in,
    step_of,
    take_code,
)
from ingest.store import acting
from models.run import Person

IDLE = timedelta(hours=12)  # a day at the bench with a long lunch
LONGEST = timedelta(days=7)
AT_WORK = timedelta(minutes=30)  # past the longest, who is at work is not cut off
LAST = LONGEST + timedelta(hours=12)
RESETS_FOR = timedelta(days=1)
CODE_WITHIN = timedelta(minutes=5)
MOST_NOTED = 2000
NO_RESET = "This link was used, or is older than a day. Ask an owner for another one."
KNOWN_FOR = timedelta(days=60)
AHEAD = timedelta(minutes=5)  # what two clocks may be apart
SEEN_AGAIN = timedelta(minutes=1)  # how often a sign-in is told that it was used


class SignInError(Exception):
    """A sign-in that was refused, in words; wait_s: how long until the next try counts."""

    def __init__(self, text: str, *, wait_s: int = 0) -> None:
        super().__init__(text)
        self.wait_s = wait_s


class CodeAskedError(SignInError):
    """A sign-in that goes on with a code. first: what goes with it"""

    def __init__(self, first: str, text: str = "") -> None:
        super().__init__(text)
        self.first = first


@dataclass(frozen=True)
class OpenSignIn:
    """A sign-in in force. seen_from: the address and the device that used it last."""

    name: str
    begun: datetime
    seen: datetime
    seen_from: str


class People:
    """The accounts of a store, and the sign-ins that are in force.

    clock   gives the present instant, with its zone
    """

    def __init__(self, service: Service, *, clock: Callable[[], datetime] | None = None) -> None:
        self._service, self._store = service, service.store
        self._clock = clock or (lambda: datetime.now(UTC))
        self._throttle = Throttle(lambda: self._clock().timestamp())
        self._asked_for = False
        self._open: dict[str, OpenSignIn] = {}

    def _accounts(self) -> dict[str, Account]:
        return self._service.standing().accounts

    def _ended(self) -> frozenset[str]:
        return self._service.standing().ended

    @property
    def store_name(self) -> str:
        """The store's file."""
        return str(self._store.path)

    def exist(self) -> bool:
        """Return whether there are accounts: then everyone signs in, on loopback too.

        Once there were any it stays so, whatever becomes of the store.
        """
        self._asked_for = self._asked_for or bool(self._accounts())
        return self._asked_for

    def are_gone(self) -> bool:
        """Return whether there were accounts and are none: the store was moved or replaced."""
        return self.exist() and not self._accounts()

    def anyone_may_sign_in(self) -> bool:
        """Return whether there is an account that is not disabled."""
        return any(account.enabled for account in self._accounts().values())

    def sign_in(self, name: str, password: str, *, address: str, known: str | None = None) -> str:
        """Return a token for a name and its password; SignInError where they do not fit.

        known   what `known_device` gave: of a device on which the name signed in before
        """
        own = known is not None and self._is_known(known, name)
        wait = self._throttle.begin(name, address, known=own)
        if wait:
            raise SignInError(
                f"Too many tries that failed. Wait {wait} s, then try again.", wait_s=wait
            )
        account = self._accounts().get(name)
        right = fits(account.password_hash if account else stand_in(), password)
        if account is None or not account.enabled or not right:
            raise SignInError("Name and password do not fit together.")
        if account.code_secret is not None:  # forgotten only once the code has come
            raise CodeAskedError(self._first_step(account))
        self._throttle.succeeded(name, address, known=own)
        return self._begun(account)

    def _begun(self, account: Account) -> str:
        now = self._clock().timestamp()
        return self._signed(account, secrets.token_urlsafe(18), begun=now, seen=now)

    def _first_step(self, account: Account) -> str:
        held = {"n": account.name, "g": account.generation, "at": self._clock().timestamp()}
        return str(self._serializer("slopewatch first step").dumps(held))

    def sign_in_with_code(
        self, first: str, code: str, *, address: str, known: str | None = None
    ) -> tuple[str, str]:
        """Return name and token for what the first step gave and a code of the second.

        SignInError where the first step is too long ago or the code is none that counts.
        """
        account = self._after("slopewatch first step", first, CODE_WITHIN)
        if account is None:
            raise SignInError("That took too long. Sign in again.")
        name = account.name
        own = known is not None and self._is_known(known, name)
        wait = self._throttle.begin(name, address, known=own)
        if wait:
            raise SignInError(
                f"Too many tries that failed. Wait {wait} s, then try again.", wait_s=wait
            )
        if not take_code(self._store, name, code, now=self._clock()):
            raise CodeAskedError(first, "This code is none, or was used. Take the next one.")
        for _ in ("password", "code"):  # both were counted as tries
            self._throttle.succeeded(name, address, known=own)
        return name, self._begun(account)

    def _after(self, salt: str, token: str, within: timedelta) -> Account | None:
        """Return the account that a token was made for, unless it changed or took too long."""
        try:
            held = self._serializer(salt).loads(token)
            name, generation, at = str(held["n"]), int(held["g"]), float(held["at"])
        except (BadData, KeyError, TypeError, ValueError):
            return None
        account, age = self._accounts().get(name), self._clock().timestamp() - at
        fresh = 0 <= age <= within.total_seconds()
        same = account is not None and account.generation == generation and account.enabled
        return account if same and fresh else None

    def known_device(self, name: str) -> str:
        """Return a mark for a device on which a name has signed in."""
        made = {"n": name, "at": self._clock().timestamp()}
        return str(self._serializer("slopewatch known device").dumps(made))

    def _is_known(self, mark: str, name: str) -> bool:
        try:
            held = self._serializer("slopewatch known device").loads(mark)
            age = self._clock().timestamp() - float(held["at"])
            return bool(held["n"] == name and 0 <= age <= KNOWN_FOR.total_seconds())
        except (BadData, KeyError, TypeError, ValueError):
            return False

    def _signed(self, account: Account, token: str, *, begun: float, seen: float) -> str:
        return str(
            self._serializer().dumps(
                {"n": account.name, "g": account.generation, "t": token, "b": begun, "s": seen}
            )
        )

    def _serializer(self, salt: str = "slopewatch sign-in") -> URLSafeSerializer:
        keys = signing_keys(self._store, now=self._clock())
        signer = {"digest_method": hashlib.sha256, "key_derivation": "hmac"}
        return URLSafeSerializer(keys, salt=salt, signer_kwargs=signer)

    def signed_in(
        self, cookie: str | None, *, seen_from: str = ""
    ) -> tuple[Person, str | None] | None:
        """Return whom a token stands for, and the token to go on with when it wants renewing.

        seen_from: the address and the device, for the list of open sign-ins
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
        if min(idle, age) < -AHEAD:  # of a clock that was ahead: it would stay valid for years
            return None
        person = Person(account.name, account.role, account.coach or account.name)
        self._note(account.name, token, begun, seen_from)
        if idle < SEEN_AGAIN:
            return person, None
        again = self._signed(account, token, begun=begun.timestamp(), seen=now.timestamp())
        return person, again

    def looks_signed_in(self, cookie: str | None) -> bool:
        """Return whether a token was made here and has not run out, as far as it says itself."""
        if not self._asked_for:
            return True
        held = self._held(cookie)
        return held is not None and self._clock() - held[4] <= IDLE

    def _opened(self, cookie: str | None) -> tuple[Account, str, datetime, datetime] | None:
        held = self._held(cookie)
        if held is None:
            return None
        name, generation, token, begun, seen = held
        account = self._accounts().get(name)
        if account is None or not account.enabled or account.generation != generation:
            return None
        return account, token, begun, seen

    def _held(self, cookie: str | None) -> tuple[str, int, str, datetime, datetime] | None:
        """Return what a token says: name, generation, token, begun, seen; None for a forged one."""
        if not cookie:
            return None
        try:
            held = self._serializer().loads(cookie)
            begun, seen = (datetime.fromtimestamp(float(held[key]), UTC) for key in ("b", "s"))
            return str(held["n"]), int(held["g"]), str(held["t"]), begun, seen
        except (BadData, KeyError, TypeError, ValueError, OverflowError, OSError):
            return None

    # ---- one's own account ------------------------------------------------------------------

    def _note(self, name: str, token: str, begun: datetime, seen_from: str) -> None:
        if len(self._open) > MOST_NOTED:
            self._open.clear()
        self._open[token] = OpenSignIn(name, begun, self._clock(), seen_from)

    def open_sign_ins(self, name: str | None = None) -> dict[str, OpenSignIn]:
        """Return the sign-ins in force that were used since the server began, newest use first.

        By a mark that ends them and is not the token. name: of this account alone
        """
        latest, ended, accounts = self._clock() - LAST, self._ended(), self._accounts()
        found = [
            (_mark(token), one)
            for token, one in list(self._open.items())
            if one.begun > latest and token not in ended and one.name in accounts
            if name is None or one.name == name
        ]
        return dict(sorted(found, key=lambda pair: pair[1].seen, reverse=True))

    def end_open(self, mark: str, *, name: str | None = None) -> None:
        """End the sign-in with a mark; name: only where it is this account's."""
        for token, one in list(self._open.items()):
            if _mark(token) == mark and name in (None, one.name):
                end_sign_in(self._store, token, until=one.begun + LAST)
                self._open.pop(token, None)

    def change_password(self, name: str, before: str, after: str, *, address: str) -> None:
        """Change the own password; all sign-ins of the account end. SignInError, UserError."""
        self._check_password(name, before, address=address)
        self._set_password(name, after, by=name)

    def _check_password(self, name: str, password: str, *, address: str) -> None:
        wait = self._throttle.begin(name, address)
        if wait:
            raise SignInError(f"Too many tries that failed. Wait {wait} s.", wait_s=wait)
        account = self._accounts().get(name)
        if account is None or not fits(account.password_hash, password):
            raise SignInError("The present password is another one. Nothing was changed.")
        self._throttle.succeeded(name, address)

    # ---- the second step --------------------------------------------------------------------

    def asks_for_code(self, name: str) -> bool:
        """Return whether an account's sign-ins ask for a code."""
        account = self._accounts().get(name)
        return account is not None and account.code_secret is not None

    def offered_secret(self, name: str) -> tuple[str, str]:
        """Return a new secret for an authenticator, and a mark to give back with a code of it."""
        account, secret = self._accounts()[name], new_code_secret()
        at = self._clock().timestamp()
        held = {"n": name, "g": account.generation, "at": at, "secret": secret}
        return secret, str(self._serializer("slopewatch secret").dumps(held))

    def secret_of(self, name: str, mark: str) -> str:
        """Return the secret that a mark was made with; SignInError where it took too long."""
        account = self._after("slopewatch secret", mark, CODE_WITHIN)
        if account is None or account.name != name:
            raise SignInError("That took too long. Begin again.")
        return str(self._serializer("slopewatch secret").loads(mark)["secret"])

    def ask_for_code(
        self, name: str, mark: str, code: str, password: str, *, address: str
    ) -> list[str]:
        """Ask for a code from now on, once one has come; return the recovery codes. SignInError."""
        secret = self.secret_of(name, mark)
        self._check_password(name, password, address=address)
        step = step_of(secret, code, now=self._clock())
        if step is None:
            raise SignInError("This code does not belong to the secret. Nothing was changed.")
        with acting(name):
            return ask_for_code(self._store, name, secret, step=step)

    def ask_for_no_code(self, name: str, code: str, password: str, *, address: str) -> None:
        """Ask for no code any more; takes a last one. SignInError."""
        self._check_password(name, password, address=address)
        with acting(name):
            if not take_code(self._store, name, code, now=self._clock()):
                raise SignInError("This code is none, or was used. Nothing was changed.")
            ask_for_no_code(self._store, name)

    def _set_password(self, name: str, password: str, *, by: str) -> None:
        kept = hashed(password, name=name)
        with acting(by):
            set_password(self._store, name, kept)
        self._open = {token: one for token, one in self._open.items() if one.name != name}

    def reset_token(self, name: str) -> str:
        """Return what lets whoever has it set an account's password, once and for a day."""
        account = self._accounts().get(name)
        if account is None:
            raise SignInError(f"There is no account {name}.")
        held = {"n": name, "g": account.generation, "at": self._clock().timestamp()}
        return str(self._serializer("slopewatch reset").dumps(held))

    def reset_for(self, token: str) -> str:
        """Return whose password a token may set; SignInError once it was used or is too old."""
        account = self._after("slopewatch reset", token, RESETS_FOR)
        if account is None:
            raise SignInError(NO_RESET)
        return account.name

    def reset(self, token: str, password: str) -> str:
        """Set the password that a token is for; return whose it is."""
        name = self.reset_for(token)
        self._set_password(name, password, by=f"{name} (by a reset link)")
        return name

    def names(self) -> list[str]:
        """Return the names of all accounts."""
        return sorted(self._accounts())

    def sign_out(self, cookie: str | None) -> None:
        """End a sign-in, so that a copy of its token is worth nothing either."""
        found = self._opened(cookie)
        if found is not None:
            _, token, begun, _ = found
            end_sign_in(self._store, token, until=begun + LAST)

    def scope(self, person: Person) -> Scope:
        """Return the riders whom a coach coaches today, and the meters assigned to them."""
        coach = person.coach
        return self._service.reread(
            f"scope of {coach}", lambda: self._scope(coach), missing=NOTHING
        )

    def _scope(self, coach: str | None) -> Scope:
        with self._store.reading() as db:
            today = str(db.setting("today") or self._clock().date().isoformat())
            return scope_of_coach(db, coach, today=today)


def _mark(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()[:16]
