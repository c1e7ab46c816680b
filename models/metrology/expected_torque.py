"""Compute the torque that a meter without error shows, and the readings that a limit allows."""

import math
from dataclasses import dataclass

from models.metrology.masses import AIR_KG_M3, REFERENCE_DENSITY_KG_M3


@dataclass(frozen=True, slots=True)
class Drive:
    """How torque at the crank reaches a hub: through the chain, with a relative loss."""

    cog_teeth: float
    ring_teeth: float
    loss: float = 0.0

    @property
    def factor(self) -> float:
        """Return torque at the hub over torque at the crank."""
        return self.cog_teeth / self.ring_teeth * (1 - self.loss)


def expected_torque_nm(
    mass_kg: float,
    length_mm: float,
    *,
    gravity_ms2: float,
    angle_deg: float = 0.0,
    drive: Drive | None = None,
    air_kg_m3: float = AIR_KG_M3,
    density_kg_m3: float = REFERENCE_DENSITY_KG_M3,
) -> float:
    """Return m · g · L · (1 − ρ_air/ρ_mass) · cos θ, for a hub times cog/ring · (1 − loss), N·m.

    mass_kg is the masses with their hanger, length_mm the crank's (or the lever's) length,
    angle_deg its angle from horizontal.
    """
    torque = (
        mass_kg
        * gravity_ms2
        * length_mm
        * 1e-3
        * (1 - air_kg_m3 / density_kg_m3)
        * math.cos(math.radians(angle_deg))
    )
    return torque if drive is None else torque * drive.factor


def accept_limits_nm(
    expected_nm: float, tolerance_pct: float, *, zero_nm: float = 0.0, guard_band_pct: float = 0.0
) -> tuple[float, float]:
    """Return the lowest and highest display that keep the gain error within tolerance, N·m.

    zero_nm: what the meter shows with nothing on (the zero offset adds to the display).
    guard_band_pct: the expanded uncertainty, where only a decided "in" is to pass; where it
    leaves nothing, both limits are the expected value itself.
    """
    width = max(tolerance_pct - guard_band_pct, 0.0) / 100 * abs(expected_nm)
    return expected_nm + zero_nm - width, expected_nm + zero_nm + width
