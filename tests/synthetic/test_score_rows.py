"""Verdicts and the statistics behind them."""

import json
import math

import numpy as np
import pytest

from synthetic.score import find_exit_code, make_table, write_json
from synthetic.score_detection import fit_half_completeness
from synthetic.score_fluxes import fit_trend
from synthetic.score_match import match_mutually, sum_neighbours
from synthetic.score_rows import (
    clipped_mean,
    clipped_rms,
    judge,
    judge_absent,
    judge_unmeasurable,
    robust_spread,
)
from synthetic.score_world import find_value


def test_limits_decide_the_verdict():
    """Upper, strict upper and two-sided limits."""
    assert judge("a", 1.0, high=1.0, n=1).ok is True
    assert judge("a", 1.0, high=1.0, n=1, strict=True).ok is False
    assert judge("a", -0.2, low=-0.1, high=0.1, n=1).ok is False
    assert judge("a", 0.96, low=0.95, high=1.05, n=1).target == "0.95 to 1.05"
    assert judge("a", 0.96, low=-1, high=1, n=1).target == "within +-1"


def test_failures_override_a_good_value():
    """A missing product makes a row fall short whatever the rest says."""
    row = judge("a", 0.0, high=1.0, n=1, notes=["fine"], failures=["no catalogue of x", ""])
    assert row.verdict == "falls short"
    assert row.note == "no catalogue of x; fine"


def test_value_with_a_large_error_decides_only_when_clearly_outside():
    """An error above half the room: not measured, unless two errors beyond the limit."""
    assert judge("a", 0.2, high=1.0, n=1, error=0.4).ok is True
    inside = judge("a", 0.2, high=1.0, n=1, error=0.6)
    assert inside.verdict == "not measured"
    assert inside.value == 0.2
    assert judge("a", 2.1, high=1.0, n=1, error=0.6).ok is None
    assert judge("a", 2.3, high=1.0, n=1, error=0.6).ok is False
    assert judge("a", 0.2, high=1.0, n=1, error=0.6, failures=["no file"]).ok is False
    pull = {"low": 0.95, "high": 1.05, "n": 1, "tolerance": 0.05}
    assert judge("a", 0.9, error=0.02, **pull).ok is False
    assert judge("a", 0.9, error=0.03, **pull).ok is None
    assert judge("a", 0.85, error=0.03, **pull).ok is False


def test_value_that_is_not_finite_falls_short():
    """NaN neither passes nor reaches the JSON file."""
    row = judge("a", math.nan, high=1.0, n=1)
    assert row.ok is False
    assert row.value is None


def test_exit_code_counts_only_rows_that_fall_short():
    """Rows that were not measured do not fail the run; absent ones do."""
    good = judge("a", 0.0, high=1.0, n=1)
    unknown = judge_unmeasurable("b", "too few", high=1.0)
    absent = judge_absent("c", "no file", high=1.0)
    assert unknown.verdict == "not measured"
    assert find_exit_code([good, unknown]) == 0
    assert find_exit_code([good, absent]) == 1


def test_json_is_a_list_with_the_agreed_keys(tmp_path):
    """Every object has figure, value, target, ok and the extras."""
    rows = [judge("a", 0.5, high=1.0, n=3), judge_unmeasurable("b", "too few", high=1.0)]
    path = tmp_path / "score.json"
    write_json(rows, path)
    read = json.loads(path.read_text())
    assert [sorted(item) for item in read] == [
        ["figure", "n", "note", "ok", "target", "unit", "value"]
    ] * 2
    assert [item["ok"] for item in read] == [True, None]
    assert make_table(rows).row_count == 2


def test_spread_of_a_gaussian_is_its_deviation():
    """Half the 16-84 range; a few wild values do not matter."""
    x = np.random.default_rng(1).normal(3.0, 2.0, 20000)
    x[:20] = 1e6
    assert robust_spread(x) == pytest.approx(2.0, rel=0.03)
    assert math.isnan(robust_spread(np.array([1.0, np.nan])))


def test_clipped_rms_forgives_few_outliers_only():
    """Below the allowed share outliers are left out, above it they count."""
    x = np.random.default_rng(2).normal(0.0, 1.0, 1000)
    few, many = x.copy(), x.copy()
    few[:5] = 100.0
    many[:50] = 100.0
    assert clipped_rms(few, n_sigma=5.0, allowed=0.01)[0] == pytest.approx(1.0, rel=0.1)
    rms, share = clipped_rms(many, n_sigma=5.0, allowed=0.01)
    assert rms > 20.0
    assert share == pytest.approx(0.05)
    assert math.isnan(clipped_rms(np.array([np.nan]), n_sigma=5.0, allowed=0.01)[0])


def test_clipped_mean_has_an_honest_error():
    """Over many draws (mean - truth) / error has unit spread."""
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(400):
        sigma = rng.uniform(0.5, 2.0, 60)
        mean, error = clipped_mean(rng.normal(1.0, sigma), 1.0 / sigma**2, n_sigma=5.0)
        pulls.append((mean - 1.0) / error)
    # Standard error of the spread: 1 / sqrt(800) = 0.035.
    assert np.std(pulls) == pytest.approx(1.0, abs=0.11)
    assert math.isnan(clipped_mean(np.ones(2), np.ones(2), n_sigma=3.0)[0])


