"""The compiled loops of the filter and the basins give, bit for bit, what plain loops give."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.detect_kernels import (
    find_above,
    find_ascents,
    find_saddles,
    join_basins,
    label_basins,
)
from pipeline.stages.filter_kernels import apply_scale, find_scale, find_touched, good_weight
from pipeline.stages.scan_kernels import find_next

F = np.float32


def draw_groups(rng, size, count):
    """Kernel of each of a number of lines or columns, in runs."""
    edges = np.sort(rng.integers(0, size + 1, count - 1))
    return np.searchsorted(edges, np.arange(size), side="right").astype(np.int64)


def draw_kernels(rng, size):
    kernels = rng.normal(size=(2, 3, *size)).astype(F)
    kernels[rng.random(kernels.shape) < 0.1] = 0.0
    kernels[:, :, size[0] // 2, size[1] // 2] = 1.0
    return kernels


def draw_bad(rng, shape):
    """Bad columns that begin and end, single pixels, lines without data."""
    bad = np.zeros(shape, bool)
    for _ in range(rng.integers(0, 4)):
        first, stop = np.sort(rng.integers(0, shape[0] + 1, 2))
        bad[first:stop, rng.integers(0, shape[1])] = True
    bad[:, rng.integers(0, shape[1], rng.integers(0, 3))] = True
    bad[rng.integers(0, shape[0], 2), rng.integers(0, shape[1], 2)] = True
    if rng.random() < 0.2:
        bad[rng.integers(0, shape[0]) :] = True
    return bad


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1), n_lines=st.integers(1, 60), n_columns=st.integers(1, 200),
    hl=st.integers(0, 5), hc=st.integers(0, 5),
)  # fmt: skip
def test_noise_beside_bad_pixels_is_that_of_each_pixel_by_itself(seed, n_lines, n_columns, hl, hc):
    """Where lines are alike the line above is taken: the mask and the kernel change in between."""
    rng = np.random.default_rng(seed)
    kernels = draw_kernels(rng, (2 * hl + 1, 2 * hc + 1))
    line_group, column_group = draw_groups(rng, n_lines, 2), draw_groups(rng, n_columns, 3)
    bad = draw_bad(rng, (n_lines, n_columns))
    mask = np.where(bad, 3, 4).astype(np.uint16)
    touched = find_touched(bad, hl, hc)
    out = np.full(bad.shape, np.inf, F)
    find_scale(bad, touched, kernels, line_group, column_group, 0.4, out, np.empty((0, 1), F))
    two, values = np.full((2, n_columns), np.inf, F), rng.normal(size=bad.shape).astype(F)
    scaled = values.copy()
    find_scale(bad, touched, kernels, line_group, column_group, 0.4, two, scaled)
    apply_scale(out, values)
    np.testing.assert_array_equal(scaled, values)
    assert np.all(np.isneginf(values) == np.isnan(out))
    outside = np.pad(bad, ((hl, hl), (hc, hc)), constant_values=True)
    met = np.lib.stride_tricks.sliding_window_view(outside, (2 * hl + 1, 2 * hc + 1))
    inside = np.lib.stride_tricks.sliding_window_view(
        np.pad(~bad, ((hl, hl), (hc, hc))), (2 * hl + 1, 2 * hc + 1)
    )
    good = inside.any(axis=(2, 3))
    np.testing.assert_array_equal(touched, np.where(good, met.any(axis=(2, 3)), 2))
    truth = np.empty(bad.shape, F)
    for l, c in np.ndindex(bad.shape):
        kernel = kernels[line_group[l], column_group[c]]
        # a running sum in raster order, of squares in single precision
        full = np.cumsum((kernel * kernel).astype(float).ravel())[-1]
        kept = (kernel * kernel).astype(float) * inside[l, c]
        weight = np.cumsum(kept.ravel())[-1]
        assert good_weight(kernel, mask, np.uint16(4), l, c) == weight
        truth[l, c] = np.nan if weight < 0.4 * full or weight == 0 else 1 / np.sqrt(weight)
    np.testing.assert_array_equal(out, truth)


@pytest.mark.parametrize("size", [1, 63, 64, 65, 200])
def test_the_next_byte_that_is_set(size):
    rng = np.random.default_rng(size)
    row = (rng.random(size) < 0.02).astype(np.uint8)
    for start in range(size + 1):
        after = np.flatnonzero(row[start:])
        assert find_next(row, start) == (start + after[0] if after.size else size)


def flood(values, which, gain, prominence, contrast):
    """Basins and their fate by visiting pixels from the highest down, one by one."""
    n_columns = values.shape[1]
    label = np.full(values.shape, -1)
    peaks, parent, absorbed, shared = [], [], {}, set()

    def root(a):
        return a if parent[a] == a else root(parent[a])

    flat = values.ravel()
    for index in sorted(which, key=lambda p: (-flat[p], p)):
        l, c = divmod(int(index), n_columns)
        near = [
            (i, j)
            for i in range(max(l - 1, 0), min(l + 2, values.shape[0]))
            for j in range(max(c - 1, 0), min(c + 2, n_columns))
            if label[i, j] >= 0
        ]
        if not near:
            label[l, c] = len(peaks)
            parent.append(len(peaks))
            peaks.append(index)
            continue
        best = label[max(near, key=lambda p: values[p])]
        label[l, c] = best
        saddle = values[l, c]
        for basin in (label[p] for p in near):
            a, b = root(best), root(basin)
            if a == b:
                continue
            taker, other = (best, basin) if a < b else (basin, best)
            noise = np.sqrt(1.0 + gain * saddle)
            if flat[peaks[max(a, b)]] - saddle < max(prominence * noise, contrast * saddle):
                absorbed[max(a, b)] = taker
            else:
                shared |= {taker, other, max(a, b)}
            parent[max(a, b)] = min(a, b)

    def fate(a):
        return fate(absorbed[a]) if a in absorbed else a

    return label.ravel()[which], peaks, [fate(a) for a in range(len(peaks))], shared


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1), n_lines=st.integers(1, 14), n_columns=st.integers(1, 14),
    steps=st.integers(2, 40), floor=st.floats(0.0, 0.8),
)  # fmt: skip
def test_basins_are_those_of_a_flood_from_the_highest_pixel_down(
    seed, n_lines, n_columns, steps, floor
):
    """Few steps of brightness, so that many pixels are equal."""
    rng = np.random.default_rng(seed)
    values = (rng.integers(1, steps + 1, (n_lines, n_columns)) * (10.0 / steps)).astype(F)
    which, high, first = find_above(values, F(10.0 * floor))
    np.testing.assert_array_equal(which, np.flatnonzero(values.ravel() > F(10.0 * floor)))
    np.testing.assert_array_equal(high, values.ravel()[which])
    np.testing.assert_array_equal(first, np.searchsorted(which, np.arange(n_lines + 1) * n_columns))
    ascent = find_ascents(which, first, values)
    top = np.flatnonzero(ascent < 0)
    top = top[np.lexsort((top, -high[top]))]
    label = label_basins(ascent, top)
    saddle, beside = find_saddles(which, first, values, label)
    order = np.lexsort((saddle, -high[saddle]))
    target, shared = join_basins(
        saddle[order], beside[order], which, high, label, top, np.ones(values.shape, F),
        np.full((1, 1), 0.1), np.zeros(n_lines, int), np.zeros(n_columns, int), 1.0, 0.05,
    )  # fmt: skip
    labels, peaks, fates, together = flood(values, which, 0.1, 1.0, 0.05)
    np.testing.assert_array_equal(label, labels)
    np.testing.assert_array_equal(which[top], np.array(peaks, dtype=int))
    np.testing.assert_array_equal(target, np.array(fates, dtype=int))
    assert set(np.flatnonzero(shared)) == together
