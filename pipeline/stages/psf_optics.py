"""Covariance that the optics add to the point spread: polynomials in the column."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["add_polynomials", "fit_optics"]

FloatArray = NDArray[np.float64]


def fit_optics(
    x: FloatArray, q: FloatArray, covariance: FloatArray, max_order: int
) -> tuple[FloatArray | None, int]:
    """Polynomials of the covariance in column, of the order the data prefer; None for none.

    The mean of the trace belongs to the seeing and is taken out.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Scaled columns.
    q : ndarray of shape (n, 3)
        Covariance (ll, lc, cc) of each star, px^2.
    covariance : ndarray of shape (n, 3, 3)
        Of its errors.
    max_order : int

    Returns
    -------
    polynomials : ndarray of shape (3, order + 1) or None
    order : int
        -1 for none.
    """
    n = x.size
    best: FloatArray | None = None
    chosen = -1
    if n <= 3 * (max_order + 1):
        return None, -1
    weight = np.linalg.inv(covariance)
    for _ in range(3):
        fits: list[tuple[float, int, FloatArray]] = []
        for order in range(max_order, -2, -1):
            powers = x[:, None] ** np.arange(order + 1)
            k = order + 1
            normal = np.einsum("np,nij,nq->ipjq", powers, weight, powers).reshape(3 * k, 3 * k)
            right = np.einsum("np,nij,nj->ip", powers, weight, q).ravel()
            c = np.linalg.solve(normal, right).reshape(3, k) if k else np.zeros((3, 0))
            r = q - powers @ c.T
            d2 = np.einsum("ni,nij,nj->n", r, weight, r)
            if order == max_order:
                # Errors too small by the form of the model, and outliers, judged at full order;
                # 2.366 is the median of chi-square with three degrees of freedom.
                excess = max(float(np.median(d2)) / 2.366, 1.0)
                outlier = d2 > 20.0 * excess
            chi2 = float(np.sum(d2[~outlier])) / excess
            n_free = 3 * k - 1 if k else 0
            fits.append((chi2 + n_free * np.log(3.0 * n), order, c))
        weight = np.where(outlier[:, None, None], 0.0, weight)
        _, chosen, best = min(fits, key=lambda f: f[0])
        if not np.any(outlier):
            break
    if chosen < 0 or best is None:
        return None, -1
    powers = x[:, None] ** np.arange(chosen + 1)
    trace = float(np.mean(powers @ (best[0] + best[2])))
    best = best.copy()
    best[[0, 2], 0] -= 0.5 * trace
    return best, chosen


def add_polynomials(old: FloatArray | None, new: FloatArray) -> FloatArray:
    """Sum of two sets of polynomials, (3, order + 1) each, of whatever order."""
    if old is None:
        return new
    out = np.zeros((3, max(old.shape[1], new.shape[1])))
    out[:, : old.shape[1]] += old
    out[:, : new.shape[1]] += new
    return out
