"""Find meters whose noise has grown beyond their own usual.

Meters differ in noise. Each is judged by its own past, shrunk towards the fleet's as far as the
fleet's meters are alike (`variance_prior`): with d0 and s0² the fleet's, n records before a date of
mean square s² and m after it of mean square t²,

    F = t² / ((d0·s0² + n·s²) / (d0 + n)),    F(m, d0 + n) where nothing has grown

Wild rides, which hardly count in the model, are not judged: a few by chance are no grown noise.
"""

from dataclasses import dataclass

import numpy as np

from models.fleet.design import Observations, rows_of_each
from models.fleet.inference import FEW_DOF
from models.metrology import FEW_METERS, Array, Index, Mask, variance_prior

_FEWEST = 6
_CLIP = 6.25  # one outlier alone is no grown noise
_USUAL_CLIPPED = (0.9262, 1.5029)  # mean and variance of min(z², 6.25), z standard normal
_DOF = 2 * _USUAL_CLIPPED[0] ** 2 / _USUAL_CLIPPED[1]  # of one clipped square, as a scaled χ²
_MEDIAN_SQUARE = 0.4549  # of a standard normal
_MOST_DOF = 1e6


@dataclass(frozen=True)
class Grown:
    """A meter whose clipped squares have `ratio` times its usual mean since an observation."""

    meter: int
    row: int
    before: int
    ratio: float
    p: float

    @property
    def factor(self) -> float:
        """Return how much larger the noise's sd is."""
        return float(np.sqrt(self.ratio))


def noise_p_values(z: Array, obs: Observations, counts: Mask) -> list[Grown]:
    """Return each meter's best supported growth with its p-value, dates searched included.

    z: standardized innovations of all observations at full weight; counts: which are not wild
    """
    rides = np.where(obs.is_bench | ~counts, -1, obs.owner)
    rows = {m: r for m, r in rows_of_each(rides) if len(r) > _FEWEST}
    if not rows:
        return []
    scale = {m: _own_variance(z[r] ** 2) for m, r in rows.items()}
    usual, worth = _usual(
        np.array(list(scale.values())), np.array([_DOF * len(r) for r in rows.values()])
    )
    grown = []
    for m, r in rows.items():
        own = (worth * usual + _DOF * len(r) * scale[m]) / (worth + _DOF * len(r))
        squares = own * np.minimum(z[r] ** 2 / own, _CLIP) / _USUAL_CLIPPED[0]
        grown.append(_best(m, r, squares, usual, worth))
    return grown


def _own_variance(squares: Array) -> float:
    """Return a meter's variance from its squares, clipped at 6.25 times itself."""
    s2 = max(float(np.median(squares)) / _MEDIAN_SQUARE, 1e-6)
    for _ in range(10):
        s2 = float(np.mean(np.minimum(squares, _CLIP * s2))) / _USUAL_CLIPPED[0]
    return s2


def _usual(variances: Array, dof: Array) -> tuple[float, float]:
    """Return the fleet's usual variance and what it is worth beside a meter's own records."""
    if len(variances) < FEW_METERS:
        return float(np.average(variances, weights=dof)), FEW_DOF
    usual, worth = variance_prior(variances, dof)
    return usual, min(worth, _MOST_DOF)


def _best(meter: int, rows: Index, squares: Array, usual: float, worth: float) -> Grown:
    """Return the date since which the squares have grown most surely."""
    from scipy.special import fdtrc

    n = len(rows)
    starts = np.arange(1, n - _FEWEST + 1)
    before, after = _DOF * starts, _DOF * (n - starts)
    sums = np.cumsum(squares)[starts - 1]
    past = (worth * usual + _DOF * sums) / (worth + before)
    since = (np.sum(squares) - sums) / (n - starts)
    p = fdtrc(after, worth + before, since / past)
    best = int(np.argmin(p))
    tries = 1 + np.log2(max(n / _FEWEST, 1.0)) * 2.0
    k, ratio = int(starts[best]), float(since[best] / past[best])
    return Grown(meter, int(rows[k]), int(rows[k - 1]), ratio, float(min(1.0, p[best] * tries)))
