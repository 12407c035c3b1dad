"""A quick look at one block of lines, and the small picture of a strip."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.config import LINE_BIN, Config
from pipeline.errors import ProductError
from pipeline.finite import row_medians
from pipeline.io.raw_read import read_groups, read_lines
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.glance import bin_columns, halve_cells
from pipeline.stages.quick import BrightStars, concatenate_bright_stars
from pipeline.strip import Strip, index_amplifiers, index_raw_columns, take_chip
from pipeline.tasks.look_options import LookOptions
from pipeline.tasks.summary import HALO, summarise_raw

__all__ = [
    "HALF_SIZE", "BlockLook", "GlanceVectors", "PreviewMaker", "choose_blocks", "find_vectors",
    "join_stars", "look_at_block",
]  # fmt: skip

HALF_SIZE = 16  # px of a stamp; the smear of a wide chip reaches 11 px
_STAMPS = 60  # a block; their moments and fluxes are measured once the geometry is known
_APART = 14.0  # px to the next bright star
_NOISY = 3.0  # a column's noise over that of the typical one, as for the search of bright stars
_AREA = 250_000  # cells of a preview
_GROUP = 4  # lines read of each step
_AT_ONCE = 2_000_000  # pixels; more would not stay in the memory that a process keeps


@dataclass(frozen=True)
class BlockLook:
    """What one block of lines shows.

    Parameters
    ----------
    start, stop : int
        Half-open range of lines.
    summary : ColumnSummary
        One bin.
    stars : BrightStars
        Empty in the ramp and with the shutter closed.
    stamped : ndarray of int of shape (n,)
        Single stars of `stars` that have a stamp.
    stamps : ndarray of float32 of shape (n, size, size)
        Electrons above the sky.
    noise : float
        Standard deviation of a typical pixel, electrons.
    saturated : float
        Share of the pixels with data that are at saturation.
    bad : ndarray of bool of shape (n_columns,)
        Columns without noise, or noisier than most.
    n_lost : int
        Lines without data.
    """

    start: int
    stop: int
    summary: ColumnSummary
    stars: BrightStars
    stamped: NDArray[np.int64]
    stamps: NDArray[np.float32]
    noise: float
    saturated: float
    bad: NDArray[np.bool_]
    n_lost: int

    def masked(self, bad: NDArray[np.bool_]) -> float:
        """Share of the pixels in lost lines or bad columns, those of `bad` among them."""
        present = 1.0 - self.n_lost / (self.stop - self.start)
        return 1.0 - present * (1.0 - float(np.mean(self.bad | bad)))

    @property
    def level(self) -> NDArray[np.float64]:
        """Level of every column above the overscan, electrons."""
        return self.summary.level[0].astype(float)


@dataclass(frozen=True)
class GlanceVectors:
    """Calibrations of an earlier reduction.

    Parameters
    ----------
    dark, response : ndarray of shape (n_columns,)
        Electrons; relative.
    mask : ndarray of bool of shape (n_columns,)
    text : str
        Where they are from.
    """

    dark: NDArray[np.float64]
    response: NDArray[np.float64]
    mask: NDArray[np.bool_]
    text: str


def find_vectors(products: Path, strip: Strip) -> GlanceVectors:
    """Newest calibrations for a strip's chip and filter, of its night or of one before.

    Parameters
    ----------
    products : Path
        Folder that a reduction wrote.
    strip : Strip
        The strip.

    Returns
    -------
    GlanceVectors

    Raises
    ------
    ProductError
        If there are none, or they are damaged or of another chip.
    """
    from pipeline.io.vector_files import read_vectors  # with Parquet: most looks need neither

    name = f"{strip.chip}_{strip.filter}_response.fits"
    found = sorted((products / "calibration").glob(f"2*/{name}"), key=lambda p: p.parent.name)
    if not found:
        msg = (
            f"{products}: no calibration/*/{name}; give the products of a reduction of this chip "
            "and filter with --vectors"
        )
        raise ProductError(msg)
    path = ([p for p in found if p.parent.name <= strip.night] or found)[-1]
    response = read_vectors(path, kind="response", n_columns=strip.n_columns).columns
    dark_path = path.with_name(f"{strip.chip}_dark.fits")
    dark = read_vectors(dark_path, kind="dark", n_columns=strip.n_columns).columns
    with np.errstate(invalid="ignore"):
        good = response["response"] > 0
    return GlanceVectors(
        dark=np.nan_to_num(dark["total"]) + np.nan_to_num(response["intercept"]),
        response=np.where(good, response["response"], np.nan),
        mask=(response["mask"] != 0) | ~good,
        text=f"column vectors of night {path.parent.name}",
    )


def choose_blocks(strip: Strip, stride: int) -> list[int]:
    """First lines of the blocks to look at: every so many bins, behind the ramp where one ends.

    Parameters
    ----------
    strip : Strip
        As far as it is written.
    stride : int
        Bins of 256 lines from one block to the next.

    Returns
    -------
    list of int
        Only bins that are written to their end and lie in no gap; for a strip shorter than one
        bin, its only one. With the last one that is written.
    """
    whole = strip.n_lines // LINE_BIN
    if not whole:
        return [0]
    lead = -(-strip.n_stage // LINE_BIN) if strip.shutter_open else 0
    first = lead if lead < whole else 0
    bins = [b for b in range(first, whole) if _has_data(strip, b * LINE_BIN)]
    chosen = {b for b in bins if (b - first) % stride == 0} | set(bins[-1:])
    return [b * LINE_BIN for b in sorted(chosen)]


def _has_data(strip: Strip, start: int) -> bool:
    return not any(low <= start and start + LINE_BIN <= high for low, high in strip.gaps)


def look_at_block(config: Config, options: LookOptions, strip: Strip, start: int) -> BlockLook:
    """Read one bin of 256 lines and look at it.

    Parameters
    ----------
    config : Config
        The observatory.
    options : LookOptions
        Tuning.
    strip : Strip
        As far as it is written.
    start : int
        A multiple of 256.

    Returns
    -------
    BlockLook
    """
    stop = min(start + LINE_BIN, strip.n_lines)
    low, high = max(0, start - HALO), min(stop + HALO, strip.n_lines)
    if not strip.shutter_open:
        low = start
    raw, missing = read_lines(strip, config.raw, low, high, growing=True)
    missing |= raw.min(axis=1) == raw.max(axis=1)  # lines that were filled in, not read out
    found = summarise_raw(options, strip, raw, missing, low, start, stop)
    summary, stars = found.summary, found.stars
    if stars is None or 2 * found.n_lost > stop - start:
        stars = concatenate_bright_stars([])  # half a block tells too little of its own level
    inner = slice(start - low, stop - low)
    amps = index_amplifiers(strip.amplifiers, n_columns=strip.n_columns)
    full = np.array([a.saturation for a in strip.amplifiers])[amps]
    there = ~missing[inner]
    chip = take_chip(raw, strip.amplifiers, n_columns=strip.n_columns)
    saturated = chip >= full.astype(np.float32)
    n_pixels = max(1, int(np.count_nonzero(there)) * strip.n_columns)
    seen = saturated[inner] if there.all() else saturated[inner][there]
    share = float(np.count_nonzero(seen)) / n_pixels
    with np.errstate(invalid="ignore"):
        noise = np.sqrt(summary.noise_var[0])
    known = np.isfinite(noise) & (noise > 0)
    typical = float(np.median(noise[known])) if known.any() else np.nan
    bad = ~known | (noise > _NOISY * typical)
    gains = np.array([a.gain for a in strip.amplifiers], dtype=np.float32)[amps]
    overscan = summary.overscan.level
    known = np.isfinite(overscan).all(axis=1)
    middle = np.median(overscan[known], axis=0) if known.any() else np.zeros(overscan.shape[1])
    zero = middle[amps].astype(np.float32)
    stamped, stamps = _cut_stamps(
        chip, (zero, gains, np.nan_to_num(summary.level[0])), stars, low, saturated, missing
    )
    return BlockLook(
        start, stop, summary, stars, stamped, stamps, typical, share, bad,
        int(np.count_nonzero(~there)),
    )  # fmt: skip


def _cut_stamps(
    chip: NDArray[np.generic],
    scale: tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]],
    stars: BrightStars,
    low: int,
    saturated: NDArray[np.bool_],
    missing: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Stamps of the brightest single stars; none with a saturated pixel or a lost line."""
    size = 2 * HALF_SIZE + 1
    chosen: list[int] = []
    stamps: list[NDArray[np.float32]] = []
    if len(stars):
        zero, gain, level = scale
        # The level is that of the whole block; twilight and clouds change from line to line.
        image = chip.astype(np.float32)
        image -= zero  # in place: new arrays cost more than the sums
        image *= gain
        image -= level
        image -= row_medians(image)[:, None]
        places = np.stack([stars.line, stars.column], axis=1)
        near = cKDTree(places).query_ball_point(places, _APART, return_length=True)
        for i in np.argsort(-stars.snr, kind="stable"):
            line, column = round(stars.line[i]) - low, round(stars.column[i])
            rows = slice(line - HALF_SIZE, line + HALF_SIZE + 1)
            across = slice(column - HALF_SIZE, column + HALF_SIZE + 1)
            inside = rows.start >= 0 and rows.stop <= chip.shape[0]
            inside = inside and across.start >= 0 and across.stop <= chip.shape[1]
            if near[i] > 1 or not inside or saturated[rows, across].any() or missing[rows].any():
                continue
            chosen.append(int(i))
            stamps.append(image[rows, across])
            if len(chosen) == _STAMPS:
                break
    which = np.array(chosen, dtype=np.int64)
    return which, np.array(stamps, dtype=np.float32).reshape(len(chosen), size, size)


