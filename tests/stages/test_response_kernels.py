"""Compiled sums equal the same sums written out."""

import numpy as np
import pytest

from pipeline.stages.response_fit import robust_weights
from pipeline.stages.response_kernels import (
    Light,
    curve_columns,
    misfit,
    spread,
    sum_bins,
    sum_columns,
    weigh,
)
from pipeline.stages.tail_kernels import sum_tails

BINS, COLUMNS = 45, 60


def make(seed=1, *, amount=True):
    """Light, levels and roots of their weights; some levels missing."""
    rng = np.random.default_rng(seed)
    light = Light(
        f=rng.normal(1.0, 0.05, COLUMNS),
        i=rng.normal(0.0, 1.0, COLUMNS),
        x=np.linspace(-1.0, 1.0, COLUMNS),
        h=rng.normal(0.0, 1.0, COLUMNS),
        sky=rng.uniform(500.0, 900.0, BINS),
        gradient=rng.normal(0.0, 0.01, BINS),
        amount=rng.normal(0.0, 5.0, BINS) * amount,
    )
    root = rng.uniform(0.5, 2.0, (BINS, COLUMNS)) * (rng.random((BINS, COLUMNS)) > 0.1)
    noise = rng.standard_normal(root.shape) * rng.choice([1.0, 9.0], root.shape, p=[0.9, 0.1])
    values = np.where(root > 0, light.i + light.f * shine(light) + noise / np.maximum(root, 1), 0.0)
    return light, values, root


def shine(light):
    steady = light.sky[:, None] * (1.0 + light.gradient[:, None] * light.x)
    return steady + light.amount[:, None] * light.h


@pytest.mark.parametrize("amount", [True, False])
def test_weights(amount):
    light, values, root = make(amount=amount)
    weight = np.empty_like(values)
    weigh(values, root, light, 1.5, 3.0, 8.0, weight)
    pull = (values - light.i - light.f * shine(light)) * root / 1.5
    np.testing.assert_allclose(weight, root**2 * robust_weights(pull, 3.0, 8.0), rtol=1e-12)
    assert np.any((weight == 0) & (root > 0))


def test_sums_of_bins():
    light, values, root = make()
    patterns = np.stack([light.f, light.f * light.x, light.h])
    normal, right = sum_bins(values, root, light.i, light.amount, light.h, patterns)
    rest = values - light.i - light.amount[:, None] * light.h
    np.testing.assert_allclose(normal, np.einsum("bc,pc,qc->bpq", root, patterns, patterns))
    np.testing.assert_allclose(right, np.einsum("bc,pc,bc->bp", root, patterns, rest))


def test_sums_of_columns():
    light, values, root = make()
    sums = sum_columns(values, root, light, light.amount)
    l, a = shine(light), light.amount[:, None]
    expected = [
        1.0 + 0 * l,
        l,
        l**2,
        values,
        values * l,
        a + 0 * l,
        a * l,
        a**2 + 0 * l,
        a * values,
    ]
    np.testing.assert_allclose(sums, [(root * e).sum(axis=0) for e in expected], rtol=1e-10)
    np.testing.assert_array_equal(sum_columns(values, root, light, np.empty(0)), sums[:5])
    total, number = misfit(values, root, light)
    rest = values - light.i - light.f * l
    np.testing.assert_allclose(total, (root * rest**2).sum(axis=0))
    np.testing.assert_array_equal(number, (root > 0).sum(axis=0))


@pytest.mark.parametrize(("scale", "even"), [(1.0, True), (1.0, False), (1e6, True), (0.0, True)])
def test_median_of_residuals_is_exact(scale, even):
    """Whatever their size, for even and odd numbers of them."""
    light, values, root = make()
    root = root * scale
    use = np.arange(COLUMNS) % 7 != 3
    sizes = np.abs((values - light.i - light.f * shine(light)) * root)
    if scale and ((sizes[:, use] > 0).sum() % 2 == 0) != even:
        root[0, np.flatnonzero(use & (root[0] > 0))[0]] = 0.0
        sizes = np.abs((values - light.i - light.f * shine(light)) * root)
    inside = (root > 0) & use
    found = spread(values, root, use, light)
    if scale == 0.0:
        assert np.isnan(found)
    else:
        assert (inside.sum() % 2 == 0) == even
        assert found == pytest.approx(np.median(sizes[inside]), rel=1e-14)


def test_curvature_is_that_of_a_parabola():
    """One round is a weighted parabola; the middle of the sky changes only digits."""
    light, values, root = make(amount=False)
    rest = values - light.i - light.f * shine(light)
    for middle in (0.0, 700.0):
        found, norm = curve_columns(values, root, light, middle, 900.0, 1, 3.0, 8.0)
        for c in (0, 17, 59):
            l = (shine(light)[:, c] - 700.0) / 900.0
            design = np.stack([l**2, l, np.ones(BINS)], axis=1)
            covariance = np.linalg.inv(design.T @ (root[:, [c]] ** 2 * design))
            best = covariance @ design.T @ (root[:, c] ** 2 * rest[:, c])
            assert found[c] == pytest.approx(best[0], rel=1e-6)
            assert norm[c] == pytest.approx(1.0 / covariance[0, 0], rel=1e-6)
    # Robust weights: a bent column shows through its outliers.
    bent = values.copy()
    bent[:, 17] += 40.0 * (shine(light)[:, 17] / 900.0) ** 2
    found, norm = curve_columns(bent, root, light, 700.0, 900.0, 4, 3.0, 8.0)
    assert abs(found[17] - 40.0) < 4.0 / np.sqrt(norm[17])


def test_sums_of_tails():
    rng = np.random.default_rng(3)
    light = rng.normal(100.0, 3.0, (BINS, COLUMNS))
    light[rng.random(light.shape) < 0.2] = np.nan
    light[4, :20] = np.nan  # some columns have no neighbour with a level
    lost, error = rng.random(light.shape), rng.uniform(0.1, 1.0, light.shape)
    columns = np.flatnonzero(np.arange(COLUMNS) % 9 != 4)
    offsets = np.array([-3, -2, -1, 1, 2, 3])
    at = np.clip(np.arange(columns.size)[:, None] + offsets, 0, columns.size - 1)
    around, response = columns[at], rng.uniform(0.9, 1.1, columns.size)
    top, bottom = sum_tails(light, lost, error, columns, around, response, 20.0)
    middle = np.full((BINS, columns.size), np.nan)
    some = np.isfinite(light[:, around]).any(axis=2)
    middle[some] = np.nanmedian(light[:, around][some], axis=1)
    pull = np.clip((light[:, columns] - middle) / error[:, columns] * response, -20.0, 20.0)
    told = np.isfinite(pull)
    load = np.where(told, lost[:, around].mean(axis=2), np.nan)
    load = load - np.nanmean(load, axis=0)
    np.testing.assert_allclose(top, np.nansum(load * pull, axis=0), rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(bottom, np.nansum(load**2, axis=0), rtol=1e-9)
    assert (~told).any()
