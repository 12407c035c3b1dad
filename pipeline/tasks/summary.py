"""First look at a block: its column summary, and its bright stars."""

from dataclasses import dataclass

import numpy as np

from pipeline.config import RawConfig
from pipeline.io.raw_read import read_lines
from pipeline.stages.colstats import ColumnSummary, summarise_columns
from pipeline.stages.quick import BrightStars, find_bright_stars
from pipeline.strip import Strip, index_amplifiers, index_raw_columns
from pipeline.tasks.options import StageOptions

__all__ = ["BlockSummary", "summarise_block"]

_HALO = 8  # lines: the window of a bright star's fit and of its comparison with neighbours
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
    """

    summary: ColumnSummary
    stars: BrightStars | None


def summarise_block(
    raw_options: RawConfig, options: StageOptions, strip: Strip, start: int, stop: int
) -> BlockSummary:
    """Read lines and summarise their columns; find bright stars where the shutter is open.

    Parameters
    ----------
    raw_options : RawConfig
        How the camera writes its files.
    options : StageOptions
        Tuning.
    strip : Strip
        The strip.
    start, stop : int
        Half-open range of lines; `start` is a multiple of 256.

    Returns
    -------
    BlockSummary
    """
    low, high = start, min(stop + _HALO, strip.n_lines)
    low = max(0, start - _HALO) if strip.shutter_open else start
    raw, missing = read_lines(strip, raw_options, low, high)
    inner = slice(start - low, stop - low)
    summary = summarise_columns(
        raw[inner], missing[inner], start, strip.amplifiers, options=options.summary
    )
    if not strip.shutter_open:
        return BlockSummary(summary, None)
    index = index_raw_columns(strip.amplifiers, n_columns=strip.n_columns)
    amps = index_amplifiers(strip.amplifiers, n_columns=strip.n_columns)
    gain = np.array([a.gain for a in strip.amplifiers], dtype=np.float32)[amps]
    ceiling = np.array([a.saturation for a in strip.amplifiers])[amps]
    zero = np.nanmedian(np.nan_to_num(summary.overscan.level), axis=0)[amps].astype(np.float32)
    image = (raw[:, index].astype(np.float32) - zero) * gain
    # Every bin's own level takes away sky, bias and dark at once, whatever the response.
    bins = np.clip((np.arange(low, high) - start) // 256, 0, summary.n_bins - 1)
    level = np.where(np.isfinite(summary.level), summary.level, 0.0).astype(np.float32)
    image -= level[bins]
    image[missing] = 0.0
    noise = np.sqrt(np.nanmedian(np.where(summary.count > 0, summary.noise_var, np.nan), axis=0))
    bad = ~np.isfinite(noise) | (noise <= 0) | (noise > 3.0 * np.nanmedian(noise))
    stars = find_bright_stars(
        image,
        np.where(bad, 1.0, noise),
        bad,
        first_line=low,
        ceiling=(0.9 * ceiling - zero) * gain - np.nanmedian(level, axis=0),
        threshold=_BRIGHT,
        own=(max(start, strip.n_stage), stop),
    )
    return BlockSummary(summary, stars)
