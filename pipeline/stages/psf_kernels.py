"""Compiled loops of point-spread photometry: add models to an image, fit one pass of sources."""

import numpy as np
from numba import njit

from pipeline.stages.spline_kernels import (
    REACH,
    blend_nodes,
    grid_half_size,
    render_slopes,
    render_stamp,
)

__all__ = ["COLUMNS", "add_models", "copy_stamps", "fit_pass", "solve"]

# Columns of the table that `fit_pass` fills.
COLUMNS = (
    "flux",
    "d_line",
    "d_column",
    "flux_err",
    "line_err",
    "column_err",
    "covariance",
    "chi2",
    "n_pixels",
    "excess",
    "excess_err",
    "shared",
    "converged",
    "bits",
)
_EDGE = 1
_PROBE_SCALE = 0.5


@njit(cache=True)
def add_models(
    total: np.ndarray,
    which: np.ndarray,
    line: np.ndarray,
    column: np.ndarray,
    d_line: np.ndarray,
    d_column: np.ndarray,
    flux: np.ndarray,
    half: np.ndarray,
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
) -> None:
    """Add the models of the sources ``which`` to ``total``, in the order given.

    ``line, column`` are the integer pixels nearest to the sources within ``total``, ``d_line,
    d_column`` the rest; ``half`` is the half size of each stamp.
    """
    n_lines, n_columns = total.shape
    for s in which:
        h = half[s]
        if h <= 0 or flux[s] == 0.0:
            continue
        g = 2 * grid_half_size(h, oversample) + 1
        grid = np.empty((g, g))
        blend_nodes(
            nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], grid
        )
        stamp = np.empty((2 * h + 1, 2 * h + 1))
        render_stamp(grid, oversample, d_line[s], d_column[s], 0, 0, stamp)
        f = flux[s]
        for i in range(2 * h + 1):
            l = line[s] + i - h
            if l < 0 or l >= n_lines:
                continue
            for j in range(2 * h + 1):
                c = column[s] + j - h
                if 0 <= c < n_columns:
                    total[l, c] += f * stamp[i, j]


@njit(cache=True)
def copy_stamps(
    source: np.ndarray,
    target: np.ndarray,
    which: np.ndarray,
    line: np.ndarray,
    column: np.ndarray,
    half: np.ndarray,
) -> None:
    """Make ``target`` equal to ``source`` where `add_models` reaches for the sources ``which``."""
    n_lines, n_columns = source.shape
    for s in which:
        low, high = max(column[s] - half[s], 0), min(column[s] + half[s] + 1, n_columns)
        for l in range(max(line[s] - half[s], 0), min(line[s] + half[s] + 1, n_lines)):
            for c in range(low, high):
                target[l, c] = source[l, c]


@njit(cache=True)
def solve(a: np.ndarray, n: int, inverse: np.ndarray) -> bool:
    """Inverse of the leading n x n block of a symmetric positive matrix, by Cholesky."""
    low = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i == j:
                # Not positive beyond rounding: the parameters are not determined.
                if s <= 1e-12 * abs(a[i, i]) or not np.isfinite(s):
                    return False
                low[i, i] = np.sqrt(s)
            else:
                low[i, j] = s / low[j, j]
    for col in range(n):
        for i in range(n):
            s = 1.0 if i == col else 0.0
            for k in range(i):
                s -= low[i, k] * inverse[k, col]
            inverse[i, col] = s / low[i, i]
        for i in range(n - 1, -1, -1):
            s = inverse[i, col]
            for k in range(i + 1, n):
                s -= low[k, i] * inverse[k, col]
            inverse[i, col] = s / low[i, i]
    return True


