"""The least squares behind the column response: columns, bins and additive light in turn."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.response_kernels import (
    Light,
    curve_columns,
    spread,
    sum_bins,
    sum_columns,
    weigh,
)

__all__ = [
    "FitState",
    "ResponseOptions",
    "alternate",
    "measure_linearity",
    "robust_weights",
    "widen_prior",
]

_F = NDArray[np.float64]
_CURVE_ROUNDS = 4  # weights of the curvature settle


@dataclass(frozen=True)
class ResponseOptions:
    """How the response is fitted.

    Parameters
    ----------
    intercept_err : float
        Prior error of the intercept beyond that of the dark vector, electrons.
    adapt_intercept : bool
        Widen that prior to the scatter of freely fitted intercepts where these demand it.
    huber : float
        Residuals beyond this many sigma pull with constant force.
    reject : float
        Residuals beyond this many sigma are dropped.
    iterations : int
        Alternations between sky level and columns.
    fit_gradient : bool
        Fit the change of a linear gradient of the sky across the columns.
    scattered_limit : float
        Singular value of the smoothed residuals, in units of that of pure noise, above which one
        additive component is taken as real.
    scattered_intervals : int
        Intervals of the spline across the chip that this light follows.
    quiet_fraction : float
        Fraction of bins, those with least of it, in which scattered light is taken as absent.
    dead : float
        Columns below this response take no part in the common sky level.
    least_range : float
        Ratio of the 95th to the 5th percentile of the sky level below which intercepts are held.
    """

    intercept_err: float = 0.05
    adapt_intercept: bool = True
    huber: float = 3.0
    reject: float = 8.0
    iterations: int = 12
    fit_gradient: bool = True
    scattered_limit: float = 1.25
    scattered_intervals: int = 16
    quiet_fraction: float = 0.1
    dead: float = 0.3
    least_range: float = 1.3

    def __post_init__(self) -> None:
        for name in ("intercept_err", "huber", "reject", "scattered_limit", "dead", "least_range"):
            if not getattr(self, name) > 0:
                msg = f"response {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)
        if self.iterations < 3:
            msg = f"response iterations must be at least 3, received {self.iterations}"
            raise ValueError(msg)
        if self.scattered_intervals < 3:
            msg = (
                "response scattered_intervals must be at least 3, "
                f"received {self.scattered_intervals}"
            )
            raise ValueError(msg)
        if not 0 < self.quiet_fraction < 1:
            msg = f"response quiet_fraction must lie within 0..1, received {self.quiet_fraction}"
            raise ValueError(msg)


@dataclass
class FitState:
    """What the alternation changes."""

    f: _F
    i: _F
    sky: _F
    gradient: _F
    h: _F
    amount: _F
    good: NDArray[np.bool_]

    def light(self, x: _F) -> Light:
        """Light on every bin and column, and what the columns make of it."""
        return Light(self.f, self.i, x, self.h, self.sky, self.gradient, self.amount)


def robust_weights(pull: _F, huber: float, reject: float) -> _F:
    """Huber's weights, zero beyond `reject`."""
    size = np.abs(pull)
    return np.where(size > reject, 0.0, huber / np.maximum(size, huber))


def _fit_columns(sums: _F, prior: _F) -> tuple[_F, _F, _F, _F, _F]:
    """Slope, intercept, their variances and covariance per column; intercepts near zero."""
    s0, s1, s2, y0, y1 = sums
    s0 = s0 + 1.0 / prior**2
    determinant = s0 * s2 - s1 * s1
    empty = ~(determinant > 1e-12 * s0 * s2)
    safe = np.where(empty, 1.0, determinant)
    f = np.where(empty, 1.0, (s0 * y1 - s1 * y0) / safe)
    i = np.where(empty, 0.0, (s2 * y0 - s1 * y1) / safe)
    vf = np.where(empty, np.inf, s0 / safe)
    vi = np.where(empty, np.inf, s2 / safe)
    cov = np.where(empty, 0.0, -s1 / safe)
    return f, i, vf, vi, cov


