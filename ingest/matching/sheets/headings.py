"""Headings of one line or two as one text a column; a merged cell spreads over those below it."""

import itertools
from collections.abc import Sequence

from ingest.matching.sheets.row_kinds import SPREADING, is_teeth, is_units, looks_like_an_id
from ingest.matching.words import concepts_in, unit_in

_ALONE = frozenset(
    {"day", "time", "meter", "serial", "crank", "temperature", "technician", "note", "place"}
    | {"bench", "hanger", "battery", "firmware", "counter", "verdict", "session"}
)


def joined(lines: Sequence[Sequence[str]], width: int) -> list[str]:
    """Return one heading a column from lines of them, the upper before the lower."""
    padded = [[*line, *[""] * (width - len(line))] for line in lines]
    spread = [_spread(line, below) for line, below in itertools.pairwise(padded)]
    spread.append(padded[-1])
    return [" ".join(part for part in parts if part) for parts in zip(*spread, strict=True)]


def _spread(line: Sequence[str], below: Sequence[str]) -> list[str]:
    """Return a line whose cells spread to the right over filled cells below empty ones."""
    out, last = [], ""
    for cell, under in zip(line, below, strict=True):
        if cell:
            last = cell if _spreads(cell) else ""
            out.append(cell)
        elif under and last and not _stands_alone(under) and not is_units([under]):
            out.append(last)
        else:
            last = last if under else ""
            out.append("")
    return out


def _spreads(cell: str) -> bool:
    return (
        is_teeth(cell) or looks_like_an_id(cell) or bool(concepts_in(unit_in(cell)[0]) & SPREADING)
    )


def _stands_alone(cell: str) -> bool:
    concepts = concepts_in(unit_in(cell)[0])
    return bool(concepts & _ALONE) and not concepts & SPREADING
