"""The overscan level of each amplifier along a strip."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.stages.medians import median_of_rows
from pipeline.stages.series import choose_half_width, fill_gaps, smooth_running
from pipeline.strip import Amplifier

__all__ = [
    "SUB_BIN",
    "OverscanLevels",
    "OverscanOptions",
    "concatenate_overscan",
    "interpolate_overscan",
    "keep_of_variance",
    "measure_overscan",
    "smooth_overscan",
]

SUB_BIN = 32  # lines of one overscan level; counted from line 0 of the strip

QUANTISATION = 1.0 / 12.0  # variance of rounding to whole ADU, in ADU^2 (uniform distribution)


@dataclass(frozen=True)
class OverscanOptions:
    """How overscan levels are measured and smoothed.

    Parameters
    ----------
    clip : float
        Clipping limit in standard deviations.
    iterations : int
        Clipping passes.
    skip : int
        Overscan columns left out at the end nearest the image, where deferred charge arrives.
    half_widths : tuple of int
        Half widths, in sub-bins, among which the smoothing chooses.
    """

    clip: float = 3.5
    iterations: int = 4
    skip: int = 1
    half_widths: tuple[int, ...] = (0, 1, 2, 4, 8, 16, 32)

    def __post_init__(self) -> None:
        if not self.clip > 1.0:
            msg = f"overscan clip must exceed 1, received {self.clip}"
            raise ValueError(msg)
        if self.iterations < 1:
            msg = f"overscan iterations must be at least 1, received {self.iterations}"
            raise ValueError(msg)
        if self.skip < 0:
            msg = f"overscan skip must not be negative, received {self.skip}"
            raise ValueError(msg)


@dataclass(frozen=True)
class OverscanLevels:
    """Overscan of consecutive sub-bins of 32 lines.

    Parameters
    ----------
    first_line : int
        Global line of the first sub-bin, a multiple of 32.
    n_lines : int
        Lines covered; the last sub-bin may be partial.
    level, error : ndarray of shape (n_sub, n_amplifiers)
        ADU; NaN where there are no data. An amplifier without overscan has level and error 0.
    noise_var : ndarray of shape (n_sub, n_amplifiers)
        Variance of one pixel without that of rounding, ADU^2; NaN where unknown.
    count : ndarray of int32 of shape (n_sub, n_amplifiers)
        Pixels used.
    """

    first_line: int
    n_lines: int
    level: NDArray[np.float64]
    error: NDArray[np.float64]
    noise_var: NDArray[np.float64]
    count: NDArray[np.int32]

    @property
    def centres(self) -> NDArray[np.float64]:
        """Global line of each sub-bin's middle."""
        start = self.first_line + SUB_BIN * np.arange(len(self.level))
        stop = np.minimum(start + SUB_BIN, self.first_line + self.n_lines)
        return (start + stop - 1) / 2.0

    def read_noise(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Read noise of each amplifier over all sub-bins, and its error, in ADU (NaN: unknown)."""
        weight = np.where(np.isfinite(self.noise_var), self.count, 0).astype(np.float64)
        total = weight.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            variance = (weight * np.nan_to_num(self.noise_var)).sum(axis=0) / total
            noise = np.sqrt(np.maximum(variance, 0.0))
            error = (variance + QUANTISATION) / noise * np.sqrt(1.0 / (2.0 * total))
        return noise, error


def keep_of_variance(clip: float) -> float:
    """Variance left of a unit Gaussian after cutting it at ``+-clip``."""
    density = np.exp(-0.5 * clip * clip) / np.sqrt(2.0 * np.pi)
    return float(1.0 - 2.0 * clip * density / (2.0 * ndtr(clip) - 1.0))


def _overscan_columns(amplifier: Amplifier, skip: int) -> slice:
    """Raw columns used, without those next to the image."""
    first, stop = amplifier.overscan
    if stop - first <= skip:
        return slice(first, stop)
    return slice(first + skip, stop) if first >= amplifier.data[1] else slice(first, stop - skip)


def measure_overscan(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    first_line: int,
    amplifiers: tuple[Amplifier, ...],
    *,
    options: OverscanOptions,
) -> OverscanLevels:
    """Robust level and noise of every amplifier's overscan in sub-bins of 32 lines.

    Parameters
    ----------
    raw : ndarray of shape (n_lines, n_raw_columns)
        Raw pixels, ADU.
    missing : ndarray of bool of shape (n_lines,)
        True where a line holds no data.
    first_line : int
        Global line of the first; a multiple of 32.
    amplifiers : tuple of Amplifier
        Gives the overscan columns.
    options : OverscanOptions
        Clipping.

    Returns
    -------
    OverscanLevels

    Raises
    ------
    ValueError
        If `first_line` is not a multiple of 32 or the shapes disagree.
    """
    if first_line % SUB_BIN:
        msg = f"first_line must be a multiple of {SUB_BIN}, received {first_line}"
        raise ValueError(msg)
    if raw.ndim != 2 or missing.shape != raw.shape[:1]:
        msg = (
            "raw and missing must be (lines, columns) and (lines,), "
            f"received {raw.shape} and {missing.shape}"
        )
        raise ValueError(msg)
    n_lines = raw.shape[0]
    n_sub = -(-n_lines // SUB_BIN)
    shape = (n_sub, len(amplifiers))
    level, error = np.full(shape, np.nan), np.full(shape, np.nan)
    noise_var, count = np.full(shape, np.nan), np.zeros(shape, dtype=np.int32)
    keep = keep_of_variance(options.clip)
    for a, amplifier in enumerate(amplifiers):
        columns = _overscan_columns(amplifier, options.skip)
        width = columns.stop - columns.start
        if width <= 0:
            level[:, a], error[:, a] = 0.0, 0.0
            continue
        x = np.full((n_sub * SUB_BIN, width), np.nan)
        x[:n_lines] = raw[:, columns]
        x[:n_lines][missing] = np.nan
        x = x.reshape(n_sub, SUB_BIN * width)
        some = np.isfinite(x).any(axis=1)
        if not some.any():
            continue
        x = x[some]
        centre = median_of_rows(x)
        # The floor keeps a noiseless, rounded overscan from clipping itself away.
        sigma = np.maximum(1.4826 * median_of_rows(np.abs(x - centre[:, None])), 0.5)
        for _ in range(options.iterations):
            used = np.abs(x - centre[:, None]) <= options.clip * sigma[:, None]
            n = np.maximum(used.sum(axis=1), 1)
            centre = np.where(used, x, 0.0).sum(axis=1) / n
            square = np.where(used, (x - centre[:, None]) ** 2, 0.0).sum(axis=1)
            variance = square / np.maximum(n - 1, 1) / keep
            sigma = np.maximum(np.sqrt(variance), 0.5)
        level[some, a] = centre
        error[some, a] = np.sqrt(np.maximum(variance, QUANTISATION) / (n * keep))
        noise_var[some, a] = variance - QUANTISATION
        count[some, a] = n
    return OverscanLevels(first_line, n_lines, level, error, noise_var, count)


def concatenate_overscan(parts: list[OverscanLevels]) -> OverscanLevels:
    """Levels of consecutive blocks as one.

    Parameters
    ----------
    parts : list of OverscanLevels
        In order; every one but the last ends at a multiple of 32 lines.

    Returns
    -------
    OverscanLevels

    Raises
    ------
    ValueError
        If the list is empty or a part does not continue its predecessor.
    """
    if not parts:
        msg = "parts must hold at least one OverscanLevels, received none"
        raise ValueError(msg)
    for before, after in pairwise(parts):
        end = before.first_line + before.n_lines
        if end != after.first_line or end % SUB_BIN:
            msg = (
                f"parts must continue each other at multiples of {SUB_BIN} lines: "
                f"one ends at {end}, the next begins at {after.first_line}"
            )
            raise ValueError(msg)
    return OverscanLevels(
        parts[0].first_line,
        sum(p.n_lines for p in parts),
        np.concatenate([p.level for p in parts]),
        np.concatenate([p.error for p in parts]),
        np.concatenate([p.noise_var for p in parts]),
        np.concatenate([p.count for p in parts]),
    )


def smooth_overscan(levels: OverscanLevels, *, options: OverscanOptions) -> OverscanLevels:
    """Levels of a whole strip, gaps bridged, smoothed as far as their noise justifies.

    Applied once to a whole strip, never to a block, so that blocks change nothing.

    Parameters
    ----------
    levels : OverscanLevels
        Of the whole strip.
    options : OverscanOptions
        Widths to choose from.

    Returns
    -------
    OverscanLevels
        Without NaN in level and error.
    """
    level, error = np.empty_like(levels.level), np.empty_like(levels.error)
    for a in range(level.shape[1]):
        known = np.isfinite(levels.level[:, a])
        filled = fill_gaps(levels.level[:, a], levels.centres)
        typical = float(np.median(levels.error[known, a])) if known.any() else 0.0
        filled_err = np.where(known, np.nan_to_num(levels.error[:, a]), typical)
        half_width = choose_half_width(
            filled, np.where(known, filled_err, 0.0), candidates=options.half_widths
        )
        level[:, a], error[:, a] = smooth_running(filled, filled_err, half_width=half_width)
    return OverscanLevels(
        levels.first_line, levels.n_lines, level, error, levels.noise_var, levels.count
    )


def interpolate_overscan(levels: OverscanLevels, start: int, stop: int) -> NDArray[np.float64]:
    """Level of every line, linear between the middles of the sub-bins, held at the strip's ends.

    Parameters
    ----------
    levels : OverscanLevels
        Of the whole strip, without NaN (see `smooth_overscan`).
    start, stop : int
        Global lines, half-open.

    Returns
    -------
    ndarray of float64 of shape (stop - start, n_amplifiers)
        ADU. A line's value does not depend on `start` and `stop`.

    Raises
    ------
    ValueError
        If the lines leave the strip or a level is NaN.
    """
    end = levels.first_line + levels.n_lines
    if not levels.first_line <= start <= stop <= end:
        msg = f"lines must lie within {levels.first_line}..{end}, received {start}..{stop}"
        raise ValueError(msg)
    if not np.isfinite(levels.level).all():
        msg = "levels must have no gaps; smooth_overscan bridges them"
        raise ValueError(msg)
    lines = np.arange(start, stop, dtype=np.float64)
    return np.stack(
        [
            np.interp(lines, levels.centres, levels.level[:, a])
            for a in range(levels.level.shape[1])
        ],
        axis=1,
    ).reshape(stop - start, levels.level.shape[1])
