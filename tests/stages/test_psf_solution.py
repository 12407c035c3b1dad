"""The point spread is recovered from stars put in."""

import numpy as np
import pytest

from pipeline.errors import SolutionError
from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.psf_solution import fit_aperture_correction, fit_psf_model
from pipeline.stages.psf_stars import PsfStarOptions

N_LINES, N_COLUMNS, N_STAGE, SKY, HALF = 6000, 512, 1024, 400.0, 12


def path(columns):
    x, w = np.polynomial.legendre.leggauss(16)
    extent = (np.atleast_1d(columns) - 256.0) / 256.0 * 2.0
    dl = extent[:, None] * x / 2
    return dl, np.broadcast_to(x**2, dl.shape), np.broadcast_to(w, dl.shape)


def truth(*, beta=3.4, optics=None, smear=path):
    lines = np.linspace(0, N_LINES, 65)
    return make_psf_model(
        lines,
        2.4 + 0.2 * np.sin(lines / 1200),
        place_nodes(N_COLUMNS, path=smear),
        beta=beta,
        path=smear,
        optics=optics,
        half_size=20,
    )


def stars(model, n, *, seed=1, low=4.3, high=5.5):
    rng = np.random.default_rng(seed)
    lines = rng.uniform(30, N_LINES - 30, n)
    columns = rng.uniform(10, N_COLUMNS - 11, n)
    flux = 10 ** rng.uniform(low, high, n)
    clean = [f * model.render(l, c, HALF) for f, l, c in zip(flux, lines, columns, strict=True)]
    data = (rng.poisson(np.array(clean) + SKY) - SKY).astype(np.float32)
    off = rng.normal(0, 0.05, (2, n))
    # The stamps stay where they were cut, whatever the error of the first position.
    lines = np.rint(lines) + np.clip(lines - np.rint(lines) + off[0], -0.49, 0.49)
    columns = np.rint(columns) + np.clip(columns - np.rint(columns) + off[1], -0.49, 0.49)
    return data, np.full(data.shape, SKY, np.float32), lines, columns


def solve(sample, *, smear=path, **changes):
    return fit_psf_model(
        *sample,
        smear,
        n_lines=N_LINES,
        n_columns=N_COLUMNS,
        n_stage=N_STAGE,
        options=PsfStarOptions(**changes),
    )


GRID = np.arange(0, N_LINES, 100)


def test_recovers_seeing_exponent_and_leaves_faint_fluxes_unbiased():
    model = truth()
    sample = stars(model, 250)
    sample[0][7] += 3000.0 * np.exp(-0.1 * (np.arange(25)[:, None] - 18) ** 2)  # a spoilt one
    r = solve(sample)
    assert r.problems == ()
    assert r.model.beta == pytest.approx(3.4, abs=4 * r.beta_err)
    assert r.beta_err < 0.02
    ratio = r.model.fwhm(GRID) / model.fwhm(GRID) - 1
    assert abs(np.mean(ratio)) < 0.002
    assert np.max(np.abs(ratio)) < 0.006
    # The curve's own errors, correlated over some knots: about fifteen independent values.
    pull = (r.model.fwhm(GRID) - model.fwhm(GRID)) / r.fwhm_error(GRID)
    assert 0.5 < np.std(pull) < 1.5
    each = ((r.fwhm - model.fwhm(r.line)) / r.fwhm_err)[r.used]
    assert np.std(each) == pytest.approx(1.0, abs=0.15)
    assert not r.used[7]
    # No optics were put in, none are found; the smear predicted is the smear there is.
    assert r.optics_order == -1
    q = (r.covariance / r.covariance_err)[r.used]
    assert np.all(np.abs(np.mean(q, axis=0)) < 0.25)
    bias = []
    for l, c in zip(r.line[:40], r.column[:40], strict=True):
        p, m = model.render(l, c, 9), r.model.render(l, c, 9)
        bias.append(np.sum(p * m) / np.sum(m * m) - 1)
    # 1 mmag: flux of a background-limited fit with the solution's profile.
    assert abs(np.mean(bias)) < 1e-3


def test_finds_optics_that_change_over_the_chip():
    optics = np.array([[0.0, 0.06, 0.0], [0.05, 0.0, 0.0], [0.0, -0.06, 0.0]])
    model = truth(optics=optics)
    r = solve(stars(model, 250, seed=2))
    assert r.optics_order >= 1
    at = np.linspace(20, N_COLUMNS - 20, 9)
    found, there = r.model.optics_covariance(at), model.optics_covariance(at)
    # px^2; 250 stars determine a single value to about 0.002.
    np.testing.assert_allclose(found, there, atol=0.015)


