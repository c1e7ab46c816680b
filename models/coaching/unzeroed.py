"""How far a meter's zero lies from where it was last set: from the team's own zero readings.

Readings one after another differ as a ride differs whose meter was not zeroed before it:
temperature, wandering, bolts, and now and then a jump. Their spread is a meter's own, drawn
towards its kind's, and that towards what is usual.
"""

from collections.abc import Iterator

import numpy as np
import polars as pl

from models.metrology import Z90, Array

U_ZEROED_NM, U_UNZEROED_NM = 0.03, 0.25  # standard uncertainty of the zero offset, as is usual
LONGEST_DAYS = 90.0  # between two readings that one ride could lie between
OF_USUAL, OF_KIND = 10.0, 20.0  # differences that what is usual, and that the kind counts for
FAR = 3.0  # sd beyond which a jump counts as no further


def unzeroed_nm(zeros: pl.DataFrame, meters: pl.DataFrame) -> dict[str, float]:
    """Return the sd (N·m) of the offset of each meter that was not zeroed before a ride.

    In   zeros: meter_id, measured_at, zero_nm; meters: meter_id, kind
    Meters of a kind without readings in N·m are left out: U_UNZEROED_NM holds for them.
    """
    moved = dict(_differences(zeros))
    spread: dict[str, float] = {}
    for (_,), part in meters.group_by("kind", maintain_order=True):
        own = {name: moved.get(name, np.empty(0)) for name in part["meter_id"]}
        together = np.concatenate(list(own.values()))
        if not len(together):
            continue
        most = FAR * float(np.quantile(np.abs(together), 0.9)) / Z90
        of_kind = _shrunk(np.clip(together, -most, most), U_UNZEROED_NM, OF_USUAL)
        for name, values in own.items():
            sd = _shrunk(np.clip(values, -most, most), of_kind, OF_KIND)
            spread[name] = max(sd, U_ZEROED_NM)
    return spread


def _differences(zeros: pl.DataFrame) -> Iterator[tuple[str, Array]]:
    """Yield each meter's differences of readings that follow each other, N·m."""
    known = zeros.filter(pl.col("zero_nm").is_finite(), pl.col("measured_at").is_not_null())
    for (meter,), part in known.sort("meter_id", "measured_at").group_by("meter_id"):
        days = part["measured_at"].dt.epoch("us").to_numpy() / 86400e6
        yield str(meter), np.diff(part["zero_nm"].to_numpy())[np.diff(days) <= LONGEST_DAYS]


def _shrunk(values: Array, usual: float, worth: float) -> float:
    """Return the sd of differences about 0 and a usual one, which is worth so many of them.

    Shrunken variances: Smyth (2004) Stat Appl Genet Mol Biol 3:3, eq. 3.
    """
    total = worth * usual**2 + float(np.sum(np.square(values)))
    return float(np.sqrt(total / (worth + len(values))))
