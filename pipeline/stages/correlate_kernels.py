"""Compiled loops of the matched filter's correlation.

A band of lines is whitened, then every group of columns is correlated with its kernel.  What is
worked on stays in the fast memories, and the white image is never held as a whole.  Every pixel's
sum runs over the kernel in raster order, whichever lines and columns it is computed with: what is
added in between is a weight of zero, which changes no sum.
"""

import numpy as np
from numba import njit

__all__ = ["filter_white", "whiten"]

_BAND = 128  # lines worked on at once, a multiple of 4
_WIDTH = 144  # columns worked on at once: not a power of 2, whose places in a cache are the same
_LANES = 16  # columns are taken in such steps, so that no loop has a slow rest


@njit(cache=True, error_model="numpy")
def whiten(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    spared: int,
    l: int,
    pad: int,
    bad: np.ndarray,
    row: np.ndarray,
) -> int:
    """Fill in which pixels of a line are bad and, behind `pad` columns, the line over its noise.

    Returns how many pixels that are not bad have no finite value.
    """
    zero = np.float32(0.0)
    most = np.float32(np.finfo(np.float32).max)
    inner = row[pad : pad + image.shape[1]]
    wrong = 0
    for c in range(image.shape[1]):
        without = (mask[l, c] | spared) != spared
        bad[l, c] = without
        value = image[l, c] / np.sqrt(variance[l, c])
        value = zero if without else value
        inner[c] = value
        wrong += 0 if abs(value) <= most else 1
    return wrong


@njit(cache=True)
def _add_row(
    white: np.ndarray, slot: int, first: int, w: np.ndarray, i: int, width: int, total: np.ndarray
) -> None:
    """Add a source line to the sums of four lines, four neighbouring taps in one go."""
    # Unsigned places spare the question whether they count from the end, which vectors cannot
    # answer; sums at constant distances let the compiler see that they do not overlap.  No slice
    # is made: to count who uses an array takes longer than some hundred additions.
    for j in range(0, w.shape[2], 4):
        w00, w01, w02, w03 = w[i, 0, j], w[i, 0, j + 1], w[i, 0, j + 2], w[i, 0, j + 3]
        w10, w11, w12, w13 = w[i, 1, j], w[i, 1, j + 1], w[i, 1, j + 2], w[i, 1, j + 3]
        w20, w21, w22, w23 = w[i, 2, j], w[i, 2, j + 1], w[i, 2, j + 2], w[i, 2, j + 3]
        w30, w31, w32, w33 = w[i, 3, j], w[i, 3, j + 1], w[i, 3, j + 2], w[i, 3, j + 3]
        for c in range(width):
            x = first + j + c
            s0, s1 = white[np.uintp(slot), np.uintp(x)], white[np.uintp(slot), np.uintp(x + 1)]
            s2, s3 = white[np.uintp(slot), np.uintp(x + 2)], white[np.uintp(slot), np.uintp(x + 3)]
            a, b, d = c + _WIDTH, c + 2 * _WIDTH, c + 3 * _WIDTH
            total[c] = total[c] + w00 * s0 + w01 * s1 + w02 * s2 + w03 * s3
            total[a] = total[a] + w10 * s0 + w11 * s1 + w12 * s2 + w13 * s3
            total[b] = total[b] + w20 * s0 + w21 * s1 + w22 * s2 + w23 * s3
            total[d] = total[d] + w30 * s0 + w31 * s1 + w32 * s2 + w33 * s3


@njit(cache=True)
def _make_zeros(size: int) -> np.ndarray:
    """Zeros that begin with a line of the cache: a vector across two is read twice."""
    buffer = np.zeros(size + 16, dtype=np.float32)
    skip = (-buffer.ctypes.data % 64) // 4
    return buffer[skip : skip + size]


@njit(cache=True)
def _set_weights(kernel: np.ndarray, w: np.ndarray) -> None:
    """Weights of four neighbouring lines by source line, zeros around the kernel."""
    w[:] = np.float32(0.0)
    for q in range(4):
        for i in range(kernel.shape[0]):
            for j in range(kernel.shape[1]):
                w[i + q, q, j] = kernel[i, j]


@njit(cache=True)
def filter_white(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    spared: int,
    kernels: np.ndarray,
    line_group: np.ndarray,
    starts: np.ndarray,
    groups: np.ndarray,
    bad: np.ndarray,
    out: np.ndarray,
) -> bool:
    """Fill in which pixels are bad, and correlate the image over its noise with its kernels.

    Columns from ``starts[r]`` on use the kernels of column group ``groups[r]``.  Beyond the edges
    there are zeros.  False if a pixel that is not bad has no finite value.
    """
    n_lines, n_columns = out.shape
    kl, kc = kernels.shape[2], kernels.shape[3]
    hl, hc = kl // 2, kc // 2
    taps = 4 * -(-kc // 4)
    slots = _BAND + kl + 2  # and three lines that only the last of four lines want
    white = np.zeros((slots, n_columns + taps + _LANES), dtype=np.float32)  # line l is l % slots
    total = _make_zeros(4 * _WIDTH)
    w = np.zeros((kl + 3, 4, taps), dtype=np.float32)
    done = first = 0
    while first < n_lines:
        g = line_group[first]
        stop = first + 1
        while stop < min(first + _BAND, n_lines) and line_group[stop] == g:
            stop += 1
        while done < min(stop + hl, n_lines):
            if whiten(image, variance, mask, spared, done, hc, bad, white[done % slots]) > 0:
                return False
            done += 1
        for r in range(groups.size):
            _set_weights(kernels[g, groups[r]], w)
            span = starts[r + 1] - starts[r]
            pieces = -(-span // _WIDTH)
            for piece in range(pieces):
                c0 = starts[r] + span * piece // pieces
                width = starts[r] + span * (piece + 1) // pieces - c0
                full = _LANES * -(-width // _LANES)
                for l in range(first, stop, 4):
                    total[:] = np.float32(0.0)
                    for ll in range(max(l - hl, 0), min(l - hl + kl + 3, done)):
                        _add_row(white, ll % slots, c0, w, ll - l + hl, full, total)
                    for q in range(min(4, stop - l)):
                        for c in range(width):
                            out[np.uintp(l + q), np.uintp(c0 + c)] = total[np.uintp(q * _WIDTH + c)]
        first = stop
    return True
