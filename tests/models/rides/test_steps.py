"""Steady steps: by hand, against least squares, then bias and coverage with a known truth."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from models.rides import compare_steps
from models.rides.gears import gear_beside_mean
from models.rides.steady_steps import ZERO_SD_NM, _Steps, _zero_variance

START = datetime(2026, 1, 5, 16, tzinfo=UTC)


def ride(
    gain: float,
    zero_nm: float = 0.0,
    *,
    name: str = "C1",
    powers: tuple[float, ...] = (120, 180, 240, 300),
    noise: np.ndarray | float = 0.0,
    cadence: float | None = 88.0,
    meter: str = "K01",
    reference: str = "T1",
    cogs: tuple[int | None, ...] | None = None,
) -> pl.DataFrame:
    power = np.array(powers, dtype=float)
    cogs = cogs or (None,) * power.size
    omega = 2 * np.pi * (cadence or 88.0) / 60
    n = power.size
    return pl.DataFrame(
        {
            "comparison_id": [name] * n,
            "meter_id": [meter] * n,
            "reference_id": [reference] * n,
            "measured_at": [START] * n,
            "step": list(range(1, n + 1)),
            "duration_s": [240.0] * n,
            "meter_w": (gain * power + zero_nm * omega) * (1 + np.asarray(noise)),
            "reference_w": power,
            "cadence_rpm": pl.Series([cadence] * n, dtype=pl.Float64),
            "temperature_c": pl.Series([20.0] * n, dtype=pl.Float64),
            "rider_id": ["R1"] * n,
            "chainring": ["large"] * n,
            "cog": pl.Series(cogs, dtype=pl.Int64),
        }
    ).with_columns(pl.col("measured_at").cast(pl.Datetime("us", "UTC")))


def fleet(
    rng: np.random.Generator, n: int, zero_sd: float = 0.25, **options: object
) -> tuple[pl.DataFrame, np.ndarray]:
    gains = rng.normal(1.0, 0.015, n)
    rides = []
    for k, gain in enumerate(gains):
        powers = tuple(rng.uniform(100, 350, 5))
        noise = rng.normal(0, 0.004, 5)
        rides.append(
            ride(
                gain, rng.normal(0, zero_sd), name=f"C{k:04d}", powers=powers, noise=noise,
                meter=f"K{k % 20:02d}", **options,  # type: ignore[arg-type]
            ).with_columns(measured_at=pl.lit(START + timedelta(days=k), pl.Datetime("us", "UTC")))
        )  # fmt: skip
    return pl.concat(rides), gains


def test_a_clean_ride_gives_its_gain() -> None:
    row = compare_steps(ride(1.02)).row(0, named=True)
    assert row["gain_ratio_pct"] == pytest.approx(2.0, abs=1e-9)
    assert row["zero_offset_nm"] == pytest.approx(0.0, abs=1e-9)
    assert row["void"] is None


def test_many_steps_agree_with_least_squares() -> None:
    """Source: numpy.linalg.lstsq; with 400 steps the prior on the zero has no say."""
    rng = np.random.default_rng(4)
    powers = tuple(rng.uniform(60, 400, 400))
    table = ride(0.985, 0.3, powers=powers, noise=rng.normal(0, 0.004, 400))
    y = (table["meter_w"] / table["reference_w"]).to_numpy()
    x = 2 * np.pi * 88 / 60 / table["reference_w"].to_numpy()
    expected = np.linalg.lstsq(np.stack([np.ones_like(x), x], 1), y, rcond=None)[0]
    row = compare_steps(table).row(0, named=True)
    assert row["gain_ratio_pct"] == pytest.approx(100 * (expected[0] - 1), abs=0.01)
    assert row["zero_offset_nm"] == pytest.approx(expected[1], abs=0.01)


def test_intervals_cover_and_nothing_is_biased() -> None:
    """Simulation: 600 rides of 5 steps, zero offset sd 0.25 N·m, 0.4 % noise a step."""
    table, gains = fleet(np.random.default_rng(11), 600)
    found = compare_steps(table).sort("comparison_id")
    error = found["gain_ratio_pct"].to_numpy() - 100 * (gains - 1)
    u = found["u_gain_ratio_pct"].to_numpy()
    assert abs(error.mean()) < 3 * error.std() / np.sqrt(600)
    assert np.mean(np.abs(error) < 1.645 * u) == pytest.approx(0.90, abs=0.035)


@pytest.mark.parametrize("zero_sd", [0.1, 0.4, 0.8])
def test_the_spread_of_zeros_is_learned(zero_sd: float) -> None:
    """300 rides of 5 steps, zeros unlike the usual 0.25 N·m: intervals hold what they claim."""
    table, gains = fleet(np.random.default_rng(21), 300, zero_sd)
    found = compare_steps(table).sort("comparison_id")
    error = found["gain_ratio_pct"].to_numpy() - 100 * (gains - 1)
    inside = np.abs(error) < 1.645 * found["u_gain_ratio_pct"].to_numpy()
    assert np.mean(inside) == pytest.approx(0.90, abs=0.045)


def test_the_variance_of_zeros_is_that_of_greatest_likelihood() -> None:
    """Against scipy's maximum of the same likelihood, the usual sd added as ten zeros."""
    from scipy.optimize import minimize_scalar

    rng = np.random.default_rng(22)
    n, k = 200, 5
    x = 2 * np.pi * 88 / 60 / rng.uniform(100, 350, (n, k))
    y = rng.normal(1, 0.02, (n, 1)) + rng.normal(0, 0.4, (n, 1)) * x + rng.normal(0, 0.004, (n, k))
    group = np.repeat(np.arange(n), k)
    flat, ones = np.full(n * k, 0.004**2), np.ones(n * k)
    pair, nothing = np.zeros(n * k, dtype=np.int64), np.zeros(n * k)
    steps = _Steps(group, pair, y.ravel(), x.ravel(), nothing, ones, ones)
    slope = np.array([np.polyfit(a, b, 1)[0] for a, b in zip(x, y, strict=True)])
    v = 0.004**2 / (k * x.var(axis=1))

    def loss(log_s2: float) -> float:
        s2 = np.exp(log_s2)
        usual = 10 * (np.log(s2) + 0.25**2 / s2)
        return float(np.sum(np.log(s2 + v) + slope**2 / (s2 + v)) + usual)

    best = np.exp(minimize_scalar(loss, bounds=(-6, 2), method="bounded").x)
    assert _zero_variance(steps, flat, ones) == pytest.approx(best, rel=0.1)  # far ones clipped


