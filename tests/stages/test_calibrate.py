"""Calibration undoes a forward model exactly; the variance model agrees with pixels and astropy."""

import numpy as np
import pytest
from astropy.nddata import CCDData, StdDevUncertainty
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.flags import PixelMask
from pipeline.stages.calibrate import background_variance, calibrate_lines
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.strip import Amplifier

W, N_STAGE, TAU = 64, 40, 0.05
HALF = W // 2
AMPLIFIERS = (
    Amplifier("A", (0, HALF), (W, W + 4), (0, HALF), False, 1.8, 6.0, 60000.0),
    Amplifier("B", (HALF, W), (W + 4, W + 8), (HALF, W), True, 2.2, 5.0, 50000.0),
)


def make_vectors():
    rng = np.random.default_rng(1)
    zero, one = np.zeros(W), np.ones(W)
    bias, rate = rng.normal(0, 3, W), rng.uniform(0, 0.5, W)
    dark = DarkVector(
        bias, one, rate, one, zero, bias + N_STAGE * TAU * rate, one, N_STAGE, TAU, one, 1, ()
    )
    response = ResponseVector(
        rng.uniform(0.8, 1.2, W),
        1e-3 * one,
        rng.normal(0, 0.5, W),
        one,
        zero,
        one,
        zero,
        one,
        zero.astype(bool),
        (1.0, 2.0),
        "slope",
        zero,
        0.0,
        9,
        (),
    )
    return dark, response


DARK, RESPONSE = make_vectors()
MASK = np.zeros(W, np.uint16)


def raw_of(light, first_line, overscan):
    """The forward model, written out line by line."""
    rows = np.minimum(first_line + np.arange(len(light)), N_STAGE)[:, None]
    electrons = DARK.bias + RESPONSE.intercept + rows * TAU * DARK.dark + RESPONSE.value * light
    raw = np.zeros((len(light), W + 8), dtype=np.float32)
    raw[:, :HALF] = electrons[:, :HALF] / 1.8 + overscan[:, :1]
    raw[:, HALF:W] = (electrons[:, HALF:] / 2.2 + overscan[:, 1:])[:, ::-1]
    return raw


def calibrate(raw, first_line, overscan, *, missing=None, column_mask=MASK):
    missing = np.zeros(len(raw), bool) if missing is None else missing
    return calibrate_lines(
        raw,
        missing,
        first_line,
        AMPLIFIERS,
        overscan,
        DARK,
        RESPONSE,
        column_mask,
        line_period=TAU,
        n_stage=N_STAGE,
    )


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 200), st.integers(1, 60), st.integers(0, 2**31))
def test_forward_model_is_undone(first_line, n_lines, seed):
    rng = np.random.default_rng(seed)
    light = rng.uniform(0.0, 5000.0, (n_lines, W))
    overscan = 1000.0 + rng.normal(0, 5, (n_lines, 2))
    raw = raw_of(light, first_line, overscan)
    before = raw.copy()
    block = calibrate(raw, first_line, overscan)
    assert block.image.dtype == np.float32
    np.testing.assert_allclose(block.image, light, atol=5e-3)
    ramp = first_line + np.arange(n_lines) < N_STAGE
    np.testing.assert_array_equal(block.mask, np.where(ramp, PixelMask.RAMP, 0)[:, None] + MASK)
    np.testing.assert_array_equal(raw, before)
    cut = n_lines // 2
    parts = [
        calibrate(raw[a:b], first_line + a, overscan[a:b]).image
        for a, b in ((0, cut), (cut, n_lines))
    ]
    np.testing.assert_array_equal(np.concatenate(parts), block.image)


def test_masks():
    overscan = np.full((50, 2), 1000.0)
    raw = raw_of(np.full((50, W), 500.0), 100, overscan)
    raw[5, 3] = 60000.0
    raw[5, W - 1] = 50000.0  # read first by the reversed amplifier: chip column HALF
    raw[6, 4] = 59999.0
    missing = np.zeros(50, bool)
    missing[20:22] = True
    raw[20:22] = np.nan
    column_mask = MASK.copy()
    column_mask[7] = PixelMask.DEAD
    column_mask[8] = PixelMask.HOT
    block = calibrate(raw, 100, overscan, missing=missing, column_mask=column_mask)
    assert block.mask[5, 3] == PixelMask.SATURATED
    assert block.mask[5, HALF] == PixelMask.SATURATED
    assert block.mask[6, 4] == 0
    assert (block.mask[20:22] & PixelMask.NO_DATA).all()
    assert (block.image[20:22] == 0).all()
    assert (block.mask[:, 7] & PixelMask.DEAD).all()
    assert (block.mask[:, 8] & PixelMask.HOT).all()
    assert np.isfinite(block.image).all()


