"""Fluxes of bright stars, and whether errors are right."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from synthetic.score_positions import compute_residual, measure_flux_scale
from synthetic.score_rows import (
    Row,
    clipped_mean,
    clipped_rms,
    judge,
    judge_absent,
    judge_unmeasurable,
    robust_spread,
)
from synthetic.score_stars import Stars
from synthetic.score_world import World

__all__ = ["fit_trend", "gather_trend", "score_fluxes", "score_pulls"]

FloatArray = NDArray[np.float64]

# At S/N 400 the photons alone scatter by 2.7 mmag: fainter stars could not meet the target.
_BRIGHT = 400.0
_RMS_LIMIT = 3.0
# The trend takes fainter stars too, weighted by their bound and an allowance of 2 mmag.
_TREND_SN = 50.0
_TREND_ALLOWANCE = 2.0
_TREND_LIMIT = 1.0
_MIN_STARS = 20
_MMAG = 1000.0
# d(mag) = 2.5 / ln 10 * dF / F
_POGSON = 2.5 / math.log(10.0)
_PULL_LOW, _PULL_HIGH = 0.95, 1.05
_PULL_SN = 10.0
_MIN_PULLS = 100


@dataclass(frozen=True)
class Trend:
    """Straight line plus parabola fitted over the columns.

    Attributes
    ----------
    extent : float
        Largest minus smallest value of the fit between the edges.
    error : float
        Standard error of that difference, the two columns held fixed.
    coefficients : ndarray of shape (3,)
        Constant, linear, quadratic, in column scaled to -1 .. 1.
    """

    extent: float
    error: float
    coefficients: FloatArray

    def evaluate(self, column: FloatArray, n_columns: int) -> FloatArray:
        """Value of the fit at given columns."""
        return np.asarray(_make_design(column, n_columns) @ self.coefficients, dtype=np.float64)


def _make_design(column: FloatArray, n_columns: int) -> FloatArray:
    x = 2.0 * column / (n_columns - 1.0) - 1.0
    return np.column_stack([np.ones_like(x), x, x**2])


def fit_trend(
    column: FloatArray, values: FloatArray, errors: FloatArray, *, n_columns: int, n_sigma: float
) -> Trend:
    """Fit values by a parabola over the columns, outliers left out.

    Parameters
    ----------
    column, values, errors : ndarray of shape (n,)
        Errors may be wrong by a common factor: the scatter sets the error of the result.
    n_columns : int
        Columns 0 to ``n_columns - 1`` are the range of the fit.
    n_sigma : float
        Clip in robust standard deviations.

    Returns
    -------
    Trend
        NaN for fewer than four values.
    """
    keep = np.isfinite(values) & (errors > 0)
    design = _make_design(column, n_columns)
    solution = np.zeros(3)
    covariance = np.full((3, 3), np.nan)
    for _ in range(5):
        if np.sum(keep) < 4:
            return Trend(math.nan, math.nan, np.full(3, np.nan))
        weighted = design[keep] / errors[keep, None]
        inverse = np.linalg.inv(weighted.T @ weighted)
        solution = inverse @ (weighted.T @ (values[keep] / errors[keep]))
        scaled = (values - design @ solution) / errors
        covariance = inverse * float(np.sum(scaled[keep] ** 2)) / max(int(np.sum(keep)) - 3, 1)
        spread = max(robust_spread(scaled[keep]), 1e-12)
        keep = np.isfinite(scaled) & (np.abs(scaled) < n_sigma * spread)
    grid = _make_design(np.linspace(0.0, n_columns - 1.0, 513), n_columns)
    curve = grid @ solution
    difference = grid[np.argmax(curve)] - grid[np.argmin(curve)]
    error = math.sqrt(float(difference @ covariance @ difference))
    return Trend(float(np.ptp(curve)), error, solution)


def _score_rms(world: World, stars: Stars, key: str) -> Row:
    figure = f"fluxes, bright stars: {key}"
    t = stars.truth
    target = stars.clean & t["clear"] & (t["sn"] > _BRIGHT)
    if np.sum(target) < _MIN_STARS:
        reason = f"only {int(np.sum(target))} clean stars of S/N > {_BRIGHT:g} in clear sky"
        return judge_unmeasurable(figure, reason, high=_RMS_LIMIT, unit="mmag rms")
    reason = stars.describe_lack((key,))
    values = _MMAG * compute_residual(world, stars, key)
    chosen = target & stars.usable & np.isfinite(values)
    if not np.any(chosen):
        return judge_absent(
            figure, reason or "no bright star was measured", high=_RMS_LIMIT, unit="mmag rms"
        )
    rms, share = clipped_rms(values[chosen], n_sigma=5.0, allowed=0.01)
    photons = _MMAG * _POGSON * np.sqrt(np.mean(1.0 / t["sn"][chosen] ** 2))
    mean, mean_error = clipped_mean(values[chosen], np.ones(int(np.sum(chosen))), n_sigma=5.0)
    each = []
    for index, strip in enumerate(world.science):
        own = chosen & (t["strip"] == index)
        if np.sum(own) >= _MIN_STARS:
            each.append((clipped_rms(values[own], n_sigma=5.0, allowed=0.01)[0], strip.name))
    worst = max(each, default=(math.nan, ""))
    cloudy = stars.clean & ~t["clear"] & (t["sn"] > _BRIGHT) & stars.usable & np.isfinite(values)
    failure, remark = stars.describe_share(target)
    return judge(
        figure,
        rms,
        high=_RMS_LIMIT,
        n=int(np.sum(chosen)),
        unit="mmag rms",
        notes=[
            f"mean {mean:+.2f} +- {mean_error:.2f} (not removed)",
            f"photons alone {photons:.2f}",
            f"worst strip {worst[0]:.2f} ({worst[1]})" if worst[1] else "",
            f"through cloud {clipped_rms(values[cloudy], n_sigma=5.0, allowed=0.01)[0]:.1f}"
            if np.sum(cloudy) >= _MIN_STARS
            else "",
            f"{100 * share:.2f} % outliers",
            remark,
        ],
        failures=[reason, failure],
    )


def _measure_steps(
    world: World, column: FloatArray, left_over: FloatArray, weights: FloatArray
) -> list[tuple[float, float, float]]:
    """Boundary, step and error of what the trend leaves, from an eighth of the chip either side."""
    steps = []
    width = world.camera.n_columns / 8.0
    for boundary in world.camera.boundaries:
        below = (column < boundary) & (column > boundary - width)
        above = (column > boundary) & (column < boundary + width)
        low, low_error = clipped_mean(left_over[below], weights[below], n_sigma=4.0)
        high, high_error = clipped_mean(left_over[above], weights[above], n_sigma=4.0)
        steps.append((float(boundary), high - low, math.hypot(low_error, high_error)))
    return steps


def _score_steps(figure: str, steps: list[tuple[float, float, float]], n: int, reason: str) -> Row:
    """Row of the largest step at an amplifier boundary."""
    known = [step for step in steps if math.isfinite(step[1])]
    if not known:
        lack = "too few stars beside a boundary" if steps else "one amplifier reads the whole chip"
        return judge_unmeasurable(figure, lack, high=_TREND_LIMIT, strict=True, unit="mmag")
    column, step, error = max(known, key=lambda item: abs(item[1]))
    return judge(
        figure,
        abs(step),
        high=_TREND_LIMIT,
        strict=True,
        n=n,
        unit="mmag",
        error=error,
        notes=[f"{step:+.2f} at column {column:g}, the trend removed"],
        failures=[reason],
    )


def gather_trend(
    world: World, stars: Stars, key: str
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
    """What the trend with column is fitted to.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.
    key : str
        Column of magnitudes.

    Returns
    -------
    column, value, error : ndarray of shape (n,)
        True column, measured less true magnitude without the strip's own constant, which is no
        trend, and the error with which it is weighted (mmag).
    target : ndarray of bool of shape (stars,)
        The stars that should have been measured.
    """
    t = stars.truth
    target = stars.clean & t["clear"] & (t["sn"] > _TREND_SN)
    values = _MMAG * compute_residual(world, stars, key)
    for index in range(len(world.science)):
        own = target & stars.usable & (t["strip"] == index) & np.isfinite(values)
        if np.any(own):
            values[t["strip"] == index] -= np.median(values[own])
    chosen = target & stars.usable & np.isfinite(values)
    errors = np.hypot(_MMAG * _POGSON / t["sn"][chosen], _TREND_ALLOWANCE)
    return t["column"][chosen], values[chosen], errors, target


def _score_trend(world: World, stars: Stars, key: str) -> list[Row]:
    figure = f"fluxes, trend with column: {key}"
    step_figure = f"fluxes, step at the amplifier boundary: {key}"
    figures = (figure, step_figure)
    column, kept, errors, target = gather_trend(world, stars, key)
    if np.sum(target) < 5 * _MIN_STARS:
        reason = f"only {int(np.sum(target))} clean stars of S/N > {_TREND_SN:g} in clear sky"
        return [
            judge_unmeasurable(name, reason, high=_TREND_LIMIT, strict=True, unit="mmag")
            for name in figures
        ]
    reason = stars.describe_lack((key,))
    if kept.size < 4:
        reason = reason or "no star was measured"
        return [
            judge_absent(name, reason, high=_TREND_LIMIT, strict=True, unit="mmag")
            for name in figures
        ]
    n_columns = world.camera.n_columns
    trend = fit_trend(column, kept, errors, n_columns=n_columns, n_sigma=4.0)
    left_over = kept - trend.evaluate(column, n_columns)
    edges = np.linspace(0.0, n_columns, 9)
    bins = [kept[(column >= a) & (column < b)] for a, b in pairwise(edges)]
    medians = ", ".join(f"{np.median(part):+.2f}" if part.size else "-" for part in bins)
    steps = _measure_steps(world, column, left_over, 1.0 / errors**2)
    row = judge(
        figure,
        trend.extent,
        high=_TREND_LIMIT,
        strict=True,
        n=kept.size,
        unit="mmag",
        error=trend.error,
        notes=[
            f"medians of 8 column bins {medians}",
            *(f"step at column {at:g}: {step:+.2f} +- {error:.2f}" for at, step, error in steps),
        ],
        failures=[reason],
    )
    return [row, _score_steps(step_figure, steps, kept.size, reason)]


def score_fluxes(world: World, stars: Stars) -> list[Row]:
    """Rows of bright fluxes and of their trend with column.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    keys = ("mag_psf", "mag_aperture")
    return [
        *(_score_rms(world, stars, key) for key in keys),
        *(row for key in keys for row in _score_trend(world, stars, key)),
    ]


