"""One bench sheet, from its columns to the rows of `bench`, or to what has to be asked first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from ingest.matching.bench.identity import (
    Texts,
    ask_meter,
    filled_down,
    instants,
    meters_said,
    one_spelling,
    sessions,
)
from ingest.matching.bench.loads import loads_of
from ingest.matching.bench.physics import TORQUES, settle
from ingest.matching.bench.roles import ask_readings, unexplained
from ingest.matching.bench.rows import BenchRows, Facts, bench_rows, lone_slope_column
from ingest.matching.bench.session_cells import SLOPES
from ingest.matching.bench.slopes import (
    SessionSlopes,
    exchange,
    lone_slope,
    session_slopes,
    slope_questions,
)
from ingest.matching.bench.traits import says_traits
from ingest.matching.meaning import (
    CLOCK,
    IGNORED,
    LABEL,
    WEEKDAYS,
    Assigned,
    ColumnSeen,
    Days,
    Known,
    Meaning,
    Question,
    bare,
    column_key,
    order_question,
    read_days,
    years_named,
)
from ingest.matching.sheets import FoundTable, Kind, kind_of, looks_like_an_id
from ingest.matching.words import concepts_in, unit_in

WORDED = ("technician", "place_id", "bench_id", "session_id", LABEL)
SHARED = (LABEL, "measured_at", CLOCK, "meter_id")


@dataclass
class BenchSheet:
    """What a bench sheet holds. Without questions `found` is complete."""

    assigned: list[Assigned]
    questions: list[Question] = field(default_factory=list)
    found: BenchRows = field(default_factory=BenchRows)
    slopes: list[SessionSlopes] = field(default_factory=list)
    meters_of: str = "column"


def read_bench(
    table: FoundTable,
    assigned: list[Assigned],
    known: Known,
    answers: Mapping[str, str],
    *,
    several_sheets: bool,
) -> BenchSheet:
    """Return the readings of a bench sheet, or what has to be asked before they can be told."""
    sheet = BenchSheet(assigned)
    exchange(assigned, answers)
    by_name = {a.meaning.column: a for a in assigned if a.meaning}
    _fill_down(assigned)
    meters, asked_meters = _meters(
        table, assigned, by_name, known, answers, several_sheets=several_sheets
    )
    sheet.questions += asked_meters
    sheet.meters_of = "column" if "meter_id" in by_name else "sheet"
    days = days_of(table, by_name.get("measured_at"), answers)
    sheet.questions += day_questions(days, by_name.get("measured_at"))
    loads = loads_of(table, assigned, meters, known, answers)
    torque, mass, asked = settle(assigned, loads, answers)
    sheet.questions += asked or unexplained(assigned)
    if not loads.crank_said and not asked and any(a.is_reading for a in assigned):
        sheet.questions.append(_ask_crank())
    if table.doubtful and "columns" not in answers:
        sheet.questions.append(_ask_names(table))
    if not any(a.is_reading or a.why == "named" for a in assigned):
        sheet.questions = sheet.questions or ask_readings([a.column for a in assigned])
    if sheet.questions or not any(a.is_reading for a in assigned):
        return sheet
    clocks = by_name[CLOCK].column.cells if CLOCK in by_name else None
    dated = by_name.get("measured_at")
    written = dated.column.cells if dated else [""] * len(table.rows)
    facts = _facts(assigned, meters, instants(days.texts, clocks), by_name, written)

    def rows() -> BenchRows:
        unit, sure = torque or TORQUES[0], "units" not in answers
        return bench_rows(table, assigned, loads, facts, torque=unit, mass=mass, checked=sure)

    sheet.found = rows()
    sheet.slopes = session_slopes(sheet.found.rows)
    lone = lone_slope(assigned, sheet.slopes)
    sheet.questions += lone or slope_questions(sheet.slopes, known.conventions, answers)
    if sheet.questions:
        sheet.found = BenchRows()
    elif any(a.why == "only_one" for a in assigned):
        sheet.found = rows()
        sheet.slopes = session_slopes(sheet.found.rows)
    return sheet


def days_of(table: FoundTable, assigned: Assigned | None, answers: Mapping[str, str]) -> Days:
    """Return the day of each row: of its column, else said around the table."""
    told = years_named([*(line for a in table.around[-1:] for line in a.lines), table.sheet or ""])
    year = int(answers["year"]) if answers.get("year", "").isdecimal() else None
    year = year or (next(iter(told)) if len(told) == 1 else None)
    if assigned is not None:
        return read_days(
            assigned.column.cells,
            order=answers.get("date_order"),
            year=year,
            weekday=answers.get("day_of_week"),
        )
    cells = []
    for around in table.around:
        said = [v for k, v in reversed(around.pairs) if "day" in concepts_in(unit_in(k)[0])]
        lines = [line for line in reversed(around.lines) if kind_of(line) is Kind.DAY]
        cells.append(next(iter([*said, *lines]), ""))
    return read_days(cells, order=answers.get("date_order"), year=year)


def day_questions(days: Days, assigned: Assigned | None) -> list[Question]:
    """Return what has to be asked about days: their order, their year, where they are."""
    if days.weeks:
        what = "The sheet names weeks. On which day of the week was it measured?"
        return [Question("day_of_week", what, WEEKDAYS, WEEKDAYS[0])]
    if days.open:
        return [order_question(assigned.column.cells if assigned else ())]
    if days.lacks_year:
        return [Question("year", "Of which year are these days? They are written without one.")]
    if assigned is None and not any(days.texts):
        return [Question("column:date", "On which day was it measured? No column holds days.")]
    return []


def _ask_names(table: FoundTable) -> Question:
    names = ", ".join(table.spread)
    return Question(
        "columns", f"Are {names} meters, each with columns of its own?", ("meters", "other")
    )


def _ask_crank() -> Question:
    return Question(
        "crank_length_mm",
        "How long are the cranks, in mm? The sheet does not say, nor does the store.",
        ("165", "167.5", "170", "172.5", "175"),
    )


def _fill_down(assigned: Sequence[Assigned]) -> None:
    """Repeat a session's own cells below its first row, where only that has them."""
    if not any(a.meaning and a.meaning.column == LABEL for a in assigned):
        return
    own = [a for a in assigned if a.meaning and not a.is_reading and a.meaning.column != LABEL]
    keys = [a for a in own if a.meaning and a.meaning.column in ("meter_id", "measured_at")]
    if not keys:
        return
    before = [list(a.column.cells) for a in keys]
    after = filled_down(before)
    if after == before:
        return
    copied = [not any(cells) for cells in zip(*before, strict=True)]
    for a in own:
        _repeat(a.column, copied)


