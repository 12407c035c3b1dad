"""Cosmic rays are found, stars of any brightness are spared, blocks change nothing."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from pipeline.flags import PixelMask
from pipeline.stages.cosmic import CosmicOptions, find_cosmic_rays, halo_lines
from pipeline.stages.saturation import SaturationOptions, mark_saturation

OPTIONS = CosmicOptions()
SHAPE = (768, 768)
FULL = 105000.0  # electrons at which pixels saturate
SIGMA_OF_FWHM = 1.0 / (2.0 * np.sqrt(2.0 * np.log(2.0)))


def make_stars(rng, number, fwhm, beta):
    """Moffat stars, integrated over pixels by 5 x 5 samples, from 100 electrons to saturation."""
    a = fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
    image = np.zeros(SHAPE)
    where = rng.uniform(16, SHAPE[0] - 16, (number, 2))
    flux = 10.0 ** rng.uniform(2.0, 6.3, number)
    sub = (np.arange(5) - 2) / 5.0
    for (y, x), f in zip(where, flux, strict=True):
        y0, x0 = round(y), round(x)
        yy = (np.arange(y0 - 12, y0 + 13)[:, None] + sub).ravel() - y
        xx = (np.arange(x0 - 12, x0 + 13)[:, None] + sub).ravel() - x
        p = (1.0 + (yy[:, None] ** 2 + xx**2) / a**2) ** -beta
        p = p.reshape(25, 5, 25, 5).mean(axis=(1, 3)) * (beta - 1.0) / np.pi / a**2
        image[y0 - 12 : y0 + 13, x0 - 12 : x0 + 13] += f * p
    return image, where


def make_tracks(rng, number, sigma):
    """Tracks of 1 to 6 pixels, charge of 10 to 1000 sigma a pixel, shared where they straddle."""
    charge = np.zeros(SHAPE)
    for _ in range(number):
        y, x = rng.integers(12, SHAPE[0] - 12, 2)
        length, angle = int(rng.integers(1, 7)), rng.uniform(0, np.pi)
        step = np.linspace(0, length - 1, 4 * length) if length > 1 else np.zeros(4)
        l = np.round(y + step * np.sin(angle)).astype(int)
        c = np.round(x + step * np.cos(angle)).astype(int)
        np.add.at(charge, (l, c), sigma * 10.0 ** rng.uniform(1.0, 3.0) / 4.0)
    return charge


def expose(rng, light, charge, sky):
    raw = rng.poisson(light + sky) + rng.normal(0, 6.0, SHAPE) + charge
    mask = np.where(raw > FULL, PixelMask.SATURATED, 0).astype(np.uint16)
    excess = (np.minimum(raw, FULL) - sky).astype(np.float32)
    variance = np.full(SHAPE, sky + 36.0, np.float32)
    mark_saturation(excess, variance, mask, options=SaturationOptions())
    return excess, variance, mask


@pytest.mark.parametrize("sky", [150.0, 1000.0])
@pytest.mark.parametrize(("fwhm", "beta"), [(2.2, 2.5), (2.2, 4.765), (3.0, 2.5), (4.0, 4.765)])
def test_hits_are_found_and_stars_spared(fwhm, beta, sky):
    rng = np.random.default_rng(int(10 * fwhm + sky))
    sigma = np.sqrt(sky + 36.0)
    light, where = make_stars(rng, 1000, fwhm, beta)
    charge = make_tracks(rng, 400, sigma)
    width = fwhm * SIGMA_OF_FWHM
    hit = find_cosmic_rays(*expose(rng, light, charge, sky), width, width, options=OPTIONS)
    free = (charge > 10.0 * sigma) & (light < sigma)
    assert free.sum() > 500
    assert hit[free].mean() > 0.99
    # Without any cosmic ray: at most one star in a thousand, here one.
    excess, variance, mask = expose(rng, light, 0.0, sky)
    false = find_cosmic_rays(excess, variance, mask, width, width, options=OPTIONS)
    lines, columns = np.nonzero(false)
    struck = set()
    if len(lines):
        distance, index = cKDTree(where).query(np.stack([lines, columns], axis=1))
        struck = set(index[distance < 5.0])
    assert len(struck) <= 1


def test_sharpest_stars_on_every_subpixel_position():
    """Noise-free stars up to saturation are never hit, wherever they fall on the pixels."""
    fwhm = 2.2
    width = fwhm * SIGMA_OF_FWHM
    sub = (np.arange(5) - 2) / 5.0
    for beta in (2.5, 4.765):
        a = fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))
        for dy in np.linspace(-0.5, 0.5, 5):
            for dx in np.linspace(-0.5, 0.5, 5):
                yy = (np.arange(-12, 13)[:, None] + sub).ravel() - dy
                xx = (np.arange(-12, 13)[:, None] + sub).ravel() - dx
                p = (1.0 + (yy[:, None] ** 2 + xx**2) / a**2) ** -beta
                p = p.reshape(25, 5, 25, 5).mean(axis=(1, 3))
                for peak in (200.0, 1e5):
                    image = (peak * p / p.max()).astype(np.float32)
                    hit = find_cosmic_rays(
                        image,
                        np.full(image.shape, 200.0, np.float32),
                        np.zeros(image.shape, np.uint16),
                        width,
                        width,
                        options=OPTIONS,
                    )
                    assert not hit.any()


def test_edges_of_bleeds_are_spared():
    rng = np.random.default_rng(5)
    raw = rng.poisson(300.0, SHAPE).astype(float)
    raw[100:300, 200] = 2e5
    raw[300:306, 200] = 3e4
    raw[100:306, 201] += 2000.0
    excess, variance, mask = expose(rng, np.zeros(SHAPE), raw - 300.0, 300.0)
    hit = find_cosmic_rays(excess, variance, mask, 1.0, 1.0, options=OPTIONS)
    assert not hit[90:320, 190:212].any()


def test_smear_that_varies_with_the_column():
    """The same profile is a star where the prediction is sharp and a cosmic ray where it is not."""
    g = np.exp(-0.5 * (np.arange(-6, 7) / 0.95) ** 2)
    image = np.zeros((40, 80), np.float32)
    for c in (20, 60):
        image[14:27, c - 6 : c + 7] += (3e4 * g[:, None] * g).astype(np.float32)
    width = np.where(np.arange(80) < 40, 0.95, 3.0)
    hit = find_cosmic_rays(
        image,
        np.full(image.shape, 200.0, np.float32),
        np.zeros(image.shape, np.uint16),
        width,
        width,
        options=OPTIONS,
    )
    assert not hit[:, :40].any()
    assert hit[20, 60]


def test_blocks_with_their_halo_see_the_same():
    rng = np.random.default_rng(6)
    light, _ = make_stars(rng, 200, 2.5, 3.0)
    excess, variance, mask = expose(rng, light, make_tracks(rng, 1500, 20.0), 364.0)
    before = excess.copy()
    whole = find_cosmic_rays(excess, variance, mask, 1.06, 1.06, options=OPTIONS)
    np.testing.assert_array_equal(excess, before)
    halo = halo_lines(OPTIONS)
    for start in range(0, SHAPE[0], 96):
        low, high = max(start - halo, 0), min(start + 96 + halo, SHAPE[0])
        part = find_cosmic_rays(
            excess[low:high], variance[low:high], mask[low:high], 1.06, 1.06, options=OPTIONS
        )
        np.testing.assert_array_equal(
            part[start - low : start - low + 96], whole[start : start + 96]
        )


def test_every_pixel_is_judged_as_by_plain_sums():
    """Which pixels are looked at more closely changes nothing; growth is left out."""
    rng = np.random.default_rng(7)
    light, _ = make_stars(rng, 300, 2.5, 3.0)
    image, variance, mask = expose(rng, light, make_tracks(rng, 800, 20.0), 364.0)
    mask[:, 30] = PixelMask.HOT
    options = CosmicOptions(grow_steps=0)
    hit = find_cosmic_rays(image, variance, mask, 1.06, 1.2, options=options)
    noise = variance + np.maximum(image, 0.0).astype(float)
    hard = mask & (PixelMask.SATURATED | PixelMask.BLEED) > 0
    inner = (slice(1, -1), slice(1, -1))
    excess, spread, both = np.zeros((3, *SHAPE)), np.zeros((3, *SHAPE)), []
    blocked = mask > 0
    for axis, width in enumerate((1.06, 1.2)):
        ratio = np.exp(-0.5 / (options.margin * width) ** 2)
        near = [np.roll(image.astype(float), step, axis) for step in (1, -1)]
        excess[axis] = ratio * image - 0.5 * sum(near)
        around = 0.25 * sum(np.roll(noise, step, axis) for step in (1, -1))
        spread[axis] = ratio**2 * noise + around
        unseen = sum(np.roll(mask > 0, step, axis) for step in (1, -1)) > 0
        blocked |= sum(np.roll(hard, step, axis) for step in (1, -1)) > 0
        both.append((ratio, around, unseen))
    excess[2] = excess[0] + excess[1]
    spread[2] = (both[0][0] + both[1][0]) ** 2 * noise + both[0][1] + both[1][1]
    value = excess / np.sqrt(spread)
    value[:2][np.array([b[2] for b in both])] = 0.0
    value[2][both[0][2] | both[1][2]] = 0.0
    blunt = max(0.0, 0.5 * (both[0][0] + both[1][0]) - 0.45)
    expected = value.max(axis=0) > options.contrast * (1.0 + blunt)
    expected &= ~blocked & (image > options.threshold * np.sqrt(variance))
    assert hit[inner].sum() > 500
    np.testing.assert_array_equal(hit[inner], expected[inner])


def test_refuses_what_does_not_fit():
    z, m = np.zeros((4, 4), np.float32), np.zeros((4, 4), np.uint16)
    with pytest.raises(ValueError, match="psf_sigma_line must be finite and positive"):
        find_cosmic_rays(z, z + 1, m, 0.0, 1.0, options=OPTIONS)
    with pytest.raises(ValueError, match=r"psf_sigma_column must be a number or \(4,\)"):
        find_cosmic_rays(z, z + 1, m, 1.0, np.ones(3), options=OPTIONS)
    with pytest.raises(ValueError, match="must share their shape"):
        find_cosmic_rays(z, z + 1, m[:2], 1.0, 1.0, options=OPTIONS)
