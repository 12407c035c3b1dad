"""The way of a star across the chip, against published and independently derived values."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import SolutionError
from pipeline.geometry.camera import ARCSEC_PER_RADIAN, Camera
from pipeline.geometry.transit import (
    CLOCK_VARIANCE,
    Axis,
    average_solid_angle,
    average_transit,
    find_crossing,
    locate,
    project_star,
    trace_path,
)

RATE = 2 * np.pi * 1.00273781191135448 / 86400  # rad/s, Earth rotation angle


def square_field(latitude_deg, arcmin, **changes):
    """Camera of one arcsecond pixels whose line period is matched at the centre."""
    n = arcmin * 60
    camera = Camera.from_arcsec(pixel_scale=1.0, n_columns=n, n_stage=n, **changes)
    axis = Axis(np.radians(latitude_deg))
    return camera, axis, 1.0 / (camera.scale * np.cos(axis.declination))


def extents(camera, axis, line_angle, declination):
    ends = find_crossing(camera, axis, declination, [camera.n_stage, 0.0])
    hour_angle = np.linspace(*ends, 4001)
    column, row = project_star(camera, axis, hour_angle, declination)
    return np.ptp(column), np.ptp(hour_angle / line_angle + row)


# "Exact gnomonic geometry" (derived for checks.md by two independent codes): latitude, width in
# arcmin, crossing s, cross-scan extent centre / N / S edge, along-scan extent N / S, arcsec.
# Four decimals from a calculation in finite steps: one unit of the last place and half a unit of
# rounding are allowed.
GNOMONIC = [
    (20, 20, 84.90, 0.3176, 0.3205, 0.3147, 1.2686, 1.2723),
    (30, 10, 46.06, 0.1259, 0.1264, 0.1255, 0.5039, 0.5037),
    (30, 20, 92.12, 0.5038, 0.5072, 0.5004, 2.0158, 2.0147),
    (30, 30, 138.19, 1.1335, 1.1450, 1.1222, 4.5363, 4.5325),
    (40, 20, 104.15, 0.7322, 0.7365, 0.7279, 2.9339, 2.9240),
    (49, 20, 121.61, 1.0038, 1.0097, 0.9979, 4.0278, 4.0032),
]


@pytest.mark.parametrize(("latitude", "width", "crossing", *"abcde"), GNOMONIC)
def test_exact_gnomonic_table(latitude, width, crossing, a, b, c, d, e):
    camera, axis, line_angle = square_field(latitude, width)
    half = np.radians(width / 120)
    centre, north, south = (
        extents(camera, axis, line_angle, axis.declination + s * half) for s in (0, 1, -1)
    )
    transit = average_transit(camera, axis, axis.declination, line_angle=line_angle)
    seconds = transit.duration * camera.n_stage * line_angle / RATE
    assert seconds == pytest.approx(crossing, abs=0.01)
    found = [centre[0], north[0], south[0], north[1], south[1]]
    np.testing.assert_allclose(found, [a, b, c, d, e], rtol=0, atol=1.5e-4)


@pytest.mark.parametrize(("latitude", "width"), [(20, 10), (35, 27), (-49, 20)])
def test_small_angle_limits(latitude, width):
    """Design: cross-scan W^2 tan(d0)/8, along-scan W |d - d0| tan(d0), exposure tan(d0)(d - d0).

    Corrections are of relative order W, 1 %.
    """
    camera, axis, line_angle = square_field(latitude, width)
    w = camera.n_stage / camera.scale
    tan = np.tan(axis.declination)
    assert extents(camera, axis, line_angle, axis.declination)[0] / camera.scale == pytest.approx(
        w * w * abs(tan) / 8, rel=1e-4
    )
    for off in (-w / 2, w / 2):
        d = axis.declination + off
        along = extents(camera, axis, line_angle, d)[1] / camera.scale
        assert along == pytest.approx(w * abs(off * tan), rel=0.02)
        transit = average_transit(camera, axis, d, line_angle=line_angle)
        assert transit.duration - 1 == pytest.approx(tan * off, rel=0.02)


def test_example_of_the_design():
    """Latitude 35, 0.40 arcsec/px, 4096 x 4096: sagitta 2.85, along-scan 11.4 px, 0.28 %.

    "2.85 everywhere" holds to the relative order of the field, 1 %.
    """
    camera = Camera.from_arcsec(pixel_scale=0.4, n_columns=4096, n_stage=4096)
    axis = Axis(np.radians(35.0))
    line_angle = 1.0 / (camera.scale * np.cos(axis.declination))
    d = axis.declination + np.array([-0.5, 0.0, 0.5]) * 4096 / camera.scale
    found = np.array([extents(camera, axis, line_angle, one) for one in d])
    np.testing.assert_allclose(found[:, 0], 2.85, rtol=0.01)
    assert found[1, 0] == pytest.approx(2.85, abs=0.005)
    np.testing.assert_allclose(found[:, 1], [11.4, 0.0, 11.4], atol=0.05)
    transit = average_transit(camera, axis, d, line_angle=line_angle)
    np.testing.assert_allclose(transit.duration - 1, [-0.0028, 0, 0.0028], atol=5e-5)


def test_line_period_of_a_published_camera():
    """13.75 arcsec/px at the equator: 0.9142 s a line, 512 lines in 468 s.

    Henden 1997, technical note 26 on drift scanning.
    """
    camera = Camera.from_arcsec(pixel_scale=13.75, n_columns=768, n_stage=512)
    transit = average_transit(camera, Axis(0.0), 0.0, line_angle=RATE)  # one second a line
    seconds = float(transit.duration) * 512
    assert seconds / 512 == pytest.approx(0.9142, abs=1.5e-4)  # tan(H) over 2 degrees: 1e-4
    assert seconds == pytest.approx(468, abs=0.5)


def test_edge_smear_of_a_published_camera():
    """768 columns of that camera: +-2.3 arcsec at the edge columns on the equator (exact 2.306).

    From the same note: what the sky moves less at the edge's declination in the time in which the
    equator crosses the chip. 0.002 allows for angle against tangent.
    """
    camera = Camera.from_arcsec(pixel_scale=13.75, n_columns=768, n_stage=512)
    axis = Axis(0.0)
    edge = locate(axis, *camera.unproject(camera.centre_column + 384, 256.0))[1]
    transit = average_transit(camera, axis, [0.0, edge], line_angle=RATE)
    path = transit.duration * 512 * RATE * np.cos([0.0, edge]) * ARCSEC_PER_RADIAN
    assert path[0] - path[1] == pytest.approx(2.306, abs=0.002)


def test_no_curvature_at_the_equator():
    camera, axis, line_angle = square_field(0, 20)
    off = np.radians(np.array([-0.1, 0.0, 0.1]))
    transit = average_transit(camera, axis, off, line_angle=line_angle)
    # Only second-order terms: sagitta of eta = tan d / cos H, 600 px x (w/2)^2 / 2.
    np.testing.assert_allclose(transit.cc, 0, atol=1e-6)
    np.testing.assert_allclose(transit.ll, 0, atol=1e-6)
    np.testing.assert_allclose(transit.duration, 1, atol=1e-5)


def test_hemispheres_mirror_each_other():
    """South is north upside down: with the columns flipped, everything is the same."""
    camera, axis, line_angle = square_field(41, 25, rotation_deg=0.2)
    south, _, _ = square_field(41, 25, rotation_deg=0.2, column_sign=-1)
    d = axis.declination + np.radians(np.linspace(-0.2, 0.2, 5))
    here = average_transit(camera, axis, d, line_angle=line_angle)
    there = average_transit(south, Axis(-axis.declination), -d, line_angle=line_angle)
    for name in ("column", "line", "ll", "lc", "cc", "duration"):
        np.testing.assert_allclose(getattr(here, name), getattr(there, name), rtol=0, atol=1e-8)


def test_hour_angle_of_the_axis_only_shifts_the_hour_angle():
    camera, axis, line_angle = square_field(33, 20, rotation_deg=-0.3)
    aside = Axis(axis.declination, 0.7)
    d = axis.declination + np.radians(np.linspace(-0.15, 0.15, 4))
    here = average_transit(camera, axis, d, line_angle=line_angle)
    there = average_transit(camera, aside, d, line_angle=line_angle)
    np.testing.assert_allclose(there.hour_angle - 0.7, here.hour_angle, atol=1e-14)
    np.testing.assert_allclose(there.column, here.column, atol=1e-8)
    np.testing.assert_allclose(there.ll, here.ll, atol=1e-8)


def step_star(camera, pointing, declination, period, *, steps_per_line, whole_rows, phase):
    """Mean line and column and their moments, by moving a star in small steps.

    Own geometry (turning unit vectors), own camera formula; charge dropped at Y while line k is
    being prepared is read in line k + Y: in whole rows, or at the exact height (then the pixel's
    boxcar is left out).
    """
    d0, h0 = pointing
    turn_h = np.array([[np.cos(h0), np.sin(h0), 0], [-np.sin(h0), np.cos(h0), 0], [0, 0, 1]])
    turn_d = np.array([[np.cos(d0), 0, np.sin(d0)], [0, 1, 0], [-np.sin(d0), 0, np.cos(d0)]])
    span = 0.7 * camera.n_stage / camera.scale / np.cos(declination)
    n = int(2 * span / RATE / period * steps_per_line)
    # Times since line 0's read; the star passes the axis at a time set by the phase.
    t = (np.arange(n) + 0.5) / steps_per_line * period + 1000 * period
    middle = 1000 * period + span / RATE + phase * period
    h = h0 + (t - middle) * RATE
    star = np.stack(
        [np.cos(declination) * np.cos(h), np.cos(declination) * np.sin(h),
         np.full(n, np.sin(declination))]
    )  # fmt: skip
    local = turn_d @ (turn_h @ star)
    u = -camera.scale * local[1] / local[0]
    v = camera.column_sign * camera.scale * local[2] / local[0]
    c, s = np.cos(camera.rotation), np.sin(camera.rotation)
    column = camera.centre_column + c * v - s * u
    row = camera.centre_row + s * v + c * u
    on = (row >= 0) & (row < camera.n_stage)
    k = np.ceil(t / period)
    line = k + np.floor(row) if whole_rows else k - 0.5 + row
    l, x = line[on], column[on]
    mean_l, mean_x = l.mean(), x.mean()
    moments = np.cov(np.stack([l, x]), bias=True)
    # Sidereal angle at which the axis is passed, counted from line 0, in lines.
    passed = middle / period
    return mean_l - passed, mean_x, moments, on.sum() / steps_per_line


CASES = [
    (-46.2, 0.0, 0.55, 1024, 0.4, 1, 1.001),
    (35.0, 0.02, 0.4, 2048, -0.25, -1, 0.9995),
    (60.0, -0.3, 3.0, 512, 1.0, 1, 1.0),
]


@pytest.mark.parametrize(("dec", "h0", "scale", "n", "rotation", "sign", "rate"), CASES)
def test_averages_equal_brute_force_stepping(dec, h0, scale, n, rotation, sign, rate):
    camera = Camera.from_arcsec(
        pixel_scale=scale, n_columns=n, n_stage=n, rotation_deg=rotation, column_sign=sign
    )
    d0 = np.radians(dec)
    period = rate / (camera.scale * np.cos(d0) * RATE)
    line_angle = RATE * period
    for off in (-0.45, 0.0, 0.3):
        d = d0 + off * n / camera.scale
        transit = average_transit(camera, Axis(d0, h0), d, line_angle=line_angle)
        line, column, moments, exposure = step_star(
            camera, (d0, h0), d, period, steps_per_line=64, whole_rows=False, phase=0.31
        )
        # Entering and leaving are resolved to 1/64 line, of n lines: the mean to 1/128 / 2 px.
        assert transit.line - h0 / line_angle == pytest.approx(line, abs=0.01)
        assert transit.column == pytest.approx(column, abs=0.01)
        assert transit.duration * n == pytest.approx(exposure, abs=2 / 64)
        np.testing.assert_allclose(
            [transit.ll + CLOCK_VARIANCE, transit.lc, transit.cc],
            [moments[0, 0], moments[0, 1], moments[1, 1]],
            rtol=2e-3, atol=2e-3,
        )  # fmt: skip


def test_whole_rows_shift_nothing_on_average():
    """Charge in whole rows: same mean line over the phases, one more boxcar for the pixel."""
    camera = Camera.from_arcsec(pixel_scale=0.55, n_columns=512, n_stage=512)
    d0 = np.radians(-46.2)
    period = 1.0 / (camera.scale * np.cos(d0) * RATE)
    transit = average_transit(camera, Axis(d0), d0, line_angle=RATE * period)
    runs = [
        step_star(camera, (d0, 0.0), d0, period, steps_per_line=32, whole_rows=True, phase=p)
        for p in (np.arange(20) + 0.5) / 20
    ]
    assert np.mean([r[0] for r in runs]) == pytest.approx(float(transit.line), abs=0.01)
    variance = np.mean([r[2][0, 0] for r in runs])
    assert variance == pytest.approx(float(transit.ll) + 2 * CLOCK_VARIANCE, abs=0.005)


def test_quadrature_is_exact_to_a_millionth_of_a_pixel():
    """A wide field with distortion: 16 nodes against 64, in every average."""
    camera = Camera.from_arcsec(
        pixel_scale=13.75, n_columns=2048, n_stage=1024, rotation_deg=0.5, radial=(0.4, -1.0)
    )
    axis = Axis(np.radians(33.0), 0.1, 1.2e-6)
    d = axis.declination + np.radians(np.linspace(-3.9, 3.9, 9))
    line_angle = 1.0003 / (camera.scale * np.cos(axis.declination))
    transit = average_transit(camera, axis, d, line_angle=line_angle)
    dl, dc, w = trace_path(camera, axis, d, line_angle=line_angle, n=64)
    fine = [(dl * dl) @ w, (dl * dc) @ w, (dc * dc) @ w]
    np.testing.assert_allclose([transit.ll, transit.lc, transit.cc], fine, rtol=0, atol=1e-6)
    ends = find_crossing(camera, axis, d[:, None], [1024.0, 0.0])
    nodes, weights = np.polynomial.legendre.leggauss(64)
    h = ends.mean(1, keepdims=True) + 0.5 * np.diff(ends) * nodes
    column, row = project_star(camera, axis, h, d[:, None])
    np.testing.assert_allclose(transit.column, column @ weights / 2, rtol=0, atol=1e-6)
    np.testing.assert_allclose(
        transit.line, (h / line_angle + row) @ weights / 2, rtol=0, atol=1e-6
    )


def test_path_has_zero_mean_and_unit_weight():
    camera, axis, line_angle = square_field(35, 27, rotation_deg=0.1)
    d = axis.declination + np.radians([-0.2, 0.0, 0.2])
    dl, dc, w = trace_path(camera, axis, d, line_angle=line_angle, n=12)
    assert dl.shape == (3, 12)
    assert w.sum() == pytest.approx(1, abs=1e-12)
    np.testing.assert_allclose(dl @ w, 0, atol=1e-9)
    np.testing.assert_allclose(dc @ w, 0, atol=1e-9)
    transit = average_transit(camera, axis, d, line_angle=line_angle)
    np.testing.assert_allclose((dl * dc) @ w, transit.lc, atol=1e-9)


@given(
    dec=st.floats(-85, 85),
    hour=st.floats(-170, 170),
    xi=st.floats(-0.05, 0.05),
    eta=st.floats(-0.05, 0.05),
    speed=st.sampled_from([0.0, 1.5e-6]),
)
@settings(max_examples=60, deadline=None)
def test_locate_inverts_the_projection(dec, hour, xi, eta, speed):
    axis = Axis(np.radians(dec), np.radians(hour), speed)
    back = axis.project(*locate(axis, xi, eta))
    np.testing.assert_allclose(back, [xi, eta], rtol=0, atol=5e-12)


def test_crossing_lies_on_the_row():
    camera, axis, _ = square_field(49, 20, rotation_deg=0.7)
    d = axis.declination + np.radians(np.linspace(-0.2, 0.2, 7))
    for row in (0.0, 333.3, 1200.0):
        _, found = project_star(camera, axis, find_crossing(camera, axis, d, row), d)
        np.testing.assert_allclose(found, row, atol=1e-8)


def test_a_star_that_never_crosses_is_refused():
    camera = Camera.from_arcsec(pixel_scale=60.0, n_columns=512, n_stage=512)
    with pytest.raises(SolutionError, match="never crosses the chip"):
        find_crossing(camera, Axis(np.radians(89.0)), np.radians(89.5), 0.0)


def test_mean_solid_angle_is_the_average_over_the_rows():
    camera = Camera.from_arcsec(pixel_scale=60.0, n_columns=301, n_stage=300, radial=(0.3, 0.0))
    rows = (np.arange(3000) + 0.5) / 10
    for column in (0.0, 150.0, 300.0):
        expected = camera.solid_angle(np.full(3000, column), rows).mean()
        assert average_solid_angle(camera, column) == pytest.approx(expected, rel=1e-8)


def test_path_needs_a_node():
    camera, axis, line_angle = square_field(35, 10)
    with pytest.raises(ValueError, match="n must be at least 1, got 0"):
        trace_path(camera, axis, 0.6, line_angle=line_angle, n=0)
