"""What correlated noise that changes across a tile does to the errors of its sources.

The noise of an equalised tile is correlated over as many pixels as its kernels reach, and these
change with the column.  The tools of `deep` measure one factor for a tile; here is how the truth
near a source differs from that, as predicted by `tile_noise`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stages.resample import mean_noise_correlation
from pipeline.stages.tile_noise import NoiseImages
from pipeline.stages.tile_psf import TilePsf

__all__ = ["LocalNoise", "localise_noise"]

FloatArray = NDArray[np.float64]

_RADII = np.array([1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 11.0, 15.0, 20.0, 26.0])


@dataclass(frozen=True, eq=False)
class LocalNoise:
    """Correlation of a tile's noise where its sources are.

    Attributes
    ----------
    variance_factor : ndarray of float32 of shape (ny, nx)
        What a variance is to be multiplied with, so that one factor for the whole tile makes the
        errors of point-spread fluxes right; of median 1 over the nodes.
    photon_factor : ndarray of shape (nx,)
        The same for the light of the sources themselves.
    wide : float
        Variance of a wide sum over that of its pixels.
    images : NoiseImages
        Of the tile.
    circles : ndarray of shape (n_radii, n_y, n_x)
        Noise of circles over that of point-spread fluxes, of median 1 for each radius.
    """

    variance_factor: NDArray[np.float32]
    photon_factor: FloatArray
    wide: float
    images: NoiseImages
    circles: FloatArray

    def circle_ratio(self, radius: float | FloatArray, y: FloatArray, x: FloatArray) -> FloatArray:
        """Noise of circles at sources over what the tile's factors say.

        Parameters
        ----------
        radius : float or ndarray of shape (n,)
            Px.
        y, x : ndarray of shape (n,)
            Tile pixels.

        Returns
        -------
        ndarray of shape (n,)
        """
        at = np.stack([self.images.spread_over(c, y, x) for c in self.circles])
        place = np.interp(radius, _RADII, np.arange(_RADII.size, dtype=float))
        place = np.broadcast_to(place, np.shape(y))
        low = np.minimum(place.astype(int), _RADII.size - 2)
        part = place - low
        rows = np.arange(place.size)
        return np.asarray((1 - part) * at[low, rows] + part * at[low + 1, rows])


def localise_noise(images: NoiseImages, psf: TilePsf, shape: tuple[int, int]) -> LocalNoise:
    """Predict how the noise of sums changes across a tile.

    Parameters
    ----------
    images : NoiseImages
        Correlation of the tile's noise.
    psf : TilePsf
        Point spread.
    shape : tuple of int
        Of the tile.

    Returns
    -------
    LocalNoise
    """
    point = images.point_source(psf)
    relative = point / np.median(point)
    y, x = np.arange(shape[0], dtype=float), np.arange(shape[1], dtype=float)
    factor = images.spread_over(relative, y[:, None], x[None, :])
    # Photons of a source are convolved like any noise: spread over a wide area they weigh as they
    # did before.
    photons = mean_noise_correlation() * relative / images.wide
    circles = np.stack([np.sqrt(images.aperture(float(r)) / relative) for r in _RADII])
    circles /= np.median(circles, axis=(1, 2), keepdims=True)
    return LocalNoise(
        factor.astype(np.float32),
        images.spread_over(photons, np.full(x.size, y.mean()), x),
        float(np.median(images.wide)),
        images,
        circles,
    )
