"""Overscan levels: right values and errors, no dependence on blocks, drifts kept."""

import numpy as np
import pytest

from pipeline.stages.overscan import (
    OverscanOptions,
    concatenate_overscan,
    interpolate_overscan,
    keep_of_variance,
    measure_overscan,
    smooth_overscan,
)
from pipeline.strip import Amplifier

AMPLIFIERS = (
    Amplifier("A", (0, 20), (40, 56), (0, 20), False, 1.8, 6.0, 6e4),
    Amplifier("B", (20, 40), (56, 72), (20, 40), True, 1.7, 5.0, 6e4),
)
OPTIONS = OverscanOptions()


def make_raw(rng, n_lines, *, drift=0.0):
    lines = np.arange(n_lines)
    level = 1000.0 + drift * np.sin(lines / 700.0)
    raw = rng.normal(0.0, 1.0, (n_lines, 72))
    raw[:, :40] += 5000.0
    raw[:, 40:56] = level[:, None] + raw[:, 40:56] * 6.0 / 1.8
    raw[:, 56:] = level[:, None] + 50.0 + raw[:, 56:] * 5.0 / 1.7
    return np.rint(raw).astype(np.uint16), level


def test_level_noise_and_errors_are_right():
    raw, _ = make_raw(np.random.default_rng(1), 32 * 400)
    levels = measure_overscan(raw, np.zeros(len(raw), bool), 0, AMPLIFIERS, options=OPTIONS)
    pull = (levels.level - [1000.0, 1050.0]) / levels.error
    assert abs(pull.mean()) < 4.0 / np.sqrt(pull.size)
    assert pull.std() == pytest.approx(1.0, abs=4.0 / np.sqrt(2 * pull.size))
    noise, error = levels.read_noise()
    truth = np.array([6.0 / 1.8, 5.0 / 1.7])
    assert (np.abs(noise - truth) < 4.0 * error).all()
    assert (error < 0.003 * truth).all()


def test_outliers_do_not_move_the_level():
    raw, _ = make_raw(np.random.default_rng(2), 320)
    spoiled = raw.copy()
    spoiled[5:300:7, 45] = 9000
    spoiled[:, 40] = 2000  # deferred charge in the first overscan column is skipped
    clean = measure_overscan(raw, np.zeros(320, bool), 0, AMPLIFIERS, options=OPTIONS)
    hit = measure_overscan(spoiled, np.zeros(320, bool), 0, AMPLIFIERS, options=OPTIONS)
    assert np.abs(hit.level - clean.level)[:, 0].max() < 0.5 * clean.error[:, 0].max()


def test_blocks_concatenate_exactly_and_interpolation_knows_no_blocks():
    raw, _ = make_raw(np.random.default_rng(3), 1000, drift=5.0)
    missing = np.zeros(1000, bool)
    missing[300:420] = True
    whole = measure_overscan(raw, missing, 0, AMPLIFIERS, options=OPTIONS)
    parts = [
        measure_overscan(raw[a:b], missing[a:b], a, AMPLIFIERS, options=OPTIONS)
        for a, b in ((0, 256), (256, 768), (768, 1000))
    ]
    joined = concatenate_overscan(parts)
    np.testing.assert_array_equal(joined.level, whole.level)
    np.testing.assert_array_equal(joined.centres, whole.centres)
    smooth = smooth_overscan(whole, options=OPTIONS)
    assert np.isfinite(smooth.level).all()
    every = interpolate_overscan(smooth, 0, 1000)
    pieces = [interpolate_overscan(smooth, a, b) for a, b in ((0, 3), (3, 700), (700, 1000))]
    np.testing.assert_array_equal(np.concatenate(pieces), every)


def test_smoothing_lowers_noise_and_keeps_a_drift():
    raw, level = make_raw(np.random.default_rng(4), 32 * 500, drift=4.0)
    levels = measure_overscan(raw, np.zeros(len(raw), bool), 0, AMPLIFIERS, options=OPTIONS)
    smooth = smooth_overscan(levels, options=OPTIONS)
    truth = np.interp(levels.centres, np.arange(len(raw)), level)
    before = np.std(levels.level[:, 0] - truth)
    after = np.std(smooth.level[:, 0] - truth)
    assert after < 0.75 * before
    constant, _ = make_raw(np.random.default_rng(5), 32 * 500)
    levels = measure_overscan(constant, np.zeros(len(raw), bool), 0, AMPLIFIERS, options=OPTIONS)
    smooth = smooth_overscan(levels, options=OPTIONS)
    pull = (smooth.level - [1000.0, 1050.0]) / smooth.error
    assert pull.std() < 1.35


def test_amplifier_without_overscan_has_level_zero():
    amplifier = (Amplifier("A", (0, 8), (8, 8), (0, 8), False, 1.0, 5.0, 6e4),)
    raw = np.full((64, 8), 700, dtype=np.uint16)
    levels = measure_overscan(raw, np.zeros(64, bool), 0, amplifier, options=OPTIONS)
    assert (levels.level == 0).all()
    assert np.isnan(levels.read_noise()[0]).all()


def test_keep_of_variance_matches_a_cut_gaussian():
    x = np.random.default_rng(6).standard_normal(400_000)
    for clip in (2.0, 3.0):
        cut = x[np.abs(x) < clip]
        assert cut.var() == pytest.approx(keep_of_variance(clip), rel=0.01)


def test_refuses_what_does_not_fit():
    raw = np.zeros((64, 72), np.uint16)
    with pytest.raises(ValueError, match="first_line must be a multiple of 32, received 5"):
        measure_overscan(raw, np.zeros(64, bool), 5, AMPLIFIERS, options=OPTIONS)
    a = measure_overscan(raw, np.zeros(64, bool), 0, AMPLIFIERS, options=OPTIONS)
    b = measure_overscan(raw, np.zeros(64, bool), 128, AMPLIFIERS, options=OPTIONS)
    with pytest.raises(ValueError, match="one ends at 64, the next begins at 128"):
        concatenate_overscan([a, b])
    with pytest.raises(ValueError, match=r"lines must lie within 0\.\.64"):
        interpolate_overscan(a, 10, 70)
    with pytest.raises(ValueError, match="clip must exceed 1"):
        OverscanOptions(clip=0.5)
