"""Reads what a component tree says, as a person would."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


def walk(node: Any) -> Iterator[Any]:
    """Every component and text in a tree."""
    if isinstance(node, (list, tuple)):
        for item in node:
            yield from walk(item)
        return
    if node is None:
        return
    yield node
    yield from walk(getattr(node, "children", None))


def text(node: Any) -> str:
    """All that a tree says, in one line."""
    return " ".join(str(part) for part in walk(node) if isinstance(part, (str, int, float)))


def find(node: Any, name: object) -> Any:
    """The component with this id."""
    return next(part for part in walk(node) if getattr(part, "id", None) == name)


def of_kind(node: Any, kind: str) -> list[Any]:
    """Every component of one kind: "AgGrid", "Button", "A"."""
    return [part for part in walk(node) if type(part).__name__ == kind]
