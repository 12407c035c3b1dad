"""Compiled fit of single bright stars: flux, position, background, width and covariance."""

import numpy as np
from numba import njit

from pipeline.stages.psf_kernels import solve
from pipeline.stages.spline_kernels import (
    REACH,
    blend_nodes,
    grid_half_size,
    render_slopes,
    render_stamp,
)

_N_WIDTHS = 4  # nodes in width that a star is interpolated between

__all__ = ["N_PARAMETERS", "fit_stars"]

# flux, line, column, background, ln(FWHM), q_ll, q_lc, q_cc
N_PARAMETERS = 8


@njit(cache=True)
def _width_weights(t: float, weights: np.ndarray, slopes: np.ndarray) -> None:
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
def _sum_widths(
    columns: np.ndarray, weights: np.ndarray, slopes: np.ndarray, grid: np.ndarray, rise: np.ndarray
) -> None:
    """Grid of a width and its derivative from the grids of four widths of one column."""
    for i in range(grid.shape[0]):
        for j in range(grid.shape[1]):
            c0, c1, c2, c3 = columns[0, i, j], columns[1, i, j], columns[2, i, j], columns[3, i, j]
            grid[i, j] = weights[0] * c0 + weights[1] * c1 + weights[2] * c2 + weights[3] * c3
            rise[i, j] = slopes[0] * c0 + slopes[1] * c1 + slopes[2] * c2 + slopes[3] * c3


@njit(cache=True)
def fit_stars(
    stamps: np.ndarray,
    variances: np.ndarray,
    start: np.ndarray,
    free: np.ndarray,
    nodes: np.ndarray,
    low: int,
    width_step: float,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
    radius: float,
    photon: float,
    model_error: float,
    max_iterations: int,
    values: np.ndarray,
    covariances: np.ndarray,
    chi2: np.ndarray,
    n_pixels: np.ndarray,
    lights: np.ndarray,
) -> None:
    """Fit each stamp on its own.

    ``start`` of shape (n, 8) holds the first guesses, ``free`` the indices of the parameters to
    fit; ``low`` is the number of the first width node in ``nodes``. A star whose fit fails gets
    chi2 = NaN. ``photon`` is the variance per electron of the star's own light; 0 when the given
    variances hold it already. The variance holds a part `model_error` of the model's own light, in
    quadrature, so that the brightest stars, limited by the form of the model, do not decide alone.
    ``lights`` receives the models of the stars, electrons; what lies beyond ``radius`` of the
    central pixel is neither fitted nor modelled, and 0 there.
    """
    given = stamps.shape[1] // 2
    h = min(given, int(np.floor(radius)))
    off = given - h
    size = 2 * h + 1
    k = free.size
    g = 2 * grid_half_size(h, oversample) + 1
    grid = np.empty((g, g))
    grid_slope = np.empty((g, g))
    columns = np.empty((_N_WIDTHS, g, g))
    one = np.ones(1)
    d = np.empty((N_PARAMETERS, size, size))
    p = np.empty((size, size))
    ww = np.empty(4)
    ws = np.empty(4)
    normal = np.zeros((k, k))
    inverse = np.zeros((k, k))
    right = np.zeros(k)
    step = np.zeros(k)
    need_width = False
    need_shape = False
    for a in range(k):
        need_width = need_width or free[a] == 4
        need_shape = need_shape or free[a] > 4
    for s in range(stamps.shape[0]):
        v = start[s].copy()
        f = v[0]
        p[:, :] = 0.0
        ok = False
        blended = low - 2  # width node whose neighbours ``columns`` holds: none yet
        for iteration in range(max_iterations):
            x = v[4] / width_step
            base = int(np.floor(x))
            if base - 1 < low or base + 2 >= low + nodes.shape[0]:
                break
            if need_width or iteration == 0:
                if base != blended:
                    # The column stays as it is, and the width mostly between the same nodes.
                    for a in range(_N_WIDTHS):
                        blend_nodes(
                            nodes,
                            base - 1 - low + a,
                            one,
                            first_column[s],
                            column_weights[s],
                            columns[a],
                        )
                    blended = base
                _width_weights(x - base, ww, ws)
                ws /= width_step
                _sum_widths(columns, ww, ws, grid, grid_slope)
            render_slopes(grid, oversample, v[1], v[2], p, d[1], d[2])
            if need_width:
                render_stamp(grid_slope, oversample, v[1], v[2], 0, 0, d[4])
            if need_shape or v[5] != 0.0 or v[6] != 0.0 or v[7] != 0.0:
                # A Gaussian's covariance acts as half the second derivatives, to first order.
                render_stamp(grid, oversample, v[1], v[2], 2, 0, d[5])
                render_stamp(grid, oversample, v[1], v[2], 1, 1, d[6])
                render_stamp(grid, oversample, v[1], v[2], 0, 2, d[7])
                for i in range(size):
                    for j in range(size):
                        d[5, i, j] *= 0.5
                        d[7, i, j] *= 0.5
                        p[i, j] += v[5] * d[5, i, j] + v[6] * d[6, i, j] + v[7] * d[7, i, j]
            normal[:, :] = 0.0
            right[:] = 0.0
            total = 0.0
            count = 0
            f = v[0]
            for i in range(size):
                for j in range(size):
                    if (i - h) ** 2 + (j - h) ** 2 > radius * radius:
                        continue
                    if not np.isfinite(variances[s, off + i, off + j]):
                        continue
                    light = max(f * p[i, j], 0.0)
                    extra = photon * light + (model_error * light) ** 2
                    w = 1.0 / (variances[s, off + i, off + j] + extra)
                    r = stamps[s, off + i, off + j] - f * p[i, j] - v[3]
                    total += w * r * r
                    count += 1
                    for a in range(k):
                        ia = free[a]
                        if ia == 0:
                            da = p[i, j]
                        elif ia == 3:
                            da = 1.0
                        else:
                            da = f * d[ia, i, j]
                        step[a] = da
                    for a in range(k):
                        right[a] += w * step[a] * r
                        for b in range(a + 1):
                            normal[a, b] += w * step[a] * step[b]
            chi2[s] = total
            n_pixels[s] = count
            if count <= k or not solve(normal, k, inverse):
                break
            gain = 0.0
            for a in range(k):
                step[a] = 0.0
                for b in range(k):
                    step[a] += inverse[a, b] * right[b]
                gain += step[a] * right[a]
            if iteration > 0 and gain < 1e-6:
                ok = True
                break
            scale = 1.0
            for a in range(k):
                limit = np.inf
                if free[a] == 1 or free[a] == 2:
                    limit = 0.5
                elif free[a] == 4:
                    limit = 0.2
                elif free[a] == 0:
                    limit = 0.7 * abs(v[0])
                if abs(step[a]) > limit:
                    scale = min(scale, limit / abs(step[a]))
            for a in range(k):
                v[free[a]] += scale * step[a]
            if abs(v[1]) > REACH or abs(v[2]) > REACH or v[0] <= 0.0:
                break
        values[s] = v
        lights[s, :, :] = 0.0
        for i in range(size):
            for j in range(size):
                lights[s, off + i, off + j] = max(f * p[i, j], 0.0)
        covariances[s, :, :] = np.nan
        if not ok:
            chi2[s] = np.nan
            continue
        for a in range(k):
            for b in range(k):
                covariances[s, free[a], free[b]] = inverse[a, b]
