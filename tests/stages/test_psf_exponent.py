"""The error of the exponent."""

import numpy as np
import pytest

from pipeline.stages.psf_exponent import _scatter_of_vertex


def test_error_of_the_common_exponent_is_the_scatter_of_single_stars():
    rng = np.random.default_rng(4)
    n, scatter = 400, 0.02
    own = 0.28 + scatter * rng.standard_normal(n)
    curvature = rng.uniform(50.0, 60.0, n)
    x = np.array([0.27, 0.28, 0.29])
    table = 1.0 + curvature * (x[:, None] - own) ** 2
    vertex = float(np.sum(curvature * own) / np.sum(curvature))
    table[1, 0] = np.nan  # a star that could not be fitted everywhere
    assert _scatter_of_vertex(x, table, vertex) == pytest.approx(scatter / np.sqrt(n), rel=0.1)


def test_no_error_where_stars_have_no_minimum():
    x = np.array([0.27, 0.28, 0.29])
    table = -((x[:, None] - 0.28) ** 2) * np.ones(5)
    assert np.isnan(_scatter_of_vertex(x, table, 0.28))
