"""Statistics of the values that are known."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["middle"]


def middle(values: NDArray[Any]) -> float:
    """Median of the finite values.

    Parameters
    ----------
    values : ndarray
        Any unit, which is that of the result.

    Returns
    -------
    float
        NaN where no value is finite.
    """
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else float("nan")
