"""The sky grid: its projection against published values and wcslib, its cores by themselves."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry.tiles import TileGrid
from pipeline.geometry.wcs import project_tangent, unproject_tangent


def make_grid(**changes):
    values = {
        "dec_min_deg": -46.6,
        "dec_max_deg": -45.8,
        "size": 512,
        "overlap": 24,
        "pixel_scale": 0.55,
        "epoch": 2026.5,
        "column_sign": 1,
    }
    return TileGrid(**(values | changes))


def test_published_header_example():
    """Calabretta & Greisen 2002, A&A 395, 1077, first header example (from memory, reproduced).

    CRPIX (256, 257), CDELT -+0.003, CRVAL (45.83, 63.57); six decimals are given.
    """
    expected = {
        (1, 2): (47.503264, 62.795111),
        (1, 512): (47.595581, 64.324332),
        (511, 512): (44.064419, 64.324332),
    }
    ra0, dec0 = np.radians([45.83, 63.57])
    for (px, py), sky in expected.items():
        east, north = np.radians([-0.003 * (px - 256), 0.003 * (py - 257)])
        found = np.degrees(unproject_tangent(east, north, ra0=ra0, dec0=dec0))
        np.testing.assert_allclose(found, sky, rtol=0, atol=6e-7)
        back = project_tangent(*np.radians(found), ra0=ra0, dec0=dec0)
        np.testing.assert_allclose(back, [east, north], rtol=0, atol=1e-14)


def test_the_far_hemisphere_is_nan():
    x, y = project_tangent([0.0, np.pi], [0.0, 0.0], ra0=0.0, dec0=0.0)
    assert np.isfinite(x[0] + y[0])
    assert np.isnan(x[1])
    assert np.isnan(y[1])


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("ring", "share"), [(0, 0.0), (3, 0.37), (5, 0.999)])
def test_header_is_read_by_wcslib(sign, ring, share):
    """astropy's wrapper of wcslib and our own projection agree to 1e-9 degrees and 1e-7 px."""
    grid = make_grid(column_sign=sign)
    tile = grid.tile(ring, int(share * grid.cells(ring)))
    header = fits.Header()
    for key, value in tile.header_cards().items():
        header[key] = value
    wcs = WCS(header)
    rng = np.random.default_rng(1)
    x, y = rng.uniform(-1, 512, (2, 200))
    ra, dec = tile.pixel_to_sky(x, y)
    ra_wcs, dec_wcs = wcs.all_pix2world(x, y, 0)
    np.testing.assert_allclose(ra, ra_wcs, rtol=0, atol=1e-9)
    np.testing.assert_allclose(dec, dec_wcs, rtol=0, atol=1e-9)
    np.testing.assert_allclose(tile.sky_to_pixel(ra, dec), (x, y), rtol=0, atol=1e-7)
    assert wcs.wcs.radesys == "ICRS"
    scales = np.sqrt((wcs.pixel_scale_matrix**2).sum(axis=0)) * 3600
    np.testing.assert_allclose(scales, 0.55, rtol=1e-12)


def test_tile_runs_with_the_strip(telescope):
    """Near identity: x with the columns, y with the lines, to the turn of precession and scale."""
    for sign in (1, -1):
        _, solution = telescope.make_pair(
            rotation=0.0, scale=1.0, column_sign=sign, declination_off=0.0, mismatch=1.0
        )
        grid = make_grid(column_sign=sign, epoch=2026.5)  # the strip is of July 2026
        ra, dec = solution.strip_to_sky(6000.0, 511.0)
        ring, cell = grid.core_index(ra, dec)
        tile = grid.tile(int(ring), int(cell))
        x, y = np.meshgrid([0.0, 511.0], [0.0, 511.0])
        line, column = solution.sky_to_strip(*tile.pixel_to_sky(x, y))
        # Nutation, aberration (1e-4), curvature and tile's own meridian: well below 1 %.
        np.testing.assert_allclose(np.diff(line, axis=0), 511, atol=2.5)
        np.testing.assert_allclose(np.diff(column, axis=1), 511, atol=2.5)
        np.testing.assert_allclose(np.diff(line, axis=1), 0, atol=2.5)
        np.testing.assert_allclose(np.diff(column, axis=0), 0, atol=2.5)


@given(
    middle=st.floats(-70, 70),
    size=st.integers(300, 1500),
    epoch=st.floats(1990, 2050),
    seed=st.integers(0, 99),
)
@settings(max_examples=25, deadline=None)
def test_every_position_has_exactly_one_core(middle, size, epoch, seed):
    """Anywhere in the band: one core holds it, well inside that tile's image."""
    overlap = 64
    grid = make_grid(
        dec_min_deg=middle - 0.3, dec_max_deg=middle + 0.3, size=size, overlap=overlap, epoch=epoch
    )
    rng = np.random.default_rng(seed)
    ra_e = rng.uniform(0, 2 * np.pi, 40)
    dec_e = rng.uniform(grid.ring_edges[0], grid.ring_edges[-1], 40)
    ra, dec = grid._from_grid(ra_e, dec_e)
    ring, cell = grid.core_index(ra, dec)
    assert np.all(ring >= 0)
    for i in range(40):
        own = grid.tile(int(ring[i]), int(cell[i]))
        x, y = own.sky_to_pixel(ra[i], dec[i])
        assert 0 <= x <= size - 1
        assert 0 <= y <= size - 1
        near = grid.tiles_overlapping(ra[i : i + 1], dec[i : i + 1])
        holders = [t.name for t in near if grid.in_core(t, ra[i], dec[i])]
        assert holders == [own.name]


