"""Column summary: robust level and noise of every column in bins of 256 lines."""

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.stages.colstats_kernels import LINE_BIN, SUBS, summarise
from pipeline.stages.overscan import (
    SUB_BIN,
    OverscanLevels,
    OverscanOptions,
    concatenate_overscan,
    interpolate_overscan,
    keep_of_variance,
    measure_overscan,
    smooth_overscan,
)
from pipeline.strip import Amplifier, index_amplifiers, index_raw_columns

__all__ = [
    "LINE_BIN",
    "ColumnSummary",
    "SummaryOptions",
    "concatenate",
    "settle_overscan",
    "summarise_columns",
]


@dataclass(frozen=True)
class SummaryOptions:
    """How a column's pixels within a bin are clipped.

    Parameters
    ----------
    clip : float
        Clipping limit about the mean, both sides, standard deviations.
    star : float
        A pixel this far above the mean is a star and takes its neighbours along.
    grow : int
        Lines on either side that a star takes along.
    iterations : int
        Clipping passes before the last.
    min_lines : int
        A bin with fewer lines has no level.
    overscan : OverscanOptions
        Of the overscan levels.
    """

    clip: float = 3.0
    star: float = 4.0
    grow: int = 6
    iterations: int = 4
    min_lines: int = 24
    overscan: OverscanOptions = field(default_factory=OverscanOptions)

    def __post_init__(self) -> None:
        if not self.clip > 1.5:
            msg = f"clip must exceed 1.5, received {self.clip}"
            raise ValueError(msg)
        if not self.star >= self.clip:
            msg = f"star must be at least clip ({self.clip}), received {self.star}"
            raise ValueError(msg)
        if self.grow < 0:
            msg = f"grow must not be negative, received {self.grow}"
            raise ValueError(msg)
        if self.iterations < 2:
            msg = f"iterations must be at least 2, received {self.iterations}"
            raise ValueError(msg)
        if self.min_lines < 2:
            msg = f"min_lines must be at least 2, received {self.min_lines}"
            raise ValueError(msg)

    @property
    def clipped_share(self) -> float:
        """Share of pixels that is left out of a column of Gaussian noise, without any star."""
        tail = float(ndtr(-self.star))
        kept = (1.0 - 2.0 * float(ndtr(-self.clip))) * (1.0 - tail) ** (2 * self.grow)
        return 1.0 - kept


@dataclass(frozen=True)
class ColumnSummary:
    """Statistics of consecutive bins of 256 lines of a strip; electrons (configured gain).

    Parameters
    ----------
    first_line : int
        Global line of the first bin, a multiple of 256.
    n_lines : int
        Lines covered; the last bin may be partial.
    line : ndarray of shape (n_bins,)
        Mean global line of the lines with data; of all lines where there are none.
    present : ndarray of int32 of shape (n_bins,)
        Lines with data.
    level, level_err : ndarray of float32 of shape (n_bins, n_columns)
        Clipped mean less the overscan, and its error without that of the overscan.
    noise_var : ndarray of float32 of shape (n_bins, n_columns)
        Variance of one pixel, from differences of adjacent lines, rounding to ADU included.
    count : ndarray of int16 of shape (n_bins, n_columns)
        Pixels used.
    overscan : OverscanLevels
        Levels of the sub-bins, ADU; as measured, or smoothed after `settle_overscan`.
    settled : bool
        Levels refer to the smoothed overscan of the whole strip.
    """

    first_line: int
    n_lines: int
    line: NDArray[np.float64]
    present: NDArray[np.int32]
    level: NDArray[np.float32]
    level_err: NDArray[np.float32]
    noise_var: NDArray[np.float32]
    count: NDArray[np.int16]
    overscan: OverscanLevels
    settled: bool = False

    @property
    def n_bins(self) -> int:
        """Number of bins."""
        return len(self.line)

    @property
    def n_columns(self) -> int:
        """Number of chip columns."""
        return int(self.level.shape[1])

    @property
    def first_lines(self) -> NDArray[np.int64]:
        """Global line at which each bin begins."""
        return self.first_line + LINE_BIN * np.arange(self.n_bins, dtype=np.int64)

    def in_ramp(self, n_stage: int) -> NDArray[np.bool_]:
        """Bins that hold a line of the ramp (line < n_stage)."""
        return self.first_lines < n_stage

    def mean_rows(self, n_stage: int) -> NDArray[np.float64]:
        """Mean of n(l) = min(l, n_stage) over each bin's lines.

        Exact for bins without missing lines; a bin that holds the end of the ramp and misses lines
        counts as if its lines stood evenly about their mean.
        """
        start = self.first_lines
        length = np.minimum(LINE_BIN, self.first_line + self.n_lines - start)
        # The lines' middle moves when some are missing.
        shift = self.line - (start + (length - 1) / 2.0)
        lines = start[:, None] + np.arange(LINE_BIN)[None, :] + shift[:, None]
        inside = np.arange(LINE_BIN)[None, :] < length[:, None]
        rows = np.clip(lines, 0, n_stage)
        return np.where(inside, rows, 0.0).sum(axis=1) / length


