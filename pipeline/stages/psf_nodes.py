"""Interpolation between the nodes of a point-spread model: weights in column and in width."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["WIDTH_STEP", "NodeStencil", "interpolate_nodes", "interpolate_widths"]

FloatArray = NDArray[np.float64]

# Step of the width nodes. Cubic interpolation with step h leaves (3/128) h^4 f'''' ; at the peak
# f'''' of a profile ~ FWHM^-2 in ln(FWHM) is 16 f, so h = 0.08 leaves 1.5e-5 of the peak.
WIDTH_STEP = 0.08


class NodeStencil(NamedTuple):
    """Nodes and interpolation weights of a list of positions.

    Attributes
    ----------
    nodes : ndarray of float32 or float64, shape (n_width, n_column, G, G)
        Coefficient grids of the widths that occur and of all column nodes.
    first_width, first_column : ndarray of int, shape (n,)
    width_weights : ndarray of shape (n, 4)
    column_weights : ndarray of shape (n, k)
    """

    nodes: NDArray
    first_width: NDArray[np.int64]
    first_column: NDArray[np.int64]
    width_weights: FloatArray
    column_weights: FloatArray


def interpolate_widths(ln_fwhm: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
    """Cubic Lagrange interpolation between the nodes of width.

    Parameters
    ----------
    ln_fwhm : array_like of shape (n,)
        ln(FWHM/px) wanted; nodes stand at multiples of `WIDTH_STEP`.

    Returns
    -------
    first : ndarray of int64 of shape (n,)
        Number of the first of four nodes.
    weights : ndarray of shape (n, 4)
        Of the nodes.
    """
    x = np.atleast_1d(np.asarray(ln_fwhm, dtype=float)) / WIDTH_STEP
    base = np.floor(x).astype(np.int64)
    t = x - base
    weights = np.stack(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ],
        axis=1,
    )
    return base - 1, weights


def interpolate_nodes(nodes: FloatArray, at: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
    """Cubic Lagrange interpolation between nodes.

    Parameters
    ----------
    nodes : ndarray of shape (m,)
        Increasing; with fewer than four the order falls.
    at : array_like of shape (n,)
        Where values are wanted.

    Returns
    -------
    first : ndarray of int64 of shape (n,)
        First node used.
    weights : ndarray of shape (n, min(4, m))
        Of the nodes from the first one on; they sum to 1.
    """
    at = np.atleast_1d(np.asarray(at, dtype=float))
    k = min(4, nodes.size)
    below = np.searchsorted(nodes, at, side="right") - 1
    first = np.clip(below - (k // 2 - 1), 0, nodes.size - k).astype(np.int64)
    x = nodes[first[:, None] + np.arange(k)]
    weights = np.ones((at.size, k))
    for a in range(k):
        for b in range(k):
            if a != b:
                weights[:, a] *= (at - x[:, b]) / (x[:, a] - x[:, b])
    return first, weights
