"""Response vectors against drawn truth: floor, pulls, gradients, additive light, intercepts."""

from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkOptions, DarkVector, dark_from_nothing
from pipeline.stages.overscan import OverscanLevels, keep_of_variance
from pipeline.stages.response import ResponseOptions, combine_responses, fit_response

W, N_STAGE, TAU, N_LINES = 1024, 1024, 0.053, 13000
FIXED = 36.0 + 1.8**2 / 12.0
DARK_ERR = 0.1
DEAD = 100
GOOD = np.arange(W) != DEAD
X = np.linspace(-1.0, 1.0, W)
OPTIONS = ResponseOptions()


def detector():
    rng = np.random.default_rng(99)
    f = 1.0 + 0.05 * np.sin(np.arange(W) / 50.0) + 0.02 * rng.standard_normal(W)
    f[DEAD] = 0.1
    return f / f[GOOD].mean()


def make_night(
    seed, *, low=300.0, high=3000.0, gradient=0.0, scattered=0.0, missed=0.0, bend=0.0, stars=0.0
):
    rng = np.random.default_rng(seed)
    f = detector()
    n_bins = -(-N_LINES // 256)
    lines = 256.0 * np.arange(n_bins) + 127.5
    sky = low + (high - low) * np.exp(-lines / 1500.0)
    light = sky[:, None] * (1.0 + gradient * np.exp(-lines / 1500.0)[:, None] * X)
    h = np.exp(-0.5 * ((X - 0.3) / 0.2) ** 2)
    light = light + h * scattered * np.exp(-0.5 * ((lines - 8000.0) / 1200.0) ** 2)[:, None]
    share = np.minimum(lines, N_STAGE)[:, None] / N_STAGE
    signal = f * light * share
    signal[:, 700] *= 1.0 - bend * signal[:, 700] / signal[:, 700].max()
    truth = signal + missed * np.random.default_rng(98).standard_normal(W)
    present = np.minimum(256, N_LINES - 256 * np.arange(n_bins))
    variance = np.maximum(truth, 0.0) + FIXED
    count = np.rint(present[:, None] * 0.9973 * np.ones(W))
    keep = keep_of_variance(3.0)
    level = truth + rng.standard_normal(truth.shape) * np.sqrt(variance / count / keep)
    # The wings of stars lift a few levels: a tenth of them, by up to a few sigma.
    hit = rng.uniform(size=truth.shape) < 0.1
    level += hit * stars * rng.exponential(1.0, truth.shape) * np.sqrt(variance / count)
    noise = variance * (1.0 + np.sqrt(3.0 / count) * rng.standard_normal(truth.shape))
    overscan = OverscanLevels(
        0,
        N_LINES,
        np.zeros((407, 2)),
        np.zeros((407, 2)),
        np.full((407, 2), 11.1),
        np.full((407, 2), 480, np.int32),
    )
    summary = ColumnSummary(
        0,
        N_LINES,
        lines,
        present.astype(np.int32),
        level.astype("f4"),
        np.sqrt(noise / count / keep).astype("f4"),
        noise.astype("f4"),
        count.astype(np.int16),
        overscan,
        settled=True,
    )
    # Bias and dark are known to 0.1 electrons; truth has them zero.
    off = DARK_ERR * rng.standard_normal(W)
    zero, error = np.zeros(W), np.full(W, DARK_ERR)
    dark = DarkVector(off, error, zero, zero, zero, off, error, N_STAGE, TAU, np.ones(W), 1, ())
    use = lines >= N_STAGE
    floor = 1.0 / np.sqrt((256 * sky[use] ** 2 / (sky[use] + FIXED)).sum())
    return summary, dark, f, floor


def fit(summary, dark, options=OPTIONS):
    return fit_response([summary], dark, line_periods=[TAU], n_stage=N_STAGE, options=options)


def test_one_night_reaches_the_photon_floor_with_right_errors():
    pulls, misses = [], []
    for seed in range(4):
        summary, dark, f, floor = make_night(seed)
        r = fit(summary, dark)
        pulls.append(((r.value - f) / r.error)[GOOD])
        misses.append((r.value - f)[GOOD])
        assert r.choice == "slope"
        assert r.problems == ()
    assert np.std(misses) < 1.3 * floor
    assert np.std(misses) < 1e-3
    assert np.std(pulls) == pytest.approx(1.0, abs=0.06)
    assert r.mask[DEAD]
    assert r.mask.sum() == 1
    assert np.std((r.linearity / r.linearity_err)[GOOD]) == pytest.approx(1.0, abs=0.1)


def test_star_wings_cancel():
    """Levels lifted by unmasked wings leave the slopes unbiased and the errors honest.

    A tenth of the levels lifted by one sigma on average is what a star in 2000 pixels does.
    """
    summary, dark, f, floor = make_night(5, stars=1.0)
    r = fit(summary, dark)
    assert np.std((r.value - f)[GOOD]) < 1.3 * floor
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.09)


