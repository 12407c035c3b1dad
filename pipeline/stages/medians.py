"""Medians of many rows at once, NaN ignored."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["median_of_columns", "median_of_rows", "select"]

_SHORT = 12  # values that are sorted rather than divided
_TOGETHER = 16  # columns that are read together: a row of them is two lines of memory


def median_of_rows(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """Median along the last axis.

    Parameters
    ----------
    values : ndarray of shape (n, m)

    Returns
    -------
    ndarray of shape (n,)
        As ``numpy.nanmedian`` gives, in double precision; NaN where a row has no number.
    """
    return np.asarray(_medians(np.ascontiguousarray(values, dtype=np.float64)))


def median_of_columns(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """As `median_of_rows`, along the first axis."""
    return np.asarray(_medians_of_columns(np.ascontiguousarray(values, dtype=np.float64)))


@njit(cache=True)
def select(values: np.ndarray, n: int) -> float:
    """Median of the first ``n`` values, which are left in another order; NaN for none."""
    if n == 0:
        return np.nan
    k = n // 2
    low, high = 0, n - 1
    while high - low > _SHORT:
        # The median of three keeps sorted values from being the slowest case.
        a, b, c = values[low], values[(low + high) // 2], values[high]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    else:
        for i in range(low + 1, high + 1):
            v = values[i]
            j = i - 1
            while j >= low and values[j] > v:
                values[j + 1] = values[j]
                j -= 1
            values[j + 1] = v
    upper = values[k]
    if n % 2 == 1:
        return upper
    lower = values[0]
    for i in range(1, k):
        lower = max(lower, values[i])
    return 0.5 * (lower + upper)


@njit(cache=True)
def _medians(values: np.ndarray) -> np.ndarray:
    out = np.empty(values.shape[0])
    kept = np.empty(values.shape[1])
    for r in range(values.shape[0]):
        n = 0
        for c in range(values.shape[1]):
            if not np.isnan(values[r, c]):
                kept[n] = values[r, c]
                n += 1
        out[r] = select(kept, n)
    return out


@njit(cache=True)
def _medians_of_columns(values: np.ndarray) -> np.ndarray:
    n, m = values.shape
    out = np.empty(m)
    kept = np.empty((_TOGETHER, n))
    number = np.empty(_TOGETHER, np.int64)
    for first in range(0, m, _TOGETHER):
        stop = min(first + _TOGETHER, m)
        number[:] = 0
        for r in range(n):
            for c in range(first, stop):
                if not np.isnan(values[r, c]):
                    kept[c - first, number[c - first]] = values[r, c]
                    number[c - first] += 1
        for c in range(first, stop):
            out[c] = select(kept[c - first], number[c - first])
    return out