def test_works_without_smear_and_with_a_given_exponent():
    model = truth(beta=2.6, smear=None)
    r = solve(stars(model, 60, seed=3), smear=None, beta=2.6)
    assert r.model.beta == 2.6
    assert np.isnan(r.beta_err)
    assert np.max(np.abs(r.model.fwhm(GRID) / model.fwhm(GRID) - 1)) < 0.02


def test_few_stars_give_one_seeing_value_and_say_so():
    r = solve(stars(truth(beta=3.0), 4, seed=4))
    assert r.model.beta == 3.0
    assert any("exponent 3 assumed" in p for p in r.problems)
    assert any("one seeing value" in p for p in r.problems)
    assert np.ptp(r.model.fwhm(GRID)) == pytest.approx(0.0, abs=1e-12)
    assert r.model.fwhm(0.0) == pytest.approx(2.4, abs=0.3)


def test_no_star_is_an_error_with_a_remedy():
    empty = np.empty((0, 25, 25))
    with pytest.raises(SolutionError, match="no bright isolated star; lower min_snr"):
        solve((empty, empty, [], []))
    noise = np.random.default_rng(5).normal(0, 20, (3, 25, 25)).astype(np.float32)
    sample = (noise, np.full(noise.shape, np.inf, np.float32), np.arange(3.0), np.arange(3.0))
    with pytest.raises(SolutionError, match="none of 3 bright stars can be fitted"):
        solve(sample)


def test_refuses_shapes_that_disagree():
    data, variance, lines, columns = stars(truth(), 3, seed=6)
    with pytest.raises(ValueError, match="one stamp per star"):
        solve((data, variance, lines[:2], columns[:2]))
    with pytest.raises(ValueError, match="half size must be at most the model's 11"):
        solve((data, variance, lines, columns), half_size=11)


def test_aperture_correction_follows_the_ratio_along_the_line():
    rng = np.random.default_rng(7)
    lines = np.sort(rng.uniform(0, N_LINES, 300))
    curve = 0.02 * np.sin(lines / 1000)
    psf = rng.uniform(1e4, 1e5, 300)
    aper = psf * np.exp(curve + 0.01 * rng.normal(size=300))
    psf[3], aper[5] = -1.0, 3 * aper[5]
    fit = fit_aperture_correction(
        lines, aper, psf, np.full(300, 0.01), n_lines=N_LINES, n_stage=N_STAGE
    )
    assert np.std(fit.value(lines) - curve) < 0.004
    with pytest.raises(SolutionError, match="no star has two positive fluxes"):
        fit_aperture_correction([1.0], [-1.0], [1.0], [0.1], n_lines=10, n_stage=5)


def test_what_lies_beyond_the_fitted_radius_changes_nothing():
    """Stamps with garbage in their corners, and stamps cut close, give the same bits."""
    data, variance, lines, columns = stars(truth(), 60)
    wide = solve((data, variance, lines, columns), radius=8.0)
    cut = slice(HALF - 8, HALF + 9)
    close = solve((data[:, cut, cut], variance[:, cut, cut], lines, columns), radius=8.0)
    at = np.arange(-HALF, HALF + 1)
    beyond = np.hypot(at[:, None], at) > 8.0
    spoiled = np.where(beyond, np.float32(1e6), data)
    for other in (close, solve((spoiled, variance, lines, columns), radius=8.0)):
        np.testing.assert_array_equal(other.line, wide.line)
        np.testing.assert_array_equal(other.fwhm, wide.fwhm)
        assert other.model.beta == pytest.approx(wide.model.beta, rel=1e-6)


def test_a_fit_that_begins_where_another_ended_comes_to_the_same():
    sample = stars(truth(), 60)
    cold = solve(sample, beta=3.4)
    warm = fit_psf_model(
        *sample, path, n_lines=N_LINES, n_columns=N_COLUMNS, n_stage=N_STAGE,
        options=PsfStarOptions(beta=3.4), begin=cold.parameters,
    )  # fmt: skip
    np.testing.assert_allclose(warm.line[warm.used], cold.line[cold.used], atol=1e-4)
    np.testing.assert_allclose(warm.fwhm[warm.used], cold.fwhm[cold.used], rtol=1e-4)
