"""What a column was taken for, how sure that is, and why."""

from dataclasses import dataclass, field
from typing import Literal

from ingest.matching.meaning.columns import ColumnSeen
from ingest.matching.meaning.meanings import Meaning
from ingest.matching.words import Unit

Why = Literal[
    "words", "nearly_words", "kind_of_values", "physics", "words_and_physics", "named",
    "computed_mean", "computed_expected", "computed_net", "computed_words", "nothing_needed",
    "not_understood", "asked", "only_one", "raw_counts",
    "known_names",
]  # fmt: skip
WHY: dict[Why, str] = {
    "words": "its heading says so",
    "nearly_words": "its heading nearly says so",
    "kind_of_values": "its values are of this kind",
    "physics": "its values are near mass · g · crank length",
    "words_and_physics": "its heading says so, and its values are near mass · g · crank length",
    "named": "so it was decided before",
    "computed_mean": "it is the mean of other columns",
    "computed_expected": "it is mass · g · crank length, computed",
    "computed_net": "it is the reading less the zero, computed",
    "computed_words": "its heading says that it is computed",
    "nothing_needed": "no table keeps this",
    "not_understood": "neither its heading nor its values tell",
    "asked": "a person has to say",
    "only_one": "it is the only column of this kind",
    "known_names": "it holds names that the store knows",
    "raw_counts": "its values are too large for newton metres: the maker's own count",
}
CONFIDENCE: dict[Why, float] = {
    "words": 0.9, "nearly_words": 0.75, "kind_of_values": 0.8, "physics": 0.9,
    "words_and_physics": 0.99, "named": 1.0, "computed_mean": 0.95, "computed_expected": 0.95,
    "computed_net": 0.95, "computed_words": 0.9, "nothing_needed": 0.8, "not_understood": 0.3,
    "asked": 0.0, "only_one": 0.8, "raw_counts": 0.8,
    "known_names": 0.9,
}  # fmt: skip


@dataclass
class Assigned:
    """A column and its meaning; without one it is kept out. unit: of its bare numbers."""

    column: ColumnSeen
    meaning: Meaning | None
    why: Why
    unit: Unit | None = None
    confidence: float = field(default=0.0)

    def __post_init__(self) -> None:
        self.confidence = self.confidence or CONFIDENCE[self.why]

    @property
    def is_reading(self) -> bool:
        """Whether its cells are torque readings, zeros among them."""
        return self.meaning is not None and self.meaning.is_reading
