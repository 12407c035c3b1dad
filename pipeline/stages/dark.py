"""Bias and dark vectors: one value per column, from shutter-closed strips."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.shutter import DarkOptions, find_light
from pipeline.strip import Amplifier, index_amplifiers

__all__ = ["DarkOptions", "DarkVector", "dark_from_nothing", "find_light", "fit_dark"]


@dataclass(frozen=True)
class DarkVector:
    """Bias and dark of every column; electrons.

    Parameters
    ----------
    bias, bias_err : ndarray of shape (n_columns,)
        Level that does not depend on the rows integrated.
    dark, dark_err : ndarray of shape (n_columns,)
        Electrons per second and row-period, the same in every row on average.
    covariance : ndarray of shape (n_columns,)
        Of bias and dark.
    total, total_err : ndarray of shape (n_columns,)
        ``bias + n_stage * line_period * dark`` for the fields below.
    n_stage : int
    line_period : float
        Of `total`, seconds.
    chi2 : ndarray of shape (n_columns,)
        Reduced, of bins about the fit; NaN where nothing was fitted.
    n_strips : int
        Closed strips used.
    problems : tuple of str
    """

    bias: NDArray[np.float64]
    bias_err: NDArray[np.float64]
    dark: NDArray[np.float64]
    dark_err: NDArray[np.float64]
    covariance: NDArray[np.float64]
    total: NDArray[np.float64]
    total_err: NDArray[np.float64]
    n_stage: int
    line_period: float
    chi2: NDArray[np.float64]
    n_strips: int
    problems: tuple[str, ...]

    @property
    def n_columns(self) -> int:
        """Number of chip columns."""
        return len(self.bias)

    def offset(self, rows: NDArray[np.floating], *, line_period: float) -> NDArray[np.float64]:
        """Bias plus dark signal after integrating on `rows` rows, of shape (len(rows), columns)."""
        return self.bias + np.asarray(rows)[:, None] * (line_period * self.dark)

    def for_period(self, line_period: float) -> "DarkVector":
        """The same vectors with `total` for another line period."""
        total, error = _total(
            self.bias,
            self.dark,
            self.bias_err,
            self.dark_err,
            self.covariance,
            self.n_stage * line_period,
        )
        return replace(self, total=total, total_err=error, line_period=line_period)


def _total(
    bias: NDArray[np.float64],
    dark: NDArray[np.float64],
    bias_err: NDArray[np.float64],
    dark_err: NDArray[np.float64],
    covariance: NDArray[np.float64],
    seconds: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bias plus dark after so many seconds, and the propagated error."""
    variance = bias_err**2 + (seconds * dark_err) ** 2 + 2.0 * seconds * covariance
    return bias + seconds * dark, np.sqrt(np.maximum(variance, 0.0))


def _check(summaries: Sequence[ColumnSummary], line_periods: Sequence[float], n_stage: int) -> None:
    if len(summaries) == 0 or len(summaries) != len(line_periods):
        msg = (
            "summaries and line_periods must be equally many and at least one, "
            f"received {len(summaries)} and {len(line_periods)}"
        )
        raise ValueError(msg)
    if n_stage < 1:
        msg = f"n_stage must be at least 1, received {n_stage}"
        raise ValueError(msg)
    widths = {s.n_columns for s in summaries}
    if len(widths) > 1:
        msg = f"summaries must share their columns, received {sorted(widths)}"
        raise ValueError(msg)


def _solve(
    level: NDArray[np.float64],
    weight: NDArray[np.float64],
    seconds: NDArray[np.float64],
    rate_prior: float,
) -> tuple[NDArray[np.float64], ...]:
    """Weighted straight line ``level = bias + seconds * dark`` per column, dark near zero."""
    t = seconds[:, None]
    s0 = weight.sum(axis=0)
    s1 = (weight * t).sum(axis=0)
    s2 = (weight * t * t).sum(axis=0) + 1.0 / rate_prior**2
    y0 = (weight * level).sum(axis=0)
    y1 = (weight * level * t).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        determinant = s0 * s2 - s1 * s1
        bias = (s2 * y0 - s1 * y1) / determinant
        dark = (s0 * y1 - s1 * y0) / determinant
        return bias, dark, s2 / determinant, s0 / determinant, -s1 / determinant