def test_changing_gradient_of_the_sky_bends_nothing():
    """A gradient that fades with twilight is told from the response; without the fit it is not.

    By convention the response keeps the gradient of the median bin.
    """
    lines = 256.0 * np.arange(-(-N_LINES // 256)) + 127.5
    kept = np.median(0.05 * np.exp(-lines[lines >= N_STAGE] / 1500.0))
    summary, dark, f, _ = make_night(6, gradient=0.05)
    slope = np.polyfit(X[GOOD], (fit(summary, dark).value / f)[GOOD], 1)[0]
    # additive light, looked for, would be found to be that gradient
    blind = fit(summary, dark, ResponseOptions(fit_gradient=False, scattered_limit=1e6))
    blind_slope = np.polyfit(X[GOOD], (blind.value / f)[GOOD], 1)[0]
    # 1023 columns of error 5e-4 fix a slope to 3e-5.
    assert abs(slope - kept) < 4 * 3e-5 + 1e-4
    assert abs(blind_slope - kept) > 10 * abs(slope - kept)


def test_additive_light_is_found_and_separated():
    summary, dark, f, floor = make_night(7, scattered=60.0)
    r = fit(summary, dark)
    assert any("scattered" in p for p in r.problems)
    assert not any("prior was widened" in p for p in r.problems)
    h = np.exp(-0.5 * ((X - 0.3) / 0.2) ** 2)
    assert np.corrcoef(r.scattered[GOOD], h[GOOD])[0, 1] > 0.99
    off = fit(summary, dark, ResponseOptions(scattered_limit=1e6, fit_gradient=False))
    miss, blind = (np.std((v.value - f)[GOOD]) for v in (r, off))
    assert blind > 4 * miss
    assert miss < 1.3 * floor
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.12)


def add_light(summary, f, h, ratio):
    """The summary with ``f h`` times a ratio of the sky added to its levels."""
    sky = np.median(summary.level, axis=1)
    extra = f * h * (ratio * sky)[:, None]
    return replace(summary, level=(summary.level + extra).astype("f4"))


@pytest.mark.parametrize("phase", [0.0, 1.5, 3.0, 4.5])
def test_light_that_comes_and_goes_leaves_the_response_of_its_absence(phase):
    """Light up to 0.5 % of the sky, with a gradient: the floor holds, as if it had been dark.

    On average it is 0.17 % of the sky, which times its pattern's rms of 0.36 is twice the floor.
    """
    summary, dark, f, floor = make_night(13, low=800.0, high=1600.0)
    turn = summary.line / N_LINES
    ratio = (0.5 + 0.5 * np.cos(14.6 * turn + phase)) * (0.005 - 0.003 * turn)
    h = 0.5 * X + 0.4 * np.sin(5.0 * X + 0.7) * np.exp(-(X**2))
    r = fit(add_light(summary, f, h, ratio), dark)
    miss = (r.value - f)[GOOD]
    assert np.std(miss) < 1.3 * floor
    assert np.std(miss / r.error[GOOD]) == pytest.approx(1.0, abs=0.12)
    assert np.corrcoef(r.scattered[GOOD], h[GOOD])[0, 1] > 0.98
    blind = fit(add_light(summary, f, h, ratio), dark, ResponseOptions(scattered_limit=1e6))
    assert np.std((blind.value - f)[GOOD]) > 1.5 * np.std(miss)


def test_wide_halos_are_not_taken_for_additive_light():
    """Halos of stars, 15 columns wide and of one bin, are more than noise but no common pattern."""
    summary, dark, f, _ = make_night(14, low=800.0, high=1600.0)
    rng = np.random.default_rng(15)
    halo = np.zeros(summary.level.shape)
    for one_bin in range(len(halo)):
        for centre in rng.uniform(0, W, 40):
            shape = np.exp(-0.5 * ((np.arange(W) - centre) / 6.0) ** 2)
            halo[one_bin] += rng.exponential(3.0) * shape
    r = fit(replace(summary, level=(summary.level + f * halo).astype("f4")), dark)
    assert not r.scattered.any()
    assert r.problems == ()


def test_intercept_takes_what_the_dark_missed():
    summary, dark, f, _ = make_night(8, missed=1.0)
    r = fit(summary, dark)
    assert any("prior was widened" in p for p in r.problems)
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.09)
    missed = np.random.default_rng(98).standard_normal(W) - dark.bias
    assert np.corrcoef(r.intercept[GOOD], missed[GOOD])[0, 1] > 0.8


