"""One cell of a column of readings: what it is a reading of, and what hung there."""

from collections.abc import Mapping
from dataclasses import dataclass

from ingest.matching.bench.loads import Loads
from ingest.matching.bench.physics import (
    ROW_NEAR_ONE,
    STANDARD_MS2,
    ZERO_NM,
    ZERO_SHARE,
    is_near_one,
)
from ingest.matching.bench.session_cells import Cells
from ingest.matching.meaning import Assigned, Meaning
from ingest.matching.words import UNITS, Unit

Wrong = tuple[str, str]  # what was expected, and what to do


@dataclass(frozen=True)
class Rules:
    """What holds for all readings of a sheet.

    lacking     rows without the label that nearly every row has
    lone        the column of a slope that rows before and after work share
    checked     a reading that no working meter gives under that mass is set aside
    zeros_said  the sheet says itself which readings are zeros
    several     a row has several readings
    """

    loads: Loads
    mass: Unit | None
    lacking: frozenset[int]
    lone: str | None
    staged: bool
    checked: bool
    zeros_said: bool
    several: bool


@dataclass(frozen=True)
class Shown:
    """A cell of a column of readings.

    value  its number in `unit`, None if it is none
    said   what the labels of its row say; None: they are not understood
    alone  its session has no other row
    """

    of: Assigned
    row: int
    value: float | None
    unit: Unit
    said: dict[str, str] | None
    alone: bool

    @property
    def cell(self) -> str:
        """What stands there."""
        return self.of.column.cells[self.row]

    @property
    def meaning(self) -> Meaning:
        """What its column means."""
        assert self.of.meaning is not None
        return self.of.meaning


@dataclass(frozen=True)
class Reading:
    """A row of `bench`, and what is wrong with it, if anything is."""

    cells: Cells
    wrong: Wrong | None = None


def reading_of(shown: Shown, cells: Cells, rules: Rules) -> Reading | None:
    """Return a cell as a reading; None for a 0 that stands for nothing measured.

    cells  what is known of its session
    """
    moment = rules.loads.moment(shown.row, shown.meaning.mass_kg, rules.mass)
    newton_metres = None if shown.value is None else shown.value * shown.unit.factor
    due = moment * STANDARD_MS2 if moment else None
    ratio = newton_metres / due if newton_metres is not None and due else None
    traits = {**(shown.said or {}), **dict(shown.meaning.traits)}
    if "load" not in traits:
        traits["load"] = _load(shown, rules, ratio)
        if traits["load"] == "mass" and shown.value == 0:
            return None
    cells |= traits
    cells["torque_nm"] = shown.cell if newton_metres is None else f"{newton_metres:.10g}"
    _hang(cells, rules.loads, shown, rules.mass)
    if rules.lone and cells.get("stage") == "as_left":
        cells[rules.lone.replace("before", "after")] = cells.pop(rules.lone, None)
    if not rules.staged and cells["load"] == "zero":
        cells.pop("stage", None)
    return Reading(cells, _wrong(shown, traits["load"], rules, due, ratio))


def _load(shown: Shown, rules: Rules, ratio: float | None) -> str:
    """Return whether something hung at a reading whose heading and labels do not say it."""
    loads, row = rules.loads, shown.row
    if shown.meaning.mass_kg is None and loads.mass[row] == 0 and not loads.hanger_kg[row]:
        return "zero"
    may_be_zero = not (rules.zeros_said or rules.several or shown.alone)
    small = ratio is not None and abs(ratio) < ZERO_SHARE / 3
    return "zero" if small and may_be_zero else "mass"


def _wrong(
    shown: Shown, load: str, rules: Rules, due: float | None, ratio: float | None
) -> Wrong | None:
    """Return what was expected of a reading and what to do, if it cannot be one."""
    if shown.said is None or (load == "mass" and shown.row in rules.lacking):
        return "words for ring, arm, load or stage", "write for instance large left, or zero"
    if contradicts(shown.said, dict(shown.meaning.traits)):
        return "the same ring, arm and stage in the row as in the heading", "correct one of them"
    if shown.value is None or not rules.checked:
        return None
    if load == "mass" and ratio is not None and not is_near_one(ratio, ROW_NEAR_ONE):
        return (
            f"about {(due or 0.0) / shown.unit.factor:.4g} {shown.unit.name}: "
            "mass · g · crank length",
            "correct the reading, the mass or the crank length of this row",
        )
    if load == "zero" and abs(shown.value) * shown.unit.factor > ZERO_NM:
        return "a small torque: nothing hung there", "correct the reading, or its load"
    return None


def contradicts(one: Mapping[str, str], other: Mapping[str, str]) -> bool:
    """Return whether two sources give a trait different values."""
    return any(other.get(name, value) != value for name, value in one.items())


def _hang(cells: Cells, loads: Loads, shown: Shown, mass: Unit | None) -> None:
    """Fill in what hung there: nothing at a zero."""
    length = loads.crank_mm[shown.row]
    if cells.get("crank_length_mm") is None and length is not None:
        cells["crank_length_mm"] = f"{length:.10g}"
    if cells.get("load") == "zero":
        cells["mass_kg"] = "0"
        return
    kilograms, written = shown.meaning.mass_kg, loads.mass[shown.row]
    if kilograms is None and written is not None:
        kilograms = written * (mass or loads.mass_unit or UNITS["kg"]).factor
    if kilograms is not None and cells.get("mass_kg") is None:
        cells["mass_kg"] = f"{kilograms:.10g}"
    hanger = loads.hanger_kg[shown.row]
    if hanger and cells.get("hanger_mass_kg") is None:
        cells["hanger_mass_kg"] = f"{hanger:.10g}"
