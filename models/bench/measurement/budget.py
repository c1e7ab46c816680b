"""The uncertainty budget of a bench session, source by source.

What is independent of what: a crank's length error, the masses' error, gravity and the zero act
on every reading of the session alike; repeatability is new at each hanging, the display's
rounding at each cell, the crank's level at each arm; what a level by eye hides in the mean is a
place's own. Several loads of one mass set are taken as erring together, because plates of one
make do.
"""

from __future__ import annotations

import math

from models.bench.measurement.budget_terms import (
    BUOYANCY_RELATIVE,
    angle_term,
    gravity_term,
    lean_term,
    length_term,
    load_terms,
    off_level_term,
    relative,
)
from models.bench.measurement.readings import Session
from models.bench.measurement.repeatability import ENOUGH_DOF, repeatability
from models.bench.measurement.stage_means import Scatter, Stage, hysteresis
from models.metrology import Budget, Term, budget, pooled_with_prior, standard

ZERO_UNKNOWN_NM = 0.25
"""Standard uncertainty of a zero that nobody read."""
ZERO_PRIOR_NM, ZERO_PRIOR_DOF = 0.03, 2.0
"""Scatter of one zero reading, where the session does not show it."""
BALANCE_SHARE = 0.025
"""Standard uncertainty of the left side's share in a rider's torque."""
HUB_FRICTION_LEFT = 0.5
"""Of the half difference between loading up and down, what averaging may leave, for a hub."""


def session_budget(
    session: Session, stage: Stage, *, scatter: Scatter, step_nm: float, sides: tuple[float, ...]
) -> Budget:
    """Budget of a stage's gain error (or of one side of it).

    scatter: of all the session's stages, since the hand that hung them was one, and of its others.
    step_nm: step of the display. sides: both sides' ratios, where the total is their mean.
    """
    return budget(
        [
            *load_terms(stage),
            relative("air_buoyancy", stage, BUOYANCY_RELATIVE, "place"),
            length_term(session, stage),
            gravity_term(session, stage),
            angle_term(stage),
            lean_term(stage),
            off_level_term(stage),
            _resolution_term(stage, step_nm),
            *_zero_terms(stage),
            repeatability_term(stage, scatter),
            *_noise_terms(stage),
            *_hysteresis_terms(session, stage),
            *_chain_terms(session, stage),
            *_balance_terms(sides),
        ]
    )


def difference_u(stage: Stage, scatter: Scatter, *, step_nm: float, cells: int) -> float:
    """Standard uncertainty of a difference between the means of two halves of `cells` cells.

    As a ratio. What acts on all readings alike cancels; hangings and rounding remain.
    """
    sd, _, _ = repeatability(scatter)
    size = sum(r.expected_nm or 1.0 for r in stage.used) / len(stage.used)
    per_cell = sd**2 + (step_nm / size) ** 2 / 12
    return math.sqrt(per_cell * 4 / max(cells, 2))


def _resolution_term(stage: Stage, step_nm: float) -> Term:
    """Rounding of the display: anew for each cell, and once in the zero they share."""
    cells: dict[tuple[str | None, str | None], float] = {}
    for weight, r in zip(stage.weights, stage.used, strict=True):
        cells[r.cell] = cells.get(r.cell, 0.0) + weight / (r.expected_nm or 1.0)
    squares = sum(part * part for part in cells.values())
    squares += sum(abs(q) for q in _zero_sensitivities(stage)) ** 2
    u_input = standard(step_nm / 2)
    sensitivity = 100 * math.sqrt(squares)
    return Term(
        "resolution",
        sensitivity * u_input,
        "B",
        "rectangular",
        "session",
        sensitivity=sensitivity,
        u_input=u_input,
        unit="N·m",
    )