def fit_dark(
    summaries: Sequence[ColumnSummary],
    amplifiers: tuple[Amplifier, ...],
    *,
    line_periods: Sequence[float],
    n_stage: int,
    clipped: float,
    options: DarkOptions,
) -> DarkVector:
    """Bias and dark rate of every column from the shutter-closed strips of a night.

    The ramp gives the lever: bins integrate on ``n`` rows, so
    ``level = bias + n * line_period * dark``. Weighted least squares per column; the pixel noise
    of a column is taken from all its bins together, so that a bin's chance noise does not weigh
    its level. Strips that show light are left out and named.

    Parameters
    ----------
    summaries : sequence of ColumnSummary
        Of closed strips.
    amplifiers : tuple of Amplifier
        They tile the chip.
    line_periods : sequence of float
        Seconds, one per strip; the first one is that of ``total``.
    n_stage : int
        Rows that integrate.
    clipped : float
        Share of Gaussian pixels that the summaries leave out (``SummaryOptions.clipped_share``).
    options : DarkOptions
        Tuning.

    Returns
    -------
    DarkVector
        Errors include those of the overscan and, where strips disagree, are raised by their
        scatter. A column without data has bias and dark 0 and infinite errors.

    Raises
    ------
    ValueError
        If the inputs do not belong together.
    CalibrationError
        If every strip shows light or none holds data.
    """
    _check(summaries, line_periods, n_stage)
    problems: list[str] = []
    closed = []
    for position, summary in enumerate(summaries):
        signs = find_light(summary, amplifiers, n_stage=n_stage, clipped=clipped, options=options)
        problems += [
            f"closed strip {position + 1} of {len(summaries)} left out: {s}" for s in signs
        ]
        if not signs and np.isfinite(summary.level).any():
            closed.append((summary, line_periods[position]))
    if not closed:
        msg = "no shutter-closed strip is usable: " + ("; ".join(problems) or "none holds data")
        raise CalibrationError(msg)

    level = np.concatenate([s.level for s, _ in closed]).astype(np.float64)
    seconds = np.concatenate([s.mean_rows(n_stage) * tau for s, tau in closed])
    strip = np.concatenate([np.full(s.n_bins, i) for i, (s, _) in enumerate(closed)])
    error = _steady_errors(closed)
    good = np.isfinite(level) & np.isfinite(error) & (error > 0)
    weight = np.where(good, 1.0 / np.where(good, error, 1.0) ** 2, 0.0)
    level = np.where(good, level, 0.0)
    for _ in range(3):
        bias, dark, vb, vd, cov = _solve(level, weight, seconds, options.rate_prior)
        pull = (level - bias - seconds[:, None] * dark) * np.sqrt(weight)
        outlier = np.abs(pull) > options.clip
        if not outlier.any():
            break
        weight = np.where(outlier, 0.0, weight)
    known = np.isfinite(bias)
    number = (weight > 0).sum(axis=0)
    chi2 = np.full(len(bias), np.nan)
    np.divide((pull**2 * (weight > 0)).sum(axis=0), number - 2, out=chi2, where=number > 2)

    factor, text = _strip_scatter(level, weight, seconds, strip, bias, dark, options)
    problems += text
    common = _overscan_error([s for s, _ in closed], amplifiers)
    bias_err = np.sqrt(np.where(known, vb, np.inf) * factor + common**2)
    dark_err = np.sqrt(np.where(known, vd, np.inf) * factor)
    cov = np.where(known, cov, 0.0) * factor
    bias, dark = np.where(known, bias, 0.0), np.where(known, dark, 0.0)
    tau = float(line_periods[0])
    total, total_err = _total(bias, dark, bias_err, dark_err, cov, n_stage * tau)
    return DarkVector(
        bias,
        bias_err,
        dark,
        dark_err,
        cov,
        total,
        total_err,
        n_stage,
        tau,
        chi2,
        len(closed),
        tuple(problems),
    )


