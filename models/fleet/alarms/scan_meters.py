"""Look at every meter's own observations for steps, wrong entries and outliers.

With r what the observations say beyond what the rest of the fleet expects, Q its covariance and
P = Q⁻¹, an effect with direction f (one observation, or all from a date on) has the score
f'Pr, information f'Pf and statistic z² = (f'Pr)²/(f'Pf). The best supported explanation is
taken first and the others judged again beside it, so that a step is not mistaken for a row of
outliers, nor one outlier for two steps.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.fleet.alarms.prior_odds import Odds, log_bayes_factor, step_odds
from models.fleet.design import Batch, Observations, corner_sums, from_the_end
from models.fleet.inference import (
    BlockState,
    State,
    expected_covariance,
    noise_variance,
    used_noise,
)
from models.metrology import DAYS_A_YEAR, Array, Index, Mask

OwnSteps = Mapping[int, Sequence[tuple[float, float]]]
"""Of each meter, instant and prior variance of the steps in the model."""
STEP, ENTRY, OUTLIER = "step", "entry", "outlier"
_FEW = 2
_BARRED_YEARS = 60 / DAYS_A_YEAR


@dataclass(frozen=True)
class Found:
    """One explanation accepted for a meter: its kind, posterior log odds and sd.

    row: the observation it begins with; before: the one before that (−1: none)
    """

    kind: str
    meter: int
    row: int
    before: int
    log_odds: float
    sd: float

    def later(self, by: int) -> "Found":
        """Return it with its observations counted from so many before."""
        return replace(self, row=self.row + by, before=self.before + by * (self.before >= 0))


@dataclass
class OddsAdjustments:
    """What the odds add to z² of each observation's tests: events before it, likely slips.

    step: [observations]; slips: sizes of likely slips, 100·ln; slip_bonus: what being near one
    adds; slip_share: how often chance alone brings a session near one
    """

    step: Array
    slips: Array
    slip_bonus: float
    slip_share: float

    def __getitem__(self, rows: slice) -> "OddsAdjustments":
        """Return what they are of consecutive observations."""
        return replace(self, step=self.step[rows])

    def entry(self, size: Array, sd: Array, is_bench: Mask) -> Array:
        """Return what a size near a plausible slip adds to a session's entry test."""
        near = np.abs(np.abs(size)[..., None] - self.slips) < 1.5 * np.minimum(sd, 0.3)[..., None]
        return np.where(is_bench & near.any(axis=-1), self.slip_bonus, 0.0)


@dataclass
class MeterBlock:
    """One meter's n observations: P [n, n] and α = P r [n] at full noise weight.

    rows: their places among all; gap: years since the observation before
    """

    meter: int
    rows: Index
    P: Array
    alpha: Array
    is_bench: Mask
    gap: Array


@dataclass
class BatchStatistics:
    """A batch with every observation at full weight: P, α and the statistics of steps.

    z2     squared statistic of a step at each place (0 at the first and where padded)
    rho    correlation of a step's statistic with the next place's
    pairs  where rho is between two real candidates
    noise  variance of the observations' own noise
    """

    meter: Index
    rows: Index
    mask: Array
    P: Array
    alpha: Array
    z2: Array
    rho: Array
    pairs: Mask
    noise: Array

    def block(self, b: int, obs: Observations) -> MeterBlock:
        """Return one meter of the batch."""
        n = int(self.mask[b].sum())
        at = self.rows[b, :n]
        gap = np.diff(obs.t[at], prepend=obs.t[at[0]])
        P, alpha = self.P[b, :n, :n], self.alpha[b, :n]
        return MeterBlock(int(self.meter[b]), at, P, alpha, obs.is_bench[at], gap)


@dataclass
class StepScans:
    """What looking for steps of meters comes to.

    rho: correlations of neighbouring dates; n: how many meters were looked at; noise_share: the
    share of own noise in the variance of each session's residual
    """

    rho: Array
    n: float
    noise_share: Array


def step_scans(seen: Sequence[BatchStatistics], obs: Observations) -> StepScans:
    """Return what batches have been looked at."""
    none = [np.zeros(0)]
    shares = [
        (view.noise * np.einsum("bii->bi", view.P))[obs.is_bench[view.rows] & (view.mask > 0)]
        for view in seen
    ]
    return StepScans(
        np.concatenate([view.rho[view.pairs] for view in seen] or none),
        float(sum((view.mask.sum(axis=1) > 1).sum() for view in seen)),
        np.concatenate(shares or none),
    )


