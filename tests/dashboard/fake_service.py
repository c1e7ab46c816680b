"""The service's ways to ask, answered by methods that are named like the questions."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any
from unittest.mock import Mock

from dashboard.service import Standing
from ingest.store import Store
from models.run import Person

Document = dict[str, Any]
STANDING = Standing(False, 1, "a fit", False, False, {}, (True, ""), (), 0, {}, frozenset())

LIVE: Document = {"empty": False, "behind": False, "working": False, "taking_in": {}}


class _Ways:
    """The ways to ask: each question is answered by the method that is named like it."""

    _as_of: str | None = None

    def on(self, as_of: object) -> Any:
        return _View(self, str(as_of) if as_of else None)

    def asked_by(self, person: Person) -> Any:
        return self

    def ask(self, question: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
        answer = self._answer(question, args, kwargs)
        return answer["document"] if _is_progress(answer) else answer

    def later(self, question: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Document:
        answer = self._answer(question, args, kwargs)
        if _is_progress(answer):
            return dict(answer)
        return {"state": "done", "said": "", "seconds": 0.1, "document": answer}

    def cancel(self, question: Callable[..., Any], /, *args: Any, **kwargs: Any) -> None:
        self.cancelled.append(question.__name__)

    def begin(self, question: Callable[..., Any], /, *args: Any, **kwargs: Any) -> str:
        self._answer(question, args, kwargs)
        return question.__name__

    def progress(self, question: Callable[..., Any], ticket: str) -> Document:
        return dict(self._answer(question, (ticket,), {}))

    def _answer(self, question: Callable[..., Any], args: Any, kwargs: Any) -> Any:
        method = getattr(self, question.__name__)
        if self._as_of and "as_of" in inspect.signature(method).parameters:
            kwargs = kwargs | {"as_of": self._as_of}
        return method(*args, **kwargs)


class NoStore(Store):
    """A store that is not there, and forgets what is written into it."""

    @contextmanager
    def writing(self) -> Iterator[Any]:
        yield Mock()


class FakeService(_Ways):
    """What pages and the guard call of a service or of a guarded one.

    A method may answer with a Progress document; asked for later, a plain answer is done at once.
    """

    standing_now: Standing = STANDING
    live_now: Document = LIVE

    @property
    def cancelled(self) -> list[str]:
        """What was stopped."""
        found: list[str] = self.__dict__.setdefault("_cancelled", [])
        return found

    @property
    def store(self) -> Store:
        return NoStore(Path("there-is-none.duckdb"))

    def asker(self) -> str:
        return "somebody at a store"

    def may(self, question: Callable[..., Any]) -> bool:
        return True

    def work(self) -> Document:
        return {"now": None, "text": "", "waiting": 0, "ended": {}}

    def live(self) -> Document:
        return self.live_now

    def standing(self) -> Standing:
        return self.standing_now

    def together(self) -> Any:
        return nullcontext()

    def converged(self) -> bool | None:
        return self.standing().converged[0]

    def version(self) -> tuple[object, ...]:
        return (id(object()),)

    def held(self, *questions: Any) -> tuple[object, ...]:
        return self.version()

    def answered(self) -> tuple[object, ...]:
        return self.version()

    def answered_of_meter(self, meter_id: str) -> tuple[object, ...]:
        return self.version()

    def reread(self, name: str, read: Callable[[], Any], *, missing: Any) -> Any:
        return missing

    def looked_from(self) -> str | None:
        return self._as_of


class _View(_Ways):
    """The same fake, looking from a day."""

    def __init__(self, fake: Any, as_of: str | None) -> None:
        self._fake, self._as_of = fake, as_of

    def __getattr__(self, name: str) -> Any:
        return getattr(self._fake, name)

    def asked_by(self, person: Person) -> Any:
        self._fake.asked_by(person)
        return self


def _is_progress(answer: Any) -> bool:
    return isinstance(answer, dict) and {"state", "document"} <= set(answer)
