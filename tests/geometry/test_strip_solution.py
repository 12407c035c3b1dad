import json
import pickle
import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import SolutionError
from pipeline.geometry.solution import StripSolution
from pipeline.geometry.transit import CLOCK_VARIANCE
from pipeline.geometry.wander import Wander


@pytest.fixture(scope="module")
def solution(telescope):
    _, truth = telescope.make_pair(n_lines=40000, column_sign=-1)
    rng = np.random.default_rng(2)
    wander = Wander(0.0, 4000.0, rng.normal(0, 2, 13), rng.normal(0, 2, 13))
    return replace(
        truth,
        wander=wander,
        parameter_names=("declination_deg", "rotation_deg"),
        covariance=np.array([[4e-10, 1e-12], [1e-12, 9e-8]]),
    )


def test_sky_and_strip_invert_each_other(solution):
    """With wander, to 1e-6 px."""
    rng = np.random.default_rng(1)
    line, column = rng.uniform(0, 39999, 2000), rng.uniform(-0.5, 1023.5, 2000)
    back = solution.sky_to_strip(*solution.strip_to_sky(line, column))
    np.testing.assert_allclose(back[0], line, rtol=0, atol=1e-6)
    np.testing.assert_allclose(back[1], column, rtol=0, atol=1e-6)


@given(
    latitude=st.floats(-70, 70),
    rotation=st.floats(-5, 5),
    sign=st.sampled_from([1, -1]),
    mjd=st.floats(51000, 65000),
    clock=st.floats(-40, 40),
    n_lines=st.integers(2000, 900000),
)
@settings(max_examples=25, deadline=None)
def test_round_trip_anywhere(telescope, latitude, rotation, sign, mjd, clock, n_lines):
    _, solution = telescope.make_pair(
        latitude=latitude, rotation=rotation, column_sign=sign, mjd_start=mjd, clock=clock,
        n_lines=n_lines,
    )  # fmt: skip
    line = np.linspace(0, n_lines - 1.0, 50)
    column = np.linspace(1000.0, 20.0, 50)
    back = solution.sky_to_strip(*solution.strip_to_sky(line, column))
    np.testing.assert_allclose(back[0], line, rtol=0, atol=1e-6)
    np.testing.assert_allclose(back[1], column, rtol=0, atol=1e-6)


def test_strip_across_the_first_point_of_aries(telescope):
    """Somewhere in a ten-hour strip right ascension falls from 360 to 0; lines do not care."""
    for start in np.linspace(61234.0, 61234.9, 4):
        _, solution = telescope.make_pair(n_lines=700000, mjd_start=start)
        line = np.linspace(0, 699999, 3000)
        ra, dec = solution.strip_to_sky(line, np.full(3000, 400.0))
        assert np.all((ra >= 0) & (ra < 360))
        np.testing.assert_allclose(solution.sky_to_strip(ra, dec)[0], line, atol=1e-6)
        np.testing.assert_allclose(solution.sky_to_strip(ra - 360, dec)[0], line, atol=1e-6)


def test_a_hundred_thousand_stars_take_less_than_a_second(solution):
    rng = np.random.default_rng(1)
    line, column = rng.uniform(0, 39999, 100_000), rng.uniform(0, 1023, 100_000)
    solution.strip_to_sky(line[:10], column[:10])
    start = time.process_time()
    ra, dec = solution.strip_to_sky(line, column)
    middle = time.process_time()
    solution.sky_to_strip(ra, dec)
    end = time.process_time()
    assert middle - start < 1.0
    assert end - middle < 1.0


def test_mid_time_is_when_the_middle_row_is_passed(telescope):
    """Line = (t - t_start)/tau + Y: the charge of the middle of the exposure."""
    _, solution = telescope.make_pair(rotation=0.0, clock=12.0, mismatch=1.0)
    line, column = 5000.0, 511.5
    seconds = (solution.mid_time(line, column) - solution.mjd_start) * 86400 - 12.0
    # An MJD resolves a microsecond. <Y> is the chip's middle: the path is symmetric here but for
    # diurnal aberration, 0.2 arcsec.
    assert seconds == pytest.approx((line - 512.0) * solution.line_period, abs=1e-3)


