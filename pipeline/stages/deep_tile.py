"""A stacked tile made ready for detection: residual sky, saturated regions, correlated noise.

The noise of a stack is correlated, so its variance image tells too little about sums.  How much is
measured: at the scale of the point spread from the matched-filter image, at larger scales from
empty apertures.  Saturated pixels have no value in a stack; for detection they are filled from
their rim, so that a saturated star is one source and not a ring.
"""

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import sep
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.flags import PixelMask
from pipeline.stages.detect import Detections, DetectOptions, detect
from pipeline.stages.matched_filter import filter_image, make_filter_scale
from pipeline.stages.psf_fit import PsfPhotometry
from pipeline.stages.resample import mean_noise_correlation
from pipeline.stages.source_models import make_model_image
from pipeline.stages.tile_psf import TilePsf

__all__ = [
    "DeepTile",
    "NoiseFactors",
    "SkyOptions",
    "detect_sources",
    "measure_noise",
    "prepare_tile",
]

FloatArray = NDArray[np.float64]

_BRIGHT = int(PixelMask.SATURATED | PixelMask.BLEED)
_UNIT_NOISE = 10.0  # pixel noise after scaling: the strip's stages expect electrons
_PATCHES_Y, _PATCH_X = 4, 64  # seeing changes slowly along y, smear may change fast along x
_MIN_EMPTY = 40  # apertures for a spread good to 11 %


@dataclass(frozen=True)
class SkyOptions:
    """Tuning of the residual sky.

    Parameters
    ----------
    mesh : int
        Side of the cells, px.
    source_level : float
        Pixels above this signal-to-noise of the matched filter are sources and not sky.
    source_grow : int
        So are all within this distance of them, px.
    """

    mesh: int = 64
    source_level: float = 3.0
    source_grow: int = 3

    def __post_init__(self) -> None:
        if self.mesh < 8:
            msg = f"mesh must be at least 8 px, got {self.mesh}"
            raise ValueError(msg)
        if not self.source_level > 0:
            msg = f"source_level must be positive, got {self.source_level}"
            raise ValueError(msg)
        if self.source_grow < 0:
            msg = f"source_grow must not be negative, got {self.source_grow}"
            raise ValueError(msg)


@dataclass(frozen=True, eq=False)
class NoiseFactors:
    """True noise of sums over that of the variance image alone.

    Attributes
    ----------
    radius : ndarray
        Radii of the sums, px, increasing; the first stands for the point spread.
    factor : ndarray
        Ratio of standard deviations.
    """

    radius: FloatArray
    factor: FloatArray

    def at(self, radius: float | FloatArray) -> FloatArray:
        """Factor at a radius, interpolated; constant outside."""
        return np.asarray(np.interp(radius, self.radius, self.factor))


@dataclass(frozen=True, eq=False)
class DeepTile:
    """A tile in units of a tenth of its pixel noise, ready for the strip's stages.

    Attributes
    ----------
    image, variance : ndarray of float32
        Sky-subtracted, 0 where bad; variance without covariances, positive everywhere.
    mask : ndarray of uint16
        Nonzero is bad.
    source : ndarray of bool
        Pixels of sources.
    sky, sky_err : ndarray
        Residual sky that was subtracted, in the tile's own unit.
    photon : float or ndarray of shape (nx,)
        Variance per unit flux of the sources' own light in one pixel.
    unit : float
        The tile's flux is this times the flux here.
    factor : float
        True noise of the matched filter over that of the variance image.
    """

    image: NDArray[np.float32]
    variance: NDArray[np.float32]
    mask: NDArray[np.uint16]
    source: NDArray[np.bool_]
    sky: FloatArray
    sky_err: FloatArray
    photon: float | FloatArray
    unit: float
    factor: float


