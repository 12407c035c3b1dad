"""Which block owns a source: the one whose own lines hold its position."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["own"]


def own(lines: ArrayLike, start: int, stop: int) -> NDArray[np.bool_]:
    """Sources whose position lies in the half-open range of lines ``[start, stop)``.

    Ownership is decided once, on the position of the *detection*: that is the same bit for bit
    in every block that sees the source, while a fitted position may differ in its last digits
    where blocks hold different neighbours.

    Parameters
    ----------
    lines : array_like of shape (n,)
        Global lines of the sources, finite.
    start, stop : int
        The block's own lines, without halo.

    Returns
    -------
    ndarray of bool, shape (n,)

    Raises
    ------
    ValueError
        The range is empty or a line is not finite, so that a source would be lost unseen.
    """
    if stop <= start:
        raise ValueError(f"stop: must be above start {start}, got {stop}")
    lines = np.asarray(lines, dtype=float)
    if not np.all(np.isfinite(lines)):
        raise ValueError("lines: must be finite, or sources belong to no block")
    return (lines >= start) & (lines < stop)
