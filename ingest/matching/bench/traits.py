"""Traits of a reading that words give it: ring, arm, load, direction, stage."""

import re
from collections.abc import Iterable
from functools import lru_cache

from ingest.matching.words import tags, tokens

TRAIT_OF_CONCEPT: dict[str, tuple[str, str]] = {
    "large": ("chainring", "large"),
    "small": ("chainring", "small"),
    "left": ("arm", "left"),
    "right": ("arm", "right"),
    "zero": ("load", "zero"),
    "up": ("direction", "up"),
    "down": ("direction", "down"),
    "before": ("stage", "as_found"),
    "after": ("stage", "as_left"),
}
_NEUTRAL = frozenset({"label", "torque", "crank", "stage", "mass", "counter", "direction"})
_BOTH = frozenset(
    {"both", "beide", "beidseitig", "deux", "entrambi", "ambos", "beiden", "and", "und"}
    | {"with", "mit", "the", "of", "ring", "blatt", "chainring", "side", "arm", "on", "kg"}
)
MOST_DISTINCT = 40


def traits_of(concepts: Iterable[str], teeth: str | None = None) -> dict[str, str] | None:
    """Return the traits that concepts give; None where two contradict each other."""
    found: dict[str, str] = {}
    for concept in concepts:
        if concept in TRAIT_OF_CONCEPT:
            name, value = TRAIT_OF_CONCEPT[concept]
            if found.setdefault(name, value) != value:
                return None
    if teeth:
        found["chainring"] = teeth
    return found


@lru_cache(maxsize=5_000)
def _traits_of_cell(cell: str) -> tuple[tuple[str, str], ...] | None:
    words = [word for word in tokens(cell) if word not in _BOTH]
    teeth = [w for w in words if w.isdecimal() and 25 <= int(w) <= 65]
    rest = " ".join(w for w in words if not w.isdecimal())
    found = tags(rest)
    if sum(len(tag.words.split()) for tag in found) < len(rest.split()):
        return None
    concepts: set[str] = set()
    for tag in found:
        useful = tag.concepts & (TRAIT_OF_CONCEPT.keys() | _NEUTRAL)
        if not useful:
            return None
        concepts |= useful
    if re.fullmatch(r"[^\W\d_]\d+", cell.strip()):
        return None  # a name such as L1 or D33
    if not found and not teeth and len(words) == len(tokens(cell)):
        return None  # nothing that is a word
    traits = traits_of(concepts, teeth[0] if len(teeth) == 1 else None)
    if traits is None:
        return None
    if "mass" in concepts and "load" not in traits:
        traits["load"] = "mass"
    return tuple(traits.items())


def traits_of_cell(cell: str) -> dict[str, str] | None:
    """Return the traits that a cell's words give a reading: `groß links`; None if none do."""
    found = _traits_of_cell(cell)
    return None if found is None else dict(found)


def says_traits(cells: Iterable[str]) -> bool:
    """Return whether the cells of a column of words say ring, arm, load or stage."""
    filled = [cell for cell in cells if cell]
    distinct = set(filled)
    if not distinct or len(distinct) > MOST_DISTINCT:
        return False
    understood = {cell: bool(traits_of_cell(cell)) for cell in distinct}
    return sum(understood[cell] for cell in filled) >= 0.7 * len(filled)
