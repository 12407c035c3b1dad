"""The seeing behind the width of stars that are drawn by hand, without the model."""

import numpy as np
import pytest

from pipeline.stages.glance_seeing import tabulate_cores
from pipeline.stages.psf_model import make_psf_model, place_nodes
from pipeline.stages.quick import find_bright_stars

N_COLUMNS = 120
FINE = 9  # points a pixel


def draw(fwhm, smear, beta):
    """Moffat stars moved over `smear` lines, clocked, summed over fine points of each pixel."""
    alpha = 0.5 * fwhm / np.sqrt(2 ** (1 / beta) - 1)
    rng = np.random.default_rng(8)
    image = np.zeros((N_COLUMNS, N_COLUMNS))
    sub = (np.arange(FINE) + 0.5) / FINE - 0.5
    for l0 in range(20, 105, 21):
        for c0 in range(20, 105, 21):
            dl, dc = rng.uniform(-0.5, 0.5, 2)
            line = np.arange(l0 - 15, l0 + 16)[:, None] + sub
            column = np.arange(c0 - 15, c0 + 16)[:, None] + sub
            x = column.ravel() - c0 - dc
            stamp, n = np.zeros((31, 31)), 12 if smear else 1
            for shift in (np.arange(n) + 0.5) / n - 0.5:
                for clock in sub:  # the boxcar of one row
                    y = line.ravel() - l0 - dl - smear * shift - clock
                    fine = (1 + (y[:, None] ** 2 + x[None] ** 2) / alpha**2) ** -beta
                    stamp += fine.reshape(31, FINE, 31, FINE).sum(axis=(1, 3))
            image[l0 - 15 : l0 + 16, c0 - 15 : c0 + 16] += stamp / stamp.max()
    return (1e4 * image).astype(np.float32)


@pytest.mark.parametrize(("fwhm", "smear"), [(2.4, 0.0), (3.2, 3.0)])
def test_seeing_comes_back_from_widths(fwhm, smear):
    stars = find_bright_stars(
        draw(fwhm, smear, 3.0), np.ones(N_COLUMNS), np.zeros(N_COLUMNS, dtype=bool),
        first_line=0, ceiling=np.full(N_COLUMNS, np.inf), threshold=20.0, own=(0, N_COLUMNS),
    )  # fmt: skip
    assert len(stars) == 25

    def path(columns):
        nodes = (np.arange(24) + 0.5) / 24 - 0.5
        dl = np.broadcast_to(smear * nodes, (len(columns), 24)).copy()
        return dl, np.zeros_like(dl), np.full_like(dl, 1 / 24)

    model = make_psf_model(
        [0.0], [2.0], place_nodes(N_COLUMNS, path=path), beta=3.0, path=path, optics=None,
        half_size=16,
    )  # fmt: skip
    table = tabulate_cores(model, guess=2.8, n_columns=N_COLUMNS)
    for axis in ("both", "line", "column"):
        assert np.median(table.seeing(stars, axis=axis)) == pytest.approx(fwhm, rel=0.02), axis
    # Within a pixel the fit of a core of few pixels differs by this much.
    assert np.std(table.seeing(stars, axis="both")) < 0.015 * fwhm
    # The core itself is wider: that is what the table is for.
    assert np.median(2.3548 * np.sqrt(stars.var_ll)) > 1.05 * fwhm
