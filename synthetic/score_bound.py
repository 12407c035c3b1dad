"""Cramer-Rao bounds and matched-filter noise of single stars, by brute-force rendering.

Each star is drawn on its own pixels: a Moffat profile spread over the second moments of its path
and integrated over pixels. The information matrix of (flux, line, column) is summed pixel by
pixel. Nothing is tabulated or averaged over stars.

References
----------
Mendez et al. 2013, PASP 125, 580: the bound for a sampled profile in background noise (from
memory).
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

__all__ = ["Bounds", "compute_bounds"]

FloatArray = NDArray[np.float64]

# Three-point Gauss-Legendre rule over one pixel: exact for polynomials of degree five.
_PIXEL_NODES = np.array([-math.sqrt(0.6) / 2.0, 0.0, math.sqrt(0.6) / 2.0])
_PIXEL_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0
# A star drifts at an almost constant rate, so its path is an evenly filled line along the longer
# axis of its moments: Gauss-Legendre nodes over +-sqrt(3) standard deviations, dense enough for
# the seeing to blur them together. What is left across is small and takes the moments of a
# Gaussian up to the fifth.
_MOST_NODES = 15
_ACROSS_NODES = np.array([-math.sqrt(3.0), 0.0, math.sqrt(3.0)])
_ACROSS_WEIGHTS = np.array([1.0, 4.0, 1.0]) / 6.0
_RULES = np.zeros((_MOST_NODES + 1, 2, _MOST_NODES))
for _n in range(1, _MOST_NODES + 1):
    _RULES[_n, 0, :_n], _RULES[_n, 1, :_n] = np.polynomial.legendre.leggauss(_n)
    _RULES[_n, 1, :_n] /= 2.0
# The drawn square reaches this many full widths from the star; beyond it a Moffat profile of
# exponent three holds half a per cent of the light.
_REACH = 3.5


@dataclass(frozen=True)
class Bounds:
    """Smallest errors that any unbiased measurement of each star can have.

    Attributes
    ----------
    flux : ndarray of shape (n,)
        Bound of the flux, position unknown, electron (response 1).
    line, column : ndarray of shape (n,)
        Bounds of the position, px.
    matched : ndarray of shape (n,)
        Noise of the background-limited matched filter at the known position, electron.
    peak : ndarray of shape (n,)
        Share of the light in the brightest pixel.
    """

    flux: FloatArray
    line: FloatArray
    column: FloatArray
    matched: FloatArray
    peak: FloatArray


@njit(cache=True)
def _sum_information(
    star: FloatArray,
    path: FloatArray,
    beta: float,
    result: FloatArray,
) -> None:
    # star: line, column, fwhm, flux, response, background variance.
    # path: line offset, column offset, weight of every node.
    line, column, fwhm = star[0], star[1], star[2]
    flux, response, background = star[3], star[4], star[5]
    core = fwhm / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0))
    inverse_core2 = 1.0 / (core * core)
    height = (beta - 1.0) * inverse_core2 / math.pi
    reach = 0.0
    for k in range(path.shape[0]):
        reach = max(reach, abs(path[k, 0]), abs(path[k, 1]))
    half = max(6, math.ceil(_REACH * fwhm + reach))
    line0 = math.floor(line + 0.5)
    column0 = math.floor(column + 0.5)
    i_ff = i_fl = i_fc = i_ll = i_lc = i_cc = 0.0
    matched = 0.0
    peak = 0.0
    for i in range(line0 - half, line0 + half + 1):
        for j in range(column0 - half, column0 + half + 1):
            share = 0.0
            slope_l = 0.0
            slope_c = 0.0
            for k in range(path.shape[0]):
                for a in range(_PIXEL_NODES.size):
                    dl = i + _PIXEL_NODES[a] - line - path[k, 0]
                    for b in range(_PIXEL_NODES.size):
                        dc = j + _PIXEL_NODES[b] - column - path[k, 1]
                        u = 1.0 + (dl * dl + dc * dc) * inverse_core2
                        weight = path[k, 2] * _PIXEL_WEIGHTS[a] * _PIXEL_WEIGHTS[b]
                        value = weight * height * math.exp(-beta * math.log(u))
                        share += value
                        slope = 2.0 * beta * inverse_core2 * value / u
                        slope_l += slope * dl
                        slope_c += slope * dc
            variance = response * flux * share + background
            d_f = response * share
            d_l = response * flux * slope_l
            d_c = response * flux * slope_c
            i_ff += d_f * d_f / variance
            i_fl += d_f * d_l / variance
            i_fc += d_f * d_c / variance
            i_ll += d_l * d_l / variance
            i_lc += d_l * d_c / variance
            i_cc += d_c * d_c / variance
            matched += d_f * d_f / background
            peak = max(peak, share)
    determinant = (
        i_ff * (i_ll * i_cc - i_lc * i_lc)
        - i_fl * (i_fl * i_cc - i_lc * i_fc)
        + i_fc * (i_fl * i_lc - i_ll * i_fc)
    )
    result[0] = math.sqrt((i_ll * i_cc - i_lc * i_lc) / determinant)
    result[1] = math.sqrt((i_ff * i_cc - i_fc * i_fc) / determinant)
    result[2] = math.sqrt((i_ff * i_ll - i_fl * i_fl) / determinant)
    result[3] = 1.0 / math.sqrt(matched)
    result[4] = peak


@njit(cache=True)
def _sum_all(
    stars: FloatArray,
    moments: FloatArray,
    beta: float,
    results: FloatArray,
) -> None:
    for s in range(stars.shape[0]):
        ll, lc, cc = moments[s, 0], moments[s, 1], moments[s, 2]
        # Principal axes of the path's covariance.
        angle = 0.5 * math.atan2(2.0 * lc, ll - cc)
        mean = 0.5 * (ll + cc)
        half = math.sqrt(0.25 * (ll - cc) ** 2 + lc * lc)
        major = math.sqrt(max(mean + half, 0.0))
        minor = math.sqrt(max(mean - half, 0.0))
        reach = math.sqrt(3.0) * major
        n = min(_MOST_NODES, max(3, math.ceil(4.0 * reach / stars[s, 2]) + 2))
        path = np.empty((n * _ACROSS_NODES.size, 3))
        k = 0
        for a in range(n):
            for b in range(_ACROSS_NODES.size):
                u = reach * _RULES[n, 0, a]
                v = minor * _ACROSS_NODES[b]
                path[k, 0] = u * math.cos(angle) - v * math.sin(angle)
                path[k, 1] = u * math.sin(angle) + v * math.cos(angle)
                path[k, 2] = _RULES[n, 1, a] * _ACROSS_WEIGHTS[b]
                k += 1
        _sum_information(stars[s], path, beta, results[s])


def compute_bounds(
    line: FloatArray,
    column: FloatArray,
    flux: FloatArray,
    *,
    fwhm: FloatArray,
    moments: FloatArray,
    response: FloatArray,
    background: FloatArray,
    beta: float,
) -> Bounds:
    """Cramer-Rao bounds of flux and position, star by star.

    Parameters
    ----------
    line, column : ndarray of shape (n,)
        True positions, px, pixel centres at integers.
    flux : ndarray of shape (n,)
        Electrons at a response of 1.
    fwhm : ndarray of shape (n,)
        Full width at half maximum of the Moffat profile before path and pixel, px.
    moments : ndarray of shape (n, 3)
        Second central moments (ll, lc, cc) of the path, px^2.
    response : ndarray of shape (n,)
        Response of the star's column.
    background : ndarray of shape (n,)
        Variance of one pixel without the star, electron^2 before division by the response.
    beta : float
        Exponent of the Moffat profile.

    Returns
    -------
    Bounds

    Raises
    ------
    ValueError
        If `beta` is not above 1, or a width, flux or background is not positive.
    """
    if beta <= 1.0:
        raise ValueError(f"beta must be above 1, received {beta}")
    for name, values in (("fwhm", fwhm), ("flux", flux), ("background", background)):
        if not np.all(values > 0):
            raise ValueError(f"{name} must be positive, received {np.min(values)}")
    stars = np.column_stack([line, column, fwhm, flux, response, background]).astype(np.float64)
    results = np.empty((stars.shape[0], 5))
    _sum_all(
        stars,
        np.ascontiguousarray(moments, dtype=np.float64),
        beta,
        results,
    )
    return Bounds(*(results[:, k].copy() for k in range(5)))
