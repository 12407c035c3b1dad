"""Intercepts of a night under a known response; bins near saturation."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.intercepts import drop_saturated, fit_intercepts
from pipeline.stages.overscan import OverscanLevels, keep_of_variance
from pipeline.stages.response import ResponseOptions, fit_response

W, N_STAGE, TAU, N_BINS = 200, 256, 0.05, 24
X = np.linspace(-1.0, 1.0, W)
KEEP = keep_of_variance(3.0)
OPTIONS = ResponseOptions()


def draw(rng, f, *, missed=0.0, lit=0.0, dark_err=0.5, low=500.0, high=900.0):
    """A summary, a dark vector that missed so much, and what it missed."""
    sky = np.linspace(high, low, N_BINS)
    gradient = np.where(np.arange(N_BINS) > 15, lit, 0.0)
    signal = f * sky[:, None] * (1.0 + gradient[:, None] * X)
    off = missed * rng.standard_normal(W)
    variance = signal + 36.0
    count = np.full(signal.shape, 255.0)
    level = signal + off + rng.standard_normal(signal.shape) * np.sqrt(variance / count / KEEP)
    level[0] = signal[0] / 2.0  # the ramp
    zeros = np.zeros((N_BINS * 8, 1))
    overscan = OverscanLevels(0, N_BINS * 256, zeros, zeros, zeros + 9.0, zeros.astype(np.int32))
    summary = ColumnSummary(
        0, N_BINS * 256, 256.0 * np.arange(N_BINS) + 127.5, np.full(N_BINS, 256, np.int32),
        level.astype("f4"), np.sqrt(variance / count / KEEP).astype("f4"), variance.astype("f4"),
        count.astype(np.int16), overscan, settled=True,
    )  # fmt: skip
    zero, error = np.zeros(W), np.full(W, dark_err)
    dark = DarkVector(zero, error, zero, zero, zero, zero, error, N_STAGE, TAU, zero, 1, ())
    return summary, dark, off


def known_response(rng, f):
    """A response vector whose value is the truth."""
    summary, dark, _ = draw(rng, f)
    made = fit_response([summary], dark, line_periods=[TAU], n_stage=N_STAGE, options=OPTIONS)
    return replace(made, value=f.copy(), error=np.full(W, 1e-4))


def detector(rng):
    f = 1.0 + 0.02 * rng.standard_normal(W)
    return f / f.mean()


def fit(response, summary, dark):
    return fit_intercepts(
        response, [summary], dark, line_periods=[TAU], n_stage=N_STAGE, options=OPTIONS
    )


def test_what_the_dark_missed_is_found_to_its_error():
    rng = np.random.default_rng(1)
    f = detector(rng)
    summary, dark, off = draw(rng, f, missed=0.5)
    found, sky, problems = fit(known_response(rng, f), summary, dark)
    # The sky has no zero of its own: the common part of the intercepts is its.
    miss = found.intercept - (off - off.mean())
    assert np.std(miss) < 0.35
    assert np.std(miss / found.intercept_err) == pytest.approx(1.0, abs=0.12)
    assert problems == ()
    assert np.mean(found.chi2) == pytest.approx(1.0, abs=0.1)
    np.testing.assert_array_equal(found.value, f)
    assert np.max(np.abs(sky.gradient)) < 5 * np.median(sky.gradient_err)


def test_a_prior_that_is_too_tight_is_widened_and_said():
    rng = np.random.default_rng(2)
    f = detector(rng)
    summary, dark, off = draw(rng, f, missed=3.0, dark_err=0.3)
    found, _, (text,) = fit(known_response(rng, f), summary, dark)
    assert "prior was widened" in text
    assert np.std(found.intercept - (off - off.mean())) < 0.5


def test_gradients_are_found_bin_by_bin():
    rng = np.random.default_rng(3)
    f = detector(rng)
    summary, dark, _ = draw(rng, f, lit=0.03)
    _, sky, _ = fit(known_response(rng, f), summary, dark)
    lit = np.arange(1, N_BINS) > 15  # the ramp's bin is left out
    assert np.mean(sky.gradient[lit]) == pytest.approx(0.03, abs=0.001)
    assert np.mean(sky.gradient[~lit]) == pytest.approx(0.0, abs=0.001)


def test_a_constant_sky_is_no_hindrance():
    """With the response known no range of the sky is needed."""
    rng = np.random.default_rng(4)
    f = detector(rng)
    summary, dark, off = draw(rng, f, missed=0.5, low=600.0, high=600.0)
    found, _, _ = fit(known_response(rng, f), summary, dark)
    assert np.std(found.intercept - (off - off.mean())) < 0.36


def test_nothing_to_measure_on():
    rng = np.random.default_rng(5)
    f = detector(rng)
    summary, dark, _ = draw(rng, f)
    response = known_response(rng, f)
    with pytest.raises(CalibrationError, match="no bin after the ramp holds data"):
        fit(response, replace(summary, present=np.zeros(N_BINS, np.int32)), dark)
    with pytest.raises(CalibrationError, match="no column has both a response and data"):
        fit(replace(response, mask=np.ones(W, dtype=bool)), summary, dark)


def test_bins_near_saturation_and_beside_them_go():
    rng = np.random.default_rng(6)
    f = detector(rng)
    summary, _, _ = draw(rng, f, low=500.0, high=900.0)
    level = summary.level.copy()
    level[4], level[5] = 970.0, 1000.0
    bright = replace(summary, level=level)
    clean, n_bins = drop_saturated(bright, np.full(W, 1000.0))
    assert n_bins == 4
    np.testing.assert_array_equal(np.flatnonzero(clean.present == 0), [3, 4, 5, 6])
    assert np.isnan(clean.level[3:7]).all()
    np.testing.assert_array_equal(bright.level, level)
    same, none = drop_saturated(summary, np.full(W, 60000.0))
    assert same is summary
    assert none == 0
