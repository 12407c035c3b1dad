"""Detection, against the ideal matched filter, and independent of where a block ends."""

from dataclasses import fields

import numpy as np
import pytest
import sep
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import correlate
from scipy.spatial import cKDTree
from scipy.stats import norm

from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.detect import DetectOptions, detect, required_halo
from pipeline.stages.matched_filter import filter_image
from pipeline.stages.ownership import own

SKY = 400.0
OPTIONS = DetectOptions()


def star(half, d_line=0.0, d_column=0.0, sigma=1.1):
    """Gaussian of unit flux integrated over pixels."""
    edge = np.arange(-half, half + 2) - 0.5
    along = np.diff(norm.cdf(edge, d_line, sigma))
    across = np.diff(norm.cdf(edge, d_column, sigma))
    return np.outer(along, across)


KERNEL = star(5)
EFFECTIVE_PIXELS = 1 / np.sum(KERNEL**2)


def add(image, lines, columns, fluxes, half=12):
    for l, c, f in zip(lines, columns, np.broadcast_to(fluxes, len(lines)), strict=True):
        i, j = round(l), round(c)
        image[i - half : i + half + 1, j - half : j + half + 1] += f * star(half, l - i, c - j)


def find(image, *, first_line=0, mask=None, variance=SKY, kernels=None, options=OPTIONS):
    kernels = KERNEL[None, None] if kernels is None else kernels
    n_lines, n_columns = image.shape
    groups = np.arange(n_columns) * kernels.shape[1] // n_columns
    return detect(
        image,
        np.broadcast_to(np.asarray(variance, np.float32), image.shape),
        np.zeros(image.shape, np.uint16) if mask is None else mask,
        kernels,
        line_group=np.zeros(n_lines, int),
        column_group=groups,
        first_line=first_line,
        options=options,
    )


def crowded_field(seed, shape=(700, 200), n=90):
    rng = np.random.default_rng(seed)
    image = np.zeros(shape)
    add(
        image,
        rng.uniform(20, shape[0] - 20, n),
        rng.uniform(20, shape[1] - 20, n),
        10 ** rng.uniform(2.2, 5, n),
    )
    return (rng.poisson(image + SKY) - SKY).astype(np.float32)


def test_the_filtered_image_is_a_correlation_of_unit_noise():
    rng = np.random.default_rng(1)
    image = (20 * rng.normal(size=(300, 300))).astype(np.float32)
    two = np.stack([KERNEL, star(5, sigma=1.6)])[None]
    group = np.repeat([0, 1], 150)
    out = filter_image(
        image,
        np.full(image.shape, SKY, np.float32),
        np.zeros(image.shape, np.uint16),
        two,
        line_group=np.zeros(300, int),
        column_group=group,
        min_weight=0.4,
    )
    for g, kernel in enumerate(two[0]):
        truth = correlate(image.astype(float) / 20, kernel / np.sqrt(np.sum(kernel**2)))
        inner = np.zeros(image.shape, bool)
        inner[8:-8, 8:-8] = (group == g)[8:-8]
        np.testing.assert_allclose(out[inner], truth[inner], atol=1e-5)
        # Some 7000 independent values: their spread is known to 1 %.
        assert np.std(out[inner]) == pytest.approx(1.0, abs=0.04)


def test_completeness_is_that_of_the_ideal_matched_filter():
    """Half of the stars of the threshold's signal-to-noise are found, within 0.1 mag.

    An ideal filter at the true position finds Phi(snr - threshold) of them.
    """
    rng = np.random.default_rng(2)
    grid = np.arange(20, 780, 30)
    fraction = {}
    for snr in (5 * 10**-0.04, 5 * 10**0.04, 6.0):  # 0.1 mag fainter, brighter
        l, c = (a.ravel() + rng.uniform(-0.5, 0.5, a.size) for a in np.meshgrid(grid, grid))
        image = np.zeros((800, 800))
        add(image, l, c, snr * np.sqrt(SKY * EFFECTIVE_PIXELS))
        data = (image + rng.normal(size=image.shape) * np.sqrt(SKY + image)).astype(np.float32)
        found = find(data)
        distance, _ = cKDTree(np.stack([found.line, found.column], axis=1)).query(
            np.stack([l, c], axis=1)
        )
        fraction[snr] = np.mean(distance < 2.5)
    low, high, six = fraction.values()
    # 676 stars: standard error 0.02.
    assert low < 0.5 < high
    assert six == pytest.approx(norm.cdf(1.0), abs=0.06)


