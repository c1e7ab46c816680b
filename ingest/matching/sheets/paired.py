"""Two values in one cell: `31.2/31.4` under `L/R`, or `20.12 → 20.31`, as two columns."""

import re
from collections.abc import Sequence
from dataclasses import replace

from ingest.matching.sheets.row_kinds import is_teeth
from ingest.matching.sheets.table import FoundTable
from ingest.matching.words import concepts_in

_PART = r"[+\-−–]?\s?\d+(?:[.,]\d+)?|[–—\-?x]|"
_CELL = re.compile(rf"^({_PART})\s*(/|\||;|\\|→|-+>)\s*({_PART})$")
_WORDS = re.compile(r"([^\s/|;→>]+?)\s*(?:/|\||;|→|-+>)\s*([^\s/|;→>]+)")
_OPPOSITE = (("left", "right"), ("large", "small"), ("before", "after"), ("up", "down"))
LEAST_SHARE = 0.5
FIRST, SECOND = "(one)", "(other)"


def without_pairs(table: FoundTable) -> FoundTable:
    """Return a table with a column for each of two values that stood in one cell.

    What the two are is said by the heading, or by an arrow; else they are first and second.
    """
    split = {at: both for at in range(len(table.headings)) if (both := _split(table, at))}
    if not split:
        return table
    return replace(
        table,
        headings=_laid(table.headings, {at: heads for at, (heads, _) in split.items()}),
        body=[
            _laid(row, {at: cells[number] for at, (_, cells) in split.items()})
            for number, row in enumerate(table.body)
        ],
        facts=[
            (label, _laid(cells, {at: (cells[at], cells[at]) for at in split}))
            for label, cells in table.facts
        ],
    )


def _laid(cells: Sequence[str], split: dict[int, tuple[str, str]]) -> list[str]:
    return [part for at, cell in enumerate(cells) for part in split.get(at, (cell,))]


def _split(table: FoundTable, at: int) -> tuple[tuple[str, str], list[tuple[str, str]]] | None:
    """Return a column's two headings and two cells a row; None where its cells hold one value."""
    cells = table.column(at)
    found = [_CELL.match(cell) for cell in cells]
    pairs = [pair for pair in found if pair and (pair[1] or pair[3])]
    if not pairs or len(pairs) < LEAST_SHARE * sum(bool(cell) for cell in cells):
        return None
    heads = _heads(table.headings[at], arrow=all(">" in p[2] or p[2] == "→" for p in pairs))
    if heads is None:
        if not any(sign in cell for cell in cells for sign in ".,"):
            return None  # counts such as 3/5, teeth such as 52/36
        heads = (f"{table.headings[at]} {FIRST}", f"{table.headings[at]} {SECOND}")
    return heads, [_both(cell, pair) for cell, pair in zip(cells, found, strict=True)]


def _both(cell: str, pair: re.Match[str] | None) -> tuple[str, str]:
    if pair:
        return pair[1].strip(), pair[3].strip()
    return (f"{cell} / ?", "") if any(c.isdecimal() for c in cell) else (cell, cell)


def _heads(heading: str, *, arrow: bool) -> tuple[str, str] | None:
    """Return the headings of the two values, where the heading or an arrow says which is which."""
    found = _WORDS.search(heading)
    if found and _are_opposite(found[1], found[2]):
        before, after = heading[: found.start()], heading[found.end() :]
        one, other = (f"{before}{word}{after}".strip() for word in (found[1], found[2]))
        return one, other
    return (f"{heading} before", f"{heading} after") if arrow else None


def _are_opposite(one: str, other: str) -> bool:
    if is_teeth(one) and is_teeth(other):
        return True
    first, second = concepts_in(one), concepts_in(other)
    return any((a in first and b in second) or (b in first and a in second) for a, b in _OPPOSITE)
