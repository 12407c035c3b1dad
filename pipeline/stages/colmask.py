"""Columns that cannot be trusted, and why."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import SIGMA_PER_MAD
from pipeline.flags import PixelMask
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.medians import median_of_columns, median_of_rows
from pipeline.stages.response import ResponseVector
from pipeline.stages.tail_kernels import N_AROUND, sum_tails
from pipeline.strip import Amplifier, index_amplifiers

__all__ = [
    "ColumnMaskOptions",
    "ColumnReason",
    "mask_columns",
    "measure_excess_noise",
    "measure_tails",
]

# Columns that a star covers with this one.
_AROUND = np.array([k for k in range(-N_AROUND // 2, N_AROUND // 2 + 1) if k])
_MOST_PULL = 20.0  # sigma: one bin must not decide


@dataclass(frozen=True)
class ColumnMaskOptions:
    """Limits beyond which a column is bad.

    Parameters
    ----------
    dead_response : float
        Least response.
    hot_signal : float
        Largest dark signal of a full integration above the median column, electrons.
    hot_sigma : float
        A hot column's dark signal also exceeds the median by this many sigma.
    noise_ratio : float
        Largest pixel variance over that of the amplifier's typical column at the same level.
    noise_sigma : float
        A noisy column's ratio also exceeds 1 by this many sigma.
    nonlinearity : float
        Largest relative deviation from a straight line at the highest sky.
    nonlinearity_sigma : float
        A non-linear column's deviation also exceeds this many sigma.
    tail_sigma : float
        Sigma by which a column's light beyond its neighbours, where stars are, exceeds zero.
    """

    dead_response: float = 0.3
    hot_signal: float = 100.0
    hot_sigma: float = 5.0
    noise_ratio: float = 1.5
    noise_sigma: float = 6.0
    nonlinearity: float = 0.02
    nonlinearity_sigma: float = 6.0
    tail_sigma: float = 6.0

    def __post_init__(self) -> None:
        for name in (
            "dead_response",
            "hot_signal",
            "hot_sigma",
            "noise_ratio",
            "noise_sigma",
            "nonlinearity",
            "nonlinearity_sigma",
            "tail_sigma",
        ):
            if not getattr(self, name) > 0:
                msg = f"column mask {name} must be positive, received {getattr(self, name)}"
                raise ValueError(msg)


@dataclass(frozen=True)
class ColumnReason:
    """Why a column is masked.

    Parameters
    ----------
    column : int
    bit : PixelMask
    text : str
        With the value found and the limit.
    """

    column: int
    bit: PixelMask
    text: str


def measure_excess_noise(
    summaries: Sequence[ColumnSummary], amplifiers: tuple[Amplifier, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Pixel variance of each column over that expected at its level, and the error of the ratio.

    The expectation of a column bin is the variance of the amplifier's columns in that bin, scaled
    to the column's own level by Poisson statistics: ``var_typical + level - level_typical``.

    Parameters
    ----------
    summaries : sequence of ColumnSummary
        Shutter-closed strips show electronic noise best; science strips do as well.
    amplifiers : tuple of Amplifier
        They tile the chip.

    Returns
    -------
    ratio, error : ndarray of shape (n_columns,)
        Median over bins; NaN and infinity for a column without data.

    Raises
    ------
    ValueError
        If there is no summary.
    """
    if len(summaries) == 0:
        msg = "summaries must hold at least one ColumnSummary, received none"
        raise ValueError(msg)
    ratios = []
    for s in summaries:
        amps = index_amplifiers(amplifiers, n_columns=s.n_columns)
        ratio = np.full(s.level.shape, np.nan)
        for a in range(len(amplifiers)):
            chosen = amps == a
            rows = np.flatnonzero(np.isfinite(s.level[:, chosen]).any(axis=1))
            level = s.level[np.ix_(rows, np.flatnonzero(chosen))].astype(np.float64)
            variance = s.noise_var[np.ix_(rows, np.flatnonzero(chosen))].astype(np.float64)
            typical = median_of_rows(variance)[:, None]
            light = median_of_rows(level)[:, None]
            # Half the typical variance is a floor: a dead column still has read noise.
            expected = np.maximum(typical + level - light, 0.0)
            read = amplifiers[a].read_noise ** 2 + amplifiers[a].gain ** 2 / 12.0
            expected = np.maximum(expected, read)
            ratio[np.ix_(rows, np.flatnonzero(chosen))] = variance / expected
        ratios.append(ratio)
    every = np.concatenate(ratios)
    count = np.concatenate([s.count for s in summaries])
    result = median_of_columns(every)
    # Each bin's variance is known to sqrt(3/count); 1.2533 is the price of the median.
    with np.errstate(divide="ignore"):
        single = np.where(count > 0, count / 3.0, 0.0).sum(axis=0)
        error = np.where(single > 0, 1.2533 / np.sqrt(np.maximum(single, 1e-30)), np.inf)
    return result, error


