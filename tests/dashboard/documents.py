"""Whether a document is what its question says it answers with: keys, types, nothing more."""

from __future__ import annotations

import sys
import types
import typing
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Literal, NamedTuple, get_args, get_origin


class Departure(NamedTuple):
    """A part of a document that is not as declared; at: its keys, from the top."""

    at: str
    kind: Literal["missing", "undeclared", "type"]
    found: str = ""


def answered_type(question: Callable[..., Any]) -> Any:
    """Return what a question is declared to answer with, names for type checkers included."""
    module = sys.modules[question.__module__]
    names = {**vars(sys.modules["models.run.documents"]), **vars(module), **_checked_only(module)}
    return typing.get_type_hints(question, globalns=names)["return"]


def _checked_only(module: Any) -> dict[str, Any]:
    from models.ageing import AgeingDocument, WorkshopsDocument
    from models.honesty import HindcastDocument

    return {kind.__name__: kind for kind in (AgeingDocument, WorkshopsDocument, HindcastDocument)}


def departures(value: Any, declared: Any, at: str = "") -> Iterator[Departure]:
    """Yield each part that is not as declared."""
    origin, args = get_origin(declared), get_args(declared)
    if declared in (Any, object) or isinstance(declared, typing.TypeVar):
        return
    if typing.is_typeddict(declared):
        yield from _keys(value, declared, at)
    elif origin in (typing.NotRequired, typing.Required):
        yield from departures(value, args[0], at)
    elif origin in (typing.Union, types.UnionType):
        found = [list(departures(value, one, at)) for one in args]
        yield from min(found, key=len)
    elif origin is typing.Literal:
        if value not in args:
            yield Departure(at, "type", repr(value))
    elif origin in (list, Sequence, tuple):
        yield from _items(value, args, at)
    elif origin in (dict, Mapping):
        if not isinstance(value, Mapping):
            yield Departure(at, "type", type(value).__name__)
            return
        for key, one in value.items():
            yield from departures(one, args[1], f"{at}.{key}")
    elif not _is(value, declared):
        yield Departure(at, "type", type(value).__name__)


def _keys(value: Any, declared: Any, at: str) -> Iterator[Departure]:
    if not isinstance(value, Mapping):
        yield Departure(at, "type", type(value).__name__)
        return
    module = sys.modules[declared.__module__]
    hints = typing.get_type_hints(declared, globalns=vars(module))
    yield from (Departure(f"{at}.{key}", "missing") for key in _required(declared, value))
    yield from (Departure(f"{at}.{key}", "undeclared") for key in set(value) - set(hints))
    for key in set(value) & set(hints):
        yield from departures(value[key], hints[key], f"{at}.{key}")


def _required(declared: Any, value: Mapping[str, Any]) -> set[str]:
    """Return the keys that are missing; postponed annotations hide NotRequired from the class."""
    names = vars(sys.modules[declared.__module__])
    hints = typing.get_type_hints(declared, globalns=names, include_extras=True)
    optional = {key for key, hint in hints.items() if get_origin(hint) is typing.NotRequired}
    return set(declared.__required_keys__) - optional - set(value)


def _items(value: Any, args: tuple[Any, ...], at: str) -> Iterator[Departure]:
    if isinstance(value, str) or not isinstance(value, Sequence):
        yield Departure(at, "type", type(value).__name__)
        return
    for number, one in enumerate(value):
        yield from departures(one, args[min(number, len(args) - 1)] if args else Any, f"{at}[]")


def _is(value: Any, declared: Any) -> bool:
    if declared is None or declared is type(None):
        return value is None
    if declared is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if declared is date:
        return isinstance(value, date) or (isinstance(value, str) and bool(_iso(value)))
    if declared is datetime:
        return isinstance(value, datetime) or (isinstance(value, str) and bool(_iso(value)))
    return isinstance(value, declared)


def _iso(value: str) -> datetime | None:
    try:
        return datetime.fromisoformat(value)
    except ValueError:
        return None
