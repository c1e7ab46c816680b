"""Describe what hangs on the crank, and how well that is known.

Limits of error are those of OIML R 111-1:2004, Table 1, for weights of 1 kg to 50 kg. Nominal
values between two of the table's take the looser of both neighbours' relative limits; a sum of
plates of one class is taken the same way, because their errors may all point one way. Below
1 kg the limit of 1 kg is kept in full, above 50 kg the relative limit of 50 kg.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

from models.metrology.gravity import DEFAULT_HALF_WIDTH_MS2, STANDARD_MS2
from models.wording import Reason

AIR_KG_M3 = 1.2
REFERENCE_DENSITY_KG_M3 = 8000.0

NOMINAL_KG = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
LIMIT_MG: dict[str, tuple[float, ...]] = {
    "E1": (0.5, 1, 2.5, 5, 10, 25),
    "E2": (1.6, 3, 8, 16, 30, 80),
    "F1": (5, 10, 25, 50, 100, 250),
    "F2": (16, 30, 80, 160, 300, 800),
    "M1": (50, 100, 250, 500, 1000, 2500),
    "M2": (160, 300, 800, 1600, 3000, 8000),
    "M3": (500, 1000, 2500, 5000, 10000, 25000),
}
LOOSER_CLASS = {"M1-2": "M2", "M2-3": "M3"}
"""Classes of 50 kg and above only: read here as the next looser one."""
DEFAULT_CLASS = "M3"

STAMPED_RELATIVE = 0.02
"""A plate's stamped mass is good to ± 2 % (rectangular)."""
SCALE_RELATIVE = 0.001
"""A scale without stated limits is good to ± 0.1 % (rectangular)."""
SCALE_GRAVITY_RELATIVE = DEFAULT_HALF_WIDTH_MS2 / STANDARD_MS2
"""A scale shows force: where it was adjusted is unknown, like gravity where nothing is given."""


def class_limit_g(mass_kg: float, mass_class: str) -> float:
    """Return the limit of error of a weight of any nominal value, g. KeyError: no such class."""
    name = mass_class.strip().upper()
    limits = LIMIT_MG[LOOSER_CLASS.get(name, name)]
    if mass_kg <= NOMINAL_KG[0]:
        return limits[0] / 1000
    above = next((k for k, nominal in enumerate(NOMINAL_KG) if nominal >= mass_kg), None)
    if above is None:
        return limits[-1] / NOMINAL_KG[-1] * mass_kg / 1000
    neighbours = (above - 1, above) if NOMINAL_KG[above] != mass_kg else (above,)
    return max(limits[k] / NOMINAL_KG[k] for k in neighbours) * mass_kg / 1000


@dataclass(frozen=True, slots=True)
class Load:
    """What hangs: mass and hanger in kg, their standard uncertainties in g.

    u_scale_gravity: relative standard uncertainty from the place where the scale was
    adjusted (0 unless the masses were weighed and nobody stated limits).
    """

    mass_kg: float
    hanger_kg: float
    u_mass_g: float
    u_hanger_g: float
    u_scale_gravity: float
    basis: str
    notes: tuple[Reason, ...] = ()

    @property
    def total_kg(self) -> float:
        """Return mass and hanger together, kg."""
        return self.mass_kg + self.hanger_kg


@dataclass(frozen=True, slots=True)
class MassLimits:
    """What is stated about a mass set; None: not stated."""

    tolerance_g: float | None = None
    mass_class: str | None = None
    source: str | None = None


@lru_cache(maxsize=4096)
def load_of(mass_kg: float, hanger_kg: float, *, limits: MassLimits) -> Load:
    """Return the load with its uncertainty: stated limits, else the class, else its source's."""
    root3 = math.sqrt(3)
    hanger_g = _hanger_limit_g(hanger_kg, limits)
    notes: tuple[Reason, ...] = ()
    if limits.tolerance_g is not None:
        u, basis = limits.tolerance_g / root3, f"± {limits.tolerance_g:g} g"
    elif limits.mass_class is not None:
        u, basis, notes = _by_class(mass_kg, limits.mass_class)
    elif limits.source == "stamped":
        u, basis = STAMPED_RELATIVE * mass_kg * 1000 / root3, "stamped"
        notes = (Reason("masses_stamped", limit_pct=100 * STAMPED_RELATIVE),)
    elif limits.source == "weighed":
        return _weighed(mass_kg, hanger_kg, hanger_g)
    else:
        u, basis, notes = _by_class(mass_kg, DEFAULT_CLASS)
        notes = (Reason("class_assumed", mass_class=DEFAULT_CLASS), *notes)
    if limits.source == "weighed":
        notes = (*notes, Reason("scale_in_limits"))
    return Load(mass_kg, hanger_kg, u, hanger_g / root3, 0.0, basis, notes)


def _by_class(mass_kg: float, mass_class: str) -> tuple[float, str, tuple[Reason, ...]]:
    name = mass_class.strip().upper()
    if LOOSER_CLASS.get(name, name) not in LIMIT_MG:
        note = Reason("class_unknown", given=mass_class, mass_class=DEFAULT_CLASS)
        u = class_limit_g(mass_kg, DEFAULT_CLASS) / math.sqrt(3)
        return u, f"class {DEFAULT_CLASS}", (note,)
    return class_limit_g(mass_kg, name) / math.sqrt(3), f"class {name}", ()


def _weighed(mass_kg: float, hanger_kg: float, hanger_g: float) -> Load:
    """Return a load weighed without stated limits: the scale's error, and where it was adjusted."""
    root3 = math.sqrt(3)
    note = Reason(
        "masses_weighed", limit_pct=100 * SCALE_RELATIVE, limit_ms2=DEFAULT_HALF_WIDTH_MS2
    )
    return Load(
        mass_kg,
        hanger_kg,
        SCALE_RELATIVE * mass_kg * 1000 / root3,
        hanger_g / root3,
        SCALE_GRAVITY_RELATIVE / root3,
        "weighed",
        (note,),
    )


def _hanger_limit_g(hanger_kg: float, limits: MassLimits) -> float:
    """Return the hanger's limit: weighed or stamped like its set, else the class's for 1 kg."""
    if hanger_kg <= 0:
        return 0.0
    if limits.tolerance_g is None and limits.mass_class is None:
        if limits.source == "stamped":
            return STAMPED_RELATIVE * hanger_kg * 1000
        if limits.source == "weighed":
            return SCALE_RELATIVE * hanger_kg * 1000
    return class_limit_g(hanger_kg, DEFAULT_CLASS)