def test_trend_is_recovered_with_its_extent():
    """A parabola of known height over the columns comes back within its error."""
    rng = np.random.default_rng(4)
    column = rng.uniform(0.0, 1023.0, 4000)
    x = 2.0 * column / 1023.0 - 1.0
    errors = rng.uniform(2.0, 6.0, column.size)
    values = 5.0 + 1.5 * x + 2.0 * x**2 + rng.normal(0.0, errors)
    values[:20] += 300.0
    trend = fit_trend(column, values, errors, n_columns=1024, n_sigma=4.0)
    # Extent of 1.5 x + 2 x^2 over -1..1: 3.5 at 1, minimum -0.28125 at x = -0.375.
    assert trend.extent == pytest.approx(3.78125, abs=4.0 * trend.error)
    assert 0.05 < trend.error < 0.5


@pytest.mark.parametrize("shift", [0.0, 0.25])
def test_half_completeness_recovers_a_lost_depth(shift):
    """Stars found as by a filter that is `shift` mag shallower."""
    rng = np.random.default_rng(5)
    sn = 10.0 ** rng.uniform(0.2, 1.3, 6000)
    found = sn / 10.0 ** (0.4 * shift) + rng.normal(size=sn.size) > 5.0
    got, error, top = fit_half_completeness(sn, found, threshold=5.0, chance=0.0)
    assert got == pytest.approx(shift, abs=4.0 * error)
    assert error < 0.03
    assert top > 0.99


def test_half_completeness_allows_for_chance_coincidences():
    """Unrelated entries beside missed stars do not make the catalogue look deeper."""
    rng = np.random.default_rng(6)
    sn = 10.0 ** rng.uniform(0.2, 1.3, 8000)
    found = (sn + rng.normal(size=sn.size) > 5.0) | (rng.uniform(size=sn.size) < 0.1)
    got, error, _ = fit_half_completeness(sn, found, threshold=5.0, chance=0.1)
    assert got == pytest.approx(0.0, abs=4.0 * error)


def test_pairs_are_mutual():
    """Two points near one partner: only the nearer one gets it."""
    first = np.array([[0.0, 0.0], [0.0, 1.0], [50.0, 50.0]])
    second = np.array([[0.0, 0.9], [80.0, 0.0]])
    i, j = match_mutually(first, second, 2.0)
    assert i.tolist() == [1]
    assert j.tolist() == [0]
    assert match_mutually(first, np.empty((0, 2)), 2.0)[0].size == 0


def test_neighbour_light_grows_with_flux_and_nearness():
    """The share is symmetric in place, proportional to flux, and negligible far away."""
    place = np.array([[0.0, 0.0], [0.0, 10.0], [500.0, 500.0]])
    share = sum_neighbours(place, np.array([1.0, 10.0, 1.0]), fwhm=2.5, beta=3.5)
    assert share[0] == pytest.approx(100.0 * share[1])
    assert share[2] == 0.0


def test_neighbour_light_is_the_overlap_of_two_profiles():
    """Compared with a sum over a fine grid of its own, near and far."""
    beta, fwhm = 3.5, 2.5
    core2 = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / beta) - 1.0)
    x = np.arange(-90.0, 90.4, 0.4)

    def profile(offset):
        return (1.0 + ((x[:, None] - offset) ** 2 + x**2) / core2) ** -beta

    for distance, tolerance in ((3.0, 0.01), (6.1, 0.02), (25.0, 0.02), (50.0, 0.1)):
        true = np.sum(profile(0.0) * profile(distance)) / np.sum(profile(0.0) ** 2)
        place = np.array([[0.0, 0.0], [distance, 0.0]])
        bright = np.array([1.0, 1e4])
        got = sum_neighbours(place, bright, fwhm=fwhm, beta=beta)[0] / 1e4
        assert got == pytest.approx(true, rel=tolerance)


def test_smear_brings_neighbours_along_the_scan_nearer():
    """Compared with the overlap of two smeared profiles: right where it is large, else no less."""
    beta, fwhm, length = 3.5, 2.9, 11.5
    core2 = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / beta) - 1.0)
    x = np.arange(-60.0, 60.4, 0.4)
    path = np.linspace(-length / 2, length / 2, 47)

    def profile(line, column):
        across = (x - column) ** 2
        along = ((x - line)[:, None] - path) ** 2
        return np.mean((1.0 + (along[:, :, None] + across) / core2) ** -beta, axis=1)

    own = profile(0.0, 0.0)
    smear = np.array([[length**2 / 12, 0.0, 0.0]] * 2)
    for place in ((3.0, 0.0), (6.0, 0.0), (9.0, 0.0), (12.0, 0.0), (16.0, 0.0), (0.0, 4.0)):
        true = np.sum(own * profile(*place)) / np.sum(own**2)
        got = sum_neighbours(
            np.array([[0.0, 0.0], place]), np.array([1.0, 1e4]), fwhm=fwhm, beta=beta, smear=smear
        )[0] / 1e4  # fmt: skip
        if true > 0.1:
            assert got == pytest.approx(true, rel=0.15)
        assert 0.85 * true < got < true + 0.08


def test_values_are_found_at_any_level_but_not_in_the_guess():
    """Outer keys win, and what the configuration was told is not the truth."""
    tree = {"guess": {"pixel_scale": 1.0}, "camera": {"pixel_scale": 2.0, "deep": {"beta": 3.0}}}
    assert find_value(tree, "pixel_scale_arcsec", "pixel_scale") == 2.0
    assert find_value(tree, "beta") == 3.0
    assert find_value(tree, "nothing") is None
