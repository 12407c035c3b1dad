"""Measure the sources of a block: point spread, apertures, moments."""

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.apertures import measure_aperture
from pipeline.stages.cutouts import stack_cutouts
from pipeline.stages.detect import Detections
from pipeline.stages.ownership import own
from pipeline.stages.psf_fit import fit_psf_with_models, required_fit_halo
from pipeline.stages.psf_model import PsfModel
from pipeline.tasks.context import CleanBlock, StripContext, prepare_block
from pipeline.tasks.measure_shapes import measure_shapes, share_in_ellipses
from pipeline.tasks.options import StageOptions
from pipeline.tasks.point_spread import Spread

__all__ = ["Measurements", "concatenate_measurements", "measure_block", "neighbour_reach"]

FloatArray = NDArray[np.float64]
_SHARE_LINES = 256  # grid of the aperture's share of light: seeing and smear change little within
_SHARE_COLUMNS = 64


@dataclass(frozen=True)
class Measurements:
    """Sources in strip pixels and electrons, one value per source, in order of line.

    Fluxes are as they stand in the calibrated strip; the exposure of each column is not yet
    taken into account.
    """

    line: FloatArray
    line_err: FloatArray
    column: FloatArray
    column_err: FloatArray
    flux_psf: FloatArray
    flux_psf_err: FloatArray
    flux_aperture: FloatArray
    flux_aperture_err: FloatArray
    aperture_share: FloatArray
    total_share: FloatArray
    flux_total: FloatArray
    flux_total_err: FloatArray
    mom_ll: FloatArray
    mom_lc: FloatArray
    mom_cc: FloatArray
    first_moment_radius: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    position_angle: FloatArray
    fwhm: FloatArray
    peak: FloatArray
    sky: FloatArray
    chi2: FloatArray
    extendedness: FloatArray
    extendedness_err: FloatArray
    snr: FloatArray
    flags: NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.line.size)

    def select(self, which: NDArray) -> "Measurements":
        """Sources chosen by a boolean or integer index."""
        return Measurements(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def concatenate_measurements(parts: Iterable[Measurements]) -> Measurements:
    """Join the sources of several blocks, in order of line.

    Parameters
    ----------
    parts : iterable of Measurements
        In order of line.

    Returns
    -------
    Measurements
    """
    parts = list(parts)
    return Measurements(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Measurements))
    )


def _flags_of_masks(block: CleanBlock, lines: FloatArray, columns: FloatArray) -> NDArray[np.int32]:
    """Catalogue flags from the mask within one pixel of each position."""
    l = np.rint(lines).astype(int) - block.first_line
    c = np.rint(columns).astype(int)
    bits = np.zeros(l.size, dtype=np.int64)
    n_lines, n_columns = block.mask.shape
    for dl in (-1, 0, 1):
        for dc in (-1, 0, 1):
            at = (np.clip(l + dl, 0, n_lines - 1), np.clip(c + dc, 0, n_columns - 1))
            bits |= block.mask[at].astype(np.int64)
    flags = np.zeros(l.size, dtype=np.int32)
    pairs = (
        (PixelMask.SATURATED | PixelMask.BLEED, SourceFlag.SATURATED),
        (PixelMask.COSMIC_RAY, SourceFlag.COSMIC_RAY),
        (PixelMask.TRAIL, SourceFlag.TRAIL),
    )
    for pixel, source in pairs:
        flags[(bits & int(pixel)) != 0] |= int(source)
    return flags


def neighbour_reach(options: StageOptions, spread: Spread) -> int:
    """Lines beyond a block whose sources can reach its own through the fit.

    Parameters
    ----------
    options : StageOptions
        Tuning.
    spread : Spread
        Fitted point spread of the strip.

    Returns
    -------
    int
    """
    return required_fit_halo(options.psf_fit(spread.widest), half_size=spread.model.half_size)


