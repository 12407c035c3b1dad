"""The map of a strip's level: medians of what is known, averages where it has too many pixels."""

import warnings

import numpy as np
import pytest

from pipeline.report.map_figure import _average, draw_level, level_change


def level_of(rng, n_bins=40, n_columns=61):
    level = (1200 + rng.normal(0, 3, (n_bins, n_columns))).astype(np.float32)
    level *= rng.uniform(0.9, 1.1, n_columns).astype(np.float32)
    level[:, 7] = np.nan
    level[11] = np.nan
    level[3, 5], level[4, 6] = np.inf, np.nan
    return level


def test_level_is_set_against_the_medians_of_its_line_and_then_its_column():
    level = level_of(np.random.default_rng(3))
    before = level.copy()
    wide = np.where(np.isfinite(level), level, np.nan).astype(float)
    with np.errstate(invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of a row without a value
        wide /= np.nanmedian(wide, axis=1, keepdims=True)
        wide = 100 * (wide / np.nanmedian(wide, axis=0) - 1)
    np.testing.assert_allclose(level_change(level), wide, atol=1e-4)  # NaN where that has NaN
    np.testing.assert_array_equal(level, before)


@pytest.mark.parametrize("steps", [(1, 1), (3, 1), (2, 5), (40, 61)], ids=str)
def test_boxes_hold_the_average_of_what_is_known(steps):
    change = level_change(level_of(np.random.default_rng(4)))
    found = _average(change, steps)
    for (row, column), value in np.ndenumerate(found):
        box = change[row * steps[0] :, column * steps[1] :][: steps[0], : steps[1]]
        known = box[~np.isnan(box)]
        if known.size:
            assert value == pytest.approx(known.mean(), abs=1e-4)
        else:
            assert np.isnan(value)


def test_a_long_strip_is_drawn_with_its_own_lines_and_columns():
    figure = draw_level(np.zeros((1500, 1030), np.float32), title="long")
    axes = figure.axes[0]
    image = axes.images[0].get_array()
    assert image.shape[0] <= 512
    assert image.shape[1] <= 1024
    assert axes.get_xlim() == (-0.5, 1029.5)
    assert axes.get_ylim() == (0, 1500 * 256)
