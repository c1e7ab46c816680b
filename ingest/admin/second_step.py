"""A second step at signing in: a code of half a minute, or one of ten recovery codes.

The codes are those of RFC 6238: six digits from a shared secret and the time. Each is taken once.
"""

import hashlib
import secrets
from dataclasses import replace
from datetime import datetime

import pyotp

from ingest.admin.people import Account, change, existing, put_again
from ingest.store import Store, record

RECOVERY_CODES = 10
RECOVERY_SIGNS, RECOVERY_PARTS = 4, 4  # 16 signs of 32: 80 bits, so that a plain hash will do
STEP_S = 30
STEPS_OFF = 1  # a device's clock may be half a minute off, either way


def new_code_secret() -> str:
    """Return a secret for an authenticator, of 160 bits in base 32."""
    return pyotp.random_base32()


def authenticator_address(secret: str, name: str) -> str:
    """Return the address that an authenticator app takes a secret from."""
    return pyotp.TOTP(secret).provisioning_uri(name=name, issuer_name="Slopewatch")


def step_of(secret: str, code: str, *, now: datetime) -> int | None:
    """Return the time step that a code belongs to; None for a wrong or an old one."""
    digits = "".join(code.split())
    made, here = pyotp.TOTP(secret, interval=STEP_S), int(now.timestamp()) // STEP_S
    for step in range(here - STEPS_OFF, here + STEPS_OFF + 1):
        if secrets.compare_digest(made.generate_otp(step).encode(), digits.encode()):
            return step
    return None


def ask_for_code(store: Store, name: str, secret: str, *, step: int) -> list[str]:
    """Ask for a code at each sign-in of an account from now on; return its recovery codes.

    step: that of the code which proved that the device has the secret
    """
    codes = [_recovery_code() for _ in range(RECOVERY_CODES)]
    kept = " ".join(_hash(code) for code in codes)
    with store.writing() as db:
        before = existing(db, name)
        after = replace(before, code_secret=secret, code_step=step, recovery=kept)
        change(db, "account code", before, after)
    return codes


def ask_for_no_code(store: Store, name: str) -> None:
    """Ask for no code at the sign-ins of an account any more."""
    with store.writing() as db:
        before = existing(db, name)
        if before.code_secret is not None:
            after = replace(before, code_secret=None, code_step=None, recovery=None)
            change(db, "account code", before, after)


def take_code(store: Store, name: str, code: str, *, now: datetime) -> bool:
    """Take a code of an authenticator, or a recovery code, and return whether it is one.

    Each counts once, also where two are sent at the same moment.
    """
    with store.writing() as db:
        account = existing(db, name)
        step = step_of(account.code_secret or "", code, now=now) if account.code_secret else None
        if step is not None and not _was_taken(account, step):
            put_again(db, replace(account, code_step=step))
            return True
        left = _without(account, code)
        if left is None:
            return False
        put_again(db, replace(account, recovery=" ".join(left)))
        told = f"{len(left)} recovery codes left"
        record(db, "account code", name, before=f"{len(left) + 1} recovery codes left", after=told)
        return True


def _was_taken(account: Account, step: int) -> bool:
    """Return whether the code of a step, or of one after it, was taken already.

    A last step that is further ahead than clocks differ was taken while the clock was wrong.
    """
    last = account.code_step or 0
    return last - 2 * STEPS_OFF <= step <= last


def _without(account: Account, code: str) -> list[str] | None:
    """Return the hashes of the recovery codes that are left; None where it is none of them."""
    kept, used = (account.recovery or "").split(), _hash(code)
    left = [one for one in kept if not secrets.compare_digest(one, used)]
    return left if len(left) < len(kept) else None


def _recovery_code() -> str:
    text = pyotp.random_base32()
    parts = range(0, RECOVERY_SIGNS * RECOVERY_PARTS, RECOVERY_SIGNS)
    return "-".join(text[at : at + RECOVERY_SIGNS] for at in parts)


def _hash(code: str) -> str:
    plain = "".join(sign for sign in code.upper() if sign.isalnum())
    return hashlib.sha256(plain.encode()).hexdigest()