def test_wild_steps_are_weighed_down() -> None:
    rng = np.random.default_rng(12)
    table, gains = fleet(rng, 300)
    wild = rng.random(table.height) < 0.03
    factor = np.where(wild, 1 + rng.choice([-1, 1], table.height) * 0.08, 1.0)
    found = compare_steps(table.with_columns(meter_w=pl.col("meter_w") * factor))
    error = found.sort("comparison_id")["gain_ratio_pct"].to_numpy() - 100 * (gains - 1)
    clean = compare_steps(table).sort("comparison_id")["gain_ratio_pct"].to_numpy()
    clean_error = clean - 100 * (gains - 1)
    assert np.quantile(np.abs(error), 0.9) < 1.4 * np.quantile(np.abs(clean_error), 0.9)


def test_one_step_carries_the_unknown_zero() -> None:
    """By hand: 0.25 N·m at 88 rpm on 200 W is 1.15 %."""
    row = compare_steps(ride(1.0, powers=(200,))).row(0, named=True)
    zero_part = 100 * ZERO_SD_NM * 2 * np.pi * 88 / 60 / 200
    assert row["u_gain_ratio_pct"] > zero_part
    assert row["u_gain_ratio_pct"] < 2 * zero_part
    assert row["steps"] == 1
    assert "One step only" in row["warnings"][0]


def test_without_cadence_no_zero_is_claimed() -> None:
    row = compare_steps(ride(1.01, cadence=None)).row(0, named=True)
    assert row["zero_offset_nm"] is None
    assert row["gain_ratio_pct"] == pytest.approx(1.0, abs=0.2)


