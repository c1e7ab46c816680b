"""The uncertainty budget of a bench session, source by source.

What is independent of what: a crank's length error, the masses' error, gravity and the zero act
on every reading of the session alike; repeatability is new at each hanging, the display's
rounding at each cell, the crank's level at each arm. Several loads of one mass set are taken as
erring together, because plates of one make do.

A crank levelled by eye is only ever wrong one way: cos θ ≤ 1, so the meter seems to read low.
The expected torque keeps cos 0 = 1, nothing is corrected; the budget carries the mean of
1 − cos θ and its spread together, as a root mean square (GUM F.2.4.5).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

from models.cells import Scatter, Stage, hysteresis
from models.masses import Load
from models.readings import Session
from models.uncertainty import Budget, Term, budget, combine_correlated, pooled_with_prior, standard

ZERO_UNKNOWN_NM = 0.25
"""Standard uncertainty of a zero that nobody read."""
ZERO_PRIOR_NM, ZERO_PRIOR_DOF = 0.03, 2.0
"""Scatter of one zero reading, where the session does not show it."""
REPEATABILITY_PRIOR_PCT, REPEATABILITY_PRIOR_DOF = 0.15, 2.0
"""Scatter of one hanging, where the session does not show it."""
ENOUGH_DOF = 4
"""From here on a session's own scatter speaks alone."""
ANGLE_BY_EYE_DEG = 1.5
ANGLE_GIVEN_DEG = 0.5
LEAN_DEG = 1.0
"""Standard deviations of the crank's angle (read by eye, given) and of the bike's lean."""
BUOYANCY_RELATIVE = 20e-6
"""Air of 1.0 to 1.4 kg/m³, masses of cast iron or steel."""
BALANCE_SHARE = 0.025
"""Standard uncertainty of the left side's share in a rider's torque."""
HUB_FRICTION_LEFT = 0.5
"""Of the half difference between loading up and down, what averaging may leave, for a hub."""


def session_budget(
    session: Session, stage: Stage, *, scatter: Scatter, step_nm: float, sides: tuple[float, ...]
) -> Budget:
    """Budget of a stage's gain error (or of one side of it).

    scatter: of all the session's stages, since the hand that hung them was one.
    step_nm: step of the display. sides: both sides' ratios, where the total is their mean.
    """
    terms = [
        *_load_terms(stage),
        _relative("air_buoyancy", stage, BUOYANCY_RELATIVE, "place"),
        _length_term(session, stage),
        _gravity_term(session, stage),
        _angle_term(stage),
        _lean_term(stage),
        _resolution_term(stage, step_nm),
        *_zero_terms(stage),
        repeatability_term(stage, scatter),
        *_noise_terms(stage),
        *_hysteresis_terms(session, stage),
    ]
    if session.loss_half_width:
        terms.append(_relative("chain_loss", stage, standard(session.loss_half_width), "meter"))
    if len(sides) == 2:
        share = 100 * abs(sides[0] - sides[1])
        terms.append(
            Term(
                "balance",
                share * BALANCE_SHARE,
                "B",
                "normal",
                "meter",
                sensitivity=share,
                u_input=BALANCE_SHARE,
                unit="share",
            )
        )
    return budget(terms)


def difference_u(stage: Stage, scatter: Scatter, *, step_nm: float, cells: int) -> float:
    """Standard uncertainty of a difference between the means of two halves of `cells` cells.

    As a ratio. What acts on all readings alike cancels; hangings and rounding remain.
    """
    sd, _, _ = _repeatability(scatter)
    size = sum(r.expected_nm or 1.0 for r in stage.used) / len(stage.used)
    per_cell = sd**2 + (step_nm / size) ** 2 / 12
    return math.sqrt(per_cell * 4 / max(cells, 2))


def _load_terms(stage: Stage) -> list[Term]:
    """Masses, hanger, and the place of the scale that weighed them."""
    parts: dict[Load, float] = {}
    for weight, r in zip(stage.weights, stage.used, strict=True):
        if r.hung is not None and r.ratio is not None:
            parts[r.hung] = parts.get(r.hung, 0.0) + weight * r.ratio / r.hung.total_kg
    mass = _together(part * load.u_mass_g / 1000 for load, part in parts.items())
    hanger = _together(part * load.u_hanger_g / 1000 for load, part in parts.items())
    scale = _together(part * load.u_scale_gravity * load.total_kg for load, part in parts.items())
    per_g = -0.1 * sum(parts.values())
    terms = [_mass_term("mass", mass, per_g, max(load.u_mass_g for load in parts))]
    if hanger > 0:
        largest = max(load.u_hanger_g for load in parts)
        terms.append(_mass_term("hanger_mass", hanger, per_g, largest))
    if scale > 0:
        terms.append(Term("scale_gravity", 100 * scale, "B", "rectangular", "bench"))
    return terms


