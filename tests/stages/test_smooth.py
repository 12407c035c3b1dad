"""Smooth curves with errors."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.smooth import fit_smooth_curve

STOP, SPACING = 20_000.0, 500.0
GRID = np.arange(0, STOP, 100)


def fit(x, y, err, **changes):
    return fit_smooth_curve(
        x, y, err, **({"start": 0.0, "stop": STOP, "min_knot_spacing": SPACING} | changes)
    )


def test_errors_of_a_smooth_curve_are_right():
    """Twenty noise realisations about one curve.

    The errors allow for what the smoothing may hide; for a curve as smooth as this one, that is
    more than it hides, so they may be too large by a fifth, but not too small.
    """
    rng = np.random.default_rng(1)
    pulls = []
    for _ in range(20):
        x = rng.uniform(0, STOP, 400)
        err = rng.uniform(0.005, 0.03, 400)
        y = 24 + 0.1 * np.sin(x / 1500) + err * rng.normal(size=400)
        c = fit(x, y, err)
        pulls.append((c.value(GRID) - 24 - 0.1 * np.sin(GRID / 1500)) / c.error(GRID))
    assert 0.8 < np.std(pulls) < 1.1


def test_a_constant_stays_nearly_as_certain_as_a_mean():
    rng = np.random.default_rng(2)
    x = rng.uniform(0, STOP, 400)
    c = fit(x, 5 + 0.01 * rng.normal(size=400), np.full(400, 0.01))
    # A mean has 0.0005; choosing the smoothness costs a factor of about two at most.
    assert np.mean(c.error(GRID)) < 0.0011
    assert np.max(np.abs(c.value(GRID) - 5)) < 0.004


def test_outliers_do_not_pull_and_are_named():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, STOP, 300))
    clean = np.cos(x / 3000)
    y = clean + 0.01 * rng.normal(size=300)
    bad = rng.choice(300, 30, replace=False)
    y[bad] += rng.choice([-1, 1], 30) * rng.uniform(0.2, 2, 30)
    c = fit(x, y, np.full(300, 0.01))
    # 300 correlated values: none beyond four of the curve's own errors, which are near 0.004.
    assert np.max(np.abs(c.value(x) - clean) / c.error(x)) < 4
    assert np.median(c.error(x)) < 0.005
    assert not np.any(c.used[bad])
    assert np.count_nonzero(c.used) >= 265


def test_scatter_beyond_the_errors_is_found():
    rng = np.random.default_rng(4)
    x = rng.uniform(0, STOP, 1000)
    y = np.hypot(0.01, 0.03) * rng.normal(size=1000)
    c = fit(x, y, np.full(1000, 0.01))
    assert c.floor == pytest.approx(0.03, rel=0.1)
    assert c.rms == pytest.approx(np.hypot(0.01, 0.03), rel=0.1)


@given(seed=st.integers(0, 2**32 - 1), spread=st.floats(0.02, 0.5))
@settings(max_examples=20, deadline=None)
def test_with_the_scatter_found_residuals_are_as_wide_as_their_errors(seed, spread):
    """Errors of all sizes: the width is the median's of a Gaussian, 0.6745 sigma."""
    rng = np.random.default_rng(seed)
    x, err = rng.uniform(0, STOP, 2001), 10.0 ** rng.uniform(-3, -1, 2001)
    y = np.hypot(err, spread) * rng.normal(size=2001)
    c = fit(x, y, err)
    assert c.floor == pytest.approx(spread, rel=0.15)
    width = np.median(np.abs(y - c.value(x)) / np.hypot(err, c.floor)) / 0.6744898
    assert width == pytest.approx(1.0, abs=0.01)


def test_the_error_grows_where_there_are_no_points():
    rng = np.random.default_rng(5)
    x = np.concatenate([rng.uniform(0, 6000, 200), rng.uniform(14000, STOP, 200)])
    c = fit(x, np.sin(x / 1500) + 0.01 * rng.normal(size=400), np.full(400, 0.01))
    assert c.error(10_000.0) > 10 * c.error(3000.0)


def test_few_points_give_their_weighted_mean():
    c = fit([1.0, 2.0], [1.0, 4.0], [1.0, 2.0])
    assert c.value(7.0) == pytest.approx((1 + 4 / 4) / 1.25, rel=0.02)
    assert c.error(7.0) == pytest.approx(1 / np.sqrt(1.25), rel=0.02)
    assert fit([1.0], [3.0], [0.5]).value([0.0, STOP]).tolist() == [3.0, 3.0]


def test_shapes_are_kept_and_the_ends_are_constant():
    x = np.linspace(0, STOP, 100)
    c = fit(x, x / STOP, np.full(100, 0.01))
    assert c.value(5.0).shape == ()
    assert c.error(np.zeros((2, 3))).shape == (2, 3)
    assert c.value(-100.0) == c.value(0.0)
    assert c.value(STOP + 1) == c.value(STOP)


@settings(max_examples=15, deadline=None)
@given(shift=st.floats(-100, 100), scale=st.floats(0.01, 100), seed=st.integers(0, 99))
def test_the_curve_follows_shift_and_scale_of_the_values(shift, scale, seed):
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, STOP, 80)
    y = np.sin(x / 2000) + 0.05 * rng.normal(size=80)
    err = np.full(80, 0.05)
    one = fit(x, y, err).value(GRID)
    other = fit(x, scale * y + shift, scale * err).value(GRID)
    np.testing.assert_allclose(other, scale * one + shift, atol=1e-4 * scale)


def test_refuses_what_cannot_be_fitted():
    with pytest.raises(ValueError, match="no usable point"):
        fit([1.0], [np.nan], [1.0])
    with pytest.raises(ValueError, match="stop: must be above start 0"):
        fit([1.0], [1.0], [1.0], stop=0.0)
    with pytest.raises(ValueError, match="min_knot_spacing: must be positive"):
        fit([1.0], [1.0], [1.0], min_knot_spacing=0.0)
    with pytest.raises(ValueError, match="one-dimensional and of one shape"):
        fit([1.0], [1.0, 2.0], [1.0])
