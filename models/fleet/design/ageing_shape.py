"""Bend a group's ageing: the age that counts for drift, where a sensor settles or gives way.

A meter's course is start + drift · w(age). With w(age) = age it is a line; a shape k > 0 lets it
settle with the rate k a year, w ~ 1 − exp(−k · age); k < 0 lets it speed up,
w ~ age + |k| age² / 2. Both begin alike, w ~ age − k age² / 2, and w(1) = 1, so that drift is
the change in the first year whatever the shape.
"""

import numpy as np

from models.metrology import Array

SETTLING = (0.35, 0.7, 1.4, 2.8)
SPEEDING_UP = (-0.25, -0.5, -1.0, -2.0, -8.0)
"""Shapes to choose from beside the line, per year, the nearest to it first."""


def aged(age: Array, shape: Array | float) -> Array:
    """Return the age that counts for drift, years; age and shape (per year) broadcast."""
    k = np.asarray(shape, dtype=np.float64)
    settles = np.where(k > 0, k, 1.0)
    settled = np.expm1(-settles * age) / np.expm1(-settles)
    sped = (age - k * age**2 / 2) / (1 - np.minimum(k, 0.0) / 2)
    bent: Array = np.where(k > 0, settled, sped)
    return bent


def aged_derivative(age: Array, shape: Array | float) -> Array:
    """Return how `aged` changes with the shape, years²; age and shape broadcast."""
    h = 1e-3
    out: Array = (aged(age, np.asarray(shape) + h) - aged(age, np.asarray(shape) - h)) / (2 * h)
    return out
