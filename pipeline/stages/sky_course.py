"""The course of the sky along a strip: what all columns share, from the means of bins of lines."""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_solve_banded, cholesky_banded

__all__ = ["SkyCourse", "fit_course"]

_F = NDArray[np.float64]
_I = NDArray[np.int64]

_DEGREE = 4  # of the collected charge's spline: the light itself is a cubic one
# Knots no closer than this, px: bins of 256 lines show nothing finer. No wider than a bin.
_FINEST, _WIDEST = 64.0, 256.0
# Differences of this order from knot to knot are normally distributed, with a standard deviation
# of this many typical errors, as a power of two.
_ORDERS = (2, 3)
_ROUGHNESS = tuple(range(-10, 21))
# Rows that hold something before line 0, by a clock or a shutter that is late, hold about this
# share of the sky; nothing, as it should be, if the means do not speak for it.
_HELD = (1e-6, 0.1)
_HELD_ODDS = 1e-4  # before the means are heard
# Errors may be too small by no more than this, for what stars and overscan add: a lively sky must
# not pass as noise.
_TOO_SMALL = 3.0
_ERRORS = 4  # places within a bin at which the error is worked out


@dataclass(frozen=True)
class SkyCourse:
    """Light that falls on a pixel, line by line, and what lines hold of it when they are read.

    Line `l` collects the light of the `n_stage` line periods before it is read, so the course is
    smoother than the light. The light is a cubic spline of equally spaced knots.

    Parameters
    ----------
    step : float
        Lines between knots.
    light : ndarray of shape (n_knots + 3,)
        Coefficients of the spline: electrons collected in `n_stage` lines of such light.
    held : float
        Electrons that the rows already held when line 0 left the register.
    n_stage : int
        Rows that integrate.
    """

    step: float
    light: _F
    held: float
    n_stage: int

    def evaluate(self, lines: _F) -> _F:
        """Sky as it stands in the lines, the ramp's share included.

        Parameters
        ----------
        lines : ndarray of shape (n,)
            Global lines.

        Returns
        -------
        ndarray of float64 of shape (n,)
            Electrons; each line's value depends on no other line asked for.
        """
        collected, inside = self._collect(lines)
        return collected / self.n_stage + np.where(inside, self.held, 0.0)

    def evaluate_full(self, lines: _F) -> _F:
        """Sky of a full integration: in the ramp that of the rows that have collected.

        Parameters
        ----------
        lines : ndarray of shape (n,)
            Global lines; line 0 counts as if it had collected a single one.

        Returns
        -------
        ndarray of float64 of shape (n,)
            Electrons.
        """
        at = np.maximum(lines, 1.0)
        return self._collect(at)[0] / np.minimum(at, self.n_stage)

    def _collect(self, lines: _F) -> tuple[_F, NDArray[np.bool_]]:
        sums = np.concatenate([[0.0], self.step * np.cumsum(self.light)])
        charge = BSpline(_knots(self.step, len(self.light)), sums, _DEGREE)
        begin = np.maximum(lines - self.n_stage, 0.0)
        return charge(lines) - charge(begin), lines < self.n_stage


def _knots(step: float, n_light: int) -> _F:
    return step * np.arange(-_DEGREE, n_light + 2, dtype=np.float64)


def _design(lines: _F, step: float, n_light: int, n_stage: int) -> tuple[_F, _I]:
    """Rows of the mean over each bin's places as functions of the unknowns.

    Unknown 0 is the charge held at the start, the others are the light's coefficients. A row
    holds nothing outside a window of unknowns; windows begin where the second array says.
    """
    n_bins, n_nodes = lines.shape
    knots = _knots(step, n_light)
    end = lines.ravel()
    begin = np.maximum(end - n_stage, 0.0)
    size = _DEGREE + 1
    parts, index = [], []
    for x, sign in ((end, 1.0), (begin, -1.0)):
        matrix = BSpline.design_matrix(x, knots, _DEGREE)
        parts.append(sign * matrix.data.reshape(n_bins, n_nodes * size))
        index.append(matrix.indices.reshape(n_bins, n_nodes * size).astype(np.int64))
    start = index[1].min(axis=1)
    width = int((index[0].max(axis=1) - start).max()) + 1
    rows = np.zeros((n_bins, width))
    for part, place in zip(parts, index, strict=True):
        np.add.at(rows, (np.arange(n_bins)[:, None], place - start[:, None]), part)
    rows /= n_nodes * n_stage
    # A sum of light is the difference of two sums from the start: later coefficients add up.
    rows = step * (np.cumsum(rows[:, ::-1], axis=1)[:, ::-1])
    # Now rows[:, 0] is the sum over the whole window, zero: its place takes the held charge,
    # whose lines, those of the ramp, all have windows that begin at the first unknown.
    rows[:, 0] = np.where(start == 0, (lines < n_stage).mean(axis=1), 0.0)
    # Windows that would run past the last unknown begin earlier.
    over = np.maximum(start + width - (n_light + 1), 0)
    for b in np.flatnonzero(over):
        rows[b] = np.concatenate([np.zeros(over[b]), rows[b, : width - over[b]]])
    return rows, start - over


