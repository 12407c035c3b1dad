"""Grids and drawings of the fits of single stars are those of the model."""

import numpy as np
import pytest

from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.psf_solution import _first_guess, fit_psf_model
from pipeline.stages.psf_star_fit import StarNoise, fit_stars
from pipeline.stages.psf_star_kernels import blend_columns, draw_star
from pipeline.stages.psf_star_nodes import N_WIDTHS, StarNodes
from pipeline.stages.psf_stars import PsfStarOptions
from pipeline.stages.spline_kernels import render_stamp

N_COLUMNS, RADIUS = 512, 8


def path(columns):
    x, w = np.polynomial.legendre.leggauss(16)
    extent = (np.atleast_1d(columns) - 256.0) / 256.0 * 2.0
    dl = extent[:, None] * x / 2
    return dl, np.broadcast_to(x**2, dl.shape), np.broadcast_to(w, dl.shape)


def make(fwhm, *, beta=3.4, smear=path):
    nodes = place_nodes(N_COLUMNS, path=smear)
    return make_psf_model(
        [0.0], [fwhm], nodes, beta=beta, path=smear, optics=None, half_size=20
    )  # fmt: skip


def width_of(nodes, fwhm):
    """First of the four nodes of a width."""
    return np.array([int(np.floor(np.log(fwhm) / 0.08)) - 1 - nodes.low])


@pytest.mark.parametrize("fwhm", [1.3, 2.6])
def test_star_is_drawn_as_the_model_draws_it(fwhm):
    """Image and derivatives, at two and four grid points per pixel."""
    model = make(fwhm)
    nodes = StarNodes(model, RADIUS)
    first, weights = model.column_stencil([200.0])
    width = width_of(nodes, fwhm)
    nodes.fill(width, first)
    assert nodes.have.sum() == N_WIDTHS * 4
    x = np.log(fwhm) / 0.08
    t = x - np.floor(x)
    along = np.array(
        [-t * (t - 1) * (t - 2) / 6, (t + 1) * (t - 1) * (t - 2) / 2, -(t + 1) * t * (t - 2) / 2,
         (t + 1) * t * (t - 1) / 6]
    )  # fmt: skip
    columns = np.empty((N_WIDTHS, *nodes.grids.shape[2:]))
    for a in range(N_WIDTHS):
        blend_columns(nodes.grids[width[0] + a, first[0] : first[0] + 4], weights[0], columns[a])
    grid = np.tensordot(along, columns, 1)
    size = 2 * RADIUS + 1
    image, slopes = np.empty(size * size), np.zeros((8, size * size))
    draw_star(grid, grid, model.oversample, 0.31, -1.2, True, True, image, slopes)
    whole = model.blend(0.0, 200.0, RADIUS)
    out = np.empty((size, size))
    peak = image.max()
    for row, (l, c), share in (
        (image, (0, 0), 1.0), (slopes[1], (1, 0), 1.0), (slopes[2], (0, 1), 1.0),
        (slopes[4], (0, 0), 1.0), (slopes[5], (2, 0), 0.5), (slopes[6], (1, 1), 1.0),
        (slopes[7], (0, 2), 0.5),
    ):  # fmt: skip
        render_stamp(whole, model.oversample, 0.31, -1.2, l, c, out)
        # The box of the small grids is smaller: wings wrap round it, far below this.
        np.testing.assert_allclose(row.reshape(size, size), share * out, atol=1e-6 * peak)


def test_models_share_what_they_may():
    nodes = StarNodes(make(2.6), RADIUS)
    assert nodes.with_seeing(3.4, 2.2) is nodes
    other = nodes.with_seeing(2.5, 2.6)
    assert not np.shares_memory(other.grids, nodes.grids)
    assert np.shares_memory(other._smears, nodes._smears)
    finer = nodes.with_seeing(3.4, 1.2)
    assert finer.model.oversample == 4
    assert not np.shares_memory(finer._smears, nodes._smears)


def make_stars(n, *, fwhm=2.6, smear=path):
    model = make(fwhm, smear=smear)
    rng = np.random.default_rng(4)
    columns = rng.uniform(20, N_COLUMNS - 21, n)
    flux = 10 ** rng.uniform(4.5, 5.5, n)
    clean = [f * model.render(50.0, c, RADIUS) for f, c in zip(flux, columns, strict=True)]
    data = (rng.poisson(np.array(clean) + 400.0) - 400.0).astype(np.float32)
    return data, np.full(data.shape, 400.0, np.float32), columns


def test_start_far_off_loses_no_star():
    """Widths that a star passes on the way are made, one after the other."""
    data, variance, columns = make_stars(30)
    nodes = StarNodes(make(2.6), RADIUS)
    results = []
    for fwhm in (2.6, 1.0, 7.0):
        start = np.zeros((30, 8))
        start[:, 0] = data.sum(axis=(1, 2))
        start[:, 2] = columns - np.rint(columns)
        start[:, 4] = np.log(fwhm)
        results.append(
            fit_stars(
                data, variance, np.arange(30), start, (0, 1, 2, 3, 4), nodes, columns,
                radius=float(RADIUS), noise=StarNoise(1.0, 0.003), max_iterations=40,
            )
        )  # fmt: skip
        if fwhm == 2.6:
            assert nodes.have.any(axis=1).sum() < 8  # of 44 widths
    for r in results:
        assert np.all(np.isfinite(r.chi2))
        error = np.sqrt(np.diagonal(r.covariances, axis1=1, axis2=2))[:, :5]
        # Fits stop where the next step would gain a millionth in chi-square.
        assert np.max(np.abs(r.values - results[0].values)[:, :5] / error) < 5e-3


def test_stars_without_a_start_are_guessed_among_others():
    data, variance, columns = make_stars(40)
    lines = np.linspace(50, 3950, 40).round()

    def solve(begin):
        return fit_psf_model(
            data, variance, lines, columns, path, n_lines=4000, n_columns=N_COLUMNS,
            n_stage=1024, options=PsfStarOptions(radius=float(RADIUS)), begin=begin,
        )  # fmt: skip

    cold = solve(None)
    begin = cold.parameters.copy()
    begin[::2] = np.nan
    warm = solve(begin)
    np.testing.assert_array_equal(warm.used, cold.used)
    np.testing.assert_allclose(warm.line[warm.used], cold.line[cold.used], atol=2e-4)
    assert warm.model.beta == pytest.approx(cold.model.beta, abs=0.05 * cold.beta_err)


def test_first_guess_of_width_takes_the_smear_out():
    """A star smeared to twice its width begins near its own seeing."""

    def long(columns):
        x, w = np.polynomial.legendre.leggauss(16)
        dl = np.broadcast_to(4.0 * x, (np.size(columns), 16))
        return dl, np.zeros_like(dl), np.broadcast_to(w, dl.shape)

    data, variance, columns = make_stars(20, smear=long)
    smear = make(2.6, smear=long).second_moments(columns)
    start = _first_guess(data, variance, np.zeros(20), columns - np.rint(columns), 8.0, smear)
    assert np.exp(start[0, 4]) == pytest.approx(2.6, rel=0.3)
    without = _first_guess(data, variance, np.zeros(20), np.zeros(20), 8.0, 0.0 * smear)
    assert np.exp(without[0, 4]) > 1.5 * 2.6
