"""A column for each meter, or for each day: one row each, as other sheets have them."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from ingest.matching.sheets.cells import Kind, amount_in, is_value, kind_of
from ingest.matching.sheets.row_kinds import FACTS, is_known, looks_like_an_id
from ingest.matching.sheets.surroundings import Surroundings
from ingest.matching.sheets.table import FoundTable
from ingest.matching.words import concepts_in, unit_in

METER, DAY, READING = "Meter", "Date", "Torque"
SHORTEST_SURE = 3
IsMeter = Callable[[str], bool]


@dataclass
class _Named:
    """Columns that belong to one name: the rest of each heading → the column."""

    name: str
    columns: dict[str, int] = field(default_factory=dict)


def spread_out(table: FoundTable, is_meter: IsMeter) -> FoundTable:
    """Return a table with a row for each meter or day that had columns of its own; else as it is.

    is_meter  whether a text names a meter of the store
    """
    parts = [_named_day(heading) for heading in table.headings]
    title = DAY
    if sum(part is not None for part in parts) < 2:
        parts = _named_meters(table.headings, is_meter)
        title = METER
    named = _by_name(parts)
    if len(named) < 2 or not _fits(table, parts, "day" if title == DAY else "meter"):
        return table
    sure = title == DAY or all(is_meter(one.name) for one in named) or _are_names(named)
    return _unrolled(table, named, title, doubtful=not sure)


def _named_day(heading: str) -> tuple[str, str] | None:
    return (heading, READING) if kind_of(heading) is Kind.DAY else None


def _named_meters(headings: Sequence[str], is_meter: IsMeter) -> list[tuple[str, str] | None]:
    """Return what each heading names; D33 beside A12 and B07 is a meter, not right and a ring."""

    def is_name(text: str) -> bool:
        return is_meter(text) or looks_like_an_id(text)

    first = [_named_meter(heading, is_name) for heading in headings]
    shapes = {_shape(part[0]) for part in first if part}
    return [
        part or _named_meter(heading, lambda text: _shape(text) in shapes)
        for part, heading in zip(first, headings, strict=True)
    ]


def _shape(name: str) -> str:
    return re.sub(r"[^\W\d_]", "a", re.sub(r"\d", "9", name))


def _named_meter(heading: str, is_name: IsMeter) -> tuple[str, str] | None:
    """Return the meter that a heading names and what else it says: `A12 left`, `Nord 3 (Nm)`."""
    said, unit = unit_in(heading)
    words = said.split()
    behind = f" ({unit.name})" if unit else ""
    for size in range(min(3, len(words)), 0, -1):
        name, rest = " ".join(words[:size]), " ".join(words[size:])
        if is_name(name) and (not rest or is_known(rest)):
            return name, (rest or READING) + behind
    return None


def _by_name(parts: Sequence[tuple[str, str] | None]) -> list[_Named]:
    found: dict[str, _Named] = {}
    for at, part in enumerate(parts):
        if part is not None:
            one = found.setdefault(part[0], _Named(part[0]))
            one.columns.setdefault(part[1], at)
    return list(found.values())


def _fits(table: FoundTable, parts: Sequence[tuple[str, str] | None], concept: str) -> bool:
    """Return whether the named columns hold values, and no other column says what they name."""
    shared = [heading for heading, part in zip(table.headings, parts, strict=True) if not part]
    if any(concept in concepts_in(unit_in(heading)[0]) for heading in shared):
        return False
    named = [at for at, part in enumerate(parts) if part]
    cells = [row[at] for row in table.body for at in named if row[at]]
    return bool(cells) and sum(map(is_value, cells)) >= 0.6 * len(cells)


def _are_names(named: Sequence[_Named]) -> bool:
    """Return whether short texts are names rather than a count of tries: T1, T2, T3."""
    if any(len(one.name) < SHORTEST_SURE for one in named):
        return False
    counts = [re.sub(r"\D", "", one.name) for one in named]
    letters = {re.sub(r"\d", "", one.name) for one in named}
    counted = [int(count) for count in counts] == list(range(1, len(counts) + 1))
    return len(letters) > 1 or not counted


def _unrolled(
    table: FoundTable, named: Sequence[_Named], title: str, *, doubtful: bool
) -> FoundTable:
    taken = {at for one in named for at in one.columns.values()}
    shared = [at for at in range(len(table.headings)) if at not in taken]
    rests = list(dict.fromkeys(rest for one in named for rest in one.columns))
    facts, kept = _facts_in(table, shared)
    heads = [*(table.headings[at] for at in shared), title, *(label for label, _ in facts), *rests]
    body: list[list[str]] = []
    rows: list[int] = []
    around: list[Surroundings] = []
    for number in kept:
        row = table.body[number]
        for one in named:
            own = [row[one.columns[rest]] if rest in one.columns else "" for rest in rests]
            if any(own):
                said = [_fact_of(cells, one) for _, cells in facts]
                body.append([*(row[at] for at in shared), one.name, *said, *own])
                rows.append(table.rows[number])
                around.append(table.around[number])
    names = tuple(one.name for one in named)
    return replace(
        table, headings=heads, body=body, rows=rows, around=around, facts=[], spread=names,
        doubtful=doubtful,
    )  # fmt: skip


def _facts_in(
    table: FoundTable, shared: Sequence[int]
) -> tuple[list[tuple[str, list[str]]], list[int]]:
    """Return what rows say of each column, above the headings or as a row, and the other rows."""
    facts, kept = list(table.facts), []
    for number, row in enumerate(table.body):
        label = next((row[at] for at in shared if row[at]), "")
        if label and _says_a_fact(label, row):
            facts.append((label, ["" if at in shared else cell for at, cell in enumerate(row)]))
        else:
            kept.append(number)
    return facts, kept


def _says_a_fact(label: str, row: Sequence[str]) -> bool:
    """Return whether a row is of crank lengths or masses, not of readings of a hung mass."""
    words, unit = unit_in(label)
    said = concepts_in(words) & FACTS
    amounts = [amount for cell in row if (amount := amount_in(cell))]
    weighed = any(u and u.quantity == "mass" for u in (unit, *(a.unit for a in amounts)))
    return bool(amounts) and bool(said) and ("crank" in said or weighed)


def _fact_of(cells: Sequence[str], one: _Named) -> str:
    """Return what a row says of a name's columns; a merged cell is said of those to its right."""
    return next((cells[at] for at in sorted(one.columns.values()) if cells[at]), "")
