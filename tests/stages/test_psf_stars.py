"""Choice of point-spread stars."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.psf_stars import PsfStarOptions, cut_stamps, select_psf_stars


def choose(lines, columns, fluxes, *, flags=None, n_stage=400, **changes):
    fluxes = np.asarray(fluxes, float)
    return select_psf_stars(
        lines,
        columns,
        fluxes,
        np.full(fluxes.shape, 100.0),
        np.zeros(fluxes.size, int) if flags is None else flags,
        n_stage=n_stage,
        options=PsfStarOptions(**changes),
    ).tolist()


def test_takes_bright_unflagged_isolated_stars():
    lines = [0, 200, 400, 600, 605, 800, 806]
    fluxes = [1e5, 1e5, 4e3, 1e5, 5e4, 1e5, 900]
    flags = [0, 2, 0, 0, 0, 0, 0]
    # 1 is flagged, 2 faint, 3 and 4 close; the neighbour of 5 has less than 1 % of its light.
    assert choose(lines, np.zeros(7), fluxes, flags=flags) == [0, 5]


def test_takes_the_brightest_of_each_quarter_stage():
    lines = [10, 40, 70, 110, 150]
    assert choose(lines, np.arange(5) * 100, [1e5, 3e5, 2e5, 1e5, 9e4], stars_per_bin=2) == [
        1,
        2,
        3,
        4,
    ]


def test_faint_neighbours_add_up():
    angle = np.linspace(0, 2 * np.pi, 6, endpoint=False)
    lines, columns = (
        np.append(100, 100 + 8 * np.sin(angle)),
        np.append(100, 100 + 8 * np.cos(angle)),
    )
    assert choose(lines, columns, [1e5] + 6 * [300.0]) == []
    assert choose(lines, columns, [1e5] + 6 * [100.0]) == [0]


def test_no_sources_no_stars():
    assert choose([], [], []) == []


def test_stamps_hold_the_pixels_around_the_star_and_infinite_variance_where_bad():
    image = np.arange(400.0).reshape(20, 20)
    mask = np.zeros((20, 20), np.uint16)
    mask[9, 5] = PixelMask.HOT
    stamps, variances = cut_stamps(
        image,
        np.full((20, 20), 3.0),
        mask,
        [1009.6, 1000.2],
        [5.2, 19.4],
        first_line=1000,
        half_size=2,
    )
    np.testing.assert_array_equal(stamps[0][0], image[8, 3:8])
    assert np.isinf(variances[0][1, 2])
    assert stamps[0][1, 2] == 0
    assert np.count_nonzero(np.isfinite(variances[0])) == 24
    # At the corner a 3 x 3 part is inside.
    assert np.count_nonzero(np.isfinite(variances[1])) == 9


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"min_snr": 0}, "min_snr: must be positive, got 0"),
        ({"half_size": 5}, "half_size: must be at least the radius 10.0, got 5"),
        ({"optics_order": -1}, "optics_order: must not be negative, got -1"),
        ({"beta": 1.0}, "beta: must be within 1.8 to 15.0, got 1.0"),
    ],
)
def test_options_are_checked(change, message):
    with pytest.raises(ValueError, match=message):
        PsfStarOptions(**change)


def test_a_long_strip_takes_fewer_stars_of_each_stretch_and_about_as_many_in_all():
    options = PsfStarOptions()
    n_stage = 2048
    assert options.stars_of_bin(12_000, n_stage) == options.stars_per_bin
    for n_lines in (100_000, 200_000, 1_000_000):
        of_bin = options.stars_of_bin(n_lines, n_stage)
        total = of_bin * 4 * n_lines / n_stage
        assert 3 <= of_bin < options.stars_per_bin
        assert total <= 1.01 * options.most_stars
    assert options.stars_of_bin(100_000_000, n_stage) == 3
