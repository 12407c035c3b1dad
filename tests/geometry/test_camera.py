import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.geometry.camera import ARCSEC_PER_RADIAN, Camera


def make(**changes):
    values = {
        "scale": 4e5,
        "n_columns": 2048,
        "n_stage": 1024,
        "centre_column": 900.0,
        "centre_row": 600.0,
        "rotation": 0.02,
        "column_sign": -1,
        "radial": (20.0, -300.0),
        "aspect": 0.001,
        "skew": -0.002,
    }
    return Camera(**(values | changes))


def test_formula_of_an_upright_camera():
    """West moves down the rows; north moves up the columns or down them, as column_sign says."""
    for sign in (1, -1):
        camera = Camera.from_arcsec(pixel_scale=0.5, n_columns=101, n_stage=100, column_sign=sign)
        arcsec = 1.0 / ARCSEC_PER_RADIAN
        column, row = camera.project([0.0, 10 * arcsec, 0.0], [0.0, 0.0, 10 * arcsec])
        np.testing.assert_allclose(row, [50.0, 30.0, 50.0])
        np.testing.assert_allclose(column, [50.0, 50.0, 50.0 + 20.0 * sign])


def test_rotation_and_distortion_follow_the_written_formula():
    camera = make()
    xi, eta = 0.0021, -0.0013
    r2 = xi**2 + eta**2
    factor = 1 + 20 * r2 - 300 * r2**2
    u = -4e5 * xi * factor
    v = -4e5 * eta * factor - 0.002 * u
    u *= 1.001
    column, row = camera.project(xi, eta)
    assert column == pytest.approx(900 + v * np.cos(0.02) - u * np.sin(0.02), abs=1e-9)
    assert row == pytest.approx(600 + v * np.sin(0.02) + u * np.cos(0.02), abs=1e-9)


@given(
    column=st.floats(-500, 2500),
    row=st.floats(-200, 1300),
    rotation=st.floats(-0.7, 0.7),
    sign=st.sampled_from([1, -1]),
    k1=st.floats(-300, 300),
)
@settings(max_examples=50, deadline=None)
def test_unproject_inverts_project(column, row, rotation, sign, k1):
    camera = make(rotation=rotation, column_sign=sign, radial=(k1, 50.0))
    back = camera.project(*camera.unproject(column, row))
    np.testing.assert_allclose(back, [column, row], rtol=0, atol=1e-7)


def test_jacobian_is_the_derivative():
    camera = make()
    xi, eta, h = np.array([0.002, -0.001]), np.array([-0.0015, 0.003]), 1e-7
    x_xi, x_eta, y_xi, y_eta = camera.jacobian(xi, eta)
    for delta, (by_x, by_y) in (((h, 0.0), (x_xi, y_xi)), ((0.0, h), (x_eta, y_eta))):
        high = camera.project(xi + delta[0], eta + delta[1])
        low = camera.project(xi - delta[0], eta - delta[1])
        np.testing.assert_allclose((high[0] - low[0]) / (2 * h), by_x, rtol=1e-6, atol=1e-2)
        np.testing.assert_allclose((high[1] - low[1]) / (2 * h), by_y, rtol=1e-6, atol=1e-2)


def test_solid_angle_falls_as_the_cube_of_the_cosine():
    """Gnomonic plane: d Omega = cos^3(theta) dA (textbook geometry)."""
    camera = Camera.from_arcsec(pixel_scale=60.0, n_columns=601, n_stage=600)
    theta = np.radians(np.array([0.0, 1.0, 4.0]))
    column = camera.centre_column + camera.scale * np.tan(theta)
    expected = np.cos(theta) ** 3 / camera.scale**2
    np.testing.assert_allclose(camera.solid_angle(column, 300.0), expected, rtol=1e-12)


def test_solid_angles_add_up_to_the_field():
    """A square of half-width tan(a) covers 4 asin(sin^2 a) steradians (regular pyramid)."""
    camera = Camera.from_arcsec(pixel_scale=240.0, n_columns=300, n_stage=300)
    column, row = np.meshgrid(np.arange(300.0), np.arange(300.0) + 0.5)
    half = np.arctan(150.0 / camera.scale)
    # The midpoint rule errs by h^2/24 of the second derivative: some 1e-7 here.
    exact = 4.0 * np.arcsin(np.sin(half) ** 2)
    assert camera.solid_angle(column, row).sum() == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"scale": 0.0}, "camera.scale must be positive"),
        ({"n_stage": 0}, "n_stage must be at least 1"),
        ({"column_sign": 0}, "camera.column_sign must be 1 or -1, got 0"),
        ({"rotation": 1.0}, "camera.rotation must be within 45 degrees"),
        ({"skew": 0.5}, "must be small"),
        ({"centre_row": np.nan}, "must be finite"),
    ],
)
def test_bad_cameras_are_refused(changes, message):
    with pytest.raises(ValueError, match=message):
        make(**changes)


def test_pixel_scale_must_be_positive():
    with pytest.raises(ValueError, match=r"camera.pixel_scale must be positive"):
        Camera.from_arcsec(pixel_scale=-1.0, n_columns=8, n_stage=8)


def test_a_folding_distortion_is_refused():
    camera = Camera.from_arcsec(pixel_scale=60.0, n_columns=2000, n_stage=2000, radial=(-30.0, 0.0))
    with pytest.raises(ValueError, match=r"folds the field over"):
        camera.unproject(1990.0, 10.0)
