"""Power columns that hold something else: said before anything is computed from them."""

import numpy as np
import polars as pl

from models.metrology import Array
from models.rides.alignment import CannotCompareError

_A_RIDER_W = (15.0, 1200.0)  # mean of the non-zero seconds of anything ridden


def require_watts(frame: pl.DataFrame, *, name: str) -> None:
    """Raise CannotCompareError, in one sentence, where power_w does not look like watts."""
    power = frame["power_w"].cast(pl.Float64).drop_nulls().drop_nans().to_numpy()
    if len(power) == 0 or not np.any(power > 0):
        raise CannotCompareError(
            f"The {name}'s recording holds no power above zero in its power_w column."
        )
    if _accumulates(power):
        raise CannotCompareError(
            f"The {name}'s power_w only ever grows (from {power[0]:g} to {power[-1]:g}): that is "
            "work added up, such as kilojoules, not watts. Export the power of each second."
        )
    typical = float(np.mean(power[power > 0]))
    if typical < 3:
        raise CannotCompareError(
            f"The {name}'s power_w averages {typical:.3g} when riding, expected watts: it looks "
            "like kilowatts, or kilojoules for each second. Multiply by 1000."
        )
    if not _A_RIDER_W[0] <= typical <= _A_RIDER_W[1]:
        raise CannotCompareError(
            f"The {name}'s power_w averages {typical:.4g} when riding, expected watts between "
            f"{_A_RIDER_W[0]:.0f} and {_A_RIDER_W[1]:.0f}. Check the unit of the column."
        )


def _accumulates(power: Array) -> bool:
    """Return whether it is a running total: never falls but for a reset, grows at every effort."""
    if len(power) < 30:
        return False
    steps = np.diff(power)
    falls = int(np.sum(steps < 0))
    return falls <= 2 and float(np.ptp(power)) > 0 and int(np.sum(steps > 0)) >= 10
