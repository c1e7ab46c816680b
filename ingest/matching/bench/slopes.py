"""What slopes tell: a meter's convention, and whether before and after, or sides, were exchanged.

A correction moves the readings by what it moves the slope: multiplier, reading left ÷ reading
found = slope after ÷ slope before; divisor, its inverse. Without readings as left, the new slope
is the old one times (multiplier) or divided by (divisor) expected ÷ found.
"""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import log
from statistics import median

from ingest.matching.bench.doubts import plain_number, ratio_of
from ingest.matching.meaning import Assigned, Meaning, Question, column_key, reading

SMALLEST_CHANGE = 0.0015  # of the logarithm of a slope, below which it tells nothing
LEAST_AGREEMENT, SHARE_OF_CHANGE = 0.003, 0.3
WORSE_BY = 0.005
AS_HEADED, EXCHANGED = "as headed", "exchanged"
Rows = Sequence[Mapping[str, str | None]]


@dataclass
class SessionSlopes:
    """A session's slopes and its mean reading ÷ expected, found and left, by arm ("": all)."""

    meter: str
    at: str
    before: dict[str, float] = field(default_factory=dict)
    after: dict[str, float] = field(default_factory=dict)
    found: dict[str, float] = field(default_factory=dict)
    left: dict[str, float] = field(default_factory=dict)

    def change(self, side: str) -> float | None:
        """Return the logarithm of slope after ÷ before of a side; None where it hardly changed."""
        before, after = self.before.get(side), self.after.get(side)
        if not before or not after:
            return None
        change = log(after / before)
        return change if abs(change) > SMALLEST_CHANGE else None

    def says(self, side: str, arm: str) -> str | None:
        """Return the convention that a side's change of slope and an arm's readings agree with."""
        change, found = self.change(side), self.found.get(arm)
        if change is None or not found:
            return None
        left = self.left.get(arm)
        moved = log(left / found) if left else -log(found)
        near = max(LEAST_AGREEMENT, SHARE_OF_CHANGE * abs(change))
        fits = {"multiplier": abs(moved - change) < near, "divisor": abs(moved + change) < near}
        named = [name for name, good in fits.items() if good]
        return named[0] if len(named) == 1 else None


def session_slopes(rows: Rows) -> list[SessionSlopes]:
    """Return what each session of `bench` rows says of its slopes, in time."""
    if not any(name.startswith("slope_") or value == "as_left" for name, value in _told(rows)):
        return []
    sessions: dict[str, SessionSlopes] = {}
    shown: dict[tuple[str, str, str], list[float]] = {}
    for row in rows:
        name, meter, at = row.get("session_id"), row.get("meter_id"), row.get("measured_at")
        if not name or not meter or not at:
            continue
        one = sessions.setdefault(name, SessionSlopes(meter, at))
        _add_slopes(one, row)
        ratio = ratio_of(row)
        if ratio is not None:
            stage = "left" if row.get("stage") == "as_left" else "found"
            for arm in {"", row.get("arm") or ""}:
                shown.setdefault((name, stage, arm), []).append(ratio)
    for (name, stage, arm), ratios in shown.items():
        getattr(sessions[name], stage)[arm] = sum(ratios) / len(ratios)
    return sorted(sessions.values(), key=lambda one: (one.meter, one.at))


def _told(rows: Rows) -> set[tuple[str, str]]:
    """Return which slopes and stages rows name."""
    return {
        (name, row.get("stage") or "") for row in rows for name in row if name.startswith("slope_")
    } | {("", row.get("stage") or "") for row in rows}


def _add_slopes(one: SessionSlopes, row: Mapping[str, str | None]) -> None:
    for side in ("", "left", "right"):
        for name, kept in (("before", one.before), ("after", one.after)):
            value = plain_number(row.get(f"slope_{name}_{side}".rstrip("_")))
            if value:
                kept[side] = value


def conventions(sessions: Sequence[SessionSlopes]) -> dict[str, str]:
    """Return each meter's slope convention, where its corrections tell one and never the other."""
    said: dict[str, set[str]] = {}
    for one in sessions:
        for side in ("", "left", "right"):
            told = one.says(side, side)
            if told:
                said.setdefault(one.meter, set()).add(told)
    return {meter: next(iter(names)) for meter, names in said.items() if len(names) == 1}


def slope_questions(
    sessions: Sequence[SessionSlopes], known: Mapping[str, str], answers: Mapping[str, str]
) -> list[Question]:
    """Return what to ask where slopes and readings contradict their headings."""
    found = []
    if "slopes" not in answers and _slopes_exchanged(sessions, known):
        found.append(_exchange("slopes", "The slopes before and after look exchanged"))
    if "stages" not in answers and _stages_exchanged(sessions):
        found.append(_exchange("stages", "The readings after are further off than those before"))
    if "arms" not in answers and _arms_exchanged(sessions):
        found.append(_exchange("arms", "Each side's slope was corrected as the other side reads"))
    return found


