"""Images by a transform of their own against the grids of the model, and against nodes there."""

import numpy as np
import pytest

from pipeline.stages.psf_direct import model_moments, render_columns
from pipeline.stages.psf_model import make_psf_model, place_nodes

N_COLUMNS = 2000
HALF = 12
OPTICS = np.array([[0.3, 0.2, 0.1], [0.0, 0.05, 0.0], [0.4, -0.1, 0.05]])


def path(columns):
    """Along the lines it changes with the column, across it bends."""
    x = (np.asarray(columns, dtype=float) - 900.0) / 1000.0
    t = np.linspace(-0.5, 0.5, 9)
    return np.outer(2.0 * x, t), np.outer(1.5 * (1.0 - x**2), t**2), np.ones((x.size, t.size))


def lowpass(frequency):
    return np.exp(-2.0 * frequency**2)


def make(nodes, fwhm, optics=OPTICS):
    return make_psf_model([0.0], [fwhm], nodes, beta=3.0, path=path, optics=optics, half_size=HALF)


@pytest.mark.parametrize("blur", [None, lowpass])
def test_images_are_those_of_the_grids(blur):
    """As far as these are: what they leave by interpolation is told in their module."""
    columns = np.array([3.0, 500.0, 911.5, 1990.0])
    widths = [1.6, 2.3, 3.4]  # the first one needs finer transforms
    nodes = place_nodes(N_COLUMNS, path=path)
    model = make(nodes, 2.3)
    model = model if blur is None else model.blurred(blur)
    images = render_columns(model, widths, columns)
    for width, found in zip(widths, images, strict=True):
        expected = model.with_seeing(3.0, width).kernels(np.zeros(4), columns, HALF)
        np.testing.assert_allclose(found, expected, atol=1.5e-4 * expected.max())


def test_nothing_is_lost_by_nodes_elsewhere():
    """A model whose nodes are the columns asked for interpolates no path."""
    columns = np.linspace(0.0, N_COLUMNS - 1.0, 7)
    here = render_columns(make(columns, 2.3), [2.3], columns)
    there = render_columns(make(place_nodes(N_COLUMNS, path=path), 2.3), [2.3], columns)
    np.testing.assert_allclose(there, here, atol=2e-6 * here.max())


def test_moments_grow_with_seeing_and_path():
    columns = np.array([900.0, 1900.0])
    model = make(place_nodes(N_COLUMNS, path=path), 2.3, optics=None)
    narrow, wide = model_moments(model, [2.0, 3.0], columns, 1.5)
    assert (wide.mom_cc > 1.2 * narrow.mom_cc).all()
    assert narrow.mom_ll[1] > narrow.mom_ll[0] + 0.05
    np.testing.assert_allclose(narrow.d_line, 0.0, atol=1e-6)
