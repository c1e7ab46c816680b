"""Passwords: what a strong enough one is, and how it is kept."""

import secrets
import threading
from functools import cache
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from werkzeug.security import check_password_hash

from ingest.schema import UserError

SHORTEST = 12
LONGEST = 256
FEWEST_SIGNS = 6  # different ones
# argon2id in one lane: KiB of memory, and passes. Three times the memory that OWASP's Password
# Storage Cheat Sheet (2023) asks for at two passes (19 MiB); measured, 0.19 s of one processor of
# 2026 for a try (19 MiB and 2 passes: 0.03 s; scrypt with 64 MiB twice, as before: 0.46 s).
METHOD = (65_536, 2)
_ONE_AT_A_TIME = threading.Lock()  # a hash takes 64 MiB for a moment


class PasswordError(UserError):
    """A password that is too weak; the text says what is expected."""


def hashed(password: str, *, name: str) -> str:
    """Return the hash to keep; raise PasswordError when the password is too easy to guess."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise PasswordError(
            f"found a password of {len(password)} characters, expected {SHORTEST} to {LONGEST}: "
            "four or five unrelated words are easy to remember"
        )
    folded = password.casefold()
    if len(set(folded)) < FEWEST_SIGNS or _runs(folded):
        raise PasswordError(
            f"the password repeats itself: expected at least {FEWEST_SIGNS} different signs and "
            "no plain row such as 123456789012"
        )
    for known in (name.casefold(), "slopewatch", "password"):
        if len(known) >= 3 and known in folded and len(folded.replace(known, "")) < SHORTEST - 4:
            raise PasswordError(f'the password is little more than "{known}": choose another')
    with _ONE_AT_A_TIME:
        return _hasher().hash(password)


def _hasher() -> PasswordHasher:
    memory, passes = METHOD
    return PasswordHasher(time_cost=passes, memory_cost=memory, parallelism=1)


def _runs(text: str) -> bool:
    """Return whether nearly every sign follows from the one before it."""
    steps = [ord(b) - ord(a) for a, b in pairwise(text)]
    return sum(step in (-1, 0, 1) for step in steps) > 0.7 * len(steps)


def fits(password_hash: str, password: str) -> bool:
    """Return whether a password is the one that was hashed."""
    if len(password) > LONGEST:
        return False
    with _ONE_AT_A_TIME:
        if not password_hash.startswith("$argon2"):  # of a store from before
            return check_password_hash(password_hash, password)
        try:
            return _hasher().verify(password_hash, password)
        except (VerificationError, InvalidHashError):
            return False


@cache
def stand_in() -> str:
    """Return the hash of no account, so that an unknown name takes as long as a known one."""
    return _hasher().hash(secrets.token_urlsafe(24))
