"""Medians equal numpy's."""

import numpy as np
import pytest

from pipeline.stages.medians import median_of_columns, median_of_rows


@pytest.mark.parametrize("m", [1, 2, 5, 12, 13, 200, 1001])
def test_medians_are_those_of_numpy(m):
    rng = np.random.default_rng(m)
    values = rng.standard_normal((40, m))
    values[5:20] = np.round(values[5:20])  # many equal values
    values[20:30] = np.sort(values[20:30], axis=1)
    values[rng.random(values.shape) < 0.3] = np.nan
    values[:, 0] = 1.0  # no row without a number
    values[3, -1] = np.inf
    np.testing.assert_array_equal(median_of_rows(values), np.nanmedian(values, axis=1))
    np.testing.assert_array_equal(
        median_of_columns(values.T.astype(np.float32)),
        np.nanmedian(values.astype(np.float32).astype(float), axis=1),
    )


def test_row_without_a_number_has_no_median():
    values = np.full((2, 7), np.nan)
    values[1, 3] = 2.0
    np.testing.assert_array_equal(median_of_rows(values), [np.nan, 2.0])
