"""The stack: depth, unbiased fluxes, rejection that spares stars, and bands."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flags import PixelMask
from pipeline.stages.epoch_match import MatchOptions, match_epochs, measure_epoch
from pipeline.stages.stack import (
    StackOptions,
    TileBand,
    stack_bands,
    stack_tiles,
    weigh_epochs,
)

OPTIONS = StackOptions()


def moffat(y, x, *, fwhm, beta=3.5):
    """Pixel-integrated Moffat profile of unit flux, 5 x 5 Gauss-Legendre points."""
    node, weight = np.polynomial.legendre.leggauss(5)
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    total = np.zeros(np.broadcast(y, x).shape)
    for a, wa in zip(node, weight, strict=True):
        for b, wb in zip(node, weight, strict=True):
            total += wa * wb / 4 * (1 + ((y + a / 2) ** 2 + (x + b / 2) ** 2) / core**2) ** -beta
    return (beta - 1) / (np.pi * core**2) * total


def make_epochs(rng, *, fwhm, sigma, stars, shape, jitter=0.05, photon=True):
    """Epochs of one field with their own seeing, small errors of position, and photon noise."""
    flux = np.zeros((len(fwhm), *shape))
    y, x = np.mgrid[-15:16, -15:16]
    for e, width in enumerate(fwhm):
        for sy, sx, f in stars:
            iy, ix = round(sy), round(sx)
            dy, dx = rng.normal(0, jitter, 2) if jitter else (0.0, 0.0)
            stamp = f * moffat(y - (sy + dy - iy), x - (sx + dx - ix), fwhm=width)
            flux[e, iy - 15 : iy + 16, ix - 15 : ix + 16] += stamp
    noise = np.sqrt(np.asarray(sigma)[:, None, None] ** 2 + (flux if photon else 0))
    variance = np.broadcast_to(np.asarray(sigma)[:, None, None] ** 2, flux.shape)
    return (
        (flux + rng.normal(size=flux.shape) * noise).astype(np.float32),
        variance.astype(np.float32),
        np.zeros(flux.shape, np.uint16),
    )


def grid_of_stars(rng, fluxes, spacing=40):
    n = int(np.ceil(np.sqrt(len(fluxes))))
    stars = []
    for k, f in enumerate(fluxes):
        stars.append(
            (
                spacing * (k // n + 0.5) + rng.uniform(-0.5, 0.5),
                spacing * (k % n + 0.5) + rng.uniform(-0.5, 0.5),
                f,
            )
        )
    return stars, (spacing * n, spacing * n)


@pytest.mark.parametrize("n", [4, 9, 16])
def test_depth_grows_with_the_number_of_epochs(n):
    """Noise of the stack against one epoch, with clipping on, at equal epochs."""
    rng = np.random.default_rng(n)
    flux, variance, mask = make_epochs(
        rng, fwhm=[2.8] * n, sigma=[10.0] * n, stars=[], shape=(300, 300)
    )
    got = stack_tiles(flux, variance, mask, fwhm=np.full(n, 2.8), options=OPTIONS)
    gain = 2.5 * np.log10(10.0 / got.flux.std())
    # 90 thousand pixels give the spread to 0.0026 mag
    assert abs(gain - 1.25 * np.log10(n)) < 0.01
    assert abs(got.flux.mean()) < 4 * 10 / np.sqrt(n * 90000)
    assert got.variance.mean() == pytest.approx(got.flux.var(), rel=0.02)


def test_stars_are_neither_clipped_nor_biased_in_changing_seeing():
    """FWHM 2.2 to 3.4 px, stars of up to a million electrons, photon noise not in the variance."""
    rng = np.random.default_rng(7)
    fwhm = np.array([2.2, 3.4, 2.4, 3.0, 2.2, 3.4, 2.7])
    true = np.repeat([3e3, 1e4, 1e5, 1e6], 9)
    stars, shape = grid_of_stars(rng, true)
    flux, variance, mask = make_epochs(
        rng, fwhm=fwhm, sigma=np.full(7, 12.0), stars=stars, shape=shape
    )
    got = stack_tiles(flux, variance, mask, fwhm=fwhm, options=OPTIONS)
    for sy, sx, f in stars:
        box = (slice(round(sy) - 5, round(sy) + 6), slice(round(sx) - 5, round(sx) + 6))
        assert (got.n_used[box] == 7).mean() > 0.99 if f < 2e4 else (got.n_used[box] == 7).all()
    # the clipped stack against the same sum without clipping, in wide apertures
    plain = np.tensordot(got.weights, flux.astype(float), axes=1)
    ratio = []
    for sy, sx, _f in stars:
        box = (slice(round(sy) - 12, round(sy) + 13), slice(round(sx) - 12, round(sx) + 13))
        ratio.append(got.flux[box].sum(dtype=float) / plain[box].sum())
    magnitude = 2.5 * np.log10(ratio)
    assert np.abs(magnitude[true > 9e3]).max() < 1e-3
    assert abs(np.mean(magnitude[:9])) < 3e-3


@pytest.mark.parametrize(("worst", "typical"), [(2.2, 3.4), (3.4, 2.2), (4.0, 2.2)])
def test_one_odd_epoch_keeps_its_stars(worst, typical):
    rng = np.random.default_rng(8)
    fwhm = np.array([typical] * 6 + [worst])
    stars, shape = grid_of_stars(rng, np.repeat([1e4, 1e5, 5e5], 12))
    flux, variance, mask = make_epochs(
        rng, fwhm=fwhm, sigma=np.full(7, 12.0), stars=stars, shape=shape
    )
    got = stack_tiles(flux, variance, mask, fwhm=fwhm, options=OPTIONS)
    for sy, sx, _f in stars:
        box = (slice(round(sy) - 5, round(sy) + 6), slice(round(sx) - 5, round(sx) + 6))
        assert (got.n_used[box] == 7).mean() > 0.98


@pytest.mark.parametrize("n", [2, 3, 5])
def test_cosmic_rays_and_trails_are_rejected(n):
    rng = np.random.default_rng(9)
    stars, shape = grid_of_stars(rng, np.full(16, 2e4))
    flux, variance, mask = make_epochs(
        rng, fwhm=[2.6] * n, sigma=[10.0] * n, stars=stars, shape=shape
    )
    clean = stack_tiles(flux, variance, mask, fwhm=np.full(n, 2.6), options=OPTIONS)
    hit = np.zeros(flux.shape, bool)
    hit[0, 3:157:7, 11:150:13] = True
    i = np.arange(160)
    for k in range(-1, 2):
        hit[1, i, np.clip(i // 2 + 20 + k, 0, 159)] = True
    spoilt = flux + np.where(hit, 300.0, 0.0).astype(np.float32)
    got = stack_tiles(spoilt, variance, mask, fwhm=np.full(n, 2.6), options=OPTIONS)
    # far from stars, where nothing is tolerated
    y, x = np.mgrid[:160, :160]
    near = np.zeros(shape, bool)
    for sy, sx, _f in stars:
        near |= (y - sy) ** 2 + (x - sx) ** 2 < 12**2
    where = hit.any(axis=0) & ~near
    single = where & (hit.sum(axis=0) == 1)
    assert (got.n_used[single] == n - 1).mean() > 0.99
    residual = got.flux[single] - 0.0
    assert abs(residual.mean()) < 4 * 10 / np.sqrt(max(n - 1, 1) * single.sum())
    assert got.rejected[:2].min() > 100
    others = ~hit.any(axis=0) & ~near
    assert (got.n_used == clean.n_used)[others].mean() > 0.97


def test_two_epochs_keep_the_fainter_and_one_is_copied():
    flux = np.zeros((2, 9, 9), np.float32)
    flux[1, 4, 4] = 500.0
    variance, mask = np.full_like(flux, 4.0), np.zeros(flux.shape, np.uint16)
    got = stack_tiles(flux, variance, mask, fwhm=np.array([2.5, 2.5]), options=OPTIONS)
    assert got.flux[4, 4] == 0.0
    assert got.n_used[4, 4] == 1
    assert np.array_equal(got.rejected, [0, 1])
    one = stack_tiles(flux[1:], variance[1:], mask[1:], fwhm=np.array([2.5]), options=OPTIONS)
    assert np.array_equal(one.flux, flux[1])
    assert np.array_equal(one.variance, variance[1])
    three = StackOptions(clip_epochs=3)
    got = stack_tiles(flux, variance, mask, fwhm=np.array([2.5, 2.5]), options=three)
    assert got.flux[4, 4] == 250.0


def test_masked_pixels_have_no_part_and_their_bits_remain():
    rng = np.random.default_rng(10)
    flux, variance, mask = make_epochs(
        rng, fwhm=[2.5] * 3, sigma=[1.0] * 3, stars=[], shape=(20, 20)
    )
    mask[0, 5, 5] = PixelMask.HOT
    flux[0, 5, 5] = 1e6
    mask[:, 8, 8] = [PixelMask.SATURATED, PixelMask.NO_DATA, PixelMask.BLEED]
    flux[:, 9, 9] = np.nan
    got = stack_tiles(flux, variance, mask, fwhm=np.full(3, 2.5), options=OPTIONS)
    assert got.n_used[5, 5] == 2
    assert got.flux[5, 5] == pytest.approx(flux[1:, 5, 5].mean(), rel=1e-5)
    assert got.variance[5, 5] == pytest.approx(0.5)
    assert np.isnan(got.flux[8, 8])
    assert got.mask[8, 8] == PixelMask.SATURATED | PixelMask.NO_DATA | PixelMask.BLEED
    assert got.mask[9, 9] == PixelMask.NO_DATA
    assert np.array_equal(got.mask != 0, np.isnan(got.flux))


def test_weights_are_the_optimum_for_fitted_fluxes():
    """The spread of weighted point-source fluxes is least at 1 / (variance fwhm**2)."""
    levels, fwhm = np.array([100.0, 225.0, 64.0]), np.array([2.2, 2.6, 3.6])
    weights = weigh_epochs(levels, fwhm, options=OPTIONS)
    assert weights.sum() == pytest.approx(1.0)
    y, x = np.mgrid[-20:21, -20:21]
    # background-limited variance of a fitted flux: variance / sum(P**2)
    cost = np.array(
        [v / (moffat(y, x, fwhm=f) ** 2).sum() for v, f in zip(levels, fwhm, strict=True)]
    )
    best = 1 / np.sum(1 / cost)
    assert (weights**2 * cost).sum() < 1.01 * best
    plain = weigh_epochs(levels, fwhm, options=StackOptions(weighting="variance"))
    assert (plain**2 * cost).sum() > 1.1 * best
    assert np.array_equal(plain, (1 / levels) / (1 / levels).sum())
    missing = weigh_epochs(np.array([np.nan, 1.0]), np.array([2.0, 2.0]), options=OPTIONS)
    assert np.array_equal(missing, [0.0, 1.0])


@given(
    cuts=st.lists(st.integers(1, 47), max_size=8, unique=True),
    n=st.integers(1, 5),
    seed=st.integers(0, 2**31),
)
@settings(max_examples=15, deadline=None)
def test_bands_of_any_height_give_the_whole_tile(cuts, n, seed):
    rng = np.random.default_rng(seed)
    flux = rng.normal(0, 3, (n, 48, 17)).astype(np.float32)
    flux[rng.random(flux.shape) < 0.03] += 60
    variance = np.full_like(flux, 9.0)
    mask = (rng.random(flux.shape) < 0.1).astype(np.uint16)
    fwhm = rng.uniform(2, 4, n)
    whole = stack_tiles(flux, variance, mask, fwhm=fwhm, options=OPTIONS)
    edges = [0, *sorted(cuts), 48]
    bands = (TileBand(flux[:, a:b], variance[:, a:b], mask[:, a:b]) for a, b in pairwise(edges))
    parts = list(stack_bands(bands, weights=whole.weights, fwhm=fwhm, options=OPTIONS))
    assert np.array_equal(np.concatenate([p.flux for p in parts]), whole.flux, equal_nan=True)
    assert np.array_equal(
        np.concatenate([p.variance for p in parts]), whole.variance, equal_nan=True
    )
    assert np.array_equal(np.concatenate([p.n_used for p in parts]), whole.n_used)
    assert np.array_equal(np.concatenate([p.mask for p in parts]), whole.mask)
    assert np.array_equal(sum(p.rejected for p in parts), whole.rejected)


def test_scales_and_offsets_are_found_and_applied_only_when_significant():
    rng = np.random.default_rng(12)
    stars, shape = grid_of_stars(rng, np.full(25, 5e4))
    fwhm = [2.4, 2.6, 2.5, 2.5]
    flux, variance, mask = make_epochs(
        rng, fwhm=fwhm, sigma=[8.0] * 4, stars=stars, shape=shape, jitter=0.0
    )
    flux[1] *= 1.05
    flux[2] += 6.0
    y, x = (np.array([s[k] for s in stars]) for k in (0, 1))
    samples = [
        measure_epoch(f, v, m, x, y, radius=8.0)
        for f, v, m in zip(flux, variance, mask, strict=True)
    ]
    match = match_epochs(samples, options=MatchOptions())
    relative = match.measured_scale / match.measured_scale[0]
    assert relative == pytest.approx([1, 1 / 1.05, 1, 1], abs=4e-3)
    assert match.scale[1] == match.measured_scale[1]
    assert match.measured_offset == pytest.approx([1.5, 1.5, -4.5, 1.5], abs=0.4)
    stacked = stack_tiles(flux, variance, mask, fwhm=np.array(fwhm), options=OPTIONS, match=match)
    assert np.isfinite(stacked.flux).all()
    quiet = match_epochs([samples[0], samples[3]], options=MatchOptions())
    assert np.array_equal(quiet.scale, [1.0, 1.0])
    few = match_epochs(
        [s._replace(flux=s.flux[:4], flux_err=s.flux_err[:4]) for s in samples],
        options=MatchOptions(),
    )
    assert np.array_equal(few.scale, np.ones(4))


def test_empty_epochs_do_not_disturb_the_match():
    rng = np.random.default_rng(13)
    stars, shape = grid_of_stars(rng, np.full(9, 5e4))
    flux, variance, mask = make_epochs(
        rng, fwhm=[2.4] * 3, sigma=[8.0] * 3, stars=stars, shape=shape
    )
    flux[1] = np.nan
    y, x = (np.array([s[k] for s in stars]) for k in (0, 1))
    samples = [
        measure_epoch(f, v, m, x, y, radius=8.0)
        for f, v, m in zip(flux, variance, mask, strict=True)
    ]
    match = match_epochs(samples, options=MatchOptions())
    assert match.scale[1] == 1.0
    assert match.offset[1] == 0.0
    assert list(match.n_stars) == [9, 0, 9]
    got = stack_tiles(flux, variance, mask, fwhm=np.full(3, 2.4), options=OPTIONS, match=match)
    assert got.weights[1] == 0.0
    assert got.n_used.max() == 2


def test_inputs_stay_as_they_were():
    rng = np.random.default_rng(11)
    arrays = make_epochs(rng, fwhm=[2.5] * 3, sigma=[1.0] * 3, stars=[], shape=(12, 12))
    for array in arrays:
        array.setflags(write=False)
    got = stack_tiles(*arrays, fwhm=np.full(3, 2.5), options=OPTIONS)
    assert got.flux.flags.writeable


def test_wrong_arguments_are_named():
    flux = np.zeros((2, 4, 4), np.float32)
    mask = np.zeros((2, 4, 4), np.uint16)
    with pytest.raises(ValueError, match='weighting must be "point_source" or "variance"'):
        StackOptions(weighting="mean")
    with pytest.raises(ValueError, match="clip must be positive"):
        StackOptions(clip=0.0)
    with pytest.raises(ValueError, match="tolerance must not be negative"):
        StackOptions(tolerance=-1.0)
    with pytest.raises(ValueError, match="clip_epochs must be at least 2"):
        StackOptions(clip_epochs=1)
    with pytest.raises(ValueError, match="significance must be positive"):
        MatchOptions(significance=0)
    with pytest.raises(ValueError, match="variances must have the shape of fluxes"):
        stack_tiles(flux, flux[:1], mask, fwhm=np.ones(2), options=OPTIONS)
    with pytest.raises(ValueError, match="fluxes must have shape"):
        stack_tiles(flux[:0], flux[:0], mask[:0], fwhm=np.ones(0), options=OPTIONS)
    with pytest.raises(ValueError, match="fwhm must hold one positive value"):
        stack_tiles(flux, flux + 1, mask, fwhm=np.array([1.0, 0.0]), options=OPTIONS)
    bands = [TileBand(flux, flux + 1, mask)]
    with pytest.raises(ValueError, match="weights and fwhm must have one value"):
        list(stack_bands(bands, weights=np.ones(3), fwhm=np.ones(3), options=OPTIONS))


def test_rejection_knows_the_seeing_of_every_row():
    """A night sharper than its tile's mean keeps its stars; a trail still goes."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:120, 0:60].astype(float)
    widths = np.full((4, 120), 3.0)
    widths[0, 60:] = 2.0  # one mean width of the tile would say 2.5
    flux = np.empty((4, 120, 60), np.float32)
    for e in range(4):
        w = widths[e][:, None] / 2.3548
        star = sum(np.exp(-0.5 * ((y - a) ** 2 + (x - 30.0) ** 2) / w**2) for a in (30.0, 90.0))
        flux[e] = 4e4 * star / (2 * np.pi * w**2) + rng.normal(0, 1.0, (120, 60))
    flux[1, 75, 10:50] += 30.0
    variance = np.ones_like(flux)
    mask = np.zeros(flux.shape, np.uint16)
    known = stack_tiles(
        flux, variance, mask, fwhm=widths.mean(axis=1), widths=widths, options=OPTIONS
    )
    assert known.n_used[88:93, 28:33].min() == 4
    assert known.n_used[28:33, 28:33].min() == 4
    assert (known.n_used[75, 12:48] == 3).all()
    blind = stack_tiles(flux, variance, mask, fwhm=widths.mean(axis=1), options=OPTIONS)
    assert blind.n_used[88:93, 28:33].min() < 4  # what it is for
    # Bands see the same rows.
    bands = [TileBand(flux[:, a:b], variance[:, a:b], mask[:, a:b])
             for a, b in ((0, 17), (17, 90), (90, 120))]  # fmt: skip
    parts = list(stack_bands(bands, weights=known.weights, fwhm=widths, options=OPTIONS))
    assert np.array_equal(np.concatenate([p.n_used for p in parts]), known.n_used)