def _steady_errors(closed: list[tuple[ColumnSummary, float]]) -> NDArray[np.float64]:
    """Level errors with each column's pixel noise averaged over a strip's bins."""
    errors = []
    for s, _ in closed:
        own = np.asarray(s.level_err, dtype=np.float64)
        number = np.asarray(s.count, dtype=np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            # level_err^2 * count is the pixel variance over the clip's efficiency.
            pixel = np.where(np.isfinite(own), own**2 * number, 0.0).sum(axis=0)
            pixel = pixel / np.isfinite(own).sum(axis=0)
            errors.append(np.where(number > 0, np.sqrt(pixel / number), np.nan))
    return np.concatenate(errors)


def _overscan_error(
    summaries: list[ColumnSummary], amplifiers: tuple[Amplifier, ...]
) -> NDArray[np.float64]:
    """Error that the overscan adds to a whole amplifier's bias, per column, electrons."""
    amps = index_amplifiers(amplifiers, n_columns=summaries[0].n_columns)
    precision = np.zeros(len(amplifiers))
    free = np.zeros(len(amplifiers), dtype=bool)
    for s in summaries:
        variance, _ = s.overscan.read_noise()
        pixels = s.overscan.count.sum(axis=0)
        free |= pixels == 0
        with np.errstate(invalid="ignore", divide="ignore"):
            precision += np.nan_to_num(pixels / variance**2, posinf=0.0)
    gains = np.array([a.gain for a in amplifiers])
    error = np.where(free | (precision == 0), 0.0, gains / np.sqrt(np.maximum(precision, 1e-30)))
    return error[amps]


def _strip_scatter(
    level: NDArray[np.float64],
    weight: NDArray[np.float64],
    seconds: NDArray[np.float64],
    strip: NDArray[np.int64],
    bias: NDArray[np.float64],
    dark: NDArray[np.float64],
    options: DarkOptions,
) -> tuple[float, list[str]]:
    """Factor by which strips scatter beyond their errors (variance; at least 1), and its report."""
    n_strips = int(strip.max()) + 1
    if n_strips < 2:
        return 1.0, []
    residual = level - bias - seconds[:, None] * dark
    means, errors = [], []
    for i in range(n_strips):
        w = weight[strip == i]
        total = w.sum(axis=0)
        safe = np.where(total > 0, total, 1.0)
        means.append(np.where(total > 0, (w * residual[strip == i]).sum(axis=0) / safe, np.nan))
        errors.append(np.where(total > 0, 1.0 / np.sqrt(safe), np.nan))
    chi2 = np.nansum((np.array(means) / np.array(errors)) ** 2, axis=0) / (n_strips - 1)
    chi2 = chi2[np.isfinite(bias)]
    # The mean of chi-square over columns, trimmed of bad columns; a twentieth is the trim.
    chi2 = np.sort(chi2)[: max(1, int(0.95 * len(chi2)))]
    # Trimming the top twentieth of chi-square lowers its mean; scale by the same trim of a model.
    dof = n_strips - 1
    quantiles = (np.arange(200) + 0.5) / 200 * 0.95
    expected = float(np.mean(2.0 * gammaincinv(0.5 * dof, quantiles))) / dof
    factor = float(np.mean(chi2)) / expected
    significant = factor > 1.0 + 5.0 * np.sqrt(2.0 / (dof * len(chi2)))
    if not significant:
        return 1.0, []
    text = []
    if factor > options.scatter:
        text.append(
            f"{n_strips} closed strips scatter {np.sqrt(factor):.2f} times more than their errors "
            "allow: errors of bias and dark raised"
        )
    # The strips' mean scatters by the strip-to-strip variance, not by that of their bins.
    return max(factor, 1.0), text


def dark_from_nothing(
    n_columns: int, *, n_stage: int, line_period: float, options: DarkOptions
) -> DarkVector:
    """Zero vectors with a wide error, for a night without a shutter-closed strip.

    The intercept of the response regression then takes the place of bias and dark.

    Parameters
    ----------
    n_columns, n_stage : int
        Chip columns and rows that integrate.
    line_period : float
        Seconds.
    options : DarkOptions
        Gives the error.

    Returns
    -------
    DarkVector
        ``problems`` says what was assumed.
    """
    zero = np.zeros(n_columns)
    error = np.full(n_columns, options.nothing_err)
    problem = (
        "no shutter-closed strip: bias and dark taken as 0 +- "
        f"{options.nothing_err:g} electrons, the response's intercept stands in for them"
    )
    return DarkVector(
        zero,
        error,
        zero.copy(),
        zero.copy(),
        zero.copy(),
        zero.copy(),
        error.copy(),
        n_stage,
        line_period,
        np.full(n_columns, np.nan),
        0,
        (problem,),
    )
