"""Fits of single bright stars: flux, position, background, width and covariance."""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.stages.psf_kernels import solve
from pipeline.stages.psf_nodes import WIDTH_STEP
from pipeline.stages.psf_star_kernels import (
    blend_columns,
    draw_star,
    sum_widths,
    weigh_widths,
)
from pipeline.stages.psf_star_nodes import N_WIDTHS, StarNodes
from pipeline.stages.spline_kernels import REACH
from pipeline.stages.sums import dot

__all__ = ["N_PARAMETERS", "StarFits", "StarNoise", "fit_stars"]

# flux, line, column, background, ln(FWHM), q_ll, q_lc, q_cc
N_PARAMETERS = 8
_DONE = -1
_SETTLED = 1e-6  # gain in chi-square of a step that is not worth taking
_SMALL = 1e-2  # gain that shows that the end is near

FloatArray = NDArray[np.float64]


class StarFits(NamedTuple):
    """Values and covariances of the parameters, reduced chi-square, models (electrons).

    A star whose fit failed has a chi-square of NaN. Models, where wanted, are 0 beyond the radius.
    """

    values: FloatArray
    covariances: FloatArray
    chi2: FloatArray
    lights: FloatArray


class StarNoise(NamedTuple):
    """Variance of a star's own light.

    ``photon`` is the variance per electron; 0 when the given variances hold it already. A part
    ``model_error`` of the model's light is added in quadrature, so that the brightest stars,
    limited by the form of the model, do not decide alone.
    """

    photon: float
    model_error: float


def fit_stars(
    stamps: NDArray[np.float32],
    variances: NDArray[np.float32],
    which: NDArray[np.int64],
    start: FloatArray,
    free: tuple[int, ...],
    nodes: StarNodes,
    columns: FloatArray,
    *,
    radius: float,
    noise: StarNoise,
    max_iterations: int,
    keep_lights: bool = False,
) -> StarFits:
    """Fit stamps, each on its own.

    Parameters
    ----------
    stamps, variances : ndarray of float32 of shape (n, size, size)
        Electrons above the sky and their background variance, infinite for bad pixels.
    which : ndarray of int64 of shape (k,)
        Stars to fit.
    start : ndarray of shape (n, 8)
        First guesses.
    free : tuple of int
        Parameters to fit.
    nodes : StarNodes
        Made for stamps of this size or of the radius; filled as needed.
    columns : ndarray of shape (n,)
        Where the stars stand on the chip.
    radius : float
        What lies further than this from the central pixel is neither fitted nor modelled, px.
    noise : StarNoise
    max_iterations : int
        Newton steps.
    keep_lights : bool
        Whether the models are wanted.

    Returns
    -------
    StarFits
        Of the stars ``which``.
    """
    k = which.size
    first_column, column_weights = nodes.model.column_stencil(columns[which])
    values = np.empty((k, N_PARAMETERS))
    covariances = np.full((k, N_PARAMETERS, N_PARAMETERS), np.nan)
    chi2 = np.empty(k)
    count = np.empty(k)
    lights = np.zeros((k if keep_lights else 0, *stamps.shape[1:]))
    wanted = np.clip(
        np.floor(start[which, 4] / WIDTH_STEP).astype(np.int64) - 1 - nodes.low,
        0, nodes.have.shape[0] - N_WIDTHS,
    )  # fmt: skip
    # Neighbours on the chip share nodes: one after the other they find them in the cache.
    todo = np.argsort(first_column, kind="stable")
    while todo.size:
        nodes.fill(wanted[todo], first_column[todo])
        _fit(
            stamps, variances, which, todo, start, np.asarray(free, dtype=np.int64), nodes.grids,
            nodes.have, nodes.low, WIDTH_STEP, first_column, column_weights, nodes.half_size,
            nodes.model.oversample, radius, noise.photon, noise.model_error, max_iterations,
            values, covariances, chi2, count, lights, wanted,
        )  # fmt: skip
        # A star that came to widths not made yet begins again when they are.
        todo = todo[wanted[todo] != _DONE]
    return StarFits(values, covariances, chi2 / np.maximum(count - len(free), 1), lights)


@njit(cache=True)
def _has_nodes(have: np.ndarray, width: int, column: int, n_columns: int) -> bool:
    for a in range(N_WIDTHS):
        for b in range(n_columns):
            if not have[width + a, column + b]:
                return False
    return True


@njit(cache=True)
def _limit(parameter: int, flux: float) -> float:
    """Longest step of a parameter."""
    if 1 <= parameter <= 2:
        return 0.5
    if parameter == 4:
        return 0.2
    if parameter == 0:
        return 0.7 * abs(flux)
    return np.inf


@njit(cache=True)
def _take_pixels(
    stamp: np.ndarray,
    variance: np.ndarray,
    radius: float,
    h: int,
    data: np.ndarray,
    background: np.ndarray,
) -> int:
    """Good pixels within the radius, the others without weight; how many are good."""
    off = stamp.shape[0] // 2 - h
    size = 2 * h + 1
    count = 0
    for i in range(size):
        for j in range(size):
            v = variance[off + i, off + j]
            good = (i - h) ** 2 + (j - h) ** 2 <= radius * radius and np.isfinite(v)
            data[i * size + j] = stamp[off + i, off + j] if good else 0.0
            background[i * size + j] = v if good else np.inf
            count += good
    return count


