"""Estimate proportions and their intervals.

The interval comes from statsmodels (Wilson's score interval, or Clopper–Pearson's exact one), never
from p ± 1.96 √(pq/n), which fails where it matters: near 0 and 1.
"""

from typing import Literal, NamedTuple

import numpy as np

from models.metrology.arrays import Index, Mask


class Proportion(NamedTuple):
    """count of n, and the interval of the underlying probability."""

    share: float
    lo: float
    hi: float


def proportion(
    count: float,
    n: float,
    *,
    level: float = 0.90,
    method: Literal["wilson", "clopper-pearson"] = "wilson",
) -> Proportion:
    """Return the share with its interval; n = 0 gives (nan, 0, 1): nothing is known.

    Source: Wilson (1927), JASA 22:209; Clopper & Pearson (1934), Biometrika 26:404.
    """
    if n <= 0:
        return Proportion(float("nan"), 0.0, 1.0)
    from statsmodels.stats.proportion import proportion_confint

    name = {"wilson": "wilson", "clopper-pearson": "beta"}[method]
    lo, hi = proportion_confint(count, n, alpha=1.0 - level, method=name)
    return Proportion(count / n, float(lo), float(hi))


def effective_number(happened: Mask, cluster: Index) -> float:
    """Return how many independent trials say as much as these, which are correlated in clusters.

    n / design effect, the variance of the share over clusters against a binomial one, no less
    than 1. Where all outcomes are alike (no variance to compare) n itself. cluster: 0 … m − 1.
    Source: Rao & Scott (1992), Biometrics 48:577.
    """
    n, share = happened.size, float(happened.mean())
    n_clusters = int(cluster.max()) + 1
    if n_clusters < 2 or share in (0.0, 1.0):
        return float(n)
    rest = np.bincount(cluster, weights=happened - share, minlength=n_clusters)
    variance = n_clusters / (n_clusters - 1) * float(rest @ rest) / n**2
    return float(n / max(1.0, variance * n / (share * (1 - share))))
