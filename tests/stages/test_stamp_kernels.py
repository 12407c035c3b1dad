"""Stamps drawn from parts of spline grids are those that the plain evaluation gives."""

import numpy as np
import pytest

from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.spline_kernels import blend_nodes, grid_half_size, render_stamp
from pipeline.stages.stamp_kernels import (
    begin_run,
    blend_parts,
    blend_place,
    draw_slopes,
    draw_stamp,
    gather_nodes,
    part_side,
    part_size,
)

ORDERS = ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2))


@pytest.mark.parametrize("oversample", [1, 2, 3, 4])
@pytest.mark.parametrize(("half", "n_column"), [(5, 4), (8, 3), (10, 1)])
@pytest.mark.parametrize("shift", [(0.0, 0.0), (2.0, -2.0), (-2.0, 2.0), (1.3, -0.4)])
def test_stamps_and_slopes_are_those_of_plain_grids(oversample, half, n_column, shift):
    rng = np.random.default_rng(5)
    whole = 2 * grid_half_size(10, oversample) + 1
    nodes = rng.normal(size=(5, 6, whole, whole))
    along, across = rng.normal(size=4), rng.normal(size=n_column)
    g = 2 * grid_half_size(half, oversample) + 1
    grid = np.empty((g, g))
    blend_nodes(nodes, 1, along, 2, across, grid)
    near = gather_nodes(nodes, 1, 4, 2, n_column, half, oversample)
    parts = np.empty(part_size(half, oversample))
    blend_parts(near, along, across, parts)
    n, side = 2 * half + 1, part_side(half, oversample)
    got = np.full((5, n * side), np.nan)
    draw_slopes(parts, half, oversample, *shift, 4, got)
    assert np.all(np.isfinite(got))  # fits give no weight to what is between the rows
    for (order_line, order_column), image in zip(ORDERS, got, strict=True):
        plain = np.empty((n, n))
        render_stamp(grid, oversample, *shift, order_line, order_column, plain)
        np.testing.assert_allclose(image.reshape(n, side)[:, :n], plain, atol=1e-11)
    alone, first = np.empty(n * side), np.empty((3, n * side))
    draw_stamp(parts, half, oversample, *shift, alone)
    draw_slopes(parts, half, oversample, *shift, 2, first)
    np.testing.assert_array_equal(alone, got[0])
    np.testing.assert_array_equal(first, got[:3])


@pytest.mark.parametrize("n_column", [4, 2])
def test_a_place_is_the_same_bits_with_and_without_company(n_column):
    """What a source is drawn as may not depend on how many others of its node are in the block."""
    rng = np.random.default_rng(6)
    whole = 2 * grid_half_size(12, 2) + 1
    nodes = rng.normal(size=(4, 4, whole, whole)).astype(np.float32)
    along, across = rng.normal(size=4), rng.normal(size=n_column)
    got = np.empty((2, part_size(9, 2)), np.float32)
    for n, parts in zip((1, 100), got, strict=True):
        first = np.zeros(n, np.int64)
        _, near, _ = begin_run(
            np.arange(n), 0, np.full(n, 9), nodes, first, 4, first, n_column, 2
        )  # fmt: skip
        assert (near.size > 0) == (n > 1)
        blend_place(near, nodes, 0, along, 0, across, 9, 2, parts)
    assert np.any(got[0] != 0)
    np.testing.assert_array_equal(got[0], got[1])


def test_runs_end_where_nodes_or_size_change():
    which = np.array([3, 0, 1, 2, 4])
    width, column, size = np.array([1, 1, 1, 1, 2]), np.array([7, 7, 8, 7, 8]), np.full(5, 9)
    nodes = np.zeros((4, 4, 1, 1))  # none is gathered for so few sources

    def end_of_run(first):
        return begin_run(which, first, size, nodes, width, 4, column, 4, 2)[0]

    ends = [end_of_run(i) for i in range(5)]
    assert ends == [3, 3, 3, 4, 5]
    size[0] = 8
    assert end_of_run(0) == 1


def test_kernels_of_many_places_are_those_of_each():
    def path(columns):
        x = np.linspace(-1, 1, 5)
        dl = np.outer(np.atleast_1d(columns) / 200.0, x)
        return dl, np.zeros_like(dl), np.ones_like(dl)

    model = make_psf_model(
        [0.0, 900.0], [2.2, 3.1], place_nodes(400, path=path), beta=3.0, path=path, optics=None,
        half_size=12,
    )  # fmt: skip
    rng = np.random.default_rng(2)
    lines, columns = rng.uniform(0, 900, 30), rng.uniform(0, 399, 30)
    got = model.kernels(lines, columns, 9)
    for image, l, c in zip(got, lines, columns, strict=True):
        np.testing.assert_allclose(image, model.kernel(l, c, 9), atol=3e-7 * image.max())
