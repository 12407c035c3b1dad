"""Sums over the pixels of a star that a fit of its flux and position needs, in vectors.

Pixels are flat arrays of single precision. One that is left out has an infinite ``base``, so no
weight, and zero ``data``: without a branch the loops, which are most of the photometry, run in
vectors.
"""

import numpy as np
from numba import njit

__all__ = ["final_sums", "flux_sums", "newton_sums"]

_PROBE_SCALE = 0.5
# Sums may run in any order, the same one every time; infinity keeps its meaning.
_REORDER = {"reassoc", "contract", "nsz"}


@njit(cache=True, fastmath=_REORDER, error_model="numpy")
def newton_sums(
    data: np.ndarray,
    base: np.ndarray,
    ratio: np.ndarray,
    p: np.ndarray,
    pl: np.ndarray,
    pc: np.ndarray,
    flux: np.float32,
    normal: np.ndarray,
    right: np.ndarray,
) -> None:
    """Normal matrix and right side of a step in flux, line and column."""
    zero = np.float32(0.0)
    one = np.float32(1.0)
    n00 = n10 = n11 = n20 = n21 = n22 = zero
    r0 = r1 = r2 = zero
    for k in range(data.size):
        light = p[k]
        m = flux * light
        w = one / (base[k] + ratio[k] * max(m, zero))
        r = w * (data[k] - m)
        by_l = flux * pl[k]
        by_c = flux * pc[k]
        r0 += r * light
        r1 += r * by_l
        r2 += r * by_c
        w0 = w * light
        w1 = w * by_l
        n00 += w0 * light
        n10 += w0 * by_l
        n20 += w0 * by_c
        n11 += w1 * by_l
        n21 += w1 * by_c
        n22 += w * by_c * by_c
    right[0], right[1], right[2] = r0, r1, r2
    normal[0, 0], normal[1, 0], normal[1, 1] = n00, n10, n11
    normal[2, 0], normal[2, 1], normal[2, 2] = n20, n21, n22


@njit(cache=True, fastmath=_REORDER, error_model="numpy")
def flux_sums(
    data: np.ndarray, base: np.ndarray, ratio: np.ndarray, p: np.ndarray, flux: np.float32
) -> float:
    """Flux of a fit with fixed position, weighted with the model of the flux given."""
    zero = np.float32(0.0)
    one = np.float32(1.0)
    top = bottom = zero
    for k in range(data.size):
        m = flux * p[k]
        w = one / (base[k] + ratio[k] * max(m, zero))
        top += w * p[k] * data[k]
        bottom += w * p[k] * p[k]
    return float(top) / float(bottom)


@njit(cache=True, fastmath=_REORDER, error_model="numpy")
def final_sums(
    data: np.ndarray,
    base: np.ndarray,
    ratio: np.ndarray,
    neighbours: np.ndarray,
    slopes: np.ndarray,
    flux: np.float32,
    normal: np.ndarray,
    right: np.ndarray,
) -> tuple[float, float, float]:
    """As `newton_sums` with a width as fourth; chi-square, own and other light under the profile.

    ``slopes`` holds the light, by line, by column, twice by line and twice by column. The width is
    a little more round Gaussian width: half the Laplacian per px^2.
    """
    zero = np.float32(0.0)
    one = np.float32(1.0)
    p, pl, pc, pll, pcc = slopes[0], slopes[1], slopes[2], slopes[3], slopes[4]
    probe = np.float32(_PROBE_SCALE) * flux
    n00 = n10 = n11 = n20 = n21 = n22 = zero
    n30 = n31 = n32 = n33 = zero
    r0 = r1 = r2 = r3 = zero
    chi2 = own = other = zero
    for k in range(data.size):
        light = p[k]
        m = flux * light
        w = one / (base[k] + ratio[k] * max(m, zero))
        rest = data[k] - m
        r = w * rest
        chi2 += r * rest
        # Pixels left out count neither as own light nor as others'.
        seen = light if w > zero else zero
        own += seen * m
        other += seen * neighbours[k]
        by_l = flux * pl[k]
        by_c = flux * pc[k]
        by_w = probe * (pll[k] + pcc[k])
        r0 += r * light
        r1 += r * by_l
        r2 += r * by_c
        r3 += r * by_w
        w0 = w * light
        w1 = w * by_l
        w2 = w * by_c
        n00 += w0 * light
        n10 += w0 * by_l
        n20 += w0 * by_c
        n30 += w0 * by_w
        n11 += w1 * by_l
        n21 += w1 * by_c
        n31 += w1 * by_w
        n22 += w2 * by_c
        n32 += w2 * by_w
        n33 += w * by_w * by_w
    right[0], right[1], right[2], right[3] = r0, r1, r2, r3
    normal[0, 0], normal[1, 0], normal[1, 1] = n00, n10, n11
    normal[2, 0], normal[2, 1], normal[2, 2] = n20, n21, n22
    normal[3, 0], normal[3, 1], normal[3, 2], normal[3, 3] = n30, n31, n32, n33
    return float(chi2), float(own), float(other)