def _normal_band(rows: _F, start: _I, weight: _F, size: int) -> _F:
    """Lower band of the normal matrix."""
    width = rows.shape[1]
    band = np.zeros((width, size))
    for d in range(width):
        terms = weight[:, None] * rows[:, : width - d] * rows[:, d:]
        np.add.at(band[d], start[:, None] + np.arange(width - d)[None, :], terms)
    return band


def _difference_band(order: int, size: int, width: int) -> _F:
    """Lower band of D'D, D the differences of the light's coefficients of an order."""
    stencil = np.array([1.0])
    for _ in range(order):
        stencil = np.convolve(stencil, [-1.0, 1.0])
    band = np.zeros((width, size))
    for first in range(order + 1):
        for second in range(first + 1):
            places = slice(1 + second, size - order + second)
            band[first - second, places] += stencil[first] * stencil[second]
    return band


def _log_volume(order: int, size: int) -> float:
    """Logarithm of the determinant of D D', D the differences of an order of `size` numbers.

    It is that of the Gram matrix of the binomials of lower order, which D annuls.
    """
    x = np.arange(size, dtype=np.float64)
    binomials = np.ones((size, order))
    for i in range(1, order):
        binomials[:, i] = binomials[:, i - 1] * (x - i + 1) / i
    return float(2.0 * np.log(np.abs(np.diag(np.linalg.qr(binomials, mode="r")))).sum())


@njit(cache=True)
def _invert_band(factor: np.ndarray) -> np.ndarray:
    """Band of the inverse of L L', from the lower band of L (Takahashi's recurrence)."""
    width, size = factor.shape
    inverse = np.zeros((width, size))
    for j in range(size - 1, -1, -1):
        last = min(width - 1, size - 1 - j)
        for d in range(last, 0, -1):
            total = 0.0
            for k in range(1, last + 1):
                low = min(k, d)
                total += factor[k, j] * inverse[abs(k - d), j + low]
            inverse[d, j] = -total / factor[0, j]
        total = 0.0
        for k in range(1, last + 1):
            total += factor[k, j] * inverse[k, j]
        inverse[0, j] = (1.0 / factor[0, j] - total) / factor[0, j]
    return inverse


@njit(cache=True)
def _variances(rows: np.ndarray, start: np.ndarray, inverse: np.ndarray) -> np.ndarray:
    out = np.zeros(len(rows))
    width = rows.shape[1]
    deep = inverse.shape[0]
    for b in range(len(rows)):
        for i in range(width):
            for j in range(max(0, i - deep + 1), i + 1):
                twice = 1.0 if i == j else 2.0
                at = start[b] + j
                out[b] += twice * rows[b, i] * rows[b, j] * inverse[i - j, at]
    return out


@dataclass(frozen=True)
class _Means:
    """The means, as a problem of least squares: rows in their windows, and the normal matrix."""

    level: _F
    weight: _F
    rows: _F
    index: _I
    band: _F
    right: _F

    @classmethod
    def gather(cls, level: _F, error: _F, rows: _F, start: _I, size: int) -> "_Means":
        weight = 1.0 / error**2
        index = start[:, None] + np.arange(rows.shape[1])
        right = np.zeros(size)
        np.add.at(right, index, (weight * level)[:, None] * rows)
        return cls(level, weight, rows, index, _normal_band(rows, start, weight, size), right)


