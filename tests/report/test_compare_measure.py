"""Pairing and robust statistics of the comparison of products."""

import numpy as np
import pytest
from astropy.stats import mad_std
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from pipeline.report.compare_measure import find_middle, fit_trend, match_sources

# A coarse grid, so that ties and twins at one place occur.
POSITIONS = st.integers(0, 12).flatmap(
    lambda n: arrays(np.float64, (n, 2), elements=st.integers(0, 5).map(float))
)


@settings(max_examples=60, deadline=None)
@given(POSITIONS, POSITIONS)
def test_pairs_are_one_to_one_and_none_is_left_out(old, new):
    i, j = match_sources(old, new, radius=1.5)
    assert len(set(i.tolist())) == len(i) == len(set(j.tolist()))
    assert (np.hypot(*(old[i] - new[j]).T) <= 1.5).all()
    free_old = np.delete(old, i, axis=0)
    free_new = np.delete(new, j, axis=0)
    apart = np.hypot(*(free_old[:, None] - free_new[None]).transpose(2, 0, 1))
    assert (apart > 1.5).all()


@settings(max_examples=30, deadline=None)
@given(POSITIONS)
def test_a_list_matches_itself(positions):
    i, j = match_sources(positions, positions, radius=0.5)
    assert len(i) == len(positions)
    np.testing.assert_array_equal(positions[i], positions[j])


def test_the_closest_pair_goes_first():
    old = np.array([[0.0, 0.0], [0.0, 1.5]])
    new = np.array([[0.0, 1.0], [np.nan, 0.0]])
    i, j = match_sources(old, new, radius=2.0)
    assert (i.tolist(), j.tolist()) == ([1], [0])


def test_radius_must_be_positive():
    with pytest.raises(ValueError, match="radius must be positive, received 0"):
        match_sources(np.zeros((1, 2)), np.zeros((1, 2)), radius=0)


def test_median_and_spread_are_those_of_astropy():
    values = np.random.default_rng(1).standard_t(3, size=400)
    middle = find_middle(np.append(values, np.nan), fewest=5)
    assert middle.value == np.median(values)
    assert middle.spread == pytest.approx(mad_std(values), rel=1e-12)
    assert np.isnan(find_middle(values[:4], fewest=5).value)


def scatter_and_error(scale):
    """Of the median of values with given widths: how it scatters, and its mean stated error."""
    rng = np.random.default_rng(2)
    found = [find_middle(scale * rng.normal(size=scale.size), fewest=5) for _ in range(1500)]
    return np.std([m.value for m in found]), np.mean([m.error for m in found])


@pytest.mark.parametrize(
    "scale", [np.ones(15), np.ones(200), np.geomspace(0.01, 1.0, 200)], ids=["15", "200", "widths"]
)
def test_the_error_of_the_median_is_its_scatter(scale):
    """Also of values whose own errors differ a hundredfold, as from bright to faint."""
    scatter, error = scatter_and_error(scale)
    assert error == pytest.approx(scatter, rel=0.1)


def test_the_error_of_the_median_of_few_values_of_many_widths_is_not_too_small():
    """Fifteen values whose widths differ a hundredfold: their quantiles err on the large side."""
    scatter, error = scatter_and_error(np.geomspace(0.01, 1.0, 15))
    assert scatter < error < 1.5 * scatter


def test_the_error_of_the_trend_is_its_scatter_with_outliers_about():
    """Pulls of 400 trends; scatter of an rms: 1 / sqrt(2 n) = 3.5 %, clipping adds a few."""
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(400):
        column = rng.uniform(0, 1000, 150)
        values = 0.5 + 2.0 * column / 1000 + rng.normal(size=150)
        values[:5] += 40.0
        trend = fit_trend(column, values, n_columns=1000)
        pulls.append((trend.value - 2.0) / trend.error)
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.15)
    assert abs(np.mean(pulls)) < 0.2


def test_a_straight_line_has_its_slope_and_no_error():
    column = np.linspace(0, 511, 40)
    trend = fit_trend(column, 3.0 - 0.001 * column / 512, n_columns=512)
    assert trend.value == pytest.approx(-0.001, rel=1e-9)
    assert trend.error < 1e-12
    assert trend.n == 40
    assert np.isnan(fit_trend(column[:5], column[:5], n_columns=512).value)
    assert np.isnan(fit_trend(np.zeros(40), column, n_columns=512).value)
