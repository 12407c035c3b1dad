"""The compiled correlation gives, bit for bit, what plain loops give, wherever a block ends."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.correlate_kernels import filter_white, whiten
from tests.stages.test_filter_kernels import draw_groups, draw_kernels

F = np.float32
SPARED = np.uint16(4)


def draw_image(rng, shape):
    image, variance = rng.normal(size=(2, *shape)).astype(F)
    variance = variance**2 + F(1)
    mask = rng.choice(np.array([0, 2, 4, 6], np.uint16), shape, p=[0.9, 0.04, 0.03, 0.03])
    image[mask & 2 != 0] = np.nan
    return image, variance, mask


def run(image, variance, mask, kernels, line_group, column_group):
    starts = np.flatnonzero(np.diff(column_group, prepend=-1))
    bad, out = np.zeros(image.shape, bool), np.full(image.shape, np.nan, F)
    assert filter_white(
        image, variance, mask, SPARED, kernels, line_group, np.append(starts, image.shape[1]),
        column_group[starts], bad, out,
    )  # fmt: skip
    np.testing.assert_array_equal(bad, mask & 2 != 0)
    return out


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1), n_lines=st.integers(1, 300), n_columns=st.integers(1, 400),
    hl=st.integers(0, 5), hc=st.integers(0, 5),
)  # fmt: skip
def test_the_filter_adds_up_in_raster_order(seed, n_lines, n_columns, hl, hc):
    rng = np.random.default_rng(seed)
    kernels = draw_kernels(rng, (2 * hl + 1, 2 * hc + 1))
    line_group, column_group = draw_groups(rng, n_lines, 2), draw_groups(rng, n_columns, 3)
    image, variance, mask = draw_image(rng, (n_lines, n_columns))
    out = run(image, variance, mask, kernels, line_group, column_group)
    white = np.where(mask & 2 != 0, F(0), image / np.sqrt(variance))
    padded = np.pad(white, ((0, 0), (hc, hc)))
    truth = np.zeros(image.shape, F)
    for l in range(n_lines):
        for i in range(max(0, hl - l), min(2 * hl + 1, n_lines + hl - l)):
            for j in range(2 * hc + 1):
                weights = kernels[line_group[l], column_group, i, j]
                truth[l] += weights * padded[l + i - hl, j : j + n_columns]
    assert out.tobytes() == truth.tobytes()


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 2**32 - 1), n_columns=st.integers(1, 300), low=st.integers(0, 150),
    size=st.integers(1, 200),
)  # fmt: skip
def test_a_pixel_does_not_depend_on_where_its_block_ends(seed, n_columns, low, size):
    rng = np.random.default_rng(seed)
    kernels = draw_kernels(rng, (7, 9))
    line_group, column_group = draw_groups(rng, 300, 2), draw_groups(rng, n_columns, 3)
    parts = draw_image(rng, (300, n_columns))
    whole = run(*parts, kernels, line_group, column_group)
    high = min(low + size + 6, 300)
    block = run(*(p[low:high] for p in parts), kernels, line_group[low:high], column_group)
    a, b = 3 * (low > 0), high - low - 3 * (high < 300)
    assert block[a:b].tobytes() == whole[low + a : low + b].tobytes()


def test_whitening_leaves_out_bad_pixels_and_counts_values_that_are_not_finite():
    image, variance, mask = draw_image(np.random.default_rng(1), (20, 70))
    variance[3, :] = 0.0
    mask[3] |= 2
    white, bad = np.zeros((20, 80), F), np.zeros(image.shape, bool)
    for l in range(20):
        assert whiten(image, variance, mask, SPARED, l, 5, bad, white[l]) == 0
    np.testing.assert_array_equal(bad, mask & 2 != 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        truth = np.where(bad, F(0), image / np.sqrt(variance))
    np.testing.assert_array_equal(white, np.pad(truth, ((0, 0), (5, 5))))
    for value in (np.nan, np.inf, -np.inf):
        image[7, 9], mask[7, 9] = value, 4
        assert whiten(image, variance, mask, SPARED, 7, 5, bad, white[7]) == 1