def batch_statistics(state: State, steps: OwnSteps) -> list[BatchStatistics]:
    """Return all batches at full weight and without what alarms have put in."""
    result = []
    t = state.design.obs.t
    for batch, block in zip(state.design.batches, state.blocks, strict=True):
        accepted = np.zeros_like(block.P)
        for b, meter in enumerate(batch.meter):
            for at, variance in steps.get(int(meter), ()):
                late = (t[batch.rows[b]] >= at) * batch.mask[b]
                accepted[b] += variance * np.outer(late, late)
        P, alpha = _without_alarms(batch, block, accepted)
        score, info, rho = step_statistics(P, alpha)
        z2 = np.where(batch.mask > 0, score**2 / np.maximum(info, 1e-12), 0.0)
        z2[:, 0] = 0.0
        pairs = batch.mask[:, 1:] > 0
        pairs[:, 0] = False
        noise = noise_variance(batch, block)
        result.append(
            BatchStatistics(batch.meter, batch.rows, batch.mask, P, alpha, z2, rho, pairs, noise)
        )
    return result


def _without_alarms(batch: Batch, block: BlockState, steps: Array) -> tuple[Array, Array]:
    """Return P and P r of each meter at full weight, without accepted steps and entries."""
    Q = expected_covariance(batch, block)
    r = np.einsum("bij,bj->bi", Q, block.alpha)
    diagonal = np.einsum("bii->bi", Q)
    diagonal += noise_variance(batch, block) - used_noise(batch, block) - batch.added
    Q -= steps
    P = np.linalg.inv(Q)
    P = (P + P.transpose(0, 2, 1)) / 2 * (batch.mask[:, :, None] * batch.mask[:, None, :])
    return P, np.einsum("bij,bj->bi", P, r)


def worth_explaining(view: BatchStatistics, obs: Observations, rules: "Rules") -> Index:
    """Return the meters of a batch in which anything might be accepted."""
    adjusted, odds = rules.odds_adjustments, rules.odds
    real = view.mask > 0
    info = np.maximum(np.einsum("bii->bi", view.P), 1e-12)
    single = np.where(real, view.alpha**2 / info, 0.0)
    bench = obs.is_bench[view.rows]
    outlier = log_bayes_factor(single, info, odds.outlier_sd) + np.log(odds.outlier) > 0
    hit = (view.z2 + adjusted.step[view.rows] > rules.step2) & real
    hit[:, 0] = False
    hit |= real & np.where(bench, single + adjusted.slip_bonus > rules.entry2, outlier)
    several = view.mask.sum(axis=1) > 1
    return np.flatnonzero(hit.any(axis=1) & several)


def step_statistics(P: Array, alpha: Array) -> tuple[Array, Array, Array]:
    """Return score and information of a step at each place, and correlation with the next."""
    score = from_the_end(alpha)
    info = corner_sums(P)
    row_tail = from_the_end(P, -1)
    cross = info[:, 1:] + np.einsum("bii->bi", row_tail[:, :-1, 1:])
    rho = cross / np.sqrt(np.maximum(info[:, :-1] * info[:, 1:], 1e-30))
    return score, info, rho


@dataclass
class Rules:
    """What explanations are allowed, and at what odds.

    step2, entry2   z² that a step or an entry must reach, adjusted odds included; a step that
                    two observations at most speak for must reach both
    """

    odds: Odds
    odds_adjustments: OddsAdjustments
    step2: float
    entry2: float


def explained(block: MeterBlock, rules: Rules, *, steps: bool) -> list[Found]:
    """Return the best explanation of one meter's observations.

    Explanations are accepted one by one, the best supported first; then each step is tried
    without, so that two outliers in a row are not called a step when together they are likelier.
    That something happened is for the limits to say: nothing at all is no other explanation.
    """
    best = _Explainer(block, rules, steps=steps).explain()
    for step in [f for f in best if f.kind == STEP]:
        if step not in best:
            continue
        other = _Explainer(block, rules, steps=steps, barred=step.row).explain()
        if len(other) >= len(best) and _total(other) > _total(best):
            best = other
    return best


def _total(found: list[Found]) -> float:
    return sum(f.log_odds for f in found)


