"""Median of what is known, against numpy's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.finite import middle

VALUES = st.lists(st.floats(-1e6, 1e6) | st.sampled_from([np.nan, np.inf, -np.inf]), max_size=20)


@given(VALUES)
def test_median_is_that_of_the_finite_values(values):
    known = [v for v in values if np.isfinite(v)]
    if known:
        assert middle(np.array(values)) == pytest.approx(np.nanmedian(known))
    else:
        assert np.isnan(middle(np.array(values)))
