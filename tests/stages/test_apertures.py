"""Aperture fluxes, against closed formulae and photutils on the same pixels."""

from dataclasses import fields

import numpy as np
import pytest
from photutils.aperture import CircularAperture, EllipticalAperture, aperture_photometry
from scipy.stats import norm

from pipeline.flags import SourceFlag
from pipeline.stages.apertures import TotalOptions, light_share, measure_aperture, measure_total
from pipeline.stages.cutouts import Cutouts, stack_cutouts

OPTIONS = TotalOptions()


def radii(half, d_line, d_column, fine):
    """Distances of sub-pixels from the source."""
    at = np.arange(-half * fine - fine // 2, half * fine + fine // 2 + 1) / fine
    return np.hypot(at[:, None] - d_line, at - d_column)


def sampled(profile, half, *, d_line=0.0, d_column=0.0, fine=5):
    """Circular profile averaged over pixels, normalised as it comes."""
    r = radii(half, d_line, d_column, fine)
    n = 2 * half + 1
    return profile(r).reshape(n, fine, n, fine).mean(axis=(1, 3))


def moffat(fwhm, beta):
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return lambda r: (beta - 1) / (np.pi * core**2) * (1 + (r / core) ** 2) ** -beta


def one(image, *, variance=1.0, d_line=0.0, d_column=0.0):
    return stack_cutouts(image[None], variance, d_line=d_line, d_column=d_column)


@pytest.mark.parametrize("radius", [0.7, 2.0, 5.37])
def test_an_image_of_ones_has_the_area_of_the_circle(radius):
    for offset in (0.0, 0.31, -0.5):
        cut = one(np.ones((15, 15)), d_line=offset, d_column=0.2)
        r = measure_aperture(cut, radius=radius)
        assert r.flux[0] == pytest.approx(np.pi * radius**2, rel=1e-6)
        # Background variance plus the photons of the flux: twice the area.
        assert r.flux_err[0] == pytest.approx(np.sqrt(2 * np.pi * radius**2), rel=1e-6)


def test_gaussian_light_within_multiples_of_the_fwhm():
    """0.5, 0.71515, 0.9375 and 0.998047 at r = 0.5, 0.673, 1 and 1.5 FWHM (analytic)."""
    fwhm = 12.0
    sigma = fwhm / np.sqrt(8 * np.log(2))
    edge = np.arange(-30, 32) - 0.5
    image = 1e5 * np.outer(*[np.diff(norm.cdf(edge, d, sigma)) for d in (0.2, -0.3)])
    cut = one(image, d_line=0.2, d_column=-0.3)
    for r, fraction in ((0.5, 0.5), (0.673, 0.71515), (1.0, 0.9375), (1.5, 0.998047)):
        # Within a pixel light is taken as even, which blurs the rim: sigma^2 grows by 1/12.
        flux = measure_aperture(cut, radius=r * fwhm).flux[0] / 1e5
        assert flux == pytest.approx(fraction, abs=0.0025)


@pytest.mark.parametrize(
    ("beta", "fractions"),
    [
        (2.5, (0.34025, 0.70916, 0.93382, 0.97738)),
        (3.0, (0.37004, 0.75963, 0.96242, 0.99068)),
        (4.765, (0.42171, 0.83974, 0.99111, 0.99920)),
    ],
)
def test_moffat_light_within_multiples_of_the_fwhm(beta, fractions):
    """1-(1+(r/a)^2)^(1-beta) at r = 0.5, 1, 2 and 3 FWHM."""
    fwhm = 20.0
    cut = one(1e5 * sampled(moffat(fwhm, beta), 62))
    for r, fraction in zip((0.5, 1.0, 2.0, 3.0), fractions, strict=True):
        flux = measure_aperture(cut, radius=r * fwhm).flux[0] / 1e5
        # Pixels blur the rim a little: 1/12 px^2 against a core of about 70 px^2 per axis.
        assert flux == pytest.approx(fraction, abs=0.001)


def test_agrees_with_photutils_on_the_same_pixels():
    rng = np.random.default_rng(1)
    images = rng.normal(20, 10, (12, 31, 31)).astype(np.float32)
    variances = rng.uniform(50, 150, images.shape).astype(np.float32)
    d = rng.uniform(-0.5, 0.5, (2, 12))
    cut = stack_cutouts(images, variances, d_line=d[0], d_column=d[1])
    ours = measure_aperture(cut, radius=4.3)
    for k in range(12):
        at = (15 + d[1, k], 15 + d[0, k])
        theirs = aperture_photometry(
            images[k].astype(float),
            CircularAperture(at, 4.3),
            error=np.sqrt(variances[k].astype(float)),
        )
        assert ours.flux[k] == pytest.approx(theirs["aperture_sum"][0], rel=1e-5)
        photons = max(ours.flux[k], 0)
        background = theirs["aperture_sum_err"][0]
        assert ours.flux_err[k] == pytest.approx(np.sqrt(background**2 + photons), rel=1e-5)


def test_pulls_of_noisy_stars_are_unit():
    rng = np.random.default_rng(2)
    clean = 2e4 * sampled(moffat(2.5, 3.0), 12)
    data = rng.poisson(np.broadcast_to(clean + 100, (1500, 25, 25))) - 100.0
    r = measure_aperture(stack_cutouts(data, 100.0, d_line=0.0, d_column=0.0), radius=6.0)
    truth = measure_aperture(one(clean), radius=6.0).flux[0]
    pull = (r.flux - truth) / r.flux_err
    assert np.std(pull) == pytest.approx(1.0, abs=0.06)
    assert np.mean(pull) == pytest.approx(0.0, abs=0.08)


def with_lost(cut, l, c):
    lost = cut.lost.copy()
    lost[l, c] = 1
    return Cutouts(
        cut.image, cut.variance, lost, cut.d_line, cut.d_column, cut.photon, cut.half_size
    )


def test_lost_pixels_are_flagged_only_inside_the_aperture():
    cut = one(np.ones((21, 21)))
    r = measure_aperture(with_lost(cut, 10, 12), radius=4.0)
    assert r.flags[0] == SourceFlag.APERTURE_INCOMPLETE
    assert r.lost_fraction[0] == pytest.approx(1 / (np.pi * 16))
    r = measure_aperture(with_lost(cut, 10, 18), radius=4.0)
    assert r.flags[0] == 0
    assert r.lost_fraction[0] == 0


def test_first_moment_radius_of_an_exponential_disc():
    """Over the effective radius 1.1916; 2.5 of it hold 0.9596 of the light.

    cf. Graham & Driver 2005, PASA 22, 118, table 1 (from memory for n = 1).
    """
    effective, ratio, fraction = 6.0, 1.1916, 0.9596
    scale = effective / 1.67835  # half of the light of an exponential disc lies within 1.678 h
    image = 1e6 * sampled(lambda r: np.exp(-r / scale) / (2 * np.pi * scale**2), 60)
    second = 3 * scale**2  # per axis
    r = measure_total(one(image), [second], [0.0], [second], 3.0, options=TotalOptions(extent=8.0))
    assert r.first_moment_radius[0] == pytest.approx(ratio * effective, rel=0.01)
    assert r.flux[0] / 1e6 == pytest.approx(fraction, abs=0.004)


def test_follows_an_ellipse_and_reports_its_angle():
    """Gaussian of axis ratio 2, long axis 30 degrees from the line axis towards the columns."""
    half, a, b, angle = 40, 6.0, 3.0, np.radians(30)
    at = np.arange(-half, half + 1)
    along = at[:, None] * np.cos(angle) + at * np.sin(angle)
    across = -at[:, None] * np.sin(angle) + at * np.cos(angle)
    image = 1e5 / (2 * np.pi * a * b) * np.exp(-0.5 * ((along / a) ** 2 + (across / b) ** 2))
    ll = (a * np.cos(angle)) ** 2 + (b * np.sin(angle)) ** 2
    cc = (a * np.sin(angle)) ** 2 + (b * np.cos(angle)) ** 2
    lc = (a**2 - b**2) * np.sin(angle) * np.cos(angle)
    r = measure_total(one(image), [ll], [lc], [cc], 3.0, options=OPTIONS)
    assert r.position_angle[0] == pytest.approx(30.0, abs=0.1)
    assert r.semi_major[0] / r.semi_minor[0] == pytest.approx(2.0, rel=1e-3)
    # Mean radius of a Gaussian: sqrt(pi/2) standard deviations.
    assert r.first_moment_radius[0] == pytest.approx(np.sqrt(np.pi / 2 * a * b), rel=0.01)
    theirs = aperture_photometry(
        image,
        EllipticalAperture((half, half), r.semi_major[0], r.semi_minor[0], theta=np.pi / 2 - angle),
    )
    assert r.flux[0] == pytest.approx(theirs["aperture_sum"][0], rel=1e-4)


def test_faint_sources_fall_back_to_the_least_circle():
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 10, (41, 41))
    r = measure_total(one(noise, variance=100.0), [np.nan], [0.0], [5.0], 2.5, options=OPTIONS)
    assert np.isnan(r.first_moment_radius[0])
    assert r.semi_major[0] == r.semi_minor[0] == pytest.approx(1.75 * 2.5)


