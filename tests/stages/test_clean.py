"""One pass over raw lines gives, bit for bit, what the stages give one after the other."""

import numpy as np
import pytest

from pipeline.flags import PixelMask
from pipeline.stages.calibrate import background_variance, calibrate_lines, make_tables
from pipeline.stages.clean import clean_lines
from pipeline.stages.cosmic import (
    CosmicOptions,
    find_cosmic_rays,
    make_limits,
    mark_cosmic_rays,
)
from pipeline.stages.dark import DarkVector
from pipeline.stages.response import ResponseVector
from pipeline.stages.saturation import SaturationOptions, mark_saturation
from pipeline.stages.sky import SkyModel
from pipeline.stages.sky_course import SkyCourse
from pipeline.strip import Amplifier

W, N_STAGE, TAU, N_LINES = 150, 80, 0.05, 120
CUT = 61  # amplifiers of different widths
AMPLIFIERS = (
    Amplifier("A", (4, 4 + CUT), (0, 4), (0, CUT), False, 1.8, 6.0, 20000.0),
    Amplifier("B", (4 + CUT, W + 4), (W + 4, W + 8), (CUT, W), True, 2.2, 5.0, 15000.0),
)
COSMIC, SATURATION = CosmicOptions(), SaturationOptions()
WIDTH = np.linspace(0.9, 1.4, W)


def make_vectors(rng):
    zero, one = np.zeros(W), np.ones(W)
    bias, rate = rng.normal(0, 3, W), rng.uniform(-0.1, 0.5, W)
    dark = DarkVector(
        bias, one, rate, one, zero, bias + N_STAGE * TAU * rate, one, N_STAGE, TAU, one, 1, ()
    )
    response = ResponseVector(
        rng.uniform(0.8, 1.2, W), 1e-3 * one, rng.normal(0, 0.5, W), one, zero, one, zero, one,
        zero.astype(bool), (1.0, 2.0), "slope", zero, 0.0, 9, (),
    )  # fmt: skip
    return dark, response


def make_sky(rng):
    course = SkyCourse(64.0, rng.uniform(280.0, 320.0, 12), 0.0, N_STAGE)
    lines, columns = np.arange(20.0, 400.0, 64.0), np.arange(15.0, W, 30.0)
    deviation = rng.normal(0.0, 4.0, (lines.size, columns.size))
    return SkyModel(lines, columns, course, deviation, deviation, W, N_STAGE, 0)


def make_raw(rng):
    """Sky, stars, single bright pixels and a bleeding column with such pixels beside it."""
    light = rng.normal(150.0, 9.0, (N_LINES, W + 8))
    y, x = np.mgrid[:N_LINES, : W + 8]
    for _ in range(25):
        y0, x0 = rng.uniform(0, N_LINES), rng.uniform(0, W)
        r2 = (y - y0) ** 2 + (x - x0) ** 2
        light += 10.0 ** rng.uniform(2, 4.5) * np.exp(-0.5 * r2 / 1.3**2)
    for _ in range(60):
        light[rng.integers(0, N_LINES), rng.integers(0, W)] += 10.0 ** rng.uniform(2, 4)
    light[40:55, 100] = 6e4
    light[55:60, 100] = 5e3
    light[42::4, 101] += 2e3
    return np.clip(np.rint(light + 1000.0), 0, 65535).astype(np.uint16)


@pytest.mark.parametrize("first_line", [0, 60, 200])
def test_one_pass_equals_the_stages(first_line):
    rng = np.random.default_rng(first_line)
    dark, response = make_vectors(rng)
    raw, model = make_raw(rng), make_sky(rng)
    missing = np.zeros(N_LINES, bool)
    missing[[0, 30, 31, N_LINES - 1]] = True
    column_mask = np.zeros(W, np.uint16)
    column_mask[[0, 70]], column_mask[9] = PixelMask.DEAD, PixelMask.HOT
    levels = 1000.0 + rng.normal(0, 3, (N_LINES, 2))
    read_noise = np.array([6.5, 5.5])
    times = {"line_period": TAU, "n_stage": N_STAGE}

    block = calibrate_lines(
        raw, missing, first_line, AMPLIFIERS, levels, dark, response, column_mask, **times
    )
    sky = model.evaluate(first_line, N_LINES)
    noise = background_variance(
        sky, first_line, AMPLIFIERS, dark, response, column_mask, read_noise=read_noise, **times
    )
    excess, bits = block.image - sky, block.mask
    mark_saturation(excess, noise, bits, options=SATURATION)
    hits = find_cosmic_rays(excess, noise, bits, WIDTH, WIDTH, options=COSMIC)
    bits[hits] |= np.uint16(PixelMask.COSMIC_RAY)

    tables = make_tables(AMPLIFIERS, dark, response, column_mask, read_noise=read_noise, **times)
    limits = make_limits(WIDTH, WIDTH, W, options=COSMIC)
    image, variance, mask, sharp = clean_lines(
        raw, missing, first_line, levels, tables, model.prepare(first_line, N_LINES), limits
    )
    mark_saturation(image, variance, mask, options=SATURATION)
    mark_cosmic_rays(image, variance, mask, sharp, limits)

    assert image.tobytes() == excess.tobytes()
    assert variance.tobytes() == noise.tobytes()
    np.testing.assert_array_equal(mask, bits)
    # Something of each kind was there, and sharp pixels that a bleed ruled out.
    seen = np.bitwise_or.reduce(mask, axis=None)
    for bit in (PixelMask.SATURATED, PixelMask.BLEED, PixelMask.COSMIC_RAY, PixelMask.NO_DATA):
        assert seen & bit
    assert (mask.ravel()[sharp] & PixelMask.COSMIC_RAY == 0).any()


def test_refuses_what_does_not_fit():
    rng = np.random.default_rng(1)
    tables = make_tables(
        AMPLIFIERS, *make_vectors(rng), np.zeros(W, np.uint16), line_period=TAU, n_stage=N_STAGE
    )
    limits = make_limits(1.0, 1.0, W, options=COSMIC)
    raw, missing, sky = make_raw(rng), np.zeros(N_LINES, bool), make_sky(rng)
    with pytest.raises(ValueError, match=r"sky must be \(120, 150\), received \(119, 150\)"):
        clean_lines(
            raw, missing, 0, np.zeros((N_LINES, 2)), tables, sky.prepare(0, N_LINES - 1), limits
        )
    with pytest.raises(ValueError, match=r"overscan_levels must be \(120, 2\)"):
        clean_lines(raw, missing, 0, np.zeros((3, 2)), tables, sky.prepare(0, N_LINES), limits)
