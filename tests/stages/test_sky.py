"""Sky: truth recovered with right errors, ramp, gaps, blocks; photutils as a reference."""

from itertools import pairwise

import numpy as np
import pytest
from astropy.stats import SigmaClip
from photutils.background import Background2D, ModeEstimatorBackground

from pipeline.errors import CalibrationError
from pipeline.stages.calibrate import calibrate_lines
from pipeline.stages.colstats import SummaryOptions, settle_overscan, summarise_columns
from pipeline.stages.dark import DarkVector
from pipeline.stages.overscan import interpolate_overscan
from pipeline.stages.response import ResponseVector
from pipeline.stages.sky import SkyModel, SkyOptions, fit_sky
from pipeline.stages.sky_course import SkyCourse
from pipeline.strip import Amplifier

W, N_STAGE, TAU = 512, 512, 0.05
AMPLIFIERS = (
    Amplifier("A", (0, W // 2), (W, W + 16), (0, W // 2), False, 1.8, 6.0, 6e4),
    Amplifier("B", (W // 2, W), (W + 16, W + 32), (W // 2, W), True, 1.8, 6.0, 6e4),
)
OPTIONS = SkyOptions()
SUMMARY = SummaryOptions()
MASK = np.zeros(W, np.uint16)


def make_vectors():
    rng = np.random.default_rng(1)
    zero, one = np.zeros(W), np.ones(W)
    bias, rate = rng.normal(0, 2, W), rng.uniform(0.02, 0.1, W)
    dark = DarkVector(
        bias,
        0.1 * one,
        rate,
        0.01 * one,
        zero,
        bias + N_STAGE * TAU * rate,
        0.1 * one,
        N_STAGE,
        TAU,
        one,
        1,
        (),
    )
    response = ResponseVector(
        1.0 + 0.05 * np.sin(np.arange(W) / 9.0),
        1e-4 * one,
        zero,
        0.1 * one,
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


def integrate(light):
    """What lines hold of a light given line by line: that of the n_stage lines before each."""
    total = np.concatenate([[0.0], np.cumsum(light)])
    lines = np.arange(len(light))
    return (total[lines] - total[np.maximum(lines - N_STAGE, 0)]) / N_STAGE


def sky_at(n_lines):
    """Twilight along the strip and a glow across it, as they stand in the lines."""
    lines = np.arange(n_lines)
    share = np.minimum(lines, N_STAGE) / N_STAGE
    twilight = integrate(400.0 + 600.0 * np.exp(-lines / 1500.0))
    return twilight[:, None] + share[:, None] * 30.0 * (np.arange(W) / W) ** 2


def make_raw(rng, sky, *, stars=0):
    n = len(sky)
    light = sky.copy()
    for y, x in zip(rng.integers(10, n - 10, stars), rng.integers(10, W - 10, stars), strict=True):
        yy, xx = np.mgrid[-10:11, -10:11]
        f = 1000.0 * (1.0 + rng.pareto(1.0))
        light[y - 10 : y + 11, x - 10 : x + 11] += (
            min(f, 1e6) * 0.11 * (1.0 + (yy**2 + xx**2) / 2.5) ** -2.5
        )
    rows = np.minimum(np.arange(n), N_STAGE)[:, None]
    charge = rng.poisson(RESPONSE.value * light + rows * TAU * DARK.dark)
    image = charge + DARK.bias + rng.normal(0, 6.0, charge.shape)
    raw = np.zeros((n, W + 32))
    raw[:, : W // 2] = image[:, : W // 2]
    raw[:, W // 2 : W] = image[:, W // 2 :][:, ::-1]
    raw[:, W:] = rng.normal(0, 6.0, (n, 32))
    return np.clip(np.rint(raw / 1.8 + 1000.0), 0, 65535).astype(np.uint16)


def model_of(raw, missing=None, *, column_mask=MASK):
    missing = np.zeros(len(raw), bool) if missing is None else missing
    s = summarise_columns(raw, missing, 0, AMPLIFIERS, options=SUMMARY)
    s = settle_overscan(s, AMPLIFIERS, options=SUMMARY.overscan)
    model = fit_sky(
        s, DARK, RESPONSE, column_mask, line_period=TAU, n_stage=N_STAGE, options=OPTIONS
    )
    return model, s


def test_sky_and_its_error():
    """Against the noise-free sky, in the ramp too: pulls of cells and of evaluated lines."""
    n = 4096
    truth = sky_at(n)
    model, _ = model_of(make_raw(np.random.default_rng(2), truth))
    miss = model.evaluate(0, n) - truth
    cells = np.round(model.lines).astype(int)[:, None], np.round(model.columns).astype(int)
    share = np.minimum(model.lines, N_STAGE)[:, None] / N_STAGE
    pull = (miss[cells] / (model.error * share))[2:]
    # The overscan's noise, common to an amplifier, and clipping add a little to the cells' own.
    assert 0.75 < np.sqrt(np.mean(pull**2)) < 1.5
    assert np.std(miss[N_STAGE:]) < 0.35
    assert abs(miss[N_STAGE:].mean()) < 0.1
    assert np.abs(miss[:N_STAGE]).max() < 2.5
    assert np.abs(miss[0]).max() == 0.0
    np.testing.assert_allclose(
        model.value[cells[0].ravel() > N_STAGE],
        model.evaluate(0, n)[cells][cells[0].ravel() > N_STAGE],
        atol=0.5,
    )


def test_changes_within_an_integration_are_followed():
    """Airglow of 10 % and 1.9 integrations, bins of half of one, and stars: no pixel is misled.

    0.2 of a pixel's noise would lift a 5 sigma source by one (30 px of weight); at the strip's
    ends, where one bin decides, the error is allowed twice as much.
    """
    n = 5000
    light = 2200.0 * (1.0 + 0.1 * np.sin(2 * np.pi * np.arange(n) / 985.0 + 1.0))
    truth = np.repeat(integrate(light)[:, None], W, axis=1)
    model, _ = model_of(make_raw(np.random.default_rng(8), truth, stars=300))
    miss = (model.evaluate(0, n) - truth).mean(axis=1)
    inner = miss[N_STAGE:-256]
    assert np.ptp(truth[N_STAGE:, 0]) > 200
    assert np.abs(inner).max() < 0.1 * np.sqrt(2200.0)
    assert np.std(inner) < 0.03 * np.sqrt(2200.0)
    assert np.abs(miss).max() < 0.2 * np.sqrt(2200.0)
    # The error knows of what goes on between the means: never too small.
    error = np.interp(np.arange(n), model.lines, np.median(model.error, axis=1))
    assert np.sqrt(np.mean((miss / error)[N_STAGE:] ** 2)) < 1.2
    assert np.median(error) < 0.1 * np.sqrt(2200.0)


def test_charge_from_before_the_first_line():
    """Rows that collected before line 0: the ramp is a constant too high, and nothing else is."""
    n = 4096
    truth = sky_at(n)
    truth[:N_STAGE] += 20.0
    model, _ = model_of(make_raw(np.random.default_rng(9), truth))
    miss = (model.evaluate(0, n) - truth).mean(axis=1)
    assert np.abs(miss).max() < 2.0
    assert np.abs(miss[N_STAGE:]).max() < 1.0
    assert model.course.held == pytest.approx(20.0, abs=2.0)


def test_a_galaxy_stays_where_it_is():
    """What a galaxy fills is no light of the whole sky: an integration away nothing is changed.

    Its lines end sooner than those of any light would, for these collect for n_stage lines. The
    mesh has it in its cells; half the columns hold at least a tenth of its brightest.
    """
    n = 4096
    truth = np.repeat(integrate(np.full(n, 500.0))[:, None], W, axis=1)
    yy, xx = np.mgrid[:n, :W]
    galaxy = 100.0 * np.exp(-np.hypot((yy - 2200) / 90.0, (xx - 200) / 60.0))
    with_galaxy, _ = model_of(make_raw(np.random.default_rng(10), truth + galaxy))
    without, _ = model_of(make_raw(np.random.default_rng(10), truth))
    change = with_galaxy.evaluate(0, n) - without.evaluate(0, n)
    assert np.abs(change[np.abs(yy - 2200) > 768]).max() < 1.5  # of a pixel's noise of 23
    assert np.std(change[np.abs(yy - 2200) > 768]) < 0.5
    assert np.abs(change[2100:2300, 448:]).max() < 5.0


def test_blocks_see_the_same():
    model, _ = model_of(make_raw(np.random.default_rng(3), sky_at(2000)))
    whole = model.evaluate(0, 2000)
    assert whole.dtype == np.float32
    for cuts in ((0, 1, 700, 2000), (0, 256, 1000, 1999, 2000)):
        parts = [model.evaluate(a, b - a) for a, b in pairwise(cuts)]
        np.testing.assert_array_equal(np.concatenate(parts), whole)
    lines = np.array([0.0, 17.0, 700.0, 1999.0])
    means = whole[lines.astype(int)].mean(axis=1, dtype=float)
    np.testing.assert_allclose(model.mean_of_lines(lines), means, rtol=1e-6, atol=1e-4)
    lines, columns = np.array([0, 299, 300, 1299]), np.array([W - 1, 0, 70, 5])
    pixels = model.prepare(400, 1600).crop(slice(100, 1500)).pixels(lines, columns)
    assert pixels.tobytes() == whole[500 + lines, columns].tobytes()
    assert model.evaluate(5, 0).shape == (0, W)


def test_gaps_and_masked_columns_are_bridged():
    raw = make_raw(np.random.default_rng(4), sky_at(4096))
    missing = np.zeros(4096, bool)
    missing[1500:2400] = True
    raw[missing] = 0
    mask = MASK.copy()
    mask[64:128] = 1  # one whole cell
    model, _ = model_of(raw, missing, column_mask=mask)
    assert np.isfinite(model.value).all()
    evaluated = model.evaluate(0, 4096)
    outside = np.flatnonzero(~missing & (np.arange(4096) >= N_STAGE))
    assert np.abs((evaluated - sky_at(4096))[outside]).max() < 2.0
    # Twilight's curvature over a gap of 900 lines is what the bridge may miss.
    assert np.abs((evaluated - sky_at(4096))[missing]).max() < 5.0


def test_interpolation_passes_parabolas_and_its_knots():
    lines = np.array([100.0, 356.0, 600.0, 868.0, 1100.0])
    columns = np.array([31.5, 95.5, 159.5])
    value = (0.001 * (lines - 500.0) ** 2)[:, None] + 2.0 * columns
    course = SkyCourse(300.0, np.full(8, 50.0), 0.0, 1)  # the same light throughout
    model = SkyModel(lines, columns, course, value, np.ones_like(value), 192, 1, 0)
    at = np.arange(360, 860)
    expected = 50.0 + (0.001 * (at - 500.0) ** 2)[:, None] + 2.0 * np.arange(192)
    np.testing.assert_allclose(model.evaluate(360, 500), expected, rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(model.evaluate(600, 1)[0, :3], expected[240, :3], rtol=1e-6)
    np.testing.assert_allclose(model.value, 50.0 + value)
    # Beyond the outermost lines deviations are held.
    np.testing.assert_array_equal(model.evaluate(1100, 1), model.evaluate(1200, 1))


def test_star_field_agrees_with_photutils():
    """On a field with stars both sky estimates agree within their errors and the star light.

    photutils' Background2D on the calibrated image, 256 x 64 boxes, mode taken as
    2.5 median - 1.5 mean after clipping; its error per box is some 1.6 sigma/sqrt(N).
    """
    n = 2048
    truth = np.repeat(integrate(np.full(n, 500.0))[:, None], W, axis=1)
    raw = make_raw(np.random.default_rng(5), truth, stars=700)
    model, summary = model_of(raw)
    overscan = interpolate_overscan(summary.overscan, 0, n)
    block = calibrate_lines(
        raw,
        np.zeros(n, bool),
        0,
        AMPLIFIERS,
        overscan,
        DARK,
        RESPONSE,
        MASK,
        line_period=TAU,
        n_stage=N_STAGE,
    )
    image = block.image[N_STAGE:]
    reference = Background2D(
        image,
        (256, 64),
        sigma_clip=SigmaClip(3.0),
        bkg_estimator=ModeEstimatorBackground(median_factor=2.5, mean_factor=1.5),
        filter_size=1,
    ).background_mesh
    ours = model.value[N_STAGE // 256 :]  # without the ramp
    assert ours.shape == reference.shape
    box_error = 1.6 * np.sqrt(536.0 / (256 * 64))
    difference = ours - reference
    assert abs(difference.mean()) < 1.0  # of a pixel noise of 23: light of faint stars and wings
    assert difference.std() < 3.0 * box_error
    assert abs(ours.mean() - 500.0) < abs(reference.mean() - 500.0) + 0.5


def test_refuses_what_does_not_fit():
    raw = make_raw(np.random.default_rng(6), sky_at(512))
    s = summarise_columns(raw, np.zeros(512, bool), 0, AMPLIFIERS, options=SUMMARY)
    kwargs = {"line_period": TAU, "n_stage": N_STAGE, "options": OPTIONS}
    with pytest.raises(ValueError, match="summary must be settled"):
        fit_sky(s, DARK, RESPONSE, MASK, **kwargs)
    settled = settle_overscan(s, AMPLIFIERS, options=SUMMARY.overscan)
    with pytest.raises(CalibrationError, match="no cell of the sky mesh holds data"):
        fit_sky(settled, DARK, RESPONSE, MASK + np.uint16(1), **kwargs)
    with pytest.raises(ValueError, match="cell_columns must be at least 1"):
        SkyOptions(cell_columns=0)