def test_pure_noise_gives_next_to_nothing():
    """About 0.3 peaks above 5 sigma are due in this area (Rice's formula, from memory)."""
    data = (20 * np.random.default_rng(3).normal(size=(1200, 1200))).astype(np.float32)
    assert len(find(data)) <= 4


def test_positions_and_fluxes():
    rng = np.random.default_rng(4)
    grid = np.arange(20, 380, 30)
    l, c = (a.ravel() + rng.uniform(-0.5, 0.5, a.size) for a in np.meshgrid(grid, grid))
    image = np.zeros((400, 400))
    add(image, l, c, 2e4)
    found = find(image.astype(np.float32), first_line=1_000_000)
    distance, which = cKDTree(np.stack([l, c], axis=1)).query(
        np.stack([found.line - 1_000_000, found.column], axis=1)
    )
    assert sorted(which) == list(range(l.size))
    assert distance.max() < 0.06
    # At the wrong sub-pixel position a filter loses exp(-d^2/4 sigma^2), 10 % at half a diagonal.
    assert np.all((found.flux > 0.88 * 2e4) & (found.flux < 1.01 * 2e4))
    assert found.flux_err == pytest.approx(np.sqrt(SKY * EFFECTIVE_PIXELS), rel=1e-5)
    # Isophotal moments of a Gaussian, cut by the isophote and widened by the pixel.
    assert np.median(found.mom_ll) == pytest.approx(1.1**2 + 1 / 12, rel=0.05)


def test_agrees_with_sep_on_the_same_pixels():
    """Same kernel, noise and threshold: sep's matched filter finds the same bright stars."""
    rng = np.random.default_rng(11)
    grid = np.arange(20, 380, 30)
    l, c = (a.ravel() + rng.uniform(-0.5, 0.5, a.size) for a in np.meshgrid(grid, grid))
    image = np.zeros((400, 400))
    add(image, l, c, 10 ** rng.uniform(3.5, 4.5, l.size))
    data = (rng.poisson(image + SKY) - SKY).astype(np.float32)
    noise = np.full(data.shape, np.sqrt(SKY), np.float32)
    theirs = sep.extract(data, 5.0, err=noise, filter_kernel=KERNEL, minarea=1)
    ours = find(data)
    distance, which = cKDTree(np.stack([ours.line, ours.column], axis=1)).query(
        np.stack([theirs["y"], theirs["x"]], axis=1)
    )
    assert len(ours) == len(theirs) == l.size
    assert sorted(which) == list(range(l.size))
    # Isophotal mean of the faintest against a peak: both within the noise of a few hundredths.
    assert np.sqrt(np.mean(distance**2)) < 0.12


def test_splits_two_stars_but_not_one():
    image = np.zeros((100, 100))
    add(image, [50.0, 50.0], [45.0, 50.0], [5e4, 2e4])
    found = find(image.astype(np.float32))
    assert np.rint(found.column).tolist() == [45, 50]
    assert np.all(found.flags & SourceFlag.BLENDED)
    image = np.zeros((100, 100))
    add(image, [50.0], [45.3], [5e4])
    found = find(image.astype(np.float32))
    assert len(found) == 1
    assert found.flags[0] == 0


def test_bright_stars_are_not_broken_up_by_their_photon_noise():
    rng = np.random.default_rng(5)
    image = np.zeros((300, 300))
    grid = np.arange(30, 290, 40)
    l, c = (a.ravel() for a in np.meshgrid(grid, grid))
    add(image, l, c, 3e5)
    found = find((rng.poisson(image + SKY) - SKY).astype(np.float32))
    assert len(found) == l.size