def test_cores_meet_without_gap_or_overlap():
    """Points on the very edges belong to one side; outside the band to none."""
    grid = make_grid()
    edge = grid.ring_edges[2]
    for nudge, expected in ((-1e-9, 1), (1e-9, 2)):
        ring, _ = grid.core_index(*grid._from_grid(1.0, edge + nudge))
        assert ring == expected
    ring, cell = grid.core_index([10.0, 10.0], [0.0, 80.0])
    np.testing.assert_array_equal(ring, [-1, -1])
    np.testing.assert_array_equal(cell, [-1, -1])
    ring, cell = grid.core_index(*grid._from_grid(2 * np.pi - 1e-13, -0.8))
    assert 0 <= cell < grid.cells(int(ring))


def test_names_are_unique_and_stable():
    grid = make_grid()
    names = [grid.tile(r, c).name for r in range(grid.n_rings) for c in range(grid.cells(r))]
    assert len(set(names)) == len(names)
    assert all(len(name) == 11 and name[0] == "r" and name[6] == "s" for name in names)
    tile = grid.tile(2, 345)
    assert tile == make_grid().tile(2, 345)
    ra_e, dec_e = grid._to_grid(tile.ra_deg, tile.dec_deg)
    assert float(np.degrees(ra_e)) == pytest.approx(int(tile.name[1:6]) / 100, abs=0.0051)
    assert float(np.degrees(dec_e)) == pytest.approx(-int(tile.name[7:]) / 100, abs=0.0051)


def test_band_is_covered():
    grid = make_grid()
    assert np.degrees(grid.ring_edges[0]) <= -46.6 + 1e-9
    assert np.degrees(grid.ring_edges[-1]) >= -45.8 - 1e-9


def brute_force_overlaps(grid, ra, dec):
    """Tiles whose image holds any of many points."""
    found = set()
    for r in range(grid.n_rings):
        for c in range(grid.cells(r)):
            tile = grid.tile(r, c)
            x, y = tile.sky_to_pixel(ra, dec)
            with np.errstate(invalid="ignore"):
                if np.any((np.abs(x - tile.centre) < 256) & (np.abs(y - tile.centre) < 256)):
                    found.add(tile.name)
    return found


def test_overlapping_tiles_miss_none():
    """Across 0 h of the grid, against all tiles and a fine net of points."""
    grid = make_grid(size=512, pixel_scale=2.0)
    ra = np.concatenate([np.linspace(358.9, 361.2, 20), np.linspace(361.2, 358.9, 20)]) % 360
    dec = np.repeat([-46.4, -46.1], 20)
    found = {t.name for t in grid.tiles_overlapping(ra, dec)}
    net = np.meshgrid(np.linspace(358.9, 361.2, 60) % 360, np.linspace(-46.4, -46.1, 30))
    needed = brute_force_overlaps(grid, net[0].ravel(), net[1].ravel())
    assert needed <= found
    assert len(found) <= 3 * len(needed)


def test_an_empty_outline_is_refused():
    with pytest.raises(ValueError, match="outline must be a one-dimensional list"):
        make_grid().tiles_overlapping(np.zeros(0), np.zeros(0))
    with pytest.raises(ValueError, match="outline"):
        make_grid().tiles_overlapping(np.array([np.nan]), np.array([1.0]))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"dec_min_deg": -45.0}, "dec_min_deg must be below dec_max_deg"),
        ({"pixel_scale": 0.0}, "tiles.pixel_scale must be positive"),
        ({"overlap": 260}, "leave a core of at least 8 px"),
        ({"column_sign": 2}, "tiles.column_sign must be 1 or -1"),
        ({"epoch": 26.5}, "tiles.epoch must be a Julian year"),
        ({"dec_max_deg": 89.0}, "within 85 degrees of the equator"),
        ({"size": 100}, "a core must span at least 0.02 degrees"),
        ({"size": 4096, "overlap": 2, "pixel_scale": 4.0}, "tiles.overlap = 2 px is too small"),
    ],
)
def test_bad_grids_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        make_grid(**changes)


def test_indices_are_checked():
    grid = make_grid()
    with pytest.raises(ValueError, match="ring must be 0 to"):
        grid.tile(-1, 0)
    with pytest.raises(ValueError, match="cell must be 0 to"):
        grid.tile(0, 10**6)
