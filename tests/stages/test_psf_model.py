"""The point-spread model, against direct integration and closed formulae."""

import pickle
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.special import j0

from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.psf_transforms import moffat_transform

N_COLUMNS = 1024


def path(columns):
    """Curved path: along-scan extent grows to 3 px at the edges, sagitta 1 px."""
    x, w = np.polynomial.legendre.leggauss(16)
    extent = (np.atleast_1d(columns) - 512.0) / 512.0 * 3.0
    dl = extent[:, None] * x / 2
    return dl, np.broadcast_to(x**2, dl.shape), np.broadcast_to(w, dl.shape)


def model(*, beta=3.0, fwhm=(2.2, 3.0), smear=path, optics=None):
    nodes = place_nodes(N_COLUMNS, path=smear)
    return make_psf_model(
        [0.0, 1000.0], fwhm, nodes, beta=beta, path=smear, optics=optics, half_size=20
    )


def integrate(fwhm, beta, column, d_line, d_column, half):
    """Moffat profile at every point of the path, averaged over clock and pixel by quadrature."""
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    pl, pc, pw = (v[0] for v in path(column))
    pw = pw / pw.sum()
    pl, pc = pl - np.sum(pw * pl), pc - np.sum(pw * pc)
    g, gw = np.polynomial.legendre.leggauss(5)
    g, gw = g / 2, gw / 2
    # Two boxcars along the line: clock and pixel.
    al = (g[:, None, None] + g[None, :, None] + pl).ravel()
    wl = (gw[:, None, None] * gw[None, :, None] * pw).ravel()
    ac = np.broadcast_to(pc, (5, 5, pl.size)).ravel()
    at = np.arange(-half, half + 1)
    out = np.zeros((at.size, at.size))
    for b, wb in zip(g, gw, strict=True):
        for l, c, w in zip(al, ac, wl, strict=True):
            r2 = (at[:, None] - d_line - l) ** 2 + (at - d_column - b - c) ** 2
            out += wb * w * (1 + r2 / core**2) ** -beta
    return out * (beta - 1) / (np.pi * core**2)


@pytest.mark.parametrize(("line", "column"), [(100.3, 200.7), (0.1, 1020.49), (900.0, 512.3)])
def test_rendering_equals_direct_integration(line, column):
    m = model()
    truth = integrate(
        float(m.fwhm(line)), 3.0, column, line - round(line), column - round(column), 10
    )
    assert np.abs(m.render(line, column, 10) - truth).max() < 1e-4 * truth.max()


def test_narrow_seeing_uses_a_finer_grid_and_is_as_exact():
    m = model(fwhm=(1.3, 1.3))
    truth = integrate(1.3, 3.0, 600.2, 0.3, 0.2, 8)
    assert np.abs(m.render(100.3, 600.2, 8) - truth).max() < 1e-4 * truth.max()


@pytest.mark.parametrize("beta", [2.5, 4.765])
def test_the_transform_is_the_hankel_transform_of_the_profile(beta):
    """Compare with numerical integration of the profile times J0."""
    fwhm = 2.4
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))

    def integrand(r, k):
        profile = (beta - 1) / (np.pi * core**2) * (1 + (r / core) ** 2) ** -beta
        return 2 * np.pi * r * profile * j0(2 * np.pi * k * r)

    for k in (0.05, 0.2, 0.4):
        truth = quad(integrand, 0, 400, args=(k,), limit=2000)[0]
        # The integral is cut at r = 400: below (400/core)^(2 - 2 beta), 1e-6 for beta 2.5.
        assert moffat_transform(k, fwhm=fwhm, beta=beta) == pytest.approx(truth, abs=3e-6)
    assert moffat_transform(0.0, fwhm=fwhm, beta=beta) == 1.0


@pytest.mark.parametrize(
    ("beta", "fractions"),
    [(2.5, (0.34025, 0.70916, 0.93382)), (4.765, (0.42171, 0.83974, 0.99111))],
)
def test_encloses_the_light_of_a_moffat_profile(beta, fractions):
    """Closed form 1-(1+(r/a)^2)^(1-beta) at 0.5, 1 and 2 FWHM; broad seeing hides the pixel."""
    fwhm = 9.0
    m = make_psf_model([0.0], [fwhm], [0.0], beta=beta, path=None, optics=None, half_size=24)
    image = m.kernel(0, 0, 24)
    at = np.arange(-24, 25)
    fine = np.repeat(np.repeat(image, 9, axis=0), 9, axis=1) / 81.0
    sub = np.arange(-24 * 9 - 4, 24 * 9 + 5) / 9.0
    assert sub.size == 9 * at.size
    radius = np.hypot(sub[:, None], sub)
    for r, truth in zip((0.5, 1.0, 2.0), fractions, strict=True):
        # Pixel and clock widen a profile of sigma 3.8 px by 1/12 + 1/24 px^2 per axis, 0.9 %.
        assert fine[radius < r * fwhm].sum() == pytest.approx(truth, abs=0.01)


