"""What was decided about a sheet before: meanings of columns and answers to questions."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from ingest.matching.meaning.assigned import Assigned
from ingest.matching.meaning.meanings import IGNORED, Meaning, MeaningError, meaning_of
from ingest.matching.words import UNITS, plain

COLUMN = "column:"


@dataclass(frozen=True)
class Choices:
    """Decisions.

    columns   plain heading → meaning and the unit of bare numbers
    answers   key of a question → answer; `column:<heading>` is a meaning
    table     the table that the sheet is for
    """

    columns: dict[str, tuple[str, str | None]] = field(default_factory=dict)
    answers: dict[str, str] = field(default_factory=dict)
    table: str | None = None


def apply(choices: Choices, assigned: Sequence[Assigned]) -> None:
    """Put what was decided in the place of what was found."""
    said = {
        plain(key.removeprefix(COLUMN)): (text, None)
        for key, text in choices.answers.items()
        if key.startswith(COLUMN)
    }
    for a in assigned:
        decided = said.get(plain(a.column.name)) or choices.columns.get(plain(a.column.name))
        if decided is None:
            continue
        text, unit = decided
        meaning = known_meaning(text)
        a.meaning = None if meaning.column == IGNORED else meaning
        a.why, a.confidence = "named", 1.0
        a.unit = UNITS.get(unit or "") or a.unit


def known_meaning(text: str) -> Meaning:
    """Return the meaning that a person gave a column; MeaningError if it is none."""
    try:
        return meaning_of(text)
    except MeaningError:
        raise MeaningError(f'"{text}" is no meaning of a column') from None
