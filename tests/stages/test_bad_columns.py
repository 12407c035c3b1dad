"""From pixels to reasons: summaries of chips with one bad column of every kind."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.colmask import (
    ColumnMaskOptions,
    mask_columns,
    measure_excess_noise,
    measure_tails,
)
from pipeline.stages.colstats import SummaryOptions, settle_overscan, summarise_columns
from pipeline.stages.dark import DarkOptions, fit_dark
from pipeline.stages.response import ResponseOptions, fit_response
from pipeline.strip import Amplifier

W, N_STAGE, N_LINES, PERIOD = 128, 256, 256 * 40, 0.05
GAIN, NOISE = 1.8, 6.0
AMPLIFIERS = (
    Amplifier("A", (0, 64), (W, W + 16), (0, 64), False, GAIN, NOISE, 6e4),
    Amplifier("B", (64, W), (W + 16, W + 32), (64, W), False, GAIN, NOISE, 6e4),
)
DEAD, HOT, NOISY, BENT, TRAP = 17, 40, 77, 90, 111
BAD = {
    DEAD: PixelMask.DEAD,
    HOT: PixelMask.HOT,
    NOISY: PixelMask.NOISY,
    BENT: PixelMask.NONLINEAR,
    TRAP: PixelMask.TRAP,
}


def make_light(rng):
    """Sky that falls from 3000 to 400 electrons, and a crowd of stars, for a response of 1."""
    lines = np.arange(N_LINES)
    light = np.repeat((400.0 + 2600.0 * np.exp(-lines / 2500.0))[:, None], W, axis=1)
    light *= np.minimum(lines + 1, N_STAGE)[:, None] / N_STAGE
    g = np.exp(-0.5 * (np.arange(-6, 7) / 1.2) ** 2)
    stamp = np.outer(g, g) / g.sum() ** 2
    for line, column, flux in zip(
        rng.integers(8, N_LINES - 8, 1500), rng.integers(-4, W + 4, 1500),
        10.0 ** rng.uniform(3.0, 5.5, 1500), strict=True,
    ):  # fmt: skip
        low, high = max(column - 6, 0), min(column + 7, W)
        inside = slice(low - column + 6, high - column + 6)
        light[line - 6 : line + 7, low:high] += flux * stamp[:, inside]
    return light


def read_out(rng, electrons, columns_noise):
    raw = np.zeros((len(electrons), W + 32))
    raw[:, :W] = electrons + columns_noise * rng.standard_normal(electrons.shape)
    raw[:, W:] = NOISE * rng.standard_normal((len(electrons), 32))
    return np.rint(raw / GAIN + 1000.0).clip(0, 65535).astype(np.uint16)


def summarise(raw):
    options = SummaryOptions()
    found = summarise_columns(raw, np.zeros(len(raw), bool), 0, AMPLIFIERS, options=options)
    return settle_overscan(found, AMPLIFIERS, options=options.overscan)


def draw(rng, *, broken):
    """A science and a closed strip through the whole chain to the mask."""
    response = 1.0 + 0.02 * rng.standard_normal(W)
    dark = rng.uniform(0.03, 0.07, W)
    sigma = np.full(W, NOISE)
    rows = np.minimum(np.arange(N_LINES), N_STAGE)[:, None]
    light = make_light(rng)
    if broken:
        response[DEAD] = 0.02
        dark[HOT] = 30.0
        sigma[NOISY] = 60.0
    charge = light * response + rows * PERIOD * dark
    if broken:
        q = charge[:, BENT]
        charge[:, BENT] = q * (1.0 - 0.12 * q / (q + 2000.0))
        tail = np.exp(-np.arange(1, 161) / 20.0)
        kernel = np.concatenate([[0.7], 0.3 * tail / tail.sum()])
        charge[:, TRAP] = np.convolve(charge[:, TRAP], kernel)[:N_LINES]
    sky = summarise(read_out(rng, rng.poisson(charge), sigma))
    closed = summarise(read_out(rng, rng.poisson(rows * PERIOD * dark), sigma))
    vector = fit_dark(
        [closed], AMPLIFIERS, line_periods=[PERIOD], n_stage=N_STAGE, clipped=0.0027,
        options=DarkOptions(),
    )  # fmt: skip
    fitted = fit_response(
        [sky], vector, line_periods=[PERIOD], n_stage=N_STAGE, options=ResponseOptions()
    )
    tails = measure_tails([sky], vector, fitted, line_periods=[PERIOD], n_stage=N_STAGE)
    return mask_columns(
        vector, fitted, measure_excess_noise([sky, closed], AMPLIFIERS),
        options=ColumnMaskOptions(), tails=tails,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(4))
def test_every_kind_is_found_for_its_reason_and_no_other_column(seed):
    mask, reasons = draw(np.random.default_rng(seed), broken=True)
    assert {c: PixelMask(int(mask[c])) for c in np.flatnonzero(mask)} == BAD
    assert [r.column for r in reasons] == sorted(BAD)
    assert "trails" in reasons[-1].text


def test_false_alarms_of_a_faultless_chip_are_below_a_thousandth():
    """Twelve chips of 128 columns: at most one column of 1536 may be masked."""
    alarms: Counter[str] = Counter()
    for seed in range(12):
        _, reasons = draw(np.random.default_rng(100 + seed), broken=False)
        alarms.update(r.bit.name for r in reasons)
    assert sum(alarms.values()) <= 1, alarms


def cover(summary, *, bins, columns):
    """The summary as it is where stars take nearly all pixels of some columns in some bins."""
    level, error = summary.level.copy(), summary.level_err.copy()
    noise, count = summary.noise_var.copy(), summary.count.copy()
    for values in (level, error, noise):
        values[np.ix_(bins, columns)] = np.nan
    count[np.ix_(bins, columns)] = 12
    return replace(summary, level=level, level_err=error, noise_var=noise, count=count)


def test_bins_that_stars_fill_warn_of_nothing_and_hide_no_trap():
    """Whole bins, one amplifier's half of a bin, and a column with all that lie beside it.

    Warnings are errors in these tests. The lost bins have the largest share of pixels lost: taken
    with a pull of zero they would bring the tail of the trap down.
    """
    rng = np.random.default_rng(3)
    dark, sigma = np.full(W, 0.05), np.full(W, NOISE)
    rows = np.minimum(np.arange(N_LINES), N_STAGE)[:, None]
    charge = make_light(rng) + rows * PERIOD * dark
    tail = np.exp(-np.arange(1, 161) / 20.0)
    kernel = np.concatenate([[0.7], 0.3 * tail / tail.sum()])
    charge[:, TRAP] = np.convolve(charge[:, TRAP], kernel)[:N_LINES]
    sky = summarise(read_out(rng, rng.poisson(charge), sigma))
    closed = summarise(read_out(rng, rng.poisson(rows * PERIOD * dark), sigma))
    vector = fit_dark(
        [closed], AMPLIFIERS, line_periods=[PERIOD], n_stage=N_STAGE, clipped=0.0027,
        options=DarkOptions(),
    )  # fmt: skip
    filled = cover(sky, bins=[6], columns=range(W))
    filled = cover(filled, bins=[9], columns=range(W // 2))
    filled = cover(filled, bins=[12, 13, 14], columns=range(TRAP - 4, TRAP + 5))
    found = []
    for one in (sky, filled):
        fitted = fit_response(
            [one], vector, line_periods=[PERIOD], n_stage=N_STAGE, options=ResponseOptions()
        )
        tails = measure_tails([one], vector, fitted, line_periods=[PERIOD], n_stage=N_STAGE)
        ratio, error = measure_excess_noise([one], AMPLIFIERS)
        assert np.isfinite(ratio).all()
        assert np.isfinite(error).all()
        found.append((tails[0][TRAP], tails[1][TRAP], np.nanmedian(tails[0])))
    (whole, error, _), (left, left_err, typical) = found
    assert whole > 6 * error
    assert left > 6 * left_err
    assert left == pytest.approx(whole, abs=3 * np.hypot(error, left_err))
    assert abs(typical) < left_err
