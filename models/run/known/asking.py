"""What a question is: a function of a fleet, with who may ask it declared beside it.

    @question(COACH)
    def rider(fleet: Fleet, rider_id: str) -> RiderDocument: ...

    @change("visits pinned", MECHANIC, MANAGER)
    def move_visit(fleet: Fleet, meter_id: str, ...) -> PinnedWeeks: ...

Command line, pages and downloads call these functions and no others. A function without one of
the two decorators cannot be asked from a page at all.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Concatenate, Literal, ParamSpec, TypeVar

from models.run.known.fleet import Fleet
from models.run.known.people import EVERYONE, HERE, OWNER, Person

P = ParamSpec("P")
T = TypeVar("T")
Place = Literal["here", "model", "long", "records"]
Then = Literal["follow", "fit", "fit soon"]


@dataclass(frozen=True)
class Question:
    """What is declared of a question.

    roles     who may ask it
    recorded  what asking is recorded as among the changes; None: it changes nothing
    watts     whether the answer may hold a rider's power, which most roles are not given
    legs      whether the answer may hold how a rider's legs share the work, which is health data
    by_name   whether only someone who signed in may ask, never just whoever is at this machine
    place     where it is answered: "here" in whichever process asks; "model" beside the pages,
              by a process that keeps the fleet model in memory, at once; "long" beside the pages,
              in seconds to minutes; "records" beside the pages, one after the other with
              everything that brings records in
    by_fit    whether its answer holds until the fit changes, however many rows come in; so do the
              answers of the fleet model unless they say otherwise
    kept      whether its answer is kept for whoever asks the same; not where it is large, or where
              nobody asks the same twice
    reads     the tables that it reads, where they are few and it is answered here: what is kept of
              it holds until one of them is written to; else until anything is
    waits     whether it waits a moment for the answers to hold what has just been entered
    then      what brings the answers up to the data afterwards
    """

    name: str
    roles: frozenset[str]
    recorded: str | None = None
    watts: bool = True
    legs: bool = True
    by_name: bool = False
    place: Place = "here"
    by_fit: bool = False
    kept: bool = True
    reads: tuple[str, ...] | None = None
    waits: bool = False
    then: Then | None = None

    def allows(self, person: Person) -> bool:
        """Return whether a person may ask this."""
        return person.role in self.roles and not (self.by_name and person is HERE)


_DECLARED: dict[Callable[..., object], Question] = {}
Asked = Callable[Concatenate[Fleet, P], T]


def question(
    *roles: str,
    watts: bool = True,
    legs: bool = True,
    place: Place = "here",
    by_fit: bool | None = None,
    kept: bool = True,
    reads: tuple[str, ...] | None = None,
    waits: bool = False,
) -> Callable[[Asked[P, T]], Asked[P, T]]:
    """Declare a question that these roles may ask, and the owner; no role named: everyone."""
    allowed = frozenset({*roles, OWNER}) if roles else EVERYONE
    holds = place in ("model", "long") if by_fit is None else by_fit

    def declare(function: Asked[P, T]) -> Asked[P, T]:
        _DECLARED[function] = Question(
            function.__name__,
            allowed,
            watts=watts,
            legs=legs,
            place=place,
            by_fit=holds,
            kept=kept,
            reads=reads,
            waits=waits,
        )
        return function

    return declare


def change(
    recorded: str,
    *roles: str,
    watts: bool = True,
    by_name: bool = False,
    place: Place = "here",
    then: Then | None = None,
) -> Callable[[Asked[P, T]], Asked[P, T]]:
    """Declare a change that these roles may make, and the owner, and how it is recorded."""

    def declare(function: Asked[P, T]) -> Asked[P, T]:
        _DECLARED[function] = Question(
            function.__name__,
            frozenset({*roles, OWNER}),
            recorded=recorded,
            watts=watts,
            by_name=by_name,
            place=place,
            then=then,
        )
        return function

    return declare


def declared(function: Callable[..., object]) -> Question | None:
    """Return what is declared of a function; None: it is no question, and nobody may ask it."""
    return _DECLARED.get(function)
