"""Compiled loops of the detection: basins of the filtered image, sums over their pixels."""

import numpy as np
from numba import njit

__all__ = ["find_neighbours", "flood", "sum_pixels"]


@njit(cache=True)
def find_neighbours(which: np.ndarray, n_columns: int) -> np.ndarray:
    """Places in a rising list of pixels of each one's neighbours, in raster order; -1 for none.

    All that is looked up pixel by pixel can then be kept for these alone, close together.
    """
    out = np.full((which.size, 8), -1, dtype=np.int32)
    above, below = 0, 0
    for k in range(which.size):
        index = which[k]
        c = index % n_columns
        first = 1 if c == 0 else 0
        last = 2 if c == n_columns - 1 else 3
        corner = index - n_columns - 1
        while which[above] < corner:
            above += 1
        at = above
        for j in range(first, last):
            while which[at] < corner + j:
                at += 1
            if which[at] == corner + j:
                out[k, j] = at
        if c > 0 and k > 0 and which[k - 1] == index - 1:
            out[k, 3] = k - 1
        if c < n_columns - 1 and k < which.size - 1 and which[k + 1] == index + 1:
            out[k, 4] = k + 1
        corner = index + n_columns - 1
        while below < which.size and which[below] < corner:
            below += 1
        at = below
        for j in range(first, last):
            while at < which.size and which[at] < corner + j:
                at += 1
            if at < which.size and which[at] == corner + j:
                out[k, 5 + j] = at
    return out


@njit(cache=True)
def find_root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def flood(
    order: np.ndarray,
    which: np.ndarray,
    values: np.ndarray,
    neighbours: np.ndarray,
    variance: np.ndarray,
    light_gain: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    label: np.ndarray,
    prominence: float,
    contrast: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grow basins from the highest pixel down; join them at saddles.

    Pixels are known by their place in `which`, the rising list of those that take part, with
    their `values` and `neighbours`; `order` holds places. Basin numbers follow the height of
    their peaks. Light of filtered value v raises the variance of a filtered background pixel
    from 1 to ``1 + v light_gain / sqrt(variance)``.
    """
    n_columns = variance.shape[1]
    capacity = order.size
    peak = np.empty(capacity, dtype=np.int64)  # place of the basin's peak
    parent = np.empty(capacity, dtype=np.int64)  # islands, as a forest
    absorbed = np.full(capacity, -1, dtype=np.int64)  # basin that took this one over
    shared = np.zeros(capacity, dtype=np.bool_)
    near = np.empty(8, dtype=np.int64)
    n = 0
    for place in order:
        count = 0
        best = -1
        best_value = -np.inf
        for k in range(8):
            beside = neighbours[place, k]
            if beside < 0:
                continue
            basin = label[beside]
            if basin < 0:
                continue
            near[count] = basin
            count += 1
            # Equal values: the one taken first, in order of line and column.
            if values[beside] > best_value:
                best_value = values[beside]
                best = basin
        if best < 0:
            peak[n] = place
            parent[n] = n
            label[place] = n
            n += 1
            continue
        label[place] = best
        saddle = float(values[place])
        for k in range(count):
            if near[k] == best:
                continue
            a, b = find_root(parent, best), find_root(parent, near[k])
            if a == b:
                continue
            # Islands are named after their highest peak, which is the smaller number.
            elder, younger = (a, b) if a < b else (b, a)
            taker = best if a < b else near[k]
            own_side = near[k] if a < b else best
            height = float(values[peak[younger]])
            l, c = which[place] // n_columns, which[place] % n_columns
            gain = light_gain[line_group[l], column_group[c]]
            noise = np.sqrt(1.0 + gain * saddle / np.sqrt(float(variance[l, c])))
            if height - saddle < max(prominence * noise, contrast * saddle):
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
    return peak[:n], target, shared[:n]


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
    for k in range(which.size):
        s = source_of[label[k]]
        if s < 0:
            continue
        l, c = which[k] // n_columns, which[k] % n_columns
        dl = l - peak[s] // n_columns
        dc = c - peak[s] % n_columns
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
