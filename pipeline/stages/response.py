"""Column response: the slope of each column's level on the common sky level of a night."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.medians import median_of_rows
from pipeline.stages.response_fit import (
    FitState,
    ResponseOptions,
    alternate,
    measure_linearity,
    widen_prior,
)
from pipeline.stages.response_kernels import misfit
from pipeline.stages.response_light import separate_scattered

__all__ = ["ResponseOptions", "ResponseVector", "combine_responses", "fit_response"]

_F = NDArray[np.float64]
_HELD = 1e-3  # electrons: a prior that holds an intercept at zero


@dataclass(frozen=True)
class ResponseVector:
    """Response of every column to light; mean 1 over the good columns.

    Parameters
    ----------
    value, error : ndarray of shape (n_columns,)
        Response. A column without data has value 1 and infinite error.
    intercept, intercept_err : ndarray of shape (n_columns,)
        Electrons that bias and dark missed.
    covariance : ndarray of shape (n_columns,)
        Of value and intercept.
    chi2 : ndarray of shape (n_columns,)
        Reduced, of bins about the fit.
    linearity, linearity_err : ndarray of shape (n_columns,)
        Relative deviation from the straight line at the highest sky level, against the other
        columns (a curvature common to all columns cannot be seen from the sky).
    mask : ndarray of bool of shape (n_columns,)
        Columns that took no part in the common sky level.
    sky_range : tuple of float
        5th and 95th percentile of the sky level, electrons.
    choice : str
        "slope" where the sky's range helps to determine the intercepts, "ratio" where the prior
        alone holds them.
    scattered : ndarray of shape (n_columns,)
        Pattern h of additive light, largest absolute value 1; zeros where none was found.
    scattered_light : float
        Largest amplitude of that light, electrons.
    n_bins : int
        Bins used.
    problems : tuple of str
    typical_sky : float
        Median sky level of the bins, electrons; NaN where not known.
    """

    value: _F
    error: _F
    intercept: _F
    intercept_err: _F
    covariance: _F
    chi2: _F
    linearity: _F
    linearity_err: _F
    mask: NDArray[np.bool_]
    sky_range: tuple[float, float]
    choice: str
    scattered: _F
    scattered_light: float
    n_bins: int
    problems: tuple[str, ...]
    typical_sky: float = np.nan

    @property
    def n_columns(self) -> int:
        """Number of chip columns."""
        return len(self.value)


def _collect(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    line_periods: Sequence[float],
    n_stage: int,
) -> tuple[_F, _F]:
    """Levels less bias and dark, and their variances, of all bins after the ramps."""
    levels, variances, numbers = [], [], []
    for summary, tau in zip(summaries, line_periods, strict=True):
        use = ~summary.in_ramp(n_stage) & (summary.present > 0)
        rows = summary.mean_rows(n_stage)[use]
        levels.append(summary.level[use] - dark.offset(rows, line_period=tau))
        own = np.asarray(summary.level_err[use], dtype=np.float64) ** 2
        number = np.asarray(summary.count[use], dtype=np.float64)
        variances.append(np.where(number > 0, own * number, np.nan))
        numbers.append(number)
    level = np.concatenate(levels)
    number = np.concatenate(numbers)
    pixel = np.concatenate(variances)
    # A bin's own noise is known to a tenth only and would weigh its level by chance: the noise is
    # taken as a product of a bin's and a column's typical value.
    usable = np.isfinite(pixel).sum(axis=1) > 0.2 * pixel.shape[1]
    if not usable.all():
        level, pixel, number = level[usable], pixel[usable], number[usable]
    if len(level) == 0:
        return level, pixel
    per_bin = median_of_rows(pixel)
    ratio = pixel / per_bin[:, None]
    seen = ~np.isnan(ratio)
    total, bins = np.where(seen, ratio, 0.0).sum(axis=0), seen.sum(axis=0)
    per_column = np.where(bins > 0, total / np.maximum(bins, 1), np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = per_bin[:, None] * per_column / number
    variance[~(np.isfinite(level) & (number > 0))] = np.nan
    return level, variance


def fit_response(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    *,
    line_periods: Sequence[float],
    n_stage: int,
    options: ResponseOptions,
) -> ResponseVector:
    """Response of every column from the science strips of a night.

    Model of a bin ``b`` after the ramp: ``level - bias - n tau dark =
    i[c] + f[c] (L[b] (1 + g[b] x[c]) + h[c] A[b])``, ``x`` running from -1 to 1 across the chip.
    Alternating weighted least squares with Huber's weights; the intercepts ``i`` have a Gaussian
    prior about zero (error of the dark vector and ``intercept_err``), so that a sky that hardly
    changes falls back to the ratio of levels.

    Three choices that no data can make: the mean response of the good columns is 1; a gradient of
    the sky that never changes belongs to the response (the median of ``g`` is zero; where there is
    additive light, the ``g`` without it); and a part of the additive light ``h A`` that follows
    the sky exactly belongs to the response as well, which is resolved by taking that light as
    absent in the quietest bins and positive elsewhere. Light that is on nearly all night and off
    for short is taken for its opposite. ``h`` is smooth across the chip, and ``h A`` is used only
    where the residuals hold significantly more than noise. Faint stars and the wings of bright
    ones lift
    all columns alike; that goes into ``L`` and cancels.

    Parameters
    ----------
    summaries : sequence of ColumnSummary
        Of science strips in one filter.
    dark : DarkVector
        Bias and dark.
    line_periods : sequence of float
        Seconds, one per strip.
    n_stage : int
        Rows that integrate.
    options : ResponseOptions
        Tuning.

    Returns
    -------
    ResponseVector

    Raises
    ------
    ValueError
        If the inputs do not belong together.
    CalibrationError
        If fewer than 3 bins after the ramp hold data, or the sky is not above zero.
    """
    if len(summaries) == 0 or len(summaries) != len(line_periods):
        msg = (
            "summaries and line_periods must be equally many and at least one, "
            f"received {len(summaries)} and {len(line_periods)}"
        )
        raise ValueError(msg)
    if any(s.n_columns != dark.n_columns for s in summaries):
        msg = (
            f"summaries must have the dark vector's {dark.n_columns} columns, "
            f"received {[s.n_columns for s in summaries]}"
        )
        raise ValueError(msg)
    level, variance = _collect(summaries, dark, line_periods, n_stage)
    if len(level) < 3:
        msg = f"a response needs at least 3 bins after the ramp, {len(level)} hold data"
        raise CalibrationError(msg)
    n_bins, n_columns = level.shape
    sky = median_of_rows(level)
    if not np.median(sky) > 0:
        msg = f"the sky must be above zero for a response, its median is {np.median(sky):.3g}"
        raise CalibrationError(msg)
    x = np.linspace(-1.0, 1.0, n_columns)
    with np.errstate(invalid="ignore"):
        ratio = np.nansum(level * sky[:, None], axis=0) / np.sum(sky**2)
    state = FitState(
        f=ratio,
        i=np.zeros(n_columns),
        sky=sky,
        gradient=np.zeros(n_bins),
        h=np.zeros(n_columns),
        amount=np.zeros(n_bins),
        good=np.isfinite(level).any(axis=0) & (ratio > options.dead * np.median(ratio)),
    )
    dark_err = np.where(np.isfinite(dark.total_err), dark.total_err, 1e6)
    prior = np.sqrt(dark_err**2 + options.intercept_err**2)
    problems: list[str] = []
    low, high = (float(q) for q in np.quantile(sky, [0.05, 0.95]))
    choice = "slope" if high > options.least_range * low else "ratio"
    # While additive light is looked for, intercepts are free, or what bias and dark missed would
    # look like it. A sky that hardly changes tells nothing of intercepts: freed, they would follow
    # noise, amplified by the sky over its range. They are held at what bias and dark say.
    hold = np.full(n_columns, _HELD if choice == "ratio" else max(1e3, 10.0 * float(np.max(sky))))
    root = np.where(np.isfinite(variance), 1.0 / np.sqrt(variance), 0.0)
    values = np.where(root > 0, level, 0.0)
    alternate(values, root, state, x, hold, options, 6)
    found = separate_scattered(values, root, state, x, hold, prior, options)
    if state.amount.any():
        problems.append(
            f"additive scattered light up to {np.max(np.abs(state.amount)):.1f} electrons found "
            f"({found.strength:.1f} times noise) and separated from the response, "
            "taken as absent in the quietest bins"
        )
    if choice == "ratio":
        problems.append(
            f"the sky level ranges only from {low:.0f} to {high:.0f} electrons: intercepts are "
            "held by bias and dark, the response is a ratio of levels"
        )
    elif options.adapt_intercept:
        hold = widen_prior(values, root, state, x, prior, problems)
    else:
        hold = prior
    weight, vf, vi, cov, excess = alternate(
        values, root, state, x, hold, options, options.iterations
    )
    if choice == "ratio":
        # What bias and dark may be wrong by goes into the errors alone.
        unknown = prior / float(np.median(sky))
        vf, vi, cov = vf + unknown**2, vi + prior**2, cov - unknown * prior
    vf = vf + (state.f * state.h * found.zero_err) ** 2
    misfits, number = misfit(values, weight, state.light(x))
    chi2 = np.where(number > 0, misfits / np.maximum(number - 2, 1), np.nan)
    linearity, linearity_err = measure_linearity(values, root, state, x, excess, options)
    # The common scale is fixed by definition, so a column shares its error with the mean.
    return ResponseVector(
        np.where(np.isfinite(vf), state.f, 1.0),
        np.sqrt(vf),
        state.i,
        np.sqrt(vi),
        cov,
        chi2,
        linearity,
        linearity_err,
        ~state.good,
        (low, high),
        choice,
        state.h,
        float(np.max(np.abs(state.amount))),
        n_bins,
        tuple(problems),
        float(np.median(sky)),
    )


def combine_responses(responses: Sequence[ResponseVector]) -> ResponseVector:
    """Responses of several nights as one, weighted by inverse variance.

    Parameters
    ----------
    responses : sequence of ResponseVector
        Of the same chip and filter, within one interval of validity.

    Returns
    -------
    ResponseVector
        ``chi2`` is the reduced one between nights (NaN for a single night); where the nights
        scatter more than their errors allow, a problem says so and all errors are raised.

    Raises
    ------
    ValueError
        If the list is empty or the columns differ in number.
    """
    if len(responses) == 0:
        msg = "responses must hold at least one ResponseVector, received none"
        raise ValueError(msg)
    if len({r.n_columns for r in responses}) > 1:
        msg = f"responses must share their columns, received {[r.n_columns for r in responses]}"
        raise ValueError(msg)
    if len(responses) == 1:
        return responses[0]
    good = ~np.array([r.mask for r in responses])
    common = good.all(axis=0)
    scale = np.array([r.value[common].mean() if common.any() else 1.0 for r in responses])
    value = np.array([r.value for r in responses]) / scale[:, None]
    error = np.array([r.error for r in responses]) / scale[:, None]
    weight = np.where(np.isfinite(error) & (error > 0), 1.0 / np.maximum(error, 1e-30) ** 2, 0.0)
    total = weight.sum(axis=0)
    safe = np.where(total > 0, total, 1.0)
    mean = np.where(total > 0, (weight * value).sum(axis=0) / safe, 1.0)
    number = (weight > 0).sum(axis=0)
    scatter = (weight * (value - mean) ** 2).sum(axis=0)
    chi2 = np.where(number > 1, scatter / np.maximum(number - 1, 1), np.nan)
    use = common & np.isfinite(chi2)
    problems = tuple(p for r in responses for p in r.problems)
    factor = 1.0
    if use.any():
        dof = len(responses) - 1
        typical = float(np.mean(np.minimum(chi2[use], 25.0)))
        if typical > 1.0 + 5.0 * np.sqrt(2.0 / (dof * use.sum())):
            factor = typical
            problems += (
                (
                    f"responses of {len(responses)} nights scatter {np.sqrt(typical):.2f} times "
                    "more than their errors allow: errors raised; has the response changed?"
                ),
            )
    normal = mean[common].mean() if common.any() else 1.0

    def weigh(name: str) -> tuple[_F, _F]:
        v = np.array([getattr(r, name) for r in responses])
        e = np.array([getattr(r, name + "_err") for r in responses])
        known = np.isfinite(e) & (e > 0) & np.isfinite(v)
        w = np.where(known, 1.0 / np.where(known, e, 1.0) ** 2, 0.0)
        s = w.sum(axis=0)
        filled = np.where(s > 0, s, 1.0)
        out = (w * np.where(known, v, 0.0)).sum(axis=0) / filled
        return out, np.where(s > 0, 1.0 / np.sqrt(filled), np.inf)

    intercept, intercept_err = weigh("intercept")
    linearity, linearity_err = weigh("linearity")
    brightest = max(responses, key=lambda r: r.scattered_light)
    ranges = np.array([r.sky_range for r in responses])
    slopes = any(r.choice == "slope" for r in responses)
    share = (weight / safe) ** 2
    covariance = (share * np.array([r.covariance for r in responses])).sum(axis=0)
    return ResponseVector(
        mean / normal,
        np.where(total > 0, np.sqrt(factor / safe) / normal, np.inf),
        intercept,
        intercept_err,
        covariance,
        chi2,
        linearity,
        linearity_err,
        np.asarray(~good.any(axis=0)),
        (float(ranges[:, 0].min()), float(ranges[:, 1].max())),
        "slope" if slopes else "ratio",
        brightest.scattered,
        brightest.scattered_light,
        sum(r.n_bins for r in responses),
        problems,
    )