def prepare_tile(
    flux: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    psf: TilePsf,
    *,
    photon_variance: float | FloatArray,
    sky_options: SkyOptions,
    min_weight: float,
    wide_factor: float = 4.0,
) -> DeepTile | None:
    """Scale a tile, subtract its residual sky, and find its noise factor.

    Parameters
    ----------
    flux, variance, mask : ndarray of shape (ny, nx)
        Stacked tile; nonzero or not finite is bad.
    psf : TilePsf
        Point spread, or a guess of it.
    photon_variance : float or ndarray of shape (nx,)
        Variance per unit flux of the sources' own light.
    sky_options : SkyOptions
        Tuning.
    min_weight : float
        As in `DetectOptions`.
    wide_factor : float
        Variance of a wide sum over that of its pixels; resampled pixels are correlated two by two.

    Returns
    -------
    DeepTile or None
        None without good pixels.
    """
    bad = (mask != 0) | ~np.isfinite(flux) | ~np.isfinite(variance) | ~(variance > 0)
    if bad.all():
        return None
    typical = float(np.median(variance[~bad]))
    unit = np.sqrt(typical) / _UNIT_NOISE
    image = np.where(bad, 0.0, flux / unit).astype(np.float32)
    noise = np.where(bad, _UNIT_NOISE**2, variance / unit**2).astype(np.float32)
    bits = np.where(bad & (mask == 0), int(PixelMask.NO_DATA), mask).astype(np.uint16)
    source = np.zeros(bad.shape, dtype=bool)
    sky, sky_err, factor = np.zeros(bad.shape), np.zeros(bad.shape), 1.0
    clean = image
    patches = _kernels(psf, bad.shape)
    scale = make_filter_scale(
        bits, patches[0], line_group=patches[1], column_group=patches[2], min_weight=min_weight
    )
    for _ in range(3):  # sources found, sky without them, sources found again
        background = sep.Background(
            image,
            mask=bad | source,
            bw=sky_options.mesh,
            bh=sky_options.mesh,
            fw=3,
            fh=3,
        )
        sky = background.back().astype(float)
        # the spread of the mesh over the number of its independent pixels
        sky_err = np.sqrt(wide_factor) * background.rms().astype(float) / sky_options.mesh
        clean = np.where(bad, 0.0, image - sky).astype(np.float32)
        values = _filter(clean, noise, bits, patches, min_weight, scale)
        quiet = values[np.isfinite(values) & ~source & ~bad]
        if quiet.size > 100:
            # the lower half: undetected sources lie in the upper one
            low, middle = np.percentile(quiet, [15.865525, 50.0])
            factor = max(float(middle - low), 0.1)
        source = _grow(values > sky_options.source_level * factor, sky_options.source_grow)
    return DeepTile(
        clean,
        noise,
        bits,
        source,
        sky * unit,
        sky_err * unit,
        # photon noise is resampled like any other: its variance falls where it becomes correlated
        photon_variance / unit / mean_noise_correlation(),
        unit,
        factor,
    )


