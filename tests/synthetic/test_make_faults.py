"""Faults of nights: what the simulator does for each, by its own definition."""

from dataclasses import replace

import numpy as np
import pytest

from synthetic.detector import make_detector
from synthetic.fault_nights import plan_fault_nights
from synthetic.faults import lose_lines, lose_sources
from synthetic.scenario import Fault, Seeing, StripPlan
from synthetic.scenarios import build_scenario
from synthetic.weather import make_weather


@pytest.fixture(scope="module")
def faults():
    return build_scenario("faults")


def plan_of(scenario, name):
    return next(p for p in scenario.science if p.fault.name == name)


def test_there_are_nights_enough_and_one_fault_a_night(faults):
    names = [p.fault.name for p in faults.science]
    assert len(names) == len(faults.nights) >= 12
    assert names.count("none") == 2
    assert len(set(names)) == len(names) - 1
    fine = plan_of(faults, "none")
    for plan in faults.science:
        differs = [
            getattr(plan, part) != getattr(fine, part)
            for part in ("sky", "seeing", "clouds", "satellites", "extinction")
        ]
        bare = replace(plan.fault, name="") == Fault()
        assert sum(differs) + (not bare) == (plan.fault.name != "none")


def test_a_wrong_clock_changes_the_period_not_what_a_second_collects(faults):
    plan = plan_of(faults, "clock error")
    there = faults.with_camera_of(plan)
    ratio = there.camera.line_period / faults.camera.line_period
    assert ratio == pytest.approx(1.0 + plan.fault.period_error)

    def rate(scenario):  # electrons a second of magnitude 0
        return 10.0 ** (0.4 * scenario.zero_point) / scenario.camera.exposure

    assert rate(there) == pytest.approx(rate(faults))
    assert faults.with_camera_of(plan_of(faults, "none")) is faults
    turned = faults.with_camera_of(plan_of(faults, "rotated camera"))
    assert turned.camera.rotation - faults.camera.rotation == pytest.approx(1.4)


def test_grains_and_dead_amplifiers_are_of_their_night_alone(faults):
    fine = make_detector(faults, plan_of(faults, "none").night)
    dirty = make_detector(faults, plan_of(faults, "dirty flat").night)
    ratio = dirty.response / fine.response
    for column, width, depth in plan_of(faults, "dirty flat").fault.grains:
        assert ratio[round(column)] == pytest.approx(1.0 - depth, abs=1e-3)
        assert ratio[round(column + 3 * width)] == pytest.approx(1.0, abs=1e-6)
    dead = make_detector(faults, plan_of(faults, "dead amplifier").night)
    amplifier = next(a for a in faults.camera.amplifiers if a.name == "B")
    silent = slice(*amplifier.chip)
    assert not dead.response[silent].any()
    assert not dead.bias[silent].any()
    rest = np.setdiff1d(np.arange(faults.camera.columns), np.arange(*amplifier.chip))
    np.testing.assert_array_equal(dead.response[rest], fine.response[rest])


def test_blur_adds_in_quadrature_and_an_even_cloud_takes_its_share_everywhere(faults):
    plan = plan_of(faults, "none")
    blurred = replace(plan, seeing=replace(plan.seeing, blur=2.0), extinction=1.5)
    before, after = (
        make_weather(faults, p, np.random.default_rng(3)) for p in (plan, blurred)
    )  # fmt: skip
    scale = faults.camera.pixel_scale
    np.testing.assert_allclose((after.fwhm**2 - before.fwhm**2) * scale**2, 4.0)
    np.testing.assert_allclose(after.transparency / before.transparency, 10**-0.6)


def test_lost_lines_are_missing_and_what_follows_closes_up():
    plan = StripPlan("a", "n", 6e4, 100, fault=Fault("lost lines", lost_at=60, lost_lines=7))
    raw = np.repeat(np.arange(100, dtype=np.uint16)[:, None], 3, axis=1)
    kept = lose_lines(plan, raw)
    assert kept[:, 0].tolist() == [*range(60), *range(67, 100)]
    sources = {"line": np.array([10.0, 59.4, 63.0, 67.2, 90.0]), "mag": np.arange(5.0)}
    moved = lose_sources(plan, sources)
    np.testing.assert_allclose(moved["line"], [10.0, 59.4, 60.2, 83.0])
    assert moved["mag"].tolist() == [0.0, 1.0, 3.0, 4.0]
    for line, place in zip(moved["line"], moved["mag"], strict=True):  # the value it stood on
        assert kept[round(line), 0] == raw[round(sources["line"][int(place)]), 0]


def test_mistakes_are_refused(faults):
    with pytest.raises(ValueError, match="lost_at"):
        StripPlan("a", "n", 6e4, 100, fault=Fault(lost_at=95, lost_lines=7))
    with pytest.raises(ValueError, match="blur"):
        Seeing(blur=-1.0)
    with pytest.raises(ValueError, match="segment_lines"):
        replace(faults, segment_lines=1000)
    strips = plan_fault_nights(faults.camera, -71.3, 60737.02, 3000)
    assert {p.n_lines for p in strips if p.shutter_open} == {3000}