def test_masked_pixels_neither_hide_nor_make_sources():
    rng = np.random.default_rng(6)
    image = np.zeros((200, 200))
    add(image, [60.0, 60.0, 140.0], [60.0, 120.0, 60.0], 2e4)
    data = (rng.poisson(image + SKY) - SKY).astype(np.float32)
    mask = np.zeros(image.shape, np.uint16)
    data[:, 61] = 1e6
    mask[:, 61] = PixelMask.HOT
    data[140, 140] = np.nan
    mask[140, 140] = PixelMask.NO_DATA
    data[100, 150:153] = 9e5
    mask[100, 150:153] = PixelMask.COSMIC_RAY
    before = data.copy()
    found = find(data, mask=mask)
    np.testing.assert_array_equal(data, before)
    assert len(found) == 3
    beside = found.flags[np.abs(found.column - 60) < 2]
    assert beside.size == 2
    assert np.all(beside & SourceFlag.BAD_PIXELS)
    # The flux is that of the good pixels alone, without bias.
    assert found.flux[np.abs(found.column - 60) < 2] == pytest.approx(2e4, rel=0.1)


def test_a_saturated_star_is_one_flagged_source():
    image = np.zeros((200, 200))
    add(image, [100.0], [100.0], [3e6], half=30)
    data = np.minimum(image, 5e4).astype(np.float32)
    mask = np.where(image >= 5e4, int(PixelMask.SATURATED), 0).astype(np.uint16)
    found = find(data, mask=mask)
    assert len(found) == 1
    assert found.flags[0] & SourceFlag.SATURATED
    assert abs(found.line[0] - 100) < 1.5
    assert abs(found.column[0] - 100) < 1.5


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6), size=st.integers(60, 400), offset=st.integers(0, 10**6))
def test_blocks_of_any_size_find_the_same_sources_bit_for_bit(seed, size, offset):
    data = crowded_field(seed)
    mask = np.zeros(data.shape, np.uint16)
    mask[:, 77] = PixelMask.DEAD
    n_lines = data.shape[0]
    whole = find(data, mask=mask, first_line=offset)
    halo = required_halo(OPTIONS, kernel_half_size=5)
    parts = []
    for start in range(0, n_lines, size):
        stop = min(start + size, n_lines)
        a, b = max(start - halo, 0), min(stop + halo, n_lines)
        part = find(data[a:b], mask=mask[a:b], first_line=offset + a)
        parts.append(part.select(own(part.line, offset + start, offset + stop)))
    for f in fields(whole):
        joined = np.concatenate([getattr(p, f.name) for p in parts])
        order = np.lexsort(
            (np.concatenate([p.column for p in parts]), np.concatenate([p.line for p in parts]))
        )
        expected = getattr(whole, f.name)[np.lexsort((whole.column, whole.line))]
        np.testing.assert_array_equal(joined[order], expected, err_msg=f.name)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"floor": 6.0}, "floor: must be above 0 and at most the threshold"),
        ({"prominence": -1.0}, "prominence: must not be negative"),
        ({"min_weight": 0.0}, "min_weight: must be in"),
        ({"shape_radius": 0}, "shape_radius: must be at least 1"),
    ],
)
def test_options_are_checked(change, message):
    with pytest.raises(ValueError, match=message):
        DetectOptions(**change)


def test_refuses_shapes_and_values_that_cannot_be():
    image = np.zeros((20, 20), np.float32)
    with pytest.raises(ValueError, match="must be two-dimensional and of one shape"):
        find(image, mask=np.zeros((3, 3), np.uint16))
    with pytest.raises(ValueError, match="kernels: must be"):
        find(image, kernels=np.ones((1, 1, 4, 4)))
    image[3, 3] = np.nan
    with pytest.raises(ValueError, match="must be finite and positive where the mask is clear"):
        find(image)


def test_an_empty_field_gives_no_source():
    assert len(find(np.zeros((40, 40), np.float32))) == 0
