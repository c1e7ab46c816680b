"""Steady steps of a ride, meter beside reference, become one gain ratio per comparison.

A step holds the mean power of both devices. Divided by the reference's power,

    y = meter / reference = g + τ · x + noise,    x = ω / reference power

g is the ratio of gains, τ the zero-offset torque between the two (N·m), ω the crank's angular
velocity. τ has a prior of mean 0, so that one step, or steps of one power, still give a gain: with
the uncertainty that the unknown zero leaves. How far zeros lie apart is learned from the table's
comparisons whose steps tell (ZERO_SD_NM counts as ten of them). Where the gear is known and
changes from step to step, what the chain loses in it counts too, and g is the ratio in the mean
gear (see models.rides.gears). The noise of a step is not
known per comparison; it falls with the step's length, and is learned from the scatter of all
steps of the table about their own lines, drawn towards each pair of devices' own where there are
enough. Steps far off their line are down-weighted. All comparisons are solved at once.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from models.metrology import Array, Index, ln_from_ratio
from models.rides.gears import GEAR_SD, gear_beside_mean
from models.wording import Reason

ZERO_SD_NM = 0.25
"""Usual sd of the zero-offset torque left between two zeroed devices (common practice)."""
ZERO_DOF = 10.0
"""How many comparisons' zeros, known exactly, the usual sd counts for."""
LARGEST_ZERO_SD_NM = 2.0
FARTHEST_ZERO = 2.0  # sds at which one comparison's zero stops to count further …
CLIPPED = 0.9205  # … and the mean of a standard normal's square, so clipped
WHOLE = 0.5  # least weight of a comparison's steps that leaves its zero believable
USUAL_NOISE = 0.008
"""Prior standard deviation of a step's ratio, before the table speaks; 8 steps' worth."""
USUAL_NOISE_DOF = 8.0
PAIR_DOF = 12.0
"""How many steps' worth the table's scatter counts against a pair's own."""
USUAL_CADENCE = 88.0  # where none is given: for the zero's part of the uncertainty only
USUAL_STEP_S, WANDER_S = 180.0, 60.0  # a step; how long devices wander together within it
FAR_OFF = 3.0  # standardized residual from which a step loses weight
ROUNDS = 8
FIRST_ROUNDS = 4  # … in which wild steps are found, before zeros are believed
MIRROR = 1e-3  # root mean square of (ratio − 1) below which a comparison may be a mirror …
MIRROR_CHANCE = 1e-4  # … if honest devices of equal gain came so near less often than this
RESULT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "comparison_id": pl.String,
    "meter_id": pl.String,
    "reference_id": pl.String,
    "measured_at": pl.Datetime("us", "UTC"),
    "gain_ratio_pct": pl.Float64,
    "gain_ratio_ln": pl.Float64,
    "u_gain_ratio_pct": pl.Float64,
    "dof": pl.Float64,
    "zero_offset_nm": pl.Float64,
    "u_zero_offset_nm": pl.Float64,
    "temperature_c": pl.Float64,
    "rider_id": pl.String,
    "chainring": pl.String,
    "used_s": pl.Float64,
    "void": pl.String,
    "source": pl.String,
    "steps": pl.Int64,
    "warnings": pl.List(pl.String),
}


@dataclass(frozen=True)
class _Steps:
    """Usable steps, sorted by comparison. group: index of the comparison; pair: of the devices.

    y: meter / reference; x: angular velocity / reference power, rad/(s·W); gear: see
    `gear_beside_mean`, 1/tooth; (n,) each
    """

    group: Index
    pair: Index
    y: Array
    x: Array
    gear: Array
    power: Array
    seconds: Array

    @cached_property
    def usual_power(self) -> float:
        """Return the median power, watts."""
        return float(np.median(self.power))

    def sums(self, values: Array) -> Array:
        """Return a value's sum over each comparison's steps."""
        return np.asarray(
            np.bincount(self.group, values, minlength=int(self.group[-1]) + 1), dtype=np.float64
        )


