"""The keys that sign-ins are signed with: a file beside the store that only its owner can read.

They are no part of the store, so that a backup or a copy of it cannot be used to sign in.
"""

import json
import os
import secrets
from datetime import UTC, datetime, timedelta
from pathlib import Path

from ingest.store import Store, StoreError, write_whole

ROTATED_AFTER = timedelta(days=30)
KEPT = 2  # the key in use and the one before it, whose sign-ins run on until they end


def secret_file(store: Store) -> Path:
    """Return the file of a store's keys."""
    return store.path.with_name(store.path.name + ".keys")


def signing_keys(store: Store, *, now: datetime | None = None) -> list[str]:
    """Return the keys, oldest first; the last one signs. Makes and renews them when due."""
    now = now or datetime.now(UTC)
    file = secret_file(store)
    keys = _read(file)
    age = now - datetime.fromisoformat(keys[-1]["made_at"]) if keys else None
    if age is None or not -2 * ROTATED_AFTER <= age <= ROTATED_AFTER:  # a clock may be ahead
        made = {"key": secrets.token_hex(32), "made_at": now.isoformat()}
        keys = [*keys, made][-KEPT:]
        write_whole(file, json.dumps({"keys": keys}).encode())
    return [entry["key"] for entry in keys]


def _read(file: Path) -> list[dict[str, str]]:
    try:
        text = file.read_text("utf-8")
    except FileNotFoundError:
        return []
    if os.name == "posix" and file.stat().st_mode & 0o077:
        raise StoreError(
            f"{file}: others can read the keys that sign-ins are signed with. "
            "Delete the file (everyone signs in again), or take the others' rights away."
        )
    try:
        keys: list[dict[str, str]] = json.loads(text)["keys"]
        return [{"key": str(k["key"]), "made_at": str(k["made_at"])} for k in keys]
    except (ValueError, KeyError, TypeError):
        return []  # damaged: new keys are made, and everyone signs in again
