"""Which meter and which day a row is of, and which rows are one session."""

import re
from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from ingest.matching.meaning import Known, Question, bare, clock_text
from ingest.matching.sheets import FoundTable, Kind, Surroundings, kind_of, looks_like_an_id
from ingest.matching.words import concepts_in, tokens, unit_in

GAP = timedelta(hours=4)  # within one session of a sheet with a row for each reading
NOT_A_METER = frozenset(
    [
        "sheet",
        "tabelle",
        "feuille",
        "foglio",
        "hoja",
        "blad",
        "worksheet",
        "data",
        "daten",
        "bench",
        "log",
        "results",
        "list",
    ]
)
MERGED_SHARE, FEWEST_OTHERS = 0.3, 4
LONGEST_ID = 40
Texts = list[str | None]


def filled_down(columns: Sequence[Sequence[str]]) -> list[list[str]]:
    """Return columns of a session's own cells, repeated below where only its first row has them.

    That is so where three rows of ten and more leave all of them empty together; a row that
    leaves only some empty keeps its gap.
    """
    if not columns or not columns[0]:
        return [list(column) for column in columns]
    empty = [not any(cells) for cells in zip(*columns, strict=True)]
    if empty[0] or sum(empty) < MERGED_SHARE * len(empty):
        return [list(column) for column in columns]
    out: list[list[str]] = [[] for _ in columns]
    for row, gap in enumerate(empty):
        for kept, column in zip(out, columns, strict=True):
            kept.append(kept[-1] if gap else column[row])
    return out


def meters_said(table: FoundTable, known: Known, *, several_sheets: bool) -> Texts | None:
    """Return each row's meter where the sheet has no column of meters; None: nothing says it."""
    said = [_said_meter(around, known) for around in table.around]
    if any(said):
        return said
    below = _said_meter(table.notes, known)
    if below:
        return [below] * len(table.rows)
    name = table.sheet or Path(table.file).stem
    if bare(name) in known.meters:
        return [known.meters[bare(name)]] * len(table.rows)
    if table.sheet and several_sheets and _could_be_a_meter(table.sheet):
        return [table.sheet.strip()] * len(table.rows)
    return None


def ask_meter(table: FoundTable) -> Question:
    """Return the question which meter a sheet is of; the sheet's or file's name is the default."""
    name = (table.sheet or Path(table.file).stem).strip()
    return Question(
        "meter_id",
        "Which meter is this sheet of? It has no column of meters.",
        (),
        name if _could_be_a_meter(name) else None,
    )


def _said_meter(around: Surroundings, known: Known) -> str | None:
    for key, value in reversed(around.pairs):
        concepts = concepts_in(unit_in(key)[0])
        if "meter" in concepts and _could_be_a_meter(value):
            return value
    for line in reversed(around.lines):
        if bare(line) in known.meters:
            return known.meters[bare(line)]
        if looks_like_an_id(line):
            return line
    return None


def _could_be_a_meter(name: str) -> bool:
    words = tokens(name)
    if not words or len(name) > LONGEST_ID or kind_of(name) is Kind.DAY or NOT_A_METER & set(words):
        return False
    return not name.strip().isdecimal() or not 1990 <= int(name) <= 2100


def is_no_name(text: str) -> bool:
    """Return whether a text is what stands in the place of a name: ???, #REF!, =A1, 1e999."""
    plain = re.search(r"[^\W_]", text, re.ASCII) is not None and text.isprintable()
    number = re.fullmatch(r"\d+e\d+|\d+\s?/\s?\d+", text, re.IGNORECASE)
    return not plain or len(text) > LONGEST_ID or text[0] in "#=" or number is not None


def _odd_ones(meters: Texts, known: Known) -> set[str]:
    """Return names without a digit that come once, where all others are of letters and digits."""
    count = Counter(name for name in meters if name)
    plain = [name for name in count if not any(c.isdecimal() for c in name)]
    lone = {name for name in count if count[name] == 1 and bare(name) not in known.meters}
    spoilt = {name for name in lone if any(_is_spoilt(name, o) for o in count if count[o] > 1)}
    wordy = len(plain) == 1 and sum(count.values()) > FEWEST_OTHERS
    return spoilt | (lone & set(plain) if wordy else set())


def _is_spoilt(name: str, other: str) -> bool:
    """Return whether a name is another one with a digit or space in it become something else."""
    if len(name) != len(other) or bare(name) == bare(other):
        return False
    different = [(a, b) for a, b in zip(name, other, strict=True) if a != b]
    return len(different) == 1 and not (different[0][1].isalpha() or different[0][0].isdecimal())


def one_spelling(meters: Texts, known: Known) -> Texts:
    """Return ids as the store spells them, else as the sheet first does; None for no name."""
    first: dict[str, str] = {}
    odd = _odd_ones(meters, known)
    out: Texts = []
    for meter in meters:
        if not meter or is_no_name(meter) or meter in odd:
            out.append(None)
            continue
        key = bare(meter)
        out.append(known.meters.get(key) or first.setdefault(key, meter.strip()))
    return out


def instants(days: Texts, clocks: Sequence[str] | None) -> Texts:
    """Return days with the time of day beside them, as ISO text."""
    if clocks is None:
        return days
    out: Texts = []
    for day, cell in zip(days, clocks, strict=True):
        clock = clock_text(cell) if cell else None
        out.append(f"{day[:10]}T{clock}" if day and clock else day)
    return out


def sessions(
    meters: Texts,
    instants: Texts,
    *,
    numbers: Sequence[str] | None,
    apart: Sequence[tuple[str, ...]],
    row_a_reading: bool,
) -> tuple[list[str | None], Texts]:
    """Return the session of each row and when it began.

    numbers        the sheet's own numbers of its sessions, if it has them
    apart          cells that are the same all through a session
    row_a_reading  a session has several rows: those of one meter and day are one, up to a gap
    """
    ids: list[str | None] = []
    begun: dict[str, str] = {}
    open_of: dict[tuple[str, str], list[tuple[str, tuple[str, ...], str, str]]] = {}
    for row, (meter, at) in enumerate(zip(meters, instants, strict=True)):
        if not meter or not at:
            ids.append(None)
            continue
        number = numbers[row] if numbers else ""
        place = open_of.setdefault((meter, at[:10]), [])
        found = None
        for name, cells, last, own_number in place:
            if own_number != number or not _agree(cells, apart[row]):
                continue
            if number or _near(last, at, row_a_reading):
                found = name
        if found is None:
            found = _session_id(meter, at[:10], number, len(place))
            begun[found] = at
            place.append((found, apart[row], at, number))
        else:
            index = next(i for i, entry in enumerate(place) if entry[0] == found)
            place[index] = (found, _merged(place[index][1], apart[row]), at, number)
        ids.append(found)
    return ids, [begun[name] if name else at for name, at in zip(ids, instants, strict=True)]


def _session_id(meter: str, day: str, number: str, before: int) -> str:
    if number and not number.isdecimal():
        return number
    return f"{meter}-{day}" + (f"-{before + 1}" if before else "")


def _agree(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    return all(not a or not b or a == b for a, b in zip(one, other, strict=True))


def _merged(one: tuple[str, ...], other: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(a or b for a, b in zip(one, other, strict=True))


def _near(last: str, at: str, row_a_reading: bool) -> bool:
    if last == at:
        return True
    if not row_a_reading:
        return False
    gap = datetime.fromisoformat(at) - datetime.fromisoformat(last)
    return abs(gap) <= GAP or len(last) == 10 or len(at) == 10
