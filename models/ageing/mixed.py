"""Fit straight lines with a random intercept and slope per meter: statsmodels, and a fallback.

y = X β + Z b + noise, Z = [1, time], b ~ N(0, Ω) per meter. statsmodels' MixedLM estimates Ω
and the residual variance by REML. Where it cannot (too few meters, a variance at zero, no
convergence), the same model is fitted with the documented weak priors below instead, averaged
over what the variances may be.

Legend  C: covariance of β; V: covariance of y (block per meter); D: diagonal noise; W: V⁻¹ times
        some columns; S: ZᵀD⁻¹Z per meter.
"""

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import log
from typing import NamedTuple

import numpy as np

from models.fleet import Prior
from models.metrology import Array, Index

START = Prior(1.0, 0.8)
"""Spread of sensitivity between meters of a group, 100·ln: median, sd of its logarithm."""
DRIFT = Prior(0.3, 1.0)
"""Spread of drift between meters of a group, 100·ln per year."""
RESIDUAL = Prior(0.3, 1.0)
"""Scatter of a session about its meter's line beyond the session's own uncertainty, 100·ln."""
MEAN_SD = 3.0
"""Prior sd of a group's mean sensitivity error: new meters differ by 3 % (Maier et al. 2017)."""
MEAN_DRIFT_SD = 0.7
"""Prior sd of a group's mean drift, 100·ln per year."""
MEAN_SWAP_SD = 0.5
"""Prior sd of a group's mean step at a battery swap, 100·ln."""

_LEAST_SPREAD = 0.02


@dataclass(frozen=True)
class Panel:
    """Rows of all meters of one group, those of a meter together.

    y: [n]; fixed: [n, k] with a column of ones first; time: [n], the random slope's;
    meter: [n] 0, 0, 1, 1, 1, … ascending without gaps; known_variance: [n] of the rows' own
    noise; shared: [n, m] a column for every error that several rows have in common, in units of
    its standard uncertainty.
    """

    y: Array
    fixed: Array
    time: Array
    meter: Index
    known_variance: Array
    shared: Array

    @cached_property
    def starts(self) -> Index:
        """Return the row at which each meter begins."""
        return np.flatnonzero(np.diff(self.meter, prepend=-1))

    @cached_property
    def random(self) -> Array:
        """Return Z [n, 2]."""
        return np.column_stack([np.ones_like(self.time), self.time])

    @cached_property
    def random2(self) -> Array:
        """Return each row of Z times itself [n, 2, 2]."""
        return np.asarray(self.random[:, :, None] * self.random[:, None, :])

    @property
    def n_meters(self) -> int:
        """Return the number of meters."""
        return int(self.meter[-1]) + 1 if self.meter.size else 0


@dataclass(frozen=True)
class Line:
    """Fitted fixed effects and variances.

    beta: [k]; cov: [k, k], everything included; random_cov: [2, 2] of intercept and slope;
    residual_sd: scatter about a meter's line, own uncertainty included; trouble: what went
    wrong, in words (empty: nothing).
    """

    beta: Array
    cov: Array
    random_cov: Array
    residual_sd: float
    trouble: tuple[str, ...] = ()


def fit_mixed(panel: Panel) -> Line:
    """Fit by REML with statsmodels' MixedLM; its warnings become `trouble`.

    MixedLM takes no known variances: each session's own random part is inside its residual
    variance. cov is the model's own (GLS), plus what the shared errors (mass set, place) do to
    these very estimates. Effects beyond intercept and time (battery swaps) have no random part
    in the model although meters differ in them: their variance is at least the meter-wise robust
    ("sandwich") one.
    """
    scale = _scale(panel)
    cov_random, residual, trouble = _statsmodels_reml(panel, scale)
    if trouble or not np.isfinite(cov_random).all():
        nothing = np.full(panel.fixed.shape[1], np.nan)
        return Line(nothing, np.diag(nothing), cov_random, residual, trouble or ("no estimate",))
    noise = np.full(panel.y.size, residual**2)
    beta, cov = gls(panel, cov_random, noise)
    inflated = _at_least(cov, _robust(panel, cov_random, noise, beta=beta, cov=cov), beyond=2)
    cov = inflated + shared_cov(panel, cov_random, noise, cov=cov)
    return Line(beta, cov, cov_random, residual, tuple(_boundary(panel, cov_random, residual)))