def test_a_mirror_proves_nothing_but_a_good_meter_does() -> None:
    rng = np.random.default_rng(3)
    table, _ = fleet(rng, 100)
    mirror = ride(1.0, name="MIRROR", noise=rng.normal(0, 1e-4, 4))
    honest = [ride(1.0, name=f"H{k}", noise=rng.normal(0, 0.004, 4)) for k in range(200)]
    found = compare_steps(pl.concat([table, mirror, *honest]))
    void = found.filter(pl.col("void").is_not_null())["comparison_id"].to_list()
    assert void == ["MIRROR"]


def test_a_ride_without_power_keeps_its_row() -> None:
    nothing = ride(1.0, name="DEAD").with_columns(meter_w=pl.lit(0.0))
    found = compare_steps(pl.concat([nothing, ride(1.01, name="GOOD")])).sort("comparison_id")
    assert found["comparison_id"].to_list() == ["DEAD", "GOOD"]
    assert found["gain_ratio_pct"].to_list()[0] is None
    assert compare_steps(nothing)["gain_ratio_pct"].to_list() == [None]
    assert compare_steps(nothing.clear()).is_empty()


def test_a_long_step_weighs_more_than_a_short_one() -> None:
    """By hand: means over T of wander that lasts a minute vary as 1 / (T + 60 s)."""
    steps = ride(1.0, powers=(250.0, 250.0), noise=np.array([0.004, -0.004]), cadence=None)
    uneven = steps.with_columns(duration_s=pl.Series([600.0, 60.0]))
    even, long_first = (compare_steps(table)["gain_ratio_pct"].item() for table in (steps, uneven))
    assert long_first - even == pytest.approx(0.4 * (660 - 120) / (660 + 120), rel=0.02)


def test_what_the_chain_loses_in_a_gear_is_not_the_gain() -> None:
    """A trainer behind a chain: 400 rides, hard steps in small cogs, 0.2 of each 1/tooth lost.

    Truth: the ratio in the mean gear. From 50:25 to 50:11 a chain loses 1 % more. Without the cogs
    the zero offset takes the loss for its own, and intervals hold less.
    """
    rng = np.random.default_rng(31)
    rides, truth, cogs = [], [], np.array([25, 21, 17, 14, 11])
    for k in range(400):
        powers = np.linspace(110, 330, 5) + rng.normal(0, 12, 5)
        worn = rng.permutation(cogs) if k % 2 else cogs
        lost = 0.2 * (1 / 50 + 1 / worn)
        gain = rng.normal(1.0, 0.015)
        row = ride(
            gain, rng.normal(0, 0.25), name=f"C{k:04d}", powers=tuple(powers),
            noise=rng.normal(0, 0.003, 5), meter=f"K{k % 20:02d}", cogs=tuple(worn.tolist()),
        )  # fmt: skip
        rides.append(row.with_columns(reference_w=pl.col("reference_w") * (1 - pl.Series(lost))))
        truth.append(100 * (gain / (1 - lost.mean()) - 1))
    table = pl.concat(rides)
    known = compare_steps(table).sort("comparison_id")
    unknown = compare_steps(table.with_columns(cog=pl.lit(None, pl.Int64))).sort("comparison_id")
    error = known["gain_ratio_pct"].to_numpy() - np.array(truth)
    untold = unknown["gain_ratio_pct"].to_numpy() - np.array(truth)
    inside = np.abs(error) < 1.645 * known["u_gain_ratio_pct"].to_numpy()
    assert np.mean(inside) == pytest.approx(0.90, abs=0.045)
    assert np.sqrt(np.mean(error**2)) < 0.85 * np.sqrt(np.mean(untold**2))
    assert abs(error.mean()) < 0.5 * abs(untold.mean())


def test_gears_are_told_by_teeth_and_by_size() -> None:
    """By hand: 1/50 + 1/20 = 0.07, 1/34 + 1/20 = 0.0794; without a cog nothing is known."""
    steps = pl.DataFrame(
        {
            "comparison_id": ["C1"] * 4,
            "chainring": ["large", "34", "small", "52"],
            "cog": [20, 20, 20, None],
            "duration_s": [60.0, 30.0, 30.0, 600.0],
        }
    )
    gear = steps.select(gear_beside_mean("comparison_id")).to_series().to_list()
    half = (1 / 34 - 1 / 50) / 2
    assert gear == pytest.approx([-half, half, half, 0.0])
