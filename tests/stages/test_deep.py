"""Deep catalogues: a field through resampling, stack and measurement, against what was put in."""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.deep import DeepOptions, find_tile_psf, measure_deep
from pipeline.stages.deep_tile import SkyOptions
from pipeline.stages.detect import DetectOptions
from pipeline.stages.resample import ResampleOptions, mean_noise_correlation, resample_tile
from pipeline.stages.stack import StackOptions, stack_tiles
from pipeline.stages.tile_psf import OVERSAMPLE, SpreadImages, TilePsf, combine_spreads, grid_side

OPTIONS = DeepOptions()
SIZE = 640
UNIT = 0.03  # flux unit of the tile per electron


def moffat(y, x, *, fwhm, beta=3.5):
    """Pixel-integrated Moffat profile of unit flux, 5 x 5 Gauss-Legendre points."""
    node, weight = np.polynomial.legendre.leggauss(5)
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    total = np.zeros(np.broadcast(y, x).shape)
    for a, wa in zip(node, weight, strict=True):
        for b, wb in zip(node, weight, strict=True):
            total += wa * wb / 4 * (1 + ((y + a / 2) ** 2 + (x + b / 2) ** 2) / core**2) ** -beta
    return (beta - 1) / (np.pi * core**2) * total


def add_stars(image, y, x, flux, *, fwhm, half=20):
    at = np.arange(-half, half + 1)
    for sy, sx, f in zip(y, x, flux, strict=True):
        iy, ix = round(sy), round(sx)
        if not (half <= iy < image.shape[0] - half and half <= ix < image.shape[1] - half):
            continue
        stamp = f * moffat(at[:, None] + iy - sy, at[None, :] + ix - sx, fwhm=fwhm)
        image[iy - half : iy + half + 1, ix - half : ix + half + 1] += stamp


