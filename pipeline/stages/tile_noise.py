"""Correlation of the noise of equalised tiles, and what it does to sums.

Images of the correlation stand at the nodes of the tile's point spread: row and column are lags in
tile pixels, the middle is 1.  A sum ``sum(a flux)`` near a node has the variance
``v sum_ij a_i a_j r(i - j)`` with ``v`` the tile's variance there.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pipeline.stages.resample import kernel_weights
from pipeline.stages.tile_psf import TilePsf

__all__ = ["NoiseImages", "combine_noise", "predict_noise"]

FloatArray = NDArray[np.float64]

_PHASES = 8
_TAPS = 6


@dataclass(frozen=True, eq=False)
class NoiseImages:
    """Correlation of a tile's noise.

    Attributes
    ----------
    images : ndarray of float32 of shape (n_y, n_x, L, L)
        By lag, axes (y, x); L is odd.
    node_y, node_x : ndarray
        Tile pixels of the nodes, increasing.
    """

    images: NDArray[np.float32]
    node_y: FloatArray
    node_x: FloatArray

    @property
    def wide(self) -> FloatArray:
        """Variance of a wide sum over that of its pixels, shape (n_y, n_x)."""
        return np.asarray(self.images.sum(axis=(2, 3), dtype=float))

    def weighted(self, weights: FloatArray) -> FloatArray:
        """Variance of a weighted sum over that for white noise of the same pixels.

        Parameters
        ----------
        weights : ndarray of shape (n_y, n_x, n, n) or (n, n)
            Weights of the sum at the nodes.

        Returns
        -------
        ndarray of shape (n_y, n_x)
        """
        weights = np.broadcast_to(weights, (*self.images.shape[:2], *weights.shape[-2:]))
        out = np.empty(self.images.shape[:2])
        for index in np.ndindex(*out.shape):
            w, lags = weights[index], self.images[index].astype(float)
            n = w.shape[0] + lags.shape[0] - 1
            pairs = np.fft.irfft2(np.abs(np.fft.rfft2(w, s=(n + 1, n + 1))) ** 2, s=(n + 1, n + 1))
            half = lags.shape[0] // 2
            at = np.arange(-half, half + 1)
            out[index] = (pairs[np.ix_(at, at)] * lags).sum() / (w**2).sum()
        return out

    def point_source(self, psf: TilePsf) -> FloatArray:
        """`weighted` by the point spread at the nodes."""
        size = 2 * psf.half_size + 1
        return self.weighted(
            np.array([[psf.kernel(x, y, size) for x in self.node_x] for y in self.node_y])
        )

    def aperture(self, radius: float) -> FloatArray:
        """`weighted` by a circle, px."""
        half = int(np.ceil(radius))
        at = np.arange(-half, half + 1)
        inside = at[:, None] ** 2 + at**2 <= max(radius, 0.5) ** 2
        return self.weighted(inside.astype(float))

    def spread_over(self, values: FloatArray, y: FloatArray, x: FloatArray) -> FloatArray:
        """Values at the nodes interpolated linearly to places of the tile."""
        at = [
            np.interp(a, n, np.arange(n.size, dtype=float))
            for a, n in ((y, self.node_y), (x, self.node_x))
        ]
        return np.asarray(map_coordinates(values, np.broadcast_arrays(*at), order=1))


def predict_noise(
    lags: list[list[FloatArray]], jacobian: FloatArray, node_y: FloatArray, node_x: FloatArray
) -> tuple[NoiseImages, FloatArray]:
    """Correlation on a tile of noise that is correlated on the strip.

    Parameters
    ----------
    lags : list of list of ndarray
        Covariance by lag in strip pixels at the nodes, lag zero in the middle.
    jacobian : ndarray of shape (n_y, n_x, 2, 2)
        Change of (line, column) with (y, x).
    node_y, node_x : ndarray
        Tile pixels of the nodes.

    Returns
    -------
    images : NoiseImages
    share : ndarray of shape (n_y, n_x)
        Variance of a tile pixel over that of a strip pixel, averaged over phases, areas aside.
    """
    share = np.empty((node_y.size, node_x.size))
    pictures: dict[tuple[int, int], FloatArray] = {}
    reach = 0
    for index in np.ndindex(*share.shape):
        covariance = lags[index[0]][index[1]]
        reach = max(reach, max(covariance.shape) // 2 + _TAPS)
    blur = _kernel_lags()
    for index in np.ndindex(*share.shape):
        covariance = lags[index[0]][index[1]]
        # The resampling's own covariance, on a grid of sub-pixel lags.
        fine = _refine(covariance, blur)
        at = np.arange(-reach, reach + 1)
        places = jacobian[index] @ np.stack(np.meshgrid(at, at, indexing="ij")).reshape(2, -1)
        centre = np.array([n // 2 for n in fine.shape])[:, None]
        picture = map_coordinates(fine, places * _PHASES + centre, order=1, mode="constant")
        picture = picture.reshape(at.size, at.size)
        zero = picture[reach, reach]
        share[index] = zero / covariance[covariance.shape[0] // 2, covariance.shape[1] // 2]
        pictures[index] = picture / zero
    images = np.array(
        [[pictures[a, b] for b in range(share.shape[1])] for a in range(share.shape[0])],
        dtype=np.float32,
    )
    return NoiseImages(images, node_y, node_x), share


def _kernel_lags() -> FloatArray:
    """Covariance that the resampling's kernel gives white noise along one axis, by sub-pixel lag.

    Averaged over phases; lags every 1/`_PHASES` px, zero in the middle.
    """
    # The kernel as a function of the distance from the pixel: taps -2 ... 3 at all phases.
    phases = (np.arange(_PHASES) + 0.5) / _PHASES
    weights = kernel_weights(phases)
    profile = np.concatenate([weights[t][::-1] for t in range(_TAPS)])  # by tap - phase, rising
    return np.asarray(np.correlate(profile, profile, mode="full") / _PHASES)


def _refine(covariance: FloatArray, blur: FloatArray) -> FloatArray:
    """Covariance after resampling, every 1/`_PHASES` px of lag along both axes."""
    out = covariance
    for axis in (0, 1):
        n = out.shape[axis]
        fine = np.zeros(
            [(n - 1) * _PHASES + 1 if a == axis else s for a, s in enumerate(out.shape)]
        )
        picked = [slice(None)] * 2
        picked[axis] = slice(None, None, _PHASES)
        fine[tuple(picked)] = out
        length = fine.shape[axis] + blur.size - 1
        shape = [1, 1]
        shape[axis] = -1
        product = np.fft.rfft(fine, n=length, axis=axis) * np.fft.rfft(blur, n=length).reshape(
            shape
        )
        out = np.fft.irfft(product, n=length, axis=axis)
    return np.asarray(out)


def combine_noise(
    parts: list[NoiseImages], weights: NDArray[np.float64], node_y: FloatArray, node_x: FloatArray
) -> NoiseImages:
    """Correlation of a weighted sum of independent epochs.

    Parameters
    ----------
    parts : list of NoiseImages
        Of the epochs.
    weights : ndarray of shape (n,)
        Each epoch's share of the variance of the sum.
    node_y, node_x : ndarray
        Tile pixels of the nodes wanted.

    Returns
    -------
    NoiseImages
    """
    side = max(p.images.shape[2] for p in parts)
    total = np.zeros((node_y.size, node_x.size, side, side))
    for part, weight in zip(parts, np.asarray(weights) / np.sum(weights), strict=True):
        margin = (side - part.images.shape[2]) // 2
        y = np.interp(node_y, part.node_y, np.arange(part.node_y.size, dtype=float))
        x = np.interp(node_x, part.node_x, np.arange(part.node_x.size, dtype=float))
        for a, b in np.ndindex(node_y.size, node_x.size):
            i, j = int(y[a]), int(x[b])
            s, t = y[a] - i, x[b] - j
            k, m = min(i + 1, part.node_y.size - 1), min(j + 1, part.node_x.size - 1)
            p = part.images
            mixed = (1 - s) * ((1 - t) * p[i, j] + t * p[i, m]) + s * (
                (1 - t) * p[k, j] + t * p[k, m]
            )
            total[a, b, margin : side - margin, margin : side - margin] += weight * mixed
    return NoiseImages(total.astype(np.float32), node_y, node_x)
