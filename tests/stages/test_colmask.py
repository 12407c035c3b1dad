"""Column masks: each kind of bad column gets its bit and its reason, good ones get none."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.colmask import ColumnMaskOptions, mask_columns, measure_excess_noise
from pipeline.stages.colstats import SummaryOptions, summarise_columns
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.strip import Amplifier

W = 128
AMPLIFIERS = (Amplifier("A", (0, W), (W, W + 16), (0, W), False, 1.8, 6.0, 6e4),)
OPTIONS = ColumnMaskOptions()


def make_vectors():
    rng = np.random.default_rng(1)
    one, zero = np.ones(W), np.zeros(W)
    rate = rng.uniform(0.02, 0.1, W)
    dark = DarkVector(
        zero,
        0.1 * one,
        rate,
        0.01 * one,
        zero,
        rate * 54.0,
        0.1 * one,
        1024,
        54.0 / 1024,
        one,
        1,
        (),
    )
    response = ResponseVector(
        1.0 + 0.03 * rng.standard_normal(W),
        1e-3 * one,
        zero,
        0.1 * one,
        zero,
        one,
        0.002 * rng.standard_normal(W),
        0.002 * one,
        zero.astype(bool),
        (300.0, 3000.0),
        "slope",
        zero,
        0.0,
        50,
        (),
    )
    return dark, response, (1.0 + 0.02 * rng.standard_normal(W), 0.02 * one)


def test_good_columns_are_not_masked():
    mask, reasons = mask_columns(*make_vectors(), options=OPTIONS)
    assert not mask.any()
    assert reasons == ()


def test_every_kind_is_named():
    dark, response, noise = make_vectors()
    response.value[3] = 0.1
    response.error[4] = np.inf
    dark.dark[10] = 5.0
    noise[0][20] = 3.0
    response.linearity[30] = 0.1
    response.linearity[31] = -0.1
    response.linearity_err[31] = 0.1  # large but not significant
    response.linearity[32] = 5e3
    response.linearity_err[32] = 5e2  # ten errors, but of a sky that hardly varied
    mask, reasons = mask_columns(dark, response, noise, options=OPTIONS)
    assert mask.dtype == np.uint16
    found = {(r.column, r.bit) for r in reasons}
    assert found == {
        (3, PixelMask.DEAD),
        (4, PixelMask.DEAD),
        (10, PixelMask.HOT),
        (20, PixelMask.NOISY),
        (30, PixelMask.NONLINEAR),
    }
    assert {c: int(mask[c]) for c in np.flatnonzero(mask)} == {3: 1, 4: 1, 10: 2, 20: 4, 30: 8}
    assert "response 0.100 below 0.3" in reasons[0].text


def test_excess_noise_of_pixels():
    """A noisy column stands out; a bright, a dim and a dead column of normal noise do not."""
    rng = np.random.default_rng(2)
    f = np.ones(W)
    f[5], f[6], f[7] = 1.4, 0.5, 0.0
    sigma = np.full(W, 6.0)
    sigma[50] = 30.0
    light = np.broadcast_to(500.0 * f, (2048, W))
    raw = np.zeros((2048, W + 16))
    raw[:, :W] = rng.poisson(light) + sigma * rng.standard_normal(light.shape)
    raw[:, W:] = 6.0 * rng.standard_normal((2048, 16))
    raw = np.rint(raw / 1.8 + 1000.0).astype(np.uint16)
    s = summarise_columns(raw, np.zeros(2048, bool), 0, AMPLIFIERS, options=SummaryOptions())
    ratio, error = measure_excess_noise([s], AMPLIFIERS)
    expected = (500.0 + 900.0 + 0.27) / (500.0 + 36.0 + 0.27)
    assert ratio[50] == pytest.approx(expected, rel=0.15)
    others = np.delete(np.arange(W), 50)
    pull = (ratio - 1.0)[others] / error[others]
    assert np.abs(pull).max() < 5.0
    assert pull.std() == pytest.approx(1.0, abs=0.3)


def test_refuses_what_does_not_fit():
    dark, response, noise = make_vectors()
    with pytest.raises(ValueError, match="must share their columns"):
        mask_columns(dark, response, (noise[0][:5], noise[1][:5]), options=OPTIONS)
    with pytest.raises(ValueError, match="hot_signal must be positive"):
        ColumnMaskOptions(hot_signal=0.0)
