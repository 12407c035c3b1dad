"""Find and measure the sources of a stacked tile.

The tools are those of a strip (`detect`, `psf_fit`, `cutouts`, `apertures`, `moments`): a strip's
line is the tile's y, its column the tile's x.  What is particular to a stack, its correlated noise
above all, is in `deep_tile`.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.flags import SourceFlag
from pipeline.stages.apertures import (
    TotalOptions,
    light_share,
    measure_aperture,
    measure_total,
)
from pipeline.stages.cutouts import Cutouts, isolate_sources
from pipeline.stages.deep_noise import LocalNoise
from pipeline.stages.deep_tile import (
    DeepTile,
    NoiseFactors,
    SkyOptions,
    detect_sources,
    measure_noise,
    prepare_tile,
)
from pipeline.stages.detect import Detections, DetectOptions
from pipeline.stages.epoch_zones import mark_changes
from pipeline.stages.moments import measure_moments
from pipeline.stages.psf_fit import PsfFitOptions, PsfPhotometry, fit_psf
from pipeline.stages.psf_stars import PsfStarOptions, select_psf_stars
from pipeline.stages.source_models import draw_models
from pipeline.stages.tile_psf import TilePsf
from pipeline.stages.tile_psf_fit import TilePsfOptions, fit_tile_psf

__all__ = ["DeepCatalogue", "DeepOptions", "find_tile_psf", "measure_deep"]

FloatArray = NDArray[np.float64]

_BATCH = 400  # cutouts made at a time
_COLUMNS = (
    "x",
    "x_err",
    "y",
    "y_err",
    "snr",
    "flux_psf",
    "flux_psf_err",
    "flux_aperture",
    "flux_aperture_err",
    "flux_total",
    "flux_total_err",
    "mom_xx",
    "mom_xy",
    "mom_yy",
    "first_moment_radius",
    "semi_major",
    "semi_minor",
    "position_angle",
    "fwhm",
    "peak",
    "sky",
    "sky_err",
    "chi2",
    "extendedness",
    "extendedness_err",
    "n_epochs",
    "flags",
)
_WHOLE = ("n_epochs", "flags")


@dataclass(frozen=True)
class DeepOptions:
    """Tuning of deep catalogues.

    Parameters
    ----------
    aperture_radius : float or None
        Radius of the fixed aperture, px; None: `aperture_fwhm` times the FWHM.
    aperture_fwhm : float
        See there.
    cutout_half : int
        Half size of the cutouts for apertures and moments, px.
    sky, detect, psf_fit, total : SkyOptions, DetectOptions, PsfFitOptions, TotalOptions
        Of the steps.
    stars, psf : PsfStarOptions, TilePsfOptions
        Choice of stars and fit of the point spread in `find_tile_psf`.
    """

    aperture_radius: float | None = None
    aperture_fwhm: float = 2.0
    cutout_half: int = 24
    sky: SkyOptions = field(default_factory=SkyOptions)
    detect: DetectOptions = field(default_factory=DetectOptions)
    psf_fit: PsfFitOptions = field(default_factory=PsfFitOptions)
    total: TotalOptions = field(default_factory=TotalOptions)
    stars: PsfStarOptions = field(default_factory=lambda: PsfStarOptions(stars_per_bin=150))
    psf: TilePsfOptions = field(default_factory=TilePsfOptions)

    def __post_init__(self) -> None:
        for name in ("aperture_fwhm", "cutout_half"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be positive, got {getattr(self, name)}"
                raise ValueError(msg)
        if self.aperture_radius is not None and not self.aperture_radius > 0:
            msg = f"aperture_radius must be positive or None, got {self.aperture_radius}"
            raise ValueError(msg)


@dataclass(frozen=True, eq=False)
class DeepCatalogue:
    """Sources of a tile.

    Attributes
    ----------
    table : dict of str to ndarray
        Columns of one length: ``x, y, x_err, y_err`` (px along axes 1 and 0), ``snr`` (of the
        detection), ``flux_psf, flux_aperture, flux_total`` with ``_err`` (unit of the tile),
        ``mom_xx, mom_xy, mom_yy`` (px^2), ``first_moment_radius, semi_major, semi_minor`` (px),
        ``position_angle`` (deg, from the x axis towards the y axis), ``fwhm`` (px), ``peak``,
        ``sky`` (residual sky subtracted, per px), ``sky_err``, ``chi2``, ``extendedness,
        extendedness_err`` (px^2), ``n_epochs``, ``flags`` (`SourceFlag`).
    noise : NoiseFactors
        Measured correlation of the noise.
    """

    table: dict[str, NDArray]
    noise: NoiseFactors

    def __len__(self) -> int:
        """Number of sources."""
        return int(self.table["x"].size)


def find_tile_psf(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    predicted: TilePsf,
    *,
    photon_variance: float,
    options: DeepOptions,
    local: LocalNoise | None = None,
) -> TilePsf:
    """Detect a tile's stars and correct its predicted point spread by the bright isolated ones.

    Parameters
    ----------
    flux, variance, mask : ndarray of shape (ny, nx)
        Stacked tile.
    predicted : TilePsf
        From the point spreads of the epochs.
    photon_variance : float
        Variance per unit flux of the sources' own light, see `measure_deep`.
    options : DeepOptions
        Tuning.
    local : LocalNoise, optional
        Where the noise is correlated by more than the resampling.

    Returns
    -------
    TilePsf
    """
    tile = _prepare(flux, variance, mask, predicted, photon_variance, local, options)
    if tile is None:
        return predicted
    found = detect_sources(tile, predicted, options=options.detect)
    # stars next to bad pixels or to each other do not show the point spread
    chosen = select_psf_stars(
        found.line,
        found.column,
        found.flux,
        found.flux_err,
        found.flags & ~int(SourceFlag.BLENDED),
        n_stage=4 * flux.shape[0],
        options=options.stars,
    )
    return fit_tile_psf(
        tile.image,
        tile.variance,
        tile.mask,
        found.column[chosen],
        found.line[chosen],
        found.flux[chosen],
        predicted=predicted,
        photon_variance=float(np.mean(tile.photon)),
        options=options.psf,
    )


def measure_deep(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    n_used: NDArray[np.uint16],
    psf: TilePsf,
    *,
    photon_variance: float,
    in_core: Callable[[FloatArray, FloatArray], NDArray[np.bool_]] | None,
    options: DeepOptions,
    local: LocalNoise | None = None,
) -> DeepCatalogue:
    """Detect and measure the sources of a stacked tile.

    Parameters
    ----------
    flux, variance : ndarray of shape (ny, nx), float32
        Stack and its variance without covariances; NaN is bad.
    mask : ndarray of shape (ny, nx), uint16
        Nonzero is bad.
    n_used : ndarray of shape (ny, nx), uint16
        Epochs per pixel.
    psf : TilePsf
        Point spread.
    photon_variance : float
        Variance per unit flux of the sources' own light: ``sum(w**2 s)`` over the epochs, with
        ``w`` weights of unit sum and ``s`` the flux unit's value of one electron.
    in_core : callable or None
        Given x and y (px, fitted positions) says which sources the tile owns; None keeps all.
    options : DeepOptions
        Tuning.
    local : LocalNoise, optional
        Where the noise is correlated by more than the resampling.

    Returns
    -------
    DeepCatalogue
        In order of y, then x, of the detections.

    Raises
    ------
    ValueError
        When shapes disagree or `photon_variance` is negative.
    """
    for name, array in (("variance", variance), ("mask", mask), ("n_used", n_used)):
        if array.shape != flux.shape or flux.ndim != 2:
            msg = f"{name} must have the shape of flux, two-dimensional, got {array.shape}"
            raise ValueError(msg)
    if not photon_variance >= 0:
        msg = f"photon_variance must not be negative, got {photon_variance}"
        raise ValueError(msg)
    tile = _prepare(flux, variance, mask, psf, photon_variance, local, options)
    if tile is None:
        return DeepCatalogue(_empty_table(), NoiseFactors(np.ones(1), np.ones(1)))
    found = detect_sources(tile, psf, options=options.detect)
    radius = options.aperture_radius or options.aperture_fwhm * psf.fwhm
    model = cast("Any", psf)
    fitted = fit_psf(
        tile.image,
        tile.variance * np.float32(tile.factor**2),
        tile.mask,
        found.line,
        found.column,
        found.flux,
        model,
        first_line=0,
        photon_variance=np.full(flux.shape[1], tile.photon * tile.factor**2),
        options=options.psf_fit,
    )
    noise = measure_noise(tile, fitted, psf, radius=radius)
    kept = np.arange(len(found))
    if in_core is not None and kept.size:
        kept = np.flatnonzero(in_core(fitted.column, fitted.line))
    models = draw_models(
        (flux.shape[0], flux.shape[1]), fitted.line, fitted.column, fitted.flux, model,
        first_line=0, half_size=psf.half_size,
    )  # fmt: skip
    parts = []
    for start in range(0, kept.size, _BATCH):
        which = kept[start : start + _BATCH]
        cutouts = isolate_sources(
            tile.image,
            tile.variance,
            tile.mask,
            fitted.line,
            fitted.column,
            fitted.flux,
            model,
            which=which,
            first_line=0,
            photon_variance=np.full(flux.shape[1], tile.photon),
            half_size=options.cutout_half,
            models=models,
        )
        stars = [
            psf.kernel(float(x), float(y), 2 * psf.half_size + 1)
            for x, y in zip(fitted.column[which], fitted.line[which], strict=True)
        ]
        parts.append(_measure(cutouts, found.select(which), stars, psf, noise, radius, options))
    if not parts:
        return DeepCatalogue(_empty_table(), noise)
    table = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    _add_fit(table, fitted.select(kept), found.select(kept))
    # single pixels have the variance of the variance image: the factor belongs to sums
    table["chi2"] = table["chi2"] * tile.factor**2
    if local is not None:
        _localise(table, local, radius)
    _add_pixels(table, tile, n_used, mask, reach=int(np.ceil(psf.fwhm)))
    for name in ("flux_psf", "flux_aperture", "flux_total"):
        table[name] = table[name] * tile.unit
        table[f"{name}_err"] = table[f"{name}_err"] * tile.unit
    table["peak"] = table["peak"] * tile.unit
    return DeepCatalogue({name: table[name] for name in _empty_table()}, noise)


def _prepare(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    psf: TilePsf,
    photon_variance: float,
    local: LocalNoise | None,
    options: DeepOptions,
) -> DeepTile | None:
    common: dict[str, Any] = {
        "sky_options": options.sky, "min_weight": options.detect.min_weight
    }  # fmt: skip
    if local is None:
        return prepare_tile(flux, variance, mask, psf, photon_variance=photon_variance, **common)
    return prepare_tile(
        flux,
        variance * local.variance_factor,
        mask,
        psf,
        photon_variance=photon_variance * local.photon_factor,
        wide_factor=local.wide,
        **common,
    )


def _localise(table: dict[str, NDArray], local: LocalNoise, radius: float) -> None:
    """Errors of apertures where their noise changes across the tile, in place."""
    y, x = table["y"], table["x"]
    size = np.sqrt(table["semi_major"] * table["semi_minor"])
    size = np.where(np.isfinite(size), size, radius)
    table["flux_aperture_err"] = table["flux_aperture_err"] * local.circle_ratio(radius, y, x)
    table["flux_total_err"] = table["flux_total_err"] * local.circle_ratio(size, y, x)
    row = np.clip(np.rint(y).astype(int), 0, local.variance_factor.shape[0] - 1)
    column = np.clip(np.rint(x).astype(int), 0, local.variance_factor.shape[1] - 1)
    table["chi2"] = table["chi2"] * local.variance_factor[row, column]


def _measure(
    cutouts: Cutouts,
    found: Detections,
    stars: list[FloatArray],
    psf: TilePsf,
    noise: NoiseFactors,
    radius: float,
    options: DeepOptions,
) -> dict[str, NDArray]:
    """Apertures and moments of one batch.

    `stars` are images of the point spread where the sources are: smear carries light out of
    apertures by a share that changes across the tile, and fluxes are put right for it.
    """
    width = psf.fwhm
    aperture = measure_aperture(cutouts, radius=min(radius, cutouts.half_size - 0.5))
    moments = measure_moments(cutouts, width / FWHM_PER_SIGMA)
    total = measure_total(
        cutouts, found.mom_ll, found.mom_lc, found.mom_cc, width, options=options.total
    )
    size = np.sqrt(total.semi_major * total.semi_minor)
    mean = 0.5 * (moments.mom_ll + moments.mom_cc)
    in_circle = light_share(stars, radius, radius, 0.0)
    in_ellipse = light_share(stars, total.semi_major, total.semi_minor, total.position_angle)
    return {
        "flux_aperture": aperture.flux / in_circle,
        "flux_aperture_err": aperture.flux_err * noise.at(radius) / in_circle,
        "flux_total": total.flux / in_ellipse,
        "flux_total_err": total.flux_err * noise.at(size) / in_ellipse,
        "mom_xx": moments.mom_cc,
        "mom_xy": moments.mom_lc,
        "mom_yy": moments.mom_ll,
        "first_moment_radius": total.first_moment_radius,
        "semi_major": total.semi_major,
        "semi_minor": total.semi_minor,
        "position_angle": np.mod(90.0 - total.position_angle, 180.0),
        "fwhm": FWHM_PER_SIGMA * np.sqrt(mean),
        "flags": aperture.flags | (total.flags & int(SourceFlag.APERTURE_INCOMPLETE)),
    }


def _add_fit(table: dict[str, NDArray], fitted: PsfPhotometry, found: Detections) -> None:
    """Columns of the point-spread fit and the detection."""
    table.update(
        x=fitted.column,
        x_err=fitted.column_err,
        y=fitted.line,
        y_err=fitted.line_err,
        flux_psf=fitted.flux,
        flux_psf_err=fitted.flux_err,
        chi2=fitted.chi2,
        extendedness=fitted.extendedness,
        extendedness_err=fitted.extendedness_err,
        snr=found.snr,
        peak=found.peak,
    )
    table["flags"] = (table["flags"] | fitted.flags | found.flags).astype(np.int32)


def _add_pixels(
    table: dict[str, NDArray],
    tile: DeepTile,
    n_used: NDArray[np.uint16],
    mask: NDArray[np.uint16],
    *,
    reach: int,
) -> None:
    """Values of the tile at the sources' nearest pixels, and whether epochs change around them."""
    row = np.clip(np.rint(table["y"]).astype(int), 0, mask.shape[0] - 1)
    column = np.clip(np.rint(table["x"]).astype(int), 0, mask.shape[1] - 1)
    table["sky"] = tile.sky[row, column]
    table["sky_err"] = tile.sky_err[row, column]
    table["n_epochs"] = n_used[row, column].astype(np.int32)
    changes = mark_changes(n_used, size=2 * reach + 1)[row, column]
    table["flags"] |= np.where(changes, int(SourceFlag.EPOCHS_CHANGE), 0).astype(np.int32)


def _empty_table() -> dict[str, NDArray]:
    """The columns, in order, without sources."""
    return {n: np.empty(0, dtype=np.int32 if n in _WHOLE else np.float64) for n in _COLUMNS}
