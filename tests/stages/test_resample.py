"""The resampler: fluxes, centroids, noise, masks, and the exact assembly of blocks."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flags import PixelMask
from pipeline.stages.resample import (
    ResampleOptions,
    halo_lines,
    kernel_weights,
    mean_noise_correlation,
    merge_parts,
    noise_correlation,
    resample_tile,
)
from pipeline.stages.resample_kernels import POLY, fill_weights

OPTIONS = ResampleOptions()


def make_grid(line_of, column_of, *, shape, step):
    """Nodes of two functions of the tile pixel (y, x), with their Jacobian by differences."""
    nodes = [np.arange(0, (n - 1 + step - 1) // step + 1) * float(step) for n in shape]
    y, x = np.meshgrid(*nodes, indexing="ij")
    h = 1e-3
    dly = (line_of(y + h, x) - line_of(y - h, x)) / (2 * h)
    dlx = (line_of(y, x + h) - line_of(y, x - h)) / (2 * h)
    dcy = (column_of(y + h, x) - column_of(y - h, x)) / (2 * h)
    dcx = (column_of(y, x + h) - column_of(y, x - h)) / (2 * h)
    area = np.abs(dly * dcx - dlx * dcy)
    return {
        "grid_line": line_of(y, x) + 0.0 * x,
        "grid_column": column_of(y, x) + 0.0 * x,
        "grid_area": area,
        "step": step,
        "shape": shape,
    }


def resample(image, grid, *, variance=None, mask=None, first_line=0, options=OPTIONS, **changes):
    """Call the resampler with plain defaults."""
    image = np.asarray(image, dtype=np.float32)
    inputs = {
        "first_line": first_line,
        "scale_of_line": np.ones(image.shape[0]),
        "scale_of_column": np.ones(image.shape[1]),
        "options": options,
        **grid,
        **changes,
    }
    variance = np.ones_like(image) if variance is None else variance
    mask = np.zeros(image.shape, np.uint16) if mask is None else mask
    return resample_tile(image, variance, mask, **inputs)


def shifted(dy, dx, *, shape, step=16):
    return make_grid(lambda y, _x: y + dy, lambda _y, x: x + dx, shape=shape, step=step)


def gaussian(y, x, *, fwhm, flux):
    """Star sampled at pixel centres: band-limited to 1e-6 at these widths."""
    sigma = fwhm / 2.3548
    return flux / (2 * np.pi * sigma**2) * np.exp(-(y**2 + x**2) / (2 * sigma**2))


def integrated_moffat(y, x, *, fwhm, beta, flux):
    """Moffat star integrated over pixels by 7 x 7 Gauss-Legendre points."""
    node, weight = np.polynomial.legendre.leggauss(7)
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    total = np.zeros(np.broadcast(y, x).shape)
    for a, wa in zip(node, weight, strict=True):
        for b, wb in zip(node, weight, strict=True):
            r2 = (y + a / 2) ** 2 + (x + b / 2) ** 2
            total += wa * wb / 4 * (1 + r2 / core**2) ** -beta
    return flux * (beta - 1) / (np.pi * core**2) * total


def solve_weights(fraction):
    """The least-squares problem that defines the kernel, by quadrature over frequency.

    The transform of a Moffat profile of beta 3.5 is exp(-z) (1 + z + z**2 / 3) with z its angular
    frequency times the core radius (half-integer Bessel function).
    """
    node, weight = np.polynomial.legendre.leggauss(300)
    omega = 3 * np.pi * (node + 1)
    z = omega * 3.0 / (2 * np.sqrt(2 ** (1 / 3.5) - 1))
    power = weight * (np.exp(-z) * (1 + z + z**2 / 3) * np.sinc(omega / (2 * np.pi))) ** 2
    taps = np.arange(-2, 4)
    normal = (power * np.cos(omega * (taps[:, None] - taps)[..., None])).sum(axis=-1)
    right = (power * np.cos(omega * (taps - fraction)[:, None])).sum(axis=-1)
    moments = (taps - fraction) ** np.arange(3)[:, None]
    system = np.block([[normal, moments.T], [moments, np.zeros((3, 3))]])
    return np.linalg.solve(system, np.concatenate([right, [1.0, 0.0, 0.0]]))[:6]


def test_weights_solve_their_least_squares_problem():
    fraction = np.linspace(0, 1, 401)
    weights = kernel_weights(fraction)
    exact = np.array([solve_weights(f) for f in fraction]).T
    assert np.abs(weights - exact).max() < 5e-8
    distance = np.arange(-2, 4)[:, None] - fraction
    assert np.abs(weights.sum(axis=0) - 1).max() < 1e-15
    assert np.abs((weights * distance).sum(axis=0)).max() < 2e-7
    assert np.abs((weights * distance**2).sum(axis=0)).max() < 5e-7
    single = np.empty((6, 401), np.float32)
    fill_weights(fraction.astype(np.float32), 401, POLY.astype(np.float32), single)
    assert np.abs(single - weights).max() < 5e-7


def test_identity_map_returns_the_input_exactly():
    image = np.random.default_rng(1).normal(100, 30, (70, 90)).astype(np.float32)
    grid = make_grid(lambda y, _x: y + 123456.0, lambda _y, x: x + 0.0, shape=(70, 90), step=16)
    got = resample(image, grid, first_line=123456)
    # also where the footprint leaves the window, since the outer weights are zero
    assert np.array_equal(got.flux, image)
    assert np.array_equal(got.variance, np.ones_like(image))
    assert not got.mask.any()


@pytest.mark.parametrize("turn", [False, True])
@pytest.mark.parametrize("flip_line", [False, True])
@pytest.mark.parametrize("flip_column", [False, True])
def test_every_orientation_is_the_turned_and_flipped_image(turn, flip_line, flip_column):
    image = np.random.default_rng(2).normal(size=(61, 83)).astype(np.float32)
    expected = image
    line = (lambda t: 60.0 - t) if flip_line else (lambda t: t + 0.0)
    column = (lambda t: 82.0 - t) if flip_column else (lambda t: t + 0.0)
    expected = expected[::-1] if flip_line else expected
    expected = expected[:, ::-1] if flip_column else expected
    if turn:
        grid = make_grid(lambda _y, x: line(x), lambda y, _x: column(y), shape=(83, 61), step=13)
        expected = expected.T
    else:
        grid = make_grid(lambda y, _x: line(y), lambda _y, x: column(x), shape=(61, 83), step=13)
    assert np.array_equal(resample(image, grid).flux, expected)


def test_grid_interpolation_is_exact_for_quadratics():
    """The displacement of a tile against a strip is quadratic to lowest order."""
    ramp_line = np.repeat(np.arange(400.0)[:, None], 300, axis=1)
    ramp_column = np.repeat(np.arange(300.0)[None, :], 400, axis=0)

    def line_of(y, x):
        return 100 + y + 2e-4 * x + 3e-6 * (x - 70) ** 2

    def column_of(y, x):
        return 50 + x - 3e-4 * y + 2e-6 * (y - 60) ** 2

    grid = make_grid(line_of, column_of, shape=(150, 170), step=32)
    grid["grid_area"] = np.ones_like(grid["grid_area"])
    y, x = np.mgrid[:150, :170]
    # single precision of values up to 300
    assert np.abs(resample(ramp_line, grid).flux - line_of(y, x)).max() < 3e-4
    assert np.abs(resample(ramp_column, grid).flux - column_of(y, x)).max() < 3e-4


def test_constant_image_becomes_constant_times_area_and_scale():
    grid = make_grid(
        lambda y, x: 20 + 0.98 * y + 0.01 * x,
        lambda y, x: 15 + 1.03 * x - 0.02 * y,
        shape=(100, 110),
        step=32,
    )
    image = np.full((140, 150), 50.0, np.float32)
    got = resample(
        image, grid, scale_of_line=np.linspace(1, 2, 140), scale_of_column=np.full(150, 3.0)
    )
    y, x = np.mgrid[:100, :110]
    scale = 1 + (20 + 0.98 * y + 0.01 * x) / 139
    expected = 50 * (0.98 * 1.03 + 0.01 * 0.02) * scale * 3
    assert np.abs(got.flux / expected - 1).max() < 2e-6


def test_star_fluxes_and_centroids_survive_any_phase():
    """Flux to 1 mmag and centroid to 0.005 px, at two widths and two hundred phases."""
    rng = np.random.default_rng(3)
    size, n = 41, 100
    for fwhm in (2.3, 3.5):
        image = np.zeros((size, size * n))
        truth = rng.uniform(-0.5, 0.5, (n, 2)) + size // 2
        y, x = np.mgrid[:size, :size]
        for k, (cy, cx) in enumerate(truth):
            stamp = integrated_moffat(y - cy, x - cx, fwhm=fwhm, beta=3.5, flux=1e4)
            image[:, size * k : size * (k + 1)] = stamp
        # a slightly rotated and stretched map, so that phases vary over each star
        grid = make_grid(
            lambda y, x: y + 0.31 + 1e-5 * x,
            lambda y, x: 1.0003 * x + 0.1 - 1e-3 * y,
            shape=(size, size * n - 2),
            step=32,
        )
        got = resample(image, grid)
        for k, (cy, cx) in enumerate(truth[:-1]):
            column = cx + size * k
            ty = cy - 0.31 - 1e-5 * column
            tx = (column - 0.1 + 1e-3 * ty) / 1.0003
            rows = slice(round(ty) - 12, round(ty) + 13)
            columns = slice(round(tx) - 12, round(tx) + 13)
            after = got.flux[rows, columns].astype(float)
            inside = integrated_moffat(
                y[:, :] * 0 + np.arange(size)[:, None] - ty,
                np.arange(size)[None, :] + round(tx) - size // 2 - tx,
                fwhm=fwhm,
                beta=3.5,
                flux=1e4,
            )
            box = (slice(round(ty) - 12, round(ty) + 13), slice(size // 2 - 12, size // 2 + 13))
            assert abs(2.5 * np.log10(after.sum() / inside[box].sum())) < 1e-3
            window = gaussian(
                np.arange(rows.start, rows.stop)[:, None] - ty,
                np.arange(columns.start, columns.stop)[None, :] - tx,
                fwhm=fwhm,
                flux=1.0,
            )
            norm = (after * window).sum()
            yy, xx = np.mgrid[rows, columns]
            # twice: a Gaussian window halves the shift it measures
            assert abs(2 * ((after * window) * (yy - ty)).sum() / norm) < 0.005
            assert abs(2 * ((after * window) * (xx - tx)).sum() / norm) < 0.005


def test_shift_and_unshift_return_a_well_sampled_image():
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:120, :120]
    image = np.zeros((120, 120))
    for cy, cx in rng.uniform(30, 90, (15, 2)):
        image += gaussian(y - cy, x - cx, fwhm=3.2, flux=1e3)
    there = resample(image, shifted(0.4, -0.3, shape=(120, 120)))
    back = resample(np.nan_to_num(there.flux), shifted(-0.4, 0.3, shape=(120, 120)))
    inner = slice(10, -10)
    difference = (back.flux - image)[inner, inner]
    assert np.abs(difference).max() < 0.01 * image.max()
    assert abs(difference.sum()) < 1e-4 * image.sum()


def test_noise_variance_and_its_correlation_agree_with_monte_carlo():
    rng = np.random.default_rng(5)
    phases = (0.27, 0.41)
    image = rng.normal(0, 3.0, (900, 900))
    grid = shifted(*phases, shape=(880, 880), step=64)
    grid = {**grid, "grid_line": grid["grid_line"] + 8, "grid_column": grid["grid_column"] + 8}
    got = resample(image, grid, variance=np.full((900, 900), 9.0, np.float32))
    predicted = float(got.variance[100, 100])
    sums = got.flux[:880, :880].astype(float).reshape(44, 20, 44, 20)
    # 775 thousand pixels of which about half are independent: 3 standard errors are 0.7 %
    assert got.flux.var() == pytest.approx(predicted, rel=0.007)
    factor = noise_correlation(*phases)
    assert predicted == pytest.approx(9.0 / factor, rel=1e-5)
    # sums over 20 x 20 px: 1936 of them, standard error 3.2 %; the finite box loses a little
    ratio = sums.sum(axis=(1, 3)).var() / (400 * predicted)
    assert 0.88 * factor < ratio < 1.1 * factor
    assert noise_correlation(0.0, 0.0) == pytest.approx(1.0)
    assert 1.2 < mean_noise_correlation() < noise_correlation(0.5, 0.5)


def test_bad_pixels_are_left_out_or_spoil_the_pixel():
    image = np.full((40, 40), 10.0, np.float32)
    mask = np.zeros((40, 40), np.uint16)
    mask[20, 15] = PixelMask.COSMIC_RAY
    image[20, 15] = np.nan
    image[30, 5] = np.inf  # without a mask bit
    got = resample(image, shifted(0.5, 0.5, shape=(40, 40)), mask=mask)
    spoilt = got.mask & PixelMask.COSMIC_RAY
    assert set(zip(*np.nonzero(spoilt), strict=True)) == {(19, 14), (19, 15), (20, 14), (20, 15)}
    assert got.mask[30, 5] == PixelMask.NO_DATA
    assert np.array_equal(got.mask != 0, np.isnan(got.flux))
    assert np.array_equal(np.isnan(got.flux), np.isnan(got.variance))
    # one pixel further out the value is renormalised, with a variance of its own
    assert got.flux[19, 16] == pytest.approx(10.0, rel=1e-6)
    assert got.variance[19, 16] != got.variance[10, 10]
    strict = resample(
        image, shifted(0.5, 0.5, shape=(40, 40)), mask=mask, options=ResampleOptions(1.0)
    )
    assert (strict.mask & PixelMask.COSMIC_RAY).astype(bool).sum() == 36


def test_renormalised_pixels_follow_the_formula():
    rng = np.random.default_rng(6)
    image = rng.normal(100, 5, (30, 30))
    variance = rng.uniform(1, 4, (30, 30)).astype(np.float32)
    mask = np.zeros((30, 30), np.uint16)
    mask[13, 17] = PixelMask.HOT
    got = resample(image, shifted(0.3, 0.2, shape=(30, 30)), variance=variance, mask=mask)
    wl, wc = kernel_weights(np.array([0.3])).ravel(), kernel_weights(np.array([0.2])).ravel()
    w = np.outer(wl, wc)
    w[13 - (15 - 2), 17 - (16 - 2)] = 0.0  # tile pixel (15, 16) uses lines 13-18, columns 14-19
    assert got.flux[15, 16] == pytest.approx((w * image[13:19, 14:20]).sum() / w.sum(), rel=1e-5)
    expected = (w**2 * variance[13:19, 14:20]).sum() / w.sum() ** 2
    assert got.variance[15, 16] == pytest.approx(expected, rel=1e-5)


def test_outside_of_the_window_there_is_no_data():
    image = np.ones((50, 60), np.float32)
    grid = make_grid(lambda y, _x: y + 990.0, lambda _y, x: x - 7.0, shape=(80, 80), step=20)
    got = resample(image, grid, first_line=1000)
    expected = np.zeros((80, 80), bool)
    expected[10:60, 7:67] = True
    assert np.array_equal(np.isfinite(got.flux), expected)
    assert (got.mask[~expected] == PixelMask.NO_DATA).all()


def test_nodes_that_are_nan_and_faulty_scales_give_no_data():
    grid = shifted(0.2, 0.2, shape=(64, 64))
    grid["grid_line"][:, 3] = np.nan
    scale = np.ones(64)
    scale[10] = np.nan
    got = resample(np.ones((64, 64)), grid, scale_of_line=scale)
    assert np.isnan(got.flux[30, 40])
    assert np.isfinite(got.flux[30, 5])
    assert np.isnan(got.flux[9:11, 5]).all()
    assert got.mask[10, 5] == PixelMask.NO_DATA
    assert np.array_equal(got.mask != 0, np.isnan(got.flux))


@given(
    cuts=st.lists(st.integers(1001, 1179), max_size=5, unique=True),
    turn=st.booleans(),
    seed=st.integers(0, 2**31),
)
@settings(max_examples=12, deadline=None)
def test_blocks_assemble_to_the_tile_of_the_whole_strip(cuts, turn, seed):
    """Bit for bit, whatever the cut, with masks, a rotated map and scales."""
    rng = np.random.default_rng(seed)
    image = rng.normal(0, 10, (180, 70)).astype(np.float32)
    variance = rng.uniform(1, 3, image.shape).astype(np.float32)
    mask = np.where(rng.random(image.shape) < 0.01, PixelMask.COSMIC_RAY, 0).astype(np.uint16)
    mask[60:64] = PixelMask.NO_DATA
    scale_of_line = rng.uniform(0.9, 1.1, 180)
    a, b, slope = rng.uniform(-3, 3), rng.uniform(-3, 3), rng.normal(0, 0.01)

    def line_of(y, x):
        return 1000 + a + y + slope * x + 1e-4 * y * x

    def column_of(y, x):
        return b + x - slope * y

    if turn:
        grid = make_grid(
            lambda y, x: line_of(x, y), lambda y, x: column_of(x, y), shape=(72, 185), step=16
        )
    else:
        grid = make_grid(line_of, column_of, shape=(185, 72), step=16)

    def part(start, stop):
        first, last = max(start - halo_lines(), 1000), min(stop + halo_lines(), 1180)
        rows = slice(first - 1000, last - 1000)
        return resample(
            image[rows],
            grid,
            variance=variance[rows],
            mask=mask[rows],
            first_line=first,
            scale_of_line=scale_of_line[rows],
            own=(start, stop),
        )

    whole = part(1000, 1180)
    edges = [1000, *sorted(cuts), 1180]
    merged = merge_parts(part(i, j) for i, j in pairwise(edges))
    assert np.array_equal(merged.flux, whole.flux, equal_nan=True)
    assert np.array_equal(merged.variance, whole.variance, equal_nan=True)
    assert np.array_equal(merged.mask, whole.mask)
    assert np.isfinite(whole.flux).mean() > 0.5


def test_total_flux_and_smooth_image_agree_with_exact_overlap():
    """Against the spherical-polygon overlap of the reproject package, which averages brightness."""
    reproject = pytest.importorskip("reproject")
    from astropy.wcs import WCS

    def make_wcs(angle, scale, shift):
        w = WCS(naxis=2)
        w.wcs.ctype = ["RA---TAN", "DEC--TAN"]
        w.wcs.crval = [150.0, -46.0]
        w.wcs.crpix = [40.5 + shift, 40.5 - shift]
        c, s = np.cos(angle), np.sin(angle)
        w.wcs.cd = scale / 3600 * np.array([[-c, s], [s, c]])
        return w

    source, target = make_wcs(0.0, 0.5, 0.0), make_wcs(0.01, 0.51, 0.37)
    y, x = np.mgrid[:80, :80]
    image = gaussian(y - 38.3, x - 42.6, fwhm=6.0, flux=1e4) + gaussian(
        y - 50.0, x - 30.2, fwhm=9.0, flux=2e4
    )
    exact, _ = reproject.reproject_exact((image, source), target, shape_out=(80, 80))
    exact = exact * (0.51 / 0.5) ** 2

    def line_of(y, x):
        return source.all_world2pix(
            target.all_pix2world(np.stack([x, y], -1).reshape(-1, 2), 0), 0
        )[:, 1].reshape(np.shape(y))

    def column_of(y, x):
        return source.all_world2pix(
            target.all_pix2world(np.stack([x, y], -1).reshape(-1, 2), 0), 0
        )[:, 0].reshape(np.shape(y))

    got = resample(image, make_grid(line_of, column_of, shape=(80, 80), step=20))
    inner = slice(5, 75)
    assert got.flux[inner, inner].sum() == pytest.approx(np.nansum(exact[inner, inner]), rel=2e-4)
    # at phase f the overlap method adds f (1 - f) <= 1/4 px**2 of variance an axis, which lowers
    # the peak of a star of variance (6 / 2.355)**2 by up to 3.9 %
    bound = 0.25 / (6.0 / 2.3548) ** 2 * np.nanmax(exact)
    assert np.abs(got.flux - exact)[inner, inner].max() < bound


def test_inputs_stay_as_they_were():
    image = np.ones((30, 30), np.float32)
    variance, mask = np.ones_like(image), np.zeros((30, 30), np.uint16)
    for array in (image, variance, mask):
        array.setflags(write=False)
    grid = shifted(0.3, 0.3, shape=(30, 30))
    for name in ("grid_line", "grid_column", "grid_area"):
        grid[name].setflags(write=False)
    assert np.isfinite(resample(image, grid, variance=variance, mask=mask).flux).any()


def test_wrong_arguments_are_named():
    image = np.ones((30, 30), np.float32)
    grid = shifted(0.0, 0.0, shape=(30, 30))
    with pytest.raises(ValueError, match="min_good_weight must lie in"):
        ResampleOptions(0.0)
    with pytest.raises(ValueError, match="variance must have the shape of image"):
        resample(image, grid, variance=np.ones((3, 3), np.float32))
    with pytest.raises(ValueError, match="scale_of_line must have shape"):
        resample(image, grid, scale_of_line=np.ones(3))
    with pytest.raises(ValueError, match="grid_area must have the shape of grid_line"):
        resample(image, {**grid, "grid_area": np.ones((2, 2))})
    with pytest.raises(ValueError, match="grid_line must span the tile"):
        resample(image, {**grid, "shape": (60, 30)})
    with pytest.raises(ValueError, match="step must be at least 1"):
        resample(image, {**grid, "step": 0})
    with pytest.raises(ValueError, match="image must have 2 dimensions"):
        resample(np.ones((4, 4, 4)), grid)
    with pytest.raises(ValueError, match="parts must hold at least one"):
        merge_parts([])
