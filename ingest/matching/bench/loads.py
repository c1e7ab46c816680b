"""What hung at each row, and on how long a crank: from columns, from around the table, or said."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.matching.bench.roles import CRANK_MM, MASS_KG
from ingest.matching.meaning import LABEL, Assigned, ColumnSeen, Known, Meaning, usual_unit
from ingest.matching.sheets import FoundTable, Surroundings, amount_in
from ingest.matching.words import UNITS, Unit, concepts_in, plain, unit_in

USUAL_CRANK_MM = 171.0  # near enough to every crank to tell units apart
Maybe = float | None


@dataclass
class Loads:
    """Mass and crank length of each row.

    mass        as written: in `mass_unit`, else in kilograms or pounds or grams
    hanger_kg   to be added to the mass
    crank_mm    None where the sheet does not say
    drive       torque at a hub over torque at the crank, cog ÷ ring; 1 where no chain is between
    nameless    names of masses that nothing explains
    """

    mass: list[Maybe]
    mass_unit: Unit | None
    hanger_kg: list[Maybe]
    crank_mm: list[Maybe]
    known_crank_mm: list[Maybe]
    mass_said: bool
    crank_said: bool
    drive: list[float]
    nameless: tuple[str, ...] = ()

    def moment(self, row: int, mass_kg: Maybe = None, unit: Unit | None = None) -> Maybe:
        """Return mass · crank length of a row in kg·m; mass_kg: said by the reading's heading."""
        mass = mass_kg
        if mass is None:
            written = self.mass[row]
            if written is None:
                return None
            mass = written * (unit or self.mass_unit or UNITS["kg"]).factor
        length = self.crank_mm[row] or self.known_crank_mm[row] or USUAL_CRANK_MM
        return (mass + (self.hanger_kg[row] or 0.0)) * length / 1000 * self.drive[row]


def loads_of(
    table: FoundTable,
    assigned: Sequence[Assigned],
    meters: Sequence[str | None],
    known: Known,
    answers: Mapping[str, str],
) -> Loads:
    """Return the mass and the crank length of each row of a table."""
    by_name = {a.meaning.column: a for a in assigned if a.meaning}
    mass, mass_unit = _masses(table, by_name.get("mass_kg"), answers)
    nameless: tuple[str, ...] = ()
    if "mass_kg" not in by_name and "mass_kg" not in answers and "bench_id" in by_name:
        cells = by_name["bench_id"].column.cells
        of_name = {cell: _mass_of_name(cell, table, known, answers) for cell in set(cells) - {""}}
        unknown = sorted(name for name, kilograms in of_name.items() if kilograms is None)
        if len(unknown) < len(of_name) or not any(mass):
            mass, mass_unit = [of_name.get(cell) for cell in cells], UNITS["kg"]
            nameless = tuple(unknown)
    crank = _cranks(table, by_name.get("crank_length_mm"), answers)
    of_meters = [known.crank_mm.get(meter) if meter else None for meter in meters]
    in_headings = any(a.meaning and a.meaning.mass_kg for a in assigned)
    return Loads(
        mass,
        mass_unit,
        _column_values(table, by_name.get("hanger_mass_kg"), "hanger", UNITS["kg"], MASS_KG),
        crank,
        of_meters,
        mass_said=in_headings or any(value is not None for value in mass),
        crank_said=any(value is not None for value in (*crank, *of_meters)),
        drive=_drives(assigned, by_name.get("cog_teeth"), len(table.rows)),
        nameless=nameless,
    )


def _mass_of_name(name: str, table: FoundTable, known: Known, answers: Mapping[str, str]) -> Maybe:
    """Return what the masses of a name weigh: as the store knows, as is said, or as answered."""
    said = [
        value
        for around in (table.notes, *table.around[:1])
        for key, value in around.pairs
        if plain(key).split()[-1:] == plain(name).split()[-1:]
    ]
    said += [text for key in (f"mass_sets.{name}.mass_kg",) if (text := answers.get(key))]
    amounts = [kilograms for text in said if (kilograms := _kilograms(text)) is not None]
    return known.mass_kg.get(name) or next(iter(amounts), None)


def _kilograms(text: str) -> Maybe:
    amount = amount_in(text)
    number = _plain_number(amount.digits) if amount else None
    if amount is None or number is None:
        return None
    kilograms = number * (amount.unit or UNITS["kg"]).factor
    return kilograms if 0 < kilograms <= MASS_KG[1] else None