@dataclass(frozen=True)
class _Lines:
    """One line a comparison: gain g, zero-offset torque τ (N·m), their variances; (k,) each.

    residual, leverage: of each step on its comparison's line, (n,)
    """

    gain: Array
    zero: Array
    var_gain: Array
    var_zero: Array
    residual: Array
    leverage: Array


def compare_steps(comparisons: pl.DataFrame) -> pl.DataFrame:
    """Return the gain ratio of every comparison in a table of steady steps.

    In   the contract's `comparisons`, one row a step
    Out  RESULT_SCHEMA, one row a comparison in order of time: gain_ratio_pct =
         100 · (meter / reference − 1) with the zero-offset part taken out, u_… its standard
         uncertainty, dof of the noise behind it, zero_offset_nm null without cadence, void why
         it proves nothing. Steps without power on either side, or of no duration, are left out;
         a comparison without any usable step has null numbers.
    """
    if comparisons.is_empty():
        return pl.DataFrame(schema=RESULT_SCHEMA)
    rows = comparisons.sort("measured_at", "comparison_id", "step", maintain_order=True)
    heads = rows.group_by("comparison_id", maintain_order=True).agg(
        pl.col("meter_id", "reference_id", "measured_at", "rider_id", "chainring").first(),
        pl.col("temperature_c").mean(),
        cadence_known=pl.col("cadence_rpm").is_not_null().any(),
    )
    usable = rows.filter(
        (pl.col("meter_w") > 0) & (pl.col("reference_w") > 0) & (pl.col("duration_s") > 0)
    )
    if usable.is_empty():
        return _table(heads.with_columns(_nothing()))
    known = heads.join(usable, on="comparison_id", how="semi", maintain_order="left")
    return _table(
        heads.join(_solved(known, usable), on="comparison_id", how="left", maintain_order="left")
    )


def _nothing() -> list[pl.Expr]:
    names = ("gain", "var_gain", "zero", "var_zero", "dof", "used_s", "void", "n_steps")
    return [pl.lit(None).alias(name) for name in names]


def _solved(known: pl.DataFrame, usable: pl.DataFrame) -> pl.DataFrame:
    steps = _steps(known, usable)
    variance, dof = np.full(steps.y.size, USUAL_NOISE**2), np.full(steps.y.size, USUAL_NOISE_DOF)
    weight, zero2 = np.ones(steps.y.size), ZERO_SD_NM**2
    lines = _fit(steps, variance, weight, zero2)
    for turn in range(ROUNDS):
        variance, dof = _noise(steps, lines, weight)
        weight = _weights(lines, variance)
        zero2 = _zero_variance(steps, variance, weight) if turn >= FIRST_ROUNDS else zero2
        lines = _fit(steps, variance, weight, zero2)
    first = np.unique(steps.group, return_index=True)[1]
    return known.select("comparison_id").with_columns(
        gain=pl.Series(lines.gain),
        var_gain=pl.Series(lines.var_gain),
        zero=pl.Series(lines.zero),
        var_zero=pl.Series(lines.var_zero),
        dof=pl.Series(dof[first]),
        used_s=pl.Series(steps.sums(steps.seconds * (weight > 0.1))),
        n_steps=pl.Series(steps.sums(np.ones(steps.y.size)).astype(np.int64)),
        void=pl.Series(_void(steps, variance), dtype=pl.String),
    )


def _steps(known: pl.DataFrame, usable: pl.DataFrame) -> _Steps:
    numbered = known.with_columns(
        group_=pl.int_range(pl.len()),
        pair_=pl.struct("meter_id", "reference_id").rank("dense").cast(pl.Int64) - 1,
    ).select("comparison_id", "group_", "pair_")
    rows = usable.join(numbered, on="comparison_id", how="inner").sort("group_")
    rows = rows.with_columns(gear_=gear_beside_mean("group_"))
    power = rows["reference_w"].to_numpy().astype(float)
    cadence = rows["cadence_rpm"].fill_null(USUAL_CADENCE).to_numpy().astype(float)
    return _Steps(
        group=rows["group_"].to_numpy(),
        pair=rows["pair_"].to_numpy(),
        y=rows["meter_w"].to_numpy().astype(float) / power,
        x=2 * np.pi * cadence / 60 / power,
        gear=rows["gear_"].to_numpy(),
        power=power,
        seconds=rows["duration_s"].to_numpy().astype(float),
    )


