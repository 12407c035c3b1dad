"""The point spread of a stack, against profiles put in."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.epoch_zones import Zone
from pipeline.stages.psf_fit import PsfFitOptions, fit_psf
from pipeline.stages.psf_model import make_psf_model
from pipeline.stages.resample import ResampleOptions, kernel_transfer, kernel_weights, resample_tile
from pipeline.stages.tile_psf import (
    OVERSAMPLE,
    SpreadImages,
    TilePsf,
    combine_spreads,
    equivalent_widths,
    grid_side,
    half_size_of,
    place_tile_nodes,
    predict_spread,
)
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


STAMP = 16


def images_of(
    form, node_y=(0.0, 309.5, SHAPE[0] - 1.0), node_x=(0.0, 200.0, 400.0, SHAPE[1] - 1.0)
):
    """Images of a profile ``form(dy, dx, y, x)`` at the nodes."""
    g = grid_side(STAMP)
    at = (np.arange(g) - g // 2) / OVERSAMPLE
    images = [[form(at[:, None], at[None, :], y, x) for x in node_x] for y in node_y]
    return SpreadImages(np.array(images, np.float32), np.array(node_y), np.array(node_x))


def prediction(form, **nodes):
    return TilePsf.from_images(images_of(form, **nodes), half_size=STAMP)


PREDICTED = prediction(lambda y, x, *_: stack_profile(y, x))


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
        stamp = form(at[:, None] + iy - y[k], at[None, :] + ix - x[k], y[k], x[k])
        image[iy - HALF : iy + HALF + 1, ix - HALF : ix + HALF + 1] += flux[k] * stamp
    noise = np.sqrt(36.0 + photon * image)
    data = (image + rng.normal(size=SHAPE) * noise).astype(np.float32)
    return data, np.full(SHAPE, 36.0, np.float32), np.zeros(SHAPE, np.uint16), x, y, flux


def fit(rng, tile, **changes):
    data, variance, mask, x, y, flux = tile
    n = x.size
    inputs = {"photon_variance": 0.3, "predicted": PREDICTED, "options": OPTIONS, **changes}
    guess = (x + rng.normal(0, 0.1, n), y + rng.normal(0, 0.1, n), flux * rng.uniform(0.9, 1.1, n))
    return fit_tile_psf(data, variance, mask, *guess, **inputs)


def flux_error(psf, form, y, x, rng):
    """Magnitude errors of noise-free matched fluxes and the largest misfit over the peak."""
    error, misfit = [], []
    at = np.arange(-10, 11)
    for _ in range(20):
        dy, dx = rng.uniform(-0.5, 0.5, 2)
        true = form(at[:, None] - dy, at[None, :] - dx, y, x)
        got = psf.render(round(x) + dx, round(y) + dy, 10)
        error.append(2.5 * np.log10((got * true).sum() / (got * got).sum()))
        misfit.append(np.abs(got - true).max() / true.max())
    return np.array(error), max(misfit)


@pytest.mark.parametrize(("n", "limit"), [(6, 8e-3), (30, 3e-3), (100, 3e-3)])
def test_a_prediction_that_is_a_little_off_is_corrected(n, limit):
    """Seeing 2 % worse than predicted, stars 1.5 % longer along x: 25 mmag before."""
    rng = np.random.default_rng(n)

    def form(y, x, *_):
        return 0.6 * profile(y, x, fwhm=2.45, stretch=1.015) + 0.4 * profile(
            y, x, fwhm=3.67, stretch=1.015
        )

    psf = fit(rng, make_tile(rng, n, form))
    assert psf.n_stars == n
    before, _ = flux_error(PREDICTED, form, 300, 300, rng)
    assert np.abs(before).mean() > 0.01
    error, misfit = flux_error(psf, form, 300, 300, rng)
    assert np.abs(error).max() < limit
    assert misfit < 0.015
    fine = np.linspace(0, 3, 3001)
    along, across = form(np.zeros(1), fine), form(fine, np.zeros(1))
    width = 4 * fine[along < along[0] / 2][0] * fine[across < across[0] / 2][0]
    assert psf.fwhm == pytest.approx(np.sqrt(width), rel=0.01)


def test_a_form_that_is_no_moffat_is_corrected_from_the_data():
    """An asymmetric core."""
    rng = np.random.default_rng(1)

    def form(y, x, *_):
        return 0.6 * profile(y, x, fwhm=2.4) + 0.4 * profile(y + 0.5, x - 0.6, fwhm=2.4)

    tile = make_tile(rng, 60, form, low=4.7, high=5.5)
    round_one = prediction(lambda y, x, *_: profile(y, x, fwhm=2.7))
    corrected = fit(rng, tile, predicted=round_one)
    plain = fit(rng, tile, predicted=round_one, options=TilePsfOptions(min_residual_stars=10**6))
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
    assert chi2[0] > chi2[1] + 0.1


def test_width_follows_y_and_smear_follows_x():
    """Nodes of a cubic in x, of straight lines in y; the correction keeps the dependence."""
    rng = np.random.default_rng(2)

    def form(y, x, at_y, at_x):
        t, u = at_y / (SHAPE[0] - 1), at_x / (SHAPE[1] - 1)
        return profile(y, x, fwhm=2.4 + 0.3 * t, stretch=1.0 + 0.2 * (u - 0.3) ** 2)

    def wrong(y, x, at_y, at_x):
        return form(y / 1.01, x / 1.01, at_y, at_x) / 1.01**2

    before = prediction(wrong)
    after = fit(rng, make_tile(rng, 80, form), predicted=before)
    for y, x in ((60, 60), (310, 560), (560, 300)):
        for psf, limit in ((prediction(form), 1e-3), (after, 3e-3)):
            error, misfit = flux_error(psf, form, y, x, rng)
            assert np.abs(error).max() < limit
            assert misfit < 0.02


def test_few_stars_leave_the_prediction():
    rng = np.random.default_rng(3)
    tile = make_tile(rng, 2, lambda y, x, *_: stack_profile(y, x))
    assert fit(rng, tile) is PREDICTED
    data, variance, mask, *_ = tile
    empty = fit_tile_psf(
        data, variance, mask, [], [], [], photon_variance=0.3, predicted=PREDICTED, options=OPTIONS
    )
    assert empty.n_stars == 0


def test_galaxies_and_spoilt_stars_are_dropped():
    rng = np.random.default_rng(4)
    data, variance, mask, x, y, flux = make_tile(rng, 40, lambda y, x, *_: profile(y, x))
    at = np.arange(-HALF, HALF + 1)
    for k in range(4):  # extended ones in place of stars
        iy, ix = round(y[k]), round(x[k])
        box = (slice(iy - HALF, iy + HALF + 1), slice(ix - HALF, ix + HALF + 1))
        data[box] = 1e5 * profile(at[:, None] + iy - y[k], at + ix - x[k], fwhm=5.0)
        data[box] += rng.normal(0, 6, data[box].shape)
        flux[k] = 1e5
    mask[round(y[5]), round(x[5])] = PixelMask.SATURATED
    single = prediction(lambda y, x, *_: profile(y, x))
    psf = fit(rng, (data, variance, mask, x, y, flux), predicted=single)
    assert psf.n_stars == 35
    error, _ = flux_error(psf, lambda y, x, *_: profile(y, x), 300, 300, rng)
    assert np.abs(error).max() < 4e-3


def test_images_and_splines_are_each_others_inverse():
    psf = prediction(lambda y, x, *_: profile(y, x, fwhm=2.6))
    y, x = np.mgrid[-STAMP : STAMP + 1, -STAMP : STAMP + 1]
    true = profile(y - 0.3, x + 0.2)
    assert np.abs(psf.render(49.8, 50.3, STAMP) - true).max() < 2e-4 * true.max()
    assert psf.kernel(50, 50, 33).sum() == pytest.approx(profile(y, x).sum(), abs=3e-4)
    again = psf.images()
    assert half_size_of(again) == STAMP
    assert np.allclose(again.images, images_of(lambda y, x, *_: profile(y, x)).images, atol=1e-7)
    with pytest.raises(ValueError, match="size must be odd"):
        psf.kernel(0, 0, 8)
    with pytest.raises(ValueError, match="half must be 0 to"):
        psf.render(0, 0, 17)
    with pytest.raises(ValueError, match="images must have"):
        TilePsf.from_images(again, half_size=STAMP + 1)


def test_a_sum_of_nights_has_the_sum_of_their_profiles():
    """Whatever the number of nodes that each night needed."""

    def tilted(y, x, _y, at):
        return profile(y, x, fwhm=2.4 + at * 1e-3)

    few = images_of(tilted)
    many = images_of(lambda y, x, *_: profile(y, x, fwhm=3.0), node_x=tuple(np.linspace(0, 619, 9)))
    both = combine_spreads([few, many], [1.0, 3.0])
    assert both.node_x.size == 9
    wanted = images_of(
        lambda y, x, _y, at: 0.25 * tilted(y, x, 0, at) + 0.75 * profile(y, x, fwhm=3.0),
        node_x=tuple(np.linspace(0, 619, 9)),
    )
    assert np.abs(both.images - wanted.images).max() < 1e-4 * wanted.images.max()
    with pytest.raises(ValueError, match="weights must be 2 numbers"):
        combine_spreads([few, many], [1.0])
    with pytest.raises(ValueError, match="not all zero"):
        combine_spreads([few, many], [0.0, 0.0])


def test_a_sum_jumps_where_an_epoch_begins():
    """Each zone has the profile of its own epochs, up to its last row."""
    sharp = images_of(lambda y, x, *_: profile(y, x, fwhm=2.4))
    soft = images_of(lambda y, x, *_: profile(y, x, fwhm=3.4))
    last = float(sharp.node_y[-1])
    both, one = np.array([True, True]), np.array([False, True])
    zones = (Zone(0, 200, one), Zone(200, int(last) + 1, both))
    psf = TilePsf.from_images(combine_spreads([sharp, soft], [1.0, 1.0], zones=zones), half_size=16)
    y, x = np.mgrid[-16:17, -16:17]
    for at, wanted in (
        (20.0, profile(y, x, fwhm=3.4)),
        (199.0, profile(y, x, fwhm=3.4)),
        (200.0, 0.5 * (profile(y, x, fwhm=2.4) + profile(y, x, fwhm=3.4))),
        (last, 0.5 * (profile(y, x, fwhm=2.4) + profile(y, x, fwhm=3.4))),
    ):
        assert np.abs(psf.render(100.0, at, 16) - wanted).max() < 1e-3 * wanted.max()
    only = combine_spreads([sharp, soft], [1.0, 1.0], zones=(Zone(10, 90, one),))
    assert np.allclose(only.images, combine_spreads([soft], [1.0]).images)


def test_the_equivalent_width_follows_the_seeing():
    spread = images_of(lambda y, x, at, _x: profile(y, x, fwhm=2.4 + 1e-3 * at))
    rows = np.array([0.0, float(spread.node_y[-1])])
    widths = equivalent_widths(spread, rows)
    assert widths[1] / widths[0] == pytest.approx((2.4 + 1e-3 * rows[1]) / 2.4, rel=0.02)


def arc(columns):
    """A path of three points whose length along the scan grows with the column."""
    columns = np.atleast_1d(columns)
    length = columns / 40.0
    line = length[:, None] * np.array([-0.5, 0.0, 0.5])
    return line, np.zeros_like(line), np.full_like(line, 1 / 3)


def test_the_prediction_is_what_the_resampler_makes_of_the_strips_profile():
    """Stars drawn with the strip's model, turned by 5 deg, mirrored and shrunk by 10 %.

    Averaged over random phases the resampled stars agree with the prediction to 0.5 % of the peak;
    without the resampling's own kernel, they would not.
    """
    rng = np.random.default_rng(8)
    strip = make_psf_model(
        [0, 400], [2.3, 2.3], np.linspace(0, 400, 9), beta=3.0, path=arc, optics=None, half_size=24
    )
    turn, shrink = np.radians(5.0), 1.1
    turned = np.array([[np.cos(turn), np.sin(turn)], [np.sin(turn), -np.cos(turn)]])
    jacobian = shrink * turned  # of (line, column) by (y, x); a mirror image
    assert np.linalg.det(jacobian) < 0
    size, middle = 61, np.array([200.0, 240.0])
    total, plain, n = 0.0, 0.0, 60
    spread = predict_spread(
        strip.blurred(kernel_transfer), np.array([0.0]), np.array([0.0]), middle[None, :1],
        middle[None, 1:], jacobian[None, None], half_size=STAMP,
    )  # fmt: skip
    psf = TilePsf.from_images(spread, half_size=STAMP)
    nodes = np.arange(0, size + 16, 8.0)
    gy, gx = np.meshgrid(nodes, nodes, indexing="ij")
    for _ in range(n):
        at = 30 + rng.uniform(-0.5, 0.5, 2)  # y, x in the tile
        origin = middle + rng.uniform(-0.5, 0.5, 2)
        image = np.zeros((401, 401))
        l, c = round(origin[0]), round(origin[1])
        image[l - 24 : l + 25, c - 24 : c + 25] = strip.render(origin[0], origin[1], 24)
        place = origin[:, None, None] + np.einsum(
            "ij,jab->iab", jacobian, np.stack([gy - at[0], gx - at[1]])
        )
        tile = resample_tile(
            image.astype(np.float32), np.ones(image.shape, np.float32),
            np.zeros(image.shape, np.uint16), first_line=0, grid_line=place[0],
            grid_column=place[1], grid_area=np.full(gx.shape, shrink**2), step=8,
            shape=(size, size), scale_of_line=np.ones(401), scale_of_column=np.ones(401),
            options=ResampleOptions(),
        ).flux  # fmt: skip
        iy, ix = round(at[0]), round(at[1])
        cut = tile[iy - 10 : iy + 11, ix - 10 : ix + 11]
        model = psf.render(at[1], at[0], 10)
        total = total + (cut - model) / n
        plain = max(plain, float(model.max()))
    assert np.abs(total).max() < 0.005 * plain
    assert abs(total.sum()) < 1e-3


def test_the_resamplers_transfer_is_that_of_its_weights():
    """A wave of low frequency passes; by direct summation at random phases."""
    frequency = np.array([0.0, 0.05, 0.2, 0.45])
    got = kernel_transfer(frequency)
    assert got[0] == pytest.approx(1.0, abs=1e-12)
    assert got[1] == pytest.approx(1.0, abs=1e-4)
    rng = np.random.default_rng(0)
    phases = rng.uniform(0, 1, 4000)
    weights = kernel_weights(phases)
    taps = np.arange(-2, 4)[:, None] - phases
    for u, value in zip(frequency, got, strict=True):
        direct = (weights * np.exp(2j * np.pi * u * taps)).sum(axis=0).mean()
        assert abs(direct - value) < 5e-3


def test_nodes_follow_the_strips():
    wide = make_psf_model(
        [0, 10], [2.3, 2.3], np.linspace(0, 4000, 41), beta=3.0, path=None, optics=None,
        half_size=16,
    )  # fmt: skip
    node_y, node_x = place_tile_nodes(wide, 1001)
    assert node_x.size == 11
    assert (node_y[0], node_y[-1]) == (0.0, 1000.0)
    assert place_tile_nodes(wide, 128)[1].size == 4


def test_wrong_options_are_named():
    with pytest.raises(ValueError, match="radius must be at least 3 px"):
        TilePsfOptions(radius=2.0)
    with pytest.raises(ValueError, match="min_stars must be at least 1"):
        TilePsfOptions(min_stars=0)
    with pytest.raises(ValueError, match="shape_error must be positive"):
        TilePsfOptions(shape_error=0.0)
    with pytest.raises(ValueError, match="residual_radius must be 2 px"):
        TilePsfOptions(residual_radius=13.0)
    with pytest.raises(ValueError, match="predicted must reach radius = 17"):
        fit_tile_psf(
            np.zeros((9, 9), np.float32), np.ones((9, 9), np.float32), np.zeros((9, 9), np.uint16),
            [], [], [], predicted=PREDICTED, photon_variance=0.0,
            options=TilePsfOptions(radius=17.0),
        )  # fmt: skip
    with pytest.raises(ValueError, match="line, column and jacobian must have shape"):
        predict_spread(
            make_psf_model(
                [0, 1], [2.0, 2.0], [0.0, 1.0], beta=3.0, path=None, optics=None, half_size=8
            ),
            np.zeros(1), np.zeros(1), np.zeros((1, 2)), np.zeros((1, 1)),
            np.zeros((1, 1, 2, 2)), half_size=8,
        )  # fmt: skip
