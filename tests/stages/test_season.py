"""Seasons of summaries drawn by numpy alone: changes found, none invented, means at the floor."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import ColumnSummary
from pipeline.stages.dark import DarkVector
from pipeline.stages.overscan import OverscanLevels, keep_of_variance
from pipeline.stages.response import ResponseOptions, fit_response
from pipeline.stages.season import combine_nights, find_intervals
from pipeline.stages.season_compare import ChangeOptions, NightResponse, compare_groups

W, N_STAGE, TAU, N_BINS = 256, 256, 0.05, 20
FIXED = 36.0 + 1.8**2 / 12.0
DARK_ERR = 0.15
X = np.linspace(-1.0, 1.0, W)
SEEN = ChangeOptions()
NONE = np.zeros(W, dtype=bool)


def detector(rng):
    f = 1.0 + 0.03 * np.cos(2.0 * X + rng.uniform(0, 6)) + 0.01 * rng.standard_normal(W)
    return f / f.mean()


def draw_summary(rng, f, *, throughput=1.0, tilt=0.0, light=0.0, lit_tilt=0.0):
    """Levels of a night: twilight and moonlight on airglow, bias of that night, noise."""
    turn = (np.arange(N_BINS) + 0.5) / N_BINS
    sky = 300.0 + rng.uniform(300, 900) * np.exp(-turn / 0.2)
    moon = rng.uniform(0, 600) / (1.0 + np.exp(-(turn - rng.uniform(0.3, 0.8)) / 0.05))
    # The night's gradient never changes; `lit_tilt` comes and goes with the moon.
    shape = (sky + moon)[:, None] * (1.0 + tilt * X) + (lit_tilt * moon)[:, None] * X
    shape = shape + light * moon[:, None] * np.cos(2.0 * X - 0.5)
    truth = throughput * f * shape
    share = np.minimum(256.0 * (np.arange(N_BINS) + 0.5) / N_STAGE, 1.0)[:, None]
    signal = truth * share
    count = np.full(signal.shape, 255.0)
    keep = keep_of_variance(3.0)
    variance = signal + FIXED
    level = signal + rng.standard_normal(signal.shape) * np.sqrt(variance / count / keep)
    noise = variance * (1.0 + np.sqrt(3.0 / count) * rng.standard_normal(signal.shape))
    lines = 256.0 * np.arange(N_BINS) + 127.5
    n_sub = N_BINS * 8
    overscan = OverscanLevels(
        0, N_BINS * 256, np.full((n_sub, 1), 1000.0), np.full((n_sub, 1), 0.1),
        np.full((n_sub, 1), 11.1), np.full((n_sub, 1), 480, np.int32),
    )  # fmt: skip
    return ColumnSummary(
        0, N_BINS * 256, lines, np.full(N_BINS, 256, np.int32), level.astype("f4"),
        np.sqrt(noise / count / keep).astype("f4"), noise.astype("f4"), count.astype(np.int16),
        overscan, settled=True,
    )  # fmt: skip


def draw_dark(rng):
    """Bias and dark of a night known to `DARK_ERR`; the truth is zero."""
    off = DARK_ERR * rng.standard_normal(W)
    zero, error = np.zeros(W), np.full(W, DARK_ERR)
    return DarkVector(off, error, zero, zero, zero, off, error, N_STAGE, TAU, np.ones(W), 1, ())


def draw_night(rng, night, f, **sky):
    summary, dark = draw_summary(rng, f, **sky), draw_dark(rng)
    made = fit_response(
        [summary], dark, line_periods=[TAU], n_stage=N_STAGE, options=ResponseOptions()
    )
    return NightResponse(night, made, NONE)


def draw_season(rng, responses, **sky):
    """Nights with other throughputs and gradients each."""
    return [
        draw_night(
            rng, f"2025-05-{k + 1:02d}", f, throughput=rng.uniform(0.6, 1.0),
            tilt=rng.uniform(-0.01, 0.01), **sky,
        )
        for k, f in enumerate(responses)
    ]  # fmt: skip


def baffle(amount):
    """A smooth change of so much at one end of the chip, none at the other."""
    return 1.0 + amount / (1.0 + np.exp(-(X - 0.5) / 0.15))


def dust(amount, *, column=100, width=5.0):
    return 1.0 - amount * np.exp(-0.5 * ((np.arange(W) - column) / width) ** 2)


def cuts(nights):
    return [i.first for i in find_intervals(nights, options=SEEN)][1:]


@pytest.mark.parametrize(
    ("light", "n_seasons"), [(0.0, 100), (0.004, 30)], ids=["clean", "unseen light"]
)
def test_no_change_is_invented(light, n_seasons):
    """False alarms in Monte Carlo seasons of six nights, throughput and gradients at will.

    At most 1 % of seasons may have one (the options' figure); a count with less than one chance
    in a thousand under that rate would refute it.
    """
    rng = np.random.default_rng(2025)
    wrong = 0
    for _ in range(n_seasons):
        f = detector(rng)
        wrong += bool(cuts(draw_season(rng, [f] * 6, light=light)))
    assert binom.sf(wrong - 1, n_seasons, SEEN.false_alarms) > 1e-3


@pytest.mark.parametrize(
    "change",
    [baffle(0.01), dust(0.02), dust(0.015, width=1.0), baffle(-0.008) * dust(0.02, column=200)],
    ids=["baffle", "dust", "narrow dust", "both"],
)
def test_a_change_is_found_at_its_night_and_nowhere_else(change):
    rng = np.random.default_rng(77)
    for night in (1, 3, 5):
        f = detector(rng)
        nights = draw_season(rng, [f] * night + [f * change] * (6 - night))
        assert cuts(nights) == [night]


def test_a_change_is_described_by_what_it_is():
    rng = np.random.default_rng(5)
    f = detector(rng)
    nights = draw_season(rng, [f] * 3 + [f * dust(0.03)] * 3)
    (_, after) = find_intervals(nights, options=SEEN)
    assert after.change.smooth_rms == 0
    strongest = max(after.change.local, key=lambda c: abs(c.amount / c.error))
    assert strongest.columns[0] <= 100 <= strongest.columns[1]
    assert -0.03 < strongest.amount < -0.015
    assert "local change: columns" in after.change.describe()
    nights = draw_season(rng, [f] * 3 + [f * baffle(0.02)] * 3)
    (_, after) = find_intervals(nights, options=SEEN)
    assert after.change.local == ()
    assert after.change.smooth_rms > 0.002
    assert "smooth change of" in after.change.describe()


def test_a_small_change_shows_in_many_nights_only():
    """0.25 % of dust: too little for a night against a night, not for ten against ten."""
    rng = np.random.default_rng(6)
    f = detector(rng)
    nights = draw_season(rng, [f] * 10 + [f * dust(0.0025, width=4.0)] * 10)
    one = compare_groups(nights, [9], [10], n_compared=19, options=SEEN)
    assert not one.changed
    all_of_them = compare_groups(nights, range(10), range(10, 20), n_compared=19, options=SEEN)
    assert all_of_them.changed
    assert len(cuts(nights)) == 1


def test_throughput_and_gradients_are_no_change():
    """A mirror that doubles its light, and moonlight on one side all night."""
    rng = np.random.default_rng(8)
    f = detector(rng)
    nights = [
        draw_night(rng, f"2025-05-{k + 1:02d}", f, throughput=(0.5, 1.0)[k > 2],
                   tilt=(0.0, 0.04)[k == 4])
        for k in range(6)
    ]  # fmt: skip
    assert cuts(nights) == []
    _, problems = combine_nights(nights, options=SEEN)
    (text,) = [p for p in problems if "slopes by" in p]
    assert "night 2025-05-05" in text
    assert "light on one side all night" in text


def test_two_changes_are_two_changes():
    rng = np.random.default_rng(9)
    f = detector(rng)
    steps = [f] * 3 + [f * baffle(0.02)] * 2 + [f * baffle(0.02) * dust(0.03)] * 3
    assert cuts(draw_season(rng, steps)) == [3, 5]


@pytest.mark.parametrize("seed", range(4))
def test_a_night_of_little_light_falls_on_its_own_side_of_a_change(seed):
    """A dark night weighs too little to move a mean: the other side would look as significant."""
    rng = np.random.default_rng(40 + seed)
    f = detector(rng)
    nights = draw_season(rng, [f] * 3 + [f * baffle(0.015) * dust(0.04)] * 3)
    for dark in (2, 3):
        faint = nights[dark].response
        noise = 2e-3 * rng.standard_normal(W)
        weak = replace(faint, value=faint.value + noise, error=np.hypot(faint.error, 2e-3))
        season = [*nights[:dark], replace(nights[dark], response=weak), *nights[dark + 1 :]]
        assert cuts(season) == [3]


def test_a_night_that_stands_apart_does_not_part_its_neighbours():
    """Dew on one night: it gets an interval of its own, the others share all their light."""
    rng = np.random.default_rng(10)
    f = detector(rng)
    nights = draw_season(rng, [f] * 3 + [f * baffle(0.03)] + [f] * 3)
    intervals = find_intervals(nights, options=SEEN)
    assert [(i.first, i.stop) for i in intervals] == [(0, 3), (3, 4), (4, 7)]
    assert intervals[0].members == intervals[2].members == (0, 1, 2, 4, 5, 6)
    assert intervals[1].members == (3,)


def test_masked_columns_show_no_change():
    rng = np.random.default_rng(11)
    f = detector(rng)
    nights = draw_season(rng, [f] * 3 + [f * dust(0.05, width=1.0)] * 3)
    excluded = NONE.copy()
    excluded[90:111] = True
    assert cuts([replace(n, excluded=excluded) for n in nights]) == []
    assert cuts(nights) == [3]


def test_a_column_that_dies_is_a_change():
    rng = np.random.default_rng(12)
    f = detector(rng)
    dead = f.copy()
    dead[50] = 0.02
    nights = draw_season(rng, [f] * 2 + [dead] * 2)
    (_, after) = find_intervals(nights, options=SEEN)
    assert any(c.columns[0] <= 50 <= c.columns[1] for c in after.change.local)


def test_mean_of_nights_reaches_its_floor_and_knows_its_error():
    rng = np.random.default_rng(13)
    f = detector(rng)
    nights = draw_season(rng, [f] * 8)
    combined, problems = combine_nights(nights, options=SEEN)
    miss = combined.value - f
    # Gradients of the sky that never change are not the response's: a slope is free.
    miss = miss - np.polyval(np.polyfit(X, miss, 1), X)
    inverse = sum(n.response.error**-2 for n in nights)
    assert np.std(miss) == pytest.approx(np.sqrt(np.mean(1 / inverse)), rel=0.12)
    assert np.std(miss / combined.error) == pytest.approx(1.0, abs=0.12)
    assert np.nanmean(combined.chi2) == pytest.approx(1.0, abs=0.1)
    assert not [p for p in problems if "raised" in p]
    single = [np.std((n.response.value - f) - np.polyval(np.polyfit(X, n.response.value - f, 1), X))
              for n in nights]  # fmt: skip
    assert np.std(miss) < 0.6 * min(single)


def test_a_column_wrong_on_one_night_is_left_out_there():
    rng = np.random.default_rng(14)
    f = detector(rng)
    nights = draw_season(rng, [f] * 5)
    value = nights[2].response.value.copy()
    value[30] *= 1.05
    nights[2] = replace(nights[2], response=replace(nights[2].response, value=value))
    combined, problems = combine_nights(nights, options=SEEN)
    others, _ = combine_nights([n for k, n in enumerate(nights) if k != 2], options=SEEN)
    ratio = combined.value / others.value
    ratio = ratio - np.polyval(np.polyfit(X, ratio, 1), X)  # the nights' gradients differ
    assert abs(ratio[30]) < 3 * combined.error[30]
    assert any("night 2025-05-03: 1 column(s) stand apart" in p for p in problems)


def test_a_single_night_is_its_own_mean():
    rng = np.random.default_rng(15)
    nights = draw_season(rng, [detector(rng)])
    (only,) = find_intervals(nights, options=SEEN)
    assert (only.first, only.stop, only.members, only.change) == (0, 1, (0,), None)
    combined, problems = combine_nights(nights, options=SEEN)
    assert combined is nights[0].response
    assert problems == ("rests on a single night",)


def test_inputs_are_left_as_they_were():
    rng = np.random.default_rng(16)
    nights = draw_season(rng, [detector(rng)] * 3)
    before = [n.response.value.copy() for n in nights]
    find_intervals(nights, options=SEEN)
    combine_nights(nights, options=SEEN)
    for n, kept in zip(nights, before, strict=True):
        np.testing.assert_array_equal(n.response.value, kept)


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"false_alarms": 0.0}, r"false_alarms must lie within 0..1, received 0.0"),
        ({"modes": 0}, "modes must be at least 1, received 0"),
        ({"widths": ()}, "widths must be positive"),
        ({"least": -1.0}, "least must not be negative"),
        ({"least_smooth": -1.0}, "least_smooth must not be negative"),
        ({"tilt": -1.0}, "tilt must not be negative"),
        ({"light_limit": 0.9}, "light_limit must be at least 1"),
        ({"outlier": 0.0}, "outlier must be positive"),
    ],
)
def test_options_say_what_is_wrong(changes, text):
    with pytest.raises(ValueError, match=text):
        ChangeOptions(**changes)


def test_empty_input_is_refused():
    with pytest.raises(ValueError, match="at least one NightResponse"):
        find_intervals([], options=SEEN)
    with pytest.raises(ValueError, match="at least one NightResponse"):
        combine_nights([], options=SEEN)
    rng = np.random.default_rng(17)
    nights = draw_season(rng, [detector(rng)])
    with pytest.raises(ValueError, match="a night each, received 1 and 0"):
        compare_groups(nights, [0], [], n_compared=1, options=SEEN)


def test_a_night_without_bins_has_no_response():
    rng = np.random.default_rng(18)
    summary = draw_summary(rng, detector(rng))
    empty = replace(summary, count=np.zeros_like(summary.count))
    with pytest.raises(CalibrationError, match="at least 3 bins"):
        fit_response([empty], draw_dark(rng), line_periods=[TAU], n_stage=N_STAGE,
                     options=ResponseOptions())  # fmt: skip