def spread_of(*, fwhm, size, half=16):
    """Predicted images of a round profile, the same all over the tile."""
    g = grid_side(half)
    at = (np.arange(g) - g // 2) / OVERSAMPLE
    image = moffat(at[:, None], at[None, :], fwhm=fwhm).astype(np.float32)
    nodes = np.linspace(0, size - 1.0, 4)
    return SpreadImages(np.broadcast_to(image, (2, 4, g, g)).copy(), nodes[[0, -1]], nodes)


def round_psf(*, fwhm, ny):
    return TilePsf.from_images(spread_of(fwhm=fwhm, size=ny), half_size=16)


@dataclass
class Field:
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray  # unit of the tile
    stack: object
    psf: object
    photon: float
    fwhm: list
    sigma: float

    def error(self, flux):
        """Cramer-Rao error of a flux from all epochs, each with its own point spread."""
        at = np.arange(-15, 16)
        information = 0.0
        for width in self.fwhm:
            p = moffat(at[:, None] + 0.2, at - 0.3, fwhm=width)
            information += (p**2 / (self.sigma**2 + flux / UNIT * p)).sum()
        return UNIT / np.sqrt(information)


def make_field(seed, *, fwhm, n_stars, bright, sigma=20.0):
    """Epochs of one field, each shifted, stretched and turned a little, through the stages."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(30, SIZE - 30, (2, n_stars))
    flux = 10 ** rng.uniform(2.6, bright, n_stars)  # electrons
    tiles, noise, masks = [], [], []
    for width in fwhm:
        a, b, turn = rng.uniform(-0.5, 0.5), rng.uniform(-0.5, 0.5), rng.normal(0, 5e-4)
        image = np.zeros((SIZE + 16, SIZE + 16))
        add_stars(image, 8 + a + y + turn * x, 8 + b + x - turn * y, flux, fwhm=width)
        image += 5.0  # sky that was not subtracted
        image += rng.normal(size=image.shape) * np.sqrt(sigma**2 + np.maximum(image - 5, 0))
        nodes = np.arange(0, SIZE + 32, 32.0)
        gy, gx = np.meshgrid(nodes, nodes, indexing="ij")
        got = resample_tile(
            image.astype(np.float32),
            np.full(image.shape, sigma**2, np.float32),
            np.zeros(image.shape, np.uint16),
            first_line=0,
            grid_line=8 + a + gy + turn * gx,
            grid_column=8 + b + gx - turn * gy,
            grid_area=np.ones_like(gx),
            step=32,
            shape=(SIZE, SIZE),
            scale_of_line=np.full(image.shape[0], UNIT),
            scale_of_column=np.ones(image.shape[1]),
            options=ResampleOptions(),
        )
        tiles.append(got.flux)
        noise.append(got.variance)
        masks.append(got.mask)
    stack = stack_tiles(
        np.array(tiles),
        np.array(noise),
        np.array(masks),
        fwhm=np.array(fwhm),
        options=StackOptions(),
    )
    photon = float((stack.weights**2).sum() * UNIT)
    spreads = [spread_of(fwhm=width, size=SIZE) for width in fwhm]
    predicted = TilePsf.from_images(combine_spreads(spreads, stack.weights), half_size=16)
    psf = find_tile_psf(
        stack.flux,
        stack.variance,
        stack.mask,
        predicted,
        photon_variance=photon,
        options=OPTIONS,
    )
    return Field(x, y, flux * UNIT, stack, psf, photon, fwhm, sigma)


@pytest.fixture(scope="module")
def field():
    return make_field(1, fwhm=[2.3, 2.6, 3.2, 2.4, 2.8, 2.5], n_stars=500, bright=5.3)


@pytest.fixture(scope="module")
def catalogue(field):
    s = field.stack
    return measure_deep(
        s.flux,
        s.variance,
        s.mask,
        s.n_used,
        field.psf,
        photon_variance=field.photon,
        in_core=None,
        options=OPTIONS,
    )


def isolated_pairs(field, table, radius=14.0):
    """Indices of stars without neighbours, and of the sources found there."""
    stars = cKDTree(np.stack([field.x, field.y], 1))
    alone = np.array([len(g) == 1 for g in stars.query_ball_point(stars.data, radius)])
    found = cKDTree(np.stack([table["x"], table["y"]], 1))
    distance, index = found.query(stars.data)
    good = alone & (distance < 1.0) & (np.abs(field.x - SIZE / 2) < SIZE / 2 - 40)
    good &= np.abs(field.y - SIZE / 2) < SIZE / 2 - 40
    return np.flatnonzero(good), index[good]


def spread(values):
    return 1.4826 * np.median(np.abs(values - np.median(values)))


def test_fluxes_and_positions_of_bright_stars_are_right(field, catalogue):
    star, source = isolated_pairs(field, catalogue.table)
    snr = catalogue.table["flux_psf"][source] / catalogue.table["flux_psf_err"][source]
    bright = snr > 200
    assert bright.sum() > 25
    magnitude = -2.5 * np.log10(catalogue.table["flux_psf"][source] / field.flux[star])[bright]
    assert abs(np.median(magnitude)) < 3e-3
    assert spread(magnitude) < 5.4e-3  # the noise at S/N 200
    assert np.median(catalogue.table["chi2"][source][bright]) == pytest.approx(1.0, abs=0.05)
    for name, true in (("x", field.x), ("y", field.y)):
        error = (catalogue.table[name][source] - true[star])[bright]
        assert abs(np.median(error)) < 0.005
        assert spread(error) < 0.01
    # light outside of the aperture, 2 % for these profiles, is made up for
    for name in ("flux_aperture", "flux_total"):
        ratio = (catalogue.table[name][source] / field.flux[star])[bright]
        assert abs(np.median(ratio) - 1.0) < 0.004
        assert spread(ratio) < 0.01


def test_errors_are_right_in_spite_of_correlated_noise(field, catalogue):
    star, source = isolated_pairs(field, catalogue.table)
    table = catalogue.table
    snr = table["flux_psf"][source] / table["flux_psf_err"][source]
    faint = (snr > 10) & (snr < 80)
    n = faint.sum()
    assert n > 50
    tolerance = 3 * 1.2 / np.sqrt(2 * n)  # three standard errors of a robust spread
    for name, true in (("flux_psf", field.flux), ("x", field.x), ("y", field.y)):
        pull = ((table[name][source] - true[star]) / table[f"{name}_err"][source])[faint]
        assert abs(spread(pull) - 1) < tolerance, name
    # without the factor the errors would be too small by it
    # (the scatter of the measured one is 3 %)
    wide = np.sqrt(mean_noise_correlation())
    assert catalogue.noise.factor[0] == pytest.approx(wide, rel=0.09)
    assert catalogue.noise.factor[1] >= catalogue.noise.factor[0]
    share = (field.flux[star] - table["flux_aperture"][source])[faint] / field.flux[star][faint]
    pull = (
        table["flux_aperture"][source][faint] - field.flux[star][faint] * (1 - np.median(share))
    ) / table["flux_aperture_err"][source][faint]
    assert abs(spread(pull) - 1) < tolerance + 0.1  # aperture light differs with blends


def test_the_stack_is_as_deep_as_its_epochs_together(field, catalogue):
    """Flux errors of faint stars against the sum of the epochs' Fisher information."""
    table = catalogue.table
    faint = np.flatnonzero((table["snr"] < 25) & (table["flags"] == 0))
    assert faint.size > 20
    ideal = [field.error(f) for f in table["flux_psf"][faint]]
    loss = 2.5 * np.log10(np.median(table["flux_psf_err"][faint] / ideal))
    # a weighted sum of unequal seeing loses a little (Zackay & Ofek 2017); none can gain, but the
    # measured noise factor is good to 2 %
    assert -0.025 < loss < 0.05


def test_stars_are_found_down_to_the_limit_and_noise_is_not(field, catalogue):
    table = catalogue.table
    stars = cKDTree(np.stack([field.x, field.y], 1))
    distance, _ = stars.query(np.stack([table["x"], table["y"]], 1))
    assert (distance > 2.5).mean() < 0.01
    sources = cKDTree(np.stack([table["x"], table["y"]], 1))
    distance, _ = sources.query(stars.data)
    alone = np.array([len(g) == 1 for g in stars.query_ball_point(stars.data, 10.0)])
    certain = alone & (field.flux > 8 * field.error(0.0))
    assert certain.sum() > 200
    assert (distance[certain] < 1.5).mean() > 0.98  # the rest lie in the wings of bright stars
    assert np.array_equal(table["n_epochs"], np.full(len(catalogue), 6))


def test_the_residual_sky_is_taken_off(catalogue):
    assert np.median(catalogue.table["sky"]) == pytest.approx(5 * UNIT, abs=0.02 * 20 * UNIT)


def test_stars_are_not_extended(field, catalogue):
    _, source = isolated_pairs(field, catalogue.table)
    table = catalogue.table
    snr = table["flux_psf"][source] / table["flux_psf_err"][source]
    faint = (snr > 10) & (snr < 80)
    pull = (table["extendedness"] / table["extendedness_err"])[source][faint]
    assert abs(np.median(pull)) < 0.4
    assert abs(spread(pull) - 1) < 0.35
    assert np.median(table["fwhm"][source][snr > 100]) == pytest.approx(field.psf.fwhm, rel=0.1)


def test_only_the_core_is_kept_and_nothing_else_changes(field, catalogue):
    s = field.stack
    half = measure_deep(
        s.flux,
        s.variance,
        s.mask,
        s.n_used,
        field.psf,
        photon_variance=field.photon,
        in_core=lambda x, y: (x < 300) & (y >= 200),
        options=OPTIONS,
    )
    inside = (catalogue.table["x"] < 300) & (catalogue.table["y"] >= 200)
    assert 0 < len(half) < len(catalogue)
    for name, column in half.table.items():
        assert np.array_equal(column, catalogue.table[name][inside], equal_nan=True), name


def test_a_saturated_star_is_one_flagged_source():
    rng = np.random.default_rng(5)
    image = np.zeros((200, 200))
    add_stars(image, [100.2, 50.0], [99.7, 150.0], [3e5, 2e4], fwhm=2.6)
    image += rng.normal(0, 10, image.shape)
    mask = np.where(image > 8000, PixelMask.SATURATED, 0).astype(np.uint16)
    assert (mask != 0).sum() > 6
    image[mask != 0] = np.nan
    psf = round_psf(fwhm=2.6, ny=200)
    got = measure_deep(
        image.astype(np.float32),
        np.full(image.shape, 100.0, np.float32),
        mask,
        np.full(image.shape, 3, np.uint16),
        psf,
        photon_variance=1.0,
        in_core=None,
        options=OPTIONS,
    )
    near = np.hypot(got.table["x"] - 99.7, got.table["y"] - 100.2) < 8
    assert near.sum() == 1
    assert got.table["flags"][near][0] & SourceFlag.SATURATED
    # the wings still give its flux
    assert got.table["flux_psf"][near][0] == pytest.approx(3e5, rel=0.02)


def test_a_galaxy_is_extended_and_its_total_flux_exceeds_its_psf_flux():
    rng = np.random.default_rng(6)
    image = np.zeros((220, 220))
    add_stars(image, [60.3], [70.1], [3e4], fwhm=2.6)
    at = np.mgrid[:220, :220]
    r2 = ((at[0] - 150.2) / 1.8) ** 2 + ((at[1] - 140.4) / 3.5) ** 2
    galaxy = np.exp(-0.5 * r2)
    image += 5e4 * galaxy / galaxy.sum() + rng.normal(0, 10, image.shape)
    psf = round_psf(fwhm=2.6, ny=220)
    got = measure_deep(
        image.astype(np.float32),
        np.full(image.shape, 100.0, np.float32),
        np.zeros(image.shape, np.uint16),
        np.full(image.shape, 2, np.uint16),
        psf,
        photon_variance=1.0,
        in_core=None,
        options=OPTIONS,
    )
    t = got.table
    k = int(np.argmin(np.hypot(t["x"] - 140.4, t["y"] - 150.2)))
    s = int(np.argmin(np.hypot(t["x"] - 70.1, t["y"] - 60.3)))
    assert t["extendedness"][k] > 20 * t["extendedness_err"][k]
    assert abs(t["extendedness"][s]) < 5 * t["extendedness_err"][s]
    assert t["flux_total"][k] == pytest.approx(5e4, rel=0.04)
    assert t["flux_total"][k] - t["flux_psf"][k] > 20 * t["flux_total_err"][k]
    assert min(t["position_angle"][k], 180 - t["position_angle"][k]) < 5  # along x


def test_an_empty_tile_gives_an_empty_table():
    shape = (64, 64)
    psf = round_psf(fwhm=2.6, ny=64)
    inputs = (np.full(shape, np.nan, np.float32),) * 2
    got = measure_deep(
        *inputs,
        np.full(shape, PixelMask.NO_DATA, np.uint16),
        np.zeros(shape, np.uint16),
        psf,
        photon_variance=1.0,
        in_core=None,
        options=OPTIONS,
    )
    assert len(got) == 0
    flat = measure_deep(
        np.zeros(shape, np.float32),
        np.ones(shape, np.float32),
        np.zeros(shape, np.uint16),
        np.ones(shape, np.uint16),
        psf,
        photon_variance=1.0,
        in_core=None,
        options=DeepOptions(detect=DetectOptions(threshold=8.0)),
    )
    assert len(flat) == 0
    assert set(flat.table) == set(got.table)


def test_wrong_arguments_are_named():
    shape = (32, 32)
    zero, bits = np.zeros(shape, np.float32), np.zeros(shape, np.uint16)
    psf = round_psf(fwhm=2.6, ny=32)
    rest = {"in_core": None, "options": OPTIONS}
    with pytest.raises(ValueError, match="variance must have the shape of flux"):
        measure_deep(zero, zero[:3], bits, bits, psf, photon_variance=1.0, **rest)
    with pytest.raises(ValueError, match="photon_variance must not be negative"):
        measure_deep(zero, zero, bits, bits, psf, photon_variance=-1.0, **rest)
    with pytest.raises(ValueError, match="aperture_radius must be positive or None"):
        DeepOptions(aperture_radius=0.0)
    with pytest.raises(ValueError, match="mesh must be at least 8"):
        SkyOptions(mesh=4)
    with pytest.raises(ValueError, match="source_level must be positive"):
        SkyOptions(source_level=0.0)
    with pytest.raises(ValueError, match="aperture_fwhm must be positive"):
        DeepOptions(aperture_fwhm=0.0)
    with pytest.raises(ValueError, match="source_grow must not be negative"):
        SkyOptions(source_grow=-1)
