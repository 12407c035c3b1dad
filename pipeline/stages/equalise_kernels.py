"""Compiled parts of the equalisation: filling of bad pixels, convolution by column, lost weight."""

import numpy as np
from numba import njit

__all__ = ["FILL_REACH", "VARIANCE_STEP", "convolve_lines", "fill_bad"]

FILL_REACH = 4  # px: a bad pixel is filled from good ones at most this far on both sides
VARIANCE_STEP = 8  # lines: the background changes over hundreds, so its variance is made on these
_CHUNK = 64  # columns whose kernels stay in the second-level cache
_FAR = 1 << 20


@njit(cache=True)
def _find_gap(bad: np.ndarray, i: int, j: int, along: bool) -> tuple[int, int]:
    """Distances to the nearest good pixels before and after, or `_FAR`."""
    n = bad.shape[0] if along else bad.shape[1]
    at = i if along else j
    before = after = _FAR
    for d in range(1, FILL_REACH + 1):
        if before == _FAR and at - d >= 0 and not (bad[i - d, j] if along else bad[i, j - d]):
            before = d
        if after == _FAR and at + d < n and not (bad[i + d, j] if along else bad[i, j + d]):
            after = d
    return before, after


@njit(cache=True)
def _bridge(
    image: np.ndarray, bad: np.ndarray, i: int, j: int, along: bool, before: int, after: int
) -> float:
    """Value between the good ends of a gap."""
    di, dj = (1, 0) if along else (0, 1)
    a = float(image[i - before * di, j - before * dj])
    b = float(image[i + after * di, j + after * dj])
    n = image.shape[0] if along else image.shape[1]
    at = i if along else j
    if (
        before == 1
        and after == 1
        and at >= 2
        and at + 2 < n
        and not bad[i - 2 * di, j - 2 * dj]
        and not bad[i + 2 * di, j + 2 * dj]
    ):
        # Cubic through two neighbours on each side; its noise is 0.94 of a pixel's variance.
        outer = float(image[i - 2 * di, j - 2 * dj]) + float(image[i + 2 * di, j + 2 * dj])
        return (4.0 * (a + b) - outer) / 6.0
    return (a * after + b * before) / (before + after)


