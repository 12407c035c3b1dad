"""Transforms that a point spread is made of, and the way back to images.

References
----------
The transform of the Moffat profile through the Bessel function K: Trujillo et al. 2001, MNRAS 328,
977 (from memory; verified numerically in the tests).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft
from scipy.special import gamma, kv

from pipeline.stages.spline_kernels import grid_half_size

__all__ = [
    "cut_image",
    "fold",
    "moffat_transform",
    "round_transform",
    "spline_image",
    "spline_transform",
]

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def moffat_transform(frequency: ArrayLike, *, fwhm: float, beta: float) -> FloatArray:
    """Fourier transform of a Moffat profile of unit flux.

    Parameters
    ----------
    frequency : array_like
        Radial frequency in cycles per pixel.
    fwhm : float
        Full width at half maximum in pixels.
    beta : float
        Exponent, above 1.

    Returns
    -------
    ndarray
        ``2 (k a/2)^(beta-1) K_(beta-1)(k a) / Gamma(beta-1)`` with ``k`` the angular frequency
        and ``a`` the core radius; 1 at zero.
    """
    core = fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
    x = 2.0 * np.pi * core * np.abs(np.asarray(frequency, dtype=float))
    out = np.ones_like(x)
    # kv overflows towards zero, where the transform is 1 to double precision.
    use = x > 1e-8
    order = beta - 1.0
    out[use] = 2.0 / gamma(order) * (0.5 * x[use]) ** order * kv(order, x[use])
    return out


def round_transform(frequency: FloatArray, fwhm: float, beta: float) -> FloatArray:
    """Transform of the seeing at all pairs of frequencies; it is symmetric.

    Parameters
    ----------
    frequency : ndarray of shape (n,)
        Cycles per pixel, of one axis.
    fwhm, beta : float
        As in `moffat_transform`.

    Returns
    -------
    ndarray of shape (n, n)
    """
    radius = np.hypot(frequency[:, None], frequency)
    upper = np.triu_indices(frequency.size)
    out = np.empty_like(radius)
    out[upper] = moffat_transform(radius[upper], fwhm=fwhm, beta=beta)
    out.T[upper] = out[upper]
    return out


def spline_image(
    transform: NDArray[np.complex128], *, half_size: int, oversample: int
) -> FloatArray:
    """Quintic B-spline coefficients of an image that is given by its transform.

    Parameters
    ----------
    transform : ndarray of shape (size, size // 2 + 1)
        As from `PsfModel.transform`.
    half_size : int
        Half size of the stamps that it serves, px.
    oversample : int
        Points of the box per pixel.

    Returns
    -------
    ndarray of shape (G, G)
        See `grid_half_size`.
    """
    return cut_image(
        transform / spline_transform(transform.shape[0]),
        half_size=half_size, oversample=oversample,
    )  # fmt: skip


def cut_image(transform: ComplexArray, *, half_size: int, oversample: int) -> FloatArray:
    """Image of a transform about the middle, as far as stamps reach.

    Parameters
    ----------
    transform : ndarray of shape (size, size // 2 + 1)
        Of a periodic box with the light at its corner.
    half_size, oversample : int
        As in `spline_image`.

    Returns
    -------
    ndarray of shape (G, G)
        See `grid_half_size`.
    """
    size = transform.shape[0]
    half = grid_half_size(half_size, oversample)
    # Lines that no stamp needs are not transformed back.
    rows = fft.ifft(transform, axis=0)[np.arange(-half, half + 1)]
    image = fft.irfft(rows, n=size, axis=1)
    return np.concatenate([image[:, -half:], image[:, : half + 1]], axis=1) * oversample**2


def fold(size: int) -> NDArray[np.int64]:
    """Where frequencies of a whole axis stand on half of it."""
    at = np.arange(size)
    return np.abs(at - size * (at > size // 2))


def spline_transform(size: int) -> FloatArray:
    """Transform of the sampled spline at the frequencies of a box."""
    u = _spline_response(np.fft.fftfreq(size).astype(np.float64))
    v = _spline_response(np.fft.rfftfreq(size).astype(np.float64))
    return np.outer(u, v)


def _spline_response(frequency: FloatArray) -> FloatArray:
    """Transform of the sampled quintic B-spline; frequency in cycles per grid step."""
    x = 2 * np.pi * frequency
    return (66.0 + 52.0 * np.cos(x) + 2.0 * np.cos(2 * x)) / 120.0
