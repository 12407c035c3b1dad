"""Compiled loops of the matched filter: noise of filtered pixels."""

import numpy as np
from numba import njit

from pipeline.stages.scan_kernels import find_next

__all__ = ["apply_scale", "find_scale", "find_touched", "good_weight", "weights_at"]

_WIDTH = 128  # columns worked on at once: their sums and sources stay in the fastest memory


@njit(cache=True)
def good_weight(kernel: np.ndarray, mask: np.ndarray, spared: int, l: int, c: int) -> float:
    """Squared weight of a kernel's good pixels when it is centred on a pixel.

    Pixels without other bits than the spared ones are good.
    """
    kl, kc = kernel.shape
    s = 0.0
    for i in range(kl):
        ll = l + i - kl // 2
        if ll < 0 or ll >= mask.shape[0]:
            continue
        for j in range(kc):
            cc = c + j - kc // 2
            if cc < 0 or cc >= mask.shape[1] or (mask[ll, cc] | spared) != spared:
                continue
            s += kernel[i, j] * kernel[i, j]
    return s


@njit(cache=True)
def weights_at(
    kernels: np.ndarray,
    mask: np.ndarray,
    spared: int,
    line_group: np.ndarray,
    column_group: np.ndarray,
    l: np.ndarray,
    c: np.ndarray,
) -> np.ndarray:
    """Squared weight of the good pixels of the kernel at each of a list of pixels."""
    out = np.empty(l.size)
    for k in range(l.size):
        kernel = kernels[line_group[l[k]], column_group[c[k]]]
        out[k] = good_weight(kernel, mask, spared, l[k], c[k])
    return out


@njit(cache=True)
def _compare(a: np.ndarray, b: np.ndarray, unlike: np.ndarray) -> int:
    """Write 1 where two rows are not alike, else 0; returns the first such place, or their size.

    Without a way out many bytes are compared at once; most lines are alike.
    """
    some = np.uint8(0)
    for c in range(a.size):
        unlike[c] = a[c] != b[c]
        some |= unlike[c]
    return find_next(unlike, 0) if some != 0 else a.size


@njit(cache=True)
def _shift_totals(
    entering: np.ndarray, leaving: np.ndarray, hc: int, unlike: np.ndarray, total: np.ndarray
) -> None:
    """Bad pixels of the kernel at each pixel of a line, from those of the line above."""
    c = _compare(entering, leaving, unlike)
    while c < total.size:
        change = np.int32(1) if entering[c] else np.int32(-1)
        for k in range(max(c - hc, 0), min(c + hc + 1, total.size)):
            total[k] += change
        c = find_next(unlike, c + 1)


@njit(cache=True)
def find_touched(bad: np.ndarray, hl: int, hc: int) -> np.ndarray:
    """1 where the kernel meets a bad pixel or the edge of the array, 2 where it meets nothing else.

    Large parts of a tile may hold no data; they need no sums.
    """
    n_lines, n_columns = bad.shape
    out = np.empty((n_lines, n_columns), dtype=np.uint8)
    none = np.zeros(n_columns, dtype=np.bool_)
    total = np.zeros(n_columns, dtype=np.int32)
    unlike = np.empty(n_columns, dtype=np.uint8)
    width = np.empty(n_columns, dtype=np.int32)
    for c in range(n_columns):
        width[c] = min(c + hc + 1, n_columns) - max(c - hc, 0)
    for l in range(min(hl, n_lines)):
        _shift_totals(bad[l], none, hc, unlike, total)
    for l in range(n_lines):
        entering = bad[l + hl] if l + hl < n_lines else none
        leaving = bad[l - hl - 1] if l > hl else none
        _shift_totals(entering, leaving, hc, unlike, total)
        height = np.int32(min(l + hl + 1, n_lines) - max(l - hl, 0))
        edge = l < hl or l >= n_lines - hl
        row = out[l]
        for c in range(n_columns):
            some = edge | (total[c] > 0) | (width[c] <= 2 * hc)
            row[c] = np.uint8(some) + np.uint8(total[c] == height * width[c])
    return out


