"""Evaluate the shared effects' normal prior at given hyperparameters; solve with a precision."""

from collections.abc import Sequence

import numpy as np
from scipy.linalg import lapack

from models.fleet.design import Key, Part
from models.fleet.inference.hyper import Hyper
from models.metrology import Array, Index

_LEAST_SD = 1e-5
_PANEL = 256


class SharedPrior:
    """Precision matrix K⁻¹ of the shared effects (flat ones have none) and log|K|."""

    def __init__(self, parts: Sequence[Part], hyper: Hyper, n: int) -> None:
        self.parts, self.hyper = parts, hyper
        self.precision = np.zeros((n, n))
        self.log_det = 0.0
        self.n_flat = 0
        for part in parts:
            getattr(self, f"_{part.form}")(part)

    def _sd(self, key: Key | None) -> float:
        if key is None:
            return 1.0
        return float(np.exp(self.hyper.values[self.hyper.index(*key)]))

    def _scaled(self, part: Part) -> None:
        sd = np.maximum(part.sd * self._sd(part.key), _LEAST_SD)
        flat = np.isinf(sd)
        self.n_flat += int(flat.sum())
        self.log_det += 2 * float(np.sum(np.log(sd[~flat])))
        k = np.arange(part.first, part.first + part.n)
        self.precision[k, k] = np.where(flat, 0.0, 1 / sd**2)

    def _walk(self, part: Part) -> None:
        variance = np.maximum(self._sd(part.key), _LEAST_SD) ** 2 * part.dt
        self.log_det += float(np.sum(np.log(variance)))
        self.precision[part.columns, part.columns] = _walk_precision(variance)

    def _line(self, part: Part) -> None:
        K = self._line_covariance(part)
        self.log_det += float(np.linalg.slogdet(K)[1])
        self.precision[part.columns, part.columns] = np.linalg.inv(K)

    def _line_covariance(self, part: Part) -> Array:
        group = part.key[1] if part.key else 0
        K: Array = self.hyper.line_covariance()[group] + _LEAST_SD**2 * np.eye(2)
        return K

    def add_gradient(self, g: Array, mean: Array, C: Array) -> None:
        """Add ½ tr(K⁻¹ dK K⁻¹ (u u' + C − K)) of every hyperparameter to g."""
        for part in self.parts:
            if part.key is None or not part.n:
                continue
            s = part.columns
            u, Cs, Q = mean[s], C[s, s], self.precision[s, s]
            if part.form == "line":
                R = Q @ (np.outer(u, u) + Cs) @ Q - Q
                self._add_line(g, part.key[1], R)
            else:
                g[self.hyper.index(*part.key)] += float(u @ Q @ u + np.sum(Q * Cs)) - part.n

    def _add_line(self, g: Array, group: int, R: Array) -> None:
        l11, l21, l22 = (x[group] for x in self.hyper.line_factor())
        g[self.hyper.index("start", group)] += l11 * (l11 * R[0, 0] + l21 * R[0, 1])
        turned = l11 * R[0, 1] + l21 * R[1, 1]
        g[self.hyper.index("tie", group)] += l22 * turned
        g[self.hyper.index("drift", group)] += l21 * turned + l22**2 * R[1, 1]

    def directions(self, active: Index, mean: Array) -> Array:
        """Return dK K⁻¹ u of each active hyperparameter, [n_shared, active]."""
        V = np.zeros((len(mean), len(active)))
        position = {self.hyper.keys[i]: k for k, i in enumerate(active)}
        for part in self.parts:
            if part.key is None:
                continue
            s = part.columns
            if part.form == "line":
                self._line_directions(V, part, position, mean[s])
            elif part.key in position:
                V[s, position[part.key]] = 2 * mean[s]
        return V

    def _line_directions(self, V: Array, part: Part, position: dict[Key, int], u: Array) -> None:
        group = part.key[1] if part.key else 0
        l11, l21, l22 = (float(x[group]) for x in self.hyper.line_factor())
        w = self.precision[part.columns, part.columns] @ u
        d = {
            "start": np.array([[2 * l11**2, l11 * l21], [l11 * l21, 0.0]]),
            "tie": l22 * np.array([[0.0, l11], [l11, 2 * l21]]),
            "drift": np.array([[0.0, l11 * l21], [l11 * l21, 2 * (l21**2 + l22**2)]]),
        }
        for kind, dK in d.items():
            k = position.get((kind, group))
            if k is not None:
                V[part.columns, k] = dK @ w


def _walk_precision(variance: Array) -> Array:
    """Return the precision of a random walk from zero with these variances of its steps."""
    p = 1 / variance
    Q = np.diag(p)
    if len(p) > 1:
        k = np.arange(len(p) - 1)
        Q[k, k] += p[1:]
        Q[k, k + 1] = Q[k + 1, k] = -p[1:]
    return Q


class Factor:
    """A positive definite matrix M by its Cholesky factor, scaled to a unit diagonal.

    M: its upper triangle counts. LinAlgError: M is not positive definite.
    """

    def __init__(self, M: Array) -> None:
        self.scale = 1 / np.sqrt(np.diag(M))
        M = M * self.scale[:, None]
        M *= self.scale
        # transposed, the upper triangle is the lower one of the order that LAPACK works in
        self.L: Array = M
        info = 0
        if len(M):
            self.L, info = lapack.dpotrf(M.T, lower=1, clean=0, overwrite_a=1)
        if info:
            raise np.linalg.LinAlgError("the shared effects' precision is not positive definite")
        self.log_det = 2 * float(np.sum(np.log(np.diag(self.L)) - np.log(self.scale)))

    def solve(self, b: Array) -> Array:
        """Return M⁻¹b."""
        if not len(b):
            return b
        x: Array = lapack.dpotrs(self.L, b * self.scale, lower=1)[0]
        x *= self.scale
        return x

    def half(self, b: Array) -> Array:
        """Return w of b [n, k] such that w'w = b'M⁻¹b."""
        if not len(b):
            return b
        w: Array = lapack.dtrtrs(self.L, b * self.scale[:, None], lower=1)[0]
        return w

    def inverse(self) -> Array:
        """Return M⁻¹."""
        if not len(self.L):
            return self.L
        inverse: Array = lapack.dpotri(self.L, lower=1)[0]
        inverse *= self.scale[:, None]
        inverse *= self.scale
        return _mirrored(inverse)


def _mirrored(M: Array) -> Array:
    """Fill the upper triangle from the lower, in place, panel by panel."""
    for k in range(0, len(M), _PANEL):
        rows = slice(k, k + _PANEL)
        corner = np.tril(M[rows, rows])
        M[rows, rows] = corner + np.tril(corner, -1).T
        M[rows, k + _PANEL :] = M[k + _PANEL :, rows].T
    return M
