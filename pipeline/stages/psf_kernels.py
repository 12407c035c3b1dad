"""Compiled loops of point-spread photometry: add models to an image, fit one pass of sources."""

import numpy as np
from numba import njit

from pipeline.stages.psf_sums import final_sums, flux_sums, newton_sums
from pipeline.stages.spline_kernels import REACH
from pipeline.stages.stamp_kernels import (
    begin_run,
    blend_place,
    draw_slopes,
    draw_stamp,
    part_side,
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
_ROUNDING = 1e-6  # of sums of single precision


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
    d_column`` the rest; ``half`` is the half size of each stamp. Quick where sources that follow
    each other share their nodes and half sizes.
    """
    n_lines, n_columns = total.shape
    n_width, n_column = width_weights.shape[1], column_weights.shape[1]
    size = side = h = end = 0
    near = np.empty((0, 0), nodes.dtype)
    parts = np.empty(1, nodes.dtype)
    stamp = np.empty(1, nodes.dtype)
    for place in range(which.size):
        s = which[place]
        if place == end:
            end, near, parts = begin_run(
                which, place, half, nodes, first_width, n_width, first_column, n_column, oversample
            )
            h = half[s]
            size, side = 2 * h + 1, part_side(h, oversample)
            stamp = np.empty(size * side, nodes.dtype)
        if h <= 0 or flux[s] == 0.0:
            continue
        blend_place(
            near, nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], h,
            oversample, parts,
        )  # fmt: skip
        draw_stamp(parts, h, oversample, d_line[s], d_column[s], stamp)
        f = np.float32(flux[s])
        left = column[s] - h
        low, high = max(-left, 0), min(n_columns - left, size)
        for i in range(size):
            l = line[s] + i - h
            if l < 0 or l >= n_lines:
                continue
            # Slices: an index that may be negative keeps a loop from running in vectors.
            row = total[l, left + low : left + high]
            light = stamp[i * side + low : i * side + high]
            for j in range(high - low):
                row[j] += f * light[j]


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
            to, of = target[l, low:high], source[l, low:high]
            for j in range(high - low):
                to[j] = of[j]


@njit(cache=True)
def solve(a: np.ndarray, n: int, inverse: np.ndarray, least: float = 1e-12) -> bool:
    """Inverse of the leading n x n block of a symmetric positive matrix, by Cholesky.

    False where a parameter is determined to less than the share ``least`` of what it would be
    without the others: that much is rounding.
    """
    low = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            s = a[i, j]
            for k in range(j):
                s -= low[i, k] * low[j, k]
            if i == j:
                if s <= least * abs(a[i, i]) or not np.isfinite(s):
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
    nodes: np.ndarray,
    first_width: np.ndarray,
    width_weights: np.ndarray,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    oversample: int,
    radius: np.ndarray,
    max_shift: float,
    max_iterations: int,
    tolerance: float,
    table: np.ndarray,
) -> None:
    """Fit flux and position of each source in ``todo`` with its neighbours held fixed.

    ``total`` is the sum of all models at ``flux, d_line, d_column``, each drawn at least as far as
    it is fitted; each source sees the image less ``total`` plus its own part of it. ``start`` of
    shape (n, 2) holds the detected positions, from which a fit may move by ``max_shift``;
    ``radius`` of shape (n,) is that of the pixels fitted. Weights come from the models, never from
    the data. Pixels are of single precision: rounding is far below the noise of any light that
    they can hold.
    ``table`` of shape (n, len(COLUMNS)) receives the results of the sources in ``todo``.
    """
    n_lines, n_columns = image.shape
    single = np.float32
    nothing = single(0.0)
    n_width, n_column = width_weights.shape[1], column_weights.shape[1]
    n = side = h = end = 0
    near = np.empty((0, 0), nodes.dtype)
    parts = np.empty(1, nodes.dtype)
    pixels = np.empty((4, 1), np.float32)
    light = np.empty((5, 1), np.float32)
    normal = np.zeros((4, 4))
    right = np.zeros(4)
    inverse = np.zeros((4, 4))
    size = np.ceil(radius).astype(np.int64)
    for place in range(todo.size):
        s = todo[place]
        if place == end:
            end, near, parts = begin_run(
                todo, place, size, nodes, first_width, n_width, first_column, n_column, oversample
            )
            h = size[s]
            n, side = 2 * h + 1, part_side(h, oversample)
            pixels = np.empty((4, n * side), np.float32)
            light = np.empty((5, n * side), np.float32)
        data, base, ratio, neighbours = pixels[0], pixels[1], pixels[2], pixels[3]
        blend_place(
            near, nodes, first_width[s], width_weights[s], first_column[s], column_weights[s], h,
            oversample, parts,
        )  # fmt: skip
        dl, dc, f = d_line[s], d_column[s], flux[s]
        draw_stamp(parts, h, oversample, dl, dc, light[0])
        bits = 0
        edge = False
        count = 0
        seen = 0.0
        own_flux = single(f)
        left = column[s] - h
        pixels[:] = 0.0
        base[:] = np.inf
        for i in range(n):
            l = line[s] + i - h
            wide = int(np.sqrt(max(radius[s] ** 2 - (i - h) ** 2, 0.0)))
            low, high = max(h - wide, -left), min(h + wide + 1, n_columns - left)
            if l < 0 or l >= n_lines or high - low < 2 * wide + 1:
                edge = True
                if l < 0 or l >= n_lines:
                    continue
            first, last = i * side + low, i * side + high
            of_data, of_base, of_ratio = data[first:last], base[first:last], ratio[first:last]
            others, own = neighbours[first:last], light[0, first:last]
            there = slice(left + low, left + high)
            all_light, masked, divided = total[l, there], mask[l, there], photon[there]
            pixel, noise = image[l, there], variance[l, there]
            for j in range(high - low):
                others[j] = all_light[j] - own_flux * own[j]
                of_data[j] = pixel[j] - others[j]
                of_base[j] = noise[j] + divided[j] * max(others[j], nothing)
                of_ratio[j] = divided[j]
            for j in range(high - low):
                if masked[j] != 0:
                    bits |= masked[j]
                    of_data[j], of_base[j], of_ratio[j] = nothing, np.inf, nothing
                    continue
                count += 1
                seen += own[j]
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
            draw_slopes(parts, h, oversample, dl, dc, 2, light)
            newton_sums(data, base, ratio, light[0], light[1], light[2], single(f), normal, right)
            if f <= 0.0 or not solve(normal, 3, inverse, _ROUNDING):
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
            draw_stamp(parts, h, oversample, dl, dc, light[0])
            for _ in range(4):
                f = flux_sums(data, base, ratio, light[0], single(f))
        draw_slopes(parts, h, oversample, dl, dc, 4, light)
        chi2, own_light, other_light = final_sums(
            data, base, ratio, neighbours, light, single(f), normal, right
        )
        out[0] = f
        out[1] = dl
        out[2] = dc
        out[11] = other_light / own_light if own_light > 0.0 else np.inf
        out[12] = 1.0 if converged else 0.0
        out[7] = chi2 / (count - (3 if converged else 1))
        if converged and solve(normal, 3, inverse, _ROUNDING):
            out[3] = np.sqrt(inverse[0, 0])
            out[4] = np.sqrt(inverse[1, 1])
            out[5] = np.sqrt(inverse[2, 2])
            out[6] = inverse[1, 2]
            if solve(normal, 4, inverse, _ROUNDING):
                excess = 0.0
                for a in range(4):
                    excess += inverse[3, a] * right[a]
                out[9] = excess
                out[10] = np.sqrt(inverse[3, 3])
        else:
            out[3] = 1.0 / np.sqrt(normal[0, 0])
