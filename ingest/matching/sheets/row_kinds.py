"""What a row of a sheet is: headings, units, a value for each column, a sum, a remark."""

import re
from collections.abc import Sequence
from functools import lru_cache

from ingest.matching.sheets.cells import Kind, amount_in, is_value, kind_of
from ingest.matching.words import concepts_in, plain, unit_in, unit_named

LONGEST_HEADING = 45
_AMOUNTS = re.compile(r"\d\s?(?:kg|lbs?|mm|cm|g)\b", re.IGNORECASE)
MODIFIERS = frozenset(
    {"large", "small", "left", "right", "before", "after", "zero", "up", "down"}
    | {"mean", "deviation", "expected", "net", "spread"}
)
KEYS = frozenset(
    {"slope", "crank", "mass", "hanger", "meter", "serial", "day", "time", "temperature"}
    | {"technician", "place", "bench", "battery", "firmware", "bike", "rider", "verdict", "note"}
)
FACTS = frozenset({"crank", "mass", "hanger"})  # what may be said of each column
SPREADING = MODIFIERS | {"torque", "slope", "mass", "power", "label"}
_SUMS = frozenset(
    plain(word)
    for word in (
        *("sum", "total", "totals", "average", "mean", "count", "number of tests", "min", "max"),
        *("summe", "gesamt", "anzahl", "mittel", "mittelwert", "durchschnitt", "schnitt"),
        *("somme", "moyenne", "nombre", "totale", "media", "somma", "conteggio", "suma"),
        *("promedio", "totaal", "gemiddelde", "som", "aantal", "stdev", "stabw", "sd", "ø", "n"),
        *("abweichung", "deviation", "spread", "streuung", "minimum", "maximum", "median"),
        *("écart type", "standardabweichung", "standard deviation", "range", "soll", "expected"),
    )
)
Row = Sequence[str]


def filled(row: Row) -> list[int]:
    """Return the positions of the cells that hold something."""
    return [i for i, cell in enumerate(row) if cell]


@lru_cache(maxsize=20_000)
def is_known(cell: str) -> bool:
    """Return whether a cell could be a heading that is understood."""
    if not cell or len(cell) > LONGEST_HEADING or is_value(cell):
        return False
    if len(_AMOUNTS.findall(cell)) > 1:
        return False
    return bool(concepts_in(unit_in(cell)[0])) or unit_in(cell)[1] is not None


@lru_cache(maxsize=20_000)
def looks_like_an_id(text: str) -> bool:
    """Return whether a text is a short name of letters and digits, as devices have."""
    mixed = any(c.isdecimal() for c in text) and any(c.isalpha() for c in text)
    words = kind_of(text) is Kind.TEXT and amount_in(text) is None
    words = words and not concepts_in(text) - {"meter", "serial"}
    return len(text) <= 12 and mixed and words


def names_meters(row: Row) -> bool:
    """Return whether a row above headings names a meter for each group of columns."""
    cells = [row[i] for i in filled(row)]
    if cells and is_known(cells[0]) and "meter" in concepts_in(cells[0]):
        cells = cells[1:]
    return len(cells) >= 2 and len(set(cells)) == len(cells) and all(map(looks_like_an_id, cells))


def is_fact(row: Row) -> bool:
    """Return whether a row says something of each column: `Crank mm | 170 | 172.5 | 175`."""
    at = filled(row)
    if len(at) < 3 or not is_known(row[at[0]]):
        return False
    said = concepts_in(unit_in(row[at[0]])[0])
    return bool(said & FACTS) and all(amount_in(row[i]) is not None for i in at[1:])


def _heads_a_spread(row: Row) -> bool:
    """Return whether a row is of headings with a column for each of several meters or days."""
    cells = [row[i] for i in filled(row)]
    own = [cell for cell in cells if is_known(cell) and not _has_digits(cell)]
    others = [cell for cell in cells if cell not in own]
    if not own or own[0] != cells[0] or len(set(others)) != len(others) or len(others) < 2:
        return False
    concepts = concepts_in(unit_in(own[0])[0])
    if not concepts & (KEYS | {"label"}):
        return False
    ids = sum(map(looks_like_an_id, others))
    named = ids >= 2 and all(looks_like_an_id(c) or is_known(c) for c in others)
    return named or all(kind_of(c) is Kind.DAY for c in others)


def _has_digits(cell: str) -> bool:
    return any(c.isdecimal() for c in cell)


def is_teeth(cell: str) -> bool:
    """Return whether a cell could name a chainring by its teeth, or count repetitions."""
    return cell.isdecimal() and (25 <= int(cell) <= 65 or 1 <= int(cell) <= 9)


