"""Equalisation against analytic Gaussians, a convolution of another library, and pure noise."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import fftconvolve

from pipeline.flags import PixelMask
from pipeline.stages.equalise import (
    EqualiseOptions,
    Equaliser,
    equalise_lines,
    halo_lines,
    make_equaliser,
)
from pipeline.stages.equalise_fit import Box, make_support, measure_widths, solve_kernel
from pipeline.stages.psf_model import make_psf_model
from pipeline.stages.tile_noise import NoiseImages, predict_noise

N_COLUMNS = 200


def banana(columns):
    """A path whose extent along the scan grows from the middle to both edges, bent across it."""
    t = (np.arange(16) + 0.5) / 16 - 0.5
    x = (np.asarray(columns) - (N_COLUMNS - 1) / 2) / (N_COLUMNS / 2)
    dl = 6.0 * x[:, None] * t
    dc = np.ones_like(x)[:, None] * (3.0 * t**2 + 1.0 * t)
    return dl, dc, np.ones((x.size, t.size))


@pytest.fixture(scope="module")
def model():
    return make_psf_model(
        [0.0, 4000.0], [2.5, 2.7], np.linspace(0, N_COLUMNS - 1, 9), beta=3.5, path=banana,
        optics=None, half_size=16,
    )  # fmt: skip


@pytest.fixture(scope="module")
def broadest(model):
    return make_equaliser(model, options=EqualiseOptions())


def run(equaliser, image, mask=None, *, first=0, own=None, variance=None):
    mask = np.zeros(image.shape, dtype=np.uint16) if mask is None else mask
    variance = np.full_like(image, 25.0) if variance is None else variance
    own = (first, first + image.shape[0]) if own is None else own
    return equalise_lines(image, variance, mask, equaliser, first_line=first, own=own)


def test_kernels_keep_flux_and_centroid(broadest):
    s = broadest.support
    assert np.allclose(broadest.kernels.sum(axis=2), 1.0, atol=1e-9)
    assert np.abs(broadest.kernels @ s.line).max() < 1e-7
    assert np.abs(broadest.kernels @ s.column).max() < 1e-7


def test_every_column_reaches_one_width(broadest, model):
    """Widths differ by tens of per cent before; at nodes and between them by less than 2 after."""
    ends = [broadest.report(w, c) for w in (2.5, 2.7) for c in range(model.node_columns.size)]
    before = np.array([r.before for r in ends])
    after = np.array([r.after for r in ends])
    assert np.ptp(before[:, 0]) > 0.3 * before[:, 0].min()
    assert (np.ptp(after, axis=0) < 0.02 * after.min(axis=0)).all()
    assert all(r.noise < 1 and r.depth_plain > 0 for r in ends)
    middles = 0.5 * (model.node_columns[1:] + model.node_columns[:-1])
    for line, column in zip(np.linspace(0, 4000, middles.size), middles, strict=True):
        kernel = broadest.kernel_at(line, column)
        star = model.kernel(line, column, model.half_size)
        image = fftconvolve(star, kernel)
        widths = measure_widths(image, oversample=1)
        assert widths.along == pytest.approx(after[:, 0].mean(), rel=0.02)
        assert widths.across == pytest.approx(after[:, 1].mean(), rel=0.02)


def test_gaussian_to_broader_gaussian_is_a_gaussian(model):
    """The same seeing under two Gaussians: the kernel is the Gaussian of the difference."""
    box = Box(model, 20)
    support = make_support(9, 8)
    kernel = solve_kernel(
        box, box.gaussian_target(2.6, 1.0, 0.5), box.gaussian_target(2.6, 5.0, 3.0), support,
        damping=1e-6,
    )  # fmt: skip
    ll, cc = 4.0, 2.5
    expected = np.exp(-0.5 * (support.line**2 / ll + support.column**2 / cc))
    expected /= 2 * np.pi * np.sqrt(ll * cc)
    assert np.abs(kernel - expected).max() < 2e-3 * expected.max()
    assert (kernel * support.line**2).sum() == pytest.approx(ll, rel=2e-3)
    assert (kernel * support.column**2).sum() == pytest.approx(cc, rel=2e-3)
    widths = measure_widths(
        np.exp(-0.5 * (np.arange(-30, 31)[:, None] ** 2 / 9 + np.arange(-30, 31) ** 2 / 4)),
        oversample=1,
    )
    assert widths == pytest.approx((3.0, 2.0, 2.3548 * np.sqrt(6.0)), rel=0.01)


def test_nothing_is_done_where_nothing_is_to_be_done():
    """Without smear, at the worst seeing, stars and their noise stay as they are.

    Not so the kernel: where the point spread has no power it need not pass noise.
    """
    round_model = make_psf_model(
        [0.0, 1000.0], [2.5, 3.0], np.linspace(0, 99, 4), beta=3.5, path=None, optics=None,
        half_size=16,
    )  # fmt: skip
    equaliser = make_equaliser(round_model, options=EqualiseOptions())
    report = equaliser.report(3.0, 1)
    assert report.residual < 0.01  # of the order of the root of the damping
    assert report.after[:2] == pytest.approx(report.before[:2], rel=0.002)
    # The root of the damping lowers the peak by that residual, and its diameter grows with it.
    assert report.after.peak == pytest.approx(report.before.peak, rel=0.015)
    assert report.depth_plain == pytest.approx(0.0, abs=0.005)


def constant(kernel_values, support):
    """An equaliser with one kernel everywhere."""
    psf = make_psf_model(
        [0.0], [2.5], [0.0, 1.0, 2.0, 3.0], beta=3.5, path=None, optics=None, half_size=8
    )
    kernels = np.broadcast_to(kernel_values, (1, 4, support.line.size)).copy()
    return Equaliser(psf, EqualiseOptions(), support, kernels, np.log([2.5]), 2.5, (0.0, 0.0))


def test_convolution_is_that_of_another_library():
    rng = np.random.default_rng(3)
    support = make_support(5, 3)
    values = rng.normal(size=support.line.size)
    equaliser = constant(values / values.sum(), support)
    image = rng.normal(size=(90, 150)).astype(np.float32)
    variance = np.tile(rng.uniform(1, 2, 150), (90, 1)).astype(np.float32)
    out = run(equaliser, image, variance=variance)
    kernel = equaliser.kernel_at(0.0, 0.0)
    inner = (slice(8, -8), slice(8, -8))
    assert np.allclose(out.image[inner], fftconvolve(image, kernel, "same")[inner], atol=1e-4)
    wanted = fftconvolve(variance, kernel**2, "same")
    assert np.allclose(out.variance[inner], wanted[inner], rtol=1e-4)
    assert not out.mask[inner].any()
    assert (out.mask[:, 0] & int(PixelMask.NO_DATA)).all()


def test_result_does_not_depend_on_blocks(broadest):
    rng = np.random.default_rng(4)
    image = rng.normal(size=(300, N_COLUMNS)).astype(np.float32)
    variance = np.linspace(1, 3, 300)[:, None] * np.ones(N_COLUMNS)
    variance = variance.astype(np.float32)
    mask = np.where(rng.random(image.shape) < 2e-3, 64, 0).astype(np.uint16)
    mask[:, 77] = 1
    halo = halo_lines(broadest)
    first = 1000
    whole = run(broadest, image, mask, first=first, variance=variance, own=(1050, 1250))
    cuts = [1050, 1077, 1128, 1250]
    for start, stop in pairwise(cuts):
        low, high = max(start - halo, first), min(stop + halo, first + 300)
        rows = slice(low - first, high - first)
        part = run(
            broadest, image[rows], mask[rows], first=low, variance=variance[rows],
            own=(start, stop),
        )  # fmt: skip
        for one, other in zip(part, whole, strict=True):
            assert np.array_equal(one, other[start - 1050 : stop - 1050])


@settings(max_examples=15, deadline=None)
@given(
    line=st.integers(40, 59), column=st.integers(25, N_COLUMNS - 26),
    flux=st.floats(1.0, 1e6),
)  # fmt: skip
def test_flux_is_conserved(broadest, line, column, flux):
    """To rounding, wherever the light falls: kernels change little over their own width."""
    image = np.zeros((100, N_COLUMNS), dtype=np.float32)
    image[line - 2 : line + 3, column - 2 : column + 3] = flux / 25
    out = run(broadest, image, first=2000)
    assert out.image.sum(dtype=float) == pytest.approx(flux, rel=1e-3)


def test_bad_pixels_smear_nothing_and_stay_bad(broadest):
    image = np.ones((120, N_COLUMNS), dtype=np.float32)
    mask = np.zeros(image.shape, dtype=np.uint16)
    mask[60, 100] = int(PixelMask.COSMIC_RAY)
    mask[:, 40] = int(PixelMask.HOT)
    mask[60:63, 150:153] = int(PixelMask.SATURATED)
    image[mask != 0] = 1e5
    out = run(broadest, image, mask, first=512)
    good = out.mask == 0
    assert np.abs(out.image[good] - 1.0).max() < 1e-3
    assert (out.mask[mask != 0] & mask[mask != 0]).all()
    assert out.mask[60, 102] == 0
    for column in range(30, 51):
        kernel = np.abs(broadest.kernel_at(512 + 40, column))
        middle = kernel.shape[1] // 2
        share = 0.0
        if abs(column - 40) <= middle:
            share = kernel[:, middle + column - 40].sum() / kernel.sum()
        assert (out.mask[40, column] != 0) == (share > 0.1 or column == 40)
    # Around a saturated patch nothing is trusted, however well it is bridged.
    assert (out.mask[59:64, 149:154] & int(PixelMask.SATURATED)).all()


def test_noise_is_what_variance_and_correlation_say(broadest):
    """Pure noise through the kernels: pixels, apertures and point-spread fits within 5 %."""
    rng = np.random.default_rng(5)
    sky = rng.normal(0, 5, (3000, N_COLUMNS)).astype(np.float32)
    out = run(broadest, sky, first=0)
    for column in (30, 100, 170):
        strip = out.image[30:-30, column - 12 : column + 13]
        variance = float(np.median(out.variance[30:-30, column]))
        lags = broadest.noise_lags(1500.0, column)
        assert lags.max() == pytest.approx(variance / 25.0, rel=0.1)
        nodes = np.array([0.0])
        images, share = predict_noise([[lags]], np.eye(2)[None, None], nodes, nodes)
        assert 0.9 < share[0, 0] <= 1.0
        exact = NoiseImages(_as_square(lags / lags.max())[None, None], nodes, nodes)
        at = np.arange(-12, 13)
        circle = (at[:, None] ** 2 + at**2 <= 36).astype(float)
        profile = np.exp(-0.5 * ((at[:, None] / 3.5) ** 2 + (at / 2.0) ** 2))
        for weights in (circle, profile):
            sums = np.array(
                [
                    (strip[k : k + 25] * weights).sum()
                    for k in range(0, strip.shape[0] - 25, 13)
                ]
            )  # fmt: skip
            for noise in (exact, images):
                claimed = variance * (weights**2).sum() * noise.weighted(weights)[0, 0]
                # 226 sums that overlap a little: their spread is good to 5 %, judged at 2.5 sigma
                assert sums.std() / np.sqrt(claimed) == pytest.approx(1.0, abs=0.13)


def _as_square(lags):
    side = max(lags.shape)
    out = np.zeros((side, side), dtype=np.float32)
    a, b = (side - lags.shape[0]) // 2, (side - lags.shape[1]) // 2
    out[a : a + lags.shape[0], b : b + lags.shape[1]] = lags
    return out


def test_centre_sharpens_and_says_what_it_cost(model):
    centre = make_equaliser(model, options=EqualiseOptions(target="centre"))
    edge = centre.report(2.7, 0)
    assert edge.after.along < edge.before.along
    assert edge.noise > 3 * centre.report(2.7, 4).noise
    assert edge.depth_plain > 0


def test_wrong_options_are_named():
    with pytest.raises(ValueError, match="target must be"):
        EqualiseOptions(target="sharpest")
    with pytest.raises(ValueError, match="lost_limit"):
        EqualiseOptions(lost_limit=2.0)


def test_range_outside_the_window_is_refused(broadest):
    image = np.zeros((40, N_COLUMNS), dtype=np.float32)
    with pytest.raises(ValueError, match="own must lie in lines 100 to 140"):
        run(broadest, image, first=100, own=(90, 120))
