"""Smoothing of noisy series no more than their noise justifies, and filling of their gaps."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["choose_half_width", "fill_gaps", "smooth_running"]


def fill_gaps(values: NDArray[np.floating], centres: NDArray[np.floating]) -> NDArray[np.float64]:
    """Values with their gaps bridged linearly; the ends are held.

    Parameters
    ----------
    values : ndarray of shape (n, ...)
        Series along the first axis; NaN marks a gap.
    centres : ndarray of shape (n,)
        Where the values stand, increasing.

    Returns
    -------
    ndarray of float64
        Same shape; a series without a single value becomes 0.
    """
    filled = np.array(values, dtype=np.float64)
    series = filled.reshape(len(filled), -1)
    for j in np.flatnonzero(~np.isfinite(series).all(axis=0)):
        good = np.isfinite(series[:, j])
        series[:, j] = np.interp(centres, centres[good], series[good, j]) if good.any() else 0.0
    return filled


def _half_widths(n: int, half_width: int) -> NDArray[np.intp]:
    """Half width at every position: shrunk near the ends, so that a slope passes unchanged."""
    i = np.arange(n)
    return np.minimum(half_width, np.minimum(i, n - 1 - i))


def smooth_running(
    values: NDArray[np.floating], errors: NDArray[np.floating], *, half_width: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Running mean over ``2 * half_width + 1`` values, and its error.

    The window shrinks symmetrically near the ends: constant and linear series pass unchanged.

    Parameters
    ----------
    values, errors : ndarray of shape (n, ...)
        Finite series along the first axis and their independent errors.
    half_width : int
        Zero returns the values.

    Returns
    -------
    smooth, smooth_err : ndarray of float64
        Same shape.

    Raises
    ------
    ValueError
        If `half_width` is negative.
    """
    if half_width < 0:
        msg = f"half_width must not be negative, received {half_width}"
        raise ValueError(msg)
    x = np.asarray(values, dtype=np.float64)
    e = np.asarray(errors, dtype=np.float64)
    n = len(x)
    if half_width == 0 or n < 3:
        return x.copy(), e.copy()
    h = _half_widths(n, half_width)
    i = np.arange(n)
    width = (2 * h + 1).reshape(-1, *([1] * (x.ndim - 1)))
    # Subtracting the mean first keeps the running sums of long series exact.
    middle = x.mean(axis=0)
    zero = np.zeros((1, *x.shape[1:]))
    total = np.concatenate([zero, np.cumsum(x - middle, axis=0)])
    squares = np.concatenate([zero, np.cumsum(e * e, axis=0)])
    smooth = (total[i + h + 1] - total[i - h]) / width + middle
    variance = np.maximum(squares[i + h + 1] - squares[i - h], 0.0)
    return smooth, np.sqrt(variance) / width


def choose_half_width(
    values: NDArray[np.floating], errors: NDArray[np.floating], *, candidates: tuple[int, ...]
) -> int:
    """Half width of the running mean with the least expected error.

    The expected mean square error of each candidate is Mallows' statistic
    ``<(x - Sx)^2/e^2> + 2 <S_ii> - 1``: no truth is needed, only right errors.

    Parameters
    ----------
    values, errors : ndarray of shape (n, ...)
        Finite series along the first axis and their independent errors; series share the choice.
    candidates : tuple of int
        Half widths to try.

    Returns
    -------
    int
        The best candidate; a tie goes to the earlier one.

    References
    ----------
    Mallows 1973, Technometrics 15, 661 (from memory).
    """
    x = np.asarray(values, dtype=np.float64)
    e = np.asarray(errors, dtype=np.float64)
    known = (e > 0) & np.isfinite(e)
    if not known.any():
        return candidates[0]
    best, least = candidates[0], np.inf
    for half_width in candidates:
        if 2 * half_width + 1 > len(x):
            continue
        smooth, _ = smooth_running(x, np.where(known, e, 0.0), half_width=half_width)
        share = 1.0 / (2.0 * _half_widths(len(x), half_width) + 1.0)
        share = np.broadcast_to(share.reshape(-1, *([1] * (x.ndim - 1))), x.shape)
        risk = float(np.mean(((x - smooth)[known] / e[known]) ** 2 + 2.0 * share[known] - 1.0))
        if risk < least - 1e-12:
            best, least = half_width, risk
    return best