def test_exposure_and_its_ratio(solution):
    column = np.array([0.0, 511.5, 1023.0])
    t0 = solution.camera.n_stage * solution.line_period
    np.testing.assert_allclose(solution.exposure(column), t0 * solution.exposure_ratio(column))
    # tan(d0) (d - d0), columns to the south here, in the southern hemisphere: longer exposures.
    step = np.tan(np.radians(46.13)) * 1023 / solution.camera.scale
    rise = solution.exposure_ratio(1023.0) - solution.exposure_ratio(0.0)
    assert rise == pytest.approx(step, rel=0.01)


def test_smear_with_and_without_the_clocking(solution):
    column = np.linspace(0, 1023, 7)
    bare, boxed = solution.smear(column), solution.smear(column, boxcar=True)
    np.testing.assert_allclose(boxed[0] - bare[0], CLOCK_VARIANCE)
    np.testing.assert_array_equal(bare[1], boxed[1])
    dl, dc, w = solution.path(column, 16)
    assert dl.shape == (7, 16)
    np.testing.assert_allclose((dl * dl) @ w, bare[0], atol=1e-7)
    np.testing.assert_allclose((dl * dc) @ w, bare[1], atol=1e-7)
    np.testing.assert_allclose((dc * dc) @ w, bare[2], atol=1e-7)


def test_smear_of_a_rotated_camera(telescope):
    """A trail of n tan(rotation) px across: variance trail^2 / 12; the sagitta adds its own."""
    _, solution = telescope.make_pair(rotation=0.5, scale=1.0, declination_off=0.0)
    trail = 1024 * np.tan(np.radians(0.5))
    sagitta = 1024**2 / solution.camera.scale * np.tan(np.radians(46.2)) / 8
    expected = trail**2 / 12 + sagitta**2 * 4 / 45  # variance of a parabola of that height
    assert solution.smear(511.5)[2] == pytest.approx(expected, rel=2e-3)


def test_jacobian_is_the_derivative_on_the_sky(telescope):
    _, solution = telescope.make_pair(rotation=1.0)
    line, column = np.array([3000.0, 9000.0]), np.array([100.0, 900.0])
    found = solution.jacobian(line, column)
    for k, (dl, dc) in enumerate(((0.5, 0.0), (0.0, 0.5))):
        ra1, dec1 = solution.strip_to_sky(line + dl, column + dc)
        ra0, dec0 = solution.strip_to_sky(line - dl, column - dc)
        east = (ra1 - ra0) * 3600 * np.cos(np.radians(0.5 * (dec0 + dec1)))
        # Annual aberration changes the scale by 1e-4.
        np.testing.assert_allclose(found[:, 0, k], east, rtol=0, atol=1.1e-4)
        np.testing.assert_allclose(found[:, 1, k], (dec1 - dec0) * 3600, rtol=0, atol=1.1e-4)


def test_position_errors_are_the_scatter(telescope):
    """Errors of line and column propagated, against a cloud of displaced positions."""
    _, solution = telescope.make_pair(rotation=4.0)
    rng = np.random.default_rng(6)
    n = 20000
    line = 5000 + rng.normal(0, 0.3, n)
    column = 200 + rng.normal(0, 0.1, n)
    ra, dec = solution.strip_to_sky(line, column)
    ra_err, dec_err = solution.position_errors(5000.0, 200.0, 0.3, 0.1)
    # The scatter of n values is known to 1/sqrt(2 n) = 0.5 %.
    assert ra_err == pytest.approx(np.std(ra) * 3600 * np.cos(np.radians(dec.mean())), rel=0.02)
    assert dec_err == pytest.approx(np.std(dec) * 3600, rel=0.02)


