"""Windowed centroids and moments, against closed formulae, photutils and Monte Carlo."""

import numpy as np
import pytest
from photutils.centroids import centroid_2dg
from scipy.stats import norm

from pipeline.stages.cutouts import stack_cutouts
from pipeline.stages.moments import measure_moments, predict_moments
from pipeline.stages.psf_model import make_psf_model


def gaussian(half, d_line, d_column, ll, lc, cc):
    """Elliptical Gaussian of unit flux at pixel centres."""
    at = np.arange(-half, half + 1)
    l, c = at[:, None] - d_line, at - d_column
    det = ll * cc - lc**2
    return np.exp(-0.5 * (cc * l**2 - 2 * lc * l * c + ll * c**2) / det) / (2 * np.pi * det**0.5)


@pytest.mark.parametrize("moments", [(2.0, 0.0, 2.0), (4.0, 1.0, 2.5), (2.5, -0.8, 4.5)])
def test_the_window_divides_out_for_gaussian_light(moments):
    image = 1e5 * gaussian(20, 0.3, -0.2, *moments)
    m = measure_moments(stack_cutouts(image[None], 1.0, d_line=0.0, d_column=0.0), 1.6)
    assert (m.d_line[0], m.d_column[0]) == pytest.approx((0.3, -0.2), abs=1e-4)
    # The window is cut at four standard deviations.
    assert (m.mom_ll[0], m.mom_lc[0], m.mom_cc[0]) == pytest.approx(moments, abs=0.01)


def test_pixels_add_a_twelfth_to_each_axis():
    edge = np.arange(-15, 17) - 0.5
    side = np.diff(norm.cdf(edge, 0.0, 1.5))
    image = 1e5 * np.outer(side, side)
    m = measure_moments(stack_cutouts(image[None], 1.0, d_line=0.0, d_column=0.0), 1.5)
    assert m.mom_ll[0] == pytest.approx(1.5**2 + 1 / 12, rel=2e-3)


def test_pulls_are_unit():
    """1500 noisy stars: the spread is known to 1.8 %."""
    rng = np.random.default_rng(1)
    truth = (0.2, -0.1, 3.0, 0.6, 2.0)
    clean = 3e4 * gaussian(12, *truth)
    data = rng.poisson(np.broadcast_to(clean + 200, (1500, 25, 25))) - 200.0
    m = measure_moments(stack_cutouts(data, 200.0, d_line=0.0, d_column=0.0), 1.6)
    for value, err, true in (
        (m.d_line, m.line_err, truth[0]),
        (m.d_column, m.column_err, truth[1]),
        (m.mom_ll, m.ll_err, truth[2]),
        (m.mom_lc, m.lc_err, truth[3]),
        (m.mom_cc, m.cc_err, truth[4]),
    ):
        pull = (value - true) / err
        assert np.std(pull) == pytest.approx(1.0, abs=0.08)
        assert np.mean(pull) == pytest.approx(0.0, abs=0.15)


def test_centroids_agree_with_photutils_gaussian_fits():
    rng = np.random.default_rng(2)
    d = rng.uniform(-0.5, 0.5, (2, 10))
    images = np.stack([2e5 * gaussian(10, a, b, 2.0, 0.3, 2.4) for a, b in d.T])
    noisy = rng.poisson(images + 50) - 50.0
    m = measure_moments(stack_cutouts(noisy, 50.0, d_line=0.0, d_column=0.0), 1.5)
    for k in range(10):
        x, y = centroid_2dg(noisy[k])
        # Both are near optimal; unweighted fit and window differ within the noise.
        assert abs(m.d_column[k] - (x - 10)) < 5 * m.column_err[k]
        assert abs(m.d_line[k] - (y - 10)) < 5 * m.line_err[k]


def test_prediction_is_what_stars_of_the_model_are_measured_to_have():
    def path(columns):
        x, w = np.polynomial.legendre.leggauss(16)
        extent = (np.atleast_1d(columns) - 128.0) / 128.0 * 3.0
        return (
            extent[:, None] * x / 2,
            np.zeros((extent.size, 16)),
            np.broadcast_to(w, (extent.size, 16)),
        )

    nodes = np.linspace(0, 255, 14)
    model = make_psf_model([0.0], [2.4], nodes, beta=3.0, path=path, optics=None, half_size=20)
    lines, columns = np.array([10.3, 20.4, 30.1]), np.array([0.2, 128.3, 254.6])
    expected = predict_moments(model, lines, columns, 1.3)
    images = [1e5 * model.render(l, c, 12) for l, c in zip(lines, columns, strict=True)]
    cut = stack_cutouts(
        images, 1.0, d_line=lines - np.rint(lines), d_column=columns - np.rint(columns)
    )
    m = measure_moments(cut, 1.3)
    for name in ("mom_ll", "mom_lc", "mom_cc"):
        # A sampled window depends a little on where in the pixel the star lies.
        np.testing.assert_allclose(getattr(m, name), getattr(expected, name), atol=0.01)
    # An even smear of 1.5 px adds 1.5^2/12; for nearly Gaussian light about as much is measured.
    core = make_psf_model([0.0], [2.8], nodes, beta=15.0, path=path, optics=None, half_size=20)
    ll = predict_moments(core, [0.0, 0.0], [64.0, 128.0], 1.4).mom_ll
    assert ll[0] - ll[1] == pytest.approx(1.5**2 / 12, rel=0.1)


def test_no_light_gives_nan():
    cut = stack_cutouts(np.full((1, 11, 11), -1.0), 1.0, d_line=0.0, d_column=0.0)
    m = measure_moments(cut, 1.5)
    assert np.isnan(m.d_line[0])
    assert np.isnan(m.mom_ll[0])


def test_refuses_a_window_without_width():
    cut = stack_cutouts(np.ones((1, 11, 11)), 1.0, d_line=0.0, d_column=0.0)
    with pytest.raises(ValueError, match="window: must be positive"):
        measure_moments(cut, 0.0)
