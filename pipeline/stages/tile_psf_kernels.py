"""Compiled part of the tile's point-spread fit: normal equations of its spline correction."""

import numpy as np
from numba import njit

from pipeline.stages.spline_kernels import spline_weights

__all__ = ["add_residual_normal"]


@njit(cache=True, nogil=True)
def add_residual_normal(
    normal: np.ndarray,
    right: np.ndarray,
    left: np.ndarray,
    weight: np.ndarray,
    flux: float,
    dy: float,
    dx: float,
    oversample: int,
) -> None:
    """Add one star to the normal equations of the coefficients of the correction.

    Parameters
    ----------
    normal : ndarray of shape (g * g, g * g)
        Added to, both triangles.
    right : ndarray of shape (g * g,)
        Added to.
    left, weight : ndarray of shape (n, n), n odd
        What the profile leaves of the star, and the inverse variance; zero where bad.
    flux, dy, dx : float
        Flux, and position relative to the central pixel.
    oversample : int
        Grid points per pixel.
    """
    n = left.shape[0]
    half = n // 2
    g = int(np.sqrt(right.size) + 0.5)
    centre = g // 2
    wy, wx = np.empty(6), np.empty(6)
    index, value = np.empty(36, np.int64), np.empty(36)
    ay, ax = centre - oversample * dy, centre - oversample * dx
    fy, fx = int(np.floor(ay)), int(np.floor(ax))
    spline_weights(ay - fy, 0, wy)
    spline_weights(ax - fx, 0, wx)
    for i in range(n):
        for j in range(n):
            w = weight[i, j]
            if w <= 0.0:
                continue
            k = 0
            for a in range(6):
                row = fy + oversample * (i - half) + a - 2
                for b in range(6):
                    index[k] = row * g + fx + oversample * (j - half) + b - 2
                    value[k] = flux * wy[a] * wx[b]
                    k += 1
            for p in range(36):
                right[index[p]] += w * value[p] * left[i, j]
                for q in range(36):
                    normal[index[p], index[q]] += w * value[p] * value[q]
