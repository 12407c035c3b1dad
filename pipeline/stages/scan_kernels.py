"""Compiled search for the few pixels of a line that ask for work."""

import numpy as np
from numba import njit

__all__ = ["find_next"]

_WORD = 8  # bytes looked at as one number


@njit(cache=True)
def find_next(row: np.ndarray, start: int) -> int:
    """First place from `start` on where a row of bytes is not zero; its length if there is none."""
    n = row.size
    at = start
    while at < n and at % _WORD != 0:
        if row[at] != 0:
            return at
        at += 1
    words = row[: n - n % _WORD].view(np.uint64)
    w = at // _WORD
    while w + 8 <= words.size:
        near = words[w] | words[w + 1] | words[w + 2] | words[w + 3]
        far = words[w + 4] | words[w + 5] | words[w + 6] | words[w + 7]
        if near | far != 0:
            break
        w += 8
    while w < words.size and words[w] == 0:
        w += 1
    at = max(at, w * _WORD)
    while at < n and row[at] == 0:
        at += 1
    return at
