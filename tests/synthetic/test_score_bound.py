"""Bounds of flux and position against closed forms for a Gaussian."""

import math

import numpy as np
import pytest

from synthetic.score_bound import Bounds, compute_bounds

# A Moffat profile of a large exponent is a Gaussian: (1 + x/b)^-b -> exp(-x).
_GAUSSIAN = 400.0
_TO_FWHM = 2.0 * math.sqrt(2.0 * math.log(2.0))


def bound_one(sigma, flux, background, *, moments=(0.0, 0.0, 0.0), line=0.3, response=1.0):
    one = np.ones(1)
    result: Bounds = compute_bounds(
        line * one,
        20.1 * one,
        flux * one,
        fwhm=sigma * _TO_FWHM * one,
        moments=np.array([moments], dtype=float),
        response=response * one,
        background=background * one,
        beta=_GAUSSIAN,
    )
    return {key: float(getattr(result, key)[0]) for key in vars(result)}


def test_faint_gaussian_has_the_analytic_bounds():
    """Sky-limited: sigma_F = 2 sigma sqrt(pi B), sigma_x = sqrt(2) sigma sigma_F / F.

    Analytic (Fisher information of a Gaussian in white noise; cf. Mendez et al. 2013, PASP 125,
    580). The pixel adds 1/12 to the variance up to terms of order 1/sigma^4, 0.3 % at sigma 2.
    """
    sigma, flux, background = 2.0, 10.0, 900.0
    wide = math.sqrt(sigma**2 + 1.0 / 12.0)
    got = bound_one(sigma, flux, background)
    noise = 2.0 * wide * math.sqrt(math.pi * background)
    assert got["matched"] == pytest.approx(noise, rel=5e-3)
    assert got["flux"] == pytest.approx(noise, rel=5e-3)
    assert got["line"] == pytest.approx(math.sqrt(2.0) * wide * noise / flux, rel=5e-3)
    assert got["column"] == pytest.approx(got["line"], rel=2e-3)


def test_bright_gaussian_is_limited_by_its_own_photons():
    """Photon-limited: sigma_F = sqrt(F), sigma_x = sigma / sqrt(F) (analytic)."""
    sigma, flux = 2.0, 1e6
    wide = math.sqrt(sigma**2 + 1.0 / 12.0)
    got = bound_one(sigma, flux, 1e-6)
    assert got["flux"] == pytest.approx(math.sqrt(flux), rel=5e-3)
    assert got["line"] == pytest.approx(wide / math.sqrt(flux), rel=1e-2)


def test_path_widens_the_axis_that_it_runs_along():
    """A Gaussian path along the lines leaves an elliptical Gaussian with known bounds."""
    sigma, flux, background, ll = 2.0, 10.0, 900.0, 1.5
    wide_l, wide_c = math.sqrt(sigma**2 + ll + 1 / 12), math.sqrt(sigma**2 + 1 / 12)
    got = bound_one(sigma, flux, background, moments=(ll, 0.0, 0.0))
    noise = 2.0 * math.sqrt(math.pi * background * wide_l * wide_c)
    assert got["flux"] == pytest.approx(noise, rel=1e-2)
    assert got["line"] == pytest.approx(math.sqrt(2.0) * wide_l * noise / flux, rel=2e-2)
    assert got["column"] == pytest.approx(math.sqrt(2.0) * wide_c * noise / flux, rel=1e-2)


def test_oblique_path_is_the_rotated_path():
    """Turning the path by a right angle exchanges the axes; 45 degrees makes them equal."""
    along = bound_one(1.5, 100.0, 100.0, moments=(0.8, 0.0, 0.1), line=20.1)
    across = bound_one(1.5, 100.0, 100.0, moments=(0.1, 0.0, 0.8), line=20.1)
    oblique = bound_one(1.5, 100.0, 100.0, moments=(0.45, 0.35, 0.45), line=20.1)
    assert along["line"] == pytest.approx(across["column"], rel=1e-6)
    assert along["flux"] == pytest.approx(across["flux"], rel=1e-6)
    assert oblique["line"] == pytest.approx(oblique["column"], rel=1e-6)
    assert oblique["flux"] == pytest.approx(along["flux"], rel=5e-3)


def test_response_scales_the_light():
    """With a response of one half a background-limited star has twice the noise."""
    full = bound_one(1.5, 10.0, 400.0)
    half = bound_one(1.5, 10.0, 400.0, response=0.5)
    assert half["matched"] == pytest.approx(2.0 * full["matched"], rel=1e-9)


def test_moffat_peak_is_the_pixel_integral():
    """The share of the brightest pixel equals a fine sum over that pixel.

    Three nodes a pixel leave 2e-5 at this width; a bound needs no better than 1e-3.
    """
    beta, fwhm = 3.5, 2.6
    result = compute_bounds(
        np.array([0.0]),
        np.array([0.0]),
        np.array([1.0]),
        fwhm=np.array([fwhm]),
        moments=np.zeros((1, 3)),
        response=np.ones(1),
        background=np.ones(1),
        beta=beta,
    )
    core2 = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / beta) - 1.0)
    x = (np.arange(400) + 0.5) / 400 - 0.5
    fine = (beta - 1) / (math.pi * core2) * (1 + (x[:, None] ** 2 + x**2) / core2) ** -beta
    assert result.peak[0] == pytest.approx(np.mean(fine), rel=1e-4)


@pytest.mark.parametrize(
    ("key", "value", "match"),
    [("flux", 0.0, "flux must be positive"), ("background", -1.0, "background must be positive")],
)
def test_senseless_input_is_refused(key, value, match):
    """The message names the parameter."""
    arguments = {"sigma": 1.5, "flux": 10.0, "background": 10.0, key: value}
    with pytest.raises(ValueError, match=match):
        bound_one(**arguments)


def test_exponent_of_one_is_refused():
    """A Moffat profile of exponent 1 has no finite flux."""
    one = np.ones(1)
    with pytest.raises(ValueError, match="beta must be above 1"):
        compute_bounds(
            one,
            one,
            one,
            fwhm=one,
            moments=np.zeros((1, 3)),
            response=one,
            background=one,
            beta=1.0,
        )
