"""The point spread of a stack, against profiles put in."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.psf_fit import PsfFitOptions, fit_psf
from pipeline.stages.tile_psf import make_tile_psf, mix_epochs
from pipeline.stages.tile_psf_fit import TilePsfOptions, fit_tile_psf

OPTIONS = TilePsfOptions()
SHAPE = (620, 620)
HALF = 18


def profile(y, x, *, fwhm=2.6, beta=3.5, stretch=1.0):
    """Pixel-integrated Moffat profile of unit flux, FWHM along x stretched, 5 x 5 points."""
    node, weight = np.polynomial.legendre.leggauss(5)
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    total = np.zeros(np.broadcast(y, x).shape)
    for a, wa in zip(node, weight, strict=True):
        for b, wb in zip(node, weight, strict=True):
            r2 = ((y + a / 2) * stretch) ** 2 + ((x + b / 2) / stretch) ** 2
            total += wa * wb / 4 * (1 + r2 / core**2) ** -beta
    return (beta - 1) / (np.pi * core**2) * total


def stack_profile(y, x):
    """A night of good and a night of bad seeing."""
    return 0.6 * profile(y, x, fwhm=2.4) + 0.4 * profile(y, x, fwhm=3.6)


MIXTURE = mix_epochs([0.6, 0.4], [2.4, 3.6])


def make_tile(rng, n, form, *, low=3.7, high=5.3, photon=0.3):
    """A tile of n isolated stars with photon and background noise."""
    cells = rng.permutation(12 * 12)[:n]
    x = cells % 12 * 49.0 + 40 + rng.uniform(-0.5, 0.5, n)
    y = cells // 12 * 49.0 + 40 + rng.uniform(-0.5, 0.5, n)
    flux = 10 ** rng.uniform(low, high, n)
    image = np.zeros(SHAPE)
    at = np.arange(-HALF, HALF + 1)
    for k in range(n):
        iy, ix = round(y[k]), round(x[k])
        stamp = form(at[:, None] + iy - y[k], at[None, :] + ix - x[k], y[k])
        image[iy - HALF : iy + HALF + 1, ix - HALF : ix + HALF + 1] += flux[k] * stamp
    noise = np.sqrt(36.0 + photon * image)
    data = (image + rng.normal(size=SHAPE) * noise).astype(np.float32)
    return data, np.full(SHAPE, 36.0, np.float32), np.zeros(SHAPE, np.uint16), x, y, flux


def fit(rng, tile, **changes):
    data, variance, mask, x, y, flux = tile
    n = x.size
    inputs = {
        "photon_variance": 0.3,
        "expected_fwhm": MIXTURE[0],
        "mixture": MIXTURE[1],
        "options": OPTIONS,
        **changes,
    }
    guess = (x + rng.normal(0, 0.1, n), y + rng.normal(0, 0.1, n), flux * rng.uniform(0.9, 1.1, n))
    return fit_tile_psf(data, variance, mask, *guess, **inputs)


def flux_error(psf, form, y, rng):
    """Magnitude errors of noise-free matched fluxes and the largest misfit over the peak."""
    error, misfit = [], []
    at = np.arange(-10, 11)
    for _ in range(20):
        dy, dx = rng.uniform(-0.5, 0.5, 2)
        true = form(at[:, None] - dy, at[None, :] - dx, y)
        got = psf.render(100 + dx, round(y) + dy, 10)
        error.append(2.5 * np.log10((got * true).sum() / (got * got).sum()))
        misfit.append(np.abs(got - true).max() / true.max())
    return np.array(error), max(misfit)


@pytest.mark.parametrize(("n", "limit"), [(6, 8e-3), (30, 3e-3), (100, 3e-3)])
def test_the_profile_of_two_nights_is_recovered(n, limit):
    rng = np.random.default_rng(n)

    def form(y, x, _at):
        return stack_profile(y, x)

    psf = fit(rng, make_tile(rng, n, form))
    assert psf.n_stars == n
    error, misfit = flux_error(psf, form, 300, rng)
    assert np.abs(error).max() < limit
    assert misfit < 0.015
    fine = np.linspace(0, 3, 3001)
    cut = stack_profile(np.zeros(1), fine)
    assert psf.fwhm == pytest.approx(2 * fine[cut < cut[0] / 2][0], rel=0.01)


def test_a_form_that_is_no_moffat_is_corrected_from_the_data():
    """An asymmetric core."""
    rng = np.random.default_rng(1)

    def form(y, x, _at):
        return 0.6 * profile(y, x, fwhm=2.4) + 0.4 * profile(y + 0.5, x - 0.6, fwhm=2.4)

    tile = make_tile(rng, 60, form, low=4.7, high=5.5)
    corrected = fit(rng, tile, mixture=((1.0, 1.0),))
    plain = fit(rng, tile, mixture=((1.0, 1.0),), options=TilePsfOptions(min_residual_stars=10**6))
    # a shift of the centre is no misfit: compare after fitting positions
    y, x = tile[4], tile[3]
    chi2 = []
    for psf in (plain, corrected):
        got = fit_psf(
            tile[0], tile[1], tile[2], y, x, tile[5], psf, first_line=0,
            photon_variance=np.full(SHAPE[1], 0.3), options=PsfFitOptions(),
        )  # fmt: skip
        chi2.append(np.median(got.chi2))
    # 60 stars of 250 px each: a median has a standard error of 0.015
    assert chi2[1] < 1.06
    assert chi2[0] > chi2[1] + 0.15


def test_width_and_shape_follow_y():
    rng = np.random.default_rng(2)

    def form(y, x, at):
        t = at / (SHAPE[0] - 1)
        return profile(y, x, fwhm=2.4 + 0.4 * t, stretch=1.0 + 0.06 * t)

    psf = fit(rng, make_tile(rng, 80, form), mixture=((1.0, 1.0),))
    for y in (60, 310, 560):
        error, misfit = flux_error(psf, form, y, rng)
        assert np.abs(error).max() < 6e-3
        assert misfit < 0.02


def test_few_stars_give_the_expected_profile():
    rng = np.random.default_rng(3)
    tile = make_tile(rng, 2, lambda y, x, _at: stack_profile(y, x))
    psf = fit(rng, tile)
    assert psf.n_stars == 0
    expected = make_tile_psf(
        fwhm=MIXTURE[0], beta=3.0, ny=SHAPE[0], half_size=16, mixture=MIXTURE[1]
    )
    assert np.array_equal(psf.grids, expected.grids)
    data, variance, mask, *_ = tile
    empty = fit_tile_psf(
        data, variance, mask, [], [], [], photon_variance=0.3, expected_fwhm=2.5, options=OPTIONS
    )
    assert empty.n_stars == 0


def test_galaxies_and_spoilt_stars_are_dropped():
    rng = np.random.default_rng(4)
    data, variance, mask, x, y, flux = make_tile(rng, 40, lambda y, x, _at: profile(y, x))
    at = np.arange(-HALF, HALF + 1)
    for k in range(4):  # extended ones in place of stars
        iy, ix = round(y[k]), round(x[k])
        box = (slice(iy - HALF, iy + HALF + 1), slice(ix - HALF, ix + HALF + 1))
        data[box] = 1e5 * profile(at[:, None] + iy - y[k], at + ix - x[k], fwhm=5.0)
        data[box] += rng.normal(0, 6, data[box].shape)
        flux[k] = 1e5
    mask[round(y[5]), round(x[5])] = PixelMask.SATURATED
    psf = fit(rng, (data, variance, mask, x, y, flux), mixture=((1.0, 1.0),), expected_fwhm=2.6)
    assert psf.n_stars == 35
    error, _ = flux_error(psf, lambda y, x, _at: profile(y, x), 300, rng)
    assert np.abs(error).max() < 4e-3


def test_a_made_profile_has_unit_flux_and_the_given_form():
    psf = make_tile_psf(fwhm=2.6, beta=3.5, ny=100, half_size=16)
    y, x = np.mgrid[-16:17, -16:17]
    true = profile(y - 0.3, x + 0.2)
    assert np.abs(psf.render(49.8, 50.3, 16) - true).max() < 1e-4 * true.max()
    assert psf.kernel(33).sum() == pytest.approx(profile(y, x).sum(), abs=2e-4)
    flat = make_tile_psf(fwhm=2.6, beta=3.5, ny=100, half_size=16, ellipticity=(0.2, 0.0))
    image = flat.kernel(21)
    assert image[10, 14] > 1.2 * image[14, 10]
    with pytest.raises(ValueError, match="size must be odd"):
        psf.kernel(8)
    with pytest.raises(ValueError, match="half must be 0 to"):
        psf.render(0, 0, 17)


def test_epochs_are_put_together_by_seeing():
    mean, parts = mix_epochs([1, 1, 2, 0], [2.0, 2.1, 3.0, 9.0])
    assert mean == pytest.approx((2.0 + 2.1 + 6.0) / 4)
    assert [w for w, _ in parts] == pytest.approx([0.5, 0.5])
    assert [q * mean for _, q in parts] == pytest.approx([2.05, 3.0])
    assert mix_epochs([3.0], [2.5]) == (2.5, ((1.0, 1.0),))
    with pytest.raises(ValueError, match="weights and fwhm must hold positive"):
        mix_epochs([0.0], [2.0])


def test_wrong_options_are_named():
    with pytest.raises(ValueError, match="radius must be 3 px to half_size"):
        TilePsfOptions(radius=20.0)
    with pytest.raises(ValueError, match="min_stars must be at least 1"):
        TilePsfOptions(min_stars=0)
    with pytest.raises(ValueError, match="clip must be positive"):
        TilePsfOptions(clip=0.0)
    with pytest.raises(ValueError, match="default_beta must be above 1"):
        TilePsfOptions(default_beta=1.0)
    with pytest.raises(ValueError, match="residual_radius must be 2 px"):
        TilePsfOptions(residual_radius=13.0)
    with pytest.raises(ValueError, match="fwhm must be positive"):
        make_tile_psf(fwhm=0.0, beta=3.0, ny=10, half_size=10)
