"""The columns of a found table: heading, unit, concepts, and what kind of values they hold."""

import re
from collections import Counter
from dataclasses import dataclass, field
from statistics import median

import polars as pl

from ingest.matching.sheets import FoundTable, Kind, amount_in, kind_of
from ingest.matching.words import Unit, concepts_in, plain, tags, unit_in, unit_named
from ingest.validate import Style, number_style, numbers

_AMOUNT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(kg|lbs?|g)\b", re.IGNORECASE)
_TEETH = re.compile(
    r"(?<![\d.,])([2-6]\d)\s*(?:t|z|zähne|teeth|dents|denti|dientes|tands)?(?![\d.,])"
)
EMPTY_MARKS = frozenset({"-", "--", "–", "—", "/", "n/a", "na", "?", "x", ".", "..."})


@dataclass
class ColumnSeen:
    """A column as it stands, and what can be told of it without knowing the others.

    words      its heading without unit and amounts
    unit       stated in the heading or in the row of units
    concepts   what the heading's words may stand for
    certain    least score of the words, 0 to 1: below 1 one of them is misspelt
    numbers    its cells as numbers, None where a cell is none
    units      the unit beside each number in its cell
    repeated   whether another column has the same heading
    """

    at: int
    heading: str
    words: str
    unit: Unit | None
    concepts: frozenset[str]
    certain: float
    teeth: str | None
    amount: tuple[float, Unit] | None
    cells: list[str]
    kinds: Counter[Kind] = field(default_factory=Counter)
    numbers: list[float | None] = field(default_factory=list)
    units: list[Unit | None] = field(default_factory=list)
    repeated: bool = False

    @property
    def filled(self) -> int:
        """How many cells hold something."""
        return sum(count for kind, count in self.kinds.items() if kind is not Kind.BLANK)

    @property
    def values(self) -> list[float]:
        """The numbers there are."""
        return [value for value in self.numbers if value is not None]

    @property
    def is_numeric(self) -> bool:
        """Whether most filled cells are numbers."""
        return self.filled > 0 and self.kinds[Kind.NUMBER] >= 0.6 * self.filled

    def mostly(self, kind: Kind) -> bool:
        """Return whether most filled cells are of a kind."""
        return self.filled > 0 and self.kinds[kind] >= 0.6 * self.filled

    @property
    def middle(self) -> float | None:
        """The median of the numbers."""
        return median(self.values) if self.values else None

    @property
    def name(self) -> str:
        """What to call it: its heading, or its place."""
        place = f"column {self.at + 1}"
        return f"{self.heading}, {place}" if self.repeated else self.heading or place


def usual_unit(column: ColumnSeen, stated: Unit | None) -> Unit | None:
    """Return the unit of a column's bare numbers: stated, or beside most of its numbers."""
    if stated is not None:
        return stated
    beside = [unit for unit in column.units if unit is not None]
    if beside and len(beside) >= len(column.values) / 2:
        return max(set(beside), key=beside.count)
    return None


def seen_columns(table: FoundTable) -> list[ColumnSeen]:
    """Return every column of a table with its cells read as numbers where they are some."""
    columns = [_seen(table, at) for at in range(len(table.headings))]
    count = Counter(table.headings)
    for column in columns:
        column.repeated = bool(column.heading) and count[column.heading] > 1
    _read_numbers(columns, typed=table.typed, commas_likely=table.commas_likely)
    return columns


def _seen(table: FoundTable, at: int) -> ColumnSeen:
    heading = table.headings[at]
    cells = ["" if cell.lower() in EMPTY_MARKS else cell for cell in table.column(at)]
    said, amount = _without_amount(heading)
    words, unit = unit_in(said)
    found = tags(words)
    teeth = _TEETH.search(words.lower())
    if not found and unit is None and heading:
        unit = unit_named(heading)
    return ColumnSeen(
        at,
        heading,
        words,
        unit,
        concepts_in(words),
        min((tag.score for tag in found), default=0.0),
        teeth[1] if teeth and _rest_is_known(words, teeth[0]) else None,
        amount,
        cells,
        Counter(kind_of(cell) for cell in cells),
    )


def _rest_is_known(words: str, teeth: str) -> bool:
    rest = plain(words.lower().replace(teeth, " "))
    return not rest or bool(concepts_in(rest))


def _without_amount(heading: str) -> tuple[str, tuple[float, Unit] | None]:
    """Return a heading without the masses it names, and these: `20 kg large L`."""
    found = _AMOUNT.search(heading)
    if not found:
        return heading, None
    unit = unit_named(found[2])
    rest = f"{heading[: found.start()]} {heading[found.end() :]}".replace("()", "").strip(" @,")
    return rest, (float(found[1].replace(",", ".")), unit) if unit else None


def _read_numbers(columns: list[ColumnSeen], *, typed: bool, commas_likely: bool) -> None:
    amounts = [[amount_in(cell) for cell in column.cells] for column in columns]
    digits = [[a.digits if a else None for a in column] for column in amounts]
    pooled = pl.Series([d for column in digits for d in column if d], dtype=pl.String)
    comma = commas_likely and bool(pooled.str.contains(r"^[+-]?\d*,\d+$").any())
    style = number_style(pooled, likely=Style(comma, comma), typed=typed)
    texts = [d.replace(" ", "") if d else None for column in digits for d in column]
    values = numbers(pl.Series(texts, dtype=pl.String), style).to_list()  # all columns at once
    for at, (column, found) in enumerate(zip(columns, amounts, strict=True)):
        column.numbers = values[at * len(found) : (at + 1) * len(found)]
        column.units = [a.unit if a else None for a in found]