def fit_prior(panel: Panel, *, mean_sd: Array) -> Line:
    """Fit the same model with weak priors on everything, averaged over the variances.

    mean_sd: [k] prior sd of the fixed effects (prior mean zero). The posterior of the three
    log standard deviations is integrated on a 5 × 5 × 5 Gauss–Hermite grid about its mode.
    Works with any number of rows, none included (then it is the prior itself).
    """
    precision = np.diag(1.0 / mean_sd**2)
    if panel.y.size == 0:
        prior_cov = np.diag([START.median**2, DRIFT.median**2])
        return Line(np.zeros(mean_sd.size), np.diag(mean_sd**2), prior_cov, RESIDUAL.median)
    nodes, log_weight = _grid(lambda theta: _given(panel, theta, precision).log_posterior)
    at = [_given(panel, theta, precision) for theta in nodes]
    log_weight += [one.log_posterior for one in at]
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    beta = np.einsum("g,gk->k", weights, np.array([one.beta for one in at]))
    spread = np.array([one.beta for one in at]) - beta
    cov = np.einsum("g,gij->ij", weights, np.array([one.cov for one in at]))
    cov += np.einsum("g,gi,gj->ij", weights, spread, spread)
    sd0, sd1, sdr = np.sqrt(weights @ np.exp(2 * nodes))
    own = float(panel.known_variance.mean())
    return Line(beta, cov, np.diag([sd0**2, sd1**2]), float(np.sqrt(sdr**2 + own)))


def gls(panel: Panel, cov_random: Array, noise: Array) -> tuple[Array, Array]:
    """Return β [k] and its covariance given the variances."""
    W, _ = _inverse_times(panel, cov_random, noise, panel.fixed)
    cov = np.linalg.inv(panel.fixed.T @ W)
    return np.asarray(cov @ (W.T @ panel.y)), np.asarray(cov, dtype=np.float64)


def shared_cov(panel: Panel, cov_random: Array, noise: Array, *, cov: Array) -> Array:
    """Return what errors common to many rows add to the covariance of the estimates."""
    W, _ = _inverse_times(panel, cov_random, noise, panel.fixed)
    return _from_shared(panel, W, cov)


def _from_shared(panel: Panel, W: Array, cov: Array) -> Array:
    moved = cov @ (W.T @ panel.shared)
    return np.asarray(moved @ moved.T, dtype=np.float64)


def _inverse_times(
    panel: Panel, cov_random: Array, noise: Array, columns: Array
) -> tuple[Array, float]:
    """Return V⁻¹ columns, by Woodbury per meter: D⁻¹ − D⁻¹Z (I + ΩS)⁻¹ Ω ZᵀD⁻¹; and log |V|."""
    Z = panel.random
    weighted = columns / noise[:, None]
    S = np.add.reduceat(panel.random2 / noise[:, None, None], panel.starts)
    M = np.eye(2) + cov_random @ S
    inner = np.linalg.solve(M, np.broadcast_to(cov_random, S.shape))
    ZtW = np.add.reduceat(Z[:, :, None] * weighted[:, None, :], panel.starts)
    back = (inner @ ZtW)[panel.meter]
    W = weighted - np.einsum("nz,nzk->nk", Z, back) / noise[:, None]
    return W, float(np.log(noise).sum() + np.linalg.slogdet(M)[1].sum())


def _robust(panel: Panel, cov_random: Array, noise: Array, *, beta: Array, cov: Array) -> Array:
    """Return the sandwich covariance over meters, with the small-sample factor G/(G − k)."""
    residual = panel.y - panel.fixed @ beta
    W, _ = _inverse_times(panel, cov_random, noise, panel.fixed)
    score = np.add.reduceat(W * residual[:, None], panel.starts)
    spare = max(panel.n_meters - beta.size, 1)
    middle = score.T @ score * panel.n_meters / spare
    return np.asarray(cov @ middle @ cov, dtype=np.float64)


def _at_least(cov: Array, other: Array, *, beyond: int) -> Array:
    """Scale cov up so that no variance of the effects from `beyond` on is below other's."""
    factor = np.sqrt(np.maximum(1.0, np.diag(other) / np.diag(cov)))
    factor[:beyond] = 1.0
    return np.asarray(cov * np.outer(factor, factor), dtype=np.float64)


def _scale(panel: Panel) -> float:
    """Return a rough size of the scatter, so that the optimiser sees numbers near one."""
    fit = np.linalg.lstsq(panel.fixed, panel.y, rcond=None)[0]
    size = float(np.std(panel.y - panel.fixed @ fit))
    return size if size > 0 else 1.0


