"""What each kind of meter is, as far as a bench is concerned: one row a kind.

The table drives evaluation, suspicions, templates and the order in which a form asks.
"""

from __future__ import annotations

from dataclasses import dataclass

LEFT, RIGHT = "left", "right"


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """One line of the order that is practical at the bench; direction: up or down, for a hub."""

    load: str
    arm: str | None = None
    chainring: str | None = None
    direction: str | None = None


@dataclass(frozen=True, slots=True)
class KindRule:
    """The bench rules of one kind of meter.

    arms             arms that make a reading; an arm not among them shows nothing of the meter
    rings            whether the chainring matters
    own_slopes       each side has a slope of its own: judged apart, never averaged before
    may_show_double  a one-sided meter's display may already be the total of both legs
    uses_length      the meter computes torque with a programmed crank length
    through_chain    loaded through chain and cassette
    hangings         times the masses are hung where there is only one cell
    """

    kind: str
    title: str
    arms: tuple[str, ...]
    rings: bool
    meaning: str
    own_slopes: bool = False
    may_show_double: bool = False
    uses_length: bool = False
    through_chain: bool = False
    hangings: int = 1

    def refuses_arm(self, arm: str | None) -> bool:
        """Return whether a reading with the load on this arm says nothing about the meter."""
        return arm is not None and arm not in self.arms


_BOTH = (LEFT, RIGHT)

KINDS: dict[str, KindRule] = {
    rule.kind: rule
    for rule in (
        KindRule(
            "crank_spider",
            "spider",
            _BOTH,
            True,
            "The load on the left arm crosses axle and bearings, so a large difference between "
            "the arms speaks of drag or looseness; one between the rings of ring bolts.",
        ),
        KindRule(
            "crank_arm_left",
            "left arm",
            (LEFT,),
            False,
            "Sees the left arm only. The masses are hung three times, taken off in between.",
            may_show_double=True,
            hangings=3,
        ),
        KindRule(
            "crank_arm_pair",
            "pair of arms",
            _BOTH,
            False,
            "Two meters in one: each side is judged against its own slope; the total is the "
            "mean of the sides, as sure as the rider's balance is known.",
            own_slopes=True,
            hangings=2,
        ),
        KindRule(
            "pedal_left",
            "left pedal",
            (LEFT,),
            False,
            "Measures force and multiplies it by the crank length set in it: a wrong length is "
            "a setting error, never the slope's. Hang the masses at the pedal's centre.",
            may_show_double=True,
            uses_length=True,
            hangings=3,
        ),
        KindRule(
            "pedal_pair",
            "pair of pedals",
            _BOTH,
            False,
            "Each side is judged against its own slope. Force times the crank length set in the "
            "meter: a wrong length is a setting error, never the slope's. Hang the masses at "
            "the pedal's centre; a remount begins a new installation.",
            own_slopes=True,
            uses_length=True,
            hangings=2,
        ),
        KindRule(
            "hub",
            "hub",
            _BOTH,
            False,
            "Torque arrives through the chain: cog over ring, less the friction of the chain. "
            "Load up and down, so that friction averages out, or hang from a lever on the "
            "cassette. With an oval ring the local radius acts: the lever only.",
            through_chain=True,
            hangings=2,
        ),
        KindRule("other", "meter", _BOTH, True, "No rule of its own: the readings as they are."),
    )
}
ANY = KINDS["other"]


def rule_of(kind: str | None) -> KindRule:
    """Return the rule of a kind; the plain rule for none, or for one not in the table."""
    return KINDS.get(kind or "", ANY)


def planned_readings(kind: str | None) -> list[PlannedReading]:
    """Return the readings of one stage in a practical order: zero, hangings, zero again."""
    rule = rule_of(kind)
    zero = PlannedReading("zero")
    if rule.through_chain:
        hung = [PlannedReading("mass", direction=way) for way in ("up", "down")]
        return [zero, *hung * rule.hangings, zero]
    rings: tuple[str | None, ...] = ("small", "large") if rule.rings else (None,)
    return [
        zero,
        *(
            PlannedReading("mass", arm, ring)
            for ring in rings
            for _ in range(rule.hangings)
            for arm in rule.arms
        ),
        zero,
    ]
