"""Measure the sources of a block: point spread, apertures, moments."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.apertures import light_share, measure_aperture, measure_total
from pipeline.stages.cutouts import isolate_sources, stack_cutouts
from pipeline.stages.detect import Detections
from pipeline.stages.moments import measure_moments
from pipeline.stages.ownership import own
from pipeline.stages.psf_fit import fit_psf_with_models, required_fit_halo
from pipeline.stages.psf_model import PsfModel
from pipeline.tasks.context import CleanBlock, StripContext, prepare_block
from pipeline.tasks.options import StageOptions
from pipeline.tasks.point_spread import Spread, column_widths

__all__ = ["Measurements", "concatenate_measurements", "measure_block", "neighbour_reach"]

FloatArray = NDArray[np.float64]
_BATCH = 400  # sources cut out at a time, to bound memory
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


def concatenate_measurements(parts: list[Measurements]) -> Measurements:
    """Join the sources of several blocks, in order of line.

    Parameters
    ----------
    parts : list of Measurements
        In order of line.

    Returns
    -------
    Measurements
    """
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
    psf, widest_fwhm = spread.model, spread.widest
    # What a fit needs to see follows the smear of the column; what reaches it, that of the widest.
    radii = options.psf_radii(column_widths(psf, strip.n_columns))
    halo = neighbour_reach(options, spread)
    block = prepare_block(context, start - halo, stop + halo)
    low, high = block.first_line, block.first_line + block.image.shape[0]
    near = detections.select((detections.line >= low) & (detections.line < high))
    mine = np.flatnonzero(own(near.line, start, stop))
    photon = context.photon_variance
    fit, models = fit_psf_with_models(
        block.image, block.variance, block.mask, near.line, near.column, near.flux, psf,
        first_line=low, photon_variance=photon, options=options.psf_fit(widest_fwhm),
        radii=radii,
    )  # fmt: skip
    fwhm = _total_fwhm(psf, fit.line[mine], fit.column[mine])
    half = int(np.ceil(max(options.total.extent * widest_fwhm * 0.6, options.aperture_radius) + 2))
    shapes: list[tuple[FloatArray, ...]] = []
    for first in range(0, mine.size, _BATCH):
        which = mine[first : first + _BATCH]
        cut = isolate_sources(
            block.image, block.variance, block.mask, fit.line, fit.column, fit.flux, psf,
            which=which, first_line=low, photon_variance=photon, half_size=half,
            models=models,
        )  # fmt: skip
        width = fwhm[first : first + _BATCH]
        moments = measure_moments(cut, width / FWHM_PER_SIGMA)
        aperture = measure_aperture(cut, radius=options.aperture_radius)
        total = measure_total(
            cut, moments.mom_ll, moments.mom_lc, moments.mom_cc, width, options=options.total
        )
        shapes.append(
            (moments.mom_ll, moments.mom_lc, moments.mom_cc, aperture.flux, aperture.flux_err,
             total.flux, total.flux_err, total.first_moment_radius, total.semi_major,
             total.semi_minor, total.position_angle,
             (aperture.flags | total.flags).astype(float))
        )  # fmt: skip
    table = (
        tuple(np.concatenate(column) for column in zip(*shapes, strict=True))
        if shapes
        else tuple(np.empty(0) for _ in range(12))
    )
    fit, found = fit.select(mine), near.select(mine)
    l = np.clip(np.rint(found.line).astype(int) - low, 0, block.sky.shape[0] - 1)
    c = np.clip(np.rint(found.column).astype(int), 0, block.sky.shape[1] - 1)
    flags = fit.flags | found.flags | table[11].astype(np.int32)
    flags |= _flags_of_masks(block, found.line, found.column)
    line, column = fit.line, fit.column
    if spread.drift is not None:
        level = fit.flux / block.variance[l, c]
        d_line, d_column = spread.drift.shift(psf, line, column, level, strip.n_stage)
        line, column = line - d_line, column - d_column
    return Measurements(
        line=line, line_err=fit.line_err, column=column, column_err=fit.column_err,
        flux_psf=fit.flux, flux_psf_err=fit.flux_err, flux_aperture=table[3],
        flux_aperture_err=table[4],
        aperture_share=share_in_aperture(
            psf, fit.line, fit.column, radius=options.aperture_radius, n_columns=strip.n_columns
        ),
        total_share=_share_in_ellipses(psf, fit.line, fit.column, *table[8:11]),
        flux_total=table[5], flux_total_err=table[6], mom_ll=table[0], mom_lc=table[1],
        mom_cc=table[2], first_moment_radius=table[7], semi_major=table[8], semi_minor=table[9],
        position_angle=table[10], fwhm=fwhm, peak=found.peak, sky=block.sky[l, c].astype(float),
        chi2=fit.chi2, extendedness=fit.extendedness, extendedness_err=fit.extendedness_err,
        snr=found.snr, flags=flags,
    )  # fmt: skip


def _total_fwhm(psf: PsfModel, lines: FloatArray, columns: FloatArray) -> FloatArray:
    """FWHM of a Gaussian with the core width of the point spread and all that widens it, px."""
    ll, _, cc = psf.second_moments(columns)
    seeing = psf.fwhm(lines) / FWHM_PER_SIGMA
    return np.asarray(FWHM_PER_SIGMA * np.sqrt(seeing**2 + 0.5 * (ll + cc)))


def _share_in_ellipses(
    psf: PsfModel,
    lines: FloatArray,
    columns: FloatArray,
    semi_major: FloatArray,
    semi_minor: FloatArray,
    position_angle: FloatArray,
) -> FloatArray:
    """Share of a star's light within each source's own ellipse.

    The ellipse is as wide as the seeing and the smear of its place; how much light it leaves out
    changes with them, by per cents where smear is wide.
    """
    parts = [np.empty(0)]
    for first in range(0, lines.size, _BATCH):
        batch = slice(first, first + _BATCH)
        stars = psf.kernels(lines[batch], columns[batch], psf.half_size)
        parts.append(
            light_share(stars, semi_major[batch], semi_minor[batch], position_angle[batch])
        )
    return np.concatenate(parts)


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
