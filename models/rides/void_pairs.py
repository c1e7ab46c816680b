"""Pairs that prove nothing: one recording holds, or follows, the other's power."""

from dataclasses import dataclass

import numpy as np

from models.wording import Reason

SAME_RATIO_PCT = 0.15  # closer to 1.000 than sensors of ± 1 % meet often
SMALL_NOISE_PCT = 0.55  # second by second; two sensors scatter by 1 % and more (common practice)
ALMOST_ONE_PCT, ALMOST_ZERO_W = 0.05, 0.3  # so close that the reader is asked
SAME_NUMBER_SHARE = 0.9  # of the seconds, from which one recording holds the other's power
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
) -> Reason | None:
    """Return why the pair proves nothing, or None. closeness None: nothing could be fitted."""
    if meter_serial and reference_serial and meter_serial == reference_serial:
        return Reason("same_sensor", serial=meter_serial)
    if closeness is None:
        return None
    if closeness.equal_share > SAME_NUMBER_SHARE:
        return Reason("same_numbers", equal=closeness.equal_share)
    if closeness.is_one and closeness.is_too_quiet:
        return Reason("follows_other", noise_w=closeness.noise_w)
    return None


def doubt_of(closeness: Closeness) -> Reason | None:
    """Return a doubt that is not enough to void the pair, or None."""
    if closeness.is_too_quiet and not closeness.is_one:
        return Reason("close_followers", noise_w=closeness.noise_w)
    if abs(closeness.gain_pct) < ALMOST_ONE_PCT and abs(closeness.zero_w) < ALMOST_ZERO_W:
        return Reason("ratio_of_one")
    return None
