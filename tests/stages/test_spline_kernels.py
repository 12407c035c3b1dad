"""Spline images: slopes beside stamps, and images through linear maps, against scipy."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import map_coordinates

from pipeline.stages.spline_kernels import (
    blend_nodes,
    carry_images,
    grid_half_size,
    render_slopes,
    render_stamp,
)

HALF, OVERSAMPLE = 6, 2
SIDE = 2 * grid_half_size(HALF, OVERSAMPLE) + 1
shifts = st.floats(-2.0, 2.0)


def coefficients(seed, shape=()):
    return np.random.default_rng(seed).normal(size=(*shape, SIDE, SIDE))


@settings(max_examples=30, deadline=None)
@given(shifts, shifts, st.integers(0, 2**32 - 1))
def test_slopes_are_those_that_stamps_give_one_by_one(d_line, d_column, seed):
    grid = coefficients(seed)
    size = 2 * HALF + 1
    got = [np.empty((size, size)) for _ in range(3)]
    render_slopes(grid, OVERSAMPLE, d_line, d_column, *got)
    for (order_line, order_column), image in zip(((0, 0), (1, 0), (0, 1)), got, strict=True):
        alone = np.empty((size, size))
        render_stamp(grid, OVERSAMPLE, d_line, d_column, order_line, order_column, alone)
        np.testing.assert_array_equal(image, alone)


@settings(max_examples=30, deadline=None)
@given(
    st.integers(0, 2**32 - 1), st.integers(1, 4), st.integers(1, 5),
    st.lists(st.floats(-0.2, 0.2), min_size=4, max_size=4),
)  # fmt: skip
def test_images_through_a_map_are_scipys(seed, n_width, n_column, bend):
    """Blended node by node, evaluated at the mapped points, times the area of the map."""
    rng = np.random.default_rng(seed)
    nodes = coefficients(seed, (n_width, n_column + 1))
    along, across = rng.normal(size=(1, n_width)), rng.normal(size=(1, n_column))
    first = np.array([0]), np.array([1])
    jacobian = np.array([[1.0, 0.0], [0.0, -1.0]]) + np.reshape(bend, (2, 2))
    m = 2 * (SIDE // 2 - 12) + 1
    got = np.empty((1, m, m))
    carry_images(nodes, first[0], along, first[1], across, 1.0, jacobian[None], got)
    grid = np.einsum("a,b,abij->ij", along[0], across[0], nodes[:, 1:])
    blended = np.empty((SIDE, SIDE))
    blend_nodes(nodes, 0, along[0], 1, across[0], blended)
    np.testing.assert_allclose(blended, grid, atol=1e-12)
    at = np.stack(np.meshgrid(*[np.arange(m) - m // 2] * 2, indexing="ij"))
    where = SIDE // 2 + np.einsum("pq,qij->pij", jacobian, at)
    wanted = map_coordinates(grid, where, order=5, prefilter=False, mode="constant")
    np.testing.assert_allclose(got[0], wanted * abs(np.linalg.det(jacobian)), atol=1e-10)


def test_beyond_the_grid_there_is_no_light():
    nodes = np.ones((1, 1, SIDE, SIDE))
    one, zero = np.ones((1, 1)), np.zeros(1, dtype=np.int64)
    got = np.empty((1, 5, 5))
    # Every step of the image is as wide as the grid: only its middle lies on it.
    carry_images(nodes, zero, one, zero, one, 1.0, float(SIDE) * np.eye(2)[None], got)
    assert got[0, 2, 2] > 0
    assert np.count_nonzero(got) == 1