@dataclass(frozen=True)
class _Prior:
    """Held charge, light and the light's differences of an order: their precisions."""

    order: int
    held: float
    light: float
    difference: float

    def square(self, unknowns: _F) -> float:
        light = unknowns[1:]
        steps = np.diff(light, n=self.order)
        penalty = self.difference * (steps @ steps) + self.light * (light @ light)
        return float(penalty + self.held * unknowns[0] ** 2)

    def log_determinant(self, n_light: int, volume: float) -> float:
        """Differences rule all of the light but what they annul."""
        ruled = (n_light - self.order) * np.log(self.difference) + volume
        return float(ruled + self.order * np.log(self.light) + np.log(self.held))


@dataclass(frozen=True)
class _Solution:
    prior: _Prior
    unknowns: _F
    factor: _F
    scale: float
    surprise: float


def _solve(means: _Means, prior: _Prior, differences: _F, volume: float) -> _Solution:
    """Most probable unknowns under a prior, and -2 ln of the means' probability under it."""
    band = means.band + prior.difference * differences
    band[0, 0] += prior.held
    band[0, 1:] += prior.light
    factor = cholesky_banded(band, lower=True)
    unknowns = cho_solve_banded((factor, True), means.right)
    misfit = means.level - (means.rows * unknowns[means.index]).sum(axis=1)
    total = float(means.weight @ misfit**2) + prior.square(unknowns)
    number = len(means.level)
    # Errors are taken as too small where misfit and penalty together say so.
    scale = float(np.clip(total / number, 1.0, _TOO_SMALL**2))
    surprise = number * np.log(scale) + total / scale + 2.0 * np.log(factor[0]).sum()
    surprise -= prior.log_determinant(len(unknowns) - 1, volume)
    return _Solution(prior, unknowns, factor, scale, float(surprise))


def fit_course(
    level: _F, error: _F, lines: _F, *, n_lines: int, n_stage: int
) -> tuple[SkyCourse, _F]:
    """Course of the sky from means over bins of lines.

    The light is a spline whose coefficients' second or third differences are normally distributed.
    Order and size of these are the ones under which the means are most probable, and the spline is
    the most probable one for them; so the course is as smooth as the means ask for, and its error
    holds both their noise and what may go on between them. Light that changes within an
    integration is known from the change of the means, since lines share what they collect.

    Parameters
    ----------
    level, error : ndarray of shape (n_bins,)
        Mean sky of each bin as it stands in the lines, ramp included, and its error, electrons.
    lines : ndarray of shape (n_bins, n)
        Places that stand for the lines of each bin, increasing from bin to bin.
    n_lines : int
        Global line after the strip's last.
    n_stage : int
        Rows that integrate.

    Returns
    -------
    course : SkyCourse
        The most probable one.
    course_err : ndarray of shape (n_bins,)
        Error of `SkyCourse.evaluate`: root mean square over the bin's lines.

    References
    ----------
    Wahba 1978, J. R. Stat. Soc. B 40, 364 (splines as most probable paths); MacKay 1992, Neural
    Computation 4, 415 (choice by the probability of the data): from memory.
    """
    step = float(np.clip(n_stage / 4.0, _FINEST, _WIDEST))
    n_light = int(np.ceil(n_lines / step)) + _DEGREE - 1
    size = n_light + 1
    rows, start = _design(lines, step, n_light, n_stage)
    means = _Means.gather(level, error, rows, start, size)
    typical = float(np.median(error))
    # A broad prior decides only what the means leave open: the light of a strip of one bin, say.
    broad = max(float(np.abs(level).max()), typical)
    best: _Solution | None = None
    for order in _ORDERS:
        differences = _difference_band(order, size, rows.shape[1])
        volume = _log_volume(order, n_light)
        for share, power in product(_HELD, _ROUGHNESS):
            prior = _Prior(order, (share * broad) ** -2, broad**-2, (typical * 2.0**power) ** -2)
            found = _solve(means, prior, differences, volume)
            odds = _HELD_ODDS if share > _HELD[0] else 1.0
            found = replace(found, surprise=found.surprise - 2.0 * np.log(odds))
            if best is None or found.surprise < best.surprise:
                best = found
    assert best is not None
    nothing = best.prior.held == (_HELD[0] * broad) ** -2
    held = 0.0 if nothing else float(best.unknowns[0])
    course = SkyCourse(step, best.unknowns[1:], held, n_stage)
    inverse = _invert_band(best.factor)
    some = lines[:, :: max(1, lines.shape[1] // _ERRORS)]
    single, begin = _design(some.reshape(-1, 1), step, n_light, n_stage)
    variance = best.scale * _variances(single, begin, inverse).reshape(some.shape)
    return course, np.sqrt(variance.mean(axis=1))
