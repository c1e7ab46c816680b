"""How far a meter's zero lies from where it was last set: from the team's own zero readings.

Readings one after another differ as a ride differs whose meter was not zeroed before it:
temperature, wandering, bolts, and now and then a jump. Their spread is a meter's own, drawn
towards its kind's, and that towards the mean of what is usual and of the team's other kinds, each
counting once. A kind without readings is taken to be as those.
"""

from collections.abc import Iterator, Mapping

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
    Without any reading in N·m no meter is named: U_UNZEROED_NM holds for all.
    """
    moved = dict(_differences(zeros))
    kinds = {
        str(kind): {name: moved.get(name, np.empty(0)) for name in part["meter_id"]}
        for (kind,), part in meters.group_by("kind", maintain_order=True)
    }
    kinds = {kind: _clipped(own) for kind, own in kinds.items()}
    together = {kind: np.concatenate(list(own.values())) for kind, own in kinds.items()}
    if not any(map(len, together.values())):
        return {}
    spread: dict[str, float] = {}
    for kind, own in kinds.items():
        of_kind = _shrunk(together[kind], _usual(together, kind), OF_USUAL)
        for name, values in own.items():
            spread[name] = max(_shrunk(values, of_kind, OF_KIND), U_ZEROED_NM)
    return spread


def _clipped(own: Mapping[str, Array]) -> dict[str, Array]:
    """Return the differences of a kind's meters, jumps no further than FAR sd of them all."""
    together = np.concatenate(list(own.values()))
    if not len(together):
        return dict(own)
    most = FAR * float(np.quantile(np.abs(together), 0.9)) / Z90
    return {name: np.clip(values, -most, most) for name, values in own.items()}


def _usual(together: Mapping[str, Array], kind: str) -> float:
    """Return what a kind's sd is likely to be, N·m: the usual one and those of other kinds."""
    others = [
        float(np.mean(np.square(values)))
        for other, values in together.items()
        if other != kind and len(values) >= OF_USUAL
    ]
    return float(np.sqrt(np.mean([U_UNZEROED_NM**2, *others])))


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
