"""The seeing behind the width of stars that are drawn by hand, without the model."""

import numpy as np
import pytest

from pipeline.stages.cutouts import stack_cutouts
from pipeline.stages.glance_seeing import tabulate_seeing, window_of
from pipeline.stages.moments import measure_moments
from pipeline.stages.psf_model import make_psf_model, place_nodes

N_COLUMNS = 120
HALF = 16
FINE = 7  # points a pixel
BETA = 3.0


def draw(fwhm, smear, n):
    """Stamps of Moffat stars moved along the lines, clocked, summed over fine points of a pixel."""
    alpha = 0.5 * fwhm / np.sqrt(2 ** (1 / BETA) - 1)
    rng = np.random.default_rng(8)
    sub = (np.arange(FINE) + 0.5) / FINE - 0.5
    fine = (np.arange(-HALF, HALF + 1)[:, None] + sub).ravel()
    size = 2 * HALF + 1
    stamps, offsets = [], rng.uniform(-0.5, 0.5, (n, 2))
    for dl, dc in offsets:
        stamp, steps = np.zeros((size, size)), 12 if smear else 1
        for shift in smear * ((np.arange(steps) + 0.5) / steps - 0.5):
            for clock in sub:  # the boxcar of one row
                y, x = fine - dl - shift - clock, fine - dc
                light = (1 + (y[:, None] ** 2 + x**2) / alpha**2) ** -BETA
                stamp += light.reshape(size, FINE, size, FINE).sum(axis=(1, 3))
        stamps.append(1e5 * stamp / stamp.sum())
    return stack_cutouts(np.array(stamps), 1.0, d_line=offsets[:, 0], d_column=offsets[:, 1])


def smeared_model(smear_of):
    """Model whose smear along the lines depends on the column."""

    def path(columns):
        nodes = (np.arange(24) + 0.5) / 24 - 0.5
        dl = smear_of(np.asarray(columns, dtype=float))[:, None] * nodes
        return dl, np.zeros_like(dl), np.full_like(dl, 1 / 24)

    return make_psf_model(
        [0.0], [2.0], place_nodes(N_COLUMNS, path=path), beta=BETA, path=path, optics=None,
        half_size=HALF,
    )  # fmt: skip


@pytest.mark.parametrize(("fwhm", "smear"), [(2.4, 0.0), (3.2, 3.0)])
def test_seeing_comes_back_from_moments(fwhm, smear):
    stars = draw(fwhm, smear, 6)
    model = smeared_model(lambda c: np.full(c.size, smear))
    column = np.linspace(5.0, 110.0, 6)
    # The first guess may be off.
    for guess in (0.8 * fwhm, 1.3 * fwhm):
        table = tabulate_seeing(model, guess=guess, n_columns=N_COLUMNS)
        found = measure_moments(stars, window_of(model, guess, column))
        for axis in ("both", "line", "column"):
            seeing = table.seeing(found, column, axis=axis)
            np.testing.assert_allclose(seeing, fwhm, rtol=0.02, err_msg=axis)


def test_columns_whose_smear_drowns_the_seeing_tell_nothing():
    model = smeared_model(lambda c: 12.0 * np.abs(c - 60.0) / 60.0)
    table = tabulate_seeing(model, guess=2.5, n_columns=N_COLUMNS)
    column = np.array([2.0, 60.0, 118.0])
    found = measure_moments(draw(2.5, 0.0, 3), window_of(model, 2.5, column))
    seeing = table.seeing(found, column, axis="both")
    np.testing.assert_array_equal(np.isfinite(seeing), [False, True, False])
    assert seeing[1] == pytest.approx(2.5, rel=0.01)
