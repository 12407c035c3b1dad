"""Compiled sums that many loops share."""

import numpy as np
from numba import njit

__all__ = ["dot"]


@njit(cache=True, fastmath={"reassoc", "contract", "nsz"})
def dot(a: np.ndarray, b: np.ndarray) -> float:
    """Sum of products, in whatever order is fastest."""
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total
