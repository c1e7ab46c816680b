"""Physics of a bench: a reading of hung masses is mass · g · crank length, within the error of
any meter that is still in use. That finds the readings, the units, and what was mixed up.
"""

import re
from collections.abc import Mapping, Sequence
from statistics import median

from ingest.matching.bench.loads import Loads, in_unit
from ingest.matching.bench.roles import TRAITED
from ingest.matching.meaning import (
    IGNORED,
    Assigned,
    ColumnSeen,
    Question,
    column_key,
    reading,
    usual_unit,
)
from ingest.matching.words import UNITS, Unit

STANDARD_MS2 = 9.80665
# No two pairs of units differ by less than 1.35, so at most one of them fits in these limits.
NEAR_ONE = (0.88, 1.14)
ROW_NEAR_ONE = (0.75, 1.33)
ZERO_SHARE, ZERO_NM = 0.15, 4.0  # a zero is a small part of the loaded reading, and small
FEWEST_COMPUTED = 4  # values of a column that is headed as a reading
LEAST_NEAR = 0.3  # of an unnamed column's values, for it to be one of readings
LIKELY_KG = (0.5, 80.0)
TORQUES = tuple(UNITS[name] for name in ("N·m", "in·lb", "ft·lb", "kgf·m"))
MASSES = tuple(UNITS[name] for name in ("kg", "lb", "g"))
Ratios = list[float | None]


def is_near_one(ratio: float | None, limits: tuple[float, float] = NEAR_ONE) -> bool:
    """Return whether a ratio of reading to mass · g · crank length is one of a working meter."""
    return ratio is not None and limits[0] <= ratio <= limits[1]


def ratios(
    column: ColumnSeen, loads: Loads, *, torque: Unit, mass: Unit | None, mass_kg: float | None
) -> Ratios:
    """Return reading ÷ (mass · g · crank length) of each cell; None where one of them lacks."""
    out: Ratios = []
    for row, value in enumerate(in_unit(column, torque)):
        moment = loads.moment(row, mass_kg, mass)
        if value is None or not moment:
            out.append(None)
        else:
            out.append(value * torque.factor / (moment * STANDARD_MS2))
    return out


def middle(found: Ratios) -> float | None:
    """Return the median of the ratios of loaded cells; zeros and gaps are left out."""
    loaded = [ratio for ratio in found if ratio is not None and abs(ratio) > ZERO_SHARE]
    return median(loaded) if loaded else None


def settle(
    assigned: list[Assigned], loads: Loads, answers: Mapping[str, str]
) -> tuple[Unit | None, Unit | None, list[Question]]:
    """Settle units and readings of a bench sheet; return units of torque and mass, and questions.

    The meanings of `assigned` are changed where physics tells: an unnamed column becomes a
    reading, a computed one is kept out.
    """
    unnamed = [a for a in assigned if _is_open(a)]
    named = [a for a in assigned if a.is_reading and a.meaning and not a.meaning.is_zero]
    if not named and not unnamed:
        return None, None, []
    if loads.nameless:
        return None, None, [_ask_name(name) for name in loads.nameless]
    if not loads.mass_said:
        return None, None, [_ask_mass(assigned, loads)]
    stated, masses = _stated(named), [loads.mass_unit] if loads.mass_unit else list(MASSES)
    if answers.get("units"):
        parts = [UNITS.get(part.strip()) for part in answers["units"].split(",")]
        torque, mass = parts[0], parts[-1]
        if torque in TORQUES and mass in MASSES:
            for a in assigned:
                a.unit = torque if a.is_reading else a.unit
            return torque, mass, _zeros(assigned, loads, torque, mass)
    fitting = _fitting(named or unnamed, loads, [stated] if stated else list(TORQUES), masses)
    if not fitting:
        return stated, loads.mass_unit, [_ask_units(named, unnamed, loads, stated)]
    torque, mass = fitting[0]
    named = _without_computed(named, unnamed, loads, torque, mass)
    for a in assigned:
        if a.meaning and a.meaning.column == "mass_kg":
            a.unit = a.unit or mass
    for a in named:
        a.unit = a.unit or torque
    questions = _check_named(named, loads, mass) if named else []
    questions += _unnamed_readings(unnamed, named, loads, torque, mass)
    return torque, mass, questions + _zeros(assigned, loads, torque, mass)


def _is_open(a: Assigned) -> bool:
    return a.meaning is None and a.why == "not_understood" and a.column.is_numeric


