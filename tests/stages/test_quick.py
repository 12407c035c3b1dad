"""Bright stars straight from raw lines: injected Gaussians are found where they were put."""

import numpy as np
import pytest

from pipeline.stages.quick import BrightStars, concatenate_bright_stars, find_bright_stars

SHAPE = (120, 90)
NOISE = 10.0
NO_COLUMN = np.zeros(SHAPE[1], dtype=bool)


def draw(stars, *, shape=SHAPE, noise=0.0, seed=1):
    """Gaussians of given second moments, sampled at pixel centres."""
    line, column = np.mgrid[: shape[0], : shape[1]].astype(float)
    image = np.random.default_rng(seed).normal(0.0, noise, shape) if noise else np.zeros(shape)
    for l, c, flux, ll, lc, cc in stars:
        det = ll * cc - lc**2
        dl, dc = line - l, column - c
        form = (cc * dl**2 - 2 * lc * dl * dc + ll * dc**2) / det
        image += flux / (2 * np.pi * np.sqrt(det)) * np.exp(-0.5 * form)
    return image.astype(np.float32)


def find(image, *, first_line=0, bad=NO_COLUMN, ceiling=np.inf, own=None, **rest):
    n_lines, n_columns = image.shape
    return find_bright_stars(
        image, np.full(n_columns, NOISE), bad, first_line=first_line,
        ceiling=np.full(n_columns, ceiling), threshold=20.0,
        own=own or (first_line, first_line + n_lines), **rest,
    )  # fmt: skip


def test_a_gaussian_comes_back_exactly():
    """Without noise the logarithm of a Gaussian is a paraboloid, so the fit has no error at all."""
    truth = (60.3, 40.8, 1e5, 2.3, 0.4, 1.7)
    found = find(draw([truth]), first_line=1000)
    assert len(found) == 1
    got = [found.line[0] - 1000, *(getattr(found, n)[0] for n in
           ("column", "flux", "var_ll", "var_lc", "var_cc"))]  # fmt: skip
    np.testing.assert_allclose(got, truth, rtol=1e-4)


def test_noise_moves_positions_by_no_more_than_it_must():
    rng = np.random.default_rng(5)
    truth = [
        (20 + 25 * i + rng.uniform(-0.5, 0.5), 20 + 25 * j + rng.uniform(-0.5, 0.5),
         1e4, 2.0, 0.0, 2.0)
        for i in range(4) for j in range(3)
    ]  # fmt: skip
    offsets = []
    for seed in range(8):
        found = find(draw(truth, noise=NOISE, seed=seed))
        assert len(found) == len(truth)
        order = np.lexsort((found.column, np.rint(found.line / 25)))
        for row, (l, c, *_) in zip(order, truth, strict=True):
            offsets += [found.line[row] - l, found.column[row] - c]
    # Bound for a Gaussian in background noise (King 1983, PASP 95, 163, from memory):
    # 2 sqrt(2 pi) ... = sigma^2 sqrt(8 pi) noise / flux; the cut core loses less than half.
    bound = 2.0 * np.sqrt(8 * np.pi) * NOISE / 1e4
    assert np.std(offsets) == pytest.approx(bound, rel=0.5)
    assert abs(np.mean(offsets)) < 4 * np.std(offsets) / np.sqrt(len(offsets))


def test_what_is_no_bright_star_is_left_out():
    spike = (30.0, 30.0, 2e4, 0.15, 0.0, 0.15)  # a cosmic ray: sharper than pixel and clocking
    faint = (30.0, 60.0, 1500.0, 2.0, 0.0, 2.0)  # peak 119, less than 20 sigma
    bright = (60.0, 30.0, 1e6, 2.0, 0.0, 2.0)  # peak 79577
    star = (60.0, 60.0, 1e5, 2.0, 0.0, 2.0)
    image = draw([spike, faint, bright, star])
    found = find(image, ceiling=50_000.0)
    assert [round(x) for x in (*found.line, *found.column)] == [60, 60]
    bad = NO_COLUMN.copy()
    bad[60] = True
    assert len(find(image, ceiling=50_000.0, bad=bad)) == 0


def test_a_flat_top_counts_once():
    image = draw([(50.5, 40.5, 1e5, 3.0, 0.0, 3.0)])
    assert image[50, 40] == image[50, 41] == image[51, 40] == image[51, 41]
    found = find(image)
    assert len(found) == 1
    assert found.line[0] == pytest.approx(50.5, abs=1e-3)
    assert found.column[0] == pytest.approx(40.5, abs=1e-3)


def test_peaks_near_a_cut_belong_to_one_side_and_are_the_same_there():
    """Two blocks with a halo own each peak once, and every number of it agrees to the last bit."""
    rng = np.random.default_rng(8)
    truth = [(l, rng.uniform(10, 80), 5e4, 2.0, 0.1, 1.8) for l in (40, 57.4, 59.5, 60.5, 62.2, 90)]
    image = draw(truth, noise=NOISE)
    whole = find(image)
    parts = [
        find(image[:68], own=(0, 60)), find(image[52:], first_line=52, own=(60, 120)),
    ]  # fmt: skip
    joined = concatenate_bright_stars(parts)
    assert len(whole) == len(truth)
    for name in ("line", "column", "flux", "snr", "var_ll", "var_lc", "var_cc"):
        np.testing.assert_array_equal(getattr(joined, name), getattr(whole, name))


def test_nothing_found_is_an_empty_list():
    none = find(draw([], noise=NOISE))
    assert len(none) == 0
    assert len(concatenate_bright_stars([none, none])) == 0
    assert len(concatenate_bright_stars([])) == 0
    assert isinstance(none.select(np.zeros(0, dtype=bool)), BrightStars)


def test_a_hot_row_is_no_star_and_no_peak_no_error():
    """Seven pixels in one line fix no paraboloid."""
    image = draw([])
    assert len(find(image)) == 0
    image[50, 30:37] = 2000.0
    image[50, 33] = 2010.0
    star = (90.2, 60.1, 1e5, 2.3, 0.4, 1.7)
    found = find(image + draw([star]))
    assert len(found) == 1
    assert found.line[0] == pytest.approx(star[0], abs=1e-3)
