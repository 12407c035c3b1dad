import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import SolutionError
from pipeline.geometry.camera import Camera
from pipeline.geometry.stripmap import make_strip_map
from pipeline.geometry.transit import Axis, average_transit


def make_map(
    *, dec=35.0, h0=0.0, scale=0.5, n=1024, rotation=0.0, sign=1, n_lines=50000, theta=1.0, **more
):
    camera = Camera.from_arcsec(
        pixel_scale=scale, n_columns=n, n_stage=n, rotation_deg=rotation, column_sign=sign, **more
    )
    axis = Axis(np.radians(dec), np.radians(h0), 1.2e-6)
    line_angle = 1.0 / (camera.scale * np.cos(axis.declination))
    n_lines = min(n_lines, int(0.95 * 2 * np.pi / line_angle))  # a sidereal day at most
    return make_strip_map(camera, axis, line_angle=line_angle, theta_start=theta, n_lines=n_lines)


@given(
    dec=st.floats(-75, 75),
    h0=st.floats(-60, 60),
    rotation=st.floats(-20, 20),
    sign=st.sampled_from([1, -1]),
    scale=st.floats(0.2, 14.0),
    k1=st.floats(-0.5, 0.5),
    seed=st.integers(0, 1000),
)
@settings(max_examples=40, deadline=None)
def test_map_and_inverse_agree(dec, h0, rotation, sign, scale, k1, seed):
    """Any pointing, rotation, flip and scale: to 1e-6 px over the chip and its surroundings."""
    strip = make_map(
        dec=dec, h0=h0, rotation=rotation, sign=sign, scale=scale, n=512, radial=(k1, 0.0)
    )
    rng = np.random.default_rng(seed)
    line = rng.uniform(0, strip.n_lines - 1, 200)
    column = rng.uniform(-1, 512, 200)
    back_line, back_column = strip.sky_to_strip(*strip.strip_to_sky(line, column))
    np.testing.assert_allclose(back_line, line, rtol=0, atol=1e-6)
    np.testing.assert_allclose(back_column, column, rtol=0, atol=1e-6)


@pytest.mark.parametrize(
    ("dec", "scale", "n", "rotation"), [(35.0, 0.4, 4096, 0.3), (-50.0, 13.75, 1024, -1.0)]
)
def test_table_equals_the_averages(dec, scale, n, rotation):
    """Interpolation in declination adds less than 1e-6 px to the quadrature."""
    strip = make_map(dec=dec, scale=scale, n=n, rotation=rotation)
    column = np.linspace(0, n - 1, 301)
    d = strip.declination(column)
    direct = average_transit(strip.camera, strip.axis, d, line_angle=strip.line_angle)
    for name in ("column", "row", "ll", "lc", "cc", "trail"):
        np.testing.assert_allclose(strip.evaluate(name, d), getattr(direct, name), atol=1e-6)
    np.testing.assert_allclose(strip.evaluate("duration", d), direct.duration, atol=1e-9)
    g = (strip.evaluate("hour_angle", d) - direct.hour_angle) / strip.line_angle
    np.testing.assert_allclose(g, 0, atol=1e-6)
    np.testing.assert_allclose(direct.column, column, atol=1e-6)


def test_derivative_of_the_column():
    strip = make_map(rotation=2.0)
    d = strip.declination(np.array([10.0, 500.0, 1000.0]))
    h = 1e-6
    numeric = (strip.evaluate("column", d + h) - strip.evaluate("column", d - h)) / (2 * h)
    np.testing.assert_allclose(strip.derivative("column", d), numeric, rtol=1e-6)


def test_right_ascension_wraps():
    """A strip across 0 h: lines rise steadily, right ascension jumps by a turn."""
    strip = make_map(theta=2 * np.pi - 0.01, n_lines=60000)
    line = np.linspace(0, 59999, 500)
    ra, dec = strip.strip_to_sky(line, np.full(500, 500.0))
    assert ra.max() > 6.28
    assert ra.min() < 0.01
    assert np.count_nonzero(np.diff(ra) < 0) == 1
    for turns in (-2, 0, 3):
        back, _ = strip.sky_to_strip(ra + 2 * np.pi * turns, dec)
        np.testing.assert_allclose(back, line, atol=1e-6)


def test_later_lines_see_greater_right_ascension():
    strip = make_map()
    ra, _ = strip.strip_to_sky([100.0, 101.0], [500.0, 500.0])
    assert ra[1] - ra[0] == pytest.approx(strip.line_angle, rel=1e-9)


def test_far_off_the_chip_is_nan():
    strip = make_map()
    line, column = strip.sky_to_strip([1.0, 1.0], [np.radians(35.0), np.radians(50.0)])
    assert np.isfinite(column[0])
    assert np.isnan(column[1])
    assert np.isnan(line[1])
    assert np.isnan(strip.declination(1e5))


def test_solid_angle_ratio_averages_to_one():
    strip = make_map(scale=13.75, n=1024)
    ratio = strip.solid_angle_ratio(np.arange(1024.0))
    assert ratio.mean() == pytest.approx(1, abs=1e-5)
    assert ratio[512] > ratio[0]  # gnomonic: pixels off the axis see less sky


@pytest.mark.parametrize("dec", [89.9, -89.9])
def test_the_pole_is_refused(dec):
    with pytest.raises(SolutionError, match="pole"):
        make_map(dec=dec, scale=2.0)


def test_bad_numbers_are_refused():
    camera = Camera.from_arcsec(pixel_scale=0.5, n_columns=64, n_stage=64)
    with pytest.raises(ValueError, match="line_angle must be positive"):
        make_strip_map(camera, Axis(0.5), line_angle=0.0, theta_start=0.0, n_lines=10)
    with pytest.raises(ValueError, match="n_lines must be at least 1, got 0"):
        make_strip_map(camera, Axis(0.5), line_angle=1e-6, theta_start=0.0, n_lines=0)
    with pytest.raises(ValueError, match="shorter than a turn of the sky"):
        make_strip_map(camera, Axis(0.5), line_angle=1e-3, theta_start=0.0, n_lines=7000)
