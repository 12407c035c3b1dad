"""Compiled loops of the matched filter: whitening, correlation, noise of filtered pixels."""

import numpy as np
from numba import njit

from pipeline.stages.scan_kernels import find_next

__all__ = ["TAPS", "apply_scale", "correlate", "find_scale", "find_touched", "weights_at", "whiten"]

TAPS = 4  # neighbouring weights of a kernel's row that are taken in one go
_WIDTH = 128  # columns worked on at once: their sums and sources stay in the fastest memory


@njit(cache=True, error_model="numpy")
def whiten(
    image: np.ndarray,
    variance: np.ndarray,
    mask: np.ndarray,
    spared: int,
    pad: int,
    bad: np.ndarray,
    white: np.ndarray,
) -> bool:
    """Fill in which pixels are bad and, behind `pad` columns, the image over its noise.

    False if a pixel that is not bad has no finite value.
    """
    n_lines, n_columns = image.shape
    zero = np.float32(0.0)
    most = np.float32(np.finfo(np.float32).max)
    wrong = 0
    for l in range(n_lines):
        row = white[l]
        row[:pad] = zero
        row[pad + n_columns :] = zero
        inner = row[pad : pad + n_columns]
        for c in range(n_columns):
            without = (mask[l, c] | spared) != spared
            bad[l, c] = without
            value = image[l, c] / np.sqrt(variance[l, c])
            value = zero if without else value
            inner[c] = value
            wrong += 0 if abs(value) <= most else 1
    return wrong == 0


@njit(cache=True)
def _add_taps(source: np.ndarray, w: np.ndarray, width: int, total: np.ndarray) -> None:
    """Add four neighbouring taps to the sums of four lines; the order of additions is kept."""
    # Constant distances between the lines' sums let the compiler see that nothing overlaps.
    w00, w01, w02, w03 = w[0], w[1], w[2], w[3]
    w10, w11, w12, w13 = w[4], w[5], w[6], w[7]
    w20, w21, w22, w23 = w[8], w[9], w[10], w[11]
    w30, w31, w32, w33 = w[12], w[13], w[14], w[15]
    for c in range(min(width, _WIDTH)):
        s0, s1, s2, s3 = source[c], source[c + 1], source[c + 2], source[c + 3]
        a, b = c + _WIDTH, c + 2 * _WIDTH
        d = c + 3 * _WIDTH
        total[c] = total[c] + w00 * s0 + w01 * s1 + w02 * s2 + w03 * s3
        total[a] = total[a] + w10 * s0 + w11 * s1 + w12 * s2 + w13 * s3
        total[b] = total[b] + w20 * s0 + w21 * s1 + w22 * s2 + w23 * s3
        total[d] = total[d] + w30 * s0 + w31 * s1 + w32 * s2 + w33 * s3


