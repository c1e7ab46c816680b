"""Find the hyperparameters: damped Newton steps with average information, under weak priors."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from models.fleet.design import FleetSettings
from models.fleet.inference.derivatives import (
    Curvature,
    average_information,
    curvature,
    gradient,
)
from models.fleet.inference.hyper import Hyper, prior_terms
from models.fleet.inference.likelihood import State, evaluate
from models.metrology import Array

_LONGEST_STEP = 1.5
_MOST_DAMPING = 1e6
_SECANTS = 5
_WORKING_RANGE = 12.0  # log sds stay within ± this of zero


@dataclass
class Estimate:
    """Where the search ended: the fleet's state there, and how it went."""

    state: State
    converged: bool
    n_iter: int
    message: str

    @cached_property
    def curvature(self) -> Curvature:
        """Return the curvature there: only the last of a fit's searches is asked for it."""
        return curvature(self.state)

    @property
    def hyper(self) -> Hyper:
        """Return the hyperparameters with their covariance."""
        return self.state.hyper


def estimate(state: State, settings: FleetSettings, most: int = 0) -> Estimate:
    """Maximise likelihood × prior from a fleet's present state, in `most` steps (0: the settings').

    A step is taken when it raises the objective; else the damping grows (Levenberg, Marquardt).
    Done when the next step is expected to gain less than `settings.tolerance` in the log.
    """
    search = _Search(state, settings)
    return search.run(most or settings.most_iterations)


class _Search:
    def __init__(self, state: State, settings: FleetSettings) -> None:
        self.state, self.settings = state, settings
        self.design, hyper = state.design, state.hyper
        self.active = np.flatnonzero(hyper.active)
        self.prior_mean, self.prior_precision = prior_terms(hyper, settings)
        self.value = self.state.log_likelihood + self._log_prior(hyper)
        self.damping = 0.0
        self.pairs: list[tuple[Array, Array]] = []
        self.last: tuple[Array, Array] | None = None

    def _learn(self, g: Array) -> None:
        """Remember how the gradient changed over the last step."""
        at = self.state.hyper.values[self.active]
        if self.last is not None:
            self.pairs.append((at - self.last[0], self.last[1] - g))
        self.last = (at, g)

    def _secants(self, H: Array) -> Array:
        """Correct the average information by the last steps' secants (BFGS updates).

        Where it understates the curvature, plain steps overshoot back and forth.
        """
        for s, y in self.pairs[-_SECANTS:]:
            Hs = H @ s
            if float(s @ y) > 0.01 * float(s @ Hs) > 0:
                H = H - np.outer(Hs, Hs) / float(s @ Hs) + np.outer(y, y) / float(s @ y)
        return H

    def _log_prior(self, hyper: Hyper) -> float:
        d = hyper.values[self.active] - self.prior_mean
        return -0.5 * float(d @ self.prior_precision @ d)

    def run(self, most: int) -> Estimate:
        """Iterate to convergence, or say why not."""
        message = "no convergence within the allowed number of steps"
        converged, n = False, 0
        while True:
            information = average_information(self.state)
            d = self.state.hyper.values[self.active] - self.prior_mean
            g = gradient(self.state)[self.active] - self.prior_precision @ d
            self._learn(g)
            H = self._secants(information + self.prior_precision)
            if self._expected_gain(g, H) < self.settings.tolerance:
                converged, message = True, "converged"
                break
            if n >= most:
                break
            n += 1
            if not self._advance(g, H):
                converged = self._expected_gain(g, H) < 0.05
                message = "no step raises the likelihood any more"
                break
        H = information + self.prior_precision
        covariance = np.linalg.pinv(H, hermitian=True).astype(np.float64) if len(H) else H
        self.state.hyper = replace(self.state.hyper, covariance=covariance)
        return Estimate(self.state, converged, n, message)

    def _expected_gain(self, g: Array, H: Array) -> float:
        """Return the gain still expected: half the squared gradient in the curvature's metric."""
        return 0.5 * float(g @ _solve(H, g)) if len(g) else 0.0

    def _advance(self, g: Array, H: Array) -> bool:
        """Take the first damped step that raises the objective; False if there is none."""
        scale = np.maximum(np.diag(H), 1e-3)
        while self.damping < _MOST_DAMPING:
            step = _solve(H + self.damping * np.diag(scale), g)
            step *= min(1.0, _LONGEST_STEP / max(float(np.abs(step).max()), 1e-12))
            values = self.state.hyper.values.copy()
            values[self.active] = np.clip(
                values[self.active] + step, -_WORKING_RANGE, _WORKING_RANGE
            )
            if self._accepted(self.state.hyper.moved(values)):
                self.damping = self.damping / 5 if self.damping > 1e-3 else 0.0
                return True
            self.damping = max(4 * self.damping, 0.05)
        self.damping = 0.0
        return False

    def _accepted(self, hyper: Hyper) -> bool:
        try:
            state = evaluate(self.design, hyper)
        except np.linalg.LinAlgError:
            return False
        value = state.log_likelihood + self._log_prior(hyper)
        if not np.isfinite(value) or value < self.value - 1e-9 * abs(self.value):
            return False
        self.state, self.value = state, value
        return True


def _solve(H: Array, g: Array) -> Array:
    if not len(g):
        return g
    return np.linalg.lstsq(H, g, rcond=1e-12)[0].astype(np.float64)
