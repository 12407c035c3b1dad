"""Saturated pixels grow, bleeds are followed, and blocks with a halo see the same."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.saturation import SaturationOptions, halo_lines, mark_saturation

OPTIONS = SaturationOptions(bleed_run=4, bleed_reach=8)
S, B = int(PixelMask.SATURATED), int(PixelMask.BLEED)


def run(image, mask, options=OPTIONS):
    out = mask.copy()
    mark_saturation(image, np.full(image.shape, 100.0, np.float32), out, options=options)
    return out


def test_a_lone_pixel_grows_but_does_not_bleed():
    image, mask = np.zeros((20, 20), np.float32), np.zeros((20, 20), np.uint16)
    mask[10, 10] = S
    out = run(image, mask)
    expected = np.zeros_like(mask)
    expected[9:12, 9:12] = S
    np.testing.assert_array_equal(out, expected)


def test_a_run_bleeds_and_its_tail_is_followed():
    image, mask = np.zeros((60, 20), np.float32), np.zeros((60, 20), np.uint16)
    mask[20:30, 10] = S
    image[20:30, 10] = 1e5
    image[30:34, 10] = 5000.0  # tail below saturation
    image[34, 10] = 150.0  # 15 sigma: no longer followed
    image[0:20, 10] = 1e4  # longer than the reach
    out = run(image, mask) & B
    lines = np.flatnonzero(out[:, 10])
    assert (lines.min(), lines.max()) == (20 - OPTIONS.bleed_reach, 33)
    np.testing.assert_array_equal(out[:, 9], out[:, 10])
    np.testing.assert_array_equal(out[:, 11], out[:, 10])
    assert not out[:, 8].any()


def test_short_run_is_no_bleed():
    image, mask = np.zeros((30, 8), np.float32), np.zeros((30, 8), np.uint16)
    mask[10:13, 4] = S
    assert not (run(image, mask) & B).any()


def test_edges_and_long_runs():
    image, mask = np.full((40, 3), 1e5, np.float32), np.zeros((40, 3), np.uint16)
    mask[:, 1] = S
    out = run(image, mask)
    assert (out & B).all()
    assert (out & S).all()


def test_blocks_with_their_halo_see_the_same():
    rng = np.random.default_rng(1)
    image = rng.normal(0, 10, (400, 50)).astype(np.float32)
    mask = np.zeros(image.shape, np.uint16)
    for _ in range(40):
        c, l, n = rng.integers(0, 50), rng.integers(0, 380), rng.integers(1, 20)
        mask[l : l + n, c] = S
        image[max(l - 15, 0) : l + n + 15, c] += 5e3
    whole = run(image, mask)
    halo = halo_lines(OPTIONS)
    for start in range(0, 400, 50):
        low, high = max(start - halo, 0), min(start + 50 + halo, 400)
        part = run(image[low:high], mask[low:high])
        np.testing.assert_array_equal(
            part[start - low : start - low + 50], whole[start : start + 50]
        )


def test_refuses_what_does_not_fit():
    with pytest.raises(ValueError, match="must share their shape"):
        mark_saturation(
            np.zeros((3, 3), np.float32),
            np.ones((3, 4), np.float32),
            np.zeros((3, 3), np.uint16),
            options=OPTIONS,
        )
    with pytest.raises(ValueError, match="bleed_run must be at least 1"):
        SaturationOptions(bleed_run=0)
