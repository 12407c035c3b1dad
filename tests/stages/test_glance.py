"""Numbers of a quick look against known truth."""

import numpy as np
import pytest

from pipeline.constants import FWHM_PER_SIGMA
from pipeline.stages.glance import (
    bin_columns,
    compare_columns,
    describe_shape,
    fit_trend,
    halve_cells,
    rank_brightness,
    robust_mean,
)


def test_shape_is_that_of_the_ellipse_however_it_lies():
    rng = np.random.default_rng(1)
    for angle in (0.0, 0.6, 2.0):
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        c = turn @ np.diag([2.0**2, 1.5**2]) @ turn.T
        noise = rng.normal(0.0, 0.3, (3, 400))
        found = describe_shape(c[0, 0] + noise[0], c[0, 1] + noise[1], c[1, 1] + noise[2])
        for name, truth in (("fwhm", FWHM_PER_SIGMA * np.sqrt(3.0)), ("elongation", 4.0 / 3.0)):
            value, error = found[name]
            assert abs(value - truth) < 4 * error
            assert 0 < error < 0.05 * truth


def test_errors_of_shapes_are_the_scatter_of_shapes():
    rng = np.random.default_rng(2)
    pulls = {"fwhm": [], "elongation": []}
    truth = {"fwhm": FWHM_PER_SIGMA * 4.0**0.25 * 1.0, "elongation": 2.0}
    for _ in range(300):
        noise = rng.normal(0.0, 0.2, (3, 40))
        found = describe_shape(4.0 + noise[0], noise[1], 1.0 + noise[2])
        for name, (value, error) in found.items():
            pulls[name].append((value - truth[name]) / error)
    for name, values in pulls.items():
        assert 0.8 < np.std(values) < 1.3, name


def test_few_stars_have_no_shape():
    found = describe_shape(np.ones(4), np.zeros(4), np.ones(4))
    assert np.isnan([*found["fwhm"], *found["elongation"]]).all()
    assert np.isnan(robust_mean([])).all()


def test_trend_comes_back_with_an_error_that_is_right():
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(300):
        hours = np.sort(rng.uniform(0, 8, 25))
        errors = rng.uniform(0.02, 0.06, 25)
        # What scatters more than the errors say makes the error of the slope larger.
        y = 1.4 - 0.05 * hours + errors * rng.normal(size=25) + 0.05 * rng.normal(size=25)
        value, slope, error, middle, n = fit_trend(hours, y, errors)
        assert n == 25
        assert value == pytest.approx(1.4 - 0.05 * middle, abs=0.1)
        pulls.append((slope + 0.05) / error)
    assert 0.85 < np.std(pulls) < 1.15
    assert fit_trend([0, 1, 2], [1, 1, 1], [0.1, 0.1, 0.1]) is None
    assert fit_trend([1, 1, 1, 1], [1, 1, 1, 1], [0.1] * 4) is None


def test_columns_are_compared_with_their_neighbours_whatever_sky_and_gain():
    rng = np.random.default_rng(4)
    column = np.arange(400)
    truth = 1.0 + 0.02 * rng.normal(size=400)
    truth[50], truth[333] = 0.1, 1.8
    sky = np.array([500.0, 900.0, 4000.0])[:, None]
    gain = np.where(column < 200, 1.0, 1.3)
    clean = sky * (1.0 + 0.1 * np.sin(column / 200.0)) * gain * truth
    error = np.sqrt(clean / 256.0)
    found = compare_columns(clean + error * rng.normal(size=clean.shape), error,
                            ((0, 200), (200, 400)))  # fmt: skip
    np.testing.assert_array_equal(np.flatnonzero(found["bad"]), [50, 333])
    good = ~found["bad"]
    # The running median itself scatters by 1.25 x 2 % / sqrt(99 columns).
    off = (found["ratio"] - truth)[good]
    assert np.std(off) < 0.006
    assert np.median(found["error"][good]) < 0.004


def test_columns_without_data_are_bad_and_hurt_no_neighbour():
    level = np.full((2, 50), 100.0)
    level[:, 20] = np.nan
    found = compare_columns(level, np.ones((2, 50)), ((0, 50),))
    np.testing.assert_array_equal(np.flatnonzero(found["bad"]), [20])
    np.testing.assert_allclose(np.delete(found["ratio"], 20), 1.0)


def test_stars_of_one_rank_tell_a_cloud_without_a_catalogue():
    rng = np.random.default_rng(6)

    def field(dim):  # N(<m) ~ 10^(0.4 m): more faint stars than bright ones
        flux = (1.0 - rng.uniform(size=4000)) ** -1.0 * 10 ** (-0.4 * dim)
        return flux[flux > 30.0]

    dims = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0])
    found, error, k = rank_brightness([field(d) for d in dims])
    assert k == 20
    pulls = (found - dims) / error
    assert np.abs(pulls).max() < 3.5
    assert np.all((error > 0.15) & (error < 0.4))
    nothing, _, none = rank_brightness([np.ones(3)] * 4)
    assert none == 0
    assert np.isnan(nothing).all()


def test_cells_hold_the_mean_of_their_pixels():
    groups = np.arange(2 * 3 * 10, dtype=np.float32).reshape(2, 3, 10)
    cells = bin_columns(groups, np.array([True, False]), 4)
    np.testing.assert_allclose(
        cells[0], [groups[0][:, :4].mean(), groups[0][:, 4:8].mean(), groups[0][:, 8:].mean()]
    )
    assert np.isnan(cells[1]).all()


def test_halved_cells_hold_the_mean_of_what_is_known():
    cells = np.arange(12, dtype=np.float32).reshape(4, 3)
    cells[0, 0] = np.nan
    cells[2:, 2] = np.nan
    found = halve_cells(cells)
    np.testing.assert_allclose(found, [[8 / 3, 3.5], [8.0, np.nan]])
