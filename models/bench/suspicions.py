"""Whether a single plausible mistake explains a found error better than the meter does.

Each mistake is weighed against the meter's having the error by itself. By itself a meter is
expected where its own past puts it (a meter without a past within ± 1 %, one standard
deviation), with a 5 % chance of having been knocked by about 3 %. A mistake is named if all
mistakes together come to at least OPEN_FROM, and it alone to WORTH_NAMING:

    P(mistake) = share · N(x − shift) / (Σ share · N(x − shift) + P(none) · (N(x), long tail))

x: 100·ln of the mean ratio. So an ordinary drift of 1.4 % is not taken for a crank length
that would explain it, unless the meter's own past speaks against the drift. The rates of false
accusation are measured in tests/benchmarks/suspicion_rates.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from models.bench.measurement import LEFT, Reading, Session, Stage
from models.bench.mistakes import NO_ZERO_SHARE, SAME_LENGTH_MM, Mistake, plausible
from models.bench.own_past import Expectation, Observed
from models.metrology import ln_from_ratio, percent_from_ln, polynomial_fit
from models.wording import Reason

OPEN_FROM = 0.3
WORTH_NAMING = 0.1
KNOCKED_SHARE, KNOCKED_SD = 0.05, 3.0
OFFSET_SD_NM = 1.0
QUIET = 1.5
"""Standard deviations within which an error needs no explanation."""
SOAKED_MIN = 15.0
DEAD_RATIO = 0.1
REMAINS = 4.0
"""Standard deviations that may remain once a mistake is taken off; else it explains nothing."""
ABSURD = 8.0
"""100·ln that may remain where a setting is known to be wrong, or a decimal point."""
POINT = 10.0
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
    before        the meter's last session; u_difference: of ring and arm differences (ratios)
    sets          other mass sets with their total, kg
    """

    session: Session
    stage: Stage
    u: float
    per_nm: float
    expected: Expectation
    now: Observed
    before: Observed | None
    u_difference: float
    sets: tuple[tuple[str, float], ...] = ()
    hanger_kg: float | None = None


def suspicions(case: Case) -> list[Suspicion]:
    """Return all that should be looked at before this session is believed, likeliest first."""
    found = [*_facts(case), *_swapped(case)]
    if case.stage.ratio <= DEAD_RATIO:
        return [*found, *_dead_or_reversed(case)]
    slips = list(_odd_reading(case.stage)) or list(_mistyped(case))
    if not slips and not any(s.kind == "crank_length" for s in found):
        found += _weighed(case)
    return [*found, *slips]


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


def _sd(case: Case) -> float:
    return math.hypot(case.expected.sd, case.u)


def _remains(case: Case, ratio: float) -> bool:
    """Return whether the meter may have a ratio once a mistake is taken off it."""
    most = max(ABSURD, REMAINS * _sd(case))
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
    """Yield a length set in the meter that is not the crank's, if the rest can be the meter's."""
    stage = case.stage
    if abs(programmed - length) < SAME_LENGTH_MM:
        return
    if not _remains(case, stage.ratio * length / programmed):
        return
    residual = 100 * (stage.ratio * length / programmed - 1)
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
    if case.before is None:
        return
    pairs = (
        (Reason("rings_swapped"), case.now.ring_difference, case.before.ring_difference),
        (Reason("arms_swapped"), case.now.arm_difference, case.before.arm_difference),
    )
    u = case.u_difference * math.sqrt(2)
    for reason, now, before in pairs:
        if now is None or before is None or abs(before) < 3 * u:
            continue
        if abs(now + before) < 2 * u and abs(now - before) > 4 * u:
            yield Suspicion(
                "swapped",
                f"{100 * now:.2f} %",
                f"{100 * before:.2f} %",
                _error_pct(case.stage),
                reason,
            )


