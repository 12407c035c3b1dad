"""Point-spread photometry, against the Cramer-Rao bound, photutils, and itself in other blocks."""

from dataclasses import fields

import numpy as np
import pytest
from astropy.table import Table
from photutils.psf import ImagePSF, PSFPhotometry

from pipeline.flags import PixelMask, SourceFlag
from pipeline.stages.psf_fit import PsfFitOptions, fit_psf, required_fit_halo
from pipeline.stages.psf_kernels import solve
from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.source_models import make_model_image

SKY = 400.0
OPTIONS = PsfFitOptions()
N_COLUMNS = 512


def path(columns):
    """Along-scan extent up to 2 px at the edges, sagitta 1 px."""
    x, w = np.polynomial.legendre.leggauss(16)
    extent = (np.atleast_1d(columns) - 256.0) / 256.0 * 2.0
    dl = extent[:, None] * x / 2
    return dl, np.broadcast_to(x**2, dl.shape), np.broadcast_to(w, dl.shape)


MODEL = make_psf_model(
    [0.0, 2000.0],
    [2.3, 2.6],
    place_nodes(N_COLUMNS, path=path),
    beta=3.0,
    path=path,
    optics=None,
    half_size=20,
)


def fit(
    data,
    lines,
    columns,
    fluxes,
    *,
    first_line=0,
    mask=None,
    photon=None,
    options=OPTIONS,
    radii=None,
):
    return fit_psf(
        data,
        np.full(data.shape, SKY, np.float32),
        np.zeros(data.shape, np.uint16) if mask is None else mask,
        lines,
        columns,
        fluxes,
        MODEL,
        first_line=first_line,
        photon_variance=photon,
        options=options,
        radii=radii,
    )


def scene(rng, lines, columns, fluxes, shape, *, first_line=0):
    clean = make_model_image(
        shape, lines, columns, fluxes, MODEL, first_line=first_line, half_size=20
    )
    return clean, (rng.poisson(clean + SKY) - SKY).astype(np.float32)


def grid_of_stars(rng, shape=(1000, N_COLUMNS), step=26):
    l, c = np.meshgrid(np.arange(20, shape[0] - 20, step), np.arange(20, shape[1] - 20, step))
    return (a.ravel() + rng.uniform(-0.5, 0.5, a.size) for a in (l, c))


def flux_of_snr(snr):
    """Flux with this signal-to-noise, own photons included."""
    area = MODEL.effective_pixels(500, 256)
    return (snr**2 + snr * np.sqrt(snr**2 + 4 * SKY * area)) / 2


@pytest.mark.parametrize("snr", [20, 100, 1000])
def test_scatter_is_the_cramer_rao_bound_and_pulls_are_unit(snr):
    """Errors are those of the Fisher matrix; (value - truth)/error is a unit normal deviate.

    666 stars: the spread of a unit deviate is known to 2.7 %, its mean to 0.04.
    """
    rng = np.random.default_rng(snr)
    lines, columns = grid_of_stars(rng)
    flux = flux_of_snr(snr)
    _, data = scene(rng, lines, columns, np.full(lines.size, flux), (1000, N_COLUMNS))
    off = rng.normal(0, 0.2, (2, lines.size))
    r = fit(data, lines + off[0], columns + off[1], np.full(lines.size, 0.8 * flux))
    assert np.count_nonzero(r.flags & SourceFlag.PSF_FAILED) == 0
    # The bias of a free position, flux_err/flux in units of the error; see the module.
    pulls = {
        "flux": (r.flux - flux) / r.flux_err - r.flux_err / flux,
        "line": (r.line - lines) / r.line_err,
        "column": (r.column - columns) / r.column_err,
        "extendedness": r.extendedness / r.extendedness_err,
    }
    for name, pull in pulls.items():
        assert np.std(pull) == pytest.approx(1.0, abs=0.08), name
        assert np.mean(pull) == pytest.approx(0.0, abs=0.16), name
    assert np.mean(r.chi2) == pytest.approx(1.0, abs=0.02)
    # The bound from the noise-free model by finite differences, for one star.
    k = int(np.argmin(np.abs(lines - 500) + np.abs(columns - 256)))
    bound = fisher_errors(lines[k], columns[k], flux)
    np.testing.assert_allclose(
        [r.flux_err[k], r.line_err[k], r.column_err[k]], bound, rtol=3.0 / snr
    )