@njit(cache=True)
def fill_bad(
    image: np.ndarray, variance: np.ndarray, mask: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Image with bad pixels filled, variance likewise, and which pixels are bad.

    A bad pixel gets a value between its neighbours across the shorter gap, along lines where both
    are equal; 0 where there are none.
    """
    n, m = image.shape
    bad = np.empty((n, m), np.bool_)
    filled, noise = image.copy(), variance.copy()
    top = np.float32(np.inf)
    for i in range(n):
        last = np.float32(0.0)
        for j in range(m):
            v = variance[i, j]
            sound = (v > 0) & (v < top)
            bad[i, j] = (mask[i, j] != 0) | (not sound) | (not abs(image[i, j]) < top)
            if bad[i, j]:
                noise[i, j] = last if last > 0 else (v if sound else np.float32(0.0))
            else:
                if last == 0:
                    for k in range(j):
                        noise[i, k] = v
                last = v
    for i in range(n):
        for j in range(m):
            if not bad[i, j]:
                continue
            lb, la = _find_gap(bad, i, j, True)
            cb, ca = _find_gap(bad, i, j, False)
            if lb + la < _FAR and lb + la <= cb + ca:
                filled[i, j] = _bridge(image, bad, i, j, True, lb, la)
            elif cb + ca < _FAR:
                filled[i, j] = _bridge(image, bad, i, j, False, cb, ca)
            else:
                filled[i, j] = 0.0
    return filled, noise, bad


@njit(cache=True, fastmath={"contract"})
def _correlate(
    image: np.ndarray,
    row: int,
    column: int,
    rows: int,
    weights: np.ndarray,
    reach: np.ndarray,
    out: np.ndarray,
) -> None:
    """Weighted sums over a kernel's ellipse for some rows of a chunk of columns.

    ``out[r, t]`` is the pixel of the padded image at ``(row + r, column + t)``.
    """
    width = weights.shape[1]
    half = reach.shape[0] // 2
    acc = np.empty(width, np.float32)
    for r in range(rows):
        for t in range(width):
            acc[t] = np.float32(0.0)
        tap = 0
        for i in range(reach.shape[0]):
            h = reach[i]
            source = image[row + r + i - half, column - h : column + h + width]
            count = 2 * h + 1
            j = 0
            while j + 5 <= count:
                k0, k1, k2 = weights[tap + j], weights[tap + j + 1], weights[tap + j + 2]
                k3, k4 = weights[tap + j + 3], weights[tap + j + 4]
                s0, s1, s2 = source[j:], source[j + 1 :], source[j + 2 :]
                s3, s4 = source[j + 3 :], source[j + 4 :]
                for t in range(width):
                    acc[t] += (
                        k0[t] * s0[t]
                        + k1[t] * s1[t]
                        + k2[t] * s2[t]
                        + k3[t] * s3[t]
                        + k4[t] * s4[t]
                    )
                j += 5
            while j < count:
                k0, s0 = weights[tap + j], source[j:]
                for t in range(width):
                    acc[t] += k0[t] * s0[t]
                j += 1
            tap += count
        for t in range(width):
            out[r, t] = acc[t]


@njit(cache=True)
def _blend(shares: np.ndarray, rows: np.ndarray, out: np.ndarray) -> None:
    """Sum of rows with weights."""
    n = out.shape[0]
    first, share = rows[0], shares[0]
    for t in range(n):
        out[t] = share * first[t]
    for w in range(1, shares.shape[0]):
        row, share = rows[w], shares[w]
        if share != 0:
            for t in range(n):
                out[t] += share * row[t]


@njit(cache=True)
def _sum_up(row: np.ndarray, square: np.ndarray, absolute: np.ndarray) -> None:
    """Square of a row, and its absolute values added to a sum."""
    n = row.shape[0]
    for t in range(n):
        square[t] = row[t] * row[t]
    for t in range(n):
        absolute[t] += abs(row[t])


@njit(cache=True)
def _find_lost(
    bits: np.ndarray,
    row: int,
    column: int,
    rows: int,
    weights: np.ndarray,
    reach: np.ndarray,
    starts: np.ndarray,
    bright: int,
    lost: np.ndarray,
    lost_bright: np.ndarray,
    found: np.ndarray,
) -> None:
    """Absolute weight on bad pixels, on bright ones among them, and the bits of all."""
    width = weights.shape[1]
    half = reach.shape[0] // 2
    widest = reach[half]
    closed = np.empty(rows, np.bool_)  # rows without a good pixel need no weighing
    any_bad = False
    for r in range(rows):
        lost[r], lost_bright[r], found[r] = 0, 0, 0
        closed[r] = True
        for t in range(width):
            if bits[row + r, column + t] == 0:
                closed[r] = False
                break
    for p in range(row - half, row + rows + half):
        for q in range(column - widest, column + width + widest):
            b = bits[p, q]
            if b == 0:
                continue
            any_bad = True
            for r in range(max(p - row - half, 0), min(p - row + half + 1, rows)):
                if closed[r]:
                    continue
                i = p - (row + r) + half
                h = reach[i]
                low, high = max(q - column - h, 0), min(q - column + h + 1, width)
                for t in range(low, high):
                    w = abs(weights[starts[i] + (q - column - t) + h, t])
                    lost[r, t] += w
                    if b & bright:
                        lost_bright[r, t] += w
                    found[r, t] |= b
    if not any_bad:
        return


@njit(cache=True)
def convolve_lines(
    image: np.ndarray,
    noise: np.ndarray,
    bits: np.ndarray,
    before: int,
    first_line: int,
    group: int,
    width_weights: np.ndarray,
    table: np.ndarray,
    reach: np.ndarray,
    bright: int,
    lost_limit: float,
    bright_limit: float,
    out: np.ndarray,
    out_variance: np.ndarray,
    out_mask: np.ndarray,
) -> None:
    """Convolve the lines of a window with the kernels of their columns.

    Parameters
    ----------
    image, noise, bits : ndarray of shape (rows, n_columns + 2 b)
        Filled image, variance and bits, padded by ``b``, the ellipse's half width, on both sides.
    before : int
        Row of global line `first_line`; rows reach a whole step of the variance and half a kernel
        beyond both ends.
    first_line : int
        First line wanted.
    group : int
        Lines with one kernel, a multiple of `VARIANCE_STEP`, anchored at line 0.
    width_weights : ndarray of shape (n_groups, n_width)
        Weights of the width nodes in each group, from the group of `first_line` on.
    table : ndarray of shape (n_width, n, n_columns)
        Weights by column.
    reach : ndarray of int
        Half width of each line of the ellipse.
    bright : int
        Bits that `bright_limit` is about.
    lost_limit, bright_limit : float
        See `EqualiseOptions`.
    out, out_variance, out_mask : ndarray of shape (n_lines, n_columns)
        Filled.
    """
    n_lines, n_columns = out.shape
    n_taps = table.shape[1]
    half = reach.shape[0] // 2
    pad = reach[half]
    starts = np.empty(reach.shape[0], np.int64)
    total = 0
    for i in range(reach.shape[0]):
        starts[i] = total
        total += 2 * reach[i] + 1
    first_group = first_line // group
    stop_line = first_line + n_lines
    anchor0 = first_line // VARIANCE_STEP
    n_anchors = -(-stop_line // VARIANCE_STEP) - anchor0 + 1
    for c in range(0, n_columns, _CHUNK):
        width = min(_CHUNK, n_columns - c)
        weights = np.empty((n_taps, width), np.float32)
        squares = np.empty((n_taps, width), np.float32)
        absolute = np.empty(width, np.float32)
        small = np.zeros((n_anchors, width), np.float32)
        lost = np.empty((group, width), np.float32)
        lost_bright = np.empty((group, width), np.float32)
        found = np.empty((group, width), np.uint16)
        for g in range(width_weights.shape[0]):
            begin = max((first_group + g) * group, first_line)
            end = min((first_group + g + 1) * group, stop_line)
            a_begin = max((first_group + g) * group // VARIANCE_STEP, anchor0)
            a_end = min((first_group + g + 1) * group // VARIANCE_STEP, anchor0 + n_anchors)
            if end <= begin and a_end <= a_begin:
                continue
            absolute[:] = 0
            for k in range(n_taps):
                _blend(width_weights[g], table[:, k, c : c + width], weights[k])
                _sum_up(weights[k], squares[k], absolute)
            for a in range(a_begin, a_end):
                row = a * VARIANCE_STEP - first_line + before
                at = a - anchor0
                _correlate(noise, row, c + pad, 1, squares, reach, small[at : at + 1])
            if end <= begin:
                continue
            row, rows = begin - first_line + before, end - begin
            target = out[begin - first_line : end - first_line, c : c + width]
            _correlate(image, row, c + pad, rows, weights, reach, target)
            _find_lost(
                bits, row, c + pad, rows, weights, reach, starts, bright, lost, lost_bright, found
            )
            for r in range(rows):
                line = begin - first_line + r
                for t in range(width):
                    own = bits[row + r, c + pad + t]
                    if lost[r, t] > lost_limit * absolute[t] or (
                        lost_bright[r, t] > bright_limit * absolute[t]
                    ):
                        own |= found[r, t]
                    out_mask[line, c + t] = own
        for line in range(n_lines):
            a, part = divmod(first_line + line, VARIANCE_STEP)
            share = np.float32(part) / np.float32(VARIANCE_STEP)
            low, high = small[a - anchor0], small[a - anchor0 + 1]
            for t in range(width):
                out_variance[line, c + t] = low[t] + share * (high[t] - low[t])
