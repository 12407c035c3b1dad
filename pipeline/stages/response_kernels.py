"""Compiled sums over all bins and columns of a night, in a row's order of memory.

The light of bin ``b`` on column ``c`` is ``sky[b] (1 + gradient[b] x[c]) + amount[b] h[c]``; what
a column makes of it is ``i[c] + f[c] light``. Bins are rows everywhere.
"""

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.stages.medians import select
from pipeline.stages.sums import dot

__all__ = ["Light", "curve_columns", "misfit", "spread", "sum_bins", "sum_columns", "weigh"]

_F = NDArray[np.float64]
_CELLS = 4096  # of the histogram that a median is looked for in
_SAMPLE = 16  # bins that say where the median will be


class Light(NamedTuple):
    """Light on bins and columns, and how columns see it.

    ``f, i, x, h`` of shape (n_columns,), ``sky, gradient, amount`` of shape (n_bins,).
    """

    f: _F
    i: _F
    x: _F
    h: _F
    sky: _F
    gradient: _F
    amount: _F


@njit(cache=True, error_model="numpy")
def _light(light: Light, b: int, out: np.ndarray) -> None:
    """Light of a bin on all columns."""
    sky, tilt, amount = light.sky[b], light.sky[b] * light.gradient[b], light.amount[b]
    x, h = light.x, light.h
    if amount == 0.0:
        for c in range(out.size):
            out[c] = sky + tilt * x[c]
    else:
        for c in range(out.size):
            out[c] = sky + tilt * x[c] + amount * h[c]


@njit(cache=True, error_model="numpy")
def weigh(
    values: np.ndarray,
    root: np.ndarray,
    light: Light,
    scale: float,
    huber: float,
    reject: float,
    weight: np.ndarray,
) -> None:
    """Weights of all values: Huber's for residuals over ``scale / root``, zero beyond `reject`.

    Parameters
    ----------
    values, root : ndarray of shape (n_bins, n_columns)
        Levels, and the roots of their weights before.
    light : Light
    scale, huber, reject : float
    weight : ndarray of shape (n_bins, n_columns)
        Overwritten.
    """
    f, i = light.f, light.i
    shone = np.empty(values.shape[1])
    for b in range(values.shape[0]):
        _light(light, b, shone)
        v, r, w = values[b], root[b], weight[b]
        for c in range(shone.size):
            size = abs((v[c] - i[c] - f[c] * shone[c]) * r[c]) / scale
            kept = huber / max(size, huber)
            w[c] = r[c] * r[c] * (0.0 if size > reject else kept)


