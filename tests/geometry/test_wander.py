import json

import numpy as np
import pytest
from scipy.interpolate import BSpline

from pipeline.geometry.wander import Wander, mean_weights, spline_weights


def make(rng, n=9, first=100.0, step=250.0):
    return Wander(first, step, rng.normal(size=n), rng.normal(size=n))


def test_equals_scipy_spline():
    rng = np.random.default_rng(1)
    wander = make(rng)
    knots = 100.0 + 250.0 * np.arange(-3, 6 + 4)
    line = np.linspace(100.0, 100.0 + 6 * 250.0, 400)
    for found, coefficients in zip(
        wander.evaluate(line), (wander.line, wander.column), strict=True
    ):
        np.testing.assert_allclose(found, BSpline(knots, coefficients, 3)(line), atol=1e-12)


def test_weights_sum_to_one_and_ends_hold():
    _, weights = spline_weights([-1e4, 0.0, 37.0, 1e4], first=0.0, step=50.0, n_intervals=4)
    np.testing.assert_allclose(weights.sum(axis=1), 1, atol=1e-14)
    wander = make(np.random.default_rng(2))
    assert wander.evaluate(-1e6) == wander.evaluate(100.0)


def test_mean_weights_give_the_mean():
    wander = make(np.random.default_rng(3))
    line = 100.0 + (np.arange(60000) + 0.5) / 60000 * 1500.0
    assert mean_weights(6) @ wander.line == pytest.approx(wander.evaluate(line)[0].mean(), abs=1e-8)
    assert mean_weights(6).sum() == pytest.approx(1, abs=1e-14)


def test_steady_line_inverts():
    wander = make(np.random.default_rng(4))
    steady = np.linspace(-200.0, 2000.0, 97)
    line = steady + wander.evaluate(steady)[0]
    np.testing.assert_allclose(wander.steady_line(line), steady, atol=1e-9)


def test_json_round_trip():
    wander = make(np.random.default_rng(5))
    back = Wander.from_dict(json.loads(json.dumps(wander.to_dict())))
    line = np.linspace(0, 2000, 50)
    np.testing.assert_array_equal(back.evaluate(line), wander.evaluate(line))


def test_bad_coefficients_are_refused():
    with pytest.raises(ValueError, match=r"same number of coefficients, at least 4"):
        Wander(0.0, 1.0, np.zeros(3), np.zeros(3))
    with pytest.raises(ValueError, match=r"wander.step must be positive"):
        Wander(0.0, 0.0, np.zeros(4), np.zeros(4))
