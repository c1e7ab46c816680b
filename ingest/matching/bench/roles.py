"""What each column of a bench sheet is taken for by its words and the kind of its values."""

from collections.abc import Sequence
from dataclasses import replace

from ingest.matching.bench.traits import TRAIT_OF_CONCEPT, says_traits, traits_of
from ingest.matching.meaning import (
    CLOCK,
    IGNORED,
    LABEL,
    Assigned,
    ColumnSeen,
    Meaning,
    Question,
    Why,
    column_key,
    reading,
    usual_unit,
)
from ingest.matching.sheets import Kind
from ingest.matching.words import UNITS, Unit, tokens, unknown_words

# Where several concepts fit a column of numbers, the first one holds.
_COMPUTED = ("deviation", "spread", "verdict")
_SIMPLE = {
    "temperature": "temperature_c",
    "hanger": "hanger_mass_kg",
    "angle": "crank_angle_deg",
    "gravity": "gravity_ms2",
    "soak": "soak_min",
    "cog": "cog_teeth",
}
_WORDED = {
    "meter": "meter_id",
    "session": "session_id",
    "technician": "technician",
    "place": "place_id",
    "bench": "bench_id",
}
_OF_QUANTITY = {"temperature": "temperature_c"}
_LENGTHS = (UNITS["mm"], UNITS["cm"], UNITS["in"], UNITS["m"])
CRANK_MM = (140.0, 190.0)
MASS_KG = (0.0, 120.0)
TRAIT_CONCEPTS = frozenset(TRAIT_OF_CONCEPT)


_NO_MATTER = frozenset(
    {"in", "of", "the", "at", "with", "mit", "bei", "a", "de", "con", "di", "van", "op", "auf"}
    | {"nm", "test", "bench"}
)
TRAITED = tuple(
    reading({name: value}).text()
    for name, value in (
        *(("chainring", "large"), ("chainring", "small"), ("arm", "left"), ("arm", "right")),
        *(("stage", "as_found"), ("stage", "as_left")),
    )
)


def by_words(columns: Sequence[ColumnSeen]) -> list[Assigned]:
    """Return what each column is taken for; None where its words and values do not tell."""
    assigned = [_one(column) for column in columns]
    _only_one_of_each(assigned)
    _by_kind_alone(assigned)
    _repeats(assigned)
    _weighed(assigned)
    return assigned


def headed_as_bench(columns: Sequence[ColumnSeen]) -> bool:
    """Return whether headings are those of a bench sheet, whatever stands below them."""
    masses = [c for c in columns if "mass" in c.concepts]
    shown = {"torque", "zero", *TRAIT_CONCEPTS}
    return any(c.concepts & shown for c in columns if c not in masses) and bool(masses)


def ask_readings(columns: Sequence[ColumnSeen]) -> list[Question]:
    """Ask which column holds readings, where headings are those of a bench and no values are."""
    if not headed_as_bench(columns):
        return []
    headed = [c for c in columns if c.concepts & {"torque", *TRAIT_CONCEPTS}] or list(columns)
    what = f'"{headed[0].name}" holds no torque as numbers. Which readings are these?'
    choices = (reading({}).text(), *TRAITED, IGNORED)
    return [Question(column_key(headed[0].name), what, choices)]


def crank_unit(column: ColumnSeen) -> Unit | None:
    """Return the unit in which every value of a column is a crank's length; None if there is none.

    A stated unit is not overruled: None if its values do not fit it.
    """
    if not column.values:
        return None
    return next(
        (
            unit
            for unit in ([column.unit] if column.unit in _LENGTHS else _LENGTHS)
            if unit and _share(column.values, CRANK_MM, unit.factor) >= 0.9
        ),
        None,
    )


def _share(values: Sequence[float], bounds: tuple[float, float], factor: float) -> float:
    return sum(bounds[0] <= value * factor <= bounds[1] for value in values) / len(values)


def _one(column: ColumnSeen) -> Assigned:
    if not column.filled:
        return Assigned(column, None, "nothing_needed")
    if column.is_numeric:
        return _of_numbers(column)
    if column.mostly(Kind.DAY):
        return _of_days(column)
    if column.mostly(Kind.TIME):
        return _worded(column, CLOCK, known="time" in column.concepts)
    return _of_text(column)


def _worded(column: ColumnSeen, name: str, *, known: bool, unit: Unit | None = None) -> Assigned:
    why: Why = "kind_of_values"
    if known:
        why = "words" if column.certain >= 0.9 else "nearly_words"
    return Assigned(column, Meaning(name), why, unit)


def _of_days(column: ColumnSeen) -> Assigned:
    if column.concepts & {"next", "due", "bought", "warranty"} and "day" not in column.concepts:
        return Assigned(column, None, "nothing_needed")
    return _worded(column, "measured_at", known="day" in column.concepts)


def _are_spoilt_readings(column: ColumnSeen) -> bool:
    """Return whether a column is headed as one of readings, and holds numbers with more in them."""
    digits = [any(c.isdecimal() for c in cell) for cell in column.cells if cell]
    headed = bool(column.concepts) and column.concepts <= {"torque", *TRAIT_CONCEPTS}
    return headed and all(digits)


