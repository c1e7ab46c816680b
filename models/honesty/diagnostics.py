"""Check whether the fleet model describes its data, by its one-step-ahead innovations.

If it does, standardized innovations are independent standard normals: their spread is 1, their
tails are normal, and their lag-1 autocorrelation within a meter is 0.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from models.ageing import Limits, detection_table
from models.metrology import Z90, Array

FEWEST = 20  # values below which nothing is tested
FEWEST_OF_A_METER = 8
SIGNIFICANT = 0.01
STEPS_PCT = (0.5, 1.0, 1.5, 2.0, 3.0)
KINDS = ("bench", "comparison")


class Check(NamedTuple):
    """One check of the innovations of one kind of record.

    check: spread, tails, neighbours or dependence; value with its 90 % ends, expected: what it is
    where the model holds; p: the p-value of so large a difference
    """

    check: str
    n: int
    value: float
    expected: float
    lo90: float | None
    hi90: float | None
    p: float
    text: str


CHECK_SCHEMA: dict[str, type[pl.DataType]] = {
    **{"records": pl.String, "check": pl.String, "n": pl.Int64},
    **dict.fromkeys(("value", "expected", "lo90", "hi90", "p"), pl.Float64),
    "text": pl.String,
}


def checks(innovations: pl.DataFrame) -> pl.DataFrame:
    """Check spread, tails and dependence of the innovations, of sessions and of comparisons.

    In   innovations: device_id, kind (bench, comparison), at, standardized, weight; only those of
         weight ≥ 0.5 are looked at: how many were down-weighted is told elsewhere
    Out  CHECK_SCHEMA: records (the kind), then a `Check`
    Source: Jarque and Bera (1987) for the tails; Ljung and Box (1978) by meter and Holm (1979)
    over meters for the dependence, all as statsmodels has them.
    """
    used = innovations.filter((pl.col("weight") >= 0.5) & pl.col("standardized").is_finite())
    rows: list[tuple[str | int | float | None, ...]] = []
    for kind in KINDS:
        mine = used.filter(pl.col("kind") == kind).sort("device_id", "at")
        if mine.height >= FEWEST:
            z = mine["standardized"].to_numpy()
            series = [
                part["standardized"].to_numpy()
                for part in mine.partition_by("device_id", maintain_order=True)
            ]
            found = (_spread(z), _tails(z), _neighbours(series), _dependence(series))
            rows += [(kind, *check) for check in found if check is not None]
    return pl.DataFrame(rows, schema=CHECK_SCHEMA, orient="row")


def _spread(z: Array) -> Check:
    """Compare the root mean square with 1; the interval is a normal sample's (χ²)."""
    from scipy.stats import chi2

    n = len(z)
    total = float(np.sum(np.square(z)))
    value = float(np.sqrt(total / n))
    low, high = (float(np.sqrt(total / chi2.ppf(q, n))) for q in (0.95, 0.05))
    p = float(2 * min(chi2.cdf(total, n), chi2.sf(total, n)))
    if low <= 1.0 <= high or abs(value - 1.0) < 0.05:
        text = "as wide as the model says"
    elif value > 1.0:
        text = "wider than the model says: take its intervals as a little too narrow"
    else:
        text = "narrower than the model says: its intervals are on the safe side"
    return Check("spread", n, value, 1.0, low, high, p, text)


def _tails(z: Array) -> Check:
    """Compare the kurtosis with the normal's 3 (Jarque–Bera test)."""
    from statsmodels.stats.stattools import jarque_bera

    _, p, _, kurtosis = (float(v) for v in jarque_bera(z))
    half = Z90 * float(np.sqrt(24.0 / len(z)))
    if p >= SIGNIFICANT or abs(kurtosis - 3.0) < 0.5:
        text = "no sign of anything but a normal distribution"
    elif kurtosis > 3.0:
        text = "heavier tails than normal: far-off records are more usual here; they lose weight"
    else:
        text = "not normal, but without far-off records"
    return Check("tails", len(z), kurtosis, 3.0, kurtosis - half, kurtosis + half, p, text)


def _neighbours(series: Sequence[Array]) -> Check | None:
    """Compare the lag-1 autocorrelation within meters, all meters together, with 0."""
    from scipy.stats import norm

    pairs = [(z[:-1], z[1:]) for z in series if len(z) > 1]
    if not pairs:
        return None
    before = np.concatenate([a for a, _ in pairs])
    after = np.concatenate([b for _, b in pairs])
    n = len(before)
    if n < FEWEST:
        return None
    value = float(before @ after / np.sqrt((before @ before) * (after @ after)))
    half = Z90 / np.sqrt(n)
    p = float(2 * norm.sf(abs(value) * np.sqrt(n)))
    if p >= SIGNIFICANT or abs(value) < 0.1:
        text = "neighbours do not resemble each other"
    elif value > 0:
        text = "neighbours resemble each other: something lasts that the model does not know"
    else:
        text = "neighbours differ more than by chance: meters wander less than the model says"
    return Check("neighbours", n, value, 0.0, float(value - half), float(value + half), p, text)


def _dependence(series: Sequence[Array]) -> Check | None:
    """Compare the share of meters whose innovations are autocorrelated with 0 (Ljung–Box, Holm)."""
    from statsmodels.stats.multitest import multipletests
    from statsmodels.tsa.stattools import acf, q_stat

    long = [z for z in series if len(z) >= FEWEST_OF_A_METER and np.ptp(z) > 0]
    if not long:
        return None
    r = [acf(z, nlags=min(4, len(z) // 4), fft=False)[1:] for z in long]
    p = np.array([q_stat(lags, nobs=len(z))[1][-1] for lags, z in zip(r, long, strict=True)])
    rejected, corrected, _, _ = multipletests(p, alpha=0.05, method="holm")
    n, count = len(long), int(rejected.sum())
    text = "no meter's records depend on each other"
    if count:
        what = "1 meter's records depend" if count == 1 else f"{count} meters' records depend"
        text = f"{what} on each other beyond chance"
    return Check("dependence", n, count / n, 0.0, None, None, float(corrected.min()), text)


def detection(innovations: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """Return how soon the charts find a lasting step of a meter, by kind of record.

    In   innovations: kind, sd (100·ln), gain (share of an innovation that the next forecast
         takes over, 0 … 1), weight
    Out  the table of `models.ageing.detection_table` for the median record of each kind, with
         records, innovation_sd_pct and absorbed
    """
    tables = []
    for kind in KINDS:
        mine = innovations.filter((pl.col("kind") == kind) & (pl.col("weight") >= 0.5))
        if mine.height < FEWEST:
            continue
        sd = float(np.median(mine["sd"].to_numpy()))
        gain = float(np.clip(np.median(mine["gain"].to_numpy()), 0.0, 0.95))
        table = detection_table(limits, STEPS_PCT, innovation_sd_pct=sd, absorbed=gain)
        tables.append(
            table.with_columns(
                records=pl.lit(kind), innovation_sd_pct=pl.lit(sd), absorbed=pl.lit(gain)
            )
        )
    return pl.concat(tables) if tables else pl.DataFrame(schema={"records": pl.String})
