"""Compiled loops of the detection: basins of the filtered image, sums over their pixels."""

import numpy as np
from numba import njit

__all__ = [
    "find_above",
    "find_ascents",
    "find_saddles",
    "join_basins",
    "label_basins",
    "sum_pixels",
]


@njit(cache=True)
def find_above(values: np.ndarray, floor: np.float32) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pixels above a floor in raster order, their values, and where each line begins in the list.

    The last line's end stands behind.
    """
    n_lines, n_columns = values.shape
    first = np.zeros(n_lines + 1, dtype=np.int64)
    for l in range(n_lines):
        number = np.uint32(0)
        for c in range(n_columns):
            number = np.uint32(number + np.uint32(values[l, c] > floor))
        first[l + 1] = first[l] + number
    # Written whether it is above or not, and then written over: no branch is guessed wrong.
    which = np.empty(first[n_lines] + 1, dtype=np.int64)
    high = np.empty(first[n_lines] + 1, dtype=np.float32)
    n = 0
    for l in range(n_lines):
        for c in range(n_columns):
            v = values[l, c]
            which[np.uintp(n)] = l * n_columns + c
            high[np.uintp(n)] = v
            n += v > floor
    return which[:-1], high[:-1], first


@njit(cache=True)
def _fill_row(
    rows: np.ndarray, l: int, which: np.ndarray, content: np.ndarray, first: np.ndarray
) -> None:
    """Spread what belongs to the pixels of a line over its one of three rows; else -1.

    Rows have a margin of one; behind the last line there is nothing.
    """
    row = rows[l % 3]
    row[:] = -1
    if l + 1 < first.size:
        before = l * (row.size - 2) - 1
        for k in range(first[l], first[l + 1]):
            row[np.uintp(which[k] - before)] = content[k]


@njit(cache=True)
def _copy_row(rows: np.ndarray, l: int, values: np.ndarray) -> None:
    """Copy a line of values to its one of three rows, which have a margin of one; else -inf."""
    row = rows[l % 3]
    if l < values.shape[0]:
        for c in range(values.shape[1]):
            row[c + 1] = values[l, c]
    else:
        row[:] = -np.inf


@njit(cache=True)
def find_ascents(which: np.ndarray, first: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Place of the highest neighbour of each pixel that is higher than itself; -1 for a peak.

    Pixels are known by their place in `which`, the rising list of those that take part; `first`
    says where each line begins in it. What is as high as one of them takes part, too. Of equal
    pixels the first in raster order is the higher.
    """
    n_lines, n_columns = values.shape
    out = np.empty(which.size, dtype=np.int32)
    places = np.zeros((3, n_columns + 2), dtype=np.int32)  # right where a pixel takes part
    rows = np.full((3, n_columns + 2), -np.inf, dtype=np.float32)
    _copy_row(rows, 0, values)
    for k in range(first[0], first[1]):
        places[0, which[k] + 1] = k
    for l in range(n_lines):
        _copy_row(rows, l + 1, values)
        if l + 1 < n_lines:
            place = places[(l + 1) % 3]
            before = (l + 1) * n_columns - 1
            for k in range(first[l + 1], first[l + 2]):
                place[np.uintp(which[k] - before)] = k
        above, here, below = rows[(l + 2) % 3], rows[l % 3], rows[(l + 1) % 3]
        before = l * n_columns
        for k in range(first[l], first[l + 1]):
            c = np.uintp(which[k] - before)  # of the left neighbour in a row with its margin
            mid, right = np.uintp(c + np.uintp(1)), np.uintp(c + np.uintp(2))
            value = here[mid]
            best, best_value = -1, value
            # The first four are before the pixel: they are higher when they are equal.
            for t in range(4):
                v = here[c] if t == 3 else above[c + np.uintp(t)]
                higher = (v > best_value) | ((v == value) & (best < 0))
                best = t if higher else best
                best_value = v if higher else best_value
            for t in range(5, 9):
                v = here[right] if t == 5 else below[c + np.uintp(t - 6)]
                higher = v > best_value
                best = t if higher else best
                best_value = v if higher else best_value
            out[k] = -1 if best < 0 else places[(l + 2 + best // 3) % 3, c + np.uintp(best % 3)]
    return out


@njit(cache=True)
def label_basins(ascent: np.ndarray, peak: np.ndarray) -> np.ndarray:
    """Number of the basin of each pixel, which is that of the peak its ascents lead to."""
    label = np.full(ascent.size, -1, dtype=np.int32)
    for basin in range(peak.size):
        label[peak[basin]] = basin
    for k in range(ascent.size):
        at = k
        while label[at] < 0:
            at = ascent[at]
        basin = label[at]
        at = k
        while label[at] < 0:
            label[at] = basin
            at = ascent[at]
    return label


@njit(cache=True)
def find_saddles(
    which: np.ndarray, first: np.ndarray, values: np.ndarray, label: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Places of pixels with higher neighbours of another basin, and the basins of all higher ones.

    The latter in raster order, -1 where a neighbour is lower.
    """
    n_lines, n_columns = values.shape
    place = np.empty(which.size, dtype=np.int64)
    beside = np.empty((which.size, 8), dtype=np.int32)
    rows = np.full((3, n_columns + 2), -1, dtype=np.int32)
    n = 0
    _fill_row(rows, 0, which, label, first)
    for l in range(n_lines):
        _fill_row(rows, l + 1, which, label, first)
        above, here, below = rows[(l + 2) % 3], rows[l % 3], rows[(l + 1) % 3]
        for k in range(first[l], first[l + 1]):
            c = which[k] - l * n_columns
            own = label[k]
            differ = False
            for j in range(3):
                a, b, d = above[np.uintp(c + j)], here[np.uintp(c + j)], below[np.uintp(c + j)]
                differ |= ((a >= 0) & (a != own)) | ((b >= 0) & (b != own))
                differ |= (d >= 0) & (d != own)
            if not differ:
                continue
            value = values[l, c]
            differ = False
            for t in range(9):
                i, j = t // 3 - 1, t % 3 - 1
                if t == 4:
                    continue
                basin = rows[(l + i) % 3, c + j + 1]
                if basin >= 0:
                    v = values[l + i, c + j]
                    if v < value or (v == value and t > 4):
                        basin = -1
                differ |= basin >= 0 and basin != own
                beside[n, t if t < 4 else t - 1] = basin
            if differ:
                place[n] = k
                n += 1
    return place[:n], beside[:n]


@njit(cache=True)
def find_root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def join_basins(
    saddle: np.ndarray,
    beside: np.ndarray,
    which: np.ndarray,
    values: np.ndarray,
    label: np.ndarray,
    peak: np.ndarray,
    variance: np.ndarray,
    light_gain: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    prominence: float,
    contrast: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Join basins at their saddles, from the highest saddle down.

    Basin numbers follow the height of their peaks. Light of filtered value v raises the variance
    of a filtered background pixel from 1 to ``1 + v light_gain / sqrt(variance)``.
    """
    n_columns = variance.shape[1]
    n = peak.size
    parent = np.arange(n)  # islands, as a forest
    absorbed = np.full(n, -1, dtype=np.int64)  # basin that took this one over
    shared = np.zeros(n, dtype=np.bool_)
    for s in range(saddle.size):
        place = saddle[s]
        best = np.int64(label[place])
        height_here = float(values[place])
        for k in range(8):
            near = np.int64(beside[s, k])
            if near < 0 or near == best:
                continue
            a, b = find_root(parent, best), find_root(parent, near)
            if a == b:
                continue
            # Islands are named after their highest peak, which is the smaller number.
            elder, younger = (a, b) if a < b else (b, a)
            taker = best if a < b else near
            own_side = near if a < b else best
            height = float(values[peak[younger]])
            l, c = which[place] // n_columns, which[place] % n_columns
            gain = light_gain[line_group[l], column_group[c]]
            noise = np.sqrt(1.0 + gain * height_here / np.sqrt(float(variance[l, c])))
            if height - height_here < max(prominence * noise, contrast * height_here):
                absorbed[younger] = taker
            else:
                shared[taker] = True
                shared[own_side] = True
                shared[younger] = True
            parent[younger] = elder
    target = np.empty(n, dtype=np.int64)
    for basin in range(n):
        # A basin is never absorbed into its own island, so the chain ends.
        at = basin
        while absorbed[at] >= 0:
            at = absorbed[at]
        target[basin] = at
    return target, shared


@njit(cache=True)
def sum_pixels(
    which: np.ndarray,
    image: np.ndarray,
    mask: np.ndarray,
    bright_bits: int,
    label: np.ndarray,
    source_of: np.ndarray,
    peak: np.ndarray,
    radius: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Sums over each source's pixels in raster order: count, light, first and second moments.

    `label` goes with the rising list of pixels, `peak` holds pixels.
    """
    n_columns = image.shape[1]
    count = np.zeros(peak.size, dtype=np.int64)
    sums = np.zeros((peak.size, 6))
    peak_l, peak_c = peak // n_columns, peak % n_columns
    l = 0
    for k in range(which.size):
        while which[k] >= (l + 1) * n_columns:  # a division takes longer
            l += 1
        s = source_of[label[k]]
        if s < 0:
            continue
        c = which[k] - l * n_columns
        dl, dc = l - peak_l[s], c - peak_c[s]
        if dl * dl + dc * dc > radius * radius:
            continue
        count[s] += 1
        v = float(image[l, c])
        if v <= 0.0 or (mask[l, c] & ~bright_bits) != 0:
            continue
        sums[s, 0] += v
        sums[s, 1] += v * dl
        sums[s, 2] += v * dc
        sums[s, 3] += v * dl * dl
        sums[s, 4] += v * dl * dc
        sums[s, 5] += v * dc * dc
    return count, sums
