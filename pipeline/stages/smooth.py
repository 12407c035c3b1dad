"""Robust smooth curve through scattered values along the scan, with errors.

A cubic B-spline with evenly spaced knots and a penalty on its bending whose strength the data
choose (restricted maximum likelihood, as for a mixed model; Ruppert, Wand & Carroll 2003,
Semiparametric Regression, from memory). The error of the curve is that of its coefficients given
penalty and noise (Wahba 1983, J. R. Stat. Soc. B 45, 133, from memory).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import BSpline
from scipy.linalg import eigh
from scipy.sparse import csr_array, dia_array

from pipeline.constants import SIGMA_PER_MAD

__all__ = ["SmoothCurve", "fit_smooth_curve"]

FloatArray = NDArray[np.float64]

# Tukey's biweight is zero beyond this many standard deviations: 99 % efficient for normal noise.
_BIWEIGHT = 6.5
_DEGREE = 3
_ROUNDS = 12
_MIN_FOR_SPLINE = 6


@dataclass(frozen=True, eq=False)
class SmoothCurve:
    """A curve over ``[start, stop]``, constant outside.

    Attributes
    ----------
    start, stop : float
        Range of the argument.
    coefficients : ndarray of shape (m,)
        Of the B-spline; a single one is a constant.
    covariance : ndarray of shape (m, m)
    floor : float
        Scatter of the points beyond their own errors.
    rms : float
        Robust scatter of the points about the curve.
    used : ndarray of bool, shape (n,)
        Points that are not outliers.
    """

    start: float
    stop: float
    coefficients: FloatArray
    covariance: FloatArray
    floor: float
    rms: float
    used: NDArray[np.bool_]

    def value(self, x: ArrayLike) -> FloatArray:
        """Curve at ``x``."""
        x = np.asarray(x, dtype=float)
        knots, weights = self._local(x.ravel())
        return np.asarray(np.sum(weights * self.coefficients[knots], axis=1)).reshape(x.shape)

    def error(self, x: ArrayLike) -> FloatArray:
        """Standard error of the curve at ``x``."""
        x = np.asarray(x, dtype=float)
        k, w = self._local(x.ravel())
        variance = np.zeros(k.shape[0])
        for a in range(k.shape[1]):
            for b in range(k.shape[1]):
                variance += w[:, a] * w[:, b] * self.covariance[k[:, a], k[:, b]]
        return np.sqrt(variance).reshape(x.shape)

    def _local(self, x: FloatArray) -> tuple[NDArray[np.int64], FloatArray]:
        """Coefficients that bear on each point, and their weights: four of them, or the one."""
        m = self.coefficients.size
        if m == 1:
            return np.zeros((x.size, 1), dtype=np.int64), np.ones((x.size, 1))
        design = _design(x, self.start, self.stop, m)
        shape = (x.size, _DEGREE + 1)
        return design.indices.reshape(shape), design.data.reshape(shape)


def _design(x: FloatArray, start: float, stop: float, m: int) -> Any:
    """Sparse B-spline matrix, four values a row."""
    step = (stop - start) / (m - _DEGREE)
    knots = start + step * np.arange(-_DEGREE, m + 1)
    # The last knots must hold `stop` in spite of rounding.
    return BSpline.design_matrix(np.clip(x, start, min(stop, knots[m])), knots, _DEGREE)


def _basis(x: FloatArray, start: float, stop: float, m: int) -> Any:
    """As `_design`: of a long strip, all its zeros would be hundreds of megabytes."""
    return csr_array(np.ones((x.size, 1))) if m == 1 else csr_array(_design(x, start, stop, m))


def fit_smooth_curve(
    x: ArrayLike,
    y: ArrayLike,
    err: ArrayLike,
    *,
    start: float,
    stop: float,
    min_knot_spacing: float,
) -> SmoothCurve:
    """Fit a curve.

    Parameters
    ----------
    x, y, err : array_like of shape (n,)
        Points and their standard errors; points that are not finite, or whose error is not
        positive, are ignored.
    start, stop : float
        Range of the curve.
    min_knot_spacing : float
        The knots are at least this far apart (one interval if the range is shorter).

    Returns
    -------
    SmoothCurve
        A constant when there are fewer than six points.

    Raises
    ------
    ValueError
        There is no usable point, or the range is empty.
    """
    x, y, err = (np.asarray(a, dtype=float) for a in (x, y, err))
    if not x.shape == y.shape == err.shape or x.ndim != 1:
        raise ValueError("x, y, err: must be one-dimensional and of one shape")
    if not stop > start:
        raise ValueError(f"stop: must be above start {start}, got {stop}")
    if not min_knot_spacing > 0:
        raise ValueError(f"min_knot_spacing: must be positive, got {min_knot_spacing}")
    usable = np.isfinite(x) & np.isfinite(y) & np.isfinite(err) & (err > 0)
    if not np.any(usable):
        raise ValueError("x, y, err: no usable point to fit a curve to")
    xs, ys, es = x[usable], y[usable], err[usable]
    distinct = np.unique(xs).size
    intervals = max(1, int((stop - start) / min_knot_spacing))
    m = intervals + _DEGREE if distinct >= _MIN_FOR_SPLINE else 1
    basis = _basis(xs, start, stop, m)
    residual = ys - _local_median(xs, ys, start, stop, intervals if m > 1 else 1)
    floor = 0.0
    coefficients, inverse, scale = np.zeros(m), np.eye(m), 1.0
    weight = np.ones(xs.size)
    for _ in range(_ROUNDS):
        floor = _excess_scatter(residual, es)
        total = np.hypot(es, floor)
        weight = np.clip(1.0 - (residual / (_BIWEIGHT * total)) ** 2, 0.0, None) ** 2
        if np.count_nonzero(weight) < min(xs.size, 2):
            weight = np.ones(xs.size)
        # Splines reproduce constants; without the mean no digits are lost in sums of squares.
        mean = float(np.average(ys, weights=weight / total**2))
        new, inverse, scale = _solve(basis, ys - mean, weight / total**2)
        new = new + mean
        moved = float(np.max(np.abs(basis @ (new - coefficients)) / total))
        coefficients = new
        residual = ys - basis @ coefficients
        if moved < 1e-3:
            break
    used = np.zeros(x.size, dtype=bool)
    used[usable] = weight > 0
    rms = SIGMA_PER_MAD * float(np.median(np.abs(residual))) if xs.size > 1 else 0.0
    return SmoothCurve(
        start=float(start),
        stop=float(stop),
        coefficients=coefficients,
        covariance=inverse * max(scale, 1.0),
        floor=floor,
        rms=rms,
        used=used,
    )


def _local_median(
    x: FloatArray, y: FloatArray, start: float, stop: float, intervals: int
) -> FloatArray:
    """Median of the interval each point lies in: a start that outliers do not pull."""
    bins = np.clip((x - start) / (stop - start) * intervals, 0, intervals - 1).astype(np.int64)
    order = np.argsort(bins, kind="stable")
    out = np.empty_like(y)
    for part in np.split(order, np.flatnonzero(np.diff(bins[order])) + 1):
        # A median of one or two points would leave no residual to judge them by.
        out[part] = np.median(y[part]) if part.size > 2 else np.median(y)
    return out


def _excess_scatter(residual: FloatArray, err: FloatArray) -> float:
    """Scatter to add to the errors so that the robust width of residual/error is one.

    A point's residual over its error is below that of a median when the square of the scatter is
    above ``(SIGMA_PER_MAD residual)^2 - err^2``: the median of these is the one that is looked for.
    """
    # A handful of points tells nothing about their scatter beyond their errors.
    if residual.size < _MIN_FOR_SPLINE:
        return 0.0
    square = float(np.median((SIGMA_PER_MAD * residual) ** 2 - err**2))
    return float(np.sqrt(max(square, 0.0)))


def _solve(basis: Any, y: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Penalised least squares: coefficients, inverse of the penalised normal matrix, scale^2."""
    m = basis.shape[1]
    normal = (basis.T @ (dia_array((weight[None], [0]), shape=(y.size, y.size)) @ basis)).toarray()
    right = basis.T @ (weight * y)
    square = float(np.sum(weight * y**2))
    if m == 1:
        n = np.count_nonzero(weight)
        inverse = 1.0 / normal
        c = inverse @ right
        rss = square - float(c @ right)
        return c, inverse, rss / (n - 1) if n > _MIN_FOR_SPLINE else 1.0
    difference = np.diff(np.eye(m), n=2, axis=0)
    penalty = difference.T @ difference
    penalty *= np.trace(normal) / np.trace(penalty)
    # In the eigenvectors of both matrices every strength of the penalty is a scalar problem.
    g, u = eigh(normal, normal + penalty)
    g = np.clip(g, 0.0, 1.0)
    g[-2:] = 1.0  # straight lines are not penalised
    z = (u.T @ right) ** 2
    n_eff = max(int(np.count_nonzero(weight)) - 2, 1)

    grid = np.linspace(np.log(1e-8), np.log(1e8), 129)
    d = g + np.exp(grid)[:, None] * (1.0 - g)
    scales = np.maximum(square - np.sum(z / d, axis=1), 1e-12 * square) / n_eff
    values = n_eff * np.log(scales) + np.sum(np.log(d), axis=1) - (m - 2) * grid
    best = int(np.argmin(values))
    scale, d = float(scales[best]), d[best]
    inverse = (u / d) @ u.T
    return inverse @ right, inverse, scale