def measure_block(
    context: StripContext,
    spread: Spread,
    detections: Detections,
    start: int,
    stop: int,
) -> Measurements:
    """Measure the sources that a block owns.

    Parameters
    ----------
    context : StripContext
        The strip and its calibrations, trails included.
    spread : Spread
        Fitted point spread of the strip.
    detections : Detections
        Sources of the block and of its surroundings: they are neighbours of those at its ends.
    start, stop : int
        Half-open range of lines.

    Returns
    -------
    Measurements
    """
    strip, options = context.strip, context.options
    psf, fit_options = spread.model, options.psf_fit(spread.widest)
    # What a fit needs to see follows the smear of the column, what can reach it that of the widest.
    halo = neighbour_reach(options, spread)
    block = prepare_block(context, start - halo, stop + halo)
    low, high = block.first_line, block.first_line + block.image.shape[0]
    near = detections.select((detections.line >= low) & (detections.line < high))
    mine = np.flatnonzero(own(near.line, start, stop))
    photon = context.photon_variance
    fit, models = fit_psf_with_models(
        block.image, block.variance, block.mask, near.line, near.column, near.flux, psf,
        first_line=low, photon_variance=photon, options=fit_options,
        radii=options.psf_radii(spread.widths),
    )  # fmt: skip
    fwhm = _total_fwhm(psf, fit.line[mine], fit.column[mine])
    shapes = measure_shapes(
        block, photon, fit, models, psf, mine, fwhm, column_widths=spread.widths, options=options
    )
    fit, found = fit.select(mine), near.select(mine)
    l = np.clip(np.rint(found.line).astype(int) - low, 0, block.image.shape[0] - 1)
    c = np.clip(np.rint(found.column).astype(int), 0, block.image.shape[1] - 1)
    flags = fit.flags | found.flags | shapes.flags
    flags |= _flags_of_masks(block, found.line, found.column)
    line, column = fit.line, fit.column
    if spread.drift is not None:
        level = fit.flux / block.variance[l, c]
        d_line, d_column = spread.drift.shift(psf, line, column, level, strip.n_stage)
        line, column = line - d_line, column - d_column
    return Measurements(
        line=line, line_err=fit.line_err, column=column, column_err=fit.column_err,
        flux_psf=fit.flux, flux_psf_err=fit.flux_err, flux_aperture=shapes.flux_aperture,
        flux_aperture_err=shapes.flux_aperture_err,
        aperture_share=share_in_aperture(
            psf, fit.line, fit.column, radius=options.aperture_radius, n_columns=strip.n_columns
        ),
        total_share=share_in_ellipses(
            psf, fit.line, fit.column, shapes.semi_major, shapes.semi_minor, shapes.position_angle
        ),
        flux_total=shapes.flux_total, flux_total_err=shapes.flux_total_err, mom_ll=shapes.mom_ll,
        mom_lc=shapes.mom_lc, mom_cc=shapes.mom_cc,
        first_moment_radius=shapes.first_moment_radius, semi_major=shapes.semi_major,
        semi_minor=shapes.semi_minor, position_angle=shapes.position_angle, fwhm=fwhm,
        peak=found.peak, sky=block.sky.pixels(l, c).astype(float),
        chi2=fit.chi2, extendedness=fit.extendedness, extendedness_err=fit.extendedness_err,
        snr=found.snr, flags=flags,
    )  # fmt: skip


def _total_fwhm(psf: PsfModel, lines: FloatArray, columns: FloatArray) -> FloatArray:
    """FWHM of a Gaussian with the core width of the point spread and all that widens it, px."""
    ll, _, cc = psf.second_moments(columns)
    seeing = psf.fwhm(lines) / FWHM_PER_SIGMA
    return np.asarray(FWHM_PER_SIGMA * np.sqrt(seeing**2 + 0.5 * (ll + cc)))


def share_in_aperture(
    psf: PsfModel, lines: FloatArray, columns: FloatArray, *, radius: float, n_columns: int
) -> FloatArray:
    """Share of a star's light within the fixed aperture, where the star is.

    Seeing and smear carry light out of a fixed aperture, by per cents at the edge columns; a star's
    aperture magnitude puts that right. Computed on a grid anchored at line 0 and interpolated.

    Parameters
    ----------
    psf : PsfModel
        Fitted point spread.
    lines, columns : ndarray of shape (n,)
        Positions, px.
    radius : float
        Of the aperture, px.
    n_columns : int
        Of the chip.

    Returns
    -------
    ndarray of shape (n,)
    """
    if lines.size == 0:
        return np.empty(0)
    row = np.floor(lines / _SHARE_LINES).astype(int)
    rows = np.arange(row.min(), row.max() + 2)
    nodes = np.linspace(0, n_columns - 1, max(2, n_columns // _SHARE_COLUMNS + 1))
    at_l, at_c = (a.ravel() for a in np.meshgrid(rows * _SHARE_LINES, nodes, indexing="ij"))
    stars = psf.kernels(at_l, at_c, psf.half_size)
    cut = stack_cutouts(stars, 0.0, d_line=0.0, d_column=0.0)
    # A kernel has unit sum; what lies beyond it belongs to the star all the same, but is far
    # below a thousandth.
    share = measure_aperture(cut, radius=radius).flux.reshape(rows.size, nodes.size)
    weight_l = lines / _SHARE_LINES - row
    place = np.clip(columns / (nodes[1] - nodes[0]), 0, nodes.size - 1.000001)
    left = place.astype(int)
    weight_c = place - left
    low, high = share[row - rows[0]], share[row - rows[0] + 1]
    at = np.arange(lines.size)
    along = (1 - weight_l)[:, None] * low + weight_l[:, None] * high
    return np.asarray((1 - weight_c) * along[at, left] + weight_c * along[at, left + 1])
