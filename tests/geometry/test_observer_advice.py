import json
from dataclasses import replace

import numpy as np
import pytest

from pipeline.geometry.advice import make_advice


def with_errors(solution):
    return replace(
        solution,
        parameter_names=("declination_deg", "pixel_scale_arcsec", "rotation_deg"),
        covariance=np.diag([1e-5, 1e-4 * 0.55, 1e-3]) ** 2,
    )


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("optical_centre", [None, (100.0, 800.0)])
def test_followed_advice_removes_the_smear(telescope, sign, optical_centre):
    """With advised rotation and line period only curvature remains; new advice: no change."""
    _, truth = telescope.make_pair(
        rotation=0.4, mismatch=1.003, column_sign=sign, optical_centre=optical_centre
    )
    advice = make_advice(with_errors(truth), nominal_pixel_scale=0.55)
    turned = truth.with_parameters(
        rotation_deg=truth.parameters["rotation_deg"] - advice.rotation_deg.value
    )
    better = replace(turned, line_period=advice.line_period.value)
    again = make_advice(better, nominal_pixel_scale=0.55)
    # Turning about an optical axis off the chip's middle changes its declination: second order.
    assert again.rotation_deg.value == pytest.approx(0, abs=1e-3)
    assert again.line_period_change.value == pytest.approx(0, abs=1e-5)
    assert again.smear_column_now == pytest.approx(advice.smear_column_new, rel=0.01)
    assert advice.smear_column_new < 0.1 * advice.smear_column_now
    assert advice.smear_line_new < advice.smear_line_now


def test_matched_rate_is_one_row_per_line(telescope):
    """scale omega cos(d) tau = 1 at the middle of the chip, to the order W^2 of the field."""
    _, truth = telescope.make_pair(declination_off=0.0)
    advice = make_advice(truth, nominal_pixel_scale=0.55)
    cos_d = np.cos(np.radians(truth.axis_declination_deg))
    rate = truth.camera.scale * truth.rate * cos_d * advice.line_period.value
    assert rate == pytest.approx(1, abs=3e-6)


def test_costs_are_the_mean_moments(telescope):
    """A rate off by 0.3 % smears n_stage lines by 3 px: 3.07 / sqrt(12) rms in the middle."""
    _, truth = telescope.make_pair(rotation=0.0, scale=1.0, declination_off=0.0, mismatch=1.003)
    advice = make_advice(truth, nominal_pixel_scale=0.55)
    edge = 1024 * np.tan(np.radians(46.2)) * 511.5 / truth.camera.scale  # along-scan at the edge
    # Uniform columns: the mean square of a linear run is a third of the edge's.
    expected = np.sqrt((0.003 * 1024) ** 2 / 12 + edge**2 / 3 / 12)
    assert advice.smear_line_now == pytest.approx(expected, rel=0.01)


def test_spin_rate_follows_the_focal_length(telescope):
    """f = g / (2 Omega^2): a pixel scale 0.2 % too large means a spin 0.1 % too fast."""
    _, truth = telescope.make_pair(scale=1.002)
    advice = make_advice(with_errors(truth), nominal_pixel_scale=0.55)
    spin, nominal = 2 * np.pi / 8.5, 0.55  # an invented mirror
    focal = 9.81 / (2 * (spin * (1 + advice.spin_rate_error.value)) ** 2)
    assert 9.81 / (2 * spin**2) / focal * nominal == pytest.approx(0.55 * 1.002, rel=1e-9)
    # Half the relative error of the pixel scale (1e-4).
    assert advice.spin_rate_error.error == pytest.approx(0.5e-4, rel=0.01)


def test_errors_are_propagated(telescope):
    _, truth = telescope.make_pair()
    advice = make_advice(with_errors(truth), nominal_pixel_scale=0.55)
    assert advice.rotation_deg.error == pytest.approx(1e-3, rel=0.01)
    # tau ~ pixel scale / cos(d): 1e-4, and 1e-5 deg of declination is nothing.
    assert advice.line_period_change.error == pytest.approx(1e-4, rel=0.01)
    bare = make_advice(truth, nominal_pixel_scale=0.55)
    assert np.isnan(bare.line_period.error)


def test_words_and_numbers(telescope):
    _, truth = telescope.make_pair()
    advice = make_advice(truth, nominal_pixel_scale=0.55)
    stored = json.loads(json.dumps(advice.to_dict(), allow_nan=False))
    assert stored["rotation_deg"]["error"] is None
    assert stored["rotation_deg"]["value"] == advice.rotation_deg.value
    sentences = advice.sentences(liquid_mirror=True)
    assert advice.sentences(liquid_mirror=False) == sentences[:2]
    assert len(sentences) == 3
    assert f"{advice.line_period.value:.7f} s" in sentences[0]


def test_nominal_scale_must_be_positive(telescope):
    with pytest.raises(ValueError, match="nominal_pixel_scale must be positive, got 0"):
        make_advice(telescope.make_pair()[1], nominal_pixel_scale=0)
