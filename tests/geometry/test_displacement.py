from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import SolutionError
from pipeline.geometry.displacement import make_displacement, tiles_of_strip
from pipeline.geometry.tiles import TileGrid
from pipeline.geometry.wander import Wander


def make_grid(**changes):
    values = {
        "dec_min_deg": -46.5, "dec_max_deg": -45.7, "size": 700, "overlap": 24,
        "pixel_scale": 0.55, "epoch": 2026.5,
    }  # fmt: skip
    return TileGrid(**(values | changes))


def tile_of(grid, solution, line=6000.0, column=500.0):
    ring, cell = grid.core_index(*solution.strip_to_sky(line, column))
    return grid.tile(int(ring), int(cell))


@pytest.mark.parametrize(
    "case",
    [
        {"n_columns": 4096, "n_stage": 4096, "rotation": 0.5},
        {"column_sign": -1},
        {"wander": 3.0},
    ],
)
def test_bilinear_interpolation_errs_less_than_its_bound(telescope, case):
    """At a step of 32 px below 1e-3 px, and the bound holds at every pixel but for rounding."""
    case = dict(case)
    amplitude = case.pop("wander", 0.0)
    _, solution = telescope.make_pair(**case)
    if amplitude:
        rng = np.random.default_rng(3)
        wander = Wander(0.0, 512.0, *(amplitude * rng.normal(size=(2, 27))))
        solution = replace(solution, wander=wander)
    tile = tile_of(make_grid(column_sign=case.get("column_sign", 1)), solution)
    grid = make_displacement(solution, tile, step=32, tolerance=1e-3)
    assert grid.error_bound <= 1e-3
    if not amplitude:
        assert grid.step == 32
    x, y = np.meshgrid(np.arange(0, 700, 5.0), np.arange(0, 700, 5.0))
    line, column = solution.sky_to_strip(*tile.pixel_to_sky(x, y))
    found_line, found_column, _ = grid.evaluate(x, y)
    error = max(np.abs(found_line - line).max(), np.abs(found_column - column).max())
    assert error <= 1.05 * grid.error_bound + 1e-7
    assert error > 0.02 * grid.error_bound  # the bound is not idle


def test_a_tight_tolerance_makes_a_finer_grid(telescope):
    _, solution = telescope.make_pair()
    tile = tile_of(make_grid(), solution)
    coarse = make_displacement(solution, tile, step=32, tolerance=1e-3)
    fine = make_displacement(solution, tile, step=32, tolerance=coarse.error_bound / 3)
    assert fine.step < coarse.step
    assert fine.error_bound <= coarse.error_bound / 3
    with pytest.raises(SolutionError, match="bends too much"):
        make_displacement(solution, tile, step=4, tolerance=1e-12)


def test_area_is_the_area(telescope):
    """Summed over the tile it is the area of the tile's outline in the strip (shoelace)."""
    _, solution = telescope.make_pair(rotation=0.7, scale=1.003)
    tile = tile_of(make_grid(), solution)
    grid = make_displacement(solution, tile, step=32, tolerance=1e-3)
    x, y = np.meshgrid(np.arange(700.0), np.arange(700.0))
    _, _, area = grid.evaluate(x, y)
    line, column = solution.sky_to_strip(*tile.outline(200))
    shoelace = 0.5 * abs(np.sum(line * np.roll(column, -1) - np.roll(line, -1) * column))
    assert area.sum() == pytest.approx(shoelace, rel=1e-7)


def test_grid_covers_every_pixel(telescope):
    _, solution = telescope.make_pair()
    for size in (257, 300, 512):
        tile = tile_of(make_grid(size=size), solution)
        grid = make_displacement(solution, tile, step=32, tolerance=1e-3)
        assert (np.array(grid.line.shape) - 1).min() * grid.step >= size - 1
        at = solution.sky_to_strip(*tile.pixel_to_sky(size - 1.0, size - 1.0))
        found = grid.evaluate(size - 1.0, size - 1.0)
        np.testing.assert_allclose(found[:2], at, atol=1e-3)


def test_tiles_of_a_strip_hold_all_of_it(telescope):
    """Every pixel of the range lies in the core of a listed tile; distant tiles are left out."""
    _, solution = telescope.make_pair(n_lines=30000)
    grid = make_grid()
    tiles = tiles_of_strip(grid, solution, start_line=1024, stop_line=9000)
    names = {t.name for t in tiles}
    rng = np.random.default_rng(1)
    line, column = rng.uniform(1024, 8999, 400), rng.uniform(0, 1023, 400)
    ring, cell = grid.core_index(*solution.strip_to_sky(line, column))
    assert np.all(ring >= 0)
    assert {grid.tile(int(r), int(c)).name for r, c in zip(ring, cell, strict=True)} <= names
    for tile in tiles:
        line, column = solution.sky_to_strip(*tile.outline(4))
        assert line.max() > 1023
        assert line.min() < 9001
        assert column.max() > -1
        assert column.min() < 1024


def test_tiles_far_from_the_strip_are_refused(telescope):
    _, solution = telescope.make_pair()
    grid = make_grid(dec_min_deg=-40.0, dec_max_deg=-39.5)
    with pytest.raises(SolutionError, match="reaches beyond the declinations"):
        make_displacement(solution, grid.tile(0, 100), step=32, tolerance=1e-3)


def test_bad_numbers_are_refused(telescope):
    _, solution = telescope.make_pair()
    tile = tile_of(make_grid(), solution)
    with pytest.raises(ValueError, match="step must be at least 2"):
        make_displacement(solution, tile, step=1, tolerance=1e-3)
    with pytest.raises(ValueError, match="tolerance must be positive"):
        make_displacement(solution, tile, step=32, tolerance=0.0)
