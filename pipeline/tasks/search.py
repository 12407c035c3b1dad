"""Search a block for sources, and cut out stars for the point spread."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.config import LINE_BIN
from pipeline.flags import PixelMask
from pipeline.stages.detect import Detections, detect, required_halo
from pipeline.stages.ownership import own
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.psf_stars import cut_stamps
from pipeline.stages.sums import count_bits
from pipeline.stages.trails import (
    BinnedSignificance,
    Trail,
    TrailOptions,
    bin_significance,
    concatenate_significance,
    find_trails,
)
from pipeline.strip import Strip
from pipeline.tasks.context import StripContext, prepare_block

__all__ = ["BlockFind", "find_strip_trails", "leave_maps", "maps_of", "search_block"]

_GROUP_LINES = 512  # lines that share a kernel: seeing changes little within
_GROUP_COLUMNS = 128
_SETTLE = 256  # lines after the ramp whose sky is interpolated from a bin in the ramp


@dataclass(frozen=True)
class BlockFind:
    """What a block holds.

    Parameters
    ----------
    detections : Detections
        Sources whose position is in the block.
    significance : BinnedSignificance
        For the search of trails.
    stars : ndarray of intp
        Which detections were cut out.
    stamps, variances : ndarray of float32 of shape (n, size, size)
        Their pixels and background variance.
    masked : ndarray of int64
        Pixels of the block with each bit of `PixelMask`.
    """

    detections: Detections
    significance: BinnedSignificance
    stars: NDArray[np.intp]
    stamps: NDArray[np.float32]
    variances: NDArray[np.float32]
    masked: NDArray[np.int64]


def maps_of(finds: Iterable[BlockFind]) -> list[BinnedSignificance]:
    """What the search of trails needs of blocks; taken one by one, the rest is let go."""
    return [f.significance for f in finds]


def leave_maps(finds: Iterable[BlockFind]) -> list[BlockFind]:
    """All else of blocks."""
    return [replace(f, significance=_NO_MAP) for f in finds]


_NO_MAP = BinnedSignificance(0, 0, 1, np.empty((0, 0), np.float32))


def make_kernels(
    psf: PsfModel, strip: Strip, low: int, high: int, *, half_size: int
) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.int64]]:
    """Matched-filter kernels on a grid anchored at line 0, and which one each line and column uses.

    Parameters
    ----------
    psf : PsfModel
        First point spread.
    strip : Strip
        Gives columns and lines.
    low, high : int
        Half-open range of lines.
    half_size : int
        Of a kernel, px.

    Returns
    -------
    kernels : ndarray of float32 of shape (a, b, size, size)
    line_group, column_group : ndarray of int64
    """
    groups = np.arange(low // _GROUP_LINES, (high - 1) // _GROUP_LINES + 1)
    n_columns = max(1, round(strip.n_columns / _GROUP_COLUMNS))
    edges = np.linspace(0, strip.n_columns, n_columns + 1)
    middles = 0.5 * (edges[:-1] + edges[1:])
    at = np.meshgrid((groups + 0.5) * _GROUP_LINES, middles, indexing="ij")
    kernels = psf.kernels(at[0].ravel(), at[1].ravel(), half_size)
    line_group = np.arange(low, high) // _GROUP_LINES - groups[0]
    column_group = np.clip(
        np.searchsorted(edges, np.arange(strip.n_columns), side="right") - 1, 0, n_columns - 1
    )
    size = 2 * half_size + 1
    return kernels.reshape(groups.size, middles.size, size, size), line_group, column_group


def kernel_half_size(psf: PsfModel, fwhm: float) -> int:
    """Half size of a kernel that holds all of the point spread that counts for detection, px."""
    return int(min(max(np.ceil(1.6 * fwhm), 4), psf.half_size))


def _brightest(
    line: NDArray[np.float64],
    snr: NDArray[np.float64],
    strip: Strip,
    per_quarter: int,
    index: NDArray[np.intp],
) -> NDArray[np.intp]:
    """The brightest stars of each bin of lines: enough for the fit even if half have neighbours.

    Bins are anchored at line 0, so that the choice does not depend on the block.
    """
    most = max(4, -(-2 * per_quarter * 4 * LINE_BIN // strip.n_stage))
    chosen: list[NDArray[np.intp]] = []
    for number in np.unique(line // LINE_BIN):
        mine = np.flatnonzero(line // LINE_BIN == number)
        chosen.append(mine[np.argsort(-snr[mine], kind="stable")][:most])
    return np.sort(index[np.concatenate(chosen)]) if chosen else index


def search_block(
    context: StripContext, psf: PsfModel, fwhm: float, start: int, stop: int
) -> BlockFind:
    """Find the sources of a block.

    Parameters
    ----------
    context : StripContext
        The strip and its calibrations.
    psf : PsfModel
        First point spread.
    fwhm : float
        Typical total width of stars, px.
    start, stop : int
        Half-open range of lines.

    Returns
    -------
    BlockFind
    """
    strip, options = context.strip, context.options
    half = kernel_half_size(psf, fwhm)
    stamp = int(np.ceil(options.psf_stars.radius))  # what is fitted of a star
    halo = max(required_halo(options.detect, kernel_half_size=half), stamp + 2)
    block = prepare_block(context, start - halo, stop + halo)
    low, high = block.first_line, block.first_line + block.image.shape[0]
    kernels, line_group, column_group = make_kernels(psf, strip, low, high, half_size=half)
    found = detect(
        block.image, block.variance, block.mask, kernels,
        line_group=line_group, column_group=column_group, first_line=low, options=options.detect,
    )  # fmt: skip
    found = found.select(own(found.line, start, stop))
    # Stars of the ramp crossed only part of the chip.
    found = found.select(found.line >= strip.n_stage)
    snr = found.flux / np.where(found.flux_err > 0, found.flux_err, np.inf)
    inside = (found.column >= stamp) & (found.column < strip.n_columns - stamp)
    stars = np.flatnonzero((snr >= options.psf_stars.min_snr) & (found.flags == 0) & inside)
    most = options.psf_stars.stars_of_bin(strip.n_lines, strip.n_stage)
    stars = _brightest(found.line[stars], snr[stars], strip, most, stars)
    stamps, variances = cut_stamps(
        block.image, block.variance, block.mask, found.line[stars], found.column[stars],
        first_line=low, half_size=stamp,
    )  # fmt: skip
    own_rows = block.crop(start, stop)
    # In the ramp the sky is known less well, and a step in it would look like a trail.
    complete = max(0, min(strip.n_stage + _SETTLE - start, stop - start))
    clean = own_rows.image
    if complete > 0:
        clean = clean.copy()
        clean[:complete] = 0.0
    significance = bin_significance(
        clean, own_rows.variance, own_rows.mask, start, options=options.trails
    )
    masked = count_bits(own_rows.mask)[[bit.value.bit_length() - 1 for bit in PixelMask]]
    return BlockFind(found, significance, stars, stamps, variances, masked)


def find_strip_trails(options: TrailOptions, parts: list[BinnedSignificance]) -> tuple[Trail, ...]:
    """Trails of satellites and aircraft on a whole strip.

    Parameters
    ----------
    options : TrailOptions
        Tuning.
    parts : list of BinnedSignificance
        Of all blocks, in order of line.

    Returns
    -------
    tuple of Trail
    """
    return find_trails(concatenate_significance(parts), options=options)
