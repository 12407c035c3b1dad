"""Bias and dark lent to a night without closed strips."""

import numpy as np
import pytest

from pipeline.stages.dark import DarkVector
from pipeline.stages.dark_season import combine_darks

W, N_STAGE, TAU = 4000, 512, 0.05


def draw(rng, bias, dark, *, own=0.0, error=0.2):
    value = bias + own * rng.standard_normal(W) + error * rng.standard_normal(W)
    zero = np.zeros(W)
    made = DarkVector(
        value, np.full(W, error), dark.copy(), np.full(W, 1e-3), zero, zero, zero, N_STAGE, TAU,
        zero, 1, (),
    )  # fmt: skip
    return made.for_period(TAU)


@pytest.mark.parametrize("n_nights", [2, 3, 8])
@pytest.mark.parametrize("own", [0.0, 0.5])
def test_errors_hold_for_another_night(n_nights, own):
    """Whether bias is the same every night or not, the error is that of a night not seen."""
    rng = np.random.default_rng(n_nights)
    bias, dark = 3.0 * rng.standard_normal(W), np.full(W, 0.02)
    lent = combine_darks([draw(rng, bias, dark, own=own) for _ in range(n_nights)])
    another = bias + own * rng.standard_normal(W)
    pull = (lent.bias - another) / lent.bias_err
    assert np.std(pull) == pytest.approx(1.0, abs=0.1)
    np.testing.assert_allclose(lent.dark, dark)


def test_hot_columns_that_wander_raise_no_error_of_others():
    rng = np.random.default_rng(9)
    bias, dark = np.zeros(W), np.full(W, 0.02)
    nights = []
    for _ in range(4):
        wild = bias.copy()
        wild[:200] += 50.0 * rng.standard_normal(200)
        nights.append(draw(rng, wild, dark))
    assert np.median(combine_darks(nights).bias_err) < 0.12


def test_unknown_columns_stay_unknown():
    rng = np.random.default_rng(10)
    nights = [draw(rng, np.zeros(W), np.full(W, 0.02)) for _ in range(2)]
    for night in nights:
        night.bias_err[5] = np.inf
    lent = combine_darks(nights)
    assert np.isinf(lent.bias_err[5])
    assert np.isfinite(lent.bias_err[6])


def test_wrong_input_is_refused():
    with pytest.raises(ValueError, match="at least one DarkVector"):
        combine_darks([])
