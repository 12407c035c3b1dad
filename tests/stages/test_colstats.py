"""Column summaries: levels, errors and noise against drawn truth; stars, twilight, blocks."""

from itertools import pairwise

import numpy as np
import pytest

from pipeline.stages.colstats import (
    SummaryOptions,
    concatenate,
    settle_overscan,
    summarise_columns,
)
from pipeline.strip import Amplifier

W = 512
GAIN = 1.8
AMPLIFIERS = (
    Amplifier("A", (0, W // 2), (W, W + 16), (0, W // 2), False, GAIN, 6.0, 6e4),
    Amplifier("B", (W // 2, W), (W + 16, W + 32), (W // 2, W), True, GAIN, 6.0, 6e4),
)
OPTIONS = SummaryOptions()


def make_raw(rng, light):
    """Raw frame of a chip image in electrons; amplifier B is read the other way round."""
    n = len(light)
    image = np.zeros((n, W + 32))
    image[:, : W // 2] = rng.poisson(light[:, : W // 2])
    image[:, W // 2 : W] = rng.poisson(light[:, W // 2 :])[:, ::-1]
    image += rng.normal(0.0, 6.0, image.shape)
    return np.clip(np.rint(image / GAIN + 1000.0), 0, 65535).astype(np.uint16)


def add_stars(rng, light, number, *, faintest=300.0):
    n = len(light)
    for y, x, f in zip(
        rng.uniform(0, n, number),
        rng.uniform(0, W, number),
        faintest * (1.0 + rng.pareto(1.0, number)),
        strict=True,
    ):
        rows = slice(max(0, int(y) - 8), min(n, int(y) + 9))
        columns = slice(max(0, int(x) - 8), min(W, int(x) + 9))
        yy, xx = np.mgrid[rows, columns]
        r2 = (yy - y) ** 2 + (xx - x) ** 2
        light[rows, columns] += min(f, 1e6) * 0.11 * (1.0 + r2 / 2.5) ** -2.5


def summarise(raw, missing=None, first_line=0):
    missing = np.zeros(len(raw), bool) if missing is None else missing
    return summarise_columns(raw, missing, first_line, AMPLIFIERS, options=OPTIONS)


def test_levels_errors_and_noise_are_right():
    rng = np.random.default_rng(1)
    sky = 400.0 + 2.0 * np.arange(W)
    s = summarise(make_raw(rng, np.broadcast_to(sky, (2048, W))))
    pull = (s.level - sky) / s.level_err
    # The overscan's share in the error is not in level_err: it adds little here.
    assert pull.std() == pytest.approx(1.0, abs=0.04)
    assert abs(pull.mean()) < 0.06
    expected = sky + 36.0 + GAIN**2 / 12.0
    assert np.mean(s.noise_var / expected) == pytest.approx(1.0, abs=0.008)
    # Clipping must cost next to nothing against the plain mean of 256 pixels.
    assert np.std(s.level - sky) < 1.04 * np.sqrt(np.mean(expected) / 256)


def test_chip_columns_of_a_reversed_amplifier():
    light = np.full((256, W), 500.0)
    light[:, 300] = 2000.0
    s = summarise(make_raw(np.random.default_rng(2), light))
    assert np.argmax(s.level[0]) == 300


@pytest.mark.parametrize(("number", "faintest"), [(1500, 300.0), (1500, 3000.0)])
def test_stars_hardly_lift_the_level(number, faintest):
    """A star in 700 pixels lifts the level by under a twentieth of the pixel noise.

    Bright ones stand on some four per cent of a column's lines and lift the plain mean by
    twenty times as much; what remains is the light of wings and of stars below the clip.
    """
    rng = np.random.default_rng(3)
    light = np.full((2048, W), 500.0)
    add_stars(rng, light, number, faintest=faintest)
    s = summarise(make_raw(rng, light))
    shift = np.mean(s.level - 500.0)
    assert -0.1 < shift < 0.05 * np.sqrt(536.0)
    assert shift < 0.25 * np.mean(light - 500.0)
    assert np.median(s.noise_var / (500.0 + 36.0 + GAIN**2 / 12)) == pytest.approx(1.0, abs=0.02)


def test_twilight_does_not_broaden_the_clip():
    """A sky that changes by six sigma within a bin leaves noise, error and level as they are."""
    rng = np.random.default_rng(4)
    lines = np.arange(2048)
    sky = 1500.0 + 1.0 * lines
    s = summarise(make_raw(rng, np.broadcast_to(sky[:, None], (2048, W))))
    truth = 1500.0 + s.line[:, None]
    pull = (s.level - truth) / s.level_err
    assert pull.std() == pytest.approx(1.0, abs=0.04)
    assert abs(pull.mean()) < 0.06
    # A clean sky loses the tail of its noise, and no more than a third of that again.
    assert 1.0 - np.mean(s.count) / 256 < 1.33 * OPTIONS.clipped_share
    assert np.mean(s.noise_var / (truth + 36.3)) == pytest.approx(1.0, abs=0.01)


def test_blocks_concatenate_exactly():
    rng = np.random.default_rng(5)
    light = np.full((1400, W), 300.0)
    add_stars(rng, light, 300)
    raw = make_raw(rng, light)
    missing = np.zeros(1400, bool)
    missing[400:470] = missing[1024:1290] = True
    before = raw.copy()
    whole = summarise(raw, missing)
    for cuts in ((0, 256, 1400), (0, 512, 768, 1280, 1400)):
        parts = [summarise(raw[a:b], missing[a:b], a) for a, b in pairwise(cuts)]
        joined = concatenate(parts)
        for name in ("line", "present", "level", "level_err", "noise_var", "count"):
            np.testing.assert_array_equal(getattr(joined, name), getattr(whole, name))
        np.testing.assert_array_equal(joined.overscan.level, whole.overscan.level)
    np.testing.assert_array_equal(raw, before)


def test_missing_lines_and_partial_bins():
    rng = np.random.default_rng(6)
    raw = make_raw(rng, np.full((640, W), 300.0))
    missing = np.zeros(640, bool)
    missing[256:512] = True
    missing[0:100] = True
    raw[missing] = 0
    s = summarise(raw, missing)
    assert s.n_bins == 3
    np.testing.assert_array_equal(s.present, [156, 0, 128])
    np.testing.assert_allclose(s.line, [177.5, 383.5, 575.5])
    assert np.isnan(s.level[1]).all()
    pull = (s.level[[0, 2]] - 300.0) / s.level_err[[0, 2]]
    assert pull.std() == pytest.approx(1.0, abs=0.1)


def test_ramp_bins_and_mean_rows():
    s = summarise(make_raw(np.random.default_rng(7), np.full((1024, W), 100.0)))
    np.testing.assert_array_equal(s.in_ramp(600), [True, True, True, False])
    rows = np.minimum(np.arange(1024), 600).reshape(4, 256).mean(axis=1)
    np.testing.assert_allclose(s.mean_rows(600), rows)


def test_settled_levels_refer_to_the_smoothed_overscan():
    rng = np.random.default_rng(8)
    raw = make_raw(rng, np.full((2048, W), 300.0))
    s = summarise(raw)
    settled = settle_overscan(s, AMPLIFIERS, options=OPTIONS.overscan)
    assert settled.settled
    assert settle_overscan(settled, AMPLIFIERS, options=OPTIONS.overscan) is settled
    # The same sub-bin error sits in all columns of an amplifier; smoothing lowers it.
    before = np.std(s.level[:, : W // 2].mean(axis=1))
    after = np.std(settled.level[:, : W // 2].mean(axis=1))
    assert after <= before
    with pytest.raises(ValueError, match="must not be settled"):
        concatenate([settled])


def test_refuses_what_does_not_fit():
    raw = np.zeros((256, W + 32), np.uint16)
    with pytest.raises(ValueError, match="first_line must be a multiple of 256, received 32"):
        summarise(raw, first_line=32)
    with pytest.raises(ValueError, match="one ends at 256, the next begins at 512"):
        concatenate([summarise(raw), summarise(raw, first_line=512)])
    with pytest.raises(ValueError, match="star must be at least clip"):
        SummaryOptions(star=2.0)