@njit(cache=True)
def _good_weights(
    squares: np.ndarray, bad: np.ndarray, l: int, c0: int, width: int, good: np.ndarray,
    total: np.ndarray,
) -> None:  # fmt: skip
    """`good_weight` of neighbouring pixels of one kernel, whose `squares` end in zeros.

    They are taken in eights: what is beyond `width` is of no use.
    """
    kl, padded = squares.shape
    n_lines, n_columns = bad.shape
    full = 8 * -(-width // 8)
    reach = full + padded - 1
    total[:full] = 0.0
    for i in range(kl):
        ll = l + i - kl // 2
        if ll < 0 or ll >= n_lines:
            continue
        if c0 >= 0 and c0 + reach <= n_columns:
            for k in range(reach):
                good[k] = 0.0 if bad[np.uintp(ll), np.uintp(c0 + k)] else 1.0
        else:
            for k in range(reach):
                c = c0 + k
                good[k] = 1.0 if 0 <= c < n_columns and not bad[ll, c] else 0.0
        for j in range(0, padded, 4):
            w0, w1, w2, w3 = squares[i, j], squares[i, j + 1], squares[i, j + 2], squares[i, j + 3]
            for k in range(full):
                s0, s1 = good[np.uintp(j + k)], good[np.uintp(j + k + 1)]
                s2, s3 = good[np.uintp(j + k + 2)], good[np.uintp(j + k + 3)]
                total[k] = total[k] + w0 * s0 + w1 * s1 + w2 * s2 + w3 * s3


@njit(cache=True)
def _note_changes(
    bad: np.ndarray, l: int, hc: int, unlike: np.ndarray, changed: np.ndarray
) -> None:
    """Write a line's number where a kernel would meet a pixel unlike the one of the line above."""
    c = _compare(bad[l], bad[l - 1], unlike)
    while c < unlike.size:
        for k in range(max(c - hc, 0), min(c + hc + 1, unlike.size)):
            changed[k] = l
        c = find_next(unlike, c + 1)


@njit(cache=True)
def _scale_row(scale: np.ndarray, row: np.ndarray) -> None:
    for c in range(row.size):
        s = scale[c]
        row[c] = row[c] * s if s > 0.0 else -np.inf


@njit(cache=True)
def find_scale(
    bad: np.ndarray,
    touched: np.ndarray,
    kernels: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    min_weight: float,
    out: np.ndarray,
    values: np.ndarray,
) -> None:
    """Inverse noise of filtered white noise; NaN where too little of a kernel is good.

    `out` has as many lines as `bad`, or two, which are used in turn. Lines of `values`, of which
    there may be none, are divided by their noise as soon as it is known: see `apply_scale`.
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
    unlike = np.empty(n_columns, dtype=np.uint8)
    good, total = np.empty(_WIDTH + squares.shape[3]), np.empty(_WIDTH)
    for l in range(1, min(hl, n_lines)):
        _note_changes(bad, l, hc, unlike, changed)
    plain = np.empty(n_columns, dtype=np.float32)  # where every pixel is good
    have = -1
    for l in range(n_lines):
        if 0 < l + hl < n_lines:
            _note_changes(bad, l + hl, hc, unlike, changed)
        g = line_group[l]
        alike = hl < l < n_lines - hl and g == line_group[l - 1]
        if g != have:
            have = g
            for c in range(n_columns):
                plain[c] = scale[g, column_group[c]]
        row, above, met = out[l % out.shape[0]], out[(l - 1) % out.shape[0]], touched[l]
        for c in range(n_columns):
            row[c] = plain[c]
        c = find_next(met, 0)
        while c < n_columns:
            h = column_group[c]
            if met[c] == 0:
                c = find_next(met, c)
                continue
            if met[c] == 2:  # there is no good pixel at all
                row[c] = np.nan
                c += 1
                continue
            if alike and changed[c] < l - hl:
                row[c] = above[c]
                c += 1
                continue
            stop = c + 1
            while (
                stop < min(n_columns, c + _WIDTH)
                and met[stop] == 1
                and column_group[stop] == h
                and not (alike and changed[stop] < l - hl)
            ):
                stop += 1
            _good_weights(squares[g, h], bad, l, c - hc, stop - c, good, total)
            for k in range(stop - c):
                s = total[k]
                few = s < min_weight * full[g, h] or s == 0.0
                row[c + k] = np.nan if few else 1.0 / np.sqrt(s)
            c = stop
        if values.shape[0] > 0:
            _scale_row(row, values[l])


@njit(cache=True)
def apply_scale(scale: np.ndarray, values: np.ndarray) -> None:
    """Divide filtered pixels by their noise; -inf where that is not known."""
    for l in range(values.shape[0]):
        _scale_row(scale[l], values[l])