# Division by zero gives infinity, as in numpy: a check for it would stop the vectors.
@njit(cache=True, error_model="numpy")
def _fit(
    stamps: np.ndarray,
    variances: np.ndarray,
    which: np.ndarray,
    todo: np.ndarray,
    start: np.ndarray,
    free: np.ndarray,
    nodes: np.ndarray,
    have: np.ndarray,
    low: int,
    width_step: float,
    first_column: np.ndarray,
    column_weights: np.ndarray,
    half_size: int,
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
    wanted: np.ndarray,
) -> None:
    """Fit the stars ``todo`` of ``which``; ``low`` is the number of the first node of width.

    ``wanted`` says which nodes a star lacks, or that it is done.
    """
    h = min(half_size, stamps.shape[1] // 2, int(np.floor(radius)))
    size = 2 * h + 1
    n = size * size
    off = stamps.shape[1] // 2 - h
    k = free.size
    grid = np.empty((nodes.shape[2], nodes.shape[3]))
    rise = np.empty((nodes.shape[2], nodes.shape[3]))
    columns = np.empty((N_WIDTHS, nodes.shape[2], nodes.shape[3]))
    p = np.zeros(n)
    d = np.zeros((N_PARAMETERS, n))
    jacobian = np.empty((k, n))
    data, background, weight, rest, weighted = (
        np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    )  # fmt: skip
    ww, ws = np.empty(4), np.empty(4)
    normal, inverse = np.zeros((k, k)), np.zeros((k, k))
    right, step = np.zeros(k), np.zeros(k)
    need_width = False
    need_shape = False
    for a in range(k):
        need_width = need_width or free[a] == 4
        need_shape = need_shape or free[a] > 4
    near = column_weights.shape[1]
    for t in range(todo.size):
        s = todo[t]
        star = which[s]
        v = start[star].copy()
        f = v[0]
        count = _take_pixels(stamps[star], variances[star], radius, h, data, background)
        with_shape = need_shape or v[5] != 0.0 or v[6] != 0.0 or v[7] != 0.0
        ok = False
        wanted[s] = _DONE
        chi2[s] = np.nan
        n_pixels[s] = count
        p[:] = 0.0
        before = np.inf
        blended = -1  # width node whose neighbours ``columns`` holds: none yet
        for iteration in range(max_iterations):
            x = v[4] / width_step
            base = int(np.floor(x)) - low
            if base - 1 < 0 or base + 2 >= nodes.shape[0]:
                break
            if need_width or iteration == 0:
                if base != blended:
                    if not _has_nodes(have, base - 1, first_column[s], near):
                        wanted[s] = base - 1
                        break
                    # The column stays as it is, and the width mostly between the same nodes.
                    for a in range(N_WIDTHS):
                        blend_columns(
                            nodes[base - 1 + a, first_column[s] : first_column[s] + near],
                            column_weights[s],
                            columns[a],
                        )
                    blended = base
                weigh_widths(x - low - base, ww, ws)
                ws /= width_step
                first, stop = 0, grid.shape[0]
                if need_width:
                    # Only lines that the stamp meets where the star is now.
                    at = grid.shape[0] // 2 + oversample * (-h - v[1])
                    first = int(np.floor(at)) - 2
                    stop = first + oversample * (size - 1) + 6
                sum_widths(columns, ww, ws, first, stop, grid, rise)
            draw_star(grid, rise, oversample, v[1], v[2], need_width, with_shape, p, d)
            if with_shape:
                for i in range(n):
                    p[i] += v[5] * d[5, i] + v[6] * d[6, i] + v[7] * d[7, i]
            f = v[0]
            sky = v[3]
            for i in range(n):
                light = f * p[i]
                rest[i] = data[i] - light - sky
                light = max(light, 0.0)
                weight[i] = 1.0 / (background[i] + photon * light + (model_error * light) ** 2)
            for a in range(k):
                if free[a] == 0:
                    jacobian[a] = p
                elif free[a] == 3:
                    jacobian[a] = 1.0
                else:
                    for i in range(n):
                        jacobian[a, i] = f * d[free[a], i]
            for i in range(n):
                weighted[i] = weight[i] * rest[i]
            chi2[s] = dot(weighted, rest)
            for a in range(k):
                right[a] = dot(weighted, jacobian[a])
            for a in range(k):
                for i in range(n):
                    weighted[i] = weight[i] * jacobian[a, i]
                for b in range(a + 1):
                    normal[a, b] = dot(weighted, jacobian[b])
            if count <= k or not solve(normal, k, inverse):
                break
            gain = 0.0
            for a in range(k):
                step[a] = 0.0
                for b in range(k):
                    step[a] += inverse[a, b] * right[b]
                gain += step[a] * right[a]
            if iteration > 0 and gain < _SETTLED:
                ok = True
                break
            scale = 1.0
            for a in range(k):
                limit = _limit(free[a], v[0])
                if abs(step[a]) > limit:
                    scale = min(scale, limit / abs(step[a]))
            for a in range(k):
                v[free[a]] += scale * step[a]
            # Steps near the end shrink by a constant factor: what the next would gain is known.
            ok = iteration > 0 and scale == 1.0 and gain * gain < _SETTLED * min(before, _SMALL)
            before = gain
            if abs(v[1]) > REACH or abs(v[2]) > REACH or v[0] <= 0.0:
                ok = False
                break
            if ok:
                break
        if wanted[s] != _DONE:
            continue
        values[s] = v
        if lights.shape[0] > 0:
            for i in range(size):
                for j in range(size):
                    lights[s, off + i, off + j] = max(f * p[i * size + j], 0.0)
        if not ok:
            chi2[s] = np.nan
            continue
        for a in range(k):
            for b in range(k):
                covariances[s, free[a], free[b]] = inverse[a, b]
