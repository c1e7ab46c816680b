"""Does the fleet model describe its data? What its one-step-ahead innovations say.

If it does, standardized innovations are independent standard normals: their spread is 1, their
tails are normal, and neighbours of one meter do not resemble each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import polars as pl

from models.ageing import Limits, detection_table
from models.metrology import Z90, Array

FEWEST = 20  # values below which nothing is tested
FEWEST_OF_A_METER = 8
SIGNIFICANT = 0.01
STEPS_PCT = (0.5, 1.0, 1.5, 2.0, 3.0)
SCHEMA: dict[str, Any] = {
    "records": pl.String,
    "check": pl.String,
    "n": pl.Int64,
    "value": pl.Float64,
    "expected": pl.Float64,
    "lo90": pl.Float64,
    "hi90": pl.Float64,
    "p": pl.Float64,
    "text": pl.String,
}
KINDS = ("bench", "comparison")


def checks(innovations: pl.DataFrame) -> pl.DataFrame:
    """Spread, tails and dependence of the innovations, for sessions and for comparisons.

    In   innovations: device_id, kind (bench, comparison), at, standardized, weight; only those
         that count fully (weight ≥ 0.5) are looked at: what was weighed down is counted elsewhere
    Out  records, check (spread, tails, dependence), n, value, expected (what it is where the
         model holds), lo90, hi90 (of the value), p, text
    Ref  Jarque and Bera (1987) for the tails; Ljung and Box (1978) by meter, Holm (1979) over
         meters, for the dependence. All three as statsmodels has them.
    """
    used = innovations.filter((pl.col("weight") >= 0.5) & pl.col("standardized").is_finite())
    rows = []
    for kind in KINDS:
        mine = used.filter(pl.col("kind") == kind).sort("device_id", "at")
        if mine.height >= FEWEST:
            z = mine["standardized"].to_numpy()
            series = [
                part["standardized"].to_numpy()
                for part in mine.partition_by("device_id", maintain_order=True)
            ]
            found = (_spread(z), _tails(z), _neighbours(series), _dependence(series))
            rows += [{"records": kind, **row} for row in found if row]
    return pl.DataFrame(rows, schema=SCHEMA)


def _spread(z: Array) -> dict[str, Any]:
    """Root mean square against 1, with the interval of a normal sample's."""
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
    return _row("spread", n, value, expected=1.0, interval=(low, high), p=p, text=text)


def _tails(z: Array) -> dict[str, Any]:
    """Kurtosis against the normal's 3."""
    from statsmodels.stats.stattools import jarque_bera

    _, p, _, kurtosis = (float(v) for v in jarque_bera(z))
    half = Z90 * float(np.sqrt(24.0 / len(z)))
    if p >= SIGNIFICANT or abs(kurtosis - 3.0) < 0.5:
        text = "no sign of anything but a normal distribution"
    elif kurtosis > 3.0:
        text = "heavier tails than normal: far-off records are more usual here; they lose weight"
    else:
        text = "not normal, but without far-off records"
    return _row(
        "tails", len(z), kurtosis, expected=3.0, interval=(kurtosis - half, kurtosis + half),
        p=p, text=text,
    )  # fmt: skip


def _neighbours(series: Sequence[Array]) -> dict[str, Any]:
    """Correlation of neighbours within a meter, over all meters together."""
    from scipy.stats import norm

    pairs = [(z[:-1], z[1:]) for z in series if len(z) > 1]
    if not pairs:
        return {}
    before = np.concatenate([a for a, _ in pairs])
    after = np.concatenate([b for _, b in pairs])
    n = len(before)
    if n < FEWEST:
        return {}
    value = float(before @ after / np.sqrt((before @ before) * (after @ after)))
    half = Z90 / np.sqrt(n)
    p = float(2 * norm.sf(abs(value) * np.sqrt(n)))
    if p >= SIGNIFICANT or abs(value) < 0.1:
        text = "neighbours do not resemble each other"
    elif value > 0:
        text = "neighbours resemble each other: something lasts that the model does not know"
    else:
        text = "neighbours differ more than by chance: meters wander less than the model says"
    ends = (value - half, value + half)
    return _row("neighbours", n, value, expected=0.0, interval=ends, p=p, text=text)


def _dependence(series: Sequence[Array]) -> dict[str, Any]:
    """Share of the meters whose innovations depend on each other (Ljung–Box, Holm)."""
    from statsmodels.stats.multitest import multipletests
    from statsmodels.tsa.stattools import acf, q_stat

    long = [z for z in series if len(z) >= FEWEST_OF_A_METER and np.ptp(z) > 0]
    if not long:
        return {}
    r = [acf(z, nlags=min(4, len(z) // 4), fft=False)[1:] for z in long]
    p = np.array([q_stat(lags, nobs=len(z))[1][-1] for lags, z in zip(r, long, strict=True)])
    rejected, corrected, _, _ = multipletests(p, alpha=0.05, method="holm")
    n, count = len(long), int(rejected.sum())
    text = "no meter's records depend on each other"
    if count:
        what = "1 meter's records depend" if count == 1 else f"{count} meters' records depend"
        text = f"{what} on each other beyond chance"
    return _row(
        "dependence", n, count / n, expected=0.0, interval=(None, None),
        p=float(corrected.min()), text=text,
    )  # fmt: skip


def _row(
    check: str,
    n: int,
    value: float,
    *,
    expected: float,
    interval: tuple[float | None, float | None],
    p: float,
    text: str,
) -> dict[str, Any]:
    low, high = interval
    return {
        **{"check": check, "n": n, "value": value, "expected": expected},
        **{"lo90": low, "hi90": high, "p": p, "text": text},
    }


def detection(innovations: pl.DataFrame, limits: Limits) -> pl.DataFrame:
    """How soon the charts find a lasting step of a meter, by kind of record.

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
