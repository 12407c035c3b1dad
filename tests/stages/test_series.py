"""Smoothing of series: linear series pass, the width follows the noise, gaps are bridged."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.series import choose_half_width, fill_gaps, smooth_running


@settings(max_examples=20, deadline=None)
@given(st.integers(3, 60), st.integers(0, 12), st.floats(-5, 5), st.floats(-1e3, 1e3))
def test_straight_lines_pass_unchanged(n, half_width, slope, start):
    x = start + slope * np.arange(n)
    smooth, _ = smooth_running(x, np.ones(n), half_width=half_width)
    np.testing.assert_allclose(smooth, x, atol=1e-9)


def test_error_is_that_of_a_mean():
    _, error = smooth_running(np.zeros(101), np.full(101, 2.0), half_width=4)
    assert error[50] == pytest.approx(2.0 / 3.0)
    assert error[0] == pytest.approx(2.0)


def test_width_follows_the_noise():
    """Pure noise takes the widest window, a fast signal none; truth is approached in both."""
    rng = np.random.default_rng(1)
    n = 400
    candidates = (0, 1, 2, 4, 8, 16)
    noise = rng.standard_normal(n)
    assert choose_half_width(noise, np.ones(n), candidates=candidates) == 16
    signal = 50.0 * np.sin(np.arange(n) / 1.5)
    assert choose_half_width(signal + noise, np.ones(n), candidates=candidates) == 0
    slow = 5.0 * np.sin(np.arange(n) / 12.0)
    chosen = choose_half_width(slow + noise, np.ones(n), candidates=candidates)
    errors = {
        h: np.mean((smooth_running(slow + noise, np.ones(n), half_width=h)[0] - slow) ** 2)
        for h in candidates
    }
    assert errors[chosen] <= 1.3 * min(errors.values())


def test_gaps_are_bridged():
    x = np.array([np.nan, 1.0, np.nan, np.nan, 4.0, np.nan])
    np.testing.assert_allclose(fill_gaps(x, np.arange(6.0)), [1, 1, 2, 3, 4, 4])
    np.testing.assert_array_equal(fill_gaps(np.full(3, np.nan), np.arange(3.0)), 0.0)


def test_rejects_negative_width():
    with pytest.raises(ValueError, match="half_width must not be negative, received -1"):
        smooth_running(np.zeros(4), np.ones(4), half_width=-1)
