"""Compiled parts of the stack: reference, rejection and weighted mean."""

import numpy as np
from numba import njit

from pipeline.flags import PixelMask

__all__ = ["HALO", "stack_rows"]

HALO = 3  # rows: two for the range around a pixel, one for the growth of what is rejected
_NO_DATA = np.uint16(PixelMask.NO_DATA)


@njit(cache=True)
def _reference(
    flux: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    scale: np.ndarray,
    offset: np.ndarray,
    row: int,
    x: int,
    values: np.ndarray,
) -> tuple[float, float, int]:
    """Lower median of a pixel's good epochs, its variance, and their number."""
    n, inverse = 0, 0.0
    for e in range(flux.shape[0]):
        v, var = np.float64(flux[e, row, x]), np.float64(variance[e, row, x])
        if mask[e, row, x] != 0 or not (np.isfinite(v) and var > 0.0 and var < np.inf):
            continue
        v = v * scale[e] + offset[e]
        k = n
        while k > 0 and values[k - 1] > v:
            values[k] = values[k - 1]
            k -= 1
        values[k] = v
        inverse += 1.0 / (var * scale[e] * scale[e])
        n += 1
    if n == 0:
        return np.nan, np.nan, 0
    # a median has pi / 2 of the variance of a mean; of one or two values one is taken as it is
    return values[(n - 1) // 2], (1.5708 if n > 2 else np.float64(n)) / inverse, n


@njit(cache=True)
def stack_rows(
    flux: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    start: int,
    stop: int,
    scale: np.ndarray,
    offset: np.ndarray,
    weights: np.ndarray,
    slack: np.ndarray,
    clip: float,
    grow: float,
    clip_epochs: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Rows start to stop of a band; rows outside serve as halo."""
    n, rows, nx = flux.shape
    low, high = max(start - HALO, 0), min(stop + HALO, rows)
    size = high - low
    middle, spread = np.full((size, nx), np.nan), np.full((size, nx), np.nan)
    number = np.zeros((size, nx), np.uint16)
    values = np.empty(n)
    for i in range(size):
        for x in range(nx):
            middle[i, x], spread[i, x], number[i, x] = _reference(
                flux, variance, mask, scale, offset, low + i, x, values
            )
    # excess of every epoch over the reference beyond what a star may do, in standard deviations
    first, last = max(start - 1, 0) - low, min(stop + 1, rows) - low
    excess = np.zeros((n, last - first, nx), np.float32)
    for i in range(first, last):
        for x in range(nx):
            if number[i, x] < clip_epochs:
                continue
            least, most = np.inf, -np.inf
            for a in range(max(i - 2, 0), min(i + 3, size)):
                for b in range(max(x - 2, 0), min(x + 3, nx)):
                    if number[a, b] > 0:
                        least = min(least, middle[a, b])
                        most = max(most, middle[a, b])
            # 25 values of noise alone span about 4 standard deviations
            span = max(most - least - 4.0 * np.sqrt(spread[i, x]), 0.0)
            for e in range(n):
                v, var = np.float64(flux[e, low + i, x]), np.float64(variance[e, low + i, x])
                if mask[e, low + i, x] != 0 or not (np.isfinite(v) and var > 0.0 and var < np.inf):
                    continue
                far = abs(v * scale[e] + offset[e] - middle[i, x]) - slack[e, low + i] * span
                sigma = np.sqrt(var * scale[e] * scale[e] + spread[i, x])
                excess[e, i - first, x] = far / sigma
    height = stop - start
    out, out_var = (
        np.full((height, nx), np.float32(np.nan)),
        np.full((height, nx), np.float32(np.nan)),
    )
    used, bits = np.zeros((height, nx), np.uint16), np.zeros((height, nx), np.uint16)
    rejected = np.zeros(n, np.int64)
    for i in range(height):
        k = start - low - first + i  # row of excess
        for x in range(nx):
            total, norm, noise, count = 0.0, 0.0, 0.0, 0
            seen = np.uint16(0)
            for e in range(n):
                v, var = np.float64(flux[e, start + i, x]), np.float64(variance[e, start + i, x])
                seen |= mask[e, start + i, x]
                if mask[e, start + i, x] != 0 or not (
                    np.isfinite(v) and var > 0.0 and var < np.inf
                ):
                    continue
                if excess[e, k, x] > grow:
                    out_of_line = excess[e, k, x] > clip
                    if not out_of_line:
                        for a in range(max(k - 1, 0), min(k + 2, last - first)):
                            for b in range(max(x - 1, 0), min(x + 2, nx)):
                                out_of_line |= excess[e, a, b] > clip
                    if out_of_line:
                        rejected[e] += 1
                        continue
                w = weights[e]
                if w > 0.0:
                    total += w * (v * scale[e] + offset[e])
                    noise += w * w * var * scale[e] * scale[e]
                    norm += w
                    count += 1
            if count > 0:
                out[i, x] = total / norm
                out_var[i, x] = noise / (norm * norm)
                used[i, x] = count
            else:
                bits[i, x] = seen if seen != 0 else _NO_DATA
    return out, out_var, used, bits, rejected
