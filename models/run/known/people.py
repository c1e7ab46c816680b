"""Who asks: the roles, what each may load, and the person whose request is answered."""

from dataclasses import dataclass

MECHANIC, COACH, MANAGER, OWNER = "mechanic", "coach", "manager", "owner"
EVERYONE = frozenset({MECHANIC, COACH, MANAGER, OWNER})
WATTS = frozenset({COACH, OWNER})  # who may see a rider's power
LEGS = frozenset({COACH, OWNER})  # who may see how a rider's legs share the work: health data
OWN_RIDERS_ONLY = frozenset({COACH})

_DEVICES = ("meters", "references", "mass_sets", "places", "installations", "assignments")
_MEASURED = ("events", "bench", "zeros", "comparisons", "pairs")
LOADS: dict[str, tuple[str, ...]] = {
    MECHANIC: (*_DEVICES, *_MEASURED),
    COACH: (),
    MANAGER: ("meters", "calendar", "capacity", "costs"),
    OWNER: (*_DEVICES, "riders", *_MEASURED, "efforts", "calendar", "capacity", "costs"),
}
"""The input tables whose rows a role may load, correct and take back."""


@dataclass(frozen=True)
class Person:
    """Whoever asks. coach: whose riders a coach sees, as the riders table names the coach."""

    name: str
    role: str
    coach: str | None = None

    @property
    def tables(self) -> tuple[str, ...]:
        """The input tables whose rows this person may change."""
        return LOADS[self.role]


HERE = Person("this machine", OWNER)  # on loopback while there are no accounts; the command line
