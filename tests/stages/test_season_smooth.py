"""Smooth patterns of a season from its darkest nights, against responses drawn with numpy."""

import numpy as np
import pytest

from pipeline.stages.season_smooth import combine_smooth

W = 512
X = np.linspace(-1.0, 1.0, W)
ERROR = 6e-4


def draw(rng, sky, *, light):
    """Nights whose response is bent by additive light in proportion to their extra sky."""
    truth = 1.0 + 0.05 * np.cos(3.0 * X) + 0.01 * rng.standard_normal(W)
    extra = 1.0 - sky.min() / sky
    bend = light * np.sqrt(2.0) * np.cos(np.pi * (X + 1.0))
    value = truth * (1.0 + extra[:, None] * bend) + ERROR * rng.standard_normal((sky.size, W))
    weight = np.full(value.shape, ERROR**-2)
    return truth, value, weight


@pytest.mark.parametrize("seed", range(4))
def test_light_of_moonlit_nights_is_left_out(seed):
    rng = np.random.default_rng(seed)
    sky = np.array([300.0, 650.0, 420.0, 310.0])
    truth, value, weight = draw(rng, sky, light=0.005)
    mean = value.mean(axis=0)
    smooth = combine_smooth(value, weight, mean, sky, modes=12, unseen_light=0.005)
    floor = ERROR / 2.0
    before, after = mean - truth, mean * (1.0 + smooth.correction) - truth
    before, after = before - before.mean(), after - after.mean()
    assert np.std(before) > 3.0 * floor  # what the correction is for
    assert np.std(after) < 1.25 * floor
    assert smooth.shares[1] < 0.05
    claimed = np.sqrt(floor**2 + smooth.variance)
    assert np.std(after / claimed) == pytest.approx(1.0, abs=0.15)


def test_little_is_lost_where_there_is_no_light():
    """At worst 12 of 512 patterns rest on one night in four: 3.5 % of the error."""
    loss = []
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        sky = np.array([300.0, 650.0, 420.0, 310.0])
        truth, value, weight = draw(rng, sky, light=0.0)
        mean = value.mean(axis=0)
        smooth = combine_smooth(value, weight, mean, sky, modes=12, unseen_light=0.005)
        loss.append(np.std(mean * (1 + smooth.correction) - truth) / (ERROR / 2.0))
    assert np.median(loss) < 1.04


def test_fine_structure_is_left_alone():
    """Whatever the nights' weights: dust and columns stay those of the mean."""
    rng = np.random.default_rng(3)
    sky = np.array([300.0, 900.0])
    _, value, weight = draw(rng, sky, light=0.004)
    mean = value.mean(axis=0)
    correction = combine_smooth(value, weight, mean, sky, modes=12, unseen_light=0.005).correction
    assert np.abs(np.diff(correction)).max() < 0.1 * np.abs(correction).max()


def test_nights_without_values_and_a_sky_not_known():
    value, weight = np.ones((2, W)), np.zeros((2, W))
    none = combine_smooth(value, weight, np.ones(W), np.ones(2), modes=12, unseen_light=0.005)
    assert not none.correction.any()
    assert none.shares.sum() == pytest.approx(1.0)
    weight[0] = 1e6
    one = combine_smooth(
        value, weight, np.ones(W), np.array([np.nan, 300.0]), modes=12, unseen_light=0.005
    )
    assert one.shares.tolist() == [1.0, 0.0]
