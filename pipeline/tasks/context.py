"""All that a worker needs to turn raw lines of a strip into clean, sky-subtracted electrons."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.config import RawConfig
from pipeline.io.raw_read import read_lines
from pipeline.stages import cosmic, saturation
from pipeline.stages.calibrate import make_tables
from pipeline.stages.clean import clean_lines
from pipeline.stages.dark import DarkVector
from pipeline.stages.overscan import OverscanLevels, interpolate_overscan
from pipeline.stages.response import ResponseVector
from pipeline.stages.sky import SkyModel
from pipeline.stages.sky_lines import SkyLines
from pipeline.stages.trails import Trail, mark_trails
from pipeline.strip import Strip
from pipeline.tasks.options import StageOptions

__all__ = ["CleanBlock", "StripContext", "prepare_block"]


@dataclass(frozen=True)
class StripContext:
    """A strip and its calibrations.

    Parameters
    ----------
    strip : Strip
        The strip.
    raw : RawConfig
        How the camera writes its files.
    options : StageOptions
        Tuning of the stages.
    dark, response : DarkVector, ResponseVector
        Column vectors of the strip's night.
    column_mask : ndarray of uint16 of shape (n_columns,)
        Bits of whole columns.
    overscan : OverscanLevels
        Smoothed over the whole strip.
    read_noise : ndarray of shape (n_amplifiers,)
        Electrons, measured where it could be.
    sky : SkyModel
        Of the whole strip.
    sharpest_line, sharpest_column : ndarray of shape (n_columns,)
        Gaussian widths of the sharpest point spread that the strip can have, px.
    trails : tuple of Trail
        Satellites and aircraft found so far.
    """

    strip: Strip
    raw: RawConfig
    options: StageOptions
    dark: DarkVector
    response: ResponseVector
    column_mask: NDArray[np.uint16]
    overscan: OverscanLevels
    read_noise: NDArray[np.float64]
    sky: SkyModel
    sharpest_line: NDArray[np.float64]
    sharpest_column: NDArray[np.float64]
    trails: tuple[Trail, ...] = ()

    @property
    def photon_variance(self) -> NDArray[np.float64]:
        """Variance per electron of star light: 1/response, by column."""
        safe = np.where(np.isfinite(self.response.value), self.response.value, 1.0)
        return np.asarray(1.0 / np.where(safe > 0.05, safe, 1.0))


@dataclass(frozen=True)
class CleanBlock:
    """Lines of a strip after calibration.

    Parameters
    ----------
    first_line : int
        Global line of the first row.
    image : ndarray of float32 of shape (n_lines, n_columns)
        Electrons for a response of 1, sky subtracted.
    variance : ndarray of float32
        Of the background alone, electrons^2.
    mask : ndarray of uint16
        `PixelMask` bits.
    sky : SkyLines
        What was subtracted, made where it is asked for.
    """

    first_line: int
    image: NDArray[np.float32]
    variance: NDArray[np.float32]
    mask: NDArray[np.uint16]
    sky: SkyLines

    def crop(self, start: int, stop: int) -> "CleanBlock":
        """Lines `start` to `stop` (global, half-open)."""
        rows = slice(start - self.first_line, stop - self.first_line)
        return CleanBlock(
            start, self.image[rows], self.variance[rows], self.mask[rows], self.sky.crop(rows)
        )


def prepare_block(context: StripContext, start: int, stop: int) -> CleanBlock:
    """Read, calibrate, subtract the sky and mask lines of a strip.

    The lines beyond both ends that decide about masks are read too and cut off again, so every
    pixel comes out the same whatever range it is asked for in.

    Parameters
    ----------
    context : StripContext
        The strip and its calibrations.
    start, stop : int
        Half-open range of lines; cut to the strip.

    Returns
    -------
    CleanBlock
    """
    strip, options = context.strip, context.options
    start, stop = max(0, start), min(stop, strip.n_lines)
    # Cosmic rays look at a mask that already has its bleeds, so the reaches add up.
    halo = saturation.halo_lines(options.saturation) + cosmic.halo_lines(options.cosmic)
    low, high = max(0, start - halo), min(stop + halo, strip.n_lines)
    raw, missing = read_lines(strip, context.raw, low, high)
    tables = make_tables(
        strip.amplifiers, context.dark, context.response, context.column_mask,
        line_period=strip.line_period, n_stage=strip.n_stage, read_noise=context.read_noise,
    )  # fmt: skip
    limits = cosmic.make_limits(
        context.sharpest_line, context.sharpest_column, strip.n_columns, options=options.cosmic
    )
    levels = interpolate_overscan(context.overscan, low, high)
    sky = context.sky.prepare(low, high - low)
    image, variance, mask, sharp = clean_lines(raw, missing, low, levels, tables, sky, limits)
    # Saturation first, so that rays see the bleeds.
    saturation.mark_saturation(image, variance, mask, options=options.saturation)
    cosmic.mark_cosmic_rays(image, variance, mask, sharp, limits)
    mark_trails(mask, low, context.trails)
    return CleanBlock(low, image, variance, mask, sky).crop(start, stop)
