"""Budget terms of what is hung, from where and how: masses, length, gravity, level, air.

A crank levelled by eye is only ever wrong one way: cos θ ≤ 1, so the meter seems to read low.
The expected torque keeps cos 0 = 1, nothing is corrected (GUM F.2.4.5). The budget carries the
spread of 1 − cos θ, new at each session, and its mean, which a place has at all its sessions:
the same eyes and the same stand level every crank there.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import lru_cache

from models.bench.measurement.readings import Reading, Session
from models.bench.measurement.stage_means import Stage
from models.metrology import Load, Term, combine_correlated

ANGLE_BY_EYE_DEG = 1.5
ANGLE_GIVEN_DEG = 0.5
LEAN_DEG = 1.0
"""Standard deviations of the crank's angle (read by eye, given) and of the bike's lean."""
BUOYANCY_RELATIVE = 20e-6
"""Air of 1.0 to 1.4 kg/m³, masses of cast iron or steel."""


def load_terms(stage: Stage) -> list[Term]:
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


def length_term(session: Session, stage: Stage) -> Term:
    """The crank's length error, one for all readings."""
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


def gravity_term(session: Session, stage: Stage) -> Term:
    """Local gravity, as well as it is known."""
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


def angle_term(stage: Stage) -> Term:
    """Spread of 1 − cos θ; the crank is levelled anew for each arm."""
    spread = slope = 0.0
    for weight, r in zip(stage.weights, stage.used, strict=True):
        _, sd = unlevel(_angle_sd_deg(r))
        tilt = math.tan(math.radians(r.angle_deg or 0.0))
        spread += weight * math.hypot(sd, tilt * math.radians(ANGLE_GIVEN_DEG))
        slope += weight * tilt
    by_eye = any(r.angle_deg is None for r in stage.used)
    arms = len({r.arm for r in stage.used})
    size = abs(100 * stage.ratio)
    return Term(
        "crank_angle",
        size * spread / math.sqrt(arms),
        "B",
        "normal, second order",
        "session",
        sensitivity=None if by_eye else -size * slope * math.pi / 180,
        u_input=ANGLE_BY_EYE_DEG if by_eye else ANGLE_GIVEN_DEG,
        unit="°",
    )


def _angle_sd_deg(reading: Reading) -> float:
    return ANGLE_BY_EYE_DEG if reading.angle_deg is None else ANGLE_GIVEN_DEG


@lru_cache(maxsize=64)
def unlevel(sd_deg: float) -> tuple[float, float]:
    """Mean and standard deviation of 1 − cos θ for a normal θ about 0, as fractions.

    1 − exp(−σ²/2) and (1 − exp(−σ²))/√2: for 1.5° 0.034 % and 0.048 %.
    """
    variance = math.radians(sd_deg) ** 2
    return 1 - math.exp(-variance / 2), (1 - math.exp(-variance)) / math.sqrt(2)


def lean_term(stage: Stage) -> Term:
    """A bike that leans sideways acts like a crank that is not level: the spread of that."""
    _, sd = unlevel(LEAN_DEG)
    return Term(
        "lean",
        abs(100 * stage.ratio) * sd,
        "B",
        "normal, second order",
        "session",
        u_input=LEAN_DEG,
        unit="°",
    )


def off_level_term(stage: Stage) -> Term:
    """What unlevel cranks and leaning bikes hide in the mean: the same at a place each time."""
    pairs = zip(stage.weights, stage.used, strict=True)
    hidden = sum(w * _hidden(_angle_sd_deg(r)) for w, r in pairs)
    return relative("off_level", stage, hidden, "place")._replace(distribution="second order")


def _hidden(sd_deg: float) -> float:
    return unlevel(sd_deg)[0] + unlevel(LEAN_DEG)[0]


OFF_LEVEL_RELATIVE = _hidden(ANGLE_BY_EYE_DEG)
"""What cranks levelled by eye on leaning bikes hide in the mean, as a fraction."""


def relative(source: str, stage: Stage, relative: float, shared: str) -> Term:
    """A relative error of the expected torque."""
    return Term(source, abs(100 * stage.ratio) * relative, "B", "rectangular", shared)


def _together(contributions: Iterable[float]) -> float:
    """Contributions that err together (correlation 1, GUM 5.2.2 note 1)."""
    parts = list(contributions)
    return abs(parts[0]) if len(parts) == 1 else combine_correlated(parts, 1.0)
