"""Pairs that prove nothing: one recording holds, or follows, the other's power."""

from dataclasses import dataclass

import numpy as np

SAME_RATIO_PCT = 0.15  # closer to 1.000 than sensors of ± 1 % meet often
SMALL_NOISE_PCT = 0.55  # second by second; two sensors scatter by 1 % and more (common practice)
ROUNDING_W = 0.35  # two powers rounded to whole watts scatter by this alone


@dataclass(frozen=True)
class Closeness:
    """How close two matched powers are, second by second.

    noise_w        robust sd of meter − gain · reference − zero part
    mean_w         mean power
    gain_pct, zero_w   what was taken out: the gain ratio and the zero part at mean cadence
    u_gain_pct     standard uncertainty of the gain ratio
    equal_share    0 … 1: seconds in which both show the same number as recorded
    """

    noise_w: float
    mean_w: float
    gain_pct: float
    u_gain_pct: float
    zero_w: float
    equal_share: float

    @property
    def is_one(self) -> bool:
        """Whether gain and zero part leave the recordings equal."""
        allowed_pct = max(SAME_RATIO_PCT, 2 * min(self.u_gain_pct, SAME_RATIO_PCT))
        allowed_w = allowed_pct / 100 * self.mean_w + 0.1
        return abs(self.gain_pct) < allowed_pct and abs(self.zero_w) < allowed_w

    @property
    def is_too_quiet(self) -> bool:
        """Whether two sensors cannot agree this well second by second."""
        floor = np.hypot(SMALL_NOISE_PCT / 100 * self.mean_w, ROUNDING_W)
        return bool(self.noise_w < floor)


def void_reason(
    closeness: Closeness | None, *, meter_serial: str | None, reference_serial: str | None
) -> str | None:
    """Why the pair proves nothing, or None. closeness None: nothing could be fitted."""
    if meter_serial and reference_serial and meter_serial == reference_serial:
        return (
            f"Both recordings come from the same power sensor (serial {meter_serial}): "
            "the pair proves nothing."
        )
    if closeness is None:
        return None
    if closeness.equal_share > 0.9:
        return (
            f"In {100 * closeness.equal_share:.0f} % of the seconds both recordings show the "
            "same number: one holds the other's power, and the pair proves nothing."
        )
    if closeness.is_one and closeness.is_too_quiet:
        return (
            f"The ratio is 1.000 and the two differ by only {closeness.noise_w:.1f} W from second "
            "to second, less than two sensors can: one repeats the other's power, as a trainer "
            "does that is steered by the meter. The pair proves nothing."
        )
    return None


def closeness_warning(closeness: Closeness) -> str | None:
    """A doubt that is not enough to void the pair, or None."""
    if closeness.is_too_quiet and not closeness.is_one:
        return (
            f"The two follow each other to {closeness.noise_w:.1f} W from second to second, "
            "better than two sensors usually do: make sure that neither was computed from the "
            "other."
        )
    if abs(closeness.gain_pct) < 0.05 and abs(closeness.zero_w) < 0.3:
        return (
            "The ratio is 1.000 almost exactly: make sure that the trainer was not steered by "
            "the meter (power matching off)."
        )
    return None
