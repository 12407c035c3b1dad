"""Compiled sums: the bits of a mask, whatever its width."""

import numpy as np
import pytest

from pipeline.stages.sums import count_bits


@pytest.mark.parametrize("shape", [(0, 5), (3, 0), (7, 100), (2, 70_000)])
def test_bits_are_counted_one_by_one(shape):
    rng = np.random.default_rng(1)
    mask = rng.integers(0, 1 << 16, shape).astype(np.uint16)
    mask[rng.random(shape) < 0.5] = 0
    mask |= np.uint16(4)  # more of them in a line than 16 bits can count
    truth = [np.count_nonzero(mask & (1 << bit)) for bit in range(16)]
    assert count_bits(mask).tolist() == truth