def fisher_errors(line, column, flux):
    """Square roots of the diagonal of the inverse Fisher matrix (Mendez et al. 2013, idea)."""
    step = 1e-3

    low = round(line) - 20
    left = round(column) - 20

    def image(l, c, f):
        whole = make_model_image(
            (41, N_COLUMNS), [l], [c], [f], MODEL, first_line=low, half_size=20
        )
        return whole[:, left : left + 41]

    at = np.arange(-20, 21)
    inside = at[:, None] ** 2 + at**2 <= OPTIONS.radius**2
    variance = SKY + image(line, column, flux)
    rows = [
        image(line, column, 1.0),
        (image(line + step, column, flux) - image(line - step, column, flux)) / (2 * step),
        (image(line, column + step, flux) - image(line, column - step, flux)) / (2 * step),
    ]
    fisher = [[np.sum((a * b / variance)[inside]) for b in rows] for a in rows]
    return np.sqrt(np.diag(np.linalg.inv(fisher)))


def test_agrees_with_photutils_on_the_same_pixels():
    """Same profile (independently integrated), same pixels, fitted by photutils' PSFPhotometry."""
    rng = np.random.default_rng(7)
    beta, fwhm, os_ = 3.0, 2.5, 4
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    g, gw = np.polynomial.legendre.leggauss(5)
    at = np.arange(-18 * os_, 18 * os_ + 1) / os_
    profile = np.zeros((at.size, at.size))
    for a, wa in zip(g, gw, strict=True):
        for a2, wa2 in zip(g, gw, strict=True):
            for b, wb in zip(g, gw, strict=True):
                r2 = (at[:, None] + (a + a2) / 2) ** 2 + (at + b / 2) ** 2
                profile += wa * wa2 * wb / 8 * (1 + r2 / core**2) ** -beta
    profile *= (beta - 1) / (np.pi * core**2)
    theirs = ImagePSF(profile, oversampling=os_)
    mine = make_psf_model([0.0], [fwhm], [0.0], beta=beta, path=None, optics=None, half_size=20)
    grid = np.arange(20, 180, 28)
    y, x = (a.ravel() + rng.uniform(-0.4, 0.4, a.size) for a in np.meshgrid(grid, grid))
    flux = 10 ** rng.uniform(3.5, 5, y.size)
    clean = make_model_image((200, 200), y, x, flux, mine, first_line=0, half_size=20)
    data = (rng.poisson(clean + SKY) - SKY).astype(float)
    error = np.sqrt(SKY + clean)
    photometry = PSFPhotometry(theirs, (13, 13), aperture_radius=4)
    table = photometry(
        data, error=error, init_params=Table({"x_0": x, "y_0": y, "flux_0": flux * 0.9})
    )
    r = fit_psf(
        data,
        np.full(data.shape, SKY),
        np.zeros(data.shape, np.uint16),
        y,
        x,
        flux * 0.9,
        mine,
        first_line=0,
        photon_variance=None,
        options=PsfFitOptions(radius=7.5),
    )
    # Theirs uses a square of 13 px and true weights, ours a circle: nearly the same pixels.
    for ours, err, name, name_err in (
        (r.flux, r.flux_err, "flux_fit", "flux_err"),
        (r.line, r.line_err, "y_fit", "y_err"),
        (r.column, r.column_err, "x_fit", "x_err"),
    ):
        np.testing.assert_array_less(np.abs(ours - table[name]) / err, 0.35)
        np.testing.assert_allclose(err, table[name_err], rtol=0.05)


def test_radii_by_column_cost_little_and_leave_no_bias():
    """A source is fitted as its own column's radius asks, whatever the radius elsewhere."""
    rng = np.random.default_rng(11)
    lines, columns = grid_of_stars(rng)
    flux = flux_of_snr(20)
    _, data = scene(rng, lines, columns, np.full(lines.size, flux), (1000, N_COLUMNS))
    args = data, lines, columns, np.full(lines.size, flux)
    whole = fit(*args)
    radii = np.where(np.arange(N_COLUMNS) < 256, 6.2, OPTIONS.radius)
    mixed = fit(*args, radii=radii)
    narrow = fit(*args, radii=np.full(N_COLUMNS, 6.2))
    left = np.rint(columns) < 256
    for f in fields(whole):
        value = getattr(mixed, f.name)
        np.testing.assert_array_equal(value[left], getattr(narrow, f.name)[left])
        # The rest have neighbours, so far off that only the last bits feel how they were fitted.
        np.testing.assert_allclose(value[~left], getattr(whole, f.name)[~left], rtol=2e-3)
    assert np.all(mixed.n_pixels[left] < 0.6 * np.pi * OPTIONS.radius**2)
    pull = (mixed.flux - flux) / mixed.flux_err - mixed.flux_err / flux
    for part in (pull[left], pull[~left]):
        assert np.mean(part) == pytest.approx(0.0, abs=0.2)
        assert np.std(part) == pytest.approx(1.0, abs=0.12)
    assert np.all(mixed.flux_err[left] < 1.01 * whole.flux_err[left])