def _of_text(column: ColumnSeen) -> Assigned:
    if says_traits(column.cells) and not column.concepts & {"technician", "note", "meter"}:
        known = bool(column.concepts & {"label", "stage", "direction", "mass", "torque"})
        return _worded(column, LABEL, known=known)
    if _are_spoilt_readings(column):
        return _reading(column)
    for concept, name in _WORDED.items():
        if concept in column.concepts:
            return _worded(column, name, known=True)
    if "mass" in column.concepts:
        return _worded(column, "bench_id", known=True)
    if "note" in column.concepts or "verdict" in column.concepts or "serial" in column.concepts:
        return Assigned(column, None, "nothing_needed")
    return Assigned(column, None, "not_understood")


def _label_of_tries(column: ColumnSeen) -> Assigned | None:
    """Return a count of tries as a column of labels, where zeros stand between: zero, 1, 2, 3."""
    texts = [
        cell for cell, value in zip(column.cells, column.numbers, strict=True) if value is None
    ]
    if "counter" not in column.concepts or not says_traits(texts) or _decimals(column):
        return None
    cells = [
        cell if value is None else ""
        for cell, value in zip(column.cells, column.numbers, strict=True)
    ]
    return _worded(replace(column, cells=cells), LABEL, known=True)


def _of_numbers(column: ColumnSeen) -> Assigned:
    concepts = column.concepts
    if tries := _label_of_tries(column):
        return tries
    if "week" in concepts and all(1 <= value <= 53 for value in column.values):
        weeks = [f"W{cell}" if cell else "" for cell in column.cells]
        return _worded(replace(column, cells=weeks), "measured_at", known=True)
    unit = usual_unit(column, column.unit)
    quantity = unit.quantity if unit else None
    if _are_serial_days(column):
        return _of_days(column)
    if "time" in concepts and all(0 <= value < 1 for value in column.values):
        return _worded(column, CLOCK, known=True)
    if "slope" in concepts and quantity != "percent":
        return _slope(column)
    if quantity == "torque" and not concepts & {*_COMPUTED, "mean", "expected", "net"}:
        return _reading(column)
    if concepts & set(_COMPUTED) or quantity == "percent":
        return Assigned(column, None, "computed_words")
    if concepts & {"mean", "net"} or ("expected" in concepts and not concepts & {"slope"}):
        return Assigned(column, None, "computed_words")
    for concept, name in _SIMPLE.items():
        if concept in concepts:
            return _worded(column, name, known=True, unit=column.unit)
    if quantity in _OF_QUANTITY:
        return _worded(column, _OF_QUANTITY[quantity], known=True, unit=column.unit)
    return _length_mass_or_reading(column, quantity)


def _length_mass_or_reading(column: ColumnSeen, quantity: str | None) -> Assigned:
    concepts = column.concepts
    length = crank_unit(column)
    bare_left = concepts <= {"left"} and column.heading.strip().lower() == "l"
    if length and not column.amount and ("crank" in concepts or quantity == "length" or bare_left):
        return _worded(column, "crank_length_mm", known=not bare_left, unit=column.unit or length)
    if _are_teeth(column) and concepts & {"label", "large", "small"} and not _decimals(column):
        return _worded(column, LABEL, known=True)
    if "mass" in concepts and not concepts & {"torque", "zero"}:
        if concepts & TRAIT_CONCEPTS and quantity != "mass":
            return _reading(column)
        return _worded(column, "mass_kg", known=True, unit=column.unit)
    if quantity == "mass" and "torque" not in concepts:
        return _worded(column, "mass_kg", known=True, unit=column.unit)
    if "meter" in concepts and not _decimals(column):
        return _worded(column, "meter_id", known=True)
    if concepts & {"torque", *TRAIT_CONCEPTS} or column.teeth or column.amount:
        return _reading(column)
    for concept, name in _WORDED.items():
        if concept in concepts and not _decimals(column):
            return _worded(column, name, known=True)
    if concepts & {"counter", "battery", "firmware", "serial", "note", "bike", "rider"}:
        return Assigned(column, None, "nothing_needed")
    return Assigned(column, None, "not_understood")


def _reading(column: ColumnSeen) -> Assigned:
    traits = traits_of(column.concepts, column.teeth)
    if traits is None:
        return Assigned(column, None, "not_understood")
    mass = None
    if column.amount:
        mass = column.amount[0] * column.amount[1].factor
        if mass == 0:
            traits, mass = {**traits, "load": "zero"}, None
    why: Why = "words" if column.certain >= 0.9 or column.teeth else "nearly_words"
    unit = column.unit if column.unit and column.unit.quantity == "torque" else None
    return Assigned(column, reading(traits, mass), why, unit)


def _slope(column: ColumnSeen) -> Assigned:
    traits = traits_of(column.concepts & TRAIT_CONCEPTS)
    if traits is None or column.concepts & {"mean", "deviation", "expected"}:
        return Assigned(column, None, "computed_words")
    stage = {"as_found": "before", "as_left": "after"}.get(traits.get("stage", ""))
    side = f"_{traits['arm']}" if "arm" in traits else ""
    name = f"slope_{stage or 'before'}{side}"
    return Assigned(column, Meaning(name), "words" if stage else "only_one")


