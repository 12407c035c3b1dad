"""Bias and dark vectors against drawn truth; light in closed strips; a night without any."""

import numpy as np
import pytest
from scipy.special import ndtr

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkOptions, dark_from_nothing, find_light, fit_dark
from pipeline.stages.overscan import OverscanLevels, keep_of_variance
from pipeline.strip import Amplifier

W, N_STAGE, TAU, CLIP = 512, 1024, 0.053, 3.0
SHARE = 2.0 * float(ndtr(-CLIP))
AMPLIFIERS = (
    Amplifier("A", (0, W // 2), (W, W + 16), (0, W // 2), False, 1.8, 6.0, 6e4),
    Amplifier("B", (W // 2, W), (W + 16, W + 32), (W // 2, W), True, 1.8, 6.0, 6e4),
)
OPTIONS = DarkOptions()
FIXED = 36.0 + 1.8**2 / 12.0


def make_summary(rng, truth, n_lines, *, lost=0.0, extra=0.0):
    """Summary with the noise that a summary of real pixels has."""
    n_bins = len(truth)
    present = np.minimum(256, n_lines - 256 * np.arange(n_bins))
    variance = np.maximum(truth, 0.0) + FIXED + extra
    count = np.rint(present[:, None] * (0.9973 - lost) * np.ones(W))
    keep = keep_of_variance(CLIP)
    level = truth + rng.standard_normal(truth.shape) * np.sqrt(variance / count / keep)
    noise = variance * (1.0 + np.sqrt(3.0 / count) * rng.standard_normal(truth.shape))
    n_sub = -(-n_lines // 32)
    overscan = OverscanLevels(
        0,
        n_lines,
        np.full((n_sub, 2), 1000.0),
        np.full((n_sub, 2), 0.15),
        11.11 * (1.0 + 0.065 * rng.standard_normal((n_sub, 2))),
        np.full((n_sub, 2), 480, np.int32),
    )
    return ColumnSummary(
        0,
        n_lines,
        256.0 * np.arange(n_bins) + (present - 1) / 2,
        present.astype(np.int32),
        level.astype("f4"),
        np.sqrt(noise / count / keep).astype("f4"),
        noise.astype("f4"),
        count.astype(np.int16),
        overscan,
        settled=True,
    )


def truth_of(bias, dark, n_lines):
    n_bins = -(-n_lines // 256)
    rows = np.minimum(np.arange(n_bins * 256), N_STAGE).reshape(n_bins, 256).mean(axis=1)
    return bias + rows[:, None] * TAU * dark


def draw(seed):
    rng = np.random.default_rng(seed)
    return rng, rng.normal(0.0, 2.0, W), rng.uniform(0.02, 0.2, W)


def fit(summaries, **kwargs):
    kwargs = {"line_periods": [TAU] * len(summaries), "n_stage": N_STAGE, **kwargs}
    return fit_dark(summaries, AMPLIFIERS, clipped=SHARE, options=OPTIONS, **kwargs)


def test_vectors_errors_and_floor():
    """Pulls have unit spread, and total is within 1.2 of what its pixels' noise allows."""
    pulls, misses = [], []
    for seed in range(4):
        rng, bias, dark = draw(seed)
        truth = truth_of(bias, dark, 4096)
        vector = fit([make_summary(rng, truth, 4096)])
        total = bias + N_STAGE * TAU * dark
        pulls.append(
            [
                (vector.bias - bias) / vector.bias_err,
                (vector.dark - dark) / vector.dark_err,
                (vector.total - total) / vector.total_err,
            ]
        )
        misses.append(vector.total - total)
    spread = np.std(np.array(pulls), axis=(0, 2))
    np.testing.assert_allclose(spread, 1.0, atol=0.06)
    # Floor: all full-integration pixels of the strip averaged, nothing else known.
    floor = np.sqrt((total.mean() + FIXED) / (4096 - N_STAGE))
    assert np.std(misses) < 1.2 * floor


def test_several_strips_combine():
    rng, bias, dark = draw(10)
    truth = truth_of(bias, dark, 3000)
    one = fit([make_summary(rng, truth, 3000)])
    four = fit([make_summary(rng, truth, 3000) for _ in range(4)])
    assert np.median(four.total_err) == pytest.approx(np.median(one.total_err) / 2, rel=0.05)
    assert four.problems == ()
    pull = (four.total - bias - N_STAGE * TAU * dark) / four.total_err
    assert pull.std() == pytest.approx(1.0, abs=0.13)


def test_strips_that_disagree_raise_the_errors():
    rng, bias, dark = draw(11)
    strips = [
        make_summary(rng, truth_of(bias + rng.normal(0, 1.0, W), dark, 3000), 3000)
        for _ in range(3)
    ]
    vector = fit(strips)
    assert any("scatter" in p for p in vector.problems)
    pull = (vector.total - bias - N_STAGE * TAU * dark) / vector.total_err
    assert pull.std() == pytest.approx(1.0, abs=0.15)


def test_another_line_period_scales_the_dark_signal():
    rng, bias, dark = draw(12)
    vector = fit([make_summary(rng, truth_of(bias, dark, 4096), 4096)])
    slower = vector.for_period(2.0 * TAU)
    np.testing.assert_allclose(slower.total - slower.bias, 2 * (vector.total - vector.bias))
    np.testing.assert_allclose(
        vector.offset(np.array([0.0, N_STAGE]), line_period=TAU), [vector.bias, vector.total]
    )


def test_light_in_a_closed_strip_is_found_and_left_out():
    rng, bias, dark = draw(13)
    truth = truth_of(bias, dark, 4096)
    good = make_summary(rng, truth, 4096)
    kwargs = {"n_stage": N_STAGE, "clipped": SHARE, "options": OPTIONS}
    assert find_light(good, AMPLIFIERS, **kwargs) == ()
    ramp = np.linspace(0, 1, len(truth))[:, None]
    wander = make_summary(rng, truth + 6.0 * ramp, 4096)
    stars = make_summary(rng, truth, 4096, lost=0.04)
    steady = make_summary(rng, truth, 4096, extra=60.0)
    for bad, word in ((wander, "wanders"), (stars, "stand out"), (steady, "variance")):
        found = find_light(bad, AMPLIFIERS, **kwargs)
        assert any(word in text for text in found)
        vector = fit([bad, good])
        assert vector.n_strips == 1
        assert any("left out" in p for p in vector.problems)
        with pytest.raises(CalibrationError, match="no shutter-closed strip is usable"):
            fit([bad])


def test_no_closed_strip_at_all():
    vector = dark_from_nothing(W, n_stage=N_STAGE, line_period=TAU, options=OPTIONS)
    assert (vector.total == 0).all()
    assert (vector.total_err == OPTIONS.nothing_err).all()
    assert "no shutter-closed strip" in vector.problems[0]


def test_strip_without_a_ramp_determines_the_total_only():
    rng, bias, dark = draw(14)
    truth = truth_of(bias, dark, 4096)
    truth[:4] = np.nan
    s = make_summary(rng, np.nan_to_num(truth), 4096)
    level = s.level.copy()
    level[:4] = np.nan
    from dataclasses import replace

    vector = fit([replace(s, level=level)])
    pull = (vector.total - bias - N_STAGE * TAU * dark) / vector.total_err
    assert pull.std() == pytest.approx(1.0, abs=0.13)
    assert np.median(vector.bias_err) > 100 * np.median(vector.total_err)


def test_refuses_what_does_not_fit():
    with pytest.raises(ValueError, match="summaries and line_periods must be equally many"):
        fit([], line_periods=[])
    with pytest.raises(ValueError, match="dark trend must be positive"):
        DarkOptions(trend=0.0)
