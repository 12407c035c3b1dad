"""Trails are found and masked, faint ones too; stars and bleeds raise no alarm."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from pipeline.flags import PixelMask
from pipeline.stages.trail_search import _find_strongest, _prepare_lines
from pipeline.stages.trails import (
    Trail,
    TrailOptions,
    bin_significance,
    concatenate_significance,
    find_trails,
    mask_trails,
)

OPTIONS = TrailOptions()
SHAPE = (3072, 1024)
SKY = 500.0


def distance(trail):
    """Distance from a trail's axis, and where along it, of every pixel."""
    l0, c0, l1, c1 = trail
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    length = np.hypot(l1 - l0, c1 - c0)
    across = np.abs((y - l0) * (c1 - c0) - (x - c0) * (l1 - l0)) / length
    along = ((y - l0) * (l1 - l0) + (x - c0) * (c1 - c0)) / length
    return across, (along >= 0) & (along <= length)


def make_field(seed, stars, *, bleeds=5, trail=None, peak=0.0):
    rng = np.random.default_rng(seed)
    image = np.zeros(SHAPE, np.float32)
    flux = 10.0 ** rng.uniform(2.3, 5.5, stars)
    for f, y, x in zip(flux, rng.uniform(0, 3072, stars), rng.uniform(0, 1024, stars), strict=True):
        rows = np.arange(max(0, int(y) - 12), min(3072, int(y) + 13))
        columns = np.arange(max(0, int(x) - 12), min(1024, int(x) + 13))
        r2 = (rows[:, None] - y) ** 2 + (columns - x) ** 2
        image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += (
            f * 0.2 * (1.0 + r2 / 3.6) ** -3
        )
    for _ in range(bleeds):
        c, l, n = rng.integers(5, 1019), rng.integers(0, 2700), rng.integers(50, 300)
        image[l : l + n, c - 1 : c + 2] += 5e4
    if trail is not None:
        across, inside = distance(trail)
        image += peak * np.exp(-0.5 * (across / 1.5) ** 2) * inside
    noise = rng.standard_normal(SHAPE, dtype=np.float32)
    image += noise * np.sqrt(SKY + 36.0 + image)
    return image, np.full(SHAPE, SKY + 36.0, np.float32), np.zeros(SHAPE, np.uint16)


@pytest.mark.parametrize(("stars", "seed"), [(500, 0), (3000, 1), (8000, 2), (3000, 4)])
def test_no_alarm_on_stars_and_bleeds(stars, seed):
    """Up to a star in 400 pixels, with ten bleeds of up to 300 lines left unmasked."""
    binned = bin_significance(*make_field(seed, stars, bleeds=10), 0, options=OPTIONS)
    assert find_trails(binned, options=OPTIONS) == ()


@pytest.mark.parametrize(
    ("trail", "peak", "stars", "covered"),
    [
        ((500, 0, 1500, 1023), 20.0, 3000, 0.85),  # under the noise of a pixel (23)
        ((500, 0, 1500, 1023), 40.0, 8000, 0.97),
        ((2900, 0, 100, 1023), 40.0, 3000, 0.97),  # falling, through several windows
        ((1500, 0, 1520, 1023), 100.0, 500, 0.97),  # almost along a line
        ((1000, 200, 1400, 700), 60.0, 3000, 0.97),  # begins and ends on the chip
        ((500, 0, 1500, 1023), 20000.0, 3000, 0.97),
    ],
)
def test_trails_are_found_once_and_masked(trail, peak, stars, covered):
    """A trail fainter than the noise of a pixel may lose part of an end."""
    image = make_field(60, stars, trail=trail, peak=peak)
    found = find_trails(bin_significance(*image, 0, options=OPTIONS), options=OPTIONS)
    assert len(found) == 1
    mask = mask_trails(SHAPE, 0, found)
    across, inside = distance(trail)
    core = (across < 3.0) & inside
    assert ((mask[core] & PixelMask.TRAIL) > 0).mean() > covered
    # The mask is not much larger than the trail.
    assert (mask[across > 40.0] > 0).mean() < 1e-3