@njit(cache=True, error_model="numpy")
def sum_bins(
    values: np.ndarray, weight: np.ndarray, off: np.ndarray, amount: np.ndarray, h: np.ndarray,
    patterns: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Normal equations of every bin for an amount of each pattern.

    Parameters
    ----------
    values, weight : ndarray of shape (n_bins, n_columns)
    off : ndarray of shape (n_columns,)
        Taken off all values first.
    amount, h : ndarray of shape (n_bins,) and (n_columns,)
        Their product is taken off as well.
    patterns : ndarray of shape (k, n_columns)

    Returns
    -------
    normal : ndarray of shape (n_bins, k, k)
    right : ndarray of shape (n_bins, k)
    """
    n, k = values.shape[0], patterns.shape[0]
    normal, right = np.zeros((n, k, k)), np.zeros((n, k))
    rest, weighted = np.empty(values.shape[1]), np.empty(values.shape[1])
    for b in range(n):
        v, w, a = values[b], weight[b], amount[b]
        for c in range(rest.size):
            rest[c] = v[c] - off[c] - a * h[c]
        for p in range(k):
            pattern = patterns[p]
            for c in range(rest.size):
                weighted[c] = w[c] * pattern[c]
            right[b, p] = dot(weighted, rest)
            for q in range(p + 1):
                normal[b, p, q] = dot(weighted, patterns[q])
                normal[b, q, p] = normal[b, p, q]
    return normal, right


@njit(cache=True, error_model="numpy")
def sum_columns(
    values: np.ndarray, weight: np.ndarray, light: Light, other: np.ndarray
) -> np.ndarray:
    """Sums of every column over the bins, for its straight line on the light.

    Parameters
    ----------
    values, weight : ndarray of shape (n_bins, n_columns)
    light : Light
    other : ndarray of shape (n_bins,) or (0,)
        Something else that the values may follow.

    Returns
    -------
    ndarray of shape (5 or 9, n_columns)
        Weighted sums of 1, light, light^2, value, value light; and of other, other light,
        other^2, other value.
    """
    n, m = values.shape
    sums = np.zeros((5 if other.size == 0 else 9, m))
    s0, s1, s2, s3, s4 = sums[0], sums[1], sums[2], sums[3], sums[4]
    shone = np.empty(m)
    for b in range(n):
        _light(light, b, shone)
        v, w = values[b], weight[b]
        for c in range(m):
            wl = w[c] * shone[c]
            s0[c] += w[c]
            s1[c] += wl
            s2[c] += wl * shone[c]
            s3[c] += w[c] * v[c]
            s4[c] += wl * v[c]
        if other.size > 0:
            a = other[b]
            s5, s6, s7, s8 = sums[5], sums[6], sums[7], sums[8]
            for c in range(m):
                wa = w[c] * a
                s5[c] += wa
                s6[c] += wa * shone[c]
                s7[c] += wa * a
                s8[c] += wa * v[c]
    return sums


@njit(cache=True, error_model="numpy")
def misfit(values: np.ndarray, weight: np.ndarray, light: Light) -> tuple[np.ndarray, np.ndarray]:
    """Weighted sum of squared residuals of every column, and its values of positive weight."""
    total, number = np.zeros(values.shape[1]), np.zeros(values.shape[1], np.int64)
    shone = np.empty(values.shape[1])
    f, i = light.f, light.i
    for b in range(values.shape[0]):
        _light(light, b, shone)
        v, w = values[b], weight[b]
        for c in range(shone.size):
            rest = v[c] - i[c] - f[c] * shone[c]
            total[c] += w[c] * rest * rest
            number[c] += w[c] > 0.0
    return total, number


@njit(cache=True, error_model="numpy")
def _sizes(
    values: np.ndarray, root: np.ndarray, use: np.ndarray, light: Light, step: int, out: np.ndarray
) -> None:
    """Residuals over their errors, without sign, of every ``step``-th bin; -1 where not used."""
    shone = np.empty(values.shape[1])
    f, i = light.f, light.i
    for k in range(out.shape[0]):
        b = k * step
        _light(light, b, shone)
        v, r, o = values[b], root[b], out[k]
        for c in range(shone.size):
            size = abs((v[c] - i[c] - f[c] * shone[c]) * r[c])
            o[c] = size if use[c] and r[c] > 0.0 else -1.0


@njit(cache=True, error_model="numpy")
def _count(sizes: np.ndarray, per_cell: float) -> np.ndarray:
    """Histogram of the values from zero; the last cell holds all beyond."""
    cells = np.zeros(_CELLS + 1, np.int64)
    for size in sizes.ravel():
        if size >= 0.0:
            cells[int(min(size * per_cell, float(_CELLS)))] += 1
    return cells


@njit(cache=True, error_model="numpy")
def _pick(sizes: np.ndarray, per_cell: float, first: int, last: int, out: np.ndarray) -> None:
    """Values of the cells ``first`` to ``last``."""
    n = 0
    for size in sizes.ravel():
        if size >= 0.0 and first <= int(min(size * per_cell, float(_CELLS))) <= last:
            out[n] = size
            n += 1


def spread(values: _F, root: _F, use: NDArray[np.bool_], light: Light) -> float:
    """Median of the residuals over their errors, without sign.

    Parameters
    ----------
    values, root : ndarray of shape (n_bins, n_columns)
        Levels and one over their errors, 0 where there is no level.
    use : ndarray of bool of shape (n_columns,)
    light : Light

    Returns
    -------
    float
        As ``numpy.median``; NaN where nothing is used.
    """
    step = max(len(values) // _SAMPLE, 1)
    some = np.empty((-(-len(values) // step), values.shape[1]))
    _sizes(values, root, use, light, step, some)
    some = some[some >= 0.0]
    guess = float(select(some, some.size))
    sizes = np.empty(values.shape)
    _sizes(values, root, use, light, 1, sizes)
    if guess > 0:
        # A histogram tells the narrow range that the median lies in.
        per_cell = _CELLS / (4.0 * guess)
        cells = np.cumsum(_count(sizes, per_cell))
        n = int(cells[-1])
        first, last = (int(np.searchsorted(cells, k, side="right")) for k in ((n - 1) // 2, n // 2))
        if last < _CELLS:
            before = int(cells[first - 1]) if first > 0 else 0
            near = np.empty(int(cells[last]) - before)
            _pick(sizes, per_cell, first, last, near)
            near.sort()
            return float(0.5 * (near[(n - 1) // 2 - before] + near[n // 2 - before]))
    kept = sizes[sizes >= 0.0]
    return float(select(kept, kept.size))


@njit(cache=True, error_model="numpy")
def curve_columns(
    values: np.ndarray,
    root: np.ndarray,
    light: Light,
    middle: float,
    top: float,
    rounds: int,
    huber: float,
    reject: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Curvature of every column on the light, with weights found on the way.

    Parameters
    ----------
    values, root : ndarray of shape (n_bins, n_columns)
        Levels and one over their errors.
    light : Light
        Straight lines that the values are near to.
    middle, top : float
        The square of ``(light - middle) / top`` is fitted. Beside a straight line the middle
        changes nothing but the digits that are left where the sky hardly varies.
    rounds : int
        Of weighting; the first has no robust weights.
    huber, reject : float
        See `weigh`.

    Returns
    -------
    coefficient, norm : ndarray of shape (n_columns,)
        Of the square, cleared of what a straight line takes; the latter is one over the
        coefficient's variance, 0 where nothing is known.
    """
    n, m = values.shape
    f, i = light.f, light.i
    shone, square, rest = np.empty(m), np.empty(m), np.empty(m)
    coefficient, norm = np.zeros(m), np.zeros(m)
    # What a straight line takes of square and residual: constant and slope.
    lines = np.zeros((4, m))
    weight = np.empty(m)
    zero = middle / top
    for turn in range(rounds):
        sums = np.zeros((7, m))
        cross, new_norm = np.zeros(m), np.zeros(m)
        new_lines = np.zeros((4, m))
        for stage in range(2):
            for b in range(n):
                _light(light, b, shone)
                v, r = values[b], root[b]
                for c in range(m):
                    rest[c] = v[c] - i[c] - f[c] * shone[c] if r[c] > 0.0 else 0.0
                    shone[c] = (shone[c] - middle) / top
                    square[c] = shone[c] ** 2
                    weight[c] = r[c] * r[c]
                if turn > 0:
                    for c in range(m):
                        l = shone[c]
                        curve = square[c] - lines[0, c] - l * lines[1, c]
                        left = rest[c] - lines[2, c] - l * lines[3, c]
                        size = abs((left - coefficient[c] * curve) * r[c])
                        weight[c] *= 0.0 if size > reject else huber / max(size, huber)
                if stage == 0:
                    for c in range(m):
                        l, w = shone[c], weight[c]
                        wl = w * l
                        sums[0, c] += w
                        sums[1, c] += wl
                        sums[2, c] += wl * l
                        sums[3, c] += w * square[c]
                        sums[4, c] += wl * square[c]
                        sums[5, c] += w * rest[c]
                        sums[6, c] += wl * rest[c]
                else:
                    for c in range(m):
                        l, w = shone[c], weight[c]
                        curve = square[c] - new_lines[0, c] - l * new_lines[1, c]
                        left = rest[c] - new_lines[2, c] - l * new_lines[3, c]
                        new_norm[c] += w * curve * curve
                        cross[c] += w * curve * left
            if stage == 0:
                for c in range(m):
                    s0, s1, s2 = sums[0, c], sums[1, c], sums[2, c]
                    determinant = s0 * s2 - s1 * s1
                    from_zero = s2 + zero * (2.0 * s1 + zero * s0)
                    if determinant > 1e-12 * s0 * from_zero:
                        for k in range(2):
                            q0, q1 = sums[3 + 2 * k, c], sums[4 + 2 * k, c]
                            new_lines[2 * k, c] = (s2 * q0 - s1 * q1) / determinant
                            new_lines[2 * k + 1, c] = (s0 * q1 - s1 * q0) / determinant
        lines[:] = new_lines
        for c in range(m):
            norm[c] = new_norm[c]
            coefficient[c] = cross[c] / norm[c] if norm[c] > 0.0 else 0.0
    return coefficient, norm
