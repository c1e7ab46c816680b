"""The guard before the pages' door: every call is checked here, for whoever sent the request.

`dashboard.security.rights` says who may call what. A page, its callbacks and the addresses that
hand out files all get the guarded door and have no other.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import wraps
from typing import Any

from dashboard.security import rights
from dashboard.security.rights import Person, Right
from dashboard.service import NothingDoneError
from ingest.store import Store, acting, record

SCOPED = ("meter_id", "rider_id")
ROWS_NAMED_BY = ("meter_id", "rider_id", "replaces_meter_id")


class RefusedError(NothingDoneError):
    """The person who asks has no right to it; the text says so."""


@dataclass(frozen=True)
class Scope:
    """What a coach sees: the own riders, and the meters that were assigned to them."""

    meters: frozenset[str]
    riders: frozenset[str]

    def holds(self, kind: str, name: object) -> bool:
        return str(name) in (self.riders if kind == "rider_id" else self.meters)


NOTHING = Scope(frozenset(), frozenset())


class Guarded:
    """The door, as one person after another may use it.

    data    the door (dashboard.service.pages.Data, or a stand-in in a test)
    who     the person whose request is being answered
    scope   what a coach sees
    """

    def __init__(
        self, data: Any, who: Callable[[], Person], *, scope: Callable[[Person], Scope]
    ) -> None:
        self._data, self._who, self._scope = data, who, scope

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        method = getattr(self._data, name)
        if not callable(method):
            raise AttributeError(f"{name} is not for pages to see")

        @wraps(method)
        def guarded(*args: Any, **kwargs: Any) -> Any:
            return self._call(name, method, args, kwargs)

        return guarded

    def _call(
        self, name: str, method: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]
    ) -> Any:
        person, right = self._who(), rights.of(name)
        if right is None or not right.allows(person):
            raise RefusedError(_not_for(person))
        scope = self._scope(person) if person.role in rights.OWN_RIDERS_ONLY else None
        if scope is not None:
            _check_arguments(method, args, kwargs, scope)
        if "allowed" in inspect.signature(method).parameters:
            kwargs = kwargs | {"allowed": rights.LOADS[person.role]}
        if right.change is not None:
            return self._recorded(right, method, args, kwargs, person=person)
        return _trimmed(method(*args, **kwargs), person=person, right=right, scope=scope)

    def _recorded(
        self,
        right: Right,
        method: Callable[..., Any],
        args: tuple[Any, ...],
        kwargs: dict[str, Any],
        *,
        person: Person,
    ) -> Any:
        with acting(person.name) as recorded:
            answer = method(*args, **kwargs)
            store = getattr(self._data, "_store", None)
            if not recorded and isinstance(store, Store) and right.change is not None:
                with store.writing() as db:
                    record(db, right.change, _subject(method, args, kwargs))
        return answer


def _not_for(person: Person) -> str:
    if person is rights.HERE:
        return (
            "Nobody is signed in here, and accounts are changed by an owner who is. The first one "
            "is added on the command line: slopewatch account add NAME --role owner"
        )
    article = "an" if person.role == rights.OWNER else "a"
    return (
        f"This is not open to {article} {person.role} ({person.name}). "
        "Whoever owns the store can change the role of an account."
    )


def _arguments(
    method: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]
) -> dict[str, Any]:
    return dict(inspect.signature(method).bind(*args, **kwargs).arguments)


def _check_arguments(
    method: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any], scope: Scope
) -> None:
    for kind, asked in _named(_arguments(method, args, kwargs)):
        if not scope.holds(kind, asked):
            what = "rider" if kind == "rider_id" else "meter"
            raise RefusedError(f"{what} {asked} is not among your riders and their meters.")


def _named(value: Any) -> Iterator[tuple[str, object]]:
    """Every meter and rider that is named in arguments, rows within them too."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key in SCOPED and item is not None:
                yield key, item
            else:
                yield from _named(item)
    elif isinstance(value, list | tuple):
        for item in value:
            yield from _named(item)


def _subject(method: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> str:
    """What a call was about: its short arguments. Of files only the names are written down."""
    said = []
    for name, value in _arguments(method, args, kwargs).items():
        if name == "password":
            continue
        if name == "files":
            said += [str(file) for file, _ in value]
        elif isinstance(value, str | int | float) and len(str(value)) <= 100:
            said.append(f"{name} {value}")
    return ", ".join(said)


def _trimmed(answer: Any, *, person: Person, right: Right, scope: Scope | None) -> Any:
    """An answer without what is not this person's to see."""
    if scope is not None:
        if isinstance(answer, dict) and _foreign(answer, scope):
            raise RefusedError("This is not about your riders or their meters.")
        answer = _own(answer, scope)
        if isinstance(answer, dict) and "meters" in answer and "counts" in answer.get("fleet", {}):
            answer["fleet"] = answer["fleet"] | {"counts": _counts(answer)}
    if right.watts and person.role not in rights.WATTS:
        answer = _without_watts(answer)
    return answer


def _foreign(row: dict[str, Any], scope: Scope) -> bool:
    return any(
        row.get(kind) is not None and not scope.holds(kind, row[kind]) for kind in ROWS_NAMED_BY
    )


def _own(value: Any, scope: Scope) -> Any:
    if isinstance(value, dict):
        return {key: _own(item, scope) for key, item in value.items()}
    if isinstance(value, list | tuple):
        kept = [i for i in value if not (isinstance(i, dict) and _foreign(i, scope))]
        return type(value)(_own(item, scope) for item in kept)
    return _plain(value)


def _counts(status: dict[str, Any]) -> dict[str, int]:
    """How many of the meters that are left have each status."""
    counts = dict.fromkeys(status["fleet"]["counts"], 0)
    for row in status["meters"]:
        counts[row["status"]] = counts.get(row["status"], 0) + 1
    return counts


def is_watts(name: object) -> bool:
    """Whether a key of a document holds power."""
    text = str(name)
    return "watts" in text or text.endswith("_w") or text in ("by_power_band", "power")


def _without_watts(value: Any) -> Any:
    if isinstance(value, dict):
        if is_watts(value.get("column")):  # a cell that was refused, and what stood in it
            value = value | {"found": None}
        return {
            key: ([] if isinstance(item, list) else None) if is_watts(key) else _without_watts(item)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple):
        return type(value)(_without_watts(item) for item in value)
    return _plain(value)


def _plain(value: Any) -> Any:
    """A value that nothing can be hidden in; what cannot be looked through is not handed out."""
    if value is None or isinstance(value, str | bytes | bool | int | float | date):
        return value
    raise RefusedError(f"A {type(value).__name__} cannot be checked for what is not yours to see.")
