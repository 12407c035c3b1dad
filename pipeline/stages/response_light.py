"""Additive light in the levels of a night: one smooth pattern across the chip times an amount."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from pipeline.stages.response_fit import FitState, ResponseOptions, robust_weights
from pipeline.stages.response_kernels import spread, sum_bins, sum_columns, weigh

__all__ = ["ScatteredLight", "separate_scattered"]

_F = NDArray[np.float64]
_ROUNDS = 8  # alternations between pattern and amounts; they settle to 1e-3 in four
_LEAST_COLUMNS = 16  # good columns per interval of the pattern
_LEAST_INTERVALS = 3
_LEAST_QUIET = 2  # quiet bins without which nothing tells light from response
_SMOOTH = 5  # bins over which an amount is averaged before the quiet ones are chosen


@dataclass(frozen=True)
class ScatteredLight:
    """What was found of additive light.

    Parameters
    ----------
    strength : float
        Leading singular value of the smoothed residuals, in units of that of noise.
    zero_err : float
        Error of the amount, in units of the sky, that was taken as zero.
    """

    strength: float
    zero_err: float


def _make_basis(x: _F, intervals: int) -> _F:
    """Cubic B-splines of as many equal intervals over -1..1, of shape (columns, intervals + 3)."""
    step = 2.0 / intervals
    knots = -1.0 + step * np.arange(-3, intervals + 4)
    inside = np.clip(x, -1.0, 1.0)
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray(), dtype=np.float64)


def _solve(normal: _F, right: _F) -> _F:
    """Unknowns of many small systems: (n, k, k) and (n, k) to (n, k).

    A vanishing ridge, relative to each unknown, leaves those without data at zero.
    """
    diagonal = np.einsum("iaa->ia", normal)
    ridge = np.eye(normal.shape[1]) * (1e-9 * diagonal + 1e-30)[:, :, None]
    return np.asarray(np.linalg.solve(normal + ridge, right[:, :, None])[:, :, 0])


def _clear(values: _F, weight: _F, x: _F, fit_gradient: bool) -> _F:
    """Pattern less the constant and slope that sky level and gradient take."""
    design = np.stack([np.ones_like(x), x] if fit_gradient else [np.ones_like(x)], axis=1)
    root = np.sqrt(weight)
    fit, *_ = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)
    return np.asarray(values - design @ fit)


def _smooth_pattern(values: _F, weight: _F, basis: _F) -> _F:
    """Weighted spline through the columns' values."""
    normal = basis.T @ (weight[:, None] * basis)
    size = float(np.trace(normal)) / len(normal)
    normal += 1e-6 * size * np.eye(len(normal))
    return np.asarray(basis @ np.linalg.solve(normal, basis.T @ (weight * values)))


def _find(pull: _F, profile: _F, basis: _F, x: _F, options: ResponseOptions) -> tuple[float, _F]:
    """Leading smooth component of unit-noise residuals: strength against noise, and amounts."""
    clear = [_clear(column, profile**2, x, options.fit_gradient) for column in basis.T]
    left, size, _ = np.linalg.svd(profile[:, None] * np.stack(clear, axis=1), full_matrices=False)
    chosen = left[:, size > 1e-6 * size[0]]
    u, s, _ = np.linalg.svd(pull @ chosen, full_matrices=False)
    # Slopes and intercepts have taken up to two degrees of freedom from the bins.
    bins, patterns = max(len(pull) - 2, 2), chosen.shape[1]
    noise = np.sqrt(bins) + np.sqrt(patterns)
    # Stars reach over several columns and lift the noise of smooth patterns above that of single
    # columns: what the other components hold says by how much.
    other = float((s[1:] ** 2).sum()) / ((bins - 1) * (patterns - 1))
    return float(s[0] / (noise * max(1.0, np.sqrt(other)))), u[:, 0] * s[0]


def _average(values: _F) -> _F:
    """Running mean over a few bins; the ends average fewer."""
    width = min(_SMOOTH, len(values))
    kernel = np.ones(width)
    total = np.convolve(values, kernel, mode="same")
    return np.asarray(total / np.convolve(np.ones(len(values)), kernel, mode="same"))


def _find_zero(ratio: _F, fraction: float) -> tuple[float, float]:
    """Level of the quietest bins of a ratio of light to sky, and its error from their noise."""
    smooth = _average(ratio)
    quiet = smooth <= np.quantile(smooth, fraction)
    # Second differences: the light itself changes slowly. Their variance is six times a value's.
    noise = float(np.median(np.abs(np.diff(ratio, n=2)))) / 0.6745 / np.sqrt(6.0)
    return float(ratio[quiet].mean()), noise / float(np.sqrt(quiet.sum()))


def _follow_gradient(gradient: _F, ratio: _F) -> tuple[float, float]:
    """Robust straight line of the sky's gradient on the light's share: slope and zero."""
    weight = np.ones(len(ratio))
    slope = zero = 0.0
    for _ in range(10):
        total = weight.sum()
        mean_r, mean_g = (weight @ ratio) / total, (weight @ gradient) / total
        spread = weight @ (ratio - mean_r) ** 2
        slope = float(weight @ ((ratio - mean_r) * (gradient - mean_g)) / max(spread, 1e-30))
        zero = float(mean_g - slope * mean_r)
        rest = np.abs(gradient - zero - slope * ratio)
        scale = float(np.median(rest)) / 0.6745
        weight = 1.5 / np.maximum(rest / max(scale, 1e-30), 1.5)
    return slope, zero