class _Explainer:
    """Explains one meter, one effect after the other; no step near the barred observation."""

    def __init__(
        self, block: MeterBlock, rules: Rules, *, steps: bool, barred: int | None = None
    ) -> None:
        self.block, self.rules, self.may_step = block, rules, steps
        self.P, self.alpha = block.P.copy(), block.alpha.copy()
        self.done: set[tuple[str, int]] = set()
        self.open = np.ones(len(block.rows), dtype=np.bool_)
        self.open[0] = False
        self.open[-1] = bool(block.is_bench[-1])  # one comparison alone is no step
        if barred is not None:
            t = np.cumsum(block.gap)
            self.open &= np.abs(t - t[block.rows == barred][0]) > _BARRED_YEARS

    def explain(self, most: int = 25) -> list[Found]:
        """Accept explanations, the best supported first, until none is worth it."""
        found: list[Found] = []
        for _ in range(most):
            best = self._best()
            if best is None:
                break
            found.append(best)
            self._take_out(best.kind, best.row)
        return found

    def _best(self) -> Found | None:
        singles = self._singles()
        steps = self._steps() if self.may_step else None
        options = [s for s in (singles, steps) if s is not None]
        return max(options, key=lambda o: o[0])[1] if options else None

    def _singles(self) -> tuple[float, Found] | None:
        """Return the best supported wrong entry or outlier with its log odds."""
        b, o, adjusted = self.block, self.rules.odds, self.rules.odds_adjustments
        info = np.maximum(np.diag(self.P), 1e-12)
        z2 = self.alpha**2 / info
        size, sd = self.alpha / info, 1 / np.sqrt(info)
        bonus = adjusted.entry(size, sd, b.is_bench)
        prior_sd = np.where(b.is_bench, o.step_sd, o.outlier_sd)
        odds = np.where(b.is_bench, o.entry, o.outlier)
        log_odds = log_bayes_factor(z2, info, prior_sd) + np.log(odds) + bonus / 2
        allowed = np.where(b.is_bench, z2 + bonus > self.rules.entry2, log_odds > 0)
        for kind, k in self.done:
            if kind != STEP:
                allowed[k] = False
        if not allowed.any():
            return None
        k = int(np.argmax(np.where(allowed, log_odds, -np.inf)))
        kind = ENTRY if b.is_bench[k] else OUTLIER
        return float(log_odds[k]), self._found(kind, k, log_odds[k], sd[k])

    def _steps(self) -> tuple[float, Found] | None:
        """Return the best supported step with its log odds."""
        b, o, adjusted = self.block, self.rules.odds, self.rules.odds_adjustments
        score = self.alpha[::-1].cumsum()[::-1]
        corners = self.P[::-1, ::-1].cumsum(axis=0).cumsum(axis=1)
        info = np.maximum(corners.diagonal()[::-1], 1e-12)
        z2 = score**2 / info
        bonus = adjusted.step[b.rows]
        odds = step_odds(b.gap, o)
        log_odds = log_bayes_factor(z2, info, o.step_sd) + np.log(odds) + bonus / 2
        limit2 = np.full(len(z2), self.rules.step2)
        limit2[-_FEW:] = max(self.rules.step2, self.rules.entry2)
        allowed = z2 + bonus > limit2
        allowed &= self.open
        for kind, k in self.done:
            if kind == STEP:
                allowed[k] = False
        if not allowed.any():
            return None
        k = int(np.argmax(np.where(allowed, log_odds, -np.inf)))
        return float(log_odds[k]), self._found(STEP, k, log_odds[k], 1 / np.sqrt(info[k]))

    def _found(self, kind: str, k: int, log_odds: float, sd: float) -> Found:
        b = self.block
        before = int(b.rows[k - 1]) if k else -1
        return Found(kind, b.meter, int(b.rows[k]), before, float(log_odds), float(sd))

    def _take_out(self, kind: str, row: int) -> None:
        """Give an effect a wide prior of its own in this meter's covariance."""
        k = int(np.flatnonzero(self.block.rows == row)[0])
        self.done.add((kind, k))
        f = np.zeros(len(self.alpha))
        if kind == STEP:
            f[k:] = 1.0
        else:
            f[k] = 1.0
        sd = self.rules.odds.outlier_sd if kind == OUTLIER else self.rules.odds.step_sd
        Pf = self.P @ f
        spread = float(f @ Pf) + 1 / sd**2
        self.alpha = self.alpha - Pf * float(f @ self.alpha) / spread
        self.P = self.P - np.outer(Pf, Pf) / spread
