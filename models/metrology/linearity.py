"""Measure how straight a meter is over its loads."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from models.metrology.arrays import Array


class PolynomialFit(NamedTuple):
    """Least squares of y on 1, x, x², …: coefficients (lowest power first) and covariance."""

    coefficients: Array
    covariance: Array
    residual_sd: float
    dof: int

    @property
    def u(self) -> Array:
        """Return the standard uncertainties of the coefficients."""
        return np.sqrt(np.diag(self.covariance))

    def at(self, x: ArrayLike) -> Array:
        """Return the fitted values at x (any shape)."""
        return np.polynomial.polynomial.polyval(np.asarray(x, float), self.coefficients)


def polynomial_fit(x: ArrayLike, y: ArrayLike, *, degree: int = 1) -> PolynomialFit:
    """Fit by least squares: QR on x scaled to its largest value (for the conditioning).

    x, y: shape (n,) with n > degree; n = degree + 1 leaves residual_sd 0 with dof 0.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    scale = float(np.max(np.abs(x))) or 1.0
    q, r = np.linalg.qr(np.vander(x / scale, degree + 1, increasing=True))
    scaled = np.linalg.solve(r, q.T @ y)
    residuals = y - np.vander(x / scale, degree + 1, increasing=True) @ scaled
    dof = x.size - degree - 1
    variance = float(residuals @ residuals) / dof if dof > 0 else 0.0
    unscale = scale ** -np.arange(degree + 1.0)
    inverse = np.linalg.inv(r)
    covariance = variance * (inverse @ inverse.T) * np.outer(unscale, unscale)
    return PolynomialFit(scaled * unscale, covariance, variance**0.5, dof)


class LackOfFit(NamedTuple):
    """F of a polynomial's misfit against the scatter of repeated loads; p: its tail."""

    f: float
    dof_misfit: int
    dof_scatter: int
    p: float
    scatter_sd: float


def lack_of_fit(x: ArrayLike, y: ArrayLike, *, degree: int = 1) -> LackOfFit | None:
    """Test for lack of fit; None without repeated loads, or with no more loads than parameters.

    Source: NIST/SEMATECH e-Handbook, 4.4.4.6.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    loads, where, counts = np.unique(x, return_inverse=True, return_counts=True)
    means = np.bincount(where, y) / counts
    scatter = float(np.sum((y - means[where]) ** 2))
    dof_scatter, dof_misfit = x.size - loads.size, loads.size - degree - 1
    if dof_scatter <= 0 or dof_misfit <= 0:
        return None
    fit = polynomial_fit(x, y, degree=degree)
    misfit = fit.residual_sd**2 * fit.dof - scatter
    if scatter <= 0:
        return None
    f = misfit / dof_misfit / (scatter / dof_scatter)
    from scipy.special import fdtrc

    p = float(fdtrc(dof_misfit, dof_scatter, f))
    return LackOfFit(f, dof_misfit, dof_scatter, p, (scatter / dof_scatter) ** 0.5)


def deviation_pct(expected_nm: ArrayLike, shown_nm: ArrayLike) -> float | None:
    """Return the mean readings' largest deviation from their line, % of the largest load.

    The zero reading counts as a load of 0 where it is among them. None below three loads.
    Source: the usual definition of linearity against the best straight line.
    """
    x, y = np.asarray(expected_nm, float), np.asarray(shown_nm, float)
    loads, where, counts = np.unique(np.round(x, 6), return_inverse=True, return_counts=True)
    if loads.size < 3:
        return None
    means = np.bincount(where, y) / counts
    fit = polynomial_fit(loads, means)
    return float(100 * np.max(np.abs(means - fit.at(loads))) / np.max(np.abs(loads)))