def summarise_columns(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    first_line: int,
    amplifiers: tuple[Amplifier, ...],
    *,
    options: SummaryOptions,
) -> ColumnSummary:
    """Clipped mean, its error and the pixel noise of each chip column in bins of 256 lines.

    The overscan of each sub-bin of 32 lines is subtracted as measured; `settle_overscan` puts the
    smoothed one of the whole strip in its place. A linear change of the sky along the bin, common
    to an amplifier's columns, is taken out before clipping, and the level refers to the bin's mean
    line. Pixels more than ``star`` sigma above the mean take ``grow`` lines on both sides with
    them: these hold the star's wings. Both variances are corrected for what the clip cuts from a
    Gaussian, and ``level_err`` carries the clip's loss of efficiency, variance
    ``sigma^2 / (count * keep)``.

    Parameters
    ----------
    raw : ndarray of shape (n_lines, n_raw_columns)
        ADU.
    missing : ndarray of bool of shape (n_lines,)
        True where a line holds no data.
    first_line : int
        Global line of the first; a multiple of 256.
    amplifiers : tuple of Amplifier
        They tile the chip.
    options : SummaryOptions
        Clipping.

    Returns
    -------
    ColumnSummary

    Raises
    ------
    ValueError
        If `first_line` is not a multiple of 256 or the shapes disagree.
    """
    if first_line % LINE_BIN:
        msg = f"first_line must be a multiple of {LINE_BIN}, received {first_line}"
        raise ValueError(msg)
    overscan = measure_overscan(raw, missing, first_line, amplifiers, options=options.overscan)
    n_lines = raw.shape[0]
    n_columns = max(a.chip[1] for a in amplifiers)
    columns = index_raw_columns(amplifiers, n_columns=n_columns)
    amps = index_amplifiers(amplifiers, n_columns=n_columns)
    n_bins = -(-n_lines // LINE_BIN)
    line = np.zeros(n_bins)
    present = np.zeros(n_bins, dtype=np.int32)
    shape = (n_bins, n_columns)
    level = np.full(shape, np.nan, dtype=np.float32)
    level_err = np.full(shape, np.nan, dtype=np.float32)
    noise_var = np.full(shape, np.nan, dtype=np.float32)
    count = np.zeros(shape, dtype=np.int16)
    gains = np.array([a.gain for a in amplifiers], dtype=np.float32)
    # Rounding to whole ADU alone gives this much noise; the floor keeps a clip from closing.
    floors = gains * np.float32(np.sqrt(1.0 / 12.0))
    sub_level = np.zeros((n_bins * SUBS, len(amplifiers)), dtype=np.float32)
    sub_level[: len(overscan.level)] = np.nan_to_num(overscan.level)
    summarise(
        np.ascontiguousarray(raw),
        missing,
        sub_level,
        gains,
        floors,
        amps,
        columns,
        np.float32(options.clip),
        np.float32(options.star),
        options.grow,
        options.iterations,
        options.min_lines,
        np.float32(keep_of_variance(options.clip)),
        line,
        present,
        level,
        level_err,
        noise_var,
        count,
    )
    return ColumnSummary(
        first_line,
        n_lines,
        line + first_line,
        present,
        level,
        level_err,
        noise_var,
        count,
        overscan,
    )


def concatenate(parts: list[ColumnSummary]) -> ColumnSummary:
    """Summaries of consecutive blocks as one; equal to that of the blocks taken together.

    Parameters
    ----------
    parts : list of ColumnSummary
        In order; every one but the last ends at a multiple of 256 lines; none settled.

    Returns
    -------
    ColumnSummary

    Raises
    ------
    ValueError
        If the list is empty, a part is settled, or a part does not continue its predecessor.
    """
    if not parts:
        msg = "parts must hold at least one ColumnSummary, received none"
        raise ValueError(msg)
    if any(p.settled for p in parts):
        msg = "parts must not be settled: the overscan is smoothed over the whole strip"
        raise ValueError(msg)
    for before, after in pairwise(parts):
        end = before.first_line + before.n_lines
        if end != after.first_line or end % LINE_BIN:
            msg = (
                f"parts must continue each other at multiples of {LINE_BIN} lines: "
                f"one ends at {end}, the next begins at {after.first_line}"
            )
            raise ValueError(msg)
    return ColumnSummary(
        parts[0].first_line,
        sum(p.n_lines for p in parts),
        np.concatenate([p.line for p in parts]),
        np.concatenate([p.present for p in parts]),
        np.concatenate([p.level for p in parts]),
        np.concatenate([p.level_err for p in parts]),
        np.concatenate([p.noise_var for p in parts]),
        np.concatenate([p.count for p in parts]),
        concatenate_overscan([p.overscan for p in parts]),
    )


def settle_overscan(
    summary: ColumnSummary, amplifiers: tuple[Amplifier, ...], *, options: OverscanOptions
) -> ColumnSummary:
    """Summary of a whole strip with its levels referred to the smoothed overscan.

    `calibrate_lines` subtracts the smoothed overscan; after this the summary speaks of the same
    zero.

    Parameters
    ----------
    summary : ColumnSummary
        Of the whole strip.
    amplifiers : tuple of Amplifier
        They tile the chip.
    options : OverscanOptions
        Smoothing.

    Returns
    -------
    ColumnSummary
        Its ``overscan`` has no gaps and is what `interpolate_overscan` takes.
    """
    if summary.settled:
        return summary
    measured = np.nan_to_num(summary.overscan.level)
    smooth = smooth_overscan(summary.overscan, options=options)
    n_bins, n_lines = summary.n_bins, summary.n_lines
    lines = interpolate_overscan(smooth, summary.first_line, summary.first_line + n_lines)
    change = np.repeat(measured, SUB_BIN, axis=0)[:n_lines] - lines
    # Sub-bins without data took part in no level.
    known = np.repeat(np.isfinite(summary.overscan.level), SUB_BIN, axis=0)[:n_lines]
    edges = np.arange(0, n_lines, LINE_BIN)
    number = np.add.reduceat(known.astype(np.float64), edges, axis=0)
    shift = np.add.reduceat(np.where(known, change, 0.0), edges, axis=0)
    shift = shift / np.maximum(number, 1.0)
    amps = index_amplifiers(amplifiers, n_columns=summary.n_columns)
    gains = np.array([a.gain for a in amplifiers])
    correction = (shift * gains)[:, amps].reshape(n_bins, summary.n_columns)
    level = (summary.level + correction).astype(np.float32)
    return replace(summary, level=level, overscan=smooth, settled=True)
