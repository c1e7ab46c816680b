"""Name the array types of every signature; the shape stands in the docstring."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
"""Whole numbers: row numbers, codes, days."""
Mask = NDArray[np.bool_]