def _score_pull(world: World, stars: Stars, key: str) -> Row:
    figure = f"pull: {key}"
    t = stars.truth
    target = stars.clean & (t["sn"] > _PULL_SN)
    if np.sum(target) < _MIN_PULLS:
        reason = f"only {int(np.sum(target))} clean stars of S/N > {_PULL_SN:g}"
        return judge_unmeasurable(figure, reason, low=_PULL_LOW, high=_PULL_HIGH)
    error_key = f"{key}_err"
    reason = stars.describe_lack((key, error_key))
    errors = np.array(stars.measured[error_key], dtype=np.float64)
    if key in ("ra", "dec"):
        errors = errors / world.pixel_scale
    elif key.startswith("flux"):
        errors = errors / _scale_of(stars, key)
    with np.errstate(divide="ignore", invalid="ignore"):
        pulls = compute_residual(world, stars, key) / errors
    chosen = target & stars.usable & np.isfinite(pulls)
    if not np.any(chosen):
        reason = reason or "no star has a value and an error"
        return judge_absent(figure, reason, low=_PULL_LOW, high=_PULL_HIGH)
    value = robust_spread(pulls[chosen])
    n = int(np.sum(chosen))
    parts = []
    for first, last in ((10, 30), (30, 100), (100, 300), (300, 1000)):
        own = chosen & (t["sn"] >= first) & (t["sn"] < last)
        if np.sum(own) >= _MIN_STARS:
            parts.append(f"S/N {first}-{last}: {robust_spread(pulls[own]):.3f}")
    each = []
    for index, strip in enumerate(world.science):
        own = chosen & (t["strip"] == index)
        if np.sum(own) >= _MIN_PULLS:
            each.append((robust_spread(pulls[own]), strip.name))
    worst = max(each, key=lambda item: abs(math.log(max(item[0], 1e-9))), default=(math.nan, ""))
    without = int(np.sum(target & stars.usable)) - n
    failure, remark = stars.describe_share(target)
    return judge(
        figure,
        value,
        n=n,
        error=value / math.sqrt(n),
        tolerance=_PULL_HIGH - 1.0,
        notes=[
            f"median {np.median(pulls[chosen]):+.3f}",
            f"{100 * np.mean(np.abs(pulls[chosen]) > 5.0):.2f} % beyond 5",
            *parts,
            f"worst strip {worst[0]:.3f} ({worst[1]})" if worst[1] else "",
            f"{without} unflagged stars without value or error" if without else "",
            remark,
        ],
        failures=[reason, failure],
        low=_PULL_LOW,
        high=_PULL_HIGH,
    )


def _scale_of(stars: Stars, key: str) -> FloatArray:
    return np.asarray(measure_flux_scale(stars, key)[stars.truth["strip"]], dtype=np.float64)


def score_pulls(world: World, stars: Stars) -> list[Row]:
    """Rows of (value - truth) / error.

    Parameters
    ----------
    world : World
        Truth.
    stars : Stars
        The joined table.

    Returns
    -------
    list of Row
    """
    keys = ("line", "column", "ra", "dec", "mag_psf", "flux_psf")
    return [_score_pull(world, stars, key) for key in keys]
