"""Compiled sums that many loops share."""

import numpy as np
from numba import njit

__all__ = ["count_bits", "dot"]

_STRETCH = 1 << 15  # numbers that 16 bits hold, like what is counted: more of them to a vector


@njit(cache=True, fastmath={"reassoc", "contract", "nsz"})
def dot(a: np.ndarray, b: np.ndarray) -> float:
    """Sum of products, in whatever order is fastest."""
    total = 0.0
    for i in range(a.size):
        total += a[i] * b[i]
    return total


@njit(cache=True)
def count_bits(mask: np.ndarray) -> np.ndarray:
    """How many values of an array of lines of 16 bits each bit is set in, from the lowest on."""
    out = np.zeros(16, dtype=np.int64)
    for l in range(mask.shape[0]):
        row = mask[l]
        seen = np.uint16(0)
        for c in range(row.size):
            seen |= row[c]
        for bit in range(16):
            flag = np.uint16(1 << bit)
            if seen & flag == 0:
                continue
            for start in range(0, row.size, _STRETCH):
                number = np.uint16(0)
                for c in range(start, min(start + _STRETCH, row.size)):
                    number = np.uint16(number + (row[np.uintp(c)] & flag != 0))
                out[bit] += number
    return out
