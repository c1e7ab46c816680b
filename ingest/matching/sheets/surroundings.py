"""What is said around a table: `Meter: A12, crank 172.5 mm` above it, a remark below it."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.matching.sheets.cells import Kind, amount_in, is_value, kind_of
from ingest.matching.sheets.row_kinds import filled
from ingest.matching.words import concepts_in, unit_in

_PARTS = re.compile(r"[,;|]\s+|\s[–—-]\s|\s{3,}|;|\t")
_FREE_AMOUNT = re.compile(
    r"(?<![\w.,])(\d+(?:[.,]\d+)?)\s?(kg|lbs?|mm|cm|°\s?C)(?![\w·*/])", re.IGNORECASE
)
_SAID_OF = {"kg": "mass", "lb": "mass", "mm": "crank", "cm": "crank", "°C": "temperature"}


@dataclass(frozen=True)
class Surroundings:
    """What holds for some rows of a table.

    pairs   what is said as heading and value: (`Crank`, `172.5 mm`)
    lines   every line of words, as it stands
    """

    pairs: tuple[tuple[str, str], ...] = ()
    lines: tuple[str, ...] = ()

    def with_row(self, row: Sequence[str]) -> "Surroundings":
        """Return them with what a row says added; what is said again replaces the earlier."""
        cells = [row[i] for i in filled(row)]
        found = _pairs(cells)
        old = tuple(pair for pair in self.pairs if not any(_same(pair, new) for new in found))
        return Surroundings(old + tuple(found), (*self.lines, " ".join(cells)))


@dataclass
class Around:
    """Surroundings being collected: what stands above holds until something else is said."""

    now: Surroundings = field(default_factory=Surroundings)
    below: list[Sequence[str]] = field(default_factory=list)


def _same(one: tuple[str, str], other: tuple[str, str]) -> bool:
    return bool(concepts_in(unit_in(one[0])[0]) & concepts_in(unit_in(other[0])[0]))


def _pairs(cells: list[str]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    waiting: str | None = None
    for cell in cells:
        if waiting is not None:
            found.append((waiting, cell))
            waiting = None
            continue
        parts = [part.strip() for part in _PARTS.split(cell) if part.strip()]
        said = [pair for part in parts if (pair := _pair(part))]
        found += said
        if cell.endswith(":") or (len(parts) == 1 and not said and _is_key(cell)):
            waiting = cell.rstrip(": ")
    return found + _free_amounts(cells, found)


def _is_key(cell: str) -> bool:
    return len(cell) < 30 and not is_value(cell) and bool(concepts_in(unit_in(cell)[0]))


def _pair(part: str) -> tuple[str, str] | None:
    """Return heading and value of `Meter: A12`, `crank 172.5 mm`, `Kurbel = 172,5`."""
    key, mark, value = part.partition(":")
    if mark and "=" in value:
        return _pair(value.strip())
    if mark and value.strip() and not key.strip().isdecimal():
        return key.strip(), value.strip()
    key, mark, value = part.partition("=")
    if mark and value.strip():
        return key.strip(), value.strip()
    words = re.match(r"^(\D+?)\s+(\d.*)$", part)
    if words and amount_in(words[2]) and concepts_in(unit_in(words[1])[0]):
        return words[1].strip(), words[2].strip()
    head, _, last = part.rpartition(" ")
    if head and any(c.isdecimal() for c in last) and kind_of(last) is Kind.TEXT:
        return (head, last) if concepts_in(head) & {"meter", "serial"} else None
    return None


def _free_amounts(cells: list[str], found: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return amounts that a line names without saying of what: `all with 20 kg, 172.5 mm`."""
    said = {concept for key, _ in found for concept in concepts_in(unit_in(key)[0])}
    more = []
    for cell in cells:
        for digits, unit in _FREE_AMOUNT.findall(cell):
            name = unit.lower().replace("lbs", "lb").replace("°c", "°C").replace(" ", "")
            concept = _SAID_OF.get(name)
            if concept and concept not in said and len(cell) > len(digits) + len(unit) + 1:
                more.append((concept, f"{digits} {unit}"))
                said.add(concept)
    return more
