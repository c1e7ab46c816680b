"""Find the gravity at the bench: given, from latitude and altitude, or assumed.

Normal gravity is the ellipsoid's; what the ground below adds is not in it, which is why a
computed value carries 50 ppm and more (a textbook's table of places agrees within 120 ppm).
"""

import math
from dataclasses import dataclass
from functools import lru_cache

from models.metrology.resolution import half_last_digit
from models.wording import Reason

# WGS84, NIMA TR8350.2: gravity at the equator (m/s²), Somigliana's constant, squared
# eccentricity, flattening, semi-major axis (m), centrifugal ratio m.
EQUATOR_MS2 = 9.7803253359
SOMIGLIANA_K = 0.00193185265241
ECCENTRICITY_SQUARED = 0.00669437999014
FLATTENING = 1 / 298.257223563
SEMI_MAJOR_M = 6378137.0
CENTRIFUGAL_M = 0.00344978650684

STANDARD_MS2 = 9.80665
DEFAULT_HALF_WIDTH_MS2 = 0.026
"""What standard gravity may be off by where nothing is known of the place, rectangular."""
U_NORMAL_RELATIVE = 50e-6
"""Standard uncertainty of normal gravity as local gravity, relative."""
U_GIVEN_RELATIVE = 10e-6
"""Least standard uncertainty of a value that somebody typed, relative."""
ALTITUDE_UNKNOWN_M = 500.0
FREE_AIR_PER_S2 = 3.086e-6


@dataclass(frozen=True, slots=True)
class Gravity:
    """Local gravity, m/s². source: given, place, latitude, assumed; note: what was assumed."""

    value_ms2: float
    u_ms2: float
    distribution: str
    source: str
    note: Reason | None = None


def normal_gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Return the gravity of the WGS84 ellipsoid at a latitude and height, m/s².

    Somigliana's closed form at the surface; with height the second-order free-air correction
    1 − 2(1 + f + m − 2f·sin²φ)h/a + 3h²/a². Source: NIMA TR8350.2, equations 4-1 and 4-3.
    """
    s = math.sin(math.radians(latitude_deg)) ** 2
    surface = EQUATOR_MS2 * (1 + SOMIGLIANA_K * s) / math.sqrt(1 - ECCENTRICITY_SQUARED * s)
    h = altitude_m / SEMI_MAJOR_M
    return surface * (1 - 2 * (1 + FLATTENING + CENTRIFUGAL_M - 2 * FLATTENING * s) * h + 3 * h * h)


@lru_cache(maxsize=4096)
def local_gravity(
    given_ms2: float | None = None,
    *,
    place_ms2: float | None = None,
    latitude_deg: float | None = None,
    altitude_m: float | None = None,
) -> Gravity:
    """Return the best that is known of local gravity: given, the place's, by latitude, assumed."""
    if given_ms2 is not None:
        return _typed(given_ms2, "given")
    if place_ms2 is not None:
        return _typed(place_ms2, "place")
    if latitude_deg is not None:
        return _by_latitude(latitude_deg, altitude_m)
    return Gravity(
        STANDARD_MS2,
        DEFAULT_HALF_WIDTH_MS2 / math.sqrt(3),
        "rectangular",
        "assumed",
        Reason("standard_gravity", value_ms2=STANDARD_MS2, limit_ms2=DEFAULT_HALF_WIDTH_MS2),
    )


def _typed(value_ms2: float, source: str) -> Gravity:
    """Return a typed value: ± half a unit of its last digit, at most what the default allows."""
    half = min(half_last_digit(value_ms2, most=6), DEFAULT_HALF_WIDTH_MS2)
    u = max(half / math.sqrt(3), U_GIVEN_RELATIVE * value_ms2)
    return Gravity(value_ms2, u, "rectangular", source)


def _by_latitude(latitude_deg: float, altitude_m: float | None) -> Gravity:
    value = normal_gravity(latitude_deg, altitude_m or 0.0)
    u = U_NORMAL_RELATIVE * value
    if altitude_m is not None:
        return Gravity(value, u, "normal", "latitude")
    u_height = ALTITUDE_UNKNOWN_M * FREE_AIR_PER_S2 / math.sqrt(3)
    note = Reason("altitude_assumed", limit_m=ALTITUDE_UNKNOWN_M)
    return Gravity(value, math.hypot(u, u_height), "normal", "latitude", note)