@njit(cache=True)
def correlate(
    image: np.ndarray,
    kernels: np.ndarray,
    line_group: np.ndarray,
    starts: np.ndarray,
    groups: np.ndarray,
    out: np.ndarray,
) -> None:
    """Correlate an image with half a kernel of zero columns on the left, ``TAPS - 1`` more right.

    Every pixel's sum runs over the kernel in raster order, whichever lines it is computed with.
    Weights of zero stand around a kernel, so that four lines share each source line; adding
    nothing changes no sum.
    """
    n_lines = out.shape[0]
    n_kernels, _, kl, kc = kernels.shape
    hl = kl // 2
    chunks = -(-kc // 4)
    weights = np.zeros((n_kernels, kl + 6, 4 * chunks), dtype=np.float32)
    shared = np.zeros((kl + 3, chunks, 16), dtype=np.float32)  # of four lines, side by side
    total = np.empty(4 * _WIDTH, dtype=np.float32)
    for r in range(groups.size):
        weights[:, 3 : 3 + kl, :kc] = kernels[:, groups[r]]
        have = -1
        for c0 in range(starts[r], starts[r + 1], _WIDTH):
            width = min(starts[r + 1] - c0, _WIDTH)
            for l in range(0, n_lines, 4):
                group = line_group[l]
                for q in range(1, 4):
                    if line_group[min(l + q, n_lines - 1)] != group:
                        group = -1
                if group < 0 or group != have:
                    have = group
                    for q in range(4):
                        g = line_group[min(l + q, n_lines - 1)]
                        for d in range(kl + 3):
                            for k in range(chunks):
                                for t in range(4):
                                    shared[d, k, 4 * q + t] = weights[g, d + 3 - q, 4 * k + t]
                total[:] = np.float32(0.0)
                for ll in range(max(l - hl, 0), min(l - hl + kl + 3, n_lines)):
                    for k in range(chunks):
                        first = c0 + 4 * k
                        source = image[ll, first : first + width + 3]
                        _add_taps(source, shared[ll - l + hl, k], width, total)
                for q in range(min(4, n_lines - l)):
                    out[l + q, c0 : c0 + width] = total[q * _WIDTH : q * _WIDTH + width]


@njit(cache=True)
def good_weight(kernel: np.ndarray, bad: np.ndarray, l: int, c: int) -> float:
    """Squared weight of a kernel's good pixels when it is centred on a pixel."""
    kl, kc = kernel.shape
    s = 0.0
    for i in range(kl):
        ll = l + i - kl // 2
        if ll < 0 or ll >= bad.shape[0]:
            continue
        for j in range(kc):
            cc = c + j - kc // 2
            if cc < 0 or cc >= bad.shape[1] or bad[ll, cc]:
                continue
            s += kernel[i, j] * kernel[i, j]
    return s


@njit(cache=True)
def weights_at(
    kernels: np.ndarray,
    bad: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    l: np.ndarray,
    c: np.ndarray,
) -> np.ndarray:
    """Squared weight of the good pixels of the kernel at each of a list of pixels."""
    out = np.empty(l.size)
    for k in range(l.size):
        kernel = kernels[line_group[l[k]], column_group[c[k]]]
        out[k] = good_weight(kernel, bad, l[k], c[k])
    return out


@njit(cache=True)
def _shift_totals(entering: np.ndarray, leaving: np.ndarray, hc: int, total: np.ndarray) -> None:
    """Bad pixels of the kernel at each pixel of a line, from those of the line above."""
    number = 0
    for c in range(total.size):
        number += entering[c] != leaving[c]
    if number == 0:
        return
    for c in range(total.size):
        if entering[c] != leaving[c]:
            change = np.int32(1) if entering[c] else np.int32(-1)
            for k in range(max(c - hc, 0), min(c + hc + 1, total.size)):
                total[k] += change


@njit(cache=True)
def find_touched(bad: np.ndarray, hl: int, hc: int) -> np.ndarray:
    """1 where the kernel meets a bad pixel or the edge of the array, 2 where it meets nothing else.

    Large parts of a tile may hold no data; they need no sums.
    """
    n_lines, n_columns = bad.shape
    out = np.empty((n_lines, n_columns), dtype=np.uint8)
    none = np.zeros(n_columns, dtype=np.bool_)
    total = np.zeros(n_columns, dtype=np.int32)
    width = np.empty(n_columns, dtype=np.int32)
    for c in range(n_columns):
        width[c] = min(c + hc + 1, n_columns) - max(c - hc, 0)
    for l in range(min(hl, n_lines)):
        _shift_totals(bad[l], none, hc, total)
    for l in range(n_lines):
        entering = bad[l + hl] if l + hl < n_lines else none
        leaving = bad[l - hl - 1] if l > hl else none
        _shift_totals(entering, leaving, hc, total)
        height = np.int32(min(l + hl + 1, n_lines) - max(l - hl, 0))
        edge = l < hl or l >= n_lines - hl
        row = out[l]
        for c in range(n_columns):
            some = edge or total[c] > 0 or width[c] <= 2 * hc
            row[c] = np.uint8(some) + np.uint8(total[c] == height * width[c])
    return out


@njit(cache=True)
def _good_weights(
    squares: np.ndarray, bad: np.ndarray, l: int, c0: int, width: int, good: np.ndarray
) -> np.ndarray:
    """`good_weight` of neighbouring pixels of one kernel, whose `squares` end in zeros."""
    kl, padded = squares.shape
    n_lines, n_columns = bad.shape
    reach = width + padded - 1
    total = np.zeros(width)
    for i in range(kl):
        ll = l + i - kl // 2
        if ll < 0 or ll >= n_lines:
            continue
        for k in range(reach):
            c = c0 + k
            good[k] = 1.0 if 0 <= c < n_columns and not bad[ll, c] else 0.0
        for j in range(0, padded, 4):
            source = good[j : j + width + 3]
            w0, w1, w2, w3 = squares[i, j], squares[i, j + 1], squares[i, j + 2], squares[i, j + 3]
            for k in range(width):
                total[k] = (
                    total[k]
                    + w0 * source[k]
                    + w1 * source[k + 1]
                    + w2 * source[k + 2]
                    + w3 * source[k + 3]
                )
    return total


@njit(cache=True)
def _note_changes(bad: np.ndarray, l: int, hc: int, changed: np.ndarray) -> None:
    """Write a line's number where a kernel would meet a pixel unlike the one of the line above."""
    n_columns = bad.shape[1]
    here, above = bad[l], bad[l - 1]
    number = 0
    for c in range(n_columns):
        number += here[c] != above[c]
    if number == 0:
        return
    for c in range(n_columns):
        if here[c] != above[c]:
            changed[max(c - hc, 0) : c + hc + 1] = l


@njit(cache=True)
def find_scale(
    bad: np.ndarray,
    touched: np.ndarray,
    kernels: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    min_weight: float,
    out: np.ndarray,
) -> None:
    """Inverse noise of filtered white noise; NaN where too little of a kernel is good.

    Beside a bad column all lines are alike: what held a line above holds as long as neither the
    pixels that the kernel meets nor the kernel differ.
    """
    n_lines, n_columns = bad.shape
    kl, kc = kernels.shape[2], kernels.shape[3]
    hl, hc = kl // 2, kc // 2
    squares = np.zeros((kernels.shape[0], kernels.shape[1], kl, 4 * -(-kc // 4)))
    squares[:, :, :, :kc] = kernels * kernels  # rounded like those of `good_weight`
    full = np.empty((kernels.shape[0], kernels.shape[1]))
    for a in range(full.shape[0]):
        for b in range(full.shape[1]):
            s = 0.0
            for i in range(kl):
                for j in range(kc):
                    s += squares[a, b, i, j]
            full[a, b] = s
    scale = (1.0 / np.sqrt(full)).astype(np.float32)
    changed = np.zeros(n_columns, dtype=np.int64)
    good = np.empty(_WIDTH + squares.shape[3])
    for l in range(1, min(hl, n_lines)):
        _note_changes(bad, l, hc, changed)
    plain = np.empty(n_columns, dtype=np.float32)  # where every pixel is good
    have = -1
    for l in range(n_lines):
        if 0 < l + hl < n_lines:
            _note_changes(bad, l + hl, hc, changed)
        g = line_group[l]
        alike = hl < l < n_lines - hl and g == line_group[l - 1]
        if g != have:
            have = g
            for c in range(n_columns):
                plain[c] = scale[g, column_group[c]]
        out[l] = plain
        c = find_next(touched[l], 0)
        while c < n_columns:
            h = column_group[c]
            if touched[l, c] == 0:
                c = find_next(touched[l], c)
                continue
            if touched[l, c] == 2:  # there is no good pixel at all
                out[l, c] = np.nan
                c += 1
                continue
            if alike and changed[c] < l - hl:
                out[l, c] = out[l - 1, c]
                c += 1
                continue
            stop = c + 1
            while (
                stop < min(n_columns, c + _WIDTH)
                and touched[l, stop] == 1
                and column_group[stop] == h
                and not (alike and changed[stop] < l - hl)
            ):
                stop += 1
            total = _good_weights(squares[g, h], bad, l, c - hc, stop - c, good)
            for k in range(stop - c):
                s = total[k]
                few = s < min_weight * full[g, h] or s == 0.0
                out[l, c + k] = np.nan if few else 1.0 / np.sqrt(s)
            c = stop


@njit(cache=True)
def apply_scale(scale: np.ndarray, out: np.ndarray) -> None:
    """Divide filtered pixels by their noise; -inf where that is not known."""
    for l in range(out.shape[0]):
        for c in range(out.shape[1]):
            s = scale[l, c]
            out[l, c] = out[l, c] * s if s > 0.0 else -np.inf