def _odd_reading(stage: Stage) -> Iterator[Suspicion]:
    """Yield a reading far off all others, which agree: a slip of the pen."""
    if len(stage.used) < 3:
        return
    ratios = [r.ratio or 0.0 for r in stage.used]
    for k, reading in enumerate(stage.used):
        others = sorted(ratios[:k] + ratios[k + 1 :])
        middle = others[len(others) // 2]
        spread = others[-1] - others[0]
        gap = abs(ratios[k] - middle)
        if gap > max(ODD_READING, 3 * spread) and reading.expected_nm:
            fits = middle * reading.expected_nm + (reading.zero_nm or 0.0)
            residual = 100 * (sum(others) / len(others) - 1)
            yield Suspicion(
                "reading",
                reading.torque_nm,
                round(fits, 2),
                residual,
                Reason(
                    "odd_reading",
                    torque_nm=reading.torque_nm,
                    where=_where(reading),
                    off_pct=100 * gap,
                    fits_nm=fits,
                ),
            )


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


def _weighed(case: Case) -> list[Suspicion]:
    """Return the mistakes that explain the error better than the meter does."""
    x = ln_from_ratio(case.stage.ratio)
    sd = _sd(case)
    off = x - case.expected.mean
    if abs(off) < QUIET * sd and not _length_in_doubt(case):
        return []
    mistakes = list(
        plausible(
            case.session,
            sets=case.sets,
            hanger_kg=case.hanger_kg,
            last_length_mm=None if case.before is None else case.before.crank_length_mm,
        )
    )
    weights = [m.share * _left(off - ln_from_ratio(m.factor), sd) for m in mistakes]
    no_zero = 0.0
    if not case.stage.zeros:
        wide = math.hypot(sd, 100 * OFFSET_SD_NM * case.per_nm)
        no_zero = NO_ZERO_SHARE * _left(off, wide)
    none = max(1 - sum(m.share for m in mistakes), 0.5) * _by_itself(off, sd)
    total = sum(weights) + no_zero + none
    if total <= 0 or (total - none) / total < OPEN_FROM:
        return []
    found = _best_of_each(mistakes, [w / total for w in weights], case)
    if no_zero / total >= WORTH_NAMING:
        found.append(_no_zero(case, no_zero / total))
    return sorted(found, key=lambda s: -(s.probability or 0.0))


def _length_in_doubt(case: Case) -> bool:
    """Return whether the length entered is not the one known, or not the last session's."""
    entered = case.session.crank_length_mm or 0.0
    last = None if case.before is None else case.before.crank_length_mm
    known = last if case.session.known_length_mm is None else case.session.known_length_mm
    return known is not None and abs(known - entered) >= SAME_LENGTH_MM


def _best_of_each(
    mistakes: Sequence[Mistake], probabilities: Sequence[float], case: Case
) -> list[Suspicion]:
    """Return the likeliest of each kind worth naming; probabilities of a kind add up."""
    kinds: dict[tuple[str, str], list[tuple[float, Mistake]]] = {}
    for mistake, p in zip(mistakes, probabilities, strict=True):
        kinds.setdefault((mistake.kind, mistake.fix), []).append((p, mistake))
    found = []
    for group in kinds.values():
        p_kind = sum(p for p, _ in group)
        if p_kind < WORTH_NAMING:
            continue
        _, best = max(group, key=lambda item: item[0])
        residual = 100 * (case.stage.ratio / best.factor - 1)
        reason = Reason(
            "explained",
            mistake=best.what,
            residual_pct=residual,
            error_pct=_error_pct(case.stage),
        )
        entered, true = best.entered, best.would_explain
        found.append(Suspicion(best.kind, entered, true, residual, reason, best.fix, p_kind))
    return found


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


def _by_itself(off: float, sd: float) -> float:
    """Return the density of the found error if nobody made a mistake."""
    knocked = math.hypot(sd, KNOCKED_SD)
    return (1 - KNOCKED_SHARE) * _normal(off, sd) + KNOCKED_SHARE * _normal(off, knocked)


def _left(x: float, sd: float) -> float:
    """Return the density of what remains; none where that is more than the meter's own."""
    return _normal(x, sd) if abs(x) <= REMAINS * sd else 0.0


def _normal(x: float, sd: float) -> float:
    z = x / sd
    return math.exp(-z * z / 2) / sd if abs(z) < 38 else 0.0


def _error_pct(stage: Stage) -> float:
    return 100 * (stage.ratio - 1)


def _where(reading: Reading) -> str | None:
    """Return arm and ring of a reading, None where neither is noted."""
    return ", ".join(part for part in (reading.arm, reading.chainring) if part) or None
