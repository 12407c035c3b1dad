"""Share of a star's light in the fixed aperture, against closed formulae."""

import numpy as np
import pytest

from pipeline.stages.psf_model import make_psf_model
from pipeline.tasks.measure import share_in_aperture

N_COLUMNS = 257
NODES = np.linspace(0, N_COLUMNS - 1, 5)


def moffat_share(radius, fwhm, beta):
    core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
    return 1 - (1 + (radius / core) ** 2) ** (1 - beta)


def model(fwhm, beta, *, lines=(0.0,), path=None):
    fwhms = np.broadcast_to(fwhm, len(lines))
    return make_psf_model(
        np.array(lines), np.array(fwhms, dtype=float), NODES, beta=beta, path=path, optics=None,
        half_size=48,
    )  # fmt: skip


def share(psf, lines, columns, radius):
    return share_in_aperture(
        psf, np.array(lines, dtype=float), np.array(columns, dtype=float), radius=radius,
        n_columns=N_COLUMNS,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("beta", "in_1", "in_2", "in_3"),
    [(3.0, 0.75963, 0.96242, 0.99068), (4.765, 0.83974, 0.99111, 0.99920)],
)
def test_wide_moffat_within_multiples_of_its_width(beta, in_1, in_2, in_3):
    """1 - (1 + (r/a)^2)^(1 - beta); clocking and pixel are small against a width of 8 px."""
    fwhm = 8.0
    for multiple, fraction in ((1, in_1), (2, in_2), (3, in_3)):
        assert moffat_share(multiple * fwhm, fwhm, beta) == pytest.approx(fraction, abs=1e-5)
        got = share(model(fwhm, beta), [300.0], [100.0], multiple * fwhm)[0]
        # Clocking, pixel and the measurement's even light within a pixel blur by 1/6 + 1/12 px^2
        # along and 1/12 + 1/12 across, 5/24 in the mean; by the diffusion equation that carries
        # (5/24) pi r |P'(r)| over the rim. What lies beyond the stamp is normalised away.
        core = fwhm / (2 * np.sqrt(2 ** (1 / beta) - 1))
        r = multiple * fwhm
        slope = 2 * beta * (beta - 1) / (np.pi * core**4) * r * (1 + (r / core) ** 2) ** -(beta + 1)
        blur = 5 / 24 * np.pi * r * slope
        beyond = 1 - moffat_share(48.5, fwhm, beta)
        assert got == pytest.approx(fraction - blur, abs=beyond + 2e-4)
        assert abs(got - fraction) < 0.01


def test_seeing_that_grows_carries_light_out_line_by_line():
    lines = np.array([0.0, 1024.0])
    psf = model([4.0, 8.0], 4.765, lines=lines)
    at = np.array([0.0, 256.0, 512.0, 768.0, 1024.0])
    got = share(psf, at, np.full(5, 128.0), 8.0)
    expected = moffat_share(8.0, np.interp(at, lines, [4.0, 8.0]), 4.765)
    np.testing.assert_allclose(got, expected, atol=0.01)
    assert (np.diff(got) < 0).all()


def test_smear_at_the_edge_columns_carries_light_out():
    """A path along the columns that is longer on one side of the chip than on the other."""

    def path(columns):
        t = np.linspace(-1, 1, 9)
        return np.zeros((columns.size, 9)), np.outer(columns / 128.0, t), np.ones((columns.size, 9))

    got = share(model(3.0, 4.765, path=path), np.full(3, 100.0), [0.0, 128.0, 256.0], 4.0)
    assert got[0] > got[1] + 0.003 > got[2] + 0.006


def test_a_star_has_the_same_share_whatever_is_measured_with_it():
    rng = np.random.default_rng(4)
    lines, columns = np.sort(rng.uniform(0, 3000, 60)), rng.uniform(0, N_COLUMNS - 1, 60)
    psf = model([3.0, 4.0], 3.0, lines=(0.0, 3000.0))
    together = share(psf, lines, columns, 7.0)
    for i in (0, 17, 59):
        assert share(psf, lines[i : i + 1], columns[i : i + 1], 7.0)[0] == together[i]


def test_no_star_has_no_share():
    assert share(model(3.0, 3.0), [], [], 4.0).shape == (0,)
