"""What bias and dark of a night missed, with the response known: one value per column."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import SIGMA_PER_MAD
from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.medians import median_of_rows
from pipeline.stages.response import ResponseOptions, ResponseVector
from pipeline.stages.response_kernels import Light, misfit, sum_bins, sum_columns, weigh

__all__ = ["NightSky", "drop_saturated", "fit_intercepts"]

_F = NDArray[np.float64]
_ROUNDS = 8  # alternations between sky and intercepts; the first three bring all but 1e-3


@dataclass(frozen=True)
class NightSky:
    """Sky of a night under a known response.

    Parameters
    ----------
    level : ndarray of shape (n_bins,)
        Electrons, in the middle of the chip.
    gradient, gradient_err : ndarray of shape (n_bins,)
        Relative change of the sky from the middle to the edge of the chip.
    """

    level: _F
    gradient: _F
    gradient_err: _F


def drop_saturated(
    summary: ColumnSummary, saturation: NDArray[np.floating]
) -> tuple[ColumnSummary, int]:
    """The summary without bins whose sky comes near saturation.

    A bin goes where half of the columns, on its brighter edge (half-way to its brighter
    neighbour), pass 95 % of saturation: its clipped mean would no longer follow the sky.

    Parameters
    ----------
    summary : ColumnSummary
    saturation : ndarray of shape (n_columns,)
        Electrons above the overscan.

    Returns
    -------
    ColumnSummary
    n_bins : int
        Bins dropped.
    """
    share = np.full(summary.n_bins, np.nan)
    known = np.isfinite(summary.level).any(axis=1)
    share[known] = median_of_rows(summary.level[known] / saturation)
    before = np.concatenate([share[:1], share[:-1]])
    after = np.concatenate([share[1:], share[-1:]])
    edge = share + 0.5 * np.maximum(0.0, np.fmax(before, after) - share)
    # Beside a saturated bin the slope is not known: the sky there was brighter than it looks.
    hit = np.nan_to_num(edge) > 0.95
    near = np.nan_to_num(np.fmax(before, after)) > 0.95
    drop = hit | near
    if not drop.any():
        return summary, 0
    level, count, present = summary.level.copy(), summary.count.copy(), summary.present.copy()
    level[drop], count[drop], present[drop] = np.nan, 0, 0
    return replace(summary, level=level, count=count, present=present), int(drop.sum())


def _collect(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    line_periods: Sequence[float],
    n_stage: int,
) -> tuple[_F, _F]:
    """Levels less bias and dark after the ramps, and their weights: bin times column."""
    levels, weights = [], []
    for summary, tau in zip(summaries, line_periods, strict=True):
        use = ~summary.in_ramp(n_stage) & (summary.present > 0)
        level = summary.level[use] - dark.offset(summary.mean_rows(n_stage)[use], line_period=tau)
        number = np.asarray(summary.count[use], dtype=np.float64)
        with np.errstate(invalid="ignore"):
            pixel = np.asarray(summary.level_err[use], dtype=np.float64) ** 2 * number
        pixel = np.where((number > 0) & np.isfinite(level) & (pixel > 0), pixel, np.nan)
        some = np.isfinite(pixel).sum(axis=1) > 0.2 * pixel.shape[1]
        if not some.any():
            continue
        level, pixel, number = level[some], pixel[some], number[some]
        # A bin's own noise is known to a tenth only and would weigh its level by chance.
        per_bin = median_of_rows(pixel)[:, None]
        ratio = pixel / per_bin
        seen = np.isfinite(ratio)
        column = np.where(seen, ratio, 0.0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
        model = per_bin * np.where(column > 0, column, 1.0)
        levels.append(np.where(seen, level, 0.0))
        weights.append(np.where(seen, number / model, 0.0))
    if not levels:
        msg = "no bin after the ramp holds data: nothing to measure intercepts on"
        raise CalibrationError(msg)
    return np.concatenate(levels), np.concatenate(weights)


def _fit_sky(level: _F, weight: _F, i: _F, f: _F, x: _F) -> tuple[_F, _F, _F]:
    """Level, gradient and its error of every bin under a known response, 0 where not to be used."""
    normal, right = sum_bins(
        level, weight, i, np.zeros(len(level)), np.zeros(len(f)), np.stack([f, f * x])
    )
    a, b, c = normal[:, 0, 0], normal[:, 0, 1], normal[:, 1, 1]
    p, q = right.T
    determinant = a * c - b * b
    known = determinant > 0
    safe = np.where(known, determinant, 1.0)
    sky = np.where(known, (c * p - b * q) / safe, 0.0)
    tilt = np.where(known, (a * q - b * p) / safe, 0.0)
    size = np.where(np.abs(sky) > 0, np.abs(sky), 1.0)
    return sky, tilt / size, np.where(known, np.sqrt(a / safe) / size, np.inf)


def fit_intercepts(
    response: ResponseVector,
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    *,
    line_periods: Sequence[float],
    n_stage: int,
    options: ResponseOptions,
) -> tuple[ResponseVector, NightSky, tuple[str, ...]]:
    """The response with the intercepts of one night, which the response itself leaves free.

    Bias drifts from night to night, the response does not. With the response known, the level of
    a column less ``response * sky`` is what bias and dark missed: a mean, whatever the range of
    the sky, held near zero by the error of the dark vector (``intercept_err`` beyond it). Its
    common part is the zero of the sky and is taken as nothing.

    Parameters
    ----------
    response : ResponseVector
        Of the interval of validity; values are kept.
    summaries : sequence of ColumnSummary
        Of science strips of the night in one filter.
    dark : DarkVector
        Bias and dark of the night.
    line_periods : sequence of float
        Seconds, one per strip.
    n_stage : int
        Rows that integrate.
    options : ResponseOptions
        Prior of the intercepts and limits of the residuals.

    Returns
    -------
    ResponseVector
        With intercepts, their errors and the chi-square of this night.
    NightSky
    problems : tuple of str

    Raises
    ------
    CalibrationError
        If no bin after the ramp holds data.
    """
    level, base = _collect(summaries, dark, line_periods, n_stage)
    f = response.value
    x = np.linspace(-1.0, 1.0, len(f))
    good = ~response.mask & np.isfinite(response.error) & (base > 0).any(axis=0)
    if not good.any():
        msg = "no column has both a response and data: nothing to measure intercepts on"
        raise CalibrationError(msg)
    error = np.where(np.isfinite(dark.total_err), dark.total_err, 1e6)
    prior = np.sqrt(error**2 + options.intercept_err**2)
    problems: list[str] = []
    i = np.zeros(len(f))
    weight, root = base.copy(), np.sqrt(base)
    for turn in range(_ROUNDS):
        sky, gradient, gradient_err = _fit_sky(level, weight, i, f * good, x)
        light = Light(f, i, x, np.zeros(len(f)), sky, gradient, np.zeros(len(sky)))
        if turn > 0:
            weigh(level, root, light, 1.0, options.huber, options.reject, weight)
        total, shone, _, seen, _ = sum_columns(level, weight, light, np.empty(0))
        safe = np.where(total > 0, total, 1.0)
        free = np.where(total > 0, (seen - f * shone) / safe, 0.0)
        if turn == _ROUNDS // 2:
            prior = _widen(free, 1.0 / safe, prior, good, problems)
        i = free * total / (total + 1.0 / prior**2)
        hold = good / prior**2
        i = i - f * (hold * i * f).sum() / (hold * f * f).sum()
    kept = np.where(weight > 0, base, 0.0)
    misfits, number = misfit(level, kept, light._replace(i=i))
    chi2 = misfits / np.maximum(number - 1, 1)
    fitted = replace(
        response, intercept=i, intercept_err=1.0 / np.sqrt(total + 1.0 / prior**2),
        covariance=np.zeros(len(f)), chi2=np.where(number > 1, chi2, np.nan), n_bins=len(level),
    )  # fmt: skip
    return fitted, NightSky(sky, gradient, gradient_err), tuple(problems)


def _widen(free: _F, variance: _F, prior: _F, good: NDArray[np.bool_], problems: list[str]) -> _F:
    """Prior on the intercepts, widened where they scatter more than it allows."""
    expected = np.sqrt(variance[good] + prior[good] ** 2)
    spread = float(np.median(np.abs(free[good]) / expected)) * SIGMA_PER_MAD
    # The scatter of a median absolute deviation of n values is about 1.17/sqrt(n).
    if spread < 1.0 + 4.0 * 1.17 / np.sqrt(good.sum()):
        return prior
    more = max(0.0, float((spread**2 - 1.0) * np.median(expected**2)))
    problems.append(
        f"intercepts scatter by {np.sqrt(more):.2f} electrons beyond the error of bias and dark: "
        "their prior was widened"
    )
    return np.sqrt(prior**2 + more)
