"""Tile pixels of which a part of the footprint is bad, one by one."""

import numpy as np
from numba import njit

from pipeline.flags import PixelMask

__all__ = ["CHUNK", "HALF", "NO_DATA", "TAPS", "repair_run"]

HALF = 3
TAPS = 2 * HALF
CHUNK = 256  # pixels whose 24 weight rows stay in the first-level cache
NO_DATA = np.uint16(PixelMask.NO_DATA)


@njit(cache=True)
def _resample_pixel(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    bad: np.ndarray,
    low: int,
    il: int,
    ic: int,
    wl: np.ndarray,
    wc: np.ndarray,
    t: int,
    min_good: float,
    correlated: bool,
) -> tuple[float, float, np.uint16]:
    """One tile pixel whose footprint holds bad pixels: sums over the good ones."""
    n, m = image.shape
    first = ic - 2 - low
    if il >= 2 and il + HALF < n and first >= 0 and first + TAPS <= bad.shape[1]:
        along, across, good, norm, total, noise = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(TAPS):
            across += abs(np.float64(wc[k * CHUNK + t]))
        for j in range(TAPS):
            u = np.float64(wl[j * CHUNK + t])
            along += abs(u)
            pixels, spread = image[il - 2 + j], variance[il - 2 + j]
            skip = bad[il - 2 + j]
            for k in range(TAPS):
                if skip[first + k] == 0:
                    w = u * np.float64(wc[k * CHUNK + t])
                    good += abs(w)
                    norm += w
                    total += w * pixels[ic - 2 + k]
                    noise += (w if correlated else w * w) * spread[ic - 2 + k]
        if good >= (min_good - 1e-9) * along * across and norm > 0.0:
            return total / norm, noise / (norm if correlated else norm * norm), np.uint16(0)
    # Beyond the window, or too little is left: which bits are to blame?
    everything, good, norm, total, noise = 0.0, 0.0, 0.0, 0.0, 0.0
    bits = np.uint16(0)
    for j in range(TAPS):
        i = il - 2 + j
        along = np.float64(wl[j * CHUNK + t])
        for k in range(TAPS):
            w = along * np.float64(wc[k * CHUNK + t])
            if w == 0.0:
                continue
            c = ic - 2 + k
            everything += abs(w)
            if i < 0 or i >= n or c < 0 or c >= m:
                bits |= NO_DATA
            elif bad[i, c - low]:
                bits |= mask[i, c] if mask[i, c] != 0 else NO_DATA
            else:
                good += abs(w)
                norm += w
                total += w * image[i, c]
                noise += (w if correlated else w * w) * variance[i, c]
    # 1e-9: rounding must not fail a pixel that lost nothing
    if good < (min_good - 1e-9) * everything or norm <= 0.0:
        return np.nan, np.nan, bits
    return total / norm, noise / (norm if correlated else norm * norm), np.uint16(0)


@njit(cache=True)
def repair_run(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    bad: np.ndarray,
    touched: np.ndarray,
    words: np.ndarray,
    low: int,
    il: int,
    ic: int,
    first: int,
    last: int,
    count: int,
    wl: np.ndarray,
    wc: np.ndarray,
    at: int,
    min_good: float,
    correlated: bool,
    factor: np.ndarray,
    flux: np.ndarray,
    var: np.ndarray,
    bits: np.ndarray,
) -> None:
    """Put right the touched pixels of a run, and those whose footprints leave the window.

    `words` are the rows of `touched`, eight pixels to a number: most of them are zero.
    """
    start = ic - low
    t = 0
    while t < count:
        if first <= t < last:
            c = start + t
            if words[il, c // 8] == 0:
                t = min(t + 8 - c % 8, last)
                continue
            if touched[il, c] == 0:
                t += 1
                continue
        value, spread, found = _resample_pixel(
            image, variance, mask, bad, low, il, ic + t, wl, wc, at + t, min_good, correlated
        )
        flux[t] = np.float32(value) * factor[t]
        var[t] = np.float32(spread) * (factor[t] * factor[t])
        bits[t] = found
        t += 1