def _fit_pattern(
    y: _F, weight: _F, state: FitState, basis: _F, x: _F, free: _F, options: ResponseOptions
) -> None:
    """Slope, intercept and additive light of every good column; the last made smooth: in place."""
    sky = state.light(x)._replace(amount=np.zeros_like(state.amount))
    s0, s1, s2, y0, y1, a0, a1, a2, ya = sum_columns(y, weight, sky, state.amount)
    # Unknowns are slope, intercept, and what follows the amount.
    normal = np.stack([s2, s1, a1, s1, s0 + 1.0 / free**2, a0, a1, a0, a2], axis=1)
    f, i, k = _solve(normal.reshape(-1, 3, 3), np.stack([y1, y0, ya], axis=1)).T
    good = state.good
    state.f, state.i = np.where(good, f, state.f), np.where(good, i, state.i)
    f = np.where(good, f, 1.0)
    known = a2 * f**2 * good
    h = _clear(_smooth_pattern(k / f, known, basis), known, x, options.fit_gradient)
    state.h = h / max(float(np.abs(h[good]).max()), 1e-30)


def _fit_amounts(
    y: _F, weight: _F, state: FitState, x: _F, prior: _F, options: ResponseOptions
) -> None:
    """Sky, gradient and additive light of every bin, in place.

    What intercepts have of their patterns goes to them, so that bias and dark are met as nearly
    as may be.
    """
    patterns = [state.f, state.f * x, state.f * state.h]
    if not options.fit_gradient:
        patterns = [state.f, state.f * state.h]
    none = np.zeros(len(y))
    normal, right = sum_bins(y, weight, state.i, none, state.h, np.stack(patterns))
    fit = _solve(normal, right)
    design = np.stack(patterns, axis=1)
    near = state.good / prior
    shift, *_ = np.linalg.lstsq(design * near[:, None], state.i * near, rcond=None)
    fit = np.ascontiguousarray((fit + shift).T)
    state.i = state.i - design @ shift
    state.sky, state.amount = fit[0], fit[-1]
    if options.fit_gradient:
        state.gradient = fit[1] / np.where(np.abs(state.sky) > 0, state.sky, 1.0)


def _fix_zeros(state: FitState, x: _F, options: ResponseOptions) -> float:
    """No light in the quietest bins, no gradient without light, in place; error of the former."""
    ratio = state.amount / np.where(np.abs(state.sky) > 0, state.sky, 1.0)
    # The light is rare and positive: its sign is the one with the longer tail upwards.
    if np.sum((ratio - ratio.mean()) ** 3) < 0:
        state.amount, state.h, ratio = -state.amount, -state.h, -ratio
    zero, error = _find_zero(ratio, options.quiet_fraction)
    state.amount = state.amount - zero * state.sky
    ratio = ratio - zero
    state.f = state.f * (1.0 + zero * state.h)
    if options.fit_gradient:
        slope, level = _follow_gradient(state.gradient, ratio)
        state.h = state.h + slope * x
        state.gradient = state.gradient - slope * ratio - level
        state.f = state.f * (1.0 + level * x)
    size = max(float(np.abs(state.h[state.good]).max()), 1e-30)
    state.h, state.amount = state.h / size, state.amount * size
    return error * size


def separate_scattered(
    y: _F,
    root: _F,
    state: FitState,
    x: _F,
    free: _F,
    prior: _F,
    options: ResponseOptions,
) -> ScatteredLight:
    """Look for additive light ``h A`` and, where it is real, put it into the state.

    Light that misses the optical path is unfocused: its pattern is a cubic spline of few
    intervals, so that looking for it costs next to no information on single columns and averages
    the noise of many. The residuals know ``h A`` up to a multiple of the sky, which looks like
    response, and up to a constant, which looks like bias. The constant is the one that leaves
    the intercepts closest to bias and dark; the multiple is the one that clears the quietest
    bins. A gradient of the sky that follows the light belongs to its pattern, and the gradient
    that is left without it to the response.

    Parameters
    ----------
    y, root : ndarray of shape (n_bins, n_columns)
        Levels less bias and dark, electrons, and one over their errors; 0 where there is none.
    state : FitState
        Fitted without additive light; changed in place where some is found.
    x : ndarray of shape (n_columns,)
        -1 to 1 across the chip.
    free, prior : ndarray of shape (n_columns,)
        Prior errors of the intercepts while looking for light, and as they are believed.
    options : ResponseOptions
        Tuning.

    Returns
    -------
    ScatteredLight
    """
    good = state.good
    intervals = min(options.scattered_intervals, int(good.sum()) // _LEAST_COLUMNS)
    if intervals < _LEAST_INTERVALS or options.quiet_fraction * len(y) < _LEAST_QUIET:
        return ScatteredLight(0.0, 0.0)
    basis = _make_basis(x, intervals)
    scale = max(1.0, spread(y, root, good, state.light(x)) / 0.6745)
    root = root * good
    pull = y - state.sky[:, None] * (1.0 + state.gradient[:, None] * x) * state.f
    pull -= state.i
    pull *= root
    pull /= scale
    np.clip(pull, -4.0, 4.0, out=pull)
    base = root**2
    profile = np.sqrt(base.mean(axis=0)) * state.f
    strength, amount = _find(pull, profile, basis, x, options)
    if strength < options.scattered_limit:
        return ScatteredLight(strength, 0.0)
    state.amount = amount / np.sqrt(np.maximum(base.mean(axis=1), 1e-30))
    weight = base * robust_weights(pull, options.huber, options.reject)
    zero_err = 0.0
    for _ in range(_ROUNDS):
        _fit_pattern(y, weight, state, basis, x, free, options)
        _fit_amounts(y, weight, state, x, prior, options)
        zero_err = _fix_zeros(state, x, options)
        weigh(y, root, state.light(x), scale, options.huber, options.reject, weight)
    return ScatteredLight(strength, zero_err)