@pytest.mark.parametrize("dtype", [np.uint16, np.int32, np.float32])
def test_raw_types(dtype):
    raw = np.full((4, W + 8), 3000, dtype=dtype)
    image = calibrate(raw, 100, np.full((4, 2), 1000.0)).image
    expected = (3600.0 - DARK.total - RESPONSE.intercept) / RESPONSE.value
    np.testing.assert_allclose(image[0, :HALF], expected[:HALF], rtol=1e-5)


def variance_of(sky, first_line=100):
    return background_variance(
        sky, first_line, AMPLIFIERS, DARK, RESPONSE, MASK, line_period=TAU, n_stage=N_STAGE
    )


def test_variance_equals_that_of_pixels():
    """Poisson light and dark, read noise and rounding, drawn and calibrated."""
    rng = np.random.default_rng(3)
    n = 20000
    electrons = rng.poisson(RESPONSE.value * 200.0 + N_STAGE * TAU * DARK.dark, (n, W)) + DARK.bias
    electrons = electrons + RESPONSE.intercept
    electrons[:, :HALF] += rng.normal(0, 6.0, (n, HALF))
    electrons[:, HALF:] += rng.normal(0, 5.0, (n, HALF))
    raw = np.zeros((n, W + 8), np.uint16)
    raw[:, :HALF] = np.rint(electrons[:, :HALF] / 1.8 + 1000.0)
    raw[:, HALF:W] = np.rint(electrons[:, HALF:] / 2.2 + 1000.0)[:, ::-1]
    image = calibrate(raw, 100, np.full((n, 2), 1000.0)).image
    model = variance_of(np.full((1, W), 200.0, np.float32))[0]
    ratio = image.var(axis=0, ddof=1, dtype=float) / model
    assert ratio.mean() == pytest.approx(1.0, abs=4 * np.sqrt(2 / n / W))
    assert ratio.std() == pytest.approx(np.sqrt(2 / n), rel=0.35)


def test_variance_propagates_as_in_astropy():
    """The same subtraction and division with astropy's uncertainty classes."""
    sky = np.full((2, W), 300.0, np.float32)
    f = RESPONSE.value
    read = np.repeat([6.0, 5.0], HALF) ** 2 + np.repeat([1.8, 2.2], HALF) ** 2 / 12
    poisson = f * 300.0 + N_STAGE * TAU * DARK.dark
    measured = CCDData(
        np.broadcast_to(poisson, (2, W)),
        unit="electron",
        uncertainty=StdDevUncertainty(np.sqrt(np.broadcast_to(poisson + read, (2, W)))),
    )
    flat = CCDData(np.broadcast_to(f, (2, W)), unit="")
    result = measured.subtract(CCDData(np.zeros((2, W)), unit="electron")).divide(flat)
    np.testing.assert_allclose(variance_of(sky), result.uncertainty.array**2, rtol=1e-5)


def test_variance_in_the_ramp_and_of_negative_sky():
    low = variance_of(np.zeros((1, W), np.float32), first_line=0)
    full = variance_of(np.zeros((1, W), np.float32), first_line=N_STAGE)
    extra = N_STAGE * TAU * DARK.dark / RESPONSE.value**2
    np.testing.assert_allclose((full - low)[0], extra, rtol=1e-4, atol=1e-4)
    negative = variance_of(np.full((1, W), -50.0, np.float32))
    np.testing.assert_array_equal(negative, full)


def test_refuses_what_does_not_fit():
    raw = np.zeros((4, W + 8), np.uint16)
    with pytest.raises(ValueError, match=r"overscan_levels must be \(4, 2\)"):
        calibrate(raw, 0, np.zeros((3, 2)))
    with pytest.raises(ValueError, match="first_line must not be negative"):
        calibrate(raw, -1, np.zeros((4, 2)))
    with pytest.raises(ValueError, match="must share their columns"):
        calibrate(raw, 0, np.zeros((4, 2)), column_mask=MASK[:5])
