"""First look at a block: its column summary, and its bright stars."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.config import LINE_BIN, RawConfig
from pipeline.io.raw_read import read_lines
from pipeline.stages.colstats import ColumnSummary, summarise_columns
from pipeline.stages.overscan import SUB_BIN
from pipeline.stages.quick import BrightStars, concatenate_bright_stars, find_bright_stars
from pipeline.strip import Strip, index_amplifiers, take_chip
from pipeline.tasks.look_options import LookOptions

if TYPE_CHECKING:
    from pipeline.tasks.options import StageOptions

__all__ = ["HALO", "BlockSummary", "summarise_block", "summarise_raw"]

HALO = 8
"""Lines: the window of a bright star's fit and of its comparison with neighbours."""
_BRIGHT = 20.0  # sigma of a pixel: a star that a paraboloid places to a tenth of a pixel


@dataclass(frozen=True)
class BlockSummary:
    """What the first look found.

    Parameters
    ----------
    summary : ColumnSummary
        Of the block.
    stars : BrightStars or None
        None for a strip with the shutter closed.
    n_lost : int
        Lines that should be there and could not be read.
    """

    summary: ColumnSummary
    stars: BrightStars | None
    n_lost: int


def summarise_block(
    raw_options: RawConfig,
    options: "StageOptions | LookOptions",
    strip: Strip,
    start: int,
    stop: int,
) -> BlockSummary:
    """Read lines and summarise their columns; find bright stars where the shutter is open.

    Parameters
    ----------
    raw_options : RawConfig
        How the camera writes its files.
    options : StageOptions or LookOptions
        Tuning.
    strip : Strip
        The strip.
    start, stop : int
        Half-open range of lines; `start` is a multiple of 256.

    Returns
    -------
    BlockSummary
    """
    low, high = start, min(stop + HALO, strip.n_lines)
    low = max(0, start - HALO) if strip.shutter_open else start
    raw, missing = read_lines(strip, raw_options, low, high)
    return summarise_raw(options, strip, raw, missing, low, start, stop)


def summarise_raw(
    options: "StageOptions | LookOptions",
    strip: Strip,
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    low: int,
    start: int,
    stop: int,
) -> BlockSummary:
    """As `summarise_block`, of lines that were read already.

    Parameters
    ----------
    options : StageOptions or LookOptions
        Tuning.
    strip : Strip
        The strip.
    raw : ndarray of shape (n, n_raw_columns)
        Lines from `low` on, ADU; with `HALO` lines on either side as far as there are any.
    missing : ndarray of bool of shape (n,)
        Lines without data.
    low, start, stop : int
        First line of `raw`, and the half-open range of lines to summarise.

    Returns
    -------
    BlockSummary
    """
    inner = slice(start - low, stop - low)
    summary = summarise_columns(
        raw[inner], missing[inner], start, strip.amplifiers, options=options.summary
    )
    lost = missing[inner].copy()
    for first, last in strip.gaps:
        lost[max(0, first - start) : max(0, last - start)] = False
    n_lost = int(np.count_nonzero(lost))
    if not strip.shutter_open:
        return BlockSummary(summary, None, n_lost)
    stars = [
        _find_stars(raw, missing, low, summary, number, strip) for number in range(summary.n_bins)
    ]
    return BlockSummary(summary, concatenate_bright_stars(stars), n_lost)


def _find_stars(
    raw: NDArray[np.generic],
    missing: NDArray[np.bool_],
    low: int,
    summary: ColumnSummary,
    number: int,
    strip: Strip,
) -> BrightStars:
    """Bright stars of one bin of lines; nothing outside the bin and its halo counts."""
    first = summary.first_line + number * LINE_BIN
    stop = min(first + LINE_BIN, summary.first_line + summary.n_lines)
    begin = max(low, first - HALO)
    rows = slice(begin - low, stop + HALO - low)
    amps = index_amplifiers(strip.amplifiers, n_columns=strip.n_columns)
    gain = np.array([a.gain for a in strip.amplifiers], dtype=np.float32)[amps]
    saturation = np.array([a.saturation for a in strip.amplifiers])[amps]
    sub = LINE_BIN // SUB_BIN
    overscan = np.nan_to_num(summary.overscan.level[number * sub : (number + 1) * sub])
    zero = np.median(overscan, axis=0)[amps].astype(np.float32)
    # The bin's own level takes away sky, bias and dark at once, whatever the response.
    level = np.nan_to_num(summary.level[number]).astype(np.float32)
    image = take_chip(raw[rows], strip.amplifiers, n_columns=strip.n_columns).astype(np.float32)
    image -= zero  # in place: new arrays cost more than the sums
    image *= gain
    image -= level
    image[missing[rows]] = 0.0
    noise = np.sqrt(np.where(summary.count[number] > 0, summary.noise_var[number], np.nan))
    known = np.isfinite(noise) & (noise > 0)
    if not known.any():
        return concatenate_bright_stars([])
    bad = ~known | (noise > 3.0 * np.median(noise[known]))
    # The noise of one bin is known to a few per cent; its typical value serves all columns alike.
    return find_bright_stars(
        image,
        np.full(strip.n_columns, np.median(noise[known])),
        bad,
        first_line=begin,
        ceiling=(0.9 * saturation - zero) * gain - level,
        threshold=_BRIGHT,
        own=(max(first, strip.n_stage), stop),
    )