def test_cells_are_sums_of_good_pixels_in_raster_order():
    """Width and height are no multiples of a cell; the ramp's pixels are good."""
    rng = np.random.default_rng(3)
    shape = (45, 83)
    image = (5 * rng.normal(size=shape)).astype(np.float32)
    variance = np.maximum(2 + 2 * rng.normal(size=shape), 0).astype(np.float32)
    mask = rng.choice(
        np.array([0, 1, PixelMask.RAMP, 16], np.uint16), shape, p=[0.6, 0.1, 0.2, 0.1]
    )
    image[mask == 1] = np.nan
    image[8:16, 8:16] = 1.0
    mask[8:16, 8:12] = 1  # just half of a cell is good
    variance[8:16, 12:16] = 2.0
    mask[8:16, 12:16] = 0
    value = bin_significance(image, variance, mask, 0, options=OPTIONS).value
    assert value.shape == (6, 11)
    for r, k in np.ndindex(value.shape):
        total, number = 0.0, 0
        for l in range(8 * r, min(8 * r + 8, 45)):
            for c in range(8 * k, min(8 * k + 8, 83)):
                if mask[l, c] in (0, PixelMask.RAMP) and variance[l, c] > 0:
                    z = float(image[l, c] / np.sqrt(variance[l, c]))
                    total += min(max(z, -OPTIONS.pixel_limit), OPTIONS.pixel_limit)
                    number += 1
        truth = np.float32(total / np.sqrt(number)) if number >= 32 else np.float32(np.nan)
        np.testing.assert_array_equal(value[r, k], truth)
    assert np.isfinite(value[1, 1])
    assert np.isnan(value).any()


def test_map_has_unit_noise_and_bright_pixels_do_not_dominate():
    image, variance, mask = make_field(7, 0, bleeds=0)
    value = bin_significance(image, variance, mask, 0, options=OPTIONS).value
    assert value.std() == pytest.approx(1.0, abs=0.02)
    image[100, 100] = 1e6
    spoiled = bin_significance(image, variance, mask, 0, options=OPTIONS).value
    assert np.abs(spoiled - value).max() <= 2 * OPTIONS.pixel_limit / OPTIONS.step


def test_masked_pixels_do_not_count():
    image, variance, mask = make_field(8, 0, bleeds=0)
    image[:, 64:68] = 1e5
    mask[:, 64:68] = PixelMask.BLEED
    mask[512:520] = PixelMask.NO_DATA
    mask[:100] |= np.uint16(PixelMask.RAMP)
    value = bin_significance(image, variance, mask, 0, options=OPTIONS).value
    assert np.nanmax(value) < 7.0
    assert np.isnan(value[64]).all()
    assert np.isfinite(value[0]).all()


def test_blocks_make_the_same_map_and_mask():
    image = make_field(9, 500, trail=(500, 0, 1500, 1023), peak=60.0)
    whole = bin_significance(*image, 0, options=OPTIONS)
    cuts = (0, 256, 1024, 3072)
    parts = [
        bin_significance(*(a[p:q] for a in image), p, options=OPTIONS) for p, q in pairwise(cuts)
    ]
    joined = concatenate_significance(parts)
    np.testing.assert_array_equal(joined.value, whole.value)
    trails = find_trails(joined, options=OPTIONS)
    masks = [mask_trails((q - p, 1024), p, trails) for p, q in pairwise(cuts)]
    np.testing.assert_array_equal(np.concatenate(masks), mask_trails(SHAPE, 0, trails))


def test_mask_of_a_known_trail():
    mask = mask_trails((100, 100), 1000, [Trail(1020.0, 10.0, 1020.0, 90.0, 6.0, 10.0)])
    np.testing.assert_array_equal(np.flatnonzero(mask[:, 50]), np.arange(17, 24))
    assert not mask_trails((100, 100), 5000, [Trail(1020.0, 10.0, 1020.0, 90.0, 6.0, 1.0)]).any()