def _zero_variance(steps: _Steps, variance: Array, weight: Array) -> float:
    """Return the variance of the zeros, N²·m²: maximum likelihood, the usual one at least.

    Less is not believed: one zero that jumps by 0.5 N·m would be read as its meter's gain.

    Each comparison's own zero τ̂, its gain free, is N(0, s² + v); with v alone there is nothing to
    tell. Solved by Fisher's scoring for s²:  Σ (τ̂² − v − s²) / (s² + v)² = 0, far zeros clipped
    and the usual sd being ZERO_DOF comparisons of v = 0.
    """
    w = weight / variance
    s, sx, sxx = (steps.sums(w * steps.x**k) for k in (0, 1, 2))
    sy, sxy = steps.sums(w * steps.y), steps.sums(w * steps.x * steps.y)
    known = sxx - sx**2 / s
    tells = (known > 1e-3 * sxx) & (steps.sums(np.asarray(weight < WHOLE, dtype=np.float64)) == 0)
    v = 1 / known[tells]
    own2 = ((sxy - sx * sy / s)[tells] * v) ** 2
    zero2 = ZERO_SD_NM**2
    for _ in range(30):
        total = zero2 + v
        off = np.minimum(own2, FARTHEST_ZERO**2 * total) / CLIPPED - total
        score = np.sum(off / total**2) + ZERO_DOF * (ZERO_SD_NM**2 - zero2) / zero2**2
        zero2 += score / (np.sum(1 / total**2) + ZERO_DOF / zero2**2)
        zero2 = float(np.clip(zero2, ZERO_SD_NM**2, LARGEST_ZERO_SD_NM**2))
    return zero2


def _fit(steps: _Steps, variance: Array, weight: Array, zero2: float) -> _Lines:
    """Return every comparison's line at once, by normal equations of two or three unknowns.

    The priors of the zero, of variance zero2, and of the gear are one more observation each; where
    no gear is known there is none.
    """
    w = weight / variance
    columns = [np.ones(steps.y.size), steps.x]
    precision = [0.0, 1 / zero2]
    if steps.gear.any():
        columns.append(steps.gear)
        precision.append(1 / GEAR_SD**2)
    design = np.stack(columns, axis=1)
    n = len(columns)
    information = np.empty((int(steps.group[-1]) + 1, n, n))
    for i in range(n):
        for j in range(i + 1):
            information[:, i, j] = information[:, j, i] = steps.sums(w * columns[i] * columns[j])
    covariance = np.linalg.inv(information + np.diag(precision)).astype(np.float64)
    hit = np.stack([steps.sums(w * one * steps.y) for one in columns], axis=1)
    found = np.einsum("kij,kj->ki", covariance, hit)
    g = steps.group
    residual = steps.y - np.einsum("ni,ni->n", design, found[g])
    spread = np.einsum("ni,nij,nj->n", design, covariance[g], design)
    return _Lines(
        found[:, 0],
        found[:, 1],
        covariance[:, 0, 0],
        covariance[:, 1, 1],
        residual,
        np.minimum(w * spread, 1 - 1e-6),
    )


def _noise(steps: _Steps, lines: _Lines, weight: Array) -> tuple[Array, Array]:
    """Return the noise variance of each step's ratio (n,), and its degrees of freedom (n,).

    The course with power (a part that falls with it: noise in watts; a part that does not) is
    the whole table's; its level is each pair's own, drawn towards the table's. A longer step is
    quieter, as a mean over longer than the devices' wander.
    """
    free = weight * (1 - lines.leverage)  # what of a residual is noise and not fit
    shape = _shape(steps, lines, free) * _shorter(steps)
    score = weight * lines.residual**2 / shape
    whole = (USUAL_NOISE_DOF * USUAL_NOISE**2 / float(np.median(shape)) + score.sum()) / (
        USUAL_NOISE_DOF + free.sum()
    )
    own_score, own_free = np.bincount(steps.pair, score), np.bincount(steps.pair, free)
    level = (PAIR_DOF * whole + own_score) / (PAIR_DOF + own_free)
    dof = np.minimum(PAIR_DOF, USUAL_NOISE_DOF + free.sum()) + own_free
    return np.maximum(level[steps.pair] * shape, 1e-10), dof[steps.pair]