def test_close_neighbours_do_not_bias_each_other():
    rng = np.random.default_rng(8)
    l, c = grid_of_stars(rng, step=40)
    angle = rng.uniform(0, 2 * np.pi, l.size)
    lines = np.concatenate([l, l + 4.5 * np.sin(angle)])
    columns = np.concatenate([c, c + 4.5 * np.cos(angle)])
    flux = np.concatenate([np.full(l.size, 4e4), np.full(l.size, 1e4)])
    _, data = scene(rng, lines, columns, flux, (1000, N_COLUMNS))
    r = fit(data, lines, columns, flux)
    for pull in (
        (r.flux - flux) / r.flux_err,
        (r.line - lines) / r.line_err,
        (r.column - columns) / r.column_err,
    ):
        for part in np.split(pull, 2):
            # 250 pairs; the errors leave out what the neighbour's fit adds, a few per cent.
            assert np.mean(part) == pytest.approx(0.0, abs=0.25)
            assert np.std(part) == pytest.approx(1.05, abs=0.15)
    assert np.all(r.flags[l.size :] & SourceFlag.BLENDED)


def test_recovers_noise_free_stars_exactly_and_sees_width():
    lines, columns, flux = np.array([40.3, 90.0]), np.array([40.7, 300.2]), np.array([1e4, 3e5])
    data = make_model_image(
        (140, N_COLUMNS), lines, columns, flux, MODEL, first_line=0, half_size=20
    )
    r = fit(data, lines + 0.3, columns - 0.3, [5e3, 2e5])
    # A fit stops when it would gain less than 1e-5 in chi-square: 0.003 standard deviations.
    for value, truth, err in (
        (r.flux, flux, r.flux_err),
        (r.line, lines, r.line_err),
        (r.column, columns, r.column_err),
        (r.extendedness, 0.0, r.extendedness_err),
    ):
        np.testing.assert_array_less(np.abs(value - truth), 0.01 * err)
    wide = make_psf_model(
        [0.0, 2000.0],
        [2.3, 2.6],
        place_nodes(N_COLUMNS, path=path),
        beta=3.0,
        path=path,
        optics=[[0.05], [0.0], [0.05]],
        half_size=20,
    )
    data = make_model_image(
        (140, N_COLUMNS), lines, columns, flux, wide, first_line=0, half_size=20
    )
    r = fit(data, lines, columns, flux)
    # Extra second moment in px^2, to first order.
    np.testing.assert_allclose(r.extendedness, 0.05, rtol=0.15)
    data = np.zeros((140, N_COLUMNS))
    data[40, 41] = 3e4
    sharp = fit(data, [40.0], [41.0], [3e4])
    assert sharp.extendedness[0] < -5 * sharp.extendedness_err[0]


def test_masked_pixels_and_edges_are_left_out_and_flagged():
    rng = np.random.default_rng(9)
    lines, columns = np.array([60.2, 60.4, 2.0]), np.array([60.3, 200.0, 300.0])
    flux = np.full(3, 1e5)
    _, data = scene(rng, lines, columns, flux, (120, N_COLUMNS))
    mask = np.zeros(data.shape, np.uint16)
    data[:, 62] = 5e4
    mask[:, 62] = PixelMask.DEAD
    data[63, 201] = 7e4
    mask[63, 201] = PixelMask.COSMIC_RAY
    r = fit(data, lines, columns, flux, mask=mask)
    assert np.all(np.abs(r.flux - flux) < 5 * r.flux_err)
    assert r.flags.tolist() == [SourceFlag.BAD_PIXELS, SourceFlag.COSMIC_RAY, SourceFlag.EDGE]
    whole = np.count_nonzero(
        np.add.outer(np.arange(-9, 10) ** 2, np.arange(-9, 10) ** 2) <= OPTIONS.radius**2
    )
    assert r.n_pixels[1] == whole - 1


def test_a_fit_that_runs_away_falls_back_to_the_detected_position():
    lines, columns, flux = [60.0], [60.0], [1e4]
    data = make_model_image(
        (120, N_COLUMNS), lines, columns, flux, MODEL, first_line=0, half_size=20
    )
    r = fit(data, [62.5], [60.0], [1e4])
    assert r.flags[0] & SourceFlag.PSF_FAILED
    assert (r.line[0], r.column[0]) == (62.5, 60.0)
    # The light there is that of a linear fit at the fixed position.
    assert 0 < r.flux[0] < 1e4
    assert r.flux_err[0] > 0
    assert np.isnan(r.line_err[0])