def _zero_terms(stage: Stage) -> list[Term]:
    """The zero's own scatter and what it moved; or that nobody read it."""
    per_nm = _per_nm(stage)
    if not stage.zeros:
        u = ZERO_UNKNOWN_NM
        return [_nm_term("zero", 100 * per_nm, u, "B", math.inf)]
    sd, dof, kind = pooled_with_prior(
        *stage.zero_scatter,
        prior_sd=ZERO_PRIOR_NM,
        prior_dof=ZERO_PRIOR_DOF,
        enough=ENOUGH_DOF,
    )
    parts = _zero_sensitivities(stage)
    terms = [_nm_term("zero", 100 * math.hypot(*parts), sd, kind, dof)]
    moved = sum(
        w * abs(z.drift_nm) / (r.expected_nm or 1.0)
        for w, r, z in zip(stage.weights, stage.used, stage.zero_weights, strict=True)
        if z is not None
    )
    if moved > 0:
        u = standard(moved / per_nm / 4)
        term = _nm_term("zero_drift", 100 * per_nm, u, "B", math.inf)
        terms.append(term._replace(distribution="rectangular"))
    return terms


def _nm_term(source: str, sensitivity: float, u: float, kind: str, dof: float) -> Term:
    return Term(
        source,
        sensitivity * u,
        kind,
        "normal",
        "session",
        dof,
        sensitivity=-sensitivity,
        u_input=u,
        unit="N·m",
    )


def _zero_sensitivities(stage: Stage) -> list[float]:
    """Change of the mean ratio for 1 N·m in each zero reading."""
    parts = [0.0] * len(stage.zeros)
    for weight, r, zero in zip(stage.weights, stage.used, stage.zero_weights, strict=True):
        if zero is None:
            continue
        for k, share in zero.weights:
            parts[k] += weight * share / (r.expected_nm or 1.0)
    return parts


def _per_nm(stage: Stage) -> float:
    pairs = zip(stage.weights, stage.used, strict=True)
    return sum(w / (r.expected_nm or 1.0) for w, r in pairs)


def repeatability_term(stage: Stage, scatter: Scatter) -> Term:
    """Each hanging scatters on its own."""
    sd, dof, kind = repeatability(scatter)
    sensitivity = math.sqrt(sum(w * w for w in stage.weights))
    return Term(
        "repeatability",
        100 * sensitivity * sd,
        kind,
        "normal",
        "session",
        dof,
        sensitivity=sensitivity,
        u_input=100 * sd,
        unit="%",
    )


def _noise_terms(stage: Stage) -> list[Term]:
    """The spread that was noted beside the readings and zeros (swinging masses)."""
    if not any(r.sd_nm for r in (*stage.used, *stage.zeros)):
        return []
    parts = [
        w / (r.expected_nm or 1.0) * (r.sd_nm or 0.0)
        for w, r in zip(stage.weights, stage.used, strict=True)
    ]
    zeros = zip(_zero_sensitivities(stage), stage.zeros, strict=True)
    parts += [q * (z.sd_nm or 0.0) for q, z in zeros]
    return [Term("reading_noise", 100 * math.hypot(*parts), "A", "normal", "session")]


def _hysteresis_terms(session: Session, stage: Stage) -> list[Term]:
    """Half of up − down either way; for a hub half of that, since friction averages out."""
    gap = hysteresis(stage)
    if gap is None:
        return []
    half = abs(gap) / 2 * (HUB_FRICTION_LEFT if session.rule.through_chain else 1.0)
    return [Term("hysteresis", 100 * standard(half), "B", "rectangular", "session")]


def _chain_terms(session: Session, stage: Stage) -> list[Term]:
    """What a hub's chain may lose, where it was loaded one way only."""
    limit = session.loss_half_width.get(stage.name)
    return [relative("chain_loss", stage, standard(limit), "meter")] if limit else []


def _balance_terms(sides: tuple[float, ...]) -> list[Term]:
    """The total of a pair is the mean of its sides only for a rider who is balanced."""
    if len(sides) != 2:
        return []
    gap, u = 100 * abs(sides[0] - sides[1]), BALANCE_SHARE
    return [
        Term(
            "balance",
            gap * u,
            "B",
            "normal",
            "meter",
            sensitivity=gap,
            u_input=u,
            unit="share",
        )
    ]