def test_an_aperture_larger_than_the_cutout_is_cut_and_flagged():
    image = 1e6 * sampled(lambda r: np.exp(-r / 6.0) / (2 * np.pi * 36), 15)
    r = measure_total(one(image), [60.0], [0.0], [60.0], 3.0, options=OPTIONS)
    assert r.semi_major[0] <= 15
    assert r.flags[0] == SourceFlag.APERTURE_INCOMPLETE


def test_no_sources_give_no_fluxes():
    none = stack_cutouts(np.empty((0, 9, 9)), 1.0, d_line=[], d_column=[])
    assert measure_aperture(none, radius=2.0).flux.size == 0
    assert measure_total(none, [], [], [], [], options=OPTIONS).flux.size == 0


def test_refuses_what_cannot_be_measured():
    with pytest.raises(ValueError, match=r"radius: must be above 0 and at most 6\.5 px, got 9"):
        measure_aperture(one(np.ones((15, 15))), radius=9)
    with pytest.raises(ValueError, match="factor: must be positive, got 0"):
        TotalOptions(factor=0)


def test_share_of_a_stars_light_is_that_of_the_closed_formula():
    """Gaussian, stretched by two: an ellipse of k standard deviations holds 1 - exp(-k^2/2)."""
    at = np.arange(-40, 41)
    sigma_l, sigma_c = 6.0, 3.0
    star = np.exp(-0.5 * ((at[:, None] / sigma_l) ** 2 + (at[None, :] / sigma_c) ** 2))
    stars = np.stack([star / star.sum()] * 3)
    k = np.array([1.0, 2.0, 3.0])
    share = light_share(stars, k * sigma_l, k * sigma_c, 0.0)
    # light is taken as even within a pixel: 1/12 px^2 of blur on either axis
    blur = 1 + 0.5 / 12 * (1 / sigma_l**2 + 1 / sigma_c**2)
    assert share == pytest.approx(1 - np.exp(-0.5 * k**2 / blur), abs=5e-4)
    # turned by 90 deg the ellipse lies across the star and holds less
    assert (light_share(stars, k * sigma_l, k * sigma_c, 90.0) < share - 0.004).all()
    assert light_share(stars[:1], 500.0, 500.0, 0.0) <= 1.0
    assert light_share([], [], [], []).size == 0


def test_a_cutout_that_does_not_limit_gives_what_a_wider_one_gives():
    """The promise by which sources are measured in narrow cutouts and only some of them again."""
    rng = np.random.default_rng(4)
    widths, narrow, wide = rng.uniform(2.5, 7.0, 60), 14, 30
    images = np.stack([rng.normal(3e4 * sampled(moffat(w, 3.0), wide, fine=3), 3) for w in widths])
    cut = slice(wide - narrow, wide + narrow + 1)
    least, found = np.full(60, 2.5), []
    for image in (images[:, cut, cut], images):
        stack = stack_cutouts(image, 9.0, d_line=0.0, d_column=0.0)
        moment = (widths / np.sqrt(8 * np.log(2))) ** 2
        found.append(measure_total(stack, moment, 0 * moment, moment, least, options=OPTIONS))
    small, large = found
    assert 10 < np.count_nonzero(small.limited) < 50
    assert np.count_nonzero(large.limited) < np.count_nonzero(small.limited)
    free = ~small.limited
    for f in fields(small):
        np.testing.assert_array_equal(getattr(small, f.name)[free], getattr(large, f.name)[free])
    assert np.median(large.flux[~free] / small.flux[~free]) > 1.001
