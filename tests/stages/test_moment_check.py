"""Moments of stars against a prediction: false alarms as stated, and real differences found."""

import numpy as np
import pytest

from pipeline.stages.moment_check import MomentCheckOptions, check_moments

N_COLUMNS = 1024


def make_stars(rng, *, n=800, noise=0.05, change=None):
    """Moments that follow a parabola of columns, noisier where fainter."""
    column = rng.uniform(-0.5, N_COLUMNS - 0.5, n)
    snr = 50.0 * (1 + rng.exponential(2.0, n))
    x = (column - 511.5) / 512.0
    predicted = {"ll": 2.0 + 4.0 * x**2, "lc": 0.8 * x, "cc": 2.2 + 0.3 * x**2}
    measured = {}
    for name, value in predicted.items():
        extra = 0.0 if change is None else change.get(name, lambda x: 0.0 * x)(x)
        measured[name] = value + extra + rng.normal(0, noise * 100 / snr)
    return column, snr, measured, predicted


def check(stars, **options):
    return check_moments(*stars, n_columns=N_COLUMNS, options=MomentCheckOptions(**options))


@pytest.mark.parametrize("n", [120, 800])
def test_chance_is_uniform_where_noise_is_all_there_is(n):
    """One in twenty of the panels has a chance below 1/20: nothing is forgiven or invented."""
    chances = []
    for seed in range(150):
        found = check(make_stars(np.random.default_rng(seed), n=n), allowance=0.0)
        chances += [panel.chance for panel in found.panels.values()]
    chances = np.array(chances)
    share = np.mean(chances < 0.05)
    # Four standard errors of 450 draws.
    assert 0.02 < share < 0.09
    assert abs(np.mean(chances) - 0.5) < 0.07


def test_strips_that_agree_rarely_raise_an_alarm():
    alarms = sum(
        bool(check(make_stars(np.random.default_rng(seed), n=800)).disagreeing)
        for seed in range(1000, 1300)
    )
    assert alarms <= 2


def test_seeing_of_another_level_is_no_disagreement():
    broad = {"ll": lambda x: 0.3 + 0 * x, "cc": lambda x: 0.3 + 0 * x}
    found = check(make_stars(np.random.default_rng(1), change=broad))
    assert found.disagreeing == ()
    assert abs(found.level - 0.3) < 4 * found.level_err
    assert "follow the fitted geometry" in found.sentence()


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("ll", lambda x: 0.4 * x**2),  # a tenth of the smear along the scan
        ("lc", lambda x: 0.15 + 0 * x),  # a camera turned
        ("cc", lambda x: 0.25 * x),
    ],
)
def test_a_wrong_smear_is_found_and_named_with_its_column(name, change):
    found = check(make_stars(np.random.default_rng(2), change={name: change}))
    assert name in found.disagreeing
    text = found.sentence()
    assert "do not follow the fitted geometry" in text
    assert "at column" in text
    assert "one strip of 1000" in text
    content = found.to_dict()
    assert content["disagreeing"] == list(found.disagreeing)
    assert len(content[name]["difference"]) == 16


def test_one_axis_alone_is_not_taken_for_seeing():
    """Smear across the scan of the same size everywhere: seeing would widen both axes."""
    found = check(make_stars(np.random.default_rng(3), change={"cc": lambda x: 0.3 + 0 * x}))
    assert set(found.disagreeing) >= {"cc"}


def test_a_few_galaxies_and_blends_raise_no_alarm():
    rng = np.random.default_rng(4)
    column, snr, measured, predicted = make_stars(rng)
    odd = rng.choice(column.size, 25, replace=False)
    for values in measured.values():
        values[odd] += rng.uniform(-2, 5, odd.size)
    assert check((column, snr, measured, predicted)).disagreeing == ()


def test_too_few_stars_are_not_compared():
    assert check(make_stars(np.random.default_rng(5), n=12)) is None
    column, snr, measured, predicted = make_stars(np.random.default_rng(6), n=500)
    measured["ll"][:] = np.nan
    assert check((column, snr, measured, predicted)) is None


def test_options_are_checked():
    with pytest.raises(ValueError, match=r"false_alarm must lie between 0 and 1, got 0"):
        MomentCheckOptions(false_alarm=0)
    with pytest.raises(ValueError, match=r"allowance must not be negative, got -1"):
        MomentCheckOptions(allowance=-1)