def _fit_bins(values: _F, weight: _F, state: FitState, x: _F, fit_gradient: bool) -> None:
    """Sky level (and the gradient's change) of every bin, from the good columns, in place."""
    f = state.f * state.good
    patterns = np.stack([f, f * x] if fit_gradient else [f])
    normal, right = sum_bins(values, weight, state.i, state.amount, state.f * state.h, patterns)
    a, p = normal[:, 0, 0], right[:, 0]
    if not fit_gradient:
        state.sky = p / np.where(a > 0, a, 1.0)
        return
    b, c, q = normal[:, 0, 1], normal[:, 1, 1], right[:, 1]
    determinant = a * c - b * b
    safe = np.where(determinant > 0, determinant, 1.0)
    sky = np.where(determinant > 0, (c * p - b * q) / safe, p / np.where(a > 0, a, 1.0))
    tilt = np.where(determinant > 0, (a * q - b * p) / safe, 0.0)
    state.sky = sky
    gradient = tilt / np.where(np.abs(sky) > 0, sky, 1.0)
    # A gradient that never changes is the response's. The median over bins is taken as that one, so
    # that moonlight or twilight in fewer than half of them bends nothing.
    state.gradient = gradient - np.median(gradient[a > 0]) if (a > 0).any() else gradient


def _fix_scales(state: FitState, prior: _F) -> None:
    """Mean response 1 over good columns; the zero of the sky where the intercepts are least."""
    g = state.good
    w = 1.0 / prior[g] ** 2
    shift = -(w * state.i[g] * state.f[g]).sum() / (w * state.f[g] ** 2).sum()
    state.i = state.i + shift * state.f
    state.sky = state.sky - shift
    mean = float(state.f[g].mean())
    state.f = state.f / mean
    state.sky = state.sky * mean
    state.amount = state.amount * mean


def alternate(
    values: _F,
    root: _F,
    state: FitState,
    x: _F,
    prior: _F,
    options: ResponseOptions,
    rounds: int,
) -> tuple[_F, _F, _F, _F, float]:
    """Alternate bins and columns; returns weights, variances of f and i, covariance, excess.

    ``values`` are levels less bias and dark, ``root`` one over their errors, both 0 where there
    are none.
    """
    excess = 1.0
    weight = root**2
    for turn in range(rounds):
        if turn > 0:
            excess = max(1.0, (spread(values, root, state.good, state.light(x)) / 0.6745) ** 2)
            weigh(
                values, root, state.light(x), np.sqrt(excess), options.huber, options.reject,
                weight,
            )  # fmt: skip
        _fit_bins(values, weight, state, x, options.fit_gradient)
        sums = sum_columns(values, weight, state.light(x), np.empty(0)) / excess
        state.f, state.i, vf, vi, cov = _fit_columns(sums, prior)
        state.good = (vf < np.inf) & (state.f > options.dead * np.median(state.f[vf < np.inf]))
        _fix_scales(state, prior)
    return weight, vf, vi, cov, excess


def measure_linearity(
    values: _F, root: _F, state: FitState, x: _F, excess: float, options: ResponseOptions
) -> tuple[_F, _F]:
    """Curvature of each column: deviation at the top of the sky over the signal there.

    Weights are found anew: what a straight line rejects may be the very curvature.
    """
    top = float(np.max(state.sky))
    coefficient, norm = curve_columns(
        values, root / np.sqrt(excess), state.light(x), float(np.median(state.sky)), top,
        _CURVE_ROUNDS, options.huber, options.reject,
    )  # fmt: skip
    error = np.where(norm > 0, 1.0 / np.sqrt(np.where(norm > 0, norm, 1.0)), np.inf)
    signal = np.where(np.abs(state.f) > 0, np.abs(state.f), 1.0) * top
    return coefficient / signal, error / signal


def widen_prior(values: _F, root: _F, state: FitState, x: _F, prior: _F, problems: list[str]) -> _F:
    """Prior on the intercepts, widened where free intercepts scatter more than it allows."""
    light = state.light(x)
    excess = max(1.0, (spread(values, root, state.good, light) / 0.6745) ** 2)
    weight = np.empty_like(values)
    weigh(values, root, light, np.sqrt(excess), 3.0, 8.0, weight)
    sums = sum_columns(values, weight, light, np.empty(0)) / excess
    _, free, _, vi, _ = _fit_columns(sums, np.full(len(prior), 1e6))
    g = state.good & np.isfinite(vi)
    # The common part of the intercepts is the zero of the sky.
    centred = free - np.median(free[g] / state.f[g]) * state.f
    expected = np.sqrt(vi[g] + prior[g] ** 2)
    wide = float(np.median(np.abs(centred[g]) / expected) / 0.6745)
    # The scatter of a median absolute deviation of n values is about 1.17/sqrt(n).
    if wide < 1.0 + 4.0 * 1.17 / np.sqrt(g.sum()):
        return prior
    more = float(np.median(centred[g] ** 2) / 0.4549 - np.median(expected**2))
    more = max(more, 0.0)
    problems.append(
        f"intercepts scatter by {np.sqrt(more):.2f} electrons beyond the error of bias and dark: "
        "their prior was widened"
    )
    return np.sqrt(prior**2 + more)