def _are_serial_days(column: ColumnSeen) -> bool:
    if not column.values or not column.concepts & {"day", "time"}:
        return False
    return all(36526 <= value <= 73050 for value in column.values)


def _are_teeth(column: ColumnSeen) -> bool:
    return bool(column.values) and all(25 <= value <= 65 for value in column.values)


def _decimals(column: ColumnSeen) -> bool:
    return any(value != int(value) for value in column.values)


def _only_one_of_each(assigned: list[Assigned]) -> None:
    """Keep the surest column of each meaning that a sheet has once; drop the others."""
    for name in ("meter_id", "session_id", "technician", "place_id", "bench_id", "measured_at"):
        same = [a for a in assigned if a.meaning and a.meaning.column == name]
        if len(same) > 1:
            best = max(same, key=lambda a: _fitness(a, name))
            for other in same:
                if other is not best:
                    other.meaning, other.why = None, "nothing_needed"


def _fitness(assigned: Assigned, name: str) -> tuple[int, float, int]:
    concept = {"meter_id": "meter", "measured_at": "day"}.get(name, name.removesuffix("_id"))
    alone = assigned.column.concepts == {concept}
    return int(alone), assigned.confidence, -assigned.column.at


def _weighed(assigned: Sequence[Assigned]) -> None:
    """Read gross, tare and net as a scale says them: gross is no ring, tare is the zero."""
    words = [set(tokens(a.column.words)) for a in assigned]
    tares = [a for a, said in zip(assigned, words, strict=True) if said & {"tare", "tara"}]
    nets = [a for a in assigned if "net" in a.column.concepts]
    gross = [a for a, said in zip(assigned, words, strict=True) if said & {"gross", "brutto"}]
    ringed = any("small" in a.column.concepts for a in assigned)
    if not gross or not (tares or nets) or ringed:
        return
    for a in gross:
        if a.column.is_numeric and (a.is_reading or a.why == "not_understood"):
            a.meaning, a.why = reading({}), "words"
    for a in tares:
        weighed = a.column.unit is not None and a.column.unit.quantity == "mass"
        if a.column.is_numeric and not weighed:
            a.meaning, a.why, a.unit = reading({"load": "zero"}), "words", a.column.unit


def unexplained(assigned: Sequence[Assigned]) -> list[Question]:
    """Ask about columns of readings whose headings differ in what nobody here understands."""
    readings = [a for a in assigned if a.is_reading and a.meaning and not a.meaning.is_zero]
    odd = {id(a): unknown_words(a.column.words) - _NO_MATTER for a in readings}
    shared = frozenset.intersection(*odd.values()) if odd else frozenset()
    found = []
    for a in readings:
        more = sorted(odd[id(a)] - shared)
        if a.why == "named":
            continue
        if more or _interleaved(a, readings):
            said = (
                f'in "{a.column.heading}", what is "{" ".join(more)}"'
                if more
                else (f'"{a.column.heading}" heads several columns. What is {a.column.name}')
            )
            meant = a.meaning.text() if a.meaning else IGNORED
            choices = tuple(dict.fromkeys((meant, *TRAITED, IGNORED)))
            found.append(
                Question(column_key(a.column.name), said[0].upper() + said[1:] + "?", choices)
            )
    return found


def _interleaved(a: Assigned, readings: Sequence[Assigned]) -> bool:
    """Return whether a heading comes again after another one: L, R, L, R."""
    places = [i for i, other in enumerate(readings) if other.column.heading == a.column.heading]
    return len(places) > 1 and places[-1] - places[0] >= len(places)


def _repeats(assigned: list[Assigned]) -> None:
    """Take columns headed 1, 2, 3 for repeated readings, where rows say of what, or three do."""
    counted = [a for a in assigned if a.column.heading in "123456789" and a.column.heading]
    counted = [a for a in counted if a.meaning is None and a.column.is_numeric]
    if [a.column.heading for a in counted] != [str(n + 1) for n in range(len(counted))]:
        return
    labelled = any(a.meaning and a.meaning.column == LABEL for a in assigned)
    if len(counted) >= 3 or (labelled and len(counted) == 2):
        for a in counted:
            a.meaning, a.why, a.confidence = reading({}), "nearly_words", 0.75


def _by_kind_alone(assigned: list[Assigned]) -> None:
    """Take a column without telling words for what only it can be: the crank length."""
    taken = {a.meaning.column for a in assigned if a.meaning}
    if "crank_length_mm" not in taken:
        fitting = [
            a
            for a in assigned
            if a.meaning is None
            and a.why == "not_understood"
            and a.column.is_numeric
            and (unit := crank_unit(a.column)) is not None
            and unit.name == "mm"
            and not a.column.concepts
        ]
        if len(fitting) == 1:
            fitting[0].meaning, fitting[0].why = Meaning("crank_length_mm"), "kind_of_values"
            fitting[0].unit = UNITS["mm"]
