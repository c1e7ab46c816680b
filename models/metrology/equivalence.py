"""Compute degrees of equivalence, as in key comparisons: who differs from the reference value.

The reference value is the weighted mean; a participant's degree of equivalence is its difference
from that value, with the uncertainty of this difference (not of the two apart: the participant is
part of the mean); E_n is the difference over its expanded uncertainty, |E_n| ≤ 1: it agrees.

Source: Cox (2002), The evaluation of key comparison data, Metrologia 39, 589 (procedure A);
ISO 13528:2015, 9.7 for E_n.
"""

from dataclasses import dataclass

import numpy as np

from models.metrology.arrays import Array

COVERAGE = 2.0


@dataclass(frozen=True)
class Equivalence:
    """The reference value and its u; each participant's difference, its u and E_n, [n] each.

    chi2: of all differences, n − 1 degrees of freedom; p: the p-value of so much disagreement
    """

    reference: float
    u_reference: float
    difference: Array
    u_difference: Array
    e_n: Array
    chi2: float
    p: float


def from_information(M: Array, b: Array) -> Equivalence:
    """Return the degrees of n ≥ 2 values x from M = V⁻¹ [n, n] and b = V⁻¹ x [n].

    V: their covariance, the pseudoinverse of M where it is singular (what nothing tells apart
    gets no bound on its uncertainty).
    """
    from scipy.stats import chi2

    ones = np.ones(len(b))
    weight = float(ones @ M @ ones)
    reference = float(ones @ b) / weight
    V = np.linalg.pinv(M, hermitian=True)
    x = V @ b
    difference = x - reference
    spread = np.diag(V) - 1 / weight
    u = np.sqrt(np.maximum(spread, 0.0))
    e_n = np.divide(difference, COVERAGE * u, out=np.zeros(len(u)), where=u > 0)
    total = float(difference @ M @ difference)
    return Equivalence(
        reference,
        float(np.sqrt(1 / weight)),
        difference,
        u,
        e_n,
        total,
        float(chi2.sf(total, max(len(b) - 1, 1))),
    )
