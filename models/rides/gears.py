"""What a step's gear does to the ratio of two devices with the chain between them.

A chain that bends around fewer teeth loses more: in proportion to 1/ring + 1/cog. Source: Spicer et
al. (2001) J Mech Des 123:598 (from memory), friction where the links turn. How much is lost is not
known, nor whether both devices are on one side of the chain: a prior of mean 0, and the steps
decide.
"""

import polars as pl

GEAR_SD = 0.2
"""Prior sd of the share lost for each 1/tooth: 0.9 % between cogs of 11 and 21 teeth."""
_USUAL_TEETH = {"large": 50.0, "small": 34.0}
"""Of a ring that is known by its size alone."""


def gear_beside_mean(comparison: str) -> pl.Expr:
    """Return 1/ring + 1/cog of steps less their comparison's mean, 1/tooth; 0 where unknown.

    comparison: the column that names it. Without a cog a step's gear is unknown; a ring that
    nobody wrote is taken for the large one. Longer steps count more in the mean.
    """
    ring = pl.col("chainring")
    by_size = ring.replace_strict(_USUAL_TEETH, default=None, return_dtype=pl.Float64)
    teeth = ring.cast(pl.Float64, strict=False).fill_null(by_size)
    bent = 1 / pl.col("cog") + 1 / teeth.fill_null(_USUAL_TEETH["large"])
    seconds = pl.when(bent.is_not_null()).then(pl.col("duration_s"))
    mean = (bent * seconds).sum().over(comparison) / seconds.sum().over(comparison)
    return (bent - mean).fill_null(0.0)
