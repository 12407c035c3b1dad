"""Median of what is known, and of rows, against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.finite import middle, row_medians

VALUES = st.lists(st.floats(-1e6, 1e6) | st.sampled_from([np.nan, np.inf, -np.inf]), max_size=20)


@given(VALUES)
def test_median_is_that_of_the_finite_values(values):
    known = [v for v in values if np.isfinite(v)]
    if known:
        assert middle(np.array(values)) == pytest.approx(np.nanmedian(known))
    else:
        assert np.isnan(middle(np.array(values)))


@pytest.mark.parametrize("m", [1, 2, 7, 400, 401])
def test_medians_of_rows_are_those_of_numpy(m):
    values = np.random.default_rng(m).normal(3.0, 40.0, (9, m)).astype(np.float32)
    values[:, : m // 3] = values[0, 0]  # ties
    found = row_medians(values)
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, np.median(values, axis=1))


def test_one_unknown_value_does_not_hide_its_row():
    values = np.array([[1.0, np.nan, 2.0], [np.nan, np.nan, 1.0]])
    np.testing.assert_array_equal(row_medians(values), [2.0, np.nan])
