"""Apertures and moments of the sources of a block, in cutouts no wider than they need."""

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.stages.apertures import light_share, measure_aperture, measure_total
from pipeline.stages.cutouts import isolate_sources
from pipeline.stages.moments import measure_moments
from pipeline.stages.psf_fit import PsfPhotometry
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.source_models import SourceModels
from pipeline.tasks.context import CleanBlock
from pipeline.tasks.options import StageOptions

__all__ = ["Shapes", "measure_shapes", "share_in_ellipses"]

FloatArray = NDArray[np.float64]
_BATCH = 400  # sources cut out at a time, to bound memory
_STEP = 4  # px: sizes of cutouts, few so that each has many sources
# A cutout reaches this far in units of the extent that the first moment wants and of the FWHM:
# that of light 1.4 times as wide as the point spread.
_ROOM = 0.6


@dataclass(frozen=True)
class Shapes:
    """Sources without their neighbours, one value each; see `measure_total` and `Moments`."""

    mom_ll: FloatArray
    mom_lc: FloatArray
    mom_cc: FloatArray
    flux_aperture: FloatArray
    flux_aperture_err: FloatArray
    flux_total: FloatArray
    flux_total_err: FloatArray
    first_moment_radius: FloatArray
    semi_major: FloatArray
    semi_minor: FloatArray
    position_angle: FloatArray
    flags: NDArray[np.int32]


def _batches(
    rank: NDArray[np.intp], halves: NDArray[np.int64]
) -> Iterator[tuple[int, NDArray[np.intp]]]:
    """Sources of one half size of cutout, some hundreds at a time, in the order of ``rank``."""
    for half in np.unique(halves[rank]):
        chosen = rank[halves[rank] == half]
        for first in range(0, chosen.size, _BATCH):
            yield int(half), chosen[first : first + _BATCH]


def measure_shapes(
    block: CleanBlock,
    photon_variance: NDArray,
    fit: PsfPhotometry,
    models: SourceModels,
    psf: PsfModel,
    which: NDArray[np.intp],
    fwhm: FloatArray,
    *,
    column_widths: FloatArray,
    options: StageOptions,
) -> Shapes:
    """Measure sources of a block.

    Parameters
    ----------
    block : CleanBlock
    photon_variance : ndarray of shape (columns,)
        Variance per electron of source light.
    fit, models : PsfPhotometry, SourceModels
        Of all sources of the block.
    psf : PsfModel
        They were fitted with.
    which : ndarray of int, shape (n,)
        The sources wanted.
    fwhm : ndarray of shape (n,)
        Total FWHM of the point spread at each of them, px.
    column_widths : ndarray of shape (columns,)
        Largest total FWHM of the point spread at each column, px: what cutouts must hold.
    options : StageOptions

    Returns
    -------
    Shapes

    Notes
    -----
    Cutouts are as wide as the smear of the column asks. Sources that they turn out too narrow for,
    galaxies mostly, are measured again in the widest, so that no result depends on the choice.
    """
    kinds = [f.name for f in fields(Shapes)]
    table = np.full((len(kinds), which.size), np.nan)
    limited = np.zeros(which.size, dtype=bool)
    reach = np.maximum(options.total.extent * _ROOM * column_widths, options.aperture_radius) + 2
    widest = int(np.ceil(reach.max()))
    column = np.clip(np.rint(fit.column[which]), 0, reach.size - 1).astype(int)
    halves = np.minimum(_STEP * np.ceil(reach[column] / _STEP), widest).astype(int)
    # Sources that share nodes of the point spread follow each other: they are drawn together.
    node = psf.column_stencil(fit.column[which])[0]
    rank = np.lexsort((fit.line[which], node, halves))

    def measure(rank: NDArray[np.intp], halves: NDArray[np.int64]) -> None:
        for half, batch in _batches(rank, halves):
            cut = isolate_sources(
                block.image, block.variance, block.mask, fit.line, fit.column, fit.flux, psf,
                which=which[batch], first_line=block.first_line, photon_variance=photon_variance,
                half_size=half, models=models,
            )  # fmt: skip
            moments = measure_moments(cut, fwhm[batch] / FWHM_PER_SIGMA)
            aperture = measure_aperture(cut, radius=options.aperture_radius)
            total = measure_total(
                cut, moments.mom_ll, moments.mom_lc, moments.mom_cc, fwhm[batch],
                options=options.total,
            )  # fmt: skip
            table[:, batch] = (
                moments.mom_ll, moments.mom_lc, moments.mom_cc, aperture.flux, aperture.flux_err,
                total.flux, total.flux_err, total.first_moment_radius, total.semi_major,
                total.semi_minor, total.position_angle, aperture.flags | total.flags,
            )  # fmt: skip
            limited[batch] = total.limited

    measure(rank, halves)
    measure(rank[limited[rank] & (halves[rank] < widest)], np.full_like(halves, widest))
    values: dict[str, NDArray] = dict(zip(kinds, table, strict=True))
    values["flags"] = values["flags"].astype(np.int32)
    return Shapes(**values)


def share_in_ellipses(
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

    Parameters
    ----------
    psf : PsfModel
        Fitted point spread.
    lines, columns : ndarray of shape (n,)
        Positions, px.
    semi_major, semi_minor, position_angle : ndarray of shape (n,)
        Of the ellipses: px, px, degrees from the line axis towards the column axis.

    Returns
    -------
    ndarray of shape (n,)
    """
    share = np.full(lines.size, np.nan)
    # Half a pixel more than the ellipse holds all that counts.
    need = _STEP * np.ceil((np.nan_to_num(semi_major, nan=np.inf) + 0.5) / _STEP)
    halves = np.minimum(need, psf.half_size).astype(int)
    rank = np.lexsort((lines, psf.column_stencil(columns)[0], halves))
    for half, batch in _batches(rank, halves):
        stars = psf.kernels(lines[batch], columns[batch], half)
        share[batch] = light_share(
            stars, semi_major[batch], semi_minor[batch], position_angle[batch]
        )
    return share
