"""The illumination curve: truth within its errors, nothing from nothing, outliers without pull."""

import numpy as np
import pytest

from pipeline.errors import SolutionError
from pipeline.stages.illumination import IlluminationOptions, fit_illumination

N_COLUMNS = 1024
COLUMNS = np.arange(N_COLUMNS)
OPTIONS = IlluminationOptions()


def bowl(column):
    """Ten millimagnitudes from the middle to the edges, mean zero."""
    x = (column - 511.5) / 511.5
    return 0.010 * (x**2 - np.mean(((COLUMNS - 511.5) / 511.5) ** 2))


def observe(rng, n, shape, err=0.01):
    column = rng.uniform(0, N_COLUMNS - 1, n)
    return column, shape(column) + err * rng.normal(size=n), np.full(n, err)


def fit(column, excess, err):
    return fit_illumination(column, excess, err, n_columns=N_COLUMNS, options=OPTIONS)


def test_follows_a_bowl_with_right_errors():
    pulls = []
    for seed in range(30):
        found = fit(*observe(np.random.default_rng(seed), 800, bowl))
        assert found.value(COLUMNS).mean() == pytest.approx(0.0, abs=1e-12)
        pulls.append((found.value(COLUMNS) - bowl(COLUMNS)) / found.error(COLUMNS))
        extent, error = found.extent
        assert extent == pytest.approx(0.010, abs=5 * error)
    spread = np.sqrt(np.mean(np.square(pulls)))
    assert 0.7 < spread < 1.3


def test_correction_flattens_fluxes():
    column, excess, err = observe(np.random.default_rng(50), 3000, bowl, err=0.005)
    found = fit(column, excess, err)
    flux = 1e4 * 10.0 ** (0.4 * bowl(column)) * found.factor(column)
    left = 2.5 * np.log10(flux / 1e4)
    assert np.sqrt(np.mean(left**2)) < 0.001
    assert np.sqrt(np.mean(bowl(column) ** 2)) > 0.002


def test_even_light_gives_nothing_significant():
    large = 0
    for seed in range(30):
        found = fit(*observe(np.random.default_rng(100 + seed), 500, np.zeros_like))
        extent, error = found.extent
        assert extent < 0.006
        large += extent > 4.0 * error
    assert large <= 1


def test_variable_stars_do_not_pull_and_constants_go_to_the_zero_point():
    rng = np.random.default_rng(3)
    column, excess, err = observe(rng, 600, bowl)
    excess += 0.3
    excess[:40] += rng.uniform(0.2, 2.0, 40)
    found = fit(column, excess, err)
    assert found.mean == pytest.approx(0.3, abs=0.003)
    assert np.max(np.abs(found.value(COLUMNS) - bowl(COLUMNS))) < 0.006
    assert found.n_stars <= 565


def test_refuses_what_does_not_fit():
    column, excess, err = observe(np.random.default_rng(4), 60, bowl)
    excess[:20] = np.nan
    with pytest.raises(SolutionError, match="40 reference stars are fewer than 50"):
        fit(column, excess, err)
    with pytest.raises(ValueError, match="of one shape"):
        fit(column[:5], excess, err)
    with pytest.raises(ValueError, match="n_columns: must be at least 2"):
        fit_illumination(column, excess, err, n_columns=1, options=OPTIONS)
    with pytest.raises(ValueError, match="intervals: must be at least 1"):
        IlluminationOptions(intervals=0)
    with pytest.raises(ValueError, match="min_stars: must be at least 6"):
        IlluminationOptions(min_stars=2)
