"""Every source belongs to exactly one block."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stages.ownership import own


@settings(max_examples=50, deadline=None)
@given(
    lines=st.lists(st.floats(0, 1e6, exclude_max=True), max_size=30),
    cuts=st.sets(st.integers(1, 999_999), max_size=6),
)
def test_none_twice_none_lost(lines, cuts):
    edges = [0, *sorted(cuts), 1_000_000]
    count = np.zeros(len(lines), dtype=int)
    for start, stop in itertools.pairwise(edges):
        count += own(lines, start, stop)
    assert np.all(count == 1)


def test_a_source_on_the_boundary_belongs_to_the_later_block():
    line = [np.nextafter(256.0, 0), 256.0]
    assert own(line, 0, 256).tolist() == [True, False]
    assert own(line, 256, 512).tolist() == [False, True]


def test_refuses_what_would_lose_sources():
    with pytest.raises(ValueError, match="stop: must be above start 5, got 5"):
        own([1.0], 5, 5)
    with pytest.raises(ValueError, match="lines: must be finite"):
        own([np.nan], 0, 5)