@settings(max_examples=60, deadline=None)
@given(
    ends=st.tuples(
        st.floats(-200, 500), st.floats(-100, 250), st.floats(-200, 500), st.floats(-100, 250)
    ),
    width=st.floats(0.5, 60.0),
    first=st.integers(-50, 50),
    level=st.sampled_from(["", "along the lines", "along the columns"]),
)
def test_mask_is_that_of_every_pixel_looked_at(ends, width, first, level):
    """Bands of lines and ranges of columns leave nothing out."""
    l0, c0, l1, c1 = ends
    l1, c1 = (l0 if level.endswith("lines") else l1), (c0 if level.endswith("columns") else c1)
    assume(np.hypot(l1 - l0, c1 - c0) > 1e-3)
    lines, columns = np.mgrid[first : first + 300, :150].astype(float)
    length = np.hypot(l1 - l0, c1 - c0)
    across = np.abs((lines - l0) * (c1 - c0) - (columns - c0) * (l1 - l0)) / length
    along = ((lines - l0) * (l1 - l0) + (columns - c0) * (c1 - c0)) / length
    # A hair from the edge the two ways of reckoning may differ, and so may the far corners.
    clear = np.abs(across - width / 2) > 1e-6
    for edge in (-2 * width, length + 2 * width):
        clear &= np.abs(along - edge) > 1e-6
    low, high = min(l0, l1) - 2 * width, max(l0, l1) + 2 * width
    clear &= (lines >= np.ceil(low)) & (lines <= np.floor(high))
    under = (across < width / 2) & (along > -2 * width) & (along < length + 2 * width)
    found = mask_trails((300, 150), first, [Trail(l0, c0, l1, c1, width, 10.0)]) > 0
    np.testing.assert_array_equal(found[clear], under[clear])


def test_refuses_what_does_not_fit():
    z = np.zeros((16, 16), np.float32)
    with pytest.raises(ValueError, match="first_line must be a multiple of 8"):
        bin_significance(z, z + 1, z.astype(np.uint16), 3, options=OPTIONS)
    with pytest.raises(ValueError, match="step must divide 256"):
        TrailOptions(step=7)
    with pytest.raises(ValueError, match="a trail must have a length"):
        mask_trails((4, 4), 0, [Trail(1.0, 1.0, 1.0, 1.0, 3.0, 1.0)])
    with pytest.raises(ValueError, match="at least one BinnedSignificance"):
        concatenate_significance([])


@pytest.mark.parametrize("seed", range(3))
def test_stars_in_a_row_are_no_trail(seed):
    """Eight bright stars on a line, a star for every 35 px: seen in a simulated season."""
    image, variance, mask = make_field(seed, 500, bleeds=0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float32)
    rng = np.random.default_rng(40 + seed)
    for k in range(9):
        at = 35.0 * k + rng.uniform(-6, 6)
        r2 = (y - 900.0 - 0.5 * at) ** 2 + (x - 300.0 - at) ** 2
        image += 10.0 ** rng.uniform(4.5, 5.7) * 0.2 * (1.0 + r2 / 3.6) ** -3
    binned = bin_significance(image, variance, mask, 0, options=OPTIONS)
    assert find_trails(binned, options=OPTIONS) == ()


@pytest.mark.parametrize(("number", "most"), [(0, 5), (7, 5), (300, 40), (300, 100_000)])
def test_the_strongest_lines_are_those_of_the_whole_transform(number, most):
    """Equal scores, which are many here, come in order of place."""
    shape, least, base = (40, 25), 10.0, 0.2
    rng = np.random.default_rng(number)
    rows, cells = rng.integers(0, shape[0], number), rng.integers(0, shape[1], number)
    cosines, sines, rho, chord = _prepare_lines(*shape, 4.0)
    found = _find_strongest(
        rows.astype(float), cells.astype(float), cosines, sines, -rho[0], chord, least, base, most
    )
    votes = np.zeros(chord.shape)
    for a in range(len(cosines)):
        place = (rows * cosines[a] + cells * sines[a] - rho[0] + 0.5).astype(int)
        np.add.at(votes[a], place, 1)
    met = np.maximum(chord, least)
    partial = (votes - base * met) / np.sqrt(met * base * (1.0 - base))
    score = np.where(chord < least, np.maximum(partial, 0.0), partial).ravel()
    np.testing.assert_array_equal(found, np.argsort(-score, kind="stable")[:most])
