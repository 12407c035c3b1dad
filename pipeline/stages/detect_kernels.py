"""Compiled loops of the detection: filter, noise, basins, sums over their pixels."""

import numpy as np
from numba import njit

__all__ = [
    "apply_scale",
    "correlate",
    "find_scale",
    "find_touched",
    "flood",
    "sum_pixels",
    "weights_at",
]


@njit(cache=True)
def correlate(
    image: np.ndarray,
    kernels: np.ndarray,
    line_group: np.ndarray,
    starts: np.ndarray,
    groups: np.ndarray,
    out: np.ndarray,
) -> None:
    """Correlate a column-padded image; the order of the additions is that of the kernel."""
    n_lines = out.shape[0]
    kl, kc = kernels.shape[2], kernels.shape[3]
    hl = kl // 2
    for l in range(n_lines):
        row = out[l]
        row[:] = 0.0
        for r in range(groups.size):
            c0 = starts[r]
            width = starts[r + 1] - c0
            kernel = kernels[line_group[l], groups[r]]
            target = row[c0 : c0 + width]
            for i in range(kl):
                ll = l + i - hl
                if ll < 0 or ll >= n_lines:
                    continue
                for j in range(kc):
                    k = kernel[i, j]
                    if k == 0.0:
                        continue
                    source = image[ll, c0 + j : c0 + j + width]
                    for c in range(width):
                        target[c] += k * source[c]


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
            s += float(kernel[i, j]) ** 2
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
def find_touched(bad: np.ndarray, hl: int, hc: int) -> np.ndarray:
    """1 where the kernel meets a bad pixel or the edge of the array, 2 where it meets nothing else.

    Large parts of a tile may hold no data; they need no sums.
    """
    n_lines, n_columns = bad.shape
    out = np.zeros((n_lines, n_columns), dtype=np.uint8)
    column = np.zeros(n_columns, dtype=np.int32)  # bad pixels of the lines that the kernel spans
    for l in range(min(hl, n_lines)):
        for c in range(n_columns):
            column[c] += bad[l, c]
    for l in range(n_lines):
        if l + hl < n_lines:
            for c in range(n_columns):
                column[c] += bad[l + hl, c]
        if l > hl:
            for c in range(n_columns):
                column[c] -= bad[l - hl - 1, c]
        height = min(l + hl + 1, n_lines) - max(l - hl, 0)
        edge = l < hl or l >= n_lines - hl
        total = np.int64(0)
        for c in range(min(hc, n_columns)):
            total += column[c]
        for c in range(n_columns):
            if c + hc < n_columns:
                total += column[c + hc]
            if c > hc:
                total -= column[c - hc - 1]
            width = min(c + hc + 1, n_columns) - max(c - hc, 0)
            if total == height * width:
                out[l, c] = 2
            elif total > 0 or edge or c < hc or c >= n_columns - hc:
                out[l, c] = 1
    return out


@njit(cache=True)
def find_scale(
    bad: np.ndarray,
    touched: np.ndarray,
    kernels: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    min_weight: float,
) -> np.ndarray:
    """Inverse noise of filtered white noise; NaN where too little of a kernel is good."""
    n_lines, n_columns = bad.shape
    kl, kc = kernels.shape[2], kernels.shape[3]
    full = np.empty((kernels.shape[0], kernels.shape[1]))
    for a in range(full.shape[0]):
        for b in range(full.shape[1]):
            s = 0.0
            for i in range(kl):
                for j in range(kc):
                    s += float(kernels[a, b, i, j]) ** 2
            full[a, b] = s
    scale = (1.0 / np.sqrt(full)).astype(np.float32)
    out = np.empty((n_lines, n_columns), dtype=np.float32)
    for l in range(n_lines):
        g = line_group[l]
        for c in range(n_columns):
            h = column_group[c]
            out[l, c] = scale[g, h]
            if touched[l, c] == 0:
                continue
            s = 0.0
            if touched[l, c] == 1:  # else there is no good pixel at all
                s = good_weight(kernels[g, h], bad, l, c)
            out[l, c] = np.nan if s < min_weight * full[g, h] or s == 0.0 else 1.0 / np.sqrt(s)
    return out


@njit(cache=True)
def apply_scale(scale: np.ndarray, out: np.ndarray) -> None:
    """Divide filtered pixels by their noise; -inf where that is not known."""
    for l in range(out.shape[0]):
        for c in range(out.shape[1]):
            s = scale[l, c]
            out[l, c] = out[l, c] * s if s > 0.0 else -np.inf


@njit(cache=True)
def find_root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@njit(cache=True)
def flood(
    order: np.ndarray,
    values: np.ndarray,
    variance: np.ndarray,
    light_gain: np.ndarray,
    line_group: np.ndarray,
    column_group: np.ndarray,
    label: np.ndarray,
    prominence: float,
    contrast: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Grow basins from the highest pixel down; join them at saddles.

    Basin numbers follow the height of their peaks. Light of filtered value v raises the variance
    of a filtered background pixel from 1 to ``1 + v light_gain / sqrt(variance)``.
    """
    n_lines, n_columns = values.shape
    capacity = order.size
    peak = np.empty(capacity, dtype=np.int64)  # pixel of the basin's peak
    parent = np.empty(capacity, dtype=np.int64)  # islands, as a forest
    absorbed = np.full(capacity, -1, dtype=np.int64)  # basin that took this one over
    shared = np.zeros(capacity, dtype=np.bool_)
    near = np.empty(8, dtype=np.int64)
    n = 0
    for index in order:
        l, c = index // n_columns, index % n_columns
        count = 0
        best = -1
        best_value = -np.inf
        for i in range(max(l - 1, 0), min(l + 2, n_lines)):
            for j in range(max(c - 1, 0), min(c + 2, n_columns)):
                basin = label[i, j]
                if basin < 0:
                    continue
                near[count] = basin
                count += 1
                # Equal values: the one taken first, in order of line and column.
                if values[i, j] > best_value:
                    best_value = values[i, j]
                    best = basin
        if best < 0:
            peak[n] = index
            parent[n] = n
            label[l, c] = n
            n += 1
            continue
        label[l, c] = best
        saddle = float(values[l, c])
        for k in range(count):
            a, b = find_root(parent, best), find_root(parent, near[k])
            if a == b:
                continue
            # Islands are named after their highest peak, which is the smaller number.
            elder, younger = (a, b) if a < b else (b, a)
            beside = best if a < b else near[k]
            own_side = near[k] if a < b else best
            height = float(values[peak[younger] // n_columns, peak[younger] % n_columns])
            gain = light_gain[line_group[l], column_group[c]]
            noise = np.sqrt(1.0 + gain * saddle / np.sqrt(float(variance[l, c])))
            if height - saddle < max(prominence * noise, contrast * saddle):
                absorbed[younger] = beside
            else:
                shared[beside] = True
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
    order: np.ndarray,
    image: np.ndarray,
    mask: np.ndarray,
    bright_bits: int,
    label: np.ndarray,
    source_of: np.ndarray,
    peak: np.ndarray,
    radius: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Sums over each source's pixels in raster order: count, light, first and second moments."""
    n_columns = image.shape[1]
    count = np.zeros(peak.size, dtype=np.int64)
    sums = np.zeros((peak.size, 6))
    for index in order:
        l, c = index // n_columns, index % n_columns
        s = source_of[label[l, c]]
        if s < 0:
            continue
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