def _shape(steps: _Steps, lines: _Lines, free: Array) -> Array:
    """Return noise variance against power, up to its level: low end + fall · (typical / power)².

    From the mean squares of the table's lower and upper half of powers; flat where the table is
    too small to tell.
    """
    ratio = (steps.usual_power / steps.power) ** 2
    if free.sum() < 60:
        return np.ones(ratio.size)
    low = steps.power < steps.usual_power
    if not low.any() or low.all():
        return np.ones(ratio.size)
    square = np.minimum(lines.residual**2, 9 * np.median(lines.residual**2) / 0.455)
    at_low, at_high = (square[half].sum() / max(free[half].sum(), 1.0) for half in (low, ~low))
    r_low, r_high = float(ratio[low].mean()), float(ratio[~low].mean())
    fall = max(0.0, (at_low - at_high) / max(r_low - r_high, 1e-9))
    flat = max(0.0, at_high - fall * r_high)
    if fall + flat <= 0:
        return np.ones(ratio.size)
    return np.asarray((flat + fall * ratio) / (flat + fall))


def _shorter(steps: _Steps) -> Array:
    """Return the noise variance of steps against that of a usual length: means of wander."""
    return np.asarray((USUAL_STEP_S + WANDER_S) / (steps.seconds + WANDER_S))


def _weights(lines: _Lines, variance: Array) -> Array:
    z = np.abs(lines.residual) / np.sqrt(variance * (1 - lines.leverage) + 1e-15)
    return np.asarray(np.where(z > FAR_OFF, (FAR_OFF / np.maximum(z, FAR_OFF)) ** 2, 1.0))


def _void(steps: _Steps, variance: Array) -> list[str | None]:
    """Return why a comparison is void: three steps or more agree better than two devices can."""
    from scipy.special import gammaincinv

    n = steps.sums(np.ones(steps.y.size))
    off = steps.sums((steps.y - 1) ** 2)
    by_chance = 2 * gammaincinv(n / 2, MIRROR_CHANCE) * float(np.median(variance))
    same = (n >= 3) & (off < n * MIRROR**2) & (off < by_chance)
    why = str(Reason("same_steps"))
    return [why if one else None for one in same.tolist()]


def _table(solved: pl.DataFrame) -> pl.DataFrame:
    gain = pl.col("gain").cast(pl.Float64)
    known = pl.col("cadence_known")
    table = solved.with_columns(
        gain_ratio_pct=100 * (gain - 1),
        gain_ratio_ln=ln_from_ratio(gain),
        u_gain_ratio_pct=100 * pl.col("var_gain").cast(pl.Float64).sqrt() / gain,
        zero_offset_nm=pl.when(known).then(pl.col("zero")),
        u_zero_offset_nm=pl.when(known).then(pl.col("var_zero").cast(pl.Float64).sqrt()),
        source=pl.lit("steps"),
        steps=pl.col("n_steps"),
    )
    table = table.with_columns(warnings=pl.concat_list(_warnings()).list.drop_nulls())
    return table.select(pl.col(name).cast(kind) for name, kind in RESULT_SCHEMA.items())


def _warnings() -> list[pl.Expr]:
    """Return each warning's words where it holds, else null."""
    steps = pl.col("n_steps").cast(pl.Int64).fill_null(0)
    when = {
        Reason("no_power"): steps == 0,
        Reason("one_step"): steps == 1,
        Reason("steps_without_cadence"): ~pl.col("cadence_known"),
    }
    return [pl.when(holds).then(pl.lit(str(reason))) for reason, holds in when.items()]