def _repeat(column: ColumnSeen, copied: Sequence[bool]) -> None:
    for row, gap in enumerate(copied):
        if gap and row and not column.cells[row]:
            column.cells[row] = column.cells[row - 1]
            column.numbers[row] = column.numbers[row - 1]
            column.units[row] = column.units[row - 1]


def _meters(
    table: FoundTable,
    assigned: Sequence[Assigned],
    by_name: Mapping[str, Assigned],
    known: Known,
    answers: Mapping[str, str],
    *,
    several_sheets: bool,
) -> tuple[Texts, list[Question]]:
    if "meter_id" in by_name and (asked := _ask_meters(by_name["meter_id"], assigned, known)):
        return [None] * len(table.rows), [asked]
    if "meter_id" in by_name:
        cells: Texts = [cell or None for cell in by_name["meter_id"].column.cells]
        return one_spelling(cells, known), []
    unnamed = _could_be_meters(assigned, known)
    if unnamed is not None:
        cells = [cell or None for cell in unnamed.column.cells]
        if unnamed.why == "known_names":
            unnamed.meaning = Meaning("meter_id")
            return one_spelling(cells, known), []
        what = f'Does "{unnamed.column.name}" say which meter each row is of?'
        names = ("meter_id", IGNORED)
        return cells, [Question(column_key(unnamed.column.name), what, names, names[0])]
    if answers.get("meter_id"):
        return one_spelling([answers["meter_id"]] * len(table.rows), known), []
    said = meters_said(table, known, several_sheets=several_sheets)
    if said is None:
        return [None] * len(table.rows), [ask_meter(table)]
    return one_spelling(said, known), []


def _ask_meters(meters: Assigned, assigned: Sequence[Assigned], known: Known) -> Question | None:
    """Ask whether a column of meters is one: its cells are words of rings, or others are names."""
    cells = [cell for cell in meters.column.cells if cell]
    if meters.why == "named" or any(bare(cell) in known.meters for cell in cells):
        return None
    others = (a for a in assigned if a.meaning and a.meaning.column in WORDED)
    named = [a.column.name for a in others if _are_ids(a.column.cells)]
    if not says_traits(cells) and (not named or any(map(looks_like_an_id, cells))):
        return None
    beside = f", rather than {named[0]}" if named else ""
    what = f'Does "{meters.column.name}" say which meter each row is of{beside}?'
    return Question(column_key(meters.column.name), what, ("meter_id", LABEL, IGNORED))


def _are_ids(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    return bool(filled) and sum(map(looks_like_an_id, filled)) >= 0.8 * len(filled)


def _could_be_meters(assigned: Sequence[Assigned], known: Known) -> Assigned | None:
    """Return a column of words without a meaning whose cells look like names of meters."""
    for a in assigned:
        cells = [cell for cell in a.column.cells if cell]
        if a.meaning is not None or a.why != "not_understood" or a.column.is_numeric or not cells:
            continue
        if sum(bare(cell) in known.meters for cell in cells) >= 0.8 * len(cells):
            a.why, a.confidence = "known_names", 0.9
            return a
        if _are_ids(cells):
            return a
    return None


def _facts(
    assigned: Sequence[Assigned],
    meters: Texts,
    at: Texts,
    by_name: Mapping[str, Assigned],
    written: Sequence[str],
) -> Facts:
    numbers = by_name["session_id"].column.cells if "session_id" in by_name else None
    shared = lone_slope_column(assigned)  # its cells differ from before to after
    slopes = [by_name[n].column.cells for n in SLOPES if n in by_name and n != shared]
    apart = list(zip(*slopes, strict=True)) if slopes else [()] * len(at)
    several = any(a.meaning and a.meaning.column == LABEL for a in assigned)
    readings = sum(a.is_reading and not (a.meaning and a.meaning.is_zero) for a in assigned)
    names, began = sessions(
        meters, at, numbers=numbers, apart=apart, row_a_reading=several or readings == 1
    )
    return Facts(meters, names, began, written)
