"""Compiled pieces of a star's fit: blend its nodes, draw it with its derivatives, sum products.

Grids come as `StarNodes` lays them out: the points of a line that serve neighbouring pixels are
neighbours in memory, so that every loop here runs in vectors.
"""

import numpy as np
from numba import njit

from pipeline.stages.spline_kernels import spline_weights

__all__ = ["blend_columns", "draw_star", "sum_widths", "weigh_widths"]


@njit(cache=True)
def weigh_widths(t: float, weights: np.ndarray, slopes: np.ndarray) -> None:
    """Cubic Lagrange weights of nodes -1..2 at the fraction t, and their derivatives."""
    weights[0] = -t * (t - 1) * (t - 2) / 6
    weights[1] = (t + 1) * (t - 1) * (t - 2) / 2
    weights[2] = -(t + 1) * t * (t - 2) / 2
    weights[3] = (t + 1) * t * (t - 1) / 6
    slopes[0] = -(3 * t * t - 6 * t + 2) / 6
    slopes[1] = (3 * t * t - 4 * t - 1) / 2
    slopes[2] = -(3 * t * t - 2 * t - 2) / 2
    slopes[3] = (3 * t * t - 1) / 6


@njit(cache=True)
def blend_columns(grids: np.ndarray, weights: np.ndarray, out: np.ndarray) -> None:
    """Weighted sum of the grids of neighbouring column nodes, ``grids`` of shape (k, G, R)."""
    if weights.size == 4:
        w0, w1, w2, w3 = weights[0], weights[1], weights[2], weights[3]
        for i in range(out.shape[0]):
            s0, s1, s2, s3 = grids[0, i], grids[1, i], grids[2, i], grids[3, i]
            row = out[i]
            for j in range(row.size):
                row[j] = w0 * s0[j] + w1 * s1[j] + w2 * s2[j] + w3 * s3[j]
        return
    out[:, :] = 0.0
    for b in range(weights.size):
        for i in range(out.shape[0]):
            source = grids[b, i]
            row = out[i]
            for j in range(row.size):
                row[j] += weights[b] * source[j]


@njit(cache=True)
def sum_widths(
    columns: np.ndarray,
    weights: np.ndarray,
    slopes: np.ndarray,
    first: int,
    stop: int,
    grid: np.ndarray,
    rise: np.ndarray,
) -> None:
    """Lines of the grid of a width, and of its derivative, from the grids of four widths."""
    w0, w1, w2, w3 = weights[0], weights[1], weights[2], weights[3]
    s0, s1, s2, s3 = slopes[0], slopes[1], slopes[2], slopes[3]
    for i in range(first, stop):
        c0, c1, c2, c3 = columns[0, i], columns[1, i], columns[2, i], columns[3, i]
        g, r = grid[i], rise[i]
        for j in range(g.size):
            g[j] = w0 * c0[j] + w1 * c1[j] + w2 * c2[j] + w3 * c3[j]
            r[j] = s0 * c0[j] + s1 * c1[j] + s2 * c2[j] + s3 * c3[j]


@njit(cache=True)
def _along(grid: np.ndarray, first: int, w: np.ndarray, line: np.ndarray) -> None:
    """Weighted sum of six lines of a grid."""
    r0, r1, r2 = grid[first], grid[first + 1], grid[first + 2]
    r3, r4, r5 = grid[first + 3], grid[first + 4], grid[first + 5]
    w0, w1, w2, w3, w4, w5 = w[0], w[1], w[2], w[3], w[4], w[5]
    for j in range(line.size):
        line[j] = w0 * r0[j] + w1 * r1[j] + w2 * r2[j] + w3 * r3[j] + w4 * r4[j] + w5 * r5[j]


@njit(cache=True)
def _across(line: np.ndarray, base: np.ndarray, w: np.ndarray, out: np.ndarray) -> None:
    """Weighted sums of six points of a line, once a pixel."""
    n = out.size
    a0, a1 = line[base[0] : base[0] + n], line[base[1] : base[1] + n]
    a2, a3 = line[base[2] : base[2] + n], line[base[3] : base[3] + n]
    a4, a5 = line[base[4] : base[4] + n], line[base[5] : base[5] + n]
    w0, w1, w2, w3, w4, w5 = w[0], w[1], w[2], w[3], w[4], w[5]
    for c in range(n):
        out[c] = w0 * a0[c] + w1 * a1[c] + w2 * a2[c] + w3 * a3[c] + w4 * a4[c] + w5 * a5[c]


@njit(cache=True)
def draw_star(
    grid: np.ndarray,
    rise: np.ndarray,
    oversample: int,
    d_line: float,
    d_column: float,
    with_width: bool,
    with_shape: bool,
    image: np.ndarray,
    slopes: np.ndarray,
) -> None:
    """Image of unit flux at the pixels of a stamp, and its derivatives; see `render_stamp`.

    Parameters
    ----------
    grid, rise : ndarray of shape (G, oversample * P)
        Coefficients, and their derivative by ln(FWHM).
    oversample : int
        Grid points per pixel.
    d_line, d_column : float
        Position of the light relative to the central pixel, |d| <= `REACH`.
    with_width, with_shape : bool
        Whether derivatives by width and by covariance are wanted.
    image : ndarray of shape (n * n,)
        Overwritten.
    slopes : ndarray of shape (8, n * n)
        Rows 1, 2 (position), 4 (width) and 5 to 7 (covariance) are overwritten. A covariance acts
        as half the second derivatives, to first order.
    """
    n = round(np.sqrt(image.size))
    centre = grid.shape[0] // 2
    x = centre + oversample * (-(n // 2) - d_line)
    first_row = int(np.floor(x))
    y = centre + oversample * (-(n // 2) - d_column)
    first_column = int(np.floor(y))
    wl, wc = np.empty((3, 6)), np.empty((3, 6))
    scale = 1.0
    for order in range(3):
        spline_weights(x - first_row, order, wl[order])
        spline_weights(y - first_column, order, wc[order])
        # Moving the light by +d moves the argument by -d.
        wl[order] *= scale
        wc[order] *= scale
        scale *= -float(oversample)
    wl[2] *= 0.5
    half_wc = 0.5 * wc[2]
    base = np.empty(6, np.int64)
    per_phase = grid.shape[1] // oversample
    for k in range(6):
        at = first_column - 2 + k
        base[k] = (at % oversample) * per_phase + at // oversample
    line = np.empty(grid.shape[1])
    for r in range(n):
        row = first_row - 2 + oversample * r
        out = slice(r * n, (r + 1) * n)
        _along(grid, row, wl[0], line)
        _across(line, base, wc[0], image[out])
        _across(line, base, wc[1], slopes[2, out])
        if with_shape:
            _across(line, base, half_wc, slopes[7, out])
        _along(grid, row, wl[1], line)
        _across(line, base, wc[0], slopes[1, out])
        if with_shape:
            _across(line, base, wc[1], slopes[6, out])
            _along(grid, row, wl[2], line)
            _across(line, base, wc[0], slopes[5, out])
        if with_width:
            _along(rise, row, wl[0], line)
            _across(line, base, wc[0], slopes[4, out])