def _statsmodels_reml(panel: Panel, scale: float) -> tuple[Array, float, tuple[str, ...]]:
    """Return Ω, the residual sd and what went wrong."""
    from statsmodels.regression.mixed_linear_model import MixedLM
    from statsmodels.tools.sm_exceptions import SingularMatrixWarning

    nothing = np.full((2, 2), np.nan)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        model = MixedLM(panel.y / scale, panel.fixed, panel.meter, exog_re=panel.random)
        try:
            result = model.fit(reml=True, method=["bfgs", "lbfgs"])
        except (np.linalg.LinAlgError, ValueError) as error:
            return nothing, float("nan"), (f"the mixed model failed ({error})",)
    trouble = [] if result.converged else ["the mixed model did not converge"]
    if any(issubclass(w.category, SingularMatrixWarning) for w in caught):
        trouble.append("the mixed model is singular")
    cov_random = np.asarray(result.cov_re, dtype=np.float64) * scale**2
    return cov_random, float(np.sqrt(result.scale)) * scale, tuple(trouble)


def _boundary(panel: Panel, cov_random: Array, residual: float) -> list[str]:
    """Tell of a spread at zero, or intercept and slope in lockstep: then REML means nothing."""
    reach = np.array([1.0, float(np.std(panel.time)) or 1.0])
    sd = np.sqrt(np.maximum(np.diag(cov_random), 0.0)) * reach
    size = float(np.hypot(sd.max(), residual))
    if sd[0] < _LEAST_SPREAD * size:
        return ["no spread between meters can be told from noise"]
    if sd[1] < _LEAST_SPREAD * size:
        return ["no spread of drift between meters can be told from noise"]
    correlation = cov_random[0, 1] / np.sqrt(cov_random[0, 0] * cov_random[1, 1])
    if abs(correlation) > 0.999:
        return ["spread of start and of drift cannot be told apart"]
    return []


class _Given(NamedTuple):
    """What follows from the three log sds: β, its covariance, and their log posterior.

    Up to a constant; β integrated out.
    """

    beta: Array
    cov: Array
    log_posterior: float


def _given(panel: Panel, theta: Array, precision: Array) -> _Given:
    """Return what follows from log sds [3]. precision [k, k]: of β's prior, of mean zero."""
    sd0, sd1, sdr = np.exp(theta)
    noise, columns = panel.known_variance + sdr**2, np.column_stack([panel.fixed, panel.y])
    both, log_det = _inverse_times(panel, np.diag([sd0**2, sd1**2]), noise, columns)
    W, Wy = both[:, :-1], both[:, -1]
    cov = np.asarray(np.linalg.inv(panel.fixed.T @ W + precision), dtype=np.float64)
    beta = cov @ (W.T @ panel.y)
    residual = panel.y - panel.fixed @ beta
    fit = residual @ (Wy - W @ beta) + beta @ precision @ beta
    likelihood = -0.5 * (fit + log_det - np.linalg.slogdet(cov)[1])
    prior = [
        ((t - log(p.median)) / p.spread) ** 2
        for t, p in zip(theta, (START, DRIFT, RESIDUAL), strict=True)
    ]
    return _Given(beta, cov + _from_shared(panel, W, cov), float(likelihood - 0.5 * sum(prior)))


def _grid(log_posterior: Callable[[Array], float]) -> tuple[Array, Array]:
    """Return nodes [125, 3] about the mode and the logarithms of their weights in an integral."""
    from scipy.optimize import minimize

    def loss(theta: Array) -> float:
        return -log_posterior(theta)

    start = np.log([START.median, DRIFT.median, RESIDUAL.median])
    mode = minimize(loss, start, method="BFGS", options={"gtol": 1e-3}).x
    root = _curvature_root(log_posterior, mode)
    x, w = np.polynomial.hermite.hermgauss(5)
    z = np.sqrt(2.0) * np.array(np.meshgrid(x, x, x)).reshape(3, -1).T
    weight = np.prod(np.array(np.meshgrid(w, w, w)).reshape(3, -1), axis=0)
    return mode + z @ root.T, np.log(weight) + 0.5 * (z**2).sum(axis=1)


def _curvature_root(log_posterior: Callable[[Array], float], mode: Array) -> Array:
    """Return a square root of the covariance at the mode, by central differences."""
    h = 0.05
    steps = h * np.eye(mode.size)
    hessian = np.empty((mode.size, mode.size))
    for i, a in enumerate(steps):
        for j, b in enumerate(steps):
            corners = [log_posterior(mode + s * a + t * b) for s in (1, -1) for t in (1, -1)]
            hessian[i, j] = (corners[0] - corners[1] - corners[2] + corners[3]) / (4 * h * h)
    values, vectors = np.linalg.eigh(-(hessian + hessian.T) / 2)
    spreads = 1.0 / np.sqrt(np.clip(values, 1.0, None))  # no wider than the widest prior
    return np.asarray(vectors * spreads, dtype=np.float64)
