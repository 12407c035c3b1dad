"""Photon transfer on drawn column summaries and on real frames; the CCD equation."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import CalibrationError
from pipeline.stages.colstats import SummaryOptions, summarise_columns
from pipeline.stages.dark import DarkOptions, dark_from_nothing
from pipeline.stages.transfer import (
    TransferOptions,
    fit_photon_transfer,
    signal_to_noise,
    transfer_two_frames,
)
from pipeline.strip import Amplifier

W = 256
GAINS, NOISES = (1.8, 2.1), (6.0, 5.0)
OPTIONS = TransferOptions()
REAL = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "real-ccd"


def amplifiers(gains=GAINS, noises=NOISES):
    half = W // 2
    return (
        Amplifier("A", (0, half), (W, W + 16), (0, half), False, gains[0], noises[0], 6e4),
        Amplifier("B", (half, W), (W + 16, W + 32), (half, W), False, gains[1], noises[1], 6e4),
    )


def make_summary(rng, sky, configured, *, stars=0):
    light = np.broadcast_to(sky[:, None], (len(sky), W)).copy()
    light *= 1.0 + 0.1 * np.sin(np.arange(W))
    n = len(light)
    for y, x in zip(rng.integers(8, n - 8, stars), rng.integers(8, W - 8, stars), strict=True):
        yy, xx = np.mgrid[-8:9, -8:9]
        f = 2000.0 * (1.0 + rng.pareto(1.0))
        light[y - 8 : y + 9, x - 8 : x + 9] += f * 0.11 * (1 + (yy**2 + xx**2) / 2.5) ** -2.5
    raw = np.zeros((len(sky), W + 32))
    gain = np.repeat(GAINS, W // 2)
    noise = np.repeat(NOISES, W // 2)
    raw[:, :W] = (rng.poisson(light) + noise * rng.standard_normal(light.shape)) / gain
    for a in range(2):
        part = slice(W + 16 * a, W + 16 * (a + 1))
        raw[:, part] = NOISES[a] / GAINS[a] * rng.standard_normal((len(sky), 16))
    raw = np.rint(raw + 1000.0).astype(np.uint16)
    return summarise_columns(raw, np.zeros(len(raw), bool), 0, configured, options=SummaryOptions())


def fit(summaries, configured):
    dark = dark_from_nothing(W, n_stage=64, line_period=0.05, options=DarkOptions())
    return fit_photon_transfer(summaries, dark, configured, np.zeros(W, np.uint16), options=OPTIONS)


def test_gain_and_read_noise_within_a_hundredth():
    rng = np.random.default_rng(1)
    sky = np.linspace(200.0, 3000.0, 8192)
    science = make_summary(rng, sky, amplifiers(), stars=300)
    closed = make_summary(rng, np.full(4096, 1.0), amplifiers())
    for result, gain, noise in zip(
        fit([science, closed], amplifiers()), GAINS, NOISES, strict=True
    ):
        assert result.gain == pytest.approx(gain, rel=0.01)
        assert result.read_noise == pytest.approx(noise, rel=0.01)
        assert abs(result.gain - gain) < 4 * result.gain_err
        assert abs(result.read_noise - noise) < 4 * result.read_noise_err
        assert result.problems == ()


def test_errors_are_right():
    pulls = []
    for seed in range(12):
        rng = np.random.default_rng(100 + seed)
        s = make_summary(rng, np.linspace(100.0, 2000.0, 2048), amplifiers())
        for r, gain, noise in zip(fit([s], amplifiers()), GAINS, NOISES, strict=True):
            pulls.append([(r.gain - gain) / r.gain_err, (r.read_noise - noise) / r.read_noise_err])
    spread = np.sqrt(np.mean(np.square(pulls), axis=0))
    # 24 values: the root mean square is known to 14 per cent.
    assert (spread > 0.6).all()
    assert (spread < 1.45).all()


def test_wrong_configuration_is_measured_right_and_reported():
    """Levels in electrons of a wrong gain still give the true one."""
    wrong = amplifiers(gains=(1.6, 2.1), noises=(6.0, 5.5))
    rng = np.random.default_rng(3)
    s = make_summary(rng, np.linspace(200.0, 3000.0, 8192), wrong)
    a, b = fit([s], wrong)
    assert a.gain == pytest.approx(1.8, rel=0.01)
    assert any("measured gain" in p for p in a.problems)
    assert b.read_noise == pytest.approx(5.0, rel=0.02)
    assert any("measured read noise" in p for p in b.problems)


def test_refuses_a_single_level():
    rng = np.random.default_rng(4)
    s = make_summary(rng, np.full(512, 500.0), amplifiers())
    masked = np.ones(W, np.uint16)
    dark = dark_from_nothing(W, n_stage=64, line_period=0.05, options=DarkOptions())
    with pytest.raises(CalibrationError, match="too few"):
        fit_photon_transfer([s], dark, amplifiers(), masked, options=OPTIONS)
    with pytest.raises(ValueError, match="at least one ColumnSummary"):
        fit_photon_transfer([], dark, amplifiers(), masked, options=OPTIONS)


def test_two_frames_recover_a_drawn_camera():
    rng = np.random.default_rng(5)
    shape = (400, 400)
    flat = [np.rint(rng.poisson(20000.0, shape) / 2.5 + rng.normal(300, 4, shape)) for _ in "ab"]
    bias = [np.rint(rng.normal(300.0, 4.0, shape)) for _ in "ab"]
    pair = transfer_two_frames(*flat, *bias, clip=4.0)
    assert abs(pair.gain - 2.5) < 4 * pair.gain_err
    # The classical formula keeps the noise of rounding.
    assert abs(pair.read_noise - 2.5 * np.sqrt(16 + 1 / 12)) < 4 * pair.read_noise_err
    assert pair.gain_err < 0.02


@pytest.mark.skipif(not REAL.is_dir(), reason="real CCD frames are not beside the project")
def test_two_frames_on_real_ccd_frames():
    """Real flats and darks, PyPI msfc-ccd 1.2.0 (BSD-3-Clause); 9.7-11.1 electrons documented.

    Photon transfer of its four quadrants: gain 2.44-2.61 e-/DN, read noise 3.9-4.2 DN, as found
    for the list of outside values; the ranges are given to the last digit quoted.
    """
    frames = [
        fits.getdata(REAL / name).astype(float)
        for name in ("flat-1.fit.gz", "flat-2.fit.gz", "dark-1.fit.gz", "dark-2.fit.gz")
    ]
    frames = [f.squeeze() for f in frames]
    assert frames[0].shape == (1040, 2152)
    for rows in (slice(0, 520), slice(520, 1040)):
        for columns in (slice(50, 1074), slice(1078, 2102)):
            pair = transfer_two_frames(*(f[rows, columns] for f in frames), clip=4.0)
            assert 2.43 < pair.gain < 2.62
            assert 3.85 < pair.read_noise / pair.gain < 4.25
            assert 9.5 < pair.read_noise < 11.2


def test_ccd_equation():
    """Worked example of Howell, Handbook of CCD Astronomy, sec. 4.4 (from memory): S/N 342."""
    value = signal_to_noise(
        24013.0 * 5.0,
        sky=620.0 * 5.0,
        dark=1.8,
        read_noise=5.0,
        gain=5.0,
        n_pixels=1,
        n_background=200,
        rounding=0.289,
    )
    assert round(value) == 342
    with pytest.raises(ValueError, match="n_background must be positive"):
        signal_to_noise(
            1.0, sky=1, dark=0, read_noise=1, gain=1, n_pixels=1, n_background=0, rounding=0
        )