def _counts_repeats(cells: Sequence[str]) -> bool:
    """Return whether headings count repeated readings: `Reading | 1 | 2 | 3`."""
    counts = [cell for cell in cells if cell.isdecimal()]
    words = [cell for cell in cells if not cell.isdecimal()]
    counted = len(counts) >= 2 and counts == [str(n + 1) for n in range(len(counts))]
    return counted and bool(words) and is_known(words[0]) and not any(map(is_value, words))


def is_key_and_value(row: Row) -> bool:
    """Return whether a row is made of headings of a session, each with its value beside it."""
    cells = [row[i] for i in filled(row)]
    keys, values = cells[::2], cells[1::2]
    if len(keys) != len(values) or not all(is_known(key) for key in keys):
        return False
    concepts = [concepts_in(unit_in(key)[0]) for key in keys]
    return all(found & KEYS and not found & {"torque", "label"} for found in concepts)


def _can_head(cell: str) -> bool:
    """Return whether a number could be a heading: a ring's teeth, or masses that hung."""
    amount = amount_in(cell)
    hung = amount is not None and amount.unit is not None and amount.unit.quantity == "mass"
    return is_teeth(cell) or hung


def is_pair(row: Row) -> bool:
    """Return whether a row says something in the form `Meter: A12`."""
    cells = [cell for cell in row if cell]
    return any(cell.endswith(":") or ": " in cell for cell in cells)


def known_headings(row: Row) -> int:
    """Return how many cells are headings that are understood."""
    return sum(is_known(cell) for cell in row)


def is_heading(row: Row) -> bool:
    """Return whether a row is a line of headings."""
    at = filled(row)
    if len(at) < 2 or is_pair(row):
        return False
    values = [row[i] for i in at if is_value(row[i])]
    known = [cell for cell in row if is_known(cell)]
    if _counts_repeats([row[i] for i in at]) or _heads_a_spread(row):
        return True
    if values and not (all(_can_head(cell) for cell in values) and _names_own(row) >= 2):
        return False
    texts = len(at) - len(values)
    enough = len(set(known)) >= 2 and len(known) >= texts / 3
    return enough and texts >= 2 and len(values) <= len(known)


def _names_own(row: Row) -> int:
    """Return how many cells are headings of more than a trait: a row of data has none."""
    concepts = [concepts_in(unit_in(cell)[0]) if is_known(cell) else frozenset() for cell in row]
    return sum(bool(found) and not found & (MODIFIERS | {"label"}) for found in concepts)


def is_trait(cell: str) -> bool:
    """Return whether a cell says ring, arm, load or stage and nothing of a session."""
    concepts = concepts_in(cell) if is_known(cell) else frozenset()
    return bool(concepts & MODIFIERS) and not concepts & KEYS


def is_labelled(row: Row) -> bool:
    """Return whether a row is one of a turned table: a heading at its left, values beside it."""
    at = filled(row)
    if len(at) < 2 or not is_known(row[at[0]]):
        return False
    concepts = concepts_in(unit_in(row[at[0]])[0])
    return bool(concepts) and not concepts & (MODIFIERS | {"torque", "label"})


def is_units(row: Row) -> bool:
    """Return whether a row only says in which unit each column is."""
    at = filled(row)
    return bool(at) and all(unit_named(row[i]) or row[i] in ("-", "–") for i in at)


def is_second_line(row: Row, above: Row) -> bool:
    """Return whether a row below headings goes on with them: `L R L R`, `1 2 3`, units."""
    at = filled(row)
    if not at or is_units(row):
        return is_units(row)
    if all(is_teeth(row[i]) for i in at):
        spread = [i for i in at if i >= len(above) or not above[i]]
        return bool(spread) and len(at) < len(filled(above)) + len(spread)
    words = [i for i in at if not is_teeth(row[i])]
    return all(not is_value(row[i]) and concepts_in(unit_in(row[i])[0]) & SPREADING for i in words)


def is_upper_line(row: Row) -> bool:
    """Return whether a row above headings spreads over several of them: `Large ring | Small`."""
    at = filled(row)
    if not at or is_pair(row) or any(is_value(row[i]) and not is_teeth(row[i]) for i in at):
        return False
    spreading = [i for i in at if concepts_in(unit_in(row[i])[0]) & SPREADING or is_teeth(row[i])]
    return len(spreading) >= max(1, len(at) / 2) and (len(at) >= 2 or at[0] >= 2)


def is_sum(row: Row) -> bool:
    """Return whether a row sums up what stands above it: a total, a mean, a count."""
    at = filled(row)
    if not at or any(kind_of(row[i]) is Kind.DAY for i in at):
        return False
    first = next((row[i] for i in at if kind_of(row[i]) is Kind.TEXT), "")
    words = plain(first)
    return words in _SUMS or any(words.startswith(f"{word} ") for word in ("total", "summe", "sum"))


def is_remark(row: Row) -> bool:
    """Return whether a row is a line of words, not of a table."""
    at = filled(row)
    return len(at) == 1 and not (is_value(row[at[0]]) and amount_in(row[at[0]]))