def test_no_dark_at_all_still_gives_slopes():
    summary, _, f, _ = make_night(9, missed=3.0)
    nothing = dark_from_nothing(W, n_stage=N_STAGE, line_period=TAU, options=DarkOptions())
    r = fit(summary, nothing)
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.09)


def test_small_sky_range_falls_back_to_a_ratio():
    summary, dark, f, floor = make_night(10, low=900.0, high=950.0)
    r = fit(summary, dark)
    assert r.choice == "ratio"
    assert any("ranges only" in p for p in r.problems)
    assert np.std((r.value - f)[GOOD]) < 1.3 * floor
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.09)


def test_steady_sky_without_a_dark_spreads_no_ignorance_over_the_response():
    """Nothing is known of bias and dark: the ratio is as good as ever, its error tells the rest."""
    summary, _, f, floor = make_night(16, low=900.0, high=902.0)
    options = DarkOptions()
    nothing = dark_from_nothing(W, n_stage=N_STAGE, line_period=TAU, options=options)
    r = fit(summary, nothing)
    assert r.choice == "ratio"
    assert not any("widened" in p for p in r.problems)
    assert np.std((r.value - f)[GOOD]) < 1.3 * floor
    assert np.abs(r.intercept).max() < 0.01
    assert r.error[GOOD] == pytest.approx(options.nothing_err / 900.0, rel=0.02)
    assert r.intercept_err[GOOD] == pytest.approx(options.nothing_err, rel=0.02)


def test_additive_light_under_a_steady_sky_is_separated():
    summary, dark, f, floor = make_night(17, low=900.0, high=950.0, scattered=20.0)
    r = fit(summary, dark)
    assert r.choice == "ratio"
    assert any("scattered" in p for p in r.problems)
    assert np.std((r.value - f)[GOOD]) < 1.3 * floor
    assert np.std(((r.value - f) / r.error)[GOOD]) == pytest.approx(1.0, abs=0.12)


def test_bent_column_shows():
    summary, dark, _, _ = make_night(11, bend=0.15)
    r = fit(summary, dark)
    significance = np.abs(r.linearity / r.linearity_err)
    assert np.argmax(np.where(GOOD, significance, 0)) == 700
    assert abs(r.linearity[700]) > 0.05


def test_nights_combine_by_inverse_variance():
    nights = [fit(*make_night(seed)[:2]) for seed in range(20, 24)]
    f = detector()
    both = combine_responses(nights)
    assert np.median(both.error[GOOD]) == pytest.approx(np.median(nights[0].error) / 2, rel=0.05)
    assert np.std(((both.value - f) / both.error)[GOOD]) == pytest.approx(1.0, abs=0.09)
    assert np.mean(both.chi2[GOOD]) == pytest.approx(1.0, abs=0.12)
    changed = nights[0].value * (1.0 + 0.01 * np.sin(np.arange(W)))
    odd = combine_responses([*nights[1:], replace(nights[0], value=changed)])
    assert any("has the response changed" in p for p in odd.problems)
    assert combine_responses(nights[:1]) is nights[0]


def test_refuses_what_does_not_fit():
    summary, dark, _, _ = make_night(12)
    with pytest.raises(ValueError, match="equally many"):
        fit_response([summary], dark, line_periods=[], n_stage=N_STAGE, options=OPTIONS)
    with pytest.raises(CalibrationError, match="needs at least 3 bins"):
        fit_response([summary], dark, line_periods=[TAU], n_stage=20000, options=OPTIONS)
    with pytest.raises(ValueError, match="at least one ResponseVector"):
        combine_responses([])
    with pytest.raises(ValueError, match="response huber must be positive"):
        ResponseOptions(huber=0.0)
    with pytest.raises(ValueError, match="response scattered_intervals must be at least 3"):
        ResponseOptions(scattered_intervals=2)
