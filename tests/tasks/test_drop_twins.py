"""Sources that two tiles both claim stand once in the deep catalogue."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.tasks.deep import drop_twins

ARCSEC = 1.0 / 3600.0


def table(*rows):
    ra, dec, tile = zip(*rows, strict=True)
    return {
        "ra": np.array(ra), "dec": np.array(dec), "tile": np.array(tile),
        "number": np.arange(len(rows)),
    }  # fmt: skip


def kept(columns, radius=ARCSEC):
    return drop_twins(columns, radius=radius)["number"].tolist()


def test_of_a_pair_from_two_tiles_the_first_stays():
    assert kept(table((10.0, -46.0, "a"), (10.0, -46.0 + 0.5 * ARCSEC, "b"))) == [0]


def test_a_pair_within_one_tile_is_a_double_star():
    assert kept(table((10.0, -46.0, "a"), (10.0, -46.0 + 0.5 * ARCSEC, "a"))) == [0, 1]


def test_pairs_further_apart_than_the_radius_stay():
    assert kept(table((10.0, -46.0, "a"), (10.0, -46.0 + 1.01 * ARCSEC, "b"))) == [0, 1]


@pytest.mark.parametrize(("factor", "expected"), [(0.9, [0]), (1.1, [0, 1])])
def test_right_ascension_counts_by_what_it_is_on_the_sky(factor, expected):
    step = factor * ARCSEC / np.cos(np.radians(-46.0))
    assert kept(table((10.0, -46.0, "a"), (10.0 + step, -46.0, "b"))) == expected


def test_twins_across_midnight_of_right_ascension():
    assert kept(table((359.99995, -46.0, "a"), (0.00005, -46.0, "b"))) == [0]


def test_three_tiles_of_one_corner_leave_one():
    tiny = 0.1 * ARCSEC
    rows = [(10.0, -46.0, "a"), (10.0, -46.0 + tiny, "b"), (10.0, -46.0 - tiny, "c")]
    assert kept(table(*rows)) == [0]


def test_what_was_dropped_drops_nothing_itself():
    """b is a twin of a and goes; c is a twin of b alone and stays."""
    step = 0.8 * ARCSEC
    rows = [(10.0, -46.0, "a"), (10.0, -46.0 + step, "b"), (10.0, -46.0 + 2 * step, "c")]
    assert kept(table(*rows)) == [0, 2]


@pytest.mark.parametrize("n", [0, 1])
def test_short_tables_pass(n):
    columns = {name: values[:n] for name, values in table((10.0, -46.0, "a")).items()}
    assert kept(columns) == list(range(n))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_no_two_tiles_share_a_source_and_nothing_else_is_lost(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 60))
    columns = {
        "ra": 10.0 + rng.uniform(0, 8 * ARCSEC, n), "dec": rng.uniform(0, 8 * ARCSEC, n),
        "tile": rng.choice(["a", "b", "c"], n), "number": np.arange(n),
    }  # fmt: skip
    before = {name: values.copy() for name, values in columns.items()}
    left = drop_twins(columns, radius=ARCSEC)
    for name, values in before.items():
        np.testing.assert_array_equal(columns[name], values)

    def near(i, j):
        return np.hypot(columns["ra"][i] - columns["ra"][j],
                        columns["dec"][i] - columns["dec"][j]) < ARCSEC  # fmt: skip

    numbers = left["number"].tolist()
    for i in range(n):
        twins = [
            j for j in numbers if j != i and columns["tile"][i] != columns["tile"][j] and near(i, j)
        ]
        assert bool(twins) == (i not in numbers)