class PreviewMaker:
    """A small picture of a strip that may grow: a few lines of every step, in cells of columns.

    Parameters
    ----------
    config : Config
        How the camera writes its files.
    """

    def __init__(self, config: Config) -> None:
        self._raw = config.raw
        self.step = 1
        self.group = 1
        self.cells = np.empty((0, 0), dtype=np.float32)

    def update(self, strip: Strip) -> None:
        """Read what has been written since the last time.

        Parameters
        ----------
        strip : Strip
            As far as it is written.
        """
        while self.step**2 * _AREA < strip.n_lines * strip.n_columns:
            # Read at the finest step that fits; where the strip has grown, cells are joined.
            self.step *= 2
            self.group = min(_GROUP, self.step)
            if self.cells.size:
                self.cells = halve_cells(self.cells[: len(self.cells) // 2 * 2])
        done = len(self.cells)
        starts = np.arange(done, strip.n_lines // self.step, dtype=np.int64) * self.step
        # At most so many pixels at a time, whatever the chip and the strip.
        room = max(1, _AT_ONCE // (self.group * strip.n_raw_columns))
        parts = [self.cells] if self.cells.size else []
        firsts = range(0, starts.size, room)
        parts += [self._read(strip, starts[first : first + room]) for first in firsts]
        if parts:
            self.cells = np.concatenate(parts)

    def _read(self, strip: Strip, starts: NDArray[np.int64]) -> NDArray[np.float32]:
        raw, known = read_groups(strip, self._raw, starts, self.group)
        for i in np.flatnonzero(~known):
            start = int(starts[i])
            if any(start < s.first_line < start + self.group for s in strip.segments):
                # It begins in one file and ends in the next.
                stop = start + self.group
                lines, missing = read_lines(strip, self._raw, start, stop, growing=True)
                raw[i], known[i] = lines, not missing.any()
        index = index_raw_columns(strip.amplifiers, n_columns=strip.n_columns)
        mean = raw.mean(axis=1, dtype=np.float64)
        image = np.empty((starts.size, 1, strip.n_columns))
        for amplifier in strip.amplifiers:
            first, stop = amplifier.chip
            low, high = amplifier.overscan
            zero: float | NDArray[np.float64] = 0.0
            if high > low:
                zero = np.median(raw[:, :, low:high], axis=(1, 2))[:, None]
            image[:, 0, first:stop] = (mean[:, index[first:stop]] - zero) * amplifier.gain
        known &= np.isfinite(image).all(axis=(1, 2)) & (raw.min((1, 2)) < raw.max((1, 2)))
        return bin_columns(image, known, self.step)


def join_stars(looks: Iterable[BlockLook]) -> BrightStars:
    """Bright stars of several blocks, in order of line."""
    return concatenate_bright_stars([look.stars for look in looks])
