"""The guard before the service: every question is checked here, for whoever sent the request.

Who may ask what is declared beside each question in `models.run`. Pages, their callbacks and the
addresses that hand out files are given the guarded service and no other.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Hashable, Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, fields, is_dataclass
from hashlib import sha256
from typing import Any, Concatenate, ParamSpec, TypeVar

from dashboard.security.trimming import RefusedError, Scope, trimmed
from dashboard.service import Live, Progress, Service, Work
from ingest.store import ROW_CHANGED, acting, record
from models import run
from models.run import HERE, OWN_RIDERS_ONLY, OWNER, Fleet, Person, Question, declared

P = ParamSpec("P")
T = TypeVar("T")
Asked = Callable[Concatenate[Fleet, P], T]
LONGEST_TEXT = 4000
SCOPED = ("meter_id", "rider_id")
EVERYBODYS = ("load_files", "accept_sheets", "refit", "refit_when_quiet")


class Guarded:
    """The service, as one person after another may use it.

    who     the person whose request is being answered
    scope   what a coach sees
    as_of   the day looked from, ISO; None: today
    """

    def __init__(
        self,
        service: Service,
        who: Callable[[], Person],
        *,
        scope: Callable[[Person], Scope],
        as_of: str | None = None,
    ) -> None:
        self._service, self._who, self._scope, self._as_of = service, who, scope, as_of

    def on(self, as_of: str | None) -> Guarded:
        """Return the same, looking from a day (ISO); None: from today."""
        return Guarded(self._service, self._who, scope=self._scope, as_of=as_of)

    def ask(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> T:
        """Return the answer, waiting for it; of a change, what came of it."""
        turn = self._turn(question, args, kwargs)
        if turn.about.recorded is None:
            found: T = turn.trimmed(turn.service.ask(question, *args, **kwargs))
            return found
        with acting(turn.person.name) as recorded:
            answer = turn.service.ask(question, *args, **kwargs)
            if not set(recorded) - {ROW_CHANGED}:
                turn.record(question, args, kwargs)
        return answer

    def later(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Progress[T]:
        """Return what there is of an answer that takes long; the first to ask begins it."""
        turn = self._turn(question, args, kwargs)
        return turn.told(turn.service.later(question, *args, **kwargs))

    def cancel(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> None:
        """Stop what is being worked out."""
        self._turn(question, args, kwargs).service.cancel(question, *args, **kwargs)

    def begin(self, question: Asked[P, T], /, *args: P.args, **kwargs: P.kwargs) -> str:
        """Begin a change beside the pages; return the ticket to ask about it with."""
        turn = self._turn(question, args, kwargs)
        turn.record(question, args, kwargs)
        return turn.service.begin(question, *args, **kwargs)

    def progress(self, question: Asked[P, T], ticket: str) -> Progress[T]:
        """Return how far a change that was begun has come."""
        turn = self._turn(question, None, {})
        return turn.told(turn.service.progress(question, ticket))

    def together(self) -> AbstractContextManager[None]:
        """Open the store once for several questions that are answered in this process."""
        return self._service.together()

    def may(self, question: Callable[..., Any]) -> bool:
        """Return whether whoever asks may ask this."""
        about = declared(question)
        return about is not None and about.allows(self._who())

    def work(self) -> Work:
        """Return what the records' lane is doing, for whoever may load files.

        Of what has ended only the loads and fits, which are nobody's own.
        """
        turn = self._turn(run.load_files, None, {})
        work = turn.service.work()
        ended = {name: job for name, job in work["ended"].items() if name in EVERYBODYS}
        return {**work, "ended": {name: turn.trimmed(job) for name, job in ended.items()}}

    def live(self) -> Live:
        """Return what is going on at this moment."""
        turn = self._turn(run.status, (), {})
        live = turn.service.asked_by(HERE).live()
        if turn.scope is None:
            return live
        mine = {m: how for m, how in live["taking_in"].items() if m in turn.scope.meters}
        return {**live, "taking_in": mine}

    def answered(self) -> Hashable:
        """Return what differs when an answer about the fleet might, or what is going on.

        Whoever sees a part of the fleet sees another when the data say so.
        """
        turn = self._turn(run.status, (), {})
        return turn.service.asked_by(HERE).answered(), turn.scope

    def answered_of_meter(self, meter_id: str) -> Hashable:
        """Return what differs when an answer about one meter might: the fit's, or its own rows."""
        turn = self._turn(run.history, (meter_id,), {})
        rows = self.on(None).ask(run.rows_of_meters)
        held = rows.get(""), rows.get(meter_id)
        return turn.service.asked_by(HERE).answered_of_meter(meter_id), held, turn.scope

    def held(self, *questions: Callable[..., Any]) -> Hashable:
        """Return what differs once a table was written to that one of these questions reads."""
        return self._service.held(*questions)

    def asker(self) -> str:
        """Return a name for whoever asks at this store, which tells nothing of either."""
        who = f"{self._service.store.path}|{self._who().name}"
        return sha256(who.encode()).hexdigest()[:16]

    def converged(self) -> bool | None:
        """Return whether the last fit did; None: there is none."""
        return self._service.standing().converged[0]

    def _turn(self, question: Callable[..., Any], args: Any, kwargs: Any) -> _Turn:
        person, about = self._who(), declared(question)
        if about is None or not about.allows(person):
            raise RefusedError(_not_for(person))
        if args is not None:
            _check_lengths(_arguments(question, args, kwargs))
        scope = self._scope(person) if person.role in OWN_RIDERS_ONLY else None
        if scope is not None and args is not None:
            _check_arguments(question, args, kwargs, scope)
        return _Turn(self._service.on(self._as_of).asked_by(person), person, about, scope)


