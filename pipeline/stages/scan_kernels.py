"""Compiled search for the few pixels of a line that ask for work."""

import numpy as np
from numba import njit

__all__ = ["find_next"]

_STRETCH = 64  # bytes looked at together


@njit(cache=True)
def find_next(row: np.ndarray, start: int) -> int:
    """First place from `start` on where a row of bytes is not zero; its length if there is none."""
    n = row.size
    at = start
    while at + _STRETCH <= n:
        seen = np.uint8(0)
        for k in range(_STRETCH):
            seen |= row[at + k]
        if seen != 0:
            break
        at += _STRETCH
    while at < n and row[at] == 0:
        at += 1
    return at