def _stated(named: Sequence[Assigned]) -> Unit | None:
    units = [usual_unit(a.column, a.unit) for a in named]
    return next((unit for unit in units if unit is not None and unit.quantity == "torque"), None)


def _fitting(
    columns: Sequence[Assigned], loads: Loads, torques: Sequence[Unit], masses: Sequence[Unit]
) -> list[tuple[Unit, Unit]]:
    """Return the pairs of units in which the readings are near mass · g · crank length."""
    found = []
    for torque in torques:
        for mass in masses:
            middles = [_middle_of(a, loads, a.unit or torque, mass) for a in columns]
            told = [ratio for ratio in middles if ratio is not None]
            near = [ratio for ratio in told if is_near_one(ratio)]
            named = any(a.is_reading for a in columns)
            if near and is_near_one(median(told if named else near)) and _can_hang(loads, mass):
                found.append((torque, mass))
    return found


def _can_hang(loads: Loads, mass: Unit) -> bool:
    """Return whether masses in this unit are such as hang at a bench."""
    hung = [value * mass.factor for value in loads.mass if value]
    return not hung or LIKELY_KG[0] <= median(hung) <= LIKELY_KG[1]


def _middle_of(a: Assigned, loads: Loads, torque: Unit, mass: Unit | None) -> float | None:
    of_heading = a.meaning.mass_kg if a.meaning else None
    return middle(ratios(a.column, loads, torque=torque, mass=mass, mass_kg=of_heading))


def _check_named(named: Sequence[Assigned], loads: Loads, mass: Unit) -> list[Question]:
    """Ask about columns that are readings by their words, but not by their values."""
    questions = []
    for a in named:
        ratio = _middle_of(a, loads, a.unit or TORQUES[0], mass)
        if is_near_one(ratio):
            if a.why != "named":
                a.why, a.confidence = "words_and_physics", 0.99
        elif ratio is not None or not a.column.concepts & {"torque"}:
            if a.why == "named" or not a.column.values:
                continue
            what = f'"{a.column.name}" should hold readings, but its values do not fit'
            if ratio is not None:
                what += f": they are {ratio:.2f} times mass · g · crank length"
            questions.append(_ask_column(a, f"{what}. What is it?"))
    return questions


def _ask_column(a: Assigned, what: str, default: str | None = None) -> Question:
    meant = a.meaning.text() if a.meaning else "torque_nm"
    a.confidence, a.why = 0.0, "asked"
    choices = dict.fromkeys((meant, "slope_before", "slope_after", IGNORED))
    return Question(column_key(a.column.name), what, tuple(choices), default)


def _unnamed_readings(
    unnamed: Sequence[Assigned], named: list[Assigned], loads: Loads, torque: Unit, mass: Unit
) -> list[Question]:
    """Take an unnamed column for the reading if it is the only one; ask where there are more."""
    near = [a for a in unnamed if _often_near(_cells(a, loads, torque, mass))]
    others = [a for a in near if not _is_computed(a, [*named, *near], loads, torque, mass)]
    if not others:
        return []
    if len(others) == 1 and not named:
        others[0].meaning, others[0].why = reading({}), "physics"
        others[0].unit, others[0].confidence = torque, 0.9
        return []
    return [
        Question(
            column_key(a.column.name),
            f'"{a.column.name}" holds values near mass · g · crank length. Is it a reading, and '
            "of which ring, arm or stage?",
            ("torque_nm", *TRAITED, IGNORED),
        )
        for a in others
    ]


def _often_near(found: Ratios) -> bool:
    told = [ratio for ratio in found if ratio is not None]
    return bool(told) and sum(map(is_near_one, told)) >= LEAST_NEAR * len(told)


def _is_computed(
    a: Assigned, readings: Sequence[Assigned], loads: Loads, torque: Unit, mass: Unit
) -> bool:
    """Return whether a column is the mean of the others, or mass · g · crank length itself."""
    rest = [other for other in readings if other is not a and other.is_reading]
    told = [ratio for ratio in _cells(a, loads, torque, mass) if ratio is not None]
    if len(told) >= 3 and max(told) - min(told) < 6e-4 and abs(told[0] - 1) < 2e-3:
        a.why = "computed_expected"
        return True
    if len(rest) < 2:
        return False
    if _are_means(a.column, [other.column for other in rest], headed=a.is_reading):
        a.why = "computed_mean"
        return True
    return False