def test_derivatives_are_those_of_the_rendered_image():
    m = model()
    from pipeline.stages.spline_kernels import grid_half_size, render_stamp

    s = m.stencil(100.0, 300.0)
    grid = np.tensordot(
        np.outer(s.width_weights[0], s.column_weights[0]).ravel(),
        s.nodes[
            s.first_width[0] : s.first_width[0] + 4, s.first_column[0] : s.first_column[0] + 4
        ].reshape(16, *s.nodes.shape[2:]),
        axes=1,
    )
    assert grid.shape[0] == 2 * grid_half_size(20, m.oversample) + 1
    out, plus, minus = (np.empty((13, 13)) for _ in range(3))
    step = 1e-4
    for orders, shift in (((1, 0), (step, 0.0)), ((0, 1), (0.0, step))):
        render_stamp(grid, m.oversample, 0.2, -0.3, *orders, out)
        render_stamp(grid, m.oversample, 0.2 + shift[0], -0.3 + shift[1], 0, 0, plus)
        render_stamp(grid, m.oversample, 0.2 - shift[0], -0.3 - shift[1], 0, 0, minus)
        np.testing.assert_allclose(out, (plus - minus) / (2 * step), atol=1e-7)
    render_stamp(grid, m.oversample, 0.2, -0.3, 2, 0, out)
    render_stamp(grid, m.oversample, 0.2 + step, -0.3, 1, 0, plus)
    render_stamp(grid, m.oversample, 0.2 - step, -0.3, 1, 0, minus)
    np.testing.assert_allclose(out, (plus - minus) / (2 * step), atol=1e-6)


def test_optics_and_path_widen_by_their_covariance():
    """The narrow profile's second moments grow by exactly what is added."""
    optics = [[0.30], [0.10], [0.20]]
    at = np.arange(-20, 21)

    def second(m, column):
        image = m.kernel(0, column, 20)
        total = image.sum()
        ll = np.sum(image * at[:, None] ** 2) / total
        lc = np.sum(image * at[:, None] * at) / total
        cc = np.sum(image * at**2) / total
        return np.array([ll, lc, cc])

    plain = model(beta=12.0, smear=None)
    full = model(beta=12.0, optics=optics)
    for column in (0.0, 512.0, 900.0):
        grown = second(full, column) - second(plain, column)
        expected = full.second_moments(column) - plain.second_moments(column)
        # The moments of the path are interpolated linearly between nodes.
        np.testing.assert_allclose(grown, expected, atol=0.01)


def test_position_means_the_centroid_of_an_asymmetric_path():
    image = model(beta=10.0).render(100.25, 1000.75, 20)
    at = np.arange(-20, 21)
    assert 100 + np.sum(image * at[:, None]) / image.sum() == pytest.approx(100.25, abs=1e-3)
    assert 1001 + np.sum(image * at) / image.sum() == pytest.approx(1000.75, abs=1e-3)


def test_effective_pixels_of_broad_seeing():
    """Sum of the squared Moffat profile: (beta-1)^2 / ((2 beta-1) pi a^2), from the integral."""
    beta, fwhm = 3.0, 9.0
    m = make_psf_model([0.0], [fwhm], [0.0], beta=beta, path=None, optics=None, half_size=32)
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    truth = np.pi * core**2 * (2 * beta - 1) / (beta - 1) ** 2
    # Clock and pixels add 1 to 2 % at this width.
    assert m.effective_pixels(0, 0) == pytest.approx(truth, rel=0.02)


def test_survives_pickling_without_its_grids():
    m = model()
    image = m.render(10.2, 20.4, 8)
    data = pickle.dumps(m)
    assert len(data) < 100_000
    copies = [pickle.loads(data) for _ in range(2)]  # noqa: S301
    for copy in copies:
        np.testing.assert_array_equal(copy.render(10.2, 20.4, 8), image)
    # Copies of one model share what was made; others, the same but for one number, do not.
    assert copies[0]._grids is copies[1]._grids
    other = pickle.loads(pickle.dumps(replace(m, beta=m.beta + 1e-9)))  # noqa: S301
    assert other._grids is not copies[0]._grids


def test_nodes_follow_the_change_of_the_path():
    even = place_nodes(N_COLUMNS, path=None)
    assert even[0] == 0
    assert even[-1] == N_COLUMNS - 1
    assert place_nodes(N_COLUMNS, path=path).size > even.size
    assert place_nodes(1, path=path).size == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"beta": 1.0}, "beta: must be above 1"),
        ({"fwhm_values": [0.0]}, "fwhm_values: must be positive"),
        ({"fwhm_lines": [0.0, 1.0]}, "fwhm_lines: must increase and match"),
        ({"node_columns": [1.0, 0.0]}, "node_columns: must increase"),
        ({"half_size": 99}, "half_size: must be 1 to 48 px, got 99"),
        ({"optics": [0.1, 0.0, 0.1]}, "optics: must have shape"),
        ({"path": lambda _: (np.zeros(3), np.zeros(3), np.ones(3))}, "path: must return"),
    ],
)
def test_refuses_what_is_no_model(change, message):
    good = {
        "fwhm_lines": [0.0],
        "fwhm_values": [2.0],
        "node_columns": [0.0, 9.0],
        "beta": 3.0,
        "path": None,
        "optics": None,
        "half_size": 10,
    }
    with pytest.raises(ValueError, match=message):
        make_psf_model(**(good | change))


def test_refuses_a_stamp_beyond_the_model():
    with pytest.raises(ValueError, match="half_size: must be between 0 and the model's 20"):
        model().render(0, 0, 21)


def test_blurred_is_convolved_with_the_filter_along_both_axes():
    """A Gaussian blur of the images themselves, by scipy, on the fine grid of the model."""
    m, sigma = model(), 0.7

    def transfer(frequency):
        return np.exp(-2 * (np.pi * sigma * frequency) ** 2)

    half = 8
    plain, soft = m.blend(10.0, 20.0, half), m.blurred(transfer).blend(10.0, 20.0, half)
    # Spline coefficients are linear in the image: the blur of one is that of the other.
    wanted = gaussian_filter(plain, sigma * m.oversample, mode="constant", truncate=8.0)
    inner = slice(12, -12)
    np.testing.assert_allclose(soft[inner, inner], wanted[inner, inner], atol=1e-4 * plain.max())
    assert abs(soft - plain).max() > 0.05 * plain.max()
