"""Passwords: what a strong enough one is, and how it is kept."""

import secrets
import threading
from functools import cache
from itertools import pairwise

from werkzeug.security import check_password_hash, generate_password_hash

from ingest.schema import UserError

SHORTEST = 12
LONGEST = 256
FEWEST_SIGNS = 6  # different ones
# scrypt with 64 MB for a moment, twice over: what OWASP's Password Storage Cheat Sheet (2023)
# names as an equal of its first choice, N = 2^16, r = 8, p = 2.
METHOD = "scrypt:65536:8:2"
_ONE_AT_A_TIME = threading.Lock()  # a hash takes 130 MB for a moment


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
        return generate_password_hash(password, method=METHOD)


def _runs(text: str) -> bool:
    """Return whether nearly every sign follows from the one before it."""
    steps = [ord(b) - ord(a) for a, b in pairwise(text)]
    return sum(step in (-1, 0, 1) for step in steps) > 0.7 * len(steps)


def fits(password_hash: str, password: str) -> bool:
    """Return whether a password is the one that was hashed."""
    with _ONE_AT_A_TIME:
        return len(password) <= LONGEST and check_password_hash(password_hash, password)


@cache
def stand_in() -> str:
    """Return the hash of no account, so that an unknown name takes as long as a known one."""
    return generate_password_hash(secrets.token_urlsafe(24), method=METHOD)
