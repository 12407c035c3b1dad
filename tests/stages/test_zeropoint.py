"""The zero point along a strip."""

import numpy as np
import pytest

from pipeline.errors import SolutionError
from pipeline.stages.zeropoint import ZeroPointOptions, fit_zero_point

N_LINES, N_STAGE = 30_000, 1024
OPTIONS = ZeroPointOptions()


def transparency(depth):
    """A cloud of this depth (mag) over lines 12000 to 16000, as TDI averages it."""
    t = np.arange(-N_STAGE, N_LINES)
    loss = depth * np.exp(-(((t - 14_000) / 1500.0) ** 2))
    total = np.cumsum(np.append(0.0, 10 ** (-0.4 * loss)))
    return (total[N_STAGE:] - total[:-N_STAGE])[:N_LINES] / N_STAGE


def observe(rng, n, depth=0.0, err=0.01):
    line = rng.uniform(0, N_LINES - 1, n)
    zero = 25.0 + 2.5 * np.log10(transparency(depth))
    return line, zero[line.astype(int)] + err * rng.normal(size=n), np.full(n, err), zero


def fit(line, delta, err, **changes):
    return fit_zero_point(
        line, delta, err, n_lines=N_LINES, n_stage=N_STAGE, options=ZeroPointOptions(**changes)
    )


def test_follows_a_cloud_and_flags_it():
    line, delta, err, zero = observe(np.random.default_rng(1), 900, depth=0.8)
    curve = fit(line, delta, err)
    at = np.arange(0, N_LINES, 50)
    assert np.sqrt(np.mean((curve.value(at) - zero[at]) ** 2)) < 0.004
    pull = (curve.value(at) - zero[at]) / curve.error(at)
    assert np.std(pull) < 1.5
    assert curve.clear_level == pytest.approx(25.0, abs=0.006)
    # From the truth: extinction of 0.3 mag, to the accuracy of the curve.
    truth = 25.0 - zero[at]
    sure = np.abs(truth - 0.3) > 0.03
    np.testing.assert_array_equal(curve.cloudy(at)[sure], (truth > 0.3)[sure])
    np.testing.assert_allclose(curve.extinction(at), truth, atol=0.02)


def test_a_clear_strip_is_calibrated_to_better_than_a_millimagnitude():
    line, delta, err, _ = observe(np.random.default_rng(2), 900)
    curve = fit(line, delta, err)
    at = np.arange(0, N_LINES, 50)
    assert np.sqrt(np.mean((curve.value(at) - 25.0) ** 2)) < 0.001
    assert not np.any(curve.cloudy(at))
    assert curve.rms == pytest.approx(0.01, rel=0.15)
    assert curve.floor < 0.006


def test_variable_and_mismatched_stars_do_not_pull():
    rng = np.random.default_rng(3)
    line, delta, err, _ = observe(rng, 300)
    bad = rng.choice(300, 30, replace=False)
    delta[bad] += rng.uniform(0.2, 3, 30)
    curve = fit(line, delta, err)
    assert np.max(np.abs(curve.value(np.arange(0, N_LINES, 100)) - 25)) < 0.01
    assert curve.n_stars <= 272


def test_few_stars_give_a_constant():
    curve = fit([100.0, 20_000.0, 25_000.0], [25.0, 25.02, 24.98], [0.02, 0.02, 0.02])
    assert curve.value([0, N_LINES]) == pytest.approx([25.0, 25.0], abs=1e-6)
    assert curve.error(0.0) == pytest.approx(0.02 / np.sqrt(3), rel=0.05)


def test_uncertain_lines_count_as_cloudy():
    curve = fit([100.0, 200.0], [25.0, 25.1], [0.2, 0.2])
    assert np.all(curve.cloudy([0, 10_000]))


def test_no_stars_is_an_error_with_a_remedy():
    with pytest.raises(SolutionError, match="none of 0 matched stars"):
        fit([], [], [])
    with pytest.raises(SolutionError, match="is the whole strip clouded"):
        fit([1.0], [np.nan], [0.1])


def test_refuses_what_is_wrong():
    with pytest.raises(ValueError, match="must be one-dimensional, of one shape"):
        fit([1.0], [1.0, 2.0], [0.1])
    with pytest.raises(ValueError, match="n_lines, n_stage: must be positive"):
        fit_zero_point([1.0], [1.0], [1.0], n_lines=0, n_stage=1, options=OPTIONS)
    with pytest.raises(ValueError, match="knots_per_stage: must be above 0 and at most 2"):
        ZeroPointOptions(knots_per_stage=3)
    with pytest.raises(ValueError, match="max_error: must be positive"):
        ZeroPointOptions(max_error=0)
    with pytest.raises(ValueError, match="clear_percentile: must be in"):
        ZeroPointOptions(clear_percentile=0)