def _mass_term(source: str, relative: float, per_g: float, u_g: float) -> Term:
    return Term(
        source,
        100 * relative,
        "B",
        "rectangular",
        "bench",
        sensitivity=per_g,
        u_input=u_g,
        unit="g",
    )


def _length_term(session: Session, stage: Stage) -> Term:
    pairs = zip(stage.weights, stage.used, strict=True)
    per_mm = 100 * sum(w * (r.ratio or 0.0) / (r.length_mm or 1.0) for w, r in pairs)
    u = session.u_length_mm
    return Term(
        "crank_length",
        abs(per_mm) * u,
        "B",
        "rectangular",
        "crank",
        sensitivity=-per_mm,
        u_input=u,
        unit="mm",
    )


def _gravity_term(session: Session, stage: Stage) -> Term:
    gravity = session.gravity
    per_unit = 100 * stage.ratio / gravity.value_ms2
    return Term(
        "gravity",
        abs(per_unit) * gravity.u_ms2,
        "B",
        gravity.distribution,
        "place",
        sensitivity=-per_unit,
        u_input=gravity.u_ms2,
        unit="m/s²",
    )


def _angle_term(stage: Stage) -> Term:
    """Mean of 1 − cos θ and its spread; the crank is levelled anew for each arm."""
    bias = spread = slope = 0.0
    by_eye = False
    for weight, r in zip(stage.weights, stage.used, strict=True):
        given = r.angle_deg is not None
        by_eye = by_eye or not given
        mean, sd = unlevel(ANGLE_GIVEN_DEG if given else ANGLE_BY_EYE_DEG)
        tilt = math.tan(math.radians(r.angle_deg or 0.0))
        first = tilt * math.radians(ANGLE_GIVEN_DEG)
        bias += weight * mean
        spread += weight * math.hypot(sd, first)
        slope += weight * tilt
    arms = len({r.arm for r in stage.used})
    size = abs(100 * stage.ratio)
    return Term(
        "crank_angle",
        size * math.hypot(bias, spread / math.sqrt(arms)),
        "B",
        "normal, second order",
        "session",
        sensitivity=None if by_eye else -size * slope * math.pi / 180,
        u_input=ANGLE_BY_EYE_DEG if by_eye else ANGLE_GIVEN_DEG,
        unit="°",
    )


@lru_cache(maxsize=64)
def unlevel(sd_deg: float) -> tuple[float, float]:
    """Mean and standard deviation of 1 − cos θ for a normal θ about 0, as fractions.

    1 − exp(−σ²/2) and (1 − exp(−σ²))/√2: for 1.5° 0.034 % and 0.048 %.
    """
    variance = math.radians(sd_deg) ** 2
    return 1 - math.exp(-variance / 2), (1 - math.exp(-variance)) / math.sqrt(2)


def _lean_term(stage: Stage) -> Term:
    """A bike that leans sideways acts like a crank that is not level."""
    return Term(
        "lean",
        abs(100 * stage.ratio) * math.hypot(*unlevel(LEAN_DEG)),
        "B",
        "normal, second order",
        "session",
        u_input=LEAN_DEG,
        unit="°",
    )


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


def _repeatability(scatter: Scatter) -> tuple[float, float, str]:
    return pooled_with_prior(
        *scatter,
        prior_sd=REPEATABILITY_PRIOR_PCT / 100,
        prior_dof=REPEATABILITY_PRIOR_DOF,
        enough=ENOUGH_DOF,
    )


def repeatability_term(stage: Stage, scatter: Scatter) -> Term:
    """Each hanging scatters on its own."""
    sd, dof, kind = _repeatability(scatter)
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


def _relative(source: str, stage: Stage, relative: float, shared: str) -> Term:
    """A relative error of the expected torque."""
    return Term(source, abs(100 * stage.ratio) * relative, "B", "rectangular", shared)


def _together(contributions: Iterable[float]) -> float:
    """Contributions that err together (correlation 1, GUM 5.2.2 note 1)."""
    parts = list(contributions)
    return abs(parts[0]) if len(parts) == 1 else combine_correlated(parts, 1.0)
