"""What should be looked at before a session is believed.

Some slips show by themselves: a sign, one reading far off the others, a programmed length that is
not the crank's. The others are weighed against the meter's having the error by itself (see
`weighing`). A slip is named if all together come to at least OPEN_FROM, and are likelier than that
the meter itself has moved, and it alone comes to WORTH_NAMING. How many are named, and how often
without cause, is measured in tests/benchmarks/bench_days.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from models.bench.causes.mistakes import SAME_LENGTH_MM, Mistake, Surroundings
from models.bench.causes.own_past import Expectation, Observed
from models.bench.causes.weighing import ABSURD, OFFSET_SD_NM, REMAINS, Weighed
from models.bench.measurement import LEFT, Reading, Session, Stage
from models.metrology import ln_from_ratio, percent_from_ln, polynomial_fit
from models.wording import Reason

OPEN_FROM, OPEN_FROM_UNKNOWN = 0.22, 0.4
"""Probability of all slips together from which they are named: with a past, and without one."""
WORTH_NAMING = 0.1
QUIET = 1.5
"""Standard deviations within which an error needs no explanation."""
SOAKED_MIN = 15.0
DEAD_RATIO = 0.05
POINT = 10.0
EXPLAINS = ("crank_length", "not_zeroed")
"""Suspicions that show by themselves and leave nothing to be explained."""
ODD_READING = 0.04
"""How far one reading must be off all others (relative) to be called a slip."""


class Suspicion(NamedTuple):
    """What should be looked at before a session is believed.

    entered, would_explain  in the input's own unit, or words
    residual_pct  error that would remain, %
    fix           what to mend: entry, setting or work
    probability   that it explains the error; None: not weighed against the meter
    """

    kind: str
    entered: float | str | None
    would_explain: float | str | None
    residual_pct: float | None
    reason: Reason
    fix: str = "entry"
    probability: float | None = None


class Case(NamedTuple):
    """What the weighing looks at.

    u             standard uncertainty of x = 100·ln(ratio) against the expectation
    per_nm        mean change of the ratio for 1 N·m
    u_difference  of ring and arm differences (ratios)
    around        what else is known: mass sets, hanger, the meter's last session
    """

    session: Session
    stage: Stage
    u: float
    per_nm: float
    expected: Expectation
    now: Observed
    u_difference: float
    around: Surroundings = Surroundings()

    @property
    def off(self) -> float:
        """What was found less what is expected, 100·ln; the ratio is above DEAD_RATIO."""
        return ln_from_ratio(self.stage.ratio) - self.expected.mean

    @property
    def sd(self) -> float:
        """Standard deviation of `off` if the meter alone is behind it."""
        return math.hypot(self.expected.sd, self.u)


def plain_suspicions(case: Case) -> tuple[list[Suspicion], bool]:
    """Return what shows by itself, and whether anything is left to be weighed."""
    found = [*_facts(case), *_swapped(case)]
    if case.stage.ratio <= DEAD_RATIO:
        return [*found, *_dead_or_reversed(case)], False
    first, second = (_odd_reading, _mistyped)[:: 1 if len(case.stage.used) > 2 else -1]
    slips = list(first(case)) or list(second(case))  # of two readings either may be the odd one
    weighs = not slips and not any(s.kind in EXPLAINS for s in found)
    return [*found, *slips], weighs


def weighed_suspicions(case: Case, weighed: Weighed) -> list[Suspicion]:
    """Return the slips that explain the error better than the meter does, likeliest first."""
    if is_quiet(case):
        return []
    least = OPEN_FROM if case.expected.known else OPEN_FROM_UNKNOWN
    if 1 - weighed.none < max(least, weighed.moved):
        return []
    found = [
        _named(case, best, p)
        for best, p in kinds_of(weighed)
        if p >= WORTH_NAMING and weighed.nameable(best)
    ]
    if weighed.no_zero >= WORTH_NAMING:
        found.append(_no_zero(case, weighed.no_zero))
    return sorted(found, key=lambda s: -(s.probability or 0.0))


def kinds_of(weighed: Weighed) -> list[tuple[Mistake, float]]:
    """Return the likeliest slip of each kind with the probability of the whole kind."""
    kinds: dict[tuple[str, str], list[tuple[float, Mistake]]] = {}
    for mistake, p in zip(weighed.mistakes, weighed.probabilities, strict=True):
        kinds.setdefault((mistake.kind, mistake.fix), []).append((p, mistake))
    groups = kinds.values()
    return [(max(g, key=lambda one: one[0])[1], sum(p for p, _ in g)) for g in groups]


def offset_sd(case: Case) -> float | None:
    """Return 100·ln that an offset may make that no zero took off; None: a zero was read."""
    return None if case.stage.zeros else 100 * OFFSET_SD_NM * case.per_nm


def residual_pct(case: Case, mistake: Mistake) -> float:
    """Return the error that remains once a slip is mended, %."""
    ratio = case.stage.ratio
    return 100 * ((ratio if mistake.of_slope else ratio / mistake.factor) - 1)


def _named(case: Case, best: Mistake, probability: float) -> Suspicion:
    residual = residual_pct(case, best)
    if best.of_slope:
        reason = Reason("explained_by_slope", mistake=best.what, error_pct=_error_pct(case.stage))
    else:
        reason = Reason(
            "explained",
            mistake=best.what,
            residual_pct=residual,
            error_pct=_error_pct(case.stage),
        )
    entered, true = best.entered, best.would_explain
    return Suspicion(best.kind, entered, true, residual, reason, best.fix, probability)


def is_quiet(case: Case) -> bool:
    """Return whether an error is as expected, its length and slope the ones that are known."""
    if abs(case.off) >= QUIET * case.sd:
        return False
    entered, last = case.session.crank_length_mm or 0.0, case.around.last
    last_mm = None if last is None else last.crank_length_mm
    known = last_mm if case.session.known_length_mm is None else case.session.known_length_mm
    return known is None or abs(known - entered) < SAME_LENGTH_MM


def _facts(case: Case) -> Iterator[Suspicion]:
    """Yield what is known to be wrong whatever the error."""
    session = case.session
    if session.soak_min is not None and session.soak_min < SOAKED_MIN:
        yield Suspicion(
            "not_soaked",
            session.soak_min,
            None,
            None,
            Reason("not_soaked", soak_min=session.soak_min),
            "work",
        )
    programmed = session.installation.programmed_mm if session.installation else None
    length = session.crank_length_mm
    if session.rule.uses_length and programmed and length:
        yield from _programmed(case, programmed, length)
    yield from _offset_by_loads(case.stage)


def _remains(case: Case, ratio: float) -> bool:
    """Return whether the meter may have a ratio once a mistake is taken off it."""
    most = max(ABSURD, REMAINS * case.sd)
    return ratio > 0 and abs(ln_from_ratio(ratio) - case.expected.mean) <= most


def _mistyped(case: Case) -> Iterator[Suspicion]:
    """Yield readings with their decimal point one place off."""
    for reading in case.stage.used:
        ratio = (reading.ratio or 0.0) / POINT
        if _remains(case, ratio):
            residual = 100 * (ratio - 1)
            yield Suspicion(
                "mistyped",
                reading.torque_nm,
                round(reading.torque_nm / POINT, 3),
                residual,
                Reason("mistyped", torque_nm=reading.torque_nm, where=_where(reading)),
            )


def _programmed(case: Case, programmed: float, length: float) -> Iterator[Suspicion]:
    """Yield a length set in the meter that is not the crank's, if mending it leaves less error.

    Where it would leave more, a slope was set to suit: length and slope are right together.
    """
    stage = case.stage
    if abs(programmed - length) < SAME_LENGTH_MM:
        return
    if not _remains(case, stage.ratio * length / programmed):
        return
    residual = 100 * (stage.ratio * length / programmed - 1)
    if abs(residual) >= abs(_error_pct(stage)):
        return
    yield Suspicion(
        "crank_length",
        length,
        programmed,
        residual,
        Reason(
            "length_set_otherwise",
            programmed_mm=programmed,
            length_mm=length,
            residual_pct=residual,
            error_pct=_error_pct(stage),
        ),
        "setting",
    )


def _dead_or_reversed(case: Case) -> Iterator[Suspicion]:
    """Yield why readings may be near nothing, or below it."""
    ratio = case.stage.ratio
    if ratio < -DEAD_RATIO:
        residual = 100 * (-ratio - 1)
        yield Suspicion(
            "sign",
            "forward",
            "backward",
            residual,
            Reason("negative", residual_pct=residual, error_pct=_error_pct(case.stage)),
        )
        return
    arm = next((r.arm for r in case.stage.used if r.arm), None)
    other = "right" if arm == LEFT else "left"
    yield Suspicion("swapped", arm, other, None, Reason("next_to_nothing"))


def _swapped(case: Case) -> Iterator[Suspicion]:
    """Yield a difference of rings or arms that was the other way round last time."""
    before = case.around.last
    if before is None:
        return
    pairs = (
        (Reason("rings_swapped"), case.now.ring_difference, before.ring_difference),
        (Reason("arms_swapped"), case.now.arm_difference, before.arm_difference),
    )
    u = case.u_difference * math.sqrt(2)
    for reason, now, then in pairs:
        if now is None or then is None or abs(then) < 3 * u:
            continue
        if abs(now + then) < 2 * u and abs(now - then) > 4 * u:
            yield Suspicion(
                "swapped",
                f"{100 * now:.2f} %",
                f"{100 * then:.2f} %",
                _error_pct(case.stage),
                reason,
            )


def _odd_reading(case: Case) -> Iterator[Suspicion]:
    """Yield the reading far off all others, which agree: a slip of the pen."""
    ratios = [r.ratio or 0.0 for r in case.stage.used]
    k = odd_one(ratios, [_remains(case, ratio) for ratio in ratios])
    if k is None:
        return
    reading, others = case.stage.used[k], ratios[:k] + ratios[k + 1 :]
    middle = _middle(others)
    fits = middle * (reading.expected_nm or 0.0) + (reading.zero_nm or 0.0)
    yield Suspicion(
        "reading",
        reading.torque_nm,
        round(fits, 2),
        100 * (sum(others) / len(others) - 1),
        Reason(
            "odd_reading",
            torque_nm=reading.torque_nm,
            where=_where(reading),
            off_pct=100 * abs(ratios[k] - middle),
            fits_nm=fits,
        ),
    )


def odd_one(ratios: Sequence[float], likely: Sequence[bool]) -> int | None:
    """Return the place of the one reading that is far off all others; None: there is none.

    likely: which ratios the meter may have. Of two, one that is likely shows the other up.
    """
    odd = [k for k in range(len(ratios)) if _stands_out(ratios, k)]
    if len(ratios) == 2 and len(odd) == 2 and likely[0] != likely[1]:
        return likely.index(False)
    return odd[0] if len(odd) == 1 and len(ratios) > 2 else None


def _stands_out(ratios: Sequence[float], k: int) -> bool:
    others = [*ratios[:k], *ratios[k + 1 :]]
    if not others:
        return False
    gap = min(abs(ratios[k] - other) for other in others)
    return gap > max(ODD_READING, 3 * (max(others) - min(others)))


def _middle(values: Sequence[float]) -> float:
    return sorted(values)[len(values) // 2]


def _offset_by_loads(stage: Stage) -> Iterator[Suspicion]:
    """Yield a zero that several loads point at and that is not the one that was read."""
    loads = {round(r.expected_nm or 0.0, 3) for r in stage.used}
    if len(loads) < 2 or len(stage.used) < 3 or not stage.zeros:
        return
    x = [r.expected_nm or 0.0 for r in stage.used]
    fit = polynomial_fit(x, [(r.ratio or 0.0) * e for r, e in zip(stage.used, x, strict=True)])
    offset, u = float(fit.coefficients[0]), float(fit.u[0])
    if abs(offset) > max(0.3, 5 * u):
        residual = 100 * (float(fit.coefficients[1]) - 1)
        yield Suspicion(
            "not_zeroed",
            0.0,
            round(offset, 3),
            residual,
            Reason(
                "other_zero",
                offset_nm=offset,
                residual_pct=residual,
                error_pct=_error_pct(stage),
            ),
        )


def _no_zero(case: Case, probability: float) -> Suspicion:
    x = ln_from_ratio(case.stage.ratio) - case.expected.mean
    offset = x / 100 / case.per_nm
    return Suspicion(
        "not_zeroed",
        None,
        round(offset, 2),
        percent_from_ln(case.expected.mean),
        Reason("no_zero", offset_nm=offset),
        "entry",
        probability,
    )


def _error_pct(stage: Stage) -> float:
    return 100 * (stage.ratio - 1)


def _where(reading: Reading) -> str | None:
    """Return arm and ring of a reading, None where neither is noted."""
    return ", ".join(part for part in (reading.arm, reading.chainring) if part) or None
