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


def rows_of(node: Any, name: str) -> list[list[str]]:
    """The cells of the plain table of this name, row by row, without its headings."""
    (wrap,) = [n for n in walk(node) if getattr(n, "aria-label", None) == name and is_table(n)]
    return [[text(cell) for cell in row.children] for row in of_kind(of_kind(wrap, "Tbody"), "Tr")]


def is_table(node: Any) -> bool:
    return bool(of_kind(node, "Table"))


def number_in(shown: str) -> float:
    """A number as it is shown, read back: true minus, no unit, no space between thousands."""
    return float(shown.replace("\u2212", "-").replace("\u00a0", "").rstrip("%"))


def numbers_in(shown: str) -> list[float]:
    """Both ends of an interval as it is shown: +0.20 to +0.64 %."""
    return [number_in(end) for end in shown.split(" to ")]