def _drives(assigned: Sequence[Assigned], cogs: Assigned | None, height: int) -> list[float]:
    """Return cog ÷ ring of each row, of a hub that is hung through its chain; else 1."""
    rings = next(
        (a.column.numbers for a in assigned if a.meaning and _are_rings(a)), [None] * height
    )
    if cogs is None:
        return [1.0] * height
    return [
        cog / ring if cog and ring else 1.0
        for cog, ring in zip(cogs.column.numbers, rings, strict=True)
    ]


def _are_rings(a: Assigned) -> bool:
    values = a.column.values
    return a.meaning == Meaning(LABEL) and bool(values) and all(25 <= v <= 65 for v in values)


def in_unit(column: ColumnSeen, unit: Unit | None) -> list[Maybe]:
    """Return a column's numbers in one unit: those with another unit beside them converted."""
    out: list[Maybe] = []
    for value, beside in zip(column.numbers, column.units, strict=True):
        if value is None or beside is None or unit is None or beside == unit:
            out.append(value)
        elif beside.quantity == unit.quantity:
            out.append(value * beside.factor / unit.factor)
        else:
            out.append(None)
    return out


def said_amount(around: Surroundings, concept: str, bounds: tuple[float, float]) -> Maybe:
    """Return the amount of a concept that is said around a table, in the schema's unit."""
    for key, value in reversed(around.pairs):
        words, unit = unit_in(key)
        if key != concept and concept not in concepts_in(words):
            continue
        amount = amount_in(value) or amount_in(value.split("(")[0].split(",")[0].strip())
        if amount is None:
            continue
        factor = (amount.unit or unit or UNITS["mm" if concept == "crank" else "kg"]).factor
        number = _plain_number(amount.digits)
        if number is not None and bounds[0] <= number * factor <= bounds[1]:
            return number * factor
    return None


def said_number(text: str) -> Maybe:
    """Return the number that a text outside a table holds, whatever its unit; None for none."""
    amount = amount_in(text)
    return _plain_number(amount.digits) if amount else None


def _plain_number(digits: str) -> Maybe:
    try:
        return float(digits.replace(" ", "").replace(",", "."))
    except ValueError:
        return None


def _around(table: FoundTable, concept: str, bounds: tuple[float, float]) -> list[Maybe]:
    memo: dict[Surroundings, Maybe] = {}
    out = []
    for around in table.around:
        if around not in memo:
            memo[around] = said_amount(around, concept, bounds)
        out.append(memo[around])
    if not any(value is not None for value in out):
        below = said_amount(table.notes, concept, bounds)
        return [below] * len(out)
    return out


def _masses(
    table: FoundTable, assigned: Assigned | None, answers: Mapping[str, str]
) -> tuple[list[Maybe], Unit | None]:
    if assigned is not None:
        unit = usual_unit(assigned.column, assigned.unit)
        return in_unit(assigned.column, unit), unit
    said = answers.get("mass_kg")
    if said:
        return [_kilograms(said)] * len(table.rows), UNITS["kg"]
    return _around(table, "mass", (0.5, MASS_KG[1])), UNITS["kg"]


def _cranks(
    table: FoundTable, assigned: Assigned | None, answers: Mapping[str, str]
) -> list[Maybe]:
    if assigned is not None:
        unit = usual_unit(assigned.column, assigned.unit) or UNITS["mm"]
        lengths = (v * unit.factor if v else None for v in in_unit(assigned.column, unit))
        return [mm if mm and CRANK_MM[0] <= mm <= CRANK_MM[1] else None for mm in lengths]
    said = answers.get("crank_length_mm")
    if said:
        amount = amount_in(said)
        number = _plain_number(amount.digits) if amount else None
        return [number] * len(table.rows)
    return _around(table, "crank", CRANK_MM)


def _column_values(
    table: FoundTable,
    assigned: Assigned | None,
    concept: str,
    unit: Unit,
    bounds: tuple[float, float],
) -> list[Maybe]:
    if assigned is None:
        return _around(table, concept, bounds)
    own = usual_unit(assigned.column, assigned.unit) or unit
    return [v * own.factor if v is not None else None for v in in_unit(assigned.column, own)]