def _are_means(column: ColumnSeen, others: Sequence[ColumnSeen], *, headed: bool) -> bool:
    """Return whether a column holds the mean of others, to its last digit if headed a reading.

    Of one that is headed so, only rows count in which chance would hardly have done it.
    """
    last = 0.5 * 10.0 ** -max((len(re.split("[.,]", c)[-1]) for c in column.cells if c), default=0)
    near = last + 1e-6 if headed else 0.051
    agree = total = 0
    for row, value in enumerate(column.numbers):
        present = [n for other in others if (n := other.numbers[row]) is not None]
        wide = len(present) >= 2 and (max(present) - min(present) > 20 * near or not headed)
        if value is not None and wide:
            total += 1
            agree += abs(sum(present) / len(present) - value) <= near
    return total >= (FEWEST_COMPUTED if headed else 2) and agree >= 0.9 * total


def _without_computed(
    named: list[Assigned], unnamed: Sequence[Assigned], loads: Loads, torque: Unit, mass: Unit
) -> list[Assigned]:
    """Return the readings without those that are computed from others, or from the mass."""
    kept = list(named)
    for a in named:
        others = [other for other in kept if other is not a]
        enough = len(a.column.values) >= FEWEST_COMPUTED and a.why != "named"
        if enough and (others or unnamed) and _is_computed(a, others, loads, torque, mass):
            a.meaning = None
            kept.remove(a)
    return kept


def _cells(a: Assigned, loads: Loads, torque: Unit, mass: Unit) -> Ratios:
    return ratios(a.column, loads, torque=torque, mass=mass, mass_kg=None)


def _zeros(
    assigned: Sequence[Assigned], loads: Loads, torque: Unit, mass: Unit | None
) -> list[Question]:
    """Check that zeros are small; large whole numbers are the maker's own counts."""
    questions = []
    for a in assigned:
        if not (a.meaning and a.meaning.is_reading and a.meaning.is_zero and a.column.values):
            continue
        unit = usual_unit(a.column, a.unit) or torque
        a.unit = unit
        size = median(abs(value) for value in a.column.values) * unit.factor
        if size <= ZERO_NM or a.why == "named":
            continue
        if is_near_one(_middle_of(a, loads, unit, mass)):
            what = f'"{a.column.name}" should hold zeros, but its values are those of hung masses.'
            questions.append(_ask_column(a, f"{what} What is it?"))
        elif all(value == int(value) for value in a.column.values) and size > 10:
            a.meaning, a.why, a.confidence = None, "raw_counts", 0.8
        else:
            what = f'"{a.column.name}" should hold zeros, but its values are large.'
            questions.append(_ask_column(a, f"{what} What is it?"))
    return questions


def _ask_mass(assigned: Sequence[Assigned], loads: Loads) -> Question:
    return Question(
        "mass_kg",
        "Which mass hung there, in kg, hanger included? The sheet does not say.",
        (),
        _mass_of_expected(assigned, loads),
    )


def _ask_name(name: str) -> Question:
    what = f'What does "{name}" weigh, in kg, hanger included? Neither sheet nor store says.'
    return Question(f"mass_sets.{name}.mass_kg", what)


def _mass_of_expected(assigned: Sequence[Assigned], loads: Loads) -> str | None:
    """Return the mass that a column of expected torques stands for, as a default to confirm."""
    for a in assigned:
        if a.meaning is None and "expected" in a.column.concepts and a.column.values:
            length = next((mm for mm in loads.crank_mm if mm), None)
            value = next((v for v in a.column.numbers if v), None)
            if length and value:
                return f"{value / (STANDARD_MS2 * length / 1000):.4g} kg"
    return None


def _ask_units(
    named: Sequence[Assigned], unnamed: Sequence[Assigned], loads: Loads, stated: Unit | None
) -> Question:
    masses = [loads.mass_unit] if loads.mass_unit else MASSES
    plain = [Assigned(a.column, a.meaning, a.why) for a in (named or unnamed)]
    others = _fitting(plain, loads, TORQUES, MASSES)
    said = ", ".join(unit.name for unit in (stated, loads.mass_unit) if unit)
    first = (
        f"The headings say {said}, but the values do not fit that."
        if said
        else "The readings do not fit mass · g · crank length in any unit."
    )
    choices = [f"{torque.name}, {mass.name}" for torque, mass in others]
    if stated:
        choices.append(f"{stated.name}, {(masses[0] or MASSES[0]).name}")
    return Question("units", f"{first} Which units are they in?", tuple(dict.fromkeys(choices)))
