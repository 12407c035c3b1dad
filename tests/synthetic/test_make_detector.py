"""The simulated chip: charge that bleeds, noise, amplifiers, cosmic rays."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synthetic.artefacts import make_cosmic_rays
from synthetic.detector import (
    ADC_TOP,
    bend,
    bleed,
    find_saturation,
    hold_back,
    make_detector,
    overscan_level,
    read_out,
)
from synthetic.plain import build_plain
from synthetic.scenarios import build_scenario


def test_bleeding_conserves_charge_and_runs_both_ways():
    """Charge above full well fills the nearest room along the column, half each way."""
    image = np.full((41, 3), 10.0)
    image[20, 1] = 510.0
    bleed(image, 100.0, 30)
    assert image.sum() == pytest.approx(41 * 3 * 10.0 + 500.0)
    assert image.max() == 100.0
    np.testing.assert_allclose(image[:, 1], image[::-1, 1])
    # 410 in excess, 205 each way: two pixels filled, a third by 25.
    np.testing.assert_allclose(image[20:25, 1], [100, 100, 100, 35, 10])
    assert (image[:, [0, 2]] == 10.0).all()


@settings(max_examples=30, deadline=None)
@given(
    peaks=st.lists(st.tuples(st.integers(60, 140), st.floats(0.0, 900.0)), min_size=1, max_size=6)
)
def test_bleeding_conserves_charge_of_any_pattern(peaks):
    """Several saturated runs in one column: nothing lost, nothing above full well."""
    image = np.full((201, 1), 5.0)
    for line, charge in peaks:
        image[line, 0] += charge
    before = image.sum()
    bleed(image, 100.0, 200)
    assert image.sum() == pytest.approx(before)
    assert image.max() <= 100.0 + 1e-9


def test_bent_and_trapping_columns_of_their_own():
    """They join the bad ones without changing anything else of the chip, and do what they say."""
    plain = build_scenario("small")
    more = replace(plain, detector=replace(plain.detector, bent=2, trap=1))
    before, after = (make_detector(s, s.nights[0]) for s in (plain, more))
    for name in ("response", "dark", "bias", "extra_noise"):
        np.testing.assert_array_equal(getattr(before, name), getattr(after, name))
    (trap,), bent = after.find("trap"), after.find("bent")
    assert bent.size == 2
    assert set(before.find("hot")) == set(after.find("hot"))
    image = np.full((400, 256), 1000.0)
    image[100] = 3000.0
    light = image.copy()
    bend(image, after, loss=0.3, level=1000.0)
    np.testing.assert_allclose(image[0, bent], 850.0)  # half of the loss at that level
    np.testing.assert_allclose(image[100, bent], 3000.0 * (1.0 - 0.3 * 0.75))
    hold_back(image, after, share=0.2, lines=20.0)
    other = np.delete(np.arange(256), [trap, *bent])
    np.testing.assert_array_equal(image[:, other], light[:, other])
    # A steady level keeps its charge once the tails of all lines before have arrived.
    assert image[300, trap] == pytest.approx(1000.0)
    assert image[100, trap] < 3000.0
    # What the bright line lost comes out behind it, none in front.
    steady = np.full((400, 256), 1000.0)
    hold_back(steady, after, share=0.2, lines=20.0)
    gain = image[:, trap] - steady[:, trap]
    assert (gain[:100] == 0.0).all()
    assert gain[100] == pytest.approx(0.8 * 2000.0)
    assert gain.sum() == pytest.approx(2000.0)
    assert gain[101] / gain[121] == pytest.approx(np.e)


def test_noise_is_poisson_and_read_noise():
    """Variance over mean of a flat exposure gives the gain; overscan gives the read noise."""
    scenario = build_plain(
        latitude=0, columns=400, n_stage=16, pixel_scale=1, n_lines=8, mjd_start=60737, noise=True
    )
    detector = make_detector(scenario, scenario.nights[0])
    amplifier = scenario.camera.amplifiers[0]
    rng = np.random.default_rng(5)
    charge = rng.poisson(3000.0, size=(500, 400)).astype(float)
    raw = read_out(scenario, detector, charge, first_line=0, strip_number=0, rng=rng).astype(float)
    data, blank = raw[:, :400] - amplifier.offset, raw[:, 400:] - amplifier.offset
    electrons = data * amplifier.gain
    n = data.size
    # Rounding to whole ADU adds gain**2/12.
    expected = 3000.0 + amplifier.read_noise**2 + amplifier.gain**2 / 12
    assert electrons.mean() == pytest.approx(3000.0, abs=4 * np.sqrt(expected / n))
    assert electrons.var() == pytest.approx(expected, rel=4 * np.sqrt(2 / n))
    sigma = np.sqrt(amplifier.read_noise**2 + amplifier.gain**2 / 12) / amplifier.gain
    assert blank.std() == pytest.approx(sigma, rel=4 / np.sqrt(2 * blank.size))
    assert blank.mean() == pytest.approx(0, abs=4 * sigma / np.sqrt(blank.size))


def test_reversed_amplifier_reads_its_half_backwards():
    """Raw columns run against chip columns where the amplifier says so."""
    scenario = replace(build_scenario("small"), poisson=False, read=False)
    scenario = replace(scenario, detector=replace(scenario.detector, flat=True, overscan_drift=0.0))
    detector = make_detector(scenario, scenario.nights[0])
    charge = np.tile(np.arange(256) * 100.0, (4, 1))
    raw = read_out(
        scenario, detector, charge, first_line=0, strip_number=0, rng=np.random.default_rng(1)
    )
    a, b = scenario.camera.amplifiers
    assert b.reversed
    first = np.rint(a.offset + charge[0, :128] / a.gain)
    second = np.rint(b.offset + charge[0, 128:] / b.gain)
    np.testing.assert_array_equal(raw[0, :128], first)
    np.testing.assert_array_equal(raw[0, 128:256], second[::-1])
    assert (raw[:, 256:272] == a.offset).all()
    assert (raw[:, 272:288] == b.offset).all()


def test_converter_clips_at_its_top():
    """Nothing wraps around: 16 bits hold at most 65535."""
    scenario = build_plain(
        latitude=0, columns=32, n_stage=16, pixel_scale=1, n_lines=8, mjd_start=60737
    )
    detector = make_detector(scenario, scenario.nights[0])
    charge = np.full((2, 32), 1e6)
    raw = read_out(
        scenario, detector, charge, first_line=0, strip_number=0, rng=np.random.default_rng(1)
    )
    assert (raw[:, :32] == ADC_TOP).all()


def test_saturation_lies_below_what_the_chip_can_deliver():
    """A full well reads above the stated saturation, whatever limits first."""
    scenario = build_scenario("demo")
    for amplifier in scenario.camera.amplifiers:
        top = min(scenario.detector.full_well / amplifier.gain + amplifier.offset, ADC_TOP)
        assert 0.9 * top < find_saturation(scenario, amplifier) < top


def test_zero_level_drifts_slowly():
    """A few tenths of an ADU in a hundred lines, a few ADU in a strip, strips apart."""
    scenario = build_scenario("demo")
    lines = np.arange(14_000)
    level = overscan_level(scenario, 0, 0, lines)
    drift = scenario.detector.overscan_drift
    assert np.abs(np.diff(level)).max() < drift / 500
    assert drift < np.ptp(level) < 2 * drift
    assert not np.allclose(level, overscan_level(scenario, 0, 1, lines))


def test_detector_is_the_same_every_night_until_it_changes():
    """Only the response changes, and only from the night stated."""
    scenario = build_scenario("season")
    (change,) = scenario.response_changes
    nights = scenario.nights
    assert change == nights[3]
    chips = [make_detector(scenario, night) for night in nights]
    np.testing.assert_array_equal(chips[0].response, chips[2].response)
    np.testing.assert_array_equal(chips[3].response, chips[5].response)
    good = chips[0].bad == ""
    ratio = chips[3].response[good] / chips[0].response[good]
    assert np.ptp(ratio) > 0.01
    np.testing.assert_array_equal(chips[0].dark, chips[5].dark)
    np.testing.assert_array_equal(chips[0].bad, chips[5].bad)


def test_bad_columns_are_bad():
    """Dead columns collect almost nothing, hot ones leak, noisy ones are noisy."""
    chip = make_detector(build_scenario("demo"), "2025-03-02")
    assert (chip.response[chip.bad == "dead"] < 0.1).all()
    assert (chip.dark[chip.bad == "hot"] > 10 * np.median(chip.dark)).all()
    assert (chip.extra_noise[chip.bad == "noisy"] > 0).all()
    assert (chip.extra_noise[chip.bad == ""] == 0).all()
    assert np.median(chip.response) == pytest.approx(1, abs=0.01)
    smooth = np.diff(chip.response[chip.bad == ""])
    # Pixel-to-pixel scatter of 1 %: differences of neighbours scatter by sqrt(2) of it.
    sigma = 1.4826 * np.median(np.abs(smooth - np.median(smooth)))
    assert sigma == pytest.approx(np.sqrt(2) * 0.01, rel=0.15)


def test_cosmic_rays_come_at_their_rate_and_in_tracks():
    """Poisson count of events, 200 to 20 000 electrons, no pixel listed twice."""
    rng = np.random.default_rng(8)
    hits = make_cosmic_rays(rng, (4000, 1000), 100.0)
    pixels = set(zip(hits.line.tolist(), hits.column.tolist(), strict=True))
    assert len(pixels) == len(hits.line)
    # 400 events of 1 to 6 pixels.
    assert 400 - 4 * 20 < len(pixels) < 6 * (400 + 4 * 20)
    assert hits.electrons.min() > 0
    assert hits.electrons.sum() == pytest.approx(400 * 19_800 / np.log(100), rel=0.3)
    assert hits.line.max() < 4000
    assert hits.column.max() < 1000
