"""Zones of a stack in which the same epochs contribute."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stages.epoch_zones import find_zones, mark_changes


def rows_of(n_rows, *ranges):
    good = np.zeros((len(ranges), n_rows, 32), dtype=bool)
    for epoch, (first, stop) in zip(good, ranges, strict=True):
        epoch[first:stop, 2:30] = True
    return good


def test_strips_that_begin_and_end_on_a_tile():
    zones = find_zones(rows_of(100, (0, 100), (20, 100), (0, 60)))
    assert [(z.first, z.stop) for z in zones] == [(0, 20), (20, 60), (60, 100)]
    assert [z.present.tolist() for z in zones] == [
        [True, False, True], [True, True, True], [True, True, False]
    ]  # fmt: skip


def test_lost_lines_and_cosmic_rays_make_no_zone():
    good = rows_of(100, (0, 100), (0, 100))
    good[0, 40:42] = False
    good[1, 50, 3:9] = False
    (zone,) = find_zones(good)
    assert (zone.first, zone.stop) == (0, 100)
    assert zone.present.all()


def test_rows_of_no_epoch_belong_to_none():
    zones = find_zones(rows_of(100, (0, 30), (50, 100)))
    assert [(z.first, z.stop) for z in zones] == [(0, 30), (50, 100)]
    assert find_zones(np.zeros((2, 10, 10), dtype=bool)) == ()
    with pytest.raises(ValueError, match="n_epochs, ny, nx"):
        find_zones(np.zeros((10, 10), dtype=bool))


@given(st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=5))
def test_zones_are_in_order_and_apart(ranges):
    good = rows_of(60, *[(min(r), max(r)) for r in ranges])
    zones = find_zones(good)
    for a, b in pairwise(zones):
        assert a.first < a.stop <= b.first
        assert not np.array_equal(a.present, b.present) or a.stop < b.first
    for z in zones:
        assert z.present.any()
        assert np.array_equal(good[:, z.first].any(axis=1), z.present)


def test_changes_are_marked_where_epochs_begin_and_not_at_cosmic_rays():
    used = np.full((60, 60), 3, dtype=np.uint16)
    used[30:] = 5
    used[10, 10] = 2
    marks = mark_changes(used, size=7)
    assert marks[28:32].all()
    assert not marks[:26].any()
    assert not marks[34:].any()
    with pytest.raises(ValueError, match="odd"):
        mark_changes(used, size=4)