def test_footprint_goes_round(solution):
    ra, dec = solution.footprint(10)
    assert ra.shape == dec.shape == (20,)
    line, column = solution.sky_to_strip(ra, dec)
    np.testing.assert_allclose(line[[0, 9, 10, 19]], [-0.5, 39999.5, 39999.5, -0.5], atol=1e-5)
    np.testing.assert_allclose(column[[0, 9, 10, 19]], [-0.5, -0.5, 1023.5, 1023.5], atol=1e-5)
    part = solution.sky_to_strip(*solution.footprint(2, start_line=100, stop_line=200))
    np.testing.assert_allclose(part[0], [99.5, 199.5, 199.5, 99.5], atol=1e-5)


def test_json_and_pickle_round_trips(solution):
    line, column = np.array([100.0, 30000.0]), np.array([3.0, 900.0])
    expected = solution.strip_to_sky(line, column)
    stored = json.loads(json.dumps(solution.to_dict()))
    for back in (StripSolution.from_dict(stored), pickle.loads(pickle.dumps(solution))):  # noqa: S301
        np.testing.assert_array_equal(back.strip_to_sky(line, column), expected)
        assert back.errors == solution.errors
        assert back.camera == solution.camera
    assert StripSolution.from_dict(stored).to_dict() == solution.to_dict()


def test_damaged_storage_is_refused(solution):
    stored = solution.to_dict()
    with pytest.raises(SolutionError, match=r"must have format 1, got 99"):
        StripSolution.from_dict(stored | {"format": 99})
    del stored["line_period"]
    with pytest.raises(SolutionError, match=r"lacks or adds a key.*line_period"):
        StripSolution.from_dict(stored)


def test_parameters_can_be_changed_by_name(solution):
    changed = solution.with_parameters(rotation_deg=1.5, k1=0.1)
    assert changed.parameters["rotation_deg"] == pytest.approx(1.5)
    assert changed.parameters["k1"] == 0.1
    assert changed.parameters["clock_offset_s"] == solution.parameters["clock_offset_s"]
    assert changed.errors == {}
    with pytest.raises(ValueError, match=r"unknown parameters"):
        solution.with_parameters(tilt=1.0)


def test_hour_angle_and_clock_are_one(telescope):
    """An axis turned west by 15.04 arcsec sees what a clock one second late sees (design)."""
    guess, _ = telescope.make_pair()
    turned = guess.with_parameters(hour_angle_deg=np.degrees(guess.rate) * 1.0)
    early = guess.with_parameters(clock_offset_s=-1.0)
    ra, dec = guess.strip_to_sky([5000.0], [300.0])
    # Diurnal aberration alone tells them apart: 0.2 arcsec times 7e-5 rad.
    np.testing.assert_allclose(turned.sky_to_strip(ra, dec), early.sky_to_strip(ra, dec), atol=1e-4)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"latitude_deg": 91.0}, "latitude_deg must lie between -90 and 90, got 91"),
        ({"line_period": 0.0}, "line_period must be positive"),
        ({"n_lines": 0}, "n_lines must be at least 1, got 0"),
        ({"n_lines": 10_000_000}, "shorter than a day"),
        ({"mjd_start": np.inf}, "mjd_start must be finite"),
        ({"covariance": np.eye(3)}, r"covariance must have shape \(2, 2\)"),
    ],
)
def test_bad_numbers_are_refused(solution, changes, message):
    with pytest.raises(ValueError, match=message):
        replace(solution, **changes)


def test_footprint_needs_two_points(solution):
    with pytest.raises(ValueError, match=r"n must be at least 2"):
        solution.footprint(1)


def test_inputs_are_not_modified(solution):
    line, column = np.array([100.0, 200.0]), np.array([5.0, 6.0])
    copies = line.copy(), column.copy()
    ra, dec = solution.strip_to_sky(line, column)
    solution.position_errors(line, column, 0.1 * line, 0.1 * column)
    solution.sky_to_strip(ra, dec)
    np.testing.assert_array_equal(line, copies[0])
    np.testing.assert_array_equal(column, copies[1])
