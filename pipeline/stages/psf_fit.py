"""Point-spread photometry: flux and position of every source, its neighbours' light removed.

Each source is fitted by weighted least squares with the weights of its *model*, so that flux is
not biased by noise that lowers its own variance estimate; errors are those of the Fisher matrix,
the Cramer-Rao bound (e.g. Mendez et al. 2013, PASP 125, 580). All sources of a block are
fitted at once by passes: in each, every source sees the image less the other sources' models
of the pass before, so the result does not depend on the order of the sources.

At low signal-to-noise a fit with free position settles on the peak of light plus noise: the flux
is too high by about ``flux_err^2/flux`` (one chi-square unit for each coordinate), a tenth of its
error at S/N 10, a fifth at 5. Values are not corrected for this.
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.psf_kernels import COLUMNS, add_models, copy_stamps, fit_pass
from pipeline.stages.psf_model import PsfModel
from pipeline.stages.source_models import SourceModels, order_nodes
from pipeline.stages.spline_kernels import REACH

__all__ = [
    "PsfFitOptions",
    "PsfPhotometry",
    "fit_psf",
    "fit_psf_with_models",
    "required_fit_halo",
]

FloatArray = NDArray[np.float64]
# Neighbours' light, relative to the source's own under its profile, below which a source need not
# be fitted again: a change of it by a tenth from pass to pass is below 1e-4 of the flux.
_REFIT_SHARE = 1e-3
# Models of sources fainter than this signal-to-noise reach no farther than the fit: what lies
# beyond is below a hundredth of the noise of a pixel.
_WIDE_SNR = 50.0


@dataclass(frozen=True)
class PsfFitOptions:
    """Tuning of point-spread photometry.

    Attributes
    ----------
    radius : float
        Pixels within this distance of the detected position are fitted, px. Where radii are given
        column by column this is the largest.
    max_shift : float
        A fit that moves farther than this from the detected position has failed, px; at most 1.5.
    passes : int
        Passes over all sources that have neighbours.
    max_iterations : int
        Newton steps of a fit.
    tolerance : float
        A fit has converged when a step gains less than this in chi-square.
    blend_share : float
        Sources with more neighbours' light than this, relative to their own, are BLENDED.
    """

    radius: float = 9.0
    max_shift: float = 1.5
    passes: int = 4
    max_iterations: int = 30
    tolerance: float = 1e-5
    blend_share: float = 0.05

    def __post_init__(self) -> None:
        """Check the values."""
        if not self.radius >= 2:
            raise ValueError(f"radius: must be at least 2 px, got {self.radius}")
        # Half a pixel of rounding and this shift stay within the reach of a stamp.
        if not 0 < self.max_shift <= REACH - 0.5:
            raise ValueError(f"max_shift: must be above 0 and at most 1.5 px, got {self.max_shift}")
        for name in ("passes", "max_iterations"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name}: must be at least 1, got {getattr(self, name)}")
        for name in ("tolerance", "blend_share"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name}: must be positive, got {getattr(self, name)}")


@dataclass(frozen=True)
class PsfPhotometry:
    """Result of `fit_psf`, one value per source in the order given.

    Attributes
    ----------
    flux, flux_err : ndarray
        Electrons. NaN where the source has too few good pixels.
    line, line_err, column, column_err : ndarray
        Global position, px. The detected position, with NaN errors, where the fit failed.
    covariance : ndarray
        Covariance of line and column, px^2.
    chi2 : ndarray
        Reduced chi-square.
    n_pixels : ndarray of int
        Pixels fitted.
    extendedness, extendedness_err : ndarray
        Width beyond the point spread: extra second moment per axis, px^2, to first order. For
        stars the ratio is a unit normal deviate; sharp events such as cosmic rays are negative.
    shared : ndarray
        Neighbours' light relative to the source's own, both weighted with its profile.
    flags : ndarray of int32
        `SourceFlag` bits found here.
    """

    flux: FloatArray
    flux_err: FloatArray
    line: FloatArray
    line_err: FloatArray
    column: FloatArray
    column_err: FloatArray
    covariance: FloatArray
    chi2: FloatArray
    n_pixels: NDArray[np.int64]
    extendedness: FloatArray
    extendedness_err: FloatArray
    shared: FloatArray
    flags: NDArray[np.int32]

    def __len__(self) -> int:
        """Number of sources."""
        return int(self.flux.size)

    def select(self, which: ArrayLike) -> "PsfPhotometry":
        """Sources chosen by a boolean or integer index."""
        index = np.asarray(which)
        return PsfPhotometry(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def required_fit_halo(options: PsfFitOptions, *, half_size: int) -> int:
    """Lines beyond a block whose sources can reach its own sources through the passes.

    Parameters
    ----------
    options : PsfFitOptions
    half_size : int
        Half size of the point-spread model.

    Returns
    -------
    int
        Influence is carried from neighbour to neighbour, once a pass.
    """
    return options.passes * (int(np.ceil(options.radius)) + half_size + 1) + half_size


def _validate(
    image: NDArray, variance: NDArray, mask: NDArray, photon_variance: ArrayLike | None
) -> FloatArray:
    if image.ndim != 2 or variance.shape != image.shape or mask.shape != image.shape:
        raise ValueError(
            "image, variance, mask: must be two-dimensional and of one shape, got "
            f"{image.shape}, {variance.shape}, {mask.shape}"
        )
    photon = np.ones(image.shape[1])
    if photon_variance is not None:
        photon = np.ascontiguousarray(photon_variance, dtype=float)
        if photon.shape != (image.shape[1],):
            raise ValueError(
                f"photon_variance: must have one value per column ({image.shape[1]}), "
                f"got shape {photon.shape}"
            )
    return photon


def fit_psf(
    image: ArrayLike,
    variance: ArrayLike,
    mask: ArrayLike,
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    model: PsfModel,
    *,
    first_line: int,
    photon_variance: ArrayLike | None,
    options: PsfFitOptions,
    radii: ArrayLike | None = None,
) -> PsfPhotometry:
    """Fit flux and position of all sources of a block.

    Parameters
    ----------
    image : array_like of shape (lines, columns)
        Sky-subtracted electrons; finite where the mask is clear.
    variance : array_like
        Variance of the background alone, electrons^2.
    mask : array_like of integers
        Non-zero pixels are left out; their bits become flags.
    lines, columns, fluxes : array_like of shape (n,)
        Detected positions (global lines) and fluxes to start from.
    model : PsfModel
    first_line : int
        Global line of the first row.
    photon_variance : array_like of shape (columns,) or None
        Variance per electron of source light: 1/response where the image was divided by a
        response; None for 1.
    options : PsfFitOptions
    radii : array_like of shape (columns,) or None
        Radius of the pixels fitted of a source at each column, px, for smear that changes across
        the chip; at most that of the options. None: that of the options.

    Returns
    -------
    PsfPhotometry

    Raises
    ------
    ValueError
        Shapes disagree or a fit radius exceeds the model or the options.
    """
    found, _ = fit_psf_with_models(
        image, variance, mask, lines, columns, fluxes, model, first_line=first_line,
        photon_variance=photon_variance, options=options, radii=radii,
    )  # fmt: skip
    return found


def fit_psf_with_models(
    image: ArrayLike,
    variance: ArrayLike,
    mask: ArrayLike,
    lines: ArrayLike,
    columns: ArrayLike,
    fluxes: ArrayLike,
    model: PsfModel,
    *,
    first_line: int,
    photon_variance: ArrayLike | None,
    options: PsfFitOptions,
    radii: ArrayLike | None = None,
) -> tuple[PsfPhotometry, SourceModels]:
    """As `fit_psf`, and the image of all models that the fit ends with.

    Returns
    -------
    PsfPhotometry
    SourceModels
    """
    image = np.ascontiguousarray(image, dtype=np.float32)
    variance = np.ascontiguousarray(variance, dtype=np.float32)
    mask = np.ascontiguousarray(mask).astype(np.uint16, copy=False)
    photon = _validate(image, variance, mask, photon_variance).astype(np.float32)
    lines = np.atleast_1d(np.asarray(lines, dtype=float))
    columns = np.atleast_1d(np.asarray(columns, dtype=float))
    flux = np.atleast_1d(np.asarray(fluxes, dtype=float)).copy()
    if not lines.shape == columns.shape == flux.shape:
        raise ValueError("lines, columns, fluxes: must have one shape")
    of_column = _check_radii(radii, image.shape[1], model, options)
    # Models of the sources that are not fitted again, and of all.
    settled, total = np.zeros(image.shape, np.float32), np.zeros(image.shape, np.float32)
    if lines.size == 0:
        none = _result(np.empty((0, len(COLUMNS))), lines, columns, options)
        return none, SourceModels(settled, *np.empty((3, 0), np.int64))
    # Sums over neighbours run in one order whatever that of the caller: from node to node of the
    # model, whose grids are gathered once for all sources there, by size, and then by position.
    s = model.stencil(lines, columns)
    at_l, at_c = np.rint(lines), np.rint(columns)
    flux = np.where(np.isfinite(flux) & (flux > 0), flux, 1.0)
    l, c = (at_l - first_line).astype(np.int64), at_c.astype(np.int64)
    radius = of_column[np.clip(c, 0, of_column.size - 1)]
    half = _model_half(flux, variance, l, c, model, radius)
    rank = np.lexsort((columns, lines, half, np.ceil(radius), s.first_column))
    at_l, at_c, l, c, flux, half, radius = (
        np.ascontiguousarray(a[rank]) for a in (at_l, at_c, l, c, flux, half, radius)
    )
    d_line, d_column = lines[rank] - at_l, columns[rank] - at_c
    start = np.stack([d_line, d_column], axis=1)
    nodes = order_nodes(s, rank)
    table = np.full((lines.size, len(COLUMNS)), np.nan)
    todo = np.arange(lines.size)
    for k in range(options.passes):
        add_models(total, todo, l, c, d_line, d_column, flux, half, *nodes, model.oversample)
        fit_pass(
            image, variance, mask, photon, total, todo, l, c, start, d_line, d_column, flux,
            *nodes, model.oversample, radius, options.max_shift, options.max_iterations,
            options.tolerance, table,
        )  # fmt: skip
        good = np.isfinite(table[:, 0])
        flux = np.where(good, np.fmax(table[:, 0], 0.0), 0.0)
        d_line = np.where(good, table[:, 1], d_line)
        d_column = np.where(good, table[:, 2], d_column)
        again = good[todo] & (table[todo, 11] > _REFIT_SHARE) & (k + 1 < options.passes)
        before, done, todo = todo, todo[~again], todo[again]
        add_models(settled, done, l, c, d_line, d_column, flux, half, *nodes, model.oversample)
        if todo.size == 0:
            break
        copy_stamps(settled, total, before, l, c, half)
    out, drawn = np.empty_like(table), np.empty((3, half.size), np.int64)
    table[:, 1] = at_l + d_line
    table[:, 2] = at_c + d_column
    out[rank], drawn[:, rank] = table, (at_l.astype(np.int64), c, half)
    return _result(out, lines, columns, options), SourceModels(settled, *drawn)


def _check_radii(
    radii: ArrayLike | None, n_columns: int, model: PsfModel, options: PsfFitOptions
) -> FloatArray:
    """Radius of the fit at each column."""
    if int(np.ceil(options.radius)) > model.half_size:
        raise ValueError(
            f"radius: must not exceed the model's half size {model.half_size}, got {options.radius}"
        )
    if radii is None:
        return np.full(n_columns, options.radius)
    values = np.asarray(radii, dtype=float)
    if values.shape != (n_columns,):
        raise ValueError(
            f"radii: must have one value per column ({n_columns}), got shape {values.shape}"
        )
    if not (values.min() >= 2 and values.max() <= options.radius):
        raise ValueError(
            f"radii: must be 2 px to the options' radius {options.radius}, "
            f"got {values.min()} to {values.max()}"
        )
    return values


def _model_half(
    flux: FloatArray,
    variance: NDArray[np.float32],
    l: NDArray[np.int64],
    c: NDArray[np.int64],
    model: PsfModel,
    radius: FloatArray,
) -> NDArray[np.int64]:
    """Half size of the model of each source, by its rough signal-to-noise."""
    at = variance[np.clip(l, 0, variance.shape[0] - 1), np.clip(c, 0, variance.shape[1] - 1)]
    # About 4 pi sigma^2 effective pixels for FWHM 2.5 px: only the order of magnitude matters.
    snr = flux / np.sqrt(14.0 * np.maximum(at.astype(float), 1.0))
    return np.where(snr > _WIDE_SNR, model.half_size, np.ceil(radius)).astype(np.int64)


def _result(
    table: FloatArray, lines: FloatArray, columns: FloatArray, options: PsfFitOptions
) -> PsfPhotometry:
    value = {name: table[:, i] for i, name in enumerate(COLUMNS)}
    bits = np.nan_to_num(value["bits"]).astype(np.int64)
    edge, bits = bits & 1, bits >> 1
    flags = np.zeros(lines.size, dtype=np.int32)
    other = bits & ~int(PixelMask.SATURATED | PixelMask.BLEED | PixelMask.COSMIC_RAY)
    shared = value["shared"]
    for which, flag in (
        (bits & int(PixelMask.SATURATED | PixelMask.BLEED), SourceFlag.SATURATED),
        (bits & int(PixelMask.COSMIC_RAY), SourceFlag.COSMIC_RAY),
        (bits & int(PixelMask.TRAIL), SourceFlag.TRAIL),
        (other, SourceFlag.BAD_PIXELS),
        (edge, SourceFlag.EDGE),
        (shared > options.blend_share, SourceFlag.BLENDED),
        (value["converged"] != 1, SourceFlag.PSF_FAILED),
    ):
        flags |= np.where(np.asarray(which) != 0, int(flag), 0).astype(np.int32)
    fitted = np.isfinite(value["flux"])
    return PsfPhotometry(
        flux=value["flux"].copy(),
        flux_err=value["flux_err"].copy(),
        line=np.where(fitted, value["d_line"], lines),
        line_err=value["line_err"].copy(),
        column=np.where(fitted, value["d_column"], columns),
        column_err=value["column_err"].copy(),
        covariance=value["covariance"].copy(),
        chi2=value["chi2"].copy(),
        n_pixels=np.nan_to_num(value["n_pixels"]).astype(np.int64),
        extendedness=value["excess"].copy(),
        extendedness_err=value["excess_err"].copy(),
        shared=shared.copy(),
        flags=flags,
    )
