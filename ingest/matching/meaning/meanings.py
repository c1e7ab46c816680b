"""What a column means: a column of the schema, with the traits that its heading gives it."""

import re
from dataclasses import dataclass

from ingest.schema import TABLES, UserError

IGNORED = "ignored"
LABEL = "traits"  # a column whose cells say ring, arm, load or stage
CLOCK = "measured_at (time)"
TRAITS: dict[str, tuple[str, ...]] = {
    "chainring": ("large", "small"),
    "arm": ("left", "right"),
    "load": ("zero", "mass"),
    "direction": ("up", "down"),
    "stage": ("as_found", "after_work", "as_left"),
}
OF_VALUE = {value: column for column, values in TRAITS.items() for value in values}
_FORM = re.compile(r"^(?P<column>[a-z_0-9]+)(?:\s*\((?P<traits>[^()]*)\))?$")
_MASS = re.compile(r"^(\d+(?:\.\d+)?) kg$")


class MeaningError(UserError, ValueError):
    """A text that is no meaning of a column."""


@dataclass(frozen=True)
class Meaning:
    """A column of the schema and, of a reading, its traits: chainring, arm, load, direction, stage.

    mass_kg  masses hung at these readings, where the heading says it
    """

    column: str
    traits: tuple[tuple[str, str], ...] = ()
    mass_kg: float | None = None

    @property
    def is_reading(self) -> bool:
        return self.column == "torque_nm"

    @property
    def is_zero(self) -> bool:
        return ("load", "zero") in self.traits

    def text(self) -> str:
        """Return it as text: `torque_nm (large, left, as_found)`."""
        said = [value for _, value in self.traits]
        said += [f"{self.mass_kg:.10g} kg"] if self.mass_kg is not None else []
        return f"{self.column} ({', '.join(said)})" if said else self.column


def reading(traits: dict[str, str], mass_kg: float | None = None) -> Meaning:
    """Return the meaning of a column of readings with these traits."""
    ordered = tuple((name, traits[name]) for name in TRAITS if name in traits)
    return Meaning("torque_nm", ordered, mass_kg)


def meaning_of(text: str) -> Meaning:
    """Return the meaning that a text of `Meaning.text` says; MeaningError for another text."""
    plain = text.strip()
    if plain == CLOCK:
        return Meaning(CLOCK)
    found = _FORM.match(plain)
    known = {name for table in TABLES.values() for name in table.names} | {IGNORED, LABEL}
    known |= {"time", "power_w"}
    if not found or found["column"] not in known:
        raise MeaningError(text)
    traits: dict[str, str] = {}
    mass = None
    for part in (p.strip() for p in (found["traits"] or "").split(",")):
        weight = _MASS.match(part)
        if weight:
            mass = float(weight[1])
        elif part in OF_VALUE:
            traits[OF_VALUE[part]] = part
        elif part.isdecimal():
            traits["chainring"] = part
        elif part:
            raise MeaningError(text)
    if (traits or mass) and found["column"] != "torque_nm":
        raise MeaningError(text)
    return reading(traits, mass) if found["column"] == "torque_nm" else Meaning(found["column"])