def test_sources_without_good_pixels_have_no_flux():
    data = np.zeros((60, N_COLUMNS), np.float32)
    mask = np.full(data.shape, PixelMask.NO_DATA, np.uint16)
    r = fit(data, [30.0], [30.0], [100.0], mask=mask)
    assert np.isnan(r.flux[0])
    assert r.flags[0] & SourceFlag.PSF_FAILED
    assert len(fit(data, [], [], [])) == 0


def test_a_matrix_that_differs_from_a_singular_one_by_rounding_is_not_inverted():
    inverse = np.zeros((2, 2))
    for more, least, wanted in ((1e-8, 1e-12, True), (1e-8, 1e-6, False), (1e-4, 1e-6, True)):
        matrix = np.array([[1.0, 1.0], [1.0, 1.0 + more]])
        assert solve(matrix, 2, inverse, least) == wanted
        if wanted:
            np.testing.assert_allclose(inverse @ matrix, np.eye(2), atol=1e-6)


def test_errors_follow_the_variance_of_divided_light():
    """Light divided by a response of 0.5 has twice the variance per electron."""
    lines, columns, flux = [60.0], [60.0], [1e7]
    data = make_model_image(
        (120, N_COLUMNS), lines, columns, flux, MODEL, first_line=0, half_size=20
    )
    one = fit(data, lines, columns, flux)
    two = fit(data, lines, columns, flux, photon=np.full(N_COLUMNS, 2.0))
    # The sky in the wings, which stays as it is, takes a little of it.
    assert two.flux_err[0] / one.flux_err[0] == pytest.approx(np.sqrt(2), rel=5e-3)


def test_result_does_not_depend_on_the_block_or_the_order_of_the_sources():
    rng = np.random.default_rng(10)
    n = 150
    offset = 900_001
    lines = np.sort(rng.uniform(20, 780, n)) + offset
    columns = rng.uniform(20, 190, n)
    flux = 10 ** rng.uniform(3, 5, n)
    _, data = scene(rng, lines, columns, flux, (800, N_COLUMNS), first_line=offset)
    data = np.ascontiguousarray(data[:, :210])
    # Detected positions carry their rounding with them.
    lines, columns = np.rint(lines * 64) / 64, np.rint(columns * 64) / 64
    options = PsfFitOptions(passes=3)
    whole = fit(data, lines, columns, flux, first_line=offset, options=options)
    order = rng.permutation(n)
    mixed = fit(data, lines[order], columns[order], flux[order], first_line=offset, options=options)
    halo = required_fit_halo(options, half_size=MODEL.half_size)
    start, stop = 350, 450
    a, b = start - halo, stop + halo
    inside = (lines >= offset + a) & (lines < offset + b)
    part = fit(
        data[a:b],
        lines[inside],
        columns[inside],
        flux[inside],
        first_line=offset + a,
        options=options,
    )
    mine = (lines[inside] >= offset + start) & (lines[inside] < offset + stop)
    assert np.count_nonzero(mine) > 10
    for f in fields(whole):
        value = getattr(whole, f.name)
        np.testing.assert_array_equal(getattr(mixed, f.name), value[order])
        np.testing.assert_array_equal(getattr(part, f.name)[mine], value[inside][mine])


def test_inputs_stay_as_they_are():
    data = np.zeros((60, N_COLUMNS), np.float32)
    data[30, 30] = 500
    lines, columns, flux = np.array([30.0]), np.array([30.0]), np.array([500.0])
    fit(data, lines, columns, flux)
    assert data.sum() == 500
    assert (lines[0], columns[0], flux[0]) == (30.0, 30.0, 500.0)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"radius": 1.0}, "radius: must be at least 2 px"),
        ({"max_shift": 2.0}, "max_shift: must be above 0 and at most 1.5 px, got 2.0"),
        ({"passes": 0}, "passes: must be at least 1"),
        ({"tolerance": 0.0}, "tolerance: must be positive"),
    ],
)
def test_options_are_checked(change, message):
    with pytest.raises(ValueError, match=message):
        PsfFitOptions(**change)


def test_refuses_what_does_not_match():
    data = np.zeros((60, N_COLUMNS), np.float32)
    with pytest.raises(ValueError, match="must have one shape"):
        fit(data, [1.0], [1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="photon_variance: must have one value per column"):
        fit(data, [1.0], [1.0], [1.0], photon=[1.0])
    with pytest.raises(ValueError, match="radius: must not exceed the model's half size 20"):
        fit(data, [1.0], [1.0], [1.0], options=PsfFitOptions(radius=21.0))
    with pytest.raises(ValueError, match=r"radii: must have one value per column \(512\)"):
        fit(data, [1.0], [1.0], [1.0], radii=[9.0])
    with pytest.raises(ValueError, match=r"radii: must be 2 px to the options' radius 9\.0"):
        fit(data, [1.0], [1.0], [1.0], radii=np.full(N_COLUMNS, 9.5))
