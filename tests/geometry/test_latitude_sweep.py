"""Curvature from the equator to 65 deg of both hemispheres: prediction against simulation."""

import math

import numpy as np
import pytest

from pipeline.geometry.camera import Camera
from pipeline.geometry.transit import Axis, average_transit, find_crossing, project_star
from synthetic.scenario import ARCSEC_PER_RADIAN, ROTATION_RATE

# Annual aberration (constant of 20.5 arcsec, once round in a year) moves a star's apparent place
# while it crosses the chip; the prediction holds it at the middle of the crossing. arcsec/s.
ABERRATION_RATE = 20.5 * 2 * math.pi / (365.25 * 86400)
# Polar motion in early 2025 (IERS B: 0.07, 0.33 arcsec), rounded up.
POLE = 0.36 / ARCSEC_PER_RADIAN
TURNED = {"rotation": 0.2, "rate_error": 1e-3}


@pytest.fixture(scope="module")
def module(measuring):
    return measuring("latitude_sweep")


@pytest.fixture(scope="module")
def straight(module):
    return module.sweep()


@pytest.mark.parametrize("kind", ["straight", "turned"])
def test_prediction_equals_simulation(module, straight, kind):
    """Every quantity to the accuracy of the simulator's steps.

    Three things limit it. Annual aberration during the crossing, `drift` (px): it stretches both
    extents by as much, the crossing by its share of the rows, and turns the drift, so that edges
    move against the middle by half of it. The simulator counts whole clock periods: where the
    crossing cuts the first and the last, the sawtooth of the clock (-1/2..1/2 px) is left with up
    to an eighth of a period at each end. Degree-7 paths through ERFA instants: far below 1e-5 px.
    """
    found = straight if kind == "straight" else module.sweep((20.0, 65.0, -45.0), **TURNED)
    n = module.N
    for latitude, (predicted, simulated) in found.items():
        crossing = n * module.SCALE / ARCSEC_PER_RADIAN / math.cos(math.radians(latitude))
        drift = 1.05 * ABERRATION_RATE * crossing / ROTATION_RATE / module.SCALE
        cut = 2 / 8 / n
        along, across = simulated["smear along"], simulated["smear across"]
        tolerance = {
            "column shift": 1e-5,
            "line shift": cut + 0.5 * drift,
            # 2e-5 of the extent: the outermost quadrature nodes lie inside the ends.
            "smear along": drift + 2e-5 * along + 1e-5,
            "smear across": drift + 2e-5 * across + 1e-5,
            "exposure factor": drift / n + 1e-7,
            # Covariances with the sawtooth, each end at half the extent from the mean.
            "ll": cut * (along + 0.5) + drift * along / 6 + 1e-5,
            "lc": cut * across / 2 + drift * (along + across) / 12 + 1e-5,
            "cc": drift * across / 6 + 1e-5,
        }
        for name, limit in tolerance.items():
            off = np.abs(predicted[name] - simulated[name])
            assert np.all(off < limit), f"{name} at {latitude}: {off}, limit {limit}"


def test_no_curvature_on_the_equator(straight, module):
    """What is left is of third order in the field: a great circle off the equator bends by that."""
    half = 0.5 * module.N * module.SCALE / ARCSEC_PER_RADIAN
    third = half**3 * ARCSEC_PER_RADIAN / module.SCALE
    for values in straight[0.0]:
        assert np.all(np.abs(values["column shift"]) < 0.6 * third)
        assert np.all(values["smear across"] < 0.55 * third)
        assert values["smear across"][1] < 1e-5
        assert np.all(values["smear along"] < 0.75 * third)
        np.testing.assert_allclose(values["exposure factor"], 1.0, rtol=0, atol=half**2)


@pytest.mark.parametrize("latitude", [20.0, 45.0, 65.0])
def test_hemispheres_have_opposite_signs(straight, module, latitude):
    """The south is the north upside down: shifts change sign, north edge and south edge change.

    The pole is off by a third of an arcsec towards one and away from the other: declinations
    differ by twice that, and with them the rate that matches the drift.
    """
    shift = 2 * POLE / math.cos(math.radians(latitude)) ** 2
    for north, south in zip(straight[latitude], straight[-latitude], strict=True):
        np.testing.assert_allclose(
            north["column shift"], -south["column shift"][::-1], rtol=0, atol=1e-5
        )
        assert np.all(north["column shift"][[0, 2]] > 0)
        for name in ("smear along", "smear across"):
            np.testing.assert_allclose(
                north[name], south[name][::-1], rtol=0, atol=module.N * shift
            )
        np.testing.assert_allclose(
            north["exposure factor"], south["exposure factor"][::-1], rtol=0, atol=shift
        )
        assert north["exposure factor"][0] < 1 < north["exposure factor"][2]
        assert south["exposure factor"][2] < 1 < south["exposure factor"][0]


@pytest.mark.parametrize("latitude", [20.0, 45.0, 65.0, -45.0])
def test_small_angle_formulas(straight, module, latitude):
    """W^2 tan(d0)/8, W |d - d0| tan(d0), tan(d0)(d - d0), and a third of the sagitta as shift.

    To the relative order of the field times the tangent: 1 %.
    """
    width = module.N * module.SCALE / ARCSEC_PER_RADIAN
    edge = 0.5 * (module.N - 1) / module.N * width
    tan = math.tan(math.radians(latitude))
    px = module.N / width
    for values in straight[latitude]:
        sagitta = width**2 * abs(tan) / 8 * px
        np.testing.assert_allclose(values["smear across"], sagitta, rtol=0.01)
        along = values["smear along"][[0, 2]]
        np.testing.assert_allclose(along, width * edge * abs(tan) * px, rtol=0.015)
        factor = values["exposure factor"][[0, 2]] - 1
        np.testing.assert_allclose(factor, [-edge * tan, edge * tan], rtol=0.015)
        # The mean of a parabola from its vertex is a third of its height.
        assert values["column shift"][1] == pytest.approx(math.copysign(sagitta / 3, tan), rel=0.01)


def test_a_corrector_would_have_something_to_correct():
    """PASP 110, 1081 (1998), abstract: a lens brings curvature below 0.074 arcsec over 10 x 20
    arcmin at declination 49. Without one the middle of such a field is bent by more, whichever
    side lies along the scan, and by W^2 tan(d0)/8.
    """
    for columns, rows in ((600, 1200), (1200, 600)):
        camera = Camera.from_arcsec(pixel_scale=1.0, n_columns=columns, n_stage=rows)
        axis = Axis(np.radians(49.0))
        ends = find_crossing(camera, axis, axis.declination, [rows, 0.0])
        column, _ = project_star(camera, axis, np.linspace(*ends, 1001), axis.declination)
        expected = rows**2 / ARCSEC_PER_RADIAN * math.tan(axis.declination) / 8
        assert np.ptp(column) == pytest.approx(expected, rel=1e-4)
        assert np.ptp(column) > 2 * 0.074
        angle = 1.0 / (camera.scale * np.cos(axis.declination))
        transit = average_transit(camera, axis, axis.declination, line_angle=angle)
        assert transit.cc == pytest.approx(4 / 45 * expected**2, rel=1e-3)  # of a parabola
