"""Questions that take as long as a test wants, answered beside the pages like any other.

What they do and when they go on is told through files in a folder, as they run in a process of
their own.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

from dashboard.service import worker
from dashboard.service.worker import Call
from models import run
from models.run import MECHANIC, Fleet
from models.run.known import change, question
from models.wording import NoAnswerError

LONGEST_S = 60.0


def answer(call: Call) -> Any:
    """Answer a call as a worker does, these questions too."""
    for invented in INVENTED:
        setattr(run, invented.__name__, invented)
    return worker.answer(call)


def noted(folder: Path, name: str) -> int:
    """Return how many have begun, and note one more."""
    files = folder / name
    files.mkdir(exist_ok=True)
    before = len(list(files.iterdir()))
    (files / f"{before} {os.getpid()} {time.time_ns()}").touch()
    return before


def wait_for(file: Path) -> None:
    """Wait until a file is there."""
    latest = time.monotonic() + LONGEST_S
    while not file.exists():
        assert time.monotonic() < latest, f"nobody wrote {file}"
        time.sleep(0.01)


@question(place="long")
def slow(fleet: Fleet, folder: Path, name: str = "slow") -> dict[str, Any]:
    """Answer once the file go is there."""
    noted(folder, name)
    fleet.say("counting")
    wait_for(folder / f"go {name}")
    return {"name": name, "process": os.getpid(), "day": fleet.as_of}


@question(place="model")
def quick(fleet: Fleet, folder: Path, name: str = "quick") -> dict[str, Any]:
    """Answer at once."""
    noted(folder, name)
    return {"name": name, "process": os.getpid()}


@question(place="long")
def failing_once(fleet: Fleet, folder: Path) -> dict[str, Any]:
    """Fail at the first try, in words for the user."""
    if not noted(folder, "failing"):
        raise NoAnswerError("there is no calendar")
    return {"n": 2}


class PeculiarError(Exception):
    """Goes into another process, but does not come out of its parcel."""

    def __init__(self, first: str, second: str) -> None:
        super().__init__(f"{first} {second}")


@question(place="long")
def unforeseen(fleet: Fleet) -> None:
    """Fail as nobody foresaw."""
    raise RuntimeError("a secret")


@question(place="long")
def peculiar(fleet: Fleet) -> None:
    """Fail with an error that cannot be unpacked."""
    raise PeculiarError("a secret", "twice")


@question(place="long")
def dying(fleet: Fleet) -> None:
    """End the process, as the system does where memory is short."""
    os._exit(9)


@question(watts=False)
def asked_here(fleet: Fleet) -> int:
    """Answer in the process that asks."""
    return os.getpid()


@question()
def read_here(fleet: Fleet, folder: Path, name: str = "read") -> dict[str, Any]:
    """Read something in the process that asks."""
    return {"nth": noted(folder, name), "role": fleet.person.role, "day": fleet.as_of}


@question(kept=False)
def handed_out(fleet: Fleet, folder: Path) -> tuple[str, bytes]:
    """Hand out a file."""
    return f"{noted(folder, 'handed out')}.zip", b"PK"


@change("something brought in", MECHANIC, place="records")
def brought_in(fleet: Fleet, files: list[tuple[str, bytes]], folder: Path) -> dict[str, Any]:
    """Bring in what is given, once the file go is there."""
    noted(folder, "brought in")
    fleet.say(f"read {len(files)}")
    wait_for(folder / "go")
    return {"files": [name for name, _ in files]}


INVENTED = (
    *(slow, quick, failing_once, unforeseen, peculiar, dying),
    *(asked_here, read_here, handed_out, brought_in),
)