@dataclass(frozen=True)
class _Turn:
    """One question that a person may ask, and what of the answer is not theirs to see."""

    service: Service
    person: Person
    about: Question
    scope: Scope | None

    def trimmed(self, answer: Any) -> Any:
        """Return an answer without what is not this person's to see."""
        return trimmed(answer, person=self.person, about=self.about, scope=self.scope)

    def told(self, progress: Progress[Any]) -> Progress[Any]:
        """Return what there is of an answer, trimmed."""
        if progress["document"] is None:
            return progress
        return {**progress, "document": self.trimmed(progress["document"])}

    def record(self, question: Callable[..., Any], args: Any, kwargs: Any) -> None:
        """Record what was done; a store is made for it where there is none."""
        if self.about.recorded is not None:
            with acting(self.person.name), self.service.store.writing() as db:
                record(db, self.about.recorded, _subject(question, args, kwargs))


def _not_for(person: Person) -> str:
    if person is HERE:
        return (
            "Nobody is signed in here, and accounts are changed by an owner who is. The first one "
            "is added on the command line: slopewatch account add NAME --role owner"
        )
    article = "an" if person.role == OWNER else "a"
    return (
        f"This is not open to {article} {person.role} ({person.name}). "
        "Whoever owns the store can change the role of an account."
    )


def _arguments(question: Callable[..., Any], args: Any, kwargs: Any) -> dict[str, Any]:
    return dict(inspect.signature(question).bind(None, *args, **kwargs).arguments)


def _check_lengths(arguments: dict[str, Any]) -> None:
    """Raise RefusedError for a text longer than any name, note or cell."""
    for _, text in _texts(arguments):
        if len(text) > LONGEST_TEXT:
            raise RefusedError(
                f"found a text of {len(text)} characters, expected at most {LONGEST_TEXT}."
            )


def _check_arguments(question: Callable[..., Any], args: Any, kwargs: Any, scope: Scope) -> None:
    """Raise RefusedError where a meter or a rider of others is named, under whatever key."""
    for kind, asked in _texts(_arguments(question, args, kwargs)):
        if asked in scope.others or (kind in SCOPED and not scope.holds(kind, asked)):
            what = "rider" if kind == "rider_id" else "meter"
            raise RefusedError(f"{what} {asked} is not among your riders and their meters.")


def _texts(value: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """Yield every text in arguments with the name that it stands under; keys are texts too."""
    if isinstance(value, str):
        yield key, value
    elif isinstance(value, Mapping):
        for name, item in value.items():
            yield "", str(name)
            yield from _texts(item, str(name))
    elif isinstance(value, list | tuple | set | frozenset):
        for item in value:
            yield from _texts(item, key)
    elif is_dataclass(value):
        yield from _texts({one.name: getattr(value, one.name) for one in fields(value)})
    elif key in SCOPED and value is not None:
        yield key, str(value)


def _subject(question: Callable[..., Any], args: Any, kwargs: Any) -> str:
    """Return what a call was about: its short arguments. Of files only the names."""
    said = []
    for name, value in _arguments(question, args, kwargs).items():
        if name == "password":
            continue
        if name == "files":
            said += [str(file) for file, _ in value]
        elif isinstance(value, str | int | float) and len(str(value)) <= 100:
            said.append(f"{name} {value}")
    return ", ".join(said)