def _kernels(psf: TilePsf, shape: tuple[int, ...]) -> tuple[FloatArray, NDArray, NDArray]:
    """Matched-filter kernels of patches of the tile, and the patch of each row and column."""
    ny, nx = shape
    size = 2 * min(int(np.ceil(1.5 * psf.fwhms.max())), psf.half_size) + 1
    n_y, n_x = min(_PATCHES_Y, ny), max(1, nx // _PATCH_X)
    kernels = np.array(
        [
            [psf.kernel((b + 0.5) * nx / n_x, (a + 0.5) * ny / n_y, size) for b in range(n_x)]
            for a in range(n_y)
        ]
    )
    return kernels, np.arange(ny) * n_y // ny, np.arange(nx) * n_x // nx


def _filter(
    image: NDArray[np.float32],
    variance: NDArray[np.float32],
    mask: NDArray[np.uint16],
    patches: tuple[FloatArray, NDArray, NDArray],
    min_weight: float,
    scale: NDArray[np.float32],
) -> NDArray[np.float32]:
    kernels, line_group, column_group = patches
    return filter_image(
        _fill_bright(image, mask),
        variance,
        mask,
        kernels,
        line_group=line_group,
        column_group=column_group,
        min_weight=min_weight,
        scale=scale,
    )


def detect_sources(tile: DeepTile, psf: TilePsf, *, options: DetectOptions) -> Detections:
    """Sources of a prepared tile, at thresholds that know its noise.

    Parameters
    ----------
    tile : DeepTile
        From `prepare_tile`.
    psf : TilePsf
        Point spread.
    options : DetectOptions
        Tuning.

    Returns
    -------
    Detections
        Lines are the tile's y, columns its x.
    """
    kernels, line_group, column_group = _kernels(psf, tile.image.shape)
    return detect(
        _fill_bright(tile.image, tile.mask),
        tile.variance * np.float32(tile.factor**2),
        tile.mask,
        kernels,
        line_group=line_group,
        column_group=column_group,
        first_line=0,
        options=options,
    )


def _fill_bright(image: NDArray[np.float32], mask: NDArray[np.uint16]) -> NDArray[np.float32]:
    """Give saturated and bled regions the brightest value of their rim."""
    bright = (mask & _BRIGHT) != 0
    if not bright.any():
        return image
    label, n = ndimage.label(bright, structure=np.ones((3, 3)))
    near = ndimage.maximum_filter(label, size=3)
    rim = (mask == 0) & (near > 0)
    out = image.copy()
    top = np.zeros(n + 1, dtype=np.float32)
    np.maximum.at(top, near[rim], image[rim])
    out[bright] = top[label[bright]]
    return out


def _grow(where: NDArray[np.bool_], distance: int) -> NDArray[np.bool_]:
    if distance == 0:
        return where
    return np.asarray(ndimage.maximum_filter(where, size=2 * distance + 1))


def measure_noise(
    tile: DeepTile, fitted: PsfPhotometry, psf: TilePsf, *, radius: float
) -> NoiseFactors:
    """Spread of sums over empty apertures against that of the variance image.

    Parameters
    ----------
    tile : DeepTile
        From `prepare_tile`.
    fitted : PsfPhotometry
        All sources: their light is taken off first.
    psf : TilePsf
        Point spread.
    radius : float
        Aperture radius, px; twice the radius is measured, too.

    Returns
    -------
    NoiseFactors
    """
    shape = (tile.image.shape[0], tile.image.shape[1])
    light = make_model_image(
        shape,
        fitted.line,
        fitted.column,
        fitted.flux,
        cast("Any", psf),
        first_line=0,
        half_size=psf.half_size,
    )
    empty = np.ascontiguousarray(tile.image - light, dtype=np.float32)
    blocked = tile.source | (tile.mask != 0)
    # the first radius stands for the point spread: a Gaussian weighs like a circle of 2 sigma
    radii, factors = [2.0 * psf.fwhm / FWHM_PER_SIGMA], [tile.factor]
    for r in (radius, 2.0 * radius):
        step = int(np.ceil(2 * r)) + 1
        y, x = np.meshgrid(
            np.arange(step // 2, shape[0] - step // 2, step, dtype=float),
            np.arange(step // 2, shape[1] - step // 2, step, dtype=float),
            indexing="ij",
        )
        total, error, flag = sep.sum_circle(
            empty, x.ravel(), y.ravel(), r, var=tile.variance, mask=blocked, subpix=5
        )
        whole = (flag & (sep.APER_TRUNC | sep.APER_HASMASKED)) == 0
        pull = total[whole] / error[whole]
        if pull.size < _MIN_EMPTY or r <= radii[-1]:
            continue
        low, high = np.percentile(pull, [15.865525, 84.134475])
        radii.append(float(r))
        # sums over a larger area cannot be less correlated
        factors.append(max(float(high - low) / 2.0, factors[0]))
    return NoiseFactors(np.array(radii), np.array(factors))