def _exchange(key: str, what: str) -> Question:
    return Question(key, f"{what}. Are the headings right?", (AS_HEADED, EXCHANGED), EXCHANGED)


def _slopes_exchanged(sessions: Sequence[SessionSlopes], known: Mapping[str, str]) -> bool:
    told = [(known.get(one.meter), one.says("", "")) for one in sessions]
    against = sum(a in ("multiplier", "divisor") and b not in (None, a) for a, b in told)
    agreeing = sum(a is not None and a == b for a, b in told)
    right = wrong = 0
    for one, later in itertools.pairwise(sessions):
        if one.meter != later.meter or one.change("") is None:
            continue
        right += _same(one.after.get(""), later.before.get(""))
        wrong += later.change("") is not None and _same(one.before.get(""), later.after.get(""))
    return against > agreeing or (wrong >= 2 and wrong > right)


def _same(one: float | None, other: float | None) -> bool:
    return one is not None and other is not None and abs(one - other) <= 1e-6 * abs(one)


def _stages_exchanged(sessions: Sequence[SessionSlopes]) -> bool:
    both = [one for one in sessions if "" in one.found and "" in one.left]
    if not both:
        return False
    before = median(abs(log(one.found[""])) for one in both)
    after = median(abs(log(one.left[""])) for one in both)
    return after > before + WORSE_BY


def _arms_exchanged(sessions: Sequence[SessionSlopes]) -> bool:
    own = crossed = 0
    for one in sessions:
        for side, other in (("left", "right"), ("right", "left")):
            mine, theirs = one.says(side, side), one.says(side, other)
            own += mine is not None
            crossed += theirs is not None and mine is None
    return crossed >= 2 and own == 0


def exchange(assigned: Sequence[Assigned], answers: Mapping[str, str]) -> None:
    """Exchange what a person said is exchanged: slopes, stages or arms."""
    swaps = {
        "slopes": {"before": "after", "after": "before"},
        "stages": {"as_found": "as_left", "as_left": "as_found"},
        "arms": {"left": "right", "right": "left"},
    }
    for key, pairs in swaps.items():
        if answers.get(key) != EXCHANGED:
            continue
        for a in assigned:
            if a.meaning is None:
                continue
            if key == "slopes" and a.meaning.column.startswith("slope_"):
                stage = a.meaning.column.split("_")[1]
                a.meaning = Meaning(a.meaning.column.replace(stage, pairs[stage]))
            elif key != "slopes" and a.is_reading:
                traits = {name: pairs.get(value, value) for name, value in a.meaning.traits}
                a.meaning = reading(traits, a.meaning.mass_kg)


def lone_slope(assigned: Sequence[Assigned], sessions: Sequence[SessionSlopes]) -> list[Question]:
    """Settle a single column of slopes: those found or those left, or ask.

    Where a meter's slope never changes it is the one found, and unchanged.
    """
    lone = [a for a in assigned if a.why == "only_one" and a.meaning and _is_slope(a.meaning)]
    if len(lone) != 1:
        return []
    [a] = lone
    found, left = _explained(sessions)
    steady = not any(
        one.meter == later.meter and not _same(one.before.get(""), later.before.get(""))
        for one, later in itertools.pairwise(sessions)
    )
    if steady or (found >= 1 and not left):
        return []
    if left >= 1 and not found:
        assert a.meaning is not None
        a.meaning = Meaning(a.meaning.column.replace("before", "after"))
        return []
    what = f'Is "{a.column.name}" the slope found at the session, or the one left in the meter?'
    names = ("slope_before", "slope_after")
    return [Question(column_key(a.column.name), what, names, names[0])]


def _is_slope(meaning: Meaning) -> bool:
    return meaning.column.startswith("slope_")


def _explained(sessions: Sequence[SessionSlopes]) -> tuple[int, int]:
    """Return how many changes from session to session the earlier or the later readings explain."""
    found = left = 0
    for one, later in itertools.pairwise(sessions):
        if one.meter != later.meter:
            continue
        step = SessionSlopes(one.meter, one.at, one.before, later.before)
        earlier = SessionSlopes(one.meter, one.at, one.before, later.before, one.found)
        after = SessionSlopes(one.meter, one.at, one.before, later.before, later.found)
        if step.change("") is not None:
            found += earlier.says("", "") is not None
            left += after.says("", "") is not None
    return found, left