def measure_tails(
    summaries: Sequence[ColumnSummary],
    dark: DarkVector,
    response: ResponseVector,
    *,
    line_periods: Sequence[float],
    n_stage: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Light that a column holds beyond its neighbours where stars are, and the error.

    A star covers several columns alike and is clipped away; behind it a trap releases what it
    held back, faintly and over many lines, which lifts the level of that one column. So each
    column's level less that of its neighbours is regressed on the share of pixels that the clip
    took around it. Long strips or crowded ones are needed: the error, from the scatter of the
    columns, says how well traps can be seen.

    Parameters
    ----------
    summaries : sequence of ColumnSummary
        Science strips.
    dark : DarkVector
    response : ResponseVector
    line_periods : sequence of float
        Seconds, one per strip.
    n_stage : int
        Rows that integrate; bins in the ramp are left out.

    Returns
    -------
    tail, error : ndarray of shape (n_columns,)
        Standard errors of a bin's level per unit share of pixels lost; NaN and infinity where
        nothing is known.

    Raises
    ------
    ValueError
        If there is no summary or the columns differ in number.
    """
    if len(summaries) == 0 or len(summaries) != len(line_periods):
        msg = (
            "summaries and line_periods must be equally many and at least one, "
            f"received {len(summaries)} and {len(line_periods)}"
        )
        raise ValueError(msg)
    n = response.n_columns
    if dark.n_columns != n or any(s.n_columns != n for s in summaries):
        msg = f"summaries and dark must have the response's {n} columns"
        raise ValueError(msg)
    good = np.isfinite(response.error) & ~response.mask & (response.value > 0)
    columns = np.flatnonzero(good)
    tail, error = np.full(n, np.nan), np.full(n, np.inf)
    if len(columns) < 2 * len(_AROUND):
        return tail, error
    around = columns[np.clip(np.arange(len(columns))[:, None] + _AROUND, 0, len(columns) - 1)]
    top = np.zeros(len(columns))
    bottom = np.zeros(len(columns))
    for s, tau in zip(summaries, line_periods, strict=True):
        use = ~s.in_ramp(n_stage) & (s.present > 0)
        light = s.level[use] - dark.offset(s.mean_rows(n_stage)[use], line_period=tau)
        light = (light - response.intercept) / np.where(good, response.value, 1.0)
        lost = 1.0 - s.count[use] / s.present[use][:, None]
        one, other = sum_tails(
            light, lost, s.level_err[use].astype(np.float64), columns, around,
            response.value[columns], _MOST_PULL,
        )  # fmt: skip
        top += one
        bottom += other
    known = bottom > 0
    if not known.any():
        return tail, error
    slope = np.where(known, top / np.where(known, bottom, 1.0), 0.0)
    # Scatter in units of what unit noise would give holds for columns of any load.
    unit = np.where(known, 1.0 / np.sqrt(np.where(known, bottom, 1.0)), np.inf)
    scaled = (slope / unit)[known]
    scatter = SIGMA_PER_MAD * float(np.median(np.abs(scaled - np.median(scaled))))
    tail[columns] = np.where(known, slope, np.nan)
    error[columns] = unit * max(scatter, 1.0)
    return tail, error


def mask_columns(
    dark: DarkVector,
    response: ResponseVector,
    noise: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    options: ColumnMaskOptions,
    tails: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> tuple[NDArray[np.uint16], tuple[ColumnReason, ...]]:
    """Mask bits of whole columns, with reasons.

    Parameters
    ----------
    dark : DarkVector
    response : ResponseVector
    noise : pair of ndarray of shape (n_columns,)
        Ratio and error from `measure_excess_noise`.
    options : ColumnMaskOptions
        Limits.
    tails : pair of ndarray of shape (n_columns,), optional
        Value and error from `measure_tails`; without them no trap is looked for.

    Returns
    -------
    mask : ndarray of uint16 of shape (n_columns,)
        DEAD, HOT, NOISY, NONLINEAR, TRAP bits.
    reasons : tuple of ColumnReason
        In the order of the columns.

    Raises
    ------
    ValueError
        If the columns differ in number.
    """
    ratio, ratio_err = noise
    n = dark.n_columns
    if response.n_columns != n or len(ratio) != n or len(ratio_err) != n:
        msg = (
            "dark, response and noise must share their columns, received "
            f"{n}, {response.n_columns} and {len(ratio)}"
        )
        raise ValueError(msg)
    seconds = dark.n_stage * dark.line_period
    signal = dark.dark * seconds
    signal_err = dark.dark_err * seconds
    excess = signal - np.median(signal)
    dead = ~(response.value >= options.dead_response) | ~np.isfinite(response.error)
    with np.errstate(invalid="ignore"):
        hot = (excess > options.hot_signal) & (excess > options.hot_sigma * signal_err)
        noisy = (ratio > options.noise_ratio) & (ratio - 1.0 > options.noise_sigma * ratio_err)
        deviation = np.abs(response.linearity)
        bent = (deviation > options.nonlinearity) & (
            deviation > options.nonlinearity_sigma * response.linearity_err
        )
    # No column deviates by all its light: under a sky that hardly varies, errors beyond that share
    # show that nothing is known.
    bent &= ~dead & (options.nonlinearity_sigma * response.linearity_err < 1.0)
    trap = np.zeros(n, dtype=bool)
    pull = np.zeros(n)
    if tails is not None:
        pull = np.nan_to_num(tails[0] / tails[1])
        # A column that is bent or flickers differs from its neighbours for that reason.
        trap = (pull > options.tail_sigma) & ~(dead | hot | noisy | bent)
    mask = np.zeros(n, dtype=np.uint16)
    reasons = []
    for c in np.flatnonzero(dead | hot | noisy | bent | trap):
        found = []
        if dead[c]:
            text = (
                f"response {response.value[c]:.3f} below {options.dead_response:g}"
                if np.isfinite(response.error[c])
                else "no response could be measured"
            )
            found.append((PixelMask.DEAD, text))
        if hot[c]:
            found.append(
                (
                    PixelMask.HOT,
                    (
                        f"dark signal {excess[c]:.1f} electrons above the median column's "
                        f"(limit {options.hot_signal:g})"
                    ),
                )
            )
        if noisy[c]:
            found.append(
                (
                    PixelMask.NOISY,
                    (
                        f"pixel variance {ratio[c]:.2f} times the amplifier's "
                        f"(limit {options.noise_ratio:g})"
                    ),
                )
            )
        if bent[c]:
            found.append(
                (
                    PixelMask.NONLINEAR,
                    (
                        f"deviates from linearity by {100 * response.linearity[c]:.1f} % at the "
                        f"highest sky (limit {100 * options.nonlinearity:g} %)"
                    ),
                )
            )
        if trap[c]:
            found.append(
                (
                    PixelMask.TRAP,
                    (
                        f"brighter than its neighbours behind stars by {pull[c]:.1f} sigma "
                        f"(limit {options.tail_sigma:g}): charge trails"
                    ),
                )
            )
        for bit, text in found:
            mask[c] |= np.uint16(bit)
            reasons.append(ColumnReason(int(c), bit, text))
    return mask, tuple(reasons)