@njit(cache=True)
def fit_pass(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    photon: np.ndarray,
    total: np.ndarray,
    todo: np.ndarray,
    line: np.ndarray,
    column: np.ndarray,
    start: np.ndarray,
    d_line: np.ndarray,
    d_column: np.ndarray,
    flux: np.ndarray,
    half: np.ndarray,
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
    radius: float,
    max_shift: float,
    max_iterations: int,
    tolerance: float,
    table: np.ndarray,
) -> None:
    """Fit flux and position of each source in ``todo`` with its neighbours held fixed.

    ``total`` is the sum of all models at ``flux, d_line, d_column``; each source sees the image
    less ``total`` plus its own part of it. ``start`` of shape (n, 2) holds the detected positions,
    from which a fit may move by ``max_shift``. Weights come from the models, never from the data.
    ``table`` of shape (n, len(COLUMNS)) receives the results of the sources in ``todo``.
    """
    n_lines, n_columns = image.shape
    h = int(np.ceil(radius))
    n = 2 * h + 1
    data = np.empty((n, n))
    base = np.empty((n, n))
    ratio = np.empty((n, n))
    neighbours = np.empty((n, n))
    p = np.empty((n, n))
    pl = np.empty((n, n))
    pc = np.empty((n, n))
    pll = np.empty((n, n))
    pcc = np.empty((n, n))
    g = 2 * grid_half_size(h, oversample) + 1
    grid = np.empty((g, g))
    normal = np.zeros((4, 4))
    right = np.zeros(4)
    inverse = np.zeros((4, 4))
    row = np.empty(4)
    for s in todo:
        blend_nodes(
            nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], grid
        )
        dl, dc, f = d_line[s], d_column[s], flux[s]
        render_stamp(grid, oversample, dl, dc, 0, 0, p)
        bits = 0
        edge = False
        count = 0
        seen = 0.0
        own_half = half[s]
        for i in range(n):
            l = line[s] + i - h
            for j in range(n):
                c = column[s] + j - h
                base[i, j] = np.inf
                data[i, j] = 0.0
                ratio[i, j] = 0.0
                neighbours[i, j] = 0.0
                if (i - h) ** 2 + (j - h) ** 2 > radius * radius:
                    continue
                if l < 0 or l >= n_lines or c < 0 or c >= n_columns:
                    edge = True
                    continue
                own = f * p[i, j] if abs(i - h) <= own_half and abs(j - h) <= own_half else 0.0
                neighbours[i, j] = total[l, c] - own
                if mask[l, c] != 0:
                    bits |= mask[l, c]
                    continue
                data[i, j] = image[l, c] - neighbours[i, j]
                base[i, j] = variance[l, c] + photon[c] * max(neighbours[i, j], 0.0)
                ratio[i, j] = photon[c]
                count += 1
                seen += p[i, j]
        out = table[s]
        out[:] = np.nan
        out[8] = count
        out[11] = 0.0
        out[12] = 0.0
        # Two integers in one float column: mask bits, then the edge.
        out[13] = 2 * bits + (_EDGE if edge else 0)
        if count < 6 or seen < 0.1:
            continue
        converged = False
        damping = 1.0
        last_l = last_c = 0.0
        for _ in range(max_iterations):
            render_slopes(grid, oversample, dl, dc, p, pl, pc)
            # Sums in registers: this loop is most of the photometry.
            n00 = n10 = n11 = n20 = n21 = n22 = 0.0
            r0 = r1 = r2 = 0.0
            for i in range(n):
                for j in range(n):
                    b = base[i, j]
                    if b == np.inf:
                        continue
                    light = p[i, j]
                    m = f * light
                    w = 1.0 / (b + ratio[i, j] * max(m, 0.0))
                    r = w * (data[i, j] - m)
                    by_l = f * pl[i, j]
                    by_c = f * pc[i, j]
                    r0 += r * light
                    r1 += r * by_l
                    r2 += r * by_c
                    w0 = w * light
                    w1 = w * by_l
                    n00 += w0 * light
                    n10 += w0 * by_l
                    n20 += w0 * by_c
                    n11 += w1 * by_l
                    n21 += w1 * by_c
                    n22 += w * by_c * by_c
            right[0], right[1], right[2] = r0, r1, r2
            normal[0, 0], normal[1, 0], normal[1, 1] = n00, n10, n11
            normal[2, 0], normal[2, 1], normal[2, 2] = n20, n21, n22
            if f <= 0.0 or not solve(normal, 3, inverse):
                break
            step_f = inverse[0, 0] * right[0] + inverse[0, 1] * right[1] + inverse[0, 2] * right[2]
            step_l = inverse[1, 0] * right[0] + inverse[1, 1] * right[1] + inverse[1, 2] * right[2]
            step_c = inverse[2, 0] * right[0] + inverse[2, 1] * right[1] + inverse[2, 2] * right[2]
            # Squared length of the step in standard deviations: what is still to gain in chi2.
            gain = right[0] * step_f + right[1] * step_l + right[2] * step_c
            # Where the light is not of the model's form the step is too long and turns back.
            if step_l * last_l + step_c * last_c < 0.0:
                damping = max(0.6 * damping, 0.1)
            else:
                damping = min(1.3 * damping, 1.0)
            last_l, last_c = step_l, step_c
            if gain >= tolerance:
                step_f *= damping
                step_l *= damping
                step_c *= damping
            length = np.sqrt(step_l**2 + step_c**2)
            if length > 0.5:
                step_f *= 0.5 / length
                step_l *= 0.5 / length
                step_c *= 0.5 / length
            # A flux may fall to a tenth in one step, never through zero.
            f = max(f + step_f, 0.1 * f)
            dl += step_l
            dc += step_c
            if np.sqrt((dl - start[s, 0]) ** 2 + (dc - start[s, 1]) ** 2) > max_shift:
                break
            if abs(dl) > REACH or abs(dc) > REACH:
                break
            if gain < tolerance:
                converged = True
                break
        if not converged:
            dl, dc = start[s, 0], start[s, 1]
            f = max(f, 0.0)
            render_stamp(grid, oversample, dl, dc, 0, 0, p)
            for _ in range(4):
                top = 0.0
                bottom = 0.0
                for i in range(n):
                    for j in range(n):
                        if base[i, j] != np.inf:
                            w = 1.0 / (base[i, j] + ratio[i, j] * max(f * p[i, j], 0.0))
                            top += w * p[i, j] * data[i, j]
                            bottom += w * p[i, j] ** 2
                f = top / bottom
        render_slopes(grid, oversample, dl, dc, p, pl, pc)
        render_stamp(grid, oversample, dl, dc, 2, 0, pll)
        render_stamp(grid, oversample, dl, dc, 0, 2, pcc)
        normal[:, :] = 0.0
        right[:] = 0.0
        chi2 = 0.0
        own_light = 0.0
        other_light = 0.0
        for i in range(n):
            for j in range(n):
                if base[i, j] == np.inf:
                    continue
                m = f * p[i, j]
                w = 1.0 / (base[i, j] + ratio[i, j] * max(m, 0.0))
                r = data[i, j] - m
                chi2 += w * r * r
                own_light += p[i, j] * m
                other_light += p[i, j] * neighbours[i, j]
                row[0] = p[i, j]
                row[1] = f * pl[i, j]
                row[2] = f * pc[i, j]
                # A little more round Gaussian width: half the Laplacian per px^2.
                row[3] = _PROBE_SCALE * f * (pll[i, j] + pcc[i, j])
                for a in range(4):
                    right[a] += w * row[a] * r
                    for b in range(a + 1):
                        normal[a, b] += w * row[a] * row[b]
        out[0] = f
        out[1] = dl
        out[2] = dc
        out[11] = other_light / own_light if own_light > 0.0 else np.inf
        out[12] = 1.0 if converged else 0.0
        out[7] = chi2 / (count - (3 if converged else 1))
        if converged and solve(normal, 3, inverse):
            out[3] = np.sqrt(inverse[0, 0])
            out[4] = np.sqrt(inverse[1, 1])
            out[5] = np.sqrt(inverse[2, 2])
            out[6] = inverse[1, 2]
            if solve(normal, 4, inverse):
                excess = 0.0
                for a in range(4):
                    excess += inverse[3, a] * right[a]
                out[9] = excess
                out[10] = np.sqrt(inverse[3, 3])
        else:
            out[3] = 1.0 / np.sqrt(normal[0, 0])
